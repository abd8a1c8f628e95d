"""What comes rarely: cleaning, aerosols, stock, checks of gauges and scales, deviations.

What belongs here: tables with a few rows a week, made from what the cups of a month used. What does not: anything that
is drawn per job or cup.
"""

from __future__ import annotations

import datetime as dt
from typing import Any

import numpy as np
import polars as pl

from seed_data import business as biz
from seed_data.business import Business, Parameters

_T, _F, _I, _D, _DT = pl.String(), pl.Float64(), pl.Int64(), pl.Date(), pl.Datetime("us")


_SMALL: dict[str, dict[str, pl.DataType]] = {
    "cleaning": {
        "shop_id": _T,
        "cleaning_no": _T,
        "used_at": _DT,
        "component_id": _T,
        "purpose": _T,
        "gun_id": _T,
        "issued_g": _F,
        "recovered_g": _F,
    },
    "unscaled_use": {"shop_id": _T, "use_no": _T, "used_at": _DT, "component_id": _T, "mass_g": _F, "job_id": _T},
    "stock": {
        "shop_id": _T,
        "document_no": _T,
        "line_no": _I,
        "happened_on": _D,
        "component_id": _T,
        "movement": _T,
        "mass_g": _F,
        "voc_mass_fraction": _F,
        "document_ref": _T,
    },
    "gauge_checks": {"gauge_id": _T, "checked_at": _DT, "shim_um": _F, "check_no": _I, "reading_um": _F},
    "scale_checks": {"scale_id": _T, "checked_at": _DT, "weight_g": _F, "check_no": _I, "reading_g": _F},
    "deviations": {
        "shop_id": _T,
        "deviation_no": _T,
        "from_on": _D,
        "to_on": _D,
        "rule": _T,
        "nature": _T,
        "action": _T,
    },
    "target_weighings": {
        "shop_id": _T,
        "job_id": _T,
        "operation_no": _I,
        "target_id": _T,
        "before_g": _F,
        "after_g": _F,
        "whole": pl.Boolean(),
    },
}


def empty_tables() -> dict[str, pl.DataFrame]:
    return {t: pl.DataFrame(schema=schema) for t, schema in _SMALL.items()}


def rare_tables(p: Parameters, b: Business, canonical: dict[str, pl.DataFrame]) -> dict[str, pl.DataFrame]:
    """Cleaning, aerosols, stock, checks and deviations: a few rows a week, made from what the cups used."""
    rng = np.random.default_rng([p.seed, 3])
    rows: dict[str, list[dict[str, Any]]] = {t: [] for t in _SMALL if t != "target_weighings"}
    used = (
        canonical["pours"]
        .filter(pl.col("component_id").is_not_null())
        .group_by("shop_id", pl.col("poured_at").dt.truncate("1mo").dt.date().alias("month"), "component_id")
        .agg(pl.col("weighed_g").sum())
    )
    cups_of = {
        (a, m): n
        for a, m, n in canonical["pours"]
        .group_by("shop_id", pl.col("poured_at").dt.truncate("1mo").dt.date().alias("month"))
        .agg(pl.col("mix_id").n_unique())
        .iter_rows()
    }
    used_of: dict[tuple[str, dt.date], dict[str, float]] = {}
    for shop_id, month, component, grams in used.sort("shop_id", "month", "component_id").iter_rows():
        used_of.setdefault((shop_id, month), {})[component] = grams
    for shop in b.shops:
        stock: dict[str, float] = {}
        cleaning_no = use_no = document = 0
        for m in range(p.months):
            month = biz.add_months(p.start, m)
            out = dict(used_of.get((shop.shop_id, month), {}))
            cups = cups_of.get((shop.shop_id, month), 0)
            noon = dt.datetime.combine(month, dt.time(16, 30))
            for week in range(4):
                for purpose, component, per_cup, back in (
                    ("gun", shop.cleaner, 55.0, 0.72),
                    ("surface", shop.wipe, 22.0, 0.0),
                ):
                    cleaning_no += 1
                    issued = round(cups / 4 * per_cup * float(rng.uniform(0.85, 1.15)), 0)
                    recovered = round(issued * back * float(rng.uniform(0.9, 1.1)), 0) if back else None
                    rows["cleaning"].append(
                        {
                            "shop_id": shop.shop_id,
                            "cleaning_no": f"K{cleaning_no:04d}",
                            "used_at": noon + dt.timedelta(days=4 + 7 * week),
                            "component_id": component,
                            "purpose": purpose,
                            "gun_id": None,
                            "issued_g": issued,
                            "recovered_g": recovered,
                        }
                    )
                    out[component] = out.get(component, 0.0) + issued
                use_no += 1
                mass = round(float(rng.uniform(250, 600)), 0)
                rows["unscaled_use"].append(
                    {
                        "shop_id": shop.shop_id,
                        "use_no": f"U{use_no:04d}",
                        "used_at": noon + dt.timedelta(days=3 + 7 * week),
                        "component_id": "aerosol_guide",
                        "mass_g": mass,
                        "job_id": None,
                    }
                )
                out["aerosol_guide"] = out.get("aerosol_guide", 0.0) + mass
            # booth cleaning once a month
            cleaning_no += 1
            rows["cleaning"].append(
                {
                    "shop_id": shop.shop_id,
                    "cleaning_no": f"K{cleaning_no:04d}",
                    "used_at": noon + dt.timedelta(days=26),
                    "component_id": shop.cleaner,
                    "purpose": "booth",
                    "gun_id": None,
                    "issued_g": 1500.0,
                    "recovered_g": 0.0,
                }
            )
            out[shop.cleaner] = out.get(shop.cleaner, 0.0) + 1500.0
            # deliveries in cans of 5 kg ahead of need, a count at the end of every third month
            document += 1
            line = 0
            delivery = f"D{month:%y%m}-{document:03d}"
            for component, grams in sorted(out.items()):
                have = stock.get(component, 0.0)
                cans = int(np.ceil(max(0.0, 1.35 * grams + 2000 - have) / 5000))
                if cans:
                    line += 1
                    rows["stock"].append(
                        {"shop_id": shop.shop_id, "document_no": delivery, "line_no": line, "happened_on": month,
                         "component_id": component, "movement": "delivered", "mass_g": cans * 5000.0,
                         "voc_mass_fraction": None, "document_ref": f"note {delivery}"}
                    )  # fmt: skip
                    have += cans * 5000.0
                # now and then a can is knocked over or a pour is not written down; most months nothing goes unrecorded
                fate = float(rng.uniform(0.0, 1.0))
                lost = 400.0 + 0.05 * grams if fate > 0.96 else 0.0
                stock[component] = max(have - grams - lost, 0.0)
            if m % 3 == 2 or m == p.months - 1:
                document += 1
                last = biz.add_months(month, 1) - dt.timedelta(days=1)
                for line, (component, have) in enumerate(sorted(stock.items()), start=1):
                    rows["stock"].append(
                        {"shop_id": shop.shop_id, "document_no": f"C{month:%y%m}-{document:03d}", "line_no": line,
                         "happened_on": last, "component_id": component, "movement": "counted",
                         "mass_g": round(have, -1), "voc_mass_fraction": None, "document_ref": None}
                    )  # fmt: skip
            if m % 4 == 3:
                document += 1
                rows["stock"].append(
                    {"shop_id": shop.shop_id, "document_no": f"W{month:%y%m}-{document:03d}", "line_no": 1,
                     "happened_on": month + dt.timedelta(days=19), "component_id": None, "movement": "shipped_as_waste",
                     "mass_g": round(cups * 4 * float(rng.uniform(18, 30)), -1), "voc_mass_fraction": 0.55,
                     "document_ref": f"manifest {shop.shop_id} {month:%Y-%m}" if m % 8 == 3 else None}
                )  # fmt: skip
        rows["deviations"].append(
            {
                "shop_id": shop.shop_id,
                "deviation_no": "1",
                "from_on": biz.add_months(p.start, 2) + dt.timedelta(days=9),
                "to_on": biz.add_months(p.start, 2) + dt.timedelta(days=10),
                "rule": "booth filter",
                "nature": "filter changed a day late",
                "action": "spare set kept in store",
            }
        )
        days = (biz.add_months(p.start, p.months) - p.start).days
        for g in shop.gauges:
            for d in range(1, days, 14):
                shims = (50.0, 250.0) if g == shop.gauges[0] else (125.0,)
                for shim in shims:
                    value = b.gauge_offset[g] + b.gauge_gain[g] * shim + rng.normal(0, p.gauge_noise_um)
                    rows["gauge_checks"].append(
                        {
                            "gauge_id": b.gauge_ids[g],
                            "checked_at": dt.datetime.combine(p.start + dt.timedelta(days=d), dt.time(7, 45)),
                            "shim_um": shim,
                            "check_no": 1,
                            "reading_um": round(float(value), 1),
                        }
                    )
        for k, scale in enumerate(shop.scales):
            gain = 1 + float(rng.normal(0, 0.0006))
            for d in range(2 + k, days, 7):
                rows["scale_checks"].append(
                    {
                        "scale_id": scale,
                        "checked_at": dt.datetime.combine(p.start + dt.timedelta(days=d), dt.time(7, 50)),
                        "weight_g": 500.0,
                        "check_no": 1,
                        "reading_g": round(500 * gain + float(rng.normal(0, 0.08)), 1),
                    }
                )
    return {t: pl.DataFrame(r, schema=_SMALL[t]) for t, r in rows.items()}
