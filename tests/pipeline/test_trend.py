"""A shop whose transfer changes from one month on: from its exported rows to transfer_by_period.

An invented business (seed_data). All pours of one shop are cut by a fifth, film left alone: its transfer rose by a quarter.
"""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from pipelines.settings import Settings
from pipelines.transfer.decisions import decision_tables
from pipelines.transfer.model import linearise, totals
from pipelines.transfer.model.estimate import estimate
from pipelines.transfer.model.joint import Statements
from seed_data import scenario
from tests import on_frames
from tests.bench.direct_intervals import typed_tables

SETTINGS = Settings()
TURN = "2025-08"


def whole(tables: dict[str, pl.DataFrame]) -> dict[str, pl.DataFrame]:
    film = on_frames.run_all(tables, SETTINGS.flat(), until="records")
    fits: list[linearise.Joint] = []
    model = estimate(film["records"], film["record_layers"], SETTINGS, tables["gun_services"], fits.append)
    ledger = on_frames.run_all(film | model, SETTINGS.flat())
    found = totals.cells([ledger], said := Statements(fits[0], SETTINGS), SETTINGS)
    table = totals.totals(found, said)
    by_period = decision_tables.formed("transfer_by_period", totals.by_period(table, found, fits[0].steps))
    return model | {"transfer_by_period": by_period}


@pytest.fixture(scope="module")
def both() -> tuple[dict[str, pl.DataFrame], dict[str, pl.DataFrame], str]:
    """The business as it is, with the cut, and the shop that was cut."""
    drawn = scenario.build(seed=31, shops=2, months=10, cups=2000, small_tables=False, movers=False)
    tables = typed_tables(drawn)
    shop = tables["pours"]["shop_id"].sort()[0]
    first = tables["pours"].filter(pl.col("shop_id") == shop).group_by("mix_id").agg(pl.col("poured_at").min())
    cups = first.filter(pl.col("poured_at").dt.strftime("%Y-%m") >= TURN)["mix_id"].to_list()
    less = (pl.col("shop_id") == shop) & pl.col("mix_id").is_in(cups)
    cut = dict(tables)
    for name, grams in (("pours", "weighed_g"), ("leftovers", "leftover_g")):
        cut[name] = tables[name].with_columns(pl.when(less).then(0.8 * pl.col(grams)).otherwise(grams).alias(grams))
    return whole(tables), whole(cut), str(shop)


def months(frame: pl.DataFrame, shop: str, role: str = "all") -> pl.DataFrame:
    at = (pl.col("shop_id") == shop) & (pl.col("role") == role) & pl.col("period").str.contains(r"^\d{4}-\d\d$")
    return frame.filter(at).sort("period")


def test_a_shop_that_got_better_is_shown_to_within_two_months(both) -> None:
    before, after, shop = both
    was, now = months(before["transfer_by_period"], shop), months(after["transfer_by_period"], shop)
    old = was.filter(pl.col("period") < TURN)["estimate"].mean()
    turned = now.filter(pl.col("period") >= TURN)
    assert (turned["low"].head(2) > old).any()
    shown = now.filter(pl.col("change_shown"))
    assert shown["period"].to_list() == [TURN]
    assert shown["change"].item() == pytest.approx(1.25, rel=0.08)
    assert shown["change_prob"].item() > 0.999


def test_months_before_move_by_less_than_half_their_spread(both) -> None:
    shop = both[2]
    was, now = (months(t["transfer_by_period"], shop).filter(pl.col("period") < TURN) for t in both[:2])
    spread = (was["high"] - was["low"]) / (2 * 1.96)
    assert ((now["estimate"] - was["estimate"]).abs() <= 0.5 * spread).all()


def test_it_is_laid_on_the_shop_and_not_on_its_guns_and_hands(both) -> None:
    before, after, _ = both
    for table, who in (("gun_effects", "gun_id"), ("technician_effects", "technician_id")):
        pair = before[table].join(after[table], on=who).drop_nulls("effect")
        assert (pair["effect_right"] / pair["effect"]).log().abs().max() < 0.05
        assert pair["flagged_right"].to_list() == pair["flagged"].to_list()
    worn = [
        t["transfer_model"].filter((pl.col("term") == "spread") & (pl.col("level") == "event"))["value"].item()
        for t in both[:2]
    ]
    assert worn[1] < 1.15 * worn[0], "a step is no chance"


def test_where_nothing_changed_nothing_is_shown(both) -> None:
    before, after, shop = both
    quiet = pl.concat([before["transfer_by_period"], after["transfer_by_period"].filter(pl.col("shop_id") != shop)])
    told = quiet["change_shown"].drop_nulls()
    assert len(told) > 100
    assert told.mean() <= 0.05


def test_periods_follow_one_another() -> None:
    assert [totals.before(p) for p in ("2025-01", "2025-10", "2025-Q1", "2025-Q3", "2025")] == [
        "2024-12", "2025-09", "2024-Q4", "2025-Q2", "2024",
    ]  # fmt: skip
    assert totals.year_before("2025-Q3") == "2024-Q3"
    assert np.array_equal(
        totals.periods(pl.Series(["2025-07", "unknown"])).rows(), [("2025-07", "2025-Q3", "2025"), (None,) * 3]
    )
