"""Where a rule turns: the exact limit, a date that a year lacks, the last of two cups, a month without records.

Each from rows made by hand through one statement; the laws themselves are checked in tests/published.
"""

from __future__ import annotations

from datetime import date, datetime
from typing import Any

import polars as pl
import pytest
from small_shop import at, frame, made

from pipelines.ledger import runner
from pipelines.settings import Settings

EVER, NEVER = date(1, 1, 1), date(9999, 12, 31)


def figures(*rows: dict[str, Any]) -> pl.DataFrame:
    return made(*rows, jurisdiction=str, rule=str, figure=str, value=float, source=str)


def booths(sections: str, *rules: tuple[str, float]) -> list[tuple[float, str]]:
    booth = {
        "shop_id": "s",
        "booth_id": "b",
        "from_on": EVER,
        "until_on": NEVER,
        "filter_capture": 0.98,
        "evidence_ref": "p",
    }
    given = {
        "emission_places": made({"shop_id": "s", "jurisdiction": "us-ca"}, shop_id=str, jurisdiction=str),
        "packs": made({"jurisdiction": "us-ca", "sections": sections}, jurisdiction=str, sections=str),
        "rule_figures": figures(
            *(
                {"jurisdiction": "us", "rule": rule, "figure": "filter_capture_min", "value": value, "source": "law"}
                for rule, value in rules
            )
        ),
        "booth_versions": made(
            booth, shop_id=str, booth_id=str, from_on=date, until_on=date, filter_capture=float, evidence_ref=str
        ),
    }
    return runner.run_statement("compliance_booths", given, {}).select("filter_capture_needed", "status").rows()


@pytest.mark.parametrize("sections", ["shop_rules", "shop_rules hap", "hap shop_rules"])
def test_a_filter_that_holds_back_just_what_is_needed_holds_wherever_its_rules_stand(sections: str) -> None:
    assert booths(sections, ("shop_rules", 0.98)) == [(0.98, "holds")]


def test_a_local_rule_on_filters_is_not_that_of_the_shop_rules() -> None:
    assert booths("shop_rules", ("shop_rules", 0.98), ("our county", 0.995)) == [(0.98, "holds")]


@pytest.mark.parametrize(
    ("last_on", "since"),
    [
        (date(2024, 2, 29), date(2021, 2, 28)),
        (date(2026, 2, 10), date(2023, 2, 10)),
        (date(2026, 3, 31), date(2023, 3, 31)),
    ],
)
def test_records_are_kept_from_the_same_day_years_ago_or_the_day_before_the_29th_of_february(
    last_on: date, since: date
) -> None:
    given = {
        "emission_places": made({"shop_id": "s", "jurisdiction": "us", "last_on": last_on}, shop_id=str, jurisdiction=str, last_on=date),
        "retention": made({"jurisdiction": "us", "record": "pours", "years": 3, "note": "n", "source": "law"},
                          jurisdiction=str, record=str, years=int, note=str, source=str),
    }  # fmt: skip
    assert runner.run_statement("compliance_retention", given, {})["keep_since"].to_list() == [since]


def average(*cups: dict[str, Any]) -> dict[str, Any]:
    """The month's average of cups of 0.45 g VOC in each mL."""
    usual = {"shop_id": "s", "month": "2026-03", "category": "clear", "jurisdiction": "ca-qc", "averaging": "monthly_weighted", "basis": "us",
             "own_poured_g": 100.0, "complete": True, "content_voc_mass_fraction": 0.45, "limited_ml_per_g": 1.0}  # fmt: skip
    text = dict.fromkeys(("shop_id", "month", "category", "jurisdiction", "averaging", "basis"), str)
    given = {
        "emission_cups": made(
            *(usual | cup for cup in cups), **text, own_poured_g=float, complete=bool, content_voc_mass_fraction=float,
            limited_ml_per_g=float, first_poured_at=datetime, mix_id=str, limit_g_per_l=float, limit_source=str,
        ),
        "cleaner_contents": made(
            **text, mass_g=float, voc_mass_fraction=float, limited_ml_per_g=float, on_date=date, number=int, kind=str,
            limit_g_per_l=float, source=str,
        ),
        "emission_gaps": made(shop_id=str, month=str, unread=bool),
    }  # fmt: skip
    return runner.run_statement("compliance_average", given, {}).row(0, named=True)


def test_a_month_is_judged_by_the_limit_of_its_last_cup() -> None:
    found = average(
        {"mix_id": "a", "first_poured_at": at(0), "limit_g_per_l": 500.0},
        {"mix_id": "b", "first_poured_at": at(60), "limit_g_per_l": 420.0},
    )
    assert (found["g_per_l"], found["limit_g_per_l"], found["over"]) == (pytest.approx(450.0), 420.0, True)


def test_half_a_millilitre_has_an_average_too() -> None:
    found = average({"mix_id": "a", "first_poured_at": at(0), "limit_g_per_l": 420.0, "own_poured_g": 0.5})
    assert (found["g_per_l"], found["over"]) == (pytest.approx(450.0), True)


def rolled(
    months: list[str], emissions: list[dict[str, Any]], hap: list[dict[str, Any]]
) -> dict[tuple[str, str], dict[str, Any]]:
    usual = {"shop_id": "s", "complete": True, "n_lines": 1, "category": "clear"}
    shown = []
    for month in months:
        year, number = int(month[:4]), int(month[5:])
        shown.append({"shop_id": "s", "month": month, "month_no": year * 12 + number - 1, "n_before": 0,
                      "next_on": date(year + number // 12, number % 12 + 1, 1)})  # fmt: skip
    amounts = dict.fromkeys(("rts_l", "issued_l", "voc_kg", "exempt_kg", "pm_kg", "not_split_solids_kg"), float)
    given = {
        "emissions_monthly": made(
            *(usual | row for row in emissions),
            shop_id=str,
            month=str,
            category=str,
            complete=bool,
            n_lines=int,
            **amounts,
        ),
        "hap_monthly": made(
            *(usual | row for row in hap), shop_id=str, month=str, cas=str, kg=float, complete=bool, metal=bool
        ),
        "hap_gaps": made(shop_id=str, month=str),
        "solvent_lines": made(shop_id=str, month=str, kg=float, complete=bool),
        "emission_gaps": made(shop_id=str, month=str, unread=bool),
        "permit_amounts": made(shop_id=str, measure=str, period=str, from_on=date, until_on=date, amount=float),
        "shop_months": made(*shown, shop_id=str, month=str, month_no=int, n_before=int, next_on=date),
    }
    found = runner.run_statement("rolling_12_months", given, {}).iter_rows(named=True)
    return {(row["measure"], row["month"]): row for row in found}


def test_a_month_of_a_year_without_any_record_is_nothing_and_whole() -> None:
    found = rolled(
        ["2024-01", "2025-06"],
        [{"month": "2024-01"}],
        [{"month": "2024-01", "cas": "1330-20-7", "kg": 2.0, "metal": False}],
    )
    row = found["hap_kg", "2025-06"]
    assert [row[c] for c in ("total", "month_total", "year_to_date")] == [0.0, 0.0, 0.0]
    assert [row[c] for c in ("complete", "month_complete", "year_complete")] == [True, True, True]


def test_what_is_not_known_of_january_says_nothing_of_february_alone() -> None:
    months = ["2026-01", "2026-02"]
    found = rolled(
        months, [{"month": months[0], "rts_l": None}, {"month": months[1], "category": "base", "rts_l": 1.0}], []
    )["rts_l:clear", months[1]]
    assert (found["month_total"], found["total"], found["year_to_date"]) == (0.0, None, None)


def test_of_two_densities_the_smaller_counts_the_larger_volume_as_exempt() -> None:
    usual = {"jurisdiction": "us", "cas": "67-64-1", "substance": "acetone", "source": "list"}
    lists = [
        usual | {"purpose": "content", "density_g_per_ml": 0.80},
        usual | {"purpose": "reporting", "density_g_per_ml": 0.79},
    ]
    text = dict.fromkeys(("cas", "substance", "source"), str)
    given = {
        "emission_places": made({"jurisdiction": "us"}, jurisdiction=str),
        "exempt_compounds": made(
            *lists, **text, jurisdiction=str, purpose=str, density_g_per_ml=float, valid_from=date, valid_to=date
        ),
        "rule_figures": figures(),
        "hap": made(**text, valid_from=date, valid_to=date, metal=bool, group=str, carcinogen=bool),
        "target_metals": made(metal=str, form=str, threshold_mass_fraction=float, source=str),
        "target_metal_compounds": made(cas=str, metal=str, form=str, substance=str),
    }
    found = runner.run_statement("substance_status", given, {}).select("purpose", "density_g_per_ml", "status").rows()
    assert sorted(found) == [("content", 0.79, "exempt"), ("mass", 0.79, "exempt")]


@pytest.mark.parametrize(
    ("delivered", "hint"), [(995.0, "inside"), (985.0, "more was recorded"), (1015.0, "more left")]
)
def test_a_difference_is_told_only_beyond_the_spread_of_the_scales(delivered: float, hint: str) -> None:
    """1000 g poured on a scale good to 0.5 %: 95 % are 9.8 g."""
    usual = {
        "shop_id": "s",
        "component_id": "c",
        "from_on": date(2026, 1, 1),
        "to_on": date(2026, 2, 1),
        "by_volume": False,
    }
    lines = [
        usual | {"kind": "delivered", "mass_g": delivered},
        usual | {"kind": "cup", "mass_g": 1000.0, "scale_id": "k"},
    ]
    given = {
        "stock_lines": made(
            *lines,
            shop_id=str,
            component_id=str,
            from_on=date,
            to_on=date,
            by_volume=bool,
            kind=str,
            mass_g=float,
            scale_id=str,
        ),
        "scale_checks": frame("scale_checks"),
    }
    found = runner.run_statement("stock_reconciliation", given, Settings().flat() | {"scale_rel_u": 0.005}).row(
        0, named=True
    )
    assert found["hint"].startswith(hint)
    assert found["unexplained_g"] - found["low"] == pytest.approx(9.8, abs=0.01)
