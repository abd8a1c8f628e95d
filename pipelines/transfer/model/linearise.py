"""The passes: a nonlinear sum over layers brought to a linear mixed model, again and again.

    E[D_m] = sum_l V_l exp(eta_l)        D landed, V sprayed, mL of solids

Painters spray until the film is there, so a record's own split of what landed carries its own error. Each pass therefore
weights a record's design rows by the MEAN split over all records of the same role set, an instrument that knows nothing of
the record's error; what was predicted wrongly, (D - Dhat)/Dhat, is regressed on that. Base and clear are told apart by
records of one layer and by crossed guns and hands, and by nothing else. log D is never taken: D may be small or negative.

Here belong the passes, the screening between them and the model's own residuals. Source of the idea of instruments for
errors in the regressor: Wald 1940, Ann. Math. Stat. 11, 284 (grouping); the passes are iteratively reweighted least squares
for a log link (McCullagh and Nelder 1989, Generalized Linear Models, section 2.5).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import polars as pl
import scipy.sparse as sp
from numpy.typing import NDArray

from pipelines.transfer.model.design import Design
from pipelines.transfer.solver import mixed_model
from pipelines.transfer.solver.mixed_model import Floats, Ints

CLIP = 1.5  # a relative residual beyond this is taken as this: one gross error must not steer a pass
MAX_PASSES = 25
TOLERANCE = 1e-5  # largest change of any layer's log TE between passes
ROUGH = 0.02  # the same before the first screening; log sd likewise
SETTLED = (
    1e-4  # of log sd where it is known best, the event's: theta moves by far less (n records tell it to 1/sqrt(2 n))
)
FEW_RECORDS = 5_000  # up to here the variance components' posterior is drawn: levels may be few, and drawing is cheap
SCREEN_Z = 4.0
SCREEN_ABOVE_ONE = 3.0
PSEUDO_RECORDS = 10.0  # a role set's mean split leans on the roles' typical films until it has many of its own


@dataclass(frozen=True)
class Linear:
    """One linearisation. Per record: predicted landed (mL), the parts of the residual's relative variance, working y. Per
    signature of the design it belongs to: design, its row at the mean splits.

    v areas and what was sprayed, s the readings as stated (once fitted, v takes them in at their fitted size), h the event
    """

    predicted: Floats
    v: Floats
    s: Floats
    h: Floats
    y: Floats
    design: sp.csr_matrix
    mean_share: Floats


@dataclass(frozen=True)
class Steps:
    """Of shops from month to month (trend.py). frame: shop_id, role, month (YYYY-MM), n (records), step (log TE against the
    shop's typical), sd; covariance: per shop the rows of frame it holds (in order) and the covariance of their steps; turned:
    shops whose steps the model was told."""

    frame: pl.DataFrame
    covariance: dict[str, tuple[Ints, Floats]]
    turned: tuple[str, ...] = ()


@dataclass(frozen=True)
class Joint:
    """The fitted model. design and linear hold the records kept; z is standardised, nan where never predicted, and runs
    over all records, as the numbers in `kept` do. `posterior` carries the variance components' uncertainty."""

    design: Design
    layout: mixed_model.Layout
    linear: Linear
    fit: mixed_model.Fit
    posterior: mixed_model.Integrated
    passes: int
    converged: bool
    z: Floats
    kept: Ints
    steps: Steps | None = None  # of the shop from month to month, where `estimate` looked for them


def linearise(design: Design, theta: Floats, on: NDArray[np.bool_], frame: mixed_model.Frame | None = None) -> Linear:
    """Residuals and design rows at theta (estimation of sums: module docstring).

    v = area + sum w^2 u_V^2 ; s = s2_read / Dhat^2 ; h = sum w^2 ; w = own split V exp(eta) / Dhat (variances only)
    y = clip((D - Dhat) / Dhat) + a'theta ; a = sum over layers of mean split x design row
    """
    d = design
    landed = d.sprayed * np.exp(d.rows @ theta)[d.layer_row]
    predicted = np.add.reduceat(landed, d.start) if d.n else np.zeros(0)
    share = landed / predicted[d.record]
    v = d.area_var + np.bincount(d.record, share**2 * d.own_var, minlength=d.n)
    h = np.bincount(d.record, share**2, minlength=d.n).astype(float)

    mean_share = mean_split(d, landed, share, on)
    rows = frame.design(design_rows(d, mean_share, frame.example_row)) if frame else design_rows(d, mean_share)
    residual = np.clip((d.landed - predicted) / predicted, -CLIP, CLIP)
    return Linear(
        predicted, v, d.read_var / predicted**2, h, residual + (rows @ theta)[d.signature_of_record], rows, mean_share
    )


def design_rows(d: Design, share_of_group: Floats, signatures: Ints | None = None) -> sp.csr_matrix:
    """One design row per signature (all, or those named): its layers' rows, each times its group's share (evenly split
    inside a group). The layers are those of the signature's first record."""
    first = d.signature if signatures is None else d.signature[signatures]
    count = np.append(d.start, len(d.record))[first + 1] - d.start[first]
    begin = np.cumsum(count) - count
    layer = np.repeat(d.start[first] - begin, count) + np.arange(int(count.sum()))
    share = share_of_group[d.group[layer]] / d.in_group[layer]
    spread = sp.csr_matrix(
        (share, d.layer_row[layer], np.append(begin, len(layer))), shape=(len(first), d.rows.shape[0])
    )
    rows = sp.csr_matrix(spread @ d.rows)
    rows.sort_indices()
    return rows


def frame_of(d: Design) -> mixed_model.Frame:
    """The part of the equations that no pass changes. Any shares will do that are never equal by chance."""
    symbols = np.random.default_rng(0).random(len(d.role_of_group)) + 0.5
    return mixed_model.Frame(design_rows(d, symbols), d.unknowns)


def mean_split(d: Design, landed: Floats, share: Floats, on: NDArray[np.bool_]) -> Floats:
    """Mean split per (role set, run of one role): sums to 1 over a role set.

    Few records are helped by a typical split, the mean film volume of each role over all records, as if seen ten times: the
    mean of a handful would carry each one's own error back in.
    """
    groups, layer_on = len(d.role_of_group), on[d.record]
    in_set = np.bincount(d.set_of_group[d.group[d.start]], on, minlength=int(d.set_of_group.max(initial=0)) + 1)
    own = np.bincount(d.group, share * layer_on, minlength=groups)
    role = d.role_of_group[d.group]
    typical = np.bincount(role, landed) / np.bincount(role).clip(1)
    typical = typical[d.role_of_group]
    typical = typical / np.bincount(d.set_of_group, typical)[d.set_of_group]
    return np.asarray((own + PSEUDO_RECORDS * typical) / (in_set[d.set_of_group] + PSEUDO_RECORDS))


def subset(d: Design, keep: Ints) -> Design:
    """The design without some records: `keep` are record numbers, ascending."""
    if len(keep) == d.n:
        return d
    flag = np.zeros(d.n, bool)
    flag[keep] = True
    rank = np.cumsum(flag) - 1
    layers = flag[d.record]
    count = np.bincount(d.record, minlength=d.n)[keep]
    signature = d.signature_of_record[keep]
    return replace(
        d, keys=d.keys[keep], landed=d.landed[keep], read_var=d.read_var[keep], area_var=d.area_var[keep],
        month=d.month[keep], grade=d.grade[keep],
        start=np.concatenate([[0], np.cumsum(count)[:-1]]).astype(np.int64), record=rank[d.record[layers]],
        sprayed=d.sprayed[layers], own_var=d.own_var[layers], layer_row=d.layer_row[layers], group=d.group[layers],
        in_group=d.in_group[layers], signature=np.flatnonzero(np.diff(signature, prepend=-1)),
        signature_of_record=np.cumsum(np.diff(signature, prepend=-1) > 0) - 1,
    )  # fmt: skip


def passes(
    design: Design, frame: mixed_model.Frame, on: NDArray[np.bool_], theta: Floats, log_sd: Floats, rough: bool
) -> tuple[mixed_model.Model, Linear, mixed_model.Fit, int, bool]:
    """Linearise and solve until nothing moves. Returns the last model, linearisation, fit, passes made, whether settled.

    rough: near enough to see which records lie far off; the passes after that are the ones that count.
    """
    prior, last = mixed_model.Prior(design.scale), np.inf
    for number in range(1, MAX_PASSES + 1):
        linear = linearise(design, theta, on, frame)
        data = mixed_model.Data(linear.y, linear.v, linear.h, design.signature, on.astype(float), linear.s)
        model = mixed_model.Model(linear.design, design.unknowns, data, frame)
        # the first look is from the priors' means: no spread is worth fitting to that
        known_to = np.inf if rough and number == 1 else ROUGH if rough else SETTLED
        fitted = mixed_model.fit(model, log_sd, prior, tolerance=max(1e-6, design.n * known_to**2))
        moved = float(np.abs(design.rows @ (fitted.best.theta - theta)).max(initial=0.0))
        if moved < (ROUGH if rough else TOLERANCE):
            return model, linear, fitted, number, fitted.converged
        # where the passes do not draw nearer to each other they swing about the answer: go half the way
        step = 0.5 if moved > 0.7 * last else 1.0
        theta, log_sd, last = theta + step * (fitted.best.theta - theta), fitted.best.log_sd, moved
    return model, linear, fitted, MAX_PASSES, False


def solve(design: Design, known_log_sd: Floats | None = None) -> Joint:
    """Passes, screening, passes again until nothing more is set aside, then the variance components' uncertainty.

    Set aside: |z| > 4 with z = (D - Dhat)/Dhat / sqrt(v + s f^2 + h se^2), or D/V above 1 by more than 3 of its own standard
    uncertainties. No plain cut on the ratio: it trims noisy records from one side and biases what is left.
    known_log_sd: variance components that are known (for comparison with an oracle); nothing is then maximised.
    """
    theta = np.where(design.unknowns.component < 0, design.unknowns.prior_mean, 0.0)
    log_sd = np.where(np.isnan(design.scale), 0.0, np.log(design.scale * 0.6))
    frame = frame_of(design)
    z = np.full(design.n, np.nan)
    on = ~above_one(design)
    for turn in range(5):
        if known_log_sd is None:
            model, linear, fitted, number, converged = passes(design, frame, on, theta, log_sd, turn == 0)
        else:
            model, linear, fitted, number, converged = _known(design, frame, on, theta, known_log_sd)
        theta, log_sd = fitted.best.theta, fitted.best.log_sd
        miss = (design.landed - linear.predicted) / linear.predicted
        linear = replace(linear, v=linear.v + linear.s * np.exp(2 * log_sd[-2]))
        z = np.where(on, miss / np.sqrt(linear.v + linear.h * np.exp(2 * log_sd[-1])), z)
        far = on & (np.abs(z) > SCREEN_Z)
        if turn and not far.any():
            break
        on &= ~far
    points = [fitted.best]
    if known_log_sd is None:
        points = mixed_model.points(model, fitted, mixed_model.Prior(design.scale), drawn=design.n <= FEW_RECORDS)
    layout = model.layout
    del model, frame  # larger than all that is kept
    kept = np.flatnonzero(on)
    own = {name: getattr(linear, name)[kept] for name in ("predicted", "v", "s", "h", "y")}
    # a signature all of whose records are set aside goes with them
    used = np.flatnonzero(np.bincount(design.signature_of_record[kept]))
    linear = replace(linear, **own, design=linear.design[used])
    return Joint(
        subset(design, kept), layout, linear, fitted, mixed_model.Integrated(points), number, converged, z, kept
    )


def _known(
    design: Design, frame: mixed_model.Frame, on: NDArray[np.bool_], theta: Floats, log_sd: Floats
) -> tuple[mixed_model.Model, Linear, mixed_model.Fit, int, bool]:
    """The passes at given variance components."""
    for number in range(1, MAX_PASSES + 1):  # noqa: B007
        linear = linearise(design, theta, on, frame)
        data = mixed_model.Data(linear.y, linear.v, linear.h, design.signature, on.astype(float), linear.s)
        model = mixed_model.Model(linear.design, design.unknowns, data, frame)
        solution = model.evaluate(log_sd)
        moved = float(np.abs(design.rows @ (solution.theta - theta)).max(initial=0.0))
        theta = solution.theta
        if moved < TOLERANCE:
            break
    return model, linear, mixed_model.Fit(solution, True), number, moved < TOLERANCE


def above_one(d: Design) -> NDArray[np.bool_]:
    """Records that landed more than was sprayed by over 3 standard uncertainties: something was not written down."""
    sprayed = np.bincount(d.record, d.sprayed, minlength=d.n)
    ratio = d.landed / sprayed
    share = d.sprayed / sprayed[d.record]
    u2 = d.area_var + np.bincount(d.record, share**2 * d.own_var, minlength=d.n)
    u2 += d.read_var / np.maximum(d.landed, 1e-12) ** 2
    return ratio > 1 + SCREEN_ABOVE_ONE * ratio * np.sqrt(u2)
