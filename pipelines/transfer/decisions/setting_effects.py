"""Settings that matter: what tip, inlet pressure and coats go with, in transfer and in film: the table setting_effects.

    y = what the model of the measure says anyhow + slope x (setting less the usual) + step [not written down] + e

a slope by the unit of its setting and a step, for each setting, role and shop, N(0, .3^2) of log TE or log film. They are what the
measure's own model finds with these columns in its design: with A, W, C its design, weights and equations, X the columns,
    S = X'WX + 1/.3^2 - X'WA C^-1 A'WX ,   slope = S^-1 X'W (y - A theta)        (Henderson's equations, all but X eliminated)
    theta gives way by C^-1 A'W(what the slopes leave), each pass anew, since the model is one of ratios
so whoever or whatever a setting goes along with (hand, gun, product, size, wear) is held apart from it. Spreads stay as they were
fitted, and no other figure moves. Shown is what Benjamini and Hochberg (1995, J. R. Stat. Soc. B 57, 289) leave of all that was
asked. Here belongs when a setting varies enough to be asked; what is set is the ledger's spray_settings.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl
import scipy.sparse as sp
from scipy.special import ndtr
from scipy.stats import false_discovery_control

from pipelines.transfer.decisions import film_model
from pipelines.transfer.model.design import PRIOR
from pipelines.transfer.model.linearise import CLIP, Joint
from pipelines.transfer.model.transfer_tables import RECORD
from pipelines.transfer.solver.mixed_model import Floats, Layout, Rows, Solution
from schemas.published import Z95

OPERATION = ["shop_id", "job_id", "operation_no"]
#: setting -> column of spray_settings, the step that its effect is told for, how far from the usual counts as apart
SETTINGS = {"tip": ("tip_out_mm", 0.1, 0.05), "inlet": ("inlet_kpa", 50.0, 10.0), "coats": ("coats", 1.0, 1.0)}
LEAST, APART = 12, 5  # operations that say it, and of these those apart from the usual: fewer are not asked
WRONG = 0.05  # of what is shown: of twenty settings without an effect one leaves its own interval
UNKNOWN = 0.10  # standard error of a slope, log a unit, from which nothing is said: a fifth would not be seen
LIKELY = 0.80
PASSES = 3
TOO_FEW, SELDOM, ALIKE = "too few operations", "hardly ever written down", "does not vary enough"
MIXED = "varies with gun, hand or product alone, or too little to be told from them"


@dataclass(frozen=True)
class Base:
    """A fitted model and its rows. design, weight, miss ((seen - expected)/expected): per row; operations: OPERATION, role, grade,
    row, share (its part of the row), one for each operation of a row."""

    layout: Layout
    solution: Solution
    design: sp.csr_matrix
    weight: Floats
    miss: Floats
    operations: pl.DataFrame


def of_transfer(joint: Joint, record_layers: pl.DataFrame) -> Base:
    """record_layers: RECORD, position, op_job_id, operation_no, role, of all records."""
    d, linear, best = joint.design, joint.linear, joint.fit.best
    keys = d.keys.with_columns(grade=pl.Series(d.grade)).with_row_index("row")
    layers = record_layers.join(keys, on=RECORD).sort("row", "position", "op_job_id", "operation_no")
    share = linear.mean_share[d.group] / d.in_group
    return Base(
        joint.layout, best, linear.design[d.signature_of_record],
        1 / (linear.v + linear.h * np.exp(2 * best.log_sd[-1])),
        np.clip((d.landed - linear.predicted) / linear.predicted, -CLIP, CLIP),
        layers.select("shop_id", "operation_no", "role", "grade", "row", job_id="op_job_id", share=pl.Series(share)),
    )  # fmt: skip


def of_film(films: film_model.Films) -> Base:
    ops, fitted = films.operations, films.fitted
    film, limit = (ops[c].to_numpy() for c in ("film_um", "film_max_um"))
    typical = limit * np.exp(fitted.design @ fitted.fit.best.theta)
    rows = ops.select(*OPERATION, "role", "grade", share=pl.lit(1.0)).with_row_index("row")
    miss = np.clip((film - typical) / typical, -film_model.CLIP, film_model.CLIP)
    # the weights that the equations were made with: with others, such as those of films as they look afterwards, X'WX less what A
    # tells of it is no longer positive where records are many
    return Base(fitted.model.layout, fitted.fit.best, fitted.design, fitted.weight, miss, rows)


def setting_effects(spray_settings: pl.DataFrame, **bases: Base | None) -> pl.DataFrame:
    """Table setting_effects. bases: measure -> its model, None where there is none."""
    rows: list[dict[str, Any]] = []
    for measure, base in bases.items():
        if base is not None:
            told = base.operations.join(spray_settings, on=OPERATION, how="left", maintain_order="left")
            for _, shop in told.sort("shop_id", maintain_order=True).group_by("shop_id", maintain_order=True):
                rows += [{"measure": measure, **row} for row in _of_shop(base, shop)]
    asked = [row for row in rows if row["why"] is None]
    chance = np.array([2 * min(row["prob_more"], 1 - row["prob_more"]) for row in asked])
    for row, wrong in zip(asked, false_discovery_control(chance).tolist() if asked else [], strict=True):
        likely = not 1 - LIKELY <= row["prob_more"] <= LIKELY
        row["verdict"] = "shown" if wrong <= WRONG else "likely" if likely else "not shown"
    by = ["shop_id", "role", "setting", "measure"]
    return pl.DataFrame(rows, infer_schema_length=None).sort(by) if rows else pl.DataFrame()


def _of_shop(base: Base, shop: pl.DataFrame) -> Iterator[dict[str, Any]]:
    """The rows of one shop: its slopes are found together."""
    at, place = np.unique(shop["row"].to_numpy(), return_inverse=True)
    share = shop["share"].to_numpy()
    rows: list[dict[str, Any]] = []
    columns: list[Floats] = []
    asked: dict[int, int] = {}  # a row's place -> its column
    for role in shop["role"].drop_nulls().unique().sort():
        of_role = shop["role"].eq_missing(role).to_numpy()
        for setting, (column, unit, apart) in SETTINGS.items():
            value = shop[column].cast(pl.Float64).fill_null(np.nan).to_numpy()
            known = of_role & np.isfinite(value)
            n, usual = int(known.sum()), float(np.median(value[known])) if known.any() else None
            n_apart = 0 if usual is None else int((np.abs(value[known] - usual) > apart - 1e-9).sum())
            why = TOO_FEW if of_role.sum() < LEAST else SELDOM if n < LEAST else ALIKE if n_apart < APART else None
            rows.append({
                "shop_id": shop["shop_id"][0], "role": role, "setting": setting, "n": int(of_role.sum()), "n_known": n,
                "n_apart": n_apart, "usual": usual, "spread": float(value[known].std(ddof=1)) if n > 1 else None, "unit": unit,
                "grade": "A" if n and (shop["grade"].to_numpy()[known] == "A").mean() >= 0.5 else "B" if n else None, "why": why,
            })  # fmt: skip
            if why is None:
                asked[len(rows) - 1] = len(columns)
                middle = float(value[known].mean())
                columns.append(np.where(known, (value - middle) / unit, 0.0))
                if n < of_role.sum():
                    columns.append((of_role & ~known).astype(float))
    if columns:
        x = np.array([np.bincount(place, share * column, len(at)) for column in columns]).T
        slope, se = _slopes(base, at, x)
        for number, place_of in asked.items():
            rows[number] |= _told(float(slope[place_of]), float(se[place_of]))
    yield from rows


def _slopes(base: Base, at: np.ndarray[Any, Any], x: Floats) -> tuple[Floats, Floats]:
    """Slopes of more columns x over the rows `at` of a fitted model, and their standard errors: see the module."""
    weighted = base.weight[at][:, None] * x
    design = base.design[at]
    mine = sp.csr_matrix((design.T @ weighted).T)
    i, j = np.triu_indices(x.shape[1])
    known = base.solution.factor.covariance(Rows.of(base.layout, mine[i]), Rows.of(base.layout, mine[j]))
    s = x.T @ weighted + np.eye(x.shape[1]) / PRIOR["change"][1] ** 2
    s[i, j] -= known
    s[j, i] = s[i, j]
    inverse = np.linalg.inv(s)
    slope, step = np.zeros(x.shape[1]), np.zeros(len(at))
    for _ in range(PASSES):  # no logarithm of a noisy figure is taken
        left = np.clip((1 + base.miss[at]) / np.exp(step) - 1, -CLIP, CLIP) + step
        # theta already satisfies its equations with `miss`. What goes along with a column gives way as the column moves: were it
        # held, a tip that only one gun has would run away from that gun
        right = design.T @ (base.weight[at] * (left - base.miss[at]))
        of_theta = base.solution.factor.solve(right)
        slope = inverse @ (weighted.T @ left - mine @ of_theta)
        step = x @ slope + design @ (of_theta - base.solution.factor.solve(mine.T @ slope))
    return slope, np.sqrt(inverse.diagonal())


def _told(slope: float, se: float) -> dict[str, Any]:
    if se > UNKNOWN:
        return {"why": MIXED}
    ends = np.expm1([slope, slope - Z95 * se, slope + Z95 * se]).tolist()
    return {**dict(zip(("effect", "low", "high"), ends, strict=True)), "prob_more": float(ndtr(slope / se))}
