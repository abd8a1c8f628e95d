"""Looks at a comparison: what holds whatever the numbers, and error rates by drawing."""

from __future__ import annotations

import numpy as np
import pytest

from pipelines.transfer.solver import sequential

UNEVEN = [0.2, 0.55, 0.7, 1.0]


def paths(drift: float, n: int, seed: int, fractions: list[float]) -> np.ndarray:
    """z at the looks, drawn step by step: shares nothing with the integration."""
    t = np.array(fractions)
    step = np.diff(t, prepend=0.0)
    rng = np.random.default_rng(seed)
    moved = drift * step + np.sqrt(step) * rng.standard_normal((n, len(t)))
    return moved.cumsum(axis=1) / np.sqrt(t)


@pytest.mark.parametrize("drift", [0.0, 2.8])
def test_chances_look_by_look_are_those_of_drawn_paths(drift: float) -> None:
    bounds, n = sequential.boundaries(UNEVEN, 0.05), 200_000
    z = paths(drift, n, 7, UNEVEN)
    hit = np.abs(z) >= bounds
    first = np.where(hit.any(axis=1), hit.argmax(axis=1), -1)
    above, below = sequential.crossing(UNEVEN, bounds, drift)
    for k in range(len(UNEVEN)):
        for chance, share in (
            (above[k], ((first == k) & (z[:, k] > 0)).mean()),
            (below[k], ((first == k) & (z[:, k] < 0)).mean()),
        ):
            assert abs(share - chance) < 4 * np.sqrt(max(chance, 1e-5) / n)
    total = above.sum() + below.sum()
    assert total == pytest.approx(0.05, abs=1e-9) if drift == 0 else total > 0.75


def test_each_look_spends_what_it_may() -> None:
    above, below = sequential.crossing(UNEVEN, sequential.boundaries(UNEVEN, 0.05), 0.0)
    assert (above + below).cumsum() == pytest.approx(sequential.spent(np.array(UNEVEN), 0.05), abs=1e-10)
    assert above == pytest.approx(below, abs=1e-12)


def test_a_look_that_comes_very_early_cannot_end_it() -> None:
    assert sequential.boundaries([0.01, 1.0], 0.05)[0] == sequential.FARTHEST
    assert sequential.boundaries([0.01, 1.0], 0.05)[1] == pytest.approx(1.95996, abs=1e-5)


def test_the_drift_asked_for_has_the_power_asked_for() -> None:
    bounds = sequential.boundaries(UNEVEN, 0.05)
    assert sequential.power(UNEVEN, bounds, sequential.drift_for(UNEVEN, bounds, 0.8)) == pytest.approx(0.8, abs=1e-8)
    assert sequential.expected_fraction(UNEVEN, bounds, 8.0) < sequential.expected_fraction(UNEVEN, bounds, 0.0) < 1.0


@pytest.mark.parametrize("wrong", [[], [0.0, 1.0], [0.5, 0.5], [0.5, 1.1]])
def test_looks_out_of_order_are_told(wrong: list[float]) -> None:
    with pytest.raises(ValueError, match="rising parts"):
        sequential.boundaries(wrong, 0.05)
