"""The transfer efficiency of one operation from its own record, with a budget of what makes it uncertain.

Two ways: the law of propagation on the log scale (JCGM 100:2008, clause 5) where the leftover was weighed and that interval
passes JCGM 101:2008 clause 8, else percentiles of a Monte Carlo draw (JCGM 101). What this record shares with others (the
gauge's gain, the table of areas, what is in the can) is no less uncertain for that: it is in the interval, by name.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy import stats

from pipelines.settings import Settings
from pipelines.transfer.model.design import in_order
from pipelines.transfer.model.transfer_tables import RECORD
from pipelines.transfer.solver.mixed_model import Floats
from schemas.published import Z95

DRAWS = 4096
SEED = 20101  # of the scrambled low-discrepancy sequence that every draw uses: same input, same bytes
ROUND_U = (
    0.002  # rounded to this before drawing (leftovers: mean to 1 %, sd to 0.5 %), so that equal records share a draw
)

MAX_REL_U = 0.5  # from here a normal quantity would often be below nothing: no interval is given
VAGUE = "too uncertain for an interval"

BUDGET_COLUMNS = (
    *RECORD, "op_job_id", "operation_no", "te", "low", "high", "rel_u", "how", "film_rel_u", "area_rel_u", "sprayed_rel_u",
    "leftover_rel_u", "gauge_rel_u", "area_shared_rel_u", "solids_rel_u", "density_rel_u", "on_film", "grade",
)  # fmt: skip


def gum_interval(te: Floats, rel_u: Floats) -> tuple[Floats, Floats]:
    """TE exp(+- 1.96 u), u the relative standard uncertainty of the quotient: relative terms add in squares (JCGM 100, 5.1.6)."""
    spread = np.exp(Z95 * np.minimum(rel_u, 10.0))  # far beyond use, and still a number
    return te / spread, te * spread


def monte_carlo_factors(landed: float, solids: float, left_mean: float, left_sd: float) -> tuple[float, float]:
    """2.5 and 97.5 % points of true TE over stated TE (JCGM 101:2008, clause 7), inputs as relative standard uncertainties.

    TE = landed / sprayed, both normal; a leftover that was not weighed is a share of the cup drawn from a beta
    distribution of the given mean and sd (left_sd 0: weighed), and the stated TE used its mean.
    """
    z = _draws()
    kept = 1.0 if left_sd <= 0 else _kept(left_mean, left_sd)
    low, high = np.quantile((1 + landed * z[:, 0]) / np.maximum((1 + solids * z[:, 1]) * kept, 1e-3), [0.025, 0.975])
    return float(low), float(high)


@cache
def _draws() -> Floats:
    uniform = stats.qmc.Sobol(3, seed=SEED).random(DRAWS)
    return np.asarray(stats.norm.ppf(np.clip(uniform, 1e-12, 1 - 1e-12)))


@cache
def _kept(left_mean: float, left_sd: float) -> Floats:
    """Drawn share of a cup that was sprayed, over its mean."""
    size = max(left_mean * (1 - left_mean) / left_sd**2 - 1, 0.5)
    left = stats.beta.ppf(stats.norm.cdf(_draws()[:, 2]), left_mean * size, (1 - left_mean) * size)
    return np.asarray((1 - left) / (1 - left_mean))


def passes_clause_8(
    te: Floats, rel_u: Floats, gum: tuple[Floats, Floats], drawn: tuple[Floats, Floats]
) -> NDArray[np.bool_]:
    """JCGM 101:2008, clause 8.1: both ends agree within half a unit of the one significant digit of u = TE rel_u."""
    u = np.maximum(te * rel_u, 1e-300)
    place = 10.0 ** np.floor(np.log10(u))
    place = np.where(np.rint(u / place) == 10, 10 * place, place)  # .096 is .1 to one digit
    return (np.abs(gum[0] - drawn[0]) <= place / 2) & (np.abs(gum[1] - drawn[1]) <= place / 2)


def no_budgets() -> pl.DataFrame:
    if_so = ("on_film",)
    texts = ("shop_id", "job_id", "op_job_id", "how", "grade")
    whole = ("record_no", "operation_no")
    dtype = {
        c: pl.String if c in texts else pl.Int64 if c in whole else pl.Boolean if c in if_so else pl.Float64
        for c in BUDGET_COLUMNS
    }
    return pl.DataFrame(schema=dtype)


def _together(*parts: str) -> pl.Expr:
    return pl.sum_horizontal(pl.col(part) ** 2 for part in parts).sqrt()


def _rounded(rel_u: pl.Expr) -> pl.Expr:
    return (rel_u.clip(0, 0.5) / ROUND_U).round() * ROUND_U


LANDED = ("film_rel_u", "area_rel_u", "gauge_rel_u", "area_shared_rel_u")
SPRAYED = ("sprayed_rel_u", "solids_rel_u", "density_rel_u")


def budgets(records: pl.DataFrame, prepared: pl.DataFrame, settings: Settings) -> pl.DataFrame:
    """One row per usable record of a single operation: its TE, 95 % interval, how, and each part's relative uncertainty.

    records   usable records; prepared: layers from design.prepare_layers, sorted by record. Columns: BUDGET_COLUMNS.
    rel_u     all parts in squares. A weighed target needs no gauge, area or density, but what is in the can as any other.
    """
    same_before = pl.all_horizontal(pl.col(name) == pl.col(name).shift(1) for name in RECORD).fill_null(False)
    same_after = pl.all_horizontal(pl.col(name) == pl.col(name).shift(-1) for name in RECORD).fill_null(False)
    alone = prepared.filter(~same_before & ~same_after).select(
        *RECORD, "op_job_id", "operation_no", "sprayed", "sprayed_rel_u", "unweighed", "mean", "sd"
    )
    frame = (
        records.select(*RECORD, "landed_solids_ml", "read_var_ml2", "area_rel_var", "gain_rel_u", "grade", on_film=pl.col("basis") != "mass")
        .join(alone, on=RECORD)
        .filter((pl.col("landed_solids_ml") > 0) & (pl.col("sprayed") > 0))
        .with_columns(
            pl.col("sprayed_rel_u").fill_null(0.0),
            te=pl.col("landed_solids_ml") / pl.col("sprayed"),
            # readings may find less after spraying than before: what is uncertain about that is no less
            film_rel_u=pl.col("read_var_ml2").fill_null(0).sqrt() / pl.col("landed_solids_ml").abs(),
            area_rel_u=pl.col("area_rel_var").fill_null(0).sqrt(),
            leftover_rel_u=pl.when("unweighed").then(pl.col("sd") / (1 - pl.col("mean"))).otherwise(0.0),
            gauge_rel_u=pl.when("on_film").then(pl.col("gain_rel_u").abs().fill_null(0.0)).otherwise(0.0),
            area_shared_rel_u=pl.when("on_film").then(settings.film.area_shared_sd).otherwise(0.0),
            solids_rel_u=pl.lit(settings.cup.solids_rel_u),
            density_rel_u=pl.when("on_film").then(settings.cup.density_rel_u).otherwise(0.0),
            left_mean=pl.when("unweighed").then((pl.col("mean") / 0.01).round() * 0.01).otherwise(0.0),
            left_sd=pl.when("unweighed").then((pl.col("sd") / 0.005).round().clip(1) * 0.005).otherwise(0.0),
        )
        .with_columns(
            rel_u=_together(*LANDED, *SPRAYED, "leftover_rel_u"),
            r_landed=_rounded(_together(*LANDED)),
            r_solids=_rounded(_together(*SPRAYED)),
        )
    )  # fmt: skip
    inputs = ["r_landed", "r_solids", "left_mean", "left_sd"]
    kinds = frame.select(inputs).unique().sort(inputs)
    factors = [monte_carlo_factors(*row) for row in kinds.iter_rows()]
    kinds = kinds.with_columns(
        mc_low=pl.Series([f[0] for f in factors], dtype=pl.Float64),
        mc_high=pl.Series([f[1] for f in factors], dtype=pl.Float64),
    )
    drawn = frame.select(inputs).join(kinds, on=inputs, how="left", maintain_order="left")
    te, rel_u = frame["te"].to_numpy(), frame["rel_u"].to_numpy()
    low, high = gum_interval(te, rel_u)
    drawn_low, drawn_high = te * drawn["mc_low"].to_numpy(), te * drawn["mc_high"].to_numpy()
    agree = passes_clause_8(te, rel_u, (low, high), (drawn_low, drawn_high))
    vague = rel_u > MAX_REL_U
    gum = agree & ~frame["unweighed"].to_numpy()
    return in_order(
        frame.with_columns(
            low=pl.Series(np.where(vague, np.nan, np.where(gum, low, drawn_low))).fill_nan(None),
            high=pl.Series(np.where(vague, np.nan, np.where(gum, high, drawn_high))).fill_nan(None),
            how=pl.Series(np.where(vague, VAGUE, np.where(gum, "propagation", "Monte Carlo")), dtype=pl.String),
        ).select(BUDGET_COLUMNS),
        RECORD,
    )
