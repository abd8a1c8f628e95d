"""Fieller's interval against a textbook's worked example.

Efron and Tibshirani (1993), An Introduction to the Bootstrap, chapter 25: eight subjects, hormone patches; y = new - old,
z = old - placebo, theta = mean y / mean z = -.0713, 90 % Fieller interval [-.249, .170]. Figures and data from MEMORY; the
data are also the set `patch` of the R package bootstrap, and its own page names the book.
"""

import numpy as np
import pytest

from pipelines.transfer.model.direct import fieller

Z = np.array([8406.0, 2342.0, 8187.0, 8459.0, 4795.0, 3516.0, 4796.0, 10238.0])
Y = np.array([-1200.0, 2601.0, -2705.0, 1982.0, -1290.0, 351.0, -638.0, -2719.0])


def test_fieller_gives_the_interval_of_the_bioequivalence_example():
    ratio, low, high = fieller(Y, Z, level=0.90)
    assert ratio == pytest.approx(-0.0713, abs=5e-5)
    assert low == pytest.approx(-0.249, abs=5e-4)
    assert high == pytest.approx(0.170, abs=5e-4)
