"""Where the record of emissions turns: nothing at all, two lines of one kind, ids that two shops share, half a key.

Each from rows made by hand through one statement; the sums of whole shops are checked by the oracles in tests/pipeline.
"""

from __future__ import annotations

from datetime import date, datetime, timedelta
from typing import Any

import pytest
from small_shop import asked, at, table

from pipelines.settings import Settings

DAY = date(2026, 3, 2)
SETTINGS = Settings().flat()
PLACE = {"shop_id": "s", "jurisdiction": "us", "basis": "regulatory"}


def places(*rows: dict[str, Any]) -> list[dict[str, Any]]:
    return [PLACE | row for row in rows or ({},)]


def test_a_refused_row_of_a_cup_counts_in_that_cups_month_alone() -> None:
    mixes = [("s", "m", "2026-03"), ("s", "n", "2026-04"), ("other", "m", "2026-05")]
    given = {
        "incomplete": [{"what": "cup", "shop_id": "s", "mix_id": "m", "file": "f.csv", "line": 3}],
        "emission_places": places({}, {"shop_id": "other"}),
        "mixes": [{"shop_id": a, "mix_id": b, "month": c} for a, b, c in mixes],
    }
    assert table("emission_gaps", **given).rows() == [("s", "2026-03", 1, False)]


def test_a_component_that_stands_twice_in_a_cup_is_added_up() -> None:
    line = dict(shop_id="s", mix_id="m", component_id="c", on_date=DAY, exempt_g=0.0, exempt_ml=0.0, water_ml=0.0)
    given = {
        "cup_figures": [line | {"mass_g": g, "ml": g, "voc_g": g / 2, "voc_eu_g": g / 2} for g in (60.0, 40.0)],
        "emission_places": places(),
        "emission_materials": [
            {"jurisdiction": "us", "component_id": "c", "on_date": DAY, "restated_mass_fraction": 0.0,
             "content_restated_mass_fraction": 0.0, "content_restated_ml_per_g": 0.0},
        ],
    }  # fmt: skip
    found = table("emission_parts", **given).row(0, named=True)
    whole = {"part": 1.0, "voc": 0.5, "exempt": 0.0, "content_voc": 0.5, "ml": 1.0, "limited_ml": 1.0}
    assert {name: found[name] for name in whole} == pytest.approx(whole)


def test_months_of_refused_rows_span_from_the_first_to_the_last() -> None:
    lost = [
        {"what": "month", "shop_id": "s", "month": month, "file": "f", "line": 2}
        for month in ("2026-01", "2026-03", "2026-05")
    ]
    (found,) = asked("emission_places", incomplete=lost, shops=[{"shop_id": "s"}])
    assert (found["first_month"], found["last_month"]) == ("2026-01", "2026-05")


def test_litres_are_missed_in_the_row_of_the_cup_alone() -> None:
    flow = {"shop_id": "s", "month": "2026-03", "on_date": DAY, "mix_id": "m", "mass_g": 100.0}
    cup = {"shop_id": "s", "mix_id": "m", "category": "clear", "own_poured_g": 200.0, "voc_mass_fraction": 0.5, "exempt_mass_fraction": 0.0,
           "complete": True, "grade": "A", "leftover_known": True}  # fmt: skip
    given = {
        "emission_flows": [flow | {"kind": "cup"}, flow | {"kind": "drawn"}],
        "emission_cups": [cup],
        "emission_places": places(),
    }  # fmt: skip
    found = table("emission_uses", **given).select("kind", "complete", "note").rows()
    assert sorted(found) == [("cup", False, "a component has no density"), ("drawn", True, None)]


def monthly(*lines: dict[str, Any], gaps: tuple[dict[str, Any], ...] = ()) -> list[dict[str, Any]]:
    usual = dict(shop_id="s", month="2026-03", category="clear", kind="cup", source="mixes", complete=True, grade="A")
    told = [usual | line for line in lines]
    return asked("emissions_monthly", {"z95": 1.96}, emission_lines=told, emission_gaps=list(gaps))


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
    wanted = ("unmapped", 0, 2, None, False)
    assert (found["category"], found["n_lines"], found["n_refused"], found["voc_kg"], found["complete"]) == wanted


def test_a_year_of_cleaning_alone_closes_its_balance() -> None:
    """1 kg issued with 60 % VOC and 40 % of what the EU counts besides; 400 g evaporated."""
    given = {
        "emission_cleaning": [
            {"shop_id": "s", "month": "2026-03", "component_id": "c", "on_date": DAY, "issued_g": 1000.0, "evaporated_g": 400.0},
        ],
        "emission_places": places({"basis": "eu"}),
        "emission_materials": [{"jurisdiction": "us", "component_id": "c", "on_date": DAY, "voc_mass_fraction": 0.6, "exempt_mass_fraction": 0.4}],
        "emission_lines": [{"shop_id": "s", "month": "2026-03", "source": "cleaning", "voc_kg": 0.24, "exempt_kg": 0.16, "complete": True}],
    }  # fmt: skip
    found = table("compliance_solvent", **given).row(0, named=True)
    balance = dict(pours_kg=0.0, input_kg=1.0, came_back_kg=0.6, consumed_kg=0.4, emitted_kg=0.4, kept_change_kg=0.0)
    assert {name: found[name] for name in balance} == pytest.approx(balance)


def test_months_run_over_the_turn_of_the_year() -> None:
    given = {"emission_places": [{"shop_id": "s", "first_month": "2025-11", "last_month": "2026-02"}]}
    found = table("shop_months", **given)
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
        "cup_contents": [key | {"on_date": DAY, "own_g": 60.0}, key | {"on_date": later, "own_g": 40.0}],
        "emission_parts": [
            key | {"on_date": DAY, "part": 0.6, "voc": 0.3, "exempt": 0.0},
            key | {"on_date": later, "part": 0.4, "voc": 0.1, "exempt": 0.0},
        ],
        "emission_places": places({"basis": "eu"}, {"shop_id": "other"}),
        "emission_cups": [key | {"month": "2026-03", "first_poured_at": at(0), "complete": True}],
        "emission_lines": [{"shop_id": shop} | line for shop in ("s", "other")],
    }  # fmt: skip
    found = table("solvent_lines", **given).select("shop_id", "kind", "kg").rows()
    assert found == [("s", "cup", pytest.approx(0.04)), ("s", "unscaled", 1.5)]


def flows(
    *weighings: dict[str, Any],
    drawn_at: datetime | None = None,
    last_on: date = DAY,
    pours: tuple[dict[str, Any], ...] = (),
) -> Any:
    """A cup of 100 g of 2 March and its weigh-backs, a day apart; what counts as gone, by kind, day and g."""
    key = {"shop_id": "s", "mix_id": "m"}
    backs = [at(24 * 60 * n) for n in range(1, len(weighings) + 1)]
    rows, kept_before, fate = [], False, None
    for n, (when, row) in enumerate(zip(backs, weighings, strict=True), 1):
        rows.append(key | {"interval_no": n, "n_weighings": len(weighings), "begins_at": backs[n - 2] if n > 1 else None, "weighed_at": when,
                           "fate_before": fate, "kept_before": kept_before} | row)  # fmt: skip
        fate = row.get("fate")
        kept_before = kept_before or fate == "kept"
    operation = key | {"job_id": "j", "operation_no": 1}
    found = asked(
        "emission_flows", {"kept_unseen_days": 30},
        cup_intervals=rows,
        mixes=[key | {"poured_g": 100.0, "poured_on_g": sum(p["weighed_g"] for p in pours), "first_poured_at": at(0)}],
        pours=[key | {"mix_id": "into", "from_mix_id": "m"} | p for p in pours]
        + [{"shop_id": "other", "mix_id": "m", "component_id": "c", "poured_at": at(70 * 24 * 60), "weighed_g": 5.0}],
        cup_feeds=[operation] if drawn_at else [],
        operations=[operation | {"started_at": drawn_at}] if drawn_at else [],
        emission_places=[{"shop_id": "s", "last_on": last_on}],
    )  # fmt: skip
    return sorted(((row["kind"], row["on_date"], row["mass_g"]) for row in found), key=str)


FIRST, SECOND = {"fate": "kept", "gone_g": 60.0, "leftover_g": 40.0}, {"gone_g": 30.0, "leftover_g": 10.0}


def test_what_is_kept_counts_when_it_is_shown_gone() -> None:
    first, then = ("cup", DAY, 60.0), date(2026, 3, 4)
    assert flows(FIRST, SECOND) == [first, ("discarded", then, 10.0), ("weighed_back", then, 30.0)]
    drawn = at(24 * 60 + 5)
    assert flows(FIRST, SECOND, drawn_at=drawn) == [first, ("discarded", then, 10.0), ("drawn", date(2026, 3, 3), 30.0)]
    assert flows(FIRST) == [first, ("kept", None, 40.0)]
    assert flows(FIRST, drawn_at=drawn) == [first, ("drawn", date(2026, 3, 3), 40.0)]


def test_what_is_thrown_away_and_weighed_once_more_is_discarded_on_the_first_day() -> None:
    again = {"fate": "discarded", "gone_g": 10.0, "leftover_g": 30.0}
    empty = {"gone_g": 30.0, "leftover_g": 0.0}
    found = flows(FIRST, again, empty)
    assert ("discarded", date(2026, 3, 4), 30.0) in found
    assert ("weighed_back", date(2026, 3, 4), 10.0) in found
    assert sum(mass for _, _, mass in found) == 100.0


def test_a_cup_kept_and_not_seen_for_thirty_days_is_gone_on_the_thirtieth() -> None:
    """Weighed on 3 March: unseen on 2 April, once the records reach that day; poured on from in between, the days begin anew."""
    seen, unseen = ("cup", DAY, 60.0), date(2026, 4, 2)
    assert flows(FIRST, last_on=unseen - timedelta(days=1)) == [seen, ("kept", None, 40.0)]
    assert flows(FIRST, last_on=unseen) == [seen, ("unseen", unseen, 40.0)]
    poured_on = {"poured_at": at(10 * 24 * 60), "weighed_g": 15.0}
    found = flows(FIRST | {"leftover_g": 25.0}, last_on=date(2026, 5, 1), pours=(poured_on,))
    assert found == [seen, ("unseen", date(2026, 4, 11), 25.0)]


def test_what_is_found_of_an_unseen_cup_counts_with_the_cup_it_goes_into() -> None:
    late = {"poured_at": at(60 * 24 * 60), "weighed_g": 15.0}
    found = flows(FIRST | {"leftover_g": 25.0}, last_on=date(2026, 6, 1), pours=(late,))
    assert found == [("cup", DAY, 60.0), ("found", date(2026, 5, 1), -15.0), ("unseen", date(2026, 4, 2), 40.0)]


@pytest.mark.parametrize(
    ("row", "note", "complete"),
    [
        ({"filter_capture": 0.98}, None, True), ({}, "no filter capture known: nothing is taken as held back", True),
        ({"why_not_split": "no transfer efficiency is known"}, "particulate not known: no transfer efficiency is known", True),
        ({"why_not_split": "the operation is incomplete"}, "particulate not known: the operation is incomplete", False),
    ],
)  # fmt: skip
def test_particulate_stands_in_kilograms_with_what_is_to_say_of_it(
    row: dict[str, Any], note: str | None, complete: bool
) -> None:
    key = {"shop_id": "s", "mix_id": "m"}
    grams = {"pm_g": 500.0, "pm_g_low": 400.0, "pm_g_high": 650.0, "pm_own_g": 50.0, "not_split_solids_g": 20.0}
    spray = key | {"job_id": "j", "operation_no": 1, "on_date": DAY, "month": "2026-03", "grade": "A"}
    (found,) = asked(
        "emission_lines", emission_overspray=[spray | grams | row], emission_cups=[key | {"category": "clear"}]
    )
    wanted = ("overspray", "clear", note, complete)
    assert (found["kind"], found["category"], found["note"], found["complete"]) == wanted
    wanted = [0.5, 0.4, 0.65, 0.05, 0.02]
    assert [found[name] for name in ("pm_kg", "pm_kg_low", "pm_kg_high", "pm_own_kg", "not_split_solids_kg")] == wanted


def test_an_exempt_compound_that_counts_here_takes_its_volume_along() -> None:
    """A fifth of the component, at 1.6 g/mL: 0.125 mL in each g are volume again."""
    status = {
        "jurisdiction": "us",
        "cas": "a",
        "status": "counts",
        "density_g_per_ml": 1.6,
        "from_on": date(1, 1, 1),
        "until_on": date(9999, 12, 31),
    }
    ever = {"component_id": "c", "from_on": date(1, 1, 1), "until_on": date(9999, 12, 31)}
    (found,) = asked(
        "emission_materials",
        emission_places=[PLACE],
        cup_contents=[{"shop_id": "s", "mix_id": "m", "component_id": "c", "on_date": DAY}],
        component_species=[{"component_id": "c", "cas": "a", "mass_fraction": 0.2}],
        substance_status=[status | {"purpose": purpose} for purpose in ("mass", "content")],
        component_facts=[ever | {"density_g_per_ml": 1.0, "voc_mass_fraction": 0.3, "exempt_mass_fraction": 0.2}],
        component_versions=[ever],
    )
    assert (found["content_restated_mass_fraction"], found["content_restated_ml_per_g"]) == (0.2, pytest.approx(0.125))
    assert (found["voc_mass_fraction"], found["exempt_mass_fraction"]) == (pytest.approx(0.5), pytest.approx(0.0))


@pytest.mark.parametrize(("useful", "over"), [(30.0, None), (None, 30.0), (10.0, 20.0)])
def test_what_lands_carries_the_chance_of_its_operation_through_the_filter(
    useful: float | None, over: float | None
) -> None:
    """30 g of solids landed, 10 % by chance, half held back."""
    key = {"shop_id": "s", "job_id": "j", "operation_no": 1}
    (found,) = asked(
        "emission_overspray",
        material_ledger=[
            key | dict(mix_id="m", te=0.6, overspray_solids_g=20.0, useful_solids_g=useful, over_build_solids_g=over)
        ],
        operations=[key | {"booth_id": "b", "started_at": at(0)}],
        operation_te=[{"shop_id": "s", "op_job_id": "j", "operation_no": 1, "event_rel_u": 0.1}],
        booth_versions=[{"booth_id": "b", "filter_capture": 0.5, "from_on": DAY, "until_on": DAY + timedelta(days=1)}],
    )
    assert (found["pm_g"], found["pm_own_g"]) == (pytest.approx(10.0), pytest.approx(1.5))


def test_a_cup_that_holds_nothing_has_no_parts() -> None:
    cup = {"shop_id": "s", "mix_id": "m", "component_id": "c", "on_date": DAY, "mass_g": 0.0}
    assert (
        asked(
            "emission_parts",
            emission_places=[PLACE],
            cup_figures=[cup],
            emission_materials=[cup | {"jurisdiction": "us"}],
        )
        == []
    )


def test_a_shop_of_which_nothing_says_where_it_stands_takes_the_setting() -> None:
    found = asked("emission_places", {"jurisdiction": "us"}, shops=[{"shop_id": "a", "jurisdiction": "eu"}, {"shop_id": "b"}],
                  packs=[{"jurisdiction": "eu", "basis": "eu"}])  # fmt: skip
    assert [(r["shop_id"], r["jurisdiction"], r["basis"], r["averaging"]) for r in found] == [
        ("a", "eu", "eu", "each_mix"), ("b", "us", "regulatory", "each_mix"),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("cup", "kind", "grade"),
    [
        ({}, "cup", "A"), ({"complete": False}, "cup", "C"), ({"voc_mass_fraction": None}, "cup", "C"), ({"grade": "B"}, "cup", "B"),
        ({"leftover_known": False}, "cup", "B"), ({}, "unseen", "B"), ({}, "found", "B"), ({}, "drawn", "A"),
    ],
)  # fmt: skip
def test_a_use_is_as_sure_as_its_cup_and_what_shows_it_gone(cup: dict[str, Any], kind: str, grade: str) -> None:
    key = {"shop_id": "s", "mix_id": "m"}
    whole = dict(
        complete=True, voc_mass_fraction=0.5, exempt_mass_fraction=0.0, grade="A", leftover_known=True, rts_l=0.1
    )
    flow = key | {"kind": kind, "month": "2026-03", "on_date": DAY, "mass_g": 100.0}
    (found,) = asked(
        "emission_uses", emission_flows=[flow], emission_cups=[key | {"own_poured_g": 100.0} | whole | cup]
    )
    assert found["grade"] == grade


def test_solvent_issued_is_litres_by_its_density() -> None:
    """1600 g at 0.8 g/mL are 2 L; 500 g evaporated with 90 % VOC; of 1100 g that came back 110 g were flushed out of guns."""
    row = {"shop_id": "s", "month": "2026-03", "category": "cleaning", "on_date": DAY, "cleaning_no": "1", "component_id": "c", "issued_g": 1600.0,
           "recovered_g": 1100.0, "solvent_recovered_g": 2200.0, "solvent_flush_g": 220.0, "evaporated_g": 500.0}  # fmt: skip
    material = {
        "jurisdiction": "us",
        "component_id": "c",
        "on_date": DAY,
        "density_g_per_ml": 0.8,
        "voc_mass_fraction": 0.9,
        "exempt_mass_fraction": 0.0,
    }
    (found,) = asked("emission_uses", emission_cleaning=[row], emission_places=[PLACE], emission_materials=[material])
    assert [found[name] for name in ("issued_l", "voc_kg", "flush_g")] == pytest.approx([2.0, 0.45, 110.0])


def test_solvent_is_consumed_where_the_definitions_of_the_eu_hold_and_by_what_was_poured() -> None:
    rows = [("s", "m", 50.0), ("other", "m", 50.0), ("s", "leftovers alone", 0.0)]
    cups = [{"shop_id": shop, "mix_id": mix, "component_id": "c", "on_date": DAY} for shop, mix, _ in rows]
    found = asked(
        "solvent_lines",
        emission_places=[PLACE | {"basis": "eu"}, PLACE | {"shop_id": "other"}],
        cup_contents=[cup | {"own_g": g} for cup, (_, _, g) in zip(cups, rows, strict=True)],
        emission_parts=[cup | {"part": 1.0, "voc": 0.5, "exempt": 0.1} for cup in cups],
        emission_cups=[cup | {"month": "2026-03", "first_poured_at": at(0), "complete": True} for cup in cups],
    )
    assert [(r["shop_id"], r["mix_id"], r["kg"], r["complete"]) for r in found] == [
        ("s", "m", pytest.approx(0.03), True)
    ]
