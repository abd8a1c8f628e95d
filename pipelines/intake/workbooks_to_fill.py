"""Tables as workbooks to be typed into: registers, and the recording kit of a shop without a job log. Bytes in, bytes out.

A sheet for each table with its columns in the first row, what they mean as comments, drop-downs for closed lists; what is typed in is
read as it stands (read.py takes a workbook whose sheets are tables of ours). Here too: the same fields as pages to be printed.
"""

from __future__ import annotations

import csv
import html
import io
from collections.abc import Mapping

from pipelines.intake.reading import text
from schemas import validate
from schemas.vocabulary import ColumnInfo

#: the fewest columns that a figure needs, by table
KIT = {
    "pours": ["shop_id", "mix_id", "pour_no", "poured_at", "product_id", "component_id", "weighed_g"],
    "leftovers": ["shop_id", "mix_id", "weighed_at", "leftover_g"],
    "jobs": ["shop_id", "job_id", "vehicle_class"],
    "operations": ["shop_id", "job_id", "operation_no", "kind", "removal", "started_at", "ended_at",
                   "technician_id", "gun_id", "product_id", "coats"],
    "operation_panels": ["shop_id", "job_id", "operation_no", "panel_id", "covered_fraction"],
    "draws": ["shop_id", "job_id", "operation_no", "mix_id"],
    "readings": ["shop_id", "job_id", "panel_id", "after_operation", "reading_no", "row", "col", "reading_um", "gauge_id"],
}  # fmt: skip
PAPERS = {"A4": "210mm 297mm", "Letter": "8.5in 11in"}
_ROWS = 500


def workbook(tables: Mapping[str, tuple[list[str], list[list[str]]]]) -> bytes:
    """A workbook of tables: name -> (columns, rows of text)."""
    import xlsxwriter

    out = io.BytesIO()
    with xlsxwriter.Workbook(out, {"in_memory": True, "strings_to_numbers": False}) as book:
        bold, plain = book.add_format({"bold": True, "bottom": 1}), book.add_format({"num_format": "@"})
        for name, (columns, rows) in tables.items():
            infos = {c.name: c for c in validate.columns(name)}
            sheet = book.add_worksheet(name)
            sheet.freeze_panes(1, 0)
            for j, column in enumerate(columns):
                sheet.write(0, j, column, bold)
                sheet.set_column(j, j, max(12, len(column) + 2), plain)
                if info := infos.get(column):
                    sheet.write_comment(0, j, _about(info))
                    if info.values:
                        sheet.data_validation(1, j, _ROWS, j, {"validate": "list", "source": list(info.values)})
            for i, row in enumerate(rows, 1):
                for j, cell in enumerate(row):
                    if cell:
                        sheet.write_string(i, j, cell)
    return out.getvalue()


def _about(info: ColumnInfo) -> str:
    about = info.description + (f", in {info.unit}" if info.unit else "")
    about += f": {', '.join(info.values)}" if info.values else ""
    form = {"datetime": " Written 2026-03-01 10:30.", "date": " Written 2026-03-01.", "bool": " true or false."}.get(
        info.kind, ""
    )
    return f"{about}.{form}" + ("" if info.required else " May be empty.")


def kit() -> bytes:
    """An empty workbook of the kit."""
    return workbook({name: (columns, []) for name, columns in KIT.items()})


def csv_of(data: bytes, known: Mapping[str, str]) -> dict[str, str]:
    """The sheets of a workbook of registers as the CSV of each register, below the comments that its file in `known` (register ->
    its text) begins with. Sheets of other names are left alone. Raises FileRefused where the workbook cannot be opened."""
    out = {}
    book = text.workbook(data)
    for name in book.sheet_names:
        if name not in known:
            continue
        cells = text.xlsx_cells(book, name)
        columns = [c for c in cells.columns if c != "line"]
        rows = [[(c or "").strip() for c in row] for row in cells.select(columns).iter_rows()]
        if not rows or not any(rows[0]):
            continue
        width = max(i + 1 for i, c in enumerate(rows[0]) if c)
        comments = [line for line in known[name].splitlines() if line == "#" or line.startswith("# ")]
        written = io.StringIO()
        writer = csv.writer(written, lineterminator="\n")
        writer.writerow(rows[0][:width])
        writer.writerows(_plain(row[:width]) for row in rows[1:] if any(row[:width]))
        out[name] = "\n".join([*comments, written.getvalue()])
    return out


def _plain(row: list[str]) -> list[str]:
    """A day that a spreadsheet keeps as a date comes with midnight."""
    return [c.removesuffix(" 00:00:00") for c in row]


def grid_of(csv_text: str) -> tuple[list[str], list[list[str]]]:
    """Header and rows of a register's CSV without its comments."""
    lines = [line for line in csv_text.splitlines() if line.strip() and line != "#" and not line.startswith("# ")]
    rows = list(csv.reader(lines))
    return (rows[0], rows[1:]) if rows else ([], [])


# --- pages ------------------------------------------------------------------------------------------------------------

_PLACES = ("upper edge", "middle", "lower edge")
_STYLE = """@page { size: PAPER; margin: 12mm } body { font: 11pt sans-serif; color: #000 } section { break-after: page }
table { border-collapse: collapse; width: 100%; margin: 3mm 0 }
td, th { border: .3mm solid #000; height: 8mm; padding: 0 1.5mm; text-align: left; font-weight: normal }
h1 { font-size: 14pt; margin: 0 0 2mm } p { margin: 1mm 0 } .small { font-size: 9pt }"""


def pages(paper: str) -> str:
    """The kit as HTML to be printed on `paper` (A4 or Letter): a page for a cup, one for a job's steps, one for a panel's film."""
    cup = _grid(["Component", "Grams", "Component", "Grams"], 6)
    steps = _grid(["No.", "Spray, hand, sand, polish", "Start", "End", "Who", "Gun", "Product", "Cup", "Panels"], 12)
    films = "".join(
        f"<p>After step no. ______ (0 = before any)</p>{_grid(['', 'start of the stroke', 'middle', 'end of the stroke'], 3, _PLACES)}"
        for _ in range(3)
    )
    care = (
        "Two-pack coatings hold isocyanates: mix and spray with air-fed breathing protection, gloves and extraction as the product's data sheet and"
        " local rules ask. Sanding dust and solvents are hazards too."
    )
    parts = [
        ("Cup", f"<p>Cup no. ____________ Product ____________ Date and time ____________ Weighed by ____________</p>{cup}"
         "<p>Weighed back, without the cup: ____________ g at ____________ kept / discarded</p>"
         f"<p class='small'>{html.escape(care)}</p>"),
        ("Job", f"<p>Job no. ____________ Vehicle class ____________ Opened ____________</p>{steps}"),
        ("Film of a panel", "<p>Job no. ____________ Panel ____________ Gauge ____________ Steel strip beside it: yes / no</p>"
         "<p class='small'>Read dry film in micrometres at nine places, three along the stroke at each height; on lids the upper edge is"
         f" the one farthest from the painter. Let it cure first.</p>{films}"),
    ]  # fmt: skip
    body = "".join(f"<section><h1>{title}</h1>{inside}</section>" for title, inside in parts)
    style = _STYLE.replace("PAPER", PAPERS[paper])
    head = f'<meta charset="utf-8"><title>Recording sheets</title><style>{style}</style>'
    return f'<!DOCTYPE html><html lang="en"><head>{head}</head><body>{body}</body></html>\n'


def _grid(heads: list[str], rows: int, first: tuple[str, ...] = ()) -> str:
    top = "".join(f"<th>{html.escape(h)}</th>" for h in heads)
    lines = "".join(
        "<tr>" + "".join(f"<td>{first[i] if first and j == 0 else ''}</td>" for j in range(len(heads))) + "</tr>"
        for i in range(rows)
    )
    return f"<table><tr>{top}</tr>{lines}</table>"
