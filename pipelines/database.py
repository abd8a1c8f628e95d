"""The one file that analysts open: every published table and every register with its keys and what each column means, and
ready joined views.

Here belongs how that file is filled from finished tables. What a table promises stands in schemas/, what a view says in
reports/views; when the file is written is for results.py to say.
"""

from __future__ import annotations

import glob
from collections.abc import Collection, Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from reports import statements
from schemas import described, relations, validate

if TYPE_CHECKING:
    import duckdb

#: rows of a table above which keys are told and not kept: their indexes take more room and time than the table
MOST_KEYED = 30_000
#: bytes; of the usual size, sixteen times this, most tables and keys of a shop fill a small part
BLOCK = 16_384
#: a finished table; what stands in the names of folders above it is no column
GIVEN = "read_parquet($path, hive_partitioning = FALSE)"
#: a person's name stands in the register alone
NAMES = ("technicians", "label")
#: what columns of views say that no table has
WORDS = {
    "shop": "The shop's name, its id where it has none",
    "product": "The product's name, its id where it has none",
    "technician": "The technician's name where names are shown, else the id",
    "rules": "The shop's jurisdiction in words",
}


def write(target: Path, tables: Mapping[str, Path], named: bool) -> None:
    """Fill a new file. `tables`: by name, as parquet with at least the columns of their schemas. `named`: whether people's names
    may stand in it beside their ids. Raises duckdb.Error."""
    import duckdb

    with duckdb.connect(str(target), config={"memory_limit": "512MB", "default_block_size": BLOCK}) as connection:
        connection.begin()
        parents = [name for _, name in relations.BY_COLUMNS[::-1] if name in tables]
        paths = [given(path)["path"] for path in tables.values()]
        asked = "SELECT file_name, num_rows FROM parquet_file_metadata($paths)"
        rows = dict(connection.execute(asked, {"paths": paths}).fetchall())
        keyed: set[str] = set()
        for name in dict.fromkeys((*parents, *tables)):
            small = rows[str(tables[name])] <= MOST_KEYED
            _table(connection, name, tables[name], named, keyed if small else None)
            if small and relations.key(name):
                keyed.add(name)
        for one in statements.views():
            for statement in described.view(one.name, one.says, one.sql):
                connection.execute(statement)
            _explain(connection, one.name)
        connection.commit()


def given(path: Path) -> dict[str, str]:
    """What GIVEN asks for: exactly this file, whatever signs stand in the names of the folders above it."""
    return {"path": glob.escape(str(path))}


def _table(
    connection: duckdb.DuckDBPyConnection, name: str, path: Path, named: bool, keyed: Collection[str] | None
) -> None:
    """`keyed`: the tables whose keys are kept; None: no key of this one is."""
    held = [one for one in relations.references(name) if keyed and one.table in keyed]
    if held:
        lost = connection.execute(f"SELECT {', '.join(map(_lost, held))}", given(path)).fetchall()[0]
        held = [one for one, some in zip(held, lost, strict=True) if not some]
    connection.execute(described.create(name, held, keyed is not None))
    columns = [described.quoted(info.name) for info in validate.columns(name)]
    if name == NAMES[0] and not named:
        columns = [f"NULL AS {one}" if one == described.quoted(NAMES[1]) else one for one in columns]
    filled = f"INSERT INTO {described.quoted(name)} SELECT {', '.join(columns)} FROM {GIVEN}"
    connection.execute(filled, given(path))
    connection.execute("; ".join(described.comments(name)))


def _lost(one: relations.Reference) -> str:
    """Whether a row names one that there is not: a register may never have been filled."""
    columns = ", ".join(map(described.quoted, one.columns))
    whole = " AND ".join(f"{described.quoted(column)} IS NOT NULL" for column in one.columns)
    return f"EXISTS (FROM {GIVEN} ANTI JOIN {described.quoted(one.table)} USING ({columns}) WHERE {whole})"


def _explain(connection: duckdb.DuckDBPyConnection, view: str) -> None:
    """Say of a view's columns what the tables behind it say: the first one that has a column of that name."""
    sql = next(one.sql for one in statements.views() if one.name == view)
    asked = "SELECT table_name, column_name, comment FROM duckdb_columns() WHERE NOT internal AND comment IS NOT NULL"
    said: dict[str, dict[str, str]] = {}
    for table, column, comment in connection.execute(asked).fetchall():
        said.setdefault(table, {})[column] = comment
    behind = sorted((table for table in said if f" {table} " in f"{sql} ".replace("\n", " ")), key=sql.index)
    columns = connection.execute(
        "SELECT column_name FROM duckdb_columns() WHERE table_name = $view", {"view": view}
    ).fetchall()
    for (column,) in columns:
        says = next((said[table][column] for table in behind if column in said[table]), WORDS.get(column))
        if says:
            connection.execute(described.about_column(view, column, says))
