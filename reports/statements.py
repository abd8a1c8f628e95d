"""Views and questions that ship with the results: SQL over the published tables and the registers, as a DuckDB file holds them.

Here belongs how they are found and in which order views can be made. What they say stands in views/ and queries/.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from importlib import resources


@dataclass(frozen=True, slots=True)
class Statement:
    """A file of SQL: its name, what its first comment says, its text."""

    name: str
    says: str
    sql: str


@cache
def views() -> tuple[Statement, ...]:
    """Ready joined views, each after those that it reads."""
    found = list(_statements("views"))
    order: list[Statement] = []
    while found:
        names = {one.name for one in found}
        ready = [one for one in found if not any(name in one.sql for name in names - {one.name})]
        order += ready
        found = [one for one in found if one not in ready]
    return tuple(order)


@cache
def queries() -> tuple[Statement, ...]:
    """Questions of an analyst with the statements that answer them."""
    return tuple(_statements("queries"))


def _statements(folder: str) -> Iterator[Statement]:
    for file in sorted((resources.files("reports") / folder).iterdir(), key=lambda one: one.name):
        if file.name.endswith(".sql"):
            text = file.read_text(encoding="utf-8")
            first = text.splitlines()[0]
            yield Statement(file.name.removesuffix(".sql"), first.removeprefix("--").strip(), text.rstrip())
