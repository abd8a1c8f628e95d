"""From figures to what somebody does on Monday: the door of the decisions.

Here belongs the order in which the parts are asked and the shape of what comes back. Each part says how it reckons in its own
module: film_model, technique, habits, drift, mixing, savings, gunset, cards.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import polars as pl

from pipelines.transfer import cards, drift, film_model, gunset, habits, mixing, savings, technique
from pipelines.transfer.estimate import fitted_model
from pipelines.transfer.iterate import Joint
from schemas import door

NEEDS = (
    "jobs", "pours", "guns", "gun_services", "products", "mixes", "sprays", "sprayed", "cup_feeds", "records", "record_layers",
    "stage_positions", "increment_layers", "film_increments", "film_build", "gun_fit", "material_ledger", "transfer_by_pair",
    "transfer_by_gun", "transfer_by_role", "technician_effects",
)  # fmt: skip
GIVES = (
    "film_by_technician", "edge_bias", "panel_heat", "technique_power", "gun_cover", "gun_drift", "gun_service_contrasts",
    "mix_guide", "mix_backtest", "mix_levels", "savings", "savings_basis", "practice_cards", "cautions",
)  # fmt: skip


def decide(
    tables: Mapping[str, pl.DataFrame], settings: Mapping[str, Any] | None = None, joint: Joint | None = None
) -> dict[str, pl.DataFrame]:
    """Every table of GIVES, conformed, from the tables of NEEDS; settings are the flat settings of the workspace.

    joint   the transfer model of these records as `estimate` fitted it; fitted here where it is not at hand
    Tables stand with no rows where there is nothing to say. Raises KeyError naming the tables that are missing.
    """
    missing = [name for name in NEEDS if name not in tables]
    if missing:
        raise KeyError(f"decisions need the tables {', '.join(missing)}")
    settings = dict(settings or {})
    # sorted, so that the order of rows can move nothing
    tables = {name: tables[name].sort(door.keys(name), nulls_last=True) for name in NEEDS}
    out: dict[str, pl.DataFrame] = {}

    film = film_model.film_by_technician(tables["film_build"], tables["material_ledger"], tables["mixes"], settings)
    out["film_by_technician"] = film

    gained = technique.places(
        tables["film_increments"], tables["stage_positions"], tables["increment_layers"], tables["sprays"]
    )
    each = technique.panels(gained)
    out["edge_bias"] = technique.edge_bias(each, settings)
    out["panel_heat"] = technique.panel_heat(gained)
    out["technique_power"] = technique.technique_power(each)

    out["gun_cover"] = gunset.gun_cover(tables["gun_fit"], tables["transfer_by_gun"], tables["guns"])
    joint = joint or fitted_model(tables["records"], tables["record_layers"], tables["gun_services"])
    if joint is not None:
        litres = drift.litres_sprayed(tables["sprays"], tables["sprayed"], tables["mixes"], tables["gun_services"])
        residuals = drift.residuals(joint, tables["records"], tables["record_layers"], litres)
        out["gun_drift"] = drift.gun_drift(residuals, litres)
        out["gun_service_contrasts"] = drift.gun_service_contrasts(residuals, tables["gun_services"])

    out["mix_guide"] = mixing.mix_guide(tables, settings)
    tried = mixing.backtest(tables, settings)
    out["mix_backtest"], out["mix_levels"] = mixing.mix_backtest(tried), mixing.mix_levels(tried)

    left = habits.leftover_habits_of_hands(habits.cups(tables["mixes"], tables["pours"], tables["products"]), settings)
    out["savings"], out["savings_basis"] = savings.savings(tables, joint, left, settings)
    shaped = {name: formed(name, frame) for name, frame in out.items()}
    shaped["practice_cards"] = formed(
        "practice_cards",
        cards.practice_cards(
            tables["technician_effects"],
            shaped["film_by_technician"],
            shaped["edge_bias"],
            left,
            tables["transfer_by_pair"],
            settings,
        ),
    )
    shaped["cautions"] = formed("cautions", cards.cautions())
    return {name: shaped.get(name, door.empty(name)) for name in GIVES}


def formed(name: str, frame: pl.DataFrame) -> pl.DataFrame:
    """A frame in its table's form; columns that a part had nothing for are null, a part with nothing to say gives no rows."""
    if not frame.height:
        return door.empty(name)
    have = set(frame.columns)
    infos = door.columns(name)
    # flags are never null: nothing shown is not flagged
    fill = [
        pl.lit(False if info.kind == "bool" and not info.nullable else None, info.dtype).alias(info.name)
        for info in infos
        if info.name not in have
    ]
    frame = frame.with_columns(fill).with_columns(
        pl.col(info.name).fill_null(False) for info in infos if info.kind == "bool" and not info.nullable
    )
    return door.conform(name, frame)
