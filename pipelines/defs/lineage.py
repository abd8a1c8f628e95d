"""Which columns of which tables each column of an SQL step comes from, as Dagster shows it; sqlglot follows them."""

from __future__ import annotations

from functools import cache
from typing import Any

import dagster as dg

from pipelines import steps
from schemas import validate


@cache
def of(name: str) -> dg.TableColumnLineage:
    """The lineage of a table that one statement makes."""
    return dg.TableColumnLineage(
        {
            column: [dg.TableColumnDep(dg.AssetKey(table), of_table) for table, of_table in sorted(found)]
            for column, found in columns(name).items()
            if found
        }
    )


def columns(name: str) -> dict[str, set[tuple[str, str]]]:
    """Column -> the (table, column) that it is made from."""
    from sqlglot import exp, parse_one
    from sqlglot.optimizer.qualify import qualify
    from sqlglot.optimizer.scope import build_scope

    step = steps.BY_TABLE[name]
    assert isinstance(step.make, str)
    known: dict[str, object] = {table: dict.fromkeys(validate.held(table), "text") for table in step.reads}
    tree = qualify(
        parse_one(step.make, dialect="duckdb"), dialect="duckdb", schema=known, validate_qualify_columns=False,
        quote_identifiers=False, identify=False,
    )  # fmt: skip
    root = build_scope(tree)
    found: dict[tuple[int, str], set[tuple[str, str]]] = {}

    def follow(scope: Any, column: str) -> set[tuple[str, str]]:
        at = (id(scope), column)
        if at in found:
            return found[at]
        found[at] = set()
        if isinstance(scope.expression, exp.SetOperation):
            place = scope.expression.named_selects.index(column) if column in scope.expression.named_selects else None
            for one in scope.set_operation_scopes:
                if place is not None:
                    found[at] |= follow(one, one.expression.named_selects[place])
            return found[at]
        for selected in scope.expression.selects:
            if selected.alias_or_name == column:
                for each in selected.find_all(exp.Column):
                    source = scope.sources.get(each.table)
                    if isinstance(source, exp.Table):
                        found[at].add((source.name, each.name))
                    elif source is not None:
                        found[at] |= follow(source, each.name)
        return found[at]

    return {info.name: follow(root, info.name) for info in validate.columns(name)}
