"""What a jurisdiction's pack asks to have on record besides amounts: training, booths, guns, metals, the EU's solvent
balance, averages, how long to keep what. Parts of the emissions page; only sections that some shop's pack shows appear.

People are counted here, never named: this page goes to whoever asks for the environmental record.
"""

from __future__ import annotations

import datetime as dt
from typing import Any

import polars as pl
from markupsafe import Markup

from reports import wording
from reports.site.listing import Column, Listing, Row, amount, text
from reports.site.page_tables import PageTables

_STATUS = ("trained", "due", "overdue", "expired", "missing")


def make(book: PageTables) -> dict[str, Any]:
    return {
        "training": _training(book),
        "booths": _booths(book),
        "shop_guns": _guns(book),
        "metals": _metals(book),
        "solvent": _solvent(book),
        "averages": _averages(book),
        "stages": _stages(book),
        "retention": _retention(book),
        "packs": _packs(book),
    }


def _shop(book: PageTables, shop: str) -> Markup:
    return text(book.shop_labels.get(shop, shop))


def _training(book: PageTables) -> Listing | None:
    frame = book.table("compliance_training").filter(pl.col("status") != "left")
    if not frame.height:
        return None
    counted = frame.group_by("shop_id", "rule", "label", "source").agg(
        *(pl.col("status").eq(s).sum().alias(s) for s in _STATUS)
    )
    columns = [
        Column("shop"),
        Column("training"),
        *(Column(s, number=True) for s in _STATUS),
        Column("where it stands"),
    ]
    rows = [
        Row(
            [
                _shop(book, r["shop_id"]),
                text(r["label"] or r["rule"]),
                *(text(int(r[s])) for s in _STATUS),
                text(r["source"]),
            ],
            {"shop": r["shop_id"]},
        )
        for r in counted.sort("shop_id", "rule").iter_rows(named=True)
    ]
    return Listing(
        "People counted by where their training stands, on the last day of each shop's records", columns, rows
    )


def _booths(book: PageTables) -> Listing | None:
    frame = book.table("compliance_booths")
    if not frame.height:
        return None
    columns = [
        Column("shop"),
        Column("booth"),
        Column("from"),
        Column("to"),
        Column("filter holds back", Markup("%"), number=True),
        Column("asked for", Markup("%"), number=True),
        Column("against the rule"),
        Column("missing"),
        Column("where it stands"),
    ]
    rows = [
        Row(
            [
                _shop(book, r["shop_id"]),
                text(r["booth_id"]),
                text(_day(r["from_on"], "from the start")),
                text(_day(r["until_on"], "now")),
                amount(r["filter_capture"], "share"),
                amount(r["filter_capture_needed"], "share"),
                text(r["status"]),
                text(r["missing"] or "nothing"),
                text(r["source"]),
            ],
            {"shop": r["shop_id"]},
        )
        for r in frame.iter_rows(named=True)
    ]
    return Listing("Booth filters", columns, rows)


def _day(day: dt.date | None, otherwise: str) -> str:
    return otherwise if day is None or day.year == 1 else day.isoformat()


def _guns(book: PageTables) -> Listing | None:
    frame = book.table("compliance_guns").filter(pl.col("retired_on").is_null())
    if not frame.height:
        return None
    columns = [
        Column("shop"),
        Column("gun"),
        Column("how it atomises"),
        Column("qualifies"),
        Column("why"),
        Column("cup", wording.unit_header("volume_ml"), number=True),
        Column("cup against the 3 fl oz line"),
    ]
    rows = [
        Row(
            [
                _shop(book, r["shop_id"]),
                text(r["gun_id"]),
                text((r["atomising"] or "").replace("_", " ")),
                text(r["qualifies"]),
                text(r["why"]),
                amount(r["cup_ml"], "volume_ml"),
                text(r["cup"]),
            ],
            {"shop": r["shop_id"]},
        )
        for r in frame.iter_rows(named=True)
    ]
    return Listing("Guns in service under the shop rules", columns, rows)


def _metals(book: PageTables) -> Listing | None:
    frame = book.shows("target_metals", "compliance_metals")
    if not frame.height:
        return None
    counted = frame.group_by("shop_id", "metal").agg(
        *(pl.col("verdict").eq(v).sum().alias(v) for v in ("above", "review", "below")), pl.col("product_id").n_unique()
    )
    columns = [
        Column("shop"),
        Column("metal"),
        *(Column(w, Markup("cups"), number=True) for w in ("above its threshold", "to review", "below")),
        Column("products", number=True),
    ]
    rows = [
        Row(
            [
                _shop(book, r["shop_id"]),
                text(r["metal"]),
                *(text(int(r[v])) for v in ("above", "review", "below")),
                text(r["product_id"]),
            ],
            {"shop": r["shop_id"]},
        )
        for r in counted.sort("shop_id", "metal").iter_rows(named=True)
    ]
    return Listing("Cups that hold a target metal of 40 CFR 63 subpart HHHHHH, against its threshold", columns, rows)


def _solvent(book: PageTables) -> Listing | None:
    frame = book.table("compliance_solvent")
    if not frame.height:
        return None
    heads = {
        "input_kg": "went in",
        "came_back_kg": "came back from cleaning",
        "consumed_kg": "consumed",
        "waste_kg": "in documented waste",
        "emitted_less_waste_kg": "emitted, waste taken off",
    }
    columns = [
        Column("shop"),
        Column("year"),
        *(Column(w, wording.unit_header("mass_kg"), number=True) for w in heads.values()),
        Column("complete"),
    ]
    rows = [
        Row(
            [
                _shop(book, r["shop_id"]),
                text(str(r["year"])),
                *(amount(r[c], "mass_kg") for c in heads),
                text("yes" if r["complete"] else "no: a lower bound"),
            ],
            {"shop": r["shop_id"]},
        )
        for r in frame.iter_rows(named=True)
    ]
    return Listing("Organic solvent of a calendar year, by the European Union's definitions", columns, rows)


def _averages(book: PageTables) -> Listing | None:
    """Monthly averages where the jurisdiction judges them."""
    frame = book.table("compliance_average").filter("judged")
    if not frame.height:
        return None
    columns = [
        Column("shop"),
        Column("month"),
        Column("category"),
        Column("average", wording.unit_header("content_g_per_l"), number=True),
        Column("limit", wording.unit_header("content_g_per_l"), number=True),
        Column("above"),
    ]
    rows = [
        Row(
            [
                _shop(book, r["shop_id"]),
                text(wording.month_word(r["month"])),
                text((r["category"] or "").replace("_", " ")),
                amount(r["g_per_l"], "content_g_per_l"),
                amount(r["limit_g_per_l"], "content_g_per_l"),
                text("cannot be told" if r["over"] is None else r["over"]),
            ],
            {"shop": r["shop_id"], "month": r["month"]},
        )
        for r in frame.head(600).iter_rows(named=True)
    ]
    return Listing(
        "Average VOC content of a month by category", columns, rows, of=frame.height, source="compliance_average"
    )


def _stages(book: PageTables) -> Listing | None:
    frame = book.table("compliance_multistage")
    if not frame.height:
        return None
    summed = (
        frame.group_by("shop_id", "jurisdiction", "limit_g_per_l")
        .agg(n=pl.len(), over=pl.col("over").sum(), greatest=pl.col("g_per_l").max())
        .sort("shop_id", "jurisdiction", "limit_g_per_l")
    )
    columns = [
        Column("shop"),
        Column("rule of"),
        Column("limit", wording.unit_header("content_g_per_l"), number=True),
        Column("highest job", wording.unit_header("content_g_per_l"), number=True),
        Column("jobs", number=True),
        Column("above", Markup("jobs"), number=True),
    ]
    rows = [
        Row(
            [
                _shop(book, r["shop_id"]),
                text(r["jurisdiction"]),
                amount(r["limit_g_per_l"], "content_g_per_l"),
                amount(r["greatest"], "content_g_per_l"),
                text(r["n"]),
                text(r["over"] if r["limit_g_per_l"] is not None else None),
            ],
            {"shop": r["shop_id"]},
        )
        for r in summed.iter_rows(named=True)
    ]
    return Listing("Base, mid and clear coats of one job together; the rule binds makers of coatings", columns, rows)


def _retention(book: PageTables) -> Listing | None:
    frame = book.table("compliance_retention")
    if not frame.height:
        return None
    columns = [
        Column("shop"),
        Column("record"),
        Column("keep", Markup("years"), number=True),
        Column("what to keep is from"),
        Column("note"),
        Column("where it stands"),
    ]
    rows = [
        Row(
            [
                _shop(book, r["shop_id"]),
                text((r["record"] or "").replace("_", " ")),
                text(r["years"]),
                text(_day(r["keep_since"], "the start")),
                text(r["note"]),
                text(r["source"]),
            ],
            {"shop": r["shop_id"]},
        )
        for r in frame.iter_rows(named=True)
    ]
    return Listing("How long each kind of record must be kept", columns, rows)


def _packs(book: PageTables) -> list[tuple[str, str]]:
    """(shops, what the pack says of itself) for every jurisdiction in use; figures not read are said to be so."""
    packs = {r["jurisdiction"]: r for r in book.table("packs").iter_rows(named=True)}
    own = dict(book.table("shops").select("shop_id", "jurisdiction").iter_rows())
    used: dict[str, list[str]] = {}
    for shop, label in book.shop_labels.items():
        used.setdefault(own.get(shop) or str(book.setting("jurisdiction", "us")), []).append(label)
    out = []
    for jurisdiction, shops in sorted(used.items()):
        pack = packs.get(jurisdiction)
        if pack is None:
            if packs:
                out.append((", ".join(shops), f"No pack is here for {jurisdiction!r}: sums are shown, limits are not."))
            continue
        verify = " Its figures are not read from the rule itself: verify before use." if pack["verify"] else ""
        named = ", ".join(shops) if len(shops) <= 6 else f"{len(shops)} shops"
        out.append((named, f"{pack['label']}. {pack['note']}.{verify} ({pack['source']})"))
    return out
