"""How a table travels through the graph: its column schema, row count and checks, and the store between assets.

Not here: what any table holds or how it comes about.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import dagster as dg
import polars as pl

from pipelines import workspace
from pipelines.defs import checks
from pipelines.run import Run
from schemas import door, published

PUBLISHED = frozenset(published.PUBLISHED)


class Store(dg.IOManager):
    """Keeps each table of a run in memory for the next asset and as parquet in the set being built.

    An asset run by itself finds what stands upstream of it as the last finished run left it.
    """

    def handle_output(self, context: dg.OutputContext, obj: pl.DataFrame) -> None:
        run: Run = context.resources.run
        name = context.asset_key.path[-1]
        run.tables[name] = obj
        workspace.write_table(run.space, name, obj, published=name in PUBLISHED)

    def load_input(self, context: dg.InputContext) -> pl.DataFrame:
        run: Run = context.resources.run
        name = context.asset_key.path[-1]
        if name not in run.tables:
            found = workspace.read_table(run.space, name)
            if found is None:
                raise workspace.WorkspaceError(f"Table {name} is not there yet. Run it, or the whole graph, first.")
            run.tables[name] = found
        return run.tables[name]


@dg.io_manager(required_resource_keys={"run"})
def store(_: dg.InitResourceContext) -> Store:
    return Store()


def known(name: str) -> bool:
    """Whether schemas/ says how the table looks; steps inside the ledger that nobody else reads have no schema."""
    try:
        door.schema(name)
    except KeyError:
        return False
    return True


def column_schema(name: str) -> dg.TableSchema:
    """A table's columns as Dagster shows them: type, meaning with unit, and what is promised of each."""
    return dg.TableSchema(
        columns=[
            dg.TableColumn(
                info.name,
                info.kind,
                description=f"{info.description} [{info.unit}]" if info.unit else info.description,
                constraints=dg.TableColumnConstraints(
                    nullable=info.nullable,
                    other=(["key"] if info.key else [])
                    + ([f"one of: {', '.join(info.values)}"] if info.values else []),
                ),
            )
            for info in door.columns(name)
        ]
    )


def describe(name: str, otherwise: str = "") -> dict[str, Any]:
    """What is known of a table before it is made, as asset arguments. `otherwise` describes one without a schema."""
    if not known(name):
        return {"description": otherwise}
    return {"description": door.schema(name).description, "metadata": {"dagster/column_schema": column_schema(name)}}


Events = Iterator[dg.Output[pl.DataFrame] | dg.AssetCheckResult]


def events(name: str, frame: pl.DataFrame, run: Run, output: str = "result") -> Events:
    """One finished table with its row count, then the outcome of each of its checks."""
    told: dict[str, Any] = {"dagster/row_count": frame.height}
    if not known(name):
        told["dagster/column_schema"] = dg.TableSchema(
            columns=[dg.TableColumn(column, str(dtype)) for column, dtype in frame.schema.items()]
        )
    yield dg.Output(frame, output_name=output, metadata=told)
    for check in checks.of(name):
        passed, found = check.test(frame, run.settings)
        yield dg.AssetCheckResult(
            asset_key=name, check_name=check.name, passed=passed, severity=check.severity, metadata=found
        )


def specs(names: list[str]) -> list[dg.AssetCheckSpec]:
    """The checks that stand on these tables, for the asset that makes them."""
    return [
        dg.AssetCheckSpec(check.name, asset=name, description=check.description, blocking=check.blocking)
        for name in names
        for check in checks.of(name)
    ]
