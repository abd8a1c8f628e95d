"""Savings: each lever by hand, nothing counted twice, draws as the model says."""

import datetime as dt

import numpy as np
import polars as pl
import pytest

from pipelines.transfer.decisions import savings
from pipelines.transfer.decisions.habits import Habits
from pipelines.transfer.solver import mixed_model
from pipelines.transfer.solver.table_model import Fitted, Term


def shop(**more: object) -> savings.Shop:
    """Two hands, two guns; 100 sprayed by each hand with each gun (all measures alike), one repeat, 20 left over by each."""
    base: dict[str, object] = {
        "shop_id": "s", "technicians": ["a", "b"], "guns": ["g", "h"], "mixers": ["a", "b"],
        "technician": np.array([0, 0, 1, 1]), "gun": np.array([0, 1, 0, 1]),
        "repeated": np.array([False, False, False, True]), "sprayed": np.full((4, 3), 100.0), "flush": np.full((4, 3), 5.0),
        "over": np.array([0.1, 0.0, 0.0, 0.2]), "leftover": np.full((2, 3), 20.0), "usual": 0.2,
        "repeat_jobs": np.array([100.0]), "roles": ["clear"] * 4,
    }  # fmt: skip
    return savings.Shop(**(base | more))  # type: ignore[arg-type]


def sure(*better: bool) -> savings.Half:
    """A half whose members are known."""
    at = np.array(better, float)
    return savings.Half(at / at.sum(), 1 - at, 0.0)


def levers(
    s: savings.Shop, hand: list[float], gun: list[float], new: float, left: list[float], **more: object
) -> tuple[np.ndarray, np.ndarray]:
    """One draw that is the estimate; a is the better half of hands and of mixers."""
    given: dict[str, object] = {
        "hand": np.array([hand]), "gun": np.array([gun]), "new_gun": np.array([new]), "event": np.array([0.1]),
        "left": np.array([left]), "left_mean": np.array(left), "own_left": np.full((1, len(left)), 0.05),
        "half": sure(True, False), "left_half": sure(True, False),
    }  # fmt: skip
    effects = savings.Effects(**(given | more))  # type: ignore[arg-type]
    first, guns = savings.levers(s, effects, np.ones((1, len(set(s.roles)))), np.ones(1))
    return first[0, :, 2], guns[0, :, 2]


def test_every_lever_by_hand():
    s = shop()
    u = np.log(0.8)  # b lands four fifths of what a lands
    first, guns = levers(s, [0.0, u], [0.0, 0.0], 0.1, [0.0, 0.2])
    # leftover: b leaves .4 where the better half leaves .2: half of 20
    assert first[0] == pytest.approx(10.0)
    # transfer: of b's 200, a fifth
    assert first[1] == pytest.approx(40.0)
    # over-build at the better transfer: 10 of a's 100, 20 % of b's remaining 80
    assert first[2] == pytest.approx(10.0 + 16.0)
    # repeats: what is left of b's second cell, 80 x .8, and its flush loss
    assert first[3] == pytest.approx(64.0 + 5.0)
    # a gun 10 % better in log TE: of gun g 90 + 80, of gun h 100 (the repeat is gone)
    gain = 1 - np.exp(-0.1)
    assert guns.tolist() == pytest.approx([170 * gain, 100 * gain])


def test_a_draw_in_which_the_others_lead_saves_less_than_nothing():
    """b was to rise to a and is better in this draw; it leaves less too. Else nothing could ever be no saving."""
    first, _ = levers(shop(), [0.0, np.log(1.25)], [0.0, 0.0], 0.0, [0.0, -0.1])
    assert first[1] == pytest.approx(-50.0)  # b's 200 would become 250
    assert first[0] == pytest.approx(-20.0)  # b leaves .1 of 200; .2 would be 40


def test_one_hand_is_held_against_its_own_better_half():
    """Half of the jobs rise from the worse half's mean to the better's, 2 x .79788 sd of log TE apart."""
    one = savings.Half(np.array([1.0]), np.array([0.5]), 1.0)
    s = shop(
        technicians=["a"], mixers=["a"], technician=np.zeros(4, int), leftover=np.full((1, 3), 40.0), over=np.zeros(4)
    )
    first, _ = levers(s, [0.3], [0.0, 0.0], 0.0, [0.0], half=one, left_half=one)
    assert first[1] == pytest.approx(400 * (1 - np.exp(-2 * 0.797884561 * 0.1)) / 2)
    assert first[0] == pytest.approx(200 * 0.05)  # 40 left is a fifth of 200 poured


def test_nothing_is_counted_twice_even_if_all_levers_are_pulled():
    rng = np.random.default_rng(1)
    for _ in range(50):
        s = shop(over=rng.random(4), sprayed=rng.random((4, 3)) * 100)
        first, guns = levers(
            s, [0.0, -abs(rng.normal(0, 0.5))], rng.normal(0, 0.3, 2).tolist(), 0.2, [0.0, rng.random()]
        )
        poured = (s.sprayed + s.flush)[:, 2].sum() + s.leftover[:, 2].sum()
        assert (first >= 0).all()
        assert first.sum() + max(guns.max(), 0) <= poured


def test_equal_hands_save_nothing_by_transfer_and_a_worse_gun_costs():
    first, guns = levers(shop(), [0.0, 0.0], [0.0, 0.0], -0.1, [0.0, 0.0])
    assert first[0] == first[1] == 0
    assert (guns < 0).all()


def test_who_hardly_sprays_is_hardly_a_yardstick():
    """Of three hands the best does a thousandth of the work: 1/20 of what makes a full yardstick."""
    half = savings.better_half(np.array([0.0, -0.2, 0.5]), np.full(3, 1e-6), np.array([500.0, 499.0, 1.0]))
    assert half.weight == pytest.approx([1 - 0.05 / 1.025, 0, 0.05 / 1.025], abs=1e-9)


@pytest.mark.parametrize(
    ("values", "weight"),
    [([3.0, 1, 2, 4], [0.5, 0, 0, 0.5]), ([1.0, 2, 3], [0, 1 / 3, 2 / 3]), ([5.0, 4.0], [1, 0]), ([5.0], [1])],
)
def test_the_better_half_by_hand(values: list[float], weight: list[float]):
    """Where the estimates are sure: of three hands the middle one is half a member."""
    half = savings.better_half(np.array(values), np.full(len(values), 1e-6), np.ones(len(values)))
    assert half.weight == pytest.approx(weight, abs=1e-9)
    assert half.rises.sum() == pytest.approx(len(values) / 2)
    assert half.alone == (len(values) == 1)


def test_where_all_are_alike_everybody_is_half_a_member_whatever_the_order():
    half = savings.better_half(np.zeros(5), np.full(5, 0.03), np.array([9.0, 1, 4, 2, 7]))
    assert half.weight == pytest.approx(np.full(5, 0.2)) and half.rises == pytest.approx(np.full(5, 0.5))


def test_nothing_of_the_yardstick_jumps_when_two_hands_pass_each_other():
    """What moves in the last digit moves a saving in its last digit, a tie included."""
    sd, size = np.array([0.02, 0.03, 0.02, 0.05]), np.array([5.0, 1, 3, 2])
    hand = np.random.default_rng(0).normal(0, sd, (500, 4))

    def saved(estimate: np.ndarray) -> np.ndarray:
        half = savings.better_half(estimate, sd, size)
        return np.asarray((half.rises * (1 - np.exp(half.gap(hand + estimate)))) @ size)

    at = np.array([0.01, 0.01, -0.02, 0.0])
    for step in (1e-13, -1e-13):
        moved = saved(at + np.array([step, 0, 0, -step]))
        assert moved == pytest.approx(saved(at), abs=1e-11)


def test_a_root_follows_its_covariance_where_eigenvectors_would_turn():
    """Two equal variances, and one of nothing: 1e-15 more or less turns their eigenvectors by a right angle."""
    base = np.diag([0.01, 0.01, 0.04, 0.0])
    for at in ((0, 1), (0, 3), (1, 2)):
        nudge = np.zeros((4, 4))
        nudge[at] = nudge[at[::-1]] = 1e-15
        assert mixed_model.root(base + nudge) == pytest.approx(mixed_model.root(base), abs=1e-12)
    found = mixed_model.root(base[:3, :3])
    assert found @ found == pytest.approx(base[:3, :3], abs=1e-15) and (found == found.T).all()


def test_draws_have_the_mean_and_covariance_of_the_model():
    rng = np.random.default_rng(2)
    hand = rng.integers(0, 4, 300)
    y = rng.normal(0, 0.1, 4)[hand] + rng.normal(0, 0.2, 300)
    one = np.ones(300)
    fit = Fitted(
        [Term("all", np.full(300, "x"), prior=(0.0, 1.0)), Term("hand", hand.astype(str), scale=0.15, local=True)],
        y, 0 * one, one, 0.2,
    )  # fmt: skip
    rows = fit.rows([[("hand", str(k), 1.0)] for k in range(4)])
    drawn = fit.posterior.drawn(rows, 40_000, [2])
    mean, var = fit.predict([[("hand", str(k), 1.0)] for k in range(4)])
    assert drawn.mean(axis=0) == pytest.approx(mean, abs=0.003)
    assert drawn.var(axis=0) == pytest.approx(var, rel=0.06)
    assert np.corrcoef(drawn.T)[0, 1] > 0.02  # they share the common level


def test_what_two_calls_share_is_drawn_alike():
    """Hands of two shops, asked for shop by shop: their draws have the covariance of one dense inverse of the equations."""
    rng = np.random.default_rng(4)
    hand = rng.integers(0, 6, 400)
    place = np.where(hand < 3, "s", "t")
    y = rng.normal(0, 0.1, 6)[hand] + rng.normal(0, 0.2, 400)
    one = np.ones(400)
    terms = [
        Term("all", np.full(400, "x"), prior=(0.0, 0.3)),
        Term("place", place, scale=0.1, local=True),
        Term("hand", hand.astype(str), scale=0.15, local=True),
    ]
    fit = Fitted(terms, y, 0 * one, one, 0.2)
    parts = [[[("all", "x", 1.0), ("hand", str(k), 1.0)] for k in hands] for hands in ((0, 1, 2), (3, 4, 5))]
    drawn = np.hstack([fit.posterior.drawn(fit.rows(part), 40_000, [2]) for part in parts])
    matrix = np.vstack([fit.rows(part).matrix.toarray() for part in parts])
    wanted = np.zeros((6, 6))
    for p, share in zip(fit.posterior.points, fit.posterior.weight, strict=True):
        sd2 = np.exp(2 * p.log_sd)
        design, fixed = fit.design.toarray(), fit.unknowns.component < 0
        precision = np.where(fixed, 1 / 0.3**2, 1 / sd2[fit.unknowns.component])
        wanted += share * matrix @ np.linalg.inv(design.T @ design / sd2[-1] + np.diag(precision)) @ matrix.T
    moves = np.array([matrix @ p.theta for p in fit.posterior.points])
    moves = (moves - fit.posterior.weight @ moves) * np.sqrt(fit.posterior.weight)[:, None]
    assert np.cov(drawn.T) == pytest.approx(wanted + moves.T @ moves, abs=0.03 * wanted.max())
    assert wanted[0, 4] > 0.05 * wanted[0, 0]  # over shops they share what stands in the border


def test_films_without_an_error_are_summed_as_they_are_and_what_is_chance_in_each_shop_in_squares():
    """Two shops whose films were read without error: no uncertainty of stated solids moves what a gauge found, so the ends are the
    figure, and those of both together the sums of theirs. Repeats come by chance in each: the width of both is that of the squares."""
    day, films, ledger = dt.datetime(2025, 3, 3, 9), [], []
    for shop, film in (("a", 90.0), ("b", 120.0)):
        for n in range(8):
            key = {"shop_id": shop, "job_id": f"j{n}", "operation_no": 1}
            films.append(key | {"panel_id": "p", "face": "outer", "film_um": film, "held_um": film, "held_se_um": 0.0, "within_um": 9.0,
                                "film_max_um": 80.0, "covered_m2": 1.0, "over_ml": film - 80.0, "role": "clear", "source": "read"})  # fmt: skip
            row = key | dict(mix_id=f"m{n}", month="2025-03", role="clear", technician_id="t", gun_id="g", rework=n < 4)
            ledger.append(row | {f"{part}_{see}": grams for see in ("solids_g", "voc_g", "cost")
                                 for part, grams in (("poured", 220.0), ("overspray", 100.0), ("useful", 100.0), ("over_build", 10.0),
                                                     ("flush_loss", 10.0), ("leftover", 0.0))})  # fmt: skip
    cups = pl.DataFrame([{k: row[k] for k in ("shop_id", "mix_id")} | {"first_poured_at": day} for row in ledger])
    tables = {
        "film_build": pl.DataFrame(films), "material_ledger": pl.DataFrame(ledger), "mixes": cups,
        "jobs": cups.select("shop_id", job_id="mix_id", opened_on=pl.col("first_poured_at").dt.date()),
        "pours": cups.select("shop_id", "mix_id", pour_no=1, technician_id=pl.lit(None, pl.String)),
    }  # fmt: skip
    guns = pl.DataFrame(schema={"gun_id": pl.String, "shop_id": pl.String, "atomising": pl.String, "price": pl.Float64})
    nobody = Habits(pl.DataFrame(), pl.DataFrame(), None)
    found, basis = savings.savings([tables], guns, pl.DataFrame(), None, nobody, {})
    rows = {(r["shop_id"], r["lever"]): r for r in found.iter_rows(named=True)}
    ends = ("per_year_solids_kg_low", "per_year_solids_kg", "per_year_solids_kg_high")
    film, again = (
        {shop: [rows[shop, lever][e] for e in ends] for shop in ("a", "b", "all")} for lever in ("over_build", "rework")
    )
    assert film["all"] == pytest.approx([a + b for a, b in zip(film["a"], film["b"], strict=True)], rel=1e-9)
    assert film["all"] == pytest.approx([film["all"][1]] * 3, rel=1e-12) and film["all"][1] > 0
    width = {shop: ends[2] - ends[0] for shop, ends in again.items()}
    assert width["all"] == pytest.approx(np.hypot(width["a"], width["b"]), rel=0.05)
    assert basis["shop_id"].to_list() == ["a", "b", "all"]
    assert basis["saved_solids_kg"][2] == pytest.approx(film["all"][1] + again["all"][1], rel=1e-9)


def test_repeats_have_the_spread_of_a_compound_poisson_total():
    sizes = np.array([10.0, 20, 30, 40])
    factor = savings.repeat_factors(sizes, 200_000, np.random.default_rng(3))
    assert factor.mean() == pytest.approx(1 + 0.5 * 25 / 100, abs=0.01)
    assert factor.var() == pytest.approx((np.sum(sizes**2) + 0.5 * 25**2) / 100**2, rel=0.03)
    assert (savings.repeat_factors(np.zeros(0), 5, np.random.default_rng(4)) == 1).all()
