"""The site: published tables in, files out. Pure and repeatable: the same frames and settings give the same bytes.

Here belongs putting pages, templates, figures and static files together. Nothing is written and nothing is read but
this package's own templates and static files and the plotly package's script.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Any

import polars as pl
from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from reports import cube, theme, wording
from reports.book import Book
from reports.figures.base import Figure, safe_json
from reports.figures.strip import shares, strip
from reports.pages import environment, guns, hands, intake, method, owner, start
from reports.pages.base import Page, bound

PAGES: tuple[Page, ...] = (
    start.PAGE,
    owner.PAGE,
    environment.PAGE,
    hands.PAGE,
    guns.PAGE,
    intake.PAGE,
    method.PAGE,
)

# Nothing from anywhere but the site's own folder; plotly sets styles on elements, hence unsafe-inline for styles alone.
CSP = (
    "default-src 'none'; script-src 'self'; style-src 'self' 'unsafe-inline'; img-src 'self' data: blob:; "
    "base-uri 'none'; form-action 'none'"
)

_HERE = Path(__file__).parent


def build(tables: dict[str, pl.DataFrame], settings: dict[str, Any]) -> dict[str, bytes]:
    """All files of the site by relative path.

    `tables`: published tables and the registers shops, products, technicians, guns, by name; any may be missing or
    empty. `settings`: as in filmledger.toml, in sections or flat.
    """
    book = Book(tables, settings)
    pages = [p for p in PAGES if book.people or p is not hands.PAGE]
    files = {page.file: _page(page, pages, book) for page in pages}
    files["cube.js"] = _cube(book)
    files["style.css"] = _style()
    files["site.js"] = (_HERE / "static" / "site.js").read_bytes()
    files["plotly.min.js"] = _plotly()
    return dict(sorted(files.items()))


@cache
def _environment() -> Environment:
    env = Environment(
        loader=FileSystemLoader(_HERE / "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    env.globals.update(
        bound=bound,
        quantity=wording.quantity,
        number=lambda n: wording.plain(n or 0, 0),
        month_name=wording.month_word,
        role_name=wording.role_word,
        total_cell=environment.total_cell,
        sees=cube.SEE_WORD,
        sees_of=cube.SEE_OF,
        csp=CSP,
    )
    env.filters["capitalize_first"] = lambda text: text[:1].upper() + text[1:]
    return env


def _page(page: Page, pages: list[Page], book: Book) -> bytes:
    values = page.make(book)
    see = values.get("see", page.see)
    figures = [v for v in values.values() if isinstance(v, Figure)]
    whole = strip(shares(book.ledger.sums(), see)) if book.ledger.frame.height else Markup("")
    filterable = bool(book.ledger.frame.height or book.emissions.frame.height or any(book.transfer.values()))
    html = _environment().get_template(f"{page.key}.html").render(
        {**values, "page": page, "pages": pages, "book": book, "see": see, "figures": figures, "whole": whole,
         "filterable": filterable}
    )  # fmt: skip
    return html.encode()


def _cube(book: Book) -> bytes:
    """What the script needs on every page, once: cubes, transfer rows, labels, units, colours, figure template."""
    whole = {
        "cubes": {"ledger": book.ledger.as_json(), "emissions": book.emissions.as_json()},
        "transfer": book.transfer,
        "roles": book.product_role,
        "shops": book.shop_labels,
        "months": book.months,
        "units": {k: [u.metric, u.us, u.factor] for k, u in wording.UNITS.items()},
        "see": {k: [cube.SEE_WORD[k], cube.SEE_KIND[k], cube.SEE_OF[k]] for k in cube.SEES},
        "parts": [[p.key, p.word, p.leaves_at] for p in theme.PARTS],
        "sources": [key for key, *_ in theme.SOURCES],
        "colours": {name: theme.light(name) for name in ("ink", "muted", "line")},
        "dark": theme.swap(),
        "template": theme.template().to_plotly_json(),
    }
    return f"window.FILMLEDGER={safe_json(whole)};\n".encode()


def _style() -> bytes:
    """style.css with the colours of the theme put in."""
    text = (_HERE / "static" / "style.css").read_text(encoding="utf-8")
    return text.replace("/*LIGHT*/", theme.css_variables(0)).replace("/*DARK*/", theme.css_variables(1)).encode()


@cache
def _plotly() -> bytes:
    import plotly

    return (Path(plotly.__file__).parent / "package_data" / "plotly.min.js").read_bytes()
