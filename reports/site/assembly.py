"""The site: published tables in, files out. Pure and repeatable: the same frames and settings give the same bytes.

Here belongs putting pages, templates, figures and static files together. Nothing is written and nothing is read but
this package's own templates and static files.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from functools import cache
from importlib import resources
from itertools import groupby
from typing import Any

import polars as pl
from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from reports import audience as readers
from reports import wording
from reports.site import evidence, page_sums, theme
from reports.site.figures.figure import Figure, safe_json
from reports.site.figures.strip import shares, strip
from reports.site.page_tables import PageTables
from reports.site.pages import bench, environment, guns, hands, intake_page, method, owner, start, todo
from reports.site.pages.common import Page, Part, bound
from schemas.area_classes import AREA_BORDERS
from schemas.published import TRANSFER_LINE

PAGES: tuple[Page, ...] = (
    start.PAGE,
    owner.PAGE,
    environment.PAGE,
    hands.PAGE,
    guns.PAGE,
    bench.PAGE,
    intake_page.PAGE,
    method.PAGE,
)

# Nothing from anywhere but the site's own folder; plotly sets styles on elements, hence unsafe-inline for styles alone.
CSP = (
    "default-src 'none'; script-src 'self'; style-src 'self' 'unsafe-inline'; img-src 'self' data: blob:; "
    "base-uri 'none'; form-action 'none'"
)

STATIC = resources.files("reports.site") / "static"


def build(
    tables: Mapping[str, pl.DataFrame],
    settings: dict[str, Any],
    audience: str | None = None,
    *,
    person: str | None = None,
) -> dict[str, bytes]:
    """All files of the site by relative path.

    `tables`: published tables, the registers shops, products, technicians, guns and the reference table packs, by name;
    any may be missing or empty. `settings`: as in filmledger.toml, in sections or flat. `audience`: None for everybody,
    or owner, environment, trainer, painter: a site with only those pages and only that data. `person`: the technician_id
    whose own card a painter's site holds; without it that site names nobody.

    Raises audience.AudienceError where there is no such audience, or no such person in the tables.
    """
    reader = readers.of(audience, person)
    book = PageTables(tables, settings, reader, person)
    if person is not None and not _knows(tables, person):
        raise readers.AudienceError(f"No technician {person!r} is known here.")
    by_key = {p.key: p for p in PAGES}
    pages = [by_key[k] for k in reader.pages if book.people or k != hands.PAGE.key]
    at = {p.key: p.file if i else "index.html" for i, p in enumerate(pages)}
    files: dict[str, bytes] = {}
    for page in pages:
        files[at[page.key]] = _page(page, pages, at, book)
        for part in page.parts(book) if page.parts else ():
            files[part.file] = _page(page, pages, at, book, part)
    behind = evidence.files(book)
    files |= behind
    files["amounts.js"] = _amounts(book, evidence.offered(book, behind))
    if "emissions" in reader.amounts and book.emissions.frame.height:
        files["emissions.js"] = _emissions(book)
    files["style.css"] = _style()
    files["site.js"] = (STATIC / "site.js").read_bytes()
    if any(b"plotly.min.js" in content for name, content in files.items() if name.endswith(".html")):
        files["plotly.min.js"] = _plotly()
    return dict(sorted(files.items()))


def _knows(tables: Mapping[str, pl.DataFrame], person: str) -> bool:
    return any((f["technician_id"] == person).any() for f in tables.values() if "technician_id" in f.columns)


@cache
def _environment() -> Environment:
    env = Environment(
        loader=PackageLoader("reports.site"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    env.globals.update(
        method_said=wording.method,
        bound=bound,
        quantity=wording.quantity,
        border=lambda m2: Markup('<span data-border="{0:g}" data-kind="area_m2">{0:g}{1}m²</span>').format(
            m2, wording.THIN
        ),
        unit_header=wording.unit_header,
        number=lambda n: wording.plain(n or 0, 0),
        month_name=wording.month_word,
        role_name=wording.role_word,
        total_cell=environment.total_cell,
        urgent=todo.urgent,
        most_todo=todo.MOST,
        sees=page_sums.SEE_WORD,
        sees_of=page_sums.SEE_OF,
        csp=CSP,
    )
    env.filters["groupby_kept"] = _grouped
    env.filters["kept"] = wording.kept
    env.filters["contents"] = _contents
    env.filters["lower_first"] = lambda text: text[:1].lower() + text[1:]
    env.filters["capitalize_first"] = lambda text: text[:1].upper() + text[1:]
    return env


_SECTION = re.compile(r'<section[^>]*\bid="(?P<id>[^"]+)"[^>]*><h2[^>]*>(?P<head>.*?)</h2>', re.DOTALL)
LEAST_CONTENTS = 4  # sections from which a page begins with a list of them


def _contents(html: str) -> list[tuple[str, str]]:
    """(id, head) of the sections of a page's body, in order; none where they are few."""
    found = [(m["id"], Markup(m["head"]).striptags()) for m in _SECTION.finditer(html)]
    return found if len(found) >= LEAST_CONTENTS else []


def _grouped(items: list[Any], name: str) -> list[list[Any]]:
    """Runs of neighbours that have the same attribute."""
    return [list(group) for _, group in groupby(items, key=lambda item: getattr(item, name))]


def _page(page: Page, pages: list[Page], at: dict[str, str], book: PageTables, part: Part | None = None) -> bytes:
    values = part.values if part else page.make(book)
    see = values.get("see", page.see)
    figures = [v for v in values.values() if isinstance(v, Figure)]
    whole = strip(shares(book.ledger.sums(), see)) if book.ledger.frame.height else Markup("")
    filters = (
        () if part or values.get("present") is False else tuple(f for f in page.filters if _can_filter(f, page, book))
    )
    html = _environment().get_template(f"{part.template if part else page.key}.html").render(
        {**values, "page": page, "pages": pages, "at": at, "book": book, "see": see, "figures": figures, "whole": whole,
         "kinds": {k.name for k in evidence.kinds(book)}, "todo": [] if part else todo.of_page(book, page.key),
         "on_offer": filters, "part": part, "month_filter": _month_filter(book, page)}
    )  # fmt: skip
    return html.encode()


def _can_filter(name: str, page: Page, book: PageTables) -> bool:
    """A filter that would change nothing is left out: one shop, one role, no amounts to add up."""
    amounts_here = book.emissions if page.key == environment.PAGE.key else book.ledger
    return {
        "shop": len(book.shop_labels) > 1,
        "period": len(_month_filter(book, page)) > 1,
        "role": len(book.roles) > 1,
        "see": amounts_here.frame.height > 0,
    }[name]


def _month_filter(book: PageTables, page: Page) -> list[str]:
    """The periods that the page's amounts can tell apart."""
    return book.emissions.periods if page.key == environment.PAGE.key else book.ledger.periods


def _amounts(book: PageTables, behind: dict[str, Any]) -> bytes:
    """What the script needs on every page, once: amounts, transfer rows, labels, units, colours, figure template."""
    amounts = {"ledger": book.ledger.as_json()} if "ledger" in book.reader.amounts else {}
    whole = {
        "amounts": amounts,
        "transfer": {by: book.transfer[by] if _drawn(by, book) else [] for by in ("role", "gun", "technician")},
        "roles": book.product_role,
        "shops": book.shop_labels,
        "words": wording.for_script(),
        "area_borders": AREA_BORDERS,
        "line": TRANSFER_LINE,
        "evidence": behind,
        "products": {p: book.product_label(p) for p in book.product_role},
        "see": {
            k: [page_sums.SEE_WORD[k], page_sums.SEE_KIND[k], page_sums.SEE_OF[k], suffix]
            for k, (suffix, *_) in page_sums.SEES.items()
        },
        "parts": [[p.key, p.word, p.leaves_at] for p in theme.PARTS],
        "sources": [key for key, *_ in theme.SOURCES],
        "colours": {name: theme.light(name) for name in ("ink", "muted", "line", "limit")},
        "dark": theme.swap(),
        "template": theme.template().to_plotly_json(),
    }
    return f"window.FILMLEDGER={safe_json(whole)};\n".encode()


def _drawn(by: str, book: PageTables) -> bool:
    """Whether a page of this site draws those rows."""
    return {"role": True, "gun": "guns" in book.reader.pages, "technician": "hands" in book.reader.pages}[by]


def _emissions(book: PageTables) -> bytes:
    """The amounts of emissions, in a file of their own: one page alone adds them up."""
    return f"window.FILMLEDGER.amounts.emissions={safe_json(book.emissions.as_json())};\n".encode()


def _style() -> bytes:
    """style.css with the colours of the theme put in."""
    text = (STATIC / "style.css").read_text(encoding="utf-8")
    return text.replace("/*LIGHT*/", theme.css_variables(0)).replace("/*DARK*/", theme.css_variables(1)).encode()


@cache
def _plotly() -> bytes:
    """plotly.js with bars and lines alone: a quarter of the whole, so that the first figure stands in half the time. Of the
    version that the plotly package makes figures for (`make charts` fetches it)."""
    return (STATIC / "plotly-basic.min.js").read_bytes()
