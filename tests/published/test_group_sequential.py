"""Boundaries of looks, the chance of crossing them and what looking costs, against published figures.

READ: SAS/STAT User's Guide, The SEQDESIGN Procedure, example "Creating Two-Sided Pocock and O'Brien-Fleming Designs" (four looks,
two-sided .05, power .90: information and average sample numbers as per cent of the fixed design's);
README and tests of SeqBounds.jl (Lan-DeMets spending, worked output); manual of the R package gsDesign, page sfLDOF (the spending
formulas). Of the last decimals READ there: four hold, the fifth is that package's coarse grid.
MEMORY: Jennison and Turnbull (2000), Group Sequential Methods, tables 2.1, 2.2, 2.3 and 2.4 (Pocock 1977, O'Brien and Fleming 1979), and the
boundaries of Reboussin, DeMets, Kim and Lan (2000), Controlled Clinical Trials 21, 190, for five equal looks.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.special import ndtri

from pipelines.transfer.solver import sequential

ALPHA = 0.05
Shape = Callable[[float, np.ndarray], np.ndarray]
POCOCK: Shape = lambda c, t: np.full(len(t), c)  # noqa: E731
O_BRIEN_FLEMING: Shape = lambda c, t: c / np.sqrt(t)  # noqa: E731


def equal(looks: int) -> np.ndarray:
    return np.arange(1, looks + 1) / looks


def size(fractions: np.ndarray, bounds: np.ndarray) -> float:
    return float(np.sum(sequential.crossing(fractions, bounds, 0.0)))


def constant(shape: Shape, looks: int) -> float:
    """The constant of a boundary of this shape that keeps 5 % over all looks."""
    t = equal(looks)
    return float(brentq(lambda c: size(t, shape(c, t)) - ALPHA, 1.5, 4.0))


def inflation(shape: Shape, looks: int, power: float) -> float:
    """The whole information over that of the design with one look and the same errors."""
    bounds = shape(constant(shape, looks), equal(looks))
    return (sequential.drift_for(equal(looks), bounds, power) / (ndtri(1 - ALPHA / 2) + ndtri(power))) ** 2


@pytest.mark.parametrize(
    ("looks", "pocock", "o_brien_fleming"), [(2, 2.178, 1.977), (3, 2.289, 2.004), (4, 2.361, 2.024), (5, 2.413, 2.040)]
)
def test_constants_of_both_classic_boundaries(looks: int, pocock: float, o_brien_fleming: float) -> None:
    assert constant(POCOCK, looks) == pytest.approx(pocock, abs=5e-4)
    assert constant(O_BRIEN_FLEMING, looks) == pytest.approx(o_brien_fleming, abs=5e-4)


@pytest.mark.parametrize(
    ("looks", "power", "pocock", "o_brien_fleming"),
    [(2, 0.8, 1.110, 1.008), (3, 0.8, 1.166, 1.017), (5, 0.8, 1.229, 1.028), (2, 0.9, 1.100, 1.007), (4, 0.9, 1.183, 1.022), (5, 0.9, 1.207, 1.026)],
)  # fmt: skip
def test_what_looking_costs_in_information(looks: int, power: float, pocock: float, o_brien_fleming: float) -> None:
    assert inflation(POCOCK, looks, power) == pytest.approx(pocock, abs=6e-4)
    assert inflation(O_BRIEN_FLEMING, looks, power) == pytest.approx(o_brien_fleming, abs=6e-4)


def test_average_sample_numbers_of_the_worked_example() -> None:
    t, c = equal(4), constant(POCOCK, 4)
    bounds = POCOCK(c, t)
    whole = inflation(POCOCK, 4, 0.9)
    drift = sequential.drift_for(t, bounds, 0.9)
    assert 100 * whole == pytest.approx(118.3143, abs=5e-4)
    assert 100 * whole * sequential.expected_fraction(t, bounds, 0.0) == pytest.approx(115.6074, abs=5e-4)
    assert 100 * whole * sequential.expected_fraction(t, bounds, drift) == pytest.approx(69.74805, abs=5e-5)
    # the same example's absolute information: reference .4 on either side
    assert (drift / 0.4) ** 2 == pytest.approx(77.69844, abs=5e-4)


def test_spending_of_o_brien_flemings_type() -> None:
    # READ (one-sided .05, which is one side of a two-sided .10)
    t = np.array([0.25, 0.5, 0.75, 1.0])
    assert sequential.spent(t, 0.10) / 2 == pytest.approx([8.85754e-5, 0.0055746, 0.0236251, 0.05], rel=1e-5)
    assert sequential.boundaries(t, 0.10) == pytest.approx([3.74955, 2.53993, 2.01604, 1.72014], abs=5e-5)
    assert sequential.boundaries(equal(5), 0.10)[-1] == pytest.approx(1.73966, abs=1e-4)
    # MEMORY
    assert sequential.boundaries(equal(5), ALPHA) == pytest.approx([4.8769, 3.3569, 2.6803, 2.2898, 2.0310], abs=1.5e-4)
    assert sequential.boundaries(equal(3), ALPHA) == pytest.approx([3.7103, 2.5114, 1.9930], abs=1e-4)


def test_spending_of_pococks_type() -> None:
    # READ: alpha ln(1 + (e - 1) t), two-sided .05, five equal looks: the last boundary
    found = sequential.boundaries(equal(5), ALPHA, lambda t, alpha: alpha * np.log(1 + (np.e - 1) * t))
    assert found[-1] == pytest.approx(2.38591, abs=1e-4)


def test_looking_five_times_at_1_96_calls_a_difference_in_14_of_100() -> None:
    # Armitage, McPherson and Rowe (1969), table 2: .142 (MEMORY; READ in secondary sources)
    assert size(equal(5), np.full(5, ndtri(0.975))) == pytest.approx(0.142, abs=5e-4)


def test_one_look_is_the_fixed_design() -> None:
    bounds = sequential.boundaries([1.0], ALPHA)
    assert bounds == pytest.approx([ndtri(0.975)], abs=1e-9)
    assert sequential.drift_for([1.0], bounds, 0.8) == pytest.approx(ndtri(0.975) + ndtri(0.8), abs=1e-6)
