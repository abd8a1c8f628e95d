"""What to record next: the trying against records that are really added, and nothing that does not occur or fit."""

from __future__ import annotations

import datetime as dt
from typing import Any

import numpy as np
import polars as pl
import pytest

from pipelines.transfer.decisions.measure_next import MOST, NO_FIGURE, WEIGH, measure_next, narrowed, worth
from pipelines.transfer.model.estimate import estimate, fitted_model
from schemas import validate
from tests import networks


def test_added_records_narrow_a_figure_as_if_they_stood_in_the_equations():
    """Against the inverse of C + sum n W a a' itself."""
    rng = np.random.default_rng(1)
    a = rng.normal(size=(12, 12))
    c = a @ a.T + np.eye(12)
    figure, rows, weight = rng.normal(size=12), rng.normal(size=(3, 12)), np.array([0.5, 2.0, 40.0])
    inverse = np.linalg.inv(c)
    expected = figure @ np.linalg.inv(c + (rows.T * weight) @ rows) @ figure
    found = narrowed(figure @ inverse @ figure, rows @ inverse @ figure, rows @ inverse @ rows.T, weight)
    assert found == pytest.approx(expected, rel=1e-10)


@pytest.fixture(scope="module")
def shop() -> dict[str, Any]:
    """A drawn network of two shops without readings between base and clear; two in five cups not weighed back."""
    net = networks.network(networks.Truth(shops=2, between=0.0), 5)
    tables = estimate(net.records, net.layers)
    day = dt.datetime(2026, 1, 1, 8)
    rows = net.layers.select(
        "shop_id", "gun_id", "technician_id", "role", mix_id=pl.int_range(pl.len()).cast(pl.String),
        leftover_known="leftover_known", started_at=pl.lit(day) + pl.duration(hours=6 * pl.int_range(pl.len()).over("shop_id")),
    )  # fmt: skip
    fit = rows.select("shop_id", "gun_id", "role").unique().with_columns(
        product_id=pl.col("role"), tip_fits=pl.lit(True), atomising_allowed=pl.lit(True), cross_use=pl.lit(False)
    )  # fmt: skip
    return {
        "joint": fitted_model(net.records, net.layers), "sprays": rows, "mixes": rows.select("shop_id", "mix_id", "leftover_known"),
        "gun_fit": fit, "transfer_by_role": tables["transfer_by_role"],
        "transfer_by_technician": tables["transfer_by_technician"], "savings": validate.empty("savings"),
    }  # fmt: skip


def test_looking_is_worth_what_a_drawn_decision_gains():
    """A saving of 40 +- 100 (sd), of which three quarters of the variance would be known: act where what is then known is above 0."""
    seen = 40 + 100 * np.sqrt(0.75) * np.random.default_rng(1).standard_normal(2_000_000)
    assert worth(40.0, 100.0, 0.75) == pytest.approx(np.maximum(seen, 0).mean() - 40, rel=0.01)
    assert worth(-40.0, 100.0, 0.75) == pytest.approx(worth(40.0, 100.0, 0.75))
    assert worth(400.0, 100.0, 0.75) < 0.1, "what is sure anyway is decided without looking"
    assert worth(40.0, 100.0, 0.0) == worth(40.0, 0.0, 1.0) == 0.0


def test_money_hangs_on_a_figure_only_where_a_saving_does(shop: dict[str, Any]):
    hands = pl.DataFrame(
        [{"shop_id": "s0000", "lever": "transfer", "per_year_cost": 50.0, "low": -150.0, "high": 250.0, "price": None}],
        schema_overrides={"price": pl.Float64},
    )
    told = measure_next(**shop | {"savings": hands})
    of_hands = pl.col("figure").str.contains(" by ") & (pl.col("shop_id") == "s0000")
    assert (told.filter(of_hands)["worth"] > 0).all() and told.filter(of_hands).height
    assert told.filter(~of_hands)["worth"].is_null().all()


def test_a_strip_between_base_and_clear_is_what_tells_them_apart(shop: dict[str, Any]):
    told = measure_next(**shop)
    assert told.filter(pl.col("rank") == 1)["action"].str.contains("strip, pull it between base and clear").all()
    figures = told.drop_nulls("half_width_now")
    assert (figures["half_width_then"] < figures["half_width_now"]).all()
    of_role = figures.join(
        shop["transfer_by_role"].select(
            "shop_id", figure="transfer of " + pl.col("role"), half=(pl.col("high") - pl.col("low")) / 2
        ),
        on=["shop_id", "figure"],
    )
    assert of_role.height and of_role["half_width_now"].to_list() == pytest.approx(of_role["half"].to_list())


def test_no_more_jobs_are_asked_for_than_three_months_had(shop: dict[str, Any]):
    """80 sealers where there are 6: with four clears in three months four is the most; with two none is asked for."""
    clears = shop["sprays"].filter(pl.col("role") == "clear").sort("started_at")
    last = shop["sprays"]["started_at"].max()
    for few in (4, 2):
        late = clears.group_by("shop_id", maintain_order=True).tail(few).with_columns(started_at=pl.lit(last))
        early = clears.with_columns(started_at=pl.lit(last) - pl.duration(days=200))
        sprays = pl.concat([shop["sprays"].filter(pl.col("role") != "clear"), early, late.select(early.columns)])
        told = measure_next(**shop | {"sprays": sprays}).filter(
            (pl.col("figure") == "transfer of clear") & (pl.col("action") != WEIGH)
        )
        assert told["jobs"].to_list() == ([4, 4] if few == 4 else [])


def test_a_gun_that_does_not_fit_is_asked_for_nothing(shop: dict[str, Any]):
    for word in ("tip_fits", "atomising_allowed", "cross_use"):
        fit = shop["gun_fit"].with_columns(
            pl.when(pl.col("role") == "base").then(pl.lit(word == "cross_use")).otherwise(word).alias(word)
        )
        told = measure_next(**shop | {"gun_fit": fit}).filter(pl.col("action") != WEIGH)
        assert not told["figure"].str.contains("of base").any()


def test_weighing_every_cup_back_is_tried(shop: dict[str, Any]):
    """Where most cups are not weighed back and film is often read alone, weighing them is what narrows."""
    net = networks.network(networks.Truth(shops=1, jobs=40, weighed=0.3, between=0.3), 8)
    tables = estimate(net.records, net.layers)
    given = shop | {
        "joint": fitted_model(net.records, net.layers), "transfer_by_role": tables["transfer_by_role"],
        "transfer_by_technician": tables["transfer_by_technician"],
    }  # fmt: skip
    told = measure_next(**given).filter((pl.col("action") == WEIGH) & (pl.col("figure") == "transfer of base"))
    assert (told["half_width_then"] < 0.9 * told["half_width_now"]).to_list() == [True]


def test_on_the_first_day_it_says_what_to_begin_with(shop: dict[str, Any]):
    """Mixes and leftovers alone: no model, no figure, no width; read film, weigh back."""
    none = {k: shop[k].clear() for k in ("transfer_by_role", "transfer_by_technician")}
    told = measure_next(**shop | none | {"joint": None})
    assert told["half_width_now"].null_count() == told.height > 0
    assert WEIGH in told["action"].to_list() and told["action"].str.starts_with("read the film").any()
    assert told.group_by("shop_id").len()["len"].max() <= MOST


def test_a_shop_of_mixes_alone_is_told_what_to_write_down(shop: dict[str, Any]):
    """No spray step of any kind: weigh back, write down the steps, read film; each without a worth, and why."""
    none = {k: shop[k].clear() for k in ("transfer_by_role", "transfer_by_technician", "sprays", "gun_fit", "savings")}
    told = measure_next(**shop | none | {"joint": None})
    steps = told.filter(pl.col("action").str.starts_with("write down for each spray step"))
    assert set(steps["shop_id"]) == set(shop["mixes"]["shop_id"])
    assert told["worth"].null_count() == told.height and set(told["why_no_worth"]) == {NO_FIGURE}
    assert told.sort("shop_id", "rank").equals(told)


def test_the_order_of_rows_moves_nothing(shop: dict[str, Any]):
    mixed = {
        k: v.sample(fraction=1, shuffle=True, seed=2) if isinstance(v, pl.DataFrame) else v for k, v in shop.items()
    }
    assert measure_next(**mixed).equals(measure_next(**shop))
