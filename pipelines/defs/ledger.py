"""The ledger as assets: every step a table of its own, its lineage read from the SQL itself, run pass by pass."""

from collections.abc import Callable, Iterator, Mapping

import dagster as dg
import polars as pl

from pipelines import run as runs
from pipelines.defs import tables
from pipelines.ledger import runner, shops
from pipelines.transfer import decisions


def _assets(phase: shops.Phase, name: str) -> dg.AssetsDefinition:
    stage = "ledger" if phase in BEHIND_MODEL else "film"

    @dg.multi_asset(
        name=name,
        specs=[
            tables.spec(step, "ledger", "duckdb", deps=runner.upstream(step), otherwise=runner.comment(step))
            for step in phase.steps
        ],
        check_specs=tables.check_specs(phase.steps),
        required_resource_keys={"run"},
    )
    def one_pass(context: dg.AssetExecutionContext) -> Iterator[dg.MaterializeResult]:
        run: runs.Run = context.resources.run
        tables.get(run, shops.needs(phase.steps))
        with run.timed(stage):
            kept, counts = runs.ledger_pass(run, phase, WANTED)
        for step in phase.steps:
            yield tables.put(run, step, kept[step]) if step in kept else tables.passed(step, counts[step])
        if phase in (FILM_ENDS, PHASES[-1]):
            run.tell(stage, FINDINGS[stage](run.tables))

    return one_pass


def _film(tables: Mapping[str, pl.DataFrame]) -> str:
    records = tables["records"]
    return (
        f"{tables['mixes'].height:,} cups, {tables['film_increments'].height:,} film increments,"
        f" {records.height:,} records, {records['usable'].sum():,} of them usable"
    )


def _ledger(tables: Mapping[str, pl.DataFrame]) -> str:
    return f"{tables['material_ledger'].height:,} lines, {sum(len(phase.steps) for phase in BEHIND_MODEL)} tables"


FINDINGS: dict[str, Callable[[Mapping[str, pl.DataFrame]], str]] = {"film": _film, "ledger": _ledger}
NAMES = runner.order()
PHASES = shops.phases()
FILM_ENDS = next(phase for phase in PHASES if "records" in phase.steps)
BEHIND_MODEL = PHASES[PHASES.index(FILM_ENDS) + 1 :]
# What others read once a pass is over. All other tables live as long as their pass.
WANTED = (
    tables.PUBLISHED
    | set(decisions.NEEDS)
    | shops.MODEL_READS
    | {name for phase in PHASES for name in shops.needs(phase.steps)}
)
ASSETS = [
    _assets(phase, phase.steps[0] if len(phase.steps) == 1 else f"pass_{no}") for no, phase in enumerate(PHASES, 1)
]
