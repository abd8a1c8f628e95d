"""Totals of the ledger with the interval of one joint posterior: what a business, a shop, a role, a month really knows.

Here belong sums over operations and what makes them uncertain. A total is linear in the transfer of its operations, so its
error is the sum of theirs on common directions, never the sum of single ends:

    T = sum s_i TE_i          s_i sprayed solids of operation i; VOC and cost of a cell go pro rata with its solids
    var T = |sum of loadings on the cells' joint error|^2 + sum of squares of single events + T^2 u_shared^2 (shared_terms.py)

The ledger is first summed to cells of shop x month x product; each carries its loadings, so that any choice of cells, here
or in a reader's browser, has its interval by adding loadings. How one cell is estimated stands in joint.py.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import polars as pl
import scipy.sparse as sp
from scipy.special import ndtr

from pipelines.settings import Settings
from pipelines.transfer.model import shared_terms
from pipelines.transfer.model.joint import Statements
from pipelines.transfer.model.linearise import Steps
from pipelines.transfer.solver.mixed_model import Floats, Ints, Rows
from schemas.published import ALL, MOST_CELLS, OWN_DIRECTION, Z95

CELL = ["shop_id", "month", "product_id", "role"]
OPERATION = ["shop_id", "job_id", "operation_no"]
SEES = ("solids_g", "voc_g", "cost")
LEDGER = ("poured", "leftover", "flush_loss", "not_split", "overspray", "over_build", "useful")
ESTIMATED = ("overspray", "over_build", "useful")  # those whose interval follows from transfer and film
UNKNOWN = "unknown"
CELLS = "cells"  # the category of directions that the model's joint error has
RESIDUE = 1e-11  # of a cell's loadings: what rounding leaves of none

# What a check of each shared term would leave of it (our choices, common practice): 20 panels of the table measured; gauges
# read on two shims 30 um apart; three samples of a product dried and weighed; three weighed in a cup of known volume; ten
# flushes weighed.
PANELS, DRIED, FLUSHES = 20, 3, 10
CHECKED_GAIN, DRIED_REL_U, VOLUME_REL_U = 0.01, 0.005, 0.005
PANEL_REL_SD = 0.05  # how far one panel lies from its table, seen when the table as a whole is checked
JOBS = 10  # more records of one role, as they come
ACTIONS = {
    "area": f"measure {PANELS} panels against the table of areas",
    "gauge": "read each gauge on two shims 30 um apart or more",
    "solids": f"dry and weigh {DRIED} samples of each product",
    "density": f"weigh {DRIED} samples of each product in a cup of known volume",
    "sprayed": f"weigh the flush of each gun {FLUSHES} times",
}


@dataclass(frozen=True)
class Cells:
    """The ledger summed to cells (CELL, sorted), with what makes the landed solids of each uncertain.

    frame     CELL; n: its operations with a figure; each part of LEDGER in each of SEES (of rows whose amount is known; null:
              of none); left_var, flush_u: of leftovers and flush losses nobody weighed (g^2, g)
    loadings  landed solids (g) of each cell on common directions of unit variance; category of each direction: CELLS or one
              of shared.TERMS; directions: their names
    own_var   of landed solids, each cell's own: chance of its operations (g^2)
    over      loadings of over-build (g) on the same directions; over_var: its own (g^2)
    """

    frame: pl.DataFrame
    loadings: sp.csr_matrix
    category: np.ndarray[Any, np.dtype[np.str_]]
    directions: list[str]
    own_var: Floats
    over: sp.csr_matrix
    over_var: Floats

    @cached_property
    def landed(self) -> Floats:
        return (self.frame["useful_solids_g"] + self.frame["over_build_solids_g"]).fill_null(0.0).to_numpy()

    def ratio(self, see: str) -> Floats:
        """What a gram of a cell's landed solids stands for, in `see`."""
        amount = (self.frame[f"useful_{see}"] + self.frame[f"over_build_{see}"]).fill_null(0.0).to_numpy()
        landed = self.landed
        return np.asarray(np.divide(amount, landed, out=np.zeros_like(landed), where=landed > 0))


def operations(part: Mapping[str, pl.DataFrame]) -> pl.DataFrame:
    """Ledger rows of operations with a figure, one per operation and cell, of some shops: CELL, design_row, event_rel_u,
    on_film, landed, over (g of solids), over_sd, own_var (g^2), over_gain (g of over-build per relative error of film)."""
    ledger = part["material_ledger"].filter(pl.col("job_id").is_not_null() & pl.col("te").is_not_null())
    left = part["sprayed"].select("mix_id", *OPERATION, pl.col("leftover_rel_sd").fill_null(0.0).fill_nan(0.0))
    film = part["film_build"].filter((pl.col("film_um") > 0) & (pl.col("covered_m2") > 0))
    volume = pl.col("film_um") * pl.col("covered_m2")
    above = (
        film.with_columns(operation_no=pl.int_ranges(pl.col("first_operation"), pl.col("operation_no") + 1))
        .explode("operation_no")
        .group_by(*OPERATION, "product_id", maintain_order=True)
        .agg(part_above=(pl.col("prob_over").fill_null(0.0) * volume).sum() / volume.sum())
    )
    return (
        ledger.join(left, on=["mix_id", *OPERATION], how="left", maintain_order="left")
        .with_columns(
            landed=pl.col("useful_solids_g").fill_null(0.0) + pl.col("over_build_solids_g").fill_null(0.0),
            over_sd=(pl.col("over_build_solids_g_high") - pl.col("over_build_solids_g_low")).fill_null(0.0) / (2 * Z95),
            month=pl.col("month").fill_null(UNKNOWN), role=pl.col("role").fill_null(UNKNOWN),
        )
        .join(above, on=[*OPERATION, "product_id"], how="left", maintain_order="left")
        .with_columns(pl.col("product_id").fill_null(UNKNOWN))
        .group_by(*CELL, "job_id", "operation_no", maintain_order=True)
        .agg(
            pl.col("landed", "over_sd").sum(),
            left_var=((pl.col("landed") * pl.col("leftover_rel_sd").fill_null(0.0)) ** 2).sum(),
            over_gain=(pl.col("landed") * pl.col("part_above").fill_null(0.0)).sum(),
        )
        .join(
            part["operation_te"].select(
                "shop_id", "operation_no", "event_rel_u", "on_film", "design_row", job_id="op_job_id"
            ),
            on=OPERATION, how="left", maintain_order="left",
        )
        .with_columns(own_var=(pl.col("landed") * pl.col("event_rel_u").fill_null(0.0)) ** 2 + pl.col("left_var"))
    )  # fmt: skip


def amounts(part: Mapping[str, pl.DataFrame]) -> pl.DataFrame:
    """The ledger of some shops summed to cells: CELL, parts in each of SEES, n, left_var, flush_u."""
    rows = part["material_ledger"].with_columns(pl.col("month", "product_id", "role").fill_null(UNKNOWN))
    habits = part["leftover_habits"].select("shop_id", "role", "leftover_share_sd")
    known = part["mixes"].select("shop_id", "mix_id", "leftover_known")
    flush = part["sprayed"].select(
        "mix_id", *OPERATION, flush_rel=(pl.col("flush_sd_g") / pl.col("flush_g")).fill_nan(0.0)
    )
    rows = (
        rows.join(known, on=["shop_id", "mix_id"], how="left", maintain_order="left")
        .join(habits, on=["shop_id", "role"], how="left", maintain_order="left")
        .join(flush, on=["mix_id", *OPERATION], how="left", maintain_order="left")
        .with_columns(
            guessed=pl.col("job_id").is_null() & ~pl.col("leftover_known").fill_null(True),
            cup_solids=pl.col("poured_solids_g").fill_null(0.0).sum().over("shop_id", "mix_id"),
        )
    )
    return rows.group_by(CELL, maintain_order=True).agg(
        *(
            pl.when(pl.col(f"{part}_{see}").count() > 0).then(pl.col(f"{part}_{see}").sum()).alias(f"{part}_{see}")
            for part in LEDGER
            for see in SEES
        ),
        n=(pl.col("job_id").is_not_null() & pl.col("te").is_not_null()).sum().cast(pl.Int64),
        left_var=pl.when("guessed")
        .then((pl.col("leftover_share_sd").fill_null(0.0) * pl.col("cup_solids")) ** 2)
        .otherwise(0.0)
        .sum(),
        flush_u=(pl.col("flush_loss_solids_g").fill_null(0.0) * pl.col("flush_rel").fill_null(0.0)).sum(),
    )


def cells(parts: Iterable[Mapping[str, pl.DataFrame]], said: Statements | None, settings: Settings) -> Cells:
    """The ledger's cells with their loadings. parts: tables of READS, some shops after the other; said: None without a model."""
    found = [(amounts(part), operations(part)) for part in parts]
    frame = pl.concat([a for a, _ in found]).sort(CELL).with_row_index("cell")
    work = pl.concat([o for _, o in found]).join(
        frame.select(*CELL, "cell"), on=CELL, how="left", maintain_order="left"
    )
    n, at = frame.height, work["cell"].cast(pl.Int64).to_numpy()
    landed, on_film = work["landed"].to_numpy(), work["on_film"].fill_null(True).to_numpy()

    def summed(value: Floats) -> Floats:
        out: Floats = np.bincount(at, value, minlength=n).astype(np.float64)
        return out

    total, by_film = summed(landed), summed(landed * on_film)
    shops, shop = np.unique(frame["shop_id"].to_numpy(), return_inverse=True)
    products, product = np.unique(frame["product_id"].to_numpy(), return_inverse=True)
    gain = np.zeros(n)
    sprayed = np.zeros(n)
    blocks: list[tuple[str, list[str], sp.csr_matrix]] = []
    if said is not None:
        d = said.d
        usual = float(np.mean(list(d.gain.values()))) if d.gain else 0.0
        gain = np.array([d.gain.get(s, usual) for s in shops])[shop] if len(shops) else gain
        row = work["design_row"].fill_null(-1).to_numpy()
        there = row >= 0
        sprayed = summed(np.where(there, landed * d.sprayed_u[np.maximum(row, 0)], 0.0))
        weight = sp.csr_matrix((landed[there], (at[there], row[there])), shape=(n, d.rows.shape[0]))
        rows = Rows.of(said.joint.layout, sp.csr_matrix(weight @ said.weighed_rows))
        border, inside = said.posterior.loadings(rows)
        width = inside.shape[1]
        own = rows.block >= 0
        column = rows.block[own, None] * width + np.arange(width)
        local = sp.csr_matrix(
            (inside[own].ravel(), (np.repeat(np.flatnonzero(own), width), column.ravel())),
            shape=(n, max(said.joint.layout.n_blocks, 1) * width),
        )
        blocks.append((CELLS, [f"all {k}" for k in range(border.shape[1])], sp.csr_matrix(border)))
        blocks.append((CELLS, [f"block {k // width} {k % width}" for k in range(local.shape[1])], local))

    def one_each(code: Ints, size: int, value: Floats) -> sp.csr_matrix:
        return sp.csr_matrix((value, (np.arange(n), code)), shape=(n, max(size, 1)))

    blocks += [
        ("area", ["area"], one_each(np.zeros(n, np.int64), 1, by_film * settings.film.area_shared_sd)),
        ("gauge", [f"gauge {s}" for s in shops], one_each(shop, len(shops), by_film * gain)),
        ("solids", [f"solids {p}" for p in products], one_each(product, len(products), total * settings.cup.solids_rel_u)),
        ("density", [f"density {p}" for p in products], one_each(product, len(products), by_film * settings.cup.density_rel_u)),
        ("sprayed", [f"sprayed {s}" for s in shops], one_each(shop, len(shops), sprayed)),
    ]  # fmt: skip
    own_var = summed(work["own_var"].to_numpy()) + (total * _step_sd(frame, said)) ** 2
    category = np.array([kind for kind, names, _ in blocks for _ in names])
    over_gain = summed(work["over_gain"].to_numpy()) * gain
    of_gauges = one_each(shop, len(shops), over_gain)
    over = [of_gauges if kind == "gauge" else sp.csr_matrix(part.shape) for kind, _, part in blocks]
    loadings = sp.csr_matrix(sp.hstack([part for *_, part in blocks]))
    loadings.eliminate_zeros()
    return Cells(
        frame.drop("cell"), loadings, category, [name for _, names, _ in blocks for name in names],
        own_var, sp.csr_matrix(sp.hstack(over)), summed(work["over_sd"].to_numpy() ** 2),
    )  # fmt: skip


def _step_sd(frame: pl.DataFrame, said: Statements | None) -> Floats:
    """What the month's step leaves open of each cell, log TE; 0 in shops that were not found to move."""
    steps = None if said is None else said.joint.steps
    if steps is None:
        return np.zeros(frame.height)
    keys = ["shop_id", "role", "month"]
    told = steps.frame.filter(pl.col("shop_id").is_in(list(steps.turned))).select(*keys, "sd")
    return frame.join(told, on=keys, how="left", maintain_order="left")["sd"].fill_null(0.0).to_numpy()


# --- cuts ---------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Cut:
    """Sums over groups of cells: amounts and variances, one entry a group. by_category: variance of landed solids (g^2)."""

    frame: pl.DataFrame
    group: sp.csr_matrix
    landed: Floats
    by_category: dict[str, Floats]
    event: Floats


def cut(found: Cells, by: pl.DataFrame) -> Cut:
    """Cells grouped by the columns of `by` (one row a cell, or all cells several times; a null row is in no group). frame: the groups, sorted."""
    n = found.frame.height
    keys = by.unique().drop_nulls().sort(by.columns)
    code = by.join(keys.with_row_index("n"), on=by.columns, how="left", maintain_order="left")["n"]
    at = code.cast(pl.Int64).fill_null(-1).to_numpy()
    inside = at >= 0
    cell = np.flatnonzero(inside) % max(n, 1)
    group = sp.csr_matrix((np.ones(inside.sum()), (at[inside], cell)), shape=(keys.height, n))
    summed = sp.csr_matrix(group @ found.loadings)
    squares = sp.csr_matrix(summed.multiply(summed))
    return Cut(
        keys, group, group @ found.landed,
        {kind: np.asarray(squares[:, found.category == kind].sum(axis=1)).ravel() for kind in (CELLS, *shared_terms.TERMS)},
        group @ found.own_var,
    )  # fmt: skip


def _ends(value: Floats, u: Floats, most: Floats | float) -> tuple[Floats, Floats]:
    """Value -+ 1.96 u, between nothing and `most`."""
    return np.clip(value - Z95 * u, 0.0, most), np.clip(value + Z95 * u, 0.0, most)


def published(found: Cells, one: Cut, said: Statements | None) -> pl.DataFrame:
    """The columns of table totals behind its key, for the groups of a cut."""
    settled = said is not None and said.joint.converged
    group, frame = one.group, found.frame
    out: dict[str, Floats] = {}
    for see in SEES:
        k = np.ones(len(found.landed)) if see == "solids_g" else found.ratio(see)
        scaled, over = sp.diags(k) @ found.loadings, sp.diags(k) @ found.over
        landed2 = np.asarray((group @ scaled).power(2).sum(axis=1)).ravel() + group @ (k**2 * found.own_var)
        over2 = np.asarray((group @ over).power(2).sum(axis=1)).ravel() + group @ (k**2 * found.over_var)
        # useful film is what landed less what lies above the window: what both share goes off
        useful2 = (
            np.asarray((group @ (scaled - over)).power(2).sum(axis=1)).ravel()
            + group @ (k**2 * (found.own_var + found.over_var))
        )  # fmt: skip
        amount = {part: _known(frame[f"{part}_{see}"], group) for part in LEDGER}
        spread = {"overspray": landed2, "over_build": over2, "useful": useful2}
        spread["leftover"] = group @ (k**2 * frame["left_var"].to_numpy())
        spread["flush_loss"] = (group @ (k * frame["flush_u"].to_numpy())) ** 2
        sprayed = _summed(amount[part] for part in ESTIMATED)
        for part in LEDGER:
            u = np.sqrt(spread.get(part, np.zeros(len(sprayed))))
            low, high = _ends(amount[part], u, sprayed if part in ESTIMATED else np.inf)
            if part in ESTIMATED and not settled:
                low, high = (np.where(amount[part] > 0, np.nan, amount[part]),) * 2
            out |= {f"{part}_{see}": amount[part], f"{part}_{see}_low": low, f"{part}_{see}_high": high}
    sprayed = _summed(out[f"{part}_solids_g"] for part in ESTIMATED)
    te, rel2 = _te(one, sprayed)
    low, high = te * np.exp(-Z95 * np.sqrt(rel2)), np.minimum(te * np.exp(Z95 * np.sqrt(rel2)), 1.0)
    whole = (high - low) / (2 * Z95)
    parts = {
        "u_event": one.event, "u_cells": one.by_category[CELLS],
        "u_shared": sum(one.by_category[kind] for kind in shared_terms.TERMS),
    }  # fmt: skip
    with np.errstate(divide="ignore", invalid="ignore"):
        sizes = {name: whole * np.sqrt(part / (rel2 * one.landed**2)) for name, part in parts.items()}
    n = group @ frame["n"].to_numpy()
    out = {"n": n, "te": te, "te_low": low, "te_high": high, **sizes, **out}
    columns = {name: pl.Series(name, value).fill_nan(None) for name, value in out.items()}
    if not settled:
        columns |= {name: pl.Series(name, [None] * len(te), pl.Float64) for name in ("te_low", "te_high", *sizes)}
    told = one.frame.with_columns(**columns).with_columns(pl.col("n").cast(pl.Int64))
    narrowest = narrowing(found, one, said, sprayed) if settled and said is not None else [None] * len(te)
    return told.with_columns(narrowest=pl.Series(narrowest, dtype=pl.String))


def _summed(values: Iterable[Floats]) -> Floats:
    """The sum of what is known; nothing where nothing is."""
    out: Floats = np.sum([np.nan_to_num(value) for value in values], axis=0)
    return out


def _known(values: pl.Series, group: sp.csr_matrix) -> Floats:
    """Sums of what is known in each group; nan: nothing is."""
    known = values.is_not_null().to_numpy().astype(float)
    return np.where(group @ known > 0, group @ values.fill_null(0.0).to_numpy(), np.nan)


def _te(one: Cut, sprayed: Floats) -> tuple[Floats, Floats]:
    """Landed over sprayed of each group and its relative variance; nan where nothing was sprayed."""
    with np.errstate(divide="ignore", invalid="ignore"):
        te = np.where(sprayed > 0, one.landed / sprayed, np.nan)
        return te, (one.event + sum(one.by_category.values())) / one.landed**2


def after_actions(found: Cells, one: Cut, said: Statements) -> dict[str, Floats]:
    """Variance of each group's landed solids (g^2) if something more were measured: by action, in words that begin a sentence."""
    settings, shops = said.settings, found.frame["shop_id"]
    left = {
        "area": 1 / (1 + PANELS * (settings.film.area_shared_sd / PANEL_REL_SD) ** 2),
        "solids": _rest(settings.cup.solids_rel_u, DRIED_REL_U), "density": _rest(settings.cup.density_rel_u, VOLUME_REL_U),
        "sprayed": 1 / FLUSHES,
        "gauge": _rest(max((said.d.gain.get(s, 0.0) for s in shops.unique()), default=0.0), CHECKED_GAIN),
    }  # fmt: skip
    now = one.event + sum(one.by_category.values())
    out = {ACTIONS[kind]: now - (1 - part) * one.by_category[kind] for kind, part in left.items()}
    # more records of a role, spread like its operations so far: added to C (Sherman and Morrison)
    theta = found.loadings[:, found.category == CELLS]
    whole = sp.csr_matrix(one.group @ theta)
    typical, other = said.typical_record()
    for role in found.frame.filter(pl.col("role") != UNKNOWN)["role"].unique().sort():
        of_role = (found.frame["role"] == role).to_numpy().astype(float)
        mine = sp.csr_matrix(one.group @ sp.diags(of_role))
        landed = mine @ found.landed
        with np.errstate(divide="ignore", invalid="ignore"):
            scale = np.where(landed > 0, 1 / landed, 0.0)
        x = sp.csr_matrix(sp.diags(scale) @ (mine @ theta))
        cross = np.asarray(whole.multiply(x).sum(axis=1)).ravel()
        own = np.asarray(x.power(2).sum(axis=1)).ravel()
        words = f"read the film of {JOBS} more jobs before and after {role.replace('_', ' ')} alone, cups weighed back"
        out[words] = now - cross**2 / (own + typical.get(role, other) / JOBS)
    return out


def _rest(now: float, then: float) -> float:
    """What is left of a variance if its size falls from `now` to `then`."""
    return min((then / now) ** 2, 1.0) if now > 0 else 1.0


def narrowing(found: Cells, one: Cut, said: Statements, sprayed: Floats) -> list[str | None]:
    """What would narrow each group's TE most, and from what to what, in points."""
    options = after_actions(found, one, said)
    words, after = list(options), np.array(list(options.values()))
    now = one.event + sum(one.by_category.values())
    best = after.argmin(axis=0)
    out: list[str | None] = []
    for i, at in enumerate(best.tolist()):
        if not (sprayed[i] > 0 and now[i] > 0):
            out.append(None)
            continue
        ends = [100 * Z95 * float(np.sqrt(max(v, 0.0))) / float(sprayed[i]) for v in (now[i], after[at, i])]
        out.append(f"{words[at]}: from +-{ends[0]:.1f} to +-{ends[1]:.1f} points")
    return out


def error_budget(found: Cells, said: Statements) -> pl.DataFrame:
    """Table error_budget: what makes the transfer efficiency of the whole uncertain, the largest source first.

    size: relative standard uncertainty of the source itself; points: what it makes of te of the whole. What halves a source:
    so many panels, samples or flushes that its variance falls to a quarter; four times the records where it is of records.
    """
    one = cut(found, pl.DataFrame({"shop_id": pl.Series([ALL] * found.frame.height, dtype=pl.String)}))
    parts = {"event": one.event, **one.by_category}
    sprayed = sum(float(found.frame[f"{part}_solids_g"].fill_null(0.0).sum()) for part in ESTIMATED)
    if not (sprayed > 0 and said.joint.converged):
        return pl.DataFrame()
    film, cup, d = said.settings.film, said.settings.cup, said.d
    weight = d.row_keys["times"].to_numpy().astype(float)
    landed = float(one.landed[0])
    panels = max(round(3 * (PANEL_REL_SD / film.area_shared_sd) ** 2), 1) if film.area_shared_sd > 0 else 0
    told = {
        "event": ("chance of single operations", float(np.sqrt(said.event_var)), "the records themselves", "four times the operations"),
        CELLS: ("guns, hands, roles and work as records know them", float(np.sqrt(one.by_category[CELLS][0])) / landed,
                "the records themselves", "four times the records of film; measure_next says of which first"),
        "area": ("table of panel areas as a whole", film.area_shared_sd, "setting area_shared_sd", f"measure {panels} panels against the table"),
        "gauge": ("gain of the gauges", float(np.mean(list(d.gain.values()) or [0.0])), "gauge_checks; without them setting gauge_gain_u",
                  "read each gauge on two shims 30 um apart or more"),
        "solids": ("solids of each product", cup.solids_rel_u, "setting solids_rel_u", "dry and weigh one sample of each product"),
        "density": ("density of each product", cup.density_rel_u, "setting density_rel_u", "weigh one cup of known volume of each product"),
        "sprayed": ("flush losses and scales", float((d.sprayed_u * weight).sum() / weight.sum()),
                    "guns register; settings flush_loss_rel_sd, flush_loss_sd_g, scale_rel_u", "weigh the flush of each gun four times"),
    }  # fmt: skip
    rows = [
        {"source": words, "size": size, "points": 100 * float(np.sqrt(parts[kind][0])) / sprayed, "stated": where, "halves": how}
        for kind, (words, size, where, how) in told.items()
    ]  # fmt: skip
    return (
        pl.DataFrame(rows)
        .sort("points", "source", descending=[True, False])
        .with_columns(position=pl.int_range(1, pl.len() + 1, dtype=pl.Int64))
    )


def periods(month: pl.Series) -> pl.DataFrame:
    """Per row its month, quarter and year: YYYY-MM, YYYY-Qn, YYYY; null where the month is not known."""
    known = pl.when(pl.col("month") != UNKNOWN).then("month")
    year = known.str.slice(0, 4)
    quarter = pl.format("{}-Q{}", year, (known.str.slice(5, 2).cast(pl.Int64, strict=False) + 2) // 3)
    return month.to_frame("month").select(month=known, quarter=quarter, year=year)


def totals(found: Cells, said: Statements | None) -> pl.DataFrame:
    """Table totals: whole, by shop, role, product, period, shop x role, shop x period, shop x role x period; sorted by its key."""
    keys = ["shop_id", "role", "product_id", "period"]
    frame, when = found.frame, periods(found.frame["month"])
    if not frame.height:
        return pl.DataFrame()
    cuts: list[tuple[list[str], str | None]] = [
        ([], None), (["shop_id"], None), (["role"], None), (["product_id"], None), (["shop_id", "role"], None)
    ]  # fmt: skip
    cuts += [(by, span) for by in ([], ["shop_id"], ["shop_id", "role"]) for span in when.columns]
    grouped = pl.concat(
        frame.with_columns(
            pl.lit(at).alias("cut"),
            *(pl.lit(ALL).alias(key) for key in keys[:3] if key not in by),
            (when[span] if span else pl.lit(ALL)).alias("period"),
        ).select("cut", *keys)
        for at, (by, span) in enumerate(cuts)
    )
    return published(found, cut(found, grouped), said).drop("cut").sort(keys)


def by_period(table: pl.DataFrame, found: Cells, steps: Steps | None) -> pl.DataFrame:
    """Table transfer_by_period: a shop's transfer month by month, quarter, year, and its change at equal mix.

    table   totals; steps: of the shop from month to month (trend.py): change = exp(mean step of the period less that of the
            period before), role `all` by what landed of each role in the shop. change_prob: that it rose.
    """
    told = table.filter(
        pl.col("shop_id") != ALL, pl.col("product_id") == ALL, pl.col("period") != ALL, pl.col("te").is_not_null()
    )
    told = told.select("shop_id", "role", "period", "n", estimate="te", low="te_low", high="te_high")
    if steps is None or not steps.frame.height:
        return told
    landed = found.frame.select("shop_id", "role", landed=pl.Series(found.landed))
    share = landed.group_by("shop_id", "role", maintain_order=True).agg(pl.col("landed").sum())
    weights = {(s, r): w for s, r, w in share.iter_rows()}
    rows = []
    for shop, (at, covariance) in steps.covariance.items():
        part = steps.frame[at.tolist()]
        when = periods(part["month"])
        roles, step = part["role"].to_list(), part["step"].to_numpy()
        mix = np.array([weights.get((shop, role), 0.0) for role in roles])
        for role in [*sorted(set(roles)), ALL]:
            inside = mix if role == ALL else np.array([float(r == role) for r in roles])
            for span in when.columns:
                names = when[span].to_list()
                means = {}
                for name in sorted(set(names)):
                    weight = inside * np.array([n == name for n in names])
                    if weight.sum() > 0:
                        means[name] = weight / weight.sum()
                for name, mean in means.items():
                    row: dict[str, Any] = {"shop_id": shop, "role": role, "period": name}
                    for label, other in (("change", before(name)), ("change_year", year_before(name))):
                        if other in means:
                            row |= _change(label, mean - means[other], step, covariance)
                    rows.append(row)
    changes = pl.DataFrame(rows, infer_schema_length=None)
    return told.join(changes, on=["shop_id", "role", "period"], how="left", maintain_order="left")


def _change(label: str, contrast: Floats, step: Floats, covariance: Floats) -> dict[str, Any]:
    size, variance = float(contrast @ step), float(contrast @ covariance @ contrast)
    sd = max(variance, 1e-18) ** 0.5
    return {
        label: np.exp(size), f"{label}_low": np.exp(size - Z95 * sd), f"{label}_high": np.exp(size + Z95 * sd),
        f"{label}_prob": float(ndtr(size / sd)), f"{label}_shown": abs(size) > Z95 * sd,
    }  # fmt: skip


def before(period: str) -> str:
    """The period before one: of 2025-01 2024-12, of 2025-Q1 2024-Q4, of 2025 2024."""
    year = int(period[:4])
    if len(period) == 4:
        return str(year - 1)
    number = int(period[5:].removeprefix("Q"))
    if "Q" in period:
        return f"{year}-Q{number - 1}" if number > 1 else f"{year - 1}-Q4"
    return f"{year}-{number - 1:02d}" if number > 1 else f"{year - 1}-12"


def year_before(period: str) -> str:
    return f"{int(period[:4]) - 1}{period[4:]}"


def grain(month: pl.Series, cells: pl.DataFrame) -> pl.Series:
    """The period of each cell: its month; quarters, then years, where there would be more than MOST_CELLS. UNKNOWN stays."""
    when = periods(month)
    for span in when.columns:
        period = when[span].fill_null(UNKNOWN).alias("period")
        if span == when.columns[-1] or cells.with_columns(period).n_unique() <= MOST_CELLS:
            break
    return period


def loadings(found: Cells) -> pl.DataFrame:
    """Table total_loadings: one row per cell and direction; cells without loadings have their own direction alone."""
    keys = ["shop_id", "period", "product_id", "role"]
    if not found.frame.height:
        return pl.DataFrame()
    by = found.frame.select("shop_id", "product_id", "role").with_columns(
        grain(found.frame["month"], found.frame.select("shop_id", "product_id", "role"))
    )
    one = cut(found, by.select(keys))
    landed, over = sp.csr_matrix(one.group @ found.loadings), sp.csr_matrix(one.group @ found.over)
    # of a cell's loadings what rounding left over is no row: it comes and goes with the order of a sum
    least = RESIDUE * np.sqrt(np.asarray(landed.multiply(landed).sum(axis=1)).ravel())
    for part in (landed, over):
        part.data[np.abs(part.data) <= np.repeat(least, np.diff(part.indptr))] = 0.0
        part.eliminate_zeros()
    at = sp.coo_matrix(abs(landed) + abs(over))
    names = pl.Series(found.directions, dtype=pl.String)

    def shown(of: sp.csr_matrix) -> pl.Series:
        """Where nothing landed there is no cell, and indexing by none gives a matrix."""
        return pl.Series(np.asarray(of[at.row, at.col]).ravel() if at.nnz else [], dtype=pl.Float64)

    common: pl.DataFrame = one.frame[at.row.tolist()].with_columns(
        direction=names.gather(at.col.tolist()), landed_g=shown(landed), over_build_g=shown(over)
    )
    own = one.frame.with_columns(
        direction=pl.lit(OWN_DIRECTION), landed_g=pl.Series(np.sqrt(one.event)),
        over_build_g=pl.Series(np.sqrt(one.group @ found.over_var)),
    )  # fmt: skip
    return pl.concat([common, own]).sort(*keys, "direction")
