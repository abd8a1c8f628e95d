"""Units of measure as a table, for statements that turn an amount in a named unit into kg or L.

Here belongs the one step that hands the registry of `pipelines.units` to SQL. Factors themselves have their home there.
"""

from __future__ import annotations

import polars as pl

from pipelines import units

SHOWN_IN = {"mass": "kg", "volume": "l"}


def unit_factors() -> pl.DataFrame:
    """One row per unit of mass or volume: unit, quantity (`mass` or `volume`), factor to kg or L (see `pipelines.units`)."""
    known = sorted((unit for unit in units.REGISTRY.values() if unit.quantity in SHOWN_IN), key=lambda unit: unit.name)
    return pl.DataFrame(
        {
            "unit": [unit.name for unit in known],
            "quantity": [unit.quantity for unit in known],
            "factor": [units.factor(unit.name, SHOWN_IN[unit.quantity]) for unit in known],
        }
    )
