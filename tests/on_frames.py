"""The ledger's steps run one by one on frames, in a small DuckDB of its own: for tests that bring a few rows. A run has its tables in
the workbench.
"""

from __future__ import annotations

import inspect
from collections import ChainMap
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from functools import cache
from typing import TYPE_CHECKING, Any

import polars as pl

from pipelines.ledger import runner
from pipelines.ledger.runner import PYTHON_STEPS, LedgerError, parameters, statements, upstream
from pipelines.settings import Settings, sections
from pipelines.transfer.decisions import decision_tables
from pipelines.transfer.model import estimate
from schemas import events, validate

if TYPE_CHECKING:
    import duckdb


def frame(table: str, *rows: dict[str, Any]) -> pl.DataFrame:
    """Rows of a table that the schemas know, and where they were read from if they say so; what a row leaves out is null."""
    empty = validate.empty(table)
    read = {"file": pl.String(), "line": pl.Int64()} if any("file" in row for row in rows) else {}
    told = {k: v for k, v in empty.schema.items() if any(k in row for row in rows)} | read
    given = pl.DataFrame(list(rows), schema=told)
    return pl.concat([empty, given], how="diagonal")


DECIDED = tuple(name for one in decision_tables.DECISIONS for name in one.makes)


class Frames:
    """Tables at hand as decisions ask for them; `each` gives all shops at once."""

    def __init__(self, tables: Mapping[str, pl.DataFrame]) -> None:
        self.tables = tables

    def whole(self, name: str, columns: Sequence[str] | None = None) -> pl.DataFrame:
        frame = self.tables[name].sort(validate.keys(name), nulls_last=True)
        return frame if columns is None else frame.select(columns)

    def each(self, wanted: Mapping[str, Sequence[str]]) -> Iterator[dict[str, pl.DataFrame]]:
        yield {name: self.whole(name, columns) for name, columns in wanted.items()}


def decisions_from(tables: Mapping[str, pl.DataFrame]) -> decision_tables.Source:
    """What decisions read of these tables, and the transfer model of their records."""
    source = decision_tables.Source(Frames(tables), lambda: estimate.fitted_model(**source.of("transfer")))
    return source


def decide(tables: Mapping[str, pl.DataFrame], settings: Settings) -> dict[str, pl.DataFrame]:
    """Every table that is decided, from the tables that decisions need."""
    out: dict[str, pl.DataFrame] = {}
    source = decisions_from(ChainMap(out, dict(tables)))
    for one in decision_tables.DECISIONS:
        out |= one.made(source, settings)
    return out


def run_statement(name: str, tables: Mapping[str, pl.DataFrame], settings: Mapping[str, Any]) -> pl.DataFrame:
    """Run one step on the frames it reads (`upstream(name)`); settings fill its $parameters.

    One thread: floats added in another order differ in the last digit, and the same input must give the same bytes.
    """
    missing = sorted(upstream(name) - set(tables))
    if missing:
        raise LedgerError(f"{name}: needs the tables {', '.join(missing)}")
    if name in PYTHON_STEPS:
        step = PYTHON_STEPS[name]
        chosen = {"settings": _settings_of(settings)} if "settings" in inspect.signature(step).parameters else {}
        return _formed(name, step(**{table: tables[table] for table in upstream(name)}, **chosen))
    import duckdb

    given = parameters(name, settings)
    connection = _connection()
    try:
        for table in upstream(name):
            connection.register(table, _placed(table, tables[table]).to_arrow(compat_level=pl.CompatLevel.newest()))
        relation = connection.sql(statements()[name], params=given)
        result = pl.DataFrame(relation.to_arrow_table())
    except duckdb.Error as error:
        raise LedgerError(f"{name}.sql: {error}") from error
    finally:
        for table in upstream(name):
            connection.unregister(table)
    return _formed(name, result)


def _placed(name: str, frame: pl.DataFrame) -> pl.DataFrame:
    """Rows of events as intake gives them: with the file and the line that they were read from; none of drawn rows."""
    if name not in events.EVENTS or {"file", "line"} <= set(frame.columns):
        return frame
    return frame.with_columns(file=pl.lit(None, pl.String), line=pl.lit(None, pl.Int64))


def _settings_of(flat: Mapping[str, Any]) -> Settings:
    """The settings that `flat` gave. Raises KeyError where one is missing."""
    of = {name: {key: flat[key] for key in model.model_fields} for name, model in sections().items()}
    return Settings.model_validate(of)


@cache
def _connection() -> duckdb.DuckDBPyConnection:
    """Empty between statements: a new one for each of them would cost more than many take."""
    import duckdb

    found = duckdb.connect()
    found.execute("SET threads TO 1")
    # Registered frames carry no statistics: the optimizer then joins large tables on shop_id alone and filters later,
    # which takes all memory. Joins are run in the order in which the statement names them.
    found.execute("SET disabled_optimizers TO 'join_order'")
    return found


def _formed(name: str, frame: pl.DataFrame) -> pl.DataFrame:
    try:
        validate.schema(name)
    except KeyError:
        return frame
    return validate.conform(name, frame)


def run_all(
    tables: Mapping[str, pl.DataFrame], settings: Mapping[str, Any], *, until: str | None = None
) -> dict[str, pl.DataFrame]:
    """Every step in order on top of `tables` (event tables, registers, reference, incomplete). For tests and small use.

    Steps whose inputs are not at hand (those behind the transfer model) are left out; `until` runs that step and what it
    rests on, nothing else.
    """
    found = dict(tables)
    wanted = set(runner.steps()) if until is None else _rests_on([until])
    for name in runner.order():
        if name in wanted and upstream(name) <= set(found):
            found[name] = run_statement(name, found, settings)
    return found


def run_wanted(
    tables: Mapping[str, pl.DataFrame], *wanted: str, settings: Mapping[str, Any] | None = None
) -> dict[str, pl.DataFrame]:
    """These steps and what they rest on, in order, on top of `tables`; what is there already is not made again. By default with the
    default settings."""
    found, settings = dict(tables), Settings().flat() if settings is None else settings
    needed = _rests_on(wanted, tables)
    for name in runner.order():
        if name in needed:
            found[name] = run_statement(name, found, settings)
    return found


def _rests_on(names: Iterable[str], given: Collection[str] = ()) -> set[str]:
    found: set[str] = set()
    ahead = list(names)
    while ahead:
        step = ahead.pop()
        if step not in found and step not in given and step in set(runner.steps()):
            found.add(step)
            ahead.extend(upstream(step))
    return found
