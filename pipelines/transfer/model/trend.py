"""Whether a shop's transfer moved from month to month, after guns, hands and work are reckoned.

Here belongs the random step of shop x role x month: what is left in the transfer model's residuals in the order of time. Wear of
single guns is in the model itself, alarms over guns in drift.py; what a month came to in all stands in totals.py.

    r_m = sum over layers of mean split x tau(shop, role, month) + e_m       r the model's relative residual, Var e = v + h se^2
    tau(shop, role, month) = a(shop, month) + b(shop, role, month), both random walks of steps N(0, s^2) and N(0, (s/2)^2)

A shop's steps share one s, chosen by the marginal likelihood with a half-normal prior of .05; steps are let be large now and then
(Student's t on 4 degrees of freedom, as weights: West 1984, J. R. Stat. Soc. B 46, 431), so that one true step is not spread
over its neighbours. The walk is centred: a shop's typical transfer stays the model's.
"""

from __future__ import annotations

import numpy as np
import polars as pl
import scipy.sparse as sp

from pipelines.transfer.model import design
from pipelines.transfer.model.linearise import Joint, Steps
from pipelines.transfer.solver.mixed_model import Floats

SCALE = 0.05  # half-normal scale of a month's step in log TE
TURN_SIZE = 0.3  # of a step where one was found
SIZES = (0.005, 0.01, 0.02, 0.035, 0.05, 0.08)  # of the common step, tried
OF_ROLE = 0.5  # a role's own step against the shop's
HEAVY = 4.0  # degrees of freedom of a step
PASSES = 8
QUIET = 1.5  # where no step is larger than this many of the common size, none is let be larger
KEY = ["shop_id", "role", "month"]


def steps(joint: Joint, turned: dict[str, list[str]] | None = None) -> Steps:
    """The steps of every shop and role, month by month, from its first to its last month of records.

    A record whose month is not known (0) says nothing here.
    turned: shop -> months that are known to be turns: their steps have the wide prior TURN_SIZE, so that they are not held back.
    """
    d, linear = joint.design, joint.linear
    se2 = float(joint.posterior.sd()[-1] ** 2)
    month = d.month
    shop, names = design.codes(d.keys["shop_id"])
    role_of_row, every_role = design.codes(d.row_keys["role"])
    share = linear.mean_share[d.group] / d.in_group
    residual = linear.y - (linear.design @ joint.posterior.theta())[d.signature_of_record]
    weight = 1 / (linear.v + linear.h * se2)
    used = np.flatnonzero(month[d.record] > 0)
    used = used[np.argsort(shop[d.record[used]], kind="stable")]
    cuts = np.searchsorted(shop[d.record[used]], np.arange(len(names) + 1))
    parts, covariance, offset = [], {}, 0
    for k, name in enumerate(names):
        at = used[cuts[k] : cuts[k + 1]]
        if not len(at):
            continue
        mine, local = np.unique(d.record[at], return_inverse=True)
        first = int(month[mine].min())
        n = int(month[mine].max()) - first + 1
        roles, role = np.unique(role_of_row[d.layer_row[at]], return_inverse=True)
        place = role * n + (month[mine] - first)[local]
        a = sp.csr_matrix((share[at], (local, place)), shape=(len(mine), len(roles) * n))
        known = [int(x[:4]) * 12 + int(x[5:7]) - 1 - first for x in (turned or {}).get(name, [])]
        mean, cov = _walk(a, residual[mine], weight[mine], len(roles), n, [k for k in known if 0 < k < n])
        parts.append(pl.DataFrame({
            "shop_id": [name] * len(mean), "role": np.repeat(np.array(every_role)[roles], n),
            "month": np.tile([f"{m // 12:04d}-{m % 12 + 1:02d}" for m in range(first, first + n)], len(roles)),
            "n": np.bincount(place, minlength=len(mean)), "step": mean, "sd": np.sqrt(np.maximum(np.diag(cov), 0.0)),
        }))  # fmt: skip
        covariance[name] = (np.arange(offset, offset + len(mean)), cov)
        offset += len(mean)
    schema = {
        "shop_id": pl.String,
        "role": pl.String,
        "month": pl.String,
        "n": pl.Int64,
        "step": pl.Float64,
        "sd": pl.Float64,
    }
    return Steps(pl.concat(parts) if parts else pl.DataFrame(schema=schema), covariance)


def _walk(a: sp.csr_matrix, y: Floats, w: Floats, roles: int, n: int, turns: list[int]) -> tuple[Floats, Floats]:
    """Posterior mean and covariance of the steps of one shop (role by role, month by month), size of steps integrated out.

    tau = L z, L the sums of steps of the shop and of each role, z ~ N(0, s^2 D), D the weights of single steps. Centred by the
    records' own weight: what is constant is the model's.
    """
    heavy = sp.csr_matrix(sp.diags(w) @ a)
    c, b = (a.T @ heavy).toarray(), np.asarray(heavy.T @ y).ravel()
    sums = np.tril(np.ones((n, n)))[:, 1:]
    common = np.tile(sums, (roles, 1))
    own = np.kron(np.eye(roles), sums) * OF_ROLE
    base = np.hstack([common, own])
    # each role's mean over its records is not a step: off
    about = np.diag(c).reshape(roles, n)
    centre = np.eye(roles * n)
    for r in range(roles):
        share = about[r] / about[r].sum() if about[r].sum() > 0 else np.full(n, 1 / n)
        centre[r * n : (r + 1) * n, r * n : (r + 1) * n] -= share
    base = centre @ base
    wide = np.zeros((roles + 1, n - 1))
    wide[0, [k - 1 for k in turns]] = TURN_SIZE
    wide[1:, [k - 1 for k in turns]] = SCALE
    least = wide.ravel()
    found = []
    gram, pull, one = base.T @ c @ base, base.T @ b, np.eye(base.shape[1])
    values, vectors = np.linalg.eigh(gram)  # of steps that all have one size every size is told by these
    along = vectors.T @ pull
    for size in SIZES:
        scale = np.maximum(size, least)
        inner = 1 + size**2 * np.maximum(values, 0.0)
        z, log_det = vectors @ (size * along / inner), np.log(inner).sum()
        inverse = (vectors / inner) @ vectors.T
        if least.any() or np.abs(z).max(initial=0.0) >= QUIET:
            for _ in range(PASSES):
                z = np.linalg.solve(one + scale[:, None] * gram * scale, scale * pull)
                if np.abs(z).max(initial=0.0) < QUIET:
                    break
                step2 = (z * scale / size) ** 2
                scale = np.maximum(size * np.sqrt((HEAVY + step2) / (HEAVY + 1)), least)
            inner = one + scale[:, None] * gram * scale
            inverse, log_det = np.linalg.inv(inner), np.linalg.slogdet(inner)[1]
            z = inverse @ (scale * pull)
        # log marginal likelihood of the steps as weighted, their weights' own density, and the prior of the size
        tail = np.where(least > 0, 1.0, scale / size) ** 2
        gain = 0.5 * (scale * pull @ z) - 0.5 * log_det
        gain += (
            float((-(HEAVY / 2 + 1) * np.log(tail) - HEAVY / (2 * tail) + HEAVY / 2).sum()) - 0.5 * (size / SCALE) ** 2
        )
        found.append((gain, scale * z, scale[:, None] * inverse * scale))
    top = max(g for g, *_ in found)
    chance = np.exp(np.array([g for g, *_ in found]) - top)
    chance /= chance.sum()
    mean = sum(p * m for p, (_, m, _) in zip(chance, found, strict=True))
    spread = sum(p * (v + np.outer(m - mean, m - mean)) for p, (_, m, v) in zip(chance, found, strict=True))
    return np.asarray(base @ mean), np.asarray(base @ spread @ base.T)


def turns(found: Steps) -> dict[str, list[str]]:
    """Shop -> the months from which on it was found to differ from before, by more than FOUND_Z standard errors in some role."""
    out: dict[str, list[str]] = {}
    for shop, (rows, cov) in found.covariance.items():
        part = found.frame[rows.tolist()]
        months = sorted({part["month"][i] for i, z in _changes(part, cov) if abs(z) > FOUND_Z})
        if months:
            out[shop] = months
    return out


def shifts(found: Steps, turned: dict[str, list[str]]) -> pl.DataFrame:
    """KEY, step of shops that turned: between two turns the mean over records, so that no month moves that was not found to."""
    frame = found.frame.filter(pl.col("shop_id").is_in(list(turned)))
    stretch = pl.sum_horizontal(
        pl.lit(0),
        *(
            ((pl.col("shop_id") == shop) & (pl.col("month") >= month)).cast(pl.Int64)
            for shop, months in turned.items()
            for month in months
        ),
    )
    mean = (pl.col("step") * pl.col("n")).sum() / pl.col("n").sum().clip(lower_bound=1)
    return frame.with_columns(stretch=stretch).select(*KEY, step=mean.over("shop_id", "role", "stretch"))


FOUND_Z = 3.0


def _changes(part: pl.DataFrame, cov: Floats) -> list[tuple[int, float]]:
    """Row and z of each month's difference from the month before, role by role."""
    step, role = part["step"].to_numpy(), part["role"].to_numpy()
    out = []
    for i in range(1, len(step)):
        if role[i] == role[i - 1]:
            variance = cov[i, i] + cov[i - 1, i - 1] - 2 * cov[i, i - 1]
            out.append((i, float((step[i] - step[i - 1]) / np.sqrt(max(variance, 1e-18)))))
    return out


def together(first: Steps, told: pl.DataFrame, then: Steps) -> Steps:
    """Steps found in rounds: those that the last fit was told (KEY, step) and what it found besides.

    Those of shops that turned are as uncertain as the first look left them: the rounds are about what that one missed.
    """
    shops = told["shop_id"].unique().to_list()
    known = told.rename({"step": "told"}).join(
        first.frame.select(*KEY, first_sd="sd"), on=KEY, how="left", maintain_order="left"
    )
    frame = then.frame.join(known, on=KEY, how="left", maintain_order="left").with_columns(
        pl.col("step") + pl.col("told").fill_null(0.0), sd=pl.coalesce("first_sd", "sd")
    )
    kept = {
        shop: (rows, first.covariance[shop][1] if shop in shops else cov)
        for shop, (rows, cov) in then.covariance.items()
    }
    return Steps(frame.drop("told", "first_sd"), kept)


def told_layers(prepared: pl.DataFrame, shifts: pl.DataFrame) -> pl.Series:
    """The step of each layer, 0 where none was found."""
    if not shifts.height:
        return pl.Series("step", np.zeros(prepared.height))
    year, month = (pl.col("month").str.slice(*at).cast(pl.Int64) for at in ((0, 4), (5, 2)))
    numbered = shifts.select("shop_id", "role", year * 12 + month - 1, "step")  # months as layers have them
    return prepared.select(KEY).join(numbered, on=KEY, how="left", maintain_order="left")["step"].fill_null(0.0)
