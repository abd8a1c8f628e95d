"""The long simulations of trials: are the stated error rates and the promised power those that come about?

    .venv/bin/python tests/bench/trial_power.py [--shops 120] [--trials 40] [--rule 20000] [--seed 0]

Prints one line per bar: what must hold, what was measured, ok or short. Shops are drawn by networks.py (invented): their history is fitted
as a run fits it, the plan is made from that fit alone, and trials of the same shop are drawn with other true spreads nobody was told.
A quick version with a fixed seed is in tests/unit/transfer/decisions/test_trials.py.
"""

from __future__ import annotations

import argparse
import datetime as dt
import math
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import polars as pl

HOME = Path(__file__).resolve().parents[2]
for folder in (str(HOME), str(HOME / "tests" / "bench")):
    if folder not in sys.path:
        sys.path.insert(0, folder)

from transfer_model import fit  # noqa: E402

from pipelines.transfer.decisions import trials  # noqa: E402
from pipelines.transfer.solver import sequential  # noqa: E402
from tests import networks  # noqa: E402
from tests.networks import Truth  # noqa: E402

SINCE = dt.date(2026, 1, 1)
DIFFERENCE = 0.08
Line = tuple[str, str, bool]


def rule(n: int, seed: int) -> Iterator[Line]:
    """The bare rule on drawn paths of z, for one to five looks, even and uneven."""
    rng = np.random.default_rng(seed)
    for fractions in (
        [1.0],
        [0.5, 1.0],
        [1 / 3, 2 / 3, 1.0],
        [0.25, 0.5, 0.75, 1.0],
        [0.2, 0.4, 0.6, 0.8, 1.0],
        [0.1, 0.65, 0.7, 1.0],
    ):
        t = np.array(fractions)
        bounds = sequential.boundaries(fractions, trials.ALPHA)
        step = np.diff(t, prepend=0.0)
        drift = sequential.drift_for(fractions, bounds, trials.POWER)
        noise = np.sqrt(step) * rng.standard_normal((n, len(t)))
        none = (np.abs(noise.cumsum(axis=1) / np.sqrt(t)) >= bounds).any(axis=1).mean()
        z = (noise + drift * step).cumsum(axis=1) / np.sqrt(t)
        first = np.where((np.abs(z) >= bounds).any(axis=1), (np.abs(z) >= bounds).argmax(axis=1), -1)
        some = ((first >= 0) & (z[np.arange(n), np.maximum(first, 0)] > 0)).mean()
        told = f"{len(t)} looks at {', '.join(f'{f:.2f}' for f in fractions)}"
        yield (
            f"rule: called without a difference 5 %, {told}",
            f"{100 * none:.2f} %",
            abs(none - 0.05) < 4 * math.sqrt(0.0475 / n),
        )
        yield (
            f"rule: shown with the drift planned for 80 %, {told}",
            f"{100 * some:.2f} %",
            abs(some - 0.8) < 4 * math.sqrt(0.16 / n),
        )


def planned(truth: Truth, seed: int) -> tuple[trials.Plan, np.ndarray] | None:
    """A plan of two guns of the first shop from its history, and what the own records of such jobs leave open as the network drew it;
    None where the history has too little for its own spread."""
    net = networks.network(truth, seed)
    key = ["shop_id", "job_id", "record_no"]
    single = net.layers.filter(pl.len().over(key) == 1)
    records = net.records.join(
        single.select(*key, "sprayed_solids_ml", "sprayed_rel_u", "leftover_known"), on=key
    ).with_columns(n_layers=1, ratio=pl.col("landed_solids_ml") / pl.col("sprayed_solids_ml"))
    tables = {"transfer_model": fit(net).model(), "records": records, "record_layers": net.layers}
    jobs, shop = trials.jobs_of(tables), str(net.layers["shop_id"][0])
    spread = trials.spread_of(tables, jobs, "clear", shop)
    if not spread.own:
        return None
    n = trials.jobs_for(DIFFERENCE, spread.job, trials.LOOKS)
    at = trials.looks_at(n, trials.LOOKS)
    fractions, bounds, _ = trials.rule(at)
    power = sequential.power(fractions, bounds, trials.drift(DIFFERENCE, n, spread.job))
    hands = ("t0", "t1", "t2", "t3")
    plan = trials.Plan(
        "s", "a", "b", "clear", hands, DIFFERENCE, n, at, bounds, power, power, power, n, n, (), 0.0, spread
    )
    unscaled = tables | {"transfer_model": tables["transfer_model"].filter(pl.col("level") != "readings")}
    seen = (
        trials.jobs_of(unscaled).drop_nulls("ratio").filter((pl.col("role") == "clear") & (pl.col("shop_id") == shop))
    )
    return plan, seen["var"].to_numpy()


def run(
    plan: trials.Plan, truth: Truth, left_open: np.ndarray, log_ratio: float, rng: np.random.Generator
) -> pl.DataFrame:
    """A trial as it would be recorded: four hands and three sizes of work in blocks, jobs as they come."""
    hands = truth.sd_technician * rng.standard_normal(4)
    sizes = np.array([-0.06, 0.0, 0.04])
    queue: dict[tuple[int, int], list[str]] = {}
    rows: list[tuple[str, str, str, float, float]] = []
    taken = {"a": 0, "b": 0}
    while min(taken.values()) < plan.jobs:
        hand, size = int(rng.integers(4)), int(rng.choice(3, p=[0.25, 0.55, 0.2]))
        line = queue.setdefault((hand, size), [])
        if not line:
            line += list(rng.permutation(["a", "b"] * int(rng.integers(1, 3))))
        gun = str(line.pop())
        taken[gun] += 1
        te = math.exp(
            -0.45 + hands[hand] + sizes[size] + log_ratio * (gun == "b") + truth.sd_event * rng.standard_normal()
        )
        var = float(rng.choice(left_open))
        rows.append((f"t{hand}", str(size), gun, te * (1 + math.sqrt(var) * rng.standard_normal()), var))
    frame = pl.DataFrame(rows, schema=["technician_id", "area_class", "gun_id", "ratio", "var"], orient="row")
    begin = dt.datetime(2026, 1, 2, 8)
    return frame.with_columns(
        shop_id=pl.lit("s"), role=pl.lit("clear"), operation_no=pl.lit(1), op_job_id=pl.int_range(pl.len()).cast(pl.String).str.zfill(6),
        started_at=begin + pl.int_range(pl.len()) * dt.timedelta(hours=1),
    )  # fmt: skip


def whole(label: str, truth: Truth, shops: int, each: int, seed: int, drawn: Truth | None = None) -> Iterator[Line]:
    """Shops with their own history; their trials are `drawn` by another truth where one is given."""
    none, some, promised, held, jobs = [], [], [], [], []
    for i in range(shops):
        made = planned(truth, seed + i)
        if made is None:
            continue
        plan, left_open = made
        rng = np.random.default_rng(10_000 * (seed + 1) + i)
        promised += [plan.power] * each
        jobs.append(plan.jobs)
        for _ in range(each):
            none.append(
                trials.standing(plan, run(plan, drawn or truth, left_open, 0.0, rng), SINCE).word
                in ("first gun", "second gun")
            )
            found = trials.standing(plan, run(plan, drawn or truth, left_open, math.log1p(DIFFERENCE), rng), SINCE)
            some.append(found.word == "second gun")
            held.append(all(look.low <= 1 + DIFFERENCE <= look.high for look in found.looks))
    n, m = len(none), len(jobs)
    print(
        f"    {label}: {m} shops of {shops}, {n} trials of each kind, {min(jobs)} to {max(jobs)} jobs with each gun",
        flush=True,
    )
    yield (
        f"called without a difference at most 5 %, {label}",
        f"{100 * np.mean(none):.2f} %",
        np.mean(none) <= 0.05 + 2 * math.sqrt(0.0475 / n),
    )
    gap = np.mean(some) - np.mean(promised)
    yield (
        f"power within 5 points of what was promised, {label}",
        f"{100 * np.mean(some):.1f} % of {100 * np.mean(promised):.1f} %",
        abs(gap) <= 0.05,
    )
    yield (
        f"interval holds at all looks at once >= 95 %, {label}",
        f"{100 * np.mean(held):.1f} %",
        np.mean(held) >= 0.95 - 2 * math.sqrt(0.0475 / n),
    )


def main() -> int:
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--shops", type=int, default=120)
    asked.add_argument("--trials", type=int, default=40)
    asked.add_argument("--rule", type=int, default=200_000)
    asked.add_argument("--seed", type=int, default=0)
    given = asked.parse_args()
    short = 0
    one = Truth(shops=1, jobs=120)
    parts = [
        rule(given.rule, given.seed),
        whole("1 shop x 120 jobs of history", one, given.shops, given.trials, given.seed),
        whole("1 shop x 120, event sd .15", Truth(shops=1, jobs=120, sd_event=0.15), given.shops // 3, given.trials, given.seed + 500),
        whole("4 shops x 120 jobs", Truth(), given.shops // 6, given.trials, given.seed + 900),
    ]  # fmt: skip
    for part in parts:
        began = time.perf_counter()
        for what, found, ok in part:
            print(f"{'ok   ' if ok else 'SHORT'} {what}: {found}", flush=True)
            short += not ok
        print(f"    {time.perf_counter() - began:.0f} s", flush=True)
    return int(short > 0)


if __name__ == "__main__":
    sys.exit(main())
