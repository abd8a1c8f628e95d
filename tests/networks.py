"""Invented networks of shops with known truth, to try the model on. Not the demo: that is seed_data/scenario.py.

What is drawn: log TE of every operation from role, work, gun, hand, pair and event; film until the target is reached, so
that what was sprayed carries 1/event; readings, areas, scales and leftovers with their errors. All figures are invented.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import polars as pl

from schemas.area_classes import AREA_CLASSES

ROLE_ETA = {"surfacer": -0.65, "base": -0.60, "clear": -0.45}
ROLE_FILM_UM = {"surfacer": 90.0, "base": 20.0, "clear": 55.0}


@dataclass(frozen=True)
class Truth:
    """Standard deviations of log TE and habits of measuring."""

    shops: int = 4
    jobs: int = 120
    guns: int = 5
    technicians: int = 4
    sd_gun: float = 0.10
    sd_technician: float = 0.08
    sd_pair: float = 0.03
    sd_event: float = 0.08
    sd_shop: float = 0.05
    sd_product: float = 0.03
    products: int = 2
    area_rel_sd: float = 0.05
    film_cv: float = 0.13
    readings: int = 4
    weighed: float = 0.60
    weighed_at_random: bool = True
    leftover: float = 0.12
    between: float = 0.15
    own_gun: float = 0.75
    conventional: int = 0
    heavy_tails: bool = False
    area_effect: tuple[float, ...] = (-0.15, -0.06, 0.0, 0.04)
    blended_effect: float = -0.10
    plastic_effect: float = -0.08
    unfair: bool = False  # the first technician of each shop gets the spot jobs and the bumpers
    surfacer_share: float = 0.5
    level: float = 0.0  # added to every role's log TE
    wear: float = 0.0  # log TE that the first gun of each shop loses over the year
    sd_shared: float = 0.0  # one error of the table of areas for all records of a network
    gain_rel_u: float = 0.0  # what is stated of the gauges' gain; none is drawn


@dataclass(frozen=True)
class Network:
    records: pl.DataFrame
    layers: pl.DataFrame
    eta: pl.DataFrame  # one row per layer: cell and the true log TE without its event
    gun: dict[str, float] = field(default_factory=dict)
    technician: dict[str, float] = field(default_factory=dict)

    def cells(self) -> pl.DataFrame:
        """True TE per cell: exp of the mean log TE over the cell's own operations."""
        by = ["shop_id", "gun_id", "technician_id", "role"]
        return self.eta.group_by(by, maintain_order=True).agg(truth=pl.col("eta").mean().exp()).sort(by)


def network(truth: Truth, seed: int) -> Network:
    """Draw one network. Vectorised over jobs; the same truth and seed give the same frames."""
    t, rng = truth, np.random.default_rng(seed)
    n = t.shops * t.jobs
    shop = np.repeat(np.arange(t.shops), t.jobs)

    def draw(sd: float, size: int) -> np.ndarray:
        if t.heavy_tails:
            return sd * rng.standard_t(3, size) / np.sqrt(3)
        return sd * rng.standard_normal(size)

    u_gun = draw(t.sd_gun, t.shops * t.guns)
    u_tech = draw(t.sd_technician, t.shops * t.technicians)
    u_pair = t.sd_pair * rng.standard_normal((t.shops * t.guns, t.technicians))
    u_shop = t.sd_shop * rng.standard_normal(t.shops)
    roles = list(ROLE_ETA)
    u_product = t.sd_product * rng.standard_normal((len(roles), t.products))
    conventional = (np.arange(t.shops * t.guns) % t.guns) < t.conventional

    tech = rng.integers(t.technicians, size=n)
    panels = 1 + rng.binomial(4, 0.3, n)
    area = panels * rng.lognormal(np.log(0.5), 0.45, n)
    blend = rng.random(n) < 0.2
    plastic = rng.random(n) < 0.15
    if t.unfair:
        spot = tech == 0
        area = np.where(spot, 0.3 * rng.lognormal(0, 0.3, n), area)
        blend, plastic = np.where(spot, True, blend), np.where(spot, rng.random(n) < 0.8, plastic)
        panels = np.where(spot, 1, panels)
    area_class = np.digitize(area, [0.5, 1.5, 4.0])
    day = np.sort(np.random.default_rng(seed + 2).integers(0, 365, (t.shops, t.jobs)), axis=1).ravel()
    s_event = t.sd_event

    ops = {}
    for r, role in enumerate(roles):
        own = rng.random(n) < t.own_gun
        local_gun = np.where(own, tech % t.guns, rng.integers(t.guns, size=n))
        gun = shop * t.guns + local_gun
        product = rng.integers(t.products, size=n)
        eta = (
            ROLE_ETA[role] + t.level + u_shop[shop] + u_gun[gun] + u_tech[shop * t.technicians + tech] + u_pair[gun, tech]
            + u_product[r, product] + np.array(t.area_effect)[area_class] + t.blended_effect * blend
            + t.plastic_effect * plastic - 0.5 * conventional[gun] - t.wear * (local_gun == 0) * day / 365
        )  # fmt: skip
        film = ROLE_FILM_UM[role] * rng.lognormal(0, 0.12, n)  # mean film on the target, um
        solids = film * area  # um m2 = mL
        te = np.exp(eta + draw(s_event, n))
        sprayed = solids / te
        left = np.clip(rng.beta(3.0, 3.0 * (1 / t.leftover - 1), n), 0, 0.6)
        poured = sprayed / (1 - left)
        chance = t.weighed if t.weighed_at_random else np.where(left < t.leftover, t.weighed - 0.2, t.weighed + 0.2)
        known = rng.random(n) < chance
        u_v = 0.012
        stated = poured * (1 + 0.002 * rng.standard_normal(n))
        weighed = np.where(known, sprayed * (1 + u_v * rng.standard_normal(n)), np.nan)
        ops[role] = {
            "gun": gun, "product": product, "eta": eta, "film": film, "solids": solids, "poured": stated,
            "sprayed": weighed, "known": known, "u_v": u_v,
        }  # fmt: skip

    between = rng.random(n) < t.between
    has_surfacer = rng.random(n) < t.surfacer_share
    shared = np.exp(t.sd_shared * np.random.default_rng(seed + 1).standard_normal())  # a stream of its own
    # what the table of areas says over what is true, whole target
    area_factor = shared * (1 + t.area_rel_sd * rng.standard_normal(n) / np.sqrt(panels))

    def reading(film: np.ndarray) -> np.ndarray:
        return film * (1 + t.film_cv * rng.standard_normal(n) / np.sqrt(t.readings * panels))

    plans = [  # (roles in the record, which jobs, record number)
        (("surfacer",), has_surfacer, 1),
        (("base",), between, 2),
        (("clear",), between, 3),
        (("base", "clear"), ~between, 2),
    ]
    record_parts, layer_parts, eta_parts = [], [], []
    for in_record, which, number in plans:
        film = sum(ops[r]["film"] for r in in_record)
        landed = reading(film) * area * area_factor
        at = np.flatnonzero(which)
        if not len(at):
            continue
        s2 = np.mean((t.film_cv * film[at]) ** 2)
        jobs = [f"j{i:07d}" for i in at]
        shops = [f"s{s:04d}" for s in shop[at]]
        key = {"shop_id": shops, "job_id": jobs, "record_no": np.full(len(at), number)}
        all_known = np.all([ops[r]["known"] for r in in_record], axis=0)
        record_parts.append(pl.DataFrame(key | {
            "kind": ["+".join(in_record) + "/paired"] * len(at), "basis": ["volume"] * len(at), "landed_solids_ml": landed[at],
            "read_var_ml2": (area[at] ** 2) * s2 / (t.readings * panels[at]),
            "area_rel_var": t.area_rel_sd**2 / panels[at], "gain_rel_u": np.full(len(at), t.gain_rel_u),
            "grade": np.where(all_known[at] & (len(in_record) == 1), "A", "B"), "usable": np.ones(len(at), bool),
        }))  # fmt: skip
        for position, role in enumerate(in_record, start=1):
            o = ops[role]
            layer = pl.DataFrame(key | {
                "position": np.full(len(at), position), "op_job_id": jobs,
                "operation_no": np.full(len(at), roles.index(role) + 1),
                "started_at": np.datetime64("2025-01-01T08:00", "us") + day[at] * np.timedelta64(1, "D"),
                "gun_id": [f"g{g:05d}" for g in o["gun"][at]],
                "technician_id": [f"t{p:05d}" for p in (shop * t.technicians + tech)[at]],
                "product_id": [f"{role}_{p}" for p in o["product"][at]], "role": [role] * len(at),
                "atomising": np.where(conventional[o["gun"][at]], "conventional", "hvlp"),
                "sprayed_solids_ml": o["sprayed"][at], "poured_solids_ml": o["poured"][at],
                "sprayed_rel_u": np.full(len(at), o["u_v"]), "leftover_known": o["known"][at], "area_m2": area[at],
                "area_class": np.array(AREA_CLASSES)[area_class[at]], "blended": blend[at],
                "plastic_share": plastic[at].astype(float),
            })  # fmt: skip
            layer_parts.append(layer.with_columns(pl.col("sprayed_solids_ml").fill_nan(None)))
            eta_parts.append(layer_parts[-1].select("shop_id", "gun_id", "technician_id", "role").with_columns(
                eta=pl.Series(o["eta"][at])
            ))  # fmt: skip
    records = pl.concat(record_parts).with_columns(
        why_not=pl.lit(None, pl.String), landed_at=pl.lit(None, pl.Datetime("us"))
    )
    return Network(
        records.sort("shop_id", "job_id", "record_no"),
        pl.concat(layer_parts).sort("shop_id", "job_id", "record_no", "position"),
        pl.concat(eta_parts),
        {f"g{i:05d}": float(u) for i, u in enumerate(u_gun)},
        {f"t{i:05d}": float(u) for i, u in enumerate(u_tech)},
    )
