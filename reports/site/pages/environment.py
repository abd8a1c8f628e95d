"""Usage and emissions: what was used and what went into the air, by month and category, against limits where there are
any.
"""

from __future__ import annotations

from functools import cache
from typing import Any

import polars as pl
from markupsafe import Markup

from reports import wording
from reports.missing import COLUMNS, missing
from reports.site.figures.emissions import emissions, source_of
from reports.site.figures.figure import Figure
from reports.site.listing import Column, Listing, Row, amount, counted, listed, measured, of_table, said, text
from reports.site.page_tables import PageTables
from reports.site.pages import limits, record
from reports.site.pages.common import Page, of_shop
from reports.site.theme import SOURCES
from reports.wording import spaced

_CATEGORY = {
    "coating": "coatings sprayed or thrown away",
    "cleaning": "cleaning",
    "surface_prep": "surface preparation",
    "unscaled": "used without a scale",
    "unmapped": "no category known",
    "waste": "documented waste, taken off",
}


def make(book: PageTables) -> dict[str, Any]:
    amounts = book.emissions
    if not amounts.frame.height:
        return {"present": False}
    months = amounts.periods
    total = amounts.sums()
    lacking = sorted({r["month"] for r in amounts.frame.iter_rows(named=True) if r["incomplete"] > 0})
    frame = book.table("emissions_monthly")
    blank = _blank(frame)
    figure = Figure(
        key="emissions",
        title="VOC by month and source",
        finding=_key(amounts)
        + (
            "A triangle marks a month that lacks something: its column is a lower bound."
            if lacking
            else "No month lacks anything."
        )
        + (" A click on a column shows its month alone." if len(months) > 1 else ""),
        plot=emissions(amounts, months),
        kind="emissions",
        how="emissions",
        data=_by_month(amounts, lacking, blank),
        behind="emissions",
        units={"y": {"kind": "mass_kg", "title": "VOC a month, {unit}"}},
        spec={"months": months},
    )
    return {
        "present": True,
        "total": total,
        "lacking": _lacking(frame, lacking),
        "blank": [wording.month_word(m) for m in blank],
        "n_months": len(amounts.members["month"]),
        "figure": figure,
        "missing": _missing(book, months),
        "by_category": _by_category(book, amounts),
        "restated": _restated(book),
        "waste": _waste(book),
        "annual": _annual(book),
        "log": _log(book),
        "hap_computed": book.computed("hap_monthly")
        and (book.sections is None or any("hap" in shown for shown in book.sections.values())),
        "hap": _hap(book),
        "hap_rows": of_table(
            "hap_monthly",
            book.shows("hap", "hap_monthly"),
            ["shop_id", "month", "substance", "cas", "kg", "kg_low", "kg_high", "kg_63_3941", "metal"],
            names=book.names,
            at=("shop", "month"),
        ),
        "stock": _stock(book),
        "n_stock": book.table("stock_reconciliation").height,
        **limits.make(book),
        **record.make(book),
    }


def _key(amounts: Any) -> Markup:
    """Which hatching is which source, for the sources that occur."""
    present = {source_of(c) for c in amounts.members["category"]}
    return Markup("").join(
        Markup('<span class="keyed"><span class="src src-{}"></span>{}</span> ').format(key.replace("_", "-"), word)
        for key, word, *_ in SOURCES
        if key in present
    )


def total_cell(sums: dict[str, float], measure: str, kind: str, *, bare: bool = True, other: bool = False) -> Markup:
    """A sum of the emissions, refilled by the script; `other`: in the units that are not chosen."""
    low, high = sums.get(f"{measure}.low"), sums.get(f"{measure}.high")
    return Markup('<span data-m="{}" data-kind="{}"{}{}>{}</span>').format(
        measure,
        kind,
        Markup(" data-bare") if bare else "",
        Markup(" data-other") if other else "",
        wording.phrase(
            sums.get(measure), kind, low, high, bare=bare, system="us" if other else "metric", beside="metric"
        ),
    )


_MEASURES = (
    ("poured, ready to spray", "rts_l", "volume_l"),
    ("VOC", "voc", "mass_kg"),
    ("exempt compounds", "exempt", "mass_kg"),
    ("particulate, upper figure", "pm", "mass_kg"),
)


def _columns(first: str) -> list[Column]:
    return [Column(first)] + [Column(head, wording.unit_header(kind), number=True) for head, _, kind in _MEASURES]


def _blank(frame: pl.DataFrame) -> list[str]:
    """Months of which nothing could be read, in any shop."""
    return sorted(frame.group_by("month").agg(pl.col("n_lines").sum()).filter(pl.col("n_lines") == 0)["month"])


def _lacking(frame: pl.DataFrame, months: list[str]) -> list[str]:
    """Incomplete months in words, with how many rows of theirs were refused."""
    of_shop = frame.group_by("month", "shop_id").agg(pl.col("n_refused").max())
    refused = dict(of_shop.group_by("month").agg(pl.col("n_refused").sum()).iter_rows())
    return [
        wording.month_word(month) + (f" ({n} row{'' if n == 1 else 's'} refused)" if (n := refused[month]) else "")
        for month in months
    ]


MOST_MISSING = 80


def _missing(book: PageTables, months: list[str]) -> Listing | None:
    """What the figures lack, a line each; None where nothing is known to lack."""
    shops = list(book.shop_labels)

    @cache
    def read(name: str) -> pl.DataFrame:
        return pl.concat(book.parts(name, COLUMNS[name])) if name in COLUMNS else book.table(name)

    lines = missing(read, str(book.setting("jurisdiction", "us")), shops, months, "all months")
    if not lines:
        return None
    rows = [
        Row(
            [
                text(book.shop_labels.get(shop, shop)),
                Markup('<span class="day">{}</span>').format(wording.month_word(month))
                if month[:4].isdigit()
                else text(month),
                text(wording.dated(what)),
            ],
            {"shop": shop} | ({"month": month} if month[:4].isdigit() else {}),
        )
        for shop, month, what in lines[:MOST_MISSING]
    ]
    found = Listing("What is missing", [Column("shop"), Column("month"), Column("what")], rows)
    if len(lines) > MOST_MISSING:
        found.caption = (
            f"What is missing: the first {MOST_MISSING} of {len(lines)} lines; a hand-out lists those of its period"
        )
    return found


def _by_month(amounts: Any, lacking: list[str], blank: list[str]) -> Listing:
    rows = []
    for month, sums in amounts.by("month").items():
        said = text(wording.month_word(month) + (" (lower bound)" if month in lacking else ""))
        cells = [text(None) if month in blank else total_cell(sums, m, kind) for _, m, kind in _MEASURES]
        rows.append(Row([said, *cells], {"key": month}))
    return Listing("Usage and emissions by month", _columns("month"), rows, by="month")


def _by_category(book: PageTables, amounts: Any) -> Listing:
    """Every category with its VOC in both units, and its cups against the limit on their content: all follow the choice."""
    of_permits, content = limits.of_categories(book), limits.content_of_categories(book)

    def cells(sums: dict[str, float]) -> list[Markup]:
        found = [total_cell(sums, m, kind) for _, m, kind in _MEASURES]
        return [*found[:2], total_cell(sums, "voc", "mass_kg", other=True), *found[2:]]

    def judged(sums: dict[str, float], measure: str, known: bool) -> Markup:
        return total_cell(sums, measure, "count") if known and measure in sums else text(None)

    rows = [
        Row(
            [
                text(_CATEGORY.get(category, spaced(category))), *cells(sums), *([text(of_permits.get(category))] if of_permits else []),
                content.get(category, text(None)), *(judged(sums, m, category in content) for m in ("judged", "above", "open")),
            ],
            {"key": category},
        )
        for category, sums in amounts.by("category").items()
    ]  # fmt: skip
    columns = _columns("category")
    other = Markup('<span data-unit="mass_kg" data-other>{}</span>').format(wording.unit_word("mass_kg", "us"))
    columns.insert(3, Column("VOC", other, number=True))
    columns += [
        *([Column("limit of a permit on its litres")] if of_permits else []),
        Column("limit on content", wording.unit_header("content_g_per_l"), number=True),
        Column("held against it", Markup("cups"), number=True), Column("above", Markup("cups"), number=True),
        Column("not judged", Markup("cups"), number=True),
    ]  # fmt: skip
    whole = amounts.sums()
    total = Row(
        [text("all together"), *cells(whole), *[text(None)] * (len(columns) - 6)]  # a cup may serve several categories
    )
    return Listing("Usage and emissions by category", columns, rows, by="category", total=total, css="unfolded")


def _restated(book: PageTables) -> Listing | None:
    """What has become of the figures of closed months."""
    frame = book.table("restatements")
    if not frame.height:
        return None
    return of_table(
        "restatements",
        frame,
        [
            "shop_id",
            "month",
            "figure_table",
            "part",
            "figure",
            "what",
            "was",
            "is_now",
            "was_said",
            "is_said",
            "because",
        ],
        caption="Figures of closed months that are no longer as they were reported",
        names=book.names,
        at=("shop", "month"),
    )


def _waste(book: PageTables) -> Listing | None:
    frame = book.table("waste_monthly").sort("month", "shop_id", descending=[True, False])
    if not frame.height:
        return None
    columns = "shop_id month generated_kg shipped_kg unexplained_kg on_hand_kg generator too_much_on_hand".split()
    return of_table(
        "waste_monthly", frame, columns, caption="Waste month by month", names=book.names, at=("shop", "month")
    )


def _annual(book: PageTables) -> Listing | None:
    frame = book.table("annual_statement").sort("year", "shop_id", "line", descending=[True, False, False])
    if not frame.height:
        return None
    columns = "shop_id year line substance kg tonnes tons_us threshold unit rule share_of_threshold reached complete n_months".split()
    return of_table(
        "annual_statement",
        frame,
        columns,
        caption="Calendar years against the thresholds of the place",
        names=book.names,
        at=("shop",),
    )


def _log(book: PageTables) -> Listing | None:
    frame = book.table("material_log").sort("month", "shop_id", "kind", descending=[True, False, False])
    if not frame.height:
        return None
    columns = (
        "shop_id month kind label category rts_l mass_kg share_by_volume voc_g_per_l_supplied voc_g_per_l_applied"
        " voc_g_per_l_regulatory limit_g_per_l n_over recovered_kg shipped_kg document_ref"
    ).split()
    return of_table(
        "material_log", frame, columns, caption="The log of materials", names=book.names, at=("shop", "month")
    )


def _hap(book: PageTables) -> Listing | None:
    """Hazardous air pollutants by shop and substance over all months; metals stand apart."""
    substance = ["shop_id", "metal", "substance", "cas"]
    summed = (
        book.shows("hap", "hap_monthly")
        .group_by(substance)
        .agg(pl.col("kg", "kg_low", "kg_high", "kg_63_3941").sum(), pl.col("month").n_unique())
        .sort(substance)
    )
    return listed(
        "By shop and substance, all months; in brackets from the lower to the upper stated fraction",
        summed,
        of_shop(book),
        said("substance", lambda r: f"{r['substance'] or r['cas']}{' (target metal)' if r['metal'] else ''}"),
        said("CAS number", "cas"),
        counted(
            "all of it", lambda r: amount(r["kg"], "mass_kg", r["kg_low"], r["kg_high"]), wording.unit_header("mass_kg")
        ),
        measured("counted by 40 CFR 63.3941", "kg_63_3941", "mass_kg"),
        counted("months", "month"),
    )


def _stock(book: PageTables) -> Listing | None:
    """Periods in which the store and the scale differ by more than the scales' spread."""
    frame = book.table("stock_reconciliation")
    apart = frame.filter((pl.col("low") > 0) | (pl.col("high") < 0))
    if not apart.height:
        return None
    return of_table(
        "stock_reconciliation",
        apart,
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
        caption="More, or less, gone from the store than recorded",
        limit=60,
        names=book.names,
        at=("shop",),
    )


PAGE = Page("environment", "Emissions", "What did we use, and what went into the air?", ("shop", "period"), make)
