"""How a table travels through the graph: its column schema, row count and checks, and the store between assets.

Not here: what any table holds or how it comes about.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

import dagster as dg
import polars as pl

from pipelines import workspace
from pipelines.defs import checks
from pipelines.engine import Cores
from pipelines.run import Run
from schemas import door, published

PUBLISHED = frozenset(published.PUBLISHED)


def have(run: Run, names: Iterable[str]) -> None:
    """See to it that these tables stand in the run's shelf: as this run made them, else, where published, as the last
    finished run left them.

    Raises WorkspaceError where an asset is run by itself and what stands upstream of it is nowhere.
    """
    for name in names:
        if name not in run.tables:
            found = workspace.read_table(run.space, name)
            if found is None:
                raise workspace.WorkspaceError(f"Table {name} is not there. Run the whole graph.")
            run.tables.put(name, found)


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
    run.tables.put(name, frame)
    return stands(run, name)


def stands(run: Run, name: str) -> dg.MaterializeResult:
    """A table stands in the shelf: if published it goes among the results; tell rows and checks."""
    if name in PUBLISHED:
        run.results.add(name)
    told = {"dagster/row_count": run.tables.rows(name)}
    return dg.MaterializeResult(asset_key=name, metadata=told, check_results=list(_outcomes(run, name)))


def passed(name: str, rows: int) -> dg.MaterializeResult:
    """Tell of a table that lived inside its pass only: nobody reads it later, so none but its rows are left to tell."""
    return dg.MaterializeResult(asset_key=name, metadata={"dagster/row_count": rows})


def _outcomes(run: Run, name: str) -> Iterator[dg.AssetCheckResult]:
    """What a table's checks say of it, looked at span by span of shops where it is large."""
    standing = checks.of(name)
    reads = dict.fromkeys([name, *(other for check in standing for other in check.beside)])
    have(run, reads)

    def looked(at: int | None) -> list[checks.Outcome]:
        given = {one: run.tables[one] for one in reads} if at is None else run.tables.of_span(at, reads)
        return [check.test(given[name], run.settings, given) for check in standing]

    pieces: Sequence[int | None] = range(len(run.tables.spans)) if run.tables.is_apart(name) else [None]
    found = list(Cores(run.settings.engine.workers).each(looked, pieces))
    for no, check in enumerate(standing):
        passed, told = checks.together([outcomes[no] for outcomes in found])
        yield dg.AssetCheckResult(
            asset_key=name, check_name=check.name, passed=passed, severity=check.severity, metadata=told
        )


def check_specs(names: Iterable[str]) -> list[dg.AssetCheckSpec]:
    """The checks that stand on these tables, for the asset that makes them."""
    return [
        dg.AssetCheckSpec(check.name, asset=name, description=check.description, blocking=check.blocking)
        for name in names
        for check in checks.of(name)
    ]
