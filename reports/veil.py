"""What of people may be seen where nobody is to be named: the one place where names are taken out of tables.

Sites of single readers, hand-outs, and with `people = "hidden"` every table that is published pass through here. A name is an id or
a label of the register, and each word of a label. An id or a file name that holds one is replaced as a whole by an alias, the same
in every table of the workspace as long as the register stays; in sentences a name reads as "a hand". Who stands in no register
cannot be known: what a shop wrote freely is for its reader to look at, rows as they stood and what they quote are withheld.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable, Mapping
from functools import cache, cached_property

import polars as pl

from pipelines.workspace.pseudonyms import PERSON, alone, words_of
from schemas import validate
from schemas.events import EVENTS
from schemas.published import PUBLISHED
from schemas.registers import REGISTERS

SOMEBODY = "a hand"
#: rows of people are kept, without saying whose they are: they are counted
COUNTED = ("compliance_training", "training_days")
#: rows that are about a person where they name one, about everybody's work where they do not
WHOSE = ("changes", "change_effects")
_OF_A_PERSON = ("left_on", "certificate_ref", "due_by", "first_completed_on", "latest_completed_on")
#: columns in which a bare number may be somebody's id
_NAMING = ("with_whom", "confused_with", "subject")
_QUOTING = ("reasons", "why_incomplete", "message")
_PATHS = ("file", "path")
_QUOTED = re.compile(r"(?<!\w)'[^']*'")
#: headers, sheets and lines of a file stand behind these words up to the end of what is said
_LISTED = re.compile(
    r"((?:header found|stands above it|not used|no layout reads|are not read|sheets):).*", re.IGNORECASE | re.DOTALL
)
_TOKEN = re.compile(r"""[^\s'",;:()\[\]/]+""")
_LOOSE = 4  # letters from which a name inside an id needs no sign around it
_OTHER_WORDS = {
    "painter",
    "hand",
    "helper",
    "trainee",
    "apprentice",
    "new",
    "old",
    "the",
    "and",
    "person",
    "name",
    "mixer",
}


class Veil:
    """`own`: the one person who may be named; None: nobody. `called`: what an id is called, where people are kept apart by
    pseudonyms; without it their rows go."""

    def __init__(
        self, tables: Mapping[str, pl.DataFrame], own: str | None, called: Callable[[str], str] | None = None
    ) -> None:
        self._tables = tables
        self.own = own
        self.called = called

    @cached_property
    def _register(self) -> tuple[set[str], set[str]]:
        """Ids and labels of everybody that any table knows, but the reader's own."""
        ids: set[str] = set()
        for name in self._tables:
            if any(info.name == PERSON for info in validate.columns(name)):
                parts = getattr(self._tables, "parts", None)
                for frame in parts(name, [PERSON]) if parts else [self._tables[name]]:
                    ids |= set(frame[PERSON].drop_nulls().unique().to_list() if PERSON in frame.columns else ())
        labels: set[str] = set()
        people = self._tables["technicians"] if "technicians" in self._tables else None
        if people is not None and "label" in people.columns:
            others = people.filter(pl.col(PERSON) != self.own) if self.own else people
            labels = set(others["label"].drop_nulls().to_list())
        return ids - {self.own, ""}, labels - {""}

    @cached_property
    def _pseudonyms(self) -> dict[str, str]:
        """Id, and a label that is one person's alone -> what that person is called."""
        if self.called is None:
            return {}
        people = self._tables["technicians"] if "technicians" in self._tables else None
        labels = (
            people.select("label", PERSON).drop_nulls().unique("label", keep="none").iter_rows()
            if people is not None
            else ()
        )
        return {label: self.called(one) for label, one in labels} | {one: self.called(one) for one in self._register[0]}

    @cached_property
    def _names(self) -> list[str]:
        """All that names somebody inside other text, the longest first."""
        ids, labels = self._register
        parts = {word for label in labels for word in words_of(label)}
        found = {name for name in ids | parts if not name.isdigit() and len(name) > 1 and name.lower() not in trade()}
        return sorted(found | labels, key=lambda name: (-len(name), name))

    @cached_property
    def word(self) -> str:
        """Everybody's names as one word: aliases hang on it, and change with the register."""
        return hashlib.sha256("\n".join(sorted(self._register[0] | self._register[1])).encode()).hexdigest()

    @cached_property
    def _bounded(self) -> re.Pattern[str]:
        return re.compile("|".join(map(alone, self._names)) or r"(?!)", re.IGNORECASE)

    @cached_property
    def _inside(self) -> re.Pattern[str]:
        names = (re.escape(name) if len(name) >= _LOOSE else alone(name) for name in self._names)
        return re.compile("|".join(names) or r"(?!)", re.IGNORECASE)

    @cached_property
    def _spoken(self) -> re.Pattern[str]:
        """A name in a sentence, and what only behind the word `technician` is one."""
        rest = sorted(self._register[0] - set(self._names), key=len, reverse=True)
        behind = [rf"\btechnician (?:{'|'.join(map(alone, rest))})"] if rest else []
        every = [rf"(?:\btechnician )?(?:{'|'.join(map(alone, self._names))})"] if self._names else []
        return re.compile("|".join([*every, *behind]) or r"(?!)", re.IGNORECASE)

    @cached_property
    def _bare(self) -> re.Pattern[str]:
        return re.compile("|".join(map(alone, self._register[0])) or r"(?!)")

    def alias(self, text: str) -> str:
        """What stands for an id that holds a name."""
        return f"alias-{hashlib.sha256(f'{self.word}{text}'.encode()).hexdigest()[:10]}"

    def id(self, text: str) -> str:
        """An id, or its alias where it holds a name."""
        return self.alias(text) if self._inside.search(text) else text

    def path(self, text: str) -> str:
        """A path with an alias for each part that holds a name."""
        return "/".join(map(self.id, text.split("/")))

    def words(self, text: str) -> str:
        """A sentence without names."""

        def token(found: re.Match[str]) -> str:
            whole = found[0].rstrip(".")
            if self._bounded.fullmatch(whole) or not re.search(r"[\d_.\-]", whole):
                return found[0]
            return self.id(whole) + found[0][len(whole) :]

        return self._spoken.sub(self._said, _TOKEN.sub(token, text))

    def _said(self, found: re.Match[str]) -> str:
        """What stands for a name in a sentence."""
        return self._pseudonyms.get(found[0].removeprefix("technician "), SOMEBODY)

    def message(self, text: str) -> str:
        """What the program said of a file or row, without what it quotes of them: that may name anybody."""
        return self.words(_LISTED.sub(r"\1 …", _QUOTED.sub("'…'", text)))

    def naming(self, text: str) -> str:
        """A list of people and of what they worked with."""
        return self._bare.sub(self._said, self.words(text))

    def over(self, name: str, frame: pl.DataFrame) -> pl.DataFrame:
        """The table as this reader may see it: rows about others gone, their names out of the rest."""
        if PERSON in frame.columns and self.called:
            return self.texts(name, self._by_pseudonym(name, frame))
        if PERSON in frame.columns:
            mine = pl.col(PERSON) == self.own if self.own else pl.lit(False)
            if name in COUNTED:
                hide = [column for column in _OF_A_PERSON if column in frame.columns]
                aliases = {one: self.alias(one) for one in frame[PERSON].drop_nulls().unique() if one != self.own}
                frame = frame.with_columns(
                    pl.col(PERSON).replace(aliases), *(pl.when(mine).then(pl.col(one)).alias(one) for one in hide)
                )
            elif PERSON in validate.keys(name) or name == "technicians":
                frame = frame.filter(mine)
            elif name in WHOSE:
                frame = frame.filter(mine | pl.col(PERSON).is_null())
            else:
                frame = frame.with_columns(pl.when(mine).then(pl.col(PERSON)).alias(PERSON))
        return self.texts(name, frame)

    def _by_pseudonym(self, name: str, frame: pl.DataFrame) -> pl.DataFrame:
        """The table with all its rows, in the order of its key as it is then."""
        said = pl.col(PERSON).replace(self._pseudonyms)
        papers = [pl.lit(None, pl.String).alias(one) for one in ("certificate_ref",) if one in frame.columns]
        labels = [pl.when(pl.col("label").is_not_null()).then(said).alias("label")] if name == "technicians" else []
        frame = frame.with_columns(said, *papers, *labels)
        return frame.sort(validate.keys(name), maintain_order=True) if PERSON in validate.keys(name) else frame

    def texts(self, name: str, frame: pl.DataFrame) -> pl.DataFrame:
        """The table with all its rows, and names out of every text but the column of people itself."""
        if name == "technicians":
            return frame
        if "raw" in frame.columns:  # a row as it stood may name anybody, also somebody whom no register knows
            frame = frame.with_columns(raw=pl.lit(None, pl.String))
        fixed = {info.name for info in validate.columns(name) if info.values} | {PERSON, "raw"}
        done = []
        for column in (frame[one] for one in frame.columns if one not in fixed):
            if column.dtype == pl.String and (changed := self._changed(column)):
                done.append(column.replace(changed))
            elif column.dtype == pl.List(pl.String) and (changed := self._changed(column.explode())):
                done.append(column.list.eval(pl.element().replace(changed)))
        return frame.with_columns(done)

    def _changed(self, column: pl.Series) -> dict[str, str]:
        """What values of a column become, as far as they change."""
        name, known = column.name, column.drop_nulls().unique()
        if name not in (*_NAMING, *_QUOTING):  # a look that is quick: few texts hold a name
            held = [one.lower() for one in (*self._names, "technician ")]
            known = known.filter(known.str.to_lowercase().str.contains_any(held))
        is_id = name.endswith(("_id", "_no")) or name in ("number", "witness_of")
        ways = {
            **dict.fromkeys(_PATHS, self.path),
            **dict.fromkeys(_NAMING, self.naming),
            **dict.fromkeys(_QUOTING, self.message),
        }
        change = self.id if is_id else ways.get(name, self.words)
        return {old: new for old in known if (new := change(old)) != old}


@cache
def trade() -> frozenset[str]:
    """Words of the tables themselves, which name nobody: roles, columns, states."""
    every = (*EVENTS, *REGISTERS, *PUBLISHED)
    said = ((name, info.name, *info.values) for name in every for info in validate.columns(name))
    return frozenset(word for texts in said for text in texts for word in re.split(r"\W|_", text)) | _OTHER_WORDS
