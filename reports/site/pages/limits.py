"""What stands against a limit: windows, head-room, the way to a crossing, sums of twelve months, the content of cups.

Here belong the lists and drawings of the section on limits of the page of emissions. What was used and emitted stands there.
"""

from __future__ import annotations

from typing import Any

import polars as pl
from markupsafe import Markup

from reports import wording
from reports.site.figures.limit_curves import limit_curve
from reports.site.figures.mini import share_of_limit
from reports.site.listing import Column, Listing, Record, Row, counted, listed, measured, of_table, said, text
from reports.site.page_tables import PageTables
from reports.site.pages.common import of_shop
from reports.wording import PERMIT_UNITS, measure_words, spaced
from schemas.registers import PERIODS

#: so many windows of limits stand on the page; all of them are in the table limit_windows
MOST_WINDOWS = 400
BASES = {"regulatory": "less water and exempt compounds", "actual": "as applied", "eu": "as the directive counts it"}
MOST_MONTHS = 600
MOST_DRAWN, MONTHS_DRAWN = 12, 24


def make(book: PageTables) -> dict[str, Any]:
    return {
        "breaches": _breaches(book),
        "windows": _windows(book),
        "headroom": _headroom(book),
        "curves": _curves(book),
        "curve": _curve(book),
        "rolling": _rolling(book),
        "content": _content(book),
        "over_rows": _over_rows(book),
    }


def of_categories(book: PageTables) -> dict[str, str]:
    """What permits say of a category's litres, in their own words."""
    frame = (
        book.table("permit_headroom")
        .filter(pl.col("measure").str.starts_with("rts_l:"))
        .sort("measure", "shop_id", "period")
    )
    found: dict[str, list[str]] = {}
    for r in frame.iter_rows(named=True):
        shop = book.shop_labels.get(r["shop_id"], r["shop_id"])
        said = f"{shop}: {wording.plain(r['limit_stated'], 2)} {PERMIT_UNITS.get(r['unit'], r['unit'])}, {PERIODS[r['period']]}"
        found.setdefault(r["measure"].removeprefix("rts_l:"), []).append(said)
    return {category: "; ".join(said) for category, said in found.items()}


def content_of_categories(book: PageTables) -> dict[str, Markup]:
    """The limits on the content of a category's cups, each with the shops that it holds for."""
    of = (
        book.content.drop_nulls("limit_g_per_l")
        .group_by("category", "limit_g_per_l")
        .agg(pl.col("shop_id").unique().sort())
    )
    found: dict[str, list[Markup]] = {}
    for category, limit, shops in of.sort("category", "limit_g_per_l").iter_rows():
        said = Markup('<span class="limit" data-map data-shop="{}">{}</span>').format(
            " ".join(shops), wording.quantity(limit, "content_g_per_l", bare=True)
        )
        found.setdefault(category, []).append(said)
    return {category: Markup(" ").join(said) for category, said in found.items()}


def _kind(measure: str) -> str:
    return "volume_l" if measure.startswith("rts_l") else "mass_kg"


def _substances(book: PageTables) -> dict[str, str]:
    frame = book.table("hap_monthly").select("cas", "substance").drop_nulls().unique().sort("cas", "substance")
    return dict(frame.iter_rows())


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
        of = wording.window_word(r["period"], r["window"])
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
        said("over", lambda r: wording.window_word(r["period"], r["window"])),
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
        said("over", lambda r: wording.window_word(r["period"], r["month"])),
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


def _curves(book: PageTables) -> list[Markup]:
    """The drawings of the limits that are nearest, each over its latest two years; all of them stand in the table beneath."""
    frame = book.table("limit_curve").filter("unit_fits").sort("month")
    limits = frame.partition_by("shop_id", "measure", "period", maintain_order=True) if frame.height else []
    runs = [limit.tail(MONTHS_DRAWN).to_dicts() for limit in limits]
    runs.sort(key=lambda r: (-(r[-1]["share_of_limit"] or 0.0), r[-1]["shop_id"], r[-1]["measure"], r[-1]["period"]))
    substances = _substances(book)
    return [
        limit_curve(
            f"{book.shop_labels.get(r[-1]['shop_id'], r[-1]['shop_id'])}: {measure_words(r[-1]['measure'], substances)},"
            f" {PERIODS[r[-1]['period']]}.",
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
                text(wording.window_word(r["period"], r["month"])),
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


def _content(book: PageTables) -> Listing | None:
    """VOC content of cups against limits, by shop and category: how many, how many above."""
    limit = ["shop_id", "jurisdiction", "category", "basis", "limit_g_per_l"]
    summed = book.content.group_by(limit).agg(pl.col("n", "above", "undecided").sum(), pl.col("greatest").max())
    summed = summed.sort("shop_id", "jurisdiction", "category", "limit_g_per_l", nulls_last=True)
    places = dict(book.table("packs").select("jurisdiction", "label").iter_rows())

    def above(r: Record) -> int | None:
        return r["above"] if r["limit_g_per_l"] is not None and r["undecided"] < r["n"] else None

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
