"""What a shop does in a month: jobs, their panels and operations, who does them with which gun, and when.

What belongs here: everything about the work that is decided before any film is sprayed, the parameters of the draw, and
how the pieces of the scenario write ids and times. What does not: film (work.py), cups (cups.py), readings
(gauging.py).
"""

from __future__ import annotations

import calendar
import datetime as dt
from dataclasses import dataclass

import numpy as np
import polars as pl

from seed_data import business as biz
from seed_data.business import Business, Parameters, ShopTruth

#: Operations a job can have, in order: kind, role of the product, removal.
SLOTS: tuple[tuple[str, str | None, str | None], ...] = (
    ("sand", None, "strip"),
    ("hand", "specialty", None),
    ("sand", None, "cut"),
    ("spray", "adhesion_promoter", None),
    ("spray", "wash_primer", None),
    ("spray", "epoxy", None),
    ("spray", "surfacer", None),
    ("sand", None, "cut"),
    ("sand", None, "scuff"),
    ("spray", "sealer", None),
    ("spray", "base", None),
    ("sand", None, "scuff"),
    ("spray", "mid_coat", None),
    ("spray", "clear", None),
    ("spray", "single_stage", None),
    ("sand", None, "cut"),
    ("spray", "base", None),
    ("spray", "clear", None),
    ("polish", None, None),
)
STRIP, HAND, CUT_FILLER, ADHESION, WASH, EPOXY, SURFACER, CUT, SCUFF, SEALER = range(10)
BASE, DENIB, MID, CLEAR, SINGLE, CUT_REDO, BASE_REDO, CLEAR_REDO, POLISH = range(10, 19)
SPRAY = np.array([k == "spray" for k, _, _ in SLOTS])
PRIMERS = (WASH, EPOXY, SURFACER)
REDO_OF = {BASE_REDO: BASE, CLEAR_REDO: CLEAR}
N_OUTER, N_SLOT_PANELS = 6, 8
REPAIR, NEW_PART, BUMPER, SPOT, LARGE, TARGET = range(6)
_MINUTES = 540  # working minutes a day, from 8:00
LENT_IN, LENT_DAYS = 5, (9, 19)  # month of the business, and days in it, from 0, in which a gun is lent


def pick(rng: np.random.Generator, n: int, options: np.ndarray, prob: list[float]) -> np.ndarray:
    return rng.choice(options, size=n, p=np.asarray(prob) / np.sum(prob))


@dataclass
class Jobs:
    """Arrays of one shop-month: J jobs, S slots, P panel places (six outer faces, two inner ones)."""

    kind: np.ndarray
    vehicle: np.ndarray
    colour: np.ndarray
    panel: np.ndarray  # (J, P) index into biz.PANELS, -1 none
    face: np.ndarray  # (J, P) index into biz.FACES
    fraction: np.ndarray  # (J, S, P) what is written down; 0 = not part of the operation
    fraction_true: np.ndarray
    area: np.ndarray  # (J, P) m2 by the register
    area_true: np.ndarray
    plastic: np.ndarray
    repaired: np.ndarray
    op_no: np.ndarray  # (J, S) 1-based number of the operation, 0 = none


def plan_jobs(p: Parameters, b: Business, shop: ShopTruth, month_index: int, n: int, rng: np.random.Generator) -> Jobs:
    """Draw what the jobs are: panels, operations and covered fractions."""
    kind = pick(rng, n, np.arange(5), [0.38, 0.20, 0.20, 0.14, 0.08])
    if p.targets and shop.style == 0 and month_index % 6 == 2 and n > 8:
        kind[:3] = TARGET  # the direct test: foil targets that take the whole spray
    vehicle = pick(rng, n, np.arange(3), [0.45, 0.40, 0.15])
    colour = rng.choice(len(shop.colours), size=n, p=shop.colour_weight)

    repaired_n = np.select(
        [kind == REPAIR, kind == NEW_PART, kind == LARGE],
        [pick(rng, n, np.arange(1, 4), [0.6, 0.3, 0.1]), pick(rng, n, np.arange(1, 3), [0.75, 0.25]),
         pick(rng, n, np.arange(4, 7), [0.4, 0.3, 0.3])],
        1,
    )  # fmt: skip
    blends = (rng.random(n) < p.blended) & np.isin(kind, [REPAIR, NEW_PART, BUMPER])
    blend_n = np.where(blends, pick(rng, n, np.arange(1, 3), [0.6, 0.4]), 0)
    ring = len(biz.RING)
    first = rng.integers(0, ring, n)
    # bumpers lie at both ends of the ring; new parts and spots are never a bumper here
    first = np.where(kind == BUMPER, rng.integers(0, 2, n) * 6, first)
    first = np.where(np.isin(kind, [NEW_PART, SPOT]) & (first % 6 == 0), first + 1, first)
    place = np.arange(N_OUTER)
    panel = np.full((n, N_SLOT_PANELS), -1)
    outer = (first[:, None] + place) % ring
    panel[:, :N_OUTER] = np.where(place < (repaired_n + blend_n)[:, None], outer, -1)
    roof = (kind == LARGE) & (rng.random(n) < 0.3)
    panel[roof, 0] = biz.PANELS.index("roof")
    panel[kind == TARGET, 0] = biz.PANELS.index("test_foil")
    panel[kind == TARGET, 1:] = -1
    face = np.zeros((n, N_SLOT_PANELS), dtype=np.int64)
    inner_face = np.array([biz.FACES.index(biz.INNER[x][0]) if x in biz.INNER else 0 for x in biz.PANELS])
    for k in range(2):
        has = (kind == NEW_PART) & (repaired_n > k) & (inner_face[panel[:, k]] > 0) & (panel[:, k] >= 0)
        panel[:, N_OUTER + k] = np.where(has, panel[:, k], -1)
        face[:, N_OUTER + k] = np.where(has, inner_face[panel[:, k]], 0)
    exists = panel >= 0
    repaired = exists & (np.concatenate([place < repaired_n[:, None], np.ones((n, 2), bool)], axis=1))
    area = np.where(exists, b.area[vehicle[:, None], panel, face], 0.0)
    area_true = area * np.exp(rng.normal(0, p.area_sd, area.shape))
    plastic = exists & biz.PLASTIC[panel]

    def u() -> np.ndarray:
        return rng.random(n)

    repair, large, bumper, spot, new = (kind == k for k in (REPAIR, LARGE, BUMPER, SPOT, NEW_PART))
    inc = np.zeros((n, len(SLOTS)), bool)
    inc[:, STRIP] = repair & (u() < 0.2)
    inc[:, HAND] = repair & (u() < 0.35)
    inc[:, CUT_FILLER] = inc[:, HAND]
    inc[:, ADHESION] = bumper & (u() < 0.75)
    inc[:, WASH] = repair & (u() < 0.06) & ~plastic.any(axis=1)
    inc[:, EPOXY] = (repair & (u() < 0.35)) | (large & (u() < 0.3))
    inc[:, SURFACER] = repair | (large & (u() < 0.7)) | (spot & (u() < 0.4)) | (bumper & (u() < 0.2))
    inc[:, CUT] = inc[:, SURFACER]
    inc[:, SCUFF] = u() < 0.85
    inc[:, SEALER] = (new & (u() < 0.85)) | (repair & (u() < 0.15)) | (bumper & (u() < 0.25))
    single = large & (u() < 0.5)
    inc[:, BASE] = inc[:, CLEAR] = ~single
    inc[:, DENIB] = ~single & (u() < 0.03)
    inc[:, MID] = ~single & (colour % 8 == 3)
    inc[:, SINGLE] = single
    again = ~single & (u() < p.redo)
    inc[:, CUT_REDO] = inc[:, CLEAR_REDO] = again
    inc[:, BASE_REDO] = again & (u() < 0.5)
    inc[:, POLISH] = again | (u() < 0.15)
    inc[kind == TARGET] = False
    inc[kind == TARGET, CLEAR] = True

    def over(low: float, high: float) -> np.ndarray:
        return np.round(rng.uniform(low, high, area.shape) * 20) / 20

    is_outer = exists & (np.arange(N_SLOT_PANELS) < N_OUTER)
    spot_fraction = np.where(spot[:, None], over(0.3, 0.55), 1.0)
    primer = np.where(large[:, None] | (rng.random(area.shape) < 0.45), 1.0, over(0.2, 0.75)) * (repaired & is_outer)
    primer = np.where(spot[:, None], np.minimum(over(0.15, 0.35), spot_fraction) * repaired, primer)
    blend_fraction = over(0.3, 0.75)
    base = np.where(repaired, spot_fraction, blend_fraction) * exists
    clear = np.where((spot & (u() < 0.5))[:, None], spot_fraction, 1.0) * exists
    fraction = np.zeros((n, len(SLOTS), N_SLOT_PANELS))
    repaired_outer = (repaired & is_outer).astype(float)
    for slot, f in (
        (STRIP, repaired_outer), (HAND, np.where(repaired_outer > 0, over(0.1, 0.4), 0)), (CUT_FILLER, repaired_outer),
        (ADHESION, (plastic & repaired).astype(float)), (WASH, primer), (EPOXY, primer), (SURFACER, primer),
        (CUT, repaired_outer), (SCUFF, is_outer.astype(float)), (SEALER, (repaired & exists) * spot_fraction),
        (BASE, base), (DENIB, is_outer.astype(float)), (MID, base), (CLEAR, clear), (SINGLE, exists.astype(float)),
        (CUT_REDO, is_outer.astype(float)), (BASE_REDO, base), (CLEAR_REDO, clear), (POLISH, is_outer.astype(float)),
    ):  # fmt: skip
        fraction[:, slot] = f
    fraction *= inc[:, :, None]
    # one true place of the work per job and panel: what is written down is a guess of it
    guess = np.exp(rng.normal(0, p.fraction_sd, area.shape))[:, None, :]
    fraction_true = np.where(fraction < 1, np.minimum(fraction * guess, 0.97), fraction)
    op_no = np.cumsum(inc, axis=1) * inc
    return Jobs(
        kind, vehicle, colour, panel, face, fraction, fraction_true, area, area_true, plastic, repaired & exists, op_no
    )


def clock(jobs: Jobs, month: dt.date, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Start and end of every slot in minutes since 1970, shape (J, S); each job lies inside its month."""
    n, slots = jobs.op_no.shape
    inc = jobs.op_no > 0
    length = np.where(SPRAY, 0, 20) + rng.integers(15, 50, (n, slots))
    pause = rng.integers(32, 110, (n, slots))
    after = np.cumsum(np.where(inc, length + pause, 0), axis=1)
    begin = after - np.where(inc, length + pause, 0)
    days = [
        dt.date(month.year, month.month, d)
        for d in range(1, calendar.monthrange(month.year, month.month)[1] + 1)
        if dt.date(month.year, month.month, d).weekday() < 5
    ]
    first = rng.random(n) * np.maximum(len(days) * _MINUTES - after[:, -1], 1)
    at = np.floor(first)[:, None].astype(np.int64) + begin
    epoch = np.array([(d - dt.date(1970, 1, 1)).days for d in days])
    day = np.minimum(at // _MINUTES, len(days) - 1)
    start = epoch[day] * 1440 + 480 + (at - day * _MINUTES)
    return start, start + length


def untie(gun: np.ndarray, start: np.ndarray, order_by: np.ndarray) -> np.ndarray:
    """Shift starts so that no gun starts two operations in one minute: the change of cup then has one order."""
    order = np.lexsort((order_by, start, gun))
    g, t = gun[order], start[order]
    base = g.astype(np.int64) * 10**11
    rank = np.arange(len(t))
    moved = np.maximum.accumulate(t + base - rank) + rank - base
    out = np.empty_like(start)
    out[order] = moved
    return out


def choose_hands(
    p: Parameters, b: Business, s: int, month_index: int, jobs: Jobs, area: np.ndarray, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray]:
    """Technician and gun of each slot, shape (J, S); gun -1 where nothing is sprayed."""
    shop = b.shops[s]
    n = len(jobs.kind)
    people = shop.painters
    hired = np.ones(len(people), bool)
    if s == 0 and len(people) > 1:
        hired[-1] = month_index >= 4  # the newcomer
    colour_weight = hired / hired.sum()
    prep_allowed = hired.copy()
    if shop.loner and len(people) > 1:
        prep_allowed[-1] = False
    painter = rng.choice(len(people), size=n, p=colour_weight)
    prep = rng.choice(len(people), size=n, p=prep_allowed / prep_allowed.sum())
    same = (rng.random(n) < 0.5) & prep_allowed[painter]
    prep = np.where(same, painter, prep)
    tech = np.where((np.arange(len(SLOTS)) >= SEALER)[None, :], painter[:, None], prep[:, None])
    own = people[tech]

    fin = shop.finish_guns
    others = fin if not shop.loner or len(fin) < 2 else fin[:-1]
    swap = others[rng.integers(0, len(others), tech.shape)]
    finish = np.where(rng.random(tech.shape) < p.own_gun, fin[tech], swap)
    is_loner = shop.loner & (tech == len(people) - 1)
    finish = np.where(is_loner, fin[tech], finish)
    prim = shop.primer_guns
    primer = np.where(
        rng.random(tech.shape) < p.own_gun, prim[tech % len(prim)], prim[rng.integers(0, len(prim), tech.shape)]
    )
    gun = np.where(np.isin(np.arange(len(SLOTS)), PRIMERS)[None, :], primer, finish)
    small = (area < 0.5) & (rng.random(tech.shape) < 0.6) & ~is_loner & (np.arange(len(SLOTS)) != SURFACER)[None, :]
    gun = np.where(small, shop.spot_gun, gun)
    if p.helpers and s == 1 and month_index >= 8 and p.shops > 1:
        # a technician of the first shop helps out: ids are the workspace's, people move
        helps = rng.random(n) < 0.08
        own = np.where(
            (helps[:, None]) & (np.arange(len(SLOTS)) >= SEALER)[None, :] & ~is_loner, b.shops[0].painters[0], own
        )
    return own, np.where(SPRAY[None, :], gun, -1)


def move_guns(
    p: Parameters, b: Business, s: int, month_index: int, start: np.ndarray, tech: np.ndarray, gun: np.ndarray
) -> np.ndarray:
    """The gun of each slot once guns change shops, drawn from a stream of its own so that what is not touched stays."""
    if b.moving is None:
        return gun
    moved, target, lent = b.moving
    rng = np.random.default_rng([p.seed, 3, s, month_index])
    half = rng.random(gun.shape) < 0.5
    finish = (gun >= 0) & (np.arange(len(SLOTS)) >= SEALER)[None, :]
    if month_index >= biz.MOVED_FROM:
        if s == 0:
            gun = np.where(gun == moved, lent, gun)
        elif s == target:
            gun = np.where(finish & half & (tech == b.shops[s].painters[0]), moved, gun)
    elif month_index == LENT_IN and s < 2:
        day = start // 1440 - (biz.add_months(p.start, month_index) - dt.date(1970, 1, 1)).days
        away = (day >= LENT_DAYS[0]) & (day < LENT_DAYS[1])
        if s == 0:
            gun = np.where((gun == lent) & away, moved, gun)
        else:
            gun = np.where(finish & half & away & (tech == b.shops[1].painters[min(2, p.technicians - 1)]), lent, gun)
    return gun


class Ids:
    """Text ids of one shop-month; job and mix ids are unique inside the shop alone."""

    def __init__(self, shop_id: str, month: dt.date) -> None:
        self.shop_id, self.stem = shop_id, f"{month:%y%m}"

    def job(self, index: np.ndarray) -> pl.Series:
        return pl.select(pl.lit("J" + self.stem) + pl.Series(index + 1).cast(pl.String).str.zfill(4)).to_series()

    def mix(self, index: np.ndarray) -> pl.Series:
        return pl.select(pl.lit("M" + self.stem) + pl.Series(index + 1).cast(pl.String).str.zfill(4)).to_series()

    def shop(self, n: int) -> pl.Series:
        return (
            pl.Series([self.shop_id], dtype=pl.String).extend_constant(self.shop_id, n - 1)
            if n
            else pl.Series([], dtype=pl.String)
        )


def minute(values: np.ndarray) -> pl.Series:
    """Minutes since 1970 -> naive local time."""
    return pl.Series(values.astype(np.int64) * 60_000_000).cast(pl.Datetime("us"))


def labels(options: list[str] | tuple[str, ...], index: np.ndarray) -> pl.Series:
    """options[index], null where the index is negative."""
    return pl.Series([*options, None], dtype=pl.String).gather(pl.Series(np.where(index < 0, len(options), index)))


def job_label(ids: Ids, index: np.ndarray) -> pl.Series:
    return pl.select(pl.when(pl.Series(index) >= 0).then(ids.job(np.maximum(index, 0))).otherwise(None)).to_series()
