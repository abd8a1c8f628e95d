"""Usage and emissions: what was used and what went into the air, by month and category, against limits where there are
any.
"""

from __future__ import annotations

from typing import Any

import polars as pl
from markupsafe import Markup

from reports import wording
from reports.book import Book
from reports.figures.base import Figure
from reports.figures.emissions import emissions, source_of
from reports.listing import Column, Listing, Row, of_table, text
from reports.pages.base import Page
from reports.theme import SOURCES

_CATEGORY = {
    "cleaning": "cleaning",
    "surface_prep": "surface preparation",
    "unscaled": "used without a scale",
    "unmapped": "no category known",
    "waste": "documented waste, taken off",
}


def make(book: Book) -> dict[str, Any]:
    cube = book.emissions
    if not cube.frame.height:
        return {"present": False}
    months = book.months
    total = cube.sums()
    lacking = sorted({r["month"] for r in cube.frame.iter_rows(named=True) if r["incomplete"] > 0})
    frame = book.table("emissions_monthly")
    figure = Figure(
        key="emissions",
        title="VOC by month and source",
        finding=_key(cube)
        + (
            "A triangle marks a month that lacks something: its column is a lower bound."
            if lacking
            else "No month lacks anything."
        ),
        plot=emissions(cube, months),
        kind="emissions",
        how="emissions",
        data=_by_month(cube),
        behind=of_table(
            "emissions_monthly",
            frame,
            [
                "shop_id",
                "month",
                "category",
                "rts_l",
                "voc_kg",
                "exempt_kg",
                "pm_kg",
                "complete",
                "share_a",
                "share_b",
                "share_c",
            ],
            at=("shop", "month"),
        ),
        units={"y": {"kind": "mass_kg", "title": "VOC a month, {unit}"}},
        spec={"months": months},
    )
    return {
        "present": True,
        "total": total,
        "lacking": [wording.month_word(m) for m in lacking],
        "n_months": len(cube.members["month"]),
        "figure": figure,
        "by_category": _by_category(cube),
        "rolling": _rolling(book),
        "hap": of_table(
            "hap_monthly",
            book.table("hap_monthly"),
            ["shop_id", "month", "substance", "cas", "kg", "kg_low", "kg_high", "kg_63_3941", "metal"],
            at=("shop", "month"),
        )
        if book.has("hap_monthly")
        else None,
        "hap_computed": book.computed("hap_monthly"),
        "content": _content(book),
        "stock": of_table(
            "stock_reconciliation",
            book.table("stock_reconciliation"),
            [
                "shop_id",
                "component_id",
                "from_on",
                "to_on",
                "delivered_g",
                "recorded_use_g",
                "unexplained_g",
                "low",
                "high",
            ],
            at=("shop",),
        )
        if book.has("stock_reconciliation")
        else None,
    }


def _key(cube: Any) -> Markup:
    """Which hatching is which source, for the sources that occur."""
    present = {source_of(c) for c in cube.members["category"]}
    return Markup("").join(
        Markup('<span class="keyed"><span class="src src-{}"></span>{}</span> ').format(key.replace("_", "-"), word)
        for key, word, *_ in SOURCES
        if key in present
    )


def total_cell(sums: dict[str, float], measure: str, kind: str, *, bare: bool = True) -> Markup:
    """A sum of the emissions cube, refilled by the script."""
    low, high = sums.get(f"{measure}.low"), sums.get(f"{measure}.high")
    return Markup('<span data-m="{}" data-kind="{}"{}>{}</span>').format(
        measure,
        kind,
        Markup(" data-bare") if bare else "",
        wording.phrase(sums.get(measure), kind, low, high, bare=bare),
    )


_MEASURES = (
    ("poured, ready to spray", "rts_l", "volume_l"),
    ("VOC", "voc", "mass_kg"),
    ("exempt compounds", "exempt", "mass_kg"),
    ("particulate, upper figure", "pm", "mass_kg"),
)


def _columns(first: str) -> list[Column]:
    return [Column(first)] + [Column(head, wording.unit_header(kind), number=True) for head, _, kind in _MEASURES]


def _by_month(cube: Any) -> Listing:
    rows = [
        Row([text(wording.month_word(month)), *(total_cell(sums, m, kind) for _, m, kind in _MEASURES)], {"key": month})
        for month, sums in cube.by("month").items()
    ]
    return Listing("Usage and emissions by month", _columns("month"), rows, by="month")


def _by_category(cube: Any) -> Listing:
    rows = [
        Row(
            [
                text(_CATEGORY.get(category, category.replace("_", " "))),
                *(total_cell(sums, m, kind) for _, m, kind in _MEASURES),
            ],
            {"key": category},
        )
        for category, sums in cube.by("category").items()
    ]
    return Listing("Usage and emissions by category", _columns("category"), rows, by="category")


def _rolling(book: Book) -> Listing | None:
    """The latest twelve-month sum of every shop and measure against its limit."""
    frame = book.table("rolling_12_months")
    if not frame.height:
        return None
    latest = frame.filter(pl.col("month") == pl.col("month").max().over("shop_id", "measure"))
    return of_table(
        "rolling_12_months",
        latest,
        ["shop_id", "month", "measure", "total", "months_present", "limit", "share_of_limit"],
        caption="The latest sum of twelve calendar months, by shop and measure",
        limit=60,
        at=("shop",),
    )


def _content(book: Book) -> Listing | None:
    """Cups above a limit on VOC content, by category."""
    frame = book.table("voc_content")
    if not frame.height:
        return None
    over = frame.filter(pl.col("over").fill_null(False))
    return of_table(
        "voc_content",
        over,
        ["shop_id", "mix_id", "jurisdiction", "category", "g_per_l", "limit_g_per_l", "basis", "source"],
        caption=f"Cups above a limit on VOC content: {over.height} of {frame.height}",
        at=("shop",),
    )


PAGE = Page("environment", "Emissions", "What did we use, and what went into the air?", ("shop", "period"), make)
