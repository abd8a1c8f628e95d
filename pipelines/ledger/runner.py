"""Runs the ledger: finds the order of its steps from the SQL itself and runs one step on frames.

Here belongs what knows that a statement is SQL. Which tables are published and how they look is in schemas/; where frames
are kept is the caller's business.
"""

from __future__ import annotations

import inspect
import re
import threading
from collections.abc import Callable, Mapping
from functools import cache
from graphlib import TopologicalSorter
from pathlib import Path
from typing import TYPE_CHECKING, Any

import polars as pl

from pipelines.ledger import graph, origin, unit_factors, waste
from pipelines.ledger.film import excess, film_build, layer_films
from pipelines.settings import Settings
from schemas import validate
from schemas.published import Z95

if TYPE_CHECKING:
    import duckdb

HERE = Path(__file__).parent
PYTHON_STEPS: dict[str, Callable[..., pl.DataFrame]] = {
    "cup_contents": graph.cup_contents,
    "emission_waste": waste.emission_waste,
    "equations": graph.equations,
    "film_build": film_build.film_build,
    "film_pieces": layer_films.film_pieces,
    "film_scatter": film_build.film_scatter,
    "over_build": excess.over_build,
    "pour_lines": origin.pour_lines,
    "record_lines": origin.record_lines,
    "told_films": film_build.told_films,
    "told_sums": film_build.told_sums,
    "transfer_spread": film_build.transfer_spread,
    "unit_factors": unit_factors.unit_factors,
}


#: $parameters of statements that no shop chooses
CONSTANTS = {"z95": Z95}


class LedgerError(RuntimeError):
    """A step of the ledger failed; the message names the step."""


@cache
def statements() -> dict[str, str]:
    """Table name -> SQL text, one statement a file."""
    return {path.stem: path.read_text(encoding="utf-8") for path in sorted(HERE.rglob("*.sql"))}


@cache
def _parsed(name: str) -> tuple[frozenset[str], frozenset[str]]:
    """The tables a statement reads and the $parameters it takes."""
    text = statements()[name]
    # tables are named without looking at what fills the parameters
    tables = _connection().get_table_names(re.sub(r"\$\w+", "NULL", text))
    return frozenset(tables), frozenset(re.findall(r"\$(\w+)", text))


def steps() -> list[str]:
    """Every step of the ledger, SQL and walks."""
    return sorted([*statements(), *PYTHON_STEPS])


def comment(name: str) -> str:
    """What a step does, in its own words: the SQL's leading comment, or the walk's docstring."""
    if name in PYTHON_STEPS:
        return inspect.getdoc(PYTHON_STEPS[name]) or ""
    lines = []
    for line in statements()[name].splitlines():
        if not line.startswith("--"):
            break
        lines.append(line.removeprefix("--").removeprefix(" "))
    return "\n".join(lines)


def upstream(name: str) -> frozenset[str]:
    """The tables that a step reads."""
    if name in PYTHON_STEPS:
        return frozenset(inspect.signature(PYTHON_STEPS[name]).parameters) - {"settings"}
    return _parsed(name)[0]


def settings_of(name: str) -> frozenset[str]:
    """The settings that a statement takes as $parameters."""
    return _parsed(name)[1] - CONSTANTS.keys()


def parameters(name: str, settings: Mapping[str, Any]) -> dict[str, Any]:
    """A value for every $parameter of a statement. Raises LedgerError for one that no setting gives."""
    unset = sorted(settings_of(name) - set(settings))
    if unset:
        raise LedgerError(f"{name}.sql: no setting gives ${', $'.join(unset)}")
    chosen = {key: settings[key] for key in sorted(settings_of(name))}
    return chosen | {key: value for key, value in CONSTANTS.items() if key in _parsed(name)[1]}


def order() -> list[str]:
    """The steps so that each comes after what it reads; ties by name. Raises CycleError where two need each other."""
    known = set(steps())
    sorter = TopologicalSorter({name: sorted(upstream(name) & known) for name in sorted(known)})
    return list(sorter.static_order())


def run_statement(name: str, tables: Mapping[str, pl.DataFrame], settings: Mapping[str, Any]) -> pl.DataFrame:
    """Run one step on the frames it reads (`upstream(name)`); settings fill its $parameters.

    One thread: floats added in another order differ in the last digit, and the same input must give the same bytes.
    """
    missing = sorted(upstream(name) - set(tables))
    if missing:
        raise LedgerError(f"{name}: needs the tables {', '.join(missing)}")
    if name in PYTHON_STEPS:
        step = PYTHON_STEPS[name]
        chosen = {"settings": Settings.from_flat(settings)} if "settings" in inspect.signature(step).parameters else {}
        return _formed(name, step(**{table: tables[table] for table in upstream(name)}, **chosen))
    import duckdb

    given = parameters(name, settings)
    connection = _connection()
    try:
        for table in upstream(name):
            connection.register(table, tables[table].to_arrow(compat_level=pl.CompatLevel.newest()))
        relation = connection.sql(statements()[name], params=given)
        result = pl.DataFrame(relation.to_arrow_table())
    except duckdb.Error as error:
        raise LedgerError(f"{name}.sql: {error}") from error
    finally:
        for table in upstream(name):
            connection.unregister(table)
    return _formed(name, result)


_own = threading.local()


def _connection() -> duckdb.DuckDBPyConnection:
    """This thread's DuckDB, empty between statements: a new one for each of them would cost more than many take."""
    import duckdb

    if not hasattr(_own, "connection"):
        _own.connection = duckdb.connect()
        _own.connection.execute("SET threads TO 1")
        # Registered frames carry no statistics: the optimizer then joins large tables on shop_id alone and filters later,
        # which takes all memory. Joins are run in the order in which the statement names them.
        _own.connection.execute("SET disabled_optimizers TO 'join_order'")
    found: duckdb.DuckDBPyConnection = _own.connection
    return found


def _formed(name: str, frame: pl.DataFrame) -> pl.DataFrame:
    try:
        validate.schema(name)
    except KeyError:
        return frame
    return validate.conform(name, frame)


def run_all(
    tables: Mapping[str, pl.DataFrame],
    settings: Mapping[str, Any],
    *,
    until: str | None = None,
) -> dict[str, pl.DataFrame]:
    """Every step in order on top of `tables` (event tables, registers, reference, incomplete). For tests and small use.

    Steps whose inputs are not at hand (those behind the transfer model) are left out; `until` runs that step and what it
    rests on, nothing else.
    """
    found = dict(tables)
    wanted = set(steps()) if until is None else _rests_on(until)
    for name in order():
        if name in wanted and upstream(name) <= set(found):
            found[name] = run_statement(name, found, settings)
    return found


def _rests_on(name: str) -> set[str]:
    found: set[str] = set()
    ahead = [name]
    while ahead:
        step = ahead.pop()
        if step not in found and step in set(steps()):
            found.add(step)
            ahead.extend(upstream(step))
    return found
