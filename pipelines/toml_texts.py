"""TOML of a shop's own hand, bounded before it is understood: what settings and layouts share. What it may say is theirs."""

from __future__ import annotations

import tomllib
from typing import Any

MOST_SIGNS = 1_000_000
MOST_DOTS = 1000  # of one line: names with dots take memory by the square of their number
MOST_TOLD = 20  # mistakes of one file; who made more made them all alike


class Unlikely(ValueError):
    """Nested or long beyond what anybody writes by hand."""


def loads(text: str) -> dict[str, Any]:
    """What a TOML text says. Raises tomllib.TOMLDecodeError, and Unlikely."""
    if len(text) > MOST_SIGNS or any(line.count(".") > MOST_DOTS for line in text.splitlines()):
        raise Unlikely
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        raise
    except (RecursionError, ValueError) as error:  # brackets in brackets, a number of thousands of digits
        raise Unlikely from error
