"""What a jurisdiction's pack asks to have on record besides amounts: training, booths, guns, metals, the EU's solvent
balance, averages, how long to keep what. Parts of the emissions page; only sections that some shop's pack shows appear.

People are counted here, never named: this page goes to whoever asks for the environmental record.
"""

from __future__ import annotations

import datetime as dt
from typing import Any

import polars as pl

from reports import wording
from reports.site.listing import Listing, counted, listed, measured, said
from reports.site.page_tables import PageTables
from reports.site.pages.common import of_shop
from reports.wording import spaced

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
        "law": _law(book),
    }


def _training(book: PageTables) -> Listing | None:
    frame = book.table("compliance_training").filter(pl.col("status") != "left")
    people = frame.group_by("shop_id", "rule", "label", "source").agg(
        *(pl.col("status").eq(s).sum().alias(s) for s in _STATUS)
    )
    return listed(
        "People counted by where their training stands, on the last day of each shop's records",
        people.sort("shop_id", "rule"),
        of_shop(book),
        said("training", lambda r: r["label"] or r["rule"]),
        *(counted(s, s) for s in _STATUS),
        said("where it stands", "source"),
    )


def _booths(book: PageTables) -> Listing | None:
    return listed(
        "Booth filters",
        book.table("compliance_booths"),
        of_shop(book),
        said("booth", "booth_id"),
        said("from", lambda r: _day(r["from_on"], "from the start")),
        said("to", lambda r: _day(r["until_on"], "now")),
        measured("filter holds back", "filter_capture", "share"),
        measured("asked for", "filter_capture_needed", "share"),
        said("against the rule", "status"),
        said("missing", lambda r: r["missing"] or "nothing"),
        said("where it stands", "source"),
    )


def _day(day: dt.date | None, otherwise: str) -> str:
    return otherwise if day is None or day.year == 1 else wording.day_word(day)


def _guns(book: PageTables) -> Listing | None:
    return listed(
        "Guns in service under the shop rules",
        book.table("compliance_guns").filter(pl.col("retired_on").is_null()),
        of_shop(book),
        said("gun", "gun_id"),
        said("how it atomises", lambda r: spaced(r["atomising"])),
        said("qualifies", "qualifies"),
        said("why", "why"),
        measured("cup", "cup_ml", "volume_ml"),
        said("cup against the 3 fl oz line", "cup"),
    )


def _metals(book: PageTables) -> Listing | None:
    words = {"above": "above its threshold", "review": "to review", "below": "below"}
    cups = (
        book.shows("target_metals", "compliance_metals")
        .group_by("shop_id", "metal")
        .agg(*(pl.col("verdict").eq(v).sum().alias(v) for v in words), pl.col("product_id").n_unique())
    )
    return listed(
        "Cups that hold a target metal of 40 CFR 63 subpart HHHHHH, against its threshold",
        cups.sort("shop_id", "metal"),
        of_shop(book),
        said("metal", "metal"),
        *(counted(word, verdict, "cups") for verdict, word in words.items()),
        counted("products", "product_id"),
    )


def _solvent(book: PageTables) -> Listing | None:
    heads = {
        "input_kg": "went in",
        "came_back_kg": "came back from cleaning",
        "consumed_kg": "consumed",
        "waste_kg": "in documented waste",
        "emitted_less_waste_kg": "emitted, waste taken off",
    }
    return listed(
        "Organic solvent of a calendar year, by the European Union's definitions",
        book.table("compliance_solvent"),
        of_shop(book),
        said("year", lambda r: str(r["year"])),
        *(measured(head, name, "mass_kg") for name, head in heads.items()),
        said("complete", lambda r: "yes" if r["complete"] else "no: a lower bound"),
    )


def _averages(book: PageTables) -> Listing | None:
    """Monthly averages where the jurisdiction judges them."""
    return listed(
        "Average VOC content of a month by category",
        book.table("compliance_average").filter("judged"),
        of_shop(book),
        said("month", lambda r: wording.month_word(r["month"])),
        said("category", lambda r: spaced(r["category"])),
        measured("average", "g_per_l", "content_g_per_l"),
        measured("limit", "limit_g_per_l", "content_g_per_l"),
        said("above", lambda r: "cannot be told" if r["over"] is None else r["over"]),
        at=lambda r: {"shop": r["shop_id"], "month": r["month"]},
        most=600,
        source="compliance_average",
    )


def _stages(book: PageTables) -> Listing | None:
    place = ["shop_id", "jurisdiction", "limit_g_per_l"]
    jobs = book.table("compliance_multistage").group_by(place)
    return listed(
        "Base, mid and clear coats of one job together; the rule binds makers of coatings",
        jobs.agg(n=pl.len(), over=pl.col("over").sum(), greatest=pl.col("g_per_l").max()).sort(place),
        of_shop(book),
        said("rule of", "jurisdiction"),
        measured("limit", "limit_g_per_l", "content_g_per_l"),
        measured("highest job", "greatest", "content_g_per_l"),
        counted("jobs", "n"),
        counted("above", lambda r: r["over"] if r["limit_g_per_l"] is not None else None, "jobs"),
    )


def _retention(book: PageTables) -> Listing | None:
    return listed(
        "How long each kind of record must be kept",
        book.table("compliance_retention"),
        of_shop(book),
        said("record", lambda r: spaced(r["record"])),
        counted("keep", "years", "years"),
        said("what to keep is from", lambda r: _day(r["keep_since"], "the start")),
        said("note", "note"),
        said("where it stands", "source"),
    )


_READ = {"yes": "read", "secondary": "read in somebody's account", "memory": "from memory: verify before use"}
_LAW = {
    "voc_limits": ("limit on content", "label"),
    "exempt_compounds": ("not counted as VOC", "substance"),
    "training_rules": ("training", "label"),
    "retention": ("keeping records", "record"),
    "rule_figures": ("figure of a rule", "figure"),
}
_OF_METALS = {
    "target_metals": ("threshold of a metal", "metal"),
    "target_metal_compounds": ("compound of a metal", "substance"),
}


def _law(book: PageTables) -> Listing | None:
    """Which law is used for the places in use, of which edition, and whether it was read: a line per source."""
    own = dict(book.table("shops").select("shop_id", "jurisdiction").iter_rows())
    places = {own.get(shop) or str(book.setting("jurisdiction", "us")) for shop in book.shop_labels}
    above = sorted({place.rsplit("-", n)[0] for place in places for n in range(place.count("-") + 1)})
    parts = [
        frame.filter(pl.col("jurisdiction").is_in(above)).select(
            "jurisdiction", "source", "read", kind=pl.lit(kind), what=pl.col(column)
        )
        for table, (kind, column) in _LAW.items()
        if "jurisdiction" in (frame := book.table(table)).columns
    ]
    for table, (kind, column) in _OF_METALS.items() if book.shops_with("target_metals") else ():
        frame = book.table(table)  # the United States' in every place that looks at them
        parts.append(
            frame.select(pl.lit("us").alias("jurisdiction"), "source", "read", kind=pl.lit(kind), what=pl.col(column))
        )
    hap = book.table("hap")
    if book.shops_with("hap") and "carcinogen_source" in hap.columns:
        many = pl.concat_str(pl.len().over("source").cast(pl.String), pl.lit(" substances"))
        listed_as = pl.lit("hazardous air pollutant")
        parts.append(hap.select(pl.lit("us").alias("jurisdiction"), "source", "read", kind=listed_as, what=many))
        counted_from = hap.select(source="carcinogen_source").drop_nulls().with_columns(read=pl.lit("secondary"))
        parts.append(
            counted_from.select(
                pl.lit("us").alias("jurisdiction"),
                "source",
                "read",
                kind=pl.lit("carcinogen, counted from 0.1 %"),
                what=many,
            )
        )
    if not parts:
        return None
    by_source = (
        pl.concat(parts)
        .group_by("jurisdiction", "kind", "source", "read")
        .agg(what=pl.col("what").unique().sort().str.join(", "))
        .sort("jurisdiction", "kind", "source")
    )
    return listed(
        "The law behind these pages",
        by_source,
        said("place", "jurisdiction"),
        said("what", "kind"),
        said("of what", lambda r: spaced(r["what"])),
        said("document, section, edition", "source"),
        said("read by us", lambda r: _READ[r["read"]]),
        at=lambda _: {},
    )


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
