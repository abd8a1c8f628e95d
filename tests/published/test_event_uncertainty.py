"""Uncertainty of one operation's transfer: propagation and Monte Carlo against published rules and exact distributions.

JCGM 101:2008, Evaluation of measurement data, Supplement 1 (propagation of distributions using a Monte Carlo method): clause
7.9.2 examples 1 and 2 (numerical tolerance of a mass standard of 100.021 47 g with u = 0.000 35 g: 0.000 05 g at one digit),
clause 8.1 (both ends within it). Figures of the examples from MEMORY. JCGM 100:2008, 5.1.6: relative uncertainties of a
quotient add in squares.
Geary 1930, J. R. Stat. Soc. 93, 442, and Hinkley 1969, Biometrika 56, 635: the quotient of two independent normal
quantities whose divisor is never near 0 has P(X/Y <= t) = Phi((t m_y - m_x) / sqrt(s_x^2 + t^2 s_y^2)).
"""

import numpy as np
import pytest
from scipy import integrate, optimize, stats

from pipelines.transfer.model import operation_estimate

ENDS = (0.025, 0.975)


@pytest.mark.parametrize(("shift", "agrees"), [(0.000_049, True), (0.000_051, False)])
def test_the_tolerance_is_that_of_the_mass_standard_in_jcgm_101(shift, agrees):
    """u = 0.000 35 g is 0.000 4 g at one digit, so two ends may lie 0.000 05 g apart; here of a quantity near 1."""
    y, rel_u = np.array([1.0]), np.array([0.000_35])
    low, high = operation_estimate.gum_interval(y, rel_u)
    assert operation_estimate.passes_clause_8(y, rel_u, (low, high), (low + shift, high))[0] == agrees
    assert operation_estimate.passes_clause_8(y, rel_u, (low, high), (low, high - shift))[0] == agrees


@pytest.mark.parametrize(("landed", "solids"), [(0.10, 0.0), (0.03, 0.01), (0.08, 0.05), (0.05, 0.12)])
def test_the_draw_has_the_percentiles_of_geary_and_hinkley(landed, solids):
    def exact(p: float) -> float:
        return optimize.brentq(
            lambda t: stats.norm.cdf((t - 1) / np.hypot(landed, t * solids)) - p, 0.2, 3.0, xtol=1e-12
        )

    drawn = operation_estimate.monte_carlo_factors(landed, solids, 0.0, 0.0)
    assert drawn == pytest.approx([exact(p) for p in ENDS], abs=3e-3)


@pytest.mark.parametrize(("landed", "solids"), [(0.03, 0.01), (0.06, 0.02)])
def test_propagation_and_monte_carlo_agree_where_uncertainty_is_small(landed, solids):
    """JCGM 101, clause 8, on JCGM 100's interval of a quotient."""
    te, u = np.array([0.6]), np.array([np.hypot(landed, solids)])
    low, high = operation_estimate.gum_interval(te, u)
    drawn = operation_estimate.monte_carlo_factors(landed, solids, 0.0, 0.0)
    assert operation_estimate.passes_clause_8(te, u, (low, high), (te * drawn[0], te * drawn[1]))[0]


def test_with_an_unweighed_leftover_the_draw_has_the_percentiles_of_the_integral():
    """Landed over a beta-distributed share of the cup: P(TE <= t) by quadrature over that share (scipy)."""
    landed, mean, sd = 0.06, 0.15, 0.09
    size = mean * (1 - mean) / sd**2 - 1
    left = stats.beta(mean * size, (1 - mean) * size)

    def below(t: float) -> float:
        """TE over the stated one is (1 + e) (1 - mean) / (1 - left)."""
        return integrate.quad(
            lambda x: left.pdf(x) * stats.norm.cdf((t * (1 - x) / (1 - mean) - 1) / landed), 0, 1, limit=200
        )[0]

    exact = [optimize.brentq(lambda t, p=p: below(t) - p, 0.5, 2.5) for p in ENDS]
    assert operation_estimate.monte_carlo_factors(landed, 0.0, mean, sd) == pytest.approx(exact, abs=5e-3)
