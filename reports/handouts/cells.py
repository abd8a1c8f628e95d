"""Cells of a hand-out as text, and a sheet as CSV. Here belongs what a spreadsheet must not take for a formula."""

from __future__ import annotations

import csv
import io
from datetime import date

from reports.handouts.sheets import Cell, Sheet
from schemas.vocabulary import FORMULA_STARTS


def defused(text: str) -> str:
    """A text that a spreadsheet would take for a formula gets an apostrophe in front."""
    return f"'{text}" if text and text[0] in FORMULA_STARTS else text


def csv_of(sheet: Sheet) -> bytes:
    """One sheet as UTF-8 CSV with a byte order mark; yes and no in words, nothing for what is not known."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow([defused(str(head)) for head in sheet.heads])
    for row in sheet.rows:
        writer.writerow([plain(cell) for cell in row])
    return out.getvalue().encode("utf-8-sig")


def plain(cell: Cell) -> str | float | int:
    if cell is None:
        return ""
    if isinstance(cell, bool):
        return "yes" if cell else "no"
    if isinstance(cell, date):
        return cell.isoformat()
    return defused(cell) if isinstance(cell, str) else cell
