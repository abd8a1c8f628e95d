"""The mixing bench: how much to mix of what, with which gun, for which area; a table to print and hang up, a reckoning
for one job, and how the advice would have done on past jobs.

The figures are pipelines/transfer's guide as it stands. The script reckons a job from them as the command `filmledger mix` does
(mix_answer.py): what each level costs when it runs short and in what is left over, the cheapest first chosen, the choice the
reader's.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import polars as pl
from markupsafe import Markup

from reports import wording
from reports.site.figures.figure import safe_json
from reports.site.listing import Column, Listing, Row, amount, text
from reports.site.page_tables import PageTables
from reports.site.pages.common import Page, Part
from schemas.area_classes import AREA_BORDERS, AREA_CLASSES, MIX_LEVELS


@dataclass(slots=True)
class Line:
    """One product with one gun: per area class advised, usual (mL per m2) and jobs behind it; the rest for all classes."""

    shop: str
    product: str
    label: str
    role: str
    gun: str
    cells: list[dict[str, Any] | None] = field(default_factory=list)
    mid: float | None = None
    flush: float | None = None
    least: float | None = None
    n: int = 0


def lines(book: PageTables, shop: str | None = None) -> list[Line]:
    """The guide with a line a product and gun, products by role in the order a job is built up."""
    from schemas.registers import ROLES

    frame = book.table("mix_guide")
    if shop is not None:
        frame = frame.filter(pl.col("shop_id") == shop)
    out: dict[tuple[str, str, str], Line] = {}
    for r in frame.iter_rows(named=True):
        key = (r["shop_id"], r["product_id"], r["gun_id"])
        line = out.get(key)
        if line is None:
            line = out[key] = Line(
                r["shop_id"], r["product_id"], book.product_label(r["product_id"]), r["role"] or "", r["gun_id"],
                [None] * 4, r["mid_window_ml_per_m2"], r["flush_ml"], r["min_mix_ml"],
            )  # fmt: skip
        line.cells[AREA_CLASSES.index(r["area_class"])] = {
            "advised": r["advised_ml_per_m2"],
            "usual": r["as_sprayed_ml_per_m2"],
            "n": r["n"] or 0,
        }
        line.n += r["n"] or 0
    order = {role: i for i, role in enumerate(ROLES)}
    return sorted(out.values(), key=lambda x: (x.shop, order.get(x.role, 99), x.label, x.gun))


def sheet(book: PageTables, shop: str) -> dict[str, Any]:
    """One shop's table, with what its advice is meant to hold."""
    mine = lines(book, shop)
    frame = book.table("mix_guide").filter(pl.col("shop_id") == shop)
    levels = [round(100 * q) for q in frame["quantile"].drop_nulls()]
    by_quantile: dict[float, list[str]] = {}
    for role, quantile in frame.select("role", "quantile").drop_nulls().unique().sort("quantile", "role").iter_rows():
        by_quantile.setdefault(quantile, []).append(wording.role_word(role))
    roles = "; ".join(
        f"{wording.plain(100 * q, 0)} of 100 jobs in {', '.join(sorted(roles))}"
        for q, roles in sorted(by_quantile.items())
    )
    if frame["second_cup_cost"].is_not_null().any() and levels:
        roles = (
            f"{min(levels)} to {max(levels)} of 100 jobs, at whichever running short and leftovers together cost least in a"
            " usual job of that size"
        )
    return {
        "shop": shop,
        "label": book.shop_labels.get(shop, shop),
        "lines": mine,
        "roles": roles,
        "borrowed": any(c is not None and c["n"] == 0 for x in mine for c in x.cells),
    }


def make(book: PageTables) -> dict[str, Any]:
    shops = book.table("mix_guide")["shop_id"].unique().sort().to_list()
    sheets = [] if book.apart else [sheet(book, shop) for shop in shops]
    return {
        "present": bool(shops),
        "sheets": sheets,
        "reckoning": reckoning(book, [] if book.apart else shops),
        "priced": book.table("mix_guide")["second_cup_cost"].is_not_null().any(),
        "elsewhere": [(_file(i), book.shop_labels.get(s, s)) for i, s in enumerate(shops, 1)] if book.apart else [],
        "products": book.table("mix_guide")["product_id"].n_unique(),
        "n_shops": len(shops),
        "tested": (held := tested(book)),
        "levels": _levels(book, held),
        "trial": _trial(book),
        "cups": None if shops else _cups(book),
        "cautions": cautions(book, "mix_guide" if shops else "cup_guide"),
        "classes": AREA_CLASSES,
        "borders": AREA_BORDERS,
    }


def reckoning(book: PageTables, shops: list[str]) -> Markup:
    """What the script reckons a job from: the guide's figures by shop, product and gun, the guns as they fit and what they land,
    a product's parts by volume and the areas of panels.
    """
    rows = book.table("mix_guide").filter(pl.col("shop_id").is_in(shops))
    fits = {(r["shop_id"], r["gun_id"], r["product_id"]): r for r in book.table("gun_fit").iter_rows(named=True)}
    landed = {(r["shop"], r["name"], r["role"]): r for r in book.transfer["gun"]}
    order = {line.product: i for i, line in enumerate(lines(book))}
    parts = _parts(book)
    found: dict[tuple[str, str], dict[str, Any]] = {}
    for r in sorted(rows.iter_rows(named=True), key=lambda r: (r["shop_id"], order[r["product_id"]])):
        shop, product, gun = r["shop_id"], r["product_id"], r["gun_id"]
        one = found.setdefault(
            (shop, product),
            {"shop": shop, "label": book.product_label(product), "role": r["role"],
             "price": _short(r["price_per_ml"]) if book.reader.prices else None,
             "least": r["min_mix_ml"], "parts": parts.get((shop, product), []), "guns": {}},
        )  # fmt: skip
        fit, lands = fits.get((shop, gun, product), {}), landed.get((shop, gun, r["role"]), {})
        of = one["guns"].setdefault(
            gun,
            {"fit": fit.get("verdict") or "unknown", "why": fit.get("why") or "", "te": [lands.get(k) for k in ("v", "lo", "hi")],
             "n": 0, "flush": _short(r["flush_ml"]), "mid": _short(r["mid_window_ml_per_m2"]), "sizes": [None] * len(AREA_CLASSES)},
        )  # fmt: skip
        of["n"] += r["n"] or 0
        of["sizes"][AREA_CLASSES.index(r["area_class"])] = {
            "usual": _short(r["as_sprayed_ml_per_m2"]), "advised": _short(r["advised_ml_per_m2"]), "n": r["n"] or 0,
            "enough": r["quantile"], "at": [_short(r[f"at_{level}_ml_per_m2"]) for level in MIX_LEVELS],
        }  # fmt: skip
    second = rows["second_cup_cost"].drop_nulls() if book.reader.prices else pl.Series()
    panels = [
        [r["vehicle_class"], r["panel_id"], r["face"], r["area_m2"]]
        for r in book.table("panel_areas").sort("vehicle_class", "panel_id", "face").iter_rows(named=True)
    ]
    made = safe_json(
        {
            "levels": MIX_LEVELS,
            "second": second[0] if second.len() else None,
            "lines": list(found.values()),
            "panels": panels,
        }
    )
    return Markup(made)


def _short(value: float | None) -> float | None:
    return None if value is None else float(f"{value:.9g}")


def _parts(book: PageTables) -> dict[tuple[str, str], list[list[Any]]]:
    """[what, part by volume] of each shop's products, the largest first; toners, which are the colour's, as one."""
    known = {r["component_id"]: r for r in book.table("components").sort("valid_from").iter_rows(named=True)}
    found: dict[tuple[str, str], dict[str, float]] = {}
    columns = ["shop_id", "product_id", "component_id", "share"]
    for shop, product, component, share in book.table("mix_parts").select(columns).iter_rows():
        row = known.get(component, {})
        word = "toners, by the colour's formula" if row.get("kind") == "toner" else row.get("label") or component
        parts = found.setdefault((shop, product), {})
        parts[word] = parts.get(word, 0.0) + share
    return {
        of: [[word, _short(share)] for word, share in sorted(parts.items(), key=lambda p: (-p[1], p[0]))]
        for of, parts in found.items()
    }


def _file(number: int) -> str:
    return f"bench_{number}.html"


def parts(book: PageTables) -> list[Part]:
    """A page a shop, where there are many."""
    if not book.apart:
        return []
    shops = book.table("mix_guide")["shop_id"].unique().sort().to_list()
    said = cautions(book, "mix_guide")
    return [
        Part(
            _file(i),
            "bench_sheet",
            {
                "title": book.shop_labels.get(shop, shop),
                "question": f"How much should we mix at {book.shop_labels.get(shop, shop)}?",
                "sheets": [sheet(book, shop)],
                "reckoning": reckoning(book, [shop]),
                "cautions": said,
                "borders": AREA_BORDERS,
                "present": True,
            },
        )
        for i, shop in enumerate(shops, 1)
    ]


def tested(book: PageTables) -> dict[str, Any] | None:
    """The trial on the past, all shops and roles together."""
    frame = book.table("mix_backtest")
    if not frame.height:
        return None
    n, short = int(frame["n"].sum()), int(frame["n_short"].sum())
    if not n:
        return None
    meant = float((frame["stated"] * frame["n"]).sum() / n)
    return {
        "n": n,
        "short": short,
        "share": short / n,
        "meant": meant,
        "was": float(frame["leftover_l"].fill_null(0.0).sum()),
        "would": float(frame["leftover_advised_l"].fill_null(0.0).sum()),
        "second": int(frame["n_second"].sum()) / n,
    }


def _levels(book: PageTables, held: dict[str, Any] | None) -> Listing | None:
    """What each level would have come to, all shops and roles together, and last what was mixed."""
    frame = book.table("mix_levels")
    if not frame.height or held is None:
        return None
    summed = frame.group_by("enough_in").agg(pl.col("n", "n_short", "leftover_l").sum()).sort("enough_in")
    columns = [
        Column("mixed"),
        Column("ran short", Markup("of 100"), number=True),
        Column("left over", wording.unit_header("volume_l"), number=True),
    ]
    rows = [
        Row(
            [
                text(f"enough for {r['enough_in']} of 100, in every role"),
                wording.quantity(r["n_short"] / r["n"], "per100", bare=True),
                amount(r["leftover_l"], "volume_l"),
            ]
        )
        for r in summed.iter_rows(named=True)
    ]
    rows.append(
        Row(
            [
                text("as advised, role by role"),
                wording.quantity(held["share"], "per100", bare=True),
                amount(held["would"], "volume_l"),
            ]
        )
    )
    rows.append(
        Row([
            text("as it was mixed"),
            Markup("{} took a second cup").format(wording.quantity(held["second"], "per100", bare=True)),
            amount(held["was"], "volume_l"),
        ])
    )  # fmt: skip
    return Listing(
        f"The same {wording.plain(held['n'], 0)} past jobs at other levels", columns, rows, source="mix_levels"
    )


def _cups(book: PageTables) -> Listing | None:
    """What weighed cups took, where no spray step tells the area."""
    frame = book.table("cup_guide")
    if not frame.height:
        return None
    ml = wording.unit_header("volume_ml")
    columns = [
        Column("shop"), Column("product"), Column("role"), Column("weighed cups", number=True),
        Column("mixed so far, mean", ml, number=True), Column("taken, mean", ml, number=True),
        Column("mix", Markup("{}, 95 % interval").format(ml), number=True), Column("enough for", Markup("of 100 cups"), number=True),
        Column("would be left, mean", ml, number=True), Column("grade"),
    ]  # fmt: skip
    rows = [
        Row(
            [
                text(book.shop_labels.get(r["shop_id"], r["shop_id"])), text(book.product_label(r["product_id"])),
                text(wording.role_word(r["role"])), text(r["n"]), amount(r["mixed_ml"], "volume_ml"), amount(r["taken_ml"], "volume_ml"),
                amount(r["advised_ml"], "volume_ml", r["low"], r["high"]), wording.quantity(r["quantile"], "per100", bare=True),
                amount(r["would_leave_ml"], "volume_ml"), text(r["grade"]),
            ],
            {"shop": r["shop_id"], "role": r["role"]},
        )
        for r in frame.head(400).iter_rows(named=True)
    ]  # fmt: skip
    return Listing("What a usual cup takes, whatever the job", columns, rows, of=frame.height, source="cup_guide")


def _trial(book: PageTables) -> Listing | None:
    frame = book.table("mix_backtest")
    if not frame.height:
        return None
    columns = [
        Column("shop"),
        Column("role"),
        Column("mixes tried", number=True),
        Column("ran short", Markup("of 100, 95 % interval"), number=True),
        Column("meant to", Markup("of 100"), number=True),
        Column("left over as it was", wording.unit_header("volume_l"), number=True),
        Column("left over as advised", wording.unit_header("volume_l"), number=True),
    ]
    rows = [
        Row(
            [
                text(book.shop_labels.get(r["shop_id"], r["shop_id"])),
                text(wording.role_word(r["role"])),
                text(r["n"]),
                wording.quantity(r["share_short"], "per100", r["low"], r["high"], bare=True),
                wording.quantity(r["stated"], "per100", bare=True),
                amount(r["leftover_l"], "volume_l"),
                amount(r["leftover_advised_l"], "volume_l"),
            ],
            {"shop": r["shop_id"], "role": r["role"]},
        )
        for r in frame.head(400).iter_rows(named=True)
    ]
    return Listing(
        "Each amount was advised from earlier jobs only", columns, rows, of=frame.height, source="mix_backtest"
    )


def sentence(book: PageTables) -> Markup:
    """For the start page."""
    frame = book.table("mix_guide")
    if not frame.height:
        return Markup("")
    held = tested(book)
    n = frame["product_id"].n_unique()
    words = Markup("Advice for {} {} with the guns that spray {}.").format(
        n, "product" if n == 1 else "products", "it" if n == 1 else "them"
    )
    if held:
        words += Markup(" Tried on {} past mixes it ran short in {} of 100; {} of 100 were meant to.").format(
            wording.plain(held["n"], 0), _of_100(held["share"]), _of_100(held["meant"])
        )
    return words


def _of_100(share: float) -> str:
    return wording.phrase(share, "per100")


def cautions(book: PageTables, table: str) -> list[dict[str, str]]:
    """What stands beside the advice of a table, in the table's own words."""
    return [r for r in book.table("cautions").iter_rows(named=True) if table in (r["beside"] or [])]


PAGE = Page("bench", "Mixing bench", "How much should I mix?", ("shop", "role"), make, parts=parts)
