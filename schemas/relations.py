"""How tables hang together: which columns of one name the row of another.

Here belongs what `refers_to` cannot say of a single column: references of published tables, by the names of their columns,
which mean the same everywhere. The keys themselves stand in the declarations.
"""

from __future__ import annotations

from dataclasses import dataclass

from schemas import validate

#: columns that together are the key of another table -> that table; the wider first
BY_COLUMNS: tuple[tuple[tuple[str, ...], str], ...] = (
    (("shop_id", "mix_id"), "mixes"),
    (("shop_id",), "shops"),
    (("technician_id",), "technicians"),
)
#: the column that names a row of a register that has several versions of it -> that register; no key of one row
BY_VERSION = {
    "product_id": "products", "component_id": "components", "booth_id": "booths", "gun_id": "guns", "jurisdiction": "packs",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Reference:
    """`columns` of a table name one row of `table`, whose key has the same columns."""

    columns: tuple[str, ...]
    table: str


def references(table: str) -> list[Reference]:
    """What the rows of a table name, but for the table itself."""
    own = {info.name for info in validate.columns(table)}
    return [Reference(columns, to) for columns, to in BY_COLUMNS if to != table and own.issuperset(columns)]


def key(table: str) -> list[str]:
    """The columns of a primary key: none where one of them may be empty, for no database takes it as one."""
    infos = [info for info in validate.columns(table) if info.key]
    return [] if any(info.nullable for info in infos) else [info.name for info in infos]
