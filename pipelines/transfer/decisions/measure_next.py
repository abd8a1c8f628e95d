"""What to record next: further jobs put into the fitted model, to see which figure they narrow and by how much.

    var_then = var - c'(A + D)^-1 c        c_k = cov(figure, a_k), A_jk = cov(a_j, a_k), D_k = 1 / (n_k W_k)

figure and a_k are design rows, n_k further records of kind k, W = 1/(v + h se^2) of a typical one of its kind. Tried is what
occurs: no more jobs than the shop had of the kind in the last three months, sprayed with guns that fit (gun_fit).
Here belong the trying and its words. What is known so far stands in the transfer tables.

Source: the inverse of Henderson's equations with rows added (Woodbury's identity; Golub and Van Loan, Matrix Computations, 2.1).
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from functools import partial
from typing import Any

import numpy as np
import polars as pl
import scipy.sparse as sp
from scipy import stats

from pipelines.transfer.model.linearise import Joint
from pipelines.transfer.solver.mixed_model import Floats, Rows
from schemas.published import Z95
from schemas.registers import ROLES

QUARTER_DAYS = 91
STEPS = (3, 5, 10, 20, 40)  # further jobs that are tried
ENOUGH = 0.10  # half width over the figure, shared terms apart, from which more is not asked for
WORTH_IT = 0.9  # of the half width now, shared terms apart: what narrows less is not told
MOST = 8  # lines a shop
WEIGH = "weigh every cup back"
#: what a shop that records mixes alone begins with: action, figure, place (our choice of order: the cheapest first)
BEGIN = (
    ("write down for each spray step the job, cup, gun, hand and panels", "what a square metre takes; who and which gun lands how much", 0.9),
    ("read the film on marked places before and after spraying", "transfer efficiency and over-build", 0.8),
)  # fmt: skip
NO_FIGURE = "there is no figure yet that a saving could be reckoned from"
NO_SAVING = "no saving in money hangs on this figure"


def narrowed(variance: float, covariance: Floats, between: Floats, weight: Floats) -> float:
    """Variance of a figure once k kinds of records are added: covariance (k,) with them, between (k, k), weight (k,) = n W."""
    return float(variance - covariance @ np.linalg.solve(between + np.diag(1 / weight), covariance))


def measure_next(
    joint: Joint | None,
    sprays: pl.DataFrame,
    mixes: pl.DataFrame,
    gun_fit: pl.DataFrame,
    transfer_by_role: pl.DataFrame,
    transfer_by_technician: pl.DataFrame,
    savings: pl.DataFrame,
) -> pl.DataFrame:
    """Table measure_next, shop by shop the records that narrow most, by what they narrow of the shop's sprayed solids.

    sprays: shop_id, gun_id, technician_id, role, started_at; mixes: shop_id, leftover_known; savings: the table. half widths
    are of TE, null where there is no figure yet; worth: see `worth`, null where no saving hangs on the figure, with the reason
    beside it.
    """
    known = sprays.filter(pl.col("role").is_not_null() & pl.col("gun_id").is_not_null())
    last = known.group_by("shop_id", maintain_order=True).agg(
        last=pl.col("started_at").max(), first=pl.col("started_at").min()
    )
    recent = known.join(last, on="shop_id").filter(
        pl.col("started_at") > pl.col("last") - dt.timedelta(days=QUARTER_DAYS)
    )
    no = (
        ~pl.col("tip_fits").fill_null(True)
        | ~pl.col("atomising_allowed").fill_null(True)
        | pl.col("cross_use").fill_null(False)
    )
    use = ["shop_id", "gun_id", "role"]
    misfits = gun_fit.group_by(use, maintain_order=True).agg(misfit=no.all()).filter("misfit")
    recent = recent.join(misfits, on=use, how="anti")
    figure = ["shop_id", "technician_id", "role", "estimate", "low", "high"]
    of_roles = transfer_by_role.with_columns(technician_id=pl.lit(None, pl.String))
    figures = pl.concat([of_roles.select(figure), transfer_by_technician.select(figure)])
    figures = figures.sort("shop_id", "role", "technician_id", nulls_last=False)
    unweighed = mixes.group_by("shop_id", maintain_order=True).agg(unweighed=(~pl.col("leftover_known")).mean())
    tried = _Tried(joint, last) if joint is not None else None
    hangs = _hangs(savings)
    rows: list[dict[str, Any]] = []
    sprayed = recent.partition_by("shop_id", "role", as_dict=True)
    for one in figures.iter_rows(named=True):
        mine = sprayed.get((one["shop_id"], one["role"]), recent.clear())
        if one["technician_id"] is not None:
            mine = mine.filter(pl.col("technician_id") == one["technician_id"])
        rows += _of_figure(one, mine, tried, hangs)
    unknown = recent.join(figures.drop_nulls("estimate"), on=["shop_id", "role"], how="anti")
    for (shop, role), part in unknown.sort("shop_id", "role").group_by("shop_id", "role", maintain_order=True):
        if part.height >= STEPS[0]:
            action, jobs = _film(str(role), None), min(part.height, STEPS[1])
            rows.append(_row(str(shop), action, jobs, _name(str(role), None), None, None, 0.0))
    for shop, share in unweighed.sort("shop_id").iter_rows():
        if tried is None and (share or 0.0) > 0.1:
            rows.append(_row(shop, WEIGH, None, "what left every cup", None, None, 1.0))
    for shop in sorted(set(unweighed["shop_id"]) - set(sprays["shop_id"])):
        rows += [_row(shop, action, None, name, None, None, gain) for action, name, gain in BEGIN]
    if not rows:
        return pl.DataFrame()
    why = pl.when(pl.col("half_width_now").is_null()).then(pl.lit(NO_FIGURE)).otherwise(pl.lit(NO_SAVING))
    return (
        pl.DataFrame(rows, schema_overrides={"worth": pl.Float64}, infer_schema_length=None)
        .with_columns(why_no_worth=pl.when(pl.col("worth").is_null()).then(why))
        .sort("shop_id", "gain", "figure", "action", descending=[False, True, False, False])
        .with_columns(rank=pl.int_range(1, pl.len() + 1, dtype=pl.Int64).over("shop_id"))
        .filter(pl.col("rank") <= MOST)
        .drop("gain")
    )


def _name(role: str, technician: str | None) -> str:
    return f"transfer of {role.replace('_', ' ')}" + (f" by {technician}" if technician else "")


def _film(role: str, partner: str | None) -> str:
    if partner:
        first, then = sorted((role, partner), key=ROLES.index)
        return f"tape a strip, pull it between {first.replace('_', ' ')} and {then.replace('_', ' ')}, read both"
    return f"read the film before and after {role.replace('_', ' ')}"


def _row(
    shop: str, action: str, jobs: int | None, figure: str, now: float | None, then: float | None, gain: float
) -> dict[str, Any]:
    return {"shop_id": shop, "action": action, "jobs": jobs, "figure": figure, "half_width_now": now, "half_width_then": then,
            "gain": gain, "worth": None}  # fmt: skip


def worth(mean: float, sd: float, part: float) -> float:
    """What deciding gains on average once `part` of the variance of a yearly saving is known: sd' (phi(u) - u (1 - Phi(u))).

    sd' = sd sqrt(part), u = |mean| / sd'. Without looking one acts where the mean saving is above 0; looking pays only where
    it can turn that. Source: the value of sample information under a linear loss (Raiffa and Schlaifer 1961, Applied
    Statistical Decision Theory, 5.4: from memory).
    """
    known = sd * np.sqrt(max(part, 0.0))
    if not known > 0:
        return 0.0
    u = abs(mean) / known
    return float(known * (stats.norm.pdf(u) - u * stats.norm.sf(u)))


def _hangs(savings: pl.DataFrame) -> dict[tuple[str, str], tuple[float, float]]:
    """Mean and sd of the yearly saving that a shop's figures decide on: by its better hands (transfer), less the price of the
    gun in the first year (gun)."""
    known = savings.filter(pl.col("lever").is_in(["transfer", "gun"])).drop_nulls(["per_year_cost", "low", "high"])
    known = known.filter((pl.col("lever") == "transfer") | pl.col("price").is_not_null())
    return {
        (shop, lever): (mean - (price or 0.0 if lever == "gun" else 0.0), (high - low) / (2 * Z95))
        for shop, lever, mean, low, high, price in known.select(
            "shop_id", "lever", "per_year_cost", "low", "high", "price"
        ).iter_rows()
    }


def _of_figure(
    figure: dict[str, Any], mine: pl.DataFrame, tried: _Tried | None, hangs: dict[tuple[str, str], tuple[float, float]]
) -> list[dict[str, Any]]:
    """The two things that are tried for one figure: film of its own layer alone, and every cup weighed back."""
    shop, technician, role, te = (figure[k] for k in ("shop_id", "technician_id", "role", "estimate"))
    if tried is None or not te or not figure["low"] or not figure["high"]:
        return []
    own = tried.mean_row(shop, technician, role, None)
    if own is None:
        return []
    se = float(np.log(figure["high"] / figure["low"])) / (2 * Z95)
    variance = tried.variance(own)  # without what all records share, which no further record of the shop's narrows
    if np.expm1(Z95 * np.sqrt(variance)) <= ENOUGH:
        return []
    kinds = []
    row = tried.mean_row(shop, technician, role, mine["gun_id"].unique().to_list())
    if mine.height >= STEPS[0] and row is not None:
        steps = [n for n in STEPS if n < mine.height] + ([mine.height] if mine.height <= STEPS[-1] else [])
        more, alone = tried.left(own, row), tried.weight_alone(role)
        left = [more(np.array([n * alone])) for n in steps]
        best = next((k for k, v in enumerate(left) if np.expm1(Z95 * np.sqrt(v)) <= ENOUGH), len(steps) - 1)
        kinds.append((_film(role, tried.partner(shop, role)), steps[best], left[best]))
    weighing = tried.weighing(shop)
    if weighing is not None:
        rows, weight, jobs = weighing
        kinds.append((WEIGH, jobs, tried.left(own, rows)(weight)))
    now, share, name = (
        (figure["high"] - figure["low"]) / 2,
        tried.share(shop, technician, role),
        _name(role, technician),
    )
    out = []
    for action, jobs, v in kinds:
        if v < WORTH_IT**2 * variance:
            then = float(te * np.sinh(Z95 * np.sqrt(max(se**2 - variance + v, 0.0))))
            saving = hangs.get((shop, "gun" if technician is None else "transfer"))
            # a saving is a matter of all that is sprayed: a figure tells its share of it; what is shared cancels in it
            decides = None if saving is None else worth(*saving, share * (1 - v / variance))
            out.append(_row(shop, action, jobs, name, now, then, (now - then) * share) | {"worth": decides})
    return out


Weighing = tuple[sp.csr_matrix, Floats, int]


class _Tried:
    """The fitted model, ready to take further records of a kind."""

    def __init__(self, joint: Joint, last: pl.DataFrame):
        self.joint, d = joint, joint.design
        self.weighings: dict[str, Weighing | None] = {}
        kind = np.array([name for name, _ in d.names])
        self.weighed = sp.diags((kind != "unweighed").astype(float))
        self.rows = sp.csr_matrix(d.rows @ self.weighed)
        keys = d.row_keys.with_columns(
            pl.Series("number", np.arange(d.rows.shape[0])),
            pl.Series("ml", np.bincount(d.layer_row, d.sprayed, d.rows.shape[0])),
        )
        self.none = keys.clear()
        self.keys = keys.partition_by("shop_id", "role", as_dict=True)
        self.ml: dict[str, float] = dict(
            keys.group_by("shop_id", maintain_order=True).agg(pl.col("ml").sum()).iter_rows()
        )
        event = float(joint.posterior.sd()[-1] ** 2)
        self.weight = 1 / (joint.linear.v + joint.linear.h * event)
        signature_unweighed = np.asarray(joint.linear.design[:, kind == "unweighed"].sum(axis=1)).ravel() > 0
        self.unweighed = signature_unweighed[d.signature_of_record]
        self.alone = np.bincount(d.record, minlength=d.n) == 1
        self.first_role = d.row_keys["role"].to_numpy()[d.layer_row[d.start]] if d.n else np.zeros(0, object)
        self.set = d.set_of_group[d.group[d.start]] if d.n else np.zeros(0, int)
        self.shop = d.keys["shop_id"].to_numpy()
        self.days = {
            s: max((b - a).total_seconds() / 86400, 1.0)
            for s, b, a in last.select("shop_id", "last", "first").iter_rows()
        }

    def mean_row(self, shop: str, technician: str | None, role: str, guns: list[str] | None) -> sp.csr_matrix | None:
        """Mean design row of a shop's operations of a role, of one hand or all, with some guns or all, as if all were weighed."""
        at = self.keys.get((shop, role), self.none)
        at = at if technician is None else at.filter(pl.col("technician_id") == technician)
        at = at if guns is None else at.filter(pl.col("gun_id").is_in(guns))
        if not at.height:
            return None
        times = at["times"].to_numpy().astype(float)
        pick = sp.csr_matrix(
            (times / times.sum(), (np.zeros(at.height, int), at["number"].to_numpy())), shape=(1, self.rows.shape[0])
        )
        return sp.csr_matrix(pick @ self.rows)

    def _between(self, one: sp.csr_matrix, other: sp.csr_matrix) -> Floats:
        layout = self.joint.layout
        return self.joint.posterior.covariance(Rows.of(layout, one), Rows.of(layout, other))

    def variance(self, figure: sp.csr_matrix) -> float:
        """Of log TE of a figure as it is."""
        return float(self._between(figure, figure)[0])

    def left(self, figure: sp.csr_matrix, rows: sp.csr_matrix) -> Callable[[Floats], float]:
        """What is left of the variance of a figure once n W of records with these design rows are added, by n W."""
        k = rows.shape[0]
        i, j = (x.ravel() for x in np.indices((k, k)))
        covariance = self._between(figure[np.zeros(k, int)], rows)
        return partial(narrowed, self.variance(figure), covariance, self._between(rows[i], rows[j]).reshape(k, k))

    def weight_alone(self, role: str) -> float:
        """W of a typical record of one layer of a role."""
        at = self.alone & (self.first_role == role)
        at = at if at.any() else self.alone if self.alone.any() else np.ones(len(self.alone), bool)
        return float(np.median(self.weight[at]))

    def weighing(self, shop: str) -> Weighing | None:
        """The records of three months whose cups were not weighed back, as they would be: rows, n W, jobs. None: all were."""
        if shop not in self.weighings:
            self.weighings[shop] = self._weighing(shop)
        return self.weighings[shop]

    def _weighing(self, shop: str) -> Weighing | None:
        d = self.joint.design
        rows, weight, total = [], [], 0.0
        for kind in np.unique(self.set[(self.shop == shop) & self.unweighed]):
            mine = (self.shop == shop) & self.unweighed & (self.set == kind)
            n = mine.sum() * QUARTER_DAYS / max(self.days.get(shop, QUARTER_DAYS), QUARTER_DAYS)
            like = (self.set == kind) & ~self.unweighed
            like = like if like.any() else ~self.unweighed
            if n < 1 or not like.any():
                continue
            count = np.bincount(d.signature_of_record[mine], minlength=self.joint.linear.design.shape[0])
            rows.append(sp.csr_matrix(count / count.sum()) @ self.joint.linear.design @ self.weighed)
            weight.append(n * float(np.median(self.weight[like])))
            total += n
        return (sp.csr_matrix(sp.vstack(rows)), np.array(weight), round(total)) if rows else None

    def partner(self, shop: str, role: str) -> str | None:
        """The role that a role's film is mostly read together with in a shop; None where it is mostly read alone."""
        d = self.joint.design
        roles = d.row_keys["role"].to_numpy()[d.layer_row]
        here = (self.shop[d.record] == shop) & (roles == role)
        sums = np.unique(d.record[here & ~self.alone[d.record]])
        if not len(sums) or len(sums) <= self.alone[d.record[here]].sum():
            return None
        others = roles[np.isin(d.record, sums) & (roles != role)]
        names, count = np.unique(others.astype(str), return_counts=True)
        return str(names[np.argmax(count)]) if len(names) else None

    def share(self, shop: str, technician: str | None, role: str) -> float:
        """A figure's part of the solids that the shop sprayed in its records."""
        of = self.keys.get((shop, role), self.none)
        of = of if technician is None else of.filter(pl.col("technician_id") == technician)
        return float(of["ml"].sum()) / max(self.ml.get(shop, 0.0), 1e-300)
