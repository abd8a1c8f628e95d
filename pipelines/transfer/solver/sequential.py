"""Looking at a comparison more than once without fooling oneself: boundaries of looks, and the chance of crossing them.

The standardised difference at looks with information fractions t_1 < ... < t_K = 1 is Z_k = S(t_k)/sqrt(t_k), S Brownian motion
with drift: mean theta at t = 1. A boundary c_k is spent out of alpha: what a look may use up is known before anything is seen
(Lan and DeMets 1983, Biometrika 70, 659; O'Brien-Fleming type, half of alpha a side: 4 - 4 Phi(z_{alpha/4}/sqrt(t))). Chances are
integrated look by look (Armitage, McPherson and Rowe 1969, J. R. Stat. Soc. A 132, 235; Jennison and Turnbull 2000, chapter 19).

Here belongs arithmetic on fractions and z alone. What a look is made of, and in which words it is told, stands in decisions/trials.py.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.special import ndtr, ndtri

Floats = NDArray[np.float64]
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(120)
FARTHEST = 8.0  # sd: a boundary beyond is never crossed (2 in 10^15)


def spent(fraction: Floats, alpha: float) -> Floats:
    """The part of a two-sided alpha that may be used up when `fraction` of the information is there; all of it at 1."""
    return np.asarray(4 * ndtr(ndtri(alpha / 4) / np.sqrt(np.minimum(fraction, 1.0))))


def boundaries(fractions: Sequence[float], alpha: float, spending: Callable[[Floats, float], Floats] = spent) -> Floats:
    """|z| at which to stop at each look, so that without a difference it is reached by look k with the chance spent there.

    Raises ValueError where fractions do not rise from above 0 to at most 1."""
    t = _checked(fractions)
    side = np.diff(spending(t, alpha), prepend=0.0) / 2
    out: list[float] = []
    for k, chance in enumerate(side):
        if chance < 2 * ndtr(-FARTHEST):
            out.append(FARTHEST)
            continue
        density = _inside(t[:k], np.array(out), 0.0)
        out.append(
            float(brentq(lambda c, d=density, k=k, p=chance: _above(d, t, k, c, 0.0) - p, 0.0, FARTHEST, xtol=1e-12))
        )
    return np.array(out)


def crossing(fractions: Sequence[float], bounds: Sequence[float] | Floats, drift: float) -> tuple[Floats, Floats]:
    """Chances that the first look at which |z| reaches its boundary is look k: above and below, one number a look each."""
    t, c = _checked(fractions), np.asarray(bounds, float)
    above, below = np.empty(len(t)), np.empty(len(t))
    for k in range(len(t)):
        for out, sign in ((above, 1.0), (below, -1.0)):
            out[k] = _above(_inside(t[:k], c[:k], sign * drift), t, k, c[k], sign * drift)
    return above, below


def power(fractions: Sequence[float], bounds: Sequence[float] | Floats, drift: float) -> float:
    """The chance that a boundary is reached at any look, on the side where the drift points."""
    return float(crossing(fractions, bounds, abs(drift))[0].sum())


def drift_for(fractions: Sequence[float], bounds: Sequence[float] | Floats, wanted: float) -> float:
    """The drift that is shown, on its own side, with the chance `wanted`; the fixed design's is z_{1 - alpha/2} + z_wanted."""
    return float(brentq(lambda d: power(fractions, bounds, d) - wanted, 0.0, 12.0, xtol=1e-9))


def expected_fraction(fractions: Sequence[float], bounds: Sequence[float] | Floats, drift: float) -> float:
    """The part of the whole information that is gathered on average until a boundary is reached or the last look is made."""
    stop = np.add(*crossing(fractions, bounds, drift))
    stop[-1] += 1 - stop.sum()
    return float(stop @ _checked(fractions))


def _checked(fractions: Sequence[float]) -> Floats:
    t = np.asarray(fractions, float)
    if not len(t) or t[0] <= 0 or t[-1] > 1 + 1e-12 or (np.diff(t) <= 0).any():
        raise ValueError(
            f"looks must come at rising parts of the information above 0 and up to 1, not at {list(fractions)}"
        )
    return t


def _inside(t: Floats, c: Floats, drift: float) -> tuple[Floats, Floats]:
    """Points of S at the last of these looks and the mass at each, over paths that crossed nothing so far."""
    points, mass = np.zeros(1), np.ones(1)
    for at, bound, before in zip(t, c, np.concatenate([[0.0], t])[: len(t)], strict=True):
        edge, sd = bound * np.sqrt(at), np.sqrt(at - before)
        low, high = max(-edge, drift * at - 9 * np.sqrt(at)), min(edge, drift * at + 9 * np.sqrt(at))
        new = (high + low) / 2 + (high - low) / 2 * _NODES
        step = (new[:, None] - points[None, :] - drift * (at - before)) / sd
        density = np.exp(-(step**2) / 2) @ mass / (sd * np.sqrt(2 * np.pi))
        points, mass = new, density * _WEIGHTS * max(high - low, 0.0) / 2
    return points, mass


def _above(inside: tuple[Floats, Floats], t: Floats, k: int, bound: float, drift: float) -> float:
    points, mass = inside
    ahead = t[k] - (t[k - 1] if k else 0.0)
    return float(mass @ ndtr((points + drift * ahead - bound * np.sqrt(t[k])) / np.sqrt(ahead)))
