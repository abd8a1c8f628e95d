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
from reports.site.figures.limit_curves import limit_curve
from reports.site.figures.mini import share_of_limit
from reports.site.listing import Column, Listing, Record, Row, amount, counted, listed, measured, of_table, said, text
from reports.site.page_tables import PageTables
from reports.site.pages import record
from reports.site.pages.common import Page, of_shop
from reports.site.theme import SOURCES
from reports.wording import PERMIT_UNITS, measure_words, spaced

#: so many windows of limits stand on the page; all of them are in the table limit_windows
MOST_WINDOWS = 400
BASES = {"regulatory": "less water and exempt compounds", "actual": "as applied", "eu": "as the directive counts it"}
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
        "breaches": _breaches(book),
        "windows": _windows(book),
        "headroom": _headroom(book),
        "curves": _curves(book),
        "curve": _curve(book),
        "restated": _restated(book),
        "waste": _waste(book),
        "annual": _annual(book),
        "log": _log(book),
        "rolling": _rolling(book),
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
        "content": _content(book),
        "over_rows": _over_rows(book),
        "stock": _stock(book),
        "n_stock": book.table("stock_reconciliation").height,
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


def total_cell(sums: dict[str, float], measure: str, kind: str, *, bare: bool = True) -> Markup:
    """A sum of the emissions, refilled by the script."""
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
    limits, content = _category_limits(book), _content_limits(book)
    rows = []
    for category, sums in amounts.by("category").items():
        cells = (total_cell(sums, m, kind) for _, m, kind in _MEASURES)
        said = text(_CATEGORY.get(category, spaced(category)))
        rows.append(
            Row([said, *cells, text(limits.get(category)), content.get(category, text(None))], {"key": category})
        )
    columns = [
        *_columns("category"), Column("limit of a permit on its litres"),
        Column("limit on VOC content, all months", wording.unit_header("content_g_per_l")),
    ]  # fmt: skip
    whole = amounts.sums()
    total = Row(
        [text("all together"), *(total_cell(whole, m, kind) for _, m, kind in _MEASURES), text(None), text(None)]
    )
    return Listing("Usage and emissions by category", columns, rows, by="category", total=total)


def _category_limits(book: PageTables) -> dict[str, str]:
    """What permits say of a category's litres, in their own words."""
    frame = (
        book.table("permit_headroom")
        .filter(pl.col("measure").str.starts_with("rts_l:"))
        .sort("measure", "shop_id", "period")
    )
    found: dict[str, list[str]] = {}
    for r in frame.iter_rows(named=True):
        shop = book.shop_labels.get(r["shop_id"], r["shop_id"])
        said = f"{shop}: {wording.plain(r['limit_stated'], 2)} {PERMIT_UNITS.get(r['unit'], r['unit'])}, {spaced(r['period'])}"
        found.setdefault(r["measure"].removeprefix("rts_l:"), []).append(said)
    return {category: "; ".join(said) for category, said in found.items()}


def _content_limits(book: PageTables) -> dict[str, Markup]:
    """The limits of a category on the content of its cups, how many cups lie above, and of how many that is not judged: their
    content is not known, or the place judges averages."""
    of = ["category", "limit_g_per_l"]
    parts = [
        part.filter(pl.col("limit_g_per_l").is_not_null())
        .group_by(of)
        .agg(pl.col("over").sum(), n=pl.col("over").count(), open=pl.col("over").is_null().sum())
        for part in book.parts_shown("voc_content", "voc_content")
    ]
    found: dict[str, list[Markup]] = {}
    for r in pl.concat(parts).group_by(of).agg(pl.col("n", "over", "open").sum()).sort(of).iter_rows(named=True):
        limit = wording.quantity(r["limit_g_per_l"], "content_g_per_l", bare=True)
        above = wording.plain(r["over"], 0) if r["over"] else "none"
        told = [f"{above} of {wording.jobs(r['n'], 'cup', 'cups')} above"] if r["n"] else []
        told += [f"{wording.jobs(r['open'], 'cup', 'cups')} not judged"] if r["open"] else []
        found.setdefault(r["category"], []).append(Markup("{}: {}").format(limit, "; ".join(told)))
    return {category: Markup("; ").join(said) for category, said in found.items()}


def _period_words(period: str, month: str | None) -> str:
    """ "rolling_12_months", "2026-04" -> "twelve months to April 2026"."""
    if not month:
        return period.replace("_", " ")
    last = wording.month_word(month)
    return {
        "month": last,
        "rolling_12_months": f"twelve months to {last}",
        "calendar_year": f"January to {last}" if month[5:7] != "01" else last,
    }[period]


def _kind(measure: str) -> str:
    return "volume_l" if measure.startswith("rts_l") else "mass_kg"


def _substances(book: PageTables) -> dict[str, str]:
    frame = book.table("hap_monthly").select("cas", "substance").drop_nulls().unique().sort("cas", "substance")
    return dict(frame.iter_rows())


def _window_words(window: dict[str, Any]) -> str:
    """ "June 2026", "twelve months to June 2026", "2026"."""
    return window["window"] if len(window["window"]) == 4 else _period_words(window["period"], window["window"])


def _breaches(book: PageTables) -> list[str]:
    """Each window above its limit as a sentence, in the permit's own unit."""
    substances = _substances(book)
    out = []
    for r in (
        book.table("limit_windows")
        .filter("breached")
        .sort("window", descending=True, maintain_order=True)
        .iter_rows(named=True)
    ):
        of = _window_words(r)
        lacks = "" if r["complete"] else " at least"
        out.append(
            f"{book.shop_labels.get(r['shop_id'], r['shop_id'])}, {of}: {measure_words(r['measure'], substances)},{lacks}"
            f" {wording.plain(r['total'], 2)} {PERMIT_UNITS.get(r['unit'], r['unit'])} against {wording.plain(r['limit'], 2)} ({r['source']})."
        )
    return out


def _windows(book: PageTables) -> Listing | None:
    """Every window of every limit: breaches first, then what cannot be told, then the nearest to its limit."""
    order = pl.col("breached").replace_strict({True: 0, False: 2}, default=1, return_dtype=pl.Int64)
    keys = ("shop_id", "measure", "period", "window")
    verdicts = {True: "above the limit", False: "within", None: "cannot be told"}
    substances = _substances(book)
    return listed(
        "Every window of every limit",
        book.table("limit_windows").sort(order, -pl.col("share_of_limit"), *keys, nulls_last=True),
        of_shop(book),
        said("what is limited", lambda r: measure_words(r["measure"], substances)),
        said("over", _window_words),
        said("verdict", lambda r: verdicts[r["breached"]]),
        counted("reached", lambda r: wording.plain(r["total"], 2) if wording.known(r["total"]) else None),
        counted("limit", lambda r: wording.plain(r["limit"], 2)),
        said("unit of the permit", lambda r: PERMIT_UNITS.get(r["unit"], r["unit"])),
        measured("of the limit", "share_of_limit", "share"),
        counted("months with records", "months_present"),
        at=lambda r: {"shop": r["shop_id"]} | ({"month": r["window"]} if len(r["window"]) > 4 else {}),
        most=MOST_WINDOWS,
        source="limit_windows",
    )


def _headroom(book: PageTables) -> Listing | None:
    """Every limit of a permit, with what stands against it."""
    substances = _substances(book)
    strip = Markup('<span class="cell-strip open">{}</span>')
    return listed(
        "Limits of the permits, and what stands against them",
        book.table("permit_headroom"),
        of_shop(book),
        said("what is limited", lambda r: measure_words(r["measure"], substances)),
        said("over", lambda r: _period_words(r["period"], r["month"])),
        counted("reached", lambda r: wording.quantity(r["total"], _kind(r["measure"]))),
        counted("limit", lambda r: wording.quantity(r["limit"], _kind(r["measure"]))),
        measured("of the limit", "share_of_limit", "share"),
        said("limit at the upright line", lambda r: strip.format(share_of_limit(r["share_of_limit"]))),
        said("complete", lambda r: "yes" if r["complete"] else "no: a lower bound"),
        said("where it stands", "source"),
    )


def _asked(book: PageTables, frame: pl.DataFrame) -> pl.DataFrame:
    """Sums that the shop's pack asks for: pollutants where it shows them, the Union's solvent where it counts it."""
    if book.sections is None:
        return frame
    of = {
        section: [s for s, shown in book.sections.items() if section in shown]
        for section in ("hap", "solvent_consumption")
    }
    return frame.filter(
        (~pl.col("measure").str.starts_with("hap_kg") | pl.col("shop_id").is_in(of["hap"]))
        & ((pl.col("measure") != "solvent_kg") | pl.col("shop_id").is_in(of["solvent_consumption"]))
    )


MOST_MONTHS = 600
MOST_DRAWN, MONTHS_DRAWN = 12, 24


def _curves(book: PageTables) -> list[Markup]:
    """The drawings of the limits that are nearest, each over its latest two years; all of them stand in the table beneath."""
    frame = book.table("limit_curve").filter("unit_fits").sort("month")
    limits = frame.partition_by("shop_id", "measure", "period", maintain_order=True) if frame.height else []
    runs = [limit.tail(MONTHS_DRAWN).to_dicts() for limit in limits]
    runs.sort(key=lambda r: (-(r[-1]["share_of_limit"] or 0.0), r[-1]["shop_id"], r[-1]["measure"], r[-1]["period"]))
    substances = _substances(book)
    over = {"month": "each month", "rolling_12_months": "over twelve months", "calendar_year": "since January"}
    return [
        limit_curve(
            f"{book.shop_labels.get(r[-1]['shop_id'], r[-1]['shop_id'])}: {measure_words(r[-1]['measure'], substances)},"
            f" {over[r[-1]['period']]}.",
            r, _kind(r[-1]["measure"]), r[-1]["shop_id"],
        )
        for r in runs[:MOST_DRAWN]
    ]  # fmt: skip


def _curve(book: PageTables) -> Listing | None:
    """Month by month under each limit: what was reached, what is left in both units, the pace and the month of the crossing."""
    frame = book.table("limit_curve").sort(
        "month", "shop_id", "measure", "period", descending=[True, False, False, False]
    )
    if not frame.height:
        return None
    substances = _substances(book)
    columns = [
        Column("shop"), Column("what is limited"), Column("over"), Column("reached", number=True), Column("limit", number=True),
        Column("head-room", number=True), Column("unit of the permit"), Column("head-room, kg or L", number=True),
        Column("pace a month", number=True), Column("crossed at that pace in"),
    ]  # fmt: skip

    def stated(value: float | None) -> Markup:
        return text(wording.plain(value, 2) if value is not None and wording.known(value) else None)

    rows = [
        Row(
            [
                text(book.shop_labels.get(r["shop_id"], r["shop_id"])),
                text(measure_words(r["measure"], substances)),
                text(_period_words(r["period"], r["month"])),
                stated(r["total_stated"]),
                stated(r["limit_stated"]),
                stated(r["headroom_stated"]),
                text(PERMIT_UNITS.get(r["unit"], r["unit"])),
                wording.quantity(r["headroom"], _kind(r["measure"])),
                stated(r["pace_stated"]),
                text(wording.month_word(r["crossed_in"]) if r["crossed_in"] else "not in sight"),
            ],
            {"shop": r["shop_id"], "month": r["month"]},
        )
        for r in frame.head(MOST_MONTHS).iter_rows(named=True)
    ]
    return Listing("Each limit month by month", columns, rows, of=frame.height, source="limit_curve")


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


def _rolling(book: PageTables) -> Listing | None:
    """Twelve-month sums of every shop at its last month with pours."""
    frame = _asked(book, book.table("rolling_12_months"))
    if not frame.height:
        return None
    last = (
        book.emissions.frame.filter(pl.col("rts_l") > 0).group_by("shop_id").agg(last=pl.col("month").max())
        if book.emissions.frame.height
        else pl.DataFrame(schema={"shop_id": pl.String, "last": pl.String})
    )
    latest = (
        frame.join(last, on="shop_id", how="left")
        .filter(pl.col("month") == pl.col("last").fill_null(pl.col("month").max().over("shop_id")))
        .sort("shop_id", "measure")
    )
    substances = _substances(book)
    return listed(
        "The latest sums of twelve calendar months, by shop",
        latest,
        of_shop(book),
        said("twelve months to", lambda r: wording.month_word(r["month"])),
        said("what is summed", lambda r: measure_words(r["measure"], substances)),
        counted("sum", lambda r: wording.quantity(r["total"], _kind(r["measure"]))),
        counted("months with records", "months_present"),
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


def _content(book: PageTables) -> Listing | None:
    """VOC content of cups against limits, by shop and category: how many, how many above."""
    limit = ["shop_id", "jurisdiction", "category", "basis", "limit_g_per_l"]
    by_shop = [
        part.group_by(limit).agg(
            n=pl.len(),
            over=pl.col("over").sum(),
            undecided=pl.col("why_not").count(),
            greatest=pl.col("g_per_l").max(),
        )
        for part in book.parts_shown("voc_content", "voc_content")
    ]
    summed = pl.concat(by_shop).sort("shop_id", "jurisdiction", "category", "limit_g_per_l", nulls_last=True)

    places = dict(book.table("packs").select("jurisdiction", "label").iter_rows())

    def above(r: Record) -> int | None:
        return r["over"] if r["limit_g_per_l"] is not None and r["undecided"] < r["n"] else None

    return listed(
        "Cups against the limit of their category",
        summed,
        of_shop(book),
        said("category", lambda r: spaced(r["category"] or "no category known")),
        said("rule of", lambda r: places.get(r["jurisdiction"], r["jurisdiction"])),
        said("content counted", lambda r: BASES.get(r["basis"], spaced(r["basis"]))),
        measured("limit", "limit_g_per_l", "content_g_per_l"),
        measured("highest cup", "greatest", "content_g_per_l"),
        counted("cups", "n"),
        counted("above the limit", above, "cups"),
        counted("cannot be compared", "undecided", "cups"),
    )


def _over_rows(book: PageTables) -> Listing | None:
    over = pl.concat([part.filter("over") for part in book.parts_shown("voc_content", "voc_content")])
    if not over.height:
        return None
    return of_table(
        "voc_content",
        over.with_columns(pl.col("basis").replace(BASES)),
        ["shop_id", "mix_id", "product_id", "category", "g_per_l", "limit_g_per_l", "basis", "source"],
        caption="Cups above the limit",
        names=book.names,
        at=("shop",),
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
