"""How often film_build's intervals hold the truth, and its probabilities come true: whole invented workspaces from CSV to table.

    python tests/bench/film_build_cover.py [--seeds 8] [--cups 1200]

Each seed draws a business, writes its exports, runs the command on them and reads the published table. The businesses hold
witness strips, blends, cuts (some with no removal stated), guns that change shop and a hardener without a figure for its solids; in every
second one the surfacer's window speaks of the film after sanding. Truth is drawn, never measured.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import sys
import tempfile
import time
from pathlib import Path

import polars as pl

HOME = Path(__file__).resolve().parents[2]
FACE = ["shop_id", "job_id", "operation_no", "panel_id", "face"]
SURFACERS = ["surfacer_grey", "surfacer_low"]
BAR = (0.92, 0.975)


def written(folder: Path, seed: int, cups: int, **more: object) -> tuple[Path, pl.DataFrame]:
    """A workspace of exports of one invented business, and the true films (um) by operation, panel and face."""
    from pipelines import settings, workspace
    from seed_data import scenario

    # the ratio of inner to outer film varies as far as the setting says it does: .2 of .6
    drawn = scenario.build(
        **({"seed": seed, "shops": 3, "months": 8, "cups": cups, "witness": 2.0, "inner_sd": 0.3} | more)
    )
    sanded = seed % 2 == 1
    products, components = drawn.registers["products"], drawn.registers["components"]
    if sanded:
        of_window = pl.col("product_id").is_in(SURFACERS)
        drawn.registers["products"] = products.with_columns(
            film_basis=pl.when(of_window).then(pl.lit("after_sanding")).otherwise("film_basis"),
            film_min_um=pl.when(of_window).then(60.0).otherwise("film_min_um"),
            film_max_um=pl.when(of_window).then(110.0).otherwise("film_max_um"),
        )
    unsaid = pl.col("component_id") == "hs_hardener"
    drawn.registers["components"] = components.with_columns(
        solids_volume_fraction=pl.when(unsaid).then(None).otherwise("solids_volume_fraction")
    )
    space, _ = workspace.init(folder, settings.template())
    scenario.write_canonical(space.root, drawn)
    after = pl.lit(sanded) & pl.col("product_id").is_in(SURFACERS)
    truth = (
        drawn.truth["truth_panels"]
        .join(drawn.truth["truth_operations"].select(*FACE[:3], "product_id"), on=FACE[:3])
        .select(*FACE, true_um=pl.when(after).then("film_sanded_um").otherwise("film_um"))
    )
    return space.root, truth


def published(folder: Path, name: str) -> pl.DataFrame:
    return pl.read_parquet(folder / "out" / "tables" / f"{name}.parquet")


def looked_at(seed: int, cups: int, **more: object) -> pl.DataFrame:
    """The published films of one business beside the truth, with how each was known (kind). Films of two operations are left
    out: the truth is by operation."""
    from pipelines import cli

    with tempfile.TemporaryDirectory() as folder:
        root, truth = written(Path(folder) / "shop", seed, cups, **more)
        with contextlib.redirect_stdout(io.StringIO()):
            code = cli.main(["run", str(root)])
        assert code in (0, 3), f"seed {seed}: exit code {code}"
        build, increments = published(root, "film_build"), published(root, "film_increments")
    strips = (
        increments.filter(pl.col("usable") & pl.col("witness_of").is_not_null())
        .select("shop_id", "job_id", panel_id="witness_of", operation_no="layers")
        .explode("operation_no")
        .with_columns(pl.col("operation_no").cast(pl.Int64), face=pl.lit("outer"), strip=pl.lit(True))
        .unique()
    )
    read = pl.col("source") == "read"
    kind = (
        pl.when(pl.col("face") != "outer").then(pl.lit("inner"))
        .when(pl.col("film_basis") == "after_sanding").then(pl.lit("read after sanding"))
        .when(read & pl.col("strip").fill_null(False)).then(pl.lit("strip"))
        .when(read).then(pl.lit("read"))
        .when(pl.col("source") == "shared").then(pl.lit("split"))
        .otherwise(pl.lit("told by transfer"))
    )  # fmt: skip
    return (
        build.filter(pl.col("film_um").is_not_null() & (pl.col("first_operation") == pl.col("operation_no")))
        .join(truth, on=FACE)
        .join(strips, on=FACE, how="left")
        .select(
            *FACE, "role", "film_um", "film_se_um", "film_low", "film_high", "film_min_um", "film_max_um", "prob_over",
            "prob_under", "true_um", kind=kind, seed=pl.lit(seed), held=pl.col("true_um").is_between("film_low", "film_high"),
        )
    )  # fmt: skip


def cover(films: pl.DataFrame, *by: str) -> pl.DataFrame:
    """By group: films, how often the interval holds the truth, the mean and spread of (film - truth) / standard error."""
    z = (pl.col("film_um") - pl.col("true_um")) / pl.col("film_se_um")
    width = ((pl.col("film_high") - pl.col("film_low")) / 2 / pl.col("true_um")).median()
    return films.group_by(by).agg(
        pl.len(), cover=pl.col("held").mean(), z_mean=z.mean(), z_sd=z.std(), half_width=width
    ).sort(by)  # fmt: skip


def calibration(films: pl.DataFrame) -> pl.DataFrame:
    """By fifths of what was stated, over both probabilities: stated and observed share of films outside the window."""
    sides = [
        films.drop_nulls(name).select(stated=name, came=outside.cast(pl.Float64))
        for name, outside in (
            ("prob_over", pl.col("true_um") > pl.col("film_max_um")),
            ("prob_under", pl.col("true_um") < pl.col("film_min_um")),
        )
    ]
    fifth = (pl.col("stated") * 5).floor().clip(0, 4).cast(pl.Int64)
    return pl.concat(sides).group_by(fifth=fifth).agg(pl.len(), pl.col("stated", "came").mean()).sort("fifth")


def main() -> None:
    wanted = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    wanted.add_argument("--seeds", type=int, default=8)
    wanted.add_argument("--cups", type=int, default=1200)
    given = wanted.parse_args()
    began, frames = time.perf_counter(), []
    for seed in range(1, given.seeds + 1):
        frames.append(looked_at(seed, given.cups))
        print(f"{seed} of {given.seeds} businesses, {time.perf_counter() - began:.0f} s", flush=True)
    films = pl.concat(frames)
    for by in (("role",), ("kind",), ("role", "kind")):
        print(f"\nCover of the 95 % interval by {' and '.join(by)} (bar {BAR[0]}-{BAR[1]} from 150 films on)")
        for *group, n, share, z_mean, z_sd, width in cover(films, *by).iter_rows():
            mark = "few" if n < 150 else "ok" if BAR[0] <= share <= BAR[1] else "SHORT" if share < BAR[0] else "WIDE"
            print(
                f"  {', '.join(group):<38}{n:>6}{share:>8.3f}   z {z_mean:+.2f} +- {z_sd or 0:.2f}   +- {100 * width:.0f} %  {mark}"
            )
    print("\nProbability of lying outside the window: stated, observed (bar: within .07)")
    for fifth, n, stated, came in calibration(films).iter_rows():
        print(
            f"  {fifth / 5:.1f} to {fifth / 5 + 0.2:.1f}{n:>8}{stated:>8.3f}{came:>8.3f}   {'ok' if abs(stated - came) <= 0.07 else 'OFF'}"
        )


if __name__ == "__main__":
    sys.path.insert(0, str(HOME))
    main()
