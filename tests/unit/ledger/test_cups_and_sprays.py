"""What a cup was and what left the gun, on cases small enough to reckon by hand."""

from __future__ import annotations

import polars as pl
import pytest
from small_shop import SmallShop, at


def one(frame: pl.DataFrame, **where: object) -> dict:
    found = frame.filter(*[pl.col(k) == v for k, v in where.items()])
    assert found.height == 1, found
    return found.row(0, named=True)


def test_figures_of_a_cup_come_from_its_components(shop: SmallShop) -> None:
    shop.add("components", component_id="thin", density_g_per_ml=0.8, voc_mass_fraction=1.0)
    shop.cup("m", 100).cup("m", 80, pour_no=2, component_id="thin")
    mix = one(shop.run("mixes")["mixes"])
    assert mix["density_g_per_ml"] == pytest.approx(180 / 200)
    assert mix["solids_mass_fraction"] == pytest.approx(50 / 180)
    assert mix["solids_volume_fraction"] == pytest.approx(40 / 200)
    assert mix["voc_g_per_l_actual"] == pytest.approx(1000 * 130 / 200)
    assert mix["voc_g_per_l_regulatory"] == pytest.approx(1000 * 130 / 200)
    assert mix["grade"] == "A"  # the thinner's empty fractions follow from its VOC of 1


def test_a_pour_taken_out_again_is_netted(shop: SmallShop) -> None:
    shop.cup("m", 100).cup("m", -25, pour_no=2)
    assert one(shop.run("mixes")["mixes"])["poured_g"] == 75


def test_missing_component_figure_falls_back_to_the_data_sheet_and_is_grade_b(shop: SmallShop) -> None:
    shop.add("products", product_id="p", role="clear", rts_density_g_per_ml=1.25, rts_voc_g_per_l=400.0)
    shop.add("components", component_id="vague", solids_mass_fraction=0.6)
    shop.cup("m", 125, product="p", component_id="vague")
    mix = one(shop.run("mixes")["mixes"])
    assert mix["density_g_per_ml"] == pytest.approx(1.25)
    assert mix["voc_g_per_l_actual"] == pytest.approx(400)
    assert mix["solids_volume_fraction"] is None  # neither knows it: not known, never smaller
    assert mix["grade"] == "B"


def test_version_of_a_component_valid_on_the_day_is_used(shop: SmallShop) -> None:
    from datetime import date

    for day, voc in [(None, 0.2), (date(2026, 3, 2), 0.4), (date(2026, 3, 3), 0.6)]:
        shop.add("components", component_id="v", valid_from=day, density_g_per_ml=1.0, voc_mass_fraction=voc)
    shop.cup("m", 10, component_id="v").cup("before", 10, component_id="v", poured_at=at(-1440))
    mixes = shop.run("mixes")["mixes"]
    assert one(mixes, mix_id="m")["voc_g_per_l_actual"] == pytest.approx(400)
    assert one(mixes, mix_id="before")["voc_g_per_l_actual"] == pytest.approx(200)


def test_a_leftover_poured_on_brings_its_composition_and_leaves_its_cup(shop: SmallShop) -> None:
    shop.add(
        "components", component_id="heavy", density_g_per_ml=2.0, solids_mass_fraction=1.0, solids_volume_fraction=1.0
    )
    shop.cup("first", 100, leftover=40).cup("second", 60, component_id="heavy", poured_at=at(700))
    shop.cup("second", 30, pour_no=2, component_id=None, from_mix_id="first", poured_at=at(701))
    mixes = shop.run("mixes")["mixes"]
    first, second = one(mixes, mix_id="first"), one(mixes, mix_id="second")
    assert (first["leftover_g"], first["poured_on_g"]) == (10, 30)
    assert (second["poured_g"], second["own_poured_g"]) == (90, 60)
    assert second["solids_mass_fraction"] == pytest.approx((60 + 15) / 90)
    assert second["density_g_per_ml"] == pytest.approx(90 / (30 + 30))


def test_cups_poured_into_each_other_in_a_circle_are_incomplete(shop: SmallShop) -> None:
    shop.cup("a", 50).cup("b", 50)
    shop.cup("a", 5, pour_no=2, component_id=None, from_mix_id="b").cup(
        "b", 5, pour_no=2, component_id=None, from_mix_id="a"
    )
    mixes = shop.run("mixes")["mixes"]
    assert mixes["complete"].to_list() == [False, False]
    assert "circle" in mixes["why_incomplete"][0]


def test_a_cup_that_names_two_products_is_incomplete(shop: SmallShop) -> None:
    shop.cup("m", 50).cup("m", 50, pour_no=2, product="base1")
    mix = one(shop.run("mixes")["mixes"])
    assert not mix["complete"] and mix["product_id"] is None


def test_sprayed_is_poured_less_leftover_less_flush(shop: SmallShop) -> None:
    shop.rows["guns"][0]["flush_loss_g"] = 8.0
    shop.cup("m", 200, leftover=50).spray(1).draw(1, "m")
    row = one(shop.run("sprayed")["sprayed"])
    assert (row["flush_g"], row["sprayed_g"]) == (8, 142)
    assert row["solids_ml"] == pytest.approx(142 * 0.4)


def test_an_unweighed_leftover_leaves_sprayed_unknown_not_zero(shop: SmallShop) -> None:
    row = one(shop.cup("m", 200).spray(1).draw(1, "m").run("sprayed")["sprayed"])
    assert row["sprayed_g"] is None and row["offered_solids_ml"] == pytest.approx(80)


def test_a_gun_that_goes_on_with_the_same_cup_pays_its_flush_once(shop: SmallShop) -> None:
    shop.rows["guns"][0]["flush_loss_g"] = 6.0
    shop.cup("m", 206, leftover=0).spray(1).spray(2).draw(1, "m", 0.5).draw(2, "m", 0.5)
    flushes = shop.run("sprayed")["sprayed"].sort("operation_no")["flush_g"].to_list()
    assert flushes == [0, 6]


def test_a_gun_flushes_and_atomises_as_the_register_has_it_on_that_day(shop: SmallShop) -> None:
    """A row for each version, as of any register: nothing is sprayed twice, and each day has its own."""
    shop.rows["guns"][0]["flush_loss_g"] = 6.0
    shop.add("guns", gun_id="g", valid_from=at(24 * 60).date(), shop_id="s", atomising="airless", flush_loss_g=9.0)
    shop.cup("m", 200, leftover=0).spray(1).draw(1, "m").cup("n", 200, leftover=0).spray(25).draw(25, "n")
    found = shop.run("sprayed")
    assert found["sprayed"].sort("operation_no")["flush_g"].to_list() == [6, 9]
    assert found["sprays"].sort("operation_no")["atomising"].to_list() == ["hvlp", "airless"]


def test_a_flush_takes_never_more_than_was_left(shop: SmallShop) -> None:
    shop.rows["guns"][0]["flush_loss_g"] = 30.0
    row = one(shop.cup("m", 20, leftover=0).spray(1).draw(1, "m").run("sprayed")["sprayed"])
    assert (row["flush_g"], row["sprayed_g"]) == (20, 0)


def test_missing_shares_split_the_rest_by_area_and_coats_and_hang_together(shop: SmallShop) -> None:
    shop.cup("m", 100, leftover=0).spray(1, area_m2=3.0).spray(2, area_m2=1.0, coats=2).spray(3)
    shop.draw(1, "m").draw(2, "m").draw(3, "m", 0.5)
    found = shop.run("equations")
    gone = found["cup_feeds"].sort("operation_no")["gone_g"].to_list()
    assert gone == pytest.approx([50 * 3 / 5, 50 * 2 / 5, 50])
    assert found["equations"].sort("operation_no")["record_no"].to_list() == [1, 1, 2]


def test_weigh_backs_in_between_say_which_operation_took_what(shop: SmallShop) -> None:
    shop.cup("m", 100).spray(1).spray(2).draw(1, "m").draw(2, "m")
    shop.add("leftovers", shop_id="s", mix_id="m", weigh_no=1, weighed_at=at(100), leftover_g=70.0)
    shop.add("leftovers", shop_id="s", mix_id="m", weigh_no=2, weighed_at=at(200), leftover_g=20.0)
    found = shop.run("equations")
    assert found["cup_feeds"].sort("operation_no")["gone_g"].to_list() == [30, 50]
    assert found["equations"]["record_no"].to_list() == [1, 2]


def test_draws_are_found_from_the_job_and_a_redo_takes_the_next_cup(shop: SmallShop) -> None:
    shop.cup("m1", 100, leftover=0, job_id="j", poured_at=at(10)).cup(
        "m2", 100, leftover=0, job_id="j", poured_at=at(100)
    )
    shop.spray(1).spray(2, redo_of=1)
    feeds = shop.run("cup_feeds")["cup_feeds"].select("mix_id", "operation_no").rows()
    assert feeds == [("m1", 1), ("m2", 2)]


def test_without_a_redo_a_later_operation_may_draw_from_both_cups(shop: SmallShop) -> None:
    shop.cup("m1", 100, leftover=0, job_id="j", poured_at=at(10)).cup(
        "m2", 100, leftover=0, job_id="j", poured_at=at(100)
    )
    shop.spray(1).spray(2)
    feeds = shop.run("cup_feeds")["cup_feeds"].select("mix_id", "operation_no").rows()
    assert feeds == [("m1", 1), ("m1", 2), ("m2", 2)]
