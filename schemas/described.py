"""Declarations as other programs read them: the statements that make a table with keys and comments in a database file, what a
parquet file says of its columns, and a folder of spreadsheets described as a Data Package (https://datapackage.org, version 2.0).

Pure: declarations in, text out. Here belongs how a declaration is said to other programs; what a column means stands in schemas/.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any

from schemas import relations, validate
from schemas.relations import Reference
from schemas.vocabulary import ColumnInfo

SQL_TYPES = {
    "text": "VARCHAR", "int": "BIGINT", "float": "DOUBLE", "bool": "BOOLEAN", "datetime": "TIMESTAMP", "date": "DATE",
    "list": "VARCHAR[]",
}  # fmt: skip
PACKAGE_TYPES = {
    "text": "string", "int": "integer", "float": "number", "bool": "boolean", "datetime": "datetime", "date": "date",
    "list": "string",
}  # fmt: skip
#: how spreadsheets write what has several ways to be written
FORMATS: dict[str, dict[str, Any]] = {
    "bool": {"trueValues": ["true"], "falseValues": ["false"]},
    "datetime": {"format": "%Y-%m-%dT%H:%M:%S.%f"},
}
PROFILE = "https://datapackage.org/profiles/2.0/datapackage.json"
LIST = "; "  # between the texts of a list in a spreadsheet
LICENCES = {
    "CC0-1.0": {
        "name": "CC0-1.0",
        "path": "https://creativecommons.org/publicdomain/zero/1.0/",
        "title": "CC0 1.0 Universal",
    }
}


# --- a database file ----------------------------------------------------------------------------------------------------


def create(table: str, held: Sequence[Reference] = (), keyed: bool = True) -> str:
    """The statement that makes an empty table with its columns and, where `keyed`, its primary key and those references that
    are `held`: every row of the table keeps them."""
    parts = [
        f"{quoted(info.name)} {SQL_TYPES[info.kind]}{'' if info.nullable else ' NOT NULL'}"
        for info in validate.columns(table)
    ]
    if keyed:
        parts += [f"PRIMARY KEY ({_listed(key)})" for key in [relations.key(table)] if key]
        parts += [
            f"FOREIGN KEY ({_listed(one.columns)}) REFERENCES {quoted(one.table)} ({_listed(one.columns)})"
            for one in held
        ]
    return f"CREATE TABLE {quoted(table)} ({', '.join(parts)})"


def comments(table: str) -> Iterator[str]:
    """The statements that say what a table and each of its columns mean."""
    key = ", ".join(validate.keys(table))
    about = f"{validate.schema(table).description}.{f' Key: {key}.' if key else ''}"
    yield f"COMMENT ON TABLE {quoted(table)} IS {_text(about)}"
    for info in validate.columns(table):
        yield about_column(table, info.name, meaning(info))


def about_column(table: str, column: str, says: str) -> str:
    return f"COMMENT ON COLUMN {quoted(table)}.{quoted(column)} IS {_text(says)}"


def view(name: str, says: str, sql: str) -> Iterator[str]:
    """The statements that make a view and say what it holds."""
    yield f"CREATE VIEW {quoted(name)} AS {sql}"
    yield f"COMMENT ON VIEW {quoted(name)} IS {_text(says)}"


def meaning(info: ColumnInfo) -> str:
    """What a column means, with its unit and what it names."""
    names = info.refers_to or relations.BY_VERSION.get(info.name, "")
    return "".join(
        [
            info.description,
            f" [{info.unit}]" if info.unit else "",
            f"; one of {', '.join(info.values)}" if info.values else "",
            f"; a row of {names}" if names else "",
            "" if info.required else "; may be empty: not known",
        ]
    )


def quoted(name: str) -> str:
    return '"' + name.replace('"', '""') + '"'


def _listed(names: Iterable[str]) -> str:
    return ", ".join(map(quoted, names))


def _text(text: str) -> str:
    return "'" + text.replace("'", "''") + "'"


# --- parquet ------------------------------------------------------------------------------------------------------------


def table_metadata(table: str) -> dict[str, str]:
    """What a parquet file says of its table."""
    return {
        "filmledger": json.dumps(
            {"table": table, "description": validate.schema(table).description, "key": validate.keys(table)}
        )
    }


def column_metadata(table: str) -> dict[str, dict[str, str]]:
    """Column -> what a parquet file says of it."""
    return {
        info.name: {"description": info.description, **({"unit": info.unit} if info.unit else {})}
        for info in validate.columns(table)
    }


# --- spreadsheets as a Data Package ---------------------------------------------------------------------------------------


def datapackage(files: Mapping[str, str], version: str, licence: str = "") -> bytes:
    """datapackage.json for spreadsheets: table -> path beside it. `licence`: an SPDX name of LICENCES, or nothing said."""
    whole: dict[str, Any] = {
        "$schema": PROFILE,
        "name": "filmledger-results",
        "title": "Filmledger: where the paint went",
        "description": "The published tables of one run. Empty means not known.",
        "version": version,
        **({"licenses": [LICENCES[licence]]} if licence else {}),
        "resources": [_resource(table, path, files) for table, path in files.items()],
    }
    return (json.dumps(whole, ensure_ascii=False, indent=1) + "\n").encode()


def _resource(table: str, path: str, files: Mapping[str, str]) -> dict[str, Any]:
    return {
        "name": table,
        "type": "table",
        "path": path,
        "title": validate.schema(table).description,
        "scheme": "file",
        "format": "csv",
        "mediatype": "text/csv",
        "encoding": "utf-8-sig",
        "schema": _package_schema(table, files),
    }


def _package_schema(table: str, files: Mapping[str, str]) -> dict[str, Any]:
    key = relations.key(table)
    whole = {
        info.name for info in validate.columns(table) if not info.nullable
    }  # half a reference is none, to this standard too
    foreign = [
        {"fields": list(one.columns), "reference": {"resource": one.table, "fields": list(one.columns)}}
        for one in relations.references(table)
        if one.table in files and whole.issuperset(one.columns)
    ]
    return {
        "fields": [_field(info) for info in validate.columns(table)],
        "missingValues": [""],
        **({"primaryKey": key} if key else {}),
        **({"foreignKeys": foreign} if foreign else {}),
    }


def _field(info: ColumnInfo) -> dict[str, Any]:
    # a list without texts is an empty cell, and so is a text that says "none" by being empty (no unit, no subject)
    blank = info.nullable or info.kind == "list" or (info.kind == "text" and not info.values and not info.refers_to)
    constraints: dict[str, Any] = {} if blank else {"required": True}
    if info.values:
        constraints["enum"] = list(info.values)
    if info.low is not None:
        constraints["minimum"] = info.low
    if info.high is not None:
        constraints["maximum"] = info.high
    return {
        "name": info.name,
        "type": PACKAGE_TYPES[info.kind],
        **FORMATS.get(info.kind, {}),
        "description": info.description + (f" (texts joined by '{LIST}')" if info.kind == "list" else ""),
        **({"unit": info.unit} if info.unit else {}),
        **({"constraints": constraints} if constraints else {}),
    }
