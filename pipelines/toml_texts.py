"""TOML of a shop's own hand, bounded before it is understood: what settings and layouts share. What it may say is theirs."""

from __future__ import annotations

import json
import re
import tomllib
import zoneinfo
from typing import Any

MOST_SIGNS = 1_000_000
MOST_DOTS = 1000  # of one line: names with dots take memory by the square of their number
MOST_TOLD = 20  # mistakes of one file; who made more made them all alike

Path = tuple[str | int, ...]
_KEY = re.compile(r"""\s*((?:[\w-]+|"[^"]*"|'[^']*')(?:\s*\.\s*(?:[\w-]+|"[^"]*"|'[^']*'))*)\s*=""")


class Unlikely(ValueError):
    """Nested or long beyond what anybody writes by hand."""


def quoted(value: Any) -> str:
    """A text, a number or a list of them as TOML writes it."""
    return json.dumps(value, ensure_ascii=False)


def is_zone(name: str) -> bool:
    """Whether a time zone has this IANA name."""
    try:
        zoneinfo.ZoneInfo(name)
    except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError):
        return False
    return True


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


def places(text: str) -> dict[Path, int]:
    """Where each table and key of a TOML text stands: path (('tables', 0, 'columns', 'mix_id')) -> line; TOML's own reader keeps no
    places. Keys inside braces stand where their key does."""
    found: dict[Path, int] = {}
    at: Path = ()
    counts: dict[str, int] = {}
    for number, line in enumerate(text.splitlines(), start=1):
        if array := re.match(r"\s*\[\[\s*([\w.-]+)\s*\]\]", line):
            name = array.group(1)
            counts[name] = counts.get(name, -1) + 1
            at = (name, counts[name])
        elif header := re.match(r"\s*\[\s*([\w.-]+)\s*\]", line):
            first, *rest = header.group(1).split(".")
            at = ((first, counts[first]) if first in counts else (first,)) + tuple(rest)
        elif key := _KEY.match(line):
            parts = [part.strip().strip("'\"") for part in key.group(1).split(".")]
            found.setdefault((*at, *parts), number)
            continue
        else:
            continue
        found.setdefault(at, number)
    return found
