"""How a table travels through the graph: its column schema, row count and checks, and the store between assets.

Not here: what any table holds or how it comes about.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any

import dagster as dg
import polars as pl

from pipelines import workspace
from pipelines.defs import checks
from pipelines.run import Run
from schemas import door, published

PUBLISHED = frozenset(published.PUBLISHED)


def get(run: Run, names: Iterable[str]) -> dict[str, pl.DataFrame]:
    """Tables by name: as this run made them, else, where published, as the last finished run left them.

    Raises WorkspaceError where an asset is run by itself and what stands upstream of it is nowhere.
    """
    for name in names:
        if name not in run.tables:
            found = workspace.read_table(run.space, name)
            if found is None:
                raise workspace.WorkspaceError(f"Table {name} is not there. Run the whole graph.")
            run.tables[name] = found
    return {name: run.tables[name] for name in names}


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


def spec(name: str, group: str, kind: str, deps: Iterable[str] = (), otherwise: str = "") -> dg.AssetSpec:
    """What is known of a table before it is made. `otherwise` describes one without a schema."""
    metadata = {"dagster/column_schema": column_schema(name)} if known(name) else {}
    return dg.AssetSpec(
        name,
        deps=sorted(deps),
        description=door.schema(name).description if known(name) else otherwise,
        metadata=metadata,
        group_name=group,
        kinds={kind},
    )


def put(run: Run, name: str, frame: pl.DataFrame) -> dg.MaterializeResult:
    """Take in one finished table, for the assets that read it and if published on disk; tell rows and checks."""
    run.tables[name] = frame
    if name in PUBLISHED:
        workspace.write_table(run.space, name, frame)
    told: dict[str, Any] = {"dagster/row_count": frame.height}
    if not known(name):
        told["dagster/column_schema"] = dg.TableSchema(
            columns=[dg.TableColumn(column, str(dtype)) for column, dtype in frame.schema.items()]
        )
    return dg.MaterializeResult(asset_key=name, metadata=told, check_results=list(_outcomes(run, name, frame)))


def passed(name: str, rows: int) -> dg.MaterializeResult:
    """Tell of a table that lived inside its pass only: nobody reads it later, so none but its rows are left to tell."""
    return dg.MaterializeResult(asset_key=name, metadata={"dagster/row_count": rows})


def _outcomes(run: Run, name: str, frame: pl.DataFrame) -> Iterator[dg.AssetCheckResult]:
    for check in checks.of(name):
        passed, found = check.test(frame, run.settings, get(run, check.beside))
        yield dg.AssetCheckResult(
            asset_key=name, check_name=check.name, passed=passed, severity=check.severity, metadata=found
        )


def check_specs(names: Iterable[str]) -> list[dg.AssetCheckSpec]:
    """The checks that stand on these tables, for the asset that makes them."""
    return [
        dg.AssetCheckSpec(check.name, asset=name, description=check.description, blocking=check.blocking)
        for name in names
        for check in checks.of(name)
    ]
