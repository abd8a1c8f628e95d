"""Reference tables as assets: facts of law and nature that ship with the project, each row with its source."""

from collections.abc import Iterator

import dagster as dg

from pipelines import run as runs
from pipelines.defs import tables
from schemas import reference

NAMES = [name for name in reference.REFERENCE if name not in reference.LOCAL]  # the rest passes through intake


@dg.multi_asset(
    name="reference",
    specs=[tables.spec(name, "reference", "csv") for name in NAMES],
    check_specs=tables.check_specs(NAMES),
    required_resource_keys={"run"},
)
def shipped(context: dg.AssetExecutionContext) -> Iterator[dg.MaterializeResult]:
    """Read the tables beside seed_data's code."""
    run: runs.Run = context.resources.run
    for name in NAMES:
        yield tables.put(run, name, runs.reference_table(name))


ASSETS = [shipped]
