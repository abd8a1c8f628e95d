"""A hand-out as a page to print, A4 or Letter. It opens from disk and asks nothing of a network."""

from __future__ import annotations

from functools import cache
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup, escape

from reports import wording
from reports.handouts.cells import plain
from reports.handouts.sheets import Cell, Handout


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
        {
            "title": sheet.title,
            "notes": sheet.notes,
            "heads": [str(head) for head in sheet.heads],
            "rows": [
                [(_shown(cell), isinstance(cell, int | float) and not isinstance(cell, bool)) for cell in row]
                for row in sheet.rows
            ],
            "key": sheet.key,
        }
        for sheet in handout.sheets
        if sheet.printed
    ]
    text: str = _template().render(period=handout.period, shops=handout.shops, sheets=sheets)
    return text.encode()


def _shown(cell: Cell) -> str:
    if isinstance(cell, float):
        return wording.plain(cell, wording.digits(cell))
    return str(plain(cell)) if not isinstance(cell, str) else cell
