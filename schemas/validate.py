"""The one way a frame is validated.

Eager frames only: on a LazyFrame pandera runs no data checks at all. `check` tells every failure of rows that came from
outside; `conform` insists on frames that we made ourselves. Neither drops a row.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache

import polars as pl

from schemas import events, published, registers, working
from schemas.vocabulary import ColumnInfo, Table, conditions

SMALL = 20_000  # rows
FAILURES = {"row": pl.Int64, "column": pl.String, "reason": pl.String}


class TableError(ValueError):
    """A frame that we made ourselves is not what its table promises."""


@dataclass(frozen=True, slots=True)
class Checked:
    """`frame` as given; `failures` has one row per failed check: row (index into frame), column, reason."""

    frame: pl.DataFrame
    failures: pl.DataFrame


@cache
def _all() -> dict[str, Table]:
    from schemas import reference

    return {**events.EVENTS, **registers.REGISTERS, **reference.REFERENCE, **working.WORKING, **published.PUBLISHED}


def schema(table: str) -> Table:
    """The declaration of a table. KeyError names the table where there is none."""
    return _all()[table]


@cache
def columns(table: str) -> tuple[ColumnInfo, ...]:
    """Everything known of a table's columns, in order."""
    return tuple(schema(table).columns.values())


def held(table: str) -> dict[str, str]:
    """Column -> kind, as a run holds a table: rows of events with the file and the line that they were read from."""
    place = {"file": "text", "line": "int"} if table in events.EVENTS else {}
    return {info.name: info.kind for info in columns(table)} | place


def keys(table: str) -> list[str]:
    """The names of the key columns, in order."""
    return [info.name for info in columns(table) if info.key]


@cache
def empty(table: str) -> pl.DataFrame:
    """A frame of no rows with the table's columns and dtypes."""
    return pl.DataFrame(schema={info.name: info.dtype for info in columns(table)})


def check(table: str, frame: pl.DataFrame) -> Checked:
    """Validate a typed frame. Columns that the table does not know are let be; all its own must be there.

    Raises TableError where a column is missing or has another dtype: that is the reader's fault, not a row's.
    """
    if _all_kept(table, frame):
        return Checked(frame, pl.DataFrame(schema=FAILURES))
    return _explained(table, frame)


def _all_kept(table: str, frame: pl.DataFrame) -> bool:
    """Whether a frame keeps everything its table declares, asked in one select: pandera takes some 10 ms for a small
    frame, and is needed only to say which row failed what."""
    found = frame.schema
    if any(found.get(info.name) != info.dtype for info in columns(table)):
        return False
    if any(frame[info.name].null_count() for info in columns(table) if not info.nullable):
        return False
    kept = _kept(table)
    return not kept or bool(picked(frame, [pl.all_horizontal(kept)]).item())


def picked(frame: pl.DataFrame, wanted: Iterable[pl.Expr | str]) -> pl.DataFrame:
    """Columns of a frame; of a small one in one thread, where handing work to others takes longer than the work."""
    return frame.select_seq(wanted) if frame.height < SMALL else frame.select(wanted)


@cache
def _kept(table: str) -> list[pl.Expr]:
    holds = [holds for info in columns(table) for _, holds, _ in conditions(info)]
    return [one.all() for one in (*holds, *(rule.holds for rule in schema(table).rules))]


def _explained(table: str, frame: pl.DataFrame) -> Checked:
    """Every failure, row by row, as pandera finds it."""
    from pandera import errors as pandera

    failures: list[pl.DataFrame] = []
    try:
        schema(table).pandera.validate(frame, lazy=True)
    except pandera.SchemaErrors as errors:
        cases = errors.failure_cases
        structural = cases.filter(pl.col("index").is_null())
        if structural.height:
            raise TableError(
                f"{table}: {structural['check'].to_list()} {structural['failure_case'].to_list()}"
            ) from None
        rules = {rule.message: rule.column for rule in schema(table).rules}
        failures.append(
            cases.select(
                row=pl.col("index").cast(pl.Int64),
                column=pl.when(pl.col("schema_context") == "DataFrameSchema")
                .then(pl.col("check").replace_strict(rules, default=None) if rules else pl.lit(None, pl.String))
                .otherwise(pl.col("column")),
                reason=pl.when(pl.col("check") == "not_nullable").then(pl.lit("must not be empty")).otherwise("check"),
            )
        )
    found = pl.concat(failures) if failures else pl.DataFrame(schema=FAILURES)
    return Checked(frame, found.unique().sort("row", "column", "reason"))


def _as_before(key: list[str]) -> pl.Expr:
    """Whether a row has the key of the row before it."""
    return pl.all_horizontal(pl.col(name).eq_missing(pl.col(name).shift()) for name in key)


def conform(table: str, frame: pl.DataFrame) -> pl.DataFrame:
    """Bring a frame of our own into its table's form: exactly its columns, in order and dtype, sorted by key.

    Raises TableError naming the first failures, a missing column or a repeated key.
    """
    infos = columns(table)
    missing = [info.name for info in infos if info.name not in frame.columns]
    if missing:
        raise TableError(f"{table}: columns missing: {', '.join(missing)}")
    key = keys(table)
    frame = frame.select(pl.col(info.name).cast(info.dtype) for info in infos).sort(key, nulls_last=True)
    failures = check(table, frame).failures
    if failures.height:
        first = failures.row(0, named=True)
        row = frame.row(first["row"], named=True)
        raise TableError(
            f"{table}: {failures.height} failures, the first: {first['column']} {first['reason']}, found"
            f" {row.get(first['column'])!r} at { ({k: row[k] for k in key}) }"
        )
    # sorted, so that equal keys stand side by side
    if key and frame.height > 1 and frame.select(_as_before(key).slice(1).any()).item():
        twice = frame.filter(frame.select(key).is_duplicated()).select(key).row(0, named=True)
        raise TableError(f"{table}: the key {twice} stands more than once")
    return frame
