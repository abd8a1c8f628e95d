"""Settings that matter: what is planted is found, what does not vary is said not to, and slopes are those of the whole equations.

That a tip outside the sheet's window or more pressure costs transfer is common practice, no published source; sizes are invented."""

from __future__ import annotations

import datetime as dt
import math

import numpy as np
import polars as pl
import pytest

from pipelines.transfer.decisions import film_model, setting_effects
from pipelines.transfer.model import estimate
from pipelines.transfer.model.linearise import Joint
from schemas import validate
from tests import networks, on_frames

OPERATION = ["shop_id", "job_id", "operation_no"]
LOST = 0.06  # of what lands, by a tip 0.2 mm outside the window


@pytest.fixture(scope="module")
def shop() -> tuple[Joint, pl.DataFrame, pl.DataFrame]:
    """One shop: a tip of 0.2 mm outside costs its clear 6 %; pressure, coats and everything else do nothing. Base hardly ever says a
    pressure, and always has two coats."""
    net = networks.network(networks.Truth(shops=1, jobs=300, guns=4, technicians=3), 90_003)
    rng = np.random.default_rng(91_003)
    n, role = net.layers.height, pl.col("role")
    says = rng.random(n) < np.where(net.layers["role"].to_numpy() == "base", 0.02, 0.6)
    layers = net.layers.with_columns(
        tip_out_mm=pl.Series(np.where(rng.random(n) < 0.4, 0.2, 0.0)),
        inlet_kpa=pl.Series(np.where(says, 200 + 25 * rng.standard_normal(n), np.nan)).fill_nan(None),
        coats=pl.Series(np.where(rng.random(n) < 0.25, 3, 2)),
    ).with_columns(coats=pl.when(role != "base").then("coats").otherwise(2))  # fmt: skip
    out = (role == "clear") & (pl.col("tip_out_mm") > 0)
    volumes = ["sprayed_solids_ml", "poured_solids_ml"]
    layers = layers.with_columns(pl.when(out).then(pl.col(c) / (1 - LOST)).otherwise(c).alias(c) for c in volumes)
    joint = estimate.fitted_model(net.records, layers)
    assert joint is not None
    said = layers.select(
        "shop_id", "operation_no", "tip_out_mm", "inlet_kpa", "coats", job_id="op_job_id"
    ).unique(OPERATION, keep="first", maintain_order=True)  # fmt: skip
    return joint, layers, said


@pytest.fixture(scope="module")
def told(shop: tuple[Joint, pl.DataFrame, pl.DataFrame]) -> pl.DataFrame:
    joint, layers, said = shop
    return setting_effects.setting_effects(said, te=setting_effects.of_transfer(joint, layers), film=None)


def row(told: pl.DataFrame, role: str, setting: str) -> dict[str, object]:
    return told.row(by_predicate=(pl.col("role") == role) & (pl.col("setting") == setting), named=True)


def test_a_tip_outside_the_window_is_found_and_nothing_else_is(told: pl.DataFrame) -> None:
    clear = row(told, "clear", "tip")
    assert clear["verdict"] == "shown" and clear["prob_more"] < 0.01
    assert clear["low"] < (1 - LOST) ** 0.5 - 1 < clear["high"] < 0 and clear["unit"] == 0.1  # half of it each 0.1 mm
    assert told.filter(pl.col("verdict") == "shown").height == 1
    assert validate.conform("setting_effects", told.with_columns(pl.lit("te").alias("measure"))).height == 9


def test_what_does_not_vary_is_said_with_its_counts(told: pl.DataFrame) -> None:
    seldom, alike, clear = row(told, "base", "inlet"), row(told, "base", "coats"), row(told, "clear", "inlet")
    assert seldom["why"] == setting_effects.SELDOM and 0 < seldom["n_known"] < setting_effects.LEAST
    assert alike["why"] == setting_effects.ALIKE and alike["n_apart"] == 0 and alike["n_known"] == alike["n"]
    for one in (seldom, alike):
        assert one["verdict"] is None and one["effect"] is None
    assert clear["usual"] == pytest.approx(200, abs=5) and clear["spread"] == pytest.approx(25, abs=4)


def test_what_goes_with_a_gun_alone_is_not_told_from_it(shop: tuple[Joint, pl.DataFrame, pl.DataFrame]) -> None:
    """Every gun's regulator stands where it stands."""
    joint, layers, said = shop
    gun = dict(zip(layers["gun_id"].unique().sort(), (190.0, 200.0, 200.0, 210.0), strict=True))
    of_gun = layers.select(
        "shop_id", "operation_no", job_id="op_job_id", own=pl.col("gun_id").replace_strict(gun, return_dtype=pl.Float64)
    ).unique(OPERATION)  # fmt: skip
    said = said.join(of_gun, on=OPERATION).with_columns(inlet_kpa="own").drop("own")
    told = setting_effects.setting_effects(said, te=setting_effects.of_transfer(joint, layers), film=None)
    for role in ("base", "clear", "surfacer"):
        found = row(told, role, "inlet")
        assert found["why"] == setting_effects.MIXED and found["effect"] is None and found["n_apart"] >= 5, found


def test_a_tip_that_one_gun_alone_has_does_not_run_away_with_what_that_gun_transfers() -> None:
    """One gun of four transfers 35 % more and has in every role the one tip outside the window, over many jobs. With theta held while
    the slopes move, the second order of what both tell fed on itself: tips came out at ten times the transfer a tenth of a mm."""
    net = networks.network(networks.Truth(shops=1, jobs=2500, guns=4, technicians=3), 90_011)
    spot = net.layers["gun_id"].unique().sort()[0]
    mine = pl.col("gun_id") == spot
    layers = net.layers.with_columns(
        pl.when(mine).then(pl.col(c) / 1.35).otherwise(c).alias(c) for c in ("sprayed_solids_ml", "poured_solids_ml")
    )
    joint = estimate.fitted_model(net.records, layers)
    assert joint is not None
    said = layers.select(
        "shop_id", "operation_no", job_id="op_job_id", tip_out_mm=pl.when(mine).then(0.2).otherwise(0.0),
        inlet_kpa=pl.lit(None, pl.Float64), coats=pl.lit(None, pl.Int64),
    ).unique(OPERATION, keep="first", maintain_order=True)  # fmt: skip
    base = setting_effects.of_transfer(joint, layers)
    told = setting_effects.setting_effects(said, te=base, film=None).filter(setting="tip")
    assert told.height == 3 and not (told["verdict"] == "shown").any()
    assert all(one is None or abs(one) < 0.2 for one in told["effect"]), told["effect"]


def test_slopes_are_those_of_the_equations_with_the_columns_in(shop: tuple[Joint, pl.DataFrame, pl.DataFrame]) -> None:
    """Everything dense, in one piece, at the fitted spreads: [A X]'W[A X] + priors; half of the records have no column."""
    joint, layers, _ = shop
    base = setting_effects.of_transfer(joint, layers)
    at, rng = np.arange(0, base.design.shape[0], 2), np.random.default_rng(3)
    x = rng.standard_normal((len(at), 2))
    tiny = 1e-4  # so small that a ratio less 1 is its logarithm
    small = setting_effects.Base(
        base.layout, base.solution, base.design, base.weight, tiny * base.miss, base.operations
    )
    slope, se = setting_effects._slopes(small, at, x)
    unknowns, best = joint.design.unknowns, joint.fit.best
    whole_x = np.zeros((base.design.shape[0], 2))
    whole_x[at] = x
    whole = np.column_stack([base.design.toarray(), whole_x])
    sd = np.where(unknowns.component < 0, unknowns.prior_sd, np.exp(best.log_sd)[np.maximum(unknowns.component, 0)])
    assert unknowns.common_sd is not None
    shared = np.append(unknowns.common_sd, [0.0, 0.0])
    prior = np.linalg.inv(np.diag(np.append(sd, [0.3, 0.3]) ** 2) + np.outer(shared, shared))
    c = whole.T @ (base.weight[:, None] * whole) + prior
    # what is left of y - A theta satisfies the equations of A already: it takes their right side off
    left = np.append(np.zeros(len(sd)), x.T @ (base.weight[at] * small.miss[at]))
    inverse = np.linalg.inv(c)
    assert slope == pytest.approx((inverse @ left)[-2:], rel=1e-3)
    assert se == pytest.approx(np.sqrt(np.diag(inverse)[-2:]), rel=1e-9)


def test_another_coat_is_found_in_the_film() -> None:
    rng = np.random.default_rng(5)
    n = 160
    hand, coats = rng.integers(0, 3, n), np.where(rng.random(n) < 0.3, 3, 2)
    film = 50 * np.exp(np.array([0.1, 0.0, -0.1])[hand] + math.log(1.3) * (coats - 2) + 0.1 * rng.standard_normal(n))
    ops = pl.DataFrame({
        "shop_id": "s", "job_id": [f"j{k:03d}" for k in range(n)], "operation_no": 1, "product_id": "p", "role": "clear",
        "technician_id": [f"t{h}" for h in hand], "gun_id": [f"g{h}" for h in rng.integers(0, 3, n)], "colour_id": None,
        "film_min_um": 40.0, "film_max_um": 60.0, "grade": "A", "film_um": film, "var_um2": 9.0,
    }, schema_overrides={"colour_id": pl.String})  # fmt: skip
    said = ops.select(*OPERATION, tip_out_mm=pl.lit(0.0), inlet_kpa=pl.lit(None, pl.Float64), coats=pl.Series(coats))
    fitted, _ = film_model.fit(ops)
    base = setting_effects.of_film(film_model.Films(ops, fitted))
    told = setting_effects.setting_effects(said, te=None, film=base)
    found = row(told, "clear", "coats")
    assert found["verdict"] == "shown" and found["low"] < 0.3 < found["high"]
    assert found["effect"] == pytest.approx(0.3, abs=0.08) and found["grade"] == "A"
    assert row(told, "clear", "tip")["why"] == setting_effects.ALIKE
    assert row(told, "clear", "inlet")["usual"] is None


def test_weights_of_films_are_those_that_their_equations_were_made_with() -> None:
    """Dense, at the fitted spreads: C = A'WA + priors. With any other weights X'WX less what A tells of it goes below nothing where
    records are many, as it did with 40 shops over five years: here of two roles one varies five times as much as the other."""
    rng = np.random.default_rng(8)
    n = 600
    hand, clear = rng.integers(0, 3, n), rng.random(n) < 0.5
    film = 50 * np.exp(0.1 * hand + np.where(clear, 0.05, 0.25) * rng.standard_normal(n))
    ops = pl.DataFrame({
        "shop_id": "s", "job_id": [f"j{k:03d}" for k in range(n)], "operation_no": 1, "product_id": "p",
        "role": np.where(clear, "clear", "base"), "technician_id": [f"t{h}" for h in hand],
        "gun_id": [f"g{h}" for h in rng.integers(0, 3, n)], "colour_id": None,
        "film_min_um": 40.0, "film_max_um": 60.0, "grade": "A", "film_um": film, "var_um2": 9.0,
    }, schema_overrides={"colour_id": pl.String})  # fmt: skip
    fitted, _ = film_model.fit(ops)
    base = setting_effects.of_film(film_model.Films(ops, fitted))
    unknowns, best = fitted.unknowns, fitted.fit.best
    sd = np.where(unknowns.component < 0, unknowns.prior_sd, np.exp(best.log_sd)[np.maximum(unknowns.component, 0)])
    design = base.design.toarray()
    c = design.T @ (base.weight[:, None] * design) + np.diag(1 / sd**2)
    assert base.solution.factor.inverse_diagonal() == pytest.approx(np.diag(np.linalg.inv(c)), rel=1e-9)
    at = np.arange(n)
    slope, se = setting_effects._slopes(
        base, at, design[:, :3]
    )  # what the design tells already: nothing is left to tell
    assert np.isfinite(slope).all() and (se > 0.05).all()


def test_nothing_fitted_gives_no_row() -> None:
    assert setting_effects.setting_effects(validate.empty("spray_settings"), te=None, film=None).is_empty()


def framed(name: str, rows: list[dict[str, object]]) -> pl.DataFrame:
    empty = validate.empty(name)
    return pl.concat([empty, pl.DataFrame(rows, schema_overrides={c: t for c, t in empty.schema.items() if c in rows[0]})],
                     how="diagonal")  # fmt: skip


def test_a_tip_lies_outside_by_the_sheet_of_the_day_and_only_what_is_known_counts() -> None:
    """Windows and tips by hand: 1.3-1.5 mm, from July 1.4-1.6 mm; the gun's own tip is 1.2, from August 1.5."""
    day = {"june": dt.datetime(2025, 6, 2), "july": dt.datetime(2025, 7, 2), "august": dt.datetime(2025, 8, 2)}
    products = [
        {"product_id": "p", "role": "clear", "tip_min_mm": 1.3, "tip_max_mm": 1.5},
        {"product_id": "p", "role": "clear", "tip_min_mm": 1.4, "tip_max_mm": 1.6, "valid_from": dt.date(2025, 7, 1)},
        {"product_id": "half", "role": "clear", "tip_min_mm": 1.3},
    ]
    guns = [
        {"gun_id": "g", "shop_id": "s", "atomising": "hvlp", "tip_mm": 1.2},
        {"gun_id": "g", "shop_id": "s", "atomising": "hvlp", "tip_mm": 1.5, "valid_from": dt.date(2025, 8, 1)},
    ]
    given = [  # month, product, tip of the day, what is out
        ("june", "p", None, 0.1), ("june", "p", 1.3, 0.0), ("june", "p", 1.8, 0.3), ("july", "p", None, 0.2), ("august", "p", None, 0.0),
        ("june", "half", None, 0.1), ("june", "half", 1.4, None), ("june", None, 1.4, None),
    ]  # fmt: skip
    operations = [
        {"shop_id": "s", "job_id": "j", "operation_no": k, "kind": "spray", "started_at": day[month], "gun_id": "g",
         "product_id": product, "tip_mm": tip, "inlet_kpa": 180.0 if k == 1 else None, "coats": 2 if k == 1 else None}
        for k, (month, product, tip, _) in enumerate(given, 1)
    ]  # fmt: skip
    tables = {name: framed(name, rows) for name, rows in
              {"products": products, "guns": guns, "operations": operations}.items()}  # fmt: skip
    for step in ("product_versions", "gun_versions", "spray_settings"):
        tables[step] = on_frames.run_statement(step, tables, {})
    found = tables["spray_settings"]
    for out, (*_, wanted) in zip(found["tip_out_mm"], given, strict=True):
        assert (out is None) == (wanted is None) and (wanted is None or out == pytest.approx(wanted, abs=1e-12))
    assert found["inlet_kpa"].to_list() == [180.0] + [None] * 7 and found["coats"].to_list() == [2] + [None] * 7
