"""Guns whose transfer changes: alarms while looking on, steps found looking back, services, wear with use.

Here belongs what is seen in the residuals of the transfer model in the order of time. The model itself stands in linearise.py.

    z_k = (mean before - mean after) / sqrt(1/k + 1/(n - k))    over all splits with 5 or more on either side, last 200 records

Followed for losses alone (z_k > 0). No baseline is needed: a new gun is followed from its first record. The alarm level keeps
false alarms at 5 % over 500 records (found by simulation, bench).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl
import scipy.sparse as sp
from scipy.special import ndtr

from pipelines.transfer.model import linearise
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
LOSS = 0.05  # the loss of transfer that the forecast waits for
FEW = 12
SLOPE_SD = 0.30  # weak prior on a gun's change of log TE over the typical litres of a service period; few guns wear, so
# slopes are not drawn towards one another
DAYS_A_MONTH = 30.4375


@dataclass(frozen=True)
class Residuals:
    """One row per record that the transfer model used and that one gun sprayed, in the order of time.

    frame   RECORD, gun_id, at, litres (ready to spray through the gun so far in this service period, L), since, y (relative
            residual plus the gun's own effect), v, h, z (standardised, shop-weeks removed, clipped at 3)
    """

    frame: pl.DataFrame


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


def residuals(joint: linearise.Joint, record_layers: pl.DataFrame, litres: pl.DataFrame) -> Residuals:
    """What each record departs from the transfer model by, for records of one gun.

    m = (D - Dhat)/Dhat + the gun's wear as the model has it: a loss that is to be seen must not be explained away.
    y = m + u_gun, on variance v + h se^2; z = m / sqrt(v + h se^2 + PEV of the mean part without wear), the
    shop-week's weighted mean taken off (its records told apart from the one), clipped at 3.
    """
    d, linear = joint.design, joint.linear
    se2 = float(joint.posterior.sd()[-1] ** 2)
    theta = joint.posterior.theta()
    kind = np.array([kind for kind, _ in d.names])
    on = sp.csr_matrix(linear.design[d.signature_of_record])
    miss = (d.landed - linear.predicted) / linear.predicted + on @ np.where(kind == "wear", theta, 0.0)
    on = sp.csr_matrix(on @ sp.diags((kind != "wear").astype(float)))
    pev = np.maximum(joint.posterior.variance(mixed_model.Rows.of(joint.layout, on)), 0.0)
    gun_part = np.asarray(on @ np.where(kind == "gun", theta, 0.0)).ravel()
    layers = record_layers.join(d.keys, on=RECORD, how="semi", maintain_order="left")
    guns = layers.group_by(RECORD, maintain_order=True).agg(
        gun_id=pl.when(pl.col("gun_id").n_unique() == 1).then(pl.col("gun_id").first()),
        shop=pl.col("shop_id").first(),
        op_job_id=pl.col("op_job_id").sort_by("started_at").last(),
        operation_no=pl.col("operation_no").sort_by("started_at").last(),
        at=pl.col("started_at").max(),
    )
    total = linear.v + linear.h * se2
    frame = (
        d.keys.with_columns(
            miss=pl.Series(miss), v=pl.Series(linear.v), h=pl.Series(linear.h), gun_part=pl.Series(gun_part),
            total=pl.Series(total), pev=pl.Series(pev),
        )
        .join(guns, on=RECORD, how="left")
        .with_columns(week=pl.col("at").dt.truncate("1w"), weight=1 / pl.col("total"))
    )  # fmt: skip
    # a week in which everything ran low (weather, a batch) is not a gun's: its other records' mean, shrunk by its own variance
    week = ["shop_id", "week"]
    frame = frame.with_columns(
        other_weight=pl.col("weight").sum().over(week) - pl.col("weight"),
        other_sum=(pl.col("weight") * pl.col("miss")).sum().over(week) - pl.col("weight") * pl.col("miss"),
    )
    tau2 = _week_variance(frame)
    precision = pl.col("other_weight") + 1 / tau2 if tau2 > 0 else None
    shift = pl.col("other_sum") / precision if precision is not None else pl.lit(0.0)
    shift_var = 1 / precision if precision is not None else pl.lit(0.0)
    frame = (
        frame.with_columns(shift=shift, shift_var=shift_var)
        .with_columns(
            y=pl.col("miss") - pl.col("shift") + pl.col("gun_part"),
            z=(pl.col("miss") - pl.col("shift")) / (pl.col("total") + pl.col("pev") + pl.col("shift_var")).sqrt(),
            v=pl.col("v") + pl.col("shift_var"),
        )
        .filter(pl.col("gun_id").is_not_null())
    )
    # what the records show of their own spread, from neighbours in time (a step or a slope hardly moves it), counts
    scale = _spread_of_neighbours(frame)
    frame = frame.with_columns(
        pl.col("v") * scale**2, pl.col("h") * scale**2, z=(pl.col("z") / scale).clip(-CLIP, CLIP)
    )
    place = litres.select("shop_id", op_job_id="job_id", operation_no="operation_no", since="since", litres="litres")
    return Residuals(
        frame.join(place, on=["shop_id", "op_job_id", "operation_no"], how="inner")
        .select(*RECORD, "gun_id", "at", "since", "litres", "y", "v", "h", "z")
        .sort("gun_id", "at", *RECORD)
    )


def _spread_of_neighbours(frame: pl.DataFrame) -> float:
    """sd of z from differences between a gun's neighbouring records, between 0.5 and 1.5; 1 below 50 differences."""
    step = (
        frame.sort("gun_id", "at", *RECORD)
        .select(pl.col("z").diff().over("gun_id"))
        .to_series()
        .drop_nulls()
        .to_numpy()
    )
    return float(np.clip(np.sqrt(np.mean(step**2) / 2), 0.5, 1.5)) if len(step) >= 50 else 1.0


def _week_variance(frame: pl.DataFrame) -> float:
    """Variance between shop-weeks of the relative residual, by moments (DerSimonian and Laird 1986); 0: none is seen."""
    week = (
        frame.group_by("shop_id", "week", maintain_order=True)
        .agg(
            n=pl.len(),
            w=pl.col("weight").sum(),
            w2=(pl.col("weight") ** 2).sum(),
            m=(pl.col("weight") * pl.col("miss")).sum(),
        )
        .sort("shop_id", "week")
    )  # summed in one order, so that the same tables give the same bytes
    means = (week["m"] / week["w"]).to_numpy()
    w = week["w"].to_numpy()
    if len(w) < 8:
        return 0.0
    centre = (w * means).sum() / w.sum()
    q = float((w * (means - centre) ** 2).sum())
    scale = float(w.sum() - (w**2).sum() / w.sum())
    return max((q - (len(w) - 1)) / scale, 0.0) if scale > 0 else 0.0


# --- change points ------------------------------------------------------------------------------------------------------


def split_scores(z: Floats) -> Floats:
    """z_k for k = 5 .. n - 5 at the end of a series; empty where it is shorter than 10. Standardised residuals in, sd 1."""
    n = len(z)
    if n < 2 * SEGMENT:
        return np.zeros(0)
    k = np.arange(SEGMENT, n - SEGMENT + 1)
    head = np.cumsum(z)
    before, after = head[k - 1] / k, (head[-1] - head[k - 1]) / (n - k)
    return np.asarray((before - after) / np.sqrt(1 / k + 1 / (n - k)))


def watch(z: Floats, alarm: float = ALARM) -> tuple[int, int, float]:
    """Follow a series record by record. (record at which the alarm rings or -1, first record after the loss, largest z_k).

    After an alarm nothing more is looked at: the gun is to be seen to.
    """
    top = 0.0
    for n in range(2 * SEGMENT, len(z) + 1):
        start = max(0, n - MEMORY)
        scores = split_scores(z[start:n])
        best = int(np.argmax(scores))
        top = max(top, float(scores[best]))
        if scores[best] >= alarm:
            return n - 1, start + SEGMENT + best, top
    return -1, -1, top


def steps_back(z: Floats, penalty: float = PENALTY) -> list[int]:
    """First records after each step in the mean, looking back: least sum of squares + penalty per step, exact.

    The linear-kernel change point problem is this least-squares segmentation; optimal partitioning (Jackson et al. 2005, IEEE
    Signal Process. Lett. 12, 105), every segment of 5 records or more.
    """
    n = len(z)
    head, squares = np.concatenate([[0.0], np.cumsum(z)]), np.concatenate([[0.0], np.cumsum(z**2)])
    best = np.full(n + 1, np.inf)
    best[0] = -penalty
    last = np.zeros(n + 1, int)
    for end in range(SEGMENT, n + 1):
        start = np.arange(0, end - SEGMENT + 1)
        cost = squares[end] - squares[start] - (head[end] - head[start]) ** 2 / (end - start)
        total = best[start] + cost + penalty
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


def independent(z: Floats, day: Ints) -> tuple[Floats, Ints, float]:
    """The series to follow, the index of each value's first record, its lag-one correlation.

    Correlated by more than 0.1 from record to record, values are averaged per day, and scaled to the sd that such days would
    have were they still correlated: z / sqrt((1 + r)/(1 - r)). Otherwise as they are.
    """
    r = lag_one(z)
    first = np.arange(len(z))
    if not r > CORRELATED:
        return z, first, r
    _, first, code = np.unique(day, return_index=True, return_inverse=True)
    count = np.bincount(code)
    daily = np.bincount(code, z) / count * np.sqrt(count)
    rest = lag_one(daily)
    # within a day the mean of correlated values spreads more than 1/sqrt(n) says
    spread = max(float(np.std(daily)), 1.0) if len(daily) > 2 else 1.0
    daily = daily / spread
    if rest > 0:
        rest = min(rest, 0.9)
        daily = daily / np.sqrt((1 + rest) / (1 - rest))
    return np.clip(daily, -CLIP, CLIP), first, r


# --- tables -------------------------------------------------------------------------------------------------------------


def wear(found: pl.DataFrame) -> tuple[Fitted, Floats] | None:
    """y = period's level + slope x litres / typical litres + e, each slope by itself. None below 12 records.

    Returns the fit and the typical litres of each row's gun period (all one number: the median of periods' litres).
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
    return fitted, np.full(found.height, typical)


def gun_drift(found: Residuals, litres: pl.DataFrame, settings: Mapping[str, Any] | None = None) -> pl.DataFrame:
    """Table gun_drift: one row per gun and service period with 12 records or more.

    slope_per_litre with interval; the alarm with the day of the change and the step; months until the next 5 % is lost:
    log(0.95) / (slope x litres a month), its interval from that of the slope (no end where the slope may be 0).
    """
    frame = found.frame
    fitted = wear(frame)
    rows: list[dict[str, Any]] = []
    use = litres.group_by("gun_id", "since", maintain_order=True).agg(
        litres=(pl.col("ml").sum() / 1000), begin=pl.col("started_at").min(), end=pl.col("started_at").max()
    )
    of_use = {
        (g, s): (total, b, e)
        for g, s, total, b, e in use.select("gun_id", "since", "litres", "begin", "end").iter_rows()
    }
    for (gun, since), part in frame.group_by("gun_id", "since", maintain_order=True):
        if part.height < FEW or fitted is None:
            continue
        fit, typical = fitted
        level = f"{gun}\t{since}"
        mean, var = fit.predict([[("wear", level, 1.0)]])
        scale = float(typical[0])
        slope, se = float(mean[0]) / scale, float(np.sqrt(var[0])) / scale
        z, first, r = independent(part["z"].to_numpy(), part["at"].dt.date().cast(pl.Int32).to_numpy().astype(np.int64))
        rings, change, top = watch(z)
        back = steps_back(z[-LOOK_BACK:])
        step = _step(part, int(first[change])) if rings >= 0 else (None, None, None)
        total, begin, end = of_use[(gun, since)]
        months = max((end - begin).total_seconds() / 86400 / DAYS_A_MONTH, 1e-9)
        per_month = total / months
        wait = [_months(s, per_month) for s in (slope, slope - Z95 * se, slope + Z95 * se)]
        rows.append({
            "gun_id": gun, "since": since, "slope_per_litre": slope, "low": slope - Z95 * se, "high": slope + Z95 * se,
            "litres": total, "changed_on": part["at"][int(first[change])].date() if rings >= 0 else None,
            "alarm": rings >= 0, "until": end.date(), "n": part.height, "z": top, "step": step[0], "step_low": step[1],
            "step_high": step[2], "n_steps": len(back), "autocorrelation": None if np.isnan(r) else r,
            "prob_wear": float(ndtr(-slope / se)), "months_to_loss": wait[0], "months_low": wait[1], "months_high": wait[2],
        })  # fmt: skip
    return pl.DataFrame(rows, infer_schema_length=None) if rows else pl.DataFrame()


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


def _step(part: pl.DataFrame, at: int) -> tuple[float | None, float | None, float | None]:
    w = _weighted(part)
    change, se = contrast(w[:at], w[at:])
    return change, change - Z95 * se, change + Z95 * se


def gun_service_contrasts(found: Residuals, gun_services: pl.DataFrame) -> pl.DataFrame:
    """Table gun_service_contrasts: transfer in the records after a service against those before it, back to the last one.

    At least 5 records on either side. The latest half of the period before tells what the gun had come to.
    """
    frame = _weighted(found.frame)
    rows: list[dict[str, Any]] = []
    day = ["gun_id", "serviced_on"]
    works = gun_services.group_by(day, maintain_order=True).agg(work=pl.col("work").sort().str.join(", ")).sort(day)
    for gun, part in works.group_by("gun_id", maintain_order=True):
        mine = frame.filter(pl.col("gun_id") == gun[0]).with_columns(day=pl.col("at").dt.date())
        days = part["serviced_on"].to_list()
        for i, (day, work) in enumerate(zip(days, part["work"], strict=True)):
            begin = days[i - 1] if i else None
            end = days[i + 1] if i + 1 < len(days) else None
            before = mine.filter(pl.col("day") < day)
            before = before.filter(pl.col("day") >= begin) if begin else before
            before = before.tail(max((before.height + 1) // 2, SEGMENT))
            after = mine.filter(pl.col("day") >= day)
            after = after.filter(pl.col("day") < end) if end else after
            if before.height < SEGMENT or after.height < SEGMENT:
                continue
            change, se = contrast(before, after)
            rows.append({
                "gun_id": gun[0], "serviced_on": day, "work": work, "ratio": float(np.exp(change)),
                "low": float(np.exp(change - Z95 * se)), "high": float(np.exp(change + Z95 * se)),
                "prob_better": float(ndtr(change / se)), "n_before": before.height, "n_after": after.height,
            })  # fmt: skip
    return pl.DataFrame(rows, infer_schema_length=None) if rows else pl.DataFrame()
