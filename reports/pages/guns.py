"""Guns: what each gun puts on the panel, what went through it, and whether it fits what is sprayed with it."""

from __future__ import annotations

from typing import Any

import polars as pl
from markupsafe import Markup

from reports import wording
from reports.book import Book
from reports.cube import ledger_cube
from reports.figures.base import Figure
from reports.figures.intervals import intervals
from reports.figures.strip import shares, strip
from reports.listing import Column, Listing, Row, of_table, text
from reports.pages.base import Page, default_role, interval_rows, records_listing, transfer_listing


def make(book: Book) -> dict[str, Any]:
    rows = book.transfer["gun"]
    role = default_role(rows)
    shown = interval_rows(book, "gun", role) if role else []
    members = [r for r in shown if not r["typical"]]
    told = [r for r in members if r["v"] is not None]
    figure = (
        Figure(
            key="guns",
            title="Part of the sprayed solids that landed, by gun",
            finding=Markup(
                "The dashed line stands at 65 %, what an efficient gun is commonly held to. It is no compliance test."
            ),
            plot=intervals(shown, line_65=True),
            kind="intervals",
            how="transfer",
            data=transfer_listing(book, "gun", "gun"),
            behind=records_listing(book),
            spec={"by": "gun", "role": role, "line65": True},
        )
        if role
        else None
    )
    fit = book.table("gun_fit")
    misfits = fit.filter(pl.col("verdict").is_in(["misfit", "not_allowed"]))
    return {
        "present": bool(rows) or bool(book.guns),
        "role": role,
        "role_word": wording.role_word(role),
        "figure": figure,
        "n_told": len(told),
        "n_all": len(members),
        "records": sum(r["n"] for r in told),
        "above": sum(1 for r in told if r["lo"] is not None and r["lo"] > 0.65),
        "below": sum(1 for r in told if r["hi"] is not None and r["hi"] < 0.65),
        "register": _register(book),
        "pairs": transfer_listing(book, "pair", "technician with gun")
        if book.people and book.transfer["pair"]
        else None,
        "fit": of_table("gun_fit", misfits, ["shop_id", "gun_id", "product_id", "verdict", "why"], limit=60,
                        caption="Gun and product that do not go together", at=("shop",)) if fit.height else None,
        "nofit": _no_fitting_gun(book, fit),
        "n_misfits": misfits.height,
        "n_fit": fit.height,
        "drift": of_table("gun_drift", book.table("gun_drift"),
                          ["gun_id", "since", "litres", "slope_per_litre", "low", "high", "changed_on", "alarm"],
                          caption="Guns followed since their last service") if book.has("gun_drift") else None,
    }  # fmt: skip


def _no_fitting_gun(book: Book, fit: pl.DataFrame) -> list[tuple[str, str]]:
    """(shop, its products that no gun there fits), shop by shop. Where a fit is unknown the gun gets the benefit of
    the doubt.
    """
    if not fit.height:
        return []
    best = fit.group_by("shop_id", "product_id").agg(fits=pl.col("verdict").is_in(["fits", "unknown"]).any())
    out: dict[str, list[str]] = {}
    for row in best.filter(~pl.col("fits")).sort("shop_id", "product_id").iter_rows(named=True):
        out.setdefault(row["shop_id"], []).append(book.product_label(row["product_id"]))
    return [(book.shop_labels.get(shop, shop), ", ".join(products)) for shop, products in out.items()]


def _register(book: Book) -> Listing | None:
    """Every gun with what it is, its strip and its figure by role."""
    ledger = book.table("material_ledger").filter(pl.col("gun_id").is_not_null())
    by_gun = ledger_cube(ledger, "gun_id").by("gun_id") if ledger.height else {}
    home: dict[str, str] = {}
    for gun, shop in ledger.select("gun_id", "shop_id").unique().sort("gun_id", "shop_id").iter_rows():
        home.setdefault(gun, shop)
    names = sorted(set(book.guns) | set(by_gun))
    if not names:
        return None
    columns = [
        Column("gun"),
        Column("what it is"),
        Column("tip", wording.unit_header("length_mm"), number=True),
        Column("what went through it", Markup("strip of 100")),
        Column("poured", wording.unit_header("mass_kg"), number=True),
        Column("landed, the roles it has most records of", Markup("% of sprayed")),
    ]
    figures: dict[str, list[tuple[int, str]]] = {}
    for r in book.transfer["gun"]:
        if r["v"] is not None and r["n"] > 0:
            words = f"{wording.role_word(r['role'])} {wording.phrase(r['v'], 'share', r['lo'], r['hi'], bare=True)}"
            figures.setdefault(r["name"], []).append((-r["n"], f"{words}, n {r['n']}, {r['grade'] or 'no grade'}"))
    rows = []
    for name in names:
        row = book.guns.get(name, {})
        sums = by_gun.get(name)
        what = ", ".join(str(row[c]).replace("_", " ") for c in ("atomising", "feed") if row.get(c))
        rows.append(
            Row(
                [
                    text(name),
                    text(what or "not in the register"),
                    wording.quantity(row.get("tip_mm"), "length_mm", bare=True) if row.get("tip_mm") else text(None),
                    Markup('<span class="cell-strip">{}</span>').format(strip(shares(sums) if sums else {})),
                    wording.quantity(sums["poured.solids"], "mass_kg", bare=True) if sums else text(None),
                    Markup("<br>").join(words for _, words in sorted(figures[name])[:3])
                    if name in figures
                    else text("not enough jobs"),
                ],
                {"shop": str(row.get("shop_id") or home.get(name, ""))},
            )
        )
    return Listing("Every gun, all data", columns, rows)


PAGE = Page(
    "guns", "Guns", "How much does each gun put on the panel, and does it fit what it sprays?", ("shop", "role"), make
)
