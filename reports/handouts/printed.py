"""A hand-out as a page to print, A4 or Letter. It opens from disk and asks nothing of a network."""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup, escape

from reports import wording
from reports.handouts.cells import plain
from reports.handouts.sheets import Cell, Handout, Sheet


def _breakable(text: str) -> Markup:
    """A line may break after each underscore of a name."""
    return Markup("_<wbr>").join(escape(part) for part in text.split("_"))


@cache
def _template() -> Any:
    loader = PackageLoader("reports.handouts")
    found = Environment(loader=loader, autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    found.filters["breakable"] = _breakable
    return found.get_template("handout.html")


def page(handout: Handout) -> bytes:
    """The page to print, A4 or Letter; it opens from disk and asks nothing of a network. Lists of single lines stay out."""
    sheets = [
        {"title": sheet.title, "notes": sheet.notes, "parts": list(_parts(sheet)), "key": sheet.key}
        for sheet in handout.sheets
        if sheet.printed
    ]
    text: str = _template().render(period=handout.period, shops=handout.shops, sheets=sheets)
    return text.encode()


#: columns that fit beside each other on a landscape page at 9 pt, A4 or Letter; what names a row is said again in each part
MOST_COLUMNS, NAMING = 11, 3


def _parts(sheet: Sheet) -> Iterator[dict[str, Any]]:
    """A sheet as tables narrow enough for the paper: the first columns name the rows of each."""
    n = len(sheet.heads)
    step = MOST_COLUMNS - NAMING
    spans = [list(range(n))] if n <= MOST_COLUMNS else []
    if not spans:
        spans = [[*range(NAMING), *range(at, min(at + step, n))] for at in range(NAMING, n, step)]
    for span in spans:
        yield {
            "heads": [str(sheet.heads[i]) for i in span],
            "rows": [
                [(_shown(row[i]), isinstance(row[i], int | float) and not isinstance(row[i], bool)) for i in span]
                for row in sheet.rows
            ],
        }


def _shown(cell: Cell) -> str:
    if isinstance(cell, float):
        return wording.plain(cell, wording.digits(cell))
    return str(plain(cell)) if not isinstance(cell, str) else cell
