"""Whole invented workspaces that hold everything the oracles can reckon, as rows of the CSV files.

`rows(seed)` puts together small shops with strips, blends, moved guns, missing properties and cuts (small_shops.py), shops
with a year of environmental record (emission_oracle.py), and the papers that rules ask for: booths, trainings, permits in
every unit, tips and pressures. `write` makes a workspace folder of them. Figures are invented and mean nothing outside tests.
"""

from __future__ import annotations

import random
from collections import defaultdict
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import emission_oracle
import small_shops

from schemas.events import EVENTS
from schemas.registers import REGISTERS

Row = dict[str, Any]
OWN = ("shop_id", "gun_id", "gauge_id", "technician_id")  # ids that small shops of several seeds would share
UNITS = {"rts_l": ("l", "gal_us", "gal_imp"), "kg": ("kg", "lb", "ton_us", "tonne")}
METRIC = {
    "l": 1.0,
    "gal_us": 3.8,
    "gal_imp": 4.5,
    "kg": 1.0,
    "lb": 0.45,
    "ton_us": 900.0,
    "tonne": 1000.0,
}  # near enough


class Readable(small_shops.Workspace):
    """A small workspace of which every row can be read."""

    def _spoil(self, shop: str) -> None:
        for row in self.rows["gauges"]:
            row["principle"] = "ultrasonic"  # reads film on plastic too


def rows(seed: int, *, small: int = 8, cups: int = 60, readable: bool = False) -> dict[str, list[Row]]:
    """All tables of one workspace: `small` little shops and four with `cups` cups each. readable: nothing is refused, so that
    the files say all that the oracles know; else some rows are marked as refused (`incomplete`)."""
    rng = random.Random(seed)
    found: dict[str, list[Row]] = defaultdict(list)
    seen: dict[str, set[str]] = defaultdict(set)

    def take(tables: dict[str, list[Row]], mark: str = "") -> None:
        for name, listed in tables.items():
            for row in listed:
                named = row | {k: f"{mark}{row[k]}" for k in OWN if mark and row.get(k) is not None}
                text = repr(sorted(named.items(), key=lambda item: item[0]))
                if text not in seen[name]:
                    seen[name].add(text)
                    found[name].append(named)

    for k in range(small):
        one = (Readable if readable else small_shops.Workspace)(seed * 1000 + k)
        take(one.rows, f"w{k}_")
    take(of_the_record(seed, cups, readable))
    _papers(rng, found)
    return found


def of_the_record(seed: int, cups: int, readable: bool) -> dict[str, list[Row]]:
    """The shops of the environmental record."""
    drawn = emission_oracle.shops(seed, cups)
    return {name: listed for name, listed in drawn.items() if not (readable and name == "incomplete")}


def _papers(rng: random.Random, found: dict[str, list[Row]]) -> None:
    """Booths, people and their trainings, permits, tips and pressures."""
    shops = [r["shop_id"] for r in found["shops"]]
    for number, r in enumerate(found["shops"]):
        r.setdefault("jurisdiction", [None, "us", "us-ca", "eu", "ca-qc", "us-tx"][number % 6])
    tips = {
        "primer": (1.6, 1.9),
        "basecoat": (1.2, 1.4),
        "clearcoat": (1.3, 1.4),
        "top": (1.3, None),
        "guess": (1.6, 1.8),
    }
    for r in found["products"]:
        low, high = tips.get(r["product_id"], (None, None))
        r |= dict(tip_min_mm=low, tip_max_mm=high, inlet_max_kpa=250.0 if r["role"] == "clear" else None)
        if r.get("film_max_um"):
            r["film_min_um"] = r["film_max_um"] * 0.6
        if r["role"] == "surfacer":
            r["film_basis"] = "after_sanding"
    for number, r in enumerate(found["guns"]):
        r |= dict(
            tip_mm=rng.choice([1.2, 1.3, 1.4, 1.6, 1.8, None]), cup_ml=rng.choice([None, 60.0, 87.0, 88.7, 600.0])
        )
        r["atomising"] = ("hvlp", "reduced_pressure", "conventional")[number % 3]
    for shop in shops:
        for number in range(2):
            found["booths"].append(
                dict(booth_id=f"{shop} b{number}", shop_id=shop, filter_capture=rng.choice([0.985, 0.96, None, 0.98]),
                     evidence_ref=rng.choice(["paper", None]))
            )  # fmt: skip
        found["booths"].append(
            dict(
                booth_id=f"{shop} b0",
                valid_from=date(2026, 3, 6),
                shop_id=shop,
                filter_capture=0.991,
                evidence_ref="paper",
            )
        )
        for number in range(3):
            hired = rng.choice([None, date(2019, 2, 1), date(2025, 4, 1), date(2026, 1, 5)])
            left = None if hired is None or rng.random() < 0.8 else date(2026, 2, 1)
            found["technicians"].append(
                dict(technician_id=f"{shop} p{number}", shop_id=shop, hired_on=hired, left_on=left)
            )
            for day in {date(2020, 2, 29), date(2025, 5, 2), date(2026, 3, 3)}:
                if rng.random() < 0.4:
                    found["trainings"].append(
                        dict(technician_id=f"{shop} p{number}", completed_on=day, hands_on=rng.choice([True, True, None]),
                             classroom=rng.choice([True, True, False]), certificate_ref=rng.choice(["c", None]))
                    )  # fmt: skip
    found["technicians"].append(dict(technician_id="t", shop_id="north"))
    for r in found["operations"]:
        if r["kind"] == "spray":
            r["booth_id"] = rng.choice([None, f"{r['shop_id']} b0", f"{r['shop_id']} b1"])
            r["tip_mm"] = rng.choice([None, None, None, 1.3, 1.7])
            r["inlet_kpa"] = rng.choice([None, 200.0, 250.0, 260.0])
            r["ended_at"] = r.get("ended_at") or r["started_at"] + timedelta(minutes=rng.choice([12, 20, 35]))
    del found["permit_limits"][:]
    for shop in shops:
        for measure in ("rts_l", "rts_l:primer_sealer", "voc_kg", "exempt_kg", "pm_kg", "hap_kg", "hap_kg:108-88-3"):
            for period in ("month", "calendar_year", "rolling_12_months"):
                fits = UNITS["rts_l" if measure.startswith("rts_l") else "kg"]
                unit = rng.choice(fits)
                wanted = rng.choice([2.0, 20.0, 60.0]) * (1 if period == "month" else 4)
                found["permit_limits"].append(
                    dict(
                        shop_id=shop, measure=measure, period=period, limit=wanted / METRIC[unit], unit=unit, source="p"
                    )
                )


def write(folder: Path, found: dict[str, list[Row]]) -> None:
    """The inbox and the registers of a workspace, one plain CSV a table; what is refused elsewhere (`incomplete`) is left out."""
    for where, names in (("inbox", EVENTS), ("registers", REGISTERS)):
        (folder / where).mkdir(parents=True, exist_ok=True)
        for name in names:
            if found.get(name):
                frame = small_shops.frame(name, found[name])
                frame.write_csv(folder / where / f"{name}.csv", datetime_format="%Y-%m-%d %H:%M:%S%.6f")
