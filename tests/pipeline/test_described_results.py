"""Results that explain themselves: keys, comments and views in the database file, what parquet files say, the Data Package.

The package is validated by frictionless (https://framework.frictionlessdata.io), which knows the standard and nothing of us.
"""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import sys
from pathlib import Path

import duckdb
import frictionless
import polars as pl
import pyarrow.parquet as pq
import pytest

from pipelines.workspace import Workspace
from reports import statements
from schemas import described, published, registers, relations, validate

HOME = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="module")
def out(finished: Workspace) -> Path:
    """What a run over two small invented shops leaves."""
    return finished.out.resolve()


@pytest.fixture(scope="module")
def base(out: Path) -> duckdb.DuckDBPyConnection:
    return duckdb.connect(str(out / "filmledger.duckdb"), read_only=True)


def test_every_table_and_register_is_there_and_every_column_of_them_and_of_views_says_what_it_means(
    base: duckdb.DuckDBPyConnection,
) -> None:
    tables = dict(base.execute("SELECT table_name, comment FROM duckdb_tables()").fetchall())
    assert {*published.PUBLISHED, *registers.REGISTERS, "packs"} <= tables.keys()
    views = dict(base.execute("SELECT view_name, comment FROM duckdb_views() WHERE NOT internal").fetchall())
    assert views.keys() == {one.name for one in statements.views()}
    assert all({**tables, **views}.values())
    silent = "SELECT table_name, column_name FROM duckdb_columns() WHERE NOT internal AND coalesce(comment, '') = ''"
    assert base.execute(silent).fetchall() == []
    asked = "SELECT comment FROM duckdb_columns() WHERE table_name = 'mixes' AND column_name = 'poured_g'"
    assert "[g]" in base.execute(asked).fetchall()[0][0]


def test_keys_are_those_of_the_schemas_and_references_lead_where_they_say(base: duckdb.DuckDBPyConnection) -> None:
    kept = base.execute(
        "SELECT table_name, constraint_type, constraint_column_names, referenced_table FROM duckdb_constraints()"
    ).fetchall()
    primary = {table: set(columns) for table, kind, columns, _ in kept if kind == "PRIMARY KEY"}
    for table in (*published.PUBLISHED, *registers.REGISTERS):
        assert primary.get(table, set()) == set(relations.key(table)), table
    foreign = {(table, tuple(columns), to) for table, kind, columns, to in kept if kind == "FOREIGN KEY"}
    assert ("job_costs", ("shop_id",), "shops") in foreign
    assert ("voc_content", ("shop_id", "mix_id"), "mixes") in foreign
    assert ("transfer_by_technician", ("technician_id",), "technicians") in foreign


def test_the_file_holds_the_rows_of_the_single_files(base: duckdb.DuckDBPyConnection, out: Path) -> None:
    for name in published.PUBLISHED:
        lone = pl.read_parquet(out / "tables" / f"{name}.parquet")
        assert base.execute(f'SELECT count(*) FROM "{name}"').fetchall()[0][0] == lone.height, name
    sums = base.execute("SELECT sum(poured_solids_g), sum(useful_solids_g) FROM material_ledger").fetchall()[0]
    lone = pl.read_parquet(out / "tables" / "material_ledger.parquet")
    assert sums == pytest.approx((lone["poured_solids_g"].sum(), lone["useful_solids_g"].sum()), rel=1e-9)
    assert (
        base.execute("SELECT count(*) FROM v_guns").fetchall()
        == base.execute("SELECT count(*) FROM transfer_by_gun").fetchall()
    )
    one_each = base.execute("SELECT count(*), count(DISTINCT (shop_id, mix_id)) FROM v_cups").fetchall()[0]
    assert one_each[0] == one_each[1] == base.execute("SELECT count(*) FROM mixes").fetchall()[0][0]


def test_the_questions_are_answered_and_the_first_one_right(base: duckdb.DuckDBPyConnection, out: Path) -> None:
    assert len(statements.queries()) >= 5
    for one in statements.queries():
        found = base.execute(one.sql)
        columns = [column[0] for column in found.description]
        rows = found.fetchall()
        assert one.says.endswith("?") and "ORDER BY" in one.sql
        assert rows or one.name in ("closest_limits", "refused_by_reason"), one.name
        assert len(set(columns)) == len(columns)
    (went,) = [one for one in statements.queries() if one.name == "where_the_paint_went"]
    rows = base.execute(went.sql).fetchall()
    lone = pl.read_parquet(out / "tables" / "material_ledger.parquet").filter(pl.col("poured_solids_g") > 0)
    shops = lone.group_by("shop_id").agg(pl.col("useful_solids_g", "poured_solids_g").sum())
    expected = sorted(round(100 * row[1] / row[2], 1) for row in shops.iter_rows())
    assert sorted(row[2] for row in rows) == pytest.approx(expected, abs=0.051)
    for row in rows:
        assert sum(row[2:]) == pytest.approx(100, abs=0.4)  # six shares of one decimal each


def test_the_readme_names_every_question(out: Path) -> None:
    text = (HOME / "README.md").read_text(encoding="utf-8")
    for one in statements.queries():
        assert f"reports/queries/{one.name}.sql" in text


def test_the_command_of_the_readme_answers_every_question_of_its_table(out: Path) -> None:
    """As a reader of README.md would do it: its command as it stands there, with the files of its table."""
    text = (HOME / "README.md").read_text(encoding="utf-8")
    (command,) = re.findall(r"^    (\.venv/bin/python -c .* reports/queries/\w+\.sql)$", text, re.MULTILINE)
    asked = re.findall(r"^\| (.*\?) \| \[(reports/queries/\w+\.sql)\]", text, re.MULTILINE)
    assert len(asked) >= 5
    for question, file in asked:
        says = (HOME / file).read_text(encoding="utf-8").splitlines()[0]
        assert says.startswith(f"-- {question.split(',')[0].removesuffix('?')}"), file
        here = command.replace(".venv/bin/python", sys.executable).replace("demo_shop/out", str(out))
        done = subprocess.run(
            ["sh", "-c", re.sub(r"reports/queries/\w+\.sql", file, here)],
            cwd=HOME,
            text=True,
            capture_output=True,
            check=False,
        )
        assert done.returncode == 0 and "│" in done.stdout, (file, done.stderr)


def test_any_program_that_opens_the_file_can_ask_what_there_is(base: duckdb.DuckDBPyConnection) -> None:
    """What README.md names: DESCRIBE of every table and view, and every column's comment beside its type."""
    names = [row[0] for row in base.execute("SHOW TABLES").fetchall()]
    assert {*published.PUBLISHED, *registers.REGISTERS, *(one.name for one in statements.views())} <= set(names)
    asked = "SELECT table_name, column_name, comment FROM duckdb_columns() WHERE NOT internal"
    said = {(table, column): comment for table, column, comment in base.execute(asked).fetchall()}
    for name in names:
        described_as = base.execute(f'DESCRIBE "{name}"').fetchall()
        assert described_as and all(said[name, row[0]] for row in described_as), name
    keyed = {row[0] for row in base.execute("SELECT table_name FROM duckdb_constraints()").fetchall()}
    assert {name for name in (*published.PUBLISHED, *registers.REGISTERS) if relations.key(name)} <= keyed


def test_a_parquet_file_says_of_itself_what_the_schemas_say(out: Path) -> None:
    for name in published.PUBLISHED:
        schema = pq.read_schema(out / "tables" / f"{name}.parquet")
        told = json.loads(schema.metadata[b"filmledger"])
        assert (told["table"], told["key"]) == (name, validate.keys(name))
        for info in validate.columns(name):
            about = schema.field(info.name).metadata
            assert about[b"description"].decode() == info.description
            assert about.get(b"unit", b"").decode() == info.unit


def test_the_spreadsheets_are_a_data_package(out: Path, tmp_path: Path) -> None:
    package = json.loads((out / "datapackage.json").read_text(encoding="utf-8"))
    assert package["$schema"] == described.PROFILE and package["licenses"][0]["name"] == "CC0-1.0"
    assert {one["name"] for one in package["resources"]} == set(published.PUBLISHED)
    assert not list(frictionless.Package.metadata_validate(package))
    copy = tmp_path / "set"
    shutil.copytree(out / "csv", copy / "csv")
    (copy / "datapackage.json").write_bytes((out / "datapackage.json").read_bytes())
    found = frictionless.Package(str(copy / "datapackage.json")).validate()
    assert found.valid, [(task.name, error.message) for task in found.tasks for error in task.errors][:5]
    # the check can fail: a key that stands twice
    mixes = copy / "csv" / "mixes.csv"
    text = mixes.read_text(encoding="utf-8-sig").splitlines(keepends=True)
    mixes.write_text("".join([*text, text[-1]]), encoding="utf-8-sig")
    broken = frictionless.Package(str(copy / "datapackage.json")).validate()
    assert {(task.name, error.type) for task in broken.tasks for error in task.errors} == {("mixes", "primary-key")}


def test_names_of_people_stand_in_the_file_only_where_the_owner_shows_them(base: duckdb.DuckDBPyConnection) -> None:
    named, known = base.execute("SELECT count(label), count(*) FROM technicians").fetchall()[0]
    assert named == 0 < known


def test_only_views_and_no_addresses_of_ours_stand_in_the_statements() -> None:
    for one in (*statements.views(), *statements.queries()):
        assert not re.search(r"\b(CREATE|INSERT|DELETE|UPDATE|COPY|ATTACH|read_\w+)\b", one.sql, re.IGNORECASE), (
            one.name
        )
