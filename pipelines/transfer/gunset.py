"""The smallest set of guns and tips that covers what a shop sprays, what is missing, what is idle.

Here belongs the choice among guns. Whether one gun fits one product is said in the ledger (gun_fit); nobody's claim about a gun
enters, only the product's data sheet, the place's rule and the shop's own measured transfer.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl
from scipy.optimize import Bounds, LinearConstraint, milp

PRIMER_ROLES = ("surfacer", "sprayable_filler")  # kept apart from what sprays colour and clear
FINISH_ROLES = ("base", "mid_coat", "clear", "single_stage")
TIE = 1e-3  # what transfer counts for among sets of equal size


@dataclass(frozen=True)
class Choice:
    """A gun or tip with what it would be used for: name, owned, purpose, the products it fits, its merit (0-1)."""

    name: str
    owned: bool
    purpose: str
    products: frozenset[str]
    merit: float = 0.0


def purpose_of(role: str) -> str:
    """primer, finish, or any: what goes through either gun."""
    return "primer" if role in PRIMER_ROLES else "finish" if role in FINISH_ROLES else "any"


def smallest_set(products: list[str], choices: list[Choice]) -> list[Choice] | None:
    """The fewest choices that cover every product; None where no set does.

    Binary x_i: cover(p) = sum of x_i over choices that fit p >= 1; a gun serves one purpose: sum of x over its purposes <= 1.
    Objective: bought count 1000, owned 1, merit breaks ties. Solved exactly by scipy.optimize.milp.
    """
    if not products:
        return []
    if not choices:
        return None
    n = len(choices)
    cover = np.array([[float(p in c.products) for c in choices] for p in products])
    if (cover.sum(axis=1) == 0).any():
        return None
    guns = sorted({c.name for c in choices})
    once = np.array([[float(c.name == g) for c in choices] for g in guns])
    cost = np.array([(1.0 if c.owned else 1000.0) - TIE * c.merit + TIE * 1e-3 * i / n for i, c in enumerate(choices)])
    found = milp(
        cost,
        constraints=[LinearConstraint(cover, 1, np.inf), LinearConstraint(once, -np.inf, 1)],
        integrality=np.ones(n),
        bounds=Bounds(0, 1),
    )
    if not found.success:
        return None
    return [c for c, x in zip(choices, found.x, strict=True) if x > 0.5]


def tips_to_buy(needs: list[tuple[str, str, float, float]]) -> list[tuple[str, float, float, list[str]]]:
    """The fewest tips for products that no gun fits: (product, purpose, tip from, tip to) -> (purpose, from, to, products).

    For intervals on a line the greedy choice by right end is the fewest; what suits either purpose joins a tip that is there.
    """
    out: list[tuple[str, float, float, list[str]]] = []
    for product, purpose, low, high in sorted(needs, key=lambda x: (x[1] == "any", x[3], x[2], x[0])):
        for i, (use, a, b, members) in enumerate(out):
            if (purpose in (use, "any")) and max(a, low) <= min(b, high) + 1e-9:
                out[i] = (use, max(a, low), min(b, high), [*members, product])
                break
        else:
            out.append((purpose, low, high, [product]))
    return sorted(out)


def gun_cover(gun_fit: pl.DataFrame, transfer_by_gun: pl.DataFrame, guns: pl.DataFrame) -> pl.DataFrame:
    """Table gun_cover, shop by shop, for the products that were sprayed there.

    A gun counts for a product where tip and place's rule fit; a pressure written down too high is set lower, not bought, and
    primer guns are kept apart from finish guns by what they are kept for, not by what they were once used for.
    """
    rows: list[dict[str, object]] = []
    merit = {
        (g, r): e
        for g, r, e in transfer_by_gun.select("gun_id", "role", pl.coalesce("typical_estimate", "estimate")).iter_rows()
        if e is not None
    }
    retired = set(guns.filter(pl.col("retired_on").is_not_null())["gun_id"].to_list())
    for (shop,), part in gun_fit.sort("shop_id", "gun_id", "product_id").group_by("shop_id", maintain_order=True):
        part = part.filter(~pl.col("gun_id").is_in(list(retired)))
        facts = {
            p: (purpose_of(role), low, high)
            for p, role, low, high in part.select("product_id", "role", "tip_min_mm", "tip_max_mm").unique().iter_rows()
        }
        fits: dict[str, set[str]] = {}
        used: dict[str, int] = {}
        tip: dict[str, float | None] = {}
        doubtful: dict[str, set[str]] = {}
        for r in part.iter_rows(named=True):
            gun = r["gun_id"]
            fits.setdefault(gun, set())
            used[gun] = used.get(gun, 0) + r["n_operations"]
            tip[gun] = r["tip_mm"]
            if r["tip_fits"] and r["atomising_allowed"]:
                fits[gun].add(r["product_id"])
            elif r["tip_fits"] and r["atomising_allowed"] is None:
                doubtful.setdefault(gun, set()).add(r["product_id"])
        products = sorted(facts)
        role_of = dict(part.select("product_id", "role").unique().iter_rows())
        choices = []
        for gun in sorted(fits):
            for purpose in ("primer", "finish"):
                mine = frozenset(p for p in fits[gun] if facts[p][0] in (purpose, "any"))
                if mine:
                    known = [merit[(gun, role_of[p])] for p in mine if (gun, role_of[p]) in merit]
                    choices.append(Choice(gun, True, purpose, mine, float(np.mean(known)) if known else 0.0))
        reachable = [p for p in products if any(p in c.products for c in choices)]
        chosen = smallest_set(reachable, choices) or []
        # one gun may be the only fit for both purposes: then what cannot be covered at once is missing too
        if reachable and not chosen:
            chosen, reachable = _as_much_as_can_be(reachable, choices)
        for c in chosen:
            others = sorted({d.name for d in choices if d.products >= c.products and d.name != c.name})
            rows.append(_row(shop, "keep", c.name, c.purpose, tip[c.name], tip[c.name], sorted(c.products),
                             "no other gun here fits all of these" if not others
                             else f"needed for these; {', '.join(others)} would do as well"))  # fmt: skip
        kept = {c.name for c in chosen}
        for gun in sorted(set(fits) - kept):
            if used[gun] == 0:
                part_of, why = "idle", "no operation in these data"
            else:
                part_of = "spare"
                why = (
                    "the guns kept cover what it fits" if fits[gun]
                    else "review: whether the place's rule allows it is not known" if doubtful.get(gun)
                    else "its tip or the place's rule fits nothing that is sprayed here"
                )  # fmt: skip
            rows.append(_row(shop, part_of, gun, "any", tip[gun], tip[gun], sorted(fits[gun]), why))
        missing = [p for p in products if p not in reachable]
        needs = [
            (p, facts[p][0], facts[p][1], facts[p][2])
            for p in missing
            if facts[p][1] is not None and facts[p][2] is not None
        ]
        for purpose, low, high, members in tips_to_buy(needs):
            rows.append(_row(shop, "to_buy", f"tip {low:g}-{high:g} mm", purpose, low, high, sorted(members),
                             "no gun here has a tip that the data sheet and the place's rule both allow"))  # fmt: skip
    schema: dict[str, Any] = {"shop_id": pl.String, "part": pl.String, "item": pl.String, "purpose": pl.String, "tip_low_mm": pl.Float64,
              "tip_high_mm": pl.Float64, "products": pl.List(pl.String), "why": pl.String}  # fmt: skip
    return pl.DataFrame(rows, schema=schema)


def _as_much_as_can_be(products: list[str], choices: list[Choice]) -> tuple[list[Choice], list[str]]:
    """Where not all can be covered at once: drop products, those with the fewest guns first, until a set exists."""
    left = sorted(products, key=lambda p: (sum(p in c.products for c in choices), p))
    while left:
        found = smallest_set(sorted(left), choices)
        if found:
            return found, sorted(left)
        left = left[1:]
    return [], []


def _row(
    shop: object,
    part: str,
    item: str,
    purpose: str,
    low: float | None,
    high: float | None,
    products: list[str],
    why: str,
) -> dict[str, object]:
    return {"shop_id": shop, "part": part, "item": item, "purpose": purpose, "tip_low_mm": low, "tip_high_mm": high,
            "products": products, "why": why}  # fmt: skip
