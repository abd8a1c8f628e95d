"""Where a statement on film turns: films of nothing, places without a number, panels read twice and three times.

Each from rows made by hand through one statement.
"""

from __future__ import annotations

from datetime import date, datetime
from typing import Any

import numpy as np
import polars as pl
import pytest
from scipy.stats import norm
from small_shop import SmallShop, asked, at, frame, table

from pipelines.ledger.film import excess, film_build
from pipelines.settings import Settings


def spread(**films: list[float]) -> float:
    rows = [
        {"equation": "e", "shop_id": "s", "job_id": job, "layer_set": "1", "um": um}
        for job, many in films.items()
        for um in many
    ]
    return float(table("panel_spread", face_films=rows)["rel_var"][0])


def test_panels_differ_by_a_ratio_of_sums_with_one_taken_off_each_count() -> None:
    """(1 x 200 + 2 x 100) / (1 x 100^2 + 2 x 50^2); a panel alone says nothing, nor do films that come to nothing."""
    assert spread(j=[90.0, 110.0], k=[40.0, 50.0, 60.0], alone=[70.0]) == pytest.approx(400 / 15000)
    assert spread(j=[90.0, 110.0], k=[40.0, 50.0, 60.0], nothing=[-10.0, 10.0]) == pytest.approx(400 / 15000)
    assert spread(alone=[70.0]) == 0.0225


def stages(*readings: dict[str, Any], stripped_after: int | None = None) -> list[dict[str, Any]]:
    usual = dict(shop_id="s", job_id="j", panel_id="door", after_operation=1, n=1, gain=1.0, gain_u=0.02)
    work = {"shop_id": "s", "job_id": "j", "panel_id": "door", "kind": "sand", "removal": "strip", "unclear": False}
    given = {
        "stage_positions": [usual | {"raw_um": row["um"]} | row for row in readings],
        "panel_work": [work | {"operation_no": stripped_after}] if stripped_after else [],
    }  # fmt: skip
    return table("stage_means", {"gauge_gain_u": 0.03}, **given).to_dicts()


def test_places_are_bits_from_the_upper_left_and_a_reading_without_a_place_is_none_of_them() -> None:
    (found,) = stages({"um": 50.0, "row_no": 1, "col_no": 1}, {"um": 60.0, "row_no": 3, "col_no": 3}, {"um": 55.0})
    assert (found["places"], found["n_places"], found["n_values"], found["mean_um"]) == (1 + 256, 2, 3, 55.0)


def test_a_panel_stripped_and_not_read_stands_at_nothing() -> None:
    found = {row["after_operation"]: row for row in stages({"um": 50.0}, stripped_after=2)}[2]
    nothing = dict.fromkeys(("n_readings", "n_values", "n_places", "places", "mean_um", "raw_mean_um"), 0)
    assert {name: found[name] for name in nothing} == nothing
    assert (found["gain"], found["gain_u"], found["var_um2"], found["bare"]) == (1.0, 0.03, None, True)


def test_a_piece_named_alike_elsewhere_takes_no_film_away() -> None:
    key = {"shop_id": "s", "job_id": "j", "operation_no": 1}
    pieces = [key, key | {"job_id": "k"}, key | {"shop_id": "other"}]
    given = {
        "unread_faces": [key | {"equation": "e", "layer_set": "1", "n_layers": 1}],
        "film_pieces": [row | {"panel_id": "hood", "piece": "p", "usable": True} for row in pieces],
        "piece_films": [
            key | {"equation": "e", "panel_id": "hood", "piece": "p", "um": 50.0, "blend": False, "n_layers": 1, "usable": True},
        ],
    }  # fmt: skip
    assert table("face_films", **given).select("panel_id", "um").rows() == [("hood", 50.0)]


def test_scatter_is_pooled_by_what_each_piece_knows_beyond_one_reading() -> None:
    """(0.5 x 2^2 + 2 x 4^2) / 2.5, and the same over (0.5 x 50^2 + 2 x 40^2)."""
    usual = {"kind": "clear/paired", "blend": False, "usable": True, "alone": True}
    given = {
        "film_pieces": [
            usual | {"piece": "a", "sd_um": 2.0, "n_effective": 1.5, "mean_um": 50.0},
            usual | {"piece": "b", "sd_um": 4.0, "n_effective": 3.0, "mean_um": 40.0},
        ],
        "sanded_films": [{"kind": "sanded", "sd_um": 3.0, "n_effective": 1.5}],
    }  # fmt: skip
    found = table("film_spreads", **given).select("kind", "s2_um2", "within_cv").rows()
    cv = pytest.approx((34 / 4450) ** 0.5)
    assert found == [("clear/paired", pytest.approx(13.6), cv), ("sanded", pytest.approx(9.0), cv)]


def test_a_span_has_the_widest_demand_of_its_versions_and_knows_its_ground() -> None:
    key = {"shop_id": "s", "job_id": "j"}
    face = key | {"panel_id": "door", "face": "outer", "covered_fraction": 1.0, "covered_m2": 1.0, "substrate": "steel"}
    days = [date(1, 1, 1), date(2026, 3, 3), date(9999, 12, 31)]
    given = {
        "operation_faces": [face | {"operation_no": n} for n in (1, 2)],
        "sprays": [key | {"operation_no": n, "product_id": "p", "role": "clear", "started_at": datetime(2026, 3, n + 1, 9)} for n in (1, 2)],
        "product_versions": [{"product_id": "p", "from_on": days[n], "until_on": days[n + 1], "film_min_um": low, "film_max_um": high,
                              "film_basis": "as_applied"} for n, low, high in ((0, 50.0, 60.0), (1, 40.0, 70.0))],
    }  # fmt: skip
    found = table("film_spans", **given).select("film_min_um", "film_max_um", "substrate_known", "n_operations").rows()
    assert found == [(50.0, 70.0, True, 2)] * 2


def test_checks_on_a_line_leave_a_gain_without_doubt() -> None:
    checks = [
        {"gauge_id": "g", "checked_at": datetime(2026, 3, 2, 7), "shim_um": x, "reading_um": 2 + 1.02 * x}
        for x in (0.0, 100.0, 200.0)
    ]
    read = dict(
        shop_id="s", job_id="j", panel_id="door", after_operation=1, reading_no=1, reading_um=50.0, gauge_id="g"
    )
    given = {"readings": [read | {"taken_at": datetime(2026, 3, 2, 12)}], "gauge_checks": checks}
    found = table("gauge_fits", **given).row(0, named=True)
    assert (found["gain"], found["offset_um"]) == (pytest.approx(1.02), pytest.approx(2.0))
    assert found["gain_u"] == pytest.approx(0.0, abs=1e-6)


def test_a_refused_operation_may_have_touched_the_panels_that_it_lists_and_no_other() -> None:
    key = {"shop_id": "s", "job_id": "j"}
    given = {
        "readings": [key | {"panel_id": panel, "after_operation": 1, "reading_no": 1, "reading_um": 50.0} for panel in ("door", "hood")],
        "operation_panels": [key | {"operation_no": 2, "panel_id": "door", "face": "outer"}],
        "incomplete": [key | {"what": "operation", "operation_no": 2}],
    }  # fmt: skip
    found = table("panel_work", **given).select("panel_id", "operation_no", "unclear").rows()
    assert found == [("door", 2, True)]


@pytest.mark.parametrize(("fraction", "sd"), [(0.3, 0.4), (0.5, 0.2), (0.6, 0.2)])
def test_the_area_of_a_blend_is_less_sure_than_that_of_a_face(shop: SmallShop, fraction: float, sd: float) -> None:
    shop.spray(1).film(1, 50.0, 51.0, 52.0).spray(2, covered_fraction=fraction).film(2, 90.0, 91.0, 92.0)
    found = shop.run("film_increments")["film_increments"]
    assert [row["area_rel_sd"] for row in found.iter_rows(named=True) if row["to_operation"] == 2] == [sd]


@pytest.mark.parametrize(("z", "loss"), [(0.0, 0.3989), (0.5, 0.1978), (1.0, 0.0833), (-1.0, 1.0833)])
def test_film_above_a_limit_is_the_unit_loss_of_the_normal_law(z: float, loss: float) -> None:
    """The unit normal loss integral as handbooks of inventory control print it (values from memory, checked by adding up)."""
    steps = np.linspace(-8.0, 8.0, 160_001)
    summed = np.sum(np.maximum(steps - z, 0.0) * norm.pdf(steps)) * (steps[1] - steps[0])
    assert summed == pytest.approx(loss, abs=5e-5)
    found = excess.expected_excess(np.array([60.0 - 2 * z]), np.array([60.0]), np.array([2.0]))
    assert found == pytest.approx([2 * summed], rel=1e-6)
    assert excess.expected_excess(np.array([65.0, 55.0]), np.array([60.0, 60.0]), np.array([0.0, 0.0])).tolist() == [
        5.0,
        0.0,
    ]


def test_operations_share_what_is_above_by_their_film_or_alike_where_none_is_known() -> None:
    face = {"shop_id": "s", "job_id": "j", "panel_id": "door", "face": "outer"}
    known = {"product_id": "p", "first_operation": 1, "held_um": 80.0, "held_se_um": 0.0, "within_um": 0.0, "film_max_um": 60.0, "covered_m2": 2.0,
             "over_ml": 40.0}  # fmt: skip
    build = frame("film_build", *(face | known | {"face": side, "operation_no": 2} for side in ("outer", "inner")))
    films = frame("operation_films", *(face | {"face": side, "operation_no": n, "film_um": um}
                  for side, n, um in (("outer", 1, 20.0), ("outer", 2, 60.0), ("inner", 1, None), ("inner", 2, None))))  # fmt: skip
    sprays = frame("sprays", *({"shop_id": "s", "job_id": "j", "operation_no": n, "product_id": "p"} for n in (1, 2)))
    found = excess.over_build(build, films, sprays).sort("operation_no")
    assert found["over_ml"].to_list() == pytest.approx([40 / 4 + 40 / 2, 40 * 3 / 4 + 40 / 2])
    assert found["over_ml_low"].to_list() == pytest.approx([30.0, 50.0])


def test_a_film_misses_something_as_likely_as_two_normal_laws_say() -> None:
    """One in fifty misses a cup or a reading: then its spread is that and half of what is usual."""
    mu, omega, read, film = 50.0, 2.0, 3.0, 41.0
    films = film_build.Films(np.array([film]), np.array([read**2]), np.array([0.0]))
    whole = 0.98 * norm.pdf(film, mu, (omega**2 + read**2) ** 0.5)
    missing = 0.02 * norm.pdf(film, mu, (omega**2 + read**2 + 25.0**2) ** 0.5)
    assert films.sound(np.array([mu]), np.array([omega**2])) == pytest.approx([whole / (whole + missing)])


def test_what_a_transfer_shares_is_what_neither_chance_nor_the_same_figures_explain() -> None:
    """A film of 50 +- 10 um by the model: .04 in all, .01 chance of one operation, less areas, solids and densities."""
    key = {"shop_id": "s", "job_id": "j", "operation_no": 1}
    face = key | {"panel_id": "door", "face": "outer", "covered_fraction": 1.0, "covered_m2": 1.0}
    found = film_build.told_films(
        frame("operation_films", face | {"film_um": 50.0, "se_um": 10.0, "source": "from transfer"}),
        frame("sprayed", key | {"expected_gone_g": 100.0, "flush_g": 0.0}),
        frame("operation_faces", face | {"area_rel_sd": 0.0}),
        frame("operation_te", {"shop_id": "s", "op_job_id": "j", "operation_no": 1, "source": "model"}),
        frame("transfer_model", {"term": "spread", "level": "event", "value": 0.1, "note": ""}),
        pl.DataFrame({"panel_cv": [0.1]}),
        Settings(),
    ).row(0, named=True)
    film, cup = Settings().film, Settings().cup
    same = film.area_shared_sd**2 + cup.solids_rel_u**2 + cup.density_rel_u**2
    assert (found["shared2"], found["own2"]) == (pytest.approx(0.03 - same), pytest.approx(0.01 + 0.01))


FINISH = {"gun_id": "g", "n_primer": 0, "n_finish": 3}


def fit(
    tip_mm: float | None, films: tuple[float, ...] = (), low: float | None = 54.3, high: float | None = 60.0
) -> dict[str, Any]:
    """A gun of 1.3 to 1.4 mm on a clear, elsewhere than where guns are ruled, and the films of its operations, each of 1 m2."""
    key = {"shop_id": "s", "job_id": "j", "gun_id": "g", "product_id": "p"}
    (found,) = asked(
        "gun_fit",
        shops=[{"shop_id": "s", "jurisdiction": "eu"}],
        guns_now=[{"gun_id": "g", "shop_id": "s", "tip_mm": tip_mm}],
        gun_uses=[FINISH],
        product_versions=[{"product_id": "p", "role": "clear", "tip_min_mm": 1.3, "tip_max_mm": 1.4, "until_on": date(9999, 12, 31)}],
        sprays=[key | {"operation_no": n} for n in (1, 2, 3)],
        operations=[key | {"operation_no": n, "started_at": at(n)} for n in (1, 2, 3)],
        film_build=[key | {"operation_no": n, "film_um": um, "covered_m2": 1.0, "source": "read", "film_min_um": low, "film_max_um": high}
                    for n, um in enumerate(films, 1)],
    )  # fmt: skip
    return found


def test_a_tip_that_misses_the_sheet_by_rounding_fits_without_a_word() -> None:
    for tip in (1.3 - 5e-10, 1.3, 1.4, 1.4 + 5e-10):
        assert [fit(tip)[name] for name in ("tip_fits", "verdict", "why")] == [True, "fits", None]
    assert (fit(1.29)["verdict"], fit(1.41)["verdict"], fit(None)["verdict"]) == ("misfit", "misfit", "unknown")
    assert "thin" in fit(1.29)["why"]
    assert "thick" in fit(1.41)["why"]


def test_film_reads_thin_or_thick_beyond_its_own_spread_and_only_against_a_whole_window() -> None:
    """52 +- 1.96 sqrt(8 / 3 / 2): up to 54.26, down to 49.74."""
    films = (50.0, 52.0, 54.0)
    assert [fit(1.3, films, low, high)["reads"] for low, high in ((54.3, 60.0), (54.2, 60.0), (40.0, 49.7), (40.0, 49.8))] == [
        "thin", "in the window", "thick", "in the window",
    ]  # fmt: skip
    assert [
        fit(1.3, films, None, 40.0)["reads"],
        fit(1.3, films, 60.0, None)["reads"],
        fit(1.3, films[:2])["reads"],
    ] == [None, None, None]


def test_the_tip_of_a_gun_is_the_one_last_written_down() -> None:
    key = {"shop_id": "s", "job_id": "j", "gun_id": "g"}
    tips = ((1, "spray", 1.3), (2, "spray", 1.4), (3, "spray", None), (4, "sand", 9.0))
    found = asked(
        "gun_uses",
        operations=[
            key | {"operation_no": n, "kind": kind, "tip_mm": tip, "started_at": at(n)} for n, kind, tip in tips
        ],
        sprays=[
            key | {"operation_no": n, "role": role}
            for n, role in ((1, "clear"), (2, "base"), (3, "surfacer"), (4, "sealer"))
        ],
    )
    assert found == [{"gun_id": "g", "tip_mm": 1.4, "n_primer": 1, "n_finish": 2}]


def test_a_face_without_words_is_covered_whole_in_one_coat(shop: SmallShop) -> None:
    shop.spray(1, area_m2=2.0)
    found = shop.run("operation_faces")["operation_faces"].row(0, named=True)
    assert (found["covered_fraction"], found["covered_m2"], found["coats"]) == (1.0, 2.0, 1)


def test_faces_that_nobody_read_are_filled_from_those_of_the_job_that_were(shop: SmallShop) -> None:
    """Door 50 and hood 60 um: 55 +- the panels' spread (50 / 55^2) x 3/2, .2 more on plastic; inside by the ratio of inner faces."""
    shop.cup("m", 500.0, leftover=0.0, job_id="j").spray(1, ("door", "hood"))
    key = {"shop_id": "s", "job_id": "j", "operation_no": 1}
    for panel, face, substrate in (
        ("bumper", "outer", "plastic"),
        ("roof", "outer", "steel"),
        ("door", "inner", "steel"),
        ("roof", "inner", "steel"),
    ):
        shop.add("operation_panels", **key, panel_id=panel, face=face, substrate=substrate, area_m2=0.5)
    shop.add("incomplete", what="panel_stage", shop_id="s", job_id="j", panel_id="roof", file="f", line=2, reason="r")
    for panel, um in (("door", 50.0), ("hood", 60.0)):
        shop.film(0, 100.0, panel=panel).film(1, 100.0 + um, panel=panel)
    rows = shop.run("record_faces")["record_faces"].iter_rows(named=True)
    found = {(row["panel_id"], row["face"]): row for row in rows}
    film = Settings().film
    ratio, inner2 = film.inner_face_ratio, (film.inner_face_ratio_sd / film.inner_face_ratio) ** 2
    between = 50 / 55**2 * 1.5
    for face, um, rel2 in ((("bumper", "outer"), 55.0, between + 0.04), (("door", "inner"), ratio * 50, between + inner2),
                           (("roof", "inner"), ratio * 55, between + inner2), (("roof", "outer"), 55.0, between)):  # fmt: skip
        row = found[face]
        assert (row["um"], row["landed_ml"]) == (pytest.approx(um), pytest.approx(um / 2))
        assert row["read_var_ml2"] == pytest.approx((um / 2) ** 2 * rel2)
        assert row["area_var_ml2"] == pytest.approx((um / 2 * film.area_rel_sd) ** 2)
    assert found["hood", "outer"]["area_var_ml2"] == pytest.approx((60 * film.area_rel_sd) ** 2)
    assert [face for face, row in found.items() if row["reason"] is not None] == [("roof", "outer")]
    assert "refused" in found["roof", "outer"]["reason"]


def test_cups_that_nobody_weighed_back_are_as_sure_as_what_was_poured(shop: SmallShop) -> None:
    """100 g and 50 g for one operation, the usual flush shared 2 to 1."""
    shop.add("guns", gun_id="other", shop_id="s", atomising="hvlp")
    shop.cup("m", 100.0, job_id="j").cup("n", 50.0, job_id="j").spray(1, gun_id="other").film(0, 100.0).film(1, 150.0)
    tables = shop.run("records")
    cup = Settings().cup
    wanted = (cup.scale_rel_u**2 + (cup.flush_loss_sd_g * 5**0.5 / 3 / 150) ** 2) ** 0.5
    assert tables["record_layers"]["sprayed_rel_u"].to_list() == pytest.approx([wanted])
    (record,) = tables["records"].iter_rows(named=True)
    assert (record["sprayed_solids_ml"], record["sprayed_rel_u"]) == (None, pytest.approx(wanted))


def test_a_record_names_its_operations_and_their_roles_in_their_order(shop: SmallShop) -> None:
    """Base and clear read together; numbers sort as numbers, and a role that nobody gave is a question mark."""
    for number, product in ((2, "base1"), (9, "clear1"), (10, "odd")):
        shop.cup(f"m{number}", 100.0, leftover=0.0, product=product, job_id="j").spray(number, product=product)
    shop.film(1, 100.0).film(10, 250.0)
    (record,) = shop.run("transfer_records")["transfer_records"].iter_rows(named=True)
    assert (record["operations"], record["roles"]) == (["j/2", "j/9", "j/10"], ["base", "clear", "?"])


def test_what_was_scuffed_between_the_readings_is_as_unsure_as_each_scuffing(shop: SmallShop) -> None:
    shop.spray(1).film(0, 100.0)
    for number in (2, 3):
        shop.step(number, "sand", removal="scuff")
        shop.add("operation_panels", shop_id="s", job_id="j", operation_no=number, panel_id="door", face="outer")
    film = Settings().film
    (piece,) = shop.film(3, 150.0).run("film_pieces")["film_pieces"].iter_rows(named=True)
    assert piece["piece"] == "s/j/door/0/own"
    assert piece["mean_um"] == pytest.approx(50 + 2 * film.scuff_removed_um)
    assert piece["extra_var_um2"] == pytest.approx(2 * film.scuff_removed_sd_um**2)


@pytest.mark.parametrize(("strip_um", "usable"), [(14.0, True), (14.9, False)])
def test_a_strip_may_show_more_than_its_panel_by_three_of_its_uncertainties(
    shop: SmallShop, strip_um: float, usable: bool
) -> None:
    """10 um over two layers, of which the strip saw one, good to a tenth: 4.0 are 2.9 of 1.40, 4.9 are 3.3 of 1.49."""
    shop.spray(1, product="base1").spray(2).film(0, 100.0).film(2, 110.0)
    shop.film(1, 100.0, panel="strip", witness_of="door").film(2, 100.0 + strip_um, panel="strip", witness_of="door")
    rows = shop.run("film_pieces")["film_pieces"].iter_rows(named=True)
    found = {row["source"]: (row["mean_um"], row["usable"]) for row in rows}
    assert found == {"strip": (pytest.approx(strip_um), True), "difference": (pytest.approx(10 - strip_um), usable)}


def test_a_strip_said_to_stand_for_two_panels_stands_for_one_of_them_everywhere(shop: SmallShop) -> None:
    shop.spray(1, ("door", "hood")).spray(2, ("hood",))
    for after in (0, 1):
        for number, panel in ((1, "door"), (2, "hood")):
            shop.add("readings", shop_id="s", job_id="j", panel_id="strip", after_operation=after, reading_no=number, reading_um=100.0,
                     witness_of=panel)  # fmt: skip
    tables = shop.run("stage_means")
    assert tables["panel_work"].filter(pl.col("panel_id") == "strip")["operation_no"].to_list() == [1, 2]
    assert tables["stage_means"]["witness_of"].to_list() == ["hood", "hood"]
