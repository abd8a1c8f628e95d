"""Guns that change shop or are lent: nothing stops, nothing of theirs is lost, and what is said of them is said."""

from __future__ import annotations

from pathlib import Path

import polars as pl
import pytest

from pipelines import settings, workspace
from seed_data import scenario
from tests.workspaces import made_tables

MOVED = "g101"  # a gun of the first shop
NEW = "vellmoor"


def moved_for_good(operations: pl.DataFrame) -> pl.DataFrame:
    """From the middle of the time on the gun sprays base and clear in the other shop, never before and nowhere else."""
    middle = operations["started_at"].sort()[operations.height // 2]
    late = pl.col("started_at") >= middle
    finish = pl.col("product_id").is_in(["base_solvent", "clear_hs"])
    return operations.with_columns(
        gun_id=pl.when(late & (pl.col("gun_id") == MOVED))
        .then(pl.lit("g102"))
        .when(late & (pl.col("shop_id") == NEW) & finish & (pl.col("gun_id") == "g201"))
        .then(pl.lit(MOVED))
        .otherwise("gun_id")
    )


def lent_for_one_spray(operations: pl.DataFrame) -> pl.DataFrame:
    """The gun does one spray of clear in the other shop, in the middle of the time, and is back."""
    here = (pl.col("shop_id") == NEW) & (pl.col("product_id") == "clear_hs")
    clears = operations.filter(here).sort("started_at", "job_id", "operation_no")
    at = clears.row(clears.height // 2, named=True)
    one = (
        (pl.col("job_id") == at["job_id"]) & (pl.col("operation_no") == at["operation_no"]) & (pl.col("shop_id") == NEW)
    )
    return operations.with_columns(gun_id=pl.when(one).then(pl.lit(MOVED)).otherwise("gun_id"))


def new_to_a_product(operations: pl.DataFrame) -> pl.DataFrame:
    """A plain shop: one gun for clear, one hand, and one for base, another hand; late they change guns for the first time."""
    own = {"base_solvent": ("g201", "t201"), "clear_hs": ("g202", "t202"), "base_water": ("g101", "t101")}
    rows = operations.filter(pl.col("shop_id") == NEW).sort("started_at")["started_at"]
    late = pl.col("started_at") >= rows[int(rows.len() * 0.7)]
    gun, hand = pl.col("gun_id"), pl.col("technician_id")
    here = (pl.col("shop_id") == NEW) & (pl.col("kind") == "spray")
    for product, (g, t) in own.items():
        at = here & (pl.col("product_id") == product)
        gun, hand = pl.when(at).then(pl.lit(g)).otherwise(gun), pl.when(at).then(pl.lit(t)).otherwise(hand)
    other = here & ~pl.col("product_id").is_in(list(own))
    gun = pl.when(other).then(pl.lit("g203")).when(here & late & (pl.col("product_id") == "clear_hs")).then(
        pl.lit("g201")
    ).otherwise(gun)  # fmt: skip
    return operations.with_columns(gun_id=gun, technician_id=pl.when(other).then(pl.lit("t203")).otherwise(hand))


@pytest.fixture(scope="module", params=[moved_for_good, lent_for_one_spray, new_to_a_product])
def told(request, tmp_path_factory) -> tuple[str, pl.DataFrame, dict[str, pl.DataFrame]]:
    """What was done to the records, the operations, and every published table."""
    folder: Path = tmp_path_factory.mktemp("moving") / "shop"
    space, _ = workspace.init(folder, settings.template())
    drawn = scenario.build(shops=2, months=3, cups=420)
    drawn.canonical["operations"] = request.param(drawn.canonical["operations"])
    scenario.write_canonical(space.root, drawn)
    tables = made_tables(space)
    return request.param.__name__, drawn.canonical["operations"], tables


def name() -> pl.Expr:
    """An operation as transfer_records names it."""
    return pl.concat_str("job_id", pl.col("operation_no").cast(pl.String), separator="/").alias("operation")


def followed(tables: dict[str, pl.DataFrame]) -> pl.DataFrame:
    """The transfer records, a row for each of their operations."""
    return tables["transfer_records"].with_columns(operation="operations").explode("operation")


def test_everybody_who_sprayed_stands_in_the_tables(told):
    """Every gun and shop that met stands in the transfer tables, and every gun and product in the guide of its shop."""
    _, operations, tables = told
    sprays = operations.filter((pl.col("kind") == "spray") & pl.col("gun_id").is_not_null())
    pair = ["shop_id", "gun_id", "technician_id"]
    met = followed(tables).join(sprays.with_columns(name()), on=["shop_id", "operation"]).select(pair).unique()
    assert not met.join(tables["transfer_by_pair"], on=pair, how="anti").height
    enough = tables["mix_guide"].select("shop_id", "product_id").unique()
    assert enough.height
    use = sprays.select("shop_id", "product_id", "gun_id").unique().join(enough, on=["shop_id", "product_id"])
    assert not use.join(tables["mix_guide"], on=["shop_id", "product_id", "gun_id"], how="anti").height


def test_the_trial_of_the_guide_speaks_of_every_shop(told):
    _, _, tables = told
    assert set(tables["mix_backtest"]["shop_id"]) == {"tarnwick", NEW}
    assert tables["mix_guide"].filter(pl.col("advised_ml_per_m2") <= pl.col("as_sprayed_ml_per_m2") * 0.9).is_empty()


def test_a_gun_that_moved_is_known_where_it_is_new(told):
    """Its habits come with it: the guide of the new shop is no less sure of it than of a gun that nobody has met."""
    case, operations, tables = told
    if case != "moved_for_good":
        return
    of_it = tables["mix_guide"].filter((pl.col("gun_id") == MOVED) & (pl.col("shop_id") == NEW))
    assert set(of_it["product_id"]) == {"base_solvent", "clear_hs"}
    assert of_it["as_sprayed_ml_per_m2"].is_between(20, 1500).all()
    effect = tables["gun_effects"].filter(pl.col("gun_id") == MOVED)
    mine = operations.filter(pl.col("gun_id") == MOVED).select("shop_id", name())
    n = followed(tables).filter("usable").join(mine, on=["shop_id", "operation"], how="semi")
    n = n.select("shop_id", "job_id", "record_no").unique().height
    assert effect.height == 1 and effect["n"].item() == n  # one gun, its records of both shops
