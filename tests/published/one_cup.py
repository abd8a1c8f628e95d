"""A workspace of a few cups, run through the project's own SQL, for checks against published figures.

Rows are given as intake would hand them on; a step and all it reads are run, the transfer model is not: a test states the
transfer efficiency itself. US customary figures go through the project's own exact factors.
"""

from __future__ import annotations

from datetime import datetime
from functools import cache
from typing import Any

import polars as pl

from pipelines import run, units
from schemas import events, reference, registers, validate
from tests import on_frames

Row = dict[str, Any]
NOON = datetime(2026, 3, 3, 12)
LB_PER_GAL = units.factor("lb_per_gal_us", "g_per_ml")
GAL_ML = units.factor("gal_us", "ml")
LB_G = units.factor("lb", "g")
MIL_UM = units.factor("mil", "um")
FT2_M2 = units.factor("ft2", "m2")


@cache
def shipped(name: str) -> pl.DataFrame:
    """A reference table as the project ships it."""
    return run.reference_table(name)


def frame(table: str, rows: list[Row]) -> pl.DataFrame:
    """Rows of a table in its own types; columns left out are empty."""
    empty = validate.empty(table)
    unknown = {key for row in rows for key in row} - set(empty.columns)
    assert not unknown, f"{table} has no {sorted(unknown)}"
    return pl.DataFrame([{key: row.get(key) for key in empty.columns} for row in rows], schema=empty.schema)


def ledger(*wanted: str, **rows: list[Row]) -> dict[str, pl.DataFrame]:
    """The steps named and every step they read, on these rows; tables not given are empty, reference tables as shipped."""
    found = {name: shipped(name) for name in reference.REFERENCE}
    transfer = ("operation_te", "transfer_by_pair", "transfer_model")
    for name in (*events.EVENTS, *registers.REGISTERS, "incomplete", *transfer):
        found[name] = frame(name, rows.get(name, []))
    for name in rows.keys() & reference.REFERENCE.keys():
        found[name] = frame(name, rows[name])
    return on_frames.run_wanted(found, *wanted)


def part(gal: float, **more: float | str) -> Row:
    """A part of a mix: US gallons of something, its figures per US gallon of itself.

    lb_per_gal: density; voc, water, exempt: lb of each in a gallon; solids: gallon of solids in a gallon.
    """
    return {"gal": gal, "lb_per_gal": 8.0, "voc": 0.0, "water": 0.0, "exempt": 0.0, "solids": 0.0, **more}


def component(name: str, of: Row) -> Row:
    """The register row of a part: fractions by mass, solids by difference."""
    density = of["lb_per_gal"]
    voc, water, exempt = (of[key] / density for key in ("voc", "water", "exempt"))
    return {
        "component_id": name,
        "density_g_per_ml": density * LB_PER_GAL,
        "voc_mass_fraction": voc,
        "water_mass_fraction": water,
        "exempt_mass_fraction": exempt,
        "exempt_density_g_per_ml": of["exempt_lb_per_gal"] * LB_PER_GAL if "exempt_lb_per_gal" in of else None,
        "solids_mass_fraction": max(0.0, 1 - voc - water - exempt),
        "solids_volume_fraction": of["solids"],
        "price_per_kg": of.get("price_per_kg"),
    }


def cups_of(*cups: list[Row], shop: Row | None = None) -> dict[str, list[Row]]:
    """Rows of a workspace with these cups, c1, c2, ..., each a list of parts; a part's grams follow from its gallons."""
    components: list[Row] = []
    pours: list[Row] = []
    for number, parts in enumerate(cups, start=1):
        for pour_no, of in enumerate(parts, start=1):
            name = f"k{number}_{pour_no}"
            components.append(component(name, of))
            pours.append(
                {
                    "shop_id": "s",
                    "mix_id": f"c{number}",
                    "pour_no": pour_no,
                    "poured_at": of.get("at", NOON),
                    "product_id": of.get("product", "p"),
                    "component_id": name,
                    "weighed_g": of["gal"] * GAL_ML * of["lb_per_gal"] * LB_PER_GAL,
                }
            )
    products = sorted({row["product_id"] for row in pours})
    return {
        "shops": [{"shop_id": "s", "jurisdiction": "us", **(shop or {})}],
        "products": [{"product_id": name, "role": "clear"} for name in products],
        "components": components,
        "pours": pours,
    }


def mix(*parts: Row) -> Row:
    """The row of `mixes` of one cup."""
    return ledger("mixes", **cups_of(list(parts)))["mixes"].row(0, named=True)


def lb_per_gal(g_per_l: float) -> float:
    """g/L in lb per US gallon."""
    return g_per_l / 1000 / LB_PER_GAL


def spraying(n: int = 1, **more: Any) -> Row:
    """Operation n of the job, a minute after the one before."""
    return {
        "shop_id": "s", "job_id": "j", "operation_no": n, "kind": "spray", "gun_id": "g", "technician_id": "t", "product_id": "p",
        "started_at": NOON.replace(hour=13, minute=n), **more,
    }  # fmt: skip


def nothing_left(n: int = 1) -> Row:
    """The weigh-back of cup n at the day's end."""
    return {"shop_id": "s", "mix_id": f"c{n}", "weigh_no": 1, "weighed_at": NOON.replace(hour=20), "leftover_g": 0.0}


def stated(te: float, n: int = 1, off: float = 0.0) -> Row:
    """The transfer efficiency of operation n, give or take `off`."""
    ends = {"te": te, "te_low": te - off, "te_high": te + off}
    return {"shop_id": "s", "op_job_id": "j", "operation_no": n, **ends, "grade": "A", "source": "stated"}


def sprayed(te: float, *cups: list[Row], **more: Any) -> dict[str, pl.DataFrame]:
    """The material ledger of cups that one operation each sprayed out, at a stated transfer efficiency, no flush loss."""
    rows = cups_of(*cups)
    rows["jobs"] = [{"shop_id": "s", "job_id": "j"}]
    rows["guns"] = [{"gun_id": "g", "shop_id": "s", "atomising": "hvlp", "flush_loss_g": 0.0}]
    numbers = range(1, len(cups) + 1)
    rows["operations"] = [spraying(n, **more) for n in numbers]
    rows["draws"] = [{"shop_id": "s", "job_id": "j", "operation_no": n, "mix_id": f"c{n}"} for n in numbers]
    rows["leftovers"] = [nothing_left(n) for n in numbers]
    rows["operation_te"] = [stated(te, n) for n in numbers]
    return ledger("material_ledger", **rows)


def landed_ml(found: dict[str, pl.DataFrame]) -> list[float]:
    """Solids that landed, mL, of each cup of `sprayed` in turn."""
    rows = (
        found["material_ledger"].join(found["mixes"], on=["shop_id", "mix_id"]).filter(pl.col("job_id").is_not_null())
    )
    rows = rows.sort(pl.col("mix_id").str.slice(1).cast(pl.Int64))
    return ((rows["useful_solids_g"] + rows["over_build_solids_g"]) / rows["dry_density_g_per_ml"]).to_list()


def covered_ft2(solids_ml: float, film_mil: float) -> float:
    """Area that a film of that thickness covers, ft2; um x m2 = mL."""
    return solids_ml / (film_mil * MIL_UM) / FT2_M2
