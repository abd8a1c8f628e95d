"""Intervals of sums of the ledger for any choice of its cells: summed loadings, then the root of their squares.

Here belongs what table total_loadings means for the rows of the page's sums, for the static page; site.js does the same with
the numbers that `as_json` hands it, so that a filtered interval and the pipeline's cannot disagree. How a loading comes about
is the business of pipelines/transfer/model/totals.py.

    u^2 = sum over directions of (sum over cells of k x loading)^2 + sum over cells of k^2 x own^2

k is what a gram of a cell's landed solids stands for: VOC and cost of a cell go pro rata with its solids.
"""

from __future__ import annotations

import base64
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl
import scipy.sparse as sp
from numpy.typing import NDArray

from schemas.published import OWN_DIRECTION, Z95

Floats = NDArray[np.float64]
PARTS = ("overspray", "over_build", "useful")


@dataclass(frozen=True)
class JointWidths:
    """Per cell (row of the page's sums): loadings of landed solids and of film above the window, kg, and their own squares."""

    landed: sp.csr_matrix
    over: sp.csr_matrix
    landed_own: Floats
    over_own: Floats

    @classmethod
    def of(cls, cells: pl.DataFrame, loadings: pl.DataFrame) -> JointWidths | None:
        """cells: shop_id, month, product_id of each row. None: no loadings, so that no interval is known."""
        if not (loadings.height and cells.height):
            return None
        key = ["shop_id", "month", "product_id"]
        rows = (
            loadings.rename({"period": "month"})
            .join(cells.select(key).with_row_index("cell"), on=key, how="inner", maintain_order="left")
            .with_columns(own=pl.col("direction") == OWN_DIRECTION)
        )
        names = rows.filter(~pl.col("own"))["direction"].unique().sort()
        common = rows.filter(~pl.col("own")).join(
            names.to_frame().with_row_index("at"), on="direction", maintain_order="left"
        )
        shape = (cells.height, max(len(names), 1))
        where = (common["cell"].to_numpy(), common["at"].to_numpy())

        def matrix(column: str) -> sp.csr_matrix:
            found = sp.csr_matrix((common[column].to_numpy() / 1000, where), shape=shape)
            found.sum_duplicates()
            found.eliminate_zeros()
            return found

        own = rows.filter("own")

        def squares(column: str) -> Floats:
            square = (own[column].to_numpy() / 1000) ** 2
            return np.asarray(np.bincount(own["cell"].to_numpy(), square, minlength=cells.height), np.float64)

        return cls(matrix("landed_g"), matrix("over_build_g"), squares("landed_g"), squares("over_build_g"))

    def ends(self, group: sp.csr_matrix, k: Floats, amounts: Mapping[str, Floats]) -> dict[str, tuple[Floats, Floats]]:
        """Lower and upper 95 % ends of each of PARTS per group. group: groups x cells of ones; amounts of PARTS per group."""
        scale = sp.diags(k)
        landed, over = group @ (scale @ self.landed), group @ (scale @ self.over)

        def squared(part: sp.csr_matrix, own: Floats) -> Floats:
            total: Floats = np.asarray(part.power(2).sum(axis=1)).ravel() + group @ (k**2 * own)
            return total

        spread = {
            "overspray": squared(landed, self.landed_own), "over_build": squared(over, self.over_own),
            "useful": squared(landed - over, self.landed_own + self.over_own),
        }  # fmt: skip
        most = sum(amounts[part] for part in PARTS)
        out = {}
        for part in PARTS:
            u = Z95 * np.sqrt(spread[part])
            out[part] = (np.clip(amounts[part] - u, 0.0, most), np.clip(amounts[part] + u, 0.0, most))
        return out

    def useful_square(self, k: list[float]) -> float:
        """The squared standard error of the sum over cells of k x what became useful film; k may be negative."""
        weights = np.asarray(k, np.float64)
        along = (self.landed - self.over).T @ weights
        return float(along @ along + weights**2 @ (self.landed_own + self.over_own))

    def as_json(self) -> dict[str, Any]:
        """Sparse rows for the script: where each row begins, the direction of each number, the numbers (32 bits, base64)."""
        return {
            "n": self.landed.shape[1], "z95": Z95,
            **{f"{name}_{what}": value for name, matrix in (("landed", self.landed), ("over", self.over))
               for what, value in (("start", _packed(matrix.indptr, "<u4")), ("at", _packed(matrix.indices, "<u2")),
                                   ("value", _packed(matrix.data, "<f4")))},
            "landed_own": _packed(self.landed_own, "<f4"), "over_own": _packed(self.over_own, "<f4"),
        }  # fmt: skip


def _packed(values: Any, kind: str) -> str:
    return base64.b64encode(np.asarray(values).astype(kind).tobytes()).decode("ascii")
