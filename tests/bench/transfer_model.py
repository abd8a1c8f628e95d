"""The long simulations: is the transfer model as good as it must be? Run with `make bench-transfer`.

    .venv/bin/python tests/bench/transfer_model.py [--share 1.0] [--only cover,speed] [--seed 0]

Prints one line per bar: what must hold, what was measured, ok or short. Truth is drawn by networks.py (invented), so these
figures are about the method, not about any shop. The part `businesses` draws whole invented businesses instead
(seed_data), from pours and readings through the ledger to the model, with habits other than the demo's. `--share 0.1` does a
tenth of the simulations. Quick versions with a fixed seed are in tests/unit/transfer.
"""

from __future__ import annotations

import argparse
import contextlib
import datetime as dt
import io
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import polars as pl
import scipy.sparse as sp
from scipy.stats import norm, t

HOME = Path(__file__).resolve().parents[2]
if str(HOME) not in sys.path:
    sys.path.insert(0, str(HOME))

from pipelines.settings import Settings  # noqa: E402
from pipelines.transfer.model import design, joint, linearise, totals  # noqa: E402
from pipelines.transfer.model.direct import CELL, direct_cells  # noqa: E402
from pipelines.transfer.model.estimate import estimate, fitted_with  # noqa: E402
from pipelines.transfer.solver import mixed_model  # noqa: E402
from schemas.published import Z95  # noqa: E402
from tests import networks, on_frames  # noqa: E402
from tests.bench.direct_intervals import typed_tables  # noqa: E402
from tests.networks import Truth  # noqa: E402
from tests.ordinary_models import ordinary  # noqa: E402

Line = tuple[str, str, bool]
TABLE = "transfer_by_pair"


# The simulator draws no error that all records share unless asked to: its networks are judged without those terms.
NOTHING_SHARED = Settings.model_validate(
    {"film": {"area_shared_sd": 0.0}, "cup": {"solids_rel_u": 0.0, "density_rel_u": 0.0}}
)
AREAS_SHARED = Settings.model_validate(
    {"film": {"area_shared_sd": 0.05}, "cup": {"solids_rel_u": 0.0, "density_rel_u": 0.0}}
)


def fit(
    net: networks.Network, known_log_sd: np.ndarray | None = None, settings: Settings = NOTHING_SHARED
) -> joint.Statements:
    built = design.build(net.records, design.prepare_layers(net.layers))
    known = None
    if known_log_sd is not None:
        present = sorted({design.RANDOM.index(k) for k, _ in built.names if k in design.RANDOM})
        known = np.concatenate([known_log_sd[present], [0.0], known_log_sd[-1:]])
    return joint.Statements(linearise.solve(built, known), settings)


def cells(net: networks.Network, said: joint.Statements | None = None) -> pl.DataFrame:
    """transfer_by_pair beside the truth: error of log TE, inside, and everything else the table says."""
    table = (said or fit(net)).table(TABLE)
    return table.join(net.cells(), on=list(CELL)).with_columns(
        error=pl.col("eta") - pl.col("truth").log(),
        inside=(pl.col("low") <= pl.col("truth")) & (pl.col("truth") <= pl.col("high")),
    )


def many(truth: Truth, seed: int, n: int) -> pl.DataFrame:
    return pl.concat([cells(networks.network(truth, seed + i)).drop("with_whom", "advice") for i in range(n)])


def rmse(error: pl.Series) -> float:
    return float(np.sqrt(np.mean(error.to_numpy() ** 2)))


def mean(values: pl.Series) -> float:
    return float(np.mean(values.to_numpy()))


def within(value: float, low: float, high: float) -> bool:
    return low <= value <= high


def cover(seed: int, n: int) -> Iterator[Line]:
    for truth, label in ((Truth(), "4 shops x 120 jobs"), (Truth(shops=1), "1 shop x 120 jobs")):
        found = many(truth, seed, n)
        share = mean(found["inside"])
        roles = dict(found.group_by("role").agg(pl.col("inside").mean()).sort("role").iter_rows())
        yield f"cell cover .93-.97, {label}", f"{share:.4f} ({found.height} cells)", within(share, 0.93, 0.97)
        told = " ".join(f"{r} {v:.3f}" for r, v in roles.items())
        yield f"every role .92-.975, {label}", told, all(within(v, 0.92, 0.975) for v in roles.values())
        if truth.shops == 4:
            flat = 1 - mean(found.filter(pl.col("role") == "base")["separable"])
            yield "base called not separable at 15 % read between < 2 %", f"{100 * flat:.2f} %", flat < 0.02


def absolute(seed: int, n: int) -> Iterator[Line]:
    """Cover where all records of a network share an error: of the table of areas (5 %). One draw is one network."""
    found = []
    for i in range(n):
        net = networks.network(Truth(shops=1, sd_shared=0.05), seed + i)
        said = fit(net, settings=AREAS_SHARED)
        found.append(cells(net, said).select("inside"))
    share = mean(pl.concat(found)["inside"])
    yield "cell cover .92-.975, one error of 5 % shared by all records", f"{share:.4f}", within(share, 0.92, 0.975)


def misspecified(seed: int, n: int) -> Iterator[Line]:
    for truth, label in (
        (Truth(sd_pair=0.0), "pair sd 0"), (Truth(sd_pair=0.10), "pair sd .10"),
        (Truth(sd_event=0.15), "event sd .15"), (Truth(sd_gun=0.25), "gun sd .25"),
        (Truth(heavy_tails=True), "heavy tails"), (Truth(weighed=0.25), "25 % weighed"),
        (Truth(film_cv=0.2, readings=2), "cv 20 %, 2 readings"), (Truth(between=0.05), "5 % read between"),
    ):  # fmt: skip
        share = mean(many(truth, seed, n)["inside"])
        yield f"cover .92-.98, {label}", f"{share:.4f}", within(share, 0.92, 0.98)


def accuracy(seed: int, n: int) -> Iterator[Line]:
    truth = Truth()
    sd = np.log([truth.sd_product, truth.sd_shop, truth.sd_gun, truth.sd_technician, truth.sd_pair, truth.sd_event])
    ours, oracle, both = [], [], []
    for i in range(n):
        net = networks.network(truth, seed + i)
        mine = cells(net)
        ours.append(mine["error"])
        ideal = networks.network(replace(truth, weighed=1.0), seed + i)
        oracle.append(cells(ideal, fit(ideal, sd))["error"])
        ratio = direct_cells(net.records, net.layers).filter(pl.col("n") >= 2)
        both.append(
            mine.join(ratio, on=list(CELL), suffix="_ratio").select(
                "error", ratio=(pl.col("estimate_ratio") / pl.col("truth")).log()
            )
        )
    a, b = rmse(pl.concat(ours)), rmse(pl.concat(oracle))
    yield "RMSE against the oracle <= 1.20x", f"{a / b:.3f}x ({a:.4f} / {b:.4f})", a / b <= 1.20
    shared = pl.concat(both)
    a, b = rmse(shared["error"]), rmse(shared["ratio"])
    yield "RMSE against ratio of sums, shared cells <= .60x", f"{a / b:.3f}x ({a:.4f} / {b:.4f})", a / b <= 0.60


def unread(seed: int, n: int) -> Iterator[Line]:
    flags, inside, combined = [], [], []
    for i in range(n):
        net = networks.network(Truth(between=0.0), seed + i)
        said = fit(net)
        found = cells(net, said).filter(pl.col("role") != "surfacer")
        inside.append(found.select("role", "inside"))
        flags.append(found.filter(pl.col("role") == "base")["separable"])
        combined.append(_combined_inside(net, said))
    roles = dict(pl.concat(inside).group_by("role").agg(pl.col("inside").mean()).sort("role").iter_rows())
    raised = 1 - mean(pl.concat(flags))
    share = float(np.concatenate(combined).mean())
    told = " ".join(f"{r} {v:.3f}" for r, v in roles.items())
    yield "nothing read between: cover >= .93 each", told, all(v >= 0.93 for v in roles.values())
    yield "nothing read between: not separable on every base cell", f"{100 * raised:.1f} %", raised == 1.0
    yield "combined cover .92-.97", f"{share:.4f}", within(share, 0.92, 0.97)


def _combined_inside(net: networks.Network, said: joint.Statements) -> np.ndarray:
    """Is the true sum of mean split x log TE of the main combination inside the combined interval?"""
    table = said.table(TABLE).join(net.cells(), on=list(CELL), maintain_order="left")
    truth = table["truth"].log().to_numpy()
    code = said.groups(CELL)[1]
    shared = said.shared(code).sort("records", "combination", descending=[True, False], maintain_order=True)
    main = shared.unique("cell", keep="first", maintain_order=True).select("cell", "combination")
    sums = shared.with_columns(part=pl.col("share") * pl.Series(truth[shared["cell"].to_numpy()]))
    sums = sums.group_by("combination").agg(total=pl.col("part").sum())
    main = main.join(sums, on="combination")
    at, total = main["cell"].to_numpy(), np.exp(main["total"].to_numpy())
    low, high = table["combined_low"].to_numpy()[at], table["combined_high"].to_numpy()[at]
    return ((low <= total) & (total <= high))[np.isfinite(low)]


def leftovers(seed: int, n: int) -> Iterator[Line]:
    for random, label in ((True, "at random"), (False, "because they are large")):
        found = many(Truth(weighed_at_random=random), seed, n)
        bias = abs(mean(found["error"]))
        yield f"mean bias of log TE, leftovers missing {label} < .01", f"{bias:.4f}", bias < 0.01


def false_flags(seed: int, n: int) -> Iterator[Line]:
    limit = np.log(0.95)
    for heavy, label in ((False, "normal"), (True, "heavy-tailed")):
        wrong = total = 0
        for i in range(n):
            net = networks.network(Truth(shops=8, heavy_tails=heavy, sd_technician=0.15, sd_gun=0.15), seed + i)
            said = fit(net)
            for table, truth, who in (
                ("gun_effects", net.gun, "gun_id"),
                ("technician_effects", net.technician, "technician_id"),
            ):
                named = said.effects(table).filter("flagged")[who]
                wrong += sum(truth[name] >= limit for name in named)
                total += len(named)
        share = wrong / max(total, 1)
        yield f"realised share of wrong flags <= .06, {label}", f"{share:.4f} of {total}", bool(share <= 0.06)
    quiet = Truth(sd_gun=0, sd_technician=0, sd_pair=0, sd_shop=0, sd_product=0)
    alarms = 0
    for i in range(n):
        said = fit(networks.network(quiet, seed + i))
        alarms += any(said.effects(t)["flagged"].any() for t in ("gun_effects", "technician_effects"))
    yield "nobody flagged where all are alike: >= 95 % of seeds", f"{100 * (1 - alarms / n):.1f} %", alarms / n <= 0.05


def sixty_five(seed: int, n: int) -> Iterator[Line]:
    parts = []
    for i in range(n):
        net = networks.network(Truth(shops=1, level=0.12, sd_shared=0.05), seed + i)
        said = fit(net, settings=AREAS_SHARED)
        parts.append(cells(net, said).select("prob_below_65", below=pl.col("truth") < 0.65))
    found = pl.concat(parts).with_columns(bin=(pl.col("prob_below_65") * 10).floor().clip(0, 9))
    bins = found.group_by("bin").agg(n=pl.len(), said=pl.col("prob_below_65").mean(), seen=pl.col("below").mean())
    bins = bins.filter(pl.col("n") >= 150).with_columns(off=(pl.col("said") - pl.col("seen")).abs())
    worst = float(np.max(bins["off"].to_numpy()))
    yield (
        "65 % probability within .07 in every bin of >= 150",
        f"worst {worst:.3f} over {bins.height} bins",
        worst <= 0.07,
    )


def statsmodels(seed: int, n: int) -> Iterator[Line]:
    """Crossed sets against MixedLM: the largest it does in reasonable time, and its time beside ours."""
    from statsmodels.regression.mixed_linear_model import MixedLM

    for records, a, b in ((1000, 20, 12), (10_000, 30, 20)):
        rng = np.random.default_rng(seed)
        i, j = rng.integers(a, size=records), rng.integers(b, size=records)
        y = 0.3 * rng.standard_normal(a)[i] + 0.2 * rng.standard_normal(b)[j] + 0.5 * rng.standard_normal(records)
        start = time.perf_counter()
        model, _ = ordinary(y, [i.astype(str), j.astype(str)])
        ours = mixed_model.fit(model, np.full(3, -1.0), bounds=(-9, 3), tolerance=1e-11)
        our_time = time.perf_counter() - start
        frame = pl.DataFrame({"y": y, "i": i, "j": j}).to_pandas()
        start = time.perf_counter()
        theirs = MixedLM.from_formula(
            "y ~ 1", groups=np.ones(records), vc_formula={"i": "0 + C(i)", "j": "0 + C(j)"}, re_formula="0", data=frame
        ).fit(method=["powell"], ftol=1e-14)
        their_time = time.perf_counter() - start
        expected = np.sqrt([theirs.vcomp[0], theirs.vcomp[1], theirs.scale])
        off = max(np.abs(ours.sd / expected - 1).max(), abs(ours.best.theta[0] - theirs.fe_params.iloc[0]))
        yield (
            f"statsmodels, {records} crossed records: 1e-4",
            f"{off:.1e} ({our_time:.2f} s, theirs {their_time:.1f} s)",
            off <= 1e-4,
        )


def insteval(seed: int, n: int) -> Iterator[Line]:
    path = HOME / "tests" / "published" / "data" / "mixed_model" / "lme4_insteval.csv.gz"
    frame = pl.read_csv(path)
    y = frame["y"].cast(pl.Float64).to_numpy()
    y = y - y.mean()
    factors = [frame[f].cast(pl.String).to_numpy() for f in ("s", "d")]
    start = time.perf_counter()
    model, _ = ordinary(y, factors)
    scale = np.log(y.std())
    found = mixed_model.fit(model, np.full(3, scale - 0.7), bounds=(scale - 9, scale + 2), tolerance=1e-8)
    took = time.perf_counter() - start
    off = abs(found.best.value - 237783.880388)
    yield "InstEval criterion 1e-5", f"{off:.1e}", off <= 1e-5
    yield "InstEval under 7.9 s (lme4's time)", f"{took:.1f} s", took < 7.9


SPEED = """
import re, sys, time
from pathlib import Path
import polars as pl
from pipelines.transfer.model.estimate import estimate
records, layers = pl.read_parquet(sys.argv[1]), pl.read_parquet(sys.argv[2])
start = time.perf_counter(), time.process_time()
tables = estimate(records, layers)
took = time.perf_counter() - start[0], time.process_time() - start[1]
# its own peak: what getrusage tells holds that of the process which started it as well
print(*took, int(re.search(r"VmHWM:\\s+(\\d+)", Path("/proc/self/status").read_text())[1]) / 1e6)
"""


def speed(seed: int, n: int) -> Iterator[Line]:
    """The whole of `estimate` in a process of its own: frames in, tables out; memory includes the frames."""
    with tempfile.TemporaryDirectory() as folder:
        for truth, seconds, memory in (
            (Truth(shops=20, jobs=300), 1.0, None),
            (Truth(shops=60, jobs=1010), 3.0, None),
            (Truth(shops=300, jobs=2020), 15.0, 2.0),
        ):
            net = networks.network(truth, seed)
            paths = [str(Path(folder) / name) for name in ("r.parquet", "l.parquet")]
            net.records.write_parquet(paths[0])
            net.layers.write_parquet(paths[1])
            size = net.records.height
            del net
            ran = subprocess.run([sys.executable, "-c", SPEED, *paths], capture_output=True, text=True, check=True)
            took, cpu, peak = (float(x) for x in ran.stdout.split())
            yield (
                f"{size:,} records under {seconds:g} s",
                f"{took:.1f} s (processor {cpu:.1f} s, {peak:.2f} GB)",
                took < seconds,
            )
            if memory:
                yield f"{size:,} records under {memory:g} GB", f"{peak:.2f} GB", peak < memory


# What differs from the demo's business: fields of seed_data.plan.Parameters.
HABITS: dict[str, dict[str, float]] = {
    "as they come": {},
    "no strips": {"witness": 0.0},
    "nothing read between": {"mid_reading": 0.0, "witness": 0.0, "targets": False},
    "one shop": {"shops": 1, "cups": 1500, "months": 8},
    "ten shops": {"shops": 10, "cups": 6000, "months": 8},
    "hardly a leftover weighed": {"leftover_weighed": 0.03},
    "few films": {"read_job": 0.3, "read_panel": 0.6, "lost_reading": 0.1},
    "no marked places": {"positioned": 0.0},
    "rough readings": {"within_cv": 0.25, "gauge_noise_um": 3.0, "area_sd": 0.10, "solids_sd": 0.03},
    "hands far apart": {"sd_technician": 0.25},
    "pairs and events far apart": {"sd_pair": 0.10, "sd_event": 0.15, "own_gun": 0.5},
    "much varied": {
        "sd_gun": 0.2, "sd_technician": 0.15, "sd_event": 0.12, "leftover_weighed": 0.3, "read_job": 0.5,
        "mid_reading": 0.3, "within_cv": 0.2, "own_gun": 0.6,
    },
    "all alike": {"sd_gun": 0.0, "sd_technician": 0.0, "sd_pair": 0.0, "wear_log_te": 0.0, "planted": False},
}  # fmt: skip


def business(habit: str, seed: int) -> tuple[pl.DataFrame, bool]:
    """transfer_by_pair of one invented business beside its truth (te), with `inside`; and whether anybody is flagged.

    The truth of a cell is exp of the mean log TE of its own operations, read or not, without their events.
    """
    from pipelines.settings import Settings
    from seed_data import scenario

    drawn = scenario.build(seed=seed, **({"cups": 3000} | HABITS[habit]))
    given = on_frames.run_all(typed_tables(drawn), Settings().flat(), until="records")
    found = estimate(given["records"], given["record_layers"], None, drawn.registers["gun_services"])
    cells = found["transfer_by_pair"].join(drawn.truth["truth_cells"].select(*CELL, "te"), on=list(CELL))
    flagged = any(found[name]["flagged"].any() for name in ("gun_effects", "technician_effects"))
    return cells.with_columns(inside=pl.col("te").is_between("low", "high")), flagged


def businesses(seed: int, n: int) -> Iterator[Line]:
    for habit in HABITS:
        drawn = [business(habit, seed + i) for i in range(n)]
        found = pl.concat([cells for cells, _ in drawn])
        told = found.drop_nulls(["low", "high"])
        share = mean(told["inside"])
        alike = habit == "all alike"  # priors that expect differences then make intervals wider than they need be
        yield (
            f"pair cover {'.93 or more' if alike else '.93-.97'}, {habit}",
            f"{share:.4f} ({told.height} cells, {n} businesses)",
            within(share, 0.93, 1.0 if alike else 0.97),
        )
        both = found.filter((pl.col("n") > 0) & pl.col("role").is_in(["base", "clear"]))
        apart = dict(both.group_by("role").agg(pl.col("separable").mean()).sort("role").iter_rows())
        told_apart = " ".join(f"{role} {100 * part:.1f} %" for role, part in apart.items())
        unread = habit == "nothing read between"
        yield (
            f"base and clear separable{' in no cell' if unread else ''}, {habit}",
            told_apart,
            not unread or max(apart.values()) == 0,
        )
        if alike:
            quiet = 1 - sum(flagged for _, flagged in drawn) / n
            yield "nobody flagged where all are alike: >= 95 % of businesses", f"{100 * quiet:.1f} %", quiet >= 0.95


def widths(seed: int, n: int) -> Iterator[Line]:
    """Intervals of cells, and true effects below -5 % that are flagged, beside those of an oracle that is told the true variances, on
    the same records."""
    for truth, label in (
        (Truth(shops=1, jobs=180, technicians=3, guns=3), "3 hands x 60 jobs"),
        (Truth(shops=6, jobs=200), "6 shops x 200 jobs"),
    ):
        sd = np.log([truth.sd_product, truth.sd_shop, truth.sd_gun, truth.sd_technician, truth.sd_pair, truth.sd_event])
        ratio = []
        right, named, there = [0, 0], [0, 0], 0
        for i in range(max(n // truth.shops, 1)):
            net = networks.network(truth, seed + i)
            fits = [fit(net, known) for known in (None, sd)]
            for table, effects in (("gun_effects", net.gun), ("technician_effects", net.technician)):
                low = {name for name, effect in effects.items() if effect < np.log(0.95)}
                there += len(low)
                for k, said in enumerate(fits):
                    flagged = set(said.effects(table).filter("flagged")[f"{table.split('_')[0]}_id"])
                    right[k] += len(flagged & low)
                    named[k] += len(flagged)
            ours, oracle = (cells(net, said).select(*CELL, "log_u", "n") for said in fits)
            both = ours.join(oracle, on=list(CELL), suffix="_oracle").filter(pl.col("n") > 0)
            ratio.append(both.select(pl.col("log_u") / pl.col("log_u_oracle")).to_series())
        middle = float(np.median(pl.concat(ratio).to_numpy()))
        yield f"width of cells <= 1.2x that of the true variances, {label}", f"{middle:.3f}x (median)", middle <= 1.2
        found, wrong = right[0] / max(right[1], 1), (named[0] - right[0]) / max(named[0], 1)
        told = f"{found:.3f} ({right[0]} and {right[1]} of {there})"
        yield f"true effects below -5 % found >= .85 of what that oracle finds, {label}", told, found >= 0.85
        yield f"of these flags wrong <= .05, {label}", f"{wrong:.3f} of {named[0]}", wrong <= 0.05


def published(root: Path) -> dict[str, pl.DataFrame]:
    """The tables of a workspace, run as a shop would."""
    from pipelines import cli

    with contextlib.redirect_stdout(io.StringIO()):
        if (code := cli.main(["run", str(root)])) not in (0, 3):
            raise SystemExit(f"the run of {root} ended with {code}")
    return {path.stem: pl.read_parquet(path) for path in (root / "out" / "tables").glob("*.parquet")}


def held(
    found: pl.DataFrame, truth: pl.DataFrame, key: list[str], kind: str, areas: float | None = None, low: str = "low",
    high: str = "high",
) -> pl.DataFrame:  # fmt: skip
    """kind, role, held: whether the interval holds the truth, row by row.

    areas: the error drawn of the table of areas (log). It moves every transfer efficiency of a business as one, and a few
    businesses draw it a few times; held is then at which share of all such errors the interval would hold the truth, all else as
    drawn. A truth with `whole` (what there was in all) is of what did not land: what did moves with the error.
    """
    both = found.drop_nulls([low, high]).join(truth, on=key)
    role = pl.col("role") if "role" in both.columns else pl.lit("all")
    if areas is None:
        return both.select(kind=pl.lit(kind), role=role, held=pl.col("truth").is_between(low, high).cast(pl.Float64))
    ends = [both[name].to_numpy() for name in ("truth", low, high)]
    if "whole" in both.columns:
        true, high_end, low_end = (both["whole"].to_numpy() - end for end in ends)
    else:  # no more lands than was sprayed
        true, low_end, high_end = ends[0], ends[1], np.where(ends[2] < 1, ends[2], np.inf)
    below, above = (np.log(np.maximum(true, 1e-12) / np.maximum(end, 1e-12)) + areas for end in (low_end, high_end))
    sd = Settings().film.area_shared_sd
    return both.select(kind=pl.lit(kind), role=role, held=pl.Series(norm.cdf(below / sd) - norm.cdf(above / sd)))


def against_truth(
    tables: dict[str, pl.DataFrame], truth: pl.DataFrame, panels: pl.DataFrame, of_areas: float
) -> pl.DataFrame:
    """Every published interval of transfer and of what follows from it, beside truth_operations and truth_panels; of_areas: how
    many of its standard deviations the table of areas errs by."""
    areas = Settings().film.area_shared_sd * of_areas
    face = ["shop_id", "job_id", "operation_no", "panel_id", "face"]
    alone = tables["film_build"].filter(
        (pl.col("first_operation") == pl.col("operation_no")) & pl.col("film_basis").ne_missing("after_sanding")
    )
    films = panels.select(*face, truth="film_um")
    out = [held(alone, films, face, "film_build", low="film_low", high="film_high")]
    for name, key in (
        ("transfer_by_pair", list(CELL)), ("transfer_by_gun", ["shop_id", "gun_id", "role"]),
        ("transfer_by_technician", ["shop_id", "technician_id", "role"]), ("transfer_by_role", ["shop_id", "role"]),
    ):  # fmt: skip
        own = truth.group_by(key).agg(truth=pl.col("eta").mean().exp())
        out.append(held(tables[name].filter(pl.col("n") > 0), own, key, name, areas))
    # what was sprayed as the ledger has it, what landed of it as it truly did
    operation, parts = ["shop_id", "job_id", "operation_no"], ("useful", "over_build", "overspray")
    work = (
        tables["material_ledger"]
        .filter(pl.col("te").is_not_null())
        .with_columns(sprayed=pl.sum_horizontal(pl.col(f"{part}_solids_g").fill_null(0.0) for part in parts))
        .join(truth.select(*operation, true_te="te"), on=operation)
        .with_columns(landed=pl.col("sprayed") * pl.col("true_te"))
    )
    own = work.filter((pl.col("grade") == "A") & (pl.col("te_source") == "own")).unique(operation)
    # the interval of a film holds at least the error of the areas, that of a weighed foil none of it
    of_film = (pl.col("te_high") / pl.col("te_low")).log() > 2 * Z95 * Settings().film.area_shared_sd
    true = truth.select(*operation, truth="te")
    for label, part, moved in (("a film", of_film, areas), ("a weighed foil", ~of_film, None)):
        out.append(
            held(own.filter(part), true, operation, f"own transfer efficiency, {label}", moved, "te_low", "te_high")
        )
    only = {name: pl.col(name) == "all" for name in ("shop_id", "role", "product_id", "period")}
    for by in ([], ["shop_id"], ["role"], ["product_id"], ["shop_id", "role"], ["shop_id", "month"]):
        named = work.with_columns(of=pl.lit("all"))
        own = named.group_by(by or ["of"]).agg(truth=pl.col("landed").sum() / pl.col("sprayed").sum())
        key = [name if name != "month" else "period" for name in by]
        cut = tables["totals"].filter(
            [~only[name] if name in key else only[name] for name in only]
            + ([pl.col("period").str.len_chars() == 7, ~pl.col("period").str.contains("Q")] if "month" in by else [])
        ).with_columns(of=pl.lit("all"))  # fmt: skip
        label = "totals by " + (" and ".join(by) or "nothing")
        out.append(
            held(
                cut,
                own.rename({"month": "period"}) if "month" in by else own,
                key or ["of"],
                label,
                areas,
                low="te_low",
                high="te_high",
            )
        )
    months = work.join(tables["transfer_by_period"].select(month="period").unique(), on="month")
    for role in (pl.col("role"), pl.lit("all")):
        of_period = (
            months.group_by("shop_id", role.alias("role"), period="month")
            .agg(truth=pl.col("landed").sum() / pl.col("sprayed").sum())
        )  # fmt: skip
        out.append(
            held(tables["transfer_by_period"], of_period, ["shop_id", "role", "period"], "transfer_by_period", areas)
        )
    lines = tables["emission_lines"].filter((pl.col("kind") == "overspray") & pl.col("pm_kg").is_not_null())
    cup = ["shop_id", "mix_id", "job_id", "operation_no"]
    pm = (
        lines.join(work.select(*cup, "true_te", "overspray_solids_g", "sprayed"), on=cup)
        .with_columns(
            out=pl.col("pm_kg") / pl.col("overspray_solids_g")
        )  # of a gram that misses; none missed: as of others
        .with_columns(
            all_kg=pl.col("sprayed")
            * pl.col("out").fill_nan(pl.col("out").fill_nan(None).mean().over("shop_id", "category"))
        )
        .group_by("shop_id", "month", "category")
        .agg(truth=(pl.col("all_kg") * (1 - pl.col("true_te"))).sum(), whole=pl.col("all_kg").sum())
    )
    out.append(
        held(
            tables["emissions_monthly"],
            pm,
            ["shop_id", "month", "category"],
            "particulate",
            areas,
            low="pm_kg_low",
            high="pm_kg_high",
        )
    )
    return pl.concat(out)


FEW_MISSES = (
    5  # businesses of either kind below which Student's t says little: then the score interval, one draw a business
)


def cover_of(seen: Sequence[Sequence[float]]) -> tuple[float, float, float, int]:
    """Share of the rows that held, what it may be but for chance (low and high of 95 %), rows; one entry a business. Rows of one
    business share the errors of its table of areas and its products and stand or fall together: businesses are what is counted."""
    from statsmodels.stats.proportion import proportion_confint  # slow to import, and most parts do not ask

    seen = [one for one in seen if len(one)]
    rows, n = sum(map(len, seen)) or 1, len(seen)
    share = sum(map(sum, seen)) / rows
    missed, held_in = (sum(any(round(row) == said for row in one) for one in seen) for said in (0, 1))
    if min(missed, held_in) < FEW_MISSES:
        low, high = proportion_confint(share * n, n, method="wilson") if n else (0.0, 1.0)
        return share, float(low), float(high), rows
    spread = sum((sum(one) - share * len(one)) ** 2 for one in seen) ** 0.5 / rows
    half = spread * (n / (n - 1)) ** 0.5 * float(t.ppf(0.975, n - 1))
    return share, share - half, share + half, rows


def covers(bar: str, seen: Sequence[Sequence[float]]) -> Line:
    share, low, high, rows = cover_of(seen)
    told = f"{share:.3f} ({low:.3f} to {min(high, 1):.3f}) of {rows}, {sum(map(bool, seen))} businesses"
    return f"cover .92-.975, {bar}", told, low <= 0.975 and high >= 0.92


def quantiles(n: int, seed: int) -> np.ndarray:
    """n draws of a standard normal, one from each n-th of it: so few of them do not lie to one side by chance."""
    rng = np.random.default_rng(seed)
    return np.asarray(norm.ppf((rng.permutation(n) + rng.random(n)) / n))


def misstate(drawn: Any, rng: np.random.Generator, of_areas: float | None = None) -> None:
    """Writes into the registers what no record can tell, as large as the settings say: one error of the table of areas (of_areas:
    how many of its standard deviations), one of each product's solids (by mass and by volume) and one of its density. A component
    errs with the product that most of it goes into."""
    registers, cup = drawn.registers, Settings().cup
    own = rng.standard_normal()
    bias = float(np.exp(Settings().film.area_shared_sd * (own if of_areas is None else of_areas)))
    registers["panel_areas"] = registers["panel_areas"].with_columns(pl.col("area_m2") * bias)
    home = (
        drawn.canonical["pours"].drop_nulls(["component_id", "product_id"])
        .group_by("component_id", "product_id").agg(pl.col("weighed_g").sum())
        .sort("weighed_g", "product_id").group_by("component_id").agg(pl.col("product_id").last())
    )  # fmt: skip
    products = registers["products"].select("product_id").unique().sort("product_id")
    errors = products.with_columns(
        solids=np.exp(cup.solids_rel_u * rng.standard_normal(products.height)),
        density=np.exp(cup.density_rel_u * rng.standard_normal(products.height)),
    )
    by_volume = pl.col("solids") * pl.col("density")
    registers["components"] = (
        registers["components"].join(home, on="component_id", how="left").join(errors, on="product_id", how="left")
        .with_columns(
            pl.col("solids_volume_fraction") * by_volume.fill_null(1.0),
            pl.col("solids_mass_fraction") * pl.col("solids").fill_null(1.0),
            # what is said to be solids is not said to evaporate: the fractions still sum to 1
            (pl.col("voc_mass_fraction") - pl.col("solids_mass_fraction") * (pl.col("solids").fill_null(1.0) - 1)).clip(0, 1),
        ).drop("product_id", "solids", "density")
    )  # fmt: skip
    registers["products"] = (
        registers["products"].join(errors, on="product_id")
        .with_columns(pl.col("rts_solids_volume_fraction") * by_volume).drop("solids", "density")
    )  # fmt: skip


def invented(seed: int, of_areas: float | None = None, **size: float) -> tuple[Any, dict[str, pl.DataFrame]]:
    """An invented business whose registers err as far as the settings say, with its truth, and its published tables."""
    from pipelines import settings, workspace
    from seed_data import scenario

    drawn = scenario.build(seed=seed, small_tables=True, **size)
    misstate(drawn, np.random.default_rng(seed), of_areas)
    with tempfile.TemporaryDirectory() as folder:
        space, _ = workspace.init(Path(folder) / "shop", settings.template())
        scenario.write_canonical(space.root, drawn)
        return drawn, published(space.root)


def few_records(seed: int, n: int) -> Iterator[Line]:
    """Cells of small shops by role, from pours and readings through the ledger to the model: many businesses, since each is one draw
    of what its rows share. Roles that are seldom or never read by themselves are what is looked for."""
    from seed_data import scenario

    seen = []
    for i, of_areas in enumerate(quantiles(n, seed)):
        drawn = scenario.build(seed=seed + i, small_tables=True, **SIZES["one_shop"][1], sd_role=SD_ROLE)
        misstate(drawn, np.random.default_rng(seed + i), of_areas)
        given = on_frames.run_all(typed_tables(drawn), Settings().flat(), until="records")
        found = estimate(given["records"], given["record_layers"], None, drawn.registers["gun_services"])
        for name, key in (("transfer_by_pair", list(CELL)), ("transfer_by_role", ["shop_id", "role"])):
            own = drawn.truth["truth_operations"].group_by(key).agg(truth=pl.col("eta").mean().exp())
            areas = Settings().film.area_shared_sd * of_areas
            seen.append(
                held(found[name].filter(pl.col("n") > 0), own, key, name, areas).with_columns(business=pl.lit(i))
            )
    cover = pl.concat(seen).sort("kind", "role")
    for by in (["kind"], ["kind", "role"]):
        for name, part in cover.group_by(by, maintain_order=True):
            yield covers(" ".join(map(str, name)), [own["held"].to_list() for own in part.partition_by("business")])


def weighed_targets(seed: int, n: int) -> Iterator[Line]:
    """The own intervals of weighed foils, few in each of many small businesses: those of one business share the errors of its
    products' solids, so that the businesses are what is counted."""
    from pipelines.transfer.model.operation_estimate import budgets
    from seed_data import scenario

    each = []
    for i in range(n):
        drawn = scenario.build(seed=seed + i, small_tables=True, shops=1, cups=150, months=3)
        misstate(drawn, np.random.default_rng(seed + i))
        given = on_frames.run_all(typed_tables(drawn), Settings().flat(), until="records")
        own = budgets(
            given["records"].filter(pl.col("usable") & (pl.col("basis") == "mass")),
            design.prepare_layers(given["record_layers"]),
            Settings(),
        )
        truth = drawn.truth["truth_operations"].select(
            "shop_id", op_job_id="job_id", operation_no="operation_no", truth="te"
        )
        both = own.join(truth, on=["shop_id", "op_job_id", "operation_no"]).drop_nulls(["low", "high"])
        each.append(both.select(pl.col("truth").is_between("low", "high")).to_series().to_list())
    yield covers("own transfer efficiency of a weighed foil", each)


#: What a role transfers differs from business to business (its products, thinning, pressure): of a role that nobody reads by itself
#: only the model's prior speaks, and hundreds of rows in any number of businesses with one truth would be one draw of it. So each
#: business draws its own, with ROLE_TE's .10 as far apart as the model believes (.20 a role, .10 a product). Whether roles lie that far apart
#: no record here can tell; that the interval says what is believed can be told.
SD_ROLE = 0.20
SIZES: dict[str, tuple[str, dict[str, float]]] = {
    "one_shop": ("one shop of 3 x 60 jobs", {"shops": 1, "technicians": 3, "cups": 750, "months": 8}),
    "six_shops": ("six shops of 200 jobs", {"shops": 6, "cups": 5000, "months": 8}),
    "three_shops": ("three shops of 14 months", {"shops": 3, "cups": 6000, "months": 14}),
}


def workspaces(size_name: str, seed: int, n: int) -> Iterator[Line]:
    """Whole invented workspaces, from CSV files to published tables (seed_data): cover of every interval, by kind and by role."""
    label, size = SIZES[size_name]
    seen, shown, halves, events, alarms, guns = [], [], [], [], 0, 0
    for i, of_areas in enumerate(quantiles(max(int(n // size["shops"]), 1), seed)):
        drawn, tables = invented(seed + i, of_areas, **size, sd_role=SD_ROLE)
        found = against_truth(tables, drawn.truth["truth_operations"], drawn.truth["truth_panels"], of_areas)
        seen.append(found.with_columns(business=pl.lit(i)))
        month = tables["transfer_by_period"].filter(
            (pl.col("role") == "all") & pl.col("period").str.contains(r"^\d{4}-\d\d$")
        )
        shown.append(month["change_shown"].drop_nulls())
        whole = tables["totals"].filter([pl.col(k) == "all" for k in ("shop_id", "role", "product_id", "period")])
        halves.append(float(50 * (whole["te_high"] - whole["te_low"]).item()))
        events.append(196 * float(whole["u_event"].item()))
        steady = drawn.truth["truth_guns"].filter(pl.col("wear_log_te_per_day") == 0).select("gun_id")
        rung = tables["gun_drift"].join(steady, on="gun_id")
        alarms, guns = alarms + int(rung["alarm"].sum()), guns + rung.height
    cover = pl.concat(seen)
    for by in ("kind", "role"):
        for (name,), part in cover.group_by(by, maintain_order=True):
            each = [own["held"].to_list() for own in part.partition_by("business")]
            yield covers(f"{name}, {label}", each)
    width, of_events = float(np.mean(halves)), float(np.mean(events))
    if size["months"] == 14:  # the bars speak of a business of three shops and 14 months
        yield f"half-width of the headline <= 6 points, {label}", f"{width:.1f}", width <= 6
        yield f"of which events <= 1, {label}", f"{of_events:.2f}", of_events <= 1
    else:
        yield (
            f"half-width of the headline and of events, no bar, {label}",
            f"{width:.1f} and {of_events:.2f} points",
            True,
        )
    told = mean(pl.concat(shown))
    yield f"shop-months said to have changed where none did <= 5 %, {label}", f"{100 * told:.1f} %", told <= 0.05
    yield f"alarms over guns that hold <= 5 %, {label}", f"{alarms} of {guns}", alarms <= 0.05 * guns + 2


TURN, SEEN = dt.date(2025, 8, 1), dt.date(2025, 10, 1)  # pours fall by a fifth from then on; looked at two months later


def months_of(fitted: linearise.Joint, layers: pl.DataFrame) -> pl.DataFrame:
    """shop_id, month, eta (mean log TE of what each shop sprayed in a month, the step it was told included), sd (of the model alone,
    without what all records share and what single events do). layers: with `told`, as the model was built over them."""
    keys = layers.select("shop_id", "told", month=pl.col("started_at").dt.strftime("%Y-%m"))
    by = keys.group_by("shop_id", "month").agg(pl.col("told").mean(), n=pl.len()).sort("shop_id", "month")
    code = keys.join(by.with_row_index("row"), on=["shop_id", "month"], maintain_order="left")["row"].to_numpy()
    share = 1 / by["n"].to_numpy()[code]
    built = fitted.design
    mean_of = sp.csr_matrix((share, (code, built.row_of_layer)), shape=(by.height, built.rows.shape[0]))
    rows = mixed_model.Rows.of(fitted.layout, sp.csr_matrix(mean_of @ built.rows))
    eta = by["told"].to_numpy() + fitted.posterior.mean(rows)
    return by.select("shop_id", "month", eta=pl.Series(eta), sd=pl.Series(np.sqrt(fitted.posterior.variance(rows))))


def trend(seed: int, n: int) -> Iterator[Line]:
    """Half of the shops of each network pour a fifth less from one month on, film left alone; what the periods say of all of them
    two months later, whether it is laid on guns, and how far the months before it move."""
    shown_to, quiet, moved, laid, guns = [], [], [], 0, 0
    for i in range(n):
        net = networks.network(Truth(shops=40, jobs=240), seed + i)
        day = net.layers["started_at"].dt.date()
        seen = net.layers.filter(day < SEEN)
        turned = pl.col("shop_id").rank("dense") > 20
        less = pl.when(turned & (pl.col("started_at").dt.date() >= TURN)).then(0.8).otherwise(1.0)
        cut = seen.with_columns(pl.col("sprayed_solids_ml", "poured_solids_ml") * less)
        records = net.records.join(
            seen.select("shop_id", "job_id", "record_no").unique(), on=["shop_id", "job_id", "record_no"]
        )
        fits = [fitted_with(records, layers, None, lambda _: {}) for layers in (seen, cut)]
        (plain, plain_layers), (after, after_layers) = [one for one in fits if one is not None]
        assert after.steps is not None
        frame = after.steps.frame
        table = frame.select(
            "shop_id", role=pl.lit("all"), product_id=pl.lit("all"), period="month", n=pl.lit(1), te=pl.lit(1.0)
        )
        table = table.with_columns(te_low=pl.lit(0.0), te_high=pl.lit(1.0)).unique(maintain_order=True)
        landed = seen.group_by("shop_id", "role", maintain_order=True).agg(pl.col("poured_solids_ml").sum())
        told = totals.by_period(
            table, SimpleNamespace(frame=landed, landed=landed["poured_solids_ml"].to_numpy()), after.steps
        )
        told = told.with_columns(turned=turned)
        up = pl.col("change_shown").fill_null(False) & (pl.col("change") > 1)
        late = told.filter(pl.col("turned") & (pl.col("period") >= f"{TURN:%Y-%m}"))
        shown_to += late.group_by("shop_id").agg(up.any())["change_shown"].to_list()
        quiet += told.filter(~pl.col("turned"))["change_shown"].drop_nulls().to_list()
        months = months_of(plain, plain_layers).join(
            months_of(after, after_layers), on=["shop_id", "month"], suffix="_after"
        )
        months = months.filter(turned & (pl.col("month") < f"{TURN:%Y-%m}"))
        moved.append(months.select("sd", by=(pl.col("eta_after") - pl.col("eta")).abs()))
        said = [joint.Statements(one, NOTHING_SHARED).effects("gun_effects") for one in (plain, after)]
        both = said[0].join(said[1], on="gun_id").drop_nulls("effect")
        laid += int((both["flagged_right"] & ~both["flagged"]).sum())
        guns += both.height
    share, rest = float(np.mean(shown_to)), float(np.mean(quiet))
    yield (
        "a fifth less poured is shown within two months >= .95",
        f"{share:.3f} of {len(shown_to)} shops",
        share >= 0.95,
    )
    yield "shop-months said to have changed where none did <= 5 %", f"{100 * rest:.2f} % of {len(quiet)}", rest <= 0.05
    # a month's published spread holds at least the error of the table of areas besides
    for words, shared in (("published sd", Settings().film.area_shared_sd), ("sd of the model alone", 0.0)):
        part = pl.concat(moved).select(pl.col("by") / (pl.col("sd") ** 2 + shared**2).sqrt())["by"].to_numpy()
        still = float(np.mean(part < 0.5))
        yield (
            f"months before move by less than half the {words}{'' if shared else ', no bar'}",
            f"{still:.3f} of {len(part)} (median {np.median(part):.2f}, largest {part.max():.2f})",
            still >= 0.95 or not shared,
        )
    yield "and no gun flagged for it", f"{laid} of {guns}", laid <= 0.01 * guns


def stock(seed: int, n: int) -> Iterator[Line]:
    """Unexplained stock, from pours and counts to the table: what was written down is taken as true, then each scale errs as far as its
    checks say and each count as far as the setting does."""
    from seed_data import scenario

    setting, key, each = Settings().cup.scale_rel_u, ["shop_id", "component_id", "from_on"], []
    for i in range(n):
        rng = np.random.default_rng(seed + i)
        given = typed_tables(scenario.build(seed=seed + i, small_tables=True, shops=2, months=7, cups=600))
        true = on_frames.run_all(given, Settings().flat(), until="stock_reconciliation")["stock_reconciliation"]
        checks = (
            given["scale_checks"]
            .group_by("scale_id")
            .agg(u=((pl.col("reading_g") - pl.col("weight_g")) / pl.col("weight_g")).pow(2).mean().sqrt())
        )
        scales = given["pours"].select("shop_id", "scale_id").unique().sort("shop_id", "scale_id", nulls_last=True)
        scales = scales.join(checks, on="scale_id", how="left", maintain_order="left").with_columns(
            error=1 + pl.col("u").fill_null(setting) * pl.Series(rng.standard_normal(scales.height))
        )
        pours = given["pours"].join(
            scales, on=["shop_id", "scale_id"], how="left", nulls_equal=True, maintain_order="left"
        )
        counts = pl.when(pl.col("movement") == "counted").then(
            1 + setting * pl.Series(rng.standard_normal(given["stock"].height))
        )
        erring = given | {
            "pours": pours.with_columns(pl.col("weighed_g") * pl.col("error")).drop("u", "error"),
            "stock": given["stock"].with_columns(pl.col("mass_g") * counts.otherwise(1.0)),
        }
        found = on_frames.run_all(erring, Settings().flat(), until="stock_reconciliation")["stock_reconciliation"]
        each.append(held(found, true.rename({"unexplained_g": "truth"}), key, "stock")["held"].to_list())
    yield covers("unexplained stock", each)


# name -> (function, number of simulations in a full run)
BARS: dict[str, tuple[Callable[[int, int], Iterator[Line]], int]] = {
    "cover": (cover, 200), "absolute": (absolute, 200), "misspecified": (misspecified, 60), "accuracy": (accuracy, 100), "unread": (unread, 100),
    "businesses": (businesses, 60),
    "widths": (widths, 240), **{name: (partial(workspaces, name), 48) for name in SIZES}, "weighed_targets": (weighed_targets, 400),
    "few_records": (few_records, 60), "trend": (trend, 5), "stock": (stock, 20),
    "leftovers": (leftovers, 100), "false_flags": (false_flags, 200), "sixty_five": (sixty_five, 800),
    "statsmodels": (statsmodels, 1), "insteval": (insteval, 1), "speed": (speed, 1),
}  # fmt: skip


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--share", type=float, default=1.0, help="share of the simulations to do")
    parser.add_argument("--only", default="", help=f"some of: {', '.join(BARS)}")
    parser.add_argument("--seed", type=int, default=20260)
    given = parser.parse_args()
    wanted = [name for name in given.only.split(",") if name] or list(BARS)
    short = 0
    print(f"seed {given.seed}, share {given.share:g}")
    for name in wanted:
        run, sims = BARS[name]
        for bar, measured, ok in run(given.seed, max(1, round(sims * given.share))):
            short += not ok
            print(f"{bar:<62} {measured:<48} {'ok' if ok else 'SHORT'}", flush=True)
    return 1 if short else 0


if __name__ == "__main__":
    if "OPENBLAS_NUM_THREADS" not in os.environ:  # read when numpy is loaded, which it is: start again with it set
        threads = {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1", "MKL_NUM_THREADS": "1"}
        os.execve(sys.executable, [sys.executable, __file__, *sys.argv[1:]], os.environ | threads)
    sys.exit(main())
