"""Where hazardous substances, waste and people's training turn: a name that two blends share, a drum that nothing goes into.

Each from rows made by hand through one statement; the sums of whole shops are checked by the oracles in tests/pipeline.
"""

from __future__ import annotations

from datetime import date
from typing import Any

import polars as pl
import pytest
from small_shop import asked, at, frame, table

from pipelines.ledger import waste
from tests import on_frames

EVER, NEVER, DAY = date(1, 1, 1), date(9999, 12, 31), date(2026, 3, 2)
PLACE = {"shop_id": "s", "jurisdiction": "us", "basis": "regulatory"}


def places(*rows: dict[str, Any]) -> list[dict[str, Any]]:
    return [PLACE | row for row in rows or ({},)]


@pytest.mark.parametrize(
    ("gone", "recovered", "flush", "found"),
    [
        (0.0, 0.0, 2.0, []),
        (5.0, 0.0, 2.0, [("discarded", 5.0)]),
        (0.0, 10.0, 10.0, []),
        (0.0, 10.0, 2.0, [("recovered", 8.0)]),
    ],
)
def test_nothing_goes_into_the_drum_as_nothing(gone: float, recovered: float, flush: float, found: list[Any]) -> None:
    """A cup thrown away, then weighed once more; and solvent that came back, with the flush in it."""
    mix = {"shop_id": "s", "mix_id": "m"}
    twice = mix | {"n_weighings": 2}
    given = {
        "cup_intervals": [
            twice | {"interval_no": 1, "weighed_at": at(0), "fate": "discarded", "leftover_g": 5.0},
            twice | {"interval_no": 2, "begins_at": at(0), "weighed_at": at(60), "fate_before": "discarded", "gone_g": gone, "leftover_g": 0.0},
        ],
        "emission_cups": [mix | {"voc_mass_fraction": 0.5}],
        "emission_cleaning": [
            {"shop_id": "s", "on_date": DAY, "cleaning_no": "1", "month": "2026-03", "recovered_g": recovered, "solvent_flush_g": flush,
             "solvent_recovered_g": 10.0},
        ],
    }  # fmt: skip
    assert table("drum_inputs", **given).select("kind", "mass_g").rows() == found


def test_a_shop_without_records_still_has_its_people_to_train() -> None:
    row = {"shop_id": "s", "technician_id": "t", "rule": "diisocyanates", "label": "r", "status": "missing", "missing": "training",
           "source": "law"}  # fmt: skip
    (found,) = asked("compliance_training", training_days=[row], emission_places=places())
    assert found["technician_id"] == "t"


def test_only_material_of_unknown_composition_that_left_is_a_gap() -> None:
    uses = [("c", 10.0), ("c", 5.0), ("known", 7.0), ("unused", 0.0)]
    given = {
        "hap_uses": [{"shop_id": "s", "month": "2026-03", "component_id": c, "on_date": DAY, "mass_g": g} for c, g in uses],
        "component_facts": [{"component_id": c, "from_on": EVER, "until_on": NEVER, "composition_known": c == "known"}
                            for c in ("c", "known", "unused")],
    }  # fmt: skip
    assert table("hap_gaps", **given).rows() == [("s", "2026-03", "c", 15.0)]


def blend_match(name: str, *entries: tuple[int, int, str, str, float]) -> tuple[Any, ...]:
    columns = ("table_no", "entry_no", "blend", "cas", "organic_hap_mass_fraction")
    given = {
        "component_species": [{"component_id": "c", "cas": "x", "substance": name}],
        "hap_blends": [dict(zip(columns, one, strict=True)) for one in entries],
    }  # fmt: skip
    found = table("hap_blend_matches", **given)
    return found.select("table_no", "entry_no", "matched_by", "ambiguous").row(0)


def test_name_and_number_beat_the_name_and_the_number_beats_the_kind() -> None:
    wanted = (3, 1, "name and CAS number", False)
    assert blend_match("Naphtha", (3, 1, "naphtha", "x", 0.1), (3, 2, "naphtha", "y", 0.9)) == wanted
    wanted = (3, 2, "name and CAS number", False)
    assert blend_match("Naphtha", (3, 1, "other", "x", 0.1), (3, 2, "naphtha", "x", 0.05)) == wanted
    wanted = (3, 1, "CAS number", False)
    assert blend_match("aliphatic solvent", (3, 1, "naphtha", "x", 0.1), (4, 1, "aliphatic", "", 0.9)) == wanted


def test_two_components_that_name_one_number_bring_each_its_own_blend() -> None:
    given = {
        "substance_status": [
            {"cas": "108-88-3", "from_on": EVER, "until_on": NEVER, "substance": "toluene", "threshold_mass_fraction": 0.01, "purpose": "hap"},
        ],
        "rule_figures": [{"rule": "hap_content", "figure": "species_decimals", "value": 4.0}],
        "component_species": [{"component_id": c, "cas": "x", "mass_fraction": 1.0} for c in "ab"],
        "hap_blend_matches": [{"component_id": c, "cas": "x", "table_no": 3, "entry_no": n} for c, n in (("a", 1), ("b", 2))],
        "hap_blends": [{"table_no": 3, "entry_no": n, "hap_cas": "108-88-3", "hap_mass_fraction": part} for n, part in ((1, 0.2), (2, 0.1))],
    }  # fmt: skip
    assert table("hap_species", **given).select("component_id", "fraction").rows() == [("a", 0.2), ("b", 0.1)]


def test_time_of_spraying_adds_up_from_the_limit_on_and_the_doubtful_reason_is_told_first() -> None:
    """A tenth of a per cent just counts. Both reasons meet in a cup (a), in an operation (b), in a month (c)."""
    doubt = "a hardener of unknown composition is taken to hold isocyanates"
    cups = [("both", "named"), ("both", "unknown"), ("one", "named"), ("two", "unknown"), ("free", "told")]
    feeds = [(1, "both"), (2, "one"), (2, "two"), (3, "one"), (4, "two"), (5, "one"), (6, "free")]
    hands = {1: "a", 2: "b", 3: "c", 4: "c", 5: "d", 6: "e"}
    given = {
        "rule_figures": [{"rule": "diisocyanates", "figure": "mass_fraction_min", "value": 0.001}],
        "component_species": [{"component_id": "named", "cas": "x", "substance": "an isocyanate", "mass_fraction": 0.001}],
        "components": [{"component_id": name, "kind": "hardener"} for name in ("unknown", "told")],
        "component_facts": [{"component_id": name, "composition_known": name == "told"} for name in ("unknown", "told")],
        "cup_contents": [{"shop_id": "s", "mix_id": m, "component_id": c} for m, c in cups],
        "cup_feeds": [{"shop_id": "s", "job_id": "j", "operation_no": n, "mix_id": m} for n, m in feeds],
        "operations": [{"shop_id": shop, "job_id": job, "operation_no": n, "kind": "spray", "product_id": "p", "technician_id": who,
             "started_at": at(60 * n), "ended_at": at(60 * n + 10)}
            for n, who in hands.items() for shop, job in (("s", "j"), ("s", "another job"), ("other", "j"))],
    }  # fmt: skip
    found = {row["technician_id"]: row for row in table("spray_time", **given).iter_rows(named=True)}
    assert {who: row["minutes"] for who, row in found.items()} == {"a": 10.0, "b": 10.0, "c": 20.0, "d": 10.0}
    assert [found[who]["why"] for who in "abc"] == [doubt] * 3
    assert found["d"]["why"] == "an isocyanate is among its substances"


def test_waste_earns_what_its_analysis_says_and_nothing_is_held_against_it() -> None:
    """100 g of coating with 40 g VOC in the drum, 50 g shipped with 30 % VOC."""
    line = {"shop_id": "s", "movement": "shipped_as_waste", "happened_on": DAY, "document_no": "d", "line_no": 1, "mass_g": 50.0,
            "voc_mass_fraction": 0.3, "document_ref": "paper"}  # fmt: skip
    coating = dict(shop_id="s", on_date=DAY, kind="discarded", mix_id="m", stream="coating", mass_g=100.0, voc_g=40.0)
    drum = frame("drum_inputs", coating)
    uses = frame("emission_uses", {"shop_id": "s", "month": "2026-03", "voc_kg": 1.0})
    found = waste.emission_waste(frame("stock", line), drum, uses).row(0, named=True)
    wanted = {"solvent_g": 0.0, "coating_g": 50.0, "unexplained_g": 0.0, "credit_g": 15.0}
    assert {name: found[name] for name in wanted} == pytest.approx(wanted)
    assert found["why_not"] is None


def test_two_shipments_of_a_month_leave_the_drum_together() -> None:
    given = {
        "drum_inputs": [{"shop_id": "s", "month": "2026-03", "stream": "coating", "mass_g": 1000.0}],
        "emission_waste": [{"shop_id": "s", "month": "2026-03", "solvent_g": 0.0, "coating_g": g, "unexplained_g": 0.0, "credit_g": 0.0,
                            "document_ref": d} for g, d in ((300.0, "a"), (200.0, "b"))],
        "shop_months": [{"shop_id": "s", "month": "2026-03"}],
    }  # fmt: skip
    found = {row["stream"]: row for row in table("waste_drum", **given).iter_rows(named=True)}
    nothing = dict.fromkeys(
        ("opening_kg", "in_kg", "shipped_kg", "unexplained_kg", "closing_kg", "generated_kg", "credit_voc_kg"), 0.0
    )
    wanted = nothing | {"in_kg": 1.0, "shipped_kg": 0.5, "closing_kg": 0.5, "generated_kg": 1.0}
    assert {name: found["coating"][name] for name in wanted} == pytest.approx(wanted)
    assert {name: found["solvent"][name] for name in nothing} == nothing
    assert (found["coating"]["document_ref"], found["solvent"]["document_ref"]) == ("a; b", None)


def test_waste_of_a_month_is_both_streams_and_a_place_without_figures_names_no_category() -> None:
    amounts = ("generated_kg", "shipped_kg", "unexplained_kg", "closing_kg")
    given = {
        "emission_places": places(),
        "waste_drum": [{"shop_id": "s", "month": "2026-03"} | dict.fromkeys(amounts, kg) for kg in (0.5, 0.3)],
    }  # fmt: skip
    found = table("waste_monthly", **given).row(0, named=True)
    wanted = {"generated_kg": 0.8, "shipped_kg": 0.8, "unexplained_kg": 0.8, "on_hand_kg": 0.8}
    assert {name: found[name] for name in wanted} == pytest.approx(wanted)
    assert found["generator"] is None


def test_what_a_shop_has_on_hand_is_too_much_only_above_the_line_of_the_nearest_place() -> None:
    """A generator of 60 kg is small by the county's 50 kg, not by the 100 kg of the state above it."""
    places_above = [
        ("us", "small_above", 100.0),
        ("us-ca", "small_above", 50.0),
        ("us", "large_from", 1000.0),
        ("us", "small_on_hand_max", 300.0),
    ]
    figures = [{"jurisdiction": place, "rule": "waste_generator", "figure": figure, "value": kg, "unit": "kg", "source": "law"}
               for place, figure, kg in places_above]  # fmt: skip

    def judged(generated: float, on_hand: float) -> tuple[Any, ...]:
        drum = {"shop_id": "s", "month": "2026-03", "stream": "coating", "generated_kg": generated, "shipped_kg": 0.0, "unexplained_kg": 0.0,
                "closing_kg": on_hand}  # fmt: skip
        (found,) = asked(
            "waste_monthly",
            emission_places=[{"shop_id": "s", "jurisdiction": "us-ca"}],
            rule_figures=figures,
            waste_drum=[drum],
        )
        return found["generator"], found["too_much_on_hand"]

    assert judged(60.0, 300.0) == ("small", False)
    assert judged(60.0, 300.1) == ("small", True)
    assert judged(50.0, 300.1) == ("very small", None)
    assert judged(1000.0, 300.1) == ("large", None)


def test_a_very_small_generator_may_hold_just_its_line() -> None:
    figures = [{"jurisdiction": "us", "rule": "waste_generator", "figure": figure, "value": kg, "unit": "kg", "source": "law"}
               for figure, kg in (("small_above", 100.0), ("very_small_on_hand_max", 1000.0))]  # fmt: skip
    drum = dict(shop_id="s", month="2026-03", stream="coating", generated_kg=1.0, shipped_kg=0.0, unexplained_kg=0.0)
    given: dict[str, Any] = {"emission_places": [{"shop_id": "s", "jurisdiction": "us"}], "rule_figures": figures}
    held = [
        asked("waste_monthly", waste_drum=[drum | {"closing_kg": kg}], **given)[0]["too_much_on_hand"]
        for kg in (1000.0, 1000.5)
    ]
    assert held == [False, True]


def test_each_component_takes_its_own_best_match_among_blends() -> None:
    """One number, two blends: a says the name of the poorer one, b says no name of either."""
    entry = {"table_no": 3, "cas": "x"}
    found = asked(
        "hap_blend_matches",
        component_species=[{"component_id": "a", "cas": "x", "substance": "Naphtha"}, {"component_id": "b", "cas": "x", "substance": "a solvent"}],
        hap_blends=[entry | {"entry_no": 1, "blend": "naphtha", "organic_hap_mass_fraction": 0.02},
                    entry | {"entry_no": 2, "blend": "high-flash naphtha", "organic_hap_mass_fraction": 0.05}],
    )  # fmt: skip
    assert [(r["component_id"], r["entry_no"], r["matched_by"], r["ambiguous"]) for r in found] == [
        ("a", 1, "name and CAS number", False), ("b", 2, "CAS number", True),
    ]  # fmt: skip


def test_a_kind_of_blend_goes_by_the_name_alone() -> None:
    species = [{"component_id": "c", "cas": "x", "substance": "naphtha"}]
    assert (
        asked(
            "hap_blend_matches",
            component_species=species,
            hap_blends=[{"table_no": 4, "entry_no": 1, "blend": "aliphatic", "cas": "x"}],
        )
        == []
    )


def shipped(*lines: dict[str, Any]) -> list[dict[str, Any]]:
    """Waste lines of a shop whose drum holds 30 g of recovered solvent and 100 g of coating with 40 g VOC."""
    into = {"shop_id": "s", "on_date": DAY, "mix_id": "m"}
    drum = frame("drum_inputs", into | {"kind": "recovered", "stream": "solvent", "mass_g": 30.0},
                 into | {"kind": "discarded", "stream": "coating", "mass_g": 100.0, "voc_g": 40.0})  # fmt: skip
    uses = frame("emission_uses", {"shop_id": "s", "month": "2026-03", "voc_kg": 1.0})
    usual = {
        "shop_id": "s",
        "movement": "shipped_as_waste",
        "happened_on": DAY,
        "line_no": 1,
        "voc_mass_fraction": 0.3,
        "document_ref": "paper",
    }
    return waste.emission_waste(frame("stock", *(usual | line for line in lines)), drum, uses).to_dicts()


def test_recovered_solvent_leaves_before_coating() -> None:
    """Of 50 g 30 g are solvent; the 20 g of coating earn 30 % of them."""
    (found,) = shipped({"document_no": "d", "mass_g": 50.0})
    wanted = {"solvent_g": 30.0, "coating_g": 20.0, "unexplained_g": 0.0, "credit_g": 6.0}
    assert {name: found[name] for name in wanted} == pytest.approx(wanted)


def test_more_than_the_drum_holds_is_not_explained() -> None:
    (found,) = shipped({"document_no": "d", "mass_g": 150.0})
    wanted = {"solvent_g": 30.0, "coating_g": 100.0, "unexplained_g": 20.0, "credit_g": 36.0}
    assert {name: found[name] for name in wanted} == pytest.approx(wanted)


def test_a_line_sent_twice_under_one_reference_takes_nothing_out() -> None:
    _, copy = shipped({"document_no": "d", "mass_g": 50.0}, {"document_no": "e", "mass_g": 50.0})
    assert [copy[name] for name in ("solvent_g", "coating_g", "unexplained_g", "credit_g")] == [0.0, 0.0, 0.0, 0.0]


def test_a_row_that_was_read_from_no_file_names_none() -> None:
    use = {"shop_id": "s", "use_no": "u", "used_at": at(0)}
    stock = frame("stock", {"shop_id": "s", "document_no": "d", "line_no": 7, "happened_on": DAY})
    cleaning = frame("cleaning", {"shop_id": "s", "cleaning_no": "c", "used_at": at(0)}).with_columns(
        file=pl.lit("a.csv")
    )
    unscaled = frame("unscaled_use", use).with_columns(file=pl.lit("b.csv"), line=pl.lit(5, pl.Int64))
    given = {"cleaning": cleaning, "unscaled_use": unscaled, "stock": stock}
    read = on_frames.run_statement("record_lines", given, {})
    found = {row["source"]: row for row in read.iter_rows(named=True)}
    assert {name: (row["document_line"], row["file"], row["file_line"]) for name, row in found.items()} == {
        "cleaning": (1, None, None), "stock": (7, None, None), "unscaled_use": (1, "b.csv", 5),
    }  # fmt: skip


def test_material_is_a_gap_by_the_version_of_its_own_day() -> None:
    """Composition given from March on: February's use is a gap, and March's is none."""
    versions = [(EVER, date(2026, 3, 1), False), (date(2026, 3, 1), NEVER, True)]
    found = asked(
        "hap_gaps",
        hap_uses=[{"shop_id": "s", "month": f"2026-{n:02d}", "component_id": "c", "on_date": date(2026, n, 2), "mass_g": g}
                  for n, g in ((2, 7.0), (3, 9.0))],
        component_facts=[{"component_id": "c", "from_on": a, "until_on": b, "composition_known": known} for a, b, known in versions],
    )  # fmt: skip
    assert [(r["month"], r["mass_g"]) for r in found] == [("2026-02", 7.0)]


SPECIES = {"component_id": "c", "cas": "x", "from_on": EVER, "until_on": NEVER, "substance": "xylenes", "metal": False, "fraction": 0.3,
           "fraction_low": 0.2, "fraction_high": 0.3, "fraction_63_3941": 0.3, "from_blend": False}  # fmt: skip


def test_two_components_of_a_line_bring_their_pollutant_together() -> None:
    """1000 g with 20 to 30 % and 500 g with 10 %."""
    use = {"shop_id": "s", "line": 1, "month": "2026-03", "on_date": DAY, "complete": True}
    found = asked(
        "hap_lines",
        hap_uses=[use | {"component_id": "c", "mass_g": 1000.0}, use | {"component_id": "d", "mass_g": 500.0}],
        hap_species=[
            SPECIES,
            SPECIES | dict(component_id="d", fraction=0.1, fraction_low=0.1, fraction_high=0.1, fraction_63_3941=0.1),
        ],
    )
    assert [[r[name] for name in ("kg", "kg_low", "kg_high", "kg_63_3941")] for r in found] == [
        pytest.approx([0.35, 0.25, 0.35, 0.35])
    ]


def test_a_material_has_the_pollutants_that_are_listed_on_its_day() -> None:
    """0.76351 and 0.1 cut off to three decimals: 0.863; what is listed from April on does not count in March."""
    later = SPECIES | {"cas": "y", "from_on": date(2026, 4, 1), "fraction_63_3941": 0.1}
    found = asked(
        "hap_material_lines",
        rule_figures=[{"jurisdiction": "us", "rule": "hap_content", "figure": "sum_decimals", "value": 3.0}],
        hap_uses=[
            {"shop_id": "s", "line": 1, "month": "2026-03", "on_date": DAY, "component_id": "c", "mass_g": 1000.0}
        ],
        hap_species=[SPECIES | {"fraction_63_3941": 0.76351}, SPECIES | {"cas": "z", "fraction_63_3941": 0.1}, later],
    )
    assert [(r["organic_hap_mass_fraction"], r["kg"]) for r in found] == [(0.863, pytest.approx(0.863))]


@pytest.mark.parametrize(
    ("line", "beside", "grade", "complete"),
    [
        ({}, {}, "A", True), ({"kg_low": 0.5}, {}, "B", True), ({"from_blend": True}, {}, "C", True),
        ({"from_blend": True, "kg_low": 0.5}, {}, "C", True), ({"complete": False}, {}, "A", False),
        ({}, {"emission_gaps": [{"shop_id": "s", "month": "2026-03", "unread": True, "n_refused": 1}]}, "A", False),
        ({}, {"emission_gaps": [{"shop_id": "s", "month": "2026-03", "unread": False, "n_refused": 1}]}, "A", True),
        ({}, {"hap_gaps": [{"shop_id": "s", "month": "2026-03", "component_id": "d", "mass_g": 1.0}]}, "A", False),
    ],
)  # fmt: skip
def test_a_pollutants_month_is_as_sure_as_what_it_is_added_from(
    line: dict[str, Any], beside: dict[str, Any], grade: str, complete: bool
) -> None:
    usual = {"shop_id": "s", "month": "2026-03", "cas": "x", "substance": "xylenes", "kg": 1.0, "kg_low": 1.0, "kg_high": 1.0, "kg_63_3941": 1.0,
             "metal": False, "complete": True, "from_blend": False}  # fmt: skip
    (found,) = asked("hap_monthly", hap_lines=[usual | {"line": 1} | line, usual | {"line": 2}], **beside)
    assert (found["kg"], found["grade"], found["complete"]) == (2.0, grade, complete)
