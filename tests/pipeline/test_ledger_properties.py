"""What must hold of the ledger whatever a shop writes down: nothing lost, nothing moved by how it was written.

Hypothesis draws the seeds of small workspaces full of oddities (small_shops); the examples are the same in every run.
"""

from __future__ import annotations

import random
from datetime import date
from typing import Any

import polars as pl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from polars.testing import assert_frame_equal
from small_shops import COMPONENTS, SETTINGS, frame, reckon, together

from schemas.published import LEDGER_PARTS

PARTS = [part for part in LEDGER_PARTS if part != "poured"]
AMOUNTS = ("solids_g", "voc_g", "cost")
RESULTS = ("mixes", "film_increments", "sprayed", "transfer_records")
RELATIVE = 1e-9

few = settings(
    max_examples=3,
    deadline=None,
    derandomize=True,
    database=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
)
seed_groups = st.lists(st.integers(0, 100_000), min_size=6, max_size=6, unique=True)


def with_transfer(tables: dict[str, pl.DataFrame], seed: int) -> dict[str, pl.DataFrame]:
    """Tables plus a transfer efficiency for most spray operations, drawn anywhere in (0, 1)."""
    rng = random.Random(seed)
    found = reckon(tables, "sprays")
    rows = []
    for op in found["sprays"].sort("shop_id", "job_id", "operation_no").to_dicts():
        te = rng.choice([rng.uniform(0.05, 0.99), rng.uniform(0.3, 0.8), None])
        rows.append(
            dict(
                shop_id=op["shop_id"],
                op_job_id=op["job_id"],
                operation_no=op["operation_no"],
                te=te,
                te_low=None if te is None else te * 0.8,
                te_high=None if te is None else min(1.0, te * 1.2),
                grade=None if te is None else rng.choice("ABC"),
                source=None if te is None else "test",
            )
        )
    model = {name: frame(name, []) for name in ("transfer_by_pair", "transfer_model")}
    return {**found, **model, "operation_te": frame("operation_te", rows)}


def gap(wanted: pl.Expr, found: pl.Expr) -> pl.Expr:
    """Relative difference; amounts far below a microgram count as nothing."""
    return (wanted - found).abs() / pl.max_horizontal(wanted.abs(), found.abs(), pl.lit(1e-6))


@few
@given(seed_groups)
def test_every_gram_of_a_row_stands_in_exactly_one_part(seeds: list[int]) -> None:
    rows = reckon(with_transfer(together(seeds), seeds[0]), "material_ledger")["material_ledger"]
    assert rows.height > 0
    for amount in AMOUNTS:
        parts = pl.sum_horizontal([pl.col(f"{part}_{amount}") for part in PARTS], ignore_nulls=False)
        closed = rows.select(
            gap=gap(pl.col(f"poured_{amount}"), parts),
            same_nulls=pl.col(f"poured_{amount}").is_null() == parts.is_null(),
        )
        assert closed["same_nulls"].all(), amount
        assert (closed["gap"].max() or 0) <= RELATIVE, amount
        for part in LEDGER_PARTS:
            assert (rows[f"{part}_{amount}"].min() or 0) >= 0, (part, amount)


@few
@given(seed_groups)
def test_rows_of_a_cup_add_up_to_what_was_poured_and_stayed_in_it(seeds: list[int]) -> None:
    found = reckon(with_transfer(together(seeds), seeds[0]), "material_ledger")
    cups = found["mixes"].with_columns(stayed=pl.col("poured_g") - pl.col("poured_on_g"))
    content = {"solids_g": "solids_mass_fraction", "voc_g": "voc_mass_fraction", "cost": "cost_per_g"}
    sums = found["material_ledger"].group_by("shop_id", "mix_id").agg(
        *(pl.col(f"poured_{a}").sum() for a in AMOUNTS), pl.col("leftover_solids_g").sum()
    )  # fmt: skip
    joined = cups.join(sums, on=["shop_id", "mix_id"], how="left", validate="1:1")
    for amount, per_gram in content.items():
        known = joined.filter(pl.col(per_gram).is_not_null())
        assert known[f"poured_{amount}"].null_count() == 0  # a cup without a row would be lost
        worst = known.select(gap(pl.col("stayed") * pl.col(per_gram), pl.col(f"poured_{amount}"))).max().item()
        assert worst <= RELATIVE, amount
    left = joined.filter(pl.col("leftover_known") & pl.col("complete") & pl.col("solids_mass_fraction").is_not_null())
    expected = pl.col("leftover_g") * pl.col("solids_mass_fraction")
    assert left.select(gap(expected, pl.col("leftover_solids_g"))).max().item() <= RELATIVE


@few
@given(seed_groups)
def test_solids_of_all_pours_stand_in_the_ledger_though_leftovers_wander_from_cup_to_cup(seeds: list[int]) -> None:
    """Summed from the scale's rows alone: mass times the solids that the register gave on that day."""
    tables = together(seeds)
    rows = reckon(with_transfer(tables, seeds[0]), "material_ledger")["material_ledger"]
    poured = 0.0
    for pour in tables["pours"].to_dicts():
        if pour["component_id"] is not None:
            on = pour["poured_at"].date()
            versions = [c for c in COMPONENTS if c["component_id"] == pour["component_id"]]
            valid = [c for c in versions if c.get("valid_from", date.min) <= on]
            poured += (
                pour["weighed_g"] * max(valid, key=lambda c: c.get("valid_from", date.min))["solids_mass_fraction"]
            )
    assert rows["poured_solids_g"].sum() == pytest.approx(poured, rel=RELATIVE)
    assert rows.select(pl.sum_horizontal(pl.col(f"{p}_solids_g") for p in PARTS).sum()).item() == pytest.approx(
        poured, rel=RELATIVE
    )


@few
@given(seed_groups, st.floats(0.5, 400))
def test_adding_water_never_moves_regulatory_voc(seeds: list[int], grams: float) -> None:
    """40 CFR 59.104(a)(1): grams of VOC per litre of coating less water and exempt compounds."""
    tables = together(seeds)
    first = tables["pours"].filter(pl.col("component_id").is_not_null()).unique(["shop_id", "mix_id"], keep="first")
    water = first.with_columns(
        pour_no=pl.lit(900, pl.Int64),
        component_id=pl.lit("water"),
        weighed_g=pl.lit(grams),
        measured_by=pl.lit("scale"),
    )
    wetter = {**tables, "pours": pl.concat([tables["pours"], water])}
    # A cup that was filled up from another gets another cup's content, not only water: left out.
    pure = tables["pours"].group_by("shop_id", "mix_id").agg(pure=pl.col("from_mix_id").is_null().all())
    columns = ["shop_id", "mix_id", "voc_g_per_l_regulatory", "voc_g_per_l_actual"]
    reckoned = reckon(tables, "mixes", "cup_figures")
    by_sheet = pl.any_horizontal("density_from_sheet", "voc_from_sheet", "water_from_sheet", "exempt_from_sheet")
    known = reckoned["cup_figures"].group_by("shop_id", "mix_id").agg(by_sheet=by_sheet.any())
    cups = pure.filter("pure").join(known, on=["shop_id", "mix_id"], how="left", validate="1:1")
    before = reckoned["mixes"].join(cups, on=["shop_id", "mix_id"]).select(*columns, "by_sheet")
    after = reckon(wetter, "mixes")["mixes"].select(columns)
    both = before.join(after, on=["shop_id", "mix_id"], suffix="_wet").filter(
        pl.col("voc_g_per_l_regulatory").is_not_null()
    )
    assert both.height >= 10
    assert both["voc_g_per_l_regulatory_wet"].null_count() == 0
    told = both.filter(~pl.col("by_sheet"))
    assert told.height >= 10
    moved = told.select(gap(pl.col("voc_g_per_l_regulatory"), pl.col("voc_g_per_l_regulatory_wet")))
    assert moved.max().item() <= RELATIVE
    # A sheet speaks of each litre as mixed, so a cup told by it never shows less VOC for water that somebody adds.
    sheet = both.filter("by_sheet")
    lower = pl.col("voc_g_per_l_regulatory_wet") < pl.col("voc_g_per_l_regulatory") * (1 - RELATIVE)
    assert not sheet.select(lower.any()).item()
    thinner = told.filter(pl.col("voc_g_per_l_actual") > 0)
    assert (thinner["voc_g_per_l_actual_wet"] < thinner["voc_g_per_l_actual"]).all()


def assert_same_results(first: dict[str, Any], second: dict[str, Any]) -> None:
    for name in RESULTS:
        keys = [c for c in ("shop_id", "mix_id", "job_id", "operation_no", "record_no", "panel_id", "from_operation")]
        keys = [c for c in keys if c in first[name].columns]
        assert first[name].height > 0
        assert_frame_equal(
            first[name].sort(keys), second[name].sort(keys), rel_tol=RELATIVE, abs_tol=1e-9, check_column_order=False
        )


@few
@given(seed_groups, st.randoms(use_true_random=False))
def test_order_of_rows_never_moves_a_number(seeds: list[int], rng: random.Random) -> None:
    tables = together(seeds)
    shuffled = {
        name: table.sample(fraction=1, shuffle=True, seed=rng.randrange(2**31)) for name, table in tables.items()
    }
    assert_same_results(reckon(tables, *RESULTS), reckon(shuffled, *RESULTS))


@few
@given(seed_groups, st.floats(0.01, 0.99))
def test_splitting_a_pour_in_two_never_moves_a_number(seeds: list[int], part: float) -> None:
    tables = together(seeds)
    pours = tables["pours"]
    split = pl.concat(
        [
            pours.with_columns(weighed_g=pl.col("weighed_g") * part),
            pours.with_columns(weighed_g=pl.col("weighed_g") * (1 - part), pour_no=pl.col("pour_no") + 1000),
        ]
    )
    assert_same_results(reckon(tables, *RESULTS), reckon({**tables, "pours": split}, *RESULTS))


@few
@given(seed_groups)
def test_nothing_unreadable_or_unweighed_passes_for_measured(seeds: list[int]) -> None:
    found = reckon(together(seeds), *RESULTS)
    cups = found["mixes"].select("shop_id", "mix_id", "complete", "leftover_known", "grade")
    fed = found["sprayed"].select("shop_id", "mix_id", "job_id", "operation_no").join(cups, on=["shop_id", "mix_id"])
    records = found["transfer_records"].filter("usable").explode("operations")
    place = pl.col("operations").str.split("/")
    records = records.select(
        "shop_id",
        "ratio",
        record_grade="grade",
        job_id=place.list.slice(0, place.list.len() - 1).list.join("/"),
        operation_no=place.list.last().cast(pl.Int64),
    )
    rows = records.join(fed, on=["shop_id", "job_id", "operation_no"])
    assert rows.height >= 20
    assert rows["complete"].all()
    assert rows.filter(~pl.col("leftover_known"))["ratio"].is_null().all()
    assert (rows.filter(~pl.col("leftover_known") | (pl.col("grade") == "B"))["record_grade"] != "A").all()
    marked = found["incomplete"].filter(pl.col("what") == "operation")
    assert rows.join(marked, on=["shop_id", "job_id", "operation_no"], how="semi").height == 0


def test_the_drawn_cases_hold_what_the_properties_are_about() -> None:
    """Leftovers poured on, water and exempt solvents are there; otherwise the properties above would be idle."""
    tables = together(range(12))
    mixes = reckon(tables, "mixes")["mixes"]
    assert (mixes["poured_on_g"] > 0).sum() >= 5
    assert tables["pours"].filter(pl.col("component_id") == "water").height >= 5
    assert (mixes["exempt_mass_fraction"] > 0).sum() >= 20
    assert SETTINGS["water_density_g_per_ml"] == next(
        c["density_g_per_ml"] for c in COMPONENTS if c["component_id"] == "water"
    )
