"""Guns whose transfer changes: alarms while looking on, steps found looking back, services, wear with use.

Here belongs what is seen in the residuals of the transfer model in the order of time. The model itself stands in linearise.py.

    z_k = (mean before - mean after) / sqrt(1/k + 1/(n - k))    over all splits with 5 or more on either side, last 200 records

All records enter, each for every gun that sprayed a share of it, with that share as its weight: base and clear are mostly read
together. Of two guns whose records are the same the one is called whose series shows the loss best, and what it lost is then
taken off before the other is looked at again.

Followed for losses alone (z_k > 0). No baseline is needed: a new gun is followed from its first record. The alarm level keeps
false alarms at 5 % over 500 records (found by simulation, bench).
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np
import polars as pl
import scipy.sparse as sp
from scipy.special import ndtr

from pipelines.transfer.model import linearise
from pipelines.transfer.model.design import NOBODY
from pipelines.transfer.model.transfer_tables import RECORD
from pipelines.transfer.solver import mixed_model
from pipelines.transfer.solver.mixed_model import Floats, Ints
from pipelines.transfer.solver.table_model import Fitted, Term, labels
from schemas.published import Z95

ALARM = (
    4.10  # 5.0 % false alarms per 500 records (10,000 simulated series of independent normal residuals clipped at 3)
)
CLIP = 3.0
SEGMENT = 5
MEMORY = 200
PENALTY = 9.24  # per step looking back, on standardised residuals; the usual log n gives 21-48 % false alarms
LOOK_BACK = 2000  # records looked back over: the search grows with their square
CORRELATED = 0.1
LEAST_SHARE = 0.1  # of a record, from which it is looked at for a gun
SLICE = 2048  # ends of a series looked at together
LOSS = 0.05  # the loss of transfer that the forecast waits for
FEW = 12
SLOPE_SD = 0.30  # weak prior on a gun's change of log TE over the typical litres of a service period; few guns wear, so
# slopes are not drawn towards one another
DAYS_A_MONTH = 30.4375


def litres_sprayed(
    sprays: pl.DataFrame, sprayed: pl.DataFrame, mixes: pl.DataFrame, gun_services: pl.DataFrame
) -> pl.DataFrame:
    """Every spray operation of a gun with the service period it lies in and the litres sprayed in it before.

    shop_id, job_id, operation_no, gun_id, started_at, since (day of the last service; the gun's first day before any),
    litres. An unweighed leftover counts as usual for the shop.
    """
    operation = ["shop_id", "job_id", "operation_no"]
    volume = (
        sprayed.join(mixes.select("shop_id", "mix_id", "density_g_per_ml"), on=["shop_id", "mix_id"])
        .group_by(operation, maintain_order=True)
        .agg(
            ml=(
                (pl.col("expected_gone_g") - pl.col("flush_g")).clip(lower_bound=0.0) / pl.col("density_g_per_ml")
            ).sum()
        )
    )
    used = (
        sprays.filter(pl.col("gun_id").is_not_null())
        .join(volume, on=operation, how="left")
        .with_columns(pl.col("ml").fill_null(0.0), day=pl.col("started_at").dt.date())
        .sort("gun_id", "started_at", *operation)
    )
    first = used.group_by("gun_id", maintain_order=True).agg(first=pl.col("day").min())
    # cleaning is no service that wear counts from
    services = (
        gun_services.filter(pl.col("work") != "cleaned").select("gun_id", since="serviced_on").unique().sort("since")
    )
    return (
        used.sort("day")
        .join_asof(services, left_on="day", right_on="since", by="gun_id", check_sortedness=False)
        .join(first, on="gun_id")
        .with_columns(since=pl.coalesce("since", "first"))
        .sort("gun_id", "started_at", *operation)
        .with_columns(litres=(pl.col("ml").cum_sum().over("gun_id", "since") - pl.col("ml")) / 1000)
        .select(*operation, "gun_id", "started_at", "since", "litres", "ml")
    )


def residuals(joint: linearise.Joint, record_layers: pl.DataFrame, litres: pl.DataFrame) -> pl.DataFrame:
    """What each record departs from the transfer model by, beside each gun that sprayed part of it: gun by gun in the order of time
    RECORD, record (its number), gun_id, at, litres (ready to spray through the gun so far in this service period, L), since,
    share (of the record, by mean splits), left and its sd, y, v, h.

    m = (D - Dhat)/Dhat + the gun's share of wear as the model has it: a loss that is to be seen must not be explained away.
    left = m less what the other guns' records of the shop's week say; sd^2 = v + h se^2 + PEV of the mean part without wear +
    variance of that week. A change of the gun by d moves left by share x d: y = left/share + u_gun, on (v, h)/share^2.
    """
    d, linear = joint.design, joint.linear
    se2 = float(joint.posterior.sd()[-1] ** 2)
    theta = joint.posterior.theta()
    kind = np.array([kind for kind, _ in d.names])
    bare = mixed_model.Rows.of(joint.layout, sp.csr_matrix(linear.design @ sp.diags((kind != "wear").astype(float))))
    pev = np.maximum(joint.posterior.variance(bare), 0.0)[d.signature_of_record]
    share = linear.mean_share[d.group] / d.in_group
    worn, effect = (d.rows @ np.where(kind == k, theta, 0.0) for k in ("wear", "gun"))
    each = pl.DataFrame({
        "record": d.record, "gun_id": d.row_keys["gun_id"].gather(d.layer_row), "share": share,
        "worn": share * worn[d.layer_row], "effect": effect[d.layer_row],
    }).filter(~pl.col("gun_id").str.starts_with(NOBODY))  # fmt: skip
    each = each.group_by("record", "gun_id", maintain_order=True).agg(
        pl.col("share", "worn").sum(), pl.col("effect").first()
    )
    records = d.keys.with_columns(
        record=pl.int_range(pl.len(), dtype=pl.Int64), miss=pl.Series((d.landed - linear.predicted) / linear.predicted),
        v=pl.Series(linear.v), h=pl.Series(linear.h), total=pl.Series(linear.v + linear.h * se2), pev=pl.Series(pev),
    )  # fmt: skip
    last = (
        record_layers.sort("started_at", maintain_order=True)
        .group_by(*RECORD, "gun_id", maintain_order=True)
        .agg(pl.col("op_job_id", "operation_no").last(), at=pl.col("started_at").last())
    )
    frame = (
        each.join(records, on="record", how="left", maintain_order="left")
        .join(last, on=[*RECORD, "gun_id"], how="left", maintain_order="left")
        .with_columns(
            week=pl.col("at").max().over("record").dt.truncate("1w"), weight=pl.col("share") / pl.col("total")
        )
    )
    # a week in which everything ran low (weather, a batch) is not a gun's: what the others sprayed, shrunk by its own variance
    tau2, week = _week_variance(frame), ["shop_id", "week"]

    def of_others(value: pl.Expr) -> pl.Expr:
        return value.sum().over(week) - value.sum().over(*week, "gun_id") - value.sum().over("record") + value

    precision = of_others(pl.col("weight")) + 1 / tau2 if tau2 > 0 else pl.lit(np.inf)
    frame = frame.with_columns(
        shift=of_others(pl.col("weight") * pl.col("miss")) / precision, shift_var=1 / precision
    ).with_columns(
        left=pl.col("miss") + pl.col("worn") - pl.col("shift"),
        sd=(pl.col("total") + pl.col("pev") + pl.col("shift_var")).sqrt(),
    )  # fmt: skip
    # what the records show of their own spread, from neighbours in time (a step or a slope hardly moves it), counts
    scale = _spread_of_neighbours(frame)
    place = litres.select("shop_id", op_job_id="job_id", operation_no="operation_no", since="since", litres="litres")
    return (
        frame.filter(pl.col("share") >= LEAST_SHARE)
        .with_columns(
            pl.col("sd") * scale,
            y=pl.col("left") / pl.col("share") + pl.col("effect"),
            v=(pl.col("v") + pl.col("shift_var")) * scale**2 / pl.col("share") ** 2,
            h=pl.col("h") * scale**2 / pl.col("share") ** 2,
        )
        .join(place, on=["shop_id", "op_job_id", "operation_no"], how="inner")
        .select(*RECORD, "record", "gun_id", "at", "since", "litres", "share", "left", "sd", "y", "v", "h")
        .sort("gun_id", "at", *RECORD)
    )


def _spread_of_neighbours(frame: pl.DataFrame) -> float:
    """sd of z from differences between a gun's neighbouring records, between 0.5 and 1.5; 1 below 50 differences."""
    step = (
        frame.sort("gun_id", "at", *RECORD)
        .select((pl.col("left") / pl.col("sd")).diff().over("gun_id"))
        .to_series()
        .drop_nulls()
        .to_numpy()
    )
    return float(np.clip(np.sqrt(np.mean(step**2) / 2), 0.5, 1.5)) if len(step) >= 50 else 1.0


def _week_variance(frame: pl.DataFrame) -> float:
    """Variance between shop-weeks of the relative residual, by moments from one week to the next: of a lasting step only one
    such difference knows (von Neumann 1941, Ann. Math. Stat. 12, 367). 0: none is seen."""
    week = (
        frame.group_by("shop_id", "week", maintain_order=True)
        .agg(w=pl.col("weight").sum(), m=(pl.col("weight") * pl.col("miss")).sum() / pl.col("weight").sum())
        .sort("shop_id", "week")
        .select(
            step2=pl.col("m").diff().over("shop_id") ** 2,
            own=1 / pl.col("w") + 1 / pl.col("w").shift(1).over("shop_id"),
        )
        .drop_nulls()
    )  # summed in one order, so that the same tables give the same bytes
    step2, own = week["step2"].to_numpy(), week["own"].to_numpy()
    return max(float(((step2 - own) / own).sum() / (2 / own).sum()), 0.0) if len(own) >= 7 else 0.0


# --- change points ------------------------------------------------------------------------------------------------------


def watch(z: Floats, signal: Floats | None = None, alarm: float = ALARM) -> tuple[int, int, float]:
    """Follow a series record by record. (record at which the alarm rings or -1, first record after the loss, largest z_k).

    z       standardised residuals, sd 1; signal: by how much a change of 1 moves each (all alike if not given): the means before
            and after are weighted by it. An alarm is dated by what was known when it rang: the gun is to be seen to.
    """
    signal = np.ones(len(z)) if signal is None else signal
    sums, info = (np.concatenate([[0.0], np.cumsum(x)]) for x in (signal * z, signal**2))
    rings, change, top = -1, -1, 0.0
    back = np.arange(MEMORY - SEGMENT, SEGMENT - 1, -1)
    for begin in range(2 * SEGMENT, len(z) + 1, SLICE):
        end = np.arange(begin, min(begin + SLICE, len(z) + 1))[:, None]
        start = np.maximum(0, end - MEMORY)
        split = end - back
        far = split < start + SEGMENT
        split = np.where(far, start + SEGMENT, split)
        before, whole = info[split] - info[start], info[end] - info[start]
        part = before / whole
        scores = (sums[split] - sums[start] - part * (sums[end] - sums[start])) / np.sqrt(before * (1 - part))
        scores[far] = -np.inf
        best = scores.max(axis=1)
        top = max(top, float(best.max()))
        if rings < 0 and (best >= alarm).any():
            at = int(np.argmax(best >= alarm))
            rings, change = begin + at - 1, int(split[at, np.argmax(scores[at])])
    return rings, change, top


def steps_back(z: Floats, signal: Floats | None = None) -> list[int]:
    """First records after each step in the mean, looking back: least sum of squares + PENALTY per step, exact. signal: as in
    `watch`.

    The linear-kernel change point problem is this least-squares segmentation; optimal partitioning (Jackson et al. 2005, IEEE
    Signal Process. Lett. 12, 105), every segment of 5 records or more.
    """
    n = len(z)
    signal = np.ones(n) if signal is None else signal
    head, info = (np.concatenate([[0.0], np.cumsum(x)]) for x in (signal * z, signal**2))
    best = np.full(n + 1, np.inf)
    best[0] = -PENALTY
    last = np.zeros(n + 1, int)
    for end in range(SEGMENT, n + 1):
        start = np.arange(0, end - SEGMENT + 1)
        # squares sum to one number over all segments
        total = best[start] - (head[end] - head[start]) ** 2 / (info[end] - info[start]) + PENALTY
        at = int(np.argmin(total))
        best[end], last[end] = total[at], start[at]
    found: list[int] = []
    end = n
    while end > 0 and last[end] > 0:
        end = int(last[end])
        found.append(end)
    return found[::-1]


def lag_one(z: Floats) -> float:
    """Lag-one autocorrelation; nan below 12 values."""
    if len(z) < FEW:
        return float("nan")
    c = z - z.mean()
    total = float(c @ c)
    return float(c[1:] @ c[:-1]) / total if total > 0 else float("nan")


def independent(z: Floats, day: Ints, signal: Floats) -> tuple[Floats, Floats, Ints, float]:
    """The series to follow, each value's signal (see `watch`) and first record, and the lag-one correlation.

    Correlated by more than 0.1 from record to record, values are taken together by day, and scaled to the sd that such days
    would have were they still correlated: z / sqrt((1 + r)/(1 - r)). Otherwise as they are.
    """
    r = lag_one(z)
    if not r > CORRELATED:
        return z, signal, np.arange(len(z)), r
    _, first, code = np.unique(day, return_index=True, return_inverse=True)
    of_day = np.sqrt(np.bincount(code, signal**2))
    daily = np.bincount(code, signal * z) / of_day
    rest = lag_one(daily)
    # within a day the mean of correlated values spreads more than 1/sqrt(n) says
    spread = max(float(np.std(daily)), 1.0) if len(daily) > 2 else 1.0
    if rest > 0:
        rest = min(rest, 0.9)
        spread *= np.sqrt((1 + rest) / (1 - rest))
    return np.clip(daily / spread, -CLIP, CLIP), of_day / spread, first, r


# --- tables -------------------------------------------------------------------------------------------------------------


def wear(found: pl.DataFrame) -> tuple[Fitted, float] | None:
    """y = period's level + slope x litres / typical litres + e, each slope by itself. None below 12 records.

    Returns the fit and the typical litres, the median of periods' litres.
    """
    if found.height < FEW:
        return None
    period = labels(found, "gun_id", "since")
    most = found.group_by("gun_id", "since", maintain_order=True).agg(pl.col("litres").max())["litres"]
    typical = max(float(np.median(most.to_numpy())), 1.0)
    x = found["litres"].to_numpy() / typical
    fitted = Fitted(
        [
            Term("level", period, scale=0.15, local=True),
            Term("wear", period, value=x, prior=(0.0, SLOPE_SD), local=True),
        ],
        np.clip(found["y"].to_numpy(), -1.5, 1.5), found["v"].to_numpy(), found["h"].to_numpy(), 0.15,
    )  # fmt: skip
    return fitted, typical


def gun_drift(frame: pl.DataFrame, litres: pl.DataFrame) -> pl.DataFrame:
    """Table gun_drift, from `residuals`: one row per gun and service period with 12 records or more.

    slope_per_litre with interval; the alarm with the day of the change and the step; months until the next 5 % is lost:
    log(0.95) / (slope x litres a month), its interval from that of the slope (no end where the slope may be 0).
    """
    fitted = wear(frame)
    if fitted is None:
        return pl.DataFrame()
    fit, scale = fitted
    rows: list[dict[str, Any]] = []
    use = litres.group_by("gun_id", "since", maintain_order=True).agg(
        pl.col("ml").sum() / 1000, begin=pl.col("started_at").min(), end=pl.col("started_at").max()
    )
    of_use = {(gun, since): rest for gun, since, *rest in use.iter_rows()}
    for (gun, since), (part, seen) in _looked_at(frame).items():
        mean, var = fit.predict([[("wear", f"{gun}\t{since}", 1.0)]])
        slope, se = float(mean[0]) / scale, float(np.sqrt(var[0])) / scale
        rings, r = seen.changed >= 0, seen.correlation
        step = _step(part, seen.changed) if rings else (None, None, None)
        total, begin, end = of_use[(gun, since)]
        per_month = total / max((end - begin).total_seconds() / 86400 / DAYS_A_MONTH, 1e-9)
        wait = [_months(s, per_month) for s in (slope, slope - Z95 * se, slope + Z95 * se)]
        rows.append({
            "gun_id": gun, "since": since, "slope_per_litre": slope, "low": slope - Z95 * se, "high": slope + Z95 * se,
            "litres": total, "changed_on": part["at"][seen.changed].date() if rings else None,
            "alarm": rings, "until": end.date(), "n": part.height, "z": seen.top, "step": step[0], "step_low": step[1],
            "step_high": step[2], "n_steps": seen.steps, "autocorrelation": None if np.isnan(r) else r,
            "prob_wear": float(ndtr(-slope / se)), "months_to_loss": wait[0], "months_low": wait[1], "months_high": wait[2],
        })  # fmt: skip
    return pl.DataFrame(rows, infer_schema_length=None) if rows else pl.DataFrame()


@dataclass(frozen=True)
class _Look:
    """What the records of a gun's service period show: first record after the loss an alarm rang for (-1: none)."""

    changed: int
    top: float
    steps: int
    correlation: float


def _looked_at(frame: pl.DataFrame) -> dict[tuple[Any, ...], tuple[pl.DataFrame, _Look]]:
    """Each gun's service period of FEW records or more and what it shows, those that lost most surely looked at first.

    The loss of one is taken off the records it shares with others, which are then looked at again.
    """
    parts = {key: part for key, part in frame.group_by("gun_id", "since", maintain_order=True) if part.height >= FEW}
    lost = np.zeros(int(frame["record"].max() or 0) + 1)  # type: ignore[arg-type]

    def look(key: tuple[Any, ...]) -> _Look:
        part = parts[key]
        record, sd, share = (part[name].to_numpy() for name in ("record", "sd", "share"))
        z = np.clip((part["left"].to_numpy() - lost[record]) / sd, -CLIP, CLIP)
        day = part["at"].dt.date().cast(pl.Int32).to_numpy().astype(np.int64)
        series, signal, first, r = independent(z, day, share / sd)
        rings, change, top = watch(series, signal)
        back = steps_back(z[-LOOK_BACK:], (share / sd)[-LOOK_BACK:])
        return _Look(int(first[change]) if rings >= 0 else -1, top, len(back), r)

    found = {key: look(key) for key in parts}
    told: set[tuple[Any, ...]] = set()
    while open_to := [key for key, one in found.items() if one.changed >= 0 and key not in told]:
        key = max(open_to, key=lambda k: (found[k].top, k))
        told.add(key)
        after = parts[key][found[key].changed :]
        change, _, _ = _step(parts[key], found[key].changed)
        lost[after["record"].to_numpy()] += min(change, 0.0) * after["share"].to_numpy()
        met = frame.filter(pl.col("record").is_in(after["record"].implode())).select("gun_id", "since").unique()
        for other in sorted(met.iter_rows()):
            if other in parts and other not in told:
                found[other] = look(other)
    return {key: (part, found[key]) for key, part in parts.items()}


def _months(slope: float, per_month: float) -> float | None:
    """Months until transfer has fallen by another 5 % at this slope and use; None: it never does, or only in over 50 years."""
    rate = slope * per_month
    if rate >= 0:
        return None
    wait = float(np.log1p(-LOSS) / rate)
    return wait if wait < 600 else None


def contrast(before: pl.DataFrame, after: pl.DataFrame) -> tuple[float, float]:
    """Weighted mean of y after less before, and its standard error; weights 1/(v + h se^2) through `weight`."""
    means, variances = [], []
    for part in (before, after):
        w, y = part["weight"].to_numpy(), part["y"].to_numpy()
        means.append(float((w * y).sum() / w.sum()))
        # the larger of what the model says and what the records show
        shown = float((w**2 * (y - means[-1]) ** 2).sum() / w.sum() ** 2) * len(w) / max(len(w) - 1, 1)
        variances.append(max(1 / w.sum(), shown))
    return means[1] - means[0], float(np.sqrt(sum(variances)))


def _weighted(part: pl.DataFrame) -> pl.DataFrame:
    return part.with_columns(weight=1 / (pl.col("v") + pl.col("h") * 0.08**2), y=pl.col("y").clip(-1.5, 1.5))


def _step(part: pl.DataFrame, at: int) -> tuple[float, float, float]:
    w = _weighted(part)
    change, se = contrast(w[:at], w[at:])
    return change, change - Z95 * se, change + Z95 * se


def gun_service_contrasts(found: pl.DataFrame, gun_services: pl.DataFrame) -> pl.DataFrame:
    """Table gun_service_contrasts: transfer in the records after a service against those before it, back to the last one.

    At least 5 records on either side. The latest half of the period before tells what the gun had come to.
    """
    frame = _weighted(found)
    rows: list[dict[str, Any]] = []
    day = ["gun_id", "serviced_on"]
    works = gun_services.group_by(day, maintain_order=True).agg(work=pl.col("work").sort().str.join(", ")).sort(day)
    for gun, part in works.group_by("gun_id", maintain_order=True):
        mine = frame.filter(pl.col("gun_id") == gun[0]).with_columns(day=pl.col("at").dt.date())
        days = part["serviced_on"].to_list()
        for i, (day, work) in enumerate(zip(days, part["work"], strict=True)):
            begin = days[i - 1] if i else date.min
            end = days[i + 1] if i + 1 < len(days) else date.max
            before = mine.filter(pl.col("day") >= begin, pl.col("day") < day)
            before = before.tail(max((before.height + 1) // 2, SEGMENT))
            after = mine.filter(pl.col("day") >= day, pl.col("day") < end)
            if before.height < SEGMENT or after.height < SEGMENT:
                continue
            change, se = contrast(before, after)
            rows.append({
                "gun_id": gun[0], "serviced_on": day, "work": work, "ratio": float(np.exp(change)),
                "low": float(np.exp(change - Z95 * se)), "high": float(np.exp(change + Z95 * se)),
                "prob_better": float(ndtr(change / se)), "n_before": before.height, "n_after": after.height,
            })  # fmt: skip
    return pl.DataFrame(rows, infer_schema_length=None) if rows else pl.DataFrame()
