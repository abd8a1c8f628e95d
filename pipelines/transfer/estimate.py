"""The door of the transfer model: working tables in, published tables out.

Chooses between the joint model and direct records, and shapes what comes back. How either is computed stands elsewhere.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import polars as pl

from pipelines.transfer import tables
from pipelines.transfer.options import Options


def estimate(
    records: pl.DataFrame, record_layers: pl.DataFrame, settings: Mapping[str, Any] | Options | None = None
) -> dict[str, pl.DataFrame]:
    """Transfer efficiency by pair, gun, technician and role, effects, and the figure for every spray operation.

    records        one row per closed or unclosed record: shop_id, job_id, record_no, kind, landed_solids_ml (mL),
                   read_var_ml2 (mL^2), area_rel_var, gain_rel_u, grade, usable, why_not, landed_at
    record_layers  one row per spray operation in a record: gun, technician, product, role, sprayed_solids_ml (mL, null
                   where a leftover is unknown), poured_solids_ml (mL), sprayed_rel_u, area_m2, ...
    settings       flat settings of the workspace (material_effect, false_flag_share, shared_rel_u), or nothing

    Returns transfer_by_pair, transfer_by_gun, transfer_by_technician, transfer_by_role, gun_effects, technician_effects,
    operation_te, screened_records. Every table stands, if need be with no rows. Ratios are pure numbers.
    """
    options = Options.read(settings)
    records, layers = _typed(records, record_layers)
    out = tables.direct_tables(records, layers, options)
    out["operation_te"] = _from_direct_cells(layers, out["transfer_by_pair"])
    out["screened_records"] = pl.DataFrame(schema=tables.SCREENED_COLUMNS)
    return out


def _typed(records: pl.DataFrame, layers: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Sorted, so that the order of rows can move nothing."""
    return records.sort(tables.RECORD), layers.sort(*tables.RECORD, "position", *tables.OPERATION[1:])


def _from_direct_cells(layers: pl.DataFrame, by_pair: pl.DataFrame) -> pl.DataFrame:
    cell = ["shop_id", "gun_id", "technician_id", "role"]
    cells = layers.unique(tables.OPERATION, keep="first", maintain_order=True).join(
        by_pair.filter(pl.col("estimate").is_not_null()).select(
            *cell, te="estimate", te_low="low", te_high="high", grade="grade"
        ),
        on=cell,
    )
    none = pl.DataFrame(schema=tables.OPERATION_TE_COLUMNS)
    return tables.operation_te(layers, none.drop("grade", "source"), cells.with_columns(source=pl.lit("direct cells")))
