"""What nine readings on a panel say about the hand: tilt, heavy edges, stripes, and where on a panel the film lies.

Here belongs what is read off increments at three by three marked places, seen before and after. What else tells of a hand
stands in film_model.py (how much film) and in the transfer model (how much of what was sprayed).

    T = (top - bottom) / mean        E = ((top + bottom)/2 - centre) / mean        rows: 1 the upper edge, 3 the lower
    sd of one panel with spread cv between places: cv sqrt(2/3) for T, cv sqrt(1/2) for E (means of three, independent)

Banding the edges first raises E on purpose, and sag moves film down: T and E say what is there, not why.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import cache

import numpy as np
import polars as pl
from scipy import optimize, special, stats
from scipy.special import ndtr

from pipelines.settings import Settings
from pipelines.transfer.model import flags
from pipelines.transfer.solver.table_model import Fitted, Term, by_themselves, labels

PANEL = ["shop_id", "job_id", "panel_id", "from_operation", "to_operation"]
HAND = ["shop_id", "technician_id", "role"]
PLACES_A_ROW = 2  # of three: a row with fewer readings says nothing
MAX_VIF = 3.0
FEW = 3  # panels: one panel is never quoted
POWER = 0.80
DIFFERENCES = (0.05, 0.10, 0.20)
SCALE = {"technician": 0.10, "gun": 0.05, "event": 0.30}  # half-normal scales of the sd of T (our choice)


def places(
    film_increments: pl.DataFrame, stage_positions: pl.DataFrame, increment_layers: pl.DataFrame, sprays: pl.DataFrame
) -> pl.DataFrame:
    """Film gained at each marked place of each paired increment by one technician: PANEL, HAND, gun_id, row, col, um, mean_um.

    Role: that of the last layer. Blends are left out (their film runs out along the panel), so are increments of several
    technicians, of a mean that is not above 5 um, and panels with a row of fewer than two places. What scuffing took off in
    between is the same at all places and stands in mean_um alone.
    """
    operation = ["shop_id", "job_id", "operation_no"]
    by = (
        increment_layers.join(sprays.select(*operation, "technician_id", "gun_id", "role"), on=operation)
        .group_by(PANEL, maintain_order=True)
        .agg(
            pl.col("technician_id").n_unique().alias("hands"),
            pl.col("technician_id").first(),
            gun_id=pl.when(pl.col("gun_id").n_unique() == 1).then(pl.col("gun_id").first()),
            role=pl.col("role").sort_by("operation_no").last(),
        )
        .filter((pl.col("hands") == 1) & pl.col("technician_id").is_not_null() & pl.col("role").is_not_null())
        .drop("hands")
    )
    increments = film_increments.filter(
        pl.col("usable") & pl.col("paired") & ~pl.col("blend") & pl.col("witness_of").is_null()
        & (pl.col("face") == "outer") & (pl.col("mean_um") > 5)
    ).select(*PANEL, "mean_um")  # fmt: skip
    marked = stage_positions.filter(pl.col("row_no").is_not_null() & pl.col("col_no").is_not_null()).select(
        "shop_id", "job_id", "panel_id", "after_operation", row="row_no", col="col_no", um="um"
    )
    of_panel = ["shop_id", "job_id", "panel_id"]
    gained = (
        increments.join(by, on=PANEL)
        .join(marked, left_on=[*of_panel, "to_operation"], right_on=[*of_panel, "after_operation"])
        .join(
            marked, left_on=[*of_panel, "from_operation", "row", "col"],
            right_on=[*of_panel, "after_operation", "row", "col"], suffix="_before",
        )
        .with_columns(um=pl.col("um") - pl.col("um_before"))
        .drop("um_before")
    )  # fmt: skip
    enough = (
        gained.group_by(*PANEL, "row", maintain_order=True).agg(pl.len()).filter(pl.col("len") >= PLACES_A_ROW)
        .group_by(PANEL, maintain_order=True).agg(pl.len()).filter(pl.col("len") == 3).select(PANEL)
    )  # fmt: skip
    return gained.join(enough, on=PANEL, how="semi").sort(*PANEL, "row", "col")


def panels(gained: pl.DataFrame) -> pl.DataFrame:
    """T, E and stripe sums per panel: PANEL, HAND, gun_id, tilt, edge, lack, within, places.

    lack is the squared departure of the centre row from the line through top and bottom, weighted to one degree of freedom;
    within the squared departures inside rows, on places - 3. Both over mean^2.
    """
    rows = gained.group_by(*PANEL, *HAND[1:], "gun_id", "row", maintain_order=True).agg(
        pl.col("um").mean(),
        inside=((pl.col("um") - pl.col("um").mean()) ** 2).sum(),
        n=pl.len(),
        mean_um=pl.col("mean_um").first(),
    )
    of = {
        k: (pl.col("um").filter(pl.col("row") == k).first(), pl.col("n").filter(pl.col("row") == k).first())
        for k in (1, 2, 3)
    }
    middle = (of[1][0] + of[3][0]) / 2 - of[2][0]
    return (
        rows.group_by(*PANEL, *HAND[1:], "gun_id", maintain_order=True)
        .agg(
            tilt=(of[1][0] - of[3][0]) / pl.col("mean_um").first(),
            edge=middle / pl.col("mean_um").first(),
            lack=middle**2 / (0.25 / of[1][1] + 0.25 / of[3][1] + 1 / of[2][1]) / pl.col("mean_um").first() ** 2,
            within=pl.col("inside").sum() / pl.col("mean_um").first() ** 2,
            places=pl.col("n").sum().cast(pl.Int64),
        )
        .sort(PANEL)
    )


def spread(each: pl.DataFrame) -> float:
    """Relative spread between places on a panel, rows' own levels removed: sqrt(sum within / sum (places - 3)); nan: none."""
    free = float((each["places"] - 3).sum() or 0)
    return math.sqrt(float(each["within"].sum()) / free) if free > 0 else math.nan


@cache
def effect_seen(n: int) -> float:
    """Smallest true mean, in sd of one value, that a two-sided 5 % t test on n values shows with 80 % power; nan below 2.

    By the non-central t distribution, root by Brent's method.
    """
    if n < 2:
        return math.nan
    critical = stats.t.ppf(0.975, n - 1)
    # the t test needs a little more than the normal law's 2.8 / sqrt(n); at n = 2 it needs over 17

    def missed(d: float) -> float:
        # far out the distribution function loses its digits: nothing is missed there
        return float(np.nan_to_num(special.nctdtr(n - 1, d * math.sqrt(n), critical), nan=0.0)) - (1 - POWER)

    return float(optimize.brentq(missed, 1e-3, 30.0, xtol=1e-6))


def detectable(n: int, cv: float, factor: float) -> float:
    """Smallest true tilt or edge that n panels show with 80 % power, sd of one panel = factor x cv; nan where unknown."""
    return effect_seen(n) * factor * cv if cv > 0 else math.nan


def panels_needed(difference: float, cv: float, factor: float) -> int | None:
    """Panels for 80 % power at that difference; None where no spread is known or more than 10,000 are needed."""
    if not cv > 0:
        return None
    low, high = 2, 10_000
    if detectable(high, cv, factor) > difference:
        return None
    while low < high:
        mid = (low + high) // 2
        low, high = (low, mid) if detectable(mid, cv, factor) <= difference else (mid + 1, high)
    return low


TILT_FACTOR, EDGE_FACTOR = math.sqrt(2 / 3), math.sqrt(1 / 2)


def technique_power(each: pl.DataFrame) -> pl.DataFrame:
    """Panels needed to see tilts and edges of 5, 10 and 20 % with this spread: measure, difference, spread, panels."""
    cv = spread(each) if each.height else math.nan
    rows = [
        (measure, d, None if math.isnan(cv) else cv, panels_needed(d, cv, factor))
        for measure, factor in (("tilt", TILT_FACTOR), ("edge", EDGE_FACTOR))
        for d in DIFFERENCES
    ]
    schema = {"measure": pl.String, "difference": pl.Float64, "spread": pl.Float64, "panels": pl.Int64}
    return pl.DataFrame(rows, schema=schema, orient="row")


def _interval(values: np.ndarray) -> tuple[float, float, float]:
    """Mean and 95 % t interval; nan limits below 2 values."""
    n, mean = len(values), float(values.mean())
    if n < 2:
        return mean, math.nan, math.nan
    half = float(stats.t.ppf(0.975, n - 1) * values.std(ddof=1) / math.sqrt(n))
    return mean, mean - half, mean + half


def fit(each: pl.DataFrame, measure: str, more: Sequence[Term] = ()) -> Fitted:
    """The model of T or E (measure tilt, edge): mean of the role + technician + gun + e. more: terms besides these."""
    ones = np.ones(each.height)
    terms = [
        Term("role", labels(each, "role"), prior=(0.0, 0.05)),
        Term("technician", labels(each, "technician_id"), scale=SCALE["technician"], local=True),
        Term("gun", labels(each, "gun_id"), scale=SCALE["gun"], local=True),
        *more,
    ]
    return Fitted(terms, each[measure].to_numpy(), 0 * ones, ones, SCALE["event"])


def tilt_of_hands(each: pl.DataFrame, settings: Settings, measure: str = "tilt") -> pl.DataFrame:
    """Who is shown to tilt, or (measure edge) to leave edges thin: technician_id with prob, n_technician, reliability, vif,
    separable, with_whom, flagged.

    T or E = mean of the role + technician + gun + e; what is judged is the mean over a technician's panels of role and own
    effect, as if with the shop's typical gun. The roles' means are held near 0 by a prior of sd 5 %. P(|tilt| > 10 %), P(edge <
    -10 %) (setting tilt_material): heavy edges come of banding them first too. Flags by an expected share of wrong ones of 5 %.
    """
    material, share = settings.practice.tilt_material, settings.transfer.false_flag_share
    hands, guns = labels(each, "technician_id"), labels(each, "gun_id")
    fitted = fit(each, measure)
    people = (
        each.group_by("technician_id", maintain_order=True)
        .agg(n=pl.len().cast(pl.Int64), roles=pl.col("role"), guns=pl.col("gun_id").drop_nulls().unique().sort())
        .sort("technician_id")
    )
    own = [[("technician", t, 1.0)] for t in people["technician_id"]]
    parts = [
        [*mine, *(("role", r, 1 / len(roles)) for r in roles)] for mine, roles in zip(own, people["roles"], strict=True)
    ]
    mean, var = fitted.predict(parts)
    vif = fitted.vif(own, "gun")
    _, own_var = fitted.predict(own)
    se = np.sqrt(var)
    prob = ndtr((-material - mean) / se) + (ndtr((mean - material) / se) if measure == "tilt" else 0.0)
    alone = by_themselves(hands, guns)
    apart = (vif <= MAX_VIF) & ~people["technician_id"].is_in(list(alone)).to_numpy()
    flagged = flags.flag(prob, apart & (people["n"].to_numpy() >= FEW) & fitted.fit.converged, share)
    return people.select(
        "technician_id",
        n_technician="n",
        prob=pl.Series(prob),
        reliability=pl.Series(np.clip(1 - own_var / fitted.sd("technician") ** 2, 0, 1)),
        vif=pl.Series(vif),
        separable=pl.Series(apart),
        with_whom=pl.Series(
            [None if a else ", ".join(g) or "the gun" for a, g in zip(apart, people["guns"], strict=True)],
            dtype=pl.String,
        ),
        flagged=pl.Series(flagged),
    )


def edge_bias(each: pl.DataFrame, settings: Settings) -> pl.DataFrame:
    """Tilt, edge and stripes per shop, technician and role, with t intervals over panels (tables edge_bias).

    Stripes: F = mean lack / mean within over panels, on (panels, sum of places - 3) degrees of freedom; three rows cannot
    tell the pitch, and a heavy edge raises it as well.
    """
    rows = []
    cv = spread(each) if each.height else math.nan
    for key, part in each.group_by(HAND, maintain_order=True):
        t, e = _interval(part["tilt"].to_numpy()), _interval(part["edge"].to_numpy())
        n, free = part.height, int((part["places"] - 3).sum())
        f = math.nan
        if free > 0 and float(part["within"].sum()) > 0:
            f = float(part["lack"].sum()) / n / (float(part["within"].sum()) / free)
        p = float(stats.f.sf(f, n, free)) if not math.isnan(f) else math.nan
        # one panel is never quoted
        quoted = (*t, *e, f, p) if n > 1 else (math.nan,) * 8
        rows.append((*key, *quoted, n, detectable(n, cv, TILT_FACTOR), detectable(n, cv, EDGE_FACTOR)))
    names = ["tilt", "tilt_low", "tilt_high", "edge", "edge_low", "edge_high", "stripe_f", "stripe_p"]
    schema = {c: pl.String for c in HAND} | {c: pl.Float64 for c in names} | {"n_panels": pl.Int64}
    schema |= {"tilt_sees": pl.Float64, "edge_sees": pl.Float64}
    frame = pl.DataFrame(rows, schema=schema, orient="row").with_columns(
        pl.col(*names, "tilt_sees", "edge_sees").fill_nan(None)
    )
    if not frame.height:
        return frame
    # a flag stands where it is seen: in roles whose own mean leans the same way
    people = tilt_of_hands(each, settings).rename({"prob": "prob_tilt"})
    thin = tilt_of_hands(each, settings, "edge").select("technician_id", prob_thin="prob", thin_edges="flagged")
    sign = each.group_by("technician_id", maintain_order=True).agg(lean=pl.col("tilt").mean())
    return (
        frame.join(people, on="technician_id", how="left")
        .join(thin, on="technician_id", how="left")
        .join(sign, on="technician_id", how="left")
        .with_columns(
            flagged=(pl.col("flagged") & ((pl.col("tilt") * pl.col("lean")) > 0)).fill_null(False),
            thin_edges=(pl.col("thin_edges") & (pl.col("edge") < 0)).fill_null(False),
        )
        .drop("lean")
    )


def panel_heat(gained: pl.DataFrame) -> pl.DataFrame:
    """Film at each of nine places over the panel's mean, with t intervals over panels, per technician and role (panel_heat)."""
    relative = gained.with_columns(relative=pl.col("um") / pl.col("um").mean().over(PANEL))
    frame = relative.group_by(*HAND, "row", "col", maintain_order=True).agg(
        relative_film=pl.col("relative").mean(), sd=pl.col("relative").std(), n_panels=pl.len().cast(pl.Int64)
    )
    n = frame["n_panels"].to_numpy()
    half = stats.t.ppf(0.975, np.maximum(n - 1, 1)) / np.sqrt(n) * frame["sd"].fill_null(np.nan).to_numpy()
    return frame.with_columns(half=pl.Series(half).fill_nan(None)).filter(pl.col("n_panels") > 1).with_columns(
        low=pl.col("relative_film") - pl.col("half"), high=pl.col("relative_film") + pl.col("half")
    ).drop("sd", "half")  # fmt: skip
