"""The published columns of the transfer tables, and the small steps that every road to them shares.

Here belong column lists, counts of records per cell and the tables made from direct records alone. The joint model's own
figures are made in joint.py.
"""

from __future__ import annotations

import math

import numpy as np
import polars as pl
from scipy import stats

from pipelines.settings import Settings
from pipelines.transfer.model import shared_terms
from pipelines.transfer.model.design import in_order
from pipelines.transfer.model.direct import CELL, direct_cells
from schemas.published import TRANSFER_LINE, Z95

RECORD = ["shop_id", "job_id", "record_no"]
OPERATION = ["shop_id", "op_job_id", "operation_no"]

# table -> the columns that say which cell a row is
TABLES: dict[str, tuple[str, ...]] = {
    "transfer_by_pair": CELL,
    "transfer_by_gun": ("shop_id", "gun_id", "role"),
    "transfer_by_technician": ("shop_id", "technician_id", "role"),
    "transfer_by_role": ("shop_id", "role"),
}
EFFECTS = {"gun_effects": "gun_id", "technician_effects": "technician_id"}

TE_COLUMNS: dict[str, pl.DataType] = {
    "estimate": pl.Float64(), "low": pl.Float64(), "high": pl.Float64(), "n": pl.Int64(), "n_direct": pl.Int64(),
    "grade": pl.String(), "separable": pl.Boolean(), "with_whom": pl.String(), "prob_below_65": pl.Float64(),
    "method": pl.String(), "advice": pl.String(), "combined": pl.Float64(), "combined_low": pl.Float64(),
    "combined_high": pl.Float64(), "bound": pl.Float64(),
}  # fmt: skip
TYPICAL_COLUMNS: dict[str, pl.DataType] = {
    "typical_estimate": pl.Float64(), "typical_low": pl.Float64(), "typical_high": pl.Float64(),
}  # fmt: skip
EFFECT_COLUMNS: dict[str, pl.DataType] = {
    "effect": pl.Float64(), "low": pl.Float64(), "high": pl.Float64(), "n": pl.Int64(), "reliability": pl.Float64(),
    "vif": pl.Float64(), "separable": pl.Boolean(), "with_whom": pl.String(), "flagged": pl.Boolean(),
    "prob_low": pl.Float64(), "method": pl.String(),
}  # fmt: skip
OPERATION_TE_COLUMNS: dict[str, pl.DataType] = {
    "shop_id": pl.String(), "op_job_id": pl.String(), "operation_no": pl.Int64(), "te": pl.Float64(),
    "te_low": pl.Float64(), "te_high": pl.Float64(), "grade": pl.String(), "source": pl.String(),
    "event_rel_u": pl.Float64(), "on_film": pl.Boolean(), "design_row": pl.Int64(),
}  # fmt: skip
SCREENED_COLUMNS: dict[str, pl.DataType] = {
    "shop_id": pl.String(), "job_id": pl.String(), "record_no": pl.Int64(), "ratio": pl.Float64(), "z": pl.Float64(),
    "why": pl.String(),
}  # fmt: skip

MODEL_COLUMNS: dict[str, pl.DataType] = {
    "term": pl.String(), "level": pl.String(), "value": pl.Float64(), "low": pl.Float64(), "high": pl.Float64(),
    "note": pl.String(),
}  # fmt: skip

NO_FILM = "no record yet: read the film of every panel before and after one operation, and weigh the cup back"
TOO_FEW = "two more records of this pair alone, with the cup weighed back, would give an interval"


def te_columns(table: str) -> dict[str, pl.DataType]:
    """The columns of one of TABLES behind its key."""
    return TE_COLUMNS | (TYPICAL_COLUMNS if table != "transfer_by_pair" else {})


def shaped(frame: pl.DataFrame, key: tuple[str, ...], columns: dict[str, pl.DataType]) -> pl.DataFrame:
    """The frame with exactly the given columns; those it lacks are null, as is nan. Sorted by key."""
    wanted = {**{name: pl.String() for name in key}, **columns}
    found = frame.select(
        (pl.col(name) if name in frame.columns else pl.lit(None)).cast(dtype).alias(name)
        for name, dtype in wanted.items()
    )
    return found.with_columns(pl.col(pl.Float64).fill_nan(None)).sort([*key] or list(wanted))


def usable_keys(records: pl.DataFrame) -> pl.DataFrame:
    return records.filter(pl.col("usable").fill_null(False) & pl.col("landed_solids_ml").is_finite()).select(RECORD)


def cells_seen(records: pl.DataFrame, layers: pl.DataFrame, by: tuple[str, ...]) -> pl.DataFrame:
    """Every cell that sprayed: columns of `by`, n (usable records it takes part in), n_direct (those it has to itself)."""
    layers = layers.filter(pl.all_horizontal(pl.col(name).is_not_null() for name in by))
    alone = pl.struct(*[c for c in CELL if c != "shop_id"]).n_unique().over(RECORD) == 1
    seen = layers.with_columns(alone=alone).join(
        usable_keys(records).with_columns(used=pl.lit(True)), on=RECORD, how="left"
    )
    one = seen.group_by(*by, *[c for c in RECORD if c not in by], maintain_order=True).agg(
        used=pl.col("used").fill_null(False).any(), alone=pl.col("alone").all()
    )
    return (
        one.group_by(by, maintain_order=True)
        .agg(n=pl.col("used").sum().cast(pl.Int64), n_direct=(pl.col("used") & pl.col("alone")).sum().cast(pl.Int64))
        .sort(by)
    )


def prob_below(estimate: pl.Expr, log_u: pl.Expr) -> pl.Expr:
    """P(TE < 65 %) = Phi((log .65 - eta) / u), u with what all records share in it."""
    z = (math.log(TRANSFER_LINE) - estimate.log()) / log_u
    return z.map_batches(lambda s: pl.Series(stats.norm.cdf(s.to_numpy())), return_dtype=pl.Float64).fill_nan(None)


def direct_tables(records: pl.DataFrame, layers: pl.DataFrame, settings: Settings) -> dict[str, pl.DataFrame]:
    """All tables from direct records alone. Effects are not estimated: a ratio of sums cannot tell a hand from a gun."""
    method = "direct records only"
    gain_rel_u = float(np.mean(records["gain_rel_u"].fill_null(0.0).to_numpy())) if records.height else 0.0
    out: dict[str, pl.DataFrame] = {}
    for table, by in TABLES.items():
        frame = cells_seen(records, layers, by).join(
            direct_cells(records, layers, by).rename({"n": "n_ratio"}), on=by, how="left"
        )
        up, down = (pl.col(a).clip(lower_bound=1e-6).log() - pl.col(b).clip(lower_bound=1e-6).log()
                    for a, b in (("high", "estimate"), ("estimate", "low")))  # fmt: skip
        common = Z95 * shared_terms.of_film(settings, gain_rel_u)
        frame = frame.with_columns(
            grade=pl.col("grade").fill_null("C"),
            method=pl.lit(method),
            advice=pl.when(pl.col("n") == 0).then(pl.lit(NO_FILM)).when(pl.col("low").is_null()).then(pl.lit(TOO_FEW)),
            prob_below_65=prob_below(pl.col("estimate"), ((up + down).pow(2) / 4 + common**2).sqrt() / Z95),
            low=pl.col("estimate") * (-(down.pow(2) + common**2).sqrt()).exp(),
            high=pl.col("estimate") * (up.pow(2) + common**2).sqrt().exp(),
        )
        out[table] = shaped(frame, by, te_columns(table))
    for table, who in EFFECTS.items():
        frame = cells_seen(records, layers, (who,)).with_columns(flagged=pl.lit(False), method=pl.lit(method))
        out[table] = shaped(frame, (who,), EFFECT_COLUMNS)
    return out


def operation_te(cells: pl.DataFrame, budget: pl.DataFrame) -> pl.DataFrame:
    """The transfer efficiency that the ledger takes for each spray operation.

    cells   shop_id, op_job_id, operation_no, te, te_low, te_high, log_u, grade, source, event_rel_u, design_row: what the cell
            says of one event, for every operation (log_u its standard uncertainty on the log scale)
    budget  event.budgets: an operation's own record is taken where it is grade A, 0 < TE < 1 and it is sharper
    """
    own = budget.filter(
        (pl.col("grade") == "A") & pl.col("low").is_not_null() & (pl.col("te") > 0) & (pl.col("te") < 1)
    ).select(
        *OPERATION, "rel_u", own="te", own_low="low", own_high=pl.col("high").clip(upper_bound=1.0),
        own_event=pl.sum_horizontal(
            pl.col(part) ** 2 for part in ("film_rel_u", "area_rel_u", "sprayed_rel_u", "leftover_rel_u")
        ).sqrt(),
        weighed=~pl.col("on_film"),
    )  # fmt: skip
    frame = cells.join(own, on=OPERATION, how="left", maintain_order="left")
    sharper = (pl.col("rel_u") < pl.col("log_u")).fill_null(False)
    frame = frame.select(
        *OPERATION,
        te=pl.when(sharper).then("own").otherwise("te"),
        te_low=pl.when(sharper).then("own_low").otherwise("te_low"),
        te_high=pl.when(sharper).then("own_high").otherwise("te_high"),
        grade=pl.when(sharper).then(pl.lit("A")).otherwise("grade"),
        source=pl.when(sharper).then(pl.lit("own")).otherwise("source"),
        event_rel_u=pl.when(sharper).then("own_event").otherwise("event_rel_u"),
        on_film=~(sharper & pl.col("weighed").fill_null(False)),
        design_row=pl.when(~sharper).then("design_row"),
    ).select(
        pl.col(name).cast(dtype) for name, dtype in OPERATION_TE_COLUMNS.items()
    )  # fmt: skip
    frame = in_order(frame, OPERATION)
    # an operation of a weighed target may stand in a second record: the first is kept
    again = pl.all_horizontal(pl.col(name) == pl.col(name).shift(1) for name in OPERATION).fill_null(False)
    repeated = frame.select(again).to_series()
    return frame.filter(~repeated) if repeated.any() else frame
