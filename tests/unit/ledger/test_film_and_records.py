"""Film increments and closed equations, on cases small enough to reckon by hand."""

from __future__ import annotations

import polars as pl
import pytest
from small_shop import SmallShop, at


def sole(frame: pl.DataFrame) -> dict:
    assert frame.height == 1, frame
    return frame.row(0, named=True)


def sprayed_clear(shop: SmallShop, grams: float = 250, **more: object) -> SmallShop:
    """One clear coat: 250 g, 100 mL of solids, no leftover."""
    return shop.cup("m", grams, leftover=0).spray(1, **more).draw(1, "m")


def test_landed_over_sprayed_of_one_operation(shop: SmallShop) -> None:
    sprayed_clear(shop).film(0, 100, 104).film(1, 150, 154)
    record = sole(shop.run("transfer_records")["transfer_records"])
    assert record["landed_solids_ml"] == pytest.approx(50)  # 1 m2 x 50 um
    assert record["ratio"] == pytest.approx(0.5)
    assert (record["operations"], record["roles"], record["grade"], record["usable"]) == (["j/1"], ["clear"], "A", True)


def test_readings_at_the_same_places_are_paired(shop: SmallShop) -> None:
    sprayed_clear(shop)
    for after, values in [(0, (80, 120)), (1, (130, 172))]:
        for place, um in enumerate(values, start=1):
            shop.add("readings", shop_id="s", job_id="j", panel_id="door", after_operation=after, reading_no=place,
                     row=1, col=place, reading_um=float(um))  # fmt: skip
    increment = sole(shop.run("film_increments")["film_increments"])
    assert increment["paired"] and increment["mean_um"] == pytest.approx(51)
    assert increment["sd_um"] == pytest.approx(2**0.5)


def read_at_places(
    shop: SmallShop, after: int, lost: tuple[int, ...] = (), gained: float = 0.0, panel: str = "door", covered: int = 9
) -> None:
    """A panel whose old film differs from place to place by far more than what was gained on its first `covered` places."""
    for place in sorted(set(range(9)) - set(lost)):
        film = 100.0 + 20 * place + (gained + 0.5 * (place % 2) if gained and place < covered else 0.0)
        shop.add("readings", shop_id="s", job_id="j", panel_id=panel, after_operation=after, reading_no=place + 1,
                 row=place // 3 + 1, col=place % 3 + 1, reading_um=film)  # fmt: skip


def test_a_reading_lost_from_nine_leaves_the_others_paired(shop: SmallShop) -> None:
    sprayed_clear(shop)
    read_at_places(shop, 0, lost=(8,))
    read_at_places(shop, 1, lost=(3,), gained=50)
    found = shop.run("transfer_records")
    increment = sole(found["film_increments"])
    assert increment["paired"] and increment["n_effective"] == 7
    assert increment["mean_um"] == pytest.approx(50 + 0.5 * 3 / 7), (
        "the places 0 1 2 4 5 6 7, of which 1 5 7 gained more"
    )
    assert sole(found["transfer_records"])["rel_u"] < 0.08, "old film that differs by place is no uncertainty"


def test_fewer_than_five_common_places_are_not_paired_unless_they_are_all(shop: SmallShop) -> None:
    sprayed_clear(shop)
    read_at_places(shop, 0, lost=(0, 1, 2))
    read_at_places(shop, 1, lost=(6, 7), gained=50)
    assert not sole(shop.run("film_increments")["film_increments"])["paired"]


def test_a_strip_scatters_like_new_steel_not_like_the_old_film_beside_it(shop: SmallShop) -> None:
    shop.cup("b", 100, leftover=0, product="base1").cup("m", 250, leftover=0)
    shop.spray(1, product="base1").spray(2).draw(1, "b").draw(2, "m").film(0, 60, 100, 140).film(2, 135, 170, 205)
    shop.film(0, 0, 0.5, 1, panel="strip", witness_of="door").film(1, 19, 20, 21, panel="strip", witness_of="door")
    spreads = dict(shop.run("film_spreads")["film_spreads"].select("kind", "s2_um2").iter_rows())
    assert spreads["base/strip"] == pytest.approx(1 + 0.25), "variances of the readings before and after"
    assert spreads["base+clear/unpaired"] == pytest.approx(40**2 + 35**2)


def test_the_spread_of_blends_is_kept_apart_from_that_of_whole_faces(shop: SmallShop) -> None:
    """Over a face that was covered in part the film runs from all to nothing; a face that was not is none the worse known."""
    sprayed_clear(shop).cup("n", 250, leftover=0).spray(2, panels=("wing",), covered_fraction=0.4).draw(2, "n")
    read_at_places(shop, 0)
    read_at_places(shop, 1, gained=50)
    read_at_places(shop, 0, panel="wing")
    read_at_places(shop, 2, gained=50, panel="wing", covered=3)
    spreads = shop.run("film_spreads")["film_spreads"].sort("blend")
    assert spreads["blend"].to_list() == [False, True]
    assert spreads["s2_um2"][0] < 1 < 500 < spreads["s2_um2"][1]


@pytest.mark.parametrize(
    ("step", "why"),
    [
        ({"kind": "hand", "product_id": "base1"}, "hand work"),
        ({"kind": "sand", "removal": "cut"}, "cut"),
        ({"kind": "sand"}, "sand with no removal stated"),
        ({"kind": "sand", "removal": "strip"}, "strip"),
    ],
)
def test_work_between_the_readings_makes_an_increment_unusable_with_its_reason(
    shop: SmallShop, step: dict, why: str
) -> None:
    sprayed_clear(shop).step(2, **step).film(0, 100).film(2, 140)
    found = shop.run("transfer_records")
    increment = sole(found["film_increments"])
    assert not increment["usable"] and why in increment["why_not"]
    record = sole(found["transfer_records"])
    assert not record["usable"] and why in record["why_not"]


def test_scuffed_off_film_is_added_back_at_grade_b(shop: SmallShop) -> None:
    sprayed_clear(shop).step(2, "sand", removal="scuff").step(3, "polish", removed_um=2.0).film(0, 100).film(3, 140)
    increment = sole(shop.run("film_increments")["film_increments"])
    assert increment["mean_um"] == pytest.approx(40 + 4 + 2)
    assert (increment["usable"], increment["grade"]) == (True, "B")


def test_stripping_to_bare_counts_as_a_film_of_zero_read_after_it(shop: SmallShop) -> None:
    shop.cup("m", 250, leftover=0).step(1, "sand", removal="strip").spray(2).draw(2, "m").film(0, 130).film(2, 50)
    increments = shop.run("film_increments")["film_increments"]
    assert increments["from_operation"].to_list() == [0, 1]
    assert increments["mean_um"].to_list() == [-130, 50]
    assert increments["usable"].to_list() == [False, True]


def test_gauge_gain_is_taken_out_and_its_offset_cancels(shop: SmallShop) -> None:
    sprayed_clear(shop).film(0, 105, gauge_id="k", taken_at=at(0)).film(1, 160, gauge_id="k", taken_at=at(70))
    shop.add("gauges", gauge_id="k", principle="magnetic")
    for shim in (0.0, 100.0):
        shop.add("gauge_checks", gauge_id="k", checked_at=at(0), shim_um=shim, check_no=1, reading_um=5 + 1.1 * shim)
    assert sole(shop.run("film_increments")["film_increments"])["mean_um"] == pytest.approx(50)


def test_shims_too_close_together_leave_the_gain_at_one(shop: SmallShop) -> None:
    sprayed_clear(shop).film(0, 105, gauge_id="k", taken_at=at(0)).film(1, 160, gauge_id="k", taken_at=at(70))
    for shim in (0.0, 29.0):
        shop.add("gauge_checks", gauge_id="k", checked_at=at(0), shim_um=shim, check_no=1, reading_um=5 + 1.1 * shim)
    assert sole(shop.run("film_increments")["film_increments"])["mean_um"] == pytest.approx(55)


def test_gauges_of_a_record_weigh_by_the_size_of_what_they_read(shop: SmallShop) -> None:
    """A panel read 2 um thinner than before says how sure its gauge is as well as one read 2 um thicker."""
    sprayed_clear(shop, panels=("door", "wing")).film(0, 100).film(1, 150)
    shop.film(0, 102, panel="wing", gauge_id="k", taken_at=at(0)).film(
        1, 100, panel="wing", gauge_id="k", taken_at=at(70)
    )
    for number, (shim, reading) in enumerate([(0.0, 0.0), (0.0, 2.0), (100.0, 100.0), (100.0, 102.0)], start=1):
        shop.add("gauge_checks", gauge_id="k", checked_at=at(0), shim_um=shim, check_no=number, reading_um=reading)
    found = shop.run("records")
    of = {r["panel_id"]: r["gain_u"] for r in found["film_pieces"].iter_rows(named=True)}
    assert of["door"] == 0.03 and 0 < of["wing"] < 0.03
    assert sole(found["records"])["gain_rel_u"] == pytest.approx((50 * 0.03 + 2 * of["wing"]) / 52)


def test_base_and_clear_read_only_around_both_are_one_equation(shop: SmallShop) -> None:
    shop.cup("b", 100, leftover=0, product="base1").cup("m", 250, leftover=0)
    shop.spray(1, product="base1").spray(2).draw(1, "b").draw(2, "m").film(0, 100).film(2, 165)
    record = sole(shop.run("transfer_records")["transfer_records"])
    assert record["roles"] == ["base", "clear"] and record["grade"] == "B"
    assert (record["landed_solids_ml"], record["sprayed_solids_ml"]) == (pytest.approx(65), pytest.approx(140))


def test_a_witness_strip_pulled_before_clear_tells_base_from_clear(shop: SmallShop) -> None:
    shop.cup("b", 100, leftover=0, product="base1").cup("m", 250, leftover=0)
    shop.spray(1, product="base1").spray(2).draw(1, "b").draw(2, "m").film(0, 100).film(2, 165)
    shop.film(0, 0, panel="strip", witness_of="door").film(1, 15, panel="strip", witness_of="door")
    records = shop.run("transfer_records")["transfer_records"]
    assert records["landed_solids_ml"].to_list() == pytest.approx([15, 50])
    assert records["grade"].to_list() == ["A", "B"]


def test_plastic_is_measured_by_its_strips_alone(shop: SmallShop) -> None:
    sprayed_clear(shop, substrate="plastic").film(0, 0, panel="strip", witness_of="door").film(
        1, 52, panel="strip", witness_of="door"
    )
    record = sole(shop.run("transfer_records")["transfer_records"])
    assert record["landed_solids_ml"] == pytest.approx(52) and record["usable"]


def test_unread_panels_of_the_operation_take_the_mean_of_the_read_ones(shop: SmallShop) -> None:
    sprayed_clear(shop, panels=("door", "wing", "roof")).film(0, 100).film(1, 150)
    shop.film(0, 100, panel="wing").film(1, 140, panel="wing")
    record = sole(shop.run("transfer_records")["transfer_records"])
    assert record["landed_solids_ml"] == pytest.approx(50 + 40 + 45) and record["grade"] == "A"


def test_jambs_take_six_tenths_of_their_own_outer_film(shop: SmallShop) -> None:
    sprayed_clear(shop).film(0, 100).film(1, 150)
    shop.add("operation_panels", shop_id="s", job_id="j", operation_no=1, panel_id="door", face="jamb", area_m2=0.5)
    record = sole(shop.run("transfer_records")["transfer_records"])
    assert record["landed_solids_ml"] == pytest.approx(50 + 0.5 * 0.6 * 50)


def test_a_panel_with_other_layers_cannot_be_filled_in(shop: SmallShop) -> None:
    shop.cup("b", 100, leftover=0, product="base1").cup("m", 250, leftover=0)
    shop.spray(1, product="base1").spray(2, panels=("door", "wing")).draw(1, "b").draw(2, "m").film(0, 100).film(2, 165)
    record = sole(shop.run("transfer_records")["transfer_records"])
    assert not record["usable"] and record["why_not"] == "unread panel with other layers"


def test_a_blend_read_inside_counts_its_covered_part(shop: SmallShop) -> None:
    sprayed_clear(shop, covered_fraction=0.4).film(0, 100).film(1, 150)
    record = sole(shop.run("transfer_records")["transfer_records"])
    assert record["landed_solids_ml"] == pytest.approx(0.4 * 50)
    assert record["rel_u"] > 0.4


def test_layers_that_cover_different_parts_are_read_at_an_unknown_place(shop: SmallShop) -> None:
    shop.cup("b", 100, leftover=0, product="base1").cup("m", 250, leftover=0)
    shop.spray(1, product="base1", covered_fraction=0.3).spray(2).draw(1, "b").draw(2, "m").film(0, 100).film(2, 165)
    assert sole(shop.run("film_increments")["film_increments"])["why_not"] == "blend read at unknown place"


def test_a_refused_reading_makes_the_increments_of_its_stage_unusable(shop: SmallShop) -> None:
    sprayed_clear(shop).film(0, 100).film(1, 150)
    shop.add(
        "incomplete", what="panel_stage", shop_id="s", job_id="j", panel_id="door", after_operation=1, reason="refused"
    )
    assert not sole(shop.run("film_increments")["film_increments"])["usable"]


def test_an_operation_that_could_not_be_read_spoils_increments_across_it(shop: SmallShop) -> None:
    shop.cup("m", 250, leftover=0).spray(2).draw(2, "m").film(0, 100).film(2, 150)
    shop.add("incomplete", what="operation", shop_id="s", job_id="j", operation_no=1, reason="unknown gun")
    increment = sole(shop.run("film_increments")["film_increments"])
    assert not increment["usable"] and "operation 1" in increment["why_not"]


def test_an_incomplete_cup_enters_no_record(shop: SmallShop) -> None:
    sprayed_clear(shop).film(0, 100).film(1, 150)
    shop.add("incomplete", what="cup", shop_id="s", mix_id="m", reason="a pour was refused")
    record = sole(shop.run("transfer_records")["transfer_records"])
    assert not record["usable"] and "incomplete cup" in record["why_not"]


def test_two_readings_with_nothing_in_between_are_a_repeatability_check(shop: SmallShop) -> None:
    sprayed_clear(shop, panels=("wing",)).film(0, 100).film(1, 101)
    increment = shop.run("film_increments")["film_increments"].row(0, named=True)
    assert not increment["usable"] and "repeatability check" in increment["why_not"]


def test_whole_target_weighing_is_a_direct_record_on_a_mass_basis(shop: SmallShop) -> None:
    """Deposited over sprayed solids by weight: ASTM D5286 in spirit."""
    sprayed_clear(shop).add("target_weighings", shop_id="s", job_id="j", operation_no=1, target_id="foil", before_g=10.0,
                            after_g=85.0, whole=True)  # fmt: skip
    record = sole(shop.run("transfer_records")["transfer_records"])
    assert record["ratio"] == pytest.approx(75 / 125)
    assert (record["basis"], record["usable"]) == ("mass", True)


def test_no_film_is_a_record_of_grade_c_that_is_not_used(shop: SmallShop) -> None:
    record = sole(sprayed_clear(shop).run("transfer_records")["transfer_records"])
    assert (record["grade"], record["usable"], record["why_not"]) == ("C", False, "no film")
