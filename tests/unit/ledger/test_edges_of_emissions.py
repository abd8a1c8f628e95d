"""Where the record of emissions turns: nothing at all, two lines of one kind, ids that two shops share, half a key.

Each from rows made by hand through one statement; the sums of whole shops are checked by the oracles in tests/pipeline.
"""

from __future__ import annotations

from datetime import date, datetime, timedelta
from typing import Any

import pytest
from small_shop import at, frame, made

from pipelines.ledger import runner
from pipelines.settings import Settings

DAY = date(2026, 3, 2)
SETTINGS = Settings().flat()
PLACE = {"shop_id": "s", "jurisdiction": "us", "basis": "regulatory"}


def places(*rows: dict[str, Any], **types: Any) -> Any:
    return made(*(PLACE | row for row in rows or ({},)), shop_id=str, jurisdiction=str, basis=str, **types)


def test_a_refused_row_of_a_cup_counts_in_that_cups_month_alone() -> None:
    mixes = [("s", "m", "2026-03"), ("s", "n", "2026-04"), ("other", "m", "2026-05")]
    given = {
        "incomplete": frame("incomplete", {"what": "cup", "shop_id": "s", "mix_id": "m", "file": "f.csv", "line": 3}),
        "emission_places": places({}, {"shop_id": "other"}),
        "mixes": made(
            *({"shop_id": a, "mix_id": b, "month": c} for a, b, c in mixes), shop_id=str, mix_id=str, month=str
        ),
    }
    assert runner.run_statement("emission_gaps", given, {}).rows() == [("s", "2026-03", 1, False)]


def test_a_component_that_stands_twice_in_a_cup_is_added_up() -> None:
    line = {
        "shop_id": "s",
        "mix_id": "m",
        "component_id": "c",
        "on_date": DAY,
        "exempt_g": 0.0,
        "exempt_ml": 0.0,
        "water_ml": 0.0,
    }
    grams = dict.fromkeys(("mass_g", "voc_g", "voc_eu_g", "exempt_g", "exempt_ml", "ml", "water_ml"), float)
    given = {
        "cup_figures": made(
            *(line | {"mass_g": g, "ml": g, "voc_g": g / 2, "voc_eu_g": g / 2} for g in (60.0, 40.0)),
            shop_id=str, mix_id=str, component_id=str, on_date=date, eu_substituted=bool, **grams,
        ),
        "emission_places": places(),
        "emission_materials": made(
            {"jurisdiction": "us", "component_id": "c", "on_date": DAY, "restated_mass_fraction": 0.0,
             "content_restated_mass_fraction": 0.0, "content_restated_ml_per_g": 0.0},
            jurisdiction=str, component_id=str, on_date=date, restated_mass_fraction=float, content_restated_mass_fraction=float,
            content_restated_ml_per_g=float,
        ),
    }  # fmt: skip
    found = runner.run_statement("emission_parts", given, {}).row(0, named=True)
    whole = {"part": 1.0, "voc": 0.5, "exempt": 0.0, "content_voc": 0.5, "ml": 1.0, "limited_ml": 1.0}
    assert {name: found[name] for name in whole} == pytest.approx(whole)


def test_months_of_refused_rows_span_from_the_first_to_the_last() -> None:
    lost = [
        {"what": "month", "shop_id": "s", "month": month, "file": "f", "line": 2}
        for month in ("2026-01", "2026-03", "2026-05")
    ]
    names = ("pours", "cleaning", "unscaled_use", "leftovers", "operations", "stock")
    given = {name: frame(name) for name in names} | {
        "incomplete": frame("incomplete", *lost),
        "shops": frame("shops", {"shop_id": "s"}),
        "packs": made(jurisdiction=str, basis=str, averaging=str, verify=bool),
    }
    found = runner.run_statement("emission_places", given, SETTINGS).row(0, named=True)
    assert (found["first_month"], found["last_month"]) == ("2026-01", "2026-05")


def test_litres_are_missed_in_the_row_of_the_cup_alone() -> None:
    flow = {"shop_id": "s", "month": "2026-03", "on_date": DAY, "mix_id": "m", "mass_g": 100.0}
    cup = {"shop_id": "s", "mix_id": "m", "category": "clear", "own_poured_g": 200.0, "voc_mass_fraction": 0.5, "exempt_mass_fraction": 0.0,
           "complete": True, "grade": "A", "leftover_known": True}  # fmt: skip
    given = {
        "emission_flows": made(
            flow | {"kind": "cup"}, flow | {"kind": "drawn"}, shop_id=str, month=str, kind=str, on_date=date, mix_id=str, mass_g=float
        ),
        "emission_cups": made(
            cup, shop_id=str, mix_id=str, category=str, rts_l=float, own_poured_g=float, voc_mass_fraction=float,
            exempt_mass_fraction=float, complete=bool, grade=str, leftover_known=bool, why_incomplete=str,
        ),
        "emission_cleaning": made(
            shop_id=str, month=str, category=str, on_date=date, cleaning_no=str, component_id=str, evaporated_g=float, issued_g=float,
            recovered_g=float, solvent_recovered_g=float, solvent_flush_g=float,
        ),
        "emission_places": places(),
        "emission_materials": made(
            jurisdiction=str, component_id=str, on_date=date, density_g_per_ml=float, voc_mass_fraction=float, exempt_mass_fraction=float
        ),
        "unscaled_use": frame("unscaled_use"),
    }  # fmt: skip
    found = runner.run_statement("emission_uses", given, {}).select("kind", "complete", "note").rows()
    assert sorted(found) == [("cup", False, "a component has no density"), ("drawn", True, None)]


def monthly(*lines: dict[str, Any], gaps: tuple[dict[str, Any], ...] = ()) -> list[dict[str, Any]]:
    usual = {
        "shop_id": "s",
        "month": "2026-03",
        "category": "clear",
        "kind": "cup",
        "source": "mixes",
        "complete": True,
        "grade": "A",
    }
    text = dict.fromkeys(("shop_id", "month", "category", "kind", "source", "grade"), str)
    amounts = dict.fromkeys(
        "rts_l rts_kg issued_l voc_kg exempt_kg pm_kg pm_kg_low pm_kg_high pm_own_kg not_split_solids_kg mass_g".split(),
        float,
    )
    given = {
        "emission_lines": made(*(usual | line for line in lines), complete=bool, **text, **amounts),
        "emission_gaps": made(*gaps, shop_id=str, month=str, unread=bool, n_refused=int),
    }
    return runner.run_statement("emissions_monthly", given, SETTINGS | {"z95": 1.96}).to_dicts()


def test_shares_of_evidence_add_up_masses_however_small() -> None:
    (found,) = monthly(
        {"mass_g": 0.5}, {"mass_g": 0.3, "grade": "C"}, {"mass_g": 0.1, "grade": "C"}, {"mass_g": 0.1, "grade": "B"}
    )
    shares = {"share_a": 0.5, "share_b": 0.1, "share_c": 0.4, "n_lines": 4, "n_refused": 0}
    assert {name: found[name] for name in shares} == pytest.approx(shares)


def test_a_small_lower_end_of_particulate_is_told_and_chance_alone_is_no_wider_than_chance() -> None:
    (found,) = monthly({"kind": "overspray", "pm_kg": 0.7, "pm_kg_low": 0.504, "pm_kg_high": 0.896, "pm_own_kg": 0.1})
    assert (found["pm_kg_low"], found["pm_kg_high"]) == (pytest.approx(0.504), pytest.approx(0.896))


def test_a_month_of_which_nothing_could_be_read_has_no_lines_and_no_figures() -> None:
    (found,) = monthly(gaps=({"shop_id": "s", "month": "2026-04", "unread": True, "n_refused": 2},))
    assert (found["category"], found["n_lines"], found["n_refused"], found["voc_kg"], found["complete"]) == (
        "unmapped",
        0,
        2,
        None,
        False,
    )


def test_a_year_of_cleaning_alone_closes_its_balance() -> None:
    """1 kg issued with 60 % VOC and 40 % of what the EU counts besides; 400 g evaporated."""
    given = {
        "solvent_lines": made(shop_id=str, month=str, kind=str, kg=float),
        "emission_cleaning": made(
            {"shop_id": "s", "month": "2026-03", "component_id": "c", "on_date": DAY, "issued_g": 1000.0, "evaporated_g": 400.0},
            shop_id=str, month=str, component_id=str, on_date=date, issued_g=float, evaporated_g=float,
        ),
        "emission_places": places({"basis": "eu"}),
        "emission_materials": made(
            {"jurisdiction": "us", "component_id": "c", "on_date": DAY, "voc_mass_fraction": 0.6, "exempt_mass_fraction": 0.4},
            jurisdiction=str, component_id=str, on_date=date, voc_mass_fraction=float, exempt_mass_fraction=float,
        ),
        "emission_lines": made(
            {"shop_id": "s", "month": "2026-03", "source": "cleaning", "voc_kg": 0.24, "exempt_kg": 0.16, "complete": True},
            shop_id=str, month=str, source=str, voc_kg=float, exempt_kg=float, complete=bool,
        ),
        "emission_gaps": made(shop_id=str, month=str, unread=bool),
    }  # fmt: skip
    found = runner.run_statement("compliance_solvent", given, {}).row(0, named=True)
    balance = {
        "pours_kg": 0.0,
        "input_kg": 1.0,
        "came_back_kg": 0.6,
        "consumed_kg": 0.4,
        "emitted_kg": 0.4,
        "kept_change_kg": 0.0,
    }
    assert {name: found[name] for name in balance} == pytest.approx(balance)


def test_months_run_over_the_turn_of_the_year() -> None:
    given = {
        "emission_places": made(
            {"shop_id": "s", "first_month": "2025-11", "last_month": "2026-02"},
            shop_id=str,
            first_month=str,
            last_month=str,
        )
    }
    found = runner.run_statement("shop_months", given, {})
    assert found["month"].to_list() == ["2025-11", "2025-12", "2026-01", "2026-02"]
    assert found["next_on"].to_list() == [date(2025, 12, 1), date(2026, 1, 1), date(2026, 2, 1), date(2026, 3, 1)]
    assert found["n_before"].to_list() == [0, 1, 2, 3]
    assert found["month_no"].to_list() == [2025 * 12 + 10, 2025 * 12 + 11, 2026 * 12, 2026 * 12 + 1]


def test_solvent_poured_on_two_days_has_each_days_part_and_other_places_have_none() -> None:
    """60 g of which half is solvent, then 40 g of which a quarter is: 40 g."""
    later = DAY + timedelta(days=1)
    key = {"shop_id": "s", "mix_id": "m", "component_id": "c"}
    line = {"month": "2026-03", "kind": "unscaled", "source": "unscaled_use", "on_date": DAY, "number": "1", "component_id": "c",
            "voc_kg": 1.0, "exempt_kg": 0.5, "complete": True}  # fmt: skip
    given = {
        "cup_contents": made(
            key | {"on_date": DAY, "own_g": 60.0}, key | {"on_date": later, "own_g": 40.0},
            shop_id=str, mix_id=str, component_id=str, on_date=date, own_g=float,
        ),
        "emission_parts": made(
            key | {"on_date": DAY, "part": 0.6, "voc": 0.3, "exempt": 0.0}, key | {"on_date": later, "part": 0.4, "voc": 0.1, "exempt": 0.0},
            shop_id=str, mix_id=str, component_id=str, on_date=date, part=float, voc=float, exempt=float,
        ),
        "emission_places": places({"basis": "eu"}, {"shop_id": "other"}),
        "emission_cups": made(
            key | {"month": "2026-03", "first_poured_at": at(0), "complete": True},
            shop_id=str, mix_id=str, month=str, first_poured_at=datetime, complete=bool,
        ),
        "emission_lines": made(
            *({"shop_id": shop} | line for shop in ("s", "other")), shop_id=str, month=str, kind=str, source=str, on_date=date, number=str,
            component_id=str, voc_kg=float, exempt_kg=float, complete=bool,
        ),
    }  # fmt: skip
    found = runner.run_statement("solvent_lines", given, {}).select("shop_id", "kind", "kg").rows()
    assert found == [("s", "cup", pytest.approx(0.04)), ("s", "unscaled", 1.5)]
