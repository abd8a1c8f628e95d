"""Which guns and technicians are shown to be low by a material size, with few wrong flags among the flags."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from pipelines.transfer.solver.mixed_model import Floats


def prob_low(effect: Floats, variance: Floats, material_effect: float) -> Floats:
    """P(u < delta) = Phi((delta - u) / sqrt(PEV)), delta = log(1 + material_effect); effect and variance on the log scale."""
    return np.asarray(stats.norm.cdf((np.log1p(material_effect) - effect) / np.sqrt(np.maximum(variance, 1e-300))))


def flag(probability: Floats, eligible: NDArray[np.bool_], false_share: float) -> NDArray[np.bool_]:
    """The longest list, most certain first, whose expected share of wrong flags, mean(1 - P), stays within false_share.

    Source: Newton, Noueiry, Sarkar and Ahlquist 2004, Biostatistics 5, 155 (direct posterior probability approach).
    """
    out = np.zeros(len(probability), bool)
    order = np.flatnonzero(eligible)
    order = order[np.argsort(-probability[order], kind="stable")]
    wrong = np.cumsum(1 - probability[order]) / np.arange(1, len(order) + 1)
    good = np.flatnonzero(wrong <= false_share)
    if len(good):
        out[order[: good[-1] + 1]] = True
    return out
