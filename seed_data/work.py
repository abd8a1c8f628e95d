"""What the work did: the film on each panel, what was sprayed for it, and the tables of jobs.

What belongs here: the true film, the true transfer efficiency of each sprayed operation, and what a shop writes down of
jobs, operations, panels and weighed targets. What does not: how the paint came into the cup (cups.py), how film is read
(gauging.py).
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field

import numpy as np
import polars as pl

from schemas.area_classes import AREA_CLASSES
from schemas.registers import ROLES
from seed_data import business as biz
from seed_data.business import PRODUCTS, Business, Parameters, ShopTruth
from seed_data.plan import HAND, N_OUTER, N_SLOT_PANELS, REDO_OF, SLOTS, SPRAY, TARGET, Ids, Jobs, labels, minute


def spray_film(
    p: Parameters, b: Business, shop: ShopTruth, jobs: Jobs, tech: np.ndarray, rng: np.random.Generator
) -> np.ndarray:
    """True dry film in um on the covered part of each panel, shape (J, S, P); 0 where nothing was sprayed."""
    shape = jobs.fraction.shape
    target = np.zeros(shape[:2])
    for slot, (kind, role, _) in enumerate(SLOTS):
        if kind == "spray" and role:
            low, high = PRODUCTS[shop.product[role]].film
            target[:, slot] = (low + high) / 2 * b.build_habit[tech[:, slot], ROLES.index(role)]
            if role == "base":
                target[:, slot] *= shop.hiding[jobs.colour]
    target *= np.exp(rng.normal(0, p.operation_sd, target.shape))
    film = target[:, :, None] * np.exp(rng.normal(0, p.panel_sd, shape))
    inner = (jobs.face > 0)[:, None, :]
    film *= np.where(inner, 0.6 * np.exp(rng.normal(0, p.inner_sd, (shape[0], 1, shape[2]))), 1.0)
    return np.where(jobs.fraction > 0, film, 0.0)


@dataclass
class Ops:
    """The sprayed operations of a shop-month, flat."""

    job: np.ndarray
    slot: np.ndarray
    tech: np.ndarray
    gun: np.ndarray
    role: np.ndarray
    product: np.ndarray
    eta_mean: np.ndarray
    event: np.ndarray
    te: np.ndarray
    landed: np.ndarray
    sprayed: np.ndarray
    area: np.ndarray
    area_class: np.ndarray
    blended: np.ndarray
    plastic: np.ndarray
    flush: np.ndarray = field(default_factory=lambda: np.zeros(0))
    rts_g: np.ndarray = field(default_factory=lambda: np.zeros(0))
    recorded: np.ndarray = field(default_factory=lambda: np.zeros(0))


def truth_of_operations(
    p: Parameters, b: Business, shop: ShopTruth, jobs: Jobs, tech: np.ndarray, gun: np.ndarray, start: np.ndarray,
    area: np.ndarray, landed: np.ndarray, j: np.ndarray, k: np.ndarray, rng: np.random.Generator,
) -> Ops:  # fmt: skip
    role_of_slot = np.array([ROLES.index(r) if r else -1 for _, r, _ in SLOTS])
    product_of_slot = np.array([shop.product.get(r, -1) if r else -1 for _, r, _ in SLOTS])
    t, g, role = tech[j, k], gun[j, k], role_of_slot[k]
    area_jk = area[j, k]
    area_class = np.digitize(area_jk, [0.5, 1.5, 4.0])
    part = jobs.area[j] * jobs.fraction[j, k]
    plastic = (part * jobs.plastic[j]).sum(axis=1) / part.sum(axis=1)
    blended = ((jobs.fraction[j, k] > 0) & (jobs.fraction[j, k] < 1)).any(axis=1)
    kind = np.array([biz.ATOMISING_EFFECT[a] for a in b.atomising])
    age = start[j, k] / 1440 - (p.start - dt.date(1970, 1, 1)).days
    since_service = np.where(age >= b.service_day[g], age - b.service_day[g], age)
    eta = (
        p.role_log_te[role]
        + kind[g]
        + b.gun_effect[g]
        + b.technician_effect[t]
        + b.pair_effect[g, t]
        + biz.AREA_EFFECT[area_class]
        + biz.BLENDED_EFFECT * blended
        + biz.PLASTIC_EFFECT * (plastic > 0.5)
        + b.wear_per_day[g] * since_service
    )
    event = rng.normal(0, p.sd_event, len(j))
    te = np.exp(np.minimum(eta + event, np.log(0.97)))
    event = np.log(te) - eta
    return Ops(
        j,
        k,
        t,
        g,
        role,
        product_of_slot[k],
        eta,
        event,
        te,
        landed[j, k],
        landed[j, k] / te,
        area_jk,
        area_class,
        blended,
        plastic,
    )


def job_tables(
    b: Business,
    shop: ShopTruth,
    ids: Ids,
    jobs: Jobs,
    tech: np.ndarray,
    gun: np.ndarray,
    start: np.ndarray,
    end: np.ndarray,
    rng: np.random.Generator,
) -> dict[str, pl.DataFrame]:
    """jobs, operations and operation_panels."""
    n = len(jobs.kind)
    inc = jobs.op_no > 0
    first = np.where(inc, start, 2**60).min(axis=1)
    last = np.where(inc, end, 0).max(axis=1)
    day = pl.Series(first // 1440).cast(pl.Int32).cast(pl.Date)
    vehicle = np.where(rng.random(n) < 0.98, jobs.vehicle, -1)
    vehicle = np.where(jobs.kind == TARGET, -1, vehicle)
    out_jobs = pl.DataFrame(
        {
            "shop_id": ids.shop(n),
            "job_id": ids.job(np.arange(n)),
            "vehicle_class": labels(biz.VEHICLE_CLASSES, vehicle),
            "opened_on": day,
            "closed_on": pl.Series(last // 1440).cast(pl.Int32).cast(pl.Date),
        }
    )

    j, k = np.nonzero(inc)
    kinds = np.array([("spray", "hand", "sand", "polish").index(x[0]) for x in SLOTS])[k]
    removal = np.array([("scuff", "cut", "strip").index(x[2]) if x[2] else -1 for x in SLOTS])[k]
    removal = np.where((kinds == 2) & (rng.random(len(j)) < 0.04), -1, removal)  # nobody wrote how it was sanded
    product = np.array(
        [biz.PRODUCT_INDEX["filler_body"] if r == "specialty" else shop.product.get(r or "", -1) for _, r, _ in SLOTS]
    )[k]
    removed = np.where((removal == 0) & (rng.random(len(j)) < 0.12), np.round(rng.uniform(2, 7, len(j)), 0), np.nan)
    spray = kinds == 0
    coats_min = np.array([q.coats[0] for q in PRODUCTS])
    coats = np.where(
        spray & (rng.random(len(j)) < 0.6), coats_min[np.maximum(product, 0)] + (rng.random(len(j)) < 0.2), -1
    )
    pressure_max = np.array([q.pressure for q in PRODUCTS])[np.maximum(product, 0)]
    says_pressure = spray & (rng.random(len(j)) < 0.35)
    # each gun's regulator stands where it stands; the third of a shop's guns is set too high
    setting = np.where(gun[j, k] - shop.finish_guns[0] == 2, 1.05, 0.92)
    pressure = np.where(says_pressure, np.round(pressure_max * setting * rng.uniform(0.97, 1.03, len(j)), 0), np.nan)
    redo = np.zeros(len(j), np.int64)
    for slot, of in REDO_OF.items():
        redo = np.where(k == slot, jobs.op_no[j, of], redo)
    booth = np.where(spray, rng.integers(0, len(shop.booths), len(j)), -1)
    operations = pl.DataFrame(
        {
            "shop_id": ids.shop(len(j)),
            "job_id": ids.job(j),
            "operation_no": jobs.op_no[j, k],
            "kind": labels(["spray", "hand", "sand", "polish"], kinds),
            "removal": labels(["scuff", "cut", "strip"], removal),
            "removed_um": pl.Series(removed).fill_nan(None),
            "started_at": minute(start[j, k]),
            "ended_at": minute(end[j, k]),
            "technician_id": labels(b.technician_ids, tech[j, k]),
            "gun_id": labels(b.gun_ids, gun[j, k]),
            "product_id": labels([q.product_id for q in PRODUCTS], product),
            "tip_mm": pl.Series(np.full(len(j), np.nan)).fill_nan(None),
            "inlet_kpa": pl.Series(pressure).fill_nan(None),
            "coats": pl.Series(coats).replace(-1, None),
            "booth_id": labels(shop.booths, booth),
            "redo_of": pl.Series(redo).replace(0, None),
        }
    )

    # sand and polish name their panels where they did not concern all of them, and sometimes anyway
    named: np.ndarray = np.asarray(jobs.fraction > 0)
    outer_panel = jobs.panel[:, None, :N_OUTER] >= 0
    every_outer = np.asarray(np.all(named[:, :, :N_OUTER] | ~outer_panel, axis=2))
    has_inner = np.asarray(np.any(jobs.panel[:, N_OUTER:] >= 0, axis=1))
    all_of_them = every_outer & ~has_inner[:, None]
    silent = (
        all_of_them & ~SPRAY[None, :] & (np.arange(len(SLOTS)) != HAND)[None, :] & (rng.random(named.shape[:2]) < 0.6)
    )
    a, c, q = np.nonzero(named & ~silent[:, :, None])
    f = jobs.fraction[a, c, q]
    stated_area = rng.random((n, N_SLOT_PANELS)) < 0.25
    stated_area |= (vehicle < 0)[:, None]
    area = np.where(stated_area[a, q], jobs.area[a, q], np.nan)
    aluminium = biz.ALUMINIUM[jobs.vehicle[:, None], np.maximum(jobs.panel, 0)]
    substrate = np.where(jobs.plastic, 2, np.where(aluminium, 1, 0))
    says_substrate = rng.random((n, N_SLOT_PANELS)) < 0.3
    says_substrate |= (vehicle < 0)[:, None]
    panels = pl.DataFrame(
        {
            "shop_id": ids.shop(len(a)),
            "job_id": ids.job(a),
            "operation_no": jobs.op_no[a, c],
            "panel_id": labels(biz.PANELS, jobs.panel[a, q]),
            "face": labels(biz.FACES, jobs.face[a, q]),
            "area_m2": pl.Series(area).fill_nan(None),
            "covered_fraction": f,
            "substrate": labels(["steel", "aluminium", "plastic"], np.where(says_substrate, substrate, -1)[a, q]),
        }
    )
    return {"jobs": out_jobs, "operations": operations, "operation_panels": panels}


def truth_frame(b: Business, ids: Ids, jobs: Jobs, ops: Ops, start: np.ndarray) -> pl.DataFrame:
    return pl.DataFrame(
        {
            "shop_id": ids.shop(len(ops.job)),
            "job_id": ids.job(ops.job),
            "operation_no": jobs.op_no[ops.job, ops.slot],
            "started_at": minute(start[ops.job, ops.slot]),
            "gun_id": labels(b.gun_ids, ops.gun),
            "technician_id": labels(b.technician_ids, ops.tech),
            "product_id": labels([q.product_id for q in PRODUCTS], ops.product),
            "role": labels(ROLES, ops.role),
            "atomising": labels(
                list(biz.ATOMISING_EFFECT),
                np.array([list(biz.ATOMISING_EFFECT).index(x) for x in b.atomising])[ops.gun],
            ),
            "area_m2": ops.area,
            "area_class": labels(AREA_CLASSES, ops.area_class),
            "blended": ops.blended,
            "plastic_share": ops.plastic,
            "eta": ops.eta_mean,
            "event": ops.event,
            "te": ops.te,
            "landed_solids_ml": ops.landed,
            "sprayed_solids_ml": ops.sprayed,
            "sprayed_g": ops.rts_g,
            "flush_g": ops.flush,
            "recorded": ops.recorded,
        }
    )
