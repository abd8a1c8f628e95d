"""The ledger as assets: one per statement, its lineage read from the SQL itself."""

import inspect
import itertools

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
    upstream = sorted(runner.upstream(name))

    @dg.asset(
        name=name,
        ins={table: dg.AssetIn(key=table) for table in upstream},
        group_name="ledger",
        kinds={"duckdb"},
        check_specs=tables.specs([name]),
        required_resource_keys={"run"},
        **tables.describe(name, _says(name)),
    )
    def statement(context: dg.AssetExecutionContext, **given: pl.DataFrame) -> tables.Events:
        run: Run = context.resources.run
        with run.timed("ledger"):
            frame = runner.run_statement(name, given, run.settings.flat())
        if not set(NAMES) - {name, *run.tables}:
            run.tell("ledger", f"{len(NAMES)} tables")
        yield from tables.events(name, frame, run)

    return statement


NAMES = runner.order()
ASSETS = [_asset(name) for name in NAMES]
