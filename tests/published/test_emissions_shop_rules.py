"""The file an inspector asks for against the texts of 40 CFR 63 subpart HHHHHH and Regulation (EU) 2020/1149.

READ and MEMORY say how well each source was seen; dates at the edges are DERIVED from the rules' words.
"""

from __future__ import annotations

from datetime import date, datetime
from typing import Any

import polars as pl
import pytest
from one_cup import cups_of, ledger, part

Row = dict[str, Any]
END = date(2025, 3, 1)  # the last day of the shop's records


def shop(place: str = "us") -> dict[str, list[Row]]:
    return cups_of(
        [part(1, voc=3.0, solids=0.4, at=datetime(END.year, END.month, END.day, 9))], shop={"jurisdiction": place}
    )


def trained(hired: date | None, *completed: Row, place: str = "us", **more: Any) -> Row:
    rows = shop(place)
    rows["technicians"] = [{"technician_id": "t", "shop_id": "s", "hired_on": hired, **more}]
    rows["trainings"] = [
        {"technician_id": "t", "hands_on": True, "classroom": True, "certificate_ref": "c", **row} for row in completed
    ]
    return ledger("compliance_training", **rows)["compliance_training"].row(0, named=True)


@pytest.mark.parametrize(
    ("completed", "until", "status"),
    [
        (date(2020, 2, 29), date(2025, 2, 28), "expired"),  # a leap day runs out on 28 February: our choice, documented
        (date(2020, 3, 1), date(2025, 3, 1), "trained"),  # the day itself still counts
        (date(2024, 2, 29), date(2029, 2, 28), "trained"),
        (date(2019, 12, 31), date(2024, 12, 31), "expired"),
    ],
)
def test_training_counts_for_five_years(completed: date, until: date, status: str) -> None:
    # 63.11173(g): valid at most 5 years. READ
    found = trained(date(2015, 1, 1), {"completed_on": completed})
    assert (found["valid_until"], found["status"]) == (until, status)


def test_the_latest_training_counts_and_the_first_is_kept() -> None:
    # 63.11177: certificates with initial and latest refresher date. READ
    found = trained(date(2010, 1, 1), {"completed_on": date(2012, 5, 1)}, {"completed_on": date(2021, 5, 1)})
    assert (found["first_completed_on"], found["valid_until"]) == (date(2012, 5, 1), date(2026, 5, 1))


@pytest.mark.parametrize(
    ("hired", "due_by", "status"),
    [
        (date(2024, 9, 2), date(2025, 3, 1), "due"),  # 180 days after hiring: READ
        (date(2024, 9, 1), date(2025, 2, 28), "overdue"),
        (None, None, "missing"),
    ],
)
def test_new_hands_have_180_days(hired: date | None, due_by: date | None, status: str) -> None:
    found = trained(hired)
    assert (found["due_by"], found["status"]) == (due_by, status)
    assert "training" in found["missing"]


def test_half_a_training_or_one_without_a_certificate_is_listed_as_missing() -> None:
    # 63.11173(f): hands-on and classroom. READ
    half = trained(date(2015, 1, 1), {"completed_on": date(2024, 1, 1), "classroom": False})
    assert (half["status"], half["missing"]) == ("overdue", "hands-on or classroom part")
    bare = trained(date(2015, 1, 1), {"completed_on": date(2024, 1, 1), "certificate_ref": None})
    assert (bare["status"], bare["missing"]) == ("trained", "certificate of the latest training")


UNSAID = "whether hands-on and classroom part were done"


@pytest.mark.parametrize(
    ("hired", "completed", "status", "missing"),
    [
        (date(2015, 1, 1), [(date(2024, 1, 1), None, True)], "missing", UNSAID),
        (date(2024, 12, 1), [(date(2024, 12, 9), True, None)], "missing", UNSAID),  # trained, or still in time
        (date(2015, 1, 1), [(date(2024, 1, 1), None, False)], "overdue", "hands-on or classroom part"),
        (date(2015, 1, 1), [(date(2023, 1, 1), True, True), (date(2024, 1, 1), None, None)], "trained", None),
        (date(2015, 1, 1), [(date(2016, 1, 1), True, True), (date(2024, 1, 1), None, None)], "missing", UNSAID),
        (date(2015, 1, 1), [(date(2015, 1, 1), True, True), (date(2017, 1, 1), None, None)], "expired", None),
        (date(2015, 1, 1), [(date(2017, 1, 1), None, None)], "missing", UNSAID),  # run out, or never full
    ],
)
def test_a_part_that_nobody_entered_is_not_a_part_left_out(
    hired: date, completed: list[tuple[date, bool | None, bool | None]], status: str, missing: str | None
) -> None:
    rows = [{"completed_on": day, "hands_on": hands, "classroom": room} for day, hands, room in completed]
    found = trained(hired, *rows)
    assert (found["status"], found["missing"]) == (status, missing)


def test_european_shops_are_asked_for_diisocyanate_training_instead() -> None:
    # Regulation (EU) 2020/1149: before use, from 24 August 2023, renewed every five years. READ (authority's page)
    found = trained(date(2015, 1, 1), place="eu")
    assert (found["rule"], found["due_by"], found["status"]) == ("diisocyanates", date(2023, 8, 24), "overdue")
    rows = shop("eu")
    rows["booths"] = [{"booth_id": "b", "shop_id": "s", "filter_capture": 0.5}]
    rows["guns"] = [{"gun_id": "g", "shop_id": "s", "atomising": "conventional"}]
    tables = ledger("compliance_booths", "compliance_guns", **rows)
    assert tables["compliance_booths"].is_empty() and tables["compliance_guns"].is_empty()


@pytest.mark.parametrize(
    ("capture", "paper", "status"),
    [
        (0.98, "p", "holds"),
        (0.9799, "p", "below"),
        (0.99, None, "missing"),
        (None, "p", "missing"),
        (0.9, None, "below"),
    ],
)
def test_filters_must_capture_98_percent_and_prove_it(capture: float | None, paper: str | None, status: str) -> None:
    # 63.11173(e)(2), 63.11177(b): READ
    rows = shop()
    rows["booths"] = [{"booth_id": "b", "shop_id": "s", "filter_capture": capture, "evidence_ref": paper}]
    assert ledger("compliance_booths", **rows)["compliance_booths"]["status"].to_list() == [status]


GUNS = [
    ("hvlp", 600.0, "yes", "inside"),  # 63.11173(e)(3) names HVLP, electrostatic, airless, air-assisted airless: READ
    ("electrostatic", None, "yes", "missing"),
    ("airless", 600.0, "yes", "inside"),
    ("air_assisted_airless", 600.0, "yes", "inside"),
    ("reduced_pressure", 600.0, "review", "inside"),
    ("conventional", 600.0, "no", "inside"),
    ("hvlp", 87.0, "yes", "outside"),  # 63.11180: at most 3.0 fl oz (88.72 mL, printed 89 cc): READ; the margin is ours
    ("hvlp", 88.72, "yes", "review"),
    ("hvlp", 90.0, "yes", "review"),
    ("hvlp", 90.1, "yes", "inside"),
]


def test_guns_qualify_by_how_they_atomise_and_small_cups_are_told_apart() -> None:
    rows = shop()
    rows["guns"] = [
        {"gun_id": f"{n}", "shop_id": "s", "atomising": a, "cup_ml": ml} for n, (a, ml, _, _) in enumerate(GUNS)
    ]
    found = ledger("compliance_guns", **rows)["compliance_guns"]
    assert found.select("qualifies", "cup").rows() == [(q, c) for _, _, q, c in GUNS]


def test_the_longest_rule_on_keeping_records_wins() -> None:
    # 63.11178: 5 years: READ; one Californian district's 3 years: READ
    found = ledger("compliance_retention", **shop("us-ca"))["compliance_retention"]
    usage = found.filter(pl.col("record") == "usage").row(0, named=True)
    assert (usage["years"], usage["n_rules"], usage["keep_since"]) == (5, 2, date(2020, 3, 1))


def test_solvent_balance_closes() -> None:
    rows = shop("eu")
    rows["components"].append(
        {
            "component_id": "w",
            "density_g_per_ml": 0.8,
            "voc_mass_fraction": 0.9,
            "exempt_mass_fraction": 0.1,
            "water_mass_fraction": 0.0,
            "solids_mass_fraction": 0.0,
        }
    )
    rows["cleaning"] = [
        {
            "shop_id": "s",
            "cleaning_no": "1",
            "used_at": datetime(2025, 2, 1),
            "component_id": "w",
            "purpose": "gun",
            "issued_g": 900.0,
            "recovered_g": 300.0,
        }
    ]
    rows["leftovers"] = [
        {
            "shop_id": "s",
            "mix_id": "c1",
            "weigh_no": 1,
            "weighed_at": datetime(2025, 3, 1, 12),
            "leftover_g": 500.0,
            "fate": "kept",
        }
    ]
    found = ledger("compliance_solvent", **rows)["compliance_solvent"].row(0, named=True)
    assert found["input_kg"] == pytest.approx(
        found["emitted_kg"] + found["came_back_kg"] + found["kept_change_kg"], rel=1e-12
    )
    assert found["came_back_kg"] == pytest.approx(0.3)
    assert found["kept_change_kg"] == pytest.approx(0.5 * 3.0 / 8.0)
