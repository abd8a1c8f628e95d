"""How often the intervals from direct records alone hold the truth, over many invented businesses.

    python tests/bench/direct_intervals.py [--seeds 100] [--cups 6000]

Each seed draws a business with known truth, runs the ledger up to its records and asks, for every gun, technician and
role with at least three direct records: does Fieller's 95 % interval hold the cell's true transfer efficiency? Truth is
the ratio of solids landed to solids sprayed over all operations of the cell, read or not. Where so few records vary so
much that Fieller's set has no end, no interval is published; such cells are counted apart.
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

import polars as pl

from tests import on_frames

HOME = Path(__file__).resolve().parents[2]
CELL = ["shop_id", "gun_id", "technician_id", "role"]


def typed_tables(drawn: object) -> dict[str, pl.DataFrame]:
    """The event tables and registers of a scenario as intake would hand them on, had every row been written well."""
    from pipelines import run
    from schemas import events, reference, registers, validate

    given = {**drawn.canonical, **drawn.registers}  # type: ignore[attr-defined]
    found = {"incomplete": validate.empty("incomplete")}
    found |= {name: run.reference_table(name) for name in reference.REFERENCE}
    for name in (*events.EVENTS, *registers.REGISTERS):
        frame = given.get(name, validate.empty(name))
        lacking = [info for info in validate.columns(name) if info.name not in frame.columns]
        frame = frame.with_columns(pl.lit(info.default).cast(info.dtype).alias(info.name) for info in lacking)
        found[name] = validate.conform(name, frame).with_columns(file=pl.lit(name), line=pl.int_range(pl.len()) + 2)
    return found


def cells(seed: int, cups: int) -> pl.DataFrame:
    """Every cell of one business with at least three direct records: its interval beside its truth."""
    from pipelines.settings import Settings
    from pipelines.transfer.model.direct import direct_cells
    from seed_data import scenario

    drawn = scenario.build(seed=seed, cups=cups)
    tables = on_frames.run_all(typed_tables(drawn), Settings().flat(), until="records")
    found = direct_cells(tables["records"], tables["record_layers"])
    truth = drawn.truth["truth_cells"].select(*CELL, truth="ratio")
    return found.filter(pl.col("n") >= 3).join(truth, on=CELL).with_columns(seed=pl.lit(seed))


def main() -> None:
    wanted = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    wanted.add_argument("--seeds", type=int, default=100)
    wanted.add_argument("--cups", type=int, default=6000)
    given = wanted.parse_args()
    began = time.perf_counter()
    frames = []
    for seed in range(given.seeds):
        frames.append(cells(seed, given.cups))
        if (seed + 1) % 10 == 0:
            print(f"{seed + 1} of {given.seeds} businesses, {time.perf_counter() - began:.0f} s", flush=True)
    every = pl.concat(frames)
    found = every.drop_nulls(["low", "high"]).with_columns(held=pl.col("truth").is_between("low", "high"))
    print(
        f"\n{every.height} cells with at least 3 direct records, {every.height - found.height} of them without an end"
    )
    print("Cover of the 95 % interval in the others:")
    bands = found.with_columns(
        n=pl.when(pl.col("n") == 3)
        .then(pl.lit("3"))
        .when(pl.col("n") <= 5)
        .then(pl.lit("4 to 5"))
        .when(pl.col("n") <= 10)
        .then(pl.lit("6 to 10"))
        .otherwise(pl.lit("more"))
    )
    for by in ("role", "n"):
        for row in bands.group_by(by).agg(pl.len(), pl.col("held").mean()).sort(by).iter_rows():
            print(f"  {by} {row[0]:<18}{row[1]:>7}{100 * row[2]:>8.1f} %")
    print(f"  {'all':<23}{found.height:>7}{100 * found['held'].mean():>8.1f} %   (bar: 93-98 %)")


if __name__ == "__main__":
    sys.path.insert(0, str(HOME))
    main()
