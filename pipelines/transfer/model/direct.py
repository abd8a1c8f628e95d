"""Transfer efficiency without a model: ratio of sums of direct records with Fieller's interval.

Used where there are too few records for the joint model, and as the figure it is compared with. A direct record has all
its layers in one cell (gun, technician, role) and every leftover weighed. Sums over several cells do not belong here.
"""

from __future__ import annotations

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy import stats

CELL = ("shop_id", "gun_id", "technician_id", "role")


def fieller(
    landed: NDArray[np.float64], sprayed: NDArray[np.float64], level: float = 0.95
) -> tuple[float, float, float]:
    """Ratio of sums T = sum D / sum V of n pairs, and its confidence limits (T, low, high), all pure ratios.

    The limits are the roots in T of (Dbar - T Vbar)^2 = t^2 var(D - T V) / n with Student's t on n - 1 degrees of freedom,
    var(D - T V) = s_DD - 2 T s_DV + T^2 s_VV the sample variance. Exact where (D, V) is bivariate normal. Limits are nan
    for n < 2, and where Vbar itself is not shown to differ from zero (the set is then not an interval).

    Source: Fieller 1954, J. R. Stat. Soc. B 16, 175-185.
    """
    n = len(landed)
    ratio = float(landed.sum() / sprayed.sum()) if n and sprayed.sum() > 0 else float("nan")
    if n < 2:
        return ratio, float("nan"), float("nan")
    d, v = landed.mean(), sprayed.mean()
    s = np.cov(np.vstack([landed, sprayed])) / n
    t2 = float(stats.t.ppf(0.5 + level / 2, n - 1)) ** 2
    a, b, c = v * v - t2 * s[1, 1], d * v - t2 * s[0, 1], d * d - t2 * s[0, 0]
    if a <= 0:
        return ratio, float("nan"), float("nan")
    root = float(np.sqrt(max(b * b - a * c, 0.0)))
    return ratio, float((b - root) / a), float((b + root) / a)


def direct_records(records: pl.DataFrame, layers: pl.DataFrame) -> pl.DataFrame:
    """One row per usable record whose layers lie in one cell and whose leftovers are all weighed: cell, landed, sprayed."""
    key = ["shop_id", "job_id", "record_no"]
    one_cell = (
        layers.group_by(key, maintain_order=True)
        .agg(
            pl.col("gun_id", "technician_id", "role").first(),
            cells=pl.struct("gun_id", "technician_id", "role").n_unique(),
            weighed=(pl.col("leftover_known") & pl.col("sprayed_solids_ml").is_not_null()).all(),
            sprayed=pl.col("sprayed_solids_ml").sum(),
        )
        .filter((pl.col("cells") == 1) & pl.col("weighed") & (pl.col("sprayed") > 0))
    )
    return (
        records.filter(pl.col("usable") & pl.col("landed_solids_ml").is_finite())
        .join(one_cell, on=key)
        .select(*key, "gun_id", "technician_id", "role", "sprayed", landed="landed_solids_ml", grade="grade")
        .sort(key)
    )


def direct_cells(records: pl.DataFrame, layers: pl.DataFrame, by: tuple[str, ...] = CELL) -> pl.DataFrame:
    """Ratio of sums and Fieller limits per cell: columns of `by`, estimate, low, high, n, grade. Sorted by `by`."""
    rows = []
    named = pl.all_horizontal(pl.col(name).is_not_null() for name in by)
    for cell, group in direct_records(records, layers).filter(named).sort(by).group_by(by, maintain_order=True):
        ratio, low, high = fieller(group["landed"].to_numpy(), group["sprayed"].to_numpy())
        share_a = float(np.mean(group["grade"].to_numpy() == "A"))
        rows.append((*cell, ratio, max(low, 0.0), high, group.height, "A" if share_a >= 0.5 else "B"))
    schema = {name: pl.String for name in by} | {
        "estimate": pl.Float64, "low": pl.Float64, "high": pl.Float64, "n": pl.Int64, "grade": pl.String,
    }  # fmt: skip
    found = pl.DataFrame(rows, schema=schema, orient="row")
    return found.with_columns(pl.col("estimate", "low", "high").fill_nan(None))
