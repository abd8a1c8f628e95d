"""Intake as assets: every event table, every register, and what became of each file and row."""

from collections.abc import Iterator

import dagster as dg

from pipelines import run as runs
from pipelines.defs import tables
from schemas import events, reference, registers

NAMES = [*events.EVENTS, *registers.REGISTERS, *reference.LOCAL, "intake_files", "refused_rows", "incomplete"]


@dg.multi_asset(
    specs=[tables.spec(name, "intake", "polars") for name in NAMES],
    check_specs=tables.check_specs(NAMES),
    required_resource_keys={"run"},
)
def intake(context: dg.AssetExecutionContext) -> Iterator[dg.MaterializeResult]:
    """Read the inbox and the registers: typed rows on one side, refused rows with their reasons on the other."""
    run: runs.Run = context.resources.run
    with run.timed("intake"):
        runs.intake(run)
    files = run.tables["intake_files"]
    run.tell(
        "intake",
        f"{files['file'].n_unique():,} files, {files['rows_read'].sum():,} rows read: {files['accepted'].sum():,} used,"
        f" {files['refused'].sum():,} refused, {files['duplicate'].sum():,} duplicate,"
        f" {files['superseded'].sum():,} superseded",
    )
    for name in NAMES:
        yield tables.stands(run, name)


ASSETS = [intake]
