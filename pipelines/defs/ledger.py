"""The ledger as assets: one per statement, its lineage read from the SQL itself."""

import inspect
import itertools
from collections.abc import Callable, Mapping

import dagster as dg
import polars as pl

from pipelines.defs import tables
from pipelines.ledger import runner
from pipelines.run import Run


def _says(name: str) -> str:
    """What a step says of itself: the comment above its SQL, or its docstring."""
    if name in runner.PYTHON_STEPS:
        return inspect.getdoc(runner.PYTHON_STEPS[name]) or ""
    lines = itertools.takewhile(lambda line: line.startswith("--"), runner.statements()[name].splitlines())
    return "\n".join(line.removeprefix("--").strip() for line in lines)


def _asset(name: str) -> dg.AssetsDefinition:
    @dg.multi_asset(
        name=name,
        specs=[tables.spec(name, "ledger", "duckdb", deps=runner.upstream(name), otherwise=_says(name))],
        check_specs=tables.check_specs([name]),
        required_resource_keys={"run"},
    )
    def statement(context: dg.AssetExecutionContext) -> dg.MaterializeResult:
        run: Run = context.resources.run
        given = tables.get(run, runner.upstream(name))
        stage, members = ("film", BEFORE_TRANSFER) if name in BEFORE_TRANSFER else ("ledger", AFTER_TRANSFER)
        left = members - {name, *run.tables}
        run.teller.progress(f"{stage}: {name}", len(members) - len(left), len(members))
        with run.timed(stage):
            frame = runner.run_statement(name, given, run.settings.flat())
        run.tables[name] = frame
        if not left:
            run.tell(stage, FINDINGS[stage](run.tables))
        return tables.put(run, name, frame)

    return statement


def _behind(names: set[str]) -> set[str]:
    """These steps and every step they rest on."""
    found: set[str] = set()
    todo = names & set(NAMES)
    while todo:
        found |= todo
        todo = {table for name in todo for table in runner.upstream(name)} & set(NAMES) - found
    return found


def _film(tables: Mapping[str, pl.DataFrame]) -> str:
    records = tables["records"]
    return (
        f"{tables['mixes'].height:,} cups, {tables['film_increments'].height:,} film increments,"
        f" {records.height:,} records, {records['usable'].sum():,} of them usable"
    )


def _ledger(tables: Mapping[str, pl.DataFrame]) -> str:
    return f"{tables['material_ledger'].height:,} lines, {len(AFTER_TRANSFER)} tables"


FINDINGS: dict[str, Callable[[Mapping[str, pl.DataFrame]], str]] = {"film": _film, "ledger": _ledger}
NAMES = runner.order()
BEFORE_TRANSFER = _behind({"records", "record_layers", "mixes", "film_increments"})
AFTER_TRANSFER = set(NAMES) - BEFORE_TRANSFER
ASSETS = [_asset(name) for name in NAMES]
