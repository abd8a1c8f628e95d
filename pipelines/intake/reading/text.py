"""Bytes to rows of text: nothing is typed here, and every row knows the physical line it began on.

Rules of RFC 4180, with these liberties: the delimiter is given; LF, CRLF and CR all end a line; blank lines are passed
over; more cells than the header has are let be where all the extra ones are empty. A row with another number of cells,
or with a damaged quote, is not lost: it carries `damage`, and its cells as far as they go.

Three roads, the same answer: without a quote in the file polars splits it; with well-formed quotes polars splits it
too, after numpy has found where records begin (a quoted text may hold a newline, so records and lines differ); a file
with a damaged quote is walked line by line, so that one open quote cannot swallow the rows after it.
"""

import codecs
import csv
import io
import re
import zipfile
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from functools import cache
from typing import IO, Any

import numpy as np
import polars as pl

from pipelines.intake.messages import listed, say
from pipelines.intake.reading import spreadsheets
from pipelines.intake.reading.files import MOST_COLUMNS as MOST_COLUMNS
from pipelines.intake.reading.files import SHEET, FileRefused
from schemas import validate

_BLOCK = 1 << 26
_QUOTE = 0x22
_NEWLINE = 0x0A
#: a quoted text over more lines than this is taken for a quote that was never closed
_MAX_QUOTED_LINES = 1000


@dataclass(frozen=True)
class Grid:
    """Rows of text. `rows`: line (Int64, 1-based), damage (String or null), then one String column per header cell,
    named c0, c1, ...; empty cells are null, white space around cells is gone. `origin` gives back raw lines. `typed`: the
    file kept dates as dates, so they are written 2026-03-01 10:30:00 here, whatever format its texts have."""

    header: list[str]
    rows: pl.DataFrame
    origin: "Origin"
    warnings: list[str] = field(default_factory=list)
    typed: bool = False

    def names(self) -> dict[str, str]:
        """Header text -> column of `rows`."""
        return {name: f"c{i}" for i, name in enumerate(self.header)}


@dataclass(frozen=True)
class Origin:
    """Where rows came from: the text with the offsets of its records, or nothing but cells."""

    data: bytes = b""
    starts: np.ndarray | None = None
    ends: np.ndarray | None = None
    lines: np.ndarray | None = None
    whole: bool = True  # false: a quote is damaged, so that what a record is shows only beside those after it
    parts: tuple["Origin", ...] = ()  # of rows of several files, see `together`

    def raw(self, rows: pl.DataFrame) -> pl.Series:
        """The whole original text of `rows` (line + cells), in their order."""
        if self.parts:
            file, line = pl.col("line") // SHEET, pl.col("line") % SHEET
            by_file = rows.with_columns(file.alias("@file"), line).partition_by("@file", maintain_order=True)
            raw = [one for of in by_file for one in self.parts[of["@file"][0]].raw(of)]
            return pl.Series("raw", raw, dtype=pl.String)
        if self.lines is None or self.starts is None or self.ends is None:
            cells = [c for c in rows.columns if c.startswith("c") and c[1:].isdigit()]
            texts = (
                rows.select(pl.concat_str([pl.col(c).fill_null("") for c in cells], separator=",")) if cells else None
            )
            return texts.to_series().alias("raw") if texts is not None else pl.Series("raw", [""] * rows.height)
        at = np.searchsorted(self.lines, rows["line"].to_numpy())
        out = [self.data[self.starts[i] : self.ends[i]].decode("utf-8", "replace") for i in at]
        return pl.Series("raw", out, dtype=pl.String)


def together(grids: Sequence[Grid]) -> Grid:
    """The rows of several files of one header, one file after the other; lines are those of files.SHEET."""
    rows = [grid.rows.with_columns(pl.col("line") + n * SHEET) for n, grid in enumerate(grids)]
    return replace(grids[0], rows=pl.concat(rows), origin=Origin(parts=tuple(grid.origin for grid in grids)))


# --- bytes to UTF-8 ---------------------------------------------------------------------------------------------------

MOST_CELL = 32_767  # signs, as many as a spreadsheet's cell takes
_BOMS = (
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF32_LE, "utf-32-le"),
    (codecs.BOM_UTF32_BE, "utf-32-be"),
    (codecs.BOM_UTF16_LE, "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-16-be"),
)


def marked(start: bytes) -> str | None:
    """The form that a byte order mark at a text's start names, unless it is UTF-8."""
    return next((name for mark, name in _BOMS if start.startswith(mark) and name != "utf-8"), None)


#: how packed files, workbooks and parquet begin
STARTS = {".csv.gz": b"\x1f\x8b", ".xlsx": b"PK\x03\x04", ".parquet": b"PAR1"}


def is_closed(handle: IO[bytes], kind: str) -> bool:
    """Whether a workbook or parquet file ends like one."""
    if kind == ".xlsx":
        return zipfile.is_zipfile(handle)
    handle.seek(-4, io.SEEK_END)
    return handle.read(4) == STARTS[kind]


def to_utf8(data: bytes, encoding: str = "utf-8") -> bytes:
    """The text as UTF-8 with LF line ends. A byte order mark says the encoding without doubt and wins.

    Raises FileRefused: empty, binary (NUL bytes), or a byte that the encoding does not have (with its line).
    """
    if not data:
        raise FileRefused(say("empty_file"))
    for mark, named in _BOMS:
        if data.startswith(mark):
            data, encoding = data[len(mark) :], named
            break
    name = codecs.lookup(encoding).name
    if not name.startswith(("utf-16", "utf-32")) and (at := data.find(b"\0")) >= 0:
        known = next((ending for ending, start in STARTS.items() if data.startswith(start)), None)
        raise FileRefused(say("misnamed", ending=known) if known else say("binary", at=at))
    try:
        if name in ("utf-8", "ascii"):
            if not data.isascii():
                _decoded(data, encoding)
        else:
            data = data.decode(encoding).encode("utf-8", "surrogatepass")
            if (at := data.find(b"\0")) >= 0:
                raise FileRefused(say("binary", at=at))
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise FileRefused(say("encoding", line=line, byte=data[error.start], encoding=encoding)) from None
    end = data.rstrip(
        b"\r\n"
    )  # the end of a text as old systems marked it, which nobody sees: its last sign, or a line of its own
    if data.endswith(b"\x1a") or (end.endswith(b"\x1a") and end.rstrip(b"\x1a").endswith((b"\n", b"\r"))):
        data = end.rstrip(b"\r\n\x1a") + b"\n"
    if b"\r" in data:
        data = data.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    if data.isspace():
        raise FileRefused(say("empty_file"))
    return data


def piece(raw: bytes, first: bool) -> bytes | None:
    """A piece of a file's text as UTF-8, None where only a look at the whole file says what it is."""
    marks = [mark for mark, name in _BOMS if not first or not name.startswith("utf-8")]
    if raw.startswith(tuple(marks)):
        return None
    try:
        return to_utf8(raw)
    except FileRefused:
        return None


def _decoded(data: bytes, encoding: str) -> None:
    """Raise UnicodeDecodeError, with its place in `data`, where the bytes are not in the encoding. Piece by piece: a large
    file is not to stand in memory twice."""
    decoder = codecs.getincrementaldecoder(encoding)()
    view = memoryview(data)
    try:
        for at in range(0, len(data), _BLOCK):
            decoder.decode(view[at : at + _BLOCK], final=at + _BLOCK >= len(data))
    except UnicodeDecodeError:
        data.decode(encoding)  # says where
        raise


# --- where records begin ----------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Records:
    """Byte offsets of records: start, end (without the newline), physical line, number of cells. `plain`: polars can
    split them; otherwise `cells` holds each record's cells, or None where its quotes are damaged. `neat`: no cell begins or ends with
    what is trimmed."""

    starts: np.ndarray
    ends: np.ndarray
    lines: np.ndarray
    counts: np.ndarray
    quoted: bool
    cells: list[list[str] | None] | None = None
    neat: bool = False


def _positions(array: np.ndarray, byte: int) -> np.ndarray:
    """Offsets of a byte; in blocks, so that a large file needs no mask of its own size."""
    found = [np.flatnonzero(array[i : i + _BLOCK] == byte) + i for i in range(0, len(array), _BLOCK)]
    return np.concatenate(found) if found else np.empty(0, np.int64)


def records(data: bytes, delimiter: str) -> Records:
    """Find the records of UTF-8 text with LF line ends (see `to_utf8`)."""
    array = np.frombuffer(data, np.uint8)
    newlines = _positions(array, _NEWLINE)
    if not data.endswith(b"\n"):
        newlines = np.append(newlines, len(data))
    delimiters = _positions(array, ord(delimiter))
    quotes = _positions(array, _QUOTE) if b'"' in data else np.empty(0, np.int64)
    ends = newlines
    if len(quotes):
        if not _well_formed(array, quotes, ord(delimiter)):
            return _walk(data, newlines, delimiter)
        ends = newlines[np.searchsorted(quotes, newlines) % 2 == 0]
        delimiters = delimiters[np.searchsorted(quotes, delimiters) % 2 == 0]
    starts = np.concatenate(([0], ends[:-1] + 1))
    lines = np.searchsorted(newlines, starts) + 1 if len(quotes) else np.arange(1, len(ends) + 1)
    counts = np.diff(np.searchsorted(delimiters, ends), prepend=0) + 1
    neat = not len(quotes) and not _edged(array, delimiter, delimiters - 1, delimiters + 1, starts, ends - 1)
    return Records(starts, ends, lines, counts, len(quotes) > 0, None, neat)


def _edged(array: np.ndarray, delimiter: str, *places: np.ndarray) -> bool:
    """Whether at one of these places stands white space, or a byte of a letter that may be such."""
    wide = np.arange(256) >= 0x80
    wide[[byte for byte in b"\t\v\f " if byte != ord(delimiter)]] = True
    return any(wide[array.take(some, mode="clip")].any() for some in places)


def _well_formed(array: np.ndarray, quotes: np.ndarray, delimiter: int) -> bool:
    """Every quote opens at the start of a cell and closes at its end, or is doubled inside one (RFC 4180, 2.5-2.7)."""
    if len(quotes) % 2:
        return False
    opening, closing = quotes[0::2], quotes[1::2]
    before = np.where(opening > 0, array[np.maximum(opening, 1) - 1], _NEWLINE)
    doubled = np.zeros(len(opening), bool)
    doubled[1:] = opening[1:] == closing[:-1] + 1
    ok_open = (before == delimiter) | (before == _NEWLINE) | doubled
    last = len(array) - 1
    after = np.where(closing < last, array[np.minimum(closing + 1, last)], _NEWLINE)
    ok_close = (after == delimiter) | (after == _NEWLINE)
    ok_close[:-1] |= doubled[1:]
    return bool(ok_open.all() and ok_close.all())


def _walk(data: bytes, newlines: np.ndarray, delimiter: str) -> Records:
    """Records of a file with a damaged quote somewhere, line by line.

    A quoted text may go on over lines only if it ends properly and gives the header's number of cells; otherwise the
    line stands alone, so that the rows after it are read.
    """
    physical = []
    start = 0
    for end in newlines.tolist():
        physical.append((start, end))
        start = end + 1
    starts, ends, lines, counts, cells = [], [], [], [], []
    width: int | None = None
    i = 0
    while i < len(physical):
        first, last = physical[i]
        text = data[first:last].decode("utf-8", "replace")
        row, upto = cells_of(text, delimiter), i
        if row is None and text.count('"') % 2:
            joined, quotes = text, text.count('"')
            for j in range(i + 1, min(i + 1 + _MAX_QUOTED_LINES, len(physical))):
                more = data[slice(*physical[j])].decode("utf-8", "replace")
                joined, quotes = joined + "\n" + more, quotes + more.count('"')
                if quotes % 2 == 0:
                    row = cells_of(joined, delimiter)
                    if row is not None and (width is None or len(row) == width):
                        upto = j
                    else:
                        row = None
                    break
        starts.append(first)
        ends.append(physical[upto][1])
        lines.append(i + 1)
        cells.append(row)
        counts.append(len(row) if row is not None else text.count(delimiter) + 1)
        if width is None and text.strip():
            width = counts[-1]
        i = upto + 1
    offsets = [np.array(x, np.int64) for x in (starts, ends, lines, counts)]
    return Records(offsets[0], offsets[1], offsets[2], offsets[3], True, cells)


def cells_of(text: str, delimiter: str) -> list[str] | None:
    """The cells of one record, None where its quotes are damaged."""
    if '"' not in text:
        return text.split(delimiter)
    try:
        rows = list(csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, skipinitialspace=True, strict=True))
    except csv.Error:
        return None
    # csv lets a quote inside an unquoted cell be; whether that was meant cannot be told, unless it is an inch mark
    return rows[0] if len(rows) == 1 else None


def header_cells(data: bytes, found: Records, index: int, delimiter: str) -> list[str]:
    """The cells of the header record, without white space around them."""
    text = data[found.starts[index] : found.ends[index]].decode("utf-8", "replace")
    row = cells_of(text, delimiter) or text.split(delimiter)
    return [bare(cell) for cell in row]


# --- rows of text -----------------------------------------------------------------------------------------------------


def first_line(found: Records, data: bytes, header_line: int | None) -> int | None:
    """The index of the header's record: the one on `header_line`, or the first that is not blank. None: there is
    none."""
    if header_line is not None:
        at = int(np.searchsorted(found.lines, header_line))
        return at if at < len(found.lines) and found.lines[at] == header_line else None
    for i in range(len(found.starts)):
        if data[found.starts[i] : found.ends[i]].strip():
            return i
    return None


def grid(data: bytes, found: Records, header_at: int, delimiter: str) -> Grid:
    """The rows below the header. `data` as from `to_utf8`, `found` as from `records`."""
    return _below(header_cells(data, found, header_at, delimiter), data, found, header_at + 1, 0, delimiter)


def grid_on(header: list[str], data: bytes, shift: int, delimiter: str) -> Grid:
    """The rows of a piece of a file's text, which begins behind its first `shift` lines; the header stands in a piece
    before."""
    return _below(header, data, records(data, delimiter), 0, shift, delimiter)


def _below(header: list[str], data: bytes, found: Records, first: int, shift: int, delimiter: str) -> Grid:
    width = len(header)
    if width > MOST_COLUMNS:
        raise FileRefused(say("too_wide", most=MOST_COLUMNS))
    starts, ends = found.starts[first:], found.ends[first:]
    lines, counts = found.lines[first:] + shift, found.counts[first:]
    names = [f"c{i}" for i in range(width)]
    blank, neat = starts == ends, found.neat
    if found.cells is not None:
        frame = _by_hand(found.cells[first:], data, starts, ends, lines, delimiter, width)
    else:
        good = (counts == width) & ~blank
        frame = _by_polars(data, starts, ends, lines, good, delimiter, width, found.quoted)
        odd = np.flatnonzero(~good & ~blank)
        if len(odd):
            cells = (cells_of(data[starts[i] : ends[i]].decode("utf-8", "replace"), delimiter) for i in odd)
            strange = _by_hand(cells, data, starts[odd], ends[odd], lines[odd], delimiter, width)
            frame, neat = pl.concat([frame, strange]).sort("line", maintain_order=True), False
    if names and len(starts) and int((ends - starts).max()) > MOST_CELL:
        frame = _short(frame, names)
    if names and not neat:
        unseen = not data.isascii() and any(mark in data for mark in _UNSEEN_BYTES)
        frame = validate.picked(frame, _trims(width, unseen))
    if names and all(frame[name].null_count() for name in names):
        frame = frame.filter(pl.col("damage").is_not_null() | pl.any_horizontal(pl.col(n).is_not_null() for n in names))
    frame, warnings = without_repeated_headers(header, frame)
    return Grid(header, frame, Origin(data, starts, ends, lines, found.cells is None), warnings)


def _short(frame: pl.DataFrame, names: list[str]) -> pl.DataFrame:
    """Rows with a cell that no export writes are damaged, whatever kind of file they stand in."""
    long = pl.any_horizontal(pl.col(name).str.len_bytes() > MOST_CELL for name in names)
    if not frame.select(long.any()).item():
        return frame
    long = pl.any_horizontal(pl.col(name).str.len_chars() > MOST_CELL for name in names)
    told = pl.when(long & pl.col("damage").is_null()).then(pl.lit(say("long_cell", most=MOST_CELL)))
    return frame.with_columns(told.otherwise("damage").alias("damage"))


def without_repeated_headers(header: list[str], rows: pl.DataFrame) -> tuple[pl.DataFrame, list[str]]:
    """Rows that are the header once more hold nothing: passed over, and named."""
    first = next((i for i, name in enumerate(header) if name), None)
    if first is None or not (rows[f"c{first}"] == header[first]).any():
        return rows, []
    again = (
        pl.all_horizontal(
            pl.col(f"c{i}") == name if name else pl.col(f"c{i}").is_null() for i, name in enumerate(header)
        )
        & pl.col("damage").is_null()
    )
    found = rows.filter(again)
    if found.is_empty():
        return rows, []
    return rows.filter(~again.fill_null(False)), [say("header_again", lines=listed(found["line"], 12))]


#: White space, and letters that nobody sees: byte order marks inside a text, joiners, marks of writing direction. Not the
#: overrides U+202D and U+202E: they turn the letters behind them round, so one who looks does see them, and an id keeps them.
_UNSEEN = r"[\s\u200B-\u200F\u202A-\u202C\u2060-\u2069\uFEFF]+"
_AROUND = f"^{_UNSEEN}|{_UNSEEN}$"
_UNSEEN_BYTES = (b"\xef\xbb\xbf", b"\xe2\x80\x8b", b"\xe2\x80\x8c", b"\xe2\x80\x8d", b"\xe2\x80\x8e", b"\xe2\x80\x8f",
                 b"\xe2\x80\xaa", b"\xe2\x80\xab", b"\xe2\x80\xac", b"\xe2\x81")  # fmt: skip


def trimmed(text: pl.Expr, unseen: bool = True) -> pl.Expr:
    """Without white space around it (also no-break spaces), and without unseen letters if they may occur; nothing left
    is null."""
    text = text.str.strip_chars()
    if unseen:
        text = text.str.replace_all(_AROUND, "")
    return pl.when(text != "").then(text)


@cache
def _trims(width: int, unseen: bool) -> list[pl.Expr]:
    """The columns of rows of text, their cells trimmed."""
    return [pl.col("line", "damage"), *(trimmed(pl.col(f"c{i}"), unseen) for i in range(width))]


def bare(cell: str) -> str:
    """One cell as `trimmed` leaves it."""
    return re.sub(_AROUND, "", cell)


def _schema(width: int) -> dict[str, pl.DataType]:
    return {"line": pl.Int64(), "damage": pl.String()} | {f"c{i}": pl.String() for i in range(width)}


def _by_polars(
    data: bytes,
    starts: np.ndarray,
    ends: np.ndarray,
    lines: np.ndarray,
    good: np.ndarray,
    delimiter: str,
    width: int,
    quoted: bool,
) -> pl.DataFrame:
    if not good.any():
        return pl.DataFrame(schema=_schema(width))
    if good.all():
        buffer = data[starts[0] :]
    else:  # leave out the odd ones: join the runs of good records between them
        edges = np.flatnonzero(np.diff(np.concatenate(([False], good, [False])).astype(np.int8)))
        buffer = b"\n".join(data[starts[a] : ends[b - 1]] for a, b in zip(edges[0::2], edges[1::2], strict=True))
    cells = pl.read_csv(
        buffer,
        has_header=False,
        separator=delimiter,
        quote_char='"' if quoted else None,
        schema={f"c{i}": pl.String for i in range(width)},
        infer_schema=False,
        raise_if_empty=False,
    )
    lines = lines[good]
    if cells.height != len(lines):  # never trust a split that disagrees with the count of records
        texts = [data[a:b].decode("utf-8", "replace") for a, b in zip(starts[good], ends[good], strict=True)]
        return _by_hand(
            [cells_of(t, delimiter) for t in texts], data, starts[good], ends[good], lines, delimiter, width
        )
    damage = pl.Series("damage", [None], pl.String).new_from_index(0, len(lines))
    return pl.DataFrame([pl.Series("line", lines, pl.Int64), damage, *cells.get_columns()])


def _by_hand(
    cells: Iterable[list[str] | None],
    data: bytes,
    starts: np.ndarray,
    ends: np.ndarray,
    lines: np.ndarray,
    delimiter: str,
    width: int,
) -> pl.DataFrame:
    """Rows whose cells are known, or damaged: those get as many cells as can be told apart."""
    rows = []
    for row, start, end, line in zip(cells, starts.tolist(), ends.tolist(), lines.tolist(), strict=True):
        damage = None
        if row is None:
            damage = say("quote")
            row = data[start:end].decode("utf-8", "replace").split(delimiter)
        elif not any(cell.strip() for cell in row):
            continue
        if len(row) != width and (len(row) < width or any(c.strip() for c in row[width:])):
            damage = damage or say("cells", found=len(row), expected=width)
        rows.append([line, damage, *row[:width], *[None] * (width - len(row))])
    return pl.DataFrame(rows, schema=_schema(width), orient="row")


# --- the other kinds --------------------------------------------------------------------------------------------------


_FIRST_DAY, _LAST_DAY = -719_162, 2_932_897  # of the years 1 to 9999, in days since 1970
_A_DAY = {"ms": 86_400_000, "us": 86_400_000_000, "ns": 86_400_000_000_000}


def parquet_grid(data: bytes) -> Grid:
    """A parquet file as rows of text; the line is the number of the row, from 1."""
    if not data:
        raise FileRefused(say("empty_file"))
    try:
        frame = pl.read_parquet(io.BytesIO(data), hive_partitioning=False)
    except (Exception, pl.exceptions.PanicException) as error:  # whatever a damaged file makes the reader raise
        raise FileRefused(
            say("parquet", why=str(error).splitlines()[0] if str(error) else type(error).__name__)
        ) from None
    header = list(frame.columns)
    if len(header) > MOST_COLUMNS:
        raise FileRefused(say("too_wide", most=MOST_COLUMNS))
    cells, unread = [], []
    for i, name in enumerate(header):
        kind = frame.schema[name]
        col = pl.col(name)
        if isinstance(kind, pl.Datetime | pl.Date):  # one beyond the calendar stays the number that it is
            unit = _A_DAY[kind.time_unit or "us"] if isinstance(kind, pl.Datetime) else 1
            known = col.to_physical().is_between(_FIRST_DAY * unit, _LAST_DAY * unit, closed="left")
            beyond = pl.when(~known).then(col.to_physical().cast(pl.String))
            col = pl.when(known).then(col)
        if isinstance(kind, pl.Datetime):
            text = col.dt.replace_time_zone(None) if kind.time_zone is None else col.dt.convert_time_zone("UTC")
            text = text.dt.strftime("%Y-%m-%d %H:%M:%S%.f" + ("" if kind.time_zone is None else "+00:00"))
        elif kind == pl.Binary:
            text = col.cast(pl.String, strict=False)
        elif kind.is_nested() or kind in (pl.Duration, pl.Object, pl.Null):
            text = pl.lit(None, pl.String)
            unread.append(name)
        else:
            text = col.cast(pl.String, strict=False)
        if isinstance(kind, pl.Datetime | pl.Date):
            text = pl.coalesce(text, beyond)
        cells.append(trimmed(text).alias(f"c{i}"))
    lines = pl.int_range(1, pl.len() + 1, dtype=pl.Int64).alias("line")
    rows = frame.select(lines, pl.lit(None, pl.String).alias("damage"), *cells)
    if header:
        rows = rows.filter(pl.any_horizontal(pl.col(f"c{i}").is_not_null() for i in range(len(header))))
        rows = _short(rows, [f"c{i}" for i in range(len(header))])
    warnings = [say("parquet_columns", columns=listed(unread))] if unread else []
    return Grid(header, rows, Origin(), warnings, typed=True)


def parquet_size(data: bytes) -> int:
    """Bytes a parquet file would take unpacked, at 8 a cell: it may hold billions of equal values in a few bytes. 0
    where it cannot be told."""
    try:
        scan = pl.scan_parquet(io.BytesIO(data))
        return int(scan.select(pl.len()).collect().item()) * max(1, len(scan.collect_schema())) * 8
    except (Exception, pl.exceptions.PanicException):  # the reading itself tells what is wrong
        return 0


def parquet_header(data: bytes) -> list[str]:
    """The names of a parquet file's columns, without its rows. Raises FileRefused."""
    try:
        return list(pl.read_parquet_schema(io.BytesIO(data)))
    except (Exception, pl.exceptions.PanicException) as error:
        raise FileRefused(say("parquet", why=(str(error).splitlines() or [type(error).__name__])[0])) from None


def workbook(data: bytes) -> Any:
    """A workbook, opened; `sheet_names` are its sheets. Raises FileRefused where it cannot be opened."""
    import fastexcel

    if not data:
        raise FileRefused(say("empty_file"))
    try:
        return fastexcel.read_excel(data)
    except Exception as error:
        raise FileRefused(say("xlsx", why=str(error).splitlines()[0] if str(error) else "unknown")) from None


def xlsx_cells(book: Any, sheet: str) -> pl.DataFrame:
    """All cells of a sheet of a `workbook` as text, columns c0, c1, ... and `line` = row of the sheet, blank rows included.

    Dates come as 2026-03-01 10:30:00, times of day as 10:30:00, whole numbers without decimals, formulas as the value
    that was saved.
    """
    try:
        loaded = book.load_sheet(sheet, header_row=None, skip_rows=0, dtypes="string", dtype_coercion="coerce")
        text = loaded.to_polars()
        if text.width:
            # The text of a number is rounded; where it is not the number, the number itself is written out.
            loaded = book.load_sheet(sheet, header_row=None, skip_rows=0, dtypes="float")
            numbers = loaded.to_polars()
    except FileRefused:
        raise
    except Exception as error:
        raise FileRefused(say("xlsx", why=str(error).splitlines()[0] if str(error) else "unknown")) from None
    out = []
    for i in range(text.width):
        cell = text.to_series(i).cast(pl.String)
        exact = numbers.to_series(i) if i < numbers.width else None
        if exact is not None and exact.dtype == pl.Float64 and exact.len() == cell.len():
            shown = cell.cast(pl.Float64, strict=False)
            cell = pl.select(pl.when(shown != exact).then(exact.cast(pl.String)).otherwise(cell)).to_series()
        # a time of day alone is a part of the day before the calendar of spreadsheets begins
        out.append(cell.str.replace(r"^1899-12-3[01] (\d\d:\d\d:\d\d)$", "$1").alias(f"c{i}"))
    lines = pl.Series("line", range(1, text.height + 1), pl.Int64)
    return pl.DataFrame([lines, *out])


def xlsx_grid(
    cells: pl.DataFrame, header_line: int | None, sheet: spreadsheets.Sheet, repeat: bool = False
) -> Grid | None:
    """A sheet's rows below its header: the row `header_line`, or the first that is not empty. None: there is none.

    A row that holds a cell in error, a formula without its value, or a part of a merged cell other than the first is
    damaged: what stands there would be read as empty. With `repeat` a cell merged over rows counts for each of them.
    """
    names = [c for c in cells.columns if c != "line"]
    if not names:
        return None
    trim = cells.with_columns(trimmed(pl.col(n)) for n in names)
    filled = trim.filter(pl.any_horizontal(pl.col(n).is_not_null() for n in names))
    head = filled.filter(pl.col("line") == header_line) if header_line is not None else filled.head(1)
    if head.is_empty():
        return None
    header = [bare(head[n][0] or "") for n in names]
    while len(header) > 1 and header[-1] == "" and filled[names[len(header) - 1]].null_count() == filled.height:
        header.pop()
    top = int(head["line"][0])
    names = names[: len(header)]
    damage = {}
    bottom = int(filled["line"].max() or 0)  # type: ignore[arg-type]
    for row, column, found in sheet.troubles:
        if row > top and sheet.first_column <= column < sheet.first_column + len(header):
            damage[row] = say("xlsx_trouble", cell=spreadsheets.place(row, column), found=found)
    for row, column, last_row, last_column in sheet.merged:
        used = range(max(column, sheet.first_column), min(last_column, sheet.first_column + len(header) - 1) + 1)
        if last_row <= top or not used:
            continue
        where = f"{spreadsheets.place(row, column)}:{spreadsheets.place(last_row, last_column)}"
        last_row = min(last_row, bottom)
        down = row > top and repeat and column == last_column
        if down:
            name = f"c{column - sheet.first_column}"
            value = trim.filter(pl.col("line") == row)[name].to_list()
            inside = pl.col("line").is_between(row, last_row) & (pl.col("line") > top)
            trim = trim.with_columns(
                pl.when(inside).then(pl.lit(value[0] if value else None)).otherwise(name).alias(name)
            )
        else:
            first = row if column < last_column else row + 1
            damage |= {r: say("xlsx_merged", cells=where) for r in range(max(first, top + 1), last_row + 1)}
    lines = set(filled["line"])  # a row that holds nothing of its own stays blank
    rows = trim.filter(pl.col("line").is_in(lines) & (pl.col("line") > top))
    rows = rows.select(
        "line", pl.col("line").replace_strict(damage, default=None, return_dtype=pl.String).alias("damage"), *names
    )
    rows, warnings = without_repeated_headers(header, _short(rows, names))
    return Grid(header, rows, Origin(), warnings, typed=True)
