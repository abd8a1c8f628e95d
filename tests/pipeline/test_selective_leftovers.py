"""Cups that are weighed back only when little is left: what film shows of the others stands in the ledger too.

An invented shop (seed_data) whose full cups nobody weighs back; from its exported rows to material_ledger.
"""

from __future__ import annotations

import polars as pl
import pytest

from pipelines.settings import Settings
from pipelines.transfer.model.estimate import estimate
from seed_data import scenario
from tests import on_frames
from tests.bench.direct_intervals import typed_tables

CUP = ["shop_id", "mix_id"]
SETTINGS = Settings()


@pytest.fixture(scope="module")
def shop() -> tuple[dict[str, pl.DataFrame], pl.DataFrame]:
    """Every table of the ledger, and the truth of the cups that were not weighed back."""
    drawn = scenario.build(
        seed=8, shops=1, months=6, cups=1200, leftover_weighed=0.95, leftover_sd=0.14, small_tables=False
    )
    full = (
        drawn.truth["truth_cups"]
        .filter((pl.col("leftover_g") > 0.15 * pl.col("poured_g")) & (pl.col("donated_g") == 0))
        .select(*CUP, "product_id", "leftover_g", "poured_g")
    )
    leftovers = drawn.canonical["leftovers"].join(full, on=CUP, how="anti")
    tables = typed_tables(drawn)
    tables["leftovers"] = tables["leftovers"].join(leftovers.select(CUP).unique(), on=CUP, how="semi")
    film = on_frames.run_all(tables, SETTINGS.flat(), until="records")
    model = estimate(film["records"], film["record_layers"], SETTINGS, drawn.registers["gun_services"])
    ledger = on_frames.run_all(film | model, SETTINGS.flat())
    return ledger, full


def test_the_ledger_takes_as_left_what_film_shows_to_be_left(
    shop: tuple[dict[str, pl.DataFrame], pl.DataFrame],
) -> None:
    ledger, full = shop
    assert ledger["transfer_model"].filter(pl.col("term") == "unweighed")["note"].is_not_null().all()
    content = ledger["mixes"].select(*CUP, "solids_mass_fraction", "leftover_known", "complete")
    cups = full.join(content, on=CUP).filter(~pl.col("leftover_known") & pl.col("complete"))
    assert cups.height > 100
    truth = cups.select(pl.col("leftover_g") * pl.col("solids_mass_fraction")).sum().item()
    said = ledger["material_ledger"].join(cups, on=CUP, how="semi")["leftover_solids_g"].sum()
    assert 0.75 <= said / truth <= 1.25, f"{said / truth:.2f} of what is truly left"


def test_nothing_is_moved_where_film_shows_no_difference(shop: tuple[dict[str, pl.DataFrame], pl.DataFrame]) -> None:
    ledger, _ = shop
    quiet = ledger["transfer_model"].with_columns(note=pl.lit(None, pl.String))
    moved = on_frames.run_statement("usual_leftovers", ledger | {"transfer_model": quiet}, SETTINGS.flat())
    usual = ledger["leftover_habits"]
    assert moved["leftover_share"].to_list() == pytest.approx(usual["leftover_share"].to_list(), rel=1e-12)
