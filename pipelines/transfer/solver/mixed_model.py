"""A linear mixed model with weights, solved by Henderson's equations, for many small blocks that share a border.

    y_m = a_m' theta + e_m,   e_m ~ N(0, v_m + s_m f^2 + h_m se^2),   theta = (fixed, random),   u_k ~ N(0, sd_k^2)

Here belong the criterion, its gradient, the maximum, and predictions that carry the variance components' own uncertainty.
Nothing here knows what a gun or a film is.

Records with one design row (a signature) enter through sums only, so cost follows signatures. Unknowns lie in a border
(fixed effects and whatever reaches over shops) or in blocks that touch no other block. Everything a block adds to the
border is a sum over blocks (`_Blocks.factor`), so blocks may be worked in any order and in any place: the result is exact.

Sources: Henderson 1975, Biometrics 31, 423 (mixed model equations, prediction error variance = the inverse's diagonal);
Harville 1977, J. Am. Stat. Assoc. 72, 320 (REML criterion and its derivatives in terms of that inverse); Patterson and
Thompson 1971, Biometrika 58, 545 (REML); Julier and Uhlmann 2004, Proc. IEEE 92, 401 (2k points).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import pairwise

import numpy as np
import scipy.linalg as la
import scipy.sparse as sp
from numpy.typing import NDArray
from scipy import stats
from scipy.optimize import minimize

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

FACTOR_SPREAD = 0.3  # of log f: a stated standard deviation is often wrong by a third, seldom by a factor of 2
SINGULAR = 1e-10  # of the greatest variance: what is less is taken as this, so that rounding about 0 moves no root
LOG_SD_BOUNDS = (-7.0, 1.0)  # sd of log TE between 0.1 % and a factor of e: outside lies no paint shop


@dataclass(frozen=True)
class Unknowns:
    """The columns of the design, border first, then the blocks.

    component   index of the variance component of each column, -1: fixed
    block       block of each column, -1: border. Columns of one block stand together, blocks ascending
    prior_mean, prior_sd   of fixed columns (inf: flat); ignored for random ones
    common_sd   of what fixed columns share besides, one unknown for all columns that have it (0: none): their prior covariance is
                diag(prior_sd^2) + common_sd common_sd'
    """

    component: Ints
    block: Ints
    prior_mean: Floats
    prior_sd: Floats
    n_components: int
    common_sd: Floats | None = None

    @property
    def size(self) -> int:
        return len(self.component)

    @property
    def n_border(self) -> int:
        return int((self.block < 0).sum())


SLICE = 1 << 14  # records worked on together: what is reckoned from them stays in the cache


@dataclass
class Part:
    """Of one part p of the variance, p = s or h: pW^2 and pW^2 y summed per signature, and sums over all records."""

    pw2: Floats
    pw2y: Floats
    pw2yy: float = 0.0
    pw: float = 0.0
    pwpw: float = 0.0
    least: float = np.inf  # pW itself
    most: float = -np.inf


@dataclass
class Sums:
    """What the equations take from the records: W and Wy summed per signature, log V + W y^2 over all, the parts of V."""

    w: Floats
    wy: Floats
    parts: list[Part]
    free_of_theta: float = 0.0


@dataclass(frozen=True)
class Data:
    """Records sorted by signature: y, v, h per record; `start` the first record of each signature; `on` 1, or 0 for a
    record that is set aside and has no weight. s, where given, is a stated variance that may be wrong by one factor f^2."""

    y: Floats
    v: Floats
    h: Floats
    start: Ints
    on: Floats
    s: Floats | None = None

    def sums(self, free: Floats, slope: bool = True) -> Sums:
        """GROUP BY signature with W = on / (v + s f^2 + h se^2); free: f^2 where s is given, se^2. slope: the parts' too.

        Plain sums in record order, so that the same records give the same bits. In numpy: a fit asks for them some 60 times, and
        over a million records numpy takes .03 s and DuckDB .16 s.
        """
        parts = [self.h] if self.s is None else [self.s, self.h]
        signatures, n = len(self.start), len(self.y)
        nothing = np.zeros(signatures)
        out = Sums(nothing.copy(), nothing.copy(), [Part(nothing.copy(), nothing.copy()) for _ in parts])
        cuts = np.unique(np.append(np.searchsorted(self.start, np.arange(0, n, SLICE)), signatures))
        for first, last in pairwise(cuts.tolist()):
            begin, end = self.start[first], self.start[last] if last < signatures else n
            here, at = slice(begin, end), slice(first, last)
            start, y, on = self.start[at] - begin, self.y[here], self.on[here]
            var = self.v[here].copy()
            for part, size in zip(parts, free, strict=True):
                var += part[here] * size
            w = on / var
            wy = w * y
            out.w[at] = np.add.reduceat(w, start)
            out.wy[at] = np.add.reduceat(wy, start)
            out.free_of_theta += _dot(np.log(var), on) + _dot(wy, y)
            for part, found in zip(parts, out.parts, strict=True) if slope else ():
                pw = part[here] * w
                pw2 = pw * w
                pw2y = pw2 * y
                found.pw2[at] = np.add.reduceat(pw2, start)
                found.pw2y[at] = np.add.reduceat(pw2y, start)
                found.pw2yy += _dot(pw2y, y)
                found.pw += float(pw.sum())
                found.pwpw += _dot(pw, pw)
                found.least, found.most = min(found.least, float(pw.min())), max(found.most, float(pw.max()))
        return out


def _dot(a: Floats, b: Floats) -> float:
    """By numpy's own loop: the linear algebra library would start threads for it, which costs more and moves last digits."""
    return float(np.einsum("i,i->", a, b))


@dataclass
class Solution:
    """One solve at given variance components: theta, its covariance in factored form, the criterion and its gradient."""

    log_sd: Floats
    theta: Floats
    factor: _Blocks | _Diagonal
    value: float
    gradient: Floats
    information: Floats  # rough curvature of value in each log sd: only how far a first step goes hangs on it
    weight: float = 1.0  # among points that stand for a posterior


class Model:
    """Design and records, ready to be evaluated at any variance components."""

    def __init__(self, design: sp.csr_matrix, unknowns: Unknowns, data: Data, frame: Frame | None = None):
        """`frame`: what depends on the pattern of the design alone, kept from pass to pass."""
        self.unknowns, self.data = unknowns, data
        self.design = sp.csr_matrix(design)
        self.design.sort_indices()
        self.frame = frame or Frame(self.design, unknowns)
        self.layout = self.frame.layout
        self.by_row, self.pairs = Entries.of(self.design), Entries.of(self.frame.pairs(self.design))
        q = unknowns.n_components
        self.counts = np.array([(unknowns.component == k).sum() for k in range(q)], dtype=float)
        fixed = unknowns.component < 0
        informed = fixed & np.isfinite(unknowns.prior_sd)
        self.fixed_precision = np.where(informed, 1 / np.where(informed, unknowns.prior_sd, 1.0) ** 2, 0.0)
        # (diag(s^2) + t t')^-1 = diag(1/s^2) - g g' with g = t/s^2 / sqrt(1 + sum t^2/s^2) (Sherman and Morrison); t in the border
        t = np.zeros(unknowns.size) if unknowns.common_sd is None else unknowns.common_sd
        shared = 1 + float(self.fixed_precision @ t**2)
        self.common = self.fixed_precision * t / np.sqrt(shared)
        border = self.common[: unknowns.n_border]
        self.less = np.tril(np.outer(border, border)).ravel()
        mean = np.where(informed, unknowns.prior_mean, 0.0)
        self.prior_pull = self.fixed_precision * mean - self.common * (self.common @ mean)
        self.n_flat = int((fixed & ~informed).sum())
        self.log_prior_sd2 = float(np.log(unknowns.prior_sd[informed] ** 2).sum() + np.log(shared))

    def evaluate(self, log_sd: Floats, slope: bool = True) -> Solution:
        """-2 log REML and its gradient in log sd (components in order, then f where the data have s, se last); without
        `slope` the gradient and the information are nan, at half the work.

        -2 log L = sum log V + log|C| + sum_k q_k log sd_k^2 + sum W e^2 + |u|^2/sd^2 + (N - p) log 2 pi
        V = v + s f^2 + h se^2, W = 1/V, C = A'WA + diag(1/prior_sd^2, 1/sd_k^2) - g g', C theta = A'Wy (+ prior pull)
        Informed fixed effects count like random ones of known sd: they cost no degree of freedom.
        """
        d, x = self.data, self.unknowns
        every_sd2 = np.exp(2 * log_sd)
        sd2, free = every_sd2[: x.n_components], every_sd2[x.n_components :]
        sums = d.sums(free, slope)

        random = x.component >= 0
        precision = self.fixed_precision.copy()
        precision[random] = 1.0 / sd2[x.component[random]]
        packed = self.pairs @ sums.w
        packed[: self.layout.at_cross] -= self.less
        factor = self.layout.factor(packed, precision)
        theta = factor.solve(self.by_row.T @ sums.wy + self.prior_pull)
        fit = self.by_row @ theta

        miss = np.where(random, theta, theta - np.where(np.isfinite(x.prior_sd), x.prior_mean, 0.0))
        squares = np.bincount(x.component[random], miss[random] ** 2, minlength=x.n_components)
        value = (
            sums.free_of_theta + factor.log_det + (self.counts * np.log(sd2)).sum() + self.log_prior_sd2
            - 2 * sums.wy @ fit + sums.w @ fit**2 + precision @ miss**2 - (self.common @ miss) ** 2
            + (d.on.sum() - self.n_flat) * np.log(2 * np.pi)
        )  # fmt: skip

        if not slope:
            nothing = np.full(len(log_sd), np.nan)
            return Solution(log_sd, theta, factor, float(value), nothing, nothing)
        inverse_diagonal = factor.inverse_diagonal()
        traces = np.bincount(x.component[random], inverse_diagonal[random], minlength=x.n_components)
        gradient = np.empty(len(log_sd))
        gradient[: x.n_components] = 2 * (self.counts - (traces + squares) / sd2)
        # what a first step should look like: 2 q reliability^2, and 2 sum (share of a part in a record's variance)^2
        information = np.empty(len(log_sd))
        information[: x.n_components] = 2 * self.counts * (1 - traces / np.maximum(self.counts, 1) / sd2) ** 2
        leverages: Floats | None = None
        for k, (part, size) in enumerate(zip(sums.parts, free, strict=True), start=x.n_components):
            # sum_m p W^2 lev = tr(C^-1 A'diag(pW^2)A). Where pW is one number (an ordinary mixed model) it needs no inverse
            # off the diagonal: A'WA = C - diag(precision).
            if part.least == part.most and not self.common.any():
                leverage = part.most * (x.size - inverse_diagonal @ precision)
            else:
                if leverages is None:  # a'C^-1 a per signature
                    leverages = self.pairs.T @ factor.packed_inverse()
                leverage = part.pw2 @ leverages
            errors = part.pw2yy - 2 * part.pw2y @ fit + part.pw2 @ fit**2
            gradient[k] = 2 * size * (part.pw - leverage - errors)
            information[k] = 2 * part.pwpw * size**2
        return Solution(log_sd, theta, factor, float(value), gradient, information)


FEW_ENTRIES = 1 << 15


@dataclass(frozen=True)
class Entries:
    """A sparse matrix of few entries: what scipy does around a product takes longer than the product."""

    row: Ints
    column: Ints
    value: Floats
    shape: tuple[int, int]

    @classmethod
    def of(cls, matrix: sp.csr_matrix | sp.csc_matrix) -> Entries | sp.csr_matrix | sp.csc_matrix:
        """The matrix; as it is where its entries are many."""
        if matrix.nnz > FEW_ENTRIES:
            return matrix
        found = matrix.tocoo()
        return cls(found.row, found.col, found.data.copy(), found.shape)

    @property
    def T(self) -> Entries:
        return Entries(self.column, self.row, self.value, self.shape[::-1])

    def __matmul__(self, vector: Floats) -> Floats:
        """Sums in the order of the entries, as scipy adds them."""
        return np.asarray(np.bincount(self.row, self.value * vector[self.column], self.shape[0]), float)


MANY_KINDS = 2048  # of distinct numbers in a design: the table of their products then takes 32 MB


class Frame:
    """K with (A'WA packed) = K @ (sum of W per signature): one row per kept product of columns, one column per signature.

    Where it has entries depends on the pattern of the design, and how large they are on a few distinct numbers (the mean
    splits), so a pass with new splits only looks up new products. `symbols` is a design of the same pattern in which two
    entries are equal only where they are equal in every pass.
    """

    def __init__(self, symbols: sp.csr_matrix, unknowns: Unknowns):
        widest = np.bincount(unknowns.block[unknowns.block >= 0]).max(initial=0)
        self.layout = Layout(unknowns, int(widest))
        self.indices, self.indptr = symbols.indices, symbols.indptr
        _, self.example, symbol = np.unique(symbols.data, return_index=True, return_inverse=True)
        kinds = len(self.example)
        self.symbol = symbol.astype(np.int16 if kinds < 2**15 else np.int32)
        self.example_row = np.searchsorted(symbols.indptr, self.example, side="right") - 1
        counts = np.diff(symbols.indptr)
        # by signature, so that each signature's products stand together: nothing need be sorted
        starts = np.concatenate([[0], np.cumsum(counts * (counts + 1) // 2)])
        at = np.empty(starts[-1], np.int32)
        self.kind = np.empty(starts[-1], np.int16 if kinds**2 < 2**15 else np.int32 if kinds**2 < 2**31 else np.int64)
        for k in np.unique(counts[counts > 0]):
            i, j = np.triu_indices(k)
            rows = np.flatnonzero(counts == k)
            for part in np.array_split(rows, max(1, len(rows) * len(i) // 1_000_000)):
                take = symbols.indptr[part][:, None] + np.arange(k)
                here = starts[part][:, None] + np.arange(len(i))
                column, number = symbols.indices[take], symbol[take]
                at[here] = self.layout.positions(column[:, i], column[:, j])
                self.kind[here] = number[:, i] * kinds + number[:, j]
        index = np.int32 if starts[-1] < 2**31 else np.int64
        shape = (self.layout.cells, symbols.shape[0])
        self.k = sp.csc_matrix((np.zeros(len(at)), at, starts.astype(index)), shape=shape, copy=False)

    def design(self, examples: sp.csr_matrix) -> sp.csr_matrix:
        """A design of this pattern from its rows `example_row` alone, in that order."""
        value = np.asarray(examples[np.arange(len(self.example)), self.indices[self.example]]).ravel()
        shape = (len(self.indptr) - 1, examples.shape[1])
        return sp.csr_matrix((value[self.symbol], self.indices, self.indptr), shape=shape, copy=False)

    def pairs(self, design: sp.csr_matrix) -> sp.csc_matrix:
        """K of a design with this pattern. It is written where the K before it stood: one pass at a time."""
        same = design.indices is self.indices or np.array_equal(design.indices, self.indices)
        if not (same and np.array_equal(design.indptr, self.indptr)):
            raise ValueError("the design has another pattern than the frame")
        value = design.data[self.example]
        kinds = len(value)
        # Few kinds: a table of all their products. A covariate that runs on (litres) gives a kind a row: no such table.
        products = np.outer(value, value).ravel() if kinds <= MANY_KINDS else None
        for start in range(0, len(self.kind), 1 << 18):  # in slices that stay in the cache
            here = slice(start, start + (1 << 18))
            if products is not None:
                products.take(self.kind[here], out=self.k.data[here], mode="clip")  # "raise" would write a copy first
            else:
                one, other = np.divmod(self.kind[here], kinds)
                self.k.data[here] = value[one] * value[other]
        return self.k


class Layout:
    """Where each product of two columns is kept: border x border, block x border, block x block (padded to one width)."""

    def __init__(self, x: Unknowns, width: int):
        self.n_border, self.width = x.n_border, width
        self.n_blocks = int(x.block.max(initial=-1)) + 1
        inside = x.block >= 0
        first = np.full(self.n_blocks, x.size)
        np.minimum.at(first, x.block[inside], np.flatnonzero(inside))
        # place of a column: its number in the border, or block * width + number in the block
        self.place = np.arange(x.size)
        self.place[inside] = x.block[inside] * width + np.flatnonzero(inside) - first[x.block[inside]]
        self.inside = inside
        self.at_cross = self.n_border**2
        self.at_block = self.at_cross + self.n_blocks * width * self.n_border
        self.cells = self.at_block + self.n_blocks * width * width
        # of a product of columns i <= j: where i's row of its block begins, j's place in it; where j meets the border, i in that
        self.own_row = np.where(inside, self.at_block + self.place * width, 0).astype(np.int32)
        self.in_row = np.where(inside, self.place % max(width, 1), self.place).astype(np.int32)
        self.in_border = (np.where(inside, self.at_cross, 0) + self.place * self.n_border).astype(np.int32)

    def positions(self, i: Ints, j: Ints) -> NDArray[np.int32]:
        """Packed place of the product of columns i <= j. The border comes first, so j inside a block may meet i outside."""
        return np.where(self.inside[i], self.own_row[i] + self.in_row[j], self.in_border[j] + self.in_row[i])

    def factor(self, packed: Floats, precision: Floats) -> _Blocks | _Diagonal:
        kind = _Diagonal if self.width == 1 else _Blocks
        return kind(self, packed, precision)

    def unpack(self, packed: Floats) -> tuple[Floats, Floats, Floats]:
        nb, s, q = self.n_border, self.n_blocks, self.width
        border = packed[: self.at_cross].reshape(nb, nb)
        cross = packed[self.at_cross : self.at_block].reshape(s, q, nb)
        blocks = packed[self.at_block :].reshape(s, q, q)
        return border, cross, blocks

    def split(self, vector: Floats) -> tuple[Floats, Floats]:
        """A vector of unknowns as border part and padded blocks (block, width)."""
        blocks = np.zeros(self.n_blocks * self.width)
        blocks[self.place[self.inside]] = vector[self.inside]
        return vector[~self.inside], blocks.reshape(self.n_blocks, self.width)

    def join(self, border: Floats, blocks: Floats) -> Floats:
        out = np.empty(len(self.place))
        out[~self.inside] = border
        out[self.inside] = blocks.ravel()[self.place[self.inside]]
        return out


def _full(triangle: Floats) -> Floats:
    """Symmetric matrix (or stack) from one triangle."""
    diagonal = np.einsum("...ii->...i", triangle)
    out = triangle + np.swapaxes(triangle, -1, -2)
    np.einsum("...ii->...i", out)[...] = diagonal
    return out


def _invert(matrix: Floats) -> tuple[Floats, float]:
    """Inverse and log determinant of one symmetric positive definite matrix, by Cholesky."""
    if not len(matrix):
        return matrix.copy(), 0.0
    lower, info = la.lapack.dpotrf(matrix, lower=1)
    if info:
        raise np.linalg.LinAlgError("the mixed model equations are not positive definite")
    inverse, _ = la.lapack.dpotri(lower, lower=1)
    inverse = np.tril(inverse)
    return inverse + np.tril(inverse, -1).T, float(2 * np.log(lower.diagonal()).sum())


def root(covariance: Floats) -> Floats:
    """The symmetric square root of a matrix or of each of a stack: unlike a triangle or eigenvectors it follows a covariance
    wherever it moves."""
    values, vectors = np.linalg.eigh(covariance)
    values = np.maximum(values, SINGULAR * values.max(axis=-1, initial=0.0, keepdims=True))
    return np.asarray((vectors * np.sqrt(values)[..., None, :]) @ np.swapaxes(vectors, -1, -2))


class _Blocks:
    """C in factored form: dense blocks D_s, cross parts B_s, border C_b.

    X_s = D_s^-1 B_s ; S = C_b - sum_s B_s'X_s (what each shop sends to the centre) ; log|C| = log|S| + sum log|D_s|
    (C^-1)_bb = S^-1 ; (C^-1)_sb = -X_s S^-1 ; (C^-1)_ss = D_s^-1 + X_s S^-1 X_s'
    """

    def __init__(self, layout: Layout, packed: Floats, precision: Floats):
        self.layout = layout
        border, self.cross, blocks = layout.unpack(packed)
        p_border, p_blocks = layout.split(precision)
        p_blocks = np.where(p_blocks > 0, p_blocks, 1.0)  # padding: an unknown of its own that nothing touches
        blocks = _full(blocks)
        np.einsum("sii->si", blocks)[...] += p_blocks
        border = _full(border) + np.diag(p_border)
        if layout.n_blocks:
            lower = np.linalg.cholesky(blocks)
            self.block_inverse = np.linalg.inv(blocks)
            self.log_det = float(2 * np.log(np.einsum("sii->si", lower)).sum())
        else:
            self.block_inverse, self.log_det = blocks, 0.0
        self.x = self.block_inverse @ self.cross
        flat = (layout.n_blocks * layout.width, layout.n_border)
        self.schur_inverse, log_det = _invert(border - self.cross.reshape(flat).T @ self.x.reshape(flat))
        self.log_det += log_det

    def solve(self, right: Floats) -> Floats:
        r_border, r_blocks = self.layout.split(right)
        border = self.schur_inverse @ (r_border - np.einsum("sqb,sq->b", self.x, r_blocks))
        blocks = np.einsum("spq,sq->sp", self.block_inverse, r_blocks) - self.x @ border
        return self.layout.join(border, blocks)

    def inverse_diagonal(self) -> Floats:
        self.xs = self.x @ self.schur_inverse
        blocks = np.einsum("sii->si", self.block_inverse) + np.einsum("sqb,sqb->sq", self.xs, self.x)
        return self.layout.join(self.schur_inverse.diagonal(), blocks)

    def packed_inverse(self) -> Floats:
        """C^-1 packed like A'WA, all but the diagonal twice: its product with F packed likewise is tr(C^-1 F)."""
        border = 2 * self.schur_inverse
        border[np.diag_indices_from(border)] /= 2
        inside = self.block_inverse + self.xs @ np.swapaxes(self.x, 1, 2)
        inside *= 2
        np.einsum("sii->si", inside)[...] /= 2
        return np.concatenate([border.ravel(), (-2 * self.xs).ravel(), inside.ravel()])

    def covariance(self, one: Rows, other: Rows) -> Floats:
        """l1'C^-1 l2 row by row: g1'S^-1 g2 + [same block] l1_s'D_s^-1 l2_s, with g = l_b - X_s'l_s."""
        g1 = self._reduced(one)
        g2 = g1 if other is one else self._reduced(other)
        out: Floats = np.einsum("nb,nb->n", g1 @ self.schur_inverse, g2)
        for block, at in one.by_block():
            at = at[other.block[at] == block]
            out[at] += np.einsum("np,np->n", one.inside[at] @ self.block_inverse[block], other.inside[at])
        return out

    def spread(self, rows: Rows, border: Floats, blocks: dict[int, Floats]) -> Floats:
        """Errors (draws, rows) of linear functions from standard normal draws of the border and of the blocks that rows touch:
        g'b + l_s'w_s, b ~ N(0, S^-1), w_s ~ N(0, D_s^-1)."""
        out: Floats = border @ (self.schur_root @ self._reduced(rows).T)
        for block, mine in rows.by_block():
            out[:, mine] += blocks[block] @ (self.block_root[block] @ rows.inside[mine].T)
        return out

    @cached_property
    def block_root(self) -> Floats:
        return root(np.asarray(self.block_inverse))

    @cached_property
    def schur_root(self) -> Floats:
        return root(self.schur_inverse)

    def _reduced(self, rows: Rows) -> Floats:
        out = rows.border.copy()
        for block, at in rows.by_block():
            out[at] -= rows.inside[at] @ self.x[block]
        return out

    def inverse(self) -> tuple[Floats, Floats, Floats]:
        """C^-1 but for what lies between two blocks: border x border, block x border, block x block, padding included."""
        xs = self.x @ self.schur_inverse
        return self.schur_inverse, -xs, self.block_inverse + xs @ np.swapaxes(self.x, 1, 2)

    def block_covariance(self, block: int) -> tuple[Floats, Floats]:
        """(C^-1)_ss and (C^-1)_sb of one block, padding included."""
        x = self.x[block]
        xs = x @ self.schur_inverse
        return self.block_inverse[block] + xs @ x.T, -xs


class _Diagonal(_Blocks):
    """The same where every block is one unknown (a large crossed factor): D is a vector, B stays sparse."""

    def __init__(self, layout: Layout, packed: Floats, precision: Floats):
        self.layout = layout
        border, cross, blocks = layout.unpack(packed)
        p_border, p_blocks = layout.split(precision)
        self.d = blocks[:, 0, 0] + p_blocks[:, 0]
        self.b = sp.csr_matrix(cross[:, 0, :])
        self.log_det = float(np.log(self.d).sum())
        scaled = sp.csr_matrix(sp.diags(1 / self.d) @ self.b)
        self.scaled = scaled
        schur = _full(border) + np.diag(p_border) - (self.b.T @ scaled).toarray()
        self.schur_inverse, log_det = _invert(schur)
        self.log_det += log_det

    def solve(self, right: Floats) -> Floats:
        r_border, r_blocks = self.layout.split(right)
        border = self.schur_inverse @ (r_border - self.scaled.T @ r_blocks[:, 0])
        return self.layout.join(border, (r_blocks[:, 0] / self.d - self.scaled @ border)[:, None])

    def inverse_diagonal(self) -> Floats:
        spread = np.empty(len(self.d))
        for start in range(0, len(self.d), 256):  # in slices, so that no dense blocks x border matrix is held twice
            part = self.scaled[start : start + 256]
            spread[start : start + 256] = np.asarray(part.multiply(part @ self.schur_inverse).sum(axis=1)).ravel()
        return self.layout.join(self.schur_inverse.diagonal(), (1 / self.d + spread)[:, None])

    def packed_inverse(self) -> Floats:
        border = 2 * self.schur_inverse
        border[np.diag_indices_from(border)] /= 2
        xs = self.scaled @ self.schur_inverse
        inside = 1 / self.d + np.asarray(self.scaled.multiply(xs).sum(axis=1)).ravel()
        return np.concatenate([border.ravel(), (-2 * xs).ravel(), inside])


@dataclass(frozen=True)
class Rows:
    """Linear functions of the unknowns, each touching the border and at most one block."""

    border: Floats
    inside: Floats
    block: Ints
    matrix: sp.csr_matrix

    @classmethod
    def of(cls, layout: Layout, matrix: sp.csr_matrix) -> Rows:
        matrix = sp.csr_matrix(matrix)
        nb, width = layout.n_border, max(layout.width, 1)
        border, inside = np.zeros((matrix.shape[0], nb)), np.zeros((matrix.shape[0], width))
        block = np.full(matrix.shape[0], -1)
        entries = matrix.tocoo()
        far = entries.col >= nb
        np.add.at(border, (entries.row[~far], entries.col[~far]), entries.data[~far])
        row, place = entries.row[far], layout.place[entries.col[far]]
        block[row] = place // width
        if (block[row] != place // width).any():
            raise ValueError("a row of the design touches two blocks")
        inside[row, place % width] = entries.data[far]
        return cls(border, inside, block, matrix)

    def by_block(self) -> list[tuple[int, Ints]]:
        """Each block with the numbers of its rows."""
        order = np.argsort(self.block, kind="stable")
        order = order[self.block[order] >= 0]
        found, start = np.unique(self.block[order], return_index=True)
        return list(zip(found.tolist(), np.split(order, start[1:]), strict=True)) if len(order) else []


@dataclass(frozen=True)
class Prior:
    """Half-normal priors on the standard deviations, one scale each; inf: none; nan: a factor, log f ~ N(0, FACTOR_SPREAD^2)."""

    scale: Floats

    def add(self, solution: Solution) -> tuple[float, Floats]:
        """-2 log posterior density over log sd: + sum sd^2/scale^2 - 2 sum log sd, and its gradient in log sd."""
        has, factor = np.isfinite(self.scale), np.isnan(self.scale)
        ratio = np.where(has, np.exp(2 * solution.log_sd) / np.where(has, self.scale, 1.0) ** 2, 0.0)
        away = np.where(factor, solution.log_sd / FACTOR_SPREAD**2, 0.0)
        value = solution.value + ratio.sum() - 2 * solution.log_sd[has].sum() + away @ solution.log_sd
        return float(value), solution.gradient + 2 * ratio - 2 * has + 2 * away


@dataclass(frozen=True)
class Fit:
    best: Solution
    converged: bool

    @property
    def sd(self) -> Floats:
        return np.exp(self.best.log_sd)


def fit(
    model: Model,
    start: Floats,
    prior: Prior | None = None,
    bounds: tuple[float, float] = LOG_SD_BOUNDS,
    tolerance: float = 1e-7,
) -> Fit:
    """Maximise REML (or the posterior of the variance components) over log sd by L-BFGS-B with the analytic gradient.

    tolerance: stop when a step gains less than this in -2 log likelihood (two like this are worlds apart from 1), or when
    the slope promises no more: in steps of `unit` a gain is half the slope's square.
    """
    first = model.evaluate(np.clip(start, *bounds))
    seen, best_value = [first], [np.inf]
    # steps are made in units of each log sd's own rough standard error: a crossed factor of thousands of levels and one of
    # three then look alike to the search
    unit = 1 / np.sqrt(np.maximum(first.information, 1.0) + (4.0 if prior else 0.0))

    def objective(scaled: Floats) -> tuple[float, Floats]:
        log_sd = scaled * unit
        solution = first if np.array_equal(log_sd, first.log_sd) else model.evaluate(log_sd)
        value, gradient = prior.add(solution) if prior else (solution.value, solution.gradient)
        if value <= best_value[0]:
            seen[0], best_value[0] = solution, value
        return value, gradient * unit

    # a spread that is nothing is approached on an ever flatter slope: only a prior keeps the slope from misleading
    slope = float(np.sqrt(tolerance)) if prior else 1e-7
    limits = list(zip(bounds[0] / unit, bounds[1] / unit, strict=True))
    found = minimize(
        objective, first.log_sd / unit, jac=True, method="L-BFGS-B", bounds=limits,
        options={"ftol": tolerance / max(abs(first.value), 1.0), "gtol": slope, "maxiter": 200, "maxls": 40},
    )  # fmt: skip
    # a line search that can get no lower (status 2) has reached the floor of the arithmetic, not failed
    return Fit(seen[0], bool(found.success or found.status == 2))


DRAWN, TAIL = 128, 7  # points that are drawn, and the degrees of freedom of their tails


def points(
    model: Model, fitted: Fit, prior: Prior, drawn: bool, bounds: tuple[float, float] = LOG_SD_BOUNDS
) -> list[Solution]:
    """Weighted solutions that stand for the posterior of the log sd: x + Cov^(1/2) t.

    Cov = 2 H^-1 with H the Hessian of -2 log posterior at its least x, from central differences of the analytic gradient; the root is
    the symmetric one, so that no last digit turns it. A direction that data and prior leave flat or bent the wrong way is held
    to a spread of 1. Not drawn: t is +- sqrt(k) along each axis, all of one weight. Few records and levels make the posterior far
    from normal (an sd may be near nothing, hardly many times its best value; those points gave 1.4 to 2 times its mean square).
    Drawn: t is a low-discrepancy sequence in Student's t, weighted by posterior over proposal, no weight above sqrt(n)
    times their mean (truncated importance sampling: Ionides 2008, J. Comput. Graph. Stat. 17, 295).
    """
    x, k = fitted.best.log_sd, len(fitted.best.log_sd)
    step = 1e-2  # wide: what rounding leaves in a gradient is divided by it, and a figure near nothing would show it
    slopes = [[prior.add(model.evaluate(x + sign * step * e))[1] for sign in (1, -1)] for e in np.eye(k)]
    hessian = np.array([(up - down) / (2 * step) for up, down in slopes])
    values, vectors = np.linalg.eigh((hessian + hessian.T) / 2)
    root = (vectors * np.sqrt(2 / np.maximum(values, 2.0))) @ vectors.T
    if not drawn:
        away = np.sqrt(k) * np.concatenate([root, -root])
        return [model.evaluate(np.clip(x + move, *bounds), slope=False) for move in away]
    uniform = np.clip(stats.qmc.Sobol(k + 1, seed=0).random(DRAWN), 1e-9, 1 - 1e-9)
    t = stats.norm.ppf(uniform[:, :k]) / np.sqrt(stats.chi2.ppf(uniform[:, k:], TAIL) / TAIL)
    tried = [model.evaluate(np.clip(x + move, *bounds), slope=False) for move in t @ root]
    proposal = -(TAIL + k) / 2 * np.log1p((t**2).sum(axis=1) / TAIL)
    log_weight = np.array([-prior.add(one)[0] / 2 for one in tried]) - proposal
    weight = np.exp(log_weight - log_weight.max())
    weight = np.minimum(weight, weight.mean() * np.sqrt(DRAWN))
    return [replace(one, weight=float(w)) for one, w in zip(tried, weight, strict=True)]


@dataclass(frozen=True)
class Integrated:
    """Predictions averaged over the variance components: mean of theta, mean PEV + spread of theta between points."""

    points: list[Solution]

    @cached_property
    def weight(self) -> Floats:
        """Each point's share; they sum to 1."""
        weight = np.array([p.weight for p in self.points])
        return np.asarray(weight / weight.sum())

    def over(self, values: Iterable[Floats]) -> Floats:
        """Mean of one value per point."""
        return np.asarray(sum(w * value for w, value in zip(self.weight, values, strict=True)))

    def draws(self, n: int) -> list[Ints]:
        """n draws shared out among the points by their weight: the numbers of those of each."""
        at = np.searchsorted(np.cumsum(self.weight)[:-1], (np.arange(n) + 0.5) / n)
        return np.split(np.arange(n), np.searchsorted(at, np.arange(1, len(self.points))))

    def drawn(self, rows: Rows, n: int, seed: Sequence[int]) -> Floats:
        """n draws (n, rows) of linear functions of the unknowns. Of one seed the unknowns are the same whatever is asked of them:
        what the rows of two calls share, a border or a block, is drawn alike in both."""
        layout = self.points[0].factor.layout
        border = np.random.default_rng([*seed, 0]).standard_normal((n, layout.n_border))
        blocks = {
            block: np.random.default_rng([*seed, 1 + block]).standard_normal((n, layout.width))
            for block, _ in rows.by_block()
        }
        out = np.empty((n, rows.matrix.shape[0]))
        for p, at in zip(self.points, self.draws(n), strict=True):
            errors = p.factor.spread(rows, border[at], {block: z[at] for block, z in blocks.items()})
            out[at] = rows.matrix @ p.theta + errors
        return out

    @cached_property
    def _means(self) -> tuple[Floats, Floats]:
        """Mean of theta, and of the variance components."""
        return self.over(p.theta for p in self.points), self.over(np.exp(2 * p.log_sd) for p in self.points)

    def theta(self) -> Floats:
        return self._means[0]

    def sd(self) -> Floats:
        return np.asarray(np.sqrt(self._means[1]))

    def reliability(self, rows: Rows, component: int) -> Floats:
        """1 - PEV / sd^2 of effects of one component."""
        found = self.over(1 - p.factor.covariance(rows, rows) / np.exp(2 * p.log_sd[component]) for p in self.points)
        return np.asarray(np.clip(found, 0.0, 1.0))

    @cached_property
    def _moves(self) -> Floats:
        """How the means of the points lie about theirs, (point, unknown), each times the root of its share."""
        moves = np.array([p.theta for p in self.points]) - self.theta()
        return np.asarray(moves * np.sqrt(self.weight)[:, None])

    def mean(self, rows: Rows) -> Floats:
        return np.asarray(rows.matrix @ self.theta())

    @cached_property
    def inverse(self) -> tuple[Floats, Floats, Floats]:
        """Mean of C^-1 over the points: border x border, block x border, block x block. What it misses, block x other block,
        no row of a design touches."""
        border, cross, inside = (np.zeros_like(part) for part in self.points[0].factor.inverse())
        for w, point in zip(self.weight, self.points, strict=True):
            for total, part in zip((border, cross, inside), point.factor.inverse(), strict=True):
                total += w * part
        return border, cross, inside

    def covariance(self, one: Rows, other: Rows) -> Floats:
        """Covariance of one's and other's prediction errors, row by row: mean of l1'C^-1 l2, and how both means move."""
        apart = (one.block != other.block) & (one.block >= 0) & (other.block >= 0)
        if apart.any():
            raise ValueError("the covariance of rows in two blocks is not kept")
        border, cross, inside = self.inverse
        out = np.einsum("nb,nb->n", one.border @ border, other.border)
        for block, at in one.by_block():
            out[at] += np.einsum("nb,nb->n", one.inside[at] @ cross[block], other.border[at])
            out[at] += np.einsum("np,np->n", one.inside[at] @ inside[block], other.inside[at])
        for block, at in other.by_block():
            out[at] += np.einsum("nb,nb->n", other.inside[at] @ cross[block], one.border[at])
        moves = self._moves.T
        a = one.matrix @ moves
        b = a if other is one else other.matrix @ moves
        return np.asarray(out + (a * b).sum(axis=1))

    def variance(self, rows: Rows) -> Floats:
        return self.covariance(rows, rows)

    @cached_property
    def roots(self) -> tuple[Floats, Floats, Floats]:
        """L with L L' the covariance of all prediction errors: border x border, block x border, block x block.

        Cholesky, the border first: errors of two blocks then go together through the border alone, but for what the means of
        both move together between the points (next to nothing: variance components that both share).
        """
        border, cross, inside = (part.copy() for part in self.inverse)
        layout = self.points[0].factor.layout
        apart = [layout.split(move) for move in self._moves]
        b, s = np.array([x for x, _ in apart]), np.array([y for _, y in apart])
        border += b.T @ b
        cross += np.einsum("msq,mb->sqb", s, b)
        inside += np.einsum("msp,msq->spq", s, s)
        upper = np.asarray(np.linalg.cholesky(border), float)
        if not layout.n_blocks:
            return upper, cross, inside
        lower: Floats = la.solve_triangular(upper, cross.reshape(-1, layout.n_border).T, lower=True).T.reshape(
            cross.shape
        )
        own = np.asarray(np.linalg.cholesky(inside - lower @ np.swapaxes(lower, 1, 2)), float)
        return upper, lower, own

    def loadings(self, rows: Rows) -> tuple[Floats, Floats]:
        """Linear functions of the unknowns on independent directions of unit variance: (n, border), and (n, width) on those
        of each row's own block (`rows.block`). Variances and covariances of sums are those of summed loadings."""
        upper, lower, own = self.roots
        border, inside = rows.border @ upper, np.zeros_like(rows.inside)
        for block, at in rows.by_block():
            border[at] += rows.inside[at] @ lower[block]
            inside[at] = rows.inside[at] @ own[block]
        return border, inside
