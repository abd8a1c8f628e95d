"""Where a statement of the ledger turns: the edge of a tolerance, two things at one time, ids that other shops use too, half a key.

Each of these was once passed by a changed statement that nobody saw (`make mutants`).
"""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import polars as pl
import pytest
from small_shop import SmallShop, asked, at, table

NOTHING = ("solids_mass_fraction", "voc_mass_fraction", "water_mass_fraction", "exempt_mass_fraction")


def facts(**fractions: float | None) -> dict[str, Any]:
    """What is known of a component of these mass fractions."""
    components = [{"component_id": "c", "density_g_per_ml": 1.0} | fractions]
    (found,) = asked("component_facts", component_versions=asked("component_versions", components=components))
    return found


@pytest.mark.parametrize("left_out", NOTHING)
def test_what_is_left_out_of_fractions_that_fill_the_whole_is_none(left_out: str) -> None:
    others = [name for name in NOTHING if name != left_out]
    found = facts(**dict(zip(others, (0.5, 0.3, 0.2), strict=True)))
    assert found[left_out] == 0
    assert [found[name] for name in others] == [0.5, 0.3, 0.2]


@pytest.mark.parametrize(("voc", "rest"), [(0.51, 0.0), (0.49, 0.0), (0.5105, None), (0.4895, None)])
def test_fractions_fill_the_whole_to_one_in_a_hundred(voc: float, rest: float | None) -> None:
    assert facts(solids_mass_fraction=0.5, voc_mass_fraction=voc)["water_mass_fraction"] == rest


def test_a_usual_leftover_takes_five_weighed_cups_that_held_something(shop: SmallShop) -> None:
    for number in range(4):
        shop.cup(f"m{number}", 100.0, leftover=10.0 + number)
    shop.cup("never weighed back", 100.0).cup("empty", 0.0, leftover=0.0)
    assert shop.run("leftover_habits")["leftover_habits"].is_empty()
    shop.cup("m4", 100.0, leftover=14.0)
    found = shop.run("leftover_habits")["leftover_habits"].row(0, named=True)
    assert (found["n"], found["leftover_share"]) == (5, pytest.approx(0.12))


def test_what_is_poured_at_the_moment_of_a_weigh_back_comes_after_it(shop: SmallShop) -> None:
    shop.cup("m", 100.0).cup("m", 50.0, pour_no=2, poured_at=at(100))
    for number, (minutes, left) in enumerate([(100, 20.0), (200, 10.0)], start=1):
        shop.add("leftovers", shop_id="s", mix_id="m", weigh_no=number, weighed_at=at(minutes), leftover_g=left)
    found = shop.run("cup_intervals")["cup_intervals"].sort("interval_no")
    assert found["gone_g"].to_list() == pytest.approx([80.0, 60.0])


def test_a_job_of_that_name_in_another_shop_takes_no_cup_away(shop: SmallShop) -> None:
    """A repeat whose first try could not be read, and another shop's job of the same id with an earlier cup."""
    shop.cup("m", 200.0, leftover=0, job_id="j").spray(2, redo_of=1)
    shop.add("shops", shop_id="other")
    shop.add("pours", shop_id="other", mix_id="x", pour_no=1, poured_at=at(-60), product_id="clear1", component_id="c",
             weighed_g=100.0, job_id="j")  # fmt: skip
    shop.add("operations", shop_id="other", job_id="j", operation_no=2, kind="spray", product_id="clear1", gun_id="g",
             technician_id="t", started_at=at(90), redo_of=1)  # fmt: skip
    feeds = shop.run("cup_feeds")["cup_feeds"].select("shop_id", "mix_id", "operation_no").rows()
    assert ("s", "m", 2) in feeds


def permits(*rows: dict[str, Any]) -> dict[tuple[str, str, date], tuple[date, float | None]]:
    given = {"permit_limits": [{"shop_id": "s", "source": "p", "limit": 2.0} | r for r in rows]}
    found = table("permit_amounts", **given).iter_rows(named=True)
    return {(r["measure"], r["period"], r["from_on"]): (r["until_on"], r["amount"]) for r in found}


def test_a_limit_holds_until_the_next_of_its_own_measure_and_period() -> None:
    ever, new, end = date(1, 1, 1), date(2026, 1, 1), date(9999, 12, 31)
    found = permits(
        {"measure": "voc_kg", "period": "month", "unit": "kg"},
        {"measure": "voc_kg", "period": "calendar_year", "unit": "kg", "valid_from": new},
        {"measure": "pm_kg", "period": "calendar_year", "unit": "kg"},
        {"measure": "voc_kg", "period": "calendar_year", "unit": "kg"},
    )
    assert {key: until for key, (until, _) in found.items()} == {
        ("voc_kg", "month", ever): end, ("voc_kg", "calendar_year", ever): new, ("voc_kg", "calendar_year", new): end,
        ("pm_kg", "calendar_year", ever): end,
    }  # fmt: skip


def test_a_unit_of_mass_measures_no_litres() -> None:
    found = permits(
        {"measure": "rts_l", "period": "month", "unit": "kg"}, {"measure": "rts_l:cleaning", "period": "month", "unit": "l"},
        {"measure": "voc_kg", "period": "month", "unit": "l"}, {"measure": "pm_kg", "period": "month", "unit": "kg"},
    )  # fmt: skip
    assert {measure: amount for (measure, _, _), (_, amount) in found.items()} == {
        "rts_l": None, "rts_l:cleaning": 2.0, "voc_kg": None, "pm_kg": 2.0,
    }  # fmt: skip


def costs(*ledger: dict[str, Any]) -> dict[str, dict[str, Any]]:
    parts = ("leftover", "flush_loss", "not_split", "overspray", "over_build", "useful")
    rows = []
    for given in ledger:
        row = {"shop_id": "s", "rework": False} | {f"{part}_cost": 0.0 for part in parts} | given
        rows.append(row | {"poured_cost": sum(row[f"{part}_cost"] for part in parts)})
    return {r["job_id"]: r for r in asked("job_costs", material_ledger=rows)}


def test_what_is_left_of_a_cup_that_nothing_was_sprayed_from_is_shared_alike() -> None:
    took = [{"mix_id": "m", "job_id": job, "operation_no": 1, "poured_solids_g": 0.0} for job in ("j", "k")]
    found = costs(*took, {"mix_id": "m", "poured_solids_g": 50.0, "leftover_cost": 6.0, "not_split_cost": 2.0})
    assert [(r["leftover_cost"], r["not_split_cost"]) for r in found.values()] == [(3.0, 1.0), (3.0, 1.0)]


def test_a_job_pays_for_all_its_cups() -> None:
    rows = []
    for mix, left, unknown in (("m", 6.0, 2.0), ("n", 3.0, 5.0)):
        rows.append({"mix_id": mix, "job_id": "j", "operation_no": 1, "poured_solids_g": 10.0, "useful_cost": 1.0})
        rows.append({"mix_id": mix, "poured_solids_g": 5.0, "leftover_cost": left, "not_split_cost": unknown})
    found = costs(*rows)["j"]
    assert (found["leftover_cost"], found["not_split_cost"], found["poured_cost"]) == (9.0, 7.0, 18.0)


def test_a_component_poured_on_two_days_has_its_figures_of_the_first() -> None:
    rows = [
        {"shop_id": "s", "mix_id": "m", "pour_no": number, "component_id": "c", "weighed_g": grams, "poured_at": when}
        for number, grams, when in [(1, 100.0, at(0)), (2, 50.0, at(0) + timedelta(days=1))]
    ]
    (found,) = asked("cup_pours", pours=rows)
    assert (found["on_date"], found["net_g"]) == (date(2026, 3, 2), 150.0)


@pytest.mark.parametrize(("factor", "left"), [(0.5, 0.55), (1.0, 0.1), (1.2, 0.0)])
def test_cups_that_nobody_weighed_back_never_leave_less_than_nothing(factor: float, left: float) -> None:
    given = {
        "leftover_habits": [{"shop_id": "s", "role": "clear", "leftover_share": 0.1}],
        "transfer_model": [{"term": "unweighed", "value": factor, "note": "found"}],
    }  # fmt: skip
    found = table("usual_leftovers", **given)["leftover_share"].to_list()
    assert found == pytest.approx([left], abs=1e-12)


def test_another_job_of_the_product_takes_no_cup_away(shop: SmallShop) -> None:
    """Two cups mixed for one operation and its repeat, while another job sprayed the same product between the two pours."""
    shop.cup("m1", 200.0, job_id="j").cup("m2", 200.0, job_id="j", poured_at=at(50))
    shop.spray(1).spray(2, redo_of=1)
    shop.add("operations", shop_id="s", job_id="k", operation_no=7, kind="spray", product_id="clear1", gun_id="g",
             technician_id="t", started_at=at(30))  # fmt: skip
    found = shop.run("cup_feeds")["cup_feeds"].select("mix_id", "job_id", "operation_no").rows()
    assert sorted(found) == [("m1", "j", 1), ("m1", "j", 2), ("m2", "j", 1), ("m2", "j", 2)]


def test_an_operation_that_covered_nothing_has_no_share_of_plastic(shop: SmallShop) -> None:
    shop.spray(1, area_m2=0.0).spray(2, ("door", "bumper"), area_m2=2.0)
    found = shop.run("sprays")["sprays"].sort("operation_no")
    assert found["plastic_share"].to_list() == [None, 0.0]


def test_exempt_species_without_a_fraction_leave_the_density_unknown() -> None:
    def density(**fractions: float | None) -> float | None:
        given = {
            "components": [{"component_id": "c", "density_g_per_ml": 1.0}],
            "exempt_compounds": [{"cas": "a", "density_g_per_ml": 0.8}, {"cas": "b", "density_g_per_ml": 1.6}],
            "component_species": [{"component_id": "c", "cas": cas, "mass_fraction": part} for cas, part in fractions.items()],
        }  # fmt: skip
        given["component_versions"] = asked("component_versions", **given)
        found: float | None = table("component_facts", **given)["exempt_density_g_per_ml"][0]
        return found

    assert density(a=0.1, b=0.2) == pytest.approx(0.3 / 0.25)
    assert density(a=0.1, b=None) is None
    assert density(a=0.0, b=0.0) is None


def test_an_empty_cup_says_nothing_of_what_is_usually_left() -> None:
    cups = [{"poured_g": 100.0, "leftover_g": 10.0}] * 5 + [{"poured_g": 0.0, "leftover_g": 0.0}]
    given = {
        "mixes": [{"shop_id": "s", "product_id": "p", "leftover_known": True, "complete": True} | cup for cup in cups],
        "products": [{"product_id": "p", "role": "clear"}],
    }  # fmt: skip
    found = table("leftover_habits", **given).row(0, named=True)
    assert (found["n"], found["leftover_share"]) == (5, pytest.approx(0.1))


def test_what_a_cup_lacks_is_told_of_its_own_shop_and_product() -> None:
    cups = [("s", "m", "p"), ("s", "n", "r"), ("s", "o", "r"), ("other", "m", "q")]
    given = {
        "mixes": [{"shop_id": a, "mix_id": b, "product_id": c, "first_poured_at": at(0)} for a, b, c in cups],
        "cup_figures": [{"shop_id": "s", "mix_id": "m", "component_id": "c", "lacks": "density", "density_from_sheet": False}],
    }  # fmt: skip
    found = table("lacking_figures", **given).select("shop_id", "product_id", "property", "n_cups", "n_lacking")
    assert found.rows() == [("s", "p", "density", 1, 1)]


def test_a_component_of_two_days_has_each_days_content_in_its_own_line() -> None:
    """100 g poured today with 50 % VOC, and 50 g in the leftover of a cup of another day, by that day's figures 40 %."""
    today, then = date(2026, 3, 2), date(2026, 2, 2)
    from_sheet = dict.fromkeys((f"{what}_from_sheet" for what in ("density", "voc", "water", "exempt")), False)
    key = {"shop_id": "s", "mix_id": "m", "component_id": "c", "by_volume": False}
    contents = [
        key | {"on_date": today, "mass_g": 100.0, "own_g": 100.0},
        key | {"on_date": then, "mass_g": 50.0, "own_g": 0.0},
    ]
    found = asked(
        "voc_content_lines",
        pours=[{"shop_id": "s", "mix_id": "m", "pour_no": 1, "component_id": "c", "weighed_g": 100.0},
                    {"shop_id": "s", "mix_id": "m", "pour_no": 2, "from_mix_id": "old", "weighed_g": 50.0}],
        cup_pours=[key | {"on_date": today}],
        cup_contents=[*contents, key | {"mix_id": "old", "on_date": then, "mass_g": 200.0, "own_g": 200.0}],
        mixes=[{"shop_id": "s", "mix_id": "m", "product_id": "p", "first_poured_at": at(0)}],
        cup_figures=[row | {"ml": 2 * row["mass_g"], "exempt_ml": row["mass_g"] / 5, "water_ml": 0.0} | from_sheet for row in contents],
        emission_parts=[key | {"on_date": today, "part": 2 / 3, "content_voc": 1 / 3, "limited_ml": 2 / 3},
                        key | {"on_date": then, "part": 1 / 3, "content_voc": 0.4 / 3, "limited_ml": 1 / 3},
                        key | {"mix_id": "old", "on_date": then, "part": 1.0, "content_voc": 0.4, "limited_ml": 1.0},
                        key | {"shop_id": "other", "on_date": today, "part": 1.0, "content_voc": 0.9, "limited_ml": 1.0}],
    )  # fmt: skip
    assert [(r["on_date"], r["mass_g"]) for r in found] == [(today, 100.0), (then, 50.0)]
    assert [r["content_voc_g"] for r in found] == pytest.approx([50.0, 20.0])
    assert [r["content_ml"] for r in found] == pytest.approx([100.0, 50.0])
    assert [(r["volume_ml"], r["exempt_ml"], r["regulatory_ml"]) for r in found] == [
        (200.0, 20.0, 180.0),
        (100.0, 10.0, 90.0),
    ]


def test_the_sd_of_a_usual_leftover_is_taken_of_what_is_left_to_spray(shop: SmallShop) -> None:
    """Shares of .10 to .14 left: .12 +- .0158; of 200 g 176 are sprayed, +- 3.16 g."""
    for number in range(5):
        shop.cup(f"m{number}", 100.0, leftover=10.0 + number)
    shop.cup("open", 200.0, job_id="j").spray(1)
    found = shop.run("sprayed")["sprayed"].filter(pl.col("mix_id") == "open").row(0, named=True)
    assert (found["expected_gone_g"], found["leftover_known"]) == (pytest.approx(176.0), False)
    assert found["leftover_rel_sd"] == pytest.approx(200 * 0.00025**0.5 / 176)


def test_a_cup_whose_pours_name_two_products_is_none_of_them(shop: SmallShop) -> None:
    shop.cup("one", 100.0, leftover=0.0).cup("both", 100.0, leftover=0.0).cup("both", 50.0, product="base1", pour_no=2)
    found = {row["mix_id"]: row for row in shop.run("mixes")["mixes"].iter_rows(named=True)}
    assert (found["one"]["product_id"], found["one"]["complete"]) == ("clear1", True)
    assert (found["both"]["product_id"], found["both"]["complete"]) == (None, False)
    assert "more than one product" in found["both"]["why_incomplete"]
