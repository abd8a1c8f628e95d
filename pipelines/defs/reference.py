"""Reference tables as assets: facts of law and nature that ship with the project, each row with its source."""

import dagster as dg

from pipelines import run as runs
from pipelines.defs import tables
from schemas import reference

NAMES = list(reference.REFERENCE)


@dg.multi_asset(
    name="reference",
    outs={name: dg.AssetOut(group_name="reference", kinds={"csv"}, **tables.describe(name)) for name in NAMES},
    check_specs=tables.specs(NAMES),
    required_resource_keys={"run"},
)
def shipped(context: dg.AssetExecutionContext) -> tables.Events:
    """Read the tables beside seed_data's code."""
    run: runs.Run = context.resources.run
    for name in NAMES:
        yield from tables.events(name, runs.reference_table(name), run, output=name)


ASSETS = [shipped]
