"""How much to mix: the quantile that is promised, the answer at the scale, and what it says when it has none."""

import math
from typing import Any

import numpy as np
import polars as pl
import pytest

from pipelines.settings import Settings
from pipelines.transfer.decisions import mix_answer, mixing
from schemas import validate
from schemas.area_classes import AREA_CLASSES, MIX_LEVELS, area_class


def drawn_uses(rng: np.random.Generator, n: int = 1500) -> pl.DataFrame:
    """Operations of two shops: use per m2 log-normal about role, gun, hand; skewed a little, as chance is."""
    gun, hand = rng.integers(0, 6, n), rng.integers(0, 8, n)
    role = rng.choice(["surfacer", "clear"], n)
    area = rng.lognormal(0.3, 0.6, n)
    effect_gun, effect_hand = rng.normal(0, 0.1, 6), rng.normal(0, 0.08, 8)
    log_use = (
        np.where(role == "clear", 5.2, 5.6)
        + effect_gun[gun]
        + effect_hand[hand]
        - 0.05 * np.digitize(area, [0.5, 1.5, 4])
    )
    log_use = log_use + 0.15 * (rng.gamma(4, 1, n) - 4) / 2
    names = np.array(AREA_CLASSES)[np.digitize(area, [0.5, 1.5, 4])]
    return pl.DataFrame(
        {
            "shop_id": np.where(gun < 3, "a", "b"), "product_id": role, "role": role, "gun_id": [f"g{g}" for g in gun],
            "technician_id": [f"t{h}" for h in hand], "area_class": names, "colour_id": [None] * n, "use": np.exp(log_use),
            "covered_m2": area,
        },
        schema_overrides={"colour_id": pl.String},
    )  # fmt: skip


def test_advised_amounts_run_short_as_often_as_promised():
    """Primers .10, finish .02, on jobs that the guide has not seen."""
    rng = np.random.default_rng(1)
    short: dict[str, list[bool]] = {"surfacer": [], "clear": []}
    for _ in range(4):
        seen = drawn_uses(rng)
        guide = mixing.learn(seen[:1000])
        assert guide is not None
        told = mixing.predict(guide, seen[1000:], Settings().guide.mix_quantile)
        for role, use, advised in told.select("role", "use", "advised_ml_per_m2").iter_rows():
            short[role].append(use > advised)
    assert np.mean(short["surfacer"]) == pytest.approx(0.10, abs=0.03)
    assert np.mean(short["clear"]) == pytest.approx(0.02, abs=0.012)


def test_a_gun_never_seen_is_advised_more_than_a_known_one():
    seen = drawn_uses(np.random.default_rng(2))
    guide = mixing.learn(seen)
    assert guide is not None
    row = {"shop_id": "a", "product_id": "clear", "role": "clear", "area_class": "1.5_to_4"}
    told = mixing.predict(
        guide, pl.DataFrame([row | {"gun_id": "g0"}, row | {"gun_id": "new"}]), Settings().guide.mix_quantile
    )
    known, new = (told["advised_ml_per_m2"] / told["as_sprayed_ml_per_m2"]).to_list()
    assert new > known > 1


def test_what_is_used_on_average_is_the_mean_and_not_the_middle():
    """E exp(x) = exp(mean + s^2/2): at a spread of .4 the mean of use lies 8 % above its median."""
    rng = np.random.default_rng(5)
    n = 3000
    seen = drawn_uses(rng, n).with_columns(
        use=pl.Series(np.exp(rng.normal(5.0, 0.4, n))), role=pl.lit("clear"), product_id=pl.lit("clear")
    )
    guide = mixing.learn(seen)
    assert guide is not None
    told = mixing.predict(guide, seen, Settings().guide.mix_quantile)
    assert told["as_sprayed_ml_per_m2"].mean() == pytest.approx(seen["use"].mean(), rel=0.015)
    assert seen["use"].mean() > 1.06 * seen["use"].median()


def test_the_flush_of_the_register_wins_over_the_measured_one_and_that_over_the_setting():
    seen = drawn_uses(np.random.default_rng(6), 600)
    met = seen.select("shop_id", "product_id", "gun_id", "role").unique().with_columns(coats=pl.lit(2.0))
    paint = (
        met.select("shop_id", "product_id")
        .unique()
        .with_columns(q=pl.lit(0.4), density=pl.lit(1.25), price_per_ml=pl.lit(0.02))
    )
    measured = pl.DataFrame({"gun_id": ["g0", "g0", "g0", "g1"], "flush_g": [6.0, 10.0, 7.0, 9.0]})
    guns = pl.DataFrame(
        {"gun_id": [f"g{k}" for k in range(6)], "flush_loss_g": [5.0, *[None] * 5]},
        schema_overrides={"flush_loss_g": pl.Float64},
    )
    products = pl.DataFrame(
        {"product_id": ["clear", "surfacer"], "label": ["Clear", None], "valid_from": [None, None],
         "film_min_um": [40.0, 90.0], "film_max_um": [60.0, 150.0],
         "min_mix_ml": [50.0, 50.0], "coats_max": [2, 3]}
    )  # fmt: skip
    none = pl.DataFrame(schema={"shop_id": pl.String, "gun_id": pl.String, "role": pl.String, "estimate": pl.Float64})
    settings = Settings.model_validate({"cup": {"flush_loss_g": 2.5}})
    told = mixing.mix_guide(mixing.Past(seen, paint, met, measured), products, guns, none, settings)
    flush = dict(told.select("gun_id", "flush_ml").unique().iter_rows())
    assert flush == pytest.approx({"g0": 4.0, "g1": 7.2} | {f"g{k}": 2.0 for k in range(2, 6)})


def test_the_past_is_what_whole_cups_held_on_average_and_what_an_operation_flushed_in_all():
    """Solids .4 and .5, densities 1.0 and 1.2; the third cup is incomplete. Of two cups of one operation 2 and 3 g were flushed."""
    key = {"shop_id": "s", "job_id": "j", "operation_no": 1}
    rows = {
        "mixes": [{"shop_id": "s", "mix_id": mix, "product_id": "p", "complete": whole, "solids_volume_fraction": q, "density_g_per_ml": rho}
                  for mix, whole, q, rho in (("a", True, 0.4, 1.0), ("b", True, 0.5, 1.2), ("c", False, 0.9, 9.0))],
        "sprayed": [key | {"mix_id": mix, "flush_g": g} for mix, g in (("a", 2.0), ("b", 3.0))],
        "sprays": [key | {"gun_id": "g", "product_id": "p", "role": "clear", "coats": 2}],
        "cup_feeds": [], "pours": [],
    }  # fmt: skip
    part = {name: pl.DataFrame(given, schema=validate.empty(name).schema) for name, given in rows.items()}
    known = mixing.past([part])
    assert known.paint.row(0) == ("s", "p", pytest.approx(0.45), pytest.approx(1.1), None)  # no price is on record
    assert known.flush.rows() == [("g", 5.0)]
    assert known.met.rows() == [("s", "p", "g", "clear", 2.0)]


def test_too_few_operations_teach_nothing():
    assert mixing.learn(drawn_uses(np.random.default_rng(3), n=5)) is None


@pytest.mark.parametrize(("q", "expected"), [(0.5, 3.0), (0.75, 4.5), (0.1, 1.0 - 0.4 + 0.0)])
def test_the_quantile_of_a_next_value_by_hand(q: float, expected: float):
    """Five values 1..5: k = q (n + 1) = 3, 4.5 -> 3, 4.5; below the first it goes on at the same slope."""
    assert mixing._quantile(np.array([1.0, 2, 3, 4, 5]), q) == pytest.approx(expected)


def test_the_setting_of_a_role_wins_and_others_keep_their_default():
    q = Settings.model_validate({"guide": {"mix_quantile": {"clear": 0.9}}}).guide.mix_quantile
    assert q["clear"] == 0.9 and q["base"] == 0.98 and q["surfacer"] == 0.90


def guide_row(**more: Any) -> dict[str, Any]:
    return {
        "shop_id": "s", "product_id": "clear_hs", "gun_id": "g1", "area_class": "1.5_to_4", "as_sprayed_ml_per_m2": 180.0,
        "advised_ml_per_m2": 250.0, "quantile": 0.98, "mid_window_ml_per_m2": 200.0, "flush_ml": 7.0, "n": 12, "role": "clear",
        "coats": 2.0, "coats_max": 2, "min_mix_ml": 100.0, "n_product": 80, "spread": 0.2,
    } | more  # fmt: skip


def guide(*rows: dict[str, Any]) -> pl.DataFrame:
    base = [guide_row(area_class=a) for a in AREA_CLASSES]
    return pl.concat([validate.empty("mix_guide"), pl.DataFrame([*base, *rows])], how="diagonal")


def test_the_answer_by_hand():
    a = mix_answer.advise(guide(), "clear_hs", "g1", 2.3)
    assert a.mix_ml == math.ceil(2.3 * 250 + 7) == 582
    assert a.usual_ml == pytest.approx(2.3 * 180 + 7) and a.mid_window_ml == pytest.approx(2.3 * 200 + 7)
    assert (a.area_class, a.quantile) == ("1.5_to_4", 0.98)
    assert any("isocyanates" in note for note in a.notes)


def test_coats_scale_the_film_and_not_the_flush_and_the_sheet_is_heeded():
    a = mix_answer.advise(guide(), "clear_hs", "g1", 2.0, coats=3)
    assert a.mix_ml == math.ceil(2.0 * 250 * 1.5 + 7)
    assert any("at most 2 coats" in note for note in a.notes)


def test_a_small_area_is_mixed_at_the_sheets_least():
    a = mix_answer.advise(guide(), "clear_hs", "g1", 0.2)
    assert a.mix_ml == 100 and any("least mix" in note for note in a.notes)


@pytest.mark.parametrize(
    ("area", "name"), [(0.49, "under_0.5"), (0.5, "0.5_to_1.5"), (1.5, "1.5_to_4"), (4.0, "over_4")]
)
def test_classes_begin_at_their_lower_limit(area: float, name: str):
    assert area_class(area) == name


@pytest.mark.parametrize(
    ("asked", "words"),
    [
        (("clear_h", "g1", 2.0), "did you mean clear_hs"),
        (("clear_hs", "g9", 2.0), "Guns that sprayed it: g1"),
        (("clear_hs", "g1", 0.0), "above 0 m2"),
        (("clear_hs", "g1", float("nan")), "above 0 m2"),
        (("clear_hs", "g1", 90.0), "square feet"),
        (("clear_hs", "g1", 2.0, 0), "Coats must be 1"),
        (("clear_hs", "g1", 2.0, None, "north"), "No shop 'north'"),
    ],
)
def test_questions_without_an_answer_say_what_there_is(asked: tuple[Any, ...], words: str):
    with pytest.raises(mix_answer.MixError, match=words):
        mix_answer.advise(guide(), *asked)


def test_a_gun_of_two_shops_needs_the_shop():
    two = guide(*(guide_row(shop_id="other", area_class=a) for a in AREA_CLASSES))
    with pytest.raises(mix_answer.MixError, match="say which with --shop"):
        mix_answer.advise(two, "clear_hs", "g1", 2.0)
    assert mix_answer.advise(two, "clear_hs", "g1", 2.0, shop="other").shop_id == "other"


def test_no_guide_says_what_to_weigh():
    with pytest.raises(mix_answer.MixError, match="Weigh back"):
        mix_answer.advise(guide().clear(), "clear_hs", "g1", 2.0)


#: mL per m2 enough in 50 ... 98 of 100 jobs
ENOUGH = dict(zip(MIX_LEVELS, (170.0, 190.0, 205.0, 230.0, 255.0, 300.0), strict=True))


def priced(**more: Any) -> pl.DataFrame:
    levels = {f"at_{n}_ml_per_m2": use for n, use in ENOUGH.items()}
    row = guide_row(product="High solids clear", price_per_ml=0.03, second_cup_cost=15.0, **levels) | more
    return pl.concat([validate.empty("mix_guide"), pl.DataFrame([row])], how="diagonal")


def drawn_needs(area: float, flush: float, n: int = 400_000) -> np.ndarray:
    """mL that jobs need, drawn by turning the stated levels upside down: straight lines between them, an exponential law beyond
    the last, anything below the first that gives the mean."""
    u = np.random.default_rng(9).uniform(size=n)
    levels, use = np.array(MIX_LEVELS) / 100, np.array(list(ENOUGH.values()))
    tail = (use[-1] - use[-2]) / math.log((1 - levels[-2]) / (1 - levels[-1]))
    high = np.where(u > levels[-1], use[-1] - tail * np.log((1 - u) / (1 - levels[-1])), np.interp(u, levels, use))
    below = u < levels[0]
    high[below] = (180.0 * n - high[~below].sum()) / below.sum()  # the row's mean
    return np.asarray(area * high + flush)


def test_what_a_level_costs_is_what_drawn_jobs_cost():
    """No outside source: 400 000 jobs drawn from the stated levels, each mixed, run short and left over one by one."""
    told = mix_answer.advise(priced(), "clear_hs", "g1", 2.0)
    need = drawn_needs(2.0, 7.0)
    assert [c["enough_in"] for c in told.choices] == list(MIX_LEVELS)
    for c in told.choices:
        mixed = 2.0 * ENOUGH[int(c["enough_in"])] + 7.0
        short = need > mixed
        again = np.where(short, 15.0 + 7.0 * 0.03, 0.0).mean()
        spare = max(short.mean() * 100.0 - np.maximum(need - mixed, 0).mean(), 0.0) * 0.03  # the second cup's least mix
        assert c["cost_left"] == pytest.approx(np.maximum(mixed - need, 0).mean() * 0.03, rel=0.02, abs=0.01)
        assert c["cost_short"] == pytest.approx(again + spare, rel=0.03)
    sums = [c["cost_short"] + c["cost_left"] for c in told.choices]
    best = told.choices[sums.index(min(sums))]
    assert told.mix_ml == best["mix_ml"] and told.quantile == best["enough_in"] / 100


def test_the_dearer_an_hour_the_rarer_a_mix_is_meant_to_run_short():
    asked = [mix_answer.advise(priced(second_cup_cost=c), "clear_hs", "g1", 2.0).quantile for c in (1.0, 15.0, 400.0)]
    assert asked == sorted(asked) and asked[0] < asked[2]
    for unknown in ("second_cup_cost", "price_per_ml"):
        told = mix_answer.advise(priced(**{unknown: None}), "clear_hs", "g1", 2.0)
        assert told.quantile == 0.98 and told.choices == () and told.mix_ml == 507  # the setting's level


def test_the_name_that_pages_show_is_understood():
    assert mix_answer.advise(priced(), " high solids Clear", "g1", 2.0) == mix_answer.advise(
        priced(), "clear_hs", "g1", 2.0
    )
    with pytest.raises(mix_answer.MixError, match="did you mean High solids clear"):
        mix_answer.advise(priced(), "High solid clear", "g1", 2.0)
    both = pl.concat([priced(), priced(product_id="clear_old")])
    with pytest.raises(mix_answer.MixError, match="is the name of clear_hs, clear_old: say which"):
        mix_answer.advise(both, "High solids clear", "g1", 2.0)


def test_the_parts_of_a_product_are_those_of_its_cups_by_volume():
    mixes = pl.DataFrame(
        {"shop_id": "a", "mix_id": ["1", "2", "3"], "product_id": "clear", "complete": [True, True, False]}
    )
    rows = [("1", "binder", 200.0), ("1", "hardener", 100.0), ("2", "binder", 300.0), ("2", "hardener", 140.0),
            ("2", "reducer", 60.0), ("3", "binder", 900.0)]  # fmt: skip
    cups = pl.DataFrame(rows, schema=["mix_id", "component_id", "own_ml"], orient="row").with_columns(
        shop_id=pl.lit("a")
    )
    told = mixing.mix_parts([{"mixes": mixes, "cup_figures": cups}]).sort("component_id")
    assert dict(told.select("component_id", "share").iter_rows()) == pytest.approx(
        {"binder": 500 / 800, "hardener": 240 / 800, "reducer": 60 / 800}
    )
    assert told["n"].to_list() == [2, 2, 1] and told["n_cups"].to_list() == [2, 2, 2]


def weighed(taken: list[float], density: float = 1.25, **more: Any) -> pl.DataFrame:
    """Cups of one product, 500 mL mixed in each, of which so many mL were taken."""
    n = len(taken)
    return pl.DataFrame(
        {
            "shop_id": ["a"] * n, "mix_id": [f"m{i:02d}" for i in range(n)], "product_id": ["clear_one"] * n,
            "poured_g": [500 * density] * n, "poured_on_g": [0.0] * n, "leftover_g": [(500 - t) * density for t in taken],
            "leftover_known": [True] * n, "complete": [True] * n, "density_g_per_ml": [density] * n,
        }
        | more
    )  # fmt: skip


def a_product(least: float | None = None, role: str = "surfacer") -> pl.DataFrame:
    return pl.DataFrame(
        dict(product_id=["clear_one"], label=["Clear one"], valid_from=[None], role=[role], min_mix_ml=[least]),
        schema_overrides={"valid_from": pl.Date, "min_mix_ml": pl.Float64},
    )


def test_cups_alone_advise_what_enough_of_them_took():
    """Nineteen cups: the quantile .9 of a next one is the 18th of them (k = .9 x 20), a little wider for the mean."""
    taken = [200 + 10 * i for i in range(19)]
    row = mixing.cup_guide([weighed(taken)], a_product(), Settings()).row(0, named=True)
    logs = np.log(taken)
    assert row["quantile"] == 0.9
    wanted = math.exp(logs.mean() + (logs[17] - logs.mean()) * math.sqrt(1 + 1 / 19))
    assert row["advised_ml"] == pytest.approx(wanted, rel=1e-12)
    assert row["low"] < row["advised_ml"] < row["high"] and row["n"] == 19 and row["grade"] == "B"
    assert row["taken_ml"] == pytest.approx(np.mean(taken)) and row["left_ml"] == pytest.approx(500 - np.mean(taken))
    assert row["n_short"] == sum(t > wanted for t in taken) == 1
    assert row["would_leave_ml"] == pytest.approx(np.mean([max(wanted - t, 0) for t in taken]))
    assert mixing.cup_guide([weighed(taken)], a_product(least=450.0), Settings())["advised_ml"].to_list() == [450.0]


def test_cups_that_tell_nothing_are_left_out_and_few_advise_nothing():
    taken = [200.0 + i for i in range(9)]
    whole = mixing.cup_guide([weighed(taken)], a_product(), Settings())
    unknown = weighed([250.0, 260.0, 0.0], leftover_known=[False, True, True], complete=[True, False, True])
    unknown = unknown.with_columns(mix_id=pl.concat_str(pl.lit("x"), "mix_id"))
    assert mixing.cup_guide([weighed(taken), unknown], a_product(), Settings()).equals(whole)
    assert mixing.cup_guide([weighed(taken[:7])], a_product(), Settings()).is_empty()
    assert mixing.cup_guide([weighed(taken).clear()], a_product(), Settings()).is_empty()
    assert mixing.cup_guide([weighed(taken)[::-1]], a_product(), Settings()).equals(whole)


def test_cups_advise_enough_as_often_as_promised():
    """A next cup is held as often as is meant, from few cups on: 40 cups, 400 shops drawn."""
    rng = np.random.default_rng(3)
    held, inside = [], []
    true = math.exp(5.5 + 0.3 * 1.2815515655446004)
    for _ in range(400):
        row = mixing.cup_guide(
            [weighed(list(np.minimum(rng.lognormal(5.5, 0.3, 40), 499.0)))], a_product(), Settings()
        ).row(0, named=True)
        held.append(float(np.mean(rng.lognormal(5.5, 0.3, 200) <= row["advised_ml"])))
        inside.append(row["low"] <= true <= row["high"])
    assert np.mean(held) == pytest.approx(0.9, abs=0.01)
    assert np.mean(inside) >= 0.9
