"""Guns: what each gun puts on the panel, what went through it, and whether it fits what is sprayed with it."""

from __future__ import annotations

import math
import re
from typing import Any

import polars as pl
from markupsafe import Markup

from reports import wording
from reports.site.figures.figure import Figure
from reports.site.figures.intervals import intervals
from reports.site.figures.strip import shares, strip
from reports.site.listing import Column, Listing, Row, of_table, text
from reports.site.page_sums import ledger_sums
from reports.site.page_tables import PageTables
from reports.site.pages import did_it_help, settings_section
from reports.site.pages.bench import cautions
from reports.site.pages.common import MOST_DRAWN, Page, counted, default_role, interval_rows, transfer_listing


def make(book: PageTables) -> dict[str, Any]:
    rows = book.transfer["gun"]
    role = default_role(rows)
    shown = interval_rows(book, "gun", role, every=True) if role else []
    held = book.shops_with("transfer_65")
    drawn = interval_rows(book, "gun", role) if role else []
    figure = (
        Figure(
            key="guns",
            title="Part of the sprayed solids that landed, by gun",
            finding=Markup(
                "The dot is the estimate, the band its 95 % interval; a hollow dot is one figure for two that "
                "cannot be told apart.<span data-held{}> A mark at 65 % stands beside guns of shops where a rule "
                "speaks of it. It is no compliance test.</span>"
            ).format("" if any(r["shop"] in held for r in drawn) else Markup(" hidden")),
            plot=intervals(drawn, held=held),
            kind="intervals",
            how="transfer",
            data=transfer_listing(book, "gun", "gun"),
            behind="records",
            spec={"by": "gun", "role": role, "held": held, "most": MOST_DRAWN},
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
        "count": counted(shown, held),
        "without": [shop for shop in book.shop_labels if shop not in held],
        "yardstick": _yardstick(book, held),
        "register": _register(book),
        "pairs": transfer_listing(book, "pair", "technician with gun")
        if book.people and book.transfer["pair"]
        else None,
        "fit": _fit(book, fit),
        "fit_rows": of_table("gun_fit", misfits, ["shop_id", "gun_id", "product_id", "verdict", "why", "reads"], limit=60,
                        caption="Gun and product that do not go together", names=book.names, at=("shop",)) if fit.height else None,
        "n_misfits": misfits.height,
        "n_fit": fit.height,
        "fit_said": _fit_said(book, fit),
        "cover": _cover(book),
        "drift": _drift(book),
        "drift_said": _drift_words(book),
        "service": _service(book),
        "helped": did_it_help.make(book, did_it_help.GUNS),
        "set": settings_section.make(book),
        "cautions": cautions(book, "gun_fit"),
    }  # fmt: skip


MOST_NAMED = 5  # shops


def _yardstick(book: PageTables, held: list[str]) -> str:
    """For whom no rule of the place speaks of 65 %, in words; "" where the pack of every shop knows the figure."""
    without = [label for shop, label in book.shop_labels.items() if shop not in held]
    if not without:
        return ""
    if not held:
        return "No rule here speaks of 65 %: no gun is held against it."
    named = ", ".join(without) if len(without) <= MOST_NAMED else f"{len(without)} of the shops"
    return f"For {named} no rule speaks of 65 %: guns there are not held against it."


_PARTS = {
    "keep": "keep",
    "review": "for review: whether the place's rule allows them",
    "spare": "spare: not needed for what is sprayed, nor for how many spray at once",
    "idle": "idle: no operation in the data",
    "to_buy": "to buy",
}


def _cover(book: PageTables) -> list[dict[str, Any]]:
    """Shop by shop the smallest set of guns that covers its products, and what is missing: the buyer's answer."""
    out: dict[str, dict[str, Any]] = {}
    for r in book.table("gun_cover").sort("shop_id", "part", "item", "purpose").iter_rows(named=True):
        shop = out.setdefault(
            r["shop_id"], {"shop": r["shop_id"], "label": book.shop_labels.get(r["shop_id"], r["shop_id"]), "parts": {}}
        )
        tip = _tip(r["tip_low_mm"], r["tip_high_mm"])
        shop["parts"].setdefault(r["part"], []).append(
            {
                "item": f"a gun for {_purpose(r['purpose'])}" if r["part"] == "to_buy" else r["item"],
                "tip": tip,
                "for": "" if r["part"] == "spare" else "; ".join(book.product_label(p) for p in r["products"] or []),
                "why": _labelled(book, r["why"] or ""),
            }
        )
    shown = []
    for shop in out.values():
        parts = shop["parts"]
        keep, buy = len(parts.get("keep", [])), len(parts.get("to_buy", []))
        guns = "one gun covers" if keep == 1 else f"{keep} guns cover"
        shop["said"] = f"{guns} what is sprayed here" + (
            "; nothing has to be bought" if not buy else f"; {buy} {'kind is' if buy == 1 else 'kinds are'} missing"
        )
        shop["parts"] = [(_PARTS[p], parts[p]) for p in ("to_buy", "keep", "review", "spare", "idle") if p in parts]
        shown.append(shop)
    return shown


def _labelled(book: PageTables, words: str) -> str:
    """The words with products called as pages call them."""
    return re.sub(r"\w+", lambda m: book.product_label(m[0]) if m[0] in book.products else m[0], words)


def _purpose(purpose: str | None) -> str:
    return {"primer": "primers", "finish": "finish"}.get(purpose or "", "any product")


def _tip(low: float | None, high: float | None) -> Markup:
    if low is None:
        return Markup("")
    if high is None or high == low:
        return Markup("tip {}").format(wording.quantity(low, "length_mm"))
    return Markup("tip {} to {}").format(
        wording.quantity(low, "length_mm", bare=True), wording.quantity(high, "length_mm")
    )


_VERDICTS = {"fits": "fits", "misfit": "no", "not_allowed": "not allowed", "unknown": "ask"}


def _fit(book: PageTables, fit: pl.DataFrame) -> list[dict[str, Any]]:
    """A grid a shop, products down, guns across; left out where shops are so many that only the list of misfits helps."""
    if not fit.height or book.apart:
        return []
    grids = []
    for (shop,), rows in fit.group_by("shop_id", maintain_order=True):
        guns = rows["gun_id"].unique().sort().to_list()
        found = {(r["product_id"], r["gun_id"]): r for r in rows.iter_rows(named=True)}
        grids.append(
            {
                "shop": shop,
                "label": book.shop_labels.get(str(shop), str(shop)),
                "guns": guns,
                "rows": [
                    (
                        book.product_label(p),
                        [
                            (_cell(found[p, g]), found[p, g]["why"] or "", found[p, g]["verdict"])
                            if (p, g) in found
                            else ("", "", "")
                            for g in guns
                        ],
                    )
                    for p in rows["product_id"].unique().sort().to_list()
                ],
            }
        )
    return grids


def _cell(row: dict[str, Any]) -> str:
    """The verdict in a word, and which of tip and pressure is at fault."""
    if row["verdict"] != "misfit":
        return _VERDICTS.get(row["verdict"] or "unknown", "ask")
    faults = [w for w, c in (("tip", "tip_fits"), ("pressure", "pressure_fits")) if row[c] is False]
    return "less pressure" if faults == ["pressure"] else " and ".join(faults) or "no"


def _shop_of(book: PageTables, gun: str) -> str:
    return str(book.guns.get(gun, {}).get("shop_id") or "")


def _latest(book: PageTables) -> list[dict[str, Any]]:
    """Of every gun the time since its latest service."""
    frame = book.table("gun_drift").sort("gun_id", "since").group_by("gun_id", maintain_order=True).last()
    return frame.to_dicts()


def _drift_words(book: PageTables) -> list[tuple[str, str]]:
    """(shop_id, which of its guns to look at first), by the ladder of words."""
    by_shop: dict[str, list[dict[str, Any]]] = {}
    for row in _latest(book):
        by_shop.setdefault(_shop_of(book, row["gun_id"]), []).append(row)
    if book.apart:
        by_shop = {"": [r for rows in by_shop.values() for r in rows]}
    several = len(by_shop) > 1
    out = []
    for shop, rows in sorted(by_shop.items()):
        label = f"{book.shop_labels.get(shop, shop)}: " if several and shop else ""
        said = _wear(rows)
        out.append((shop, label + (said if label else said[:1].upper() + said[1:])))
    return out


def _wear(rows: list[dict[str, Any]]) -> str:
    shown = [r["gun_id"] for r in rows if wording.known(r["prob_wear"]) and r["prob_wear"] > 0.95]
    likely = [r["gun_id"] for r in rows if wording.known(r["prob_wear"]) and 0.8 < r["prob_wear"] <= 0.95]
    alarm = [r["gun_id"] for r in rows if r["alarm"]]
    watch = (
        f"likely, not shown, for {', '.join(likely)}: read film on the next jobs before anything is done"
        if likely
        else ""
    )
    if shown:
        words = f"since the last service transfer is shown to fall with use for {', '.join(shown)}: look there first"
        words += f"; {watch}" if watch else ""
    elif likely:
        words = f"for no gun is it shown that transfer has fallen with use since the last service; {watch}"
    else:
        words = "for no gun is it shown, or likely, that transfer has fallen with use since the last service"
    return f"{words}.{' A sudden change is shown for ' + ', '.join(alarm) + '.' if alarm else ''}"


def _percent(log_change: float | None) -> float | None:
    return math.expm1(log_change) if wording.known(log_change) and log_change is not None else None


def _drift(book: PageTables) -> Listing | None:
    rows = _latest(book)
    if not rows:
        return None
    columns = [
        Column("gun"),
        Column("since"),
        Column("through it", wording.unit_header("volume_l"), number=True),
        Column(
            "change of transfer",
            Markup('% per <span data-border="10" data-kind="volume_l">10{}L</span>, 95 % interval').format(
                wording.THIN
            ),
            number=True,
        ),
        Column("wears with use"),
        Column("next 5 % lost in", Markup("months, 95 % interval"), number=True),
        Column("sudden change"),
        Column("records", number=True),
    ]
    return Listing(
        "Every gun since its last service",
        columns,
        [
            Row(
                [
                    text(r["gun_id"]),
                    text(r["since"]),
                    wording.quantity(r["litres"], "volume_l", bare=True),
                    wording.quantity(
                        _percent(_times(r["slope_per_litre"])), "share", _percent(_times(r["low"])),
                        _percent(_times(r["high"])), bare=True,
                    ) if wording.known(r["slope_per_litre"]) else text("not enough jobs"),
                    text(wording.ladder(r["prob_wear"]) if wording.known(r["prob_wear"]) else None),
                    text(_months(r)),
                    text(r["changed_on"] if r["alarm"] and r["changed_on"] else "shown" if r["alarm"] else "none shown"),
                    text(r["n"]),
                ],
                {"shop": _shop_of(book, r["gun_id"])},
            )
            for r in rows
        ],
    )  # fmt: skip


def _times(per_litre: float | None) -> float | None:
    return None if per_litre is None else 10 * per_litre


def _months(row: dict[str, Any]) -> str | None:
    low, high = row["months_low"], row["months_high"]
    if not wording.known(row["months_to_loss"]):
        return f"at least {wording.plain(low, 1)}" if wording.known(low) else None
    if row["months_to_loss"] > 36:
        return f"over 36, at least {wording.plain(low or 0.0, 1)}"
    end = wording.plain(high, 1) if wording.known(high) else "no end"
    return f"{wording.plain(row['months_to_loss'], 1)} ({wording.plain(low or 0.0, 1)} to {end})"


def _service(book: PageTables) -> Listing | None:
    frame = book.table("gun_service_contrasts")
    if not frame.height:
        return None
    columns = [
        Column("gun"),
        Column("serviced on"),
        Column("what was done"),
        Column("transfer after over before", Markup("×, 95 % interval"), number=True),
        Column("better after"),
        Column("records before, after", number=True),
    ]
    rows = [
        Row(
            [
                text(r["gun_id"]),
                text(r["serviced_on"]),
                text(wording.spaced(r["work"])),
                wording.quantity(r["ratio"], "factor", r["low"], r["high"], bare=True),
                text(wording.ladder(r["prob_better"]) if wording.known(r["prob_better"]) else None),
                text(f"{r['n_before'] or 0}, {r['n_after'] or 0}"),
            ],
            {"shop": _shop_of(book, r["gun_id"])},
        )
        for r in frame.iter_rows(named=True)
    ]
    return Listing("Did a service help?", columns, rows)


def _only_pressure(fit: pl.DataFrame) -> pl.Series:
    """Pairs at fault by pressure alone, which a turn of the regulator puts right: nothing else is known to be wrong."""
    return fit.select(
        (pl.col("verdict") == "misfit")
        & pl.col("pressure_fits").eq_missing(False)
        & pl.col("tip_fits").ne_missing(False)
        & pl.col("atomising_allowed").ne_missing(False)
    ).to_series()


def _fit_said(book: PageTables, fit: pl.DataFrame) -> list[dict[str, str]]:
    """How many pairs do not go together and which products no gun fits, a sentence a shop that can be chosen; all together
    (shop "") where shops are many. Where a fit is unknown the gun gets the benefit of the doubt; pressure can be set.
    """
    out = []
    for shop in [""] if book.apart else fit["shop_id"].unique().sort().to_list():
        own = fit if book.apart else fit.filter(pl.col("shop_id") == shop)
        wrong = own["verdict"].is_in(["misfit", "not_allowed"]).sum()
        pressed = int(_only_pressure(own).sum())
        cross = own.filter("cross_use")["gun_id"].unique().sort().to_list()
        label = f"{book.shop_labels.get(shop, shop)}: of" if shop and len(book.shop_labels) > 1 else "Of"
        said = (
            f"{label} {wording.plain(own.height, 0)} pairs of gun and product, {wording.plain(int(wrong), 0)} do not go together by "
            "tip, pressure or the rule of the place"
        )
        if pressed:
            said += f"; in {pressed} of them only the pressure is at fault, written down above the sheet's highest: set it lower"
        if cross:
            said += f". Used for primer and finish alike: {', '.join(cross)}"
        none = _no_fitting_gun(book, own)
        said += "." if none else ". Every product has a gun that fits it or may fit it."
        out.append({"shop": shop, "said": said, "nofit": " ".join(f"{at}: no gun fits {p}." for at, p in none)})
    return out


def _no_fitting_gun(book: PageTables, fit: pl.DataFrame) -> list[tuple[str, str]]:
    """(shop, its products that no gun there fits), shop by shop. Where a fit is unknown the gun gets the benefit of
    the doubt; pressure can be set.
    """
    if not fit.height:
        return []
    could = fit.with_columns(could=pl.col("verdict").is_in(["fits", "unknown"]) | _only_pressure(fit))
    best = could.group_by("shop_id", "product_id").agg(fits=pl.col("could").any())
    out: dict[str, list[str]] = {}
    for row in best.filter(~pl.col("fits")).sort("shop_id", "product_id").iter_rows(named=True):
        out.setdefault(row["shop_id"], []).append(book.product_label(row["product_id"]))
    return [(book.shop_labels.get(shop, shop), "; ".join(products)) for shop, products in out.items()]


def _register(book: PageTables) -> Listing | None:
    """Every gun with what it is, its strip and its figure by role."""
    by_gun = ledger_sums(
        (part.filter(pl.col("gun_id").is_not_null()) for part in book.parts("material_ledger")), "gun_id"
    ).by("gun_id")
    home: dict[str, str] = {}
    pairs = [part.drop_nulls().unique() for part in book.parts("material_ledger", ["gun_id", "shop_id"])]
    for gun, shop in pl.concat(pairs).sort("gun_id", "shop_id").iter_rows():
        home.setdefault(gun, shop)
    names = sorted(set(book.guns) | set(by_gun))
    if not names:
        return None
    columns = [
        Column("gun"),
        Column("what it is"),
        Column("tip", wording.unit_header("length_mm"), number=True),
        *([] if book.apart else [Column("what went through it", Markup("strip of 100"))]),
        Column("poured", wording.unit_header("mass_kg"), number=True),
        Column("landed, the roles it has most records of", Markup("% of sprayed, 95 % interval")),
    ]
    figures: dict[str, list[tuple[int, str]]] = {}
    for r in book.transfer["gun"]:
        if r["v"] is not None and r["n"] > 0:
            words = f"{wording.role_word(r['role'])} {wording.phrase(r['v'], 'share', r['lo'], r['hi'], bare=True)}"
            figures.setdefault(r["name"], []).append(
                (-r["n"], f"{words}, {wording.jobs(r['n'])}, {wording.grade(r['grade'])}")
            )
    rows = []
    for name in names:
        row = book.guns.get(name, {})
        sums = by_gun.get(name)
        what = ", ".join(wording.spaced(row[c]).replace("hvlp", "HVLP") for c in ("atomising", "feed") if row.get(c))
        rows.append(
            Row(
                [
                    text(name),
                    text(what or "not in the register"),
                    wording.quantity(row.get("tip_mm"), "length_mm", bare=True) if row.get("tip_mm") else text(None),
                    *(
                        []
                        if book.apart
                        else [Markup('<span class="cell-strip">{}</span>').format(strip(shares(sums) if sums else {}))]
                    ),
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
