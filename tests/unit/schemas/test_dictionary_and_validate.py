"""Validation tells every failure of every row, and dictionary.md says what the schemas say."""

from __future__ import annotations

import math
from pathlib import Path

import polars as pl
import pytest

from schemas import dictionary, events, published, registers, validate, working

ROOT = Path(__file__).resolve().parents[3]
OURS = {**events.EVENTS, **registers.REGISTERS, **working.WORKING, **published.PUBLISHED}


def test_the_dictionary_is_current() -> None:
    text = (ROOT / "schemas" / "dictionary.md").read_text(encoding="utf-8")
    assert dictionary.markdown() == text, "run `make dictionary`"


@pytest.mark.parametrize("table", sorted(OURS))
def test_every_column_has_a_meaning_and_measures_have_a_unit(table: str) -> None:
    for info in validate.columns(table):
        assert info.description, info.name
        assert info.kind != "float" or info.unit, f"{table}.{info.name} has no unit"


def test_validation_tells_all_failures_of_a_row_and_drops_nothing() -> None:
    row = {"shop_id": "s", "mix_id": "m", "weigh_no": 0, "weighed_at": None, "leftover_g": math.inf, "fate": "lost"}
    frame = pl.DataFrame([row], schema=validate.empty("leftovers").schema)
    checked = validate.check("leftovers", frame)
    assert checked.frame.height == 1
    assert checked.failures.select("column", "reason").rows() == [
        ("fate", "must be one of kept, discarded"),
        ("leftover_g", "must be a finite number"),
        ("weigh_no", "must be at least 1"),
        ("weighed_at", "must not be empty"),
    ]


def test_validation_knows_which_row_broke_a_rule_over_columns() -> None:
    rows = [{"shop_id": "s", "job_id": "j", "operation_no": n, "kind": k} for n, k in [(1, "sand"), (2, "spray")]]
    frame = pl.concat([validate.empty("operations"), pl.DataFrame(rows)], how="diagonal").with_columns(
        started_at=pl.lit("2026-03-02").str.to_datetime(time_unit="us")
    )
    failures = validate.check("operations", frame).failures
    assert failures["row"].unique().to_list() == [1]
    assert set(failures["column"]) == {"gun_id", "technician_id", "product_id"}


@pytest.mark.parametrize(("total", "kept"), [(1.0, True), (1.01, True), (0.99, True), (1.011, False), (0.989, False)])
def test_fractions_given_together_sum_to_one_within_a_hundredth(total: float, kept: bool) -> None:
    row = {"component_id": "c", "solids_mass_fraction": 0.4, "voc_mass_fraction": total - 0.6, "water_mass_fraction": 0.1,
           "exempt_mass_fraction": 0.1}  # fmt: skip
    frame = pl.concat([validate.empty("components"), pl.DataFrame([row])], how="diagonal")
    assert (validate.check("components", frame).failures.height == 0) is kept


def test_conform_refuses_a_repeated_key_and_a_missing_column() -> None:
    frame = pl.DataFrame({"shop_id": ["s", "s"], "role": ["clear", "clear"], "n": [1, 1], "leftover_share": [0.1, 0.1]})
    with pytest.raises(validate.TableError, match="leftover_share_sd"):
        validate.conform("leftover_habits", frame)
    with pytest.raises(validate.TableError, match="more than once"):
        validate.conform("leftover_habits", frame.with_columns(leftover_share_sd=None))
