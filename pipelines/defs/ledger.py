"""The ledger as assets: every step a table of its own, its lineage read from the SQL itself, run pass by pass."""

from collections.abc import Callable, Iterator

import dagster as dg

from pipelines import run as runs
from pipelines.defs import tables
from pipelines.ledger import runner, shops
from pipelines.shelf import Shelf
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
        tables.have(run, shops.needs(phase.steps))
        with run.timed(stage):
            counts = runs.ledger_pass(run, phase, WANTED)
        for step in phase.steps:
            yield tables.stands(run, step) if step in WANTED else tables.passed(step, counts[step])
        if phase in (FILM_ENDS, PHASES[-1]):
            run.tell(stage, FINDINGS[stage](run.tables))

    return one_pass


def _film(shelf: Shelf) -> str:
    usable = shelf.whole("records", ["usable"])["usable"].sum()
    return (
        f"{shelf.rows('mixes'):,} cups, {shelf.rows('film_increments'):,} film increments,"
        f" {shelf.rows('records'):,} records, {usable:,} of them usable"
    )


def _ledger(shelf: Shelf) -> str:
    return f"{shelf.rows('material_ledger'):,} lines, {sum(len(phase.steps) for phase in BEHIND_MODEL)} tables"


FINDINGS: dict[str, Callable[[Shelf], str]] = {"film": _film, "ledger": _ledger}
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
