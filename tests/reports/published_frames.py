"""A small maker of published frames for the tests of the pages. Every number is invented and means nothing.

Deterministic: the same call gives the same frames. Each frame goes through the door, so it is what the pipeline may
publish.
"""

from __future__ import annotations

import datetime as dt
import random
from typing import Any

import polars as pl

from schemas import door
from schemas.published import LANDING_PARTS, LEDGER_PARTS

SHOPS = {"east": "Hillside", "north": "Northgate", "quay": "Old Quay"}
ROLES = {"p_base": "base", "p_clear": "clear", "p_epoxy": "epoxy", "p_fill": "surfacer", "p_seal": "sealer"}
PARTS = ("useful", "over_build", "overspray", "flush_loss", "leftover", "not_split")


NOTHING: dict[str, Any] = {"int": 0, "float": 0.0, "bool": False, "text": "-", "list": []}


def frame(table: str, rows: list[dict[str, Any]]) -> pl.DataFrame:
    """Rows as a frame of the table: columns left out are null, or the plainest value where the table wants one.

    Raises DoorError where a row is not what the table allows.
    """
    infos = door.columns(table)
    plainest = {i.name: None if i.nullable else (i.values[0] if i.values else NOTHING.get(i.kind)) for i in infos}
    columns = {i.name: [row.get(i.name, plainest[i.name]) for row in rows] for i in infos}
    return door.conform(table, pl.DataFrame(columns, schema={i.name: i.dtype for i in infos}))


def months(n: int) -> list[str]:
    return [f"{2023 + (4 + i) // 12}-{(4 + i) % 12 + 1:02d}" for i in range(n)]


def make(n_months: int = 6, shops: int = 3, cups_a_month: int = 8, seed: int = 7) -> dict[str, pl.DataFrame]:
    """All tables that a first run publishes, and the registers that the pages use."""
    draw = random.Random(seed)
    names = dict(list(SHOPS.items())[:shops])
    guns = [(f"G{i:02d}", shop) for i, shop in enumerate([s for s in names for _ in range(3)], 1)]
    people = [(f"T{i:02d}", shop) for i, shop in enumerate([s for s in names for _ in range(3)], 1)]
    ledger, mixes, emissions, records = [], [], [], []
    for shop in names:
        for month in months(n_months):
            used: dict[str, float] = {}
            for cup in range(cups_a_month):
                product = draw.choice(sorted(ROLES))
                mix = f"{month}-{cup:03d}"
                gun = draw.choice([g for g, s in guns if s == shop])
                person = draw.choice([p for p, s in people if s == shop])
                complete = draw.random() > 0.05
                solids = draw.uniform(80, 420)
                row = _ledger_row(draw, solids, complete)
                row |= {"shop_id": shop, "mix_id": mix, "month": month, "product_id": product, "role": ROLES[product]}
                if complete:
                    row |= {"job_id": f"J{month}{cup}", "operation_no": 3, "gun_id": gun, "technician_id": person}
                row |= {
                    "rework": complete and draw.random() < 0.04,
                    "te_source": f"{gun} x {person}" if complete else None,
                }
                ledger.append(row)
                mixes.append(
                    {
                        "shop_id": shop,
                        "mix_id": mix,
                        "product_id": product,
                        "month": month,
                        "poured_g": solids * 1.9,
                        "leftover_g": row["leftover_solids_g"] * 1.9,
                        "leftover_known": True,
                        "complete": complete,
                        "cost": row["poured_cost"],
                        "grade": "A",
                        "poured_on_g": 0.0,
                        "rts_l": solids / 560,
                        "why_incomplete": None if complete else "weighed_g: 'abc' is not a number",
                    }
                )
                used[product] = used.get(product, 0.0) + solids
                if complete and draw.random() < 0.3:
                    sprayed = draw.uniform(40, 160)
                    ratio = draw.uniform(0.35, 0.75)
                    records.append(
                        {
                            "shop_id": shop,
                            "job_id": f"J{month}{cup}",
                            "record_no": 1,
                            "operations": [f"J{month}{cup}/3"],
                            "roles": [ROLES[product]],
                            "sprayed_solids_ml": sprayed,
                            "landed_solids_ml": sprayed * ratio,
                            "ratio": ratio,
                            "rel_u": 0.09,
                            "grade": "A",
                            "usable": True,
                            "basis": "volume",
                        }
                    )
            emissions += _emission_rows(draw, shop, month, used)
    tables = {
        "material_ledger": frame("material_ledger", ledger),
        "mixes": frame("mixes", mixes),
        "emissions_monthly": frame("emissions_monthly", emissions),
        "transfer_records": frame("transfer_records", records),
        **_transfer(draw, names, guns, people),
        **_intake(),
        "film_increments": door.empty("film_increments"),
    }
    return tables | registers(names, guns, people)


def _ledger_row(draw: random.Random, solids: float, complete: bool) -> dict[str, Any]:
    shares = [
        draw.uniform(0.35, 0.5),
        draw.uniform(0.0, 0.1),
        draw.uniform(0.25, 0.4),
        0.02,
        draw.uniform(0.03, 0.2),
        0.0,
    ]
    if not complete:
        shares = [0.0, 0.0, 0.0, 0.0, 0.0, 1.0]
    total = sum(shares)
    row: dict[str, Any] = {"te": 0.58 if complete else None, "te_low": 0.53 if complete else None}
    row |= {"te_high": 0.63 if complete else None, "grade": draw.choice("AABBC") if complete else None}
    for part, share in zip(PARTS, shares, strict=True):
        row[f"{part}_solids_g"] = solids * share / total
    row["poured_solids_g"] = sum(row[f"{part}_solids_g"] for part in PARTS)
    for part in LEDGER_PARTS:
        row[f"{part}_voc_g"] = row[f"{part}_solids_g"] * 0.8
        row[f"{part}_cost"] = row[f"{part}_solids_g"] * 0.05
    for part in LANDING_PARTS:
        row[f"{part}_solids_g_low"] = row[f"{part}_solids_g"] * 0.9
        row[f"{part}_solids_g_high"] = row[f"{part}_solids_g"] * 1.1
    return row


def _emission_rows(draw: random.Random, shop: str, month: str, used: dict[str, float]) -> list[dict[str, Any]]:
    base = {
        "shop_id": shop,
        "month": month,
        "complete": draw.random() > 0.1,
        "share_a": 0.6,
        "share_b": 0.3,
        "share_c": 0.1,
    }
    litres = sum(used.values()) / 560
    pm = 0.01 * sum(used.values()) / 1000
    coatings = {"topcoat": 0.7, "primer": 0.3}
    rows = [
        base
        | {
            "category": c,
            "rts_l": litres * s,
            "rts_kg": litres * s,
            "voc_kg": litres * s * 0.42,
            "exempt_kg": 0.02 * s,
            "pm_kg": pm * s,
            "pm_kg_low": 0.8 * pm * s,
            "pm_kg_high": 1.2 * pm * s,
        }
        for c, s in coatings.items()
    ]
    rows.append(base | {"category": "cleaning", "rts_l": 0.0, "voc_kg": 0.12 * litres})
    if month.endswith("7"):
        rows.append(base | {"category": "waste", "rts_l": 0.0, "voc_kg": -0.1 * litres})
    return rows


def _transfer(draw: random.Random, names: dict[str, str], guns: list, people: list) -> dict[str, pl.DataFrame]:
    def row(n: int, joined: str | None = None) -> dict[str, Any]:
        common = {
            "n": n,
            "n_direct": n,
            "method": "direct records only",
            "separable": joined is None,
            "with_whom": joined,
        }
        if n < 2:
            return common
        te = draw.uniform(0.42, 0.72)
        half = 0.35 / n**0.5
        return common | {
            "estimate": te,
            "low": max(0.0, te - half),
            "high": te + half,
            "grade": "A" if n > 8 else "B",
            "prob_below_65": 0.5,
        }

    by_gun, by_person, by_pair, by_role = [], [], [], []
    for role in ("base", "clear", "surfacer"):
        for shop in names:
            by_role.append({"shop_id": shop, "role": role, **row(40)})
            local = [g for g, s in guns if s == shop]
            hands = [p for p, s in people if s == shop]
            for i, (gun, person) in enumerate(zip(local, hands, strict=True)):
                n = draw.choice([1, 3, 6, 14, 31])
                joined = i == 2
                by_gun.append(
                    {"shop_id": shop, "gun_id": gun, "role": role, **row(n, f"technician {person}" if joined else None)}
                )
                by_person.append(
                    {"shop_id": shop, "technician_id": person, "role": role, **row(n, f"gun {gun}" if joined else None)}
                )
                by_pair.append({"shop_id": shop, "gun_id": gun, "technician_id": person, "role": role, **row(n)})
    return {
        "transfer_by_gun": frame("transfer_by_gun", by_gun),
        "transfer_by_technician": frame("transfer_by_technician", by_person),
        "transfer_by_pair": frame("transfer_by_pair", by_pair),
        "transfer_by_role": frame("transfer_by_role", by_role),
    }


def _intake() -> dict[str, pl.DataFrame]:
    files = [
        ("inbox/north/scale_2023.csv", "pours", "scale", 900, 890, 4, 6, 0),
        ("inbox/north/jobs.csv", "operations", "job_log", 210, 205, 1, 0, 4),
        ("inbox/quay/film.csv", "readings", None, 640, 640, 0, 0, 0),
    ]
    rows = [
        {
            "file": f,
            "table": t,
            "layout": lay,
            "sha256": "0" * 64,
            "state": "read",
            "rows_read": r,
            "accepted": a,
            "refused": x,
            "duplicate": d,
            "superseded": s,
        }
        for f, t, lay, r, a, x, d, s in files
    ]
    rows.append(
        {
            "file": "inbox/east/export.bin",
            "table": "-",
            "state": "refused",
            "rows_read": 0,
            "accepted": 0,
            "refused": 0,
            "duplicate": 0,
            "superseded": 0,
            "message": "not a table: save it as .csv or .xlsx",
        }
    )
    refused = [
        {
            "file": "inbox/north/scale_2023.csv",
            "line": 12 + i,
            "table": "pours",
            "raw": f"M-{i};abc;<b>x</b>",
            "reasons": [f"weighed_g: 'abc{i}' is not a number; write digits with a decimal point"],
        }
        for i in range(4)
    ]
    refused.append(
        {
            "file": "inbox/north/jobs.csv",
            "line": 7,
            "table": "operations",
            "raw": "J1;;",
            "reasons": ["gun_id: 'Z9' is not in registers/guns.csv", "ended_at is before started_at"],
        }
    )
    return {"intake_files": frame("intake_files", rows), "refused_rows": frame("refused_rows", refused)}


def registers(names: dict[str, str], guns: list, people: list) -> dict[str, pl.DataFrame]:
    ways = ("hvlp", "reduced_pressure", "conventional")
    return {
        "shops": frame("shops", [{"shop_id": k, "label": v, "jurisdiction": "us"} for k, v in names.items()]),
        "products": frame(
            "products",
            [
                {"product_id": p, "label": f"Grade {r}", "role": r, "valid_from": dt.date(2023, 1, 1)}
                for p, r in ROLES.items()
            ],
        ),
        "technicians": frame(
            "technicians", [{"technician_id": t, "shop_id": s, "label": "A. Name"} for t, s in people]
        ),
        "guns": frame(
            "guns",
            [
                {"gun_id": g, "shop_id": s, "atomising": ways[i % 3], "feed": "gravity", "tip_mm": 1.3 + 0.1 * (i % 4)}
                for i, (g, s) in enumerate(guns)
            ],
        ),
    }
