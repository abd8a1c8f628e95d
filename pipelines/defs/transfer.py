"""Transfer efficiency as assets: records in, every table of the model out."""

import dagster as dg
import polars as pl

from pipelines.defs import tables
from pipelines.run import Run
from pipelines.transfer.estimate import estimate

NAMES = [
    "transfer_by_pair",
    "transfer_by_gun",
    "transfer_by_technician",
    "transfer_by_role",
    "gun_effects",
    "technician_effects",
    "operation_te",
    "screened_records",
]


@dg.multi_asset(
    outs={name: dg.AssetOut(group_name="transfer", kinds={"scipy"}, **tables.describe(name)) for name in NAMES},
    ins={"records": dg.AssetIn(key="records"), "record_layers": dg.AssetIn(key="record_layers")},
    check_specs=tables.specs(NAMES),
    required_resource_keys={"run"},
)
def transfer(context: dg.AssetExecutionContext, records: pl.DataFrame, record_layers: pl.DataFrame) -> tables.Events:
    """Estimate transfer efficiency per gun and technician from the closed records."""
    run: Run = context.resources.run
    with run.timed("transfer"):
        found = estimate(records, record_layers, run.settings.flat())
    usable = int(records["usable"].sum())
    cells = found["transfer_by_pair"]
    run.tell(
        "transfer", f"{usable:,} usable records, {cells['estimate'].count():,} of {cells.height:,} pairs estimated"
    )
    for name in NAMES:
        yield from tables.events(name, found[name], run, output=name)


ASSETS = [transfer]
