"""Film against its window, by hand: sums split, inner faces, films held against their like."""

from __future__ import annotations

import math
import statistics
from typing import Any

import numpy as np
import polars as pl
import pytest
from scipy import stats
from scipy.special import ndtr

from pipelines.ledger.film import excess as ledger_film
from pipelines.ledger.film import film_build as fb
from pipelines.settings import Settings
from schemas import validate
from tests.on_frames import frame

U2 = fb.PANEL_CV**2  # spread between panels where data are few
SETTINGS = Settings()
Z95 = statistics.NormalDist().inv_cdf(0.975)
SAME2 = (
    0.05**2 + 0.02**2 + 0.02**2
)  # table of areas, solids, density: in the transfer's interval, not in a film it tells
AREA2 = 0.05**2  # of the only face of each operation


def film(
    operation: int,
    um: float,
    rel_se: float = 0.1,
    panel: str = "door",
    face: str = "outer",
    source: str = "from transfer",
) -> dict[str, Any]:
    return {
        "shop_id": "s", "job_id": "j", "operation_no": operation, "panel_id": panel, "face": face,
        "covered_fraction": 1.0, "covered_m2": 1.0, "film_um": um, "se_um": rel_se * um, "within_um": 0.13 * um, "source": source, "grade": "B",
    }  # fmt: skip


def piece(operation: int, um: float, sd: float, n: float = 9.0) -> dict[str, Any]:
    return {
        "shop_id": "s", "job_id": "j", "panel_id": "door", "source_id": "door", "from_operation": 0, "to_operation": 2,
        "operation_no": operation, "piece": "s/j/door/0", "mean_um": um, "sd_um": sd, "n_effective": n,
        "kind": "base+clear/paired", "blend": False, "extra_var_um2": 0.0, "usable": True, "source": "own", "grade": "A",
    }  # fmt: skip


def layers(films: list[dict[str, Any]], pieces: list[dict[str, Any]]) -> pl.DataFrame:
    by = [
        {"shop_id": "s", "op_job_id": "j", "operation_no": k, "source": "model"}
        for k in {f["operation_no"] for f in films}
    ]
    event = {"term": "spread", "level": "event", "value": math.sqrt(0.1**2 - 0.06**2)}
    faces = [
        {k: f[k] for k in ("shop_id", "job_id", "operation_no", "panel_id", "face", "covered_fraction", "covered_m2")}
        | {"area_rel_sd": 0.05}
        for f in films
    ]
    scatter = fb.film_scatter(frame("operation_films", *films))
    spreads = {"kind": "base+clear/paired", "blend": False, "s2_um2": 36.0, "within_cv": 0.13}
    told = fb.told_films(
        frame("operation_films", *films), validate.empty("sprayed"), frame("operation_faces", *faces), frame("operation_te", *by),
        frame("transfer_model", event), scatter, SETTINGS,
    )  # fmt: skip
    sums = fb.told_sums(frame("film_pieces", *pieces), told, frame("film_spreads", spreads))
    return fb.layer_films(told, sums, fb.transfer_spread(sums))


def test_a_reading_over_two_layers_is_split_by_what_is_least_known():
    """m = (20, 60), relative variances own .1^2 - .06^2 + cv^2, area .05^2 and .06^2 of the cell less what cancels; D = 90 with s = 6/3 = 2."""
    found = layers([film(1, 20.0), film(2, 60.0)], [piece(1, 90.0, 6.0), piece(2, 90.0, 6.0)]).sort("operation_no")
    rel2 = (0.1**2 - 0.06**2) + U2 + AREA2 + (0.06**2 - SAME2)
    v = rel2 * np.array([400.0, 3600.0])
    total = v.sum() + 4.0
    assert found["source"].to_list() == ["shared", "shared"]
    assert found["film_um"].to_numpy() == pytest.approx(np.array([20.0, 60.0]) + v * 10 / total)
    assert found["se_um"].to_numpy() == pytest.approx(np.sqrt(v - v**2 / total))
    assert (found["own_se_um"] < found["se_um"]).all()


def test_a_film_that_was_read_alone_stands_as_it_was_read():
    row = layers([film(1, 33.0, 0.02, source="read")], []).row(0, named=True)
    assert (row["film_um"], row["source"]) == (33.0, "read") and row["se_um"] == pytest.approx(0.66)


def test_inner_faces_carry_six_tenths_of_the_outer_and_are_less_sure():
    found = layers([film(1, 40.0), film(1, 40.0, face="inner")], [])
    by = {r["face"]: r for r in found.iter_rows(named=True)}
    assert by["inner"]["film_um"] == pytest.approx(0.6 * by["outer"]["film_um"])
    assert by["outer"]["film_um"] + by["inner"]["film_um"] == pytest.approx(80.0)  # what landed is kept
    assert by["inner"]["se_um"] / by["inner"]["film_um"] > by["outer"]["se_um"] / by["outer"]["film_um"]


def test_a_cup_that_the_flush_used_up_tells_no_film():
    assert layers([film(1, 0.0)], []).row(0, named=True)["film_um"] is None


def like(
    films: np.ndarray,
    own: float | np.ndarray,
    source: str = "read",
    shared: float = 0.0,
    window: tuple[float | None, float | None] = (None, None),
) -> pl.DataFrame:
    n = len(films)
    return fb.held_against_others(
        pl.DataFrame(
            {
                "shop_id": "s", "product_id": "p", "technician_id": "t", "role": "clear", "face": ["outer"] * n, "source": source, "film_um": films,
                "film_min_um": window[0], "film_max_um": window[1],
                "se_um": np.hypot(own, shared * films), "own_se_um": np.full(n, own),
            }
        )
    )  # fmt: skip


def test_a_film_found_far_out_is_drawn_towards_its_like_and_true_films_are_covered():
    rng = np.random.default_rng(1)
    true = rng.normal(50, 5, 3000)
    held = like(true + rng.normal(0, 6, 3000), 6.0)
    z = (held["held_um"].to_numpy() - true) / held["held_se"].to_numpy()
    assert abs(z.mean()) < 0.15 and 0.8 < z.std() < 1.1  # a gap is thought possible: a little wide
    stated = ndtr((held["held_um"].to_numpy() - 55) / held["held_se"].to_numpy())
    assert stated.mean() == pytest.approx((true > 55).mean(), abs=0.03)
    sure = stated > 0.7
    assert sure.sum() > 10 and (true > 55)[sure].mean() > 0.65


def test_half_a_film_is_first_taken_for_a_cup_that_is_missing():
    rng = np.random.default_rng(2)
    films = np.concatenate([rng.normal(50, 4, 100), [24.0]])
    held = like(films, 3.0)
    assert held["held_um"][-1] > 40 and held["held_se"][-1] > 3


def test_films_whose_error_is_a_part_of_them_do_not_draw_the_others_down():
    """True films of 50 +- 10 %, told to 15 %: one told small is no sharper than one told large. Taken at the films found, the
    middle comes out 3.5 % low (the mean of x weighted by 1/x^2)."""
    rng = np.random.default_rng(3)
    true = rng.normal(50, 5, 4000)
    told = true * (1 + 0.15 * rng.normal(0, 1, 4000))
    held = like(told, 0.15 * told, source="from transfer")
    z = (held["held_um"].to_numpy() - true) / held["held_se"].to_numpy()
    assert abs(held["held_um"].mean() / 50 - 1) < 0.01 and abs(z.mean()) < 0.1
    assert 0.94 < (abs(z) < 1.96).mean() < 0.97


def test_what_films_share_is_held_against_the_middle_of_the_window():
    """400 films of about 60, told by a transfer known to 20 %, against a window of 40-60: c = .2 x 60 = 12. The aim is 25 % of 50 to
    begin with; this one population, found .2 +- .24 off, leaves a of it, so that the middle moves to 50 by
    144 / (144 + (50 a)^2) of the way and c^2 shrinks by as much."""
    films = np.random.default_rng(5).normal(60, 6, 400)
    free = like(films, 0.05 * films, "from transfer", shared=0.2)
    held = like(films, 0.05 * films, "from transfer", shared=0.2, window=(40.0, 60.0))
    (a,) = fb.aim_spread(np.array([0.2]), np.array([0.24**2]))
    assert 0.2 < a < 0.25
    part = 144 / (144 + (50 * a) ** 2)
    assert (held["held_um"] - free["held_um"]).to_numpy() == pytest.approx(np.full(400, -part * 10), rel=0.05)
    shrunk = (free["held_se"] ** 2 - held["held_se"] ** 2).to_numpy()
    assert shrunk == pytest.approx(np.full(400, part * 144), rel=0.05)
    sure = like(films, 0.05 * films, "from transfer", shared=0.0, window=(40.0, 60.0))
    assert sure["held_um"].to_numpy() == pytest.approx(like(films, 0.05 * films, "from transfer")["held_um"].to_numpy())


def test_the_aim_of_hands_that_are_well_known_is_the_scale_of_their_t_distribution():
    """Against scipy.stats.t.fit with 4 degrees about 0: a well-kept library's own maximum likelihood."""
    off = 0.08 * np.random.default_rng(7).standard_t(4, 4000)
    found = fb.aim_spread(off, np.full(4000, 1e-8))
    _, _, scale = stats.t.fit(off, fdf=4, floc=0)
    middle = np.argmin(np.abs(np.abs(off) - scale))  # one that lies one scale off has weight 1
    assert found[middle] == pytest.approx(scale, rel=0.01)


def test_a_hand_that_is_not_read_is_taken_to_aim_as_those_that_are_and_one_far_out_stays_there():
    off = np.array([0.1, -0.1] * 10 + [0.42] + [0.0] * 5)
    var = np.array([0.03**2] * 21 + [1e6] * 5)
    found = fb.aim_spread(off, var)
    assert (abs(found[21:] - 0.15) < 0.02).all(), "20 hands at .1, four at .25"
    assert found[20] > 1.6 * found[0]
    assert fb.aim_spread(np.zeros(3), np.full(3, 1e6)) == pytest.approx(np.full(3, 0.25)), "nothing read: as said"


def test_only_a_film_too_small_is_taken_for_one_that_misses_a_cup():
    rng = np.random.default_rng(4)
    films = np.concatenate([rng.normal(50, 4, 100), [24.0, 76.0]])
    held = like(films, 3.0)["held_um"]
    assert held[100] > 40 and held[101] > 65, "nothing missing makes a film too large"


def test_films_of_next_to_nothing_are_no_division_by_zero():
    held = like(np.array([0.1, -0.1] * 10), 1.0)
    assert held["held_um"].is_finite().all() and held["held_se"].is_finite().all()


def test_a_film_of_nothing_among_films_that_share_an_error_has_an_end():
    held = like(np.array([48.0, 52.0] * 5 + [0.0]), 3.0, source="pair", shared=0.05)
    assert held["held_um"].is_finite().all() and held["held_se"].is_finite().all()


def test_few_films_stand_as_they_are():
    held = like(np.array([50.0, 80.0]), 5.0)
    assert held["held_um"].to_list() == [50.0, 80.0]


def test_probabilities_and_amounts_of_one_panel_by_hand():
    """Film 66 +- 3 against 45-60 on 2 m2: P(over) = Phi(2); over-build = area x unit loss with the spread between places."""
    group = {
        "shop_id": "s", "job_id": "j", "panel_id": "door", "face": "outer", "product_id": "p1", "first_operation": 1,
        "last_operation": 1,
        "covered_m2": 2.0, "film_um": 66.0, "se_um": 3.0, "within_um": 4.0, "film_min_um": 45.0,
        "film_max_um": 60.0, "film_basis": "as_applied", "grade": "A",
    }  # fmt: skip
    spray = dict(shop_id="s", job_id="j", operation_no=1, gun_id="g", technician_id="t", product_id="p1", role="clear")
    face = {
        "shop_id": "s",
        "job_id": "j",
        "operation_no": 1,
        "panel_id": "door",
        "face": "outer",
        "covered_fraction": 1.0,
        "covered_m2": 2.0,
        "area_rel_sd": 0.05,
    }
    films, none = frame("operation_films", film(1, 66.0, 3 / 66, source="read")), validate.empty("film_pieces")
    told = fb.told_films(
        films, validate.empty("sprayed"), frame("operation_faces", face), validate.empty("operation_te"), validate.empty("transfer_model"),
        fb.film_scatter(films), SETTINGS,
    )  # fmt: skip
    sums = fb.told_sums(none, told, validate.empty("film_spreads"))
    row = fb.film_build(
        frame("film_groups", group), told, sums, fb.transfer_spread(sums), frame("sprays", spray),
        validate.empty("cup_feeds"), validate.empty("pours"), SETTINGS,
    ).row(0, named=True)  # fmt: skip
    assert (row["film_um"], row["source"], row["grade"]) == (66.0, "read", "A")
    assert row["prob_over"] == pytest.approx(ndtr(2.0)) and row["prob_under"] == pytest.approx(ndtr(-7.0))
    assert (row["film_low"], row["film_high"]) == pytest.approx((66 - Z95 * 3, 66 + Z95 * 3))
    s, gap = 5.0, 6.0
    excess = s * np.exp(-0.5 * (gap / s) ** 2) / np.sqrt(2 * np.pi) + gap * ndtr(gap / s)
    assert row["over_ml"] == pytest.approx(2.0 * excess)


def test_over_build_of_operations_follows_the_film_as_held_and_is_shared_by_film():
    """Two operations of one product, 40 and 20 um, on 2 m2 held at 66 +- 3 against 60: two thirds and one third of it."""
    group = {
        "shop_id": "s", "job_id": "j", "operation_no": 2, "first_operation": 1, "panel_id": "door", "face": "outer",
        "product_id": "p", "covered_m2": 2.0, "film_max_um": 60.0, "held_um": 66.0, "held_se_um": 3.0, "within_um": 4.0,
        "found_um": 90.0, "found_se_um": 30.0, "over_ml": 12.0,
    }  # fmt: skip
    unknown = group | {"panel_id": "hood", "over_ml": None}
    sprays = [{"shop_id": "s", "job_id": "j", "operation_no": k, "product_id": "p"} for k in (1, 2)]
    films = [film(1, 40.0), film(2, 20.0), film(1, 40.0, panel="hood")]
    out = ledger_film.over_build(
        frame("film_build", group, unknown), frame("operation_films", *films), frame("sprays", *sprays)
    )
    assert out["operation_no"].to_list() == [1, 2]
    assert out["over_ml"].to_list() == pytest.approx([8.0, 4.0])
    low, high = (
        2 * (4 * np.exp(-0.5 * (gap / 4) ** 2) / np.sqrt(2 * np.pi) + gap * ndtr(gap / 4))
        for gap in (6 - Z95 * 3, 6 + Z95 * 3)
    )
    assert out["over_ml_low"].to_list() == pytest.approx([low * 2 / 3, low / 3])
    assert out["over_ml_high"].to_list() == pytest.approx([high * 2 / 3, high / 3])
