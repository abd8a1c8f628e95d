"""Whether a change helped: the table change_effects.

    y = what the model of the measure says anyhow + step [rows since the change] + step of the role + meanwhile [the shop's rows of
        these days] + e,       step ~ N(0, .3^2), of the role ~ N(0, .1^2), meanwhile ~ N(0, .05^2)

The step stands in the model that the measure has anyhow (transfer: design.py; film_model.py, technique.py, habits.py), so hands,
guns, products and work that the change did not touch are its control, and a hand's own records before count in that hand's own
effect under its prior: whoever looked worst by chance comes back by itself, and that is no step. Redone work and the cost of a
job have a plain model here: difference in differences over hands and kinds of work, spread from the data themselves.

Figures are at the work since: `before` is what it would have been without the change. Nothing here moves another table.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import polars as pl
import scipy.sparse as sp
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from pipelines.transfer.decisions import film_model, habits, savings, technique
from pipelines.transfer.decisions.change_sides import MEASURES, NEW_GUN, Change, confounded, meanwhile, sides
from pipelines.transfer.model import estimate
from pipelines.transfer.model.design import PRIOR, Touched
from pipelines.transfer.model.linearise import Joint
from pipelines.transfer.model.transfer_tables import RECORD
from pipelines.transfer.solver.mixed_model import Floats, Rows
from pipelines.transfer.solver.table_model import Fitted, Term, labels
from schemas.published import Z95

LEAST = 3  # records on each side
LIKELY = 0.80
AT_MOST = 20  # times the jobs since: what takes more is not foreseen
KINDS = ("change", "change of role", "meanwhile")
SCALE = {"technician": 0.05, "redo": 0.25, "kind": 0.5, "cost of a hand": 0.15, "cost": 0.5}  # half-normal (our choice)
_Curve = Callable[[float], float]
QUANTILES = ndtri((np.arange(2000) + 0.5) / 2000)


@dataclass(frozen=True)
class Effect:
    """What one change did to one measure. step, se: of its model's scale; needs: further jobs; rows: which of the measure's table
    lie on its sides (for worth); the rest as in the table."""

    change: Change
    measure: str
    role: str | None
    step: float
    se: float
    before: float
    after: float
    difference: float
    low: float
    high: float
    prob_better: float
    n_before: int
    n_after: int
    grade: str
    needs: int | None
    returned: float | None = None


def change_effects(
    changes: pl.DataFrame,
    transfer: Callable[[], Mapping[str, pl.DataFrame]],
    films: Callable[[], pl.DataFrame],
    panels: Callable[[], pl.DataFrame],
    cups: pl.DataFrame,
    sprays: pl.DataFrame,
    ledger: pl.DataFrame,
    mixes: pl.DataFrame,
) -> pl.DataFrame:
    """Table change_effects.

    changes   the register; nothing else is looked at where it has no row
    transfer  gives what estimate.READS names; films the operations of film_model.operations, panels those of technique.panels:
              asked where some change may have moved them
    cups      habits.cups; sprays with job, hand, gun, product, role, started_at, redo_of, redone; ledger material_ledger, mixes for
              the days that a year is reckoned from
    """
    told = list(changes.sort("change_id").iter_rows(named=True))
    if not told:
        return pl.DataFrame()
    asked = {measure for change in told for measure in MEASURES[change["what"]]}
    work = sprays.with_columns(day=pl.col("started_at").dt.date())
    when = work.select("shop_id", "job_id", "operation_no", "day")
    found: list[Effect] = []
    if "te" in asked:
        found += of_transfer(told, **transfer())
    if "film_over" in asked:
        found += of_film(told, films().join(when, on=when.columns[:3], how="left", maintain_order="left"))
    if asked & {"tilt", "edge"}:
        each = panels().join(
            when, left_on=["shop_id", "job_id", "to_operation"], right_on=when.columns[:3], how="left", maintain_order="left"
        )  # fmt: skip
        for measure in ("tilt", "edge"):
            found += of_panels(told, each, measure)
    cups = cups.with_columns(day=pl.col("first_poured_at").dt.date())
    if "leftover_share" in asked and cups.height >= habits.FEW:
        found += of_leftovers(told, cups)
    if "redo_rate" in asked:
        found += of_redone(told, work)
    lines = _lines(ledger, work)
    if "cost_per_job" in asked:
        found += of_costs(told, lines)
    every = {change["change_id"]: sides(change, work) for change in told}
    money = _Money(told, lines, cups, savings.years(mixes))
    rows = [_row(one, confounded(one.change, one.role, work, every), money.of(one)) for one in found]
    return pl.DataFrame(rows, infer_schema_length=None).sort("change_id", "measure") if rows else pl.DataFrame()


def _row(one: Effect, beside: str | None, worth: tuple[float | None, ...]) -> dict[str, Any]:
    shown = abs(one.step) > Z95 * one.se
    likely = one.prob_better > LIKELY or one.prob_better < 1 - LIKELY
    name = one.measure if one.role is None else f"{one.measure}:{one.role}"
    return {
        **{key: one.change[key] for key in ("change_id", "shop_id", "technician_id")},
        "measure": name,
        **{key: getattr(one, key) for key in ("before", "after", "difference", "low", "high", "prob_better")},
        "verdict": "shown" if shown else "likely" if likely else "not shown",
        "n_before": one.n_before,
        "n_after": one.n_after,
        "grade": one.grade,
        "jobs_to_decide": None if shown else one.needs,
        "confounded_with": beside,
        **dict(zip(("worth_per_year", "worth_low", "worth_high"), worth, strict=True)),
        "returned_by_itself": one.returned,
    }


def further(step: float, var: float, with_work: float, of_work: float, weight: float, jobs: int) -> int | None:
    """Further jobs like the `jobs` since at which the interval around today's step would leave out 0; None beyond 20 times as many.

    m further rows like the mean row x of those since, each of weight w, leave  V - m w Cov(step, x)^2 / (1 + m w Var x)  of the
    step's variance V. `with_work`: Cov, `of_work`: Var x, `weight`: that of all rows of one job.
    """
    over = var - (step / Z95) ** 2
    gain = with_work**2 - over * of_work
    if over <= 0 or gain <= 0:
        return None if over > 0 else 0
    needs = math.ceil(over / gain / weight)
    return needs if needs <= AT_MOST * jobs else None


# --- transfer ---------------------------------------------------------------------------------------------------------------


def of_transfer(
    told: Sequence[Change], records: pl.DataFrame, record_layers: pl.DataFrame, gun_services: pl.DataFrame
) -> Iterator[Effect]:
    """TE of each role that a change touches, after over before.

    What moves with the change: its steps; of a new gun the gun, its way of atomising and its pairs with the hands, of a new product
    the product, of any change of a gun its wear, at their mean over the layers of each side.
    """
    about = [change for change in told if "te" in MEASURES[change["what"]]]

    def touched(layers: pl.DataFrame) -> Touched:
        found: dict[tuple[str, str], NDArray[np.bool_]] = {}
        days = layers.with_columns(day=pl.col("started_at").dt.date())
        for change in about:
            name, since = change["change_id"], sides(change, days) == 1
            found["change", name] = since
            roles = days.filter(since)["role"].unique().sort().to_list()
            for role in roles if len(roles) > 1 else []:
                found["change of role", f"{name}\t{role}"] = since & (days["role"] == role).to_numpy()
            found["meanwhile", _period(change)] = meanwhile(change, days)
        return found

    fitted = estimate.fitted_with(records, record_layers, gun_services, touched)
    if fitted is None or not fitted[0].converged:
        return
    joint, layers = fitted
    said = _Transfer(joint, layers.with_columns(day=pl.col("started_at").dt.date()))
    for change in about:
        for role in said.layers.filter(sides(change, said.layers) == 1)["role"].unique().sort().to_list():
            one = said.effect(change, role)
            if one is not None:
                yield one


def _period(change: Change) -> str:
    return f"{change['shop_id']}\t{change['on']}\t{change['until'] or ''}"


class _Transfer:
    """The fitted transfer model as changes ask it. layers: those it was built over, in its order, with `day` and `told`."""

    def __init__(self, joint: Joint, layers: pl.DataFrame) -> None:
        self.joint, self.layers = joint, layers
        self.d, self.posterior = joint.design, joint.posterior
        self.kind = np.array([kind for kind, _ in self.d.names])
        self.level = np.array([level for _, level in self.d.names])
        number = layers.select(RECORD).join(
            self.d.keys.with_row_index("record"), on=RECORD, how="left", maintain_order="left"
        )["record"]
        self.record = number.cast(pl.Int64).fill_null(-1).to_numpy()
        self.role = layers["role"].to_numpy().astype(str)
        linear = joint.linear
        self.weight = 1 / (linear.v + linear.h * float(self.posterior.sd()[-1]) ** 2)
        self.share = linear.mean_share[self.d.group] / self.d.in_group  # of each layer kept, in the order of the design

    def effect(self, change: Change, role: str) -> Effect | None:
        of_role = self.role == role
        side = sides(change, self.layers)
        after, before = (side == 1) & of_role, (side == -1) & of_role
        since, until = (np.unique(self.record[at & (self.record >= 0)]) for at in (after, before))
        if min(len(since), len(until)) < LEAST:
            return None
        row = self.moved(change, role, after, before)
        rows = Rows.of(self.joint.layout, row)
        step, var = float(self.posterior.mean(rows)[0]), float(self.posterior.variance(rows)[0])
        at_work = self.mean(after)
        at_work.data[self.kind[at_work.indices] == "unweighed"] = 0.0
        middle = Rows.of(self.joint.layout, at_work)
        eta = float(self.posterior.mean(middle)[0]) + float(self.layers.filter(after)["told"].mean() or 0.0)  # type: ignore[arg-type]
        se = math.sqrt(var)
        # a further job: the mean of the records since, at their mean weight
        design = self.joint.linear.design[self.d.signature_of_record[since]]
        of_work = Rows.of(self.joint.layout, sp.csr_matrix(design.mean(axis=0)))
        jobs = self.layers.filter(after & (self.record >= 0)).select("shop_id", "job_id").unique().height
        weight = float(self.weight[since].mean()) * len(since) / jobs
        with_work, alone = (float(self.posterior.covariance(one, of_work)[0]) for one in (rows, of_work))
        best = _grade(self.d.grade[np.append(since, until)])
        after_te = min(math.exp(eta), 1.0)
        return Effect(
            change, "te", role, step, se, min(math.exp(eta - step), 1.0), after_te, math.exp(step), math.exp(step - Z95 * se),
            math.exp(step + Z95 * se), float(ndtr(step / se)), len(until), len(since), best,
            further(step, var, with_work, alone, weight, jobs), self.returned(change, role, step),
        )  # fmt: skip

    def mean(self, at: NDArray[np.bool_]) -> sp.csr_matrix:
        """The mean design row of some layers."""
        times = np.bincount(self.d.row_of_layer[at], minlength=self.d.rows.shape[0]) / at.sum()
        return sp.csr_matrix(sp.csr_matrix(times) @ self.d.rows)

    def moved(self, change: Change, role: str, after: NDArray[np.bool_], before: NDArray[np.bool_]) -> sp.csr_matrix:
        """The row that says what the change moved."""
        name = change["change_id"]
        row = self.mean(after).toarray().ravel()
        steps = ((self.kind == "change") & (self.level == name)) | (
            (self.kind == "change of role") & (self.level == f"{name}\t{role}")
        )
        kinds = {
            **dict.fromkeys(("gun_serviced", "tip", "inlet"), ("wear",)),
            **dict.fromkeys(NEW_GUN, ("gun", "atomising", "pair", "wear")),
            "product": ("product",),
        }
        other = np.isin(self.kind, kinds.get(change["what"], ()))
        row = np.where(other, row - self.mean(before).toarray().ravel(), row) * (steps | other)
        return sp.csr_matrix(row)

    def returned(self, change: Change, role: str, step: float) -> float | None:
        """Where a hand was the lowest of the shop's before: the plain ratio of its two sides over that of the model."""
        if change["technician_id"] is None or change["gun_id"] is not None or change["product_id"] is not None:
            return None
        plain = {}
        own = np.isin(self.kind, ("technician", "pair", *KINDS))
        theta = self.posterior.theta()
        # what is left of each record once all but its hands' own is taken off, and how much of it each hand's layers make
        miss = self.joint.linear.y - (self.joint.linear.design @ np.where(own, 0.0, theta))[self.d.signature_of_record]
        names = self.layers.filter(pl.col("shop_id") == change["shop_id"])["technician_id"].drop_nulls().unique().sort()
        share = _shares(self.record, self.d.record, self.share)
        for hand in names.to_list():
            side = sides({**change, "technician_id": hand}, self.layers)
            for which in (-1, 1):
                at = (side == which) & (self.role == role) & (self.record >= 0)
                if len(np.unique(self.record[at])) >= LEAST:
                    s = np.bincount(self.record[at], share[at], minlength=self.d.n)
                    plain[hand, which] = float((self.weight * s) @ miss / ((self.weight * s) @ s))
        return _came_back(plain, change["technician_id"], step, lambda value: value, math.exp)


def _grade(of_records: NDArray[Any]) -> str:
    return "A" if (of_records == "A").mean() >= 0.5 else "B"


def _shares(record: NDArray[np.int64], kept: NDArray[np.int64], share: Floats) -> Floats:
    """The share of each layer in its record, in the order of the layers; kept, share: those of the layers that the design kept.

    The layers of a record stand in one order in both.
    """
    out = np.zeros(len(record))
    mine = np.flatnonzero(record >= 0)
    out[mine[np.argsort(record[mine], kind="stable")]] = share[np.argsort(kept, kind="stable")]
    return out


def _came_back(
    plain: dict[tuple[str, int], float], hand: str, step: float, good: Callable[[float], float], said: Callable[[float], float]
) -> float | None:  # fmt: skip
    """What of a plain difference the model does not call the change's, where the hand was the worst of several before."""
    before = {name: good(value) for (name, which), value in plain.items() if which == -1}
    if len(before) < 2 or (hand, 1) not in plain or before.get(hand, math.inf) > min(before.values()):
        return None
    return said(plain[hand, 1] - plain[hand, -1] - step)


# --- measures of plain tables -----------------------------------------------------------------------------------------------


def steps(told: Sequence[Change], frame: pl.DataFrame, by_role: bool) -> list[Term]:
    """The terms that changes add to the model of a table: see the module."""
    found: dict[str, Term] = {}
    for change in told:
        since, name = sides(change, frame) == 1, change["change_id"]
        if since.any():
            found[f"change {name}"] = Term(f"change {name}", np.where(since, name, ""), prior=PRIOR["change"])
            if by_role:
                role = np.where(since, frame["role"].to_numpy().astype(str), "")
                found[f"role of {name}"] = Term(f"role of {name}", role, prior=PRIOR["change of role"])
            period = _period(change)
            shop = np.where(meanwhile(change, frame), period, "")
            found[f"meanwhile {period}"] = Term(f"meanwhile {period}", shop, prior=PRIOR["meanwhile"])
    return list(found.values())


@dataclass(frozen=True)
class _Side:
    """One change in one model: the rows of its sides, its step with variance, its mean row since."""

    change: Change
    role: str | None
    after: NDArray[np.bool_]
    before: NDArray[np.bool_]
    step: float
    var: float
    parts: list[tuple[str, str, float]]


class _Plain:
    """A fitted model of a table as changes ask it. weight: 1 / variance of each row's chance."""

    def __init__(self, fitted: Fitted, frame: pl.DataFrame, y: Floats, weight: Floats, own: tuple[str, ...]) -> None:
        self.fitted, self.frame, self.y, self.weight = fitted, frame, y, weight
        self.names = {at: name for name, at in fitted.column.items()}
        self.theta = fitted.posterior.theta()
        terms = np.array([self.names[at][0] for at in range(len(self.names))])
        self.steps = np.array([t.split(" ")[0] in ("change", "role", "meanwhile") and " " in t for t in terms])
        self.own = np.isin(terms, own) | self.steps

    def each(self, told: Sequence[Change], by_role: bool) -> Iterator[_Side]:
        for change in told:
            side = sides(change, self.frame)
            name = change["change_id"]
            roles = self.frame.filter(side == 1)["role"].unique().sort().to_list() if by_role else [None]
            for role in roles:
                of_role = np.ones(len(side), bool) if role is None else (self.frame["role"] == role).to_numpy()
                after, before = (side == 1) & of_role, (side == -1) & of_role
                if min(after.sum(), before.sum()) < LEAST:
                    continue
                parts = [(f"change {name}", name, 1.0)] + ([(f"role of {name}", role, 1.0)] if role else [])
                if change["what"] == "product":
                    parts += self._mix("product", after, 1.0) + self._mix("product", before, -1.0)
                step, var = self.fitted.predict([parts])
                yield _Side(change, role, after, before, float(step[0]), float(var[0]), parts)

    def _mix(self, term: str, at: NDArray[np.bool_], sign: float) -> list[tuple[str, str, float]]:
        return [(t, level, sign * w) for t, level, w in self.work(at) if t == term]

    def work(self, at: NDArray[np.bool_]) -> list[tuple[str, str, float]]:
        """The mean row of some rows."""
        mean = sp.csr_matrix(self.fitted.design[np.flatnonzero(at)].mean(axis=0))
        return [(*self.names[int(c)], float(w)) for c, w in zip(mean.indices, mean.data, strict=True)]

    def without(self, one: _Side) -> Floats:
        """What the model expects of each row since, had there been no change."""
        return np.asarray(self.fitted.design[np.flatnonzero(one.after)] @ self.theta - one.step)

    def needs(self, one: _Side) -> int | None:
        work = self.work(one.after)
        _, (alone, both) = self.fitted.predict([work, [*work, *one.parts]])
        known = self.frame.filter(one.after)
        jobs = known.select("shop_id", "job_id").n_unique() if "job_id" in known.columns else known.height
        weight = float(self.weight[one.after].mean()) * known.height / jobs
        return further(one.step, one.var, (both - alone - one.var) / 2, alone, weight, jobs)

    def plain(self, one: _Side) -> dict[tuple[str, int], float]:
        """Hand, side -> mean of what is left once all but hands' own is taken off."""
        change = one.change
        if change["technician_id"] is None or change["gun_id"] is not None or change["product_id"] is not None:
            return {}
        miss = self.y - self.fitted.design @ np.where(self.own, 0.0, self.theta)
        of_role = np.ones(len(miss), bool) if one.role is None else (self.frame["role"] == one.role).to_numpy()
        found = {}
        names = self.frame.filter(pl.col("shop_id") == change["shop_id"])["technician_id"].drop_nulls().unique().sort()
        for hand in names.to_list():
            side = sides({**change, "technician_id": hand}, self.frame)
            for which in (-1, 1):
                at = (side == which) & of_role
                if at.sum() >= LEAST:
                    found[hand, which] = float(miss[at].mean())
        return found

    def linear(self, one: _Side, measure: str, grade: str, good: Callable[[float], float]) -> Effect:
        """Of a measure on whose own scale the step stands; less of it is better."""
        se, middle = math.sqrt(one.var), float(self.without(one).mean())
        return Effect(
            one.change, measure, one.role, one.step, se, middle, middle + one.step, one.step, one.step - Z95 * se,
            one.step + Z95 * se, float(ndtr(-one.step / se)), int(one.before.sum()), int(one.after.sum()), grade,
            self.needs(one), _came_back(self.plain(one), one.change["technician_id"] or "", one.step, good, lambda x: x),
        )  # fmt: skip


def _about(told: Sequence[Change], measure: str) -> list[Change]:
    return [change for change in told if measure in MEASURES[change["what"]]]


def of_film(told: Sequence[Change], ops: pl.DataFrame) -> Iterator[Effect]:
    """The chance that an operation's film lies above its sheet's window, mean over the work since.

    Side by side on log film, where the step stands: at the work since as the model expects it without the change, and with it. The
    side with fewer records is the one that moves over the step's interval.
    """
    about = _about(told, "film_over")
    if ops.is_empty() or not about:
        return
    fitted, chance = film_model.fit(ops, steps(about, ops, True))
    film, limit, var = (ops[c].to_numpy() for c in ("film_um", "film_max_um", "var_um2"))
    typical = limit * np.exp(fitted.design @ fitted.fit.best.theta)
    y = np.clip((film - typical) / typical, -film_model.CLIP, film_model.CLIP) + np.log(typical / limit)
    said = _Plain(fitted, ops, y, 1 / (var / typical**2 + chance), ("technician", "hand"))
    for one in said.each(about, True):
        eta, job, se = said.without(one), chance[one.after], math.sqrt(one.var)
        fixed_before = bool(one.before.sum() >= one.after.sum())

        def over(step: float, eta: Floats = eta, job: Floats = job) -> float:
            return float(ndtr((eta + step - job / 2) / np.sqrt(job)).mean())

        def moved(step: float, own: float = one.step, fixed: bool = fixed_before, over: _Curve = over) -> float:
            return over(step) - over(0.0) if fixed else over(own) - over(own - step)

        graded = ops.filter(one.after | one.before)["grade"]
        plain = _came_back(said.plain(one), one.change["technician_id"] or "", 0.0, lambda x: -x, lambda x: x)
        yield Effect(
            one.change, "film_over", one.role, one.step, se, over(0.0), over(one.step), moved(one.step),
            moved(one.step - Z95 * se), moved(one.step + Z95 * se), float(ndtr(-one.step / se)), int(one.before.sum()),
            int(one.after.sum()), _grade(graded.to_numpy()), said.needs(one),
            None if plain is None else moved(plain) - moved(one.step),
        )  # fmt: skip


def of_panels(told: Sequence[Change], each: pl.DataFrame, measure: str) -> Iterator[Effect]:
    """Tilt or edge of the panels since; better is nearer to none, whichever way it leaned."""
    about = _about(told, measure)
    if each.is_empty() or not about:
        return
    fitted = technique.fit(each, measure, steps(about, each, True))
    chance = np.full(each.height, 1 / fitted.event_sd**2)
    said = _Plain(fitted, each, each[measure].to_numpy(), chance, ("technician",))
    for one in said.each(about, True):
        work = [
            part
            for part in said.work(one.after)
            if part[0].split(" ")[0] not in ("change", "role") or " " not in part[0]
        ]
        mean, (base, both) = fitted.predict([work, [*work, *one.parts]])
        found = said.linear(one, measure, "A", lambda x: -abs(x))
        yield replace(
            found, prob_better=nearer(float(mean[0]), float(base), one.step, one.var, float(both - base - one.var) / 2)
        )


def nearer(before: float, before_var: float, step: float, var: float, covariance: float) -> float:
    """P(|before + step| < |before|) of two normal figures: step and 2 before + step have opposite signs.

    The sum's conditional distribution, averaged over 2,000 even quantiles of the step.
    """
    total, total_var = 2 * before + step, 4 * before_var + var + 4 * covariance
    both = 2 * covariance + var
    rest = math.sqrt(max(total_var - both**2 / var, 1e-18))
    moves = step + math.sqrt(var) * QUANTILES
    above = ndtr((total + both / var * (moves - step)) / rest)
    return float(np.where(moves < 0, above, 1 - above).mean())


def of_leftovers(told: Sequence[Change], cups: pl.DataFrame) -> Iterator[Effect]:
    """The share of a cup that is left over, by whoever mixed it."""
    about = _about(told, "leftover_share")
    if not about:
        return
    fitted, _ = habits.fitted(cups, steps(about, cups, False))
    weight = np.full(cups.height, 1 / fitted.event_sd**2)
    said = _Plain(fitted, cups.drop("job_id", strict=False), cups["share"].to_numpy(), weight, ("technician",))
    for one in said.each(about, False):
        yield said.linear(one, "leftover_share", "A", lambda x: -x)


def of_redone(told: Sequence[Change], work: pl.DataFrame) -> Iterator[Effect]:
    """The share of first operations that a later one repeats: role + hand + step + e, on the share itself.

    A share is no normal figure, its mean over many operations is; the spread of e is that of the data, so it is overdispersed
    where they are. Where nothing was ever redone there is nothing to say.
    """
    about = _about(told, "redo_rate")
    first = work.filter(pl.col("redo_of").is_null())
    y = first["redone"].cast(pl.Float64).to_numpy()
    if not about or not y.any():
        return
    terms = [
        Term("role", labels(first, "role"), prior=(0.05, 0.2)),
        Term("technician", labels(first, "technician_id"), scale=SCALE["technician"], local=True),
        *steps(about, first, False),
    ]
    fitted = Fitted(terms, y, 0 * y, np.ones(len(y)), SCALE["redo"])
    said = _Plain(fitted, first, y, np.full(len(y), 1 / fitted.event_sd**2), ("technician",))
    for one in said.each(about, False):
        yield said.linear(one, "redo_rate", "A", lambda x: -x)


def of_costs(told: Sequence[Change], lines: pl.DataFrame) -> Iterator[Effect]:
    """Material cost of a job, in money: log cost = kind of job (its roles and their sizes) + hand + step + e.

    The hand is the one who sprayed most of it; of a product the job's cost is that of its role. A job of which a price is missing is
    left out.
    """
    about = _about(told, "cost_per_job")
    if not about or lines.is_empty():
        return
    roles = lines.drop_nulls("product_id").unique("product_id", keep="first", maintain_order=True)
    of_product = dict(roles.select("product_id", "role").iter_rows())
    of_role: dict[str | None, list[Change]] = {}
    for change in about:
        of_role.setdefault(change["role"] or of_product.get(change["product_id"]), []).append(change)
    for role, asked in of_role.items():
        jobs = job_costs(lines if role is None else lines.filter(pl.col("role") == role))
        if jobs.is_empty():
            continue
        terms = [
            Term("all", np.full(jobs.height, "all"), prior=(3.0, 3.0)),
            Term("size", np.full(jobs.height, "size"), jobs["log_m2"].to_numpy(), prior=(0.8, 0.5)),
            Term("kind", labels(jobs, "shop_id", "kind"), scale=SCALE["kind"], local=True),
            Term("technician", labels(jobs, "technician_id"), scale=SCALE["cost of a hand"], local=True),
            Term("product", labels(jobs, "product_id"), scale=SCALE["kind"]),
            *steps(about, jobs, False),
        ]
        y = jobs["cost"].log().to_numpy()
        fitted = Fitted(terms, y, 0 * y, np.ones(len(y)), SCALE["cost"])
        said = _Plain(fitted, jobs, y, np.full(len(y), 1 / fitted.event_sd**2), ("technician",))
        for one in said.each(asked, False):
            after, se = float(np.exp(y[one.after]).mean()), math.sqrt(one.var)
            less, low, high = (
                after * (1 - math.exp(-step)) for step in (one.step, one.step - Z95 * se, one.step + Z95 * se)
            )
            yield Effect(
                one.change, "cost_per_job", None, one.step, se, after - less, after, less, low, high,
                float(ndtr(-one.step / se)), int(one.before.sum()), int(one.after.sum()), "B", said.needs(one),
            )  # fmt: skip


def job_costs(lines: pl.DataFrame) -> pl.DataFrame:
    """Jobs that cost something, all of it priced: cost, kind (roles sprayed), log_m2, day, and hand, gun, product of most area."""
    job = ["shop_id", "job_id"]
    most = pl.col("technician_id", "gun_id", "product_id").sort_by(
        "covered_m2", "operation_no", descending=[True, False]
    )
    return (
        lines.filter((pl.col("covered_m2") > 0) & pl.col("day").is_not_null())
        .group_by(job, maintain_order=True)
        .agg(
            most.first(), pl.col("day").min(), cost=pl.col("poured_cost").sum(), lacks=pl.col("poured_cost").has_nulls(),
            kind=pl.col("role").unique().sort().str.join(" "), log_m2=pl.col("covered_m2").sum().log(),
        )
        .filter((pl.col("cost") > 0) & ~pl.col("lacks")).sort(job)
    )  # fmt: skip


# --- money ------------------------------------------------------------------------------------------------------------------


def _lines(ledger: pl.DataFrame, work: pl.DataFrame) -> pl.DataFrame:
    """Lines of the ledger that some operation took, with that operation's hand, gun, role, day, area; priced as savings.py prices."""
    operation = ["shop_id", "job_id", "operation_no"]
    own = ["technician_id", "gun_id", "product_id", "role", "day", "covered_m2"]
    taken = ledger.filter(pl.col("job_id").is_not_null()).drop(own, strict=False).join(
        work.select(*operation, *own), on=operation, how="inner", maintain_order="left"
    )  # fmt: skip
    return taken.sort(*operation, "mix_id")


class _Money:
    """What a year of the work on both sides of a change costs, and with it what the change is worth."""

    def __init__(
        self, told: Sequence[Change], lines: pl.DataFrame, cups: pl.DataFrame, years: Mapping[str, savings.Year]
    ) -> None:
        self.lines, self.cups, self.years = lines, cups, years

    def of(self, one: Effect) -> tuple[float | None, ...]:
        """Worth a year with its interval; None where nothing is priced or the measure is not money's."""
        year = self.years.get(one.change["shop_id"])
        if year is None or one.measure in ("film_over", "tilt", "edge"):
            return None, None, None
        part = savings.priced(self.lines.filter(pl.col("shop_id") == one.change["shop_id"]))
        part = part.filter(pl.col("day").is_between(year.from_on, year.to_on))
        if one.role is not None:
            part = part.filter(pl.col("role") == one.role)
        side = sides(one.change, part)
        sprayed = part.select(pl.sum_horizontal("overspray_cost", "over_build_cost", "useful_cost", ignore_nulls=False))
        cost = sprayed.to_series().cast(pl.Float64).fill_null(np.nan).to_numpy()
        if not (side != 0).any() or np.isnan(cost[side != 0]).all():
            return None, None, None
        since, until = (year.scale * float(np.nansum(cost[side == which])) for which in (1, -1))
        if one.measure == "te":
            # what was sprayed since would have been more, what was sprayed before would have been less: film_saving of each
            ends = [until * (1 - 1 / ratio) + since * (ratio - 1) for ratio in (one.difference, one.low, one.high)]
            return tuple(ends)
        if one.measure == "leftover_share":
            poured = self.lines.group_by("shop_id", "mix_id", maintain_order=True).agg(pl.col("poured_cost").sum())
            cups = self.cups.join(poured, on=["shop_id", "mix_id"], how="inner", maintain_order="left")
            cups = cups.filter(pl.col("day").is_between(year.from_on, year.to_on))
            amount = float(cups.filter(sides(one.change, cups) != 0)["poured_cost"].sum())
        elif one.measure == "redo_rate":
            amount = (since + until) / year.scale
        else:
            amount = float(part.filter(side != 0).select("shop_id", "job_id").n_unique())
        worth = [-amount * year.scale * figure for figure in (one.difference, one.high, one.low)]
        return tuple(worth)
