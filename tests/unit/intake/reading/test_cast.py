"""Text to typed values: what is read, and what each failure says."""

from datetime import date, datetime

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipelines.intake.reading.cast import Spec, cast, usual
from schemas.vocabulary import ColumnInfo


def one(kind: str, cell: str | None, **spec: object) -> tuple[object, str | None]:
    done = cast(ColumnInfo("x", kind, ""), pl.Series([cell], dtype=pl.String), Spec(**spec))  # type: ignore[arg-type]
    return done.values[0], (done.failures["reason"][0] if done.failures.height else None)


@pytest.mark.parametrize(
    ("cell", "value"),
    [("1", 1.0), ("-0.5", -0.5), ("+2.", 2.0), (".5", 0.5), ("1e3", 1000.0), ("007", 7.0), (None, None)],
)
def test_plain_numbers_are_read(cell: str | None, value: float | None) -> None:
    assert one("float", cell) == (value, None)


@pytest.mark.parametrize(
    ("cell", "said"),
    [("abc", "not a number"), ("1,5", "Write 1.5"), ("1.234,5", "not a number"), ("12 g", "not a number"),
     ("inf", "not a finite"), ("-Infinity", "not a finite"), ("1e999", "not a finite"), ("NaN", "not a number"),
     ("1_000", "not a number"), ("0x10", "not a number"), ("--1", "not a number"), ("١", "not a number")],
)  # fmt: skip
def test_what_is_no_finite_number_is_told(cell: str, said: str) -> None:
    value, reason = one("float", cell)
    assert value is None and reason is not None and said in reason and f"'{cell}'" in reason


@pytest.mark.parametrize(
    ("cell", "value"),
    [("1.234,5", 1234.5), ("12.345.678", 12345678.0), ("1234,5", 1234.5), (",5", 0.5), ("-1.000", -1000.0)],
)
def test_a_files_own_marks_are_read(cell: str, value: float) -> None:
    assert one("float", cell, decimal=",", thousands=".") == (value, None)


@pytest.mark.parametrize("cell", ["1.5", "1.23,4", "12.34.567", "1,234.5", "1.2345"])
def test_marks_in_the_wrong_place_are_refused_not_guessed(cell: str) -> None:
    value, reason = one("float", cell, decimal=",", thousands=".")
    assert value is None and reason is not None and "decimal comma" in reason


@given(st.floats(allow_nan=False, allow_infinity=False, width=64))
def test_every_finite_number_is_read_exactly(number: float) -> None:
    assert one("float", repr(number))[0] == number


@pytest.mark.parametrize(("cell", "value"), [("3", 3), ("3.0", 3), ("-2", -2), ("1e2", 100)])
def test_whole_numbers_are_read(cell: str, value: int) -> None:
    assert one("int", cell) == (value, None)


@pytest.mark.parametrize(("cell", "why"), [("3.5", "whole"), ("9007199254740993", "too large"), ("1e300", "too large")])
def test_numbers_that_are_not_whole_or_not_exact_any_more_are_refused(cell: str, why: str) -> None:
    value, reason = one("int", cell)
    assert value is None and reason is not None and why in reason


@pytest.mark.parametrize(
    ("cell", "value"),
    [
        ("2025-03-01", datetime(2025, 3, 1)),
        ("2025-03-01 10:30", datetime(2025, 3, 1, 10, 30)),
        ("2025-03-01T10:30:15", datetime(2025, 3, 1, 10, 30, 15)),
        ("2025-03-01 10:30:15.25", datetime(2025, 3, 1, 10, 30, 15, 250000)),
        ("2025-03-01T10:30Z", datetime(2025, 3, 1, 10, 30)),
        ("2025-03-01T10:30:00+02:00", datetime(2025, 3, 1, 8, 30)),
        ("2025-03-01 10:30:00 -0500", datetime(2025, 3, 1, 15, 30)),
        ("2024-02-29 00:00", datetime(2024, 2, 29)),
    ],
)
def test_iso_times_are_read_and_those_with_an_offset_marked(cell: str, value: datetime) -> None:
    done = cast(ColumnInfo("x", "datetime", ""), pl.Series([cell, None, "2025-01-01 00:00:00"]))
    assert done.values[0] == value and done.failures.is_empty()
    has_offset = cell.endswith(("Z", "0200", "02:00", "0500"))
    assert (done.aware is not None and done.aware.to_list() == [True, False, False]) == has_offset


@pytest.mark.parametrize(
    "cell", ["2025-02-29", "2025-13-01", "01.03.2025", "3/1/2025", "2025-03-01 25:00", "2025-03-01 10:30:60", "10:30",
             "2025-3-1", "25-03-01", "yesterday", "45000"],
)  # fmt: skip
def test_times_that_do_not_exist_or_are_written_otherwise_are_refused(cell: str) -> None:
    for kind in ("datetime", "date"):
        value, reason = one(kind, cell)
        assert value is None and reason is not None and "not a" in reason


def test_layout_formats_are_tried_in_turn_and_a_short_year_is_not_guessed() -> None:
    formats = ("%m/%d/%Y %H:%M", "%d.%m.%Y")
    assert one("datetime", "3/4/2025 7:05", formats=formats) == (datetime(2025, 3, 4, 7, 5), None)
    assert one("date", "04.03.2025", formats=formats) == (date(2025, 3, 4), None)
    value, reason = one("date", "04.03.25", formats=formats)
    assert value is None and reason is not None and "four digits" in reason
    assert one("datetime", "1:05 PM 4.3.2025", formats=("%I:%M %p %d.%m.%Y",))[0] == datetime(2025, 3, 4, 13, 5)


@pytest.mark.parametrize(("cell", "value"), [("true", True), ("Yes", True), ("0", False), ("N", False), ("x", None)])
def test_flags(cell: str, value: bool | None) -> None:
    found, reason = one("bool", cell)
    assert found is value and (reason is None) == (value is not None)


CELLS = [
    None, "1", "-0.5", "1,5", "1.234,5", "1e999", "NaN", "abc", "7.5", "9007199254740993", "true", "No", "2026-03-01",
    "2026-03-01 10:30", "2026-03-01 10:30:05", "2026-03-01T10:30:05+02:00", "2026-02-30", "1790-01-01", "01.03.26", "1.3.2026",
    "46082.4375", "59", "März 2026", "e\u0301", "é",
]  # fmt: skip


@pytest.mark.parametrize("kind", ["text", "float", "int", "bool", "date", "datetime"])
@pytest.mark.parametrize(
    "spec",
    [Spec(), Spec(factor=28.35), Spec(decimal=",", thousands="."), Spec(decimal=",", typed=True),
     Spec(formats=("%d.%m.%y", "%d.%m.%Y"), century=1970), Spec(formats=("serial", "%Y-%m-%d %H:%M")),
     Spec(formats=("%B %Y",), months="de"), Spec(formats=("%Y-%m-%dT%H:%M:%S%z",))],
    ids=str,
)  # fmt: skip
def test_what_a_whole_column_gives_is_what_its_cells_give_or_is_looked_at(kind: str, spec: Spec) -> None:
    info = ColumnInfo("shop_id", kind, "")
    for cell in CELLS:
        text = pl.Series("shop_id", [cell], dtype=pl.String)
        quick = text.to_frame().select(usual(info, spec)).to_series()
        done = cast(info, text, spec)
        assert quick.dtype == done.values.dtype
        if quick.null_count() == text.null_count():  # then nobody looks at the cell again
            assert quick.to_list() == done.values.to_list() and done.failures.is_empty() and done.aware is None
