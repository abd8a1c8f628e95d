"""How much to mix: what a square metre takes here, how far it varies from job to job, and what is therefore advised.

    advised mL = area (m2) x mL per m2 at the role's quantile + flush loss (mL), rounded up to the least that can be mixed

Here belongs the model of use, the guide made from it and its trial on the past; the answer at the scale is advice.py. What a
quantile costs in leftovers stands in the back-test, so that a shop can choose (setting mix_quantile).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl
from scipy import stats

from pipelines.settings import Role, Settings
from pipelines.transfer.decisions.habits import newest
from pipelines.transfer.decisions.mix_answer import cheapest, outcomes
from pipelines.transfer.solver.table_model import Fitted, Term, labels
from schemas.area_classes import AREA_CLASSES, MIX_LEVELS
from schemas.published import Z95

OPERATION = ["shop_id", "job_id", "operation_no"]
# Half-normal scales of the sd of log use per m2 (our choice).
SCALE = {"place": 0.3, "gun": 0.15, "technician": 0.15, "size": 0.15, "colour": 0.25, "event": 0.3}
ENOUGH_FOR_SHAPE = 60  # residuals of a role from which its own quantile is taken
FEW = 8  # operations of a role in a shop from which the guide speaks
BLOCKS = 6  # stretches of time of the trial; the first only teaches


def uses(tables: Mapping[str, pl.DataFrame]) -> pl.DataFrame:
    """What each operation used, where it is known: every cup weighed back and its share stated or the only one.

    OPERATION, gun_id, technician_id, product_id, role, area_class, covered_m2, coats, colour_id, started_at, sprayed_ml,
    flush_ml, leftover_ml, n_cups, use (mL per m2). Redone operations count like any other.
    """
    mixes = tables["mixes"].select("shop_id", "mix_id", "density_g_per_ml", "leftover_g", "leftover_known", "complete")
    fed = (
        tables["sprayed"].join(mixes, on=["shop_id", "mix_id"], suffix="_mix")
        .group_by(OPERATION, maintain_order=True)
        .agg(
            known=(pl.col("leftover_known_mix") & pl.col("complete_mix") & pl.col("share_known")
                   & pl.col("sprayed_g").is_not_null()).all(),
            alone=(pl.col("share").fill_null(0.0) > 0.999).all(),
            sprayed_ml=(pl.col("sprayed_g") / pl.col("density_g_per_ml")).sum(),
            flush_ml=(pl.col("flush_g") / pl.col("density_g_per_ml")).sum(),
            leftover_ml=(pl.col("leftover_g") / pl.col("density_g_per_ml")).sum(),
            n_cups=pl.len().cast(pl.Int64),
        )
    )  # fmt: skip
    colours = (
        tables["cup_feeds"].join(
            tables["pours"].filter(pl.col("colour_id").is_not_null()).select("shop_id", "mix_id", "colour_id"),
            on=["shop_id", "mix_id"],
        ).group_by(OPERATION, maintain_order=True).agg(pl.col("colour_id").min())
    )  # fmt: skip
    return (
        tables["sprays"]
        .filter(
            (pl.col("covered_m2") > 0) & pl.col("why_incomplete").is_null() & pl.col("role").is_not_null()
            & pl.col("gun_id").is_not_null()
        )
        .select(*OPERATION, "gun_id", "technician_id", "product_id", "role", "area_class", "covered_m2", "coats", "started_at")
        .join(fed, on=OPERATION)
        .filter(pl.col("known") & (pl.col("sprayed_ml") > 0))
        .join(colours, on=OPERATION, how="left")
        .with_columns(use=pl.col("sprayed_ml") / pl.col("covered_m2"))
        .sort("started_at", *OPERATION)
    )  # fmt: skip


@dataclass(frozen=True)
class Guide:
    """A fitted model of log use: fit, the shape of what is left over per role, and the rows it learnt from."""

    fit: Fitted
    shape: dict[str, np.ndarray]
    seen: pl.DataFrame


def learn(seen: pl.DataFrame, like: Guide | None = None) -> Guide | None:
    """log use = role + area class + (shop, product) + gun + technician + (role, area class) + colour + e, or None: too few.

    The colour (base and mid coat) is known at the scale but not in the guide, so its spread counts as spread between jobs.
    """
    if seen.height < FEW:
        return None
    y = np.log(seen["use"].to_numpy())
    # gross errors must not steer the guide: at most 4 robust sd from the role's middle
    role = seen["role"].to_numpy().astype(str)
    for r in np.unique(role):
        at = role == r
        middle = np.median(y[at])
        wide = max(1.4826 * np.median(np.abs(y[at] - middle)), 0.05)
        y[at] = np.clip(y[at], middle - 4 * wide, middle + 4 * wide)
    ones = np.ones(seen.height)
    coloured = pl.col("role").is_in(["base", "mid_coat"])
    terms = [
        Term("role", labels(seen, "role"), prior=(4.5, 1.5)),
        Term("area", labels(seen, "area_class"), prior=(0.0, 0.5)),
        Term("size", labels(seen, "role", "area_class"), scale=SCALE["size"]),
        Term("place", labels(seen, "shop_id", "product_id"), scale=SCALE["place"], local=True),
        Term("gun", labels(seen, "gun_id"), scale=SCALE["gun"], local=True),
        Term("technician", labels(seen, "technician_id"), scale=SCALE["technician"], local=True),
        Term("colour", labels(seen, "shop_id", "colour_id", where=coloured), scale=SCALE["colour"], local=True),
    ]
    fit = Fitted(terms, y, 0 * ones, ones, SCALE["event"], like=like.fit if like else None)
    theta = fit.posterior.theta()
    left = y - fit.design @ theta
    # a job's colour and hand are not known to the guide: put back what the fit took out for them, so that the shape of what
    # is left over has their tails
    for name in ("colour", "technician"):
        columns = [c for (term, _), c in fit.column.items() if term == name]
        if columns:
            part = np.zeros(len(theta))
            part[columns] = theta[columns]
            left = left + fit.design @ part
    shape = {}
    for r in np.unique(role):
        mine = left[role == r]
        if len(mine) >= ENOUGH_FOR_SHAPE:
            shape[str(r)] = np.sort(mine - mine.mean())
    return Guide(fit, shape, seen)


def predict(
    guide: Guide, wanted: pl.DataFrame, quantile: Mapping[Role, float], levels: Sequence[int] = ()
) -> pl.DataFrame:
    """Predictive mean and quantile of use for rows of shop_id, product_id, role, gun_id, area_class: mL per m2.

    Adds as_sprayed_ml_per_m2 (mean), advised_ml_per_m2 (quantile), quantile, spread (sd of log use between jobs here). The
    technician is whoever comes: his spread counts. Quantile: of the role's own residuals where there are 60, shifted and
    widened by what the model does not know of the cell; otherwise a normal law's. `levels`, of 100, add columns at_<level>_ml_per_m2
    with that quantile for every role.
    """
    fit = guide.fit
    parts = [
        [("role", r, 1.0), ("area", a, 1.0), ("size", f"{r}\t{a}", 1.0), ("place", f"{s}\t{p}", 1.0), ("gun", g, 1.0)]
        for s, p, r, g, a in wanted.select("shop_id", "product_id", "role", "gun_id", "area_class").iter_rows()
    ]
    mean, var = fit.predict(parts)
    # what was never seen is as uncertain as its kind
    known = fit.column
    for i, entries in enumerate(parts):
        for name in ("size", "place", "gun"):
            level = next(level for term, level, _ in entries if term == name)
            if (name, level) not in known:
                var[i] += fit.sd(name) ** 2
    roles, at = np.unique(wanted["role"].to_numpy().astype(str), return_inverse=True)
    shapes = [guide.shape.get(r) for r in roles.tolist()]
    q = [quantile[r] for r in roles.tolist()]
    coloured = np.isin(roles, ["base", "mid_coat"])
    between = fit.event_sd**2 + fit.sd("technician") ** 2 + np.where(coloured, fit.sd("colour") ** 2, 0.0)
    alone = np.array([shape is None for shape in shapes])
    spread = np.array([math.sqrt(b) if s is None else s.std() for b, s in zip(between, shapes, strict=True)])
    widened = np.where(alone[at], np.sqrt(between[at] + var), np.sqrt(1 + var / spread[at] ** 2))

    def upper(levels: Sequence[float]) -> pl.Series:
        """Use at a level of each of the roles."""
        next_one = [_quantile(shape, level) for shape, level in zip(shapes, levels, strict=True)]
        return pl.Series(np.exp(mean + np.array(next_one)[at] * widened))

    return wanted.with_columns(
        as_sprayed_ml_per_m2=pl.Series(np.exp(mean + spread[at] ** 2 / 2)),
        advised_ml_per_m2=upper(q),
        quantile=pl.Series(np.array(q)[at]),
        spread=pl.Series(spread[at]),
        **{f"at_{level}_ml_per_m2": upper([level / 100] * len(roles)) for level in levels},
    )


def _quantile(sorted_values: np.ndarray | None, q: float) -> float:
    """q of a next value: the k-th of n with k = q (n + 1), so that a new value exceeds it with probability 1 - q.

    Beyond the largest value the normal law of the same sd takes over; where there are no values that of sd 1.
    """
    if sorted_values is None:
        return float(stats.norm.ppf(q))
    n = len(sorted_values)
    k = q * (n + 1)
    if k >= n:
        return max(float(sorted_values[-1]), float(stats.norm.ppf(q) * sorted_values.std()))
    low = max(math.floor(k), 1)
    return float(sorted_values[low - 1] + (k - low) * (sorted_values[low] - sorted_values[low - 1]))


@dataclass(frozen=True)
class Past:
    """What was mixed and used so far, put together from parts. seen: `uses`; paint: shop_id, product_id, q (mean solids volume
    fraction), density, price_per_ml; met: shop_id, product_id, gun_id, role, coats (mean); flush: gun_id, flush_g per operation."""

    seen: pl.DataFrame
    paint: pl.DataFrame
    met: pl.DataFrame
    flush: pl.DataFrame


def past(parts: Iterable[Mapping[str, pl.DataFrame]]) -> Past:
    """`parts`: mixes, sprays, sprayed, cup_feeds and pours, each part with all rows of its shops; one at a time is held."""
    seen, paint, met, flush = [], [], [], []
    for part in parts:
        seen.append(uses(part))
        paint.append(
            part["mixes"]
            .filter("complete")
            .group_by("shop_id", "product_id", maintain_order=True)
            .agg(
                q=pl.col("solids_volume_fraction").mean(),
                density=pl.col("density_g_per_ml").mean(),
                price_per_ml=(pl.col("cost_per_g") * pl.col("density_g_per_ml")).mean(),
            )
        )
        met.append(
            part["sprays"]
            .filter(pl.col("role").is_not_null() & pl.col("gun_id").is_not_null())
            .group_by("shop_id", "product_id", "gun_id", "role", maintain_order=True)
            .agg(coats=pl.col("coats").cast(pl.Float64).mean())
        )
        flush.append(
            part["sprayed"].filter(pl.col("flush_g") > 0)
            .join(part["sprays"].select(*OPERATION, "gun_id"), on=OPERATION)
            .group_by(*OPERATION, "gun_id", maintain_order=True).agg(pl.col("flush_g").sum())
            .select("gun_id", "flush_g")
        )  # fmt: skip
    return Past(pl.concat(seen).sort("started_at", *OPERATION), pl.concat(paint), pl.concat(met), pl.concat(flush))


def mix_guide(
    known: Past, products: pl.DataFrame, guns_now: pl.DataFrame, transfer_by_gun: pl.DataFrame, settings: Settings
) -> pl.DataFrame:
    """Table mix_guide: every gun and product that met, in every area class.

    mid_window_ml_per_m2 = middle of the sheet's window (um) / (Q TE): Q the solids volume fraction of the product's cups,
    TE of the gun and role at the shop's typical hand; null where either is not known.
    """
    guide = learn(known.seen)
    if guide is None:
        return pl.DataFrame()
    pair = ["shop_id", "product_id", "gun_id"]
    enough = (
        known.seen.group_by("shop_id", "product_id", maintain_order=True)
        .agg(n_product=pl.len().cast(pl.Int64))
        .filter(pl.col("n_product") >= FEW)
    )
    counts = known.seen.group_by(*pair, "area_class", maintain_order=True).agg(n=pl.len().cast(pl.Int64))
    wanted = known.met.join(enough, on=["shop_id", "product_id"]).join(
        pl.DataFrame({"area_class": AREA_CLASSES}), how="cross"
    ).sort(*pair, "area_class")  # fmt: skip
    if not wanted.height:
        return pl.DataFrame()
    flush = known.flush.group_by("gun_id", maintain_order=True).agg(flush_g=pl.col("flush_g").median())
    registered = guns_now.select("gun_id", registered_g="flush_loss_g")
    te = transfer_by_gun.select("shop_id", "gun_id", "role", te="estimate")
    sheet = newest(products).select(
        "product_id", "film_min_um", "film_max_um", "min_mix_ml", "coats_max", product="label"
    )
    usual = known.seen.group_by("area_class", maintain_order=True).agg(usual_m2=pl.col("covered_m2").median())
    return (
        predict(guide, wanted, settings.guide.mix_quantile, MIX_LEVELS)
        .join(counts, on=[*pair, "area_class"], how="left")
        .join(flush, on="gun_id", how="left")
        .join(registered, on="gun_id", how="left")
        .join(known.paint, on=["shop_id", "product_id"], how="left")
        .join(te, on=["shop_id", "gun_id", "role"], how="left")
        .join(sheet, on="product_id", how="left")
        .with_columns(
            n=pl.col("n").fill_null(0),
            flush_ml=pl.coalesce("registered_g", "flush_g", pl.lit(settings.cup.flush_loss_g)) / pl.col("density"),
            mid_window_ml_per_m2=pl.when((pl.col("q") > 0) & (pl.col("te") > 0)).then(
                (pl.col("film_min_um") + pl.col("film_max_um")) / 2 / (pl.col("q") * pl.col("te"))
            ),
        )
        .join(usual, on="area_class", how="left")
        .pipe(_cheapest, "usual_m2", settings)
    )


def _cheapest(told: pl.DataFrame, area: str, settings: Settings) -> pl.DataFrame:
    """`told` with second_cup_cost, and with quantile and advised_ml_per_m2 of the cheapest level for an area where that is known."""
    rate = settings.money.labour_rate_per_hour
    labour = settings.guide.second_cup_minutes / 60 * rate if rate > 0 else None
    told = told.with_columns(second_cup_cost=pl.lit(labour, pl.Float64))
    costs = {name: e for name, e in outcomes(pl.col(area)).items() if name.removeprefix("cost_").isdigit()}
    level = told.select(**costs).select(cheapest()).to_series()
    return told.with_columns(
        quantile=pl.coalesce(level / 100, "quantile"),
        advised_ml_per_m2=pl.coalesce(
            *(pl.when(level == n).then(pl.col(f"at_{n}_ml_per_m2")) for n in MIX_LEVELS), "advised_ml_per_m2"
        ),
    )


def mix_parts(cups: Iterable[Mapping[str, pl.DataFrame]]) -> pl.DataFrame:
    """Table mix_parts: components by volume over a product's complete cups. `cups`: mixes and cup_figures, part by part. Cups with
    a component of unknown volume are left out."""
    by = ["shop_id", "product_id"]
    poured = pl.concat(
        part["cup_figures"]
        .join(part["mixes"].filter("complete"), on=["shop_id", "mix_id"], maintain_order="left")
        .filter(pl.col("own_ml").is_not_null().all().over("shop_id", "mix_id"))
        .with_columns(n_cups=pl.col("mix_id").n_unique().cast(pl.Int64).over(by))
        .group_by(*by, "n_cups", "component_id", maintain_order=True)
        .agg(ml=pl.col("own_ml").sum(), n=pl.col("mix_id").n_unique().cast(pl.Int64))
        for part in cups
    ).filter(pl.col("ml") > 0)
    return poured.sort(*by, "component_id").with_columns(share=pl.col("ml") / pl.col("ml").sum().over(by))


def cup_guide(cups: Iterable[pl.DataFrame], products: pl.DataFrame, settings: Settings) -> pl.DataFrame:
    """Table cup_guide: what weighed cups of a product had to give, whatever the size of the job. `cups`: mixes, part by part.

    log taken = mean + e over cups with both weights known; advised is the quantile q of e as in `predict`, wider by sqrt(1 + 1/n)
    for the mean. Its interval: the variance of an order statistic, q (1 - q) / (n f^2) with a normal law's density f there (David
    and Nagaraja 2003, Order Statistics, 10.2: from memory); beyond the largest cup that of the normal law's own quantile, sd^2
    (1/n + z^2 / (2 (n - 1))). Cups of which nothing was taken say nothing.
    """
    least = newest(products).select("product_id", "role", "min_mix_ml", product="label")
    seen = pl.concat(
        part.filter(pl.col("leftover_known") & pl.col("complete") & (pl.col("density_g_per_ml") > 0))
        .with_columns(
            mixed_ml=(pl.col("poured_g") - pl.col("poured_on_g")) / pl.col("density_g_per_ml"),
            left_ml=pl.col("leftover_g") / pl.col("density_g_per_ml"),
        )
        .with_columns(taken_ml=pl.col("mixed_ml") - pl.col("left_ml"))
        .filter(pl.col("taken_ml") > 0)
        .select("shop_id", "mix_id", "product_id", "mixed_ml", "left_ml", "taken_ml")
        for part in cups
    ).join(least.filter(pl.col("role").is_not_null()), on="product_id")
    rows = []
    by = ["shop_id", "product_id", "role"]
    for (shop, product, role), mine in seen.sort(*by, "mix_id").group_by(by, maintain_order=True):
        n = mine.height
        if n < FEW:
            continue
        taken, lowest = mine["taken_ml"].to_numpy(), mine["min_mix_ml"][0] or 0.0
        log = np.log(taken)
        level = settings.guide.mix_quantile[role]
        told = log.mean() + _quantile(np.sort(log - log.mean()), level) * math.sqrt(1 + 1 / n)
        z = stats.norm.ppf(level)
        within = level * (n + 1) < n
        var = level * (1 - level) / n / stats.norm.pdf(z) ** 2 if within else 1 / n + z**2 / (2 * (n - 1))
        half = Z95 * log.std(ddof=1) * math.sqrt(var)
        advised, low, high = (max(float(np.exp(x)), lowest) for x in (told, told - half, told + half))
        rows.append(
            {"shop_id": shop, "product_id": product, "product": mine["product"][0], "role": role, "n": n,
             "mixed_ml": float(mine["mixed_ml"].to_numpy().mean()),
             "taken_ml": float(taken.mean()), "left_ml": float(mine["left_ml"].to_numpy().mean()), "quantile": level,
             "advised_ml": advised, "low": low, "high": high, "n_short": int((taken > advised * (1 + 1e-12)).sum()),
             "would_leave_ml": float(np.maximum(advised - taken, 0.0).mean()), "grade": "B"}
        )  # fmt: skip
    return pl.DataFrame(rows)


def backtest(seen: pl.DataFrame, products: pl.DataFrame, settings: Settings) -> pl.DataFrame:
    """One row per operation advised from earlier ones alone: `seen` with need_ml, advised_ml, short, would_leave_ml, and
    at_<level>_ml_per_m2 for each of MIX_LEVELS. `seen`: `uses` with price_per_ml.

    The time is cut into 6 stretches of equally many operations; each but the first is advised from all before it. Advised
    are shops' products that were met 8 times before. The advice is rounded up to the least that can be mixed, as at the scale.
    """
    least = newest(products).select("product_id", "min_mix_ml")
    guide: Guide | None = None
    out = []
    if seen.height < BLOCKS * FEW:
        return pl.DataFrame()
    edge = [round(seen.height * k / BLOCKS) for k in range(BLOCKS + 1)]
    for k in range(1, BLOCKS):
        past, now = seen[: edge[k]], seen[edge[k] : edge[k + 1]]
        guide = learn(past, guide)
        if guide is None:
            continue
        met = past.group_by("shop_id", "product_id", maintain_order=True).agg(pl.len()).filter(pl.col("len") >= FEW)
        known_guns = past["gun_id"].unique().to_list()
        now = now.join(met, on=["shop_id", "product_id"], how="semi", maintain_order="left").filter(
            pl.col("gun_id").is_in(known_guns)
        )
        if now.height:
            cell = ["shop_id", "product_id", "role", "gun_id", "area_class"]
            told = predict(guide, now.select(cell).unique().sort(cell), settings.guide.mix_quantile, MIX_LEVELS)
            out.append(now.join(told, on=cell, how="left", maintain_order="left"))
    if not out:
        return pl.DataFrame()
    return (
        pl.concat(out)
        .join(least, on="product_id", how="left")
        .pipe(_cheapest, "covered_m2", settings)
        .with_columns(need_ml=pl.col("sprayed_ml") + pl.col("flush_ml"), advised_ml=_to_mix("advised_ml_per_m2"))
        .with_columns(short=pl.col("need_ml") > pl.col("advised_ml"))
        .with_columns(would_leave_ml=(pl.col("advised_ml") - pl.col("need_ml")).clip(lower_bound=0.0))
    )


def _to_mix(per_m2: str) -> pl.Expr:
    """mL for a job: area x mL per m2 + flush loss, at least what the sheet can be mixed in."""
    return pl.max_horizontal(
        pl.col("covered_m2") * pl.col(per_m2) + pl.col("flush_ml"), pl.col("min_mix_ml").fill_null(0.0)
    )


def mix_levels(tried: pl.DataFrame) -> pl.DataFrame:
    """Table mix_levels from `backtest`: how often each of MIX_LEVELS would have run short, and what it would have left over.

    Leftovers over operations that had their cups to themselves, as in mix_backtest.
    """
    if not tried.height:
        return pl.DataFrame()
    spare = {level: _to_mix(f"at_{level}_ml_per_m2") - pl.col("need_ml") for level in MIX_LEVELS}
    return pl.concat(
        tried.group_by("shop_id", maintain_order=True).agg(
            enough_in=pl.lit(level, pl.Int64),
            n=pl.len().cast(pl.Int64),
            n_short=(left < 0).sum().cast(pl.Int64),
            leftover_l=left.clip(lower_bound=0.0).filter("alone").sum() / 1000,
        )
        for level, left in spare.items()
    )


def mix_backtest(tried: pl.DataFrame) -> pl.DataFrame:
    """Table mix_backtest from `backtest`: shares run short with Wilson's interval, leftovers as they were and as advised.

    Leftovers of both kinds over operations that had their cups to themselves. Wilson 1927, J. Am. Stat. Assoc. 22, 209.
    """
    if not tried.height:
        return pl.DataFrame()
    frame = tried.group_by("shop_id", "role", maintain_order=True).agg(
        n=pl.len().cast(pl.Int64),
        n_short=pl.col("short").sum().cast(pl.Int64),
        n_second=(pl.col("n_cups") > 1).sum().cast(pl.Int64),
        stated=1 - pl.col("quantile").mean(),
        leftover_l=pl.col("leftover_ml").filter("alone").sum() / 1000,
        leftover_advised_l=pl.col("would_leave_ml").filter("alone").sum() / 1000,
    )
    n, z = frame["n"].to_numpy().astype(float), Z95
    p = frame["n_short"].to_numpy() / n
    centre = (p + z**2 / (2 * n)) / (1 + z**2 / n)
    half = z / (1 + z**2 / n) * np.sqrt(p * (1 - p) / n + z**2 / (4 * n**2))
    return frame.with_columns(
        share_short=pl.Series(p),
        low=pl.Series(np.clip(centre - half, 0, 1)),
        high=pl.Series(np.clip(centre + half, 0, 1)),
        stated=pl.col("stated").clip(0.0, 1.0),
    )
