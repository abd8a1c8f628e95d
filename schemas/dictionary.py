"""The data dictionary in Markdown, made from the schemas so that it cannot fall behind them.

    python -m schemas.dictionary > schemas/dictionary.md     (make dictionary)

Only text is made here; what it says stands in events.py, registers.py and published.py.
"""

from __future__ import annotations

import sys
from collections.abc import Iterable

from schemas import events, published, reference, registers, validate
from schemas.vocabulary import ColumnInfo

HEAD = """# Data dictionary

Made by `make dictionary` from the declarations beside this file; what is changed here by hand is lost. K marks the key, o
what may be absent or empty. Units stand in a column of their own; a share is a number from 0 to 1.
"""


def _rule(info: ColumnInfo) -> str:
    """What a value must satisfy, in few words."""
    parts = []
    if info.values:
        parts.append("one of " + ", ".join(f"`{value}`" for value in info.values))
    if info.low is not None or info.high is not None:
        low = "" if info.low is None else f"{info.low:g} "
        high = "" if info.high is None else f" {info.high:g}"
        parts.append(f"{low}to{high}" if low and high else f"at least {low}".strip() if low else f"at most{high}")
    if info.above is not None:
        parts.append(f"above {info.above:g}")
    if info.refers_to:
        parts.append(f"in {info.refers_to}")
    if info.default is not None:
        parts.append(f"empty means {info.default}")
    return "; ".join(parts)


def _table(name: str) -> list[str]:
    lines = [
        f"**{name}**: {validate.schema(name).description}",
        "",
        "| column | type | unit | meaning | rule |",
        "|---|---|---|---|---|",
    ]
    for info in validate.columns(name):
        mark = " K" if info.key else ""
        optional = " o" if not info.required else ""
        lines.append(
            f"| {info.name}{mark}{optional} | {info.kind} | {info.unit} | {info.description} | {_rule(info)} |"
        )
    return [*lines, ""]


def markdown() -> str:
    """The whole dictionary."""

    def part(title: str, names: Iterable[str]) -> list[str]:
        return [f"## {title}", "", *(line for name in names for line in _table(name))]

    lines = [
        HEAD,
        *part("Events: what exports bring", events.EVENTS),
        *part("Registers: what is kept by hand", registers.REGISTERS),
        *part("Rules of places: what ships, and what registers/ may add", reference.LOCAL),
        *part("Published tables", published.PUBLISHED),
    ]
    return "\n".join(lines).rstrip() + "\n"


if __name__ == "__main__":
    sys.stdout.write(markdown())
