"""The ledger's SQL stays inside the subset that other engines share, so that the same files can run on a cluster later."""

from __future__ import annotations

import pytest
import sqlglot
from sqlglot import exp

from pipelines.ledger import runner

# Engine-specific or order-dependent constructs, with what to write instead.
FORBIDDEN: dict[str, str] = {
    "ASOF": "join on from_on and until_on",
    "PERCENTILE_CONT": "percentile by row_number",
    "MEDIAN": "percentile by row_number",
    "FIRST": "min, max or row_number",
    "ANY_VALUE": "min, max or row_number",
    "LAST": "min, max or row_number",
    "EXCLUDE": "name the columns",
}


def constructs(sql: str) -> list[str]:
    """What a statement uses from outside the subset, in words."""
    found = []
    tree = sqlglot.parse_one(sql, dialect="duckdb")
    if "order_by" not in tree.args and not tree.args.get("order"):
        found.append("no ORDER BY at its end")
    for join in tree.find_all(exp.Join):
        if (join.method or "").upper() == "ASOF" or join.kind.upper() == "ASOF":
            found.append(f"ASOF JOIN: {FORBIDDEN['ASOF']}")
    for node in tree.find_all(exp.Func):
        name = (node.name if isinstance(node, exp.Anonymous) else node.sql_name()).upper()
        if name in FORBIDDEN:
            found.append(f"{name}: {FORBIDDEN[name]}")
    for node in tree.find_all(exp.AggFunc, exp.ArrayAgg):
        if isinstance(node, exp.ArrayAgg) and node.find(exp.Order):
            found.append("list(... ORDER BY ...): list_sort(list(...))")
    for window in tree.find_all(exp.Window):
        ranked = isinstance(window.this, exp.RowNumber | exp.Lag | exp.Lead)
        if ranked and not window.args.get("order") and not window.args.get("alias"):
            found.append(f"{window.this.sql_name()} without ORDER BY: ties would be broken by chance")
    return found


@pytest.mark.parametrize("name", sorted(runner.statements()))
def test_statement_uses_only_the_portable_subset(name: str) -> None:
    assert constructs(runner.statements()[name]) == []


@pytest.mark.parametrize("name", sorted(runner.statements()))
def test_statement_can_be_said_in_spark_sql(name: str) -> None:
    said = sqlglot.transpile(
        runner.statements()[name], read="duckdb", write="spark", unsupported_level=sqlglot.ErrorLevel.RAISE
    )
    assert len(said) == 1


@pytest.mark.parametrize(
    ("sql", "named"),
    [
        ("SELECT list(a ORDER BY b) AS x FROM t ORDER BY x", "list(... ORDER BY ...)"),
        ("SELECT quantile_cont(a, 0.5) AS x FROM t ORDER BY x", "PERCENTILE_CONT"),
        ("SELECT a.x FROM a ASOF JOIN b ON a.t >= b.t ORDER BY x", "ASOF"),
        ("SELECT any_value(x) AS x FROM a ORDER BY x", "ANY"),
        ("SELECT x FROM a", "ORDER BY at its end"),
        ("SELECT row_number() OVER (PARTITION BY a) AS x FROM t ORDER BY x", "without ORDER BY"),
    ],
)
def test_lint_names_what_leaves_the_subset(sql: str, named: str) -> None:
    assert any(named in found for found in constructs(sql)), constructs(sql)


def test_every_step_has_a_declared_table_and_says_what_it_does() -> None:
    from schemas import validate

    for name in runner.steps():
        assert validate.columns(name)
        assert len(runner.comment(name)) > 40


def twice(sql: str) -> list[str]:
    """Columns that a select gives twice: beside `*` a column of one of its names, which DuckDB would rename without a word."""
    from sqlglot.optimizer.qualify import qualify

    from pipelines import steps
    from schemas import validate

    known: dict[str, object] = {
        table: {info.name: "text" for info in validate.columns(table)}
        | ({"file": "text", "line": "text"} if table in steps.INTAKE else {})
        for table in steps.BY_TABLE
    }
    tree = sqlglot.parse_one(sql, dialect="duckdb")
    whole = qualify(tree, dialect="duckdb", schema=known, validate_qualify_columns=False)
    given = [select.named_selects for select in whole.find_all(exp.Select)]
    return sorted({name for names in given for name in names if names.count(name) > 1})


def test_no_select_gives_two_columns_of_one_name() -> None:
    assert {name: found for name, sql in runner.statements().items() if (found := twice(sql))} == {}
    assert twice("SELECT *, shop_id || 'x' AS shop_id FROM jobs ORDER BY job_id") == ["shop_id"]
