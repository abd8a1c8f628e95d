"""Films, tilts and leftovers of people: who may be flagged, who may not, and whether the figures are true.

Truth is drawn (invented). The long runs behind the same bars: tests/bench/drawn_decisions.py.
"""

from datetime import datetime

import numpy as np
import polars as pl
import pytest
from scipy.special import ndtr

from pipelines.settings import Settings
from pipelines.transfer.decisions import decision_tables, film_model, habits, practice_cards, technique
from pipelines.transfer.model import flags
from tests.bench import drawn_decisions as drawn


def share_wrong(what: str, kind: str, seeds: int, seed: int) -> tuple[int, int]:
    rng = np.random.default_rng(seed)
    pairs = [drawn.flags_of(rng, what, kind) for _ in range(seeds)]
    return sum(p[0] for p in pairs), sum(p[1] for p in pairs)


@pytest.mark.parametrize("what", ["tilt", "leftover", "film"])
def test_planted_habits_are_found_and_few_flags_are_wrong(what):
    flagged, wrong = share_wrong(what, "few", 5, 21)
    assert flagged >= 10
    assert wrong <= 0.06 * flagged


@pytest.mark.parametrize("what", ["tilt", "leftover", "film"])
def test_nobody_is_flagged_where_all_true_effects_are_zero(what):
    assert share_wrong(what, "zero", 5, 22)[0] == 0


def test_stated_probabilities_of_a_mean_outside_the_window_are_observed():
    rng = np.random.default_rng(23)
    pairs = []
    for _ in range(4):
        films, truth = drawn.draw_films(rng, "normal")
        table = drawn.films_of(films).join(truth, on=["technician_id", "role"])
        pairs += [(p, float(t > 1)) for p, t in table.select("prob_mean_over", "truth").iter_rows()]
        pairs += [(p, float(t < 0.6)) for p, t in table.select("prob_mean_under", "truth").iter_rows()]
    stated, observed = np.array(pairs).T
    assert stated.mean() == pytest.approx(observed.mean(), abs=0.02)
    middle = (stated > 0.1) & (stated < 0.9)
    assert stated[middle].mean() == pytest.approx(observed[middle].mean(), abs=0.12)  # some 100 of them
    assert observed[stated > 0.95].mean() > 0.9
    assert observed[stated < 0.05].mean() < 0.02


def test_the_next_job_is_less_sure_than_the_mean():
    films, truth = drawn.draw_films(np.random.default_rng(24), "normal")
    table = drawn.films_of(films).join(truth, on=["technician_id", "role"])
    sd = table["next_sd"].to_numpy()
    true_next = ndtr((np.log(table["truth"].to_numpy()) - sd**2 / 2) / sd)
    assert np.abs(table["prob_next_over"].to_numpy() - true_next).mean() < 0.07
    far = table.filter(pl.col("prob_mean_over") > 0.99)
    assert (far["prob_next_over"] <= far["prob_mean_over"]).all()


@pytest.mark.parametrize("colours", [True, False])
def test_the_next_job_of_a_small_shop_is_over_as_often_as_stated(colours):
    """Three hands, 20 jobs a role: what guns and colours nobody knows about add must not be thought up."""
    stated, true = [], []
    for seed in range(10):
        films, truth = drawn.draw_films(np.random.default_rng(100 + seed), "zero", shops=1, jobs=20)
        if not colours:
            films = films.with_columns(colour_id=pl.lit(None, pl.String))
        table = drawn.films_of(films).join(truth, on=["technician_id", "role"])
        sd = table["next_sd"].to_numpy()
        stated.append(table.select("role", "prob_next_over"))
        true.append(pl.Series(ndtr((np.log(table["truth"].to_numpy()) - sd**2 / 2) / sd)))
    found = pl.concat(stated).with_columns(true=pl.concat(true)).group_by("role").mean()
    for _, said, truly in found.iter_rows():  # clear .022, base .13
        assert 0.5 * truly - 0.01 <= said <= 1.5 * truly + 0.01


def test_base_with_two_colours_is_not_flagged_and_says_why():
    films, _ = drawn.draw_films(np.random.default_rng(25), "zero")
    thick = films.with_columns(
        found_um=pl.when((pl.col("role") == "base") & (pl.col("technician_id") == "t001"))
        .then(2 * pl.col("found_um"))
        .otherwise("found_um")
    )
    even = pl.col("colour_id").str.slice(1).cast(pl.Int64, strict=False) % 2 == 0
    few = thick.with_columns(
        colour_id=pl.when(pl.col("technician_id") == "t001").then(
            pl.when(even).then(pl.lit("c1")).otherwise(pl.lit("c2"))
        ).otherwise("colour_id")
    )  # fmt: skip
    who = (pl.col("technician_id") == "t001") & (pl.col("role") == "base")
    assert drawn.films_of(thick).filter(who)["flagged"].item()
    row = drawn.films_of(few).filter(who).row(0, named=True)
    assert row["n_colours"] == 2 and not row["flagged"] and "3 colours" in row["why_not_flagged"]


def test_who_always_has_the_same_gun_alone_is_not_flagged_for_film_and_the_gun_is_named():
    """Everybody keeps to a gun of their own and guns differ: what is seen may be the gun's."""
    rng = np.random.default_rng(26)
    films, _ = drawn.draw_films(rng, "few")
    guns = films["technician_id"].str.replace("t", "g")
    gain = dict(zip(sorted(set(guns)), rng.normal(0, 0.25, len(set(guns))), strict=True))
    films = films.with_columns(
        gun_id=guns, found_um=pl.col("found_um") * guns.replace_strict(gain, return_dtype=pl.Float64).exp()
    )
    table = drawn.films_of(films)
    apart = table["separable"]
    assert not table.filter(~apart)["flagged"].any()
    assert (~apart).sum() > 0
    assert table.filter(~apart)["with_whom"].str.starts_with("g").all()


def test_a_tilt_of_the_gun_is_not_the_hands():
    frame, _ = drawn.draw_tilts(np.random.default_rng(27), "zero")
    # one gun of the first shop sprays heavy at the top, whoever holds it
    frame = frame.with_columns(tilt=pl.col("tilt") + pl.when(pl.col("gun_id") == "g001").then(0.12).otherwise(0.0))
    found = technique.tilt_of_hands(frame, Settings())
    assert not found["flagged"].any()


def test_thin_edges_are_flagged_and_heavy_ones_are_not():
    """Heavy edges come of spraying the borders first, as they should be; only what is missing there is a matter of practice."""
    frame, true = drawn.draw_tilts(np.random.default_rng(29), "few", panels=60)
    frame = frame.rename({"tilt": "edge"})
    found = technique.tilt_of_hands(frame, Settings(), "edge").filter("flagged")["technician_id"].to_list()
    thin = {who for who, edge in true.items() if edge < -Settings().practice.tilt_material}
    assert len(thin) >= 2 and len(thin & set(found)) >= 0.5 * len(thin)
    assert set(found) <= thin and max(true.values()) > 0.15


def test_reliability_grows_with_records_and_nobody_is_ordered_below_the_line():
    rng = np.random.default_rng(28)
    few, _ = drawn.draw_tilts(rng, "normal", panels=2)
    few = few.with_columns(n=pl.int_range(pl.len()).over("technician_id")).filter(pl.col("n") < 2)
    many, _ = drawn.draw_tilts(rng, "normal", panels=60)
    low, high = (technique.tilt_of_hands(f, Settings())["reliability"].mean() for f in (few, many))
    assert low < practice_cards.RANK_RELIABILITY < high


def test_small_mixes_do_not_make_a_hand_wasteful():
    """One technician gets the small mixes alone; small mixes leave more in the cup for everybody."""
    rng = np.random.default_rng(29)
    frame, _ = drawn.draw_cups(rng, "zero", cups=80)
    small = pl.col("technician_id") == "t000"
    frame = frame.with_columns(size=pl.when(small).then(pl.lit("0")).otherwise("size"))
    frame = frame.with_columns(
        share=pl.when(pl.col("size") == "0").then((pl.col("share") + 0.15).clip(0, 0.9)).otherwise("share")
    )
    people = habits.leftover_habits_of_hands(frame, Settings()).people
    assert not people["flagged"].any()


def test_the_longest_list_within_the_share_is_flagged_by_hand():
    """P = .99, .98, .96, .80, .30: mean(1 - P) of the first k = .01, .015, .0233, .0675: three, not four."""
    out = flags.flag(np.array([0.30, 0.96, 0.99, 0.80, 0.98]), np.ones(5, bool), 0.05)
    assert out.tolist() == [False, True, True, False, True]
    assert flags.flag(np.array([0.99, 0.98]), np.array([False, True]), 0.05).tolist() == [False, True]


def test_no_read_film_says_nothing():
    films, _ = drawn.draw_films(np.random.default_rng(30), "zero")
    assert drawn.films_of(films.with_columns(source=pl.lit("from transfer"))).height == 0


def test_what_counts_as_material_is_a_setting_and_acts():
    """The same people: fewer are flagged the larger what counts."""
    rng = np.random.default_rng(31)
    films, _ = drawn.draw_films(rng, "few")
    tilts, _ = drawn.draw_tilts(rng, "few")
    cups, _ = drawn.draw_cups(rng, "few")

    def flagged(over: float, tilt: float, leftover: float) -> tuple[int, int, int]:
        chosen = Settings.model_validate(
            {"practice": {"over_build_material": over, "tilt_material": tilt, "leftover_material": leftover}}
        )
        film, _ = film_model.film_by_technician([{"film_build": films} | drawn.NOTHING_POURED], chosen)
        left = habits.leftover_habits_of_hands(cups, chosen).people
        return film["flagged"].sum(), technique.tilt_of_hands(tilts, chosen)["flagged"].sum(), left["flagged"].sum()

    usual, strict = flagged(0.05, 0.10, 0.05), flagged(0.50, 0.60, 0.60)
    assert all(u > 0 and s == 0 for u, s in zip(usual, strict, strict=True))


def test_the_cups_behind_a_card_on_leftovers_are_those_of_whom_it_is_about():
    """By hand: 400 g mixed, 20 g of it poured into another cup and 95 g left: 285 g left it, a quarter of 380 g stayed."""
    at = datetime(2026, 3, 3, 8)
    mixes = pl.DataFrame(
        [("s", "m1", at, 400.0, 95.0, True, 20.0), ("s", "m2", at, 300.0, 30.0, True, 0.0),
         ("s", "m3", at, 300.0, None, False, 0.0), ("s", "m4", at, 100.0, 60.0, True, 0.0)],
        schema=["shop_id", "mix_id", "first_poured_at", "poured_g", "leftover_g", "leftover_known", "poured_on_g"],
        orient="row",
    ).with_columns(product_id=pl.lit("p"), complete=pl.lit(True), density_g_per_ml=pl.lit(1.0))  # fmt: skip
    pours = pl.DataFrame(
        [("m1", 1, "t1"), ("m1", 2, "t2"), ("m2", 1, "t2"), ("m3", 1, "t1"), ("m4", 1, "t1")],
        schema=["mix_id", "pour_no", "technician_id"], orient="row",
    ).with_columns(shop_id=pl.lit("s"))  # fmt: skip
    products = pl.DataFrame({"product_id": ["p"], "valid_from": [None], "role": ["clear"], "min_mix_ml": [None]},
                            schema_overrides={"valid_from": pl.Date, "min_mix_ml": pl.Float64})  # fmt: skip
    seen = habits.cups(mixes, pours, products)
    people = pl.DataFrame({"technician_id": ["t1", "t2"], "flagged": [True, False]})
    found = decision_tables.formed("leftover_cups", habits.leftover_cups(seen, people))
    assert found.select("technician_id", "mix_id", "poured_g", "sprayed_g", "leftover_g", "left_share").rows() == [
        ("t1", "m1", 400.0, 285.0, 95.0, 0.25), ("t1", "m4", 100.0, 40.0, 60.0, 0.6),
    ]  # fmt: skip
    assert found["first_poured_on"].unique().to_list() == [at.date()]
    nobody = people.with_columns(flagged=pl.lit(False))
    assert decision_tables.formed("leftover_cups", habits.leftover_cups(seen, nobody)).is_empty()
