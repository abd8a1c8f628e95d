"""What a workbook's reader does not tell: its true size, merged cells, cells in error, formulas without a value.

A workbook is a zip of XML parts (ECMA-376, part 1, chapter 18; written from memory). The rows themselves are read by the
library in text.py; here the XML is only looked through with patterns, never expanded, and never more of it than allowed.
"""

import re
import zipfile
import zlib
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from io import BytesIO
from xml.etree import ElementTree

from pipelines.intake.messages import say
from pipelines.intake.reading.files import MOST_COLUMNS, FileRefused

#: the reader lays a sheet out as a full rectangle: one cell in the last row and column would take all memory
MAX_AREA = 100_000_000
#: a rectangle beyond this must not be more than so many times the cells that hold something
AREA_FROM, MAX_EMPTY = 1_000_000, 20
MOST_ROWS = 1 << 20
MOST_SHEETS = 500
MOST_PARTS = 5000  # files in the archive
MOST_MERGED = 20_000  # ranges of one sheet
XML_FROM, XML_RATIO = 20_000_000, 100  # bytes; a workbook's XML packs to a tenth or a thirtieth
_LIST = 1 << 20  # bytes of the list of sheets
_PART = 4 << 20
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
            return {n: replace(_sheet(n, archive, part), hidden=hidden) for n, (part, hidden) in parts}
    except FileRefused:
        raise
    except (zipfile.BadZipFile, KeyError, OSError, EOFError, NotImplementedError, RuntimeError, ValueError) as error:
        raise FileRefused(say("xlsx", why=str(error).splitlines()[0] if str(error) else "no workbook")) from None
    except (ElementTree.ParseError, zlib.error, RecursionError) as error:
        raise FileRefused(say("xlsx", why=str(error))) from None


def _sized(archive: zipfile.ZipFile, packed: int, limit_mb: float) -> None:
    """Unpack every part into nothing, counting: what the directory says of sizes need not be true."""
    total = 0
    if len(archive.infolist()) > MOST_PARTS:
        raise FileRefused(say("xlsx", why=f"it has more than {MOST_PARTS:,} parts"))
    for info in archive.infolist():
        if info.flag_bits & 1:
            raise FileRefused(say("xlsx", why="it is protected by a password"))
        with archive.open(info) as part:
            size, said, end = 0, b"", b""
            while piece := part.read(_PART):
                said = said or piece[:_START]
                if _TEXTS.search(end + piece, 0 if size else _START):
                    raise FileRefused(say("xlsx", why=f"{info.filename[:80]} begins too late"))
                total, size, end = total + len(piece), size + len(piece), piece[-64:]
                if total > limit_mb * 1e6:
                    raise FileRefused(say("too_large_over", limit_mb=limit_mb))
                if total > XML_FROM and total > XML_RATIO * packed:
                    raise FileRefused(say("bomb", times=XML_RATIO))
            for tag in _TEXTS.finditer(
                said
            ):  # its reader takes the room for them at once, and ends the process where there is none
                if tag.end() == _START or any(int(n) > size for n in _NUMBER.findall(tag[0])):
                    raise FileRefused(
                        say("xlsx", why=f"{info.filename[:80]} says that it holds more texts than it can")
                    )


_START = 1 << 16  # bytes of a part, in which its texts are announced
_TEXTS = re.compile(rb"<(?:\w++:)?sst\b[^<>]*+")
_NUMBER = re.compile(rb"ount\s*+=\s*+[\"']\s*+\+?(\d{1,4000})")


def _parts(archive: zipfile.ZipFile) -> dict[str, tuple[str, bool]]:
    """Sheet name -> its part in the archive and whether it is hidden; sheets of charts are left out."""
    book, links = (_listed(archive, part) for part in ("xl/workbook.xml", "xl/_rels/workbook.xml.rels"))
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
    if len(found) > MOST_SHEETS:
        raise FileRefused(say("xlsx", why=f"it has more than {MOST_SHEETS} sheets"))
    return found


def _listed(archive: zipfile.ZipFile, part: str) -> bytes:
    with archive.open(part) as handle:
        said = handle.read(_LIST + 1)
    if b"<!DOCTYPE" in said:
        raise FileRefused(say("xlsx", why="its list of sheets defines entities"))
    if len(said) > _LIST:
        raise FileRefused(say("xlsx", why="its list of sheets is too long"))
    return said


# Patterns that never look at a byte twice: no part of them gives back what it took (Python 3.11), none goes on over a tag's begin.
_IS = rb"\s*+=\s*+[\"']"
_C = rb"<(?:\w++:)?c\b(?>[^<>]*?\br" + _IS + rb"([A-Za-z]{1,7})(\d++)[\"'])"
_F = rb"\s*+<(?:\w++:)?f\b[^<>]*+>(?:(?<=/>)|[^<]*+</(?:\w++:)?f>)"
_ROW = re.compile(rb"<(?:\w++:)?row\b[^<>]*?\br" + _IS + rb"(\d++)[\"']")
_CELL = re.compile(_C)
_MERGED = re.compile(
    rb"<(?:\w++:)?mergeCell\b[^<>]*?\bref" + _IS + rb"\$?([A-Z]{1,3})\$?(\d{1,9}):\$?([A-Z]{1,3})\$?(\d{1,9})[\"']"
)
_FILLED = re.compile(_C + rb"[^<>]*+>\s*+<(?:\w++:)?(?:v>[^<]|is>)")
_ERROR = re.compile(
    _C + rb"(?>[^<>]*?\bt" + _IS + rb"e[\"'])[^<>]*+>(?:" + _F + rb")?+(?:\s*+<(?:\w++:)?v>([^<]*+)<)?+"
)
_UNSAVED = re.compile(
    _C + rb"[^<>]*+>" + _F + rb"\s*+(?:<(?:\w++:)?v\s*+/>|<(?:\w++:)?v>\s*+</(?:\w++:)?v>)?+\s*+</(?:\w++:)?c>"
)


def _sheet(name: str, archive: zipfile.ZipFile, part: str) -> Sheet:
    columns: set[bytes] = set()
    filled: set[bytes] = set()
    rows = cells = 0
    merged, troubles = [], []
    for xml in _pieces(archive, part):
        for found in _CELL.finditer(xml):
            columns.add(found[1])
            rows, cells = max(rows, int(found[2])), cells + 1
        rows = max(rows, max((int(found[1]) for found in _ROW.finditer(xml)), default=0))
        merged += [(int(b), _number(a), int(d), _number(c)) for a, b, c, d in _MERGED.findall(xml)]
        filled.update(found[1] for found in _FILLED.finditer(xml))
        if b'"e"' in xml or b"'e'" in xml:
            for column, row, value in _ERROR.findall(xml):
                troubles.append((int(row), _number(column), value.decode("utf-8", "replace") or "an error"))
        if b"<f" in xml or b":f>" in xml:
            for column, row in _UNSAVED.findall(xml):
                troubles.append((int(row), _number(column), "a formula without a saved value"))
        across = max(map(_number, columns), default=0)
        if rows * across > MAX_AREA or rows > MOST_ROWS or across > MOST_COLUMNS:
            raise FileRefused(say("xlsx_area", sheet=name, rows=rows, columns=across))
        if len(merged) > MOST_MERGED:
            raise FileRefused(say("xlsx", why=f"sheet '{name}' has more than {MOST_MERGED:,} merged ranges"))
    if rows * across > max(AREA_FROM, MAX_EMPTY * cells):
        raise FileRefused(say("xlsx_area", sheet=name, rows=rows, columns=across))
    return Sheet(merged, troubles, min(map(_number, filled), default=1) if merged or troubles else 1)


def _pieces(archive: zipfile.ZipFile, part: str) -> Iterator[bytes]:
    """A sheet's XML, cut where no cell is cut in two."""
    held = b""
    with archive.open(part) as handle:
        while piece := handle.read(_PART):
            if b"\0" in piece:
                raise FileRefused(say("xlsx", why="its sheets are no UTF-8"))
            held += piece
            cut = max(
                held.rfind(b"<", 0, at) for at in (held.rfind(b"row "), held.rfind(b"row>"), held.rfind(b"mergeCell "))
            )
            if cut > 0:
                yield held[:cut]
                held = held[cut:]
            elif len(held) > 4 * _PART:
                raise FileRefused(say("xlsx", why="a row of it is too long"))
    yield held


def _number(letters: bytes) -> int:
    """1 for A, 26 for Z, 27 for AA."""
    total = 0
    for letter in letters.upper():
        total = total * 26 + letter - 64
    return total


def place(row: int, column: int) -> str:
    """The name a spreadsheet gives a cell: 'B3'."""
    letters = ""
    while column:
        column, rest = divmod(column - 1, 26)
        letters = chr(65 + rest) + letters
    return f"{letters}{row}"
