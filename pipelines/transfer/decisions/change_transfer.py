"""What a change did to transfer efficiency: its step in the transfer model (model/design.py), by role; see change_steps.py.

What moves with the change: its steps; of a new gun the gun, its way of atomising and its pairs with the hands, of a new product the
product, of any change of a gun its wear, at their mean over the layers of each side.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

import numpy as np
import polars as pl
import scipy.sparse as sp

from pipelines.transfer.decisions.change_sides import NEW_GUN, Change, meanwhile, sides
from pipelines.transfer.decisions.change_steps import (
    LEAST,
    Effect,
    Mask,
    Step,
    about,
    came_back,
    further,
    grade,
    period,
    plain_of_hands,
)
from pipelines.transfer.model import estimate
from pipelines.transfer.model.design import Touched
from pipelines.transfer.model.linearise import Joint
from pipelines.transfer.model.transfer_tables import RECORD
from pipelines.transfer.solver.mixed_model import Rows

KINDS = ("change", "change of role", "meanwhile")
#: what -> the kinds of columns that move with it
MOVED = {
    **dict.fromkeys(("gun_serviced", "tip", "inlet"), ("wear",)),
    **dict.fromkeys(NEW_GUN, ("gun", "atomising", "pair", "wear")),
    "product": ("product",),
}


def of_transfer(
    told: Sequence[Change], records: pl.DataFrame, record_layers: pl.DataFrame, gun_services: pl.DataFrame
) -> Iterator[Effect]:
    """TE of each role that a change touches, and of all together where they are several, after over before."""
    asked = about(told, "te")

    def touched(layers: pl.DataFrame) -> Touched:
        found: dict[tuple[str, str], Mask] = {}
        days = layers.with_columns(day=pl.col("started_at").dt.date())
        for change in asked:
            name, since = change["change_id"], sides(change, days) == 1
            found["change", name] = since
            roles = days.filter(since)["role"].unique().sort().to_list()
            for role in roles if len(roles) > 1 else []:
                found["change of role", f"{name}\t{role}"] = since & (days["role"] == role).to_numpy()
            found["meanwhile", period(change)] = meanwhile(change, days)
        return found

    fitted = estimate.fitted_with(records, record_layers, gun_services, touched)
    if fitted is None or not fitted[0].converged:
        return
    said = _Transfer(fitted[0], fitted[1].with_columns(day=pl.col("started_at").dt.date()))
    for change in asked:
        roles = said.layers.filter(sides(change, said.layers) == 1)["role"].unique().sort().to_list()
        for role in [*roles, None] if len(roles) > 1 else roles:
            one = said.effect(change, role)
            if one is not None:
                yield one


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
        # of each layer its part of its record: the layers of a record stand in one order here and in the design
        self.share = np.zeros(layers.height)
        mine = np.flatnonzero(self.record >= 0)
        self.share[mine[np.argsort(self.record[mine], kind="stable")]] = (linear.mean_share[self.d.group] / self.d.in_group)[
            np.argsort(self.d.record, kind="stable")
        ]  # fmt: skip
        # what is left of each record once all but its hands' own is taken off
        own = np.isin(self.kind, ("technician", "pair", *KINDS))
        self.miss = linear.y - (linear.design @ np.where(own, 0.0, self.posterior.theta()))[self.d.signature_of_record]

    def effect(self, change: Change, role: str | None) -> Effect | None:
        """role: None: all together, as they were sprayed since."""
        of_role, side = (self.role == role) | (role is None), sides(change, self.layers)
        after, before = (side == 1) & of_role, (side == -1) & of_role
        since, until = (np.unique(self.record[at & (self.record >= 0)]) for at in (after, before))
        if min(len(since), len(until)) < LEAST:
            return None
        rows = Rows.of(self.joint.layout, self.moved(change, role, after, before))
        step, var = float(self.posterior.mean(rows)[0]), float(self.posterior.variance(rows)[0])
        one = Step(change, role, after, before, len(until), len(since), step, var)
        at_work = self.mean(after)
        at_work.data[self.kind[at_work.indices] == "unweighed"] = 0.0
        eta = float(self.posterior.mean(Rows.of(self.joint.layout, at_work))[0])
        eta += float(self.layers.filter(after)["told"].mean() or 0.0)  # type: ignore[arg-type]
        # a further job: the mean of the records since, at their mean weight
        design = self.joint.linear.design[self.d.signature_of_record[since]]
        of_work = Rows.of(self.joint.layout, sp.csr_matrix(design.mean(axis=0)))
        jobs = self.layers.filter(after & (self.record >= 0)).select("shop_id", "job_id").unique().height
        weight = float(self.weight[since].mean()) * len(since) / jobs
        with_work, alone = (float(self.posterior.covariance(row, of_work)[0]) for row in (rows, of_work))
        back = came_back(plain_of_hands(one, self.layers, self.plain), one, lambda value: value, step)
        graded = grade(self.d.grade[np.append(since, until)])
        return Effect.of(
            one, "te" if role else "te:all", min(math.exp(eta - step), 1.0), min(math.exp(eta), 1.0), math.exp, 1, graded,
            further(step, var, with_work, alone, weight, jobs), None if back is None else math.exp(back),
        )  # fmt: skip

    def mean(self, at: Mask) -> sp.csr_matrix:
        """The mean design row of some layers."""
        times = np.bincount(self.d.row_of_layer[at], minlength=self.d.rows.shape[0]) / at.sum()
        return sp.csr_matrix(sp.csr_matrix(times) @ self.d.rows)

    def moved(self, change: Change, role: str | None, after: Mask, before: Mask) -> sp.csr_matrix:
        """The row that says what the change moved."""
        name = change["change_id"]
        row = self.mean(after).toarray().ravel()
        of_role = np.char.startswith(self.level, f"{name}\t{role or ''}") & (self.kind == "change of role")
        steps = ((self.kind == "change") & (self.level == name)) | of_role
        other = np.isin(self.kind, MOVED.get(change["what"], ()))
        row = np.where(other, row - self.mean(before).toarray().ravel(), row) * (steps | other)
        return sp.csr_matrix(row)

    def plain(self, at: Mask) -> float | None:
        """The mean of what is left of the records of some layers, each for what they make of it."""
        at = at & (self.record >= 0)
        if len(np.unique(self.record[at])) < LEAST:
            return None
        s = self.weight * np.bincount(self.record[at], self.share[at], minlength=self.d.n)
        return float(s @ self.miss / (s @ (s / self.weight)))
