"""Who a site is for: which pages it has, whose name may stand in it, and which figures travel with it.

A site for one reader is built from tables in which the rest is already gone (`Veil`), so that no page and no script has
to remember to leave something out. Not here: how a page reads.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property

import polars as pl

from schemas import validate

PERSON = "technician_id"
SOMEBODY = "a hand"

# Columns of text that the pipeline or a file wrote and that may name somebody.
SPEAKING = (
    "te_source",
    "with_whom",
    "confused_with",
    "why",
    "why_incomplete",
    "why_not",
    "message",
    "would_settle",
    "advice",
    "subject",
    "evidence",
    "figure",
)
# Rows of people are kept, without saying whose they are: they are counted.
COUNTED = ("compliance_training", "training_days")
_OF_A_PERSON = (
    "label",
    "hired_on",
    "left_on",
    "certificate_ref",
    "due_by",
    "first_completed_on",
    "latest_completed_on",
    "valid_until",
)


@dataclass(frozen=True, slots=True)
class Audience:
    """`pages` by key, the first of them is the file index.html; `people`: "all" as the settings say, "own" one person
    alone, "none"; `amounts` which sums travel with the pages for their filters.
    """

    pages: tuple[str, ...]
    people: str = "none"
    amounts: tuple[str, ...] = ()


EVERYBODY = Audience(
    ("index", "owner", "environment", "hands", "guns", "bench", "intake", "method"), "all", ("ledger", "emissions")
)
AUDIENCES: dict[str, Audience] = {
    "owner": Audience(("index", "owner", "guns", "bench", "intake", "method"), "none", ("ledger",)),
    "environment": Audience(("environment", "intake", "method"), "none", ("emissions",)),
    "trainer": Audience(("hands", "guns", "bench", "method"), "all"),
    "painter": Audience(("bench", "guns", "hands", "method"), "own"),
}


class AudienceError(ValueError):
    """There is no such reader or person; the text says which there are."""


def of(name: str | None, person: str | None = None) -> Audience:
    """The audience of that name; None: everybody. Raises AudienceError, naming those there are, and where a person is
    named beside an audience that has no page of one person."""
    if name is not None and name not in AUDIENCES:
        raise AudienceError(f"No site is made for {name!r}; there is one for {', '.join(AUDIENCES)}.")
    found = EVERYBODY if name is None else AUDIENCES[name]
    if person is not None and found.people != "own":
        raise AudienceError("A technician is named for the painter's site alone: --for painter --who TECHNICIAN.")
    return found


class Veil:
    """What of the tables a reader may see of people. `own`: the one person who may be named; None: nobody."""

    def __init__(self, tables: Mapping[str, pl.DataFrame], own: str | None) -> None:
        self._tables = tables
        self.own = own

    @cached_property
    def _others(self) -> re.Pattern[str] | None:
        """Every id of a person that any table knows, and every label, but the reader's own."""
        found: set[str] = set()
        for frame in self._tables.values():
            if PERSON in frame.columns:
                found |= set(frame[PERSON].drop_nulls().unique().to_list())
        people = self._tables.get("technicians")
        if people is not None and "label" in people.columns:
            others = people.filter(pl.col(PERSON) != self.own) if self.own else people
            found |= set(others["label"].drop_nulls().to_list())
        found -= {self.own, ""}
        if not found:
            return None
        return re.compile(
            r"(?<!\w)(?:technician )?(?:" + "|".join(re.escape(n) for n in sorted(found, key=len)[::-1]) + r")(?!\w)"
        )

    def words(self, text: str | None) -> str | None:
        """The text with everybody else's name taken out."""
        return text if text is None or self._others is None else self._others.sub(SOMEBODY, text)

    def over(self, name: str, frame: pl.DataFrame) -> pl.DataFrame:
        """The table as this reader may see it: rows about others gone, their names out of the rest."""
        if PERSON in frame.columns:
            mine = pl.col(PERSON) == self.own if self.own else pl.lit(False)
            if name in COUNTED:
                hide = [c for c in (PERSON, *_OF_A_PERSON) if c in frame.columns and (c != "label")]
                frame = frame.with_columns(pl.when(mine).then(pl.col(c)).alias(c) for c in hide)
            elif PERSON in validate.keys(name) or name == "technicians":
                frame = frame.filter(mine)
            else:
                frame = frame.with_columns(pl.when(mine).then(pl.col(PERSON)).alias(PERSON))
        if name == "refused_rows":
            # a row as it stood may name anybody, also somebody whom no register knows; so may what stands in quotes
            frame = frame.with_columns(
                raw=pl.lit(None, pl.String), reasons=pl.col("reasons").list.eval(_unquoted(pl.element()))
            )
        if "why_incomplete" in frame.columns:
            frame = frame.with_columns(_unquoted(pl.col("why_incomplete")))
        return self._said(frame)

    def _said(self, frame: pl.DataFrame) -> pl.DataFrame:
        speaking: Iterable[str] = [c for c in SPEAKING if c in frame.columns and frame[c].dtype == pl.String]
        for column in speaking:
            said = {text: self.words(text) for text in frame[column].drop_nulls().unique().to_list()}
            if said:
                frame = frame.with_columns(pl.col(column).replace(said))
        return frame


def _unquoted(text: pl.Expr) -> pl.Expr:
    return text.str.replace_all(r"'[^']*'", "'…'")
