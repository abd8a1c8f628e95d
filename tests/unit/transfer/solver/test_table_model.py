"""A mixed model over a plain table: levels, blocks, confusion, slopes."""

from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from pipelines.transfer.solver.table_model import Fitted, Term, by_themselves


def two_way(
    rng: np.random.Generator, own: float, n: int = 4000
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Hands 0-7 with guns 0-7 in two shops; each takes the own gun with probability `own`."""
    hand = rng.integers(0, 8, n)
    gun = np.where(rng.random(n) < own, hand, hand // 4 * 4 + rng.integers(0, 4, n))
    true = rng.normal(0, 0.1, 8)
    true -= np.repeat(true.reshape(2, 4).mean(axis=1), 4)
    y = 0.3 + true[hand] + rng.normal(0, 0.1, n)
    return hand, gun, true, y, np.ones(n)


def fit(hand: np.ndarray, gun: np.ndarray, y: np.ndarray, one: np.ndarray) -> Fitted:
    return Fitted(
        [
            Term("all", np.full(len(y), "all"), prior=(0.0, 1.0)),
            Term("hand", np.char.add("h", hand.astype(str)), scale=0.15, local=True),
            Term("gun", np.char.add("g", gun.astype(str)), scale=0.15, local=True),
        ],
        y, 0 * one, one, 0.2,
    )  # fmt: skip


def test_effects_are_found_where_guns_are_shared():
    hand, gun, true, y, one = two_way(np.random.default_rng(1), own=0.5)
    levels, u, var = fit(hand, gun, y, one).effects("hand")
    assert levels == [f"h{i}" for i in range(8)]
    assert np.abs(u - true).max() < 0.03
    assert (np.abs(u - true) / np.sqrt(var)).max() < 3


def test_a_hand_with_a_gun_of_its_own_is_more_confused_with_it_than_one_that_shares():
    rng = np.random.default_rng(2)
    hand, gun, _, y, one = two_way(rng, own=1.0)
    alone = fit(hand, gun, y + rng.normal(0, 0.1, 8)[gun], one)
    hand, gun, _, y, one = two_way(rng, own=0.4)
    shared = fit(hand, gun, y + rng.normal(0, 0.1, 8)[gun], one)
    rows = [[("hand", "h1", 1.0)]]
    assert alone.vif(rows, "gun")[0] > 1.5 * shared.vif(rows, "gun")[0]


def test_who_shares_no_gun_with_anybody_is_by_themselves():
    hands = pl.Series(["a", "a", "b", "b", "c", "d", ""])
    guns = pl.Series(["g1", "g2", "g3", "g4", "g4", "", "g5"])
    # a has two guns that nobody else takes; b shares g4 with c; c shares it too; d named no gun
    assert by_themselves(hands, guns) == {"a"}


def test_a_balanced_one_way_table_gives_the_textbook_variance():
    """sd^2 between = (MSB - MSW)/n of a balanced one-way layout (Searle, Casella and McCulloch 1992, chapter 3)."""
    rng = np.random.default_rng(3)
    groups, n = 60, 20
    y = np.repeat(rng.normal(0, 0.2, groups), n) + rng.normal(0, 0.1, groups * n)
    table = y.reshape(groups, n)
    between = n * table.mean(axis=1).var(ddof=1)
    within = table.var(axis=1, ddof=1).mean()
    one = np.ones(len(y))
    found = Fitted(
        [Term("all", np.full(len(y), "x")), Term("group", np.repeat(np.arange(groups), n).astype(str), scale=10.0)],
        y, 0 * one, one, 10.0,
    )  # fmt: skip
    # the half-normal priors are made wide; what they leave is their pull of one observation
    assert np.exp(found.fit.best.log_sd[0]) == pytest.approx(np.sqrt((between - within) / n), rel=0.03)
    assert np.exp(found.fit.best.log_sd[1]) == pytest.approx(np.sqrt(within), rel=0.01)


def test_a_slope_is_found_and_a_level_never_seen_is_nothing():
    rng = np.random.default_rng(4)
    x, one = rng.random(400), np.ones(400)
    which = rng.integers(0, 2, 400)
    y = np.array([0.1, -0.2])[which] + np.array([0.5, -0.3])[which] * x + rng.normal(0, 0.05, 400)
    level = which.astype(str)
    found = Fitted(
        [Term("level", level, scale=0.3, local=True), Term("slope", level, value=x, prior=(0.0, 1.0), local=True)],
        y, 0 * one, one, 0.1,
    )  # fmt: skip
    mean, var = found.predict([[("slope", "0", 1.0)], [("slope", "1", 1.0)], [("slope", "9", 1.0)]])
    assert mean[0] == pytest.approx(0.5, abs=4 * np.sqrt(var[0]))
    assert mean[1] == pytest.approx(-0.3, abs=4 * np.sqrt(var[1]))
    assert mean[2] == 0


def test_the_order_of_rows_moves_nothing_beyond_rounding():
    hand, gun, _, y, one = two_way(np.random.default_rng(5), own=0.6, n=500)
    order = np.random.default_rng(6).permutation(500)
    a = fit(hand, gun, y, one).effects("hand")
    b = fit(hand[order], gun[order], y[order], one).effects("hand")
    assert np.allclose(a[1], b[1], atol=1e-6)


def test_effects_that_never_met_are_told_together_as_if_nothing_had_been_cut_into_blocks():
    """Hands 0-3 and guns 0-3 are one shop's, the rest another's; asked is a hand of one with a gun of the other."""
    hand, gun, _, y, one = two_way(np.random.default_rng(7), own=0.5, n=400)
    asked = [
        [("all", "all", 1.0), ("hand", "h0", 1.0), ("gun", "g7", 1.0)],
        [("hand", "h6", 1.0), ("gun", "g1", -0.5)],
        [("hand", "h1", 1.0), ("gun", "g2", 1.0), ("gun", "g5", 1.0), ("hand", "h4", 2.0)],
        [("all", "all", 1.0), ("hand", "h3", 1.0), ("gun", "never", 1.0)],
    ]
    terms = [
        Term("all", np.full(len(y), "all"), prior=(0.0, 1.0)),
        Term("hand", np.char.add("h", hand.astype(str)), scale=0.15, local=True),
        Term("gun", np.char.add("g", gun.astype(str)), scale=0.15, local=True),
    ]
    cut = Fitted(terms, y, 0 * one, one, 0.2)
    whole = Fitted([replace(t, local=False) for t in terms], y, 0 * one, one, 0.2)
    assert cut.unknowns.block.max() == 1 and whole.unknowns.block.max() == -1
    for got, expected in zip(cut.predict(asked), whole.predict(asked), strict=True):
        assert got == pytest.approx(expected, rel=1e-7)
