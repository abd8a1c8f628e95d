"""Savings: each lever by hand, nothing counted twice, draws as the model says."""

import numpy as np
import pytest

from pipelines.transfer import savings
from pipelines.transfer.terms import Fitted, Term


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


def levers(
    s: savings.Shop, hand: list[float], gun: list[float], new: float, left: list[float]
) -> tuple[np.ndarray, np.ndarray]:
    first, guns = savings.levers(
        s,
        np.array([hand]),
        np.array([gun]),
        np.array([new]),
        np.array([left]),
        np.ones((1, len(set(s.roles)))),
        np.ones(1),
    )
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


def test_nothing_is_counted_twice_even_if_all_levers_are_pulled():
    rng = np.random.default_rng(1)
    for _ in range(50):
        s = shop(over=rng.random(4), sprayed=rng.random((4, 3)) * 100)
        first, guns = levers(
            s, rng.normal(0, 0.5, 2).tolist(), rng.normal(0, 0.3, 2).tolist(), 0.2, rng.random(2).tolist()
        )
        poured = (s.sprayed + s.flush)[:, 2].sum() + s.leftover[:, 2].sum()
        assert (first >= 0).all()
        assert first.sum() + max(guns.max(), 0) <= poured


def test_equal_hands_save_nothing_by_transfer_and_a_worse_gun_costs():
    first, guns = levers(shop(), [0.0, 0.0], [0.0, 0.0], -0.1, [0.0, 0.0])
    assert first[0] == first[1] == 0
    assert (guns < 0).all()


def test_who_hardly_sprays_is_no_yardstick():
    s = shop(sprayed=np.array([[100.0] * 3, [100] * 3, [1] * 3, [1] * 3]))
    assert levers(s, [0.0, 0.5], [0.0, 0.0], 0.0, [0.0, 0.0])[0][1] == 0


@pytest.mark.parametrize(("values", "mean"), [([1.0, 2, 3], 2.5), ([1.0, 2, 3, 4], 3.5), ([5.0], 5.0)])
def test_the_better_half_by_hand(values: list[float], mean: float):
    assert savings.better_half(np.array([values]))[0] == pytest.approx(mean)


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
    drawn = savings.joint_draws(fit.posterior.points, rows, 40_000, rng)
    mean, var = fit.predict([[("hand", str(k), 1.0)] for k in range(4)])
    assert drawn.mean(axis=0) == pytest.approx(mean, abs=0.003)
    assert drawn.var(axis=0) == pytest.approx(var, rel=0.06)
    assert np.corrcoef(drawn.T)[0, 1] > 0.02  # they share the common level


def test_repeats_have_the_spread_of_a_compound_poisson_total():
    sizes = np.array([10.0, 20, 30, 40])
    factor = savings.repeat_factors(sizes, 200_000, np.random.default_rng(3))
    assert factor.mean() == pytest.approx(1 + 0.5 * 25 / 100, abs=0.01)
    assert factor.var() == pytest.approx((np.sum(sizes**2) + 0.5 * 25**2) / 100**2, rel=0.03)
    assert (savings.repeat_factors(np.zeros(0), 5, np.random.default_rng(4)) == 1).all()


def test_transfer_efficiencies_outside_their_range_are_refused():
    with pytest.raises(ValueError, match="above 0 and up to 1"):
        savings.film_saving(1.0, 0.0, 0.7)
