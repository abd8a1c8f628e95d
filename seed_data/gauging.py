"""The film gauge: what is read, when, where, and what the gauge makes of the true film.

What belongs here: the field of film on each panel as it grows and is sanded, and the readings of it. What does not: how
much film there is (work.py).
"""

from __future__ import annotations

from typing import Any

import numpy as np
import polars as pl

from seed_data import business as biz
from seed_data.business import Business, Parameters, ShopTruth
from seed_data.plan import (
    BASE,
    BASE_REDO,
    CLEAR,
    CLEAR_REDO,
    CUT,
    CUT_FILLER,
    CUT_REDO,
    DENIB,
    EPOXY,
    HAND,
    MID,
    N_OUTER,
    NEW_PART,
    POLISH,
    SCUFF,
    SEALER,
    SINGLE,
    SLOTS,
    STRIP,
    SURFACER,
    TARGET,
    WASH,
    Ids,
    Jobs,
    labels,
    minute,
    pick,
)

_ROWS9 = np.repeat([1, 2, 3], 3)
_COLS9 = np.tile([1, 2, 3], 3)

#: Reading stages: after which slot, and the probability that a read job has it. -1 = before anything.
_STAGES = (
    (-1, 0.35), (CUT_FILLER, 0.75), (SURFACER, 0.75), (SCUFF, 0.93), (SEALER, 0.15), (BASE, None), (CLEAR, 0.95),
    (CLEAR_REDO, 0.75), (POLISH, 0.25),
)  # fmt: skip


def readings_of(
    p: Parameters,
    b: Business,
    shop: ShopTruth,
    ids: Ids,
    jobs: Jobs,
    film: np.ndarray,
    tech: np.ndarray,
    start: np.ndarray,
    end: np.ndarray,
    rng: np.random.Generator,
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Readings of all stages, and the true film of each operation on each panel, as applied and after the sanding that followed.

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
    reads: np.ndarray = (rng.random(n) < p.read_job) & (jobs.kind != TARGET)
    positioned: np.ndarray = np.asarray(rng.random(n) < p.positioned)
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
    has_mid: np.ndarray = np.asarray(rng.random(n) < p.mid_reading)
    witness = np.zeros(n, bool)
    if shop.style == 0:
        witness = (
            reads
            & (rng.random(n) < p.witness * 0.3)
            & (jobs.op_no[:, BASE] > 0)
            & ~has_mid
            & (jobs.op_no[:, BASE_REDO] == 0)
        )
    count = pick(rng, n * P, np.arange(3, 6), [0.15, 0.7, 0.15]).reshape(n, P)

    rows: dict[str, list[np.ndarray]] = {
        k: [] for k in ("job", "place", "after", "row", "col", "no", "value", "at", "gauge", "strip")
    }
    truth: dict[str, list[np.ndarray]] = {k: [] for k in ("job", "slot", "place", "film", "area", "fraction")}
    sanded, top = (
        np.zeros(film.shape),
        np.full((n, P), -1),
    )  # um taken from each film while it lay on top; which one does
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

    def add(
        job: Any, place: Any, after: Any, value: Any, at: Any, g: Any, no: Any, row: Any, col: Any, strip: Any
    ) -> None:
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
        jj, pp = np.nonzero((top >= 0) & (take > 0))
        sanded[jj, top[jj, pp], pp] += take[jj, pp]

    stage_of = dict(_STAGES)
    job_has = {slot: np.asarray(rng.random(n) < (prob or 0.0)) for slot, prob in _STAGES}
    job_has[BASE] = has_mid
    job_has[SURFACER] = job_has[SURFACER] | (job_has[CUT_FILLER] & (rng.random(n) < 0.8))
    touched = np.asarray(np.any(jobs.fraction > 0, axis=1))
    primed = np.asarray(np.any(jobs.fraction[:, [EPOXY, SURFACER, WASH]] > 0, axis=1))
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
            kept = np.where(start[:, slot] // 1440 >= b.practised[t], biz.PRACTISED, 1.0)
            tilt = (kept * b.tilt[t])[:, None, None] * ((2 - _ROWS9) / 2)
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
            top = np.where(on, slot, top)
            a, q = np.nonzero(on)
            for key, x_ in (("job", a), ("slot", np.full(len(a), slot)), ("place", q), ("film", f[a, q]),
                            ("area", jobs.area_true[a, q]), ("fraction", part[a, q])):  # fmt: skip
                truth[key].append(x_)
        elif slot == STRIP:
            mean = np.where(on, 0.0, mean)
            field9 = np.where(on[:, :, None], 0.0, field9)
            spread = np.where(on, 0.0, spread)
        elif slot == HAND:
            top = np.where(on, -1, top)
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
    panel_label = labels(biz.PANELS, panel)
    # gauges show whole micrometres; the US shops' gauges show hundredths of a mil, 0.254 um
    step = 1.0 if shop.style != 0 else 0.254
    value = np.maximum(np.round(cat(rows, "value", float) / step) * step, 0.0)
    value = np.round(value, 3)
    order = np.lexsort((cat(rows, "no"), strip, place, after, job))
    readings = pl.DataFrame(
        {
            "shop_id": ids.shop(len(job)),
            "job_id": ids.job(job),
            "panel_id": pl.select(labels(["", "strip_", "strip_whole_"], strip) + panel_label).to_series(),
            "after_operation": after,
            "reading_no": cat(rows, "no"),
            "row": pl.Series(cat(rows, "row")).replace(-1, None),
            "col": pl.Series(cat(rows, "col")).replace(-1, None),
            "reading_um": value,
            "gauge_id": labels(b.gauge_ids, cat(rows, "gauge")),
            "taken_at": minute(cat(rows, "at")),
            "witness_of": pl.select(pl.when(pl.Series(strip > 0)).then(panel_label).otherwise(None)).to_series(),
        }
    )[order]
    tj, ts, tp = cat(truth, "job"), cat(truth, "slot"), cat(truth, "place")
    panels = pl.DataFrame(
        {
            "shop_id": ids.shop(len(tj)),
            "job_id": ids.job(tj),
            "operation_no": jobs.op_no[tj, ts] if len(tj) else np.zeros(0, np.int64),
            "panel_id": labels(biz.PANELS, jobs.panel[tj, tp]) if len(tj) else pl.Series([], dtype=pl.String),
            "face": labels(biz.FACES, jobs.face[tj, tp]) if len(tj) else pl.Series([], dtype=pl.String),
            "film_um": cat(truth, "film", float),
            "film_sanded_um": cat(truth, "film", float) - sanded[tj, ts, tp],
            "area_m2": cat(truth, "area", float),
            "covered_fraction": cat(truth, "fraction", float),
        }
    )
    return readings, panels
