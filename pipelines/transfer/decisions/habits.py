"""Who habitually leaves much in the cup, for the same role, product and size of mix.

Here belongs the model of what is left over as a share of what was poured. What a leftover costs stands in the ledger; how much
to mix stands in mixing.py. Cups that nobody weighed back say nothing here.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl
from scipy.special import ndtr

from pipelines.settings import Settings
from pipelines.transfer.model import flags
from pipelines.transfer.solver.mixed_model import Floats, Ints
from pipelines.transfer.solver.table_model import Fitted, Term, labels

CUP = ["shop_id", "mix_id"]
MAX_VIF = 3.0
FEW = 8  # weighed cups
SIZES_ML = (75.0, 150.0, 300.0, 600.0)
AT_LEAST = 1.08  # a mix up to 8 % above the sheet's least was mixed as small as may be
SCALE = {"place": 0.05, "product": 0.05, "technician": 0.05, "event": 0.15}  # half-normal scales of the sd of the share


@dataclass(frozen=True)
class Habits:
    """people: technician_id, n, effect (share of the pour above the usual), variance, prob, vif, separable, with_whom, flagged,
    reliability, own_fall (by how much less than its mean the better half of one's own cups leaves), own_fall_se. usual: mean
    share per shop. fit: for joint draws."""

    people: pl.DataFrame
    usual: pl.DataFrame
    fit: Fitted | None


def who_mixed(pours: pl.DataFrame) -> pl.DataFrame:
    """A cup belongs to who poured first: CUP, technician_id."""
    named = pours.filter(pl.col("technician_id").is_not_null()).sort(*CUP, "pour_no")
    return named.unique(CUP, keep="first", maintain_order=True).select(*CUP, "technician_id")


def newest(products: pl.DataFrame) -> pl.DataFrame:
    """The version of each product that holds now: the latest."""
    dated = products.sort("product_id", "valid_from", nulls_last=False)
    return dated.unique("product_id", keep="last", maintain_order=True)


def cups(mixes: pl.DataFrame, pours: pl.DataFrame, products: pl.DataFrame) -> pl.DataFrame:
    """Weighed, complete cups with who mixed them: CUP, technician_id, product_id, role, share, size, least.

    Leftovers of other cups poured in count as poured.
    """
    return (
        mixes.filter(
            pl.col("leftover_known") & pl.col("complete") & (pl.col("poured_g") > 0) & (pl.col("density_g_per_ml") > 0)
        )
        .join(who_mixed(pours), on=CUP)
        .join(newest(products).select("product_id", "role", "min_mix_ml"), on="product_id")
        .with_columns(
            ml=pl.col("poured_g") / pl.col("density_g_per_ml"),
            share=(pl.col("leftover_g") / (pl.col("poured_g") - pl.col("poured_on_g"))).clip(0.0, 1.0),
        )
        .filter(pl.col("share").is_finite())
        .with_columns(
            size=pl.sum_horizontal((pl.col("ml") >= limit).cast(pl.Int64) for limit in SIZES_ML).cast(pl.String),
            least=(pl.col("ml") <= AT_LEAST * pl.col("min_mix_ml")).fill_null(False),
        )
        .sort(CUP)
    )  # fmt: skip


def fitted(seen: pl.DataFrame, more: Sequence[Term] = ()) -> tuple[Fitted, Ints]:
    """The model of the share left over (`leftover_habits_of_hands`) over cups, and the number of each cup's mixer. more: terms
    besides its own."""
    terms = [
        Term("role", labels(seen, "role"), prior=(0.15, 0.15)),
        Term("size", labels(seen, "size"), prior=(0.0, 0.1)),
        Term("least", labels(seen.with_columns(at=pl.lit("least")), "at", where=pl.col("least")), prior=(0.0, 0.3)),
        Term("product", labels(seen, "product_id"), scale=SCALE["product"]),
        Term("place", labels(seen, "shop_id", "role"), scale=SCALE["place"], local=True),
        Term("technician", labels(seen, "technician_id"), scale=SCALE["technician"], local=True),
        *more,
    ]
    y, ones = seen["share"].to_numpy(), np.ones(seen.height)
    fit = Fitted(terms, y, 0 * ones, ones, SCALE["event"])
    # who leaves much also leaves unevenly: each hand's own spread, drawn towards the common one as by 10 cups
    code = np.unique(labels(seen, "technician_id"), return_inverse=True)[1]
    left2 = (y - fit.design @ fit.fit.best.theta) ** 2
    common = float(left2.mean())
    own = (np.bincount(code, left2) + 10 * common) / (np.bincount(code) + 10)
    fit = Fitted(terms, y, 0 * ones, (own / common)[code] if common > 0 else ones, SCALE["event"], like=fit)
    return fit, code


def leftover_habits_of_hands(seen: pl.DataFrame, settings: Settings) -> Habits:
    """share = role + size + smallest mix + (shop, role) + product + technician + e; who lies above the usual by over 5 points.

    Whoever mixes the small jobs is not shown as wasteful: size and least mix are in the model. Flags by an expected share of
    wrong ones of 5 %, only where hand and product can be told apart (VIF <= 3). The setting is leftover_material.
    """
    usual = (
        seen.group_by("shop_id", maintain_order=True)
        .agg(share=(pl.col("share") * pl.col("ml")).sum() / pl.col("ml").sum())
        .sort("shop_id")
    )
    if seen.height < FEW:
        return Habits(pl.DataFrame(), usual, None)
    material = settings.practice.leftover_material
    fit, code = fitted(seen)
    y = seen["share"].to_numpy()
    people = seen.group_by("technician_id", maintain_order=True).agg(
        n=pl.len().cast(pl.Int64), shop_id=pl.col("shop_id").mode().min()
    ).sort("technician_id")  # fmt: skip
    hands = [[("technician", t, 1.0)] for t in people["technician_id"]]
    effect, variance = fit.predict(hands)
    fall, fall_se = _own_fall(y - fit.design @ fit.fit.best.theta, code)
    vif = np.maximum(fit.vif(hands, "product"), fit.vif(hands, "place"))
    apart = vif <= MAX_VIF
    prob = ndtr((effect - material) / np.sqrt(variance))
    flagged = flags.flag(
        prob, apart & (people["n"].to_numpy() >= FEW) & fit.fit.converged, settings.transfer.false_flag_share
    )
    return Habits(
        people.with_columns(
            effect=pl.Series(effect), variance=pl.Series(variance), prob=pl.Series(prob), vif=pl.Series(vif),
            separable=pl.Series(apart), flagged=pl.Series(flagged),
            reliability=pl.Series(np.clip(1 - variance / fit.sd("technician") ** 2, 0, 1)),
            with_whom=pl.Series([None if a else "the products and places" for a in apart], dtype=pl.String),
            own_fall=pl.Series(fall), own_fall_se=pl.Series(fall_se),
        ),
        usual, fit,
    )  # fmt: skip


def _own_fall(miss: Floats, code: Ints) -> tuple[Floats, Floats]:
    """Per hand, by how much the mean of the lesser half of its cups lies below the mean of all, and its standard error.

    miss: what a cup left beyond what its kind of work and its mixer leave. Drawn towards what all hands show as by 10 cups.
    """
    count = np.bincount(code)
    order = np.lexsort((miss, code))
    place = np.arange(len(miss)) - (np.cumsum(count) - count)[code[order]]
    half = count[code[order]] / 2
    lesser = np.clip(half - place, 0.0, 1.0)  # the cup in the middle of an odd number counts half
    low = np.bincount(code[order], lesser * miss[order]) / (count / 2)
    fall = np.bincount(code, miss) / count - low
    fall = (count * fall + 10 * (count @ fall) / count.sum()) / (count + 10)
    return fall, float(miss.std()) / np.sqrt(count + 10)


def leftover_cups(seen: pl.DataFrame, people: pl.DataFrame) -> pl.DataFrame:
    """Table leftover_cups: the cups (`cups`) of those flagged, which a trainer can go through with them.

    sprayed_g is what left a cup and was not poured into another, what was flushed included; left_share is the share that the
    flag is about.
    """
    if people.is_empty() or not people["flagged"].any():
        return pl.DataFrame()
    return seen.join(people.filter("flagged"), on="technician_id", how="semi").select(
        "shop_id", "technician_id", "mix_id", "product_id", "role", "poured_g", "leftover_g",
        first_poured_on=pl.col("first_poured_at").dt.date(),
        sprayed_g=pl.col("poured_g") - pl.col("poured_on_g") - pl.col("leftover_g"),
        left_share="share",
    )  # fmt: skip
