"""The invented business with known truth: the demo, the tests and the benchmarks draw from it.

What belongs here: drawing the events of a business (jobs, operations, film, cups, leftovers, readings) whose true
transfer efficiencies are known, and keeping that truth beside them. What does not: the registers (business.py) and the
shapes of the exports (exports.py). Nothing here is measured; it must never be shown as if it were.

How a day is made. A job gets panels and a plan of operations. Painters spray until the film is there: the film on each
panel is drawn first, what landed is film x area, and what was sprayed is landed / TE, with TE = exp(eta) of role, gun,
technician, their pair, the size and shape of the work, and chance. The cup is what was sprayed, the flush loss and a
leftover. Readings then look at the film through a gauge, cups through a scale.

Events are drawn by shop and month, each from its own random stream, so that a longer business begins with the same
months as a shorter one, memory stays small, and the draws do not depend on the order of drawing.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

from schemas.registers import ROLES
from seed_data import business as biz
from seed_data import cups, gauging, office, plan, work
from seed_data.business import Business, Parameters

EVENT_TABLES = (
    "pours", "leftovers", "jobs", "operations", "operation_panels", "draws", "readings", "target_weighings", "cleaning",
    "unscaled_use", "stock", "gauge_checks", "scale_checks", "deviations",
)  # fmt: skip


@dataclass
class Scenario:
    """One drawn business.

    canonical: event table name -> frame with the columns of the data contract. registers: the same for registers.
    truth: truth_operations, truth_panels, truth_cups, truth_cells, truth_guns, truth_technicians, truth_pairs,
    truth_gauges. mil, oz and the like exist only in the exports.
    """

    parameters: Parameters
    canonical: dict[str, pl.DataFrame]
    registers: dict[str, pl.DataFrame]
    truth: dict[str, pl.DataFrame]
    business: Business = field(repr=False)


#: Sprayed cups a job takes on average; sets the number of jobs from the number of cups asked for.
_CUPS_PER_JOB = 4.15


def build(
    seed: int = 20260,
    shops: int = 3,
    months: int = 14,
    cups: int = 6000,
    *,
    parameters: Parameters | None = None,
    **more: Any,
) -> Scenario:
    """Draw the whole business at once.

    Any other field of Parameters can be given by name; `parameters` gives them all and excludes the rest. Same
    parameters, same frames. For sizes that do not fit into memory use `chunks`.
    """
    p = parameters or Parameters(seed=seed, shops=shops, months=months, cups=cups, **more)
    b = biz.build_business(p)
    parts = [draw for _, _, draw in _draws(p, b)]
    canonical = {t: pl.concat([d[t] for d in parts]) for t in parts[0] if not t.startswith("truth_")}
    truth = {t: pl.concat([d[t] for d in parts]) for t in parts[0] if t.startswith("truth_")}
    canonical |= office.rare_tables(p, b, canonical) if p.small_tables else {}
    schemas = office.empty_tables()
    for name in EVENT_TABLES:
        if name not in canonical:
            canonical[name] = schemas[name]
    truth |= _summary_truth(b, truth)
    return Scenario(p, {t: canonical[t] for t in EVENT_TABLES}, b.registers, truth, b)


def chunks(parameters: Parameters) -> Iterator[tuple[str, dt.date, dict[str, pl.DataFrame]]]:
    """(shop_id, first day of month, event tables and truth of that shop and month), one at a time.

    The same rows as `build` gives, without the small tables; for benchmarks of any length. Keep a shop-month below some
    thousand cups (raise `shops` or `months`), or the guns of the shop would have to spray around the clock.
    """
    yield from _draws(parameters, biz.build_business(parameters))


def _draws(p: Parameters, b: Business) -> Iterator[tuple[str, dt.date, dict[str, pl.DataFrame]]]:
    weights = np.array([(1.25, 1.0, 0.75)[s % 3] for s in range(p.shops)])
    share = weights / weights.sum() / p.months
    done = np.zeros(p.shops)
    for m in range(p.months):
        for s in range(p.shops):
            want = p.cups * share[s] / _CUPS_PER_JOB * (m + 1)
            jobs = round(want - done[s])
            done[s] += jobs
            month = biz.add_months(p.start, m)
            rng = np.random.default_rng([p.seed, 2, s, m])
            yield b.shops[s].shop_id, month, _draw(p, b, s, m, month, jobs, rng)


def _draw(
    p: Parameters, b: Business, s: int, month_index: int, month: dt.date, n: int, rng: np.random.Generator
) -> dict[str, pl.DataFrame]:
    """All event tables and the truth of one shop and month with `n` jobs."""
    shop = b.shops[s]
    jobs = plan.plan_jobs(p, b, shop, month_index, n, rng)
    start, end = plan.clock(jobs, month, rng)
    sprayed_area = (jobs.area[:, None, :] * jobs.fraction).sum(axis=2)
    tech, gun = plan.choose_hands(p, b, s, month_index, jobs, sprayed_area, rng)
    gun = plan.move_guns(p, b, s, month_index, start, tech, gun)
    is_spray = (jobs.op_no > 0) & plan.SPRAY
    job_of, slot_of = np.nonzero(is_spray)
    moved = plan.untie(gun[job_of, slot_of], start[job_of, slot_of], job_of * len(plan.SLOTS) + slot_of)
    shift = np.zeros_like(start)
    shift[job_of, slot_of] = moved - start[job_of, slot_of]
    start, end = start + shift, end + shift

    film = work.spray_film(p, b, shop, jobs, tech, rng)
    landed = (jobs.area_true[:, None, :] * jobs.fraction_true * film).sum(axis=2)  # um x m2 = mL
    ids = plan.Ids(shop.shop_id, month)
    out: dict[str, pl.DataFrame] = {}
    ops = work.truth_of_operations(p, b, shop, jobs, tech, gun, start, sprayed_area, landed, job_of, slot_of, rng)
    mixed = cups.mix_cups(p, b, s, shop, jobs, ops, start, end, rng)
    out |= cups.cup_tables(p, b, shop, ids, jobs, ops, mixed, rng)
    out |= work.job_tables(b, shop, ids, jobs, tech, gun, start, end, rng)
    out["readings"], out["truth_panels"] = gauging.readings_of(p, b, shop, ids, jobs, film, tech, start, end, rng)
    out["target_weighings"] = cups.target_weighings(b, ids, jobs, mixed, ops)
    out["truth_operations"] = work.truth_frame(b, ids, jobs, ops, start)
    return out


def _summary_truth(b: Business, truth: dict[str, pl.DataFrame]) -> dict[str, pl.DataFrame]:
    """truth_cells, truth_guns, truth_technicians, truth_pairs and truth_gauges."""
    cells = (
        truth["truth_operations"]
        .group_by("shop_id", "gun_id", "technician_id", "role")
        .agg(
            pl.len().alias("operations"),
            pl.col("eta").mean().exp().alias("te"),
            (pl.col("landed_solids_ml").sum() / pl.col("sprayed_solids_ml").sum()).alias("ratio"),
            pl.col("sprayed_solids_ml").sum(),
        )
        .sort("shop_id", "gun_id", "technician_id", "role")
    )
    litres = truth["truth_operations"].group_by("gun_id").agg((pl.col("sprayed_g").sum() / 1000).alias("sprayed_kg"))
    guns = (
        pl.DataFrame(
            {
                "gun_id": b.gun_ids,
                "atomising": b.atomising.tolist(),
                "effect": np.exp(b.gun_effect),
                "wear_log_te_per_day": b.wear_per_day,
            }
        )
        .join(litres, on="gun_id", how="left")
        .with_columns(pl.col("sprayed_kg").fill_null(0.0))
        .sort("gun_id")
    )
    technicians = pl.DataFrame(
        {
            "technician_id": b.technician_ids,
            "effect": np.exp(b.technician_effect),
            "weigh_prob": b.weigh_prob,
            "tilt": b.tilt,
            "edge": b.edge,
            "build_habit_base": b.build_habit[:, ROLES.index("base")],
            "build_habit_clear": b.build_habit[:, ROLES.index("clear")],
        }
    )
    g, t = np.meshgrid(np.arange(len(b.gun_ids)), np.arange(len(b.technician_ids)), indexing="ij")
    pairs = pl.DataFrame(
        {
            "gun_id": plan.labels(b.gun_ids, g.ravel()),
            "technician_id": plan.labels(b.technician_ids, t.ravel()),
            "effect": np.exp(b.pair_effect.ravel()),
        }
    ).join(cells.select("gun_id", "technician_id").unique(), on=["gun_id", "technician_id"], how="semi")
    gauges = pl.DataFrame({"gauge_id": b.gauge_ids, "offset_um": b.gauge_offset, "gain": b.gauge_gain})
    return {
        "truth_cells": cells,
        "truth_guns": guns,
        "truth_technicians": technicians,
        "truth_pairs": pairs.sort("gun_id", "technician_id"),
        "truth_gauges": gauges,
    }


def write_canonical(directory: Path | str, scenario: Scenario) -> list[Path]:
    """Write one plain CSV per table: event tables into inbox/, registers into registers/. Returns the files written."""
    directory = Path(directory)
    out = []
    for folder, tables in (("inbox", scenario.canonical), ("registers", scenario.registers)):
        (directory / folder).mkdir(parents=True, exist_ok=True)
        for name, frame in tables.items():
            if frame.height or folder == "registers":
                path = directory / folder / f"{name}.csv"
                frame.write_csv(path, datetime_format="%Y-%m-%d %H:%M:%S")
                out.append(path)
    return out
