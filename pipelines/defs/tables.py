"""Every table of a run as a Dagster asset, made from the list of steps: one multi-asset for each group, any of whose tables can
be materialised alone once what it reads stands in the workbench.

Not here: what a table holds, what makes it, or when it has to be made again (steps).
"""

from collections.abc import Iterator
from typing import Any

import dagster as dg

from pipelines import checks, steps
from pipelines.defs import lineage
from pipelines.run import Run
from pipelines.steps import Step
from schemas import validate

#: group of steps -> whom Dagster's pages name as answerable for its tables
OWNERS = {
    "reference": ["team:method"],
    "intake": ["team:office"],
    "film": ["team:paint-shop"],
    "transfer": ["team:method"],
    "ledger": ["team:office"],
    "decisions": ["team:trainers"],
}


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
            for info in validate.columns(name)
        ]
    )


def _spec(step: Step, name: str) -> dg.AssetSpec:
    """What is known of a table before it is made."""
    return dg.AssetSpec(
        name,
        deps=sorted({*step.upstream, *step.sources, *(["settings"] if step.asks else [])}),
        description="\n\n".join(filter(None, [validate.schema(name).description, step.description])),
        metadata={"dagster/column_schema": column_schema(name)},
        group_name=step.group,
        owners=OWNERS[step.group],
        kinds={"duckdb" if isinstance(step.make, str) else "python"},
    )


def _check_spec(name: str, check: checks.Check) -> dg.AssetCheckSpec:
    return dg.AssetCheckSpec(check.name, asset=name, description=check.description, blocking=check.blocking)


def _severity(check: checks.Check) -> dg.AssetCheckSeverity:
    return dg.AssetCheckSeverity.ERROR if check.blocking else dg.AssetCheckSeverity.WARN


def _group(group: str) -> dg.AssetsDefinition:
    own = [step for step in steps.STEPS if step.group == group]

    @dg.multi_asset(
        name=group,
        specs=[_spec(step, name) for step in own for name in step.makes],
        check_specs=[_check_spec(name, check) for step in own for name in step.makes for check in checks.of(name)],
        can_subset=True,
        required_resource_keys={"run"},
    )
    def tables(context: dg.AssetExecutionContext) -> Iterator[dg.MaterializeResult[None] | dg.AssetCheckResult]:
        run: Run = context.resources.run
        chosen = {key.path[-1] for key in context.selected_asset_keys}
        asked = {(key.asset_key.path[-1], key.name) for key in context.selected_asset_check_keys}
        kept = not context.instance.is_ephemeral  # then somebody may look at it
        for step in own:
            if chosen.isdisjoint(step.makes):
                continue
            try:
                with run.timed(group):
                    made = steps.bring(step, run)
            except steps.CheckFailed as failed:
                yield dg.AssetCheckResult(
                    asset_key=failed.table, check_name=failed.check.name, passed=False, metadata=failed.told,
                    severity=_severity(failed.check),
                )  # fmt: skip
                raise
            for name in step.makes:
                if name in chosen:
                    yield _result(run, step, name, made, asked, kept)
        steps.tell(group, run)

    return tables


def _result(
    run: Run, step: Step, name: str, made: bool, asked: set[tuple[str, str]], kept: bool
) -> dg.MaterializeResult[None]:
    """What is told of a table that stands: rows, whether this run made it, its checks, and where its columns come from."""
    note = run.bench.notes()[name]
    metadata: dict[str, Any] = {
        "dagster/row_count": note.rows,
        "made": "now" if made else "before, of the same content",
    }
    if kept and isinstance(step.make, str):
        metadata["dagster/column_lineage"] = lineage.of(name)
    return dg.MaterializeResult(
        asset_key=name,
        metadata=metadata,
        data_version=dg.DataVersion(note.content),
        check_results=[
            dg.AssetCheckResult(
                asset_key=name, check_name=check.name, passed=note.checks[check.name][0], severity=_severity(check),
                metadata=note.checks[check.name][1],
            )
            for check in checks.of(name) if (name, check.name) in asked
        ],
    )  # fmt: skip


ASSETS = [_group(group) for group in steps.GROUPS]
