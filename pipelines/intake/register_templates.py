"""The registers that `filmledger init` writes: a header each, what its columns mean, and an example to uncomment.

Lines of a register that begin with '# ' are comments to the reader (read.py). The meanings come from the schemas.
"""

import textwrap

from schemas import validate
from schemas.registers import REGISTERS

#: register -> example rows as column = text; invented, and right by the schemas
EXAMPLES: dict[str, list[dict[str, str]]] = {
    "shops": [{"shop_id": "north", "label": "North shop", "jurisdiction": "us", "time_zone": "America/Chicago"}],
    "booths": [{"booth_id": "north_1", "shop_id": "north", "filter_capture": "0.98", "evidence_ref": "filter sheet 2024"}],
    "technicians": [{"technician_id": "t01", "shop_id": "north", "label": "First name", "hired_on": "2022-04-01"}],
    "trainings": [{"technician_id": "t01", "completed_on": "2023-02-14", "hands_on": "true", "classroom": "true"}],
    "guns": [
        {"gun_id": "g01", "shop_id": "north", "atomising": "hvlp", "feed": "gravity", "tip_mm": "1.3", "cup_ml": "600",
         "flush_loss_g": "6", "in_service_on": "2024-01-08"},
    ],
    "gun_services": [{"gun_id": "g01", "serviced_on": "2025-01-10", "work": "cleaned"}],
    "gauges": [{"gauge_id": "fg1", "principle": "dual"}],
    "products": [
        {"product_id": "clear_a", "label": "Clear A", "role": "clear", "tip_min_mm": "1.2", "tip_max_mm": "1.4",
         "inlet_max_kpa": "200", "coats_min": "2", "coats_max": "2", "film_min_um": "50", "film_max_um": "65",
         "film_basis": "as_applied", "sheet_ref": "data sheet, issue and date"},
    ],
    "product_categories": [{"product_id": "clear_a", "jurisdiction": "us", "category": "the category's name there"}],
    "components": [
        {"component_id": "clear_a_binder", "label": "Clear A", "kind": "binder", "density_g_per_ml": "0.98",
         "solids_mass_fraction": "0.45", "solids_volume_fraction": "0.39", "voc_mass_fraction": "0.55",
         "water_mass_fraction": "0", "exempt_mass_fraction": "0",
         "composition_complete": "true", "price_per_kg": "30"},
    ],
    "component_species": [
        {"component_id": "clear_a_binder", "cas": "123-86-4", "substance": "n-butyl acetate", "mass_fraction": "0.3"},
    ],
    "component_categories": [{"component_id": "wax_remover", "jurisdiction": "eu", "category": "pre_cleaner"}],
    "notifications": [
        {"shop_id": "north", "sent_on": "2025-01-20", "kind": "compliance status", "document_ref": "folder and page"},
    ],
    "changes": [
        {"change_id": "c01", "on": "2025-02-03", "what": "gun_serviced", "shop_id": "north", "gun_id": "g01",
         "before": "needle set worn", "after": "needle set new", "cost": "85"},
        {"change_id": "c02", "on": "2025-03-03", "what": "practice", "shop_id": "north", "technician_id": "t01", "card": "tilt",
         "before": "fan tilted at the sill", "after": "gun square to the panel"},
    ],
    "closed_figures": [
        {"shop_id": "north", "month": "2025-01", "figure_table": "emissions_monthly", "part": "clear", "figure": "voc_kg", "amount": "12.5"},
    ],
    "closed_files": [{"month": "2025-01", "path": "inbox/scale_2025-01.csv", "sha256": "0a1b"}],
    "panel_areas": [{"vehicle_class": "small_car", "panel_id": "door_front_left", "area_m2": "0.9", "substrate": "steel"}],
    "permit_limits": [
        {"shop_id": "north", "measure": "voc_kg", "period": "rolling_12_months", "limit": "900", "unit": "kg",
         "source": "permit number and section"},
    ],
}  # fmt: skip


def registers() -> dict[str, str]:
    """File name below registers/ -> its text, for every register."""
    return {f"{name}.csv": _text(name) for name in REGISTERS}


def _text(name: str) -> str:
    infos = validate.columns(name)
    lines = [
        f"# {REGISTERS[name].description}. Lines that begin with '# ' are comments; one row each below the header.",
        "#",
    ]
    for info in infos:
        about = info.description + (f" ({info.unit})" if info.unit else "")
        about += f": {', '.join(info.values)}" if info.values else ""
        about += "" if info.required else "; may be empty"
        lines += textwrap.wrap(f"{info.name}: {about}", 110, initial_indent="#   ", subsequent_indent="#       ")
    lines.append(",".join(info.name for info in infos))
    for row in EXAMPLES[name]:
        cells = [row.get(info.name, "") for info in infos]
        lines.append("# " + ",".join(f'"{c}"' if "," in c else c for c in cells))
    return "\n".join(lines) + "\n"
