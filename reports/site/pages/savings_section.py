"""What could be saved: the levers in the order they are counted, by shop, with what-ifs that the reader sets.

Shared by the start page (the best three) and the owner's page. Figures of all shops are the table's rows of shop `all`, which
are drawn together; nothing is added here. A what-if is a
proportion: cost goes with the price of material and with the number of jobs, VOC and solids with the jobs, and what a gun
costs only moves how long it takes to pay back. The script reckons by `levers` and the same proportions.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import polars as pl
from markupsafe import Markup
from scipy.special import ndtr

from reports import wording
from reports.site.figures.figure import safe_json
from reports.site.figures.mini import span
from reports.site.page_tables import PageTables
from schemas.published import ALL, MOST_SAVING, Z95

WORDS = {
    "leftover": "leave no more in the cup than the shop's better half",
    "transfer": "bring those outside the shop's better half to its transfer",
    "over_build": "stop at the film that the data sheet asks for",
    "rework": "nothing done twice",
    "gun": "replace a gun",
}
SAVED = {"cost": "saved_cost", "voc": "saved_voc_kg", "solids": "saved_solids_kg"}
AMOUNTS = {"cost": "per_year_cost", "voc": "per_year_voc_kg", "solids": "per_year_solids_kg"}


@dataclass(slots=True)
class Lever:
    """`key` is the lever, or "gun:<shop>"; amounts are (value, low, high) a year; `shop` is set for a gun alone."""

    key: str
    word: str
    basis: str
    amounts: dict[str, tuple[float | None, float | None, float | None]]
    shop: str = ""
    price: float | None = None
    payback: tuple[float | None, float | None, float | None] = (None, None, None)


def levers(book: PageTables) -> list[Lever]:
    """Levers in the order they are counted, all shops together; a gun stands for itself, but where shops are many."""
    frame = book.table("savings").sort("position", "shop_id")
    out = []
    guns = pl.col("lever") == "gun"
    for row in frame.filter((pl.col("shop_id") == whole(book)) & (~guns | book.apart)).iter_rows(named=True):
        out.append(Lever(row["lever"], WORDS[row["lever"]], row["basis"] or "", _amounts(row)))
    for row in frame.filter((pl.col("shop_id") != ALL) & guns).iter_rows(named=True):
        label = book.shop_labels.get(row["shop_id"], row["shop_id"])
        word = f"replace gun {row['item']} in {label}" if row["item"] else f"replace a gun in {label}"
        payback = (row["payback_years"], row["payback_low"], row["payback_high"])
        key, shop = f"gun:{row['shop_id']}", row["shop_id"]
        out.append(Lever(key, word, row["basis"] or "", _amounts(row), shop, row["price"], payback))
    return out


def whole(book: PageTables) -> str:
    """The shop whose rows stand for all: `all`, or the only one."""
    shops = book.table("savings")["shop_id"].to_list()
    return ALL if ALL in shops or not shops else shops[0]


def _amounts(row: dict[str, Any]) -> dict[str, tuple[float | None, float | None, float | None]]:
    ends = {"cost": ("low", "high")} | {k: (f"{c}_low", f"{c}_high") for k, c in AMOUNTS.items() if k != "cost"}
    return {k: (row[c], row[ends[k][0]], row[ends[k][1]]) for k, c in AMOUNTS.items()}


def best(book: PageTables) -> list[Markup]:
    """The changes that save most in words, at most MOST_SAVING and each above nothing, how sure each is."""
    return [
        Markup("<strong>{}</strong>: {}, {}").format(
            lever.word[:1].upper() + lever.word[1:],
            wording.quantity(value, "cost", low, high, currency=book.currency),
            how_sure(value, low, high),
        )
        for lever in _best(book)
        for value, low, high in [lever.amounts["cost"]]
    ]


def _best(book: PageTables) -> list[Lever]:
    told = [x for x in levers(book) if (x.amounts["cost"][0] or 0.0) > 0 and x.key != "gun"]
    return sorted(told, key=lambda x: (-(x.amounts["cost"][0] or 0.0), x.key))[:MOST_SAVING]


def how_sure(value: float | None, low: float | None, high: float | None) -> str:
    """The ladder's word for that it saves anything."""
    if value is None or low is None or high is None or high <= low:
        return wording.UNKNOWN
    return wording.ladder(float(ndtr(value / ((high - low) / 2 / Z95))))


def best_together(book: PageTables) -> str:
    """ "Most is saved by: transfer; gun g2. Together 2 100 crowns (1 200-3 000) a year, shown." The script says it for a shop."""
    ends = [_short(_basis(book)[f"best_{end}"]) for end in ("cost", "low", "high")]
    found = _best(book)
    if not found or ends[0] is None:
        return ""
    said = wording.phrase(ends[0], "cost", ends[1], ends[2], currency=book.currency)
    return f"Most is saved by: {'; '.join(x.word for x in found)}. Together {said} a year, {how_sure(*ends)}."


def _basis(book: PageTables) -> dict[str, Any]:
    """What a year is, of all shops together."""
    every = book.table("savings_basis")
    return next(every.filter(pl.col("shop_id") == whole(book)).iter_rows(named=True), dict.fromkeys(every.columns))


def years(value: float | None, low: float | None, high: float | None) -> str:
    """ "in 1.5 years (0.5 to no end)"."""
    if not wording.known(value) or value is None or value <= 0:
        return "never, by the middle figure" if low is None else f"{wording.plain(low, 1)} years at best, or never"
    ends = (
        f" ({wording.plain(low, 1)} to {'no end' if high is None else wording.plain(high, 1)})"
        if low is not None
        else ""
    )
    return f"{wording.plain(value, 1)} years{ends}"


def make(book: PageTables) -> dict[str, Any]:
    """What the owner's page shows of savings; empty where there are none."""
    found = levers(book)
    if not found:
        return {"savings": [], "basis": {}}
    every = book.table("savings_basis")
    price = every["gun_price"].drop_nulls()
    basis = _basis(book)
    jobs, days = basis["jobs_per_year"], (basis["from_on"], basis["to_on"])
    prices = [x.price for x in found if x.price is not None]
    edges = [e for x in found for e in x.amounts["cost"] if e is not None]
    scale = (min([0.0, *edges]), max([0.0, *edges]))
    return {
        "savings": [
            {
                "lever": x,
                "bar": span(*x.amounts["cost"], *scale),
                "cells": {
                    k: wording.quantity(*_kind(k, x), bare=True) if x.amounts[k][0] is not None else Markup("–")
                    for k in AMOUNTS
                },
                "payback": years(*x.payback) if x.shop else "",
            }
            for x in found
        ],
        "basis": {
            "jobs": jobs,
            "jobs_a_month": None if jobs is None else round(jobs / 12, 1),
            "price": prices[0] if prices else (price[0] if len(price) else None),
            "years": wording.days_word(*days) if all(days) else "",
            "cost_known": basis["cost_known_share"],
        },
        "savings_total": {k: _total(basis, column) for k, column in SAVED.items()},
        "savings_best": best_together(book),
        "savings_json": Markup(safe_json(_embedded(book))),
    }


def _total(basis: dict[str, Any], column: str) -> Markup:
    """All levers together, with their joint interval."""
    ends = [_short(basis[f"{column}{end}"]) for end in ("", "_low", "_high")]
    kind = "cost" if column == "saved_cost" else "mass_kg"
    return Markup("–") if ends[0] is None else wording.quantity(ends[0], kind, ends[1], ends[2], bare=True)


def _kind(key: str, lever: Lever) -> tuple[float | None, str, float | None, float | None]:
    value, low, high = lever.amounts[key]
    return value, "cost" if key == "cost" else "mass_kg", low, high


def _embedded(book: PageTables) -> dict[str, Any]:
    """Levers and jobs a year of every shop and of all together, for the script: lever -> [[cost, low, high], [voc ...], [solids ...]]."""
    shops: dict[str, dict[str, Any]] = {}
    basis = {r["shop_id"]: r for r in book.table("savings_basis").iter_rows(named=True)}
    for row in book.table("savings").sort("position", "shop_id").iter_rows(named=True):
        shop = shops.setdefault(row["shop_id"], {
            "jobs": basis.get(row["shop_id"], {}).get("jobs_per_year"), "levers": {},
            "whole": [[_short(basis.get(row["shop_id"], {}).get(f"{c}{end}")) for end in ("", "_low", "_high")] for c in SAVED.values()],
            "best": [_short(basis.get(row["shop_id"], {}).get(f"best_{end}")) for end in ("cost", "low", "high")],
        })  # fmt: skip
        key = f"gun:{row['shop_id']}" if row["lever"] == "gun" and row["shop_id"] != ALL else row["lever"]
        shop["levers"][key] = [
            [
                _short(row[c])
                for c in (column, *(("low", "high") if name == "cost" else (f"{column}_low", f"{column}_high")))
            ]
            for name, column in AMOUNTS.items()
        ]
    return {"all": whole(book), "grouped": book.apart, "most": MOST_SAVING, "shops": shops}


def _short(value: float | None) -> float | None:
    return None if value is None else float(f"{value:.6g}")
