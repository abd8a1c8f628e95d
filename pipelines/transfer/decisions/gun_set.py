"""Which guns and tips a shop needs for what it sprays, what is missing, what is spare, what is idle.

    1  every product that some gun fits is covered (fit: gun_fit; exactly, by smallest_set)
    2  for each product the gun that lands most of those that fit it is kept, wear since its service reckoned
    3  as many guns are kept for a purpose as hands spray for it at once, those that land most first

So a gun is never spare while a poorer one is kept for the same work. Here belongs the choice among guns. Whether one gun fits one
product is said in the ledger; nobody's claim about a gun enters, only the product's data sheet, the place's rule and the shop's
own measured transfer. A gun that is lent counts where the register says it belongs.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import polars as pl
from scipy.optimize import Bounds, LinearConstraint, milp

PRIMER_ROLES = ("surfacer", "sprayable_filler")  # kept apart from what sprays colour and clear
FINISH_ROLES = ("base", "mid_coat", "clear", "single_stage")
TIE = 1e-3  # what transfer counts for among sets of equal size
AT_ONCE = 0.95  # of the hours in which a purpose is sprayed for
WORKING = ("keep", "review")  # parts of guns that the shop works with
UNKNOWN = -9.0  # merit of a gun without a figure: after all that have one


@dataclass(frozen=True)
class Choice:
    """A gun or tip with what it would be used for: name, owned, purpose, the products it fits, its merit (log TE)."""

    name: str
    owned: bool
    purpose: str
    products: frozenset[str]
    merit: float = 0.0
    own: bool = True  # something it fits is of the purpose itself, not only what goes through either gun


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


def hands_at_once(sprays: pl.DataFrame) -> dict[tuple[str, str], int]:
    """(shop, purpose) -> how many hands spray for it in one hour, in 95 of 100 hours in which anybody does."""
    purpose = pl.col("role").replace_strict({r: purpose_of(r) for r in (*PRIMER_ROLES, *FINISH_ROLES)}, default=None)
    found = (
        sprays.with_columns(purpose=purpose, hour=pl.col("started_at").dt.truncate("1h"))
        .drop_nulls(["purpose", "technician_id"])
        .group_by("shop_id", "purpose", "hour", maintain_order=True).agg(hands=pl.col("technician_id").n_unique())
        .group_by("shop_id", "purpose", maintain_order=True).agg(pl.col("hands").quantile(AT_ONCE, "nearest").cast(pl.Int64))
    )  # fmt: skip
    return {(shop, use): n for shop, use, n in found.iter_rows()}


def merits(transfer_by_gun: pl.DataFrame, gun_drift: pl.DataFrame) -> dict[tuple[str, str], float]:
    """(shop, gun) -> log TE at the shop's typical hand less the mean of its guns, over the roles that it sprays.

    Where a gun wears (probability .95 or more) it has lost half of what the litres since its service cost beyond its mean.
    """
    known = transfer_by_gun.drop_nulls("typical_estimate").with_columns(te=pl.col("typical_estimate").log())
    found = (
        known.sort("shop_id", "gun_id", "role")
        .with_columns(pl.col("te") - pl.col("te").mean().over("shop_id", "role"))
        .group_by("shop_id", "gun_id", maintain_order=True).agg(pl.col("te").mean())
    )  # fmt: skip
    worn = {
        gun: min(slope, 0.0) * litres / 2
        for gun, slope, litres in gun_drift.filter((pl.col("prob_wear") >= 0.95) & pl.col("slope_per_litre").is_not_null())
        .sort("gun_id", "since").select("gun_id", "slope_per_litre", "litres").iter_rows()
    }  # fmt: skip
    return {(shop, gun): te + worn.get(gun, 0.0) for shop, gun, te in found.iter_rows()}


def worth_keeping(ranked: list[Choice], at_once: Mapping[str, int]) -> list[Choice]:
    """Of guns in the order of their merit: who brings a product that none before it fits, and as many as work at once."""
    kept: list[Choice] = []
    covered: set[str] = set()
    for c in ranked:
        if any(k.name == c.name for k in kept):
            continue  # a gun that fits primers and finish serves one of them
        wanted = c.own and sum(k.purpose == c.purpose for k in kept) < at_once.get(c.purpose, 0)
        if c.products - covered or wanted:
            kept.append(c)
            covered |= c.products
    return kept


@dataclass
class _Found:
    """A gun of a shop: the products it fits and whether the rule is unknown for one, its operations in all and by purpose."""

    tip: float | None = None
    fits: set[str] = field(default_factory=set)
    doubtful: bool = False
    used: int = 0
    uses: Counter[str] = field(default_factory=Counter)


def _found(part: pl.DataFrame, facts: dict[str, tuple[str, float | None, float | None]]) -> dict[str, _Found]:
    out: dict[str, _Found] = {}
    for r in part.iter_rows(named=True):
        gun = out.setdefault(r["gun_id"], _Found())
        gun.tip = r["tip_mm"]
        gun.used += r["n_operations"]
        gun.uses[facts[r["product_id"]][0]] += r["n_operations"]
        if r["tip_fits"] and r["atomising_allowed"]:
            gun.fits.add(r["product_id"])
        elif r["tip_fits"] and r["atomising_allowed"] is None:
            gun.doubtful = True
    return out


def gun_cover(
    gun_fit: pl.DataFrame,
    transfer_by_gun: pl.DataFrame,
    guns_now: pl.DataFrame,
    sprays: pl.DataFrame,
    gun_drift: pl.DataFrame,
) -> pl.DataFrame:
    """Table gun_cover, shop by shop, for the products that were sprayed there.

    A gun counts for a product where tip and place's rule fit; a pressure written down too high is set lower, not bought, and
    primer guns are kept apart from finish guns by what they are kept for, not by what they were once used for.
    """
    rows: list[dict[str, object]] = []
    merit, busy = merits(transfer_by_gun, gun_drift), hands_at_once(sprays)
    home = dict(guns_now.filter(pl.col("retired_on").is_null()).select("gun_id", "shop_id").iter_rows())
    for (shop,), part in gun_fit.sort("shop_id", "gun_id", "product_id").group_by("shop_id", maintain_order=True):
        facts = {
            p: (purpose_of(role), low, high)
            for p, role, low, high in part.select("product_id", "role", "tip_min_mm", "tip_max_mm").unique().iter_rows()
        }
        at_home = [gun for gun, where in home.items() if where == shop]
        found = _found(part.filter(pl.col("gun_id").is_in(at_home)), facts)
        products = sorted(facts)
        choices = []
        for gun in sorted(found):
            for purpose in ("primer", "finish"):
                mine = frozenset(p for p in found[gun].fits if facts[p][0] in (purpose, "any"))
                if mine:
                    own = any(facts[p][0] == purpose for p in mine)
                    choices.append(Choice(gun, True, purpose, mine, merit.get((str(shop), gun), UNKNOWN), own))
        reachable = [p for p in products if any(p in c.products for c in choices)]
        chosen = smallest_set(reachable, choices) or []
        # one gun may be the only fit for both purposes: then what cannot be covered at once is missing too
        if reachable and not chosen:
            chosen, reachable = _as_much_as_can_be(reachable, choices)
        taken = {c.name for c in chosen}
        ranked = sorted(
            [*chosen, *(c for c in choices if c.name not in taken)],
            key=lambda c: (found[c.name].used == 0, -c.merit, c.name, -found[c.name].uses[c.purpose]),
        )
        serves = {c.name: c for c in reversed(ranked)}
        at_once = {use: busy.get((str(shop), use), 0) for use in ("primer", "finish")}
        kept = worth_keeping(ranked, at_once)
        for c in kept:
            why = _why_kept(c, kept, [d for d in ranked if d.name != c.name], at_once[c.purpose])
            rows.append(
                _row(shop, "keep", c.name, c.purpose, found[c.name].tip, found[c.name].tip, sorted(c.products), why)
            )
        for gun in sorted(set(found) - {c.name for c in kept}):
            if found[gun].used == 0:
                part_of, why = "idle", "no operation in these data"
            elif gun in serves:
                part_of, use = "spare", serves[gun].purpose
                why = (
                    f"for all that it fits guns are kept that land as much or more, {max(at_once[use], 1)} for {use}: so many "
                    "hands spray at once here"
                )
            elif found[gun].doubtful:
                part_of, why = "review", "whether the place's rule allows it is not known"
            else:
                part_of, why = "spare", "its tip or the place's rule fits nothing that is sprayed here"
            rows.append(_row(shop, part_of, gun, "any", found[gun].tip, found[gun].tip, sorted(found[gun].fits), why))
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


def _why_kept(c: Choice, kept: list[Choice], others: list[Choice], at_once: int) -> str:
    alone = sorted(p for p in c.products if not any(p in d.products for d in others))
    if alone:
        return f"no other gun here fits {', '.join(alone)}"
    before = kept[: kept.index(c)]
    best = sorted(c.products - set().union(*(d.products for d in before)))
    if best and c.merit > UNKNOWN:
        return f"lands most of the guns that fit {', '.join(best)}"
    if best:
        return f"needed for {', '.join(best)}; {', '.join(sorted(d.name for d in others if set(best) <= d.products)) or 'others'} would do as well"
    return f"{at_once} hands spray {c.purpose} at once here"


def kept(cover: pl.DataFrame) -> dict[str, set[str]]:
    """Shop -> the guns that another could take the place of: kept, in use while it is looked into whether they may, or fit for
    nothing that is sprayed there. Where others are kept for all that a gun fits, none is needed in its place."""
    of: dict[str, set[str]] = {}
    unfit = (pl.col("part") == "spare") & (pl.col("products").list.len() == 0)
    for shop, gun in cover.filter(pl.col("part").is_in(WORKING) | unfit).select("shop_id", "item").iter_rows():
        of.setdefault(shop, set()).add(gun)
    return of


def with_replacement(cover: pl.DataFrame, savings: pl.DataFrame) -> pl.DataFrame:
    """Said of a gun that works: that replacing it is what the savings name. One that fits nothing and is used all the same is
    not spare then: it is to be looked at."""
    named = savings.filter((pl.col("lever") == "gun") & (pl.coalesce("per_year_cost", "per_year_solids_kg") > 0))
    named = named.select("shop_id", "item", named=pl.lit(True))
    return cover.join(named, on=["shop_id", "item"], how="left", maintain_order="left").with_columns(
        part=pl.when(pl.col("named") & (pl.col("part") == "spare")).then(pl.lit("review")).otherwise("part"),
        why=pl.when("named").then(pl.col("why") + "; of those here the one whose replacement would save most").otherwise("why"),
    ).drop("named")  # fmt: skip


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
