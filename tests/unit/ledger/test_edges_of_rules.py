"""Where a rule turns: the exact limit, a date that a year lacks, the last of two cups, a month without records.

Each from rows made by hand through one statement; the laws themselves are checked in tests/published.
"""

from __future__ import annotations

from datetime import date
from typing import Any

import pytest
from small_shop import asked, at, table

EVER, NEVER = date(1, 1, 1), date(9999, 12, 31)


def booths(sections: str, *rules: tuple[str, float]) -> list[tuple[float, str]]:
    booth = dict(shop_id="s", booth_id="b", from_on=EVER, until_on=NEVER, filter_capture=0.98, evidence_ref="p")
    given = {
        "emission_places": [{"shop_id": "s", "jurisdiction": "us-ca"}],
        "packs": [{"jurisdiction": "us-ca", "sections": sections}],
        "rule_figures": [
            {"jurisdiction": "us", "rule": rule, "figure": "filter_capture_min", "value": value, "source": "law"}
            for rule, value in rules
        ],
        "booth_versions": [booth],
    }
    return table("compliance_booths", **given).select("filter_capture_needed", "status").rows()


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
        "emission_places": [{"shop_id": "s", "jurisdiction": "us", "last_on": last_on}],
        "retention": [{"jurisdiction": "us", "record": "pours", "years": 3, "note": "n", "source": "law"}],
    }  # fmt: skip
    assert table("compliance_retention", **given)["keep_since"].to_list() == [since]


def average(*cups: dict[str, Any]) -> dict[str, Any]:
    """The month's average of cups of 0.45 g VOC in each mL."""
    usual = {"shop_id": "s", "month": "2026-03", "category": "clear", "jurisdiction": "ca-qc", "averaging": "monthly_weighted", "basis": "us",
             "own_poured_g": 100.0, "complete": True, "content_voc_mass_fraction": 0.45, "limited_ml_per_g": 1.0}  # fmt: skip
    (found,) = asked("compliance_average", emission_cups=[usual | cup for cup in cups])
    return found


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
    given = {
        "emissions_monthly": [usual | row for row in emissions],
        "hap_monthly": [usual | row for row in hap],
        "shop_months": shown,
    }
    found = table("rolling_12_months", **given).iter_rows(named=True)
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


def test_a_month_that_calls_itself_whole_and_has_no_litres_is_not() -> None:
    found = rolled(["2026-01"], [{"month": "2026-01", "voc_kg": 1.0, "rts_l": None}], [])
    assert {name: found[name, "2026-01"]["complete"] for name in ("rts_l", "voc_kg")} == {
        "rts_l": False,
        "voc_kg": True,
    }


def test_of_two_densities_the_smaller_counts_the_larger_volume_as_exempt() -> None:
    usual = {"jurisdiction": "us", "cas": "67-64-1", "substance": "acetone", "source": "list"}
    lists = [
        usual | {"purpose": "content", "density_g_per_ml": 0.80},
        usual | {"purpose": "reporting", "density_g_per_ml": 0.79},
    ]
    made = table("substance_status", emission_places=[{"jurisdiction": "us"}], exempt_compounds=lists)
    found = made.select("purpose", "density_g_per_ml", "status").rows()
    assert sorted(found) == [("content", 0.79, "exempt"), ("mass", 0.79, "exempt")]


@pytest.mark.parametrize(
    ("delivered", "hint"), [(995.0, "inside"), (985.0, "more was recorded"), (1015.0, "more left")]
)
def test_a_difference_is_told_only_beyond_the_spread_of_the_scales(delivered: float, hint: str) -> None:
    """1000 g poured on a scale good to 0.5 %: 95 % are 9.8 g."""
    usual = dict(shop_id="s", component_id="c", from_on=date(2026, 1, 1), to_on=date(2026, 2, 1), by_volume=False)
    lines = [
        usual | {"kind": "delivered", "mass_g": delivered},
        usual | {"kind": "cup", "mass_g": 1000.0, "scale_id": "k"},
    ]
    given = {"stock_lines": lines}
    found = table("stock_reconciliation", {"scale_rel_u": 0.005}, **given).row(0, named=True)
    assert found["hint"].startswith(hint)
    assert found["unexplained_g"] - found["low"] == pytest.approx(9.8, abs=0.01)


def test_a_month_of_water_alone_has_no_average() -> None:
    found = average({"mix_id": "a", "limit_g_per_l": 420.0, "content_voc_mass_fraction": 0.0, "limited_ml_per_g": 0.0})
    assert (found["g_per_l"], found["over"]) == (None, None)


US: dict[str, list[dict[str, Any]]] = {
    "emission_places": [{"shop_id": "s", "jurisdiction": "us", "basis": "regulatory", "averaging": "each_mix", "last_on": date(2026, 3, 31)}],
    "packs": [{"jurisdiction": "us", "sections": "shop_rules hap"}],
}  # fmt: skip


@pytest.mark.parametrize(
    ("capture", "paper", "status", "missing"),
    [
        (0.98, "p", "holds", None), (0.9, "p", "below", None), (None, "p", "missing", "capture of the filter"),
        (0.99, None, "missing", "paper that shows it"), (None, None, "missing", "capture of the filter; paper that shows it"),
    ],
)  # fmt: skip
def test_a_booth_lacks_a_capture_a_paper_or_both(
    capture: float | None, paper: str | None, status: str, missing: str | None
) -> None:
    booth = dict(shop_id="s", booth_id="b", from_on=EVER, until_on=NEVER, filter_capture=capture, evidence_ref=paper)
    needed = dict(jurisdiction="us", rule="shop_rules", figure="filter_capture_min", value=0.98, source="law")
    (found,) = asked("compliance_booths", booth_versions=[booth], rule_figures=[needed], **US)
    assert (found["status"], found["missing"]) == (status, missing)


@pytest.mark.parametrize(
    ("qualifies", "why"),
    [
        ("yes", "named in the rule"),
        ("review", "only as an approved equivalent: the papers must be on file"),
        ("no", "not named in the rule"),
    ],
)
def test_why_a_gun_qualifies_is_said(qualifies: str, why: str) -> None:
    rules = dict(shop_id="s", gun_id="g", qualifies=qualifies, cup="inside", cup_by_size="inside", n_refilled=0)
    (found,) = asked(
        "compliance_guns", guns_now=[{"gun_id": "g", "shop_id": "s", "atomising": "hvlp"}], gun_rules=[rules], **US
    )
    assert found["why"] == why


@pytest.mark.parametrize(
    ("cup_ml", "sprayed_ml", "cup", "by_size"),
    [
        (None, 100.0, "missing", "missing"), (90.5, 100.0, "inside", "inside"), (90.0, 90.0, "review", "review"),
        (87.5, 80.0, "review", "review"), (87.0, 87.0, "outside", "outside"), (87.0, 87.5, "review: refilled", "outside"),
        (90.0, 91.0, "review: refilled", "review"),
    ],
)  # fmt: skip
def test_a_small_cup_that_sprayed_more_than_it_holds_was_refilled(
    cup_ml: float | None, sprayed_ml: float, cup: str, by_size: str
) -> None:
    """Two cups of 0.5 g/mL into one operation, and another that sprayed nothing."""
    key = {"shop_id": "s", "job_id": "j"}
    (found,) = asked(
        "gun_rules",
        guns=[{"gun_id": "g", "shop_id": "s"}],
        guns_now=[{"gun_id": "g", "shop_id": "s", "atomising": "hvlp", "cup_ml": cup_ml}],
        operations=[key | {"operation_no": n, "gun_id": "g", "started_at": at(60 * n)} for n in (1, 2)],
        sprayed=[key | {"mix_id": m, "operation_no": n, "sprayed_g": g} for m, n, g in (("a", 1, sprayed_ml / 2 - 1), ("b", 1, 1.0), ("a", 2, 0.0))],
        mixes=[{"shop_id": "s", "mix_id": mix, "density_g_per_ml": 0.5} for mix in "ab"],
    )  # fmt: skip
    assert (found["cup"], found["cup_by_size"], found["qualifies"]) == (cup, by_size, "yes")
    refilled = cup == "review: refilled"
    assert (found["n_refilled"], found["first_refilled_on"]) == ((1, date(2026, 3, 2)) if refilled else (0, None))


def test_metals_are_judged_by_both_ends_of_what_is_stated() -> None:
    """Half of each cup is the component, and the threshold a thousandth of the cup."""
    stated: dict[str, tuple[dict[str, float], str]] = {
        "above": ({"mass_fraction_low": 0.003, "mass_fraction_high": 0.004}, "above"),
        "range": ({"mass_fraction_low": 0.001, "mass_fraction_high": 0.004}, "review"),
        "below": ({"mass_fraction": 0.001}, "below"), "at it": ({"mass_fraction": 0.002}, "review"), "unknown": ({}, "review"),
        "at most": ({"mass_fraction_high": 0.001}, "below"), "at least": ({"mass_fraction_low": 0.003}, "above"),
        "just above": ({"mass_fraction": 0.00201}, "above"),
    }  # fmt: skip
    status = {
        "jurisdiction": "us",
        "cas": "x",
        "class": "chromium",
        "purpose": "metal",
        "form": "any",
        "threshold_mass_fraction": 0.001,
    }
    rows = asked(
        "compliance_metals",
        substance_status=[status],
        emission_parts=[{"shop_id": "s", "mix_id": name, "component_id": name, "part": 0.5} for name in stated],
        component_species=[{"component_id": name, "cas": "x"} | ends for name, (ends, _) in stated.items()],
        emission_cups=[{"shop_id": "s", "mix_id": name} for name in stated],
    )
    assert {row["mix_id"]: row["verdict"] for row in rows} == {name: verdict for name, (_, verdict) in stated.items()}
    ends = {row["mix_id"]: (row["mass_fraction_low"], row["mass_fraction_high"]) for row in rows}
    assert ends["range"] == pytest.approx((0.0005, 0.002))
    assert ends["unknown"][1] is None


def contents(**more: Any) -> tuple[bool | None, str | None]:
    """Whether material for cleaning of 25 g/L is over a limit, and why that is not told."""
    row = {"shop_id": "s", "number": "1", "kind": "cleaning", "category": "surface_cleaner", "jurisdiction": "us", "basis": "regulatory",
           "averaging": "each_mix", "g_per_l": 25.0, "limit_g_per_l": 25.0, "month": "2026-03", "source": "law", "on_date": date(2026, 3, 2),
           "eu_substituted": False}  # fmt: skip
    (found,) = asked("voc_content", cleaner_contents=[row | more])
    return found["over"], found["why_not"]


def test_a_cleaner_at_its_limit_keeps_it_and_what_is_not_judged_says_why() -> None:
    assert contents() == (False, None)
    assert contents(g_per_l=25.1) == (True, None)
    assert contents(g_per_l=None) == (None, "its content is not known")
    assert contents(averaging="monthly_weighted") == (None, "the average of the month is judged")


@pytest.mark.parametrize(
    ("cup", "over", "why_not"),
    [
        ({}, False, None), ({"content_voc_mass_fraction": 0.421}, True, None), ({"complete": False}, None, "the cup is incomplete"),
        ({"content_voc_mass_fraction": None}, None, "its content is not known"),
        ({"averaging": "monthly_weighted"}, None, "the average of the month is judged"),
    ],
)  # fmt: skip
def test_a_cup_at_its_limit_keeps_it_and_what_is_not_judged_says_why(
    cup: dict[str, Any], over: bool | None, why_not: str | None
) -> None:
    """0.42 g VOC in each mL against 420 g/L."""
    key = {"shop_id": "s", "mix_id": "m"}
    usual = {"jurisdiction": "us", "basis": "regulatory", "averaging": "each_mix", "complete": True, "content_voc_mass_fraction": 0.42,
             "limited_ml_per_g": 1.0, "month": "2026-03", "product_id": "p", "first_poured_at": at(0)}  # fmt: skip
    row = usual | cup
    content = row["content_voc_mass_fraction"]
    category = key | {"category": "clear", "g_per_l": content and content * 1000, "limit_g_per_l": 420.0, "limit_source": "law", "rules": True,
                      "n_categories": 1, "basis": "regulatory", "jurisdiction": "us", "eu_substituted": False}  # fmt: skip
    (found,) = asked("voc_content", emission_cups=[key | row], cup_categories=[category])
    assert (found["over"], found["why_not"]) == (over, why_not)


def topcoat(*cups: tuple[str, float | None, float]) -> list[dict[str, Any]]:
    """Cups of a job: role, g/L and mL."""
    key = {"shop_id": "s", "job_id": "j"}
    return asked(
        "compliance_multistage",
        cup_feeds=[key | {"mix_id": str(n), "operation_no": n, "offered_g": ml} for n, (_, _, ml) in enumerate(cups)],
        sprays=[key | {"operation_no": n, "role": role, "product_id": role, "started_at": at(n)} for n, (role, _, _) in enumerate(cups)],
        mixes=[{"shop_id": "s", "mix_id": str(n), "voc_g_per_l_regulatory": g, "density_g_per_ml": 1.0} for n, (_, g, _) in enumerate(cups)],
        voc_limits=[{"jurisdiction": "us", "category": f"topcoat_{n}_stage", "limit_g_per_l": g} for n, g in (("two", 458.0), ("multi", 400.0))],
        **US,
    )  # fmt: skip


def test_a_topcoat_is_the_mean_of_its_layers_with_the_clear_twice() -> None:
    """Base (500 x 100 + 600 x 300) / 400 = 575; (575 + 2 x 400) / 3, and with a mid coat of 300: (575 + 300 + 800) / 4."""
    cups = [("base", 500.0, 100.0), ("base", 600.0, 300.0), ("clear", 400.0, 50.0)]
    (two,) = topcoat(*cups)
    assert (two["base_g_per_l"], two["g_per_l"], two["over"]) == (575.0, pytest.approx(1375 / 3), True)
    (more,) = topcoat(*cups, ("mid_coat", 300.0, 70.0))
    assert (more["g_per_l"], more["limit_g_per_l"], more["over"]) == (pytest.approx(1675 / 4), 400.0, True)
    assert topcoat(("base", 500.0, 100.0), ("base", None, 300.0), ("clear", 400.0, 50.0)) == []


def test_a_cleaner_is_judged_without_its_water_and_what_is_exempt_on_that_day() -> None:
    """0.6 VOC, 0.1 water, 0.3 exempt of 0.79 g/mL of which a third counts again; the next version of the row begins later."""
    facts = {"component_id": "c", "density_g_per_ml": 0.8, "voc_mass_fraction": 0.6, "water_mass_fraction": 0.1, "exempt_mass_fraction": 0.3,
             "exempt_density_g_per_ml": 0.79}  # fmt: skip
    next_on = date(2026, 3, 3)
    (found,) = asked(
        "cleaner_contents", {"water_density_g_per_ml": 1.0},
        cleaning=[{"shop_id": "s", "cleaning_no": "1", "purpose": "surface", "component_id": "c", "used_at": at(0), "issued_g": 100.0}],
        voc_limits=[{"jurisdiction": "us", "category": "surface_cleaner", "basis": "regulatory", "limit_g_per_l": 25.0, "source": "law"}],
        component_facts=[facts | {"from_on": EVER, "until_on": next_on}, facts | {"from_on": next_on, "until_on": NEVER}],
        emission_materials=[{"jurisdiction": "us", "component_id": "c", "on_date": at(0).date(), "content_restated_mass_fraction": 0.1,
                             "content_restated_ml_per_g": 0.1 / 0.79}],
        emission_places=US["emission_places"],
    )  # fmt: skip
    assert found["g_per_l"] == pytest.approx(1000 * 0.7 / (1 / 0.8 - 0.1 - 0.2 / 0.79))


def trained(**person: Any) -> dict[str, Any]:
    """Someone's training at the end of March 2026 by a rule of 180 days and 5 years."""
    done = person.pop("done", ())
    (found,) = asked(
        "training_days",
        training_rules=[{"jurisdiction": "us", "rule": "painter_training", "label": "r", "within_days": 180, "valid_years": 5, "source": "law"}],
        technicians=[{"technician_id": "t", "shop_id": "s", "hired_on": date(2020, 1, 1)} | person],
        trainings=[{"technician_id": "t", "completed_on": on, "hands_on": True, "classroom": room, "certificate_ref": "c"} for on, room in done],
        **US,
    )  # fmt: skip
    return found


LONG_AGO, LATELY = date(2020, 6, 1), date(2025, 6, 1)


@pytest.mark.parametrize(
    ("done", "status", "asks"),
    [
        ([], "overdue", False), ([(LATELY, True)], "trained", False), ([(LONG_AGO, True)], "expired", False),
        ([(LATELY, None)], "missing", True), ([(LONG_AGO, None)], "missing", True), ([(LATELY, False)], "overdue", False),
        ([(LONG_AGO, True), (LATELY, None)], "missing", True), ([(LATELY, True), (LONG_AGO, None)], "trained", False),
        ([(date(2021, 3, 31), True)], "trained", False), ([(date(2021, 3, 30), True)], "expired", False),
    ],
)  # fmt: skip
def test_a_training_of_which_a_part_is_not_entered_may_have_been_full(done: list[Any], status: str, asks: bool) -> None:
    found = trained(done=done)
    assert (found["status"], "hands-on and classroom" in (found["missing"] or "")) == (status, asks)
