"""What records share and none of them can tell: the named terms of every absolute statement.

Here belong the sizes of these terms and what they come to for a cell. They shift a shop's figures together, so that no
comparison between guns, hands or months holds them; a figure in per cent or kilograms does. How sure the model itself is
stands in joint.py, one record's own budget in operation_estimate.py.

    area      the table of areas as a whole, one error for all who use it         setting area_shared_sd
    gauge     gain of a shop's gauges                                             from their checks, else gauge_gain_u
    solids    what is in the can beside what the sheet says, per product          setting solids_rel_u
    density   wet over dry density of a product                                   setting density_rel_u
    sprayed   flush loss (register or setting) and scale, over what was sprayed   flush_loss_rel_sd, flush_loss_sd_g, scale_rel_u
"""

from __future__ import annotations

import numpy as np
import polars as pl
import scipy.sparse as sp

from pipelines.settings import Settings
from pipelines.transfer.model.design import Design, codes
from pipelines.transfer.solver.mixed_model import Floats

TERMS = ("area", "gauge", "solids", "density", "sprayed")


def of_rows(
    design: Design, settings: Settings, shops: pl.Series, weight: sp.csr_matrix, matrix: sp.csr_matrix
) -> dict[str, Floats]:
    """Relative standard uncertainty of each of TERMS, per cell.

    shops   each cell's shop; weight: its design rows, each row summing to 1; matrix: their mean (weight @ design.rows)
    Products err by themselves: a cell of many takes the root of the sum of their squared shares.
    """
    n = matrix.shape[0]
    products = np.array([kind == "product" for kind, _ in design.names], bool)
    share2 = np.asarray(matrix[:, products].power(2).sum(axis=1)).ravel()
    unnamed = np.maximum(1 - np.asarray(matrix[:, products].sum(axis=1)).ravel(), 0.0)
    mix = np.sqrt(share2 + unnamed**2)
    shop, names = codes(shops)
    usual = float(np.mean(list(design.gain.values()))) if design.gain else 0.0
    return {
        "area": np.full(n, settings.film.area_shared_sd),
        "gauge": np.array([design.gain.get(name, usual) for name in names], float)[shop],
        "solids": settings.cup.solids_rel_u * mix,
        "density": settings.cup.density_rel_u * mix,
        "sprayed": np.asarray(weight @ design.sprayed_u).ravel(),
    }


def of_film(settings: Settings, gain_rel_u: float) -> float:
    """What records of film of one product share beside what was sprayed, in squares (relative)."""
    parts = (settings.film.area_shared_sd, gain_rel_u, settings.cup.solids_rel_u, settings.cup.density_rel_u)
    return float(np.sqrt(sum(part**2 for part in parts)))


def together(terms: dict[str, Floats]) -> Floats:
    """All terms in squares: they are independent of one another."""
    return np.sqrt(sum(part**2 for part in terms.values()))
