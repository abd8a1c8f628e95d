"""Transfer efficiency and what follows from it as assets: records in, every table of model and decisions out."""

from collections.abc import Iterator

import dagster as dg

from pipelines.defs import tables
from pipelines.run import Run
from pipelines.transfer import decisions
from pipelines.transfer.estimate import READS, estimate
from pipelines.transfer.iterate import Joint

NAMES = [
    "transfer_by_pair",
    "transfer_by_gun",
    "transfer_by_technician",
    "transfer_by_role",
    "gun_effects",
    "technician_effects",
    "operation_te",
    "operation_events",
    "screened_records",
    "record_budgets",
    "transfer_model",
]


@dg.multi_asset(
    specs=[tables.spec(name, "transfer", "scipy", deps=READS) for name in NAMES],
    check_specs=tables.check_specs(NAMES),
    required_resource_keys={"run"},
)
def transfer(context: dg.AssetExecutionContext) -> Iterator[dg.MaterializeResult]:
    """Estimate transfer efficiency per gun and technician from the closed records."""
    run: Run = context.resources.run
    tables.have(run, READS)
    run.teller.progress("transfer: estimating", 0, 1)
    with run.timed("transfer"):
        fits: list[Joint] = []
        found = estimate(
            **{name: run.tables.whole(name, columns) for name, columns in READS.items()},
            settings=run.settings,
            hand_over=fits.append,
        )
        run.transfer_model = fits[0] if fits else None
    usable = int(run.tables.whole("records", ["usable"])["usable"].sum())
    cells = found["transfer_by_pair"]
    run.tell(
        "transfer", f"{usable:,} usable records, {cells['estimate'].count():,} of {cells.height:,} pairs estimated"
    )
    for name in NAMES:
        yield tables.put(run, name, found[name])


@dg.multi_asset(
    specs=[tables.spec(name, "decisions", "scipy", deps=decisions.NEEDS) for name in decisions.GIVES],
    check_specs=tables.check_specs(decisions.GIVES),
    required_resource_keys={"run"},
)
def decide(context: dg.AssetExecutionContext) -> Iterator[dg.MaterializeResult]:
    """What somebody can do about it: film, technique, guns, how much to mix, what would save most."""
    run: Run = context.resources.run
    tables.have(run, decisions.NEEDS)
    run.teller.progress("decisions", 0, 1)
    with run.timed("decisions"):
        found = decisions.decide(run.tables, run.settings, run.transfer_model)
    run.tell(
        "decisions",
        f"{found['practice_cards'].height:,} practice cards, {found['mix_guide'].height:,} lines of the mix guide",
    )
    for name in decisions.GIVES:
        yield tables.put(run, name, found[name])


MADE = [*NAMES, *decisions.GIVES]
ASSETS = [transfer, decide]
