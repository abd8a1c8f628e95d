"""The invented business with known truth: the demo, the tests and the benchmarks draw from it.

What belongs here: drawing the events of a business (jobs, operations, film, cups, leftovers, readings) whose true
transfer efficiencies are known, and keeping that truth beside them. What does not: the registers (business.py) and the
shapes of the exports (exports.py). Nothing here is measured; it must never be shown as if it were.

How a day is made. A job gets panels and a plan of operations. Painters spray until the film is there: the film on each
panel is drawn first, what landed is film x area, and what was sprayed is landed / TE, with TE = exp(eta) of role, gun,
technician, their pair, the size and shape of the work, and chance. The cup is what was sprayed, the flush loss and a
leftover. Readings then look at the film through a gauge, cups through a scale.

Events are drawn by shop and month, each from its own random stream, so that a longer business begins with the same
months as a shorter one, memory stays small, and the draws do not depend on the order of drawing.
"""

from __future__ import annotations

import calendar
import datetime as dt
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

from seed_data import business as biz
from seed_data.business import AREA_CLASSES, PRODUCTS, ROLES, Business, ShopTruth

EVENT_TABLES = (
    "pours", "leftovers", "jobs", "operations", "operation_panels", "draws", "readings", "target_weighings", "cleaning",
    "unscaled_use", "stock", "gauge_checks", "scale_checks", "deviations",
)  # fmt: skip


@dataclass(frozen=True)
class Parameters:
    """Everything that can be turned. Probabilities and relative sd are dimensionless, sd_* are sd of log TE."""

    seed: int = 20260
    shops: int = 3
    months: int = 14
    cups: int = 6000
    start: dt.date = dt.date(2025, 3, 1)
    technicians: int = 4
    colours: int = 30
    # truth of the transfer efficiency (the figures at the top of the method page)
    sd_gun: float = 0.10
    sd_technician: float = 0.08
    sd_pair: float = 0.03
    sd_event: float = 0.08
    wear_log_te: float = 0.30
    own_gun: float = 0.75
    loner: bool = True
    helpers: bool = True
    # film
    area_sd: float = 0.05
    panel_sd: float = 0.08
    within_cv: float = 0.13
    operation_sd: float = 0.08
    fraction_sd: float = 0.10
    # readings
    read_job: float = 0.85
    read_panel: float = 0.88
    mid_reading: float = 0.15
    positioned: float = 0.60
    lost_reading: float = 0.03
    witness: float = 0.5
    gauge_noise_um: float = 1.2
    # cups
    leftover_weighed: float = 0.60
    mixed_weighing: bool = True
    leftover_mean: float = 0.16
    leftover_sd: float = 0.09
    solids_sd: float = 0.01
    kept: float = 0.10
    poured_on: float = 0.5
    shared_cup: float = 0.06
    explicit_draws: float = 0.65
    cup_without_job: float = 0.03
    operation_without_cup: float = 0.01
    odd_pours: float = 0.02
    # work
    redo: float = 0.05
    blended: float = 0.35
    # the small tables (stock, cleaning, checks ...) and unread plastic are left out where a test wants the core alone
    small_tables: bool = True


@dataclass
class Scenario:
    """One drawn business.

    canonical: event table name -> frame with the columns of the data contract. registers: the same for registers.
    truth: truth_operations, truth_panels, truth_cups, truth_cells, truth_guns, truth_technicians, truth_pairs,
    truth_gauges. mil, oz and the like exist only in the exports.
    """

    parameters: Parameters
    canonical: dict[str, pl.DataFrame]
    registers: dict[str, pl.DataFrame]
    truth: dict[str, pl.DataFrame]
    business: Business = field(repr=False)


# ------------------------------------------------------------------------------------------------------------ the plan
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
_SPRAY = np.array([k == "spray" for k, _, _ in SLOTS])
_PRIMER = (WASH, EPOXY, SURFACER)
_REDO_OF = {BASE_REDO: BASE, CLEAR_REDO: CLEAR}
N_OUTER, N_SLOT_PANELS = 6, 8
REPAIR, NEW_PART, BUMPER, SPOT, LARGE, TARGET = range(6)
#: Sprayed cups a job takes on average; sets the number of jobs from the number of cups asked for.
_CUPS_PER_JOB = 4.15
_MINUTES = 540  # working minutes a day, from 8:00
_ROWS9 = np.repeat([1, 2, 3], 3)
_COLS9 = np.tile([1, 2, 3], 3)


def build(
    seed: int = 20260,
    shops: int = 3,
    months: int = 14,
    cups: int = 6000,
    *,
    parameters: Parameters | None = None,
    **more: Any,
) -> Scenario:
    """Draw the whole business at once.

    Any other field of Parameters can be given by name; `parameters` gives them all and excludes the rest. Same
    parameters, same frames. For sizes that do not fit into memory use `chunks`.
    """
    p = parameters or Parameters(seed=seed, shops=shops, months=months, cups=cups, **more)
    b = biz.build_business(p)
    parts = [draw for _, _, draw in _draws(p, b)]
    canonical = {t: pl.concat([d[t] for d in parts]) for t in parts[0] if not t.startswith("truth_")}
    truth = {t: pl.concat([d[t] for d in parts]) for t in parts[0] if t.startswith("truth_")}
    canonical |= _small_tables(p, b, canonical) if p.small_tables else {}
    schemas = _empty_small_tables()
    for name in EVENT_TABLES:
        if name not in canonical:
            canonical[name] = schemas[name]
    truth |= _summary_truth(p, b, truth)
    return Scenario(p, {t: canonical[t] for t in EVENT_TABLES}, b.registers, truth, b)


def chunks(parameters: Parameters) -> Iterator[tuple[str, dt.date, dict[str, pl.DataFrame]]]:
    """(shop_id, first day of month, event tables and truth of that shop and month), one at a time.

    The same rows as `build` gives, without the small tables; for benchmarks of any length. Keep a shop-month below some
    thousand cups (raise `shops` or `months`), or the guns of the shop would have to spray around the clock.
    """
    yield from _draws(parameters, biz.build_business(parameters))


def _draws(p: Parameters, b: Business) -> Iterator[tuple[str, dt.date, dict[str, pl.DataFrame]]]:
    weights = np.array([(1.25, 1.0, 0.75)[s % 3] for s in range(p.shops)])
    share = weights / weights.sum() / p.months
    done = np.zeros(p.shops)
    for m in range(p.months):
        for s in range(p.shops):
            want = p.cups * share[s] / _CUPS_PER_JOB * (m + 1)
            jobs = round(want - done[s])
            done[s] += jobs
            month = biz.add_months(p.start, m)
            rng = np.random.default_rng([p.seed, 2, s, m])
            yield b.shops[s].shop_id, month, _draw(p, b, s, m, month, jobs, rng)


def _pick(rng: np.random.Generator, n: int, options: np.ndarray, prob: list[float]) -> np.ndarray:
    return rng.choice(options, size=n, p=np.asarray(prob) / np.sum(prob))


@dataclass
class _Jobs:
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


def _plan(p: Parameters, b: Business, shop: ShopTruth, month_index: int, n: int, rng: np.random.Generator) -> _Jobs:
    """Draw what the jobs are: panels, operations and covered fractions."""
    kind = _pick(rng, n, np.arange(5), [0.38, 0.20, 0.20, 0.14, 0.08])
    if shop.style == 0 and month_index % 6 == 2 and n > 8:
        kind[:3] = TARGET  # the direct test: foil targets that take the whole spray
    vehicle = _pick(rng, n, np.arange(3), [0.45, 0.40, 0.15])
    colour = rng.choice(len(shop.colours), size=n, p=shop.colour_weight)

    repaired_n = np.select(
        [kind == REPAIR, kind == NEW_PART, kind == LARGE],
        [_pick(rng, n, np.arange(1, 4), [0.6, 0.3, 0.1]), _pick(rng, n, np.arange(1, 3), [0.75, 0.25]),
         _pick(rng, n, np.arange(4, 7), [0.4, 0.3, 0.3])],
        1,
    )  # fmt: skip
    blends = (rng.random(n) < p.blended) & np.isin(kind, [REPAIR, NEW_PART, BUMPER])
    blend_n = np.where(blends, _pick(rng, n, np.arange(1, 3), [0.6, 0.4]), 0)
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
    return _Jobs(
        kind, vehicle, colour, panel, face, fraction, fraction_true, area, area_true, plastic, repaired & exists, op_no
    )


def _times(jobs: _Jobs, month: dt.date, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Start and end of every slot in minutes since 1970, shape (J, S); each job lies inside its month."""
    n, slots = jobs.op_no.shape
    inc = jobs.op_no > 0
    length = np.where(_SPRAY, 0, 20) + rng.integers(15, 50, (n, slots))
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


def _untie(gun: np.ndarray, start: np.ndarray, order_by: np.ndarray) -> np.ndarray:
    """Shift starts so that no gun starts two operations in one minute: the change of cup then has one order."""
    order = np.lexsort((order_by, start, gun))
    g, t = gun[order], start[order]
    base = g.astype(np.int64) * 10**11
    rank = np.arange(len(t))
    moved = np.maximum.accumulate(t + base - rank) + rank - base
    out = np.empty_like(start)
    out[order] = moved
    return out


def _choose_hands(
    p: Parameters, b: Business, s: int, month_index: int, jobs: _Jobs, area: np.ndarray, rng: np.random.Generator
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
    gun = np.where(np.isin(np.arange(len(SLOTS)), _PRIMER)[None, :], primer, finish)
    small = (area < 0.5) & (rng.random(tech.shape) < 0.6) & ~is_loner & (np.arange(len(SLOTS)) != SURFACER)[None, :]
    gun = np.where(small, shop.spot_gun, gun)
    if p.helpers and s == 1 and month_index >= 8 and p.shops > 1:
        # a technician of the first shop helps out: ids are the workspace's, people move
        helps = rng.random(n) < 0.08
        own = np.where(
            (helps[:, None]) & (np.arange(len(SLOTS)) >= SEALER)[None, :] & ~is_loner, b.shops[0].painters[0], own
        )
    return own, np.where(_SPRAY[None, :], gun, -1)


def _draw(
    p: Parameters, b: Business, s: int, month_index: int, month: dt.date, n: int, rng: np.random.Generator
) -> dict[str, pl.DataFrame]:
    """All event tables and the truth of one shop and month with `n` jobs."""
    shop = b.shops[s]
    jobs = _plan(p, b, shop, month_index, n, rng)
    start, end = _times(jobs, month, rng)
    sprayed_area = (jobs.area[:, None, :] * jobs.fraction).sum(axis=2)
    tech, gun = _choose_hands(p, b, s, month_index, jobs, sprayed_area, rng)
    is_spray = (jobs.op_no > 0) & _SPRAY
    job_of, slot_of = np.nonzero(is_spray)
    moved = _untie(gun[job_of, slot_of], start[job_of, slot_of], job_of * len(SLOTS) + slot_of)
    shift = np.zeros_like(start)
    shift[job_of, slot_of] = moved - start[job_of, slot_of]
    start, end = start + shift, end + shift

    film = _film(p, b, shop, jobs, tech, rng)
    landed = (jobs.area_true[:, None, :] * jobs.fraction_true * film).sum(axis=2)  # um x m2 = mL
    ids = _Ids(shop.shop_id, month)
    out: dict[str, pl.DataFrame] = {}
    ops = _truth_of_operations(p, b, shop, jobs, tech, gun, start, sprayed_area, landed, job_of, slot_of, month, rng)
    cups = _cups(p, b, s, shop, jobs, ops, tech, start, end, rng)
    out |= _cup_tables(p, b, s, shop, ids, jobs, ops, cups, tech, start, end, month, rng)
    out |= _job_tables(p, b, shop, ids, jobs, tech, gun, start, end, rng)
    out["readings"], out["truth_panels"] = _readings(p, b, shop, ids, jobs, film, tech, start, end, rng)
    out["target_weighings"] = _targets(b, ids, jobs, landed, cups, ops)
    out["truth_operations"] = _truth_frame(b, ids, jobs, ops, start)
    return out


class _Ids:
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


def _minute(values: np.ndarray) -> pl.Series:
    """Minutes since 1970 -> naive local time."""
    return pl.Series(values.astype(np.int64) * 60_000_000).cast(pl.Datetime("us"))


def _labels(options: list[str] | tuple[str, ...], index: np.ndarray) -> pl.Series:
    """options[index], null where the index is negative."""
    return pl.Series([*options, None], dtype=pl.String).gather(pl.Series(np.where(index < 0, len(options), index)))


def _film(
    p: Parameters, b: Business, shop: ShopTruth, jobs: _Jobs, tech: np.ndarray, rng: np.random.Generator
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
    film *= np.where(inner, 0.6 * np.exp(rng.normal(0, 0.15, (shape[0], 1, shape[2]))), 1.0)
    return np.where(jobs.fraction > 0, film, 0.0)


@dataclass
class _Ops:
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


def _truth_of_operations(
    p: Parameters, b: Business, shop: ShopTruth, jobs: _Jobs, tech: np.ndarray, gun: np.ndarray, start: np.ndarray,
    area: np.ndarray, landed: np.ndarray, j: np.ndarray, k: np.ndarray, month: dt.date, rng: np.random.Generator,
) -> _Ops:  # fmt: skip
    role_of_slot = np.array([ROLES.index(r) if r else -1 for _, r, _ in SLOTS])
    product_of_slot = np.array([shop.product.get(r, -1) if r else -1 for _, r, _ in SLOTS])
    t, g, role = tech[j, k], gun[j, k], role_of_slot[k]
    area_jk = area[j, k]
    area_class = np.digitize(area_jk, [0.5, 1.5, 4.0])
    part = jobs.area[j] * jobs.fraction[j, k]
    plastic = (part * jobs.plastic[j]).sum(axis=1) / part.sum(axis=1)
    blended = ((jobs.fraction[j, k] > 0) & (jobs.fraction[j, k] < 1)).any(axis=1)
    mu = np.log([biz.ROLE_TE[r] for r in ROLES])
    kind = np.array([biz.ATOMISING_EFFECT[a] for a in b.atomising])
    age = start[j, k] / 1440 - (p.start - dt.date(1970, 1, 1)).days
    period = (biz.add_months(p.start, p.months) - p.start).days
    since_service = np.where(age >= period * 2 // 3, age - period * 2 // 3, age)
    eta = (
        mu[role]
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
    return _Ops(
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


@dataclass
class _Cups:
    """The cups of a shop-month and their links to operations."""

    product: np.ndarray
    colour: np.ndarray
    job: np.ndarray  # -1 = not for a job
    tech: np.ndarray
    parts: np.ndarray  # (C, K) true mass fractions
    ml_solids_per_g: np.ndarray
    gone: np.ndarray  # g that left the cup to guns
    poured: np.ndarray  # g, from_mix included
    leftover: np.ndarray  # g, before any of it was poured on
    first: np.ndarray  # minute of the first pour
    last: np.ndarray  # minute when the last operation ended
    link_op: np.ndarray
    link_cup: np.ndarray
    link_g: np.ndarray
    donor: np.ndarray  # index of the cup poured in, -1
    donated: np.ndarray  # g of it
    kept: np.ndarray
    recorded: np.ndarray  # False: nobody weighed this cup in
    between: np.ndarray  # minute of a weigh-back between two operations, -1
    between_g: np.ndarray


def _cups(
    p: Parameters,
    b: Business,
    s: int,
    shop: ShopTruth,
    jobs: _Jobs,
    ops: _Ops,
    tech: np.ndarray,
    start: np.ndarray,
    end: np.ndarray,
    rng: np.random.Generator,
) -> _Cups:
    """Mix the cups that the operations need, with leftovers; some serve two operations, some nobody's."""
    n_ops = len(ops.job)
    o_start, o_end = start[ops.job, ops.slot], end[ops.job, ops.slot]
    mean_q = _mean_concentration(b)
    need_ml = ops.sprayed / mean_q[ops.product]
    count = np.clip(np.ceil(need_ml / (0.9 * b.cup_ml[ops.gun])), 1, 4).astype(np.int64)
    # two operations from one cup: neighbours in time of one product and colour, within the pot life, both small
    second_of = np.full(n_ops, -1)
    colour_matters = np.array([bool(q.toners) for q in PRODUCTS])
    key = ops.product * 1000 + np.where(colour_matters[ops.product], jobs.colour[ops.job], 0)
    order = np.lexsort((np.arange(n_ops), o_start, key))
    a, c = order[:-1], order[1:]
    fits = (
        (key[a] == key[c])
        & (count[a] == 1)
        & (count[c] == 1)
        & (o_start[c] - o_start[a] < 240)
        & (ops.job[a] != ops.job[c])
        & (o_end[a] <= o_start[c])
        & (need_ml[a] + need_ml[c] < 1500)
    )
    chosen = np.flatnonzero(fits & (rng.random(len(fits)) < min(1.0, p.shared_cup * 3)))
    chosen = chosen[np.concatenate([[True], np.diff(chosen) > 1])] if len(chosen) else chosen
    if len(chosen) > 1:  # a run of neighbours: no operation may be in two pairs
        used = np.zeros(n_ops, bool)
        keep = []
        for i in chosen:
            if not used[a[i]] and not used[c[i]]:
                used[a[i]] = used[c[i]] = True
                keep.append(i)
        chosen = np.array(keep, dtype=np.int64)
    second_of[c[chosen]] = a[chosen]

    own = second_of < 0
    link_op = np.repeat(np.arange(n_ops)[own], count[own])
    n_own = len(link_op)
    first_cup = np.full(n_ops, -1)
    first_cup[link_op[::-1]] = np.arange(n_own)[::-1]
    follow = np.flatnonzero(~own)
    link_cup = np.concatenate([np.arange(n_own), first_cup[second_of[follow]]])
    link_op = np.concatenate([link_op, follow])
    portion = 1 / np.maximum(np.where(own, count, 1), 1)[link_op]
    wobble = np.exp(rng.normal(0, 0.08, len(link_op)))
    total = np.bincount(link_op, portion * wobble, n_ops)
    portion = portion * wobble / total[link_op]

    # flush: at each change of cup, paid by the operation after which the gun gets another cup
    order = np.lexsort((o_start, ops.gun))
    nxt = np.full(n_ops, -1)
    same_gun = ops.gun[order[:-1]] == ops.gun[order[1:]]
    nxt[order[:-1][same_gun]] = order[1:][same_gun]
    main_cup = first_cup.copy()
    main_cup[follow] = first_cup[second_of[follow]]
    pays = (nxt < 0) | (main_cup[nxt] != main_cup)
    ops.flush = np.where(pays, b.flush_g[ops.gun] * np.exp(rng.normal(0, 0.15, n_ops)), 0.0)

    # cups nobody sprayed a job from: parts, test cards, trials
    n_loose = rng.poisson(p.cup_without_job * n_own)
    roles = np.array([shop.product[r] for r in ("base", "clear", "surfacer", "sealer")])
    n_cups = n_own + n_loose
    cup_op = link_op[:n_own]
    product = np.concatenate([ops.product[cup_op], roles[rng.integers(0, 4, n_loose)]])
    colour = np.concatenate([jobs.colour[ops.job[cup_op]], rng.integers(0, p.colours, n_loose)])
    colour = np.where(colour_matters[product], colour, -1)
    job = np.concatenate([ops.job[cup_op], np.full(n_loose, -1)])
    mixer = np.concatenate([ops.tech[cup_op], shop.painters[rng.integers(0, len(shop.painters), n_loose)]])
    lo, hi = (o_start.min(), o_start.max()) if n_ops else (0, 1)
    loose_at = lo + np.floor(rng.random(n_loose) * max(hi - lo, 1)).astype(np.int64)
    loose_at = loose_at - loose_at % 1440 + 540 + loose_at % 300
    first = np.concatenate([o_start[cup_op] - rng.integers(6, 30, n_own), loose_at])
    last = np.zeros(n_cups, np.int64)
    np.maximum.at(last, link_cup, o_end[link_op])
    last[n_own:] = loose_at + 30

    parts = b.product_mix[product].copy()
    for (shop_index, prod), mix in b.toner_mix.items():
        if shop_index == s:
            here = product == prod
            parts[here] += mix[colour[here]]
    parts *= np.exp(rng.normal(0, 0.012, parts.shape))
    parts /= parts.sum(axis=1, keepdims=True)
    per_g = b.solids_volume / b.density  # mL of solids per g of component
    conc = (parts * per_g).sum(axis=1) * np.exp(rng.normal(0, p.solids_sd, n_cups))
    density = 1 / (parts / b.density).sum(axis=1)

    def gone_of(conc_now: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        link = ops.sprayed[link_op] * portion / conc_now[link_cup] + ops.flush[link_op] * portion
        gone = np.bincount(link_cup, link, n_cups)
        gone[n_own:] = loose_gone
        return link, gone

    loose_gone = rng.uniform(20, 250, n_loose)
    link_g, gone = gone_of(conc)
    lam = np.clip(
        rng.gamma((p.leftover_mean / p.leftover_sd) ** 2, p.leftover_sd**2 / p.leftover_mean, n_cups), 0.002, 0.6
    )
    smallest = np.array([q.min_mix_ml for q in PRODUCTS])[product] * density
    poured = np.maximum(gone / (1 - lam), smallest * np.exp(rng.normal(0.0, 0.02, n_cups)))
    poured = np.maximum(poured, gone * 1.002)
    leftover = poured - gone

    # kept leftovers of one-pack products, and the next cup of that product and colour that takes one in
    one_pack = np.array([q.pot_life is None and q.role in ("base", "mid_coat") for q in PRODUCTS])
    kept = one_pack[product] & (rng.random(n_cups) < p.kept * 2) & (leftover > 25) & (job >= 0)
    donor, donated = np.full(n_cups, -1), np.zeros(n_cups)
    key = product * 1000 + np.maximum(colour, 0)
    order = np.lexsort((np.arange(n_cups), first, key))
    a, c = order[:-1], order[1:]
    takes = (
        (key[a] == key[c])
        & kept[a]
        & ~kept[c]
        & (first[c] > last[a] + 60)
        & (job[c] >= 0)
        & (gone[c] > 60)
        & (rng.random(len(a)) < p.poured_on)
    )
    donor[c[takes]] = a[takes]
    receives = donor >= 0
    for _ in range(8):  # the mixture decides how much is needed, and that decides the mixture
        donated[receives] = np.minimum(0.9 * leftover[donor[receives]], 0.5 * poured[receives])
        share = np.where(receives, donated / poured, 0.0)
        mixed = (1 - share) * conc + share * conc[np.where(receives, donor, 0)]
        link_g, gone = gone_of(np.where(receives, mixed, conc))
        poured = np.where(receives, gone / (1 - lam), poured)
    leftover = poured - gone
    conc = np.where(receives, mixed, conc)

    recorded = rng.random(n_cups) >= p.operation_without_cup
    recorded |= np.isin(np.arange(n_cups), np.concatenate([donor[receives], link_cup[n_own:]]))
    recorded[receives] = True
    between, between_g = np.full(n_cups, -1), np.zeros(n_cups)
    for i in np.flatnonzero(~own):  # few: pairs alone
        cup = first_cup[second_of[i]]
        if rng.random() < 0.35 and o_start[i] - o_end[second_of[i]] > 3:
            between[cup] = o_end[second_of[i]] + 1
            between_g[cup] = poured[cup] - link_g[np.flatnonzero((link_cup == cup) & (link_op == second_of[i]))[0]]
    ops.rts_g = np.bincount(link_op, link_g, n_ops) - ops.flush
    ops.recorded = np.bincount(link_op, recorded[link_cup], n_ops) == np.bincount(link_op, minlength=n_ops)
    return _Cups(
        product,
        colour,
        job,
        mixer,
        parts,
        conc,
        gone,
        poured,
        leftover,
        first,
        last,
        link_op,
        link_cup,
        link_g,
        donor,
        donated,
        kept,
        recorded,
        between,
        between_g,
    )


def _mean_concentration(b: Business) -> np.ndarray:
    """Solids volume fraction of each product before toners."""
    m = b.product_mix / b.product_mix.sum(axis=1, keepdims=True)
    return (m / b.density * b.solids_volume).sum(axis=1) / (m / b.density).sum(axis=1)


def _cup_tables(
    p: Parameters,
    b: Business,
    s: int,
    shop: ShopTruth,
    ids: _Ids,
    jobs: _Jobs,
    ops: _Ops,
    cups: _Cups,
    tech: np.ndarray,
    start: np.ndarray,
    end: np.ndarray,
    month: dt.date,
    rng: np.random.Generator,
) -> dict[str, pl.DataFrame]:
    """pours, leftovers, draws and truth_cups."""
    n_cups = len(cups.product)
    own_g = cups.poured - cups.donated
    # a job either states its draws or leaves them to the job number on the cups; what serves two jobs is always stated
    states = rng.random(len(jobs.kind)) < p.explicit_draws
    shared = np.bincount(cups.link_cup, minlength=n_cups) > 1
    states[ops.job[cups.link_op[shared[cups.link_cup]]]] = True
    on_cup = (cups.job >= 0) & (~states[np.maximum(cups.job, 0)] | (rng.random(n_cups) < 0.4)) & ~shared

    cup, comp = np.nonzero(cups.parts > 0)
    grams = own_g[cup] * cups.parts[cup, comp]
    seq = np.arange(len(cup)) - np.searchsorted(cup, cup)
    odd = rng.random(len(cup))
    twice = (odd < p.odd_pours) & (grams > 4)  # topped up, or a little taken out again
    taken_out = twice & (odd < p.odd_pours * 0.25)
    rep = 1 + twice
    row = np.repeat(np.arange(len(cup)), rep)
    second = np.concatenate([[False], row[1:] == row[:-1]]) if len(row) else np.zeros(0, bool)
    piece = np.where(taken_out[row], 1.06, 0.85)
    part = np.where(second, 1 - piece, piece)
    value = np.where(twice[row], grams[row] * part, grams[row])
    weighed = np.round(value + rng.normal(0, 0.05, len(value)), 1)
    weighed = np.where(second | (weighed > 0.05), weighed, 0.1)
    # one shop measures its reducers in a graduated jug: whole millilitres, turned into grams
    reducer = np.array([k == "reducer" for k in b.component_kinds])
    by_volume = reducer[comp[row]] & (shop.style == 1) & ~twice[row]
    density = b.density[comp[row]]
    ml = np.maximum(np.round(value * np.exp(rng.normal(0, 0.015, len(value))) / density), 1)
    weighed = np.where(by_volume, ml * density, weighed)
    cup_r = cup[row]
    target = np.where(rng.random(n_cups)[cup_r] < 0.7, np.round(np.where(second, np.nan, grams[row]), 1), np.nan)
    # a kept leftover goes in first
    receives = np.flatnonzero(cups.donor >= 0)
    all_cup = np.concatenate([receives, cup_r])
    rank = np.concatenate([np.full(len(receives), -1), seq[row]])
    is_second = np.concatenate([np.zeros(len(receives), bool), second])
    order = np.lexsort((is_second, rank, all_cup))
    from_mix = np.concatenate([cups.donor[receives], np.full(len(cup_r), -1)])[order]
    comp_all = np.concatenate([np.full(len(receives), -1), comp[row]])[order]
    weighed = np.concatenate([np.round(cups.donated[receives], 1), weighed])[order]
    by_volume = np.concatenate([np.zeros(len(receives), bool), by_volume])[order]
    target = np.concatenate([np.full(len(receives), np.nan), target])[order]
    all_cup = all_cup[order]
    keep = cups.recorded[all_cup]
    from_mix, comp_all, weighed, target, all_cup, by_volume = (
        x[keep] for x in (from_mix, comp_all, weighed, target, all_cup, by_volume)
    )
    no = np.arange(len(all_cup)) - np.searchsorted(all_cup, all_cup) + 1
    scale = rng.integers(0, len(shop.scales), n_cups)
    ready = np.array([len(q.mix) == 1 for q in PRODUCTS])[cups.product]
    pours = pl.DataFrame(
        {
            "shop_id": ids.shop(len(all_cup)),
            "mix_id": ids.mix(all_cup),
            "pour_no": no,
            "poured_at": _minute(cups.first[all_cup] + np.minimum((no - 1) // 3, 4)),
            "product_id": _labels([q.product_id for q in PRODUCTS], cups.product[all_cup]),
            "component_id": _labels(b.component_ids, comp_all),
            "from_mix_id": pl.select(
                pl.when(pl.Series(from_mix) >= 0).then(ids.mix(np.maximum(from_mix, 0))).otherwise(None)
            ).to_series(),
            "weighed_g": weighed,
            "target_g": pl.Series(target).fill_nan(None),
            "technician_id": _labels(b.technician_ids, cups.tech[all_cup]),
            "scale_id": _labels(shop.scales, scale[all_cup]),
            "colour_id": _labels(shop.colours, cups.colour[all_cup]),
            "measured_by": _labels(["scale", "ready", "volume"], np.where(by_volume, 2, ready[all_cup])),
            "job_id": _job_label(ids, np.where(on_cup, cups.job, -1)[all_cup]),
        }
    )

    # weigh-backs: small leftovers are weighed a little less often, one technician never does
    prob = b.weigh_prob[cups.tech]
    prob = np.where(cups.leftover < 12, prob * (1 - 0.25 * (1 - prob)), prob)
    weighs = ((rng.random(n_cups) < prob) | cups.kept) & cups.recorded
    weighs |= np.isin(np.arange(n_cups), cups.donor[receives])
    weighs |= cups.between >= 0
    donors = np.zeros(n_cups, bool)
    donors[cups.donor[receives]] = True
    at_end = np.flatnonzero(weighs)
    mid = np.flatnonzero(cups.between >= 0)
    later = np.flatnonzero(cups.kept & weighs & ~donors & (rng.random(n_cups) < 0.7))
    lo_cup = np.concatenate([mid, at_end, later])
    lo_no = np.concatenate(
        [np.ones(len(mid), np.int64), 1 + (cups.between[at_end] >= 0), 2 + (cups.between[later] >= 0)]
    )
    last_day = cups.last[later] + 1440 * rng.integers(3, 45, len(later))
    lo_at = np.concatenate([cups.between[mid], cups.last[at_end] + rng.integers(4, 30, len(at_end)), last_day])
    dried = cups.leftover[later] * rng.uniform(0.97, 1.0, len(later))
    lo_g = np.concatenate([cups.between_g[mid], cups.leftover[at_end], dried])
    lo_g = np.round(np.maximum(lo_g + rng.normal(0, 0.05, len(lo_g)), 0), 1)
    fate_kept = np.concatenate([np.ones(len(mid), bool), cups.kept[at_end], np.zeros(len(later), bool)])
    # the scale's own noise must not let a cup grow between two weighings
    order = np.lexsort((lo_no, lo_cup))
    lo_cup, lo_no, lo_at, lo_g, fate_kept = (x[order] for x in (lo_cup, lo_no, lo_at, lo_g, fate_kept))
    for _ in range(2):
        again = np.concatenate([[False], lo_cup[1:] == lo_cup[:-1]]) if len(lo_cup) else np.zeros(0, bool)
        lo_g[again] = np.minimum(lo_g[again], lo_g[np.flatnonzero(again) - 1])
    leftovers = pl.DataFrame(
        {
            "shop_id": ids.shop(len(lo_cup)),
            "mix_id": ids.mix(lo_cup),
            "weigh_no": lo_no,
            "weighed_at": _minute(lo_at),
            "leftover_g": lo_g,
            "fate": _labels(["discarded", "kept"], fate_kept.astype(np.int64)),
        }
    )

    # draws
    rec = cups.recorded[cups.link_cup] & states[ops.job[cups.link_op]]
    d_op, d_cup = cups.link_op[rec], cups.link_cup[rec]
    link_g = cups.link_g[rec]
    gone = cups.gone[d_cup]
    several = shared[d_cup]
    says = rng.random(n_cups)[d_cup] < 0.5
    share = np.clip(np.floor(link_g / np.maximum(gone, 1e-9) * 100) / 100, 0.01, 1.0)
    share = np.where(several & says & (cups.between[d_cup] < 0), share, np.nan)
    order = np.lexsort((d_cup, jobs.op_no[ops.job[d_op], ops.slot[d_op]], ops.job[d_op]))
    draws = pl.DataFrame(
        {
            "shop_id": ids.shop(len(d_op)),
            "job_id": ids.job(ops.job[d_op]),
            "operation_no": jobs.op_no[ops.job[d_op], ops.slot[d_op]],
            "mix_id": ids.mix(d_cup),
            "share": pl.Series(share).fill_nan(None),
        }
    )[order]
    truth = pl.DataFrame(
        {
            "shop_id": ids.shop(n_cups),
            "mix_id": ids.mix(np.arange(n_cups)),
            "product_id": _labels([q.product_id for q in PRODUCTS], cups.product),
            "poured_g": cups.poured,
            "gone_g": cups.gone,
            "leftover_g": cups.leftover,
            "donated_g": np.bincount(np.maximum(cups.donor, 0), cups.donated, n_cups),
            "ml_solids_per_g": cups.ml_solids_per_g,
            "recorded": cups.recorded,
            "weighed_back": weighs,
            "operations": np.bincount(cups.link_cup, minlength=n_cups),
        }
    )
    return {"pours": pours, "leftovers": leftovers, "draws": draws, "truth_cups": truth}


def _job_label(ids: _Ids, index: np.ndarray) -> pl.Series:
    return pl.select(pl.when(pl.Series(index) >= 0).then(ids.job(np.maximum(index, 0))).otherwise(None)).to_series()


def _job_tables(
    p: Parameters,
    b: Business,
    shop: ShopTruth,
    ids: _Ids,
    jobs: _Jobs,
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
            "vehicle_class": _labels(biz.VEHICLE_CLASSES, vehicle),
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
    pressure = np.where(says_pressure, np.round(pressure_max * rng.uniform(0.85, 1.08, len(j)), 0), np.nan)
    redo = np.zeros(len(j), np.int64)
    for slot, of in _REDO_OF.items():
        redo = np.where(k == slot, jobs.op_no[j, of], redo)
    booth = np.where(spray, rng.integers(0, len(shop.booths), len(j)), -1)
    operations = pl.DataFrame(
        {
            "shop_id": ids.shop(len(j)),
            "job_id": ids.job(j),
            "operation_no": jobs.op_no[j, k],
            "kind": _labels(["spray", "hand", "sand", "polish"], kinds),
            "removal": _labels(["scuff", "cut", "strip"], removal),
            "removed_um": pl.Series(removed).fill_nan(None),
            "started_at": _minute(start[j, k]),
            "ended_at": _minute(end[j, k]),
            "technician_id": _labels(b.technician_ids, tech[j, k]),
            "gun_id": _labels(b.gun_ids, gun[j, k]),
            "product_id": _labels([q.product_id for q in PRODUCTS], product),
            "tip_mm": pl.Series(np.full(len(j), np.nan)).fill_nan(None),
            "inlet_kpa": pl.Series(pressure).fill_nan(None),
            "coats": pl.Series(coats).replace(-1, None),
            "booth_id": _labels(shop.booths, booth),
            "redo_of": pl.Series(redo).replace(0, None),
        }
    )

    # sand and polish name their panels where they did not concern all of them, and sometimes anyway
    named = jobs.fraction > 0
    exists_outer = (jobs.panel >= 0) & (np.arange(N_SLOT_PANELS) < N_OUTER)
    all_of_them = (named | ~exists_outer[:, None, :])[:, :, :N_OUTER].all(axis=2) & ~(jobs.panel[:, N_OUTER:] >= 0).any(
        axis=1
    )[:, None]
    silent = (
        all_of_them & ~_SPRAY[None, :] & (np.arange(len(SLOTS)) != HAND)[None, :] & (rng.random(named.shape[:2]) < 0.6)
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
            "panel_id": _labels(biz.PANELS, jobs.panel[a, q]),
            "face": _labels(biz.FACES, jobs.face[a, q]),
            "area_m2": pl.Series(area).fill_nan(None),
            "covered_fraction": f,
            "substrate": _labels(["steel", "aluminium", "plastic"], np.where(says_substrate, substrate, -1)[a, q]),
        }
    )
    return {"jobs": out_jobs, "operations": operations, "operation_panels": panels}


#: Reading stages: after which slot, and the probability that a read job has it. -1 = before anything.
_STAGES = (
    (-1, 0.35), (CUT_FILLER, 0.75), (SURFACER, 0.75), (SCUFF, 0.93), (SEALER, 0.15), (BASE, None), (CLEAR, 0.95),
    (CLEAR_REDO, 0.75), (POLISH, 0.25),
)  # fmt: skip


def _readings(
    p: Parameters,
    b: Business,
    shop: ShopTruth,
    ids: _Ids,
    jobs: _Jobs,
    film: np.ndarray,
    tech: np.ndarray,
    start: np.ndarray,
    end: np.ndarray,
    rng: np.random.Generator,
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Readings of all stages, and the true film of each operation on each panel.

    The film of a panel is a field over nine places (three rows, three columns) that grows and is sanded in step with
    the operations, so that readings at marked places see the same old film twice; readings at no marked place draw new
    places each time.
    """
    n, P = jobs.panel.shape
    old = np.where(rng.random((n, P)) < 0.15, rng.normal(185, 25, (n, P)), rng.normal(112, 12, (n, P)))
    new = (jobs.kind == NEW_PART)[:, None] & jobs.repaired
    old = np.where(new, rng.normal(23, 2.5, (n, P)), np.maximum(old, 60))
    old = np.where((jobs.kind == TARGET)[:, None], 0.0, old)
    mean = old.copy()
    spread = (0.045 * old) ** 2
    field9 = old[:, :, None] * (1 + rng.normal(0, 0.045, (n, P, 9)))
    last_op = np.zeros((n, P), np.int64)
    last_end = np.where(jobs.op_no > 0, start, 2**60).min(axis=1)[:, None] * np.ones(P, np.int64) - 20

    magnetic = [g for g in shop.gauges if b.gauge_principle[g] == "magnetic"]
    dual = [g for g in shop.gauges if b.gauge_principle[g] == "dual"]
    sonic = [g for g in shop.gauges if b.gauge_principle[g] == "ultrasonic"]
    reads = rng.random(n) < p.read_job
    reads &= jobs.kind != TARGET
    positioned = rng.random(n) < p.positioned
    if shop.style == 1:
        positioned[:] = True  # this shop's job log has nine boxes and nothing else
    gauge = np.full((n, P), dual[0])
    if magnetic:
        gauge[rng.random(n) < 0.35] = magnetic[0]
    aluminium = (jobs.panel >= 0) & biz.ALUMINIUM[jobs.vehicle[:, None], np.maximum(jobs.panel, 0)]
    gauge[aluminium] = dual[0]
    can = (jobs.panel >= 0) & (np.arange(P) < N_OUTER) & ~jobs.plastic
    if sonic:
        plastic_read = jobs.plastic & (jobs.panel >= 0) & (rng.random((n, P)) < 0.3)
        can |= plastic_read
        gauge[jobs.plastic] = sonic[0]
    # a panel is read as a rule in every stage or in none; painted panels alone
    read_panel = can & (rng.random((n, P)) < p.read_panel) & reads[:, None]
    has_mid = rng.random(n) < p.mid_reading
    witness = np.zeros(n, bool)
    if shop.style == 0:
        witness = (
            reads
            & (rng.random(n) < p.witness * 0.3)
            & (jobs.op_no[:, BASE] > 0)
            & ~has_mid
            & (jobs.op_no[:, BASE_REDO] == 0)
        )
    count = _pick(rng, n * P, np.arange(3, 6), [0.15, 0.7, 0.15]).reshape(n, P)

    rows: dict[str, list[np.ndarray]] = {
        k: [] for k in ("job", "place", "after", "row", "col", "no", "value", "at", "gauge", "strip")
    }
    truth: dict[str, list[np.ndarray]] = {k: [] for k in ("job", "slot", "place", "film", "area", "fraction")}
    strip_mean, strip_whole = np.zeros(n), np.zeros(n)
    strip_on = np.zeros(n, bool)

    def look(stage: np.ndarray, job_now: np.ndarray) -> None:
        """Read the panels of `stage` (J, P) and add the rows."""
        stage = stage & job_now[:, None]
        for by_place in (True, False):
            jj, pp = np.nonzero(stage & (positioned == by_place)[:, None])
            if not len(jj):
                continue
            if by_place:
                places = np.tile(np.arange(9), (len(jj), 1))
                seen = rng.random(places.shape) >= p.lost_reading
                true = field9[jj, pp]
            else:
                places = np.tile(np.arange(5), (len(jj), 1))
                seen = places < count[jj, pp][:, None]
                true = mean[jj, pp][:, None] + np.sqrt(spread[jj, pp])[:, None] * rng.normal(0, 1, places.shape)
            g = gauge[jj, pp]
            value = b.gauge_offset[g][:, None] + b.gauge_gain[g][:, None] * true
            value = value + rng.normal(0, p.gauge_noise_um, true.shape) + 0.01 * true * rng.normal(0, 1, true.shape)
            r, c = np.nonzero(seen)
            number = places[r, c] + 1
            add(jj[r], pp[r], last_op[jj, pp][r], value[r, c], last_end[jj, pp][r] + 4, g[r], number,
                _ROWS9[places[r, c]] if by_place else np.full(len(r), -1),
                _COLS9[places[r, c]] if by_place else np.full(len(r), -1), np.zeros(len(r), np.int64))  # fmt: skip

    def add(job, place, after, value, at, g, no, row, col, strip) -> None:  # type: ignore[no-untyped-def]
        for key, x in (
            ("job", job),
            ("place", place),
            ("after", after),
            ("value", value),
            ("at", at),
            ("gauge", g),
            ("no", no),
            ("row", row),
            ("col", col),
            ("strip", strip),
        ):
            rows[key].append(x)

    def look_at_strips(jj: np.ndarray, through: int) -> None:
        """Three readings on the strip of the first panel; a strip is bare when it is taped on, at the same stage.

        `through` 1: the strip that is pulled before clear; 2: the one that stays on a bumper to the end.
        """
        if not len(jj):
            return
        true = (strip_mean if through == 1 else strip_whole)[jj][:, None] * (1 + rng.normal(0, 0.05, (len(jj), 3)))
        g = np.full(len(jj), dual[0])
        value = (
            b.gauge_offset[g][:, None] + b.gauge_gain[g][:, None] * true + rng.normal(0, p.gauge_noise_um, true.shape)
        )
        r, c = np.nonzero(np.ones(true.shape, bool))
        none = np.full(len(r), -1)
        add(
            jj[r], np.zeros(len(r), np.int64), last_op[jj, 0][r], value[r, c], last_end[jj, 0][r] + 4, g[r], c + 1,
            none, none, np.full(len(r), through),
        )  # fmt: skip

    def sand(slot: int, amount: np.ndarray) -> None:
        nonlocal mean, field9, spread
        on = (jobs.fraction[:, slot] > 0) & (jobs.op_no[:, slot] > 0)[:, None]
        take = np.where(on, np.minimum(amount, 0.9 * mean), 0.0)
        mean = mean - take
        field9 = np.maximum(field9 - take[:, :, None] * (1 + 0.15 * rng.normal(0, 1, field9.shape)), 0.0)
        spread = spread + (0.15 * take) ** 2

    stage_of = dict(_STAGES)
    job_has = {slot: rng.random(n) < (p.mid_reading if prob is None else prob) for slot, prob in _STAGES}
    job_has[BASE] = has_mid
    job_has[SURFACER] |= job_has[CUT_FILLER] & (rng.random(n) < 0.8)
    touched = (jobs.fraction > 0).any(axis=1)
    primed = (jobs.fraction[:, [EPOXY, SURFACER, WASH]] > 0).any(axis=1)
    look(read_panel & touched, job_has[-1])
    for slot, (kind, role, _) in enumerate(SLOTS):
        on_op = jobs.op_no[:, slot] > 0
        on = (jobs.fraction[:, slot] > 0) & on_op[:, None]
        if slot == BASE:
            # strips are taped on just before base, and read bare
            strip_on = witness & on[:, 0] & (jobs.panel[:, 0] >= 0)
            look_at_strips(np.flatnonzero(strip_on), 1)
            look_at_strips(np.flatnonzero(strip_on & jobs.plastic[:, 0]), 2)
        if kind == "spray" and role:
            f = film[:, slot]
            part = jobs.fraction_true[:, slot]
            t = tech[:, slot]
            tilt = b.tilt[t][:, None, None] * ((2 - _ROWS9) / 2)
            edge = b.edge[t][:, None, None] * np.where(_ROWS9 == 2, -2 / 3, 1 / 3)
            # a blend runs out along the stroke; each marked place lies somewhere in its third
            x = (_COLS9 - 1 + rng.random((n, P, 9))) / 3
            cover = np.clip((part[:, :, None] + 0.1 - x) / 0.2, 0, 1)
            cover = (
                np.where((part > 0.1) & (part < 0.9), 1, 0)[:, :, None] * cover
                + np.where((part > 0.1) & (part < 0.9), 0, np.where(part >= 0.9, np.minimum(part, 1), part))[:, :, None]
            )
            deposit = f[:, :, None] * cover * (1 + tilt + edge + p.within_cv * rng.normal(0, 1, (n, P, 9)))
            field9 = field9 + np.maximum(deposit, 0)
            mean = mean + f
            spread = spread + (p.within_cv * f) ** 2
            if slot == BASE:
                strip_mean = f[:, 0] * (1 + rng.normal(0, 0.10, n))
            if slot in (BASE, MID, CLEAR):
                strip_whole = strip_whole + f[:, 0] * (1 + rng.normal(0, 0.10, n))
            a, q = np.nonzero(on)
            for key, x_ in (("job", a), ("slot", np.full(len(a), slot)), ("place", q), ("film", f[a, q]),
                            ("area", jobs.area_true[a, q]), ("fraction", part[a, q])):  # fmt: skip
                truth[key].append(x_)
        elif slot == STRIP:
            mean = np.where(on, 0.0, mean)
            field9 = np.where(on[:, :, None], 0.0, field9)
            spread = np.where(on, 0.0, spread)
        elif slot == HAND:
            fill = np.where(on, rng.uniform(150, 600, (n, P)), 0.0)
            mean, field9 = mean + fill, field9 + fill[:, :, None] * (1 + rng.normal(0, 0.1, field9.shape))
            spread = spread + (0.1 * fill) ** 2
        elif slot == CUT_FILLER:
            sand(slot, rng.uniform(60, 140, (n, P)))
        elif slot == CUT:
            sand(slot, film[:, SURFACER] * rng.uniform(0.2, 0.45, (n, P)))
        elif slot in (SCUFF, DENIB):
            sand(slot, np.clip(rng.normal(4, 3, (n, P)), 0.5, 12))
        elif slot == CUT_REDO:
            sand(slot, film[:, CLEAR] * rng.uniform(0.3, 0.7, (n, P)))
        elif slot == POLISH:
            sand(slot, np.clip(rng.normal(3, 1.5, (n, P)), 0.5, 8))
        # a sanding that names no panel concerns all of them, and then all were sanded
        sees = on | ((kind in ("sand", "polish")) & (jobs.fraction[:, slot] > 0) & on_op[:, None])
        last_op = np.where(sees, jobs.op_no[:, slot][:, None], last_op)
        last_end = np.where(sees, end[:, slot][:, None], last_end)
        if slot == BASE:
            look_at_strips(np.flatnonzero(strip_on), 1)
        if slot == CLEAR:
            look_at_strips(np.flatnonzero(strip_on & jobs.plastic[:, 0]), 2)
        if slot in stage_of:
            if slot == CUT_FILLER:
                # before the primers: after the filler was cut, or straight after opening where there was none
                look(read_panel & primed & (last_op > 0), job_has[slot] & primed.any(axis=1))
                look(read_panel & primed & (last_op == 0), job_has[slot] & ~job_has[-1])
            elif slot == SURFACER:
                look(read_panel & primed & on, job_has[slot])
            elif slot == SCUFF:
                look(read_panel & touched & (last_op > 0), job_has[slot])
                look(
                    read_panel & touched & (last_op == 0),
                    job_has[slot] & ~job_has[-1] & ~(job_has[CUT_FILLER] & primed.any(axis=1)),
                )
            elif slot == CLEAR:
                look(read_panel & on, job_has[slot])
            else:
                look(read_panel & on, job_has[slot])
        if slot == SINGLE:
            look(read_panel & on, job_has[CLEAR])

    def cat(d: dict[str, list[np.ndarray]], key: str, kind: type = np.int64) -> np.ndarray:
        return np.concatenate(d[key]) if d[key] else np.zeros(0, kind)

    job, place, strip, after = (cat(rows, key) for key in ("job", "place", "strip", "after"))
    panel = jobs.panel[job, place] if len(job) else np.zeros(0, np.int64)
    panel_label = _labels(biz.PANELS, panel)
    # gauges show whole micrometres; the US shops' gauges show hundredths of a mil, 0.254 um
    step = 1.0 if shop.style != 0 else 0.254
    value = np.maximum(np.round(cat(rows, "value", float) / step) * step, 0.0)
    value = np.round(value, 3)
    order = np.lexsort((cat(rows, "no"), strip, place, after, job))
    readings = pl.DataFrame(
        {
            "shop_id": ids.shop(len(job)),
            "job_id": ids.job(job),
            "panel_id": pl.select(_labels(["", "strip_", "strip_whole_"], strip) + panel_label).to_series(),
            "after_operation": after,
            "reading_no": cat(rows, "no"),
            "row": pl.Series(cat(rows, "row")).replace(-1, None),
            "col": pl.Series(cat(rows, "col")).replace(-1, None),
            "reading_um": value,
            "gauge_id": _labels(b.gauge_ids, cat(rows, "gauge")),
            "taken_at": _minute(cat(rows, "at")),
            "witness_of": pl.select(pl.when(pl.Series(strip > 0)).then(panel_label).otherwise(None)).to_series(),
        }
    )[order]
    tj, ts, tp = cat(truth, "job"), cat(truth, "slot"), cat(truth, "place")
    panels = pl.DataFrame(
        {
            "shop_id": ids.shop(len(tj)),
            "job_id": ids.job(tj),
            "operation_no": jobs.op_no[tj, ts] if len(tj) else np.zeros(0, np.int64),
            "panel_id": _labels(biz.PANELS, jobs.panel[tj, tp]) if len(tj) else pl.Series([], dtype=pl.String),
            "face": _labels(biz.FACES, jobs.face[tj, tp]) if len(tj) else pl.Series([], dtype=pl.String),
            "film_um": cat(truth, "film", float),
            "area_m2": cat(truth, "area", float),
            "covered_fraction": cat(truth, "fraction", float),
        }
    )
    return readings, panels


def _targets(b: Business, ids: _Ids, jobs: _Jobs, landed: np.ndarray, cups: _Cups, ops: _Ops) -> pl.DataFrame:
    """Foil targets weighed before and after: what landed, in grams of dry film."""
    o = np.flatnonzero(jobs.kind[ops.job] == TARGET)
    dry = np.zeros(len(ops.job))
    mass = (cups.parts * b.solids_mass).sum(axis=1)
    volume = (cups.parts * b.solids_volume / b.density).sum(axis=1)
    dry[cups.link_op] = (mass / volume)[cups.link_cup]
    landed_g = np.round(ops.landed[o] * dry[o], 2)
    # two foils share the spray
    first = np.round(landed_g * 0.55, 2)
    gain = np.stack([first, landed_g - first], axis=1).ravel()
    before = np.round(np.tile([212.4, 208.7], len(o)), 2)
    oo = np.repeat(o, 2)
    return pl.DataFrame(
        {
            "shop_id": ids.shop(len(oo)),
            "job_id": ids.job(ops.job[oo]),
            "operation_no": jobs.op_no[ops.job[oo], ops.slot[oo]],
            "target_id": pl.Series(["foil_1", "foil_2"] * len(o), dtype=pl.String),
            "before_g": before,
            "after_g": np.round(before + gain, 2),
            "whole": pl.Series([True] * len(oo), dtype=pl.Boolean),
        }
    )


def _truth_frame(b: Business, ids: _Ids, jobs: _Jobs, ops: _Ops, start: np.ndarray) -> pl.DataFrame:
    return pl.DataFrame(
        {
            "shop_id": ids.shop(len(ops.job)),
            "job_id": ids.job(ops.job),
            "operation_no": jobs.op_no[ops.job, ops.slot],
            "started_at": _minute(start[ops.job, ops.slot]),
            "gun_id": _labels(b.gun_ids, ops.gun),
            "technician_id": _labels(b.technician_ids, ops.tech),
            "product_id": _labels([q.product_id for q in PRODUCTS], ops.product),
            "role": _labels(ROLES, ops.role),
            "atomising": _labels(
                list(biz.ATOMISING_EFFECT),
                np.array([list(biz.ATOMISING_EFFECT).index(x) for x in b.atomising])[ops.gun],
            ),
            "area_m2": ops.area,
            "area_class": _labels(AREA_CLASSES, ops.area_class),
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


def _summary_truth(p: Parameters, b: Business, truth: dict[str, pl.DataFrame]) -> dict[str, pl.DataFrame]:
    """truth_cells, truth_guns, truth_technicians, truth_pairs and truth_gauges."""
    cells = (
        truth["truth_operations"]
        .group_by("shop_id", "gun_id", "technician_id", "role")
        .agg(
            pl.len().alias("operations"),
            pl.col("eta").mean().exp().alias("te"),
            (pl.col("landed_solids_ml").sum() / pl.col("sprayed_solids_ml").sum()).alias("ratio"),
            pl.col("sprayed_solids_ml").sum(),
        )
        .sort("shop_id", "gun_id", "technician_id", "role")
    )
    litres = truth["truth_operations"].group_by("gun_id").agg((pl.col("sprayed_g").sum() / 1000).alias("sprayed_kg"))
    guns = (
        pl.DataFrame(
            {
                "gun_id": b.gun_ids,
                "atomising": b.atomising.tolist(),
                "effect": np.exp(b.gun_effect),
                "wear_log_te_per_day": b.wear_per_day,
            }
        )
        .join(litres, on="gun_id", how="left")
        .with_columns(pl.col("sprayed_kg").fill_null(0.0))
        .sort("gun_id")
    )
    technicians = pl.DataFrame(
        {
            "technician_id": b.technician_ids,
            "effect": np.exp(b.technician_effect),
            "weigh_prob": b.weigh_prob,
            "tilt": b.tilt,
            "edge": b.edge,
            "build_habit_base": b.build_habit[:, ROLES.index("base")],
            "build_habit_clear": b.build_habit[:, ROLES.index("clear")],
        }
    )
    g, t = np.meshgrid(np.arange(len(b.gun_ids)), np.arange(len(b.technician_ids)), indexing="ij")
    pairs = pl.DataFrame(
        {
            "gun_id": _labels(b.gun_ids, g.ravel()),
            "technician_id": _labels(b.technician_ids, t.ravel()),
            "effect": np.exp(b.pair_effect.ravel()),
        }
    ).join(cells.select("gun_id", "technician_id").unique(), on=["gun_id", "technician_id"], how="semi")
    gauges = pl.DataFrame({"gauge_id": b.gauge_ids, "offset_um": b.gauge_offset, "gain": b.gauge_gain})
    return {
        "truth_cells": cells,
        "truth_guns": guns,
        "truth_technicians": technicians,
        "truth_pairs": pairs.sort("gun_id", "technician_id"),
        "truth_gauges": gauges,
    }


# ------------------------------------------------------------------------------------------------------- small tables
_T, _F, _I, _D, _DT = pl.String(), pl.Float64(), pl.Int64(), pl.Date(), pl.Datetime("us")
_SMALL: dict[str, dict[str, pl.DataType]] = {
    "cleaning": {
        "shop_id": _T,
        "cleaning_no": _T,
        "used_at": _DT,
        "component_id": _T,
        "purpose": _T,
        "gun_id": _T,
        "issued_g": _F,
        "recovered_g": _F,
    },
    "unscaled_use": {"shop_id": _T, "use_no": _T, "used_at": _DT, "component_id": _T, "mass_g": _F, "job_id": _T},
    "stock": {
        "shop_id": _T,
        "document_no": _T,
        "line_no": _I,
        "happened_on": _D,
        "component_id": _T,
        "movement": _T,
        "mass_g": _F,
        "voc_mass_fraction": _F,
        "document_ref": _T,
    },
    "gauge_checks": {"gauge_id": _T, "checked_at": _DT, "shim_um": _F, "check_no": _I, "reading_um": _F},
    "scale_checks": {"scale_id": _T, "checked_at": _DT, "weight_g": _F, "check_no": _I, "reading_g": _F},
    "deviations": {
        "shop_id": _T,
        "deviation_no": _T,
        "from_on": _D,
        "to_on": _D,
        "rule": _T,
        "nature": _T,
        "action": _T,
    },
    "target_weighings": {
        "shop_id": _T,
        "job_id": _T,
        "operation_no": _I,
        "target_id": _T,
        "before_g": _F,
        "after_g": _F,
        "whole": pl.Boolean(),
    },
}


def _empty_small_tables() -> dict[str, pl.DataFrame]:
    return {t: pl.DataFrame(schema=schema) for t, schema in _SMALL.items()}


def _small_tables(p: Parameters, b: Business, canonical: dict[str, pl.DataFrame]) -> dict[str, pl.DataFrame]:
    """Cleaning, aerosols, stock, checks and deviations: a few rows a week, made from what the cups used."""
    rng = np.random.default_rng([p.seed, 3])
    rows: dict[str, list[dict[str, Any]]] = {t: [] for t in _SMALL if t != "target_weighings"}
    used = (
        canonical["pours"]
        .filter(pl.col("component_id").is_not_null())
        .group_by("shop_id", pl.col("poured_at").dt.truncate("1mo").dt.date().alias("month"), "component_id")
        .agg(pl.col("weighed_g").sum())
    )
    cups_of = {
        (a, m): n
        for a, m, n in canonical["pours"]
        .group_by("shop_id", pl.col("poured_at").dt.truncate("1mo").dt.date().alias("month"))
        .agg(pl.col("mix_id").n_unique())
        .iter_rows()
    }
    used_of: dict[tuple[str, dt.date], dict[str, float]] = {}
    for shop_id, month, component, grams in used.sort("shop_id", "month", "component_id").iter_rows():
        used_of.setdefault((shop_id, month), {})[component] = grams
    for shop in b.shops:
        stock: dict[str, float] = {}
        cleaning_no = use_no = document = 0
        for m in range(p.months):
            month = biz.add_months(p.start, m)
            out = dict(used_of.get((shop.shop_id, month), {}))
            cups = cups_of.get((shop.shop_id, month), 0)
            noon = dt.datetime.combine(month, dt.time(16, 30))
            for week in range(4):
                for purpose, component, per_cup, back in (
                    ("gun", shop.cleaner, 55.0, 0.72),
                    ("surface", shop.wipe, 22.0, 0.0),
                ):
                    cleaning_no += 1
                    issued = round(cups / 4 * per_cup * float(rng.uniform(0.85, 1.15)), 0)
                    recovered = round(issued * back * float(rng.uniform(0.9, 1.1)), 0) if back else None
                    rows["cleaning"].append(
                        {
                            "shop_id": shop.shop_id,
                            "cleaning_no": f"K{cleaning_no:04d}",
                            "used_at": noon + dt.timedelta(days=4 + 7 * week),
                            "component_id": component,
                            "purpose": purpose,
                            "gun_id": None,
                            "issued_g": issued,
                            "recovered_g": recovered,
                        }
                    )
                    out[component] = out.get(component, 0.0) + issued
                use_no += 1
                mass = round(float(rng.uniform(250, 600)), 0)
                rows["unscaled_use"].append(
                    {
                        "shop_id": shop.shop_id,
                        "use_no": f"U{use_no:04d}",
                        "used_at": noon + dt.timedelta(days=3 + 7 * week),
                        "component_id": "aerosol_guide",
                        "mass_g": mass,
                        "job_id": None,
                    }
                )
                out["aerosol_guide"] = out.get("aerosol_guide", 0.0) + mass
            # booth cleaning once a month
            cleaning_no += 1
            rows["cleaning"].append(
                {
                    "shop_id": shop.shop_id,
                    "cleaning_no": f"K{cleaning_no:04d}",
                    "used_at": noon + dt.timedelta(days=26),
                    "component_id": shop.cleaner,
                    "purpose": "booth",
                    "gun_id": None,
                    "issued_g": 1500.0,
                    "recovered_g": 0.0,
                }
            )
            out[shop.cleaner] = out.get(shop.cleaner, 0.0) + 1500.0
            # deliveries in cans of 5 kg ahead of need, a count at the end of every third month
            document += 1
            line = 0
            delivery = f"D{month:%y%m}-{document:03d}"
            for component, grams in sorted(out.items()):
                have = stock.get(component, 0.0)
                cans = int(np.ceil(max(0.0, 1.35 * grams + 2000 - have) / 5000))
                if cans:
                    line += 1
                    rows["stock"].append(
                        {"shop_id": shop.shop_id, "document_no": delivery, "line_no": line, "happened_on": month,
                         "component_id": component, "movement": "delivered", "mass_g": cans * 5000.0,
                         "voc_mass_fraction": None, "document_ref": f"note {delivery}"}
                    )  # fmt: skip
                    have += cans * 5000.0
                # what really went is a little more than what was recorded: drips, a can knocked over
                lost = grams * float(rng.uniform(0.0, 0.02))
                stock[component] = max(have - grams - lost, 0.0)
            if m % 3 == 2 or m == p.months - 1:
                document += 1
                last = biz.add_months(month, 1) - dt.timedelta(days=1)
                for line, (component, have) in enumerate(sorted(stock.items()), start=1):
                    rows["stock"].append(
                        {"shop_id": shop.shop_id, "document_no": f"C{month:%y%m}-{document:03d}", "line_no": line,
                         "happened_on": last, "component_id": component, "movement": "counted",
                         "mass_g": round(have, -1), "voc_mass_fraction": None, "document_ref": None}
                    )  # fmt: skip
            if m % 4 == 3:
                document += 1
                rows["stock"].append(
                    {"shop_id": shop.shop_id, "document_no": f"W{month:%y%m}-{document:03d}", "line_no": 1,
                     "happened_on": month + dt.timedelta(days=19), "component_id": None, "movement": "shipped_as_waste",
                     "mass_g": round(cups * 4 * float(rng.uniform(18, 30)), -1), "voc_mass_fraction": 0.55,
                     "document_ref": f"manifest {shop.shop_id} {month:%Y-%m}" if m % 8 == 3 else None}
                )  # fmt: skip
        rows["deviations"].append(
            {
                "shop_id": shop.shop_id,
                "deviation_no": "1",
                "from_on": biz.add_months(p.start, 2) + dt.timedelta(days=9),
                "to_on": biz.add_months(p.start, 2) + dt.timedelta(days=10),
                "rule": "booth filter",
                "nature": "filter changed a day late",
                "action": "spare set kept in store",
            }
        )
        days = (biz.add_months(p.start, p.months) - p.start).days
        for g in shop.gauges:
            for d in range(1, days, 14):
                shims = (50.0, 250.0) if g == shop.gauges[0] else (125.0,)
                for shim in shims:
                    value = b.gauge_offset[g] + b.gauge_gain[g] * shim + rng.normal(0, p.gauge_noise_um)
                    rows["gauge_checks"].append(
                        {
                            "gauge_id": b.gauge_ids[g],
                            "checked_at": dt.datetime.combine(p.start + dt.timedelta(days=d), dt.time(7, 45)),
                            "shim_um": shim,
                            "check_no": 1,
                            "reading_um": round(float(value), 1),
                        }
                    )
        for k, scale in enumerate(shop.scales):
            gain = 1 + float(rng.normal(0, 0.0006))
            for d in range(2 + k, days, 7):
                rows["scale_checks"].append(
                    {
                        "scale_id": scale,
                        "checked_at": dt.datetime.combine(p.start + dt.timedelta(days=d), dt.time(7, 50)),
                        "weight_g": 500.0,
                        "check_no": 1,
                        "reading_g": round(500 * gain + float(rng.normal(0, 0.08)), 1),
                    }
                )
    return {t: pl.DataFrame(r, schema=_SMALL[t]) for t, r in rows.items()}


# ------------------------------------------------------------------------------------------------------------- writing
def write_canonical(directory: Path | str, scenario: Scenario) -> list[Path]:
    """Write one plain CSV per table: event tables into inbox/, registers into registers/. Returns the files written."""
    directory = Path(directory)
    out = []
    for folder, tables in (("inbox", scenario.canonical), ("registers", scenario.registers)):
        (directory / folder).mkdir(parents=True, exist_ok=True)
        for name, frame in tables.items():
            if frame.height or folder == "registers":
                path = directory / folder / f"{name}.csv"
                frame.write_csv(path, datetime_format="%Y-%m-%d %H:%M:%S")
                out.append(path)
    return out


def write_demo(directory: Path | str, scenario: Scenario, damage: bool = True):  # type: ignore[no-untyped-def]
    """Write the exports as the three shops would have them, with their layouts and registers: see exports.py."""
    from seed_data import exports  # the exports are made of scenarios; here is only the way in

    return exports.write_demo(directory, scenario, damage)
