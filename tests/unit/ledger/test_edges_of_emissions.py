"""Where the record of emissions and waste turns: nothing at all, two lines of one kind, ids that two shops share, half a key.

Each from rows made by hand through one statement; the sums of whole shops are checked by the oracles in tests/pipeline.
"""

from __future__ import annotations

from datetime import date, datetime, timedelta
from typing import Any

import pytest
from small_shop import SmallShop, at, frame, made

from pipelines.ledger import runner, waste
from pipelines.settings import Settings

EVER, NEVER, DAY = date(1, 1, 1), date(9999, 12, 31), date(2026, 3, 2)
SETTINGS = Settings().flat()
PLACE = {"shop_id": "s", "jurisdiction": "us", "basis": "regulatory"}


def places(*rows: dict[str, Any], **types: Any) -> Any:
    return made(*(PLACE | row for row in rows or ({},)), shop_id=str, jurisdiction=str, basis=str, **types)


def test_exempt_species_without_a_fraction_leave_the_density_unknown() -> None:
    def density(**fractions: float | None) -> float | None:
        given = {
            "components": frame("components", {"component_id": "c", "density_g_per_ml": 1.0}),
            "exempt_compounds": made({"cas": "a", "density_g_per_ml": 0.8}, {"cas": "b", "density_g_per_ml": 1.6}, cas=str, density_g_per_ml=float),
            "component_species": frame(
                "component_species", *({"component_id": "c", "cas": cas, "mass_fraction": part} for cas, part in fractions.items())
            ),
        }  # fmt: skip
        given["component_versions"] = runner.run_statement("component_versions", given, {})
        found: float | None = runner.run_statement("component_facts", given, {})["exempt_density_g_per_ml"][0]
        return found

    assert density(a=0.1, b=0.2) == pytest.approx(0.3 / 0.25)
    assert density(a=0.1, b=None) is None
    assert density(a=0.0, b=0.0) is None


def test_an_empty_cup_says_nothing_of_what_is_usually_left() -> None:
    cups = [{"poured_g": 100.0, "leftover_g": 10.0}] * 5 + [{"poured_g": 0.0, "leftover_g": 0.0}]
    given = {
        "mixes": made(
            *({"shop_id": "s", "product_id": "p", "leftover_known": True, "complete": True} | cup for cup in cups),
            shop_id=str, product_id=str, leftover_known=bool, complete=bool, poured_g=float, leftover_g=float,
        ),
        "products": frame("products", {"product_id": "p", "role": "clear"}),
    }  # fmt: skip
    found = runner.run_statement("leftover_habits", given, {}).row(0, named=True)
    assert (found["n"], found["leftover_share"]) == (5, pytest.approx(0.1))


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
    given = {
        "cup_intervals": made(
            mix | {"interval_no": 1, "weighed_at": at(0), "fate": "discarded", "leftover_g": 5.0},
            mix | {"interval_no": 2, "begins_at": at(0), "weighed_at": at(60), "fate_before": "discarded", "gone_g": gone, "leftover_g": 0.0},
            shop_id=str, mix_id=str, interval_no=int, n_weighings=int, begins_at=datetime, weighed_at=datetime, fate=str, fate_before=str,
            gone_g=float, leftover_g=float,
        ).with_columns(n_weighings=2),
        "sprayed": made(shop_id=str, mix_id=str, job_id=str, operation_no=int, flush_g=float),
        "operations": frame("operations"),
        "emission_cups": made(mix | {"voc_mass_fraction": 0.5}, shop_id=str, mix_id=str, voc_mass_fraction=float),
        "emission_cleaning": made(
            {"shop_id": "s", "on_date": DAY, "cleaning_no": "1", "month": "2026-03", "recovered_g": recovered, "solvent_flush_g": flush,
             "solvent_recovered_g": 10.0},
            shop_id=str, on_date=date, cleaning_no=str, month=str, recovered_g=float, solvent_flush_g=float, solvent_recovered_g=float,
        ),
    }  # fmt: skip
    assert runner.run_statement("drum_inputs", given, {}).select("kind", "mass_g").rows() == found


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


def test_a_shop_without_records_still_has_its_people_to_train() -> None:
    columns = "shop_id technician_id rule label certificate_ref status missing source".split()
    row = {
        "shop_id": "s",
        "technician_id": "t",
        "rule": "diisocyanates",
        "label": "r",
        "status": "missing",
        "missing": "training",
        "source": "law",
    }
    days = dict.fromkeys(
        "hired_on left_on due_by first_completed_on latest_completed_on valid_until as_of".split(), date
    )
    given = {
        "training_days": made(row, **dict.fromkeys(columns, str), **days),
        "emission_places": places(last_on=date),
    }
    assert runner.run_statement("compliance_training", given, {})["technician_id"].to_list() == ["t"]


def test_only_material_of_unknown_composition_that_left_is_a_gap() -> None:
    uses = [("c", 10.0), ("c", 5.0), ("known", 7.0), ("unused", 0.0)]
    given = {
        "hap_uses": made(
            *({"shop_id": "s", "month": "2026-03", "component_id": c, "on_date": DAY, "mass_g": g} for c, g in uses),
            shop_id=str, month=str, component_id=str, on_date=date, mass_g=float,
        ),
        "component_facts": made(
            *({"component_id": c, "from_on": EVER, "until_on": NEVER, "composition_known": c == "known"} for c in ("c", "known", "unused")),
            component_id=str, from_on=date, until_on=date, composition_known=bool,
        ),
    }  # fmt: skip
    assert runner.run_statement("hap_gaps", given, {}).rows() == [("s", "2026-03", "c", 15.0)]


def blend_match(name: str, *entries: tuple[int, int, str, str, float]) -> tuple[Any, ...]:
    columns = ("table_no", "entry_no", "blend", "cas", "organic_hap_mass_fraction")
    given = {
        "component_species": frame("component_species", {"component_id": "c", "cas": "x", "substance": name}),
        "hap_blends": made(
            *(dict(zip(columns, one, strict=True)) for one in entries),
            table_no=int, entry_no=int, blend=str, cas=str, organic_hap_mass_fraction=float,
        ),
    }  # fmt: skip
    found = runner.run_statement("hap_blend_matches", given, {})
    return found.select("table_no", "entry_no", "matched_by", "ambiguous").row(0)


def test_name_and_number_beat_the_name_and_the_number_beats_the_kind() -> None:
    assert blend_match("Naphtha", (3, 1, "naphtha", "x", 0.1), (3, 2, "naphtha", "y", 0.9)) == (
        3,
        1,
        "name and CAS number",
        False,
    )
    assert blend_match("Naphtha", (3, 1, "other", "x", 0.1), (3, 2, "naphtha", "x", 0.05)) == (
        3,
        2,
        "name and CAS number",
        False,
    )
    assert blend_match("aliphatic solvent", (3, 1, "naphtha", "x", 0.1), (4, 1, "aliphatic", "", 0.9)) == (
        3,
        1,
        "CAS number",
        False,
    )


def test_two_components_that_name_one_number_bring_each_its_own_blend() -> None:
    given = {
        "substance_status": made(
            {"cas": "108-88-3", "from_on": EVER, "until_on": NEVER, "substance": "toluene", "threshold_mass_fraction": 0.01, "purpose": "hap"},
            cas=str, from_on=date, until_on=date, substance=str, threshold_mass_fraction=float, purpose=str, **{"class": str},
        ),
        "rule_figures": made({"rule": "hap_content", "figure": "species_decimals", "value": 4.0}, rule=str, figure=str, value=float),
        "component_species": frame("component_species", *({"component_id": c, "cas": "x", "mass_fraction": 1.0} for c in "ab")),
        "hap_blend_matches": made(
            *({"component_id": c, "cas": "x", "table_no": 3, "entry_no": n} for c, n in (("a", 1), ("b", 2))),
            component_id=str, cas=str, table_no=int, entry_no=int,
        ),
        "hap_blends": made(
            *({"table_no": 3, "entry_no": n, "hap_cas": "108-88-3", "hap_mass_fraction": part} for n, part in ((1, 0.2), (2, 0.1))),
            table_no=int, entry_no=int, hap_cas=str, hap_mass_fraction=float,
        ),
    }  # fmt: skip
    assert runner.run_statement("hap_species", given, {}).select("component_id", "fraction").rows() == [
        ("a", 0.2),
        ("b", 0.1),
    ]


def test_what_a_cup_lacks_is_told_of_its_own_shop_and_product() -> None:
    cups = [("s", "m", "p"), ("s", "n", "r"), ("s", "o", "r"), ("other", "m", "q")]
    sheets = dict.fromkeys(
        (f"{what}_from_sheet" for what in "density solids_mass solids_volume voc water exempt".split()), bool
    )
    given = {
        "mixes": made(
            *({"shop_id": a, "mix_id": b, "product_id": c, "first_poured_at": at(0)} for a, b, c in cups),
            shop_id=str, mix_id=str, product_id=str, first_poured_at=datetime,
        ),
        "cup_figures": made(
            {"shop_id": "s", "mix_id": "m", "component_id": "c", "lacks": "density", "density_from_sheet": False},
            shop_id=str, mix_id=str, component_id=str, lacks=str, **sheets,
        ),
    }  # fmt: skip
    found = runner.run_statement("lacking_figures", given, {}).select(
        "shop_id", "product_id", "property", "n_cups", "n_lacking"
    )
    assert found.rows() == [("s", "p", "density", 1, 1)]


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


def test_time_of_spraying_adds_up_from_the_limit_on_and_the_doubtful_reason_is_told_first() -> None:
    """A tenth of a per cent just counts. Both reasons meet in a cup (a), in an operation (b), in a month (c)."""
    doubt = "a hardener of unknown composition is taken to hold isocyanates"
    cups = [("both", "named"), ("both", "unknown"), ("one", "named"), ("two", "unknown")]
    feeds = [(1, "both"), (2, "one"), (2, "two"), (3, "one"), (4, "two"), (5, "one")]
    hands = {1: "a", 2: "b", 3: "c", 4: "c", 5: "d"}
    given = {
        "rule_figures": made({"rule": "diisocyanates", "figure": "mass_fraction_min", "value": 0.001}, rule=str, figure=str, value=float),
        "component_species": frame("component_species", {"component_id": "named", "cas": "x", "substance": "an isocyanate", "mass_fraction": 0.001}),
        "hap": made(cas=str, substance=str),
        "components": frame("components", {"component_id": "unknown", "kind": "hardener"}),
        "component_facts": made({"component_id": "unknown", "composition_known": False}, component_id=str, composition_known=bool),
        "cup_contents": made(*({"shop_id": "s", "mix_id": m, "component_id": c} for m, c in cups), shop_id=str, mix_id=str, component_id=str),
        "cup_feeds": made(*({"shop_id": "s", "job_id": "j", "operation_no": n, "mix_id": m} for n, m in feeds),
                          shop_id=str, job_id=str, operation_no=int, mix_id=str),
        "operations": frame("operations", *(
            {"shop_id": "s", "job_id": "j", "operation_no": n, "kind": "spray", "product_id": "p", "technician_id": who,
             "started_at": at(60 * n), "ended_at": at(60 * n + 10)} for n, who in hands.items()
        )),
    }  # fmt: skip
    found = {row["technician_id"]: row for row in runner.run_statement("spray_time", given, {}).iter_rows(named=True)}
    assert {who: row["minutes"] for who, row in found.items()} == {"a": 10.0, "b": 10.0, "c": 20.0, "d": 10.0}
    assert [found[who]["why"] for who in "abc"] == [doubt] * 3
    assert found["d"]["why"] == "an isocyanate is among its substances"


def test_waste_earns_what_its_analysis_says_and_nothing_is_held_against_it() -> None:
    """100 g of coating with 40 g VOC in the drum, 50 g shipped with 30 % VOC."""
    line = {"shop_id": "s", "movement": "shipped_as_waste", "happened_on": DAY, "document_no": "d", "line_no": 1, "mass_g": 50.0,
            "voc_mass_fraction": 0.3, "document_ref": "paper"}  # fmt: skip
    drum = made(
        {"shop_id": "s", "on_date": DAY, "kind": "discarded", "mix_id": "m", "stream": "coating", "mass_g": 100.0, "voc_g": 40.0},
        shop_id=str, on_date=date, kind=str, mix_id=str, number=str, stream=str, mass_g=float, voc_g=float,
    )  # fmt: skip
    uses = made({"shop_id": "s", "month": "2026-03", "voc_kg": 1.0}, shop_id=str, month=str, voc_kg=float)
    found = waste.emission_waste(frame("stock", line), drum, uses).row(0, named=True)
    wanted = {"solvent_g": 0.0, "coating_g": 50.0, "unexplained_g": 0.0, "credit_g": 15.0}
    assert {name: found[name] for name in wanted} == pytest.approx(wanted)
    assert found["why_not"] is None


def test_two_shipments_of_a_month_leave_the_drum_together() -> None:
    given = {
        "drum_inputs": made(
            {"shop_id": "s", "month": "2026-03", "stream": "coating", "mass_g": 1000.0}, shop_id=str, month=str, stream=str, mass_g=float
        ),
        "emission_waste": made(
            *({"shop_id": "s", "month": "2026-03", "solvent_g": 0.0, "coating_g": g, "unexplained_g": 0.0, "credit_g": 0.0, "document_ref": d}
              for g, d in ((300.0, "a"), (200.0, "b"))),
            shop_id=str, month=str, solvent_g=float, coating_g=float, unexplained_g=float, credit_g=float, document_ref=str,
        ),
        "shop_months": made({"shop_id": "s", "month": "2026-03"}, shop_id=str, month=str),
    }  # fmt: skip
    found = {row["stream"]: row for row in runner.run_statement("waste_drum", given, {}).iter_rows(named=True)}[
        "coating"
    ]
    wanted = {"opening_kg": 0.0, "in_kg": 1.0, "shipped_kg": 0.5, "closing_kg": 0.5, "generated_kg": 1.0}
    assert {name: found[name] for name in wanted} == pytest.approx(wanted)
    assert found["document_ref"] == "a; b"


def test_waste_of_a_month_is_both_streams_and_a_place_without_figures_names_no_category() -> None:
    amounts = ("generated_kg", "shipped_kg", "unexplained_kg", "closing_kg")
    given = {
        "emission_places": places(),
        "rule_figures": made(jurisdiction=str, rule=str, figure=str, value=float, unit=str, source=str),
        "unit_factors": runner.run_statement("unit_factors", {}, {}),
        "waste_drum": made(
            *({"shop_id": "s", "month": "2026-03"} | dict.fromkeys(amounts, kg) for kg in (0.5, 0.3)),
            shop_id=str, month=str, **dict.fromkeys(amounts, float),
        ),
    }  # fmt: skip
    found = runner.run_statement("waste_monthly", given, {}).row(0, named=True)
    wanted = {"generated_kg": 0.8, "shipped_kg": 0.8, "unexplained_kg": 0.8, "on_hand_kg": 0.8}
    assert {name: found[name] for name in wanted} == pytest.approx(wanted)
    assert found["generator"] is None


def test_a_refused_operation_may_have_touched_the_panels_that_it_lists_and_no_other() -> None:
    key = {"shop_id": "s", "job_id": "j"}
    given = {
        "readings": frame("readings", *(
            key | {"panel_id": panel, "after_operation": 1, "reading_no": 1, "reading_um": 50.0} for panel in ("door", "hood")
        )),
        "operation_panels": frame("operation_panels", key | {"operation_no": 2, "panel_id": "door", "face": "outer"}),
        "incomplete": frame("incomplete", key | {"what": "operation", "operation_no": 2}),
        "operations": frame("operations"),
    }  # fmt: skip
    found = runner.run_statement("panel_work", given, {}).select("panel_id", "operation_no", "unclear").rows()
    assert found == [("door", 2, True)]


@pytest.mark.parametrize(("fraction", "sd"), [(0.3, 0.4), (0.5, 0.2), (0.6, 0.2)])
def test_the_area_of_a_blend_is_less_sure_than_that_of_a_face(shop: SmallShop, fraction: float, sd: float) -> None:
    shop.spray(1).film(1, 50.0, 51.0, 52.0).spray(2, covered_fraction=fraction).film(2, 90.0, 91.0, 92.0)
    found = shop.run("film_increments")["film_increments"]
    assert [row["area_rel_sd"] for row in found.iter_rows(named=True) if row["to_operation"] == 2] == [sd]
