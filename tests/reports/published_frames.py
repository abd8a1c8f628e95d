"""A small maker of published frames for the tests of the pages. Every number is invented and means nothing.

Deterministic: the same call gives the same frames. Each frame goes through the door, so it is what the pipeline may
publish.
"""

from __future__ import annotations

import datetime as dt
import random
from typing import Any

import polars as pl

from schemas import validate
from schemas.area_classes import MIX_LEVELS
from schemas.published import LANDING_PARTS, LEDGER_PARTS

SHOPS = {"east": "Hillside", "north": "Northgate", "quay": "Old Quay"}
ROLES = {"p_base": "base", "p_clear": "clear", "p_epoxy": "epoxy", "p_fill": "surfacer", "p_seal": "sealer"}
PARTS = ("useful", "over_build", "overspray", "flush_loss", "leftover", "not_split")


NOTHING: dict[str, Any] = {"int": 0, "float": 0.0, "bool": False, "text": "-", "list": []}


def frame(table: str, rows: list[dict[str, Any]]) -> pl.DataFrame:
    """Rows as a frame of the table: columns left out are null, or the plainest value where the table wants one.

    Raises TableError where a row is not what the table allows.
    """
    infos = validate.columns(table)
    plainest = {i.name: None if i.nullable else (i.values[0] if i.values else NOTHING.get(i.kind)) for i in infos}
    columns = {i.name: [row.get(i.name, plainest[i.name]) for row in rows] for i in infos}
    return validate.conform(table, pl.DataFrame(columns, schema={i.name: i.dtype for i in infos}))


def months(n: int) -> list[str]:
    return [f"{2023 + (4 + i) // 12}-{(4 + i) % 12 + 1:02d}" for i in range(n)]


def make(n_months: int = 6, shops: int = 3, cups_a_month: int = 8, seed: int = 7) -> dict[str, pl.DataFrame]:
    """All tables that a first run publishes, and the registers that the pages use."""
    draw = random.Random(seed)
    names = dict(list(SHOPS.items())[:shops]) | {f"s{i:03d}": f"Shop {i}" for i in range(len(SHOPS) + 1, shops + 1)}
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
        "total_loadings": frame("total_loadings", _loadings(ledger)),
        "mixes": frame("mixes", mixes),
        "emissions_monthly": frame("emissions_monthly", emissions),
        "emission_lines": frame("emission_lines", _emission_lines(emissions, mixes)),
        "voc_content_lines": frame("voc_content_lines", _pours(mixes)),
        "voc_content": frame("voc_content", _contents(mixes)),
        "limit_curve": frame("limit_curve", _curve(next(iter(names)), n_months)),
        "actions": frame("actions", _actions(names, guns, people)),
        "transfer_records": frame("transfer_records", records),
        **_transfer(draw, names, guns, people),
        **_intake(),
        **decisions(random.Random(seed + 1), names, guns, people),
        "film_increments": validate.empty("film_increments"),
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


def _loadings(ledger: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Three directions for each shop, month and product: one error of 5 % of all, one of 4 % of the shop, and its own of 10 %."""
    landed: dict[tuple[str, str, str, str], float] = {}
    for row in ledger:
        if row.get("te") is not None and row.get("product_id") and row.get("role"):
            key = (row["shop_id"], row["month"], row["product_id"], row["role"])
            landed[key] = landed.get(key, 0.0) + row["useful_solids_g"] + row["over_build_solids_g"]
    return [
        {"shop_id": shop, "period": month, "product_id": product, "role": role, "direction": direction,
         "landed_g": size * grams, "over_build_g": 0.1 * size * grams}
        for (shop, month, product, role), grams in sorted(landed.items())
        for direction, size in (("area", 0.05), (f"gauge {shop}", 0.04), ("own", 0.1))
    ]  # fmt: skip


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


def _emission_lines(emissions: list[dict[str, Any]], mixes: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Two lines a row of emissions_monthly, six and four tenths of it, each of a cup of the month."""
    cups: dict[tuple[str, str], list[str]] = {}
    for mix in mixes:
        cups.setdefault((mix["shop_id"], mix["month"]), []).append(mix["mix_id"])
    lines: list[dict[str, Any]] = []
    for row in emissions:
        found = cups[row["shop_id"], row["month"]]
        for i, share in enumerate((0.6, 0.4)):
            line = {k: row[k] for k in ("shop_id", "month", "category", "complete")} | {
                "line": len(lines) + 1,
                "mass_g": 1.0,
            }
            line |= {
                "kind": "cup",
                "source": "pours",
                "on_date": dt.date.fromisoformat(f"{row['month']}-15"),
                "grade": "A",
            }
            amounts = {m: share * row[m] for m in ("rts_l", "voc_kg", "exempt_kg", "pm_kg") if m in row}
            lines.append(line | amounts | {"mix_id": found[i % len(found)]})
    return lines


def _pours(mixes: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """A binder and a hardener in every cup, each from a line of the month's file."""
    return [
        {"shop_id": mix["shop_id"], "mix_id": mix["mix_id"], "line": 2 * at + i, "pour_no": i, "component_id": component,
         "mass_g": share * mix["poured_g"], "on_date": dt.date.fromisoformat(f"{mix['month']}-15"), "product_id": mix["product_id"],
         "product_on": dt.date.fromisoformat(f"{mix['month']}-15"),
         "file": f"inbox/scale_{mix['month']}.csv", "file_line": 2 * at + i + 1}
        for at, mix in enumerate(mixes) for i, (component, share) in enumerate((("binder", 0.8), ("hardener", 0.2)), 1)
    ]  # fmt: skip


def _contents(mixes: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Every cup against the limit of its category: of base and clear one in four lies above, one in seven has no content known."""
    return [
        {"shop_id": mix["shop_id"], "mix_id": mix["mix_id"], "jurisdiction": "us", "basis": "regulatory", "kind": "cup", "month": mix["month"],
         "category": "topcoat" if mix["product_id"] in ("p_base", "p_clear") else "primer", "product_id": mix["product_id"],
         "limit_g_per_l": 420.0 if mix["product_id"] in ("p_base", "p_clear") else 340.0, "source": "invented", "rules": True,
         "status_date": dt.date.fromisoformat(f"{mix['month']}-15"),
         "g_per_l": None if n % 7 == 0 else 300.0 + 50 * (n % 4), "over": None if n % 7 == 0 else 300.0 + 50 * (n % 4) > 420}
        for n, mix in enumerate(mixes)
    ]  # fmt: skip


def _curve(shop: str, n_months: int) -> list[dict[str, Any]]:
    """VOC of twelve months under a permit of half a US ton, .03 more each month."""
    return [
        {"shop_id": shop, "measure": "voc_kg", "period": "rolling_12_months", "month": month, "unit": "ton_us", "unit_fits": True,
         "total": 0.03 * n * 907.18474, "limit": 0.5 * 907.18474, "total_stated": 0.03 * n, "limit_stated": 0.5,
         "headroom_stated": 0.5 - 0.03 * n, "headroom": (0.5 - 0.03 * n) * 907.18474, "share_of_limit": 0.06 * n, "pace_stated": 0.03,
         "complete": True, "already": False}
        for n, month in enumerate(months(n_months), 1)
    ]  # fmt: skip


def _actions(names: dict[str, str], guns: list, people: list) -> list[dict[str, Any]]:
    """Of every shop a gun that is not allowed, and one lever of money; of the first a card."""
    lines: list[dict[str, Any]] = []
    for n, shop in enumerate(names, 1):
        gun, person = (next(x for x, s in group if s == shop) for group in (guns, people))
        line = {"shop_id": shop, "how_sure": "shown"}
        rule = line | {"kind": "rule", "what": "do not spray with this gun", "subject": gun, "evidence": f"gun_fit: {shop}, {gun}",
                       "worth": 10.0 * n, "unit": "operations"}  # fmt: skip
        money = line | {"kind": "money", "what": "stop at the film that the data sheet asks for", "subject": "",
                        "evidence": f"savings: {shop}, over_build", "worth": 100.0 * n, "worth_low": 50.0 * n, "worth_high": 150.0 * n,
                        "unit": "currency/a"}  # fmt: skip
        card = line | {"kind": "practise", "what": "Count the coats against the sheet.", "subject": person,
                       "evidence": f"practice_cards: {shop}, {person}, over_build, clear"}  # fmt: skip
        lines += [rule | {"reader": r, "rank": 1} for r in ("owner", "environment", "painter")]
        lines += [money | {"reader": "owner", "rank": 2}, card | {"reader": "trainer", "rank": 1}]
    return lines


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


def decisions(draw: random.Random, names: dict[str, str], guns: list, people: list) -> dict[str, pl.DataFrame]:
    """What the decisions publish."""
    classes = ("under_0.5", "0.5_to_1.5", "1.5_to_4", "over_4")
    guide, cover, fit, film, edges, heat, cards = [], [], [], [], [], [], []
    for shop in names:
        local = [g for g, s in guns if s == shop]
        for product, role in ROLES.items():
            for i, gun in enumerate(local):
                use = draw.uniform(120, 600)
                for k, size in enumerate(classes):
                    guide.append(
                        {"shop_id": shop, "product_id": product, "gun_id": gun, "area_class": size, "role": role,
                         "as_sprayed_ml_per_m2": use * (1.2 - 0.1 * k), "advised_ml_per_m2": use * 1.3 * (1.2 - 0.1 * k),
                         "quantile": 0.9 if role in ("epoxy", "surfacer", "sealer") else 0.98, "flush_ml": 6.0,
                         "mid_window_ml_per_m2": use * 0.8, "min_mix_ml": 50.0, "n": 3 * (k % 3), "n_product": 20, "coats": 2.0,
                         "product": f"Grade {role}", "price_per_ml": 0.03, "second_cup_cost": 15.0}
                        | {f"at_{n}_ml_per_m2": use * (1.2 - 0.1 * k) * f
                           for n, f in zip(MIX_LEVELS, (0.97, 1.06, 1.12, 1.22, 1.3, 1.42), strict=True)}
                    )  # fmt: skip
                fit.append(
                    {"shop_id": shop, "product_id": product, "gun_id": gun, "role": role, "tip_fits": i != 2,
                     "pressure_fits": i != 1, "atomising_allowed": True, "cup_rule": "above", "n_operations": 4,
                     "verdict": ("fits", "misfit", "misfit")[i % 3], "why": ("", "inlet pressure", "the tip is too small")[i % 3]}
                )  # fmt: skip
        for i, gun in enumerate(local):
            part = ("keep", "spare", "idle")[i % 3]
            cover.append(
                {"shop_id": shop, "part": part, "item": gun, "purpose": "finish", "tip_low_mm": 1.3, "tip_high_mm": 1.3,
                 "products": ["p_base", "p_clear"], "why": "needed for these"}
            )  # fmt: skip
        cover.append(
            {"shop_id": shop, "part": "to_buy", "item": "tip 1.6-1.8", "purpose": "primer", "tip_low_mm": 1.6,
             "tip_high_mm": 1.8, "products": ["p_fill"], "why": "no gun here fits it"}
        )  # fmt: skip
        for person in [t for t, s in people if s == shop]:
            for role in ("base", "clear", "surfacer"):
                ratio = draw.uniform(0.6, 1.2)
                over = 0.99 if ratio > 1.1 else 0.02
                film.append(
                    {"shop_id": shop, "technician_id": person, "role": role, "ratio": ratio, "low": ratio - 0.05,
                     "high": ratio + 0.05, "window_low": 0.5, "n": 12, "n_read": 4, "prob_mean_over": over,
                     "prob_mean_under": 0.001, "prob_next_over": 0.1, "prob_next_under": 0.01, "prob_material": over,
                     "separable": True, "flagged": over > 0.9, "grade": "B"}
                )  # fmt: skip
                edges.append(
                    {"shop_id": shop, "technician_id": person, "role": role, "tilt": 0.02, "tilt_low": -0.03,
                     "tilt_high": 0.07, "edge": 0.05, "edge_low": 0.01, "edge_high": 0.09, "n_panels": 12,
                     "n_technician": 36, "tilt_sees": 0.1, "edge_sees": 0.09, "prob_tilt": 0.01, "thin_edges": False, "separable": True}
                )  # fmt: skip
                for at in range(9):
                    value = draw.uniform(0.85, 1.15)
                    heat.append(
                        {"shop_id": shop, "technician_id": person, "role": role, "row": 1 + at // 3, "col": 1 + at % 3,
                         "relative_film": value, "low": value - 0.06, "high": value + 0.06, "n_panels": 12}
                    )  # fmt: skip
            if person.endswith("1"):
                cards.append(
                    {"shop_id": shop, "technician_id": person, "kind": "over_build", "role": "clear", "n": 12,
                     "seen": "Mean film 120 % of the sheet's greatest", "how_sure": "shown", "prob": 0.97,
                     "confused_with": "little", "practise": "Count the coats against the sheet.",
                     "would_settle": "Three more jobs with film read.", "caution": "Supplied air on practice panels too."}
                )  # fmt: skip
    levers = (("leftover", 300.0), ("transfer", 900.0), ("over_build", 200.0), ("rework", 150.0), ("gun", 400.0))
    savings = [
        {"shop_id": shop, "lever": lever, "position": i, "basis": "as reckoned", "per_year_cost": cost, "low": 0.5 * cost,
         "high": 1.5 * cost, "per_year_voc_kg": cost / 100, "per_year_voc_kg_low": cost / 200,
         "per_year_voc_kg_high": cost / 60, "per_year_solids_kg": cost / 50, "per_year_solids_kg_low": cost / 100,
         "per_year_solids_kg_high": cost / 30}
        | ({"item": next(g for g, s in guns if s == shop), "price": 500.0, "payback_years": 500 / cost,
            "payback_low": 500 / (1.5 * cost), "payback_high": 500 / (0.5 * cost)} if lever == "gun" else {})
        for shop in names
        for i, (lever, cost) in enumerate(levers, 1)
    ]  # fmt: skip
    for i, (lever, cost) in enumerate(
        levers if len(names) > 1 else (), 1
    ):  # the whole's ends lie closer than the sums of the ends
        row = {"shop_id": "all", "lever": lever, "position": i, "basis": "drawn together"}
        for what, by in (("per_year_cost", 1), ("per_year_voc_kg", 100), ("per_year_solids_kg", 50)):
            low, high = ("low", "high") if by == 1 else (f"{what}_low", f"{what}_high")
            row |= {what: len(names) * cost / by, low: 0.7 * len(names) * cost / by, high: 1.3 * len(names) * cost / by}
        savings.append(row)
    basis = [
        {"shop_id": shop, "from_on": dt.date(2023, 1, 1), "to_on": dt.date(2023, 12, 31), "days": 365, "jobs_per_year": 240.0,
         "cost_per_year": 9000.0, "voc_kg_per_year": 90.0, "solids_kg_per_year": 180.0, "gun_price": 500.0,
         "cost_known_share": 1.0}
        | {"best_cost": 1600.0, "best_low": 1200.0, "best_high": 2100.0}
        | {f"saved_{what}{end}": sum(cost for _, cost in levers) / by * f
           for what, by in (("cost", 1), ("voc_kg", 100), ("solids_kg", 50)) for end, f in (("", 1), ("_low", 0.7), ("_high", 1.35))}
        for shop in names
    ]  # fmt: skip
    if len(names) > 1:
        every = {c: sum(b[c] for b in basis) for c in basis[0] if isinstance(basis[0][c], float)}
        whole = {c: 0.9 * v if c.endswith("high") else 1.1 * v if c.endswith("low") else v for c, v in every.items()}
        basis.append(basis[0] | whole | {"shop_id": "all", "gun_price": None, "cost_known_share": 1.0})
    drift = [
        {"gun_id": g, "since": dt.date(2023, 6, 1), "until": dt.date(2023, 10, 1), "slope_per_litre": -0.002, "low": -0.004,
         "high": 0.0005, "litres": 40.0, "n": 20, "alarm": g == "G01", "changed_on": dt.date(2023, 8, 1) if g == "G01" else None,
         "prob_wear": 0.97 if g == "G01" else 0.5, "months_to_loss": 4.0, "months_low": 2.0}
        for g, _ in guns
    ]  # fmt: skip
    return {
        "mix_guide": frame("mix_guide", guide),
        "mix_parts": frame(
            "mix_parts",
            [{"shop_id": s, "product_id": p, "component_id": c, "share": share, "n": 20, "n_cups": 20}
             for s in names for p in ROLES for c, share in (("k_binder", 0.5), ("k_hard", 0.3), ("k_thin", 0.2))],
        ),
        "mix_backtest": frame(
            "mix_backtest",
            [{"shop_id": s, "role": r, "n": 50, "n_short": 2, "share_short": 0.04, "low": 0.01, "high": 0.13, "stated": 0.05,
              "leftover_l": 3.0, "leftover_advised_l": 5.0, "n_second": 9} for s in names for r in ("base", "clear")],
        ),
        "mix_levels": frame(
            "mix_levels",
            [{"shop_id": s, "enough_in": level, "n": 100, "n_short": short, "leftover_l": left} for s in names
             for level, short, left in ((50, 48, 3.0), (90, 11, 7.0), (98, 3, 11.0))],
        ),
        "gun_fit": frame("gun_fit", fit),
        "gun_cover": frame("gun_cover", cover),
        "gun_drift": frame("gun_drift", drift),
        "gun_service_contrasts": frame(
            "gun_service_contrasts",
            [{"gun_id": "G01", "serviced_on": dt.date(2023, 6, 1), "work": "rebuilt", "ratio": 1.06, "low": 0.98, "high": 1.15,
              "prob_better": 0.93, "n_before": 12, "n_after": 14}],
        ),
        "film_by_technician": frame("film_by_technician", film),
        "film_build": frame(
            "film_build",
            [{"shop_id": c["shop_id"], "technician_id": c["technician_id"], "role": c["role"], "job_id": f"J{i:02d}",
              "operation_no": 3, "panel_id": "door", "face": "outer", "film_um": 80.0 + i, "film_low": 74.0 + i,
              "film_high": 86.0 + i, "film_max_um": 70.0, "prob_over": 0.99, "source": "read", "grade": "A"}
             for c in cards for i in range(15)],
        ),
        "edge_bias": frame("edge_bias", edges),
        "panel_heat": frame("panel_heat", heat),
        "technique_power": frame(
            "technique_power",
            [{"measure": m, "difference": d, "spread": 0.14, "panels": n}
             for m, f in (("tilt", 1.0), ("edge", 0.8)) for d, n in ((0.05, int(40 * f)), (0.1, int(12 * f)), (0.2, 5))],
        ),
        "practice_cards": frame("practice_cards", cards),
        "savings": frame("savings", savings),
        "savings_basis": frame("savings_basis", basis),
        "cautions": frame(
            "cautions",
            [{"topic": "isocyanates", "beside": ["mix_guide", "practice_cards", "gun_fit", "savings"],
              "says": "Hardeners may hold isocyanates.", "source": "the data sheet"}],
        ),
    }  # fmt: skip


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
        "components": frame(
            "components",
            [
                {"component_id": c, "label": w, "kind": k, "valid_from": dt.date(2023, 1, 1)}
                for c, w, k in (
                    ("k_binder", "Binder 1", "binder"),
                    ("k_hard", "Hardener 1", "hardener"),
                    ("k_thin", "Reducer 1", "reducer"),
                )
            ],
        ),
        "panel_areas": frame(
            "panel_areas",
            [
                {"vehicle_class": v, "panel_id": p, "face": "outer", "area_m2": m2}
                for v, p, m2 in (
                    ("sedan", "front_door_left", 0.85),
                    ("sedan", "hood", 1.7),
                    ("van", "front_door_left", 1.1),
                )
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
