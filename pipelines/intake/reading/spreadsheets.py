"""What a workbook's reader does not tell: its true size, merged cells, cells in error, formulas without a value.

A workbook is a zip of XML parts (ECMA-376, part 1, chapter 18; written from memory). The rows themselves are read by the
library in text.py; here the XML is only looked through with patterns, never expanded, and never more of it than allowed.
"""

import re
import zipfile
import zlib
from dataclasses import dataclass, field, replace
from io import BytesIO
from xml.etree import ElementTree

from pipelines.intake.messages import say
from pipelines.intake.reading.files import MAX_RATIO, RATIO_FROM, FileRefused

#: the reader lays a sheet out as a full rectangle: one cell in the last row and column would take all memory
MAX_AREA = 100_000_000
_PART = 16 << 20
_REL = "{http://schemas.openxmlformats.org/officeDocument/2006/relationships}id"


@dataclass(frozen=True)
class Sheet:
    """One sheet: `merged` ranges as (first row, first column, last row, last column), from 1; `troubles` as (row,
    column, what stands there); `first_column` that holds anything; whether it is `hidden`."""

    merged: list[tuple[int, int, int, int]] = field(default_factory=list)
    troubles: list[tuple[int, int, str]] = field(default_factory=list)
    first_column: int = 1
    hidden: bool = False


def look(data: bytes, limit_mb: float) -> dict[str, Sheet]:
    """Sheet name -> what stands in it beside values. Raises FileRefused: no workbook, too large once unpacked, a sheet
    whose rectangle would not fit."""
    try:
        with zipfile.ZipFile(BytesIO(data)) as archive:
            _sized(archive, len(data), limit_mb)
            parts = _parts(archive).items()
            return {n: replace(_sheet(n, archive.read(part)), hidden=hidden) for n, (part, hidden) in parts}
    except FileRefused:
        raise
    except (zipfile.BadZipFile, KeyError, OSError, EOFError, NotImplementedError, RuntimeError, ValueError) as error:
        raise FileRefused(say("xlsx", why=str(error).splitlines()[0] if str(error) else "no workbook")) from None
    except (ElementTree.ParseError, zlib.error) as error:
        raise FileRefused(say("xlsx", why=str(error))) from None


def _sized(archive: zipfile.ZipFile, packed: int, limit_mb: float) -> None:
    """Unpack every part into nothing, counting: what the directory says of sizes need not be true."""
    total = 0
    for info in archive.infolist():
        if info.flag_bits & 1:
            raise FileRefused(say("xlsx", why="it is protected by a password"))
        with archive.open(info) as part:
            while piece := part.read(_PART):
                total += len(piece)
                if total > limit_mb * 1e6:
                    raise FileRefused(say("too_large_over", limit_mb=limit_mb))
                if total > RATIO_FROM and total > MAX_RATIO * packed:
                    raise FileRefused(say("bomb", times=MAX_RATIO))


def _parts(archive: zipfile.ZipFile) -> dict[str, tuple[str, bool]]:
    """Sheet name -> its part in the archive and whether it is hidden; sheets of charts are left out."""
    book, links = archive.read("xl/workbook.xml"), archive.read("xl/_rels/workbook.xml.rels")
    if b"<!DOCTYPE" in book or b"<!DOCTYPE" in links:
        raise FileRefused(say("xlsx", why="its list of sheets defines entities"))
    targets = {}
    for link in ElementTree.fromstring(links):
        if link.get("Type", "").endswith("/worksheet"):
            target = link.get("Target", "")
            targets[link.get("Id")] = target.lstrip("/") if target.startswith("/") else f"xl/{target}"
    found = {}
    for sheet in ElementTree.fromstring(book).iter():
        if sheet.tag.rsplit("}", 1)[-1] == "sheet" and sheet.get(_REL) in targets:
            hidden = sheet.get("state", "visible") != "visible"
            found[sheet.get("name", "")] = (targets[sheet.get(_REL)], hidden)
    return found


_ROW = re.compile(rb"<(?:\w+:)?row\b[^>]*?\br=\"(\d+)\"")
_COLUMN = re.compile(rb"\br=\"([A-Z]{1,3})\d+\"")
_MERGED = re.compile(rb"<(?:\w+:)?mergeCell\b[^>]*?\bref=\"\$?([A-Z]{1,3})\$?(\d+):\$?([A-Z]{1,3})\$?(\d+)\"")
_FILLED = re.compile(rb"<(?:\w+:)?c\b[^>]*?\br=\"([A-Z]{1,3})\d+\"[^>]*>\s*<(?:\w+:)?(?:v>[^<]|is>)")
_ERROR = re.compile(rb"<(?:\w+:)?c\b[^>]*?\br=\"([A-Z]{1,3})(\d+)\"[^>]*?\bt=\"e\"[^>]*>(.*?)</(?:\w+:)?c>", re.DOTALL)
_VALUE = re.compile(rb"<(?:\w+:)?v>([^<]*)<")
_UNSAVED = re.compile(
    rb"<(?:\w+:)?c\b[^>]*?\br=\"([A-Z]{1,3})(\d+)\"[^>]*>\s*<(?:\w+:)?f\b(?:[^>]*/>|[^>]*>[^<]*</(?:\w+:)?f>)\s*"
    rb"(?:<(?:\w+:)?v\s*/>|<(?:\w+:)?v>\s*</(?:\w+:)?v>)?\s*</(?:\w+:)?c>"
)


def _sheet(name: str, xml: bytes) -> Sheet:
    columns = [_number(c) for c in set(_COLUMN.findall(xml))]
    rows = max(map(int, _ROW.findall(xml)), default=0)
    if rows * max(columns, default=0) > MAX_AREA:
        raise FileRefused(say("xlsx_area", sheet=name, rows=rows, columns=max(columns)))
    merged = [(int(b), _number(a), int(d), _number(c)) for a, b, c, d in _MERGED.findall(xml)]
    troubles = []
    if b't="e"' in xml:
        for column, row, inner in _ERROR.findall(xml):
            value = _VALUE.search(inner)
            told = value.group(1).decode("utf-8", "replace") if value else "an error"
            troubles.append((int(row), _number(column), told))
    if b"<f" in xml or b":f>" in xml:
        for column, row in _UNSAVED.findall(xml):
            troubles.append((int(row), _number(column), "a formula without a saved value"))
    first = min((_number(c) for c in set(_FILLED.findall(xml))), default=1) if merged or troubles else 1
    return Sheet(merged, troubles, first)


def _number(letters: bytes) -> int:
    """1 for A, 26 for Z, 27 for AA."""
    total = 0
    for letter in letters:
        total = total * 26 + letter - 64
    return total


def place(row: int, column: int) -> str:
    """The name a spreadsheet gives a cell: 'B3'."""
    letters = ""
    while column:
        column, rest = divmod(column - 1, 26)
        letters = chr(65 + rest) + letters
    return f"{letters}{row}"
