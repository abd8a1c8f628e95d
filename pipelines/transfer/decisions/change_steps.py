"""What a change did to one measure: its step in the model that the measure has anyhow.

    y = what the model of the measure says anyhow + step [rows since the change] + step of the role + meanwhile [the shop's rows of
        these days] + e,       step ~ N(0, .3^2), of the role ~ N(0, .1^2), meanwhile ~ N(0, .05^2)

Hands, guns, products and work that the change did not touch are its control, and a hand's own records before count in that hand's own
effect under its prior: whoever looked worst by chance comes back by itself, and that is no step. Here belong the measures of plain
tables: film, technique, leftovers (their models: film_model.py, technique.py, habits.py), redone work and the cost of a job (plain
models of this place: difference in differences over hands and kinds of work, spread from the data themselves). Transfer stands in
change_transfer.py, what becomes of all that in change_effects.py.
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
from scipy.special import gammaincinv, ndtr, ndtri

from pipelines.transfer.decisions import film_model, habits, technique
from pipelines.transfer.decisions.change_sides import MEASURES, Change, meanwhile, sides
from pipelines.transfer.model.design import PRIOR
from pipelines.transfer.solver.mixed_model import Floats
from pipelines.transfer.solver.table_model import Fitted, Term, labels
from schemas.published import Z95

LEAST = 3  # records on each side
AT_MOST = 20  # times the jobs since: what takes more is not foreseen
SCALE = {"technician": 0.05, "redo": 0.25, "kind": 0.5, "cost of a hand": 0.15, "cost": 0.5}  # half-normal (our choice)
DRIFT = 0.3  # of the share of repeats: how far all of a shop may move meanwhile; what .05 is of the share left over
EVEN = (np.arange(2000) + 0.5) / 2000  # quantiles that stand for a distribution
Mask = NDArray[np.bool_]
Part = tuple[str, str, float]  # term, level, weight


@dataclass(frozen=True)
class Step:
    """A change in one model: the rows of its sides, records of each, what it moved (on the model's scale) with its variance, and the
    columns that say so."""

    change: Change
    role: str | None
    after: Mask
    before: Mask
    n_before: int
    n_after: int
    step: float
    var: float
    parts: Sequence[Part] = ()


@dataclass(frozen=True)
class Effect:
    """What one change did to one measure. step, se: of its model's scale; needs: further jobs; returned: what came back by itself;
    the rest as in the table."""

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

    @classmethod
    def of(
        cls, one: Step, measure: str, before: float, after: float, moved: Callable[[float], float], better: int, grade: str,
        needs: int | None, returned: float | None = None,
    ) -> Effect:  # fmt: skip
        """moved: the difference that a step makes; better: 1 where a larger step is, else -1."""
        se = math.sqrt(one.var)
        low, middle, high = (moved(one.step + z * se) for z in (-Z95, 0.0, Z95))
        return cls(
            one.change, measure, one.role, one.step, se, before, after, middle, low, high, float(ndtr(better * one.step / se)),
            one.n_before, one.n_after, grade, needs, returned,
        )  # fmt: skip


def about(told: Sequence[Change], measure: str) -> list[Change]:
    return [change for change in told if measure in MEASURES[change["what"]]]


def period(change: Change) -> str:
    return f"{change['shop_id']}\t{change['on']}\t{change['until'] or ''}"


def grade(of_records: NDArray[Any]) -> str:
    return "A" if (of_records == "A").mean() >= 0.5 else "B"


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


def plain_of_hands(
    one: Step, frame: pl.DataFrame, mean: Callable[[Mask], float | None]
) -> dict[tuple[str, int], float]:
    """Hand, side -> the mean of its rows, of every hand of the shop; nothing where the change is not a hand's alone."""
    change, found = one.change, {}
    if change["technician_id"] is None or change["gun_id"] is not None or change["product_id"] is not None:
        return {}
    of_role = np.ones(frame.height, bool) if one.role is None else (frame["role"] == one.role).to_numpy()
    for hand in frame.filter(shop_id=change["shop_id"])["technician_id"].drop_nulls().unique().sort():
        side = sides({**change, "technician_id": hand}, frame)
        for which in (-1, 1):
            value = mean((side == which) & of_role)
            if value is not None:
                found[hand, which] = value
    return found


def came_back(
    plain: Mapping[tuple[str, int], float], one: Step, good: Callable[[float], float], step: float
) -> float | None:
    """What of a plain difference the model does not call the change's, where the hand was the worst of several before."""
    hand = one.change["technician_id"]
    before = {name: good(value) for (name, which), value in plain.items() if which == -1}
    if len(before) < 2 or (hand, 1) not in plain or before.get(hand, math.inf) > min(before.values()):
        return None
    return plain[hand, 1] - plain[hand, -1] - step


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
            days = period(change)
            shop = np.where(meanwhile(change, frame), days, "")
            found[f"meanwhile {days}"] = Term(f"meanwhile {days}", shop, prior=PRIOR["meanwhile"])
    return list(found.values())


class _Plain:
    """A fitted model of a table as changes ask it. own: its terms of hands; weight: 1 / variance of each row's chance."""

    def __init__(
        self, fitted: Fitted, frame: pl.DataFrame, y: Floats, own: tuple[str, ...] = ("technician",), weight: Floats | None = None
    ) -> None:  # fmt: skip
        self.fitted, self.frame = fitted, frame
        self.weight = np.full(frame.height, 1 / fitted.event_sd**2) if weight is None else weight
        self.names = {at: name for name, at in fitted.column.items()}
        self.theta = fitted.posterior.theta()
        terms = [self.names[at][0] for at in range(len(self.names))]
        self.of_change = np.array([t.split(" ")[0] in ("change", "role", "meanwhile") and " " in t for t in terms])
        self.miss = y - fitted.design @ np.where(np.isin(terms, own) | self.of_change, 0.0, self.theta)

    def each(self, told: Sequence[Change], by_role: bool = False) -> Iterator[Step]:
        for change in told:
            side, name = sides(change, self.frame), change["change_id"]
            for role in self.frame.filter(side == 1)["role"].unique().sort().to_list() if by_role else [None]:
                of_role = np.ones(len(side), bool) if role is None else (self.frame["role"] == role).to_numpy()
                after, before = (side == 1) & of_role, (side == -1) & of_role
                if min(after.sum(), before.sum()) < LEAST:
                    continue
                parts = [(f"change {name}", name, 1.0)] + ([(f"role of {name}", role, 1.0)] if role else [])
                if change["what"] == "product":
                    parts += [
                        (term, level, sign * w)
                        for at, sign in ((after, 1.0), (before, -1.0)) for term, level, w in self.work(at) if term == "product"
                    ]  # fmt: skip
                step, var = self.fitted.predict([parts])
                yield Step(
                    change, role, after, before, int(before.sum()), int(after.sum()), float(step[0]), float(var[0]), parts
                )  # fmt: skip

    def work(self, at: Mask, but_steps: bool = False) -> list[Part]:
        """The mean row of some rows; but_steps: without what changes added."""
        mean = sp.csr_matrix(self.fitted.design[np.flatnonzero(at)].mean(axis=0))
        return [
            (*self.names[int(c)], float(w)) for c, w in zip(mean.indices, mean.data, strict=True)
            if not (but_steps and self.of_change[c] and not self.names[int(c)][0].startswith("meanwhile"))
        ]  # fmt: skip

    def without(self, one: Step) -> Floats:
        """What the model expects of each row since, had there been no change."""
        return np.asarray(self.fitted.design[np.flatnonzero(one.after)] @ self.theta - one.step)

    def needs(self, one: Step) -> int | None:
        work = self.work(one.after)
        _, (alone, both) = self.fitted.predict([work, [*work, *one.parts]])
        known = self.frame.filter(one.after)
        jobs = known.select("shop_id", "job_id").n_unique() if "job_id" in known.columns else known.height
        weight = float(self.weight[one.after].mean()) * known.height / jobs
        return further(one.step, one.var, (both - alone - one.var) / 2, alone, weight, jobs)

    def returned(self, one: Step, good: Callable[[float], float], step: float) -> float | None:
        plain = plain_of_hands(
            one, self.frame, lambda at: float(self.miss[at].mean()) if at.sum() >= LEAST else None
        )  # fmt: skip
        return came_back(plain, one, good, step)

    def linear(self, one: Step, measure: str, good: Callable[[float], float] = lambda x: -x) -> Effect:
        """Of a measure on whose own scale the step stands; less of it is better."""
        middle = float(self.without(one).mean())
        return Effect.of(
            one, measure, middle, middle + one.step, lambda x: x, -1, "A", self.needs(one), self.returned(one, good, one.step)
        )  # fmt: skip


def of_film(told: Sequence[Change], ops: pl.DataFrame) -> Iterator[Effect]:
    """The chance that an operation's film lies above its sheet's window, mean over the work since.

    Side by side on log film, where the step stands: at the work since as the model expects it without the change, and with it. The
    side with fewer records is the one that moves over the step's interval.
    """
    asked = about(told, "film_over")
    if ops.is_empty() or not asked:
        return
    fitted, chance = film_model.fit(ops, steps(asked, ops, True))
    film, limit, var = (ops[c].to_numpy() for c in ("film_um", "film_max_um", "var_um2"))
    typical = limit * np.exp(fitted.design @ fitted.fit.best.theta)
    y = np.clip((film - typical) / typical, -film_model.CLIP, film_model.CLIP) + np.log(typical / limit)
    said = _Plain(fitted, ops, y, ("technician", "hand"), 1 / (var / typical**2 + chance))
    for one in said.each(asked, True):
        eta, job = said.without(one), chance[one.after]

        def over(step: float, eta: Floats = eta, job: Floats = job) -> float:
            return float(ndtr((eta + step - job / 2) / np.sqrt(job)).mean())

        def moved(step: float, one: Step = one, over: Callable[[float], float] = over) -> float:
            return over(step) - over(0.0) if one.n_before >= one.n_after else over(one.step) - over(one.step - step)

        plain = said.returned(one, lambda x: -x, 0.0)
        graded = ops.filter(one.after | one.before)["grade"].to_numpy()
        yield Effect.of(
            one, "film_over", over(0.0), over(one.step), moved, -1, grade(graded), said.needs(one),
            None if plain is None else moved(plain) - moved(one.step),
        )  # fmt: skip


def of_panels(told: Sequence[Change], each: pl.DataFrame, measure: str) -> Iterator[Effect]:
    """Tilt or edge of the panels since; better is nearer to none, whichever way it leaned."""
    asked = about(told, measure)
    if each.is_empty() or not asked:
        return
    fitted = technique.fit(each, measure, steps(asked, each, True))
    said = _Plain(fitted, each, each[measure].to_numpy())
    for one in said.each(asked, True):
        work = said.work(one.after, but_steps=True)
        mean, (base, both) = fitted.predict([work, [*work, *one.parts]])
        chance = nearer(float(mean[0]), float(base), one.step, one.var, float(both - base - one.var) / 2)
        yield replace(said.linear(one, measure, lambda x: -abs(x)), prob_better=chance)


def nearer(before: float, before_var: float, step: float, var: float, covariance: float) -> float:
    """P(|before + step| < |before|) of two normal figures: step and 2 before + step have opposite signs.

    The sum's conditional distribution, averaged over 2,000 even quantiles of the step.
    """
    total, total_var = 2 * before + step, 4 * before_var + var + 4 * covariance
    both = 2 * covariance + var
    rest = math.sqrt(max(total_var - both**2 / var, 1e-18))
    moves = step + math.sqrt(var) * ndtri(EVEN)
    above = ndtr((total + both / var * (moves - step)) / rest)
    return float(np.where(moves < 0, above, 1 - above).mean())


def of_leftovers(told: Sequence[Change], cups: pl.DataFrame) -> Iterator[Effect]:
    """The share of a cup that is left over, by whoever mixed it."""
    asked = about(told, "leftover_share")
    if not asked or cups.height < habits.FEW:
        return
    fitted, _ = habits.fitted(cups, steps(asked, cups, False))
    said = _Plain(fitted, cups.drop("job_id", strict=False), cups["share"].to_numpy())
    for one in said.each(asked):
        yield said.linear(one, "leftover_share")


def of_redone(told: Sequence[Change], work: pl.DataFrame) -> Iterator[Effect]:
    """The share of first operations that a later one repeats: role + hand + step + e for what it would have been, counts for what it is.

    Repeats are rare: k of the n since are Poisson, phi times as spread where several of a job are repeated together, and the share since
    is Gamma(k/phi + 1/2, n/phi) (Jeffreys' prior). What it would have been, without the step, is a mean over many operations: Gamma
    of its mean and variance. The difference is told by its quantiles. Where nothing was ever redone there is nothing to say.
    """
    asked = about(told, "redo_rate")
    first = work.filter(pl.col("redo_of").is_null())
    y = first["redone"].cast(pl.Float64).to_numpy()
    if not asked or not y.any():
        return
    terms = [
        Term("role", labels(first, "role"), prior=(0.05, 0.2)),
        Term("technician", labels(first, "technician_id"), scale=SCALE["technician"], local=True),
        *(
            replace(t, prior=(0.0, DRIFT * float(y.mean()))) if t.name.startswith("meanwhile") else t
            for t in steps(asked, first, False)
        ),
    ]
    fitted = Fitted(terms, y, 0 * y, np.ones(len(y)), SCALE["redo"])
    said = _Plain(fitted, first, y)
    job = np.unique(labels(first, "shop_id", "job_id"), return_inverse=True)[1]
    for one in said.each(asked):
        found = said.linear(one, "redo_rate")
        _, (var,) = fitted.predict([said.work(one.after, but_steps=True)])
        own = one.after | one.before
        left = np.bincount(job[own], y[own] - y[own].mean())
        few = max(float(left @ left) / max(y[own].sum(), 1.0), 1.0)
        before = max(found.before, 0.5 / len(y))
        shape = before**2 / float(var)
        was = gammaincinv(shape, EVEN[::5]) * before / shape
        now = gammaincinv(y[one.after].sum() / few + 0.5, EVEN[::5]) * few / one.n_after
        difference = np.sort((now[:, None] - was).ravel())
        low, middle, high = np.quantile(difference, [0.025, 0.5, 0.975]).tolist()
        better = float((difference < 0).mean())
        z = float(ndtri(1 - better)) if 0 < better < 1 else math.copysign(8.0, middle)
        yield replace(
            found, before=before, after=before + middle, difference=middle, low=low, high=high, prob_better=better, step=z, se=1.0,
            needs=found.needs or None,
        )  # fmt: skip


def of_costs(told: Sequence[Change], lines: pl.DataFrame) -> Iterator[Effect]:
    """Material cost of a job, in money: log cost = kind of job (its roles and their sizes) + hand + step + e.

    The hand is the one who sprayed most of it; of a product the job's cost is that of its role. A job of which a price is missing is
    left out.
    """
    asked = about(told, "cost_per_job")
    if not asked or lines.is_empty():
        return
    roles = lines.drop_nulls("product_id").unique("product_id", keep="first", maintain_order=True)
    of_product = dict(roles.select("product_id", "role").iter_rows())
    of_role: dict[str | None, list[Change]] = {}
    for change in asked:
        of_role.setdefault(change["role"] or of_product.get(change["product_id"]), []).append(change)
    for role, some in of_role.items():
        jobs = job_costs(lines if role is None else lines.filter(pl.col("role") == role))
        if jobs.is_empty():
            continue
        terms = [
            Term("all", np.full(jobs.height, "all"), prior=(3.0, 3.0)),
            Term("size", np.full(jobs.height, "size"), jobs["log_m2"].to_numpy(), prior=(0.8, 0.5)),
            Term("kind", labels(jobs, "shop_id", "kind"), scale=SCALE["kind"], local=True),
            Term("technician", labels(jobs, "technician_id"), scale=SCALE["cost of a hand"], local=True),
            Term("product", labels(jobs, "product_id"), scale=SCALE["kind"]),
            *steps(asked, jobs, False),
        ]
        y = jobs["cost"].log().to_numpy()
        said = _Plain(Fitted(terms, y, 0 * y, np.ones(len(y)), SCALE["cost"]), jobs, y)
        for one in said.each(some):
            after = float(np.exp(y[one.after]).mean())

            def less(step: float, after: float = after) -> float:
                return after * (1 - math.exp(-step))

            yield Effect.of(one, "cost_per_job", after - less(one.step), after, less, -1, "B", said.needs(one))


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
