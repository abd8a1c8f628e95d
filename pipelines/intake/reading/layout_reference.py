# ruff: noqa: E501  (a table of examples)
"""The reference of layouts, generated from their models: python -m pipelines.intake.reading.layout_reference md|json.

Every key with its meaning, its form and an example that is read as it stands; the JSON schema is for editors.
"""

from __future__ import annotations

import json
import sys
from typing import Any

from pydantic import BaseModel

from pipelines.intake.reading import layout

MODELS: dict[str, type[BaseModel]] = {
    "[file]": layout.File, "[file] exported_at": layout.ExportedAt, "[file] skip": layout.Skip, "[file] block": layout.Block, "[file] note": layout.Note,
    "[[tables]]": layout.Table, "[[tables]] where": layout.Where, "[[tables]] unpivot": layout.Unpivot, "[[tables]] tare": layout.Tare,
    "[tables.columns]": layout.Column,
}  # fmt: skip

#: model, key -> meaning and an example line
KEYS: dict[str, dict[str, tuple[str, str]]] = {
    "[file]": {
        "match_name": ("a pattern that the file's name must fit", 'match_name = "scale*.csv"'),
        "delimiter": ("what stands between cells", 'delimiter = ";"'),
        "encoding": ("how letters are stored; a byte order mark wins", 'encoding = "windows-1252"'),
        "decimal": ("the mark of decimals", 'decimal = ","'),
        "thousands": ("the mark between groups of three digits", 'thousands = " "'),
        "header_line": ('the line of the header, or "find": the first that holds all that is needed', 'header_line = "find"'),
        "skip": ("rows that are no data, such as totals", "skip = [{ column = \"*\", pattern = '^Total' }]"),
        "block": ("lines that head the rows below them", "block = { pattern = '^Cup (?P<cup>[0-9]+)$' }"),
        "repeat_above": ("columns whose empty cells repeat the one above", 'repeat_above = ["Cup"]'),
        "note": ("a note beside it: which job and panel a batch of the gauge is", 'note = { file = "gauge note*.csv", on = "Batch", columns = ["Job", "Panel"] }'),
        "order": ("newest_first: the rows are listed from the last to the first, and read from below", 'order = "newest_first"'),
        "months": ("the language of month names", 'months = "de"'),
        "sheet": ("a sheet's name, or a pattern for several", 'sheet = "20*"'),
        "merged": ("spreadsheets: refuse rows inside merged cells, or repeat a cell merged over rows for each of them", 'merged = "repeat"'),
        "century": ("first of the hundred years that two digits may mean (1970: 70-99 are 19.., 00-69 are 20..)", "century = 1970"),
        "mode": ("append: the export carries additions alone", 'mode = "append"'),
        "complete_for": ("the export is the whole record of its shops, from its first to its last day or of their months: what earlier files have there and it has not was deleted", 'complete_for = "months"'),
        "exported_at": ("where the time of export stands", "exported_at = { name_pattern = '([0-9]{8})', format = \"%Y%m%d\" }"),
        "time_zone": ("of times without an offset", 'time_zone = "Europe/Vienna"'),
    },
    "[file] exported_at": {
        "name_pattern": ("a pattern whose first group is the time in the file's name", "exported_at = { name_pattern = '([0-9]{8})', format = \"%Y%m%d\" }"),
        "column": ("or the column that holds it", 'exported_at = { column = "Printed", format = "%d.%m.%Y" }'),
        "format": ("how it is written", 'exported_at = { column = "Printed", format = "%d.%m.%Y" }'),
    },
    "[file] skip": {
        "column": ('a column, or "*" for any', "skip = [{ column = \"*\", pattern = '^Total' }]"),
        "is": ("its cell is one of these", 'skip = [{ column = "Component", is = ["Total", "Sum"] }]'),
        "pattern": ("or its cell fits this", "skip = [{ column = \"*\", pattern = '^Total' }]"),
        "filled": ("or it is (not) empty", 'skip = [{ column = "Component", filled = false }]'),
    },
    "[file] note": {
        "file": ("a pattern of names of the notes in inbox/", 'note = { file = "gauge note*.csv", on = "Batch", columns = ["Job", "Panel"] }'),
        "on": ("the column of the export that names a row of the note", 'note = { file = "gauge note*.csv", on = "Batch", columns = ["Job", "Panel"] }'),
        "of": ("the note's column for it, where it is called otherwise", 'note = { file = "note*.csv", on = "Batch", of = "No", columns = ["Job"] }'),
        "columns": ("the note's columns that stand beside the row then", 'note = { file = "note*.csv", on = "Batch", columns = ["Job", "Panel"] }'),
        "delimiter": ("where it differs from the export's", 'note = { file = "note*.csv", on = "Batch", columns = ["Job"], delimiter = ";" }'),
        "encoding": ("where it differs from the export's", 'note = { file = "note*.csv", on = "Batch", columns = ["Job"], encoding = "utf-16" }'),
        "sheet": ("the sheet of a workbook", 'note = { file = "note*.xlsx", on = "Batch", columns = ["Job"], sheet = "Notes" }'),
    },
    "[file] block": {"pattern": ("named groups become columns", "block = { pattern = '^Cup (?P<cup>[0-9]+)$' }")},
    "[[tables]]": {
        "table": ("the table that the rows feed", 'table = "pours"'),
        "where": ("which rows; of several all must hold", 'where = [{ column = "Type", is = ["mix"] }, { column = "Net", filled = true }]'),
        "unpivot": ("columns side by side become rows", 'unpivot = { columns = ["binder", "hardener"], into = "weighed_g", position = { component_id = ["binder", "hardener"] } }'),
        "columns": ("how each column is made", 'mix_id = "Ticket"'),
        "weights": ("stands on weighed_g: whether the display runs on", 'weighed_g = { column = "Display", weights = "cumulative" }'),
        "tare": ("stands on weighed_g or leftover_g: the column of the empty cup", 'weighed_g = { column = "Gross", tare = { column = "Empty", unit = "g" } }'),
        "tare_g": ("or its weight in grams", 'weighed_g = { column = "Gross", tare_g = 31.5 }'),
    },
    "[[tables]] where": {
        "column": ("a column", 'where = { column = "Type", is = ["mix"] }'),
        "is": ("its cell is one of these", 'where = { column = "Type", is = ["mix"] }'),
        "is_not": ("or none of these", 'where = { column = "Type", is_not = ["void"] }'),
        "pattern": ("or fits this", "where = { column = \"Type\", pattern = '^mix' }"),
        "filled": ("or is (not) empty", 'where = { column = "Net", filled = true }'),
    },
    "[[tables]] unpivot": {
        "columns": ("the columns side by side", 'unpivot = { columns = ["binder", "hardener"], into = "weighed_g", position = { component_id = ["binder", "hardener"] } }'),
        "into": ("the column that their cells go into", 'unpivot = { columns = ["binder", "hardener"], into = "weighed_g", position = { component_id = ["binder", "hardener"] } }'),
        "unit": ("their unit", 'unpivot = { columns = ["binder"], into = "weighed_g", unit = "oz", position = { component_id = ["binder"] } }'),
        "beside": ("the columns that stand beside each of them", 'unpivot = { columns = ["Net 1", "Net 2"], into = "weighed_g", beside = { component_id = ["Tin 1", "Tin 2"] } }'),
        "position": ("what each of them says of other columns", 'unpivot = { columns = ["binder"], into = "weighed_g", position = { component_id = ["binder"] } }'),
    },
    "[[tables]] tare": {
        "column": ("the column of the empty cup's weight", 'weighed_g = { column = "Gross", tare = { column = "Empty", unit = "g" } }'),
        "unit": ("its unit", 'weighed_g = { column = "Gross", tare = { column = "Empty", unit = "oz" } }'),
    },
    "[tables.columns]": {
        "column": ("the header it comes from; a text alone means the same", 'mix_id = { column = "Ticket" }'),
        "columns": ("several headers, joined", 'poured_at = { columns = ["Date", "Time"], format = "%d.%m.%Y %H:%M" }'),
        "join": ("what stands between them (default: a space)", 'mix_id = { columns = ["Year", "No"], join = "-" }'),
        "constant": ("one value for every row", 'product_id = { constant = "clear_a" }'),
        "number_within": ("counted in the file's order within these", 'pour_no = { number_within = ["mix_id"] }'),
        "format": ("how times are written; serial for a spreadsheet's numbers", 'poured_at = { column = "When", format = ["%d.%m.%Y %H:%M", "%d.%m.%Y"] }'),
        "unit": ("the unit of its numbers", 'weighed_g = { column = "Net", unit = "lb" }'),
        "pattern": ("the first group is taken out of the cell", "mix_id = { column = \"Note\", pattern = 'cup ([0-9]+)' }"),
        "split": ("a row for each piece between these marks", 'component_id = { column = "Parts", split = ";" }'),
        "drop": ("letters that are taken out", 'mix_id = { column = "Ticket", drop = "/-" }'),
        "values": ("renames", 'component_id = { column = "Tin", values = { "Bind." = "binder" }, otherwise = "keep" }'),
        "otherwise": ("what becomes of cells that are not renamed", 'component_id = { column = "Tin", values = { "Bind." = "binder" }, otherwise = "keep" }'),
        "pad": ("zeros in front up to so many letters", 'mix_id = { column = "Ticket", pad = 6 }'),
        "prefix": ("put in front", 'mix_id = { column = "Ticket", prefix = "N-" }'),
        "suffix": ("put behind", 'mix_id = { column = "Ticket", suffix = "-1" }'),
        "optional": ("the header may be missing", 'target_g = { column = "Wanted", optional = true }'),
    },
}  # fmt: skip

_REST = {
    "shop_id": '{ constant = "north" }', "mix_id": '"Ticket"', "pour_no": '{ number_within = ["mix_id"] }', "poured_at": '"When"', "product_id": '"Paint"',
    "component_id": '"Tin"', "weighed_g": '"Net"',
}  # fmt: skip


def example(model: str, line: str) -> str:
    """A whole layout around an example line."""
    file, table, columns = "", "", dict(_REST)
    if model.startswith("[file]"):
        file = line
    elif "=" in line and line.split(" ")[0] in ("table", "where", "unpivot"):
        table = "" if line.startswith("table =") else line
        for made in ("weighed_g", "component_id") if line.startswith("unpivot") else ():
            columns.pop(made)
    else:
        columns[line.split(" = ")[0]] = line.split(" = ", 1)[1]
    body = "\n".join(f"{name} = {value}" for name, value in columns.items())
    return f'[file]\n{file}\n\n[[tables]]\ntable = "pours"\n{table}\n\n[tables.columns]\n{body}\n'


def keys(model: str) -> list[str]:
    """The keys of a model as they are written."""
    return [f.alias or n for n, f in MODELS[model].model_fields.items()]


def markdown() -> str:
    """The reference as a page."""
    out = [
        "# Layouts", "",
        "How a shop's own export maps to the tables, as `filmledger adopt` and `filmledger layout` write it into `layouts/*.toml`.",
        "Made by `python -m pipelines.intake.reading.layout_reference md`; `layout.schema.json` beside it is for editors.", "",
    ]  # fmt: skip
    for model, told in KEYS.items():
        doc = " ".join((MODELS[model].__doc__ or "").split("\n\n")[0].split())
        out += [f"## {model}", "", doc, "", "| key | meaning | example |", "|---|---|---|"]
        out += [
            f"| `{key}` | {meaning} | `{line.replace('|', chr(92) + '|')}` |" for key, (meaning, line) in told.items()
        ]
        out.append("")
    return "\n".join(out)


def schema() -> dict[str, Any]:
    """JSON schema of a layout file. A column may be a text alone; lists of texts may be one text; weights and tare stand on columns."""
    found = layout.LayoutFile.model_json_schema()
    defs = found["$defs"]
    column = defs["Column"]["properties"]
    column |= {name: defs["Table"]["properties"].pop(name) for name in ("weights", "tare", "tare_g")}
    defs["Table"]["properties"]["columns"]["additionalProperties"] = {
        "anyOf": [{"type": "string"}, {"$ref": "#/$defs/Column"}]
    }
    several = {
        "Column": ["format"],
        "Skip": ["is"],
        "Where": ["is", "is_not"],
        "File": ["repeat_above", "block"],
        "Table": ["where"],
    }
    for name, properties in several.items():
        for key in properties:
            lists = defs[name]["properties"][key]
            of = lists.get("items") or next(one["items"] for one in lists["anyOf"] if "items" in one)
            defs[name]["properties"][key] = {
                "anyOf": [of, {"type": "array", "items": of}],
                "title": lists.get("title", key),
            }
    for model, told in KEYS.items():
        properties = defs[MODELS[model].__name__]["properties"]
        for key in told.keys() & properties.keys():
            properties[key]["description"] = told[key][0]
    return found


if __name__ == "__main__":
    print(markdown() if sys.argv[1:] == ["md"] else json.dumps(schema(), indent=1), end="")
