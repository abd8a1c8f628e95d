"""The answer at the scale: how much to mix, from the published guide alone.

Here belongs what the command `mix` needs, and it is kept light: somebody stands at the scale and waits. How the guide is made
stands in mixing.py.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import polars as pl

from schemas.area_classes import MIX_LEVELS, area_class

LARGEST_M2 = 60.0  # no vehicle has more


def outcomes(area_m2: pl.Expr) -> dict[str, pl.Expr]:
    """What comes of mixing at each of MIX_LEVELS, from columns of mix_guide: mix_, short_ (probability), left_ (mL on average),
    cost_short_, cost_left_ and cost_ (their sum, currency) and the level; all null where there is none, costs where no price is known.

    Between the levels' amounts the probability of needing more falls in straight lines, beyond the last it dies away as between
    the last two (our choice). Short by an amount x: E max(X - x, 0) = the area under that probability from x on. A second cup
    costs its labour, one more flush and what is left of the sheet's least mix.
    """
    points = [area_m2 * pl.col(f"at_{n}_ml_per_m2") + pl.col("flush_ml") for n in MIX_LEVELS]
    chance = [1 - n / 100 for n in MIX_LEVELS]
    dying = (points[-1] - points[-2]) / math.log(chance[-2] / chance[-1])
    least, price = pl.col("min_mix_ml").fill_null(0.0), pl.col("price_per_ml")
    mean = area_m2 * pl.col("as_sprayed_ml_per_m2") + pl.col("flush_ml")
    out: dict[str, pl.Expr] = {}
    for n, need in zip(MIX_LEVELS, points, strict=True):
        mix = pl.when(need.is_not_null()).then(pl.max_horizontal(need, least))
        beyond = (-(mix - points[-1]).clip(lower_bound=0.0) / dying).exp() * chance[-1]
        short: Any = pl.when(mix >= points[-1]).then(beyond)
        missing = beyond * dying
        for (x0, x1), (s0, s1) in zip(pairwise(points), pairwise(chance), strict=True):
            begin = mix.clip(x0, x1)
            at = s0 + (s1 - s0) * (begin - x0) / (x1 - x0)
            missing = missing + (x1 - begin) * (at + s1) / 2
            short = short.when((mix >= x0) & (mix < x1)).then(at)
        short = short.otherwise(None)
        left = (mix - mean + missing).clip(lower_bound=0.0)
        again = short * (pl.col("second_cup_cost") + pl.col("flush_ml") * price)
        cost_short = again + (short * least - missing).clip(lower_bound=0.0) * price
        out |= {
            f"mix_{n}": mix, f"short_{n}": short, f"left_{n}": left, f"cost_short_{n}": cost_short,
            f"cost_left_{n}": left * price, f"cost_{n}": cost_short + left * price,
        }  # fmt: skip
    return out


def cheapest(of: str = "cost_") -> pl.Expr:
    """The level whose column costs least; of equal ones the lowest; null where no cost is known."""
    best = pl.min_horizontal(f"{of}{n}" for n in MIX_LEVELS)
    return pl.coalesce(pl.when(pl.col(f"{of}{n}") == best).then(pl.lit(n, pl.Int64)) for n in MIX_LEVELS)


class MixError(ValueError):
    """The guide has no answer; the message says why and what to do."""


@dataclass(frozen=True)
class Advice:
    """What to mix for one operation. All volumes mL ready to spray; cautions come with it. `choices`: enough_in (of 100), mix_ml,
    cost_short and cost_left (currency, on average) of each level, where prices are known; advised is the cheapest of them."""

    mix_ml: float
    usual_ml: float
    mid_window_ml: float | None
    flush_ml: float
    least_ml: float | None
    quantile: float
    area_class: str
    n: int
    n_product: int
    shop_id: str
    notes: tuple[str, ...]
    choices: tuple[dict[str, float], ...] = ()


def advise(
    mix_guide: pl.DataFrame, product: str, gun: str, area_m2: float, coats: int | None = None, shop: str | None = None
) -> Advice:
    """The amount to mix of a product with a gun for an area, from the published table mix_guide.

    coats: where given, the amount is scaled from the coats that the figures stand for. shop: needed only where a gun has
    worked in several. Raises MixError naming what is not known and what there is instead.
    """
    if not (math.isfinite(area_m2) and area_m2 > 0):
        raise MixError(
            f"The area must be above 0 m2, not {area_m2:g}: area of the panels x the fraction that is covered."
        )
    if area_m2 > LARGEST_M2:
        raise MixError(f"{area_m2:g} m2 is more than any vehicle has. Is it in square feet? 1 m2 = 10.76 sq ft.")
    if coats is not None and coats < 1:
        raise MixError(f"Coats must be 1 or more, not {coats}.")
    if not mix_guide.height:
        raise MixError(
            "There is no guide by area yet: it needs 8 operations of a product with weighed-back cups. Weigh back what is left over;"
            " without --gun and --area the answer comes from weighed cups alone."
        )
    rows = _rows_of(mix_guide, product, gun, shop)
    name = area_class(area_m2)
    row = rows.filter(pl.col("area_class") == name).row(0, named=True)
    factor, notes = 1.0, []
    if coats is not None and row["coats"]:
        factor = coats / row["coats"]
        if abs(factor - 1) > 0.1:
            notes.append(f"Scaled to {coats} coats; the figures stand for {row['coats']:.1f}.")
        if row["coats_max"] and coats > row["coats_max"]:
            notes.append(f"The data sheet allows at most {row['coats_max']} coats: it comes first.")
    if row["n"] == 0:
        notes.append("No job of this size with this gun yet: reckoned from its other jobs and other guns.")
    notes += hardener(row["role"])
    least = row["min_mix_ml"]
    told = rows.filter(pl.col("area_class") == name).select(**outcomes(pl.lit(area_m2 * factor)))
    level = told.select(cheapest()).item()
    advised = row["advised_ml_per_m2"] if level is None else row[f"at_{level}_ml_per_m2"]
    need = area_m2 * advised * factor + row["flush_ml"]
    mix = max(need, least or 0.0)
    if least and need < least:
        notes.append(f"Less would do, but the data sheet's least mix is {least:g} mL.")
    mid = row["mid_window_ml_per_m2"]
    return Advice(
        mix_ml=float(math.ceil(mix)),
        usual_ml=area_m2 * row["as_sprayed_ml_per_m2"] * factor + row["flush_ml"],
        mid_window_ml=None if mid is None else area_m2 * mid + row["flush_ml"],
        flush_ml=row["flush_ml"],
        least_ml=least,
        quantile=row["quantile"] if level is None else level / 100,
        area_class=name,
        n=row["n"],
        n_product=row["n_product"] or 0,
        shop_id=row["shop_id"],
        notes=tuple(notes),
        choices=() if level is None else tuple(
            {"enough_in": n, "mix_ml": math.ceil(told[f"mix_{n}"].item()), "cost_short": told[f"cost_short_{n}"].item(),
             "cost_left": told[f"cost_left_{n}"].item()}
            for n in MIX_LEVELS
        ),
    )  # fmt: skip


def advise_cup(cup_guide: pl.DataFrame, product: str, shop: str | None = None) -> dict[str, Any]:
    """The row of the published table cup_guide that says what to mix of a product where area and gun are not known. Raises MixError."""
    mine = cup_guide if shop is None else cup_guide.filter(pl.col("shop_id") == shop)
    rows = mine.filter(_is(product))
    if not rows.height:
        knows = f" There is one for: {_names(mine, 'product_id')}." if mine.height else ""
        raise MixError(
            f"No advice for {product!r}{_close(product, mine, 'product_id')} without --gun and --area: that takes 8 cups of it that"
            f" were weighed back.{knows}"
        )
    if rows.height > 1:
        raise MixError(f"{', '.join(rows['shop_id'].sort())} mix {product}: say which with --shop.")
    return rows.row(0, named=True)


def hardener(role: str) -> list[str]:
    """The caution that stands beside an amount to mix of a role whose products may take a hardener."""
    if role not in ("clear", "single_stage", "surfacer", "sealer", "epoxy", "sprayable_filler"):
        return []
    return [
        "If it takes a hardener it may hold isocyanates: supplied air or the protection that the data sheet names, gloves,"
        " booth air on."
    ]


def _rows_of(mix_guide: pl.DataFrame, product: str, gun: str, shop: str | None) -> pl.DataFrame:
    """The guide's rows of one product, gun and shop. Raises MixError as `advise` does."""
    mine = mix_guide if shop is None else mix_guide.filter(pl.col("shop_id") == shop)
    if shop is not None and not mine.height:
        raise MixError(f"No shop {shop!r} in the guide. There are: {_names(mix_guide, 'shop_id')}.")
    of_product = mine.filter(_is(product))
    if of_product["product_id"].n_unique() > 1:
        raise MixError(f"{product!r} is the name of {_names(of_product, 'product_id')}: say which.")
    if not of_product.height:
        raise MixError(
            f"The guide does not know the product {product!r}{_close(product, mine, 'product_id')}. It knows: "
            f"{_names(mine, 'product_id')}. A product needs 8 operations with weighed-back cups."
        )
    rows = of_product.filter(pl.col("gun_id") == gun)
    if not rows.height:
        raise MixError(
            f"{product} was never sprayed with the gun {gun!r}{_close(gun, of_product, 'gun_id')}. Guns that sprayed it: "
            f"{_names(of_product, 'gun_id')}."
        )
    shops = rows["shop_id"].unique().sort().to_list()
    if len(shops) > 1:
        raise MixError(f"The gun {gun} sprayed {product} in {', '.join(shops)}: say which with --shop.")
    return rows


def _is(product: str) -> pl.Expr:
    """A product by its id or by the name that pages show."""
    return (pl.col("product_id") == product) | (pl.col("product").str.to_lowercase() == product.strip().lower())


def _names(frame: pl.DataFrame, column: str) -> str:
    return ", ".join(frame[column].unique().sort().to_list())


def _close(name: str, frame: pl.DataFrame, column: str) -> str:
    import difflib

    known = set(frame[column]) | (set(frame["product"].drop_nulls()) if column == "product_id" else set())
    found = difflib.get_close_matches(name, sorted(known), n=1)
    return f" (did you mean {found[0]}?)" if found else ""
