"""The ledger shop by shop: which steps never look from one shop into another, and how a span of shops goes through them.

Here belongs everything about cutting tables by shop and joining them again. Shops share registers, and nothing else that
a step outside `POOLED` reads; so any number of shops may be worked on at a time, in any order and on any machine. Which
machine that is, is engine.py's business; what a step does, its own.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from graphlib import TopologicalSorter
from itertools import pairwise
from typing import Any

import polars as pl

from pipelines.ledger import runner
from schemas import door

SHOP = "shop_id"
# Steps that learn from all shops what a single film cannot tell, or that follow a gun from shop to shop.
POOLED = frozenset({"film_scatter", "film_spreads", "gun_order", "gun_uses", "panel_spread", "transfer_spread"})
# What the ledger takes from the transfer model, which pools shops too, and what the model is made from.
MODEL = frozenset({"operation_te", "transfer_by_pair", "transfer_model"})
MODEL_READS = frozenset({"records", "record_layers"})


@dataclass(frozen=True)
class Phase:
    """Steps that one pass runs, in order: by shop, or over all shops at once."""

    steps: tuple[str, ...]
    by_shop: bool


@cache
def phases() -> tuple[Phase, ...]:
    """The whole ledger as passes, each needing only those before it and, where it reads it, the transfer model."""
    behind = {step: runner.upstream(step) for step in runner.steps()} | dict.fromkeys(MODEL, MODEL_READS)
    known = {name: sorted(reads & behind.keys()) for name, reads in sorted(behind.items())}
    level: dict[str, int] = {}  # even: by shop; odd: over all shops
    for name in TopologicalSorter(known).static_order():
        pooled = int(name in POOLED or name in MODEL)
        level[name] = max((level[one] + (level[one] % 2 != pooled) for one in known[name]), default=pooled)
    steps = [step for step in level if step not in MODEL]
    return tuple(
        Phase(tuple(step for step in steps if level[step] == at), by_shop=at % 2 == 0)
        for at in sorted({level[step] for step in steps})
    )


# --- cutting ----------------------------------------------------------------------------------------------------------


def is_owned(name: str) -> bool:
    """Whether each row of a table belongs to one shop. A register that only mentions a shop goes to every shop whole."""
    return SHOP in door.keys(name)


def is_cut(name: str) -> bool:
    """Whether a shop needs no other shop's rows of a table; some rows may be of no shop, and go to every one."""
    return is_owned(name) or name == "incomplete"


@dataclass(frozen=True, slots=True)
class Span:
    """The shops from `first` on up to before `behind`, by their ids; None: no end on that side. Spans that follow each other
    hold every shop there is or may yet be, each once."""

    first: str | None = None
    behind: str | None = None

    def holds(self) -> pl.Expr:
        """Whether a row is a shop's of this span; rows of no shop are nobody's."""
        inside = pl.col(SHOP).is_not_null()
        if self.first is not None:
            inside &= pl.col(SHOP) >= pl.lit(self.first)
        if self.behind is not None:
            inside &= pl.col(SHOP) < pl.lit(self.behind)
        return inside


def spans(sizes: Mapping[str, int], rows: int) -> list[Span]:
    """Spans of about `rows` rows each, from the rows that every shop has; at least one."""
    firsts: list[str] = []
    held = 0
    for shop in sorted(sizes):
        if firsts and held + sizes[shop] <= rows:
            held += sizes[shop]
        else:
            firsts.append(shop)
            held = sizes[shop]
    ends = [None, *firsts[1:], None]
    return [Span(first, behind) for first, behind in pairwise(ends)]


def sizes(tables: Mapping[str, pl.DataFrame]) -> dict[str, int]:
    """How many rows each shop has over all tables that are cut."""
    found = [
        frame.group_by(SHOP, maintain_order=True).agg(pl.len().cast(pl.Int64))
        for name, frame in tables.items()
        if is_cut(name)
    ]
    if not found:
        return {}
    counted = (
        pl.concat(found).filter(pl.col(SHOP).is_not_null()).group_by(SHOP, maintain_order=True).agg(pl.col("len").sum())
    )
    return dict(counted.iter_rows())


def cut(tables: Mapping[str, pl.DataFrame], span: Span) -> dict[str, pl.DataFrame]:
    """The tables of a span's shops: rows of theirs, rows of no shop, and whole every table that is nobody's own."""
    theirs = span.holds() | pl.col(SHOP).is_null()
    return {name: frame.filter(theirs) if is_cut(name) else frame for name, frame in tables.items()}


# --- working ----------------------------------------------------------------------------------------------------------


def needs(steps: Sequence[str]) -> frozenset[str]:
    """The tables that these steps read and do not make themselves."""
    made = set(steps)
    return frozenset(name for step in steps for name in runner.upstream(step) if name not in made)


def work(
    steps: Sequence[str],
    tables: Mapping[str, pl.DataFrame],
    span: Span | None,
    settings: Mapping[str, Any],
    keep: Collection[str],
) -> tuple[dict[str, pl.DataFrame], dict[str, int]]:
    """Run steps on the tables of a span's shops (`cut`), None: of all. Returns the tables in `keep`, and how many rows each
    step made.

    A table that no later step of the pass reads is let go at once: memory is what the pass needs at its widest.
    """
    held = dict(tables)
    kept: dict[str, pl.DataFrame] = {}
    counts: dict[str, int] = {}
    last = {name: at for at, step in enumerate(steps) for name in runner.upstream(step)}
    for at, step in enumerate(steps):
        frame = runner.run_statement(step, held, settings)
        if span is not None and is_cut(step):
            # a register that goes to every shop whole may speak of other shops
            frame = frame.filter(span.holds())
        counts[step] = frame.height
        held[step] = frame
        if step in keep:
            kept[step] = frame
        for name in {step, *runner.upstream(step)}:
            if last.get(name, at) <= at:
                held.pop(name, None)
    return kept, counts


def joined(name: str, parts: Sequence[pl.DataFrame]) -> pl.DataFrame:
    """One table from what the spans made of it each for itself, because no shop owns it."""
    whole = pl.concat(parts)
    return whole.unique(maintain_order=True).sort(door.keys(name) or whole.columns, nulls_last=True)
