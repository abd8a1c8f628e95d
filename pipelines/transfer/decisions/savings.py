"""What would save most in a year, lever by lever in a stated order, so that no gram is counted twice.

    1 leftover    whoever is not in the shop's better half leaves no more than it does for the same work
    2 transfer    whoever is not in it rises to its mean transfer: sprayed' = sprayed x TE / TE'; one hand: to its better jobs
    3 over_build  no film above the data sheet's window: what is then not sprayed, at the transfer of lever 2
    4 rework      nothing is sprayed twice: what repeats still cost after levers 1-3
    5 gun         one gun, the one that costs most, is replaced by another of the kind that the shop uses most

Each lever is reckoned on what those before it leave. Intervals are from joint draws of everybody's effects (transfer model,
leftover model), of films, of the number of repeats and of the new gun; sums are over one year, scaled from the days of data.
Who belongs to the better half is settled from the estimates before anything is drawn: a half chosen anew in each draw is better
in every one of them, and where all are alike the interval would lie above 0. A draw in which the others lead saves less than 0.
Shops are drawn together: effects that reach over shops are the same in a draw for all of them, so that rows of shop `all` are
sums draw by draw. A gauge's error is a shop's own. Stated solids and densities do not move a film: a gauge reads it without them, and
what transfer tells of it was found with the same ones.
Nothing jumps: a hand belongs to the half as far as it is likely to, roots of covariances are the symmetric ones.
Here belong the reckoning and its draws. Prices come with the ledger; the page scales them (savings_basis).
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import polars as pl
import scipy.sparse as sp
from scipy.special import ndtr

from pipelines.transfer.decisions.habits import Habits, who_mixed
from pipelines.transfer.model.linearise import Joint
from pipelines.transfer.solver import mixed_model
from schemas.published import ALL, MOST_SAVING

LEVERS = ("leftover", "transfer", "over_build", "rework", "gun")
MEASURES = ("cost", "voc", "solids")
DRAWS = 2000
SEED = 41
YEAR = 365.25
WINDOW_MONTHS = 12
LEAST_SHARE = 0.02  # of the shop's material: whoever sprays or mixes less is less of a yardstick for others
LEAST_LEFT = 0.01  # share of a cup that everybody leaves at least
UNKNOWN_SD = 0.1  # of log TE between guns or hands where the data have none to compare
HALF_NORMAL = math.sqrt(2 / math.pi)  # mean of the greater half of a standard normal distribution
ROLE_U = 0.05  # of the mean log TE of a role of which no record of the shop tells
ALONE = {  # the same where one hand does it all
    "leftover": "one hand mixes here: each cup leaves what the better half of its own cups does for the same role and size of mix",
    "transfer": "one hand sprays here: each job at the mean of the better half of its own jobs, guns and film as they are",
}
UNKNOWN = {
    "leftover": "no cup was weighed back by anybody who is named",
    "transfer": "no record has closed, or nobody is named",
    "gun": "no record has closed, or no gun of the shop fits what it sprays",
}
BASIS = {
    "leftover": "whoever is not in the shop's better half leaves no more of a cup than it does for the same role and size of mix",
    "transfer": "whoever is not in the shop's better half at its mean transfer, guns and film as they are",
    "over_build": "film above the data sheet's window not sprayed, at the better transfer",
    "rework": "nothing sprayed twice: what repeats still cost after the levers before",
    "gun": "this gun replaced by a new one of the kind most used here, whose own quality is not known beforehand",
}


@dataclass(frozen=True)
class Half:
    """The better half of a shop's hands, each hand as far as it is likely to belong to it.

    weight   (n,) its part of the yardstick, sums to 1
    rises    (n,) how far it is one of the others, who rise: 1 less the probability that it belongs to the half
    alone    0-1, how far the shop has one hand only, whose yardstick is its own better work
    """

    weight: np.ndarray
    rises: np.ndarray
    alone: float

    def gap(self, effect: np.ndarray) -> np.ndarray:
        """Each hand's effect less the yardstick's: (draws, n) -> (draws, n)."""
        return np.asarray(effect - (effect @ self.weight)[:, None])


def better_half(estimate: np.ndarray, sd: np.ndarray, size: np.ndarray) -> Half:
    """The half with the greatest effects, from estimates, their standard deviations and each hand's amount of work, (n,) each.

    belongs_i = Phi((estimate_i - c) / sd_i), c such that half of the hands belong: sum counts belongs = sum counts / 2, where
    whoever does less than 2 % of the work counts in proportion.
    """
    counts = np.minimum(size / max(LEAST_SHARE * size.sum(), 1e-300), 1.0)
    sd = np.maximum(sd, 1e-9)
    low, high = float((estimate - 9 * sd).min()), float((estimate + 9 * sd).max())
    for _ in range(100):
        middle = (low + high) / 2
        if counts @ ndtr((estimate - middle) / sd) > counts.sum() / 2:
            low = middle
        else:
            high = middle
    belongs = ndtr((estimate - (low + high) / 2) / sd)
    return Half(counts * belongs / max(counts @ belongs, 1e-300), 1 - belongs, float(np.clip(2 - counts.sum(), 0, 1)))


# --- one shop, given everybody's effects ----------------------------------------------------------------------------------


@dataclass
class Shop:
    """One shop's year in cells of (technician, gun, role, repeated), per measure; everything per year.

    sprayed, flush   (cells, measures) what left the guns, what was flushed
    over             (cells,) part of what landed that lies above the window
    technician, gun  (cells,) index into technicians, guns (-1: not named)
    repeated         (cells,) later sprayed again
    leftover         (mixers, measures) left in cups by who mixed them
    usual            share of a cup that is left over here, as it is now
    repeat_jobs      (jobs with a repeat,) solids sprayed in what was later sprayed again, g
    """

    shop_id: str
    technicians: list[str]
    guns: list[str]
    mixers: list[str]
    technician: np.ndarray
    gun: np.ndarray
    repeated: np.ndarray
    sprayed: np.ndarray
    flush: np.ndarray
    over: np.ndarray
    leftover: np.ndarray
    usual: float
    repeat_jobs: np.ndarray = field(default_factory=lambda: np.zeros(0))
    roles: list[str] = field(default_factory=list)


@dataclass(frozen=True)
class Effects:
    """Everybody's effects, estimated and drawn. Arrays of draws have draws first.

    hand (draws, technicians), gun (draws, guns)   log TE
    new_gun (draws,)                               that of a new gun
    event (draws,)                                 standard deviation of log TE between one hand's jobs
    left (draws, mixers), left_mean (mixers,)      on the share left over: drawn, estimated
    own_left (draws, mixers)                       by how much less than its mean a mixer's own better half of cups leaves
    half, left_half                                the yardsticks of hand and left; None: not known
    """

    hand: np.ndarray
    gun: np.ndarray
    new_gun: np.ndarray
    event: np.ndarray
    left: np.ndarray
    left_mean: np.ndarray
    own_left: np.ndarray
    half: Half | None
    left_half: Half | None


def levers(shop: Shop, e: Effects, over_factor: np.ndarray, repeat_factor: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Savings of each lever, and of replacing each gun, given effects.

    over_factor (draws, roles) multiplies over-build; repeat_factor (draws,) the repeats.
    Returns (draws, 4, measures) for the first four levers, (draws, guns, measures) for the guns.
    """
    draws = len(e.new_gun)
    out = np.zeros((draws, 4, len(MEASURES)))
    # 1: what a mixer leaves beyond the better half, of what it pours
    if e.left_half is not None:
        share = np.maximum(shop.usual + e.left_mean, LEAST_LEFT)
        beyond = np.minimum(e.left_half.gap(e.left), shop.usual + e.left)  # the half leaves no less than nothing
        less = (1 - e.left_half.alone) * e.left_half.rises * beyond + e.left_half.alone * e.own_left
        out[:, 0] = (less / share) @ shop.leftover
    # 2: transfer up to the better half; one hand alone: half of its jobs from the worse half's mean to the better's
    factor = np.ones((draws, len(shop.technician)))
    if e.half is not None:
        rise = e.half.rises * (1 - np.exp(e.half.gap(e.hand)))
        own = (1 - np.exp(-2 * HALF_NORMAL * e.event)) / 2
        spared = (1 - e.half.alone) * rise + e.half.alone * own[:, None]
        named = shop.technician >= 0
        factor[:, named] = 1 - spared[:, shop.technician[named]]
    out[:, 1] = (1 - factor) @ shop.sprayed
    # 3: over-build, at the better transfer
    role = np.unique(np.array(shop.roles), return_inverse=True)[1] if shop.roles else np.zeros(0, int)
    over = np.clip(shop.over[None, :] * over_factor[:, role], 0.0, 0.95)
    out[:, 2] = np.einsum("dc,cm->dm", factor * over, shop.sprayed)
    after = factor * (1 - over)
    # 4: repeats
    twice = shop.repeated
    redone = np.einsum("dc,cm->dm", after[:, twice], shop.sprayed[twice]) + shop.flush[twice].sum(axis=0)
    out[:, 3] = redone * repeat_factor[:, None]
    # 5: each gun in turn
    rest = after * np.where(twice, 0.0, 1.0)
    guns = np.zeros((draws, len(shop.guns), len(MEASURES)))
    for g in range(len(shop.guns)):
        mine = shop.gun == g
        if mine.any():
            gain = 1 - np.exp(e.gun[:, g] - e.new_gun)
            guns[:, g] = gain[:, None] * np.einsum("dc,cm->dm", rest[:, mine], shop.sprayed[mine])
    return out, guns


# --- from tables to shops -------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Year:
    """The days that a year is reckoned from, per shop: from_on, to_on, days."""

    shop_id: str
    from_on: dt.date
    to_on: dt.date

    @property
    def days(self) -> int:
        return (self.to_on - self.from_on).days + 1

    @property
    def scale(self) -> float:
        return YEAR / self.days


def years(mixes: pl.DataFrame) -> dict[str, Year]:
    """Per shop the last 12 months of data, or what there is: from the first to the last pour in them."""
    out = {}
    poured = mixes.filter(pl.col("first_poured_at").is_not_null()).select(
        "shop_id", day=pl.col("first_poured_at").dt.date()
    )
    for (shop,), part in poured.sort("shop_id", "day").group_by("shop_id", maintain_order=True):
        last, begun = (day for day in part.select(pl.col("day").max(), begun=pl.col("day").min()).row(0))
        index = last.year * 12 + last.month - WINDOW_MONTHS
        first = dt.date(index // 12, index % 12 + 1, 1)
        start = part.filter(pl.col("day") >= first).select(pl.col("day").min()).item()
        # a shop that began before the window is reckoned from the window's first day
        out[str(shop)] = Year(str(shop), first if begun < first else start, last)
    return out


def shops(tables: Mapping[str, pl.DataFrame], habits: Habits) -> list[tuple[Shop, Year, dict[str, float]]]:
    """Every shop's year in cells, with what it poured (cost, VOC, solids, share of solids that has a cost)."""
    spans = years(tables["mixes"])
    month_first = pl.col("month") + "-01"
    over = _over_share(tables)
    mixers = who_mixed(tables["pours"]).rename({"technician_id": "mixer"})
    ledger = (
        tables["material_ledger"]
        .filter(pl.col("month").is_not_null())
        .with_columns(day=month_first.str.to_date())
        .join(mixers, on=["shop_id", "mix_id"], how="left")
        .join(over, on=["shop_id", "job_id", "operation_no"], how="left", nulls_equal=False)
    )
    usual = dict(habits.usual.iter_rows()) if habits.usual.height else {}
    out = []
    for (shop_id,), part in ledger.sort("shop_id", "mix_id", "job_id", "operation_no").group_by(
        "shop_id", maintain_order=True
    ):
        year = spans.get(str(shop_id))
        if year is None:
            continue
        part = priced(part.filter(pl.col("day") >= dt.date(year.from_on.year, year.from_on.month, 1)))
        if not part.height:
            continue
        solids, known = (float(rows["poured_solids_g"].sum()) for rows in (part, part.filter("has_price")))
        poured = {
            "cost": _sum(part, "poured_cost") * year.scale,
            "voc": float(part["poured_voc_g"].sum()) / 1000 * year.scale,
            "solids": solids / 1000 * year.scale,
            "known": known / max(solids, 1e-9),
        }
        out.append((_shop(str(shop_id), part, year, float(usual.get(str(shop_id), 0.0))), year, poured))
    return out


def _sum(frame: pl.DataFrame, column: str) -> float:
    """A sum that stays unknown where nothing is priced."""
    return math.nan if frame[column].null_count() == frame.height else float(frame[column].sum())


def priced(part: pl.DataFrame) -> pl.DataFrame:
    """Costs filled where a price is missing: by the role's cost per g of solids in this shop, then by the shop's."""
    has = part["poured_cost"].is_not_null()
    part = part.with_columns(has_price=has)
    priced = part.filter("has_price")
    solids = max(float(priced["poured_solids_g"].sum()), 1e-9)
    overall = float(priced["poured_cost"].sum()) / solids if priced.height else None
    rate = priced.group_by("role", maintain_order=True).agg(
        rate=pl.col("poured_cost").sum() / pl.col("poured_solids_g").sum()
    )
    part = part.join(rate, on="role", how="left", nulls_equal=True)
    per_g = pl.coalesce(pl.col("rate").fill_nan(None), pl.lit(overall, pl.Float64))
    return part.with_columns(
        pl.coalesce(f"{name}_cost", pl.col(f"{name}_solids_g") * per_g).alias(f"{name}_cost")
        for name in ("poured", "leftover", "flush_loss", "overspray", "over_build", "useful")
    )


def _over_share(tables: Mapping[str, pl.DataFrame]) -> pl.DataFrame:
    """Part of what each operation landed that lies above the window, from films held against their like (film_build)."""
    operation = ["shop_id", "job_id", "operation_no"]
    films = tables["film_build"].filter(pl.col("film_um").is_not_null() & (pl.col("covered_m2") > 0))
    return (
        films.group_by(operation, maintain_order=True)
        .agg(
            over_ml=pl.col("over_ml").fill_null(0.0).sum(),
            ml=(pl.col("held_um").clip(lower_bound=0.0) * pl.col("covered_m2")).sum(),
        )
        .select(
            *operation, over_share=pl.when(pl.col("ml") > 0).then((pl.col("over_ml") / pl.col("ml")).clip(0.0, 0.95))
        )
    )


def _shop(shop_id: str, part: pl.DataFrame, year: Year, usual: float) -> Shop:
    def three(name: str) -> list[pl.Expr]:
        return [
            pl.col(f"{name}_cost").sum().alias(f"{name}_cost"),
            (pl.col(f"{name}_voc_g").sum() / 1000).alias(f"{name}_voc"),
            (pl.col(f"{name}_solids_g").sum() / 1000).alias(f"{name}_solids"),
        ]

    operations = part.filter(pl.col("job_id").is_not_null())
    # an operation on films that were never compared shares its cell's part
    cells = (
        operations.group_by("technician_id", "gun_id", "role", "rework", maintain_order=True)
        .agg(
            *three("overspray"), *three("over_build"), *three("useful"), *three("flush_loss"),
            over=(pl.col("over_share") * (pl.col("useful_solids_g") + pl.col("over_build_solids_g"))).sum()
            / (pl.col("useful_solids_g") + pl.col("over_build_solids_g")).filter(pl.col("over_share").is_not_null()).sum(),
        )
        .sort("technician_id", "gun_id", "role", "rework")
    )  # fmt: skip
    technicians = cells["technician_id"].drop_nulls().unique().sort().to_list()
    guns = cells["gun_id"].drop_nulls().unique().sort().to_list()
    left = (
        part.filter(pl.col("job_id").is_null())
        .group_by("mixer", maintain_order=True)
        .agg(*three("leftover"))
        .drop_nulls("mixer")
        .sort("mixer")
    )

    def matrix(frame: pl.DataFrame, *names: str) -> np.ndarray:
        columns = [sum(frame[f"{n}_{m}"].cast(pl.Float64).fill_null(0.0).to_numpy() for n in names) for m in MEASURES]
        return np.column_stack(columns) * year.scale if frame.height else np.zeros((0, len(MEASURES)))

    index = {t: i for i, t in enumerate(technicians)}
    gun_index = {g: i for i, g in enumerate(guns)}
    return Shop(
        shop_id=shop_id, technicians=technicians, guns=guns, mixers=left["mixer"].to_list(),
        technician=np.array([index.get(t, -1) for t in cells["technician_id"]], int),
        gun=np.array([gun_index.get(g, -1) for g in cells["gun_id"]], int),
        repeated=cells["rework"].to_numpy().astype(bool),
        sprayed=matrix(cells, "overspray", "over_build", "useful"), flush=matrix(cells, "flush_loss"),
        over=cells["over"].fill_nan(None).fill_null(0.0).to_numpy(), leftover=matrix(left, "leftover"), usual=usual,
        repeat_jobs=operations.filter("rework")
        .group_by("job_id", maintain_order=True)
        .agg(g=pl.col("overspray_solids_g").sum() + pl.col("over_build_solids_g").sum() + pl.col("useful_solids_g").sum())
        .sort("job_id")["g"]
        .to_numpy(),
        roles=cells["role"].fill_null("").to_list(),
    )  # fmt: skip


# --- draws ----------------------------------------------------------------------------------------------------------------


def effect_rows(joint: Joint, technicians: list[str], guns: list[tuple[str, str]]) -> mixed_model.Rows:
    """Rows for technicians' effects, then for guns' (own effect plus that of their way of atomising)."""
    index: dict[tuple[str, str], int] = {}
    for i, (kind, level) in enumerate(joint.design.names):
        index.setdefault((kind, level), i)
    asked = [[("technician", name)] for name in technicians]
    asked += [[("gun", name), ("atomising", atomising)] for name, atomising in guns]
    at = [(n, index[key]) for n, keys in enumerate(asked) for key in keys if key in index]
    row, col = np.array(at, int).reshape(-1, 2).T
    matrix = sp.csr_matrix((np.ones(len(at)), (row, col)), shape=(len(asked), joint.design.unknowns.size))
    return mixed_model.Rows.of(joint.layout, matrix)


def role_rows(joint: Joint) -> tuple[dict[tuple[str, str], int], sp.csr_matrix]:
    """Mean log TE of a shop's operations of a role: what moves all of a role's films together. Place of each (shop, role), and
    the rows that take it from the unknowns."""
    d = joint.design
    keys = d.row_keys.with_columns(row=pl.int_range(pl.len(), dtype=pl.Int64))
    cells = keys.select("shop_id", "role").unique().sort("shop_id", "role").with_row_index("cell")
    keys = keys.join(cells, on=["shop_id", "role"], maintain_order="left")
    times = keys["times"].to_numpy().astype(float)
    code = keys["cell"].cast(pl.Int64).to_numpy()
    weight = times / np.bincount(code, times)[code]
    weighed = sp.diags(np.array([kind != "unweighed" for kind, _ in d.names], float))
    mean = sp.csr_matrix((weight, (code, keys["row"].to_numpy())), shape=(cells.height, d.rows.shape[0]))
    return {(s, r): n for n, s, r in cells.iter_rows()}, sp.csr_matrix(mean @ d.rows @ weighed)


def role_errors(
    joint: Joint | None,
    rows: tuple[dict[tuple[str, str], int], sp.csr_matrix] | None,
    shop: Shop,
    rng: np.random.Generator,
) -> dict[str, np.ndarray]:
    """Draws of how far off the mean log TE of each of a shop's roles is, from the same unknowns as its hands' and guns'."""
    out = {r: rng.standard_normal(DRAWS) * ROLE_U for r in sorted(set(shop.roles))}
    known = [] if rows is None else [r for r in out if (shop.shop_id, r) in rows[0]]
    if joint is not None and rows is not None and known:
        asked = mixed_model.Rows.of(joint.layout, rows[1][[rows[0][shop.shop_id, r] for r in known]])
        drawn = joint.posterior.drawn(asked, DRAWS, [SEED, 0]) - joint.posterior.mean(asked)
        out |= dict(zip(known, drawn.T, strict=True))
    return out


def over_factors(
    film_build: pl.DataFrame, shop_id: str, gain: np.ndarray, te: Mapping[str, np.ndarray], rng: np.random.Generator
) -> np.ndarray:
    """Draws (draws, roles sorted) of what multiplies a shop's over-build by role.

    `gain`, relative and drawn (draws,), is an error of all films; `te`, of log TE and drawn, one of the films of a role that
    transfer alone tells; the films' own errors are added up, their sum is normal: d over / d film = area x P(place above the
    window).
    """
    out = np.ones((len(gain), len(te)))
    mine = film_build.filter(
        (pl.col("shop_id") == shop_id) & pl.col("over_ml").is_not_null() & pl.col("held_um").is_not_null()
    )
    for n, role in enumerate(sorted(te)):
        part = mine.filter(pl.col("role") == role)
        total = float(part["over_ml"].sum()) if part.height else 0.0
        if total <= 0:
            continue
        area, film, se, within, limit = (
            part[c].fill_null(0.0).to_numpy()
            for c in ("covered_m2", "held_um", "held_se_um", "within_um", "film_max_um")
        )
        above = ndtr((film - limit) / np.maximum(np.hypot(se, within), 1e-9))
        told = (part["source"] == "from transfer").fill_null(False).to_numpy()
        own = float(np.sqrt(((area * above * se) ** 2).sum())) / total
        slope_all = float((area * above * film).sum()) / total
        slope_told = float((area * above * film)[told].sum()) / total
        shift = gain * slope_all + te[role] * slope_told + rng.standard_normal(len(gain)) * own
        out[:, n] = np.maximum(1 + shift, 0.0)
    return out


def savings(
    parts: Iterable[Mapping[str, pl.DataFrame]],
    guns_now: pl.DataFrame,
    records: pl.DataFrame,
    joint: Joint | None,
    habits: Habits,
    kept: Mapping[str, Collection[str]],
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Tables savings and savings_basis. Without a transfer model the levers transfer and gun are not known (null).

    parts   jobs, pours, mixes, film_build and material_ledger, each part with all rows of its shops; one at a time is held
    kept    shop -> guns that are worth keeping there (gunset): one that is spare is not replaced
    """
    atomising = dict(guns_now.select("gun_id", "atomising").iter_rows())
    prices = guns_now.select("shop_id", "price").drop_nulls()
    gain = records.filter("usable").select(pl.col("gain_rel_u").mean()).item() if records.height else None
    gauge_u = float(gain or 0.0)
    of_roles = role_rows(joint) if joint is not None else None
    every: list[tuple[list[np.ndarray | None], bool]] = []  # of each shop its levers, drawn, and whether it has prices
    guns_of_all: dict[str, np.ndarray | None] = {}
    rows: list[dict[str, Any]] = []
    basis: list[dict[str, Any]] = []
    for part, shop, year, poured in ((some, *found) for some in parts for found in shops(some, habits)):
        rng = np.random.default_rng([SEED, *(ord(c) for c in shop.shop_id)])
        mine = prices.filter(pl.col("shop_id") == shop.shop_id)["price"]
        price = float(np.median(mine.to_numpy())) if mine.len() else None
        jobs = part["jobs"].filter(
            (pl.col("shop_id") == shop.shop_id) & (pl.col("opened_on") >= year.from_on)
        ).height  # fmt: skip
        basis.append({
            "shop_id": shop.shop_id, "from_on": year.from_on, "to_on": year.to_on, "days": year.days,
            "jobs_per_year": jobs * year.scale, "cost_per_year": poured["cost"], "voc_kg_per_year": poured["voc"],
            "solids_kg_per_year": poured["solids"], "gun_price": price, "cost_known_share": min(poured["known"], 1.0),
        })  # fmt: skip
        drawn, per_gun, halves = draw_shop(
            shop, joint, habits, atomising,
            over_factors(part["film_build"], shop.shop_id, gauge_u * rng.standard_normal(DRAWS),
                         role_errors(joint, of_roles, shop, rng), rng), rng,
        )  # fmt: skip
        priced = not math.isnan(poured["cost"])
        told: list[np.ndarray | None] = []
        for n, lever in enumerate(LEVERS[:4]):
            known = lever not in halves or halves[lever] is not None
            told.append(drawn[:, n] if known else None)
            rows.append(_row(shop.shop_id, lever, n, told[n], priced, halves.get(lever)))
        best = _best_gun(shop, per_gun, priced, kept.get(shop.shop_id, ()), joint is not None)
        told.append(None if best is None else per_gun[:, best])
        rows.append(_gun_row(shop, best, told[-1], price, priced))
        changes = dict(zip([*LEVERS[:4], f"gun:{shop.shop_id}"], told, strict=True))
        basis[-1] |= _together(told, priced) | (_best(changes) if priced else {})
        every.append((told, priced))
        guns_of_all[f"gun:{shop.shop_id}"] = told[-1]
    if len(every) > 1:
        basis.append(_basis_of_all(basis))
        changes = guns_of_all
        for n, lever in enumerate(LEVERS):
            known_in = [(own, has_prices) for each, has_prices in every if (own := each[n]) is not None]
            whole = np.sum([own for own, _ in known_in], axis=0) if known_in else None
            rows.append(_row(ALL, lever, n, whole, all(has_prices for _, has_prices in known_in)))
            if known_in:
                rows[-1]["basis"] = f"the sum of {len(known_in)} of {len(every)} shops, drawn together"
            if lever != "gun":
                changes[lever] = whole
        priced = all(has_prices for _, has_prices in every)
        basis[-1] |= _together([own for each, _ in every for own in each], priced) | (_best(changes) if priced else {})
    return _frame(rows), _frame(basis)


def _together(drawn: Iterable[np.ndarray | None], priced: bool) -> dict[str, float]:
    """Columns saved_*: levers or shops added draw by draw, so that errors they share stay shared."""
    whole = np.sum([d for d in drawn if d is not None], axis=0)
    out: dict[str, float] = {}
    for n, what in enumerate(("cost", "voc_kg", "solids_kg")):
        if np.ndim(whole) and (n or priced):
            out |= zip((f"saved_{what}{end}" for end in ("", "_low", "_high")), _interval(whole[:, n]), strict=True)
    return out


def _best(changes: Mapping[str, np.ndarray | None]) -> dict[str, float]:
    """Columns best_*: of changes by name those MOST_SAVING that save most on average, above nothing, added draw by draw."""
    saves = {name: float(drawn[:, 0].mean()) for name, drawn in changes.items() if drawn is not None}
    best = sorted((name for name in saves if saves[name] > 0), key=lambda name: (-saves[name], name))[:MOST_SAVING]
    whole = np.sum([drawn[:, 0] for name in best if (drawn := changes[name]) is not None], axis=0)
    return dict(zip(("best_cost", "best_low", "best_high"), _interval(whole), strict=True)) if best else {}


def _basis_of_all(basis: list[dict[str, Any]]) -> dict[str, Any]:
    """What a year of all shops together is: sums that are not known where a shop's is not; the days are the first to the last."""
    first, last = min(b["from_on"] for b in basis), max(b["to_on"] for b in basis)
    solids = sum(b["solids_kg_per_year"] for b in basis)
    return {
        "shop_id": ALL, "from_on": first, "to_on": last, "days": (last - first).days + 1, "gun_price": None,
        "cost_known_share": sum(b["cost_known_share"] * b["solids_kg_per_year"] for b in basis) / solids if solids > 0 else None,
    } | {k: sum(b[k] for b in basis) for k in ("jobs_per_year", "cost_per_year", "voc_kg_per_year", "solids_kg_per_year")}  # fmt: skip


def draw_shop(
    shop: Shop,
    joint: Joint | None,
    habits: Habits,
    atomising: Mapping[str, str],
    over: np.ndarray,
    rng: np.random.Generator,
) -> tuple[np.ndarray, np.ndarray, dict[str, Half | None]]:
    """Draws of the first four levers and of every gun's replacement, shapes as in `levers`; the yardsticks of two levers."""
    draws = len(over)
    hands, guns, mixers = len(shop.technicians), len(shop.guns), len(shop.mixers)
    hand, gun, half = np.zeros((draws, hands)), np.zeros((draws, guns)), None
    new, event = np.zeros(draws), np.zeros(draws)
    if joint is not None:
        kinds = [atomising.get(g, "hvlp") for g in shop.guns]
        most = max(sorted(set(kinds) - {"conventional"}) or ["hvlp"], key=kinds.count)
        rows = effect_rows(joint, shop.technicians, [*zip(shop.guns, kinds, strict=True), ("", most)])
        posterior = joint.posterior
        spread = {kind: _each(posterior, _place(joint, kind), draws) for kind in ("technician", "gun")}
        event = _each(posterior, -1, draws)
        effects = posterior.drawn(rows, draws, [SEED, 0])
        unknown = rng.standard_normal(effects.shape)
        known = {level for kind, level in joint.design.names if kind in spread}
        for n, name in enumerate([*shop.technicians, *shop.guns, ""]):
            if name not in known:  # of whom no record tells is as uncertain as any of the kind
                effects[:, n] += unknown[:, n] * spread["technician" if n < hands else "gun"]
        hand, gun, new = effects[:, :hands], effects[:, hands:-1], effects[:, -1]
        half = half_of_hands(shop, joint)
    left, own_left, left_mean, left_half = np.zeros((draws, mixers)), np.zeros((draws, mixers)), np.zeros(mixers), None
    if habits.fit is not None and mixers:
        parts = [[("technician", m, 1.0)] for m in shop.mixers]
        left = habits.fit.posterior.drawn(habits.fit.rows(parts), draws, [SEED, 1])
        left_mean, variance = habits.fit.predict(parts)
        people = {
            t: (f, se) for t, f, se in habits.people.select("technician_id", "own_fall", "own_fall_se").iter_rows()
        }
        seen = np.array([m in people for m in shop.mixers])
        spread_left = habits.fit.sd("technician")
        left = left + np.where(seen, 0.0, spread_left) * rng.standard_normal(left.shape)
        sd = np.where(seen, np.sqrt(variance), spread_left)
        fall, fall_se = np.array([people.get(m, (0.0, 0.0)) for m in shop.mixers]).T
        own_left = fall + fall_se * rng.standard_normal(left.shape)
        share = np.maximum(shop.usual + left_mean, LEAST_LEFT)
        left_half = better_half(-left_mean, sd, shop.leftover[:, 2] / share)
    drawn = Effects(hand, gun, new, event, left, left_mean, own_left, half, left_half)
    halves = {"leftover": left_half, "transfer": half}
    return *levers(shop, drawn, over, repeat_factors(shop.repeat_jobs, draws, rng)), halves


def half_of_hands(shop: Shop, joint: Joint) -> Half | None:
    """The better half of a shop's hands by transfer; None where nobody is named."""
    if not shop.technicians:
        return None
    rows = effect_rows(joint, shop.technicians, [])
    known = {level for kind, level in joint.design.names if kind == "technician"}
    place, unknown = _place(joint, "technician"), UNKNOWN_SD
    if place is not None:
        unknown = float(joint.posterior.over(np.exp(p.log_sd) for p in joint.posterior.points)[place])
    sd = np.sqrt(np.maximum(joint.posterior.variance(rows), 0.0))
    sd = np.where([t in known for t in shop.technicians], sd, unknown)
    named = shop.technician >= 0
    volume = np.bincount(shop.technician[named], shop.sprayed[named, 2], len(shop.technicians))
    return better_half(joint.posterior.mean(rows), sd, volume)


def _place(joint: Joint, kind: str) -> int | None:
    """Which variance component is that of a kind of effect; None: the data have none."""
    named = zip(joint.design.unknowns.component, joint.design.names, strict=True)
    return next((int(c) for c, (name, _) in named if name == kind), None)


def _each(posterior: mixed_model.Integrated, component: int | None, draws: int) -> np.ndarray:
    """The standard deviation of a component for each draw; the prior's scale where there is none."""
    if component is None:
        return np.full(draws, UNKNOWN_SD)
    out = np.empty(draws)
    for p, at in zip(posterior.points, posterior.draws(draws), strict=True):
        out[at] = math.exp(p.log_sd[component])
    return out


def repeat_factors(sizes: np.ndarray, draws: int, rng: np.random.Generator) -> np.ndarray:
    """Draws of what a typical year repeats over what these data hold: repeats come as they come, each of its own size.

    A compound Poisson total: every job with a repeat weighs Gamma(1), and half a job of mean size stands for what did not
    happen to happen (Jeffreys' prior of a Poisson rate). 1 where nothing was repeated.
    """
    if not len(sizes) or sizes.sum() <= 0:
        return np.ones(draws)
    total = rng.gamma(1.0, size=(draws, len(sizes))) @ sizes + rng.gamma(0.5, size=draws) * sizes.mean()
    return np.asarray(total / sizes.sum())


def _interval(values: np.ndarray) -> tuple[float, float, float]:
    low, high = np.quantile(values, [0.025, 0.975])
    return float(values.mean()), float(low), float(high)


def _row(
    shop_id: str, lever: str, position: int, drawn: np.ndarray | None, priced: bool, half: Half | None = None
) -> dict[str, Any]:
    says = ALONE[lever] if half is not None and half.alone > 0.5 else BASIS[lever]
    if drawn is None:
        says += f"; not known yet: {UNKNOWN[lever]}"
    row: dict[str, Any] = {"shop_id": shop_id, "lever": lever, "position": position + 1, "basis": says}
    if drawn is None:
        return row
    cost, voc, solids = (_interval(drawn[:, m]) for m in range(3))
    if priced:
        row |= {"per_year_cost": cost[0], "low": cost[1], "high": cost[2]}
    return row | {
        "per_year_voc_kg": voc[0], "per_year_voc_kg_low": voc[1], "per_year_voc_kg_high": voc[2],
        "per_year_solids_kg": solids[0], "per_year_solids_kg_low": solids[1], "per_year_solids_kg_high": solids[2],
    }  # fmt: skip


def _best_gun(shop: Shop, per_gun: np.ndarray, priced: bool, kept: Collection[str], known: bool) -> int | None:
    """Of the guns that are kept the one whose replacement saves most on average, the first by id where two save the same to nine digits."""
    open_to = [i for i, g in enumerate(shop.guns) if g in kept]
    if not known or not open_to:
        return None
    saves = per_gun[:, :, 0 if priced else 2].mean(axis=0)
    most = max(saves[i] for i in open_to)
    return next(i for i in open_to if saves[i] >= most - 1e-9 * abs(most))


def _gun_row(
    shop: Shop, best: int | None, drawn: np.ndarray | None, price: float | None, priced: bool
) -> dict[str, Any]:
    row = _row(shop.shop_id, "gun", 4, drawn, priced)
    if best is None or drawn is None:
        return row
    row |= {"item": shop.guns[best], "price": price}
    if priced and price is not None:
        mean, low, high = _interval(drawn[:, 0])
        row |= {
            "payback_years": price / mean if mean > 0 else None,
            "payback_low": price / high if high > 0 else None,
            "payback_high": price / low if low > 0 else None,
        }
    return row


def _frame(rows: list[dict[str, Any]]) -> pl.DataFrame:
    frame = pl.DataFrame(rows, infer_schema_length=None)
    return frame.with_columns(pl.col(c).fill_nan(None) for c, d in frame.schema.items() if d == pl.Float64)
