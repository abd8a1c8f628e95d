"""Ordinary mixed models, as published data and other programs have them, in the form of the solver."""

from __future__ import annotations

from typing import Any

import numpy as np
import scipy.sparse as sp
from numpy.typing import NDArray

from pipelines.transfer.solver.mixed_model import Data, Floats, Model, Unknowns


def ordinary(y: Floats, factors: list[NDArray[Any]]) -> tuple[Model, Unknowns]:
    """y = beta + sum of random intercepts + e, flat priors.

    factors: the level of each observation, one array per random term. The largest one with over 500 levels is taken as
    the diagonal block, all else is border.
    """
    n = len(y)
    codes = [np.unique(f, return_inverse=True)[1] for f in factors]
    levels = [int(c.max()) + 1 for c in codes]
    inner = int(np.argmax(levels)) if levels and max(levels) > 500 else -1
    order = [k for k in range(len(codes)) if k != inner] + ([inner] if inner >= 0 else [])
    parts = [sp.csr_matrix(np.ones((n, 1)))]
    component, block = [np.array([-1])], [np.array([-1])]
    for k in order:
        parts.append(sp.csr_matrix((np.ones(n), (np.arange(n), codes[k])), shape=(n, levels[k])))
        component.append(np.full(levels[k], k))
        block.append(np.arange(levels[k]) if k == inner else np.full(levels[k], -1))
    size = 1 + sum(levels)
    unknowns = Unknowns(
        np.concatenate(component), np.concatenate(block), np.zeros(size), np.full(size, np.inf), len(codes)
    )
    data = Data(np.asarray(y, float), np.zeros(n), np.ones(n), np.arange(n), np.ones(n))
    return Model(sp.hstack(parts).tocsr(), unknowns, data), unknowns
