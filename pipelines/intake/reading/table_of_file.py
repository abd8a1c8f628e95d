"""Which table is this file? The contract's rule of detection, and nothing else.

A layout claims by header (and match_name) and wins over canonical. Canonical: the header has all required columns of a
table. Where several fit, a file name that begins with a table's name decides, else the table with the most required
columns; a tie is two claims. Two claims or none: the file is refused with its header shown.

One caution beyond the rule: some tables need one or two columns only (shops, jobs, components), so an export of pours
that lost a column would fit them and be read as something it is not. Where the header looks like another table with few
columns missing, and the file's name does not begin with the fitting table's, the file is refused and both are named.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache

from pipelines.intake.messages import hint, listed, nearest, say, shown
from pipelines.intake.reading.files import FileRefused, Source
from pipelines.intake.reading.layout import TABLES
from schemas import validate


@dataclass(frozen=True)
class Fit:
    """How a header stands to a table: required columns that are there or missing, all columns recognised."""

    table: str
    required: int
    missing: tuple[str, ...]
    known: frozenset[str]


def fit(table: str, header: list[str]) -> Fit:
    infos = validate.columns(table)
    have = set(header)
    return Fit(
        table,
        sum(c.required for c in infos),
        tuple(c.name for c in infos if c.required and c.name not in have),
        frozenset(c.name for c in infos if c.name in have),
    )


def lacking(missing: Iterable[str], header: list[str]) -> str:
    """Missing columns as they stand in messages, each with what its header may have become."""
    told = []
    for name in missing:
        near = nearest(name, [h for h in header if h and h not in _names()])
        told.append(f"{name} (is it '{shown(near, 60)}'?)" if near else name)
    return listed(told)


@cache
def _names() -> frozenset[str]:
    return frozenset(c.name for t in TABLES for c in validate.columns(t))


def register_table(source: Source) -> str:
    """The table a file of registers/ is named after. Raises FileRefused."""
    name = source.stem
    if name not in TABLES:
        raise FileRefused(say("register_name", name=name, hint=hint(name, TABLES)))
    return name


def canonical_table(source: Source, header: list[str]) -> str:
    """The table of a file in canonical form. Raises FileRefused: none fits, several fit, or it looks damaged."""
    fits = [fit(table, header) for table in TABLES]
    good = [f for f in fits if not f.missing]
    found = listed(header)
    stem = source.stem.lower()
    named = max((t for t in TABLES if stem.startswith(t)), key=len, default=None)
    if not good:
        raise FileRefused(say("claims_none", header=found, nearest=_nearest(fits, named, header)))
    by_name = [f for f in good if f.table == named]
    if by_name:
        return by_name[0].table
    most = max(f.required for f in good)
    best = [f for f in good if f.required == most]
    looks = _damaged(best[0], fits, named)
    if looks is not None:
        raise FileRefused(
            say(
                "claims_damaged",
                fits=best[0].table,
                looks=looks.table,
                missing=lacking(looks.missing, header),
                header=found,
            )
        )
    if len(best) > 1:
        raise FileRefused(say("claims_tables", names=" and ".join(f.table for f in best), header=found))
    return best[0].table


def _nearest(fits: list[Fit], named: str | None, header: list[str]) -> str:
    near = [f for f in fits if f.table == named] or sorted(
        (f for f in fits if f.known), key=lambda f: (len(f.missing) - len(f.known), f.table)
    )
    near = [f for f in near if f.known]
    return say("claims_nearest", table=near[0].table, missing=lacking(near[0].missing, header)) if near else ""


def _damaged(chosen: Fit, fits: list[Fit], named: str | None) -> Fit | None:
    """The table the header looks like, though it lacks columns for it: all that the fitting table recognises and
    more."""
    needs = {c.name for c in validate.columns(chosen.table) if c.required}
    suspects = [
        f
        for f in fits
        if f.missing
        and needs <= {c.name for c in validate.columns(f.table)}
        and (f.table == named or (len(f.missing) <= 2 and chosen.known < f.known))
    ]
    return max(suspects, key=lambda f: (f.table == named, len(f.known) - len(f.missing)), default=None)
