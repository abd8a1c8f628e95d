"""What pages add up, against plain loops over the rows of the published tables."""

from __future__ import annotations

import random
from collections import defaultdict
from typing import Any

import polars as pl
import pytest

from reports.site import page_sums

PARTS = ("poured", "leftover", "flush_loss", "not_split", "overspray", "over_build", "useful")
LANDING = ("overspray", "over_build", "useful")
SEES = {"solids": ("solids_g", 0.001), "voc": ("voc_g", 0.001), "cost": ("cost", 1.0)}
Row = dict[str, Any]


def drawn(seed: int = 4, n: int = 90) -> list[Row]:
    """Rows of a ledger in which VOC, cost, month or product are sometimes not known."""
    rng = random.Random(seed)
    rows = []
    for number in range(n):
        lacks = rng.choice([None, None, "voc_g", "cost", "solids_g"])
        row: Row = {
            "shop_id": rng.choice("ab"), "mix_id": f"m{number // 3}", "grade": rng.choice(["A", "B", "C", None]),
            "month": rng.choice(["2025-01", "2025-03", "2025-11", None]), "product_id": rng.choice(["p", "q", None]),
        }  # fmt: skip
        for part in PARTS:
            for suffix, _ in SEES.values():
                row[f"{part}_{suffix}"] = None if suffix == lacks else rng.choice([0.0, rng.uniform(1, 900)])
        for part in LANDING:
            grams = row[f"{part}_solids_g"]
            row[f"{part}_solids_g_low"] = None if grams is None else grams * 0.8
            row[f"{part}_solids_g_high"] = None if grams is None else grams * 1.3 + 1.0
        rows.append(row)
    return rows


def by_hand(rows: list[Row], dim: str) -> dict[tuple[str, str, str], dict[str, float]]:
    """Sums by shop, month and `dim`: every amount that is known, in kg and money; VOC and cost have the solids' interval."""
    out: dict[tuple[str, str, str], dict[str, float]] = defaultdict(lambda: defaultdict(float))
    seen: set[tuple[str, str]] = set()
    for row in rows:
        sums = out[row["shop_id"], row["month"] or "unknown", row[dim] or "unknown"]
        if (row["shop_id"], row["mix_id"]) not in seen:
            seen.add((row["shop_id"], row["mix_id"]))
            sums["cups"] += 1
        for see, (suffix, scale) in SEES.items():
            if row[f"poured_{suffix}"] is not None:
                sums[f"known.{see}"] += (row["poured_solids_g"] or 0.0) / 1000
            for part in PARTS:
                amount, solids = row[f"{part}_{suffix}"], row[f"{part}_solids_g"]
                sums[f"{part}.{see}"] += (amount or 0.0) * scale
                for end in ("low", "high") if part in LANDING else ():
                    bound = row[f"{part}_solids_g_{end}"]
                    if see == "solids":
                        value = bound or 0.0
                    else:
                        value = (amount or 0.0) * (bound / solids if solids else 1.0)
                    sums[f"{part}.{see}.{end}"] += value * scale
        landed = sum(row[f"{part}_solids_g"] or 0.0 for part in LANDING) / 1000
        sums["sprayed"] += landed
        if row["grade"]:
            sums[row["grade"].lower()] += landed
    return out


@pytest.mark.parametrize("dim", ["product_id", "grade"])
def test_the_ledger_is_added_up_as_by_hand(dim: str) -> None:
    rows = drawn()
    table = pl.DataFrame(rows, infer_schema_length=None)
    shops = [table.filter(pl.col("shop_id") == shop) for shop in ("a", "b")]
    found = page_sums.ledger_sums(shops, dim)
    wanted = by_hand(rows, dim)
    keyed = {tuple(r[d] for d in ("shop_id", "month", dim)): r for r in found.frame.to_dicts()}
    assert keyed.keys() == wanted.keys() and len(wanted) > 15
    for key, sums in wanted.items():
        for name in found.measures:
            assert keyed[key][name] == pytest.approx(sums[name], abs=6e-4 if "cost" in name else 6e-5), (key, name)
    assert found.sums({"shop_id": "a"})["useful.solids"] == pytest.approx(
        sum(s["useful.solids"] for k, s in wanted.items() if k[0] == "a"), abs=1e-3
    )


def test_too_many_rows_are_told_by_quarter_and_then_by_year() -> None:
    table = pl.DataFrame(drawn(), infer_schema_length=None)
    by_month, by_quarter, by_year = (page_sums.ledger_sums([table], most=most) for most in (None, 23, 1))
    assert by_month.members["month"] == ["2025-01", "2025-03", "2025-11", "unknown"]
    assert by_quarter.members["month"] == ["2025-Q1", "2025-Q4", "unknown"]
    assert by_year.members["month"] == ["2025", "unknown"]
    exactly = by_month.frame.height
    assert page_sums.ledger_sums([table], most=exactly).members["month"] == by_month.members["month"]
    assert page_sums.ledger_sums([table], most=exactly - 1).members["month"] == by_quarter.members["month"]
    for coarse in (by_quarter, by_year):
        assert coarse.sums()["poured.voc"] == pytest.approx(by_month.sums()["poured.voc"], abs=2e-3)


def emissions(rng: random.Random, n: int) -> list[Row]:
    out = []
    for number in range(n):
        shares = [rng.random() for _ in range(3)]
        row: Row = {f"share_{g}": s / sum(shares) for g, s in zip("abc", shares, strict=True)}
        row |= {name: rng.choice([None, rng.uniform(0, 30)]) for name in ("rts_l", "rts_kg", "voc_kg", "exempt_kg")}
        pm = rng.uniform(0, 3)
        row |= {"pm_kg": pm, "pm_kg_low": pm * 0.7, "pm_kg_high": pm * 1.4, "complete": rng.random() < 0.7}
        categories = ["clear", "primer", "cleaning", "waste", "surface_prep", "unscaled"]
        out.append(
            row
            | {
                "shop_id": f"s{number // 24}",
                "month": f"2025-{number % 4 + 1:02d}",
                "category": categories[number // 4 % 6],
            }
        )
    return out


@pytest.mark.parametrize("together", [False, True])
def test_the_months_are_those_of_the_table(together: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    rows = emissions(random.Random(2), 48)
    monkeypatch.setattr(page_sums, "MOST_EMISSIONS", len(rows) - together)
    found = page_sums.emission_sums(pl.DataFrame(rows, infer_schema_length=None))
    wanted: dict[tuple[str, str, str], dict[str, float]] = defaultdict(lambda: defaultdict(float))
    for row in rows:
        coating = together and row["category"] in ("clear", "primer")
        sums = wanted[row["shop_id"], row["month"], "coating" if coating else row["category"]]
        for name, column in {"rts_l": "rts_l", "rts_kg": "rts_kg", "voc": "voc_kg", "exempt": "exempt_kg", "pm": "pm_kg",
                             "pm.low": "pm_kg_low", "pm.high": "pm_kg_high"}.items():  # fmt: skip
            sums[name] += row[column] or 0.0
        for grade in "abc":
            sums[grade] += row[f"share_{grade}"] * (row["rts_kg"] or 0.0)
        sums["incomplete"] = max(sums["incomplete"], float(not row["complete"]))
    keyed = {(r["shop_id"], r["month"], r["category"]): r for r in found.frame.to_dicts()}
    assert keyed.keys() == wanted.keys()
    for key, sums in wanted.items():
        for name in found.measures:
            assert keyed[key][name] == pytest.approx(sums[name], abs=6e-4 if together else 6e-5), (key, name)
