"""The transfer model as others call it: working tables in, published tables out.

Chooses between the joint model and direct records, and shapes what comes back. How either is computed stands elsewhere.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import polars as pl

from pipelines.settings import Settings
from pipelines.transfer.model import design, joint, linearise, operation_estimate, transfer_tables, trend

#: table -> the columns that the model reads
READS = {
    "records": (
        *transfer_tables.RECORD, "kind", "basis", "landed_solids_ml", "sprayed_solids_ml", "ratio", "read_var_ml2", "area_rel_var",
        "sprayed_rel_u", "rel_u", "gain_rel_u", "grade", "usable",
    ),
    "record_layers": (
        *transfer_tables.RECORD, "position", "op_job_id", "operation_no", "gun_id", "technician_id", "product_id", "role",
        "atomising", "started_at", "sprayed_solids_ml", "poured_solids_ml", "sprayed_rel_u", "leftover_known", "area_class",
        "blended", "plastic_share",
    ),
    "gun_services": ("gun_id", "serviced_on", "work"),
}  # fmt: skip


def estimate(
    records: pl.DataFrame,
    record_layers: pl.DataFrame,
    settings: Settings | None = None,
    gun_services: pl.DataFrame | None = None,
    hand_over: Callable[[linearise.Joint], object] | None = None,
) -> dict[str, pl.DataFrame]:
    """Transfer efficiency by pair, gun, technician and role, effects, and the figure for every spray operation.

    records        one row per closed or unclosed record: shop_id, job_id, record_no, kind, basis (volume | mass),
                   landed_solids_ml (mL), read_var_ml2 (mL^2), area_rel_var, gain_rel_u, grade, usable, why_not, landed_at
    record_layers  one row per spray operation in a record: gun, technician, product, role, sprayed_solids_ml (mL, null
                   where a leftover is unknown), poured_solids_ml (mL), sprayed_rel_u, area_m2, ...
    settings       of the workspace; None: the defaults
    READS says which columns of each count.

    Returns transfer_by_pair, transfer_by_gun, transfer_by_technician, transfer_by_role, gun_effects, technician_effects,
    operation_te, screened_records, record_budgets, transfer_model. Every table stands, if need be with no rows. Ratios are
    pure numbers. Columns of a key that name no gun or technician may be null in record_layers: such layers inform the rest.
    """
    settings = settings or Settings()
    records, layers = _typed(records, record_layers)
    del record_layers
    prepared = design.prepare_layers(layers, gun_services)
    unknown = _sprayed_unknown(records, prepared)
    usable = _without(records.filter("usable").select(MEASURED), unknown)
    if not usable.height:
        return _direct(records, layers, prepared, settings) | {"screened_records": _screened([unknown])}

    built, fitted, shifts = _fitted(usable, prepared)
    aside = _set_aside(built, fitted)
    del built  # as large as what was fitted
    if hand_over and fitted.design.n:
        hand_over(fitted)
    if not fitted.design.n:
        return _direct(_without(usable, aside), layers, prepared, settings) | {
            "screened_records": _screened([unknown, aside])
        }
    budgets = _without(operation_estimate.budgets(usable, prepared, settings), aside)
    told = trend.told_layers(prepared, shifts)
    prepared = prepared.select(transfer_tables.OPERATION)
    del usable
    said = joint.Statements(fitted, settings)
    out: dict[str, pl.DataFrame] = {"transfer_model": said.model(), "record_budgets": budgets}
    for table, by in transfer_tables.TABLES.items():
        out[table] = transfer_tables.shaped(said.table(table), by, transfer_tables.te_columns(table))
    for table, who in transfer_tables.EFFECTS.items():
        out[table] = transfer_tables.shaped(said.effects(table), (who,), transfer_tables.EFFECT_COLUMNS)
    cells = said.operations(prepared, out["transfer_by_pair"], told)
    del said, fitted, prepared
    out["operation_te"] = transfer_tables.operation_te(cells, budgets)
    out["screened_records"] = _screened([unknown, aside])
    return out


def _fitted(
    usable: pl.DataFrame, prepared: pl.DataFrame, touched: design.Touched | None = None
) -> tuple[design.Design, linearise.Joint, pl.DataFrame]:
    """Design, model and the steps from month to month it was told (trend.KEY, step). touched: see design.build.

    A shop that is found to have moved is fitted again with its steps in: else they would pass as chance, wear and hands.
    """
    built = design.build(usable, prepared, touched)
    fitted = linearise.solve(built)
    found = first = trend.steps(fitted)
    turned = trend.turns(first)
    if turned:
        found = first = trend.steps(fitted, turned)
    shifts = trend.shifts(first, turned)
    for _ in range(ROUNDS if turned else 0):
        moved = np.exp(trend.told_layers(prepared, shifts).to_numpy())
        moved_layers = prepared.with_columns(sprayed=pl.col("sprayed") * pl.Series(moved))
        built = design.build(usable, moved_layers, touched)
        fitted = linearise.solve(built)
        found = trend.together(first, shifts, trend.steps(fitted, turned))
        shifts = trend.shifts(found, turned)
    return built, replace(fitted, steps=replace(found, turned=tuple(turned))), shifts


ROUNDS = 2  # fits with steps in: the first finds most of a step, the second what the first fit had laid on guns


def fitted_model(
    records: pl.DataFrame, record_layers: pl.DataFrame, gun_services: pl.DataFrame | None = None
) -> linearise.Joint | None:
    """What `estimate` hands over, where its tables are at hand and the model behind them is not; None: nothing to fit."""
    fits: list[linearise.Joint] = []
    estimate(records, record_layers, None, gun_services, fits.append)
    return fits[0] if fits else None


def fitted_with(
    records: pl.DataFrame,
    record_layers: pl.DataFrame,
    gun_services: pl.DataFrame | None,
    touched: Callable[[pl.DataFrame], design.Touched],
) -> tuple[linearise.Joint, pl.DataFrame] | None:
    """The model of the same records with columns besides its own, and the layers it was built over, in the order of
    `row_of_layer`, with `told` (log TE), the step of the shop's month that it was told. None: nothing to fit.

    touched: layers -> the columns (design.build).
    """
    records, layers = _typed(records, record_layers)
    prepared = design.prepare_layers(layers, gun_services)
    usable = _without(records.filter("usable").select(MEASURED), _sprayed_unknown(records, prepared))
    if not usable.height:
        return None
    _, fitted, shifts = _fitted(usable, prepared, touched(layers))
    return fitted, layers.with_columns(told=trend.told_layers(prepared, shifts))


MEASURED = [*transfer_tables.RECORD, "landed_solids_ml", "read_var_ml2", "area_rel_var", "gain_rel_u", "grade", "basis"]


def _without(records: pl.DataFrame, some: pl.DataFrame) -> pl.DataFrame:
    return records.join(some, on=transfer_tables.RECORD, how="anti") if some.height else records


def _direct(
    records: pl.DataFrame, layers: pl.DataFrame, prepared: pl.DataFrame, settings: Settings
) -> dict[str, pl.DataFrame]:
    """Nothing for the model to work on: tables that say what to measure first."""
    out = transfer_tables.direct_tables(records.filter("usable"), layers, settings)
    out["operation_te"] = _from_direct_cells(layers, out["transfer_by_pair"])
    out["record_budgets"] = operation_estimate.budgets(records.filter("usable"), prepared, settings)
    out["transfer_model"] = pl.DataFrame(schema=transfer_tables.MODEL_COLUMNS)
    return out


def _sprayed_unknown(records: pl.DataFrame, prepared: pl.DataFrame) -> pl.DataFrame:
    """Usable records of which some layer's sprayed solids, or the landed solids, are not a number to work with."""
    fine = pl.col("sprayed").is_finite() & (pl.col("sprayed") > 0) & pl.col("own_var").is_finite()
    bad = prepared.filter(~fine.fill_null(False)).select(transfer_tables.RECORD)
    usable = records.filter("usable")
    measured = pl.all_horizontal(
        pl.col("landed_solids_ml").is_finite(),
        pl.col("read_var_ml2").fill_null(0.0).is_finite(),
        pl.col("area_rel_var").fill_null(0.0).is_finite(),
    ).fill_null(False)
    found = [
        usable.filter(~measured).select(transfer_tables.RECORD),
        usable.select(transfer_tables.RECORD).join(bad, on=transfer_tables.RECORD, how="semi"),
    ]
    if _runs(prepared) != records.height:  # some record has no layer at all
        found.append(
            usable.select(transfer_tables.RECORD).join(
                prepared.select(transfer_tables.RECORD), on=transfer_tables.RECORD, how="anti"
            )
        )
    return pl.concat(found).unique().with_columns(why=pl.lit("what was sprayed or what landed is not known"))


def _runs(layers: pl.DataFrame) -> int:
    """How many records the layers, sorted by record, belong to."""
    changed = pl.any_horizontal(pl.col(name) != pl.col(name).shift(1) for name in transfer_tables.RECORD)
    return int(layers.select(changed.fill_null(True).sum()).item()) if layers.height else 0


def _set_aside(built: design.Design, fitted: linearise.Joint) -> pl.DataFrame:
    """The records that the model set aside: key, ratio of landed to sprayed, z where it was predicted, why."""
    out = np.ones(built.n, bool)
    out[fitted.kept] = False
    sprayed = np.bincount(built.record, built.sprayed, minlength=built.n)
    return built.keys.with_columns(
        ratio=pl.Series(built.landed / sprayed), z=pl.Series(fitted.z).fill_nan(None)
    ).filter(pl.Series(out)).with_columns(
        why=pl.when(pl.col("z").is_null())
        .then(pl.lit("more landed than was sprayed, by over 3 standard uncertainties: a pour or a reading is missing"))
        .otherwise(pl.lit("over 4 standard deviations from what the model expects"))
    )  # fmt: skip


def _screened(parts: list[pl.DataFrame]) -> pl.DataFrame:
    return pl.concat([transfer_tables.shaped(part, (), transfer_tables.SCREENED_COLUMNS) for part in parts]).sort(
        transfer_tables.RECORD
    )


def _typed(records: pl.DataFrame, layers: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Sorted, so that the order of rows can move nothing."""
    records = records.with_columns(pl.col("usable").fill_null(False))
    by = [*transfer_tables.RECORD, "position", *transfer_tables.OPERATION[1:]]
    return design.in_order(records, transfer_tables.RECORD), design.in_order(layers, by)


def _from_direct_cells(layers: pl.DataFrame, by_pair: pl.DataFrame) -> pl.DataFrame:
    cell = ["shop_id", "gun_id", "technician_id", "role"]
    said = by_pair.filter(pl.col("estimate").is_not_null()).select(
        *cell, "grade", te="estimate", te_low="low", te_high="high", source=pl.lit("direct cells")
    )
    cells = layers.select(*transfer_tables.OPERATION, *cell[1:]).join(said, on=cell, how="left", maintain_order="left")
    nothing = {"event_rel_u": pl.lit(None, pl.Float64), "design_row": pl.lit(None, pl.Int64)}
    return transfer_tables.operation_te(
        cells.with_columns(log_u=pl.lit(0.0), **nothing), operation_estimate.no_budgets()
    )
