"""How much film lies above a data sheet's window.

Here belongs the one formula that SQL lacks a function for: the expected excess of a normal film over a limit. Which film is
compared with which window is said in film_groups.sql.
"""

from __future__ import annotations

import numpy as np
import polars as pl
from scipy.special import ndtr

Z95 = 1.96


def expected_excess(mean: np.ndarray, limit: np.ndarray, s: np.ndarray) -> np.ndarray:
    """E[max(0, X - limit)] for X ~ N(mean, s^2), in the unit of mean; all shapes equal.

    s phi(z) + (mean - limit) Phi(z) with z = (mean - limit)/s; for s = 0 simply max(0, mean - limit). (The unit loss
    integral of the normal distribution, found in any text on inventory control.)
    """
    gap = mean - limit
    with np.errstate(divide="ignore", invalid="ignore"):
        z = np.where(s > 0, gap / np.where(s > 0, s, 1.0), 0.0)
        soft = s * np.exp(-0.5 * z * z) / np.sqrt(2 * np.pi) + gap * ndtr(z)
    return np.maximum(np.where(s > 0, soft, gap), 0.0)


def over_build(film_groups: pl.DataFrame, operation_films: pl.DataFrame, sprays: pl.DataFrame) -> pl.DataFrame:
    """Over-build of each spray operation: mL of dry film above the data sheet's maximum on its faces.

    over_ml = sum over faces of area (m2) x E[max(0, film - film_max)] (um), film ~ N(mean, se^2 + within^2); a product's
    operations on one face share it by their film. low and high move the mean film by 1.96 standard errors. A film or a
    maximum that is not known claims none.

    Returns shop_id, job_id, operation_no, over_ml, over_ml_low, over_ml_high.
    """
    known = film_groups.filter(
        pl.col("film_um").is_not_null() & pl.col("film_max_um").is_not_null() & pl.col("covered_m2").is_not_null()
    )
    mean, limit, se, within = (
        known[name].fill_null(0.0).to_numpy() for name in ("film_um", "film_max_um", "se_um", "within_um")
    )
    area = known["covered_m2"].to_numpy()
    groups = known.select("shop_id", "job_id", "panel_id", "face", "product_id", "first_operation", "last_operation",
                          group_um="film_as_applied_um").with_columns(
        over_ml=pl.Series(area * expected_excess(mean, limit, np.hypot(se, within)), dtype=pl.Float64),
        over_ml_low=pl.Series(area * expected_excess(mean - Z95 * se, limit, within), dtype=pl.Float64),
        over_ml_high=pl.Series(area * expected_excess(mean + Z95 * se, limit, within), dtype=pl.Float64),
    )  # fmt: skip
    films = operation_films.join(
        sprays.select("shop_id", "job_id", "operation_no", "product_id"),
        on=["shop_id", "job_id", "operation_no"],
    )
    part = pl.when(pl.col("group_um") > 0).then(pl.col("film_um") / pl.col("group_um")).otherwise(0.0).clip(0.0, 1.0)
    return (
        films.join(groups, on=["shop_id", "job_id", "panel_id", "face", "product_id"])
        .filter(pl.col("operation_no").is_between(pl.col("first_operation"), pl.col("last_operation")))
        .group_by("shop_id", "job_id", "operation_no")
        .agg((pl.col(name) * part).sum() for name in ("over_ml", "over_ml_low", "over_ml_high"))
        .sort("shop_id", "job_id", "operation_no")
    )
