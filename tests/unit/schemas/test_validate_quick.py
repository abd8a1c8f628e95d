"""The quick answer is pandera's: asked in one select, it lets through exactly what pandera lets through."""

from __future__ import annotations

from datetime import date, datetime

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from schemas import validate
from schemas.events import EVENTS
from schemas.registers import REGISTERS
from schemas.vocabulary import ColumnInfo

TABLES = [*EVENTS, *REGISTERS]


def _cells(info: ColumnInfo) -> st.SearchStrategy[object]:
    edges: list[object] = [None]
    if info.kind == "float":
        edges += [0.0, 1.0, -1.0, 0.5, 3000.0, 3000.1, float("nan"), float("inf"), info.low, info.high, info.above]
    elif info.kind == "int":
        edges += [-1, 0, 1, 2, 3, 4]
    elif info.kind == "text":
        edges += ["", "  ", "a", "b", *info.values[:2]]
    elif info.kind == "bool":
        edges += [True, False]
    elif info.kind == "date":
        edges += [date(2025, 1, 1), date(2025, 1, 2)]
    else:
        edges += [datetime(2025, 1, 1), datetime(2025, 1, 2, 3)]
    return st.sampled_from(edges)


@pytest.mark.parametrize("table", TABLES)
@settings(max_examples=12, deadline=None)
@given(data=st.data())
def test_the_quick_answer_agrees_with_pandera(table: str, data: st.DataObject) -> None:
    infos = validate.columns(table)
    rows = data.draw(st.lists(st.tuples(*(_cells(i) for i in infos)), max_size=3))
    frame = pl.DataFrame(rows, schema={i.name: i.dtype for i in infos}, orient="row")
    told = validate._explained(table, frame).failures
    assert validate.check(table, frame).failures.equals(told)
    assert validate._all_kept(table, frame) == told.is_empty()
    # row by row: most rows fail somewhere, so one good row must be found to be good by itself
    for row in frame.iter_slices(1) if frame.height > 1 else ():
        assert validate._all_kept(table, row) == validate._explained(table, row).failures.is_empty()


@pytest.mark.parametrize("table", TABLES)
def test_a_row_that_is_right_is_let_through_at_once(table: str) -> None:
    right: dict[str, object] = {}
    for info in validate.columns(table):
        by_kind = {"float": 0.5, "int": 1, "text": "a", "bool": True, "date": date(2025, 1, 1)}
        value = info.values[0] if info.values else by_kind.get(info.kind, datetime(2025, 1, 1))
        right[info.name] = None if info.nullable and not info.key else value
    if table == "pours":
        right["component_id"] = "a"
    if table == "changes":
        right["gun_id"] = "a"
    if table == "permit_limits":
        right |= {"measure": "voc_kg", "unit": "kg"}
    if table == "operations":
        right |= {"technician_id": "a", "gun_id": "a", "product_id": "a", "kind": "spray"}
    frame = pl.DataFrame([right], schema={i.name: i.dtype for i in validate.columns(table)})
    assert validate._explained(table, frame).failures.is_empty(), validate._explained(table, frame).failures
    assert validate._all_kept(table, frame) and validate.check(table, frame).failures.is_empty()
    key = next(iter(validate.keys(table)))
    without = frame.with_columns(pl.lit(None, frame.schema[key]).alias(key))
    assert validate.check(table, without).failures.equals(validate._explained(table, without).failures)
    assert not validate._all_kept(table, without)


def test_a_missing_column_and_a_wrong_dtype_still_raise() -> None:
    good = validate.empty("gauges")
    with pytest.raises(validate.TableError):
        validate.check("gauges", good.drop("principle"))
    with pytest.raises(validate.TableError):
        validate.check("gauges", good.with_columns(pl.lit(1).alias("principle")))
