"""The few words in which every table of the project is declared.

Here belong the column makers (`text`, `number`, ...), the row rule and `table`: one line of declaration a column, with its
meaning, unit and bounds, and what pandera is told of them. No table is declared here, and nothing is validated here (see validate.py).

A declaration holds all that is known of a column: intake asks it what a canonical file must have, the data dictionary,
Dagster's column metadata and the captions of the pages are made from it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any

import polars as pl

if TYPE_CHECKING:
    import pandera.polars as pa

#: how a text begins that a spreadsheet would run: the full-width forms of the signs count too
FORMULA_STARTS = "=+-@\t\r\uff1d\uff0b\uff0d\uff20"

DTYPES: dict[str, Any] = {
    "text": pl.String,
    "int": pl.Int64,
    "float": pl.Float64,
    "bool": pl.Boolean,
    "datetime": pl.Datetime("us"),
    "date": pl.Date,
    "list": pl.List(pl.String),
}


@dataclass(frozen=True, slots=True)
class ColumnInfo:
    """What is known of one column. `kind` is a key of DTYPES; `unit` is empty for a bare number or text.

    key       part of the table's key, never null unless `nullable` says so (valid_from)
    nullable  may be empty
    default   what an absent or empty cell means (None: nothing)
    values    the only texts allowed (empty: any)
    low, high bounds of a number, both included; `above` is a bound that is excluded
    possible  size of a number as it can be at all, whatever its sign: the least that is not nothing, and the most. One that
              leaves it is refused, so that no single row can spoil a sum or a fit; what is merely unusual is doubted (doubts.py)
    refers_to the table whose key column of the same meaning must hold this id
    """

    name: str
    kind: str
    description: str
    unit: str = ""
    key: bool = False
    nullable: bool = False
    default: Any = None
    values: tuple[str, ...] = ()
    low: float | None = None
    high: float | None = None
    above: float | None = None
    possible: tuple[float, float] | None = None
    refers_to: str = ""

    @property
    def required(self) -> bool:
        """Must stand in the header of a canonical file: it may be neither empty nor left to a default."""
        return not self.nullable and self.default is None

    @property
    def dtype(self) -> Any:
        return DTYPES[self.kind]


@dataclass(frozen=True, slots=True)
class Rule:
    """A rule over several columns of one row. `holds` is a boolean expression; null counts as kept."""

    column: str
    message: str
    holds: pl.Expr


def text(description: str, **more: Any) -> ColumnInfo:
    return ColumnInfo("", "text", description, **more)


def number(description: str, unit: str = "", **more: Any) -> ColumnInfo:
    """A measured number: always finite."""
    return ColumnInfo("", "float", description, unit, **more)


def fraction(description: str, **more: Any) -> ColumnInfo:
    """A number from 0 to 1."""
    return ColumnInfo("", "float", description, "1", **{"low": 0.0, "high": 1.0, **more})


def integer(description: str, unit: str = "", **more: Any) -> ColumnInfo:
    return ColumnInfo("", "int", description, unit, **more)


def flag(description: str, **more: Any) -> ColumnInfo:
    return ColumnInfo("", "bool", description, **more)


def moment(description: str, **more: Any) -> ColumnInfo:
    """A date with a time of day, in the shop's own local time."""
    return ColumnInfo("", "datetime", description, **more)


def day(description: str, **more: Any) -> ColumnInfo:
    return ColumnInfo("", "date", description, **more)


def texts(description: str, **more: Any) -> ColumnInfo:
    return ColumnInfo("", "list", description, **more)


def choice(description: str, *values: str, **more: Any) -> ColumnInfo:
    return ColumnInfo("", "text", description, values=values, **more)


def conditions(info: ColumnInfo) -> list[tuple[str, pl.Expr, str]]:
    """What every value of a column satisfies: name, boolean expression (null counts as kept), words for a failure."""
    col = pl.col(info.name)
    found = []
    if info.kind == "float":
        found.append(("finite", col.is_finite(), "must be a finite number"))
    if info.low is not None:
        found.append(("at_least", col >= info.low, f"must be at least {info.low:g}"))
    if info.above is not None:
        found.append(("above", col > info.above, f"must be greater than {info.above:g}"))
    if info.high is not None:
        below = col.is_nan() | (col <= info.high) if info.kind == "float" else col <= info.high
        found.append(("at_most", below, f"must be at most {info.high:g}"))
    if info.possible:
        least, most = info.possible
        told = (
            f"cannot be: sizes from {least:g} to {most:g} {info.unit} are possible; was another unit or column meant?"
        )
        found.append(("possible", (col == 0) | ~col.is_finite() | col.abs().is_between(least, most), told))
    if info.values:
        found.append(("one_of", col.is_in(list(info.values)), "must be one of " + ", ".join(info.values)))
    if info.key and info.kind == "text":
        found.append(("not_blank", col.str.strip_chars() != "", "must not be blank"))
    return found


@dataclass(frozen=True)
class Table:
    """One table: its name, what it holds, its columns by name, and rules over several of them."""

    name: str
    description: str
    columns: Mapping[str, ColumnInfo]
    rules: tuple[Rule, ...] = ()

    @cached_property
    def pandera(self) -> pa.DataFrameSchema:
        """The same as a schema of pandera. It takes a second to import, and is needed only to say which row failed what."""
        import pandera.polars as pa

        def check(name: str, holds: pl.Expr, message: str) -> pa.Check:
            return pa.Check(lambda data: data.lazyframe.select(holds), name=name, error=message)

        return pa.DataFrameSchema(
            {
                info.name: pa.Column(
                    info.dtype, checks=[check(*one) for one in conditions(info)], nullable=info.nullable
                )
                for info in self.columns.values()
            },
            checks=[check(rule.column, rule.holds.fill_null(True), rule.message) for rule in self.rules],
            name=self.name,
        )


#: unit -> the least that is not nothing and the most that a number of it can be in a shop's records
POSSIBLE: dict[str, tuple[float, float]] = {
    "g": (1e-6, 1e8), "mL": (1e-6, 1e8), "um": (1e-6, 1e5), "mm": (1e-3, 1e3), "kPa": (1e-3, 1e6), "m2": (1e-6, 1e4),
    "g/mL": (0.01, 30.0), "g/L": (1e-9, 1e4), "min": (1e-3, 1e7), "currency": (1e-6, 1e9), "currency/kg": (1e-6, 1e9), "unit": (1e-9, 1e12),
    "by figure": (1e-100, 1e15), "1": (1e-6, 100.0),
}  # fmt: skip
MOST_NUMBERED = 1e15  # an order that is a time stamp or a date with a number still has as many digits


def given(name: str, description: str, rules: list[Rule] | None = None, /, **columns: ColumnInfo) -> Table:
    """A table that a shop gives: every number in it is bounded by what can be."""

    def bounded(info: ColumnInfo) -> ColumnInfo:
        if info.possible or info.kind not in ("float", "int") or (info.kind == "float" and info.high is not None):
            return info
        return replace(info, possible=(1.0, MOST_NUMBERED) if info.kind == "int" else POSSIBLE[info.unit])

    return table(name, description, rules, **{column: bounded(info) for column, info in columns.items()})


def table(name: str, description: str, rules: list[Rule] | None = None, /, **columns: ColumnInfo) -> Table:
    """One table. `name` is the one word for the Dagster asset, the parquet file, the SQL file and this schema."""
    named = {column: replace(info, name=column) for column, info in columns.items()}
    return Table(name, description, named, tuple(rules or ()))
