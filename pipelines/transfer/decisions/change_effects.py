"""Whether a change helped: the table change_effects, and what a change is worth.

Figures are at the work since: `before` is what it would have been without the change. How a step is found stands in change_steps.py
and change_transfer.py, which rows it touches in change_sides.py. Nothing here moves another table.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

import numpy as np
import polars as pl

from pipelines.transfer.decisions import change_steps, savings
from pipelines.transfer.decisions.change_sides import MEASURES, Change, confounded, sides
from pipelines.transfer.decisions.change_steps import Effect
from pipelines.transfer.decisions.change_transfer import of_transfer
from schemas.published import Z95

LIKELY = 0.80


def change_effects(
    changes: pl.DataFrame,
    transfer: Callable[[], Mapping[str, pl.DataFrame]],
    films: Callable[[], pl.DataFrame],
    panels: Callable[[], pl.DataFrame],
    cups: pl.DataFrame,
    sprays: pl.DataFrame,
    ledger: pl.DataFrame,
    mixes: pl.DataFrame,
) -> pl.DataFrame:
    """Table change_effects.

    changes   the register; nothing else is looked at where it has no row
    transfer  gives what estimate.READS names; films the operations of film_model.operations, panels those of technique.panels:
              asked where some change may have moved them
    cups      habits.cups; sprays with job, hand, gun, product, role, started_at, redo_of, redone; ledger material_ledger, mixes for
              the days that a year is reckoned from
    """
    told = list(changes.sort("change_id").iter_rows(named=True))
    if not told:
        return pl.DataFrame()
    asked = {measure for change in told for measure in MEASURES[change["what"]]}
    work = sprays.with_columns(day=pl.col("started_at").dt.date())
    when = work.select("shop_id", "job_id", "operation_no", "day")
    found: list[Effect] = []
    if "te" in asked:
        found += of_transfer(told, **transfer())
    if "film_over" in asked:
        found += change_steps.of_film(told, films().join(when, on=when.columns[:3], how="left", maintain_order="left"))
    if asked & {"tilt", "edge"}:
        each = panels().join(
            when, left_on=["shop_id", "job_id", "to_operation"], right_on=when.columns[:3], how="left", maintain_order="left"
        )  # fmt: skip
        for measure in ("tilt", "edge"):
            found += change_steps.of_panels(told, each, measure)
    cups = cups.with_columns(day=pl.col("first_poured_at").dt.date())
    lines = _lines(ledger, work)
    found += [
        *change_steps.of_leftovers(told, cups), *change_steps.of_redone(told, work), *change_steps.of_costs(told, lines),
    ]  # fmt: skip
    every = {change["change_id"]: sides(change, work) for change in told}
    money = _Money(told, lines, cups, savings.years(mixes))
    rows = [_row(one, confounded(one.change, one.role, work, every), money.of(one)) for one in found]
    return pl.DataFrame(rows, infer_schema_length=None).sort("change_id", "measure") if rows else pl.DataFrame()


def _row(one: Effect, beside: str | None, worth: tuple[float | None, ...]) -> dict[str, Any]:
    shown = abs(one.step) > Z95 * one.se
    likely = one.prob_better > LIKELY or one.prob_better < 1 - LIKELY
    name = one.measure if one.role is None else f"{one.measure}:{one.role}"
    return {
        **{key: one.change[key] for key in ("change_id", "shop_id", "technician_id")},
        "measure": name,
        **{key: getattr(one, key) for key in ("before", "after", "difference", "low", "high", "prob_better")},
        "verdict": "shown" if shown else "likely" if likely else "not shown",
        "n_before": one.n_before,
        "n_after": one.n_after,
        "grade": one.grade,
        "jobs_to_decide": None if shown else one.needs,
        "confounded_with": beside,
        **dict(zip(("worth_per_year", "worth_low", "worth_high"), worth, strict=True)),
        "returned_by_itself": one.returned,
    }


def _lines(ledger: pl.DataFrame, work: pl.DataFrame) -> pl.DataFrame:
    """Lines of the ledger that some operation took, with that operation's hand, gun, role, day, area; priced as savings.py prices."""
    operation = ["shop_id", "job_id", "operation_no"]
    own = ["technician_id", "gun_id", "product_id", "role", "day", "covered_m2"]
    taken = ledger.filter(pl.col("job_id").is_not_null()).drop(own, strict=False).join(
        work.select(*operation, *own), on=operation, how="inner", maintain_order="left"
    )  # fmt: skip
    return taken.sort(*operation, "mix_id")


def no_longer_sprayed(until: float, since: float, ratio: float) -> float:
    """What the same film no longer takes where transfer is `ratio` times what it was, in the unit of what was sprayed before and
    since: the one would have been less, the other would have been more."""
    return until * (1 - 1 / ratio) + since * (ratio - 1)


class _Money:
    """What a year of the work on both sides of a change costs, and with it what the change is worth."""

    def __init__(
        self, told: Sequence[Change], lines: pl.DataFrame, cups: pl.DataFrame, years: Mapping[str, savings.Year]
    ) -> None:
        self.lines, self.cups, self.years = lines, cups, years
        #: shop -> the priced lines of its year
        self.priced = {
            shop: savings.priced(lines.filter(pl.col("shop_id") == shop)).filter(
                pl.col("day").is_between(years[shop].from_on, years[shop].to_on)
            )
            for shop in {change["shop_id"] for change in told} & years.keys()
        }

    def of(self, one: Effect) -> tuple[float | None, ...]:
        """Worth a year with its interval; None where nothing is priced or the measure is not money's."""
        year = self.years.get(one.change["shop_id"])
        if year is None or one.measure in ("film_over", "tilt", "edge"):
            return None, None, None
        part = self.priced[year.shop_id]
        if one.role is not None:
            part = part.filter(pl.col("role") == one.role)
        side = sides(one.change, part)
        sprayed = part.select(pl.sum_horizontal("overspray_cost", "over_build_cost", "useful_cost", ignore_nulls=False))
        cost = sprayed.to_series().cast(pl.Float64).fill_null(np.nan).to_numpy()
        if not (side != 0).any() or np.isnan(cost[side != 0]).all():
            return None, None, None
        since, until = (year.scale * float(np.nansum(cost[side == which])) for which in (1, -1))
        if one.measure in ("te", "te:all"):
            return tuple(no_longer_sprayed(until, since, ratio) for ratio in (one.difference, one.low, one.high))
        if one.measure == "leftover_share":
            poured = self.lines.group_by("shop_id", "mix_id", maintain_order=True).agg(pl.col("poured_cost").sum())
            cups = self.cups.join(poured, on=["shop_id", "mix_id"], how="inner", maintain_order="left")
            cups = cups.filter(pl.col("day").is_between(year.from_on, year.to_on))
            amount = float(cups.filter(sides(one.change, cups) != 0)["poured_cost"].sum())
        elif one.measure == "redo_rate":
            amount = (since + until) / year.scale
        else:
            amount = float(part.filter(side != 0).select("shop_id", "job_id").n_unique())
        worth = [-amount * year.scale * figure for figure in (one.difference, one.high, one.low)]
        return tuple(worth)
