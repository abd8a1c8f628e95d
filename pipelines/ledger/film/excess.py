"""How much film lies above a data sheet's window.

Here belongs the one formula that SQL lacks a function for: the expected excess of a normal film over a limit. Which film is
compared with which window is said in film_groups.sql.
"""

from __future__ import annotations

import numpy as np
import polars as pl
from scipy.special import ndtr

from schemas.published import Z95

FACE = ["shop_id", "job_id", "panel_id", "face"]


def expected_excess(mean: np.ndarray, limit: np.ndarray, s: np.ndarray) -> np.ndarray:
    """E[max(0, X - limit)] for X ~ N(mean, s^2), in the unit of mean; all shapes equal.

    s phi(z) + (mean - limit) Phi(z) with z = (mean - limit)/s; for s = 0 simply max(0, mean - limit). (The unit loss
    integral of the normal distribution, found in any text on inventory control.)
    """
    gap = mean - limit
    with np.errstate(divide="ignore", invalid="ignore"):
        z = np.where(s > 0, gap / np.where(s > 0, s, 1.0), 0.0)
        soft = s * np.exp(-0.5 * z * z) / np.sqrt(2 * np.pi) + gap * ndtr(z)
    return np.asarray(np.maximum(np.where(s > 0, soft, gap), 0.0))


def over_build(film_build: pl.DataFrame, operation_films: pl.DataFrame, sprays: pl.DataFrame) -> pl.DataFrame:
    """Over-build of each spray operation: mL of dry film above the data sheet's maximum on its faces.

    over_ml = sum over faces of area (m2) x E[max(0, film - film_max)] (um), film ~ N(held, held_se^2 + within^2) as film_build
    holds it: a film that only its transfer tells is uncertain, and taken as it was found its chance would count as film above
    the maximum. low and high move the film by 1.96 standard errors. A product's operations on one face share it by their film.
    A film or a maximum that is not known claims none.

    Returns shop_id, job_id, operation_no, over_ml, over_ml_low, over_ml_high.
    """
    known = film_build.filter(pl.col("over_ml").is_not_null())
    held, limit, se, within, area = (
        known[name].cast(pl.Float64).fill_null(0.0).to_numpy()
        for name in ("held_um", "film_max_um", "held_se_um", "within_um", "covered_m2")
    )
    groups = known.select(
        *FACE, "product_id", "first_operation", "over_ml", last_operation="operation_no",
        over_ml_low=pl.Series(area * expected_excess(held - Z95 * se, limit, within), dtype=pl.Float64),
        over_ml_high=pl.Series(area * expected_excess(held + Z95 * se, limit, within), dtype=pl.Float64),
    )  # fmt: skip
    together = pl.col("film_um").sum().over(*FACE, "product_id", "first_operation")
    # where no operation's own film is known (an inner face, a film read after sanding) they have equal parts of it
    alike = 1.0 / pl.len().over(*FACE, "product_id", "first_operation")
    part = pl.when(together > 0).then(pl.col("film_um").fill_null(0.0) / together).otherwise(alike).clip(0.0, 1.0)
    return (
        operation_films.join(
            sprays.select("shop_id", "job_id", "operation_no", "product_id"), on=["shop_id", "job_id", "operation_no"]
        )
        .join(groups, on=[*FACE, "product_id"])
        .filter(pl.col("operation_no").is_between(pl.col("first_operation"), pl.col("last_operation")))
        .with_columns(part=part)
        .group_by("shop_id", "job_id", "operation_no", maintain_order=True)
        .agg((pl.col(name) * pl.col("part")).sum() for name in ("over_ml", "over_ml_low", "over_ml_high"))
        .sort("shop_id", "job_id", "operation_no")
    )
