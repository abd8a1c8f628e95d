"""How each technician's film lies against the data sheet's window, by role: the mean and the next job.

Here belongs the model of log(film / greatest film of the sheet) and what follows from it for people. The film of one panel
and its probability of lying outside stand in the ledger (film_build); what is done about it stands in practice_cards.py.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl
from scipy.special import ndtr

from pipelines.settings import Settings
from pipelines.transfer.model import flags
from pipelines.transfer.solver.mixed_model import Floats
from pipelines.transfer.solver.table_model import Fitted, Term, labels, meetings
from schemas.published import Z95

CELL = ["shop_id", "technician_id", "role"]
COLOURED = ("base", "mid_coat")  # their film follows the colour's hiding
COLOURS_NEEDED = 3
MAX_VIF = 3.0
FEW = 8  # operations below which nobody is flagged: one odd reading must not make a card
PANEL_CV = 0.08  # spread between panels of one operation that its mean over panels averages out
PASSES = 4
# Half-normal scales of the standard deviations of log film (our choice: what habits do to film).
SCALE = {"product": 0.15, "place": 0.10, "technician": 0.15, "hand": 0.15, "gun": 0.10, "colour": 0.20, "event": 0.20}
CLIP = 1.5
LIKE_OTHERS, LEAST_CHANCE = 10, 0.1
SLICE = 1 << 14  # operations predicted together


def operations(film_build: pl.DataFrame) -> pl.DataFrame:
    """Film of each operation from its read panels: CELL, gun_id, product_id, colour_id, film_um, var_um2, low, high, n.

    Outer faces whose film was read, alone or in a sum, weighted by 1/(se^2 + (8 % of film)^2): panels differ from one another.
    What transfer alone tells is left out: a technician's transfer would come back as film.
    """
    weight = 1 / (pl.col("found_se_um") ** 2 + (PANEL_CV * pl.col("middle")) ** 2)
    return (
        film_build.filter(
            pl.col("source").is_in(["read", "shared"]) & (pl.col("face") == "outer") & pl.col("technician_id").is_not_null()
            & (pl.col("film_max_um") > 0) & pl.col("found_um").is_not_null() & (pl.col("found_se_um") > 0)
        )
        .with_columns(middle=pl.coalesce((pl.col("film_min_um") + pl.col("film_max_um")) / 2, pl.col("film_max_um")))
        .with_columns(weight=weight)
        .group_by("shop_id", "job_id", "operation_no", "product_id", "role", "technician_id", maintain_order=True)
        .agg(
            pl.col("gun_id", "colour_id", "film_min_um", "film_max_um", "grade").min(),
            film_um=(pl.col("found_um") * pl.col("weight")).sum() / pl.col("weight").sum(),
            var_um2=1 / pl.col("weight").sum(),
        )
        .sort("shop_id", "job_id", "operation_no", "product_id")
    )  # fmt: skip


def fit(ops: pl.DataFrame, more: Sequence[Term] = ()) -> tuple[Fitted, Floats]:
    """The model of log(film / film_max): role + product + shop x role + technician + technician x role + gun + colour + e.

    Linear in film, log link: y = (film - F)/F + eta with F = film_max exp(eta), v = var/F^2, until settled. No log of a
    noisy film is taken. Chance has a spread of its own in each role (a base whose colour nobody wrote down varies more than a
    clear). Returns the fitted model and the variance of chance per operation, se^2 h. more: terms besides these.
    """
    limit, film, var = (ops[c].to_numpy() for c in ("film_max_um", "film_um", "var_um2"))
    coloured = pl.col("role").is_in(list(COLOURED))
    terms = [
        Term("role", labels(ops, "role"), prior=(-0.2, 0.5)),
        Term("product", labels(ops, "product_id"), scale=SCALE["product"]),
        Term("place", labels(ops, "shop_id", "role"), scale=SCALE["place"], local=True),
        Term("technician", labels(ops, "technician_id"), scale=SCALE["technician"], local=True),
        Term("hand", labels(ops, "technician_id", "role"), scale=SCALE["hand"], local=True),
        Term("gun", labels(ops, "gun_id"), scale=SCALE["gun"], local=True),
        Term("colour", labels(ops, "shop_id", "colour_id", where=coloured), scale=SCALE["colour"], local=True),
        *more,
    ]
    eta, chance = np.full(ops.height, -0.2), np.ones(ops.height)
    role = np.unique(labels(ops, "role"), return_inverse=True)[1]
    fitted = None
    for _ in range(PASSES):
        typical = limit * np.exp(eta)
        y, v = np.clip((film - typical) / typical, -CLIP, CLIP) + eta, var / typical**2
        fitted = Fitted(terms, y, v, chance, SCALE["event"], like=fitted)
        eta = fitted.design @ fitted.fit.best.theta
        # each role's own spread, drawn towards the common one as by LIKE_OTHERS films
        common = float(fitted.fit.sd[-1]) ** 2
        excess = np.bincount(role, (y - eta) ** 2 - v) + LIKE_OTHERS * common
        chance = np.maximum(excess / (np.bincount(role) + LIKE_OTHERS) / common, LEAST_CHANCE)[role]
    assert fitted is not None
    return fitted, fitted.event_sd**2 * chance


@dataclass(frozen=True)
class Films:
    """Operations and what `fit` found of them."""

    operations: pl.DataFrame
    fitted: Fitted


def film_by_technician(
    parts: Iterable[Mapping[str, pl.DataFrame]], settings: Settings
) -> tuple[pl.DataFrame, Films | None]:
    """Per shop, technician and role: mean film over the window's greatest, and the probabilities of lying outside; and the films that
    this was read from, None where none was.

    parts   film_build, material_ledger and mixes, each part with all rows of its shops; one at a time is held

    P(mean over) = Phi(eta / sqrt(PEV)). The next job is one like those there were: with the products, guns and colours of the
    own operations k, P(next job over) = mean over k of Phi((eta_k - j/2) / sqrt(PEV_k + j)), j the variance of chance, se^2 h;
    the same against the window's least. A technician is flagged where the mean is shown to lie above by more
    than 5 % (setting over_build_material), over all with an expected share of wrong flags of 5 %, and only where it can be
    told apart from the gun (VIF <= 3, a gun shared with somebody), in 8 operations or more, and base or mid coat was read in 3
    colours or more.
    """
    material, share = settings.practice.over_build_material, settings.transfer.false_flag_share
    films, sums = [], []
    for part in parts:
        films.append(operations(part["film_build"]))
        sums.append(amounts(**part))
    ops = pl.concat(films)
    if not ops.height:
        return pl.DataFrame(schema={c: pl.String for c in CELL}), None
    fitted, chance = fit(ops)
    cells = (
        ops.group_by(CELL, maintain_order=True)
        .agg(
            n=pl.len().cast(pl.Int64),
            n_colours=pl.col("colour_id").n_unique().cast(pl.Int64) - pl.col("colour_id").has_nulls().cast(pl.Int64),
            products=pl.col("product_id"),
            window_low=(pl.col("film_min_um") / pl.col("film_max_um")).mean(),
            grade=pl.when((pl.col("grade") == "A").mean() >= 0.5).then(pl.lit("A")).otherwise(pl.lit("B")),
            n_read=(pl.col("grade") == "A").sum().cast(pl.Int64),
        )
        .sort(CELL)
    )
    means, hands = [], []
    for row in cells.iter_rows(named=True):
        own = [("technician", row["technician_id"], 1.0), ("hand", f"{row['technician_id']}\t{row['role']}", 1.0)]
        n = len(row["products"])
        means.append(
            [("role", row["role"], 1.0), ("place", f"{row['shop_id']}\t{row['role']}", 1.0), *own]
            + [("product", p, 1.0 / n) for p in row["products"]]
        )
        hands.append(own)
    eta, var = fitted.predict(means)
    vif = fitted.vif(hands, "gun")
    _, hand_var = fitted.predict(hands)
    reliability = np.clip(1 - hand_var / (fitted.sd("technician") ** 2 + fitted.sd("hand") ** 2), 0, 1)
    coloured = cells["role"].is_in(list(COLOURED)).to_numpy()
    se = np.sqrt(var)
    low = np.log(cells["window_low"].cast(pl.Float64).fill_null(np.nan).to_numpy())
    prob = ndtr((eta - np.log1p(material)) / se)
    enough = cells["n"].to_numpy() >= FEW
    colours = ~coloured | (cells["n_colours"].to_numpy() >= COLOURS_NEEDED)
    met = meetings(labels(ops, "technician_id"), labels(ops, "gun_id"))
    people = [met[t] for t in cells["technician_id"]]
    vif = np.where([bool(m.partners) and m.alike == 1 for m in people], np.nan, vif)
    separable = vif <= MAX_VIF
    flagged = flags.flag(prob, separable & colours & enough & fitted.fit.converged, share)
    guns = [", ".join(m.partners) for m in people]
    next_over, next_under = next_job(ops, cells, fitted, chance)
    why = [
        None if s and c and e
        else f"cannot be told apart from {g or 'the gun'}" if not s
        else f"{r.replace('_', ' ')} needs {COLOURS_NEEDED} colours: its film follows the colour's hiding" if not c
        else "not enough jobs"
        for s, c, e, r, g in zip(separable, colours, enough, cells["role"].to_list(), guns, strict=True)
    ]  # fmt: skip

    def column(values: np.ndarray) -> pl.Series:
        return pl.Series(values).fill_nan(None)

    table = cells.with_columns(
        ratio=column(np.exp(eta)),
        low=column(np.exp(eta - Z95 * se)),
        high=column(np.exp(eta + Z95 * se)),
        prob_mean_over=column(ndtr(eta / se)),
        prob_next_over=column(next_over),
        prob_mean_under=column(ndtr((low - eta) / se)),
        prob_next_under=column(next_under),
        prob_material=column(prob),
        reliability=column(reliability),
        vif=column(vif),
        separable=pl.Series(separable),
        with_whom=pl.Series([None if s else g or None for s, g in zip(separable, guns, strict=True)], dtype=pl.String),
        flagged=pl.Series(flagged),
        why_not_flagged=pl.Series(why, dtype=pl.String),
    ).join(pl.concat(sums), on=CELL, how="left")
    return table, Films(ops, fitted)


def next_job(ops: pl.DataFrame, cells: pl.DataFrame, fitted: Fitted, chance: Floats) -> tuple[Floats, Floats]:
    """Per cell, the probabilities that the next job's film lies above and below the window: see `film_by_technician`."""
    alike = [*CELL, "product_id", "gun_id", "colour_id"]
    number = cells.select(*CELL, "window_low").with_row_index("cell")
    kinds = (
        ops.with_columns(chance=pl.Series(chance)).group_by(alike, maintain_order=True)
        .agg(pl.col("chance").first(), times=pl.len())
        .join(number, on=CELL, maintain_order="left")
    )  # fmt: skip
    over, under = np.zeros(cells.height), np.zeros(cells.height)
    for part in kinds.iter_slices(SLICE):
        parts = [
            [("role", role, 1.0), ("place", f"{shop}\t{role}", 1.0), ("technician", hand, 1.0),
             ("hand", f"{hand}\t{role}", 1.0), ("product", product, 1.0), ("gun", gun, 1.0),
             ("colour", f"{shop}\t{colour}" if colour is not None and role in COLOURED else "", 1.0)]
            for shop, hand, role, product, gun, colour in part.select(alike).iter_rows()
        ]  # fmt: skip
        eta, var = fitted.predict(parts)
        job = part["chance"].to_numpy()
        middle, sd = eta - job / 2, np.sqrt(var + job)
        low = np.log(part["window_low"].cast(pl.Float64).fill_null(np.nan).to_numpy())
        at, times = part["cell"].to_numpy(), part["times"].to_numpy()
        np.add.at(over, at, times * ndtr(middle / sd))
        np.add.at(under, at, times * ndtr((low - middle) / sd))
    n = cells["n"].to_numpy()
    return over / n, under / n


def amounts(film_build: pl.DataFrame, material_ledger: pl.DataFrame, mixes: pl.DataFrame) -> pl.DataFrame:
    """Over-build from the ledger and under-build from the films, per CELL: kg of solids, kg of VOC, money.

    What is missing below the window weighs under_ml x dry density; it is priced as the cell's own useful film was. It is no
    saving: a film below the window must be made good.
    """
    over = (
        material_ledger.filter(pl.col("technician_id").is_not_null() & pl.col("role").is_not_null())
        .group_by(CELL, maintain_order=True)
        .agg(
            over_build_solids_kg=pl.col("over_build_solids_g").sum() / 1000,
            over_build_voc_kg=pl.col("over_build_voc_g").sum() / 1000,
            over_build_cost=pl.when(pl.col("over_build_cost").null_count() == 0).then(pl.col("over_build_cost").sum()),
            price=pl.col("useful_cost").sum() / pl.col("useful_solids_g").sum(),
        )
    )
    dry = mixes.group_by("shop_id", "product_id", maintain_order=True).agg(pl.col("dry_density_g_per_ml").mean())
    under = (
        film_build.filter(pl.col("under_ml").is_not_null() & pl.col("technician_id").is_not_null())
        .join(dry, on=["shop_id", "product_id"], how="left")
        .group_by(CELL, maintain_order=True)
        .agg(under_build_solids_kg=(pl.col("under_ml") * pl.col("dry_density_g_per_ml")).sum() / 1000)
    )
    return (
        over.join(under, on=CELL, how="left")
        .with_columns(under_build_cost=(pl.col("under_build_solids_kg") * 1000 * pl.col("price")).fill_nan(None))
        .drop("price")
    )
