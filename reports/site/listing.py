"""Tables on a page: columns with captions and units from the schemas, cells worded once.

Here belongs turning rows into cells; the HTML of a table stands in templates/macros.html.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from operator import itemgetter
from typing import Any

import polars as pl
from markupsafe import Markup, escape

from reports import wording
from reports.wording import quantity, unit_header
from schemas import validate


@dataclass(frozen=True, slots=True)
class Column:
    """`head` is the word, `unit` its unit in the header cell, `note` what it means."""

    head: str
    unit: Markup = field(default_factory=Markup)
    number: bool = False
    note: str = ""


@dataclass(slots=True)
class Row:
    """Cells as markup. `at` holds data attributes that the page's script filters by (shop, role, key)."""

    cells: list[Markup]
    at: dict[str, str] = field(default_factory=dict)


@dataclass(slots=True)
class Listing:
    """A table for a page. `by` names the dimension of the amounts that its rows are members of; then the script refills it."""

    caption: str
    columns: list[Column]
    rows: list[Row]
    by: str = ""
    of: int = 0  # rows there are in all, when only the first are shown
    source: str = ""  # the published table
    role: str = ""  # the role whose rows are shown until the reader chooses one
    css: str = ""
    total: Row | None = None  # what all rows come to; the script refills it
    sort: str = (
        ""  # the measure of the amounts that the rows stand in order of, the largest first, whatever is filtered
    )

    @property
    def shown(self) -> str:
        """How many of its rows are shown, where not all are."""
        if self.of <= len(self.rows):
            return ""
        return f"The first {wording.plain(len(self.rows), 0)} of {wording.plain(self.of, 0)} rows."

    @property
    def note(self) -> str:
        if self.shown:
            return f"{self.shown} All of them: out/tables/{self.source}.parquet."
        return f"All rows; also in out/tables/{self.source}.parquet." if self.source else ""


def text(value: Any) -> Markup:
    """A plain cell: text, number, list, yes/no; a dash with a spoken word where nothing is known."""
    if value is None or value == "":
        return Markup('<span class="none" role="img" aria-label="not known">\u2013</span>')
    if isinstance(value, bool):
        return Markup("yes" if value else "no")
    if isinstance(value, (list, tuple)):
        return escape(", ".join(str(v) for v in value)) if value else Markup("none")
    if isinstance(value, dt.date):
        clock = f", {value:%H:%M}" if isinstance(value, dt.datetime) else ""
        return Markup('<span class="day" data-v="{}">{}{}</span>').format(
            f"{value:%Y%m%d%H%M}", wording.day_word(value), clock
        )
    if isinstance(value, int):
        return escape(wording.plain(value, 0))
    return escape(value)


def amount(value: float | None, kind: str, low: float | None = None, high: float | None = None) -> Markup:
    """A cell whose unit stands in the header."""
    return quantity(value, kind, low, high, bare=True) if wording.known(value) else text(None)


Record = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Shown:
    """A column, and what of a record stands in it."""

    column: Column
    of: Callable[[Record], Any]

    def cell(self, record: Record) -> Markup:
        found = self.of(record)
        return found if isinstance(found, Markup) else text(found)


def said(head: str, of: str | Callable[[Record], Any], unit: str = "", number: bool = False) -> Shown:
    """A column of words or counts: a field of the record, or what a function makes of it."""
    return Shown(Column(head, Markup(unit), number), of if callable(of) else itemgetter(of))


def counted(head: str, of: str | Callable[[Record], Any], unit: str = "") -> Shown:
    return said(head, of, unit, number=True)


def measured(head: str, field: str, kind: str) -> Shown:
    """A column of amounts, their unit in its head."""
    return Shown(Column(head, unit_header(kind), number=True), lambda record: amount(record[field], kind))


def listed(
    caption: str,
    rows: pl.DataFrame | list[Record],
    *columns: Shown,
    at: Callable[[Record], dict[str, str]] = lambda record: {"shop": record["shop_id"]},
    most: int | None = None,
    source: str = "",
) -> Listing | None:
    """A row for each record, at most `most` of them; None where there is none."""
    every = rows.to_dicts() if isinstance(rows, pl.DataFrame) else rows
    made = [Row([one.cell(record) for one in columns], at(record)) for record in every[:most]]
    heads = [one.column for one in columns]
    return Listing(caption, heads, made, of=len(every) if most else 0, source=source) if made else None


_PLAIN_NUMBERS = {"effect", "vif", "reliability", "z", "stripe_f"}


def of_table(
    name: str,
    frame: pl.DataFrame,
    columns: Sequence[str],
    *,
    caption: str = "",
    limit: int = 25,
    currency: str = "",
    at: Sequence[str] = (),
    of: int | None = None,
    names: Mapping[str, Mapping[str, str]] | None = None,
) -> Listing:
    """The first `limit` rows of a published table, captions and units from its schema. `of`: how many rows there are, where
    `frame` holds but the first of them; `names`: what ids of a column are called."""
    infos = {info.name: info for info in validate.columns(name)}
    chosen = [infos[c] for c in columns]
    kinds = {
        i.name: wording.KIND_OF_UNIT.get(i.unit, "")
        if i.kind == "float" and i.name not in _PLAIN_NUMBERS
        else ("factor" if i.kind == "float" else "")
        for i in chosen
    }
    heads = [
        Column(
            wording.HEADS.get(i.name) or i.name.removesuffix(f"_{i.unit}" if i.unit else " ").replace("_", " "),
            unit_header(kinds[i.name], currency) if kinds[i.name] not in ("", "factor") else escape(_bare_unit(i)),
            number=i.kind in ("float", "int"),
            note=i.description,
        )
        for i in chosen
    ]
    rows = []
    for record in frame.head(limit).iter_rows(named=True):
        cells = [
            amount(record[i.name], kinds[i.name])
            if kinds[i.name]
            else text((names or {}).get(i.name, {}).get(record[i.name]) or _worded(i, record[i.name]))
            for i in chosen
        ]
        rows.append(Row(cells, {a: str(record[f"{a}_id" if a == "shop" else a]) for a in at}))
    return Listing(
        caption or str(validate.schema(name).description),
        heads,
        rows,
        of=frame.height if of is None else of,
        source=name,
    )


def _bare_unit(info: Any) -> str:
    return info.unit if info.kind == "float" and info.unit not in ("1", "") else ""


def _worded(info: Any, value: Any) -> Any:
    """A month in words, a word of a closed list as it is read, a number with the digits worth showing."""
    if info.name == "month":
        return wording.month_word(value)
    if isinstance(value, str) and info.values:
        return wording.spaced(value)
    return wording.plain(value, wording.digits(value)) if isinstance(value, float) else value


def cells(values: Iterable[Any]) -> list[Markup]:
    return [v if isinstance(v, Markup) else text(v) for v in values]
