"""A mixed model over a plain table: named terms in, statements about their levels out.

    y = sum over terms of effect(level of the row) x value + e,   e ~ N(0, v + h se^2)

Here belongs the bookkeeping that turns columns of a table into the solver's unknowns (mixed_model.py), for what is said about
hands besides transfer: film against its window, tilt, leftovers, wear. The transfer model itself stands in design.py and
linearise.py; nothing here knows what a technician is.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import polars as pl
import scipy.sparse as sp
from numpy.typing import NDArray
from scipy.sparse.csgraph import connected_components

from pipelines.transfer.solver import mixed_model
from pipelines.transfer.solver.mixed_model import Floats, Ints

SETTLED = 20_000  # rows from which the standard deviations are known to a percent or so
TOLERANCE = 1e-4  # in -2 log likelihood: far below what could be noticed


@dataclass(frozen=True)
class Term:
    """One term of the model.

    name    how it is asked for
    level   the level of each row, any labels; "" = the term does not touch this row
    value   what the effect is multiplied by, per row (None: 1); a slope has its running variable here
    scale   half-normal scale of its standard deviation: a random term. None: fixed, with prior (mean, sd); sd inf: flat
    local   its levels lie inside one block each (people, guns, places), else it reaches over all of them
    """

    name: str
    level: pl.Series | NDArray[np.str_]
    value: Floats | None = None
    scale: float | None = None
    prior: tuple[float, float] = (0.0, np.inf)
    local: bool = False


def labels(frame: pl.DataFrame, *columns: str, where: pl.Expr | None = None) -> pl.Series:
    """A term's level of each row: columns of a table joined; "" where one of them is missing or `where` does not hold."""
    joined = pl.concat_str([pl.col(name).cast(pl.String) for name in columns], separator="\t", ignore_nulls=False)
    if where is not None:
        joined = pl.when(where).then(joined)
    return frame.select(joined.fill_null("")).to_series()


def _numbered(level: pl.Series | NDArray[np.str_]) -> tuple[list[str], Ints]:
    """The levels that there are, in the order of their letters, and the place of each row's among them; -1: none."""
    given = pl.Series(level, dtype=pl.String)
    found = given.unique().sort()
    codes = given.cast(pl.Enum(found)).to_physical().to_numpy().astype(np.int64)
    nobody = int(len(found) > 0 and found[0] == "")
    return found.to_list()[nobody:], codes - nobody


class Fitted:
    """The fitted model. Means and variances are averaged over the variance components' uncertainty (mixed_model.Integrated)."""

    def __init__(
        self, terms: list[Term], y: Floats, v: Floats, h: Floats, event_scale: float, like: Fitted | None = None
    ):
        """terms and data per row. like: a fit of the same terms to nearly the same data; its result is the start."""
        self.terms = {t.name: t for t in terms}
        n = len(y)
        ordered = [t for t in terms if not t.local] + [t for t in terms if t.local]
        numbered = {t.name: _numbered(t.level) for t in ordered}
        self.levels = {name: found for name, (found, _) in numbered.items()}
        place = {name: at for name, (_, at) in numbered.items()}
        block_of_row = self._blocks(ordered, place, n)
        random = [t for t in ordered if t.scale is not None]
        self.component = {t.name: k for k, t in enumerate(random)}

        columns: list[tuple[int, int, int, int]] = []  # block, term, level, component
        for i, t in enumerate(ordered):
            number = self.component.get(t.name, -1)
            count = len(self.levels[t.name])
            home = np.full(count, -1)
            if t.local:
                at = place[t.name] >= 0
                home[place[t.name][at]] = block_of_row[at]
            columns += [(int(home[k]), i, k, number) for k in range(count)]
        sizes = np.bincount([b for b, *_ in columns if b >= 0], minlength=1)
        if sizes.max() < 2:  # the solver's blocks of one unknown tell no covariances: such levels join the border
            columns = [(-1, term, level, number) for _, term, level, number in columns]
        columns.sort()
        self.column = {(ordered[i].name, self.levels[ordered[i].name][k]): c for c, (_, i, k, _) in enumerate(columns)}
        lookup = {t.name: np.array([self.column[(t.name, x)] for x in self.levels[t.name]], int) for t in ordered}
        prior = np.array([ordered[i].prior for _, i, _, _ in columns], float).reshape(-1, 2)
        component = np.array([c for *_, c in columns], int)
        self.unknowns = mixed_model.Unknowns(
            component, np.array([b for b, *_ in columns], int), np.where(component < 0, prior[:, 0], 0.0),
            np.where(component < 0, prior[:, 1], np.inf), len(random),
        )  # fmt: skip

        row, col, val = [], [], []
        for t in ordered:
            there = np.flatnonzero(place[t.name] >= 0)
            row.append(there)
            col.append(lookup[t.name][place[t.name][there]])
            val.append(np.ones(len(there)) if t.value is None else t.value[there])
        whole = sp.csr_matrix(
            (np.concatenate(val), (np.concatenate(row), np.concatenate(col))), shape=(n, len(columns))
        )
        order, start = _signatures(np.column_stack([place[t.name] for t in ordered]),
                                   [t.value for t in ordered if t.value is not None])  # fmt: skip
        data = mixed_model.Data(y[order], v[order], h[order], start, np.ones(n))
        self.design = whole
        self.model = mixed_model.Model(whole[order[start]], self.unknowns, data)
        self.prior = mixed_model.Prior(np.array([*(t.scale for t in random), event_scale], float))
        first: Floats = np.log(self.prior.scale * 0.6) if like is None else like.fit.best.log_sd
        self.fit: mixed_model.Fit = mixed_model.fit(self.model, first, self.prior, tolerance=TOLERANCE)
        self.weight = 1 / (v + h * np.exp(2 * self.fit.best.log_sd[-1]))  # of each row in the equations of the best

    @cached_property
    def posterior(self) -> mixed_model.Integrated:
        """The solutions that carry the variance components' uncertainty; the best alone where there are very many rows."""
        if self.design.shape[0] > SETTLED:
            return mixed_model.Integrated([self.fit.best])
        return mixed_model.Integrated(mixed_model.points(self.model, self.fit, self.prior, drawn=False))

    @staticmethod
    def _blocks(terms: list[Term], place: dict[str, Ints], n: int) -> Ints:
        """Block of each row: rows that share a level of a local term lie in one block. Blocks are numbered from 0."""
        edges_row, edges_col, offset = [], [], n
        for t in terms:
            if t.local:
                at = np.flatnonzero(place[t.name] >= 0)
                edges_row.append(at)
                edges_col.append(offset + place[t.name][at])
                offset += int(place[t.name].max(initial=-1)) + 1
        if not edges_row:
            return np.full(n, -1)
        rows, cols = np.concatenate(edges_row), np.concatenate(edges_col)
        graph = sp.coo_matrix((np.ones(len(rows)), (rows, cols)), shape=(offset, offset))
        found = connected_components(graph, directed=False)[1][:n]
        touched = np.zeros(n, bool)
        touched[rows] = True
        dense = np.full(n, -1)
        dense[touched] = np.unique(found[touched], return_inverse=True)[1]
        return dense

    # --- statements -----------------------------------------------------------------------------------------------------

    def rows(self, parts: list[list[tuple[str, str, float]]]) -> mixed_model.Rows:
        """Linear functions of effects: each a list of (term, level, weight). A level never seen has effect 0 of its kind.

        Raises ValueError where one of them touches two blocks (`predict` takes those too).
        """
        return mixed_model.Rows.of(self.model.layout, self._matrix(parts))

    def _matrix(self, parts: list[list[tuple[str, str, float]]]) -> sp.csr_matrix:
        row, col, val = [], [], []
        for i, entries in enumerate(parts):
            for term, level, weight in entries:
                at = self.column.get((term, level))
                if at is not None:
                    row.append(i)
                    col.append(at)
                    val.append(weight)
        return sp.csr_matrix((val, (row, col)), shape=(len(parts), self.unknowns.size))

    def predict(self, parts: list[list[tuple[str, str, float]]]) -> tuple[Floats, Floats]:
        """Mean and variance of linear functions of effects (as `rows` takes them), whichever blocks they touch.

        A gun asked for in a shop where the data never had it touches two blocks: its own and the shop's.
        """
        matrix = self._matrix(parts)
        whole = [mixed_model.Rows.of(self.model.layout, one) for one in self._by_block(matrix)]
        if len(whole) == 1:
            return self.posterior.mean(whole[0]), np.maximum(self.posterior.variance(whole[0]), 1e-18)
        over, points = self.posterior.over, self.posterior.points
        known = sum(over(p.factor.covariance(one, other) for p in points) for one in whole for other in whole)
        mean = matrix @ self.posterior.theta()
        spread = over((matrix @ p.theta - mean) ** 2 for p in points)
        return mean, np.maximum(known + spread, 1e-18)

    def _by_block(self, matrix: sp.csr_matrix) -> list[sp.csr_matrix]:
        """Matrices that sum to `matrix`, in each of which a row touches the border and one block at most."""
        entries = matrix.tocoo()
        block = self.unknowns.block[entries.col]
        many = max(int(block.max(initial=0)) + 1, 1)
        meets, which = np.unique((entries.row * many + block)[block >= 0], return_inverse=True)
        first = np.searchsorted(meets // many, meets // many)
        at = np.zeros(len(block), np.int64)  # of an entry's block, its place among the blocks of its row
        at[block >= 0] = (np.arange(len(meets)) - first)[which]
        return [
            sp.csr_matrix((entries.data[at == k], (entries.row[at == k], entries.col[at == k])), shape=matrix.shape)
            for k in range(int(at.max(initial=0)) + 1)
        ]

    def effects(self, term: str) -> tuple[list[str], Floats, Floats]:
        """Levels of a term with mean and variance of their effects."""
        levels = self.levels[term]
        u, var = self.predict([[(term, level, 1.0)] for level in levels])
        return levels, u, var

    def sd(self, term: str) -> float:
        """Standard deviation between levels of a random term."""
        return float(self.posterior.sd()[self.component[term]])

    @property
    def event_sd(self) -> float:
        return float(self.posterior.sd()[-1])

    def reliability(self, term: str) -> Floats:
        """1 - PEV/sd^2 per level of a random term, averaged over the variance components."""
        rows = self.rows([[(term, level, 1.0)] for level in self.levels[term]])
        number = self.component[term]
        return self.posterior.reliability(rows, number)

    def vif(self, parts: list[list[tuple[str, str, float]]], other: str) -> Floats:
        """Per linear function: its variance over what it would be were all effects of `other` known. 1 = no confusion.

        Functions and levels are taken block by block, at the best variance components.
        """
        out = np.ones(len(parts))
        others = self.levels.get(other, [])
        if not others or not parts:
            return out
        rows = self.rows(parts)
        home = np.array([self.unknowns.block[self.column[(other, x)]] for x in others])
        factor = self.fit.best.factor
        own = factor.covariance(rows, rows)
        for number in np.unique(rows.block):
            mine = np.flatnonzero(rows.block == number)
            theirs = [(other, x) for x, b in zip(others, home, strict=True) if b in (number, -1)]
            if not theirs:
                continue
            between = self.covariance(theirs)
            left = self.rows([parts[i] for i in mine for _ in theirs])
            right = self.rows([[(*x, 1.0)] for _ in mine for x in theirs])
            cross = factor.covariance(left, right).reshape(len(mine), len(theirs))
            known = own[mine] - np.einsum("ij,ij->i", cross @ np.linalg.inv(between), cross)
            out[mine] = own[mine] / np.maximum(known, 1e-12 * own[mine])
        return out

    def covariance(self, ids: list[tuple[str, str]]) -> Floats:
        """Covariance matrix of the prediction errors of named effects, at the best variance components."""
        n = len(ids)
        i, j = np.triu_indices(n)
        first = self.rows([[(*ids[a], 1.0)] for a in i])
        second = self.rows([[(*ids[b], 1.0)] for b in j])
        value = self.fit.best.factor.covariance(first, second)
        out = np.zeros((n, n))
        out[i, j] = value
        out[j, i] = value
        return out


@dataclass(frozen=True)
class Meeting:
    """Where one level stands in the graph of who works with what: itself and all it hangs together with, step by step.

    partners: levels of the other kind that it met itself; alike, others: how many of its own and of the other kind there are
    in its connected part.
    """

    partners: tuple[str, ...]
    alike: int
    others: int


def meetings(one: pl.Series, other: pl.Series) -> dict[str, Meeting]:
    """Each level of `one` in the graph whose edges are the rows (level of one, level of other); "" is nobody.

    Data compare levels of one kind only through partners they share. A technician whose guns nobody else uses (alike = 1) is
    known together with that set of guns and by no record apart from it; shrinkage can make such a level look well known (its
    VIF small), so it is asked of the rows themselves.
    """
    edges = pl.DataFrame([one.alias("one"), other.alias("other")]).unique().filter(pl.col("one") != "")
    (names, a), (others, b) = _numbered(edges["one"]), _numbered(edges["other"])
    met = b >= 0
    n = len(names)
    graph = sp.coo_matrix((np.ones(met.sum()), (a[met], n + b[met])), shape=(n + len(others),) * 2)
    part = connected_components(graph, directed=False)[1] if names else np.zeros(0, np.int64)
    size = int(part.max(initial=-1)) + 1
    alike, different = np.bincount(part[:n], minlength=size), np.bincount(part[n:], minlength=size)
    partners: dict[int, list[str]] = {}
    for mine, theirs in sorted(zip(a[met].tolist(), b[met].tolist(), strict=True)):
        partners.setdefault(mine, []).append(others[theirs])
    return {
        name: Meeting(tuple(partners.get(i, ())), int(alike[part[i]]), int(different[part[i]]))
        for i, name in enumerate(names)
    }


def by_themselves(one: pl.Series, other: pl.Series) -> set[str]:
    """Levels of `one` that no other level of `one` shares a partner with, not even through others: see `meetings`."""
    return {name for name, met in meetings(one, other).items() if met.partners and met.alike == 1}


def _signatures(codes: Ints, values: list[Floats]) -> tuple[Ints, Ints]:
    """An order that brings equal design rows together, and where each run begins."""
    keys = [codes[:, k] for k in range(codes.shape[1])] + values
    order = np.lexsort(keys[::-1])
    changed = np.zeros(len(order), bool)
    changed[:1] = True
    for key in keys:
        changed[1:] |= key[order][1:] != key[order][:-1]
    return order, np.flatnonzero(changed)
