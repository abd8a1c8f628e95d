"""The checks that stand on tables, reported by every run, also when they pass.

A check that fails with an error stops the run before anything is published: the tables contradict themselves then.
A warning is shown and the run goes on. What a row of a shop's own data must satisfy is intake's, not a check here.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import dagster as dg
import polars as pl

from pipelines.settings import Settings
from schemas import door, events, published

CLOSURE = 1e-9  # relative: rounding of sums of some ten parts in double precision is below 1e-14
PARTS = ("leftover", "flush_loss", "not_split", "overspray", "over_build", "useful")
AMOUNTS = ("solids_g", "voc_g", "cost")

Outcome = tuple[bool, dict[str, Any]]


@dataclass(frozen=True, slots=True)
class Check:
    """One promise of a table. `test` takes table and settings and returns whether it holds and what was found."""

    name: str
    description: str
    test: Callable[[pl.DataFrame, Settings], Outcome]
    blocking: bool = True

    @property
    def severity(self) -> dg.AssetCheckSeverity:
        return dg.AssetCheckSeverity.ERROR if self.blocking else dg.AssetCheckSeverity.WARN


def of(table: str) -> list[Check]:
    """The checks of a table, in the order they are shown."""
    found: list[Check] = []
    if table in published.PUBLISHED or table in events.EVENTS:
        keys = door.keys(table)
        if keys:
            found.append(
                Check("unique_keys", f"No two rows share {', '.join(keys)}.", lambda frame, _: unique(frame, keys))
            )
        found.append(Check("finite_numbers", "No number is infinite or undefined; not known is empty.", finite))
    if table == "material_ledger":
        found.append(
            Check("closure", f"Poured equals the sum of its parts to {CLOSURE:g}, each row and in all.", closure)
        )
    if table == "intake_files":
        found.append(Check("rows_add_up", "Read = accepted + refused + duplicate + superseded, each file.", add_up))
        found.append(Check("share_refused", "Few of the rows read were refused.", share_refused, blocking=False))
    return found


def unique(frame: pl.DataFrame, keys: list[str]) -> Outcome:
    twice = int(frame.select(keys).is_duplicated().sum())
    return twice == 0, {"rows_sharing_a_key": twice}


def finite(frame: pl.DataFrame, _: Settings) -> Outcome:
    floats = [name for name, dtype in frame.schema.items() if dtype.is_float()]
    wrong = frame.select((~pl.col(name).is_finite()).sum() for name in floats).row(0, named=True) if floats else {}
    found = {name: count for name, count in wrong.items() if count}
    return not found, {"columns": found} if found else {"columns_looked_at": len(floats)}


def closure(frame: pl.DataFrame, _: Settings) -> Outcome:
    """Each amount per row, cup, operation, shop and in all. A row with an unknown part is left out and counted."""
    worst = 0.0
    told: dict[str, Any] = {}
    levels: list[list[str]] = [["shop_id", "mix_id"], ["shop_id", "job_id", "operation_no"], ["shop_id"], []]
    for amount in AMOUNTS:
        poured, parts = f"poured_{amount}", [f"{part}_{amount}" for part in PARTS]
        known = frame.filter(pl.all_horizontal(pl.col(poured, *parts).is_not_null()))
        told[f"rows_without_{amount}"] = frame.height - known.height
        gaps = [_gap(known, poured, parts)]
        for level in levels:
            grouped = known.group_by(level) if level else None
            sums = pl.col(poured, *parts).sum()
            gaps.append(_gap(grouped.agg(sums) if grouped is not None else known.select(sums), poured, parts))
        worst = max(worst, *gaps)
    return worst <= CLOSURE, {**told, "largest_relative_gap": worst}


def _gap(frame: pl.DataFrame, poured: str, parts: list[str]) -> float:
    total = pl.sum_horizontal(parts)
    scale = pl.max_horizontal(pl.col(poured).abs(), pl.sum_horizontal(pl.col(part).abs() for part in parts))
    gap = frame.select((pl.when(scale > 0).then((pl.col(poured) - total).abs() / scale)).max()).item()
    return float(gap or 0.0)


def add_up(frame: pl.DataFrame, _: Settings) -> Outcome:
    wrong = frame.filter(
        pl.col("rows_read") != pl.col("accepted") + pl.col("refused") + pl.col("duplicate") + pl.col("superseded")
    )
    return wrong.height == 0, {"files": frame["file"].n_unique(), "files_that_do_not": wrong["file"].to_list()}


def share_refused(frame: pl.DataFrame, settings: Settings) -> Outcome:
    read, refused = int(frame["rows_read"].sum()), int(frame["refused"].sum())
    share = refused / read if read else 0.0
    return share <= settings.intake.share_refused_warning, {"refused": refused, "read": read, "share": share}
