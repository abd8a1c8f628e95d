"""The steps of the ledger: their order comes from the SQL itself, and so do the tables and settings that each one reads.

Here belongs what knows that a statement is SQL. Which tables are published and how they look is in schemas/; where tables
stand, and running a statement, is the workbench's.
"""

from __future__ import annotations

import inspect
import re
from collections.abc import Callable, Mapping
from functools import cache
from graphlib import TopologicalSorter
from pathlib import Path
from typing import TYPE_CHECKING, Any

import polars as pl

from pipelines.ledger import graph, unit_factors, waste
from pipelines.ledger.film import excess, film_build, layer_films
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


@cache
def _connection() -> duckdb.DuckDBPyConnection:
    """A DuckDB without tables, which takes statements apart."""
    import duckdb

    return duckdb.connect()
