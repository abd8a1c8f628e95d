"""One file, from bytes to typed rows and refused rows. A file that cannot be used is refused with a message; nothing
raises.

`read_file` depends on the file's bytes and name, on all layouts and on `Options`, and on nothing else: `cache_key` says
so in one word, so that a file is never read twice. What needs other files (later exports, ids, zones) is merge.py's.
"""

import codecs
import contextlib
import dataclasses
import fnmatch
import hashlib
import io
import itertools
import json
import traceback
from collections import Counter
from collections.abc import Callable, Container, Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, field, fields
from datetime import datetime
from functools import cache, partial
from pathlib import Path
from typing import Any, Literal, Protocol, TypeVar

import numpy as np
import polars as pl
import polars.selectors as cs

from pipelines.intake.messages import NO_TABLE, listed, say, shown
from pipelines.intake.reading import cast, layout, mapped_rows, spreadsheets, table_of_file, text
from pipelines.intake.reading.files import (
    ENDINGS,
    MAX_RATIO,
    RATIO_FROM,
    SHEET,
    FileRefused,
    Source,
    lines_end,
    pieces,
    stream,
    unpacked,
    within,
)
from schemas import validate
from schemas.vocabulary import ColumnInfo

Read = TypeVar("Read")
#: the key under which rows stand that no table takes
NOWHERE = ""
DELIMITERS = (",", "\t", ";")
#: bytes of text that are turned into rows at a time; while that is done they take some fifteen times as much memory
PIECE = 1 << 24
#: so many typed rows of one table are put away together, where there is a place for them; fewer are held in memory
BLOCK = 500_000


@dataclass(frozen=True)
class Options:
    """The settings that matter to intake. `time_zone` IANA name or '' (where shops name none); `max_file_mb` in MB."""

    time_zone: str = ""
    max_file_mb: float = 4000.0


@dataclass(frozen=True)
class TableRead:
    """What one file holds of one table.

    rows     line, the table's columns typed, and marks for later: `<column>@utc` (true: stands in UTC), `<column>@ml`
             (true: a volume that awaits its component's density); in memory, or where they were put away
    refused  one row per reason: line, item (number of the refused row inside this table), column, reason, raw, and
             every column of the table as far as it could be read
    respelled  ids whose accents were written as signs of their own (Unicode NFD) and are one sign now (NFC)
    height   how many rows; shops: how many of each shop, where rows have one; kept: whether they were put away
    """

    rows: pl.LazyFrame
    refused: pl.DataFrame
    height: int
    shops: Mapping[str, int]
    kept: bool = False
    respelled: int = 0

    @staticmethod
    def of(rows: pl.DataFrame, refused: pl.DataFrame, respelled: int = 0) -> "TableRead":
        """Rows in memory."""
        told = rows["shop_id"].value_counts().iter_rows() if "shop_id" in rows.columns else ()
        shops = {shop: n for shop, n in told if shop is not None}
        return TableRead(rows.lazy(), refused, rows.height, shops, respelled=respelled)

    @property
    def rows_read(self) -> int:
        return self.height + self.refused["item"].n_unique()


class NotPutAway(Exception):
    """Rows could not be put away, which is no fault of their file."""

    def __init__(self, cause: Exception) -> None:
        super().__init__(str(cause))
        self.cause = cause


class Place(Protocol):
    """Where rows are put away while their file is still being read."""

    def put(self, name: str, rows: pl.DataFrame) -> pl.LazyFrame:
        """Put away more rows under a name; returns the way back to these."""

    def clear(self) -> None:
        """Nothing that was put away counts."""


@dataclass(frozen=True)
class FileRead:
    """One file as read. `message` is why it was refused, or its warnings; `tables` is empty for a refused file.
    `refused_parts`: sheets of a workbook that could not be used, while others could. `sheets`: where several sheets feed
    one table, the names of all that were read; lines are those of files.SHEET then."""

    file: str
    sha256: str
    layout: str | None
    state: Literal["read", "refused"]
    message: str | None
    tables: dict[str, TableRead] = field(default_factory=dict)
    exported_at: datetime | None = None
    mode: Literal["replace", "append"] = "replace"
    time_zone: str | None = None
    complete_for: Literal["days", "months"] | None = None
    refused_parts: tuple[str, ...] = ()
    sheets: tuple[str, ...] = ()


@cache
def code_digest() -> str:
    """A fingerprint of this package's code and of the schemas: what was read by other code is read again."""
    here = Path(__file__).resolve().parents[1]
    paths = [*here.rglob("*.py"), here.parent / "units.py", *(here.parents[1] / "schemas").glob("*.py")]
    total = hashlib.sha256()
    for path in sorted(paths):
        total.update(path.name.encode() + b"\0" + path.read_bytes())
    return total.hexdigest()


def cache_key(file: str, sha256: str, layouts: list[layout.Layout], options: Options) -> str:
    """What `read_file` depends on, as one word. The file's name counts (layouts and tables claim by it), its folder
    only where a layout looks at it."""
    name = file if any("/" in (x.file.match_name or "") for x in layouts) else Source(file).name
    where = "registers" if Source(file).is_register else "inbox"
    parts = [where, name, sha256, layout.digest(layouts), json.dumps(asdict(options), sort_keys=True), code_digest()]
    return hashlib.sha256("\0".join(parts).encode()).hexdigest()


def read_file(
    source: Source, layouts: list[layout.Layout], options: Options | None = None, place: Place | None = None
) -> FileRead:
    """Read one file. Never raises for what a file holds: it comes back with state 'refused' and a message instead. Rows of
    a large file are put away at `place`, where there is one; what that raises (a full disk) is raised."""

    def whole() -> FileRead:
        found = _looked_at(source, layouts, options or Options(), place)
        read = _typed_alone(found) if isinstance(found, _Laid) else found
        if place is None:
            return read
        large = enumerate(read.tables.items())
        tables = {name: _put_away(no, one, place) if one.height >= BLOCK else one for no, (name, one) in large}
        return dataclasses.replace(read, tables=tables)

    return _guarded(source, whole)


def read_files(
    sources: Sequence[Source], layouts: list[layout.Layout], options: Options | None = None
) -> list[FileRead]:
    """Read small files, each as `read_file` reads it: those of one form are typed together, which for hundreds of exports costs a
    fraction."""
    found = [_guarded(one, partial(_looked_at, one, layouts, options or Options(), None)) for one in sources]
    alike: dict[tuple[object, ...], list[_Laid]] = {}
    for one in found:
        if isinstance(one, _Laid):
            alike.setdefault(one.form, []).append(one)
    typed: dict[int, FileRead] = {}
    for group in alike.values():
        reads = _guarded(group[0].source, partial(_typed_together, group))
        if isinstance(reads, FileRead):  # one of them is to blame, and only that one is refused
            reads = [_guarded(one.source, partial(_typed_alone, one)) for one in group]
        typed |= dict(zip(map(id, group), reads, strict=True))
    return [typed[id(one)] if isinstance(one, _Laid) else one for one in found]


def _guarded(source: Source, work: Callable[[], Read]) -> Read | FileRead:
    """What `work` makes of a file, or the file refused."""
    try:
        return work()
    except NotPutAway as lost:
        raise lost.cause from None
    except FileRefused as refusal:
        why = str(refusal)
    except MemoryError:
        why = say("raised", why="it does not fit into memory")
    except (KeyboardInterrupt, SystemExit):
        raise
    except BaseException as error:
        # a reader of outside data: whatever it raises is told, and the run goes on; libraries in Rust raise panics, which are no Exception
        why = f"{type(error).__name__}: {error}" if str(error) else type(error).__name__
        if isinstance(error, OSError):
            why = error.strerror or why
        else:
            last = traceback.extract_tb(error.__traceback__)[-1]
            why += f" (in {Path(last.filename).name}, line {last.lineno})"
        why = say("raised", why=why)
    # without a fingerprint where it was refused before all of it was looked at
    return FileRead(source.file, source.__dict__.get("sha256", ""), None, "refused", why)


def _looked_at(
    source: Source, layouts: list[layout.Layout], options: Options, place: Place | None
) -> "FileRead | _Laid":
    """A file as read, or laid out in rows of text. Raises FileRefused."""
    if source.trouble:
        raise FileRefused(say("trouble", why=source.trouble))
    if source.size:
        within(source, options.max_file_mb)  # before all of it is looked at
    source.sha256  # noqa: B018 - from here on it is known
    found = _read(source, layouts, options, place)
    said = _other_form(source) if source.ending not in (".parquet", ".xlsx") else None
    if said is None:
        return found
    if isinstance(found, _Laid):
        return dataclasses.replace(found, late=(*found.late, said))
    return dataclasses.replace(found, message="; ".join(filter(None, [found.message, said])))


def _other_form(source: Source) -> str | None:
    """What is said of a text whose mark names another form than UTF-8."""
    name = None if source.packed else text.marked(source.start)
    return say("marked", name=name) if name else None


def looked_at(source: Source, limit_mb: float) -> None:
    """Raises FileRefused where a file must not be laid out, whatever it holds: too large, endless lines, no workbook."""
    _Opened(source, Options(max_file_mb=limit_mb))


def rows_of(source: Source, one: layout.Layout, options: Options) -> text.Grid | None:
    """The rows of a file as a layout sees them; None where its header is not found. Raises FileRefused, OSError."""
    return _Opened(source, options).grid_of(one)


# --- finding the header, and who claims it ----------------------------------------------------------------------------


class _Opened:
    """A file's bytes, turned into rows of text in whatever way a layout asks; each way once."""

    def __init__(self, source: Source, options: Options) -> None:
        self.source = source
        self.limit_mb = options.max_file_mb
        if source.ending not in ENDINGS:
            raise FileRefused(say("kind", ending=source.ending or source.name))
        within(source, self.limit_mb)
        self._data: bytes | None = None
        self.kind = source.ending if source.ending in (".parquet", ".xlsx") else "text"
        form = self.kind.removeprefix(".")
        with stream(source, self.limit_mb) as handle:
            start = handle.read(4)
            if self.kind != "text" and source.size > LARGE and not text.is_closed(handle, self.kind):
                raise FileRefused(say(form, why="it ends in the middle"))  # before it fills the memory
        if (means := text.STARTS.get(self.kind)) and not start.startswith(means):
            raise FileRefused(say(form, why="it does not begin like one") if start else say("empty_file"))
        self.size = lines_end(source, self.limit_mb) if self.kind == "text" else source.size
        self._utf8: dict[str, bytes | FileRefused] = {}
        self._sheets: dict[str, pl.DataFrame] = {}
        self._parquet: text.Grid | None = None
        self.book: dict[str, spreadsheets.Sheet] = {}
        if self.kind == ".xlsx":
            self.book = spreadsheets.look(self.data, self.limit_mb)
            self._workbook = text.workbook(self.data)
            self.names = [n for n in self._workbook.sheet_names if n in self.book]
        elif self.kind == ".parquet" and (size := text.parquet_size(self.data)):
            if size > self.limit_mb * 1e6:
                raise FileRefused(say("too_large_over", limit_mb=self.limit_mb))
            if size > max(RATIO_FROM, MAX_RATIO * len(self.data)):
                raise FileRefused(say("bomb", times=MAX_RATIO))

    @property
    def data(self) -> bytes:
        """All bytes, unpacked. Raises FileRefused."""
        if self._data is None:
            self._data = unpacked(self.source, self.limit_mb)
        return self._data

    def utf8(self, encoding: str) -> bytes:
        """The text as UTF-8. Raises FileRefused, the same one each time."""
        if encoding not in self._utf8:
            try:
                self._utf8[encoding] = text.to_utf8(self.data, encoding)
            except FileRefused as refusal:
                self._utf8[encoding] = refusal
        found = self._utf8[encoding]
        if isinstance(found, FileRefused):
            raise found
        return found

    def head(self, encoding: str) -> bytes:
        """The first lines of a text as UTF-8: all that tells whose it is. Of a small one all of it. Raises FileRefused."""
        if self.size <= HEAD or encoding in self._utf8:
            return self.utf8(encoding)
        with stream(self.source, self.limit_mb) as handle:
            start = handle.read(HEAD)
        if text.marked(start) or codecs.lookup(encoding).name.startswith(("utf-16", "utf-32")):
            return self.utf8(encoding)
        return text.to_utf8(start[: max(start.rfind(b"\n"), start.rfind(b"\r")) + 1], encoding)

    def first_header(self, tables: Iterable[str]) -> list[str]:
        """The header of a file without a layout, from its start alone: who has no use for it need not be read. Raises FileRefused."""
        if self.kind == ".parquet":
            return text.parquet_header(self.data)
        data = self.head("utf-8")
        lines = b"".join(itertools.islice(io.BytesIO(data), _SEARCHED))
        data = data if b'"' in lines else lines  # a quoted text may go on
        return _headed(_without_comments(data) if self.source.is_register else data, tables)[0].header

    def filled_sheets(self) -> list[str]:
        """Names of the sheets that hold something."""
        return [n for n in self.names if self._sheet(n).width > 1]

    def hidden(self) -> set[str]:
        """Names of the sheets that a spreadsheet does not show."""
        return {name for name, sheet in self.book.items() if sheet.hidden}

    def _sheet(self, name: str) -> pl.DataFrame:
        if name not in self._sheets:
            self._sheets[name] = text.xlsx_cells(self._workbook, name)
        return self._sheets[name]

    def expanded(self, layouts: Iterable[layout.Layout]) -> list[layout.Layout]:
        """The layouts, one whose `sheet` is a pattern (such as "20*") once for each sheet that holds something and
        fits."""
        out = []
        for one in layouts:
            pattern = one.file.sheet
            if self.kind != ".xlsx" or pattern is None or pattern in self.names:
                out.append(one)
                continue
            fits = [n for n in self.filled_sheets() if fnmatch.fnmatchcase(n, pattern)]
            files = [one.file.model_copy(update={"sheet": name}) for name in fits]
            out += [one.model_copy(update={"file": file}) for file in files] if fits else [one]
        return out

    def sheet_of(self, file: layout.File) -> str | None:
        """The sheet a layout reads: the one it names, else the only one that holds something."""
        if file.sheet is not None:
            return file.sheet if file.sheet in self.names else None
        filled = self.filled_sheets()
        return filled[0] if len(filled) == 1 else None

    def header(self, one: layout.Layout) -> list[str]:
        """The header as a layout sees it; [] where there is none."""
        if self.kind == ".parquet":
            return text.parquet_header(self.data)
        if self.kind != "text":
            found = self.grid_of(one)
            return found.header if found else []
        data, line = self.head(one.file.encoding), self.header_line(one)
        lines = _first_lines(data, line) if line is not None else []
        return _cells(lines[line - 1], one.file.delimiter) if line is not None and line <= len(lines) else []

    def header_line(self, one: layout.Layout) -> int | None:
        """The line of the header: as the layout says, or where it says "find" the first that holds all it needs (the
        first that is not blank where none does)."""
        if one.file.header_line != "find":
            return one.file.header_line
        needed = set(one.needed())
        first = None
        for line, cells in self._first_rows(one.file):
            if any(cells):
                first = first or line
                if needed <= set(cells):
                    return line
        return first

    def _first_rows(self, file: layout.File) -> Iterator[tuple[int, list[str]]]:
        if self.kind == ".xlsx":
            sheet = self.sheet_of(file)
            for row in self._sheet(sheet).head(_SEARCHED).iter_rows() if sheet else ():
                yield row[0], [text.bare(cell or "") for cell in row[1:]]
        elif self.kind == "text":
            for i, raw in enumerate(_first_lines(self.head(file.encoding), _SEARCHED)):
                yield i + 1, _cells(raw, file.delimiter)

    def grid_of(self, one: layout.Layout) -> text.Grid | None:
        """The rows as a layout sees them; None where it finds no header."""
        file = one.file
        if self.kind == ".parquet":
            self._parquet = self._parquet or text.parquet_grid(self.data)
            return self._parquet
        line = self.header_line(one)
        if self.kind == ".xlsx":
            sheet = self.sheet_of(file)
            if sheet is None or (line is None and file.header_line == "find"):
                return None
            return text.xlsx_grid(self._sheet(sheet), line, self.book[sheet], file.merged == "repeat")
        if line is None:
            return None
        data = self.utf8(file.encoding)
        found = text.records(data, file.delimiter)
        at = text.first_line(found, data, line)
        return text.grid(data, found, at, file.delimiter) if at is not None else None

    def plain(self, tables: Iterable[str] = layout.TABLES) -> text.Grid:
        """The rows of a file without a layout: parquet, or text. Of comma, tab and semicolon the one that gives most
        columns we know; the header is the first line that has all a table needs, else the first that is not blank.
        Raises FileRefused."""
        if self.kind == ".parquet":
            self._parquet = self._parquet or text.parquet_grid(self.data)
            return self._parquet
        data = self.utf8("utf-8")
        return _headed(_without_comments(data) if self.source.is_register else data, tables)[0]

    def plain_parts(self, most: int) -> Iterator[text.Grid | None]:
        """The rows of `plain`, from about `most` bytes of text at a time. None where the rest cannot be had piece by piece:
        then `plain` has the answer. Parquet comes at once."""
        if self.kind != "text" or self.size <= most:
            yield self.plain()
            return
        self._data = None  # layouts may have looked at all of it
        self._utf8.clear()
        shift, header, delimiter = 0, None, ""
        for raw in pieces(self.source, self.limit_mb, most, _SEARCHED):
            data = text.piece(raw, first=header is None)
            if data is None:
                yield None
                return
            if header is None:
                grid, delimiter = _headed(data, layout.TABLES)
                header = grid.header
            else:
                grid = text.grid_on(header, data, shift, delimiter)
            yield grid if grid.origin.whole else None
            shift += data.count(b"\n")

    def plain_sheet(self, sheet: str) -> text.Grid | None:
        """The rows of a sheet without a layout; the header as in `plain`."""
        cells = self._sheet(sheet)
        needed = [{c.name for c in validate.columns(t) if c.required} for t in layout.TABLES]
        above: list[str] = []
        for row in cells.head(_SEARCHED).iter_rows():
            found = {text.bare(cell or "") for cell in row[1:]}
            if any(need <= found for need in needed):
                grid = text.xlsx_grid(cells, row[0], self.book[sheet])
                return _below(grid, above, row[0]) if grid else None
            if any(found):
                above.append(" ".join(cell.strip() for cell in row[1:] if cell))
        return text.xlsx_grid(cells, None, self.book[sheet])


#: a header is looked for in so many lines
_SEARCHED = 60
LARGE = 50_000_000  # bytes of what is packed, whose end is looked at before all of it is taken into memory
HEAD = 1 << 22  # bytes of a text, by which it is seen whose it is before all of it is taken into memory
MOST_HEADER = 1 << 16  # bytes of the line that it stands on


def _first_lines(data: bytes, most: int) -> list[bytes]:
    return [raw.removesuffix(b"\n") for raw in itertools.islice(io.BytesIO(data), most)]


def _cells(raw: bytes, delimiter: str) -> list[str]:
    return _cells_of(raw[:MOST_HEADER].decode("utf-8", "replace"), delimiter)


def _cells_of(raw: str, delimiter: str) -> list[str]:
    return [text.bare(cell) for cell in text.cells_of(raw, delimiter) or []]


def _headed(data: bytes, tables: Iterable[str]) -> tuple[text.Grid, str]:
    """The rows of a text below its header, and the delimiter: see `_Opened.plain`."""
    lines = [raw[:MOST_HEADER].decode("utf-8", "replace") for raw in _first_lines(data, _SEARCHED)]
    if len(next((raw for raw in _first_lines(data, _SEARCHED) if raw.strip()), b"")) > MOST_HEADER:
        raise FileRefused(say("too_wide", most=text.MOST_COLUMNS))
    needed = [{c.name for c in validate.columns(t) if c.required} for t in tables]
    written = ((i + 1, d, _cells_of(raw, d)) for i, raw in enumerate(lines) if raw.strip() for d in DELIMITERS)
    at_first: list[tuple[int, str, list[str]]] = []
    for row in written:
        line, best, cells = row
        if any(need.issubset(cells) for need in needed):
            break
        if not at_first or line == at_first[0][0]:
            at_first.append(row)
    else:
        if not at_first:
            raise FileRefused(say("empty_file"))
        line, best, _ = max(at_first, key=lambda row: (_known(row[2]), lines[row[0] - 1].count(row[1])))
    split = text.records(data, best)
    at = text.first_line(split, data, line)
    if at is None:  # the line lies inside a quoted text
        at = text.first_line(split, data, None)
    assert at is not None
    return _below(text.grid(data, split, at, best), [x for x in lines[: line - 1] if x.strip()], line), best


def _below(grid: text.Grid, above: list[str], line: int) -> text.Grid:
    if above:
        grid.warnings.append(say("above_header", line=line, above=listed(above, 5)))
    return grid


def _without_comments(data: bytes) -> bytes:
    """Lines of a register that begin with '# ' left blank, so that the others keep their numbers."""
    if b"#" not in data:
        return data
    out, quotes = [], 0
    for line in data.split(b"\n"):
        comment = quotes % 2 == 0 and (line == b"#" or line.startswith(b"# "))  # inside a quoted text it is text
        out.append(b"" if comment else line)
        quotes += 0 if comment else line.count(b'"')
    return b"\n".join(out)


@cache
def _all_columns() -> frozenset[str]:
    return frozenset(c.name for t in layout.TABLES for c in validate.columns(t))


def _known(header: list[str]) -> int:
    return sum(cell.strip() in _all_columns() for cell in header)


def _read(source: Source, layouts: list[layout.Layout], options: Options, place: Place | None) -> "FileRead | _Laid":
    opened = _Opened(source, options)
    if source.is_register:
        return _read_register(source, opened)
    claims, near, unreadable = _claims(opened, layouts)
    by_sheet: dict[str | None, list[layout.Layout]] = {}
    for one in claims:
        by_sheet.setdefault(opened.sheet_of(one.file) if opened.kind == ".xlsx" else None, []).append(one)
    for several in by_sheet.values():
        if len(several) > 1:
            names, header = listed(c.name for c in several), listed(opened.header(several[0]))
            raise FileRefused(say("claims_layouts", n=len(several), names=names, header=header))
    if len(claims) == 1 and opened.kind == "text":
        return _by_layout(source, claims[0], opened)
    if claims:
        reads = [_typed_alone(_by_layout(source, one, opened)) for one in claims]
        unread = [n for n in opened.filled_sheets() if n not in by_sheet] if opened.kind == ".xlsx" else []
        note = [say("sheets_unread", sheets=listed(unread))] if unread else []
        single = len(reads) == 1 and not note
        return reads[0] if single else _one_workbook(reads, [str(s) for s in by_sheet], note, opened.hidden())
    if joined := [x.name for x in layouts if x.file.note and layout.fits(x.file.note.file, source.below)]:
        return FileRead(source.file, source.sha256, joined[0], "read", say("note", layout=joined[0]), {})
    if opened.kind == ".xlsx":
        return _read_workbook(source, opened, near)
    try:
        return _read_plain(source, opened, near, place)
    except FileRefused as refusal:
        raise FileRefused(" ".join([str(refusal), *near, *unreadable])) from None


def _read_plain(source: Source, opened: _Opened, near: list[str], place: Place | None) -> "FileRead | _Laid":
    """A file in the columns of one table. A large one is read piece by piece: what it takes in memory follows from PIECE and BLOCK,
    not from the file. Where the header stands once more in a later piece, nothing stands in the first, or a quote is damaged, it is
    read at once: what is said of that speaks of the whole file."""
    if opened.kind == ".parquet" or opened.size > HEAD:
        table_of_file.canonical_table(source, opened.first_header(layout.TABLES))
    grids = opened.plain_parts(PIECE)
    first = next(grids)
    grid = first or opened.plain()
    table = table_of_file.canonical_table(source, grid.header)
    laid = _canonical(source, table, grid, near)
    if first is None or opened.kind != "text" or opened.size <= PIECE:
        return laid
    read = _typed_alone(laid)
    kept: list[TableRead] = []
    fresh, rows = [read.tables[table]], first.rows.height
    for more in grids:
        if more is None or more.warnings or first.rows.is_empty():
            if place is not None:
                place.clear()
            return _canonical(source, table, opened.plain(), near)
        piece = _typed(mapped_rows.canonical(table, more), more)[0]
        fresh.append(dataclasses.replace(piece, refused=piece.refused.with_columns(pl.col("item") + rows)))
        rows += more.rows.height
        if place is not None and sum(one.height for one in fresh) >= BLOCK:
            kept.append(_put_away(0, _put_together(table, fresh), place))
            fresh = []
    if place is not None and kept and fresh:
        kept.append(_put_away(0, _put_together(table, fresh), place))
        fresh = []
    return dataclasses.replace(read, tables={table: _put_together(table, kept + fresh)})


def _put_together(table: str, pieces: list[TableRead]) -> TableRead:
    """The pieces of one file; marks that only some of them have are false in the others."""
    if len(pieces) == 1:
        return pieces[0]
    every = pl.concat([piece.rows for piece in pieces], how="diagonal")
    names = [info.name for info in validate.columns(table)]
    there = every.collect_schema().names()
    marks = [f"{name}{mark}" for name in names for mark in ("@utc", "@ml") if f"{name}{mark}" in there]
    return TableRead(
        every.select("line", *names, *(pl.col(mark).fill_null(False) for mark in marks)),
        pl.concat([piece.refused for piece in pieces]),
        sum(piece.height for piece in pieces),
        _added(pieces),
        all(piece.kept for piece in pieces),
        sum(piece.respelled for piece in pieces),
    )


def _added(parts: Iterable[TableRead]) -> Mapping[str, int]:
    shops: Counter[str] = Counter()
    for part in parts:
        shops.update(part.shops)
    return dict(shops)


def _put_away(no: int, one: TableRead, place: Place) -> TableRead:
    """Rows of the file's table number `no`, put away shop by shop, so that those of some shops are found without the others."""
    if one.kept:
        return one
    rows = one.rows.collect()
    if one.shops:
        rows = rows.sort("shop_id", maintain_order=True)
    try:
        way_back = place.put(_rows_name(no), rows)
    except Exception as error:
        raise NotPutAway(error) from error
    return dataclasses.replace(one, rows=way_back, kept=True)


def _read_register(source: Source, opened: _Opened) -> "_Laid":
    table = table_of_file.register_table(source)
    if opened.kind == ".parquet" or (opened.kind == "text" and opened.size > HEAD):
        _is_register(table, opened.first_header([table]))
    if opened.kind == ".xlsx":
        filled = opened.filled_sheets()
        grid = opened.plain_sheet(filled[0]) if len(filled) == 1 else None
        if grid is None:
            raise FileRefused(say("register_sheets", sheets=listed(opened.names)) if filled else say("empty_file"))
    else:
        grid = opened.plain([table])
    _is_register(table, grid.header)
    return _canonical(source, table, grid)


def _is_register(table: str, header: list[str]) -> None:
    """Raises FileRefused where a column of the register is missing."""
    if missing := table_of_file.fit(table, header).missing:
        lacks = table_of_file.lacking(missing, header)
        raise FileRefused(say("register_columns", table=table, missing=lacks, header=listed(header)))


def _read_workbook(source: Source, opened: _Opened, near: list[str]) -> FileRead:
    """A workbook without a layout: every sheet by itself; a sheet that is no table is refused by name."""
    reads, sheets, lost = [], [], []
    names = opened.filled_sheets()
    if not names:
        raise FileRefused(say("empty_file"))
    for name in names:
        try:
            grid = opened.plain_sheet(name)
            if grid is None:
                raise FileRefused(say("empty_file"))
            # with several sheets it is the sheet's name that may say which table it is
            claimed = source if len(names) == 1 else Source(f"{name}.xlsx")
            table = table_of_file.canonical_table(claimed, grid.header)
            reads.append(_typed_alone(_canonical(source, table, grid, near)))
            sheets.append(name)
        except FileRefused as refusal:
            lost.append(str(refusal) if len(names) == 1 else say("part", sheet=name, why=str(refusal)))
    if not reads:
        raise FileRefused(" ".join([*lost, *near]))
    if len(names) == 1:
        return reads[0]
    return dataclasses.replace(_one_workbook(reads, sheets, [], opened.hidden()), refused_parts=tuple(lost))


def _one_workbook(reads: list[FileRead], sheets: list[str], note: list[str], hidden: set[str]) -> FileRead:
    """The sheets of a workbook as one file; where two feed one table, lines say which sheet (files.SHEET). Raises
    FileRefused: their layouts differ in what holds for a whole file."""
    if len({(x.exported_at, x.mode, x.time_zone, x.complete_for) for x in reads}) > 1:
        raise FileRefused(say("xlsx_layouts_differ", names=listed(x.layout or "" for x in reads)))
    homes = [table for one in reads for table in one.tables]
    shared = len(set(homes)) < len(homes)
    tables: dict[str, TableRead] = {}
    for number, one in enumerate(reads):
        for table, part in one.tables.items():
            part = _on_sheet(part, number) if shared else part
            tables[table] = _joined(tables[table], part) if table in tables else part
    several = len(reads) > 1
    homed = [
        f"{s} ({', '.join([*(t or NO_TABLE for t in x.tables), *(['hidden'] if s in hidden else [])])})"
        for x, s in zip(reads, sheets, strict=True)
    ]
    said = [say("sheets_read", sheets=listed(homed))] if several else []
    for one, sheet in zip(reads, sheets, strict=True):
        if one.message:
            said.append(say("part", sheet=sheet, why=one.message) if several else one.message)
    layouts = " + ".join(dict.fromkeys(x.layout for x in reads if x.layout)) or None
    return dataclasses.replace(
        reads[0],
        layout=layouts,
        message="; ".join([*said, *note]) or None,
        tables=tables,
        sheets=tuple(sheets) if shared else (),
    )


def _on_sheet(part: TableRead, number: int) -> TableRead:
    line = (pl.col("line") + number * SHEET).alias("line")
    return dataclasses.replace(part, rows=part.rows.with_columns(line), refused=part.refused.with_columns(line))


def _claims(opened: _Opened, layouts: list[layout.Layout]) -> tuple[list[layout.Layout], list[str], list[str]]:
    """The layouts that claim the file, what kept those back whose match_name fits, and those without a match_name whose
    encoding does not fit."""
    claims: list[layout.Layout] = []
    near: list[str] = []
    unreadable: list[str] = []
    for one in opened.expanded(x for x in layouts if x.fits_name(opened.source.below)):
        named = one.file.match_name is not None
        if opened.kind == ".xlsx" and one.file.sheet is not None and one.file.sheet not in opened.names:
            if named:
                near.append(say("xlsx_sheet", sheet=one.file.sheet, sheets=listed(opened.names), layout=one.name))
            continue
        try:
            header = opened.header(one)
            if opened.kind == "text" and set(one.needed()) <= set(header):
                opened.utf8(one.file.encoding)  # all of it is what its first lines are
        except FileRefused as refusal:
            if opened.kind != "text":
                raise
            if named or one.file.encoding != "utf-8":
                (near if named else unreadable).append(say("layout_needs", layout=one.name, why=str(refusal)))
            continue
        missing = [n for n in one.needed() if n not in header]
        if not missing:
            claims.append(one)
        elif not named and header and len(missing) <= 0.4 * len(one.needed()):
            lacks = f"it is the nearest layout, but lacks {listed(missing)} here"
            near.append(say("layout_needs", layout=one.name, why=lacks))
        elif named:
            found = one.file.header_line
            no_line = "no line near its beginning has all columns it needs; the first"
            place = no_line if found == "find" else f"line {found}"
            lacks = f"its match_name fits, but {place} lacks {listed(missing)} (it has: {listed(header)})"
            near.append(say("layout_needs", layout=one.name, why=lacks))
    if not claims:
        near += _other_names(opened, layouts)
    return claims, near, unreadable


def _other_names(opened: _Opened, layouts: list[layout.Layout]) -> list[str]:
    """Layouts that would read the file but for their match_name: next month's export may be called otherwise."""
    out = []
    for one in opened.expanded(x for x in layouts if not x.fits_name(opened.source.below)):
        with contextlib.suppress(FileRefused):
            if (header := opened.header(one)) and set(one.needed()) <= set(header):
                why = f"the header has all it needs, but its match_name {one.file.match_name!r} does not fit the file's name; widen it"
                out.append(say("layout_needs", layout=one.name, why=why))
    return out


# --- typed rows -------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Laid:
    """A file laid out in rows of text. `read`: what is known of it before they are typed, its message aside; `found`: the layout, else
    `table`; `said` and `late`: what its message says before and behind what typing finds."""

    source: Source
    read: FileRead
    grid: text.Grid
    found: layout.Layout | None
    table: str
    said: tuple[str, ...]
    late: tuple[str, ...] = ()

    @property
    def form(self) -> tuple[object, ...]:
        """Files of one form can be typed together."""
        return (self.read.layout, self.table, self.grid.typed, *self.grid.header)


def _canonical(source: Source, table: str, grid: text.Grid, near: Iterable[str] = ()) -> _Laid:
    names = [c.name for c in validate.columns(table)]
    mapped_rows.once(grid, names)
    said = [*near, *grid.warnings]
    if extra := mapped_rows.unused(grid, names):
        said.append(say("unknown_columns", columns=listed(extra)))
    if grid.rows.is_empty() and not source.is_register:
        said.append(say("no_rows"))
    return _Laid(source, FileRead(source.file, source.sha256, None, "read", None), grid, None, table, tuple(said))


def _by_layout(source: Source, found: layout.Layout, opened: _Opened) -> _Laid:
    grid = opened.grid_of(found)
    if grid is None:  # a layout claims by a line that turns out to lie inside a quoted text
        raise FileRefused(say("layout_needs", layout=found.name, why="its header line lies inside a quoted text"))
    grid, skipped = mapped_rows.without_skipped(found, grid)
    grid, lacking_notes = mapped_rows.with_note(found, mapped_rows.laid_open(found, grid))
    said = [*grid.warnings, *skipped, *lacking_notes]
    lacking = [n for n in found.optional() if n not in grid.header]
    if lacking:
        said.append(say("optional_columns", columns=listed(lacking)))
    if grid.rows.is_empty():
        said.append(say("no_rows"))
    mapped_rows.once(grid, found.needed() + found.optional())
    exported_at, warning = _exported_at(source, found, grid) if found.file.exported_at is not None else (None, None)
    file = found.file
    read = FileRead(
        source.file, source.sha256, found.name, "read", None, {}, exported_at, file.mode, file.time_zone, file.complete_for
    )  # fmt: skip
    return _Laid(source, read, grid, found, "", tuple(said), (warning,) if warning else ())


def _typed_alone(laid: _Laid) -> FileRead:
    return _typed_together([laid])[0]


def _typed_together(laid: Sequence[_Laid]) -> list[FileRead]:
    """Files of one form, typed as one: where there are several their lines say which is which, as with sheets (files.SHEET)."""
    one = laid[0]
    grid = one.grid if len(laid) == 1 else text.together([each.grid for each in laid])
    tables: list[dict[str, TableRead]] = [{} for _ in laid]
    if one.found is None:
        shapes, untaken = [mapped_rows.canonical(one.table, grid)], grid.rows.clear()
    else:
        shapes, untaken = mapped_rows.by_layout(one.found, grid)
    rules = one.found.tables if one.found else [None]
    for rule, shaped in zip(rules, shapes, strict=True):
        parts = _typed(shaped, grid, rule, one.found.file if one.found else None, len(laid))
        for into, part in zip(tables, parts, strict=True):
            into[shaped.table] = _joined(into[shaped.table], part) if shaped.table in into else part
    late = [each.late for each in laid]
    if untaken.height:
        refused = untaken.select("line", column=pl.lit(None, pl.String), reason=pl.lit(NO_TABLE))
        refused = refused.with_columns(grid.origin.raw(untaken).alias("raw"))
        item = pl.int_range(pl.len(), dtype=pl.Int64).alias("item")
        for n, lost in enumerate(_parted(refused, len(laid))):
            if lost.height:
                none = pl.DataFrame(schema={"line": pl.Int64})
                tables[n][NOWHERE] = TableRead.of(none, lost.select("line", item, "column", "reason", "raw"))
                late[n] = (f"{lost.height} rows: {NO_TABLE}", *late[n])
    return [
        dataclasses.replace(each.read, message="; ".join([*each.said, *more]) or None, tables=made)
        for each, more, made in zip(laid, late, tables, strict=True)
    ]


def _parted(rows: pl.DataFrame, files: int) -> list[pl.DataFrame]:
    """The rows of each of several files, which follow each other, with the lines that they have there."""
    if files == 1:
        return [rows]
    ends = _ends(rows["line"], files)
    rows = rows.with_columns(pl.col("line") % SHEET)
    return [rows[start:end] for start, end in itertools.pairwise([0, *ends])]


def _ends(lines: pl.Series, files: int) -> list[int]:
    """Where the rows of each of several files end."""
    ends: list[int] = np.searchsorted(lines.to_numpy() // SHEET, np.arange(files), side="right").tolist()
    return ends


def _joined(one: TableRead, other: TableRead) -> TableRead:
    """Two [[tables]] entries of one layout that feed one table."""
    shift = max(one.refused["item"].to_list(), default=-1) + 1
    refused = other.refused.with_columns(pl.col("item") + shift)
    return TableRead(
        pl.concat([one.rows, other.rows], how="diagonal"),
        pl.concat([one.refused, refused], how="diagonal"),
        one.height + other.height,
        _added([one, other]),
        respelled=one.respelled + other.respelled,
    )


def _exported_at(source: Source, found: layout.Layout, grid: text.Grid) -> tuple[datetime | None, str | None]:
    rule = found.file.exported_at
    assert rule is not None
    spec = cast.Spec(formats=(rule.format,), century=found.file.century, months=found.file.months)
    info = ColumnInfo("exported_at", "datetime", "")
    if rule.name_pattern is not None:
        # by the engine that does not try again and again: a pattern cannot stop a run
        cells = pl.select(pl.lit(source.name).str.extract(rule.name_pattern, 1).alias(info.name)).to_series()
        lost = say("exported_at_name", layout=found.name, pattern=rule.name_pattern)
    else:
        cells = grid.rows[grid.names()[str(rule.column)]].alias(info.name)
        lost = say("exported_at_column", layout=found.name, column=rule.column)
    latest = None
    if rule.name_pattern is None or rule.format not in cast.SERIALS:
        latest = (
            cells.to_frame().select(cast.usual(info, spec).max()).item() or cast.cast(info, cells, spec).values.max()
        )
    return (latest, None) if isinstance(latest, datetime) else (None, lost)


def _typed(
    shaped: mapped_rows.Shaped,
    grid: text.Grid,
    rule: layout.Table | None = None,
    file: layout.File | None = None,
    files: int = 1,
) -> list[TableRead]:
    """Cast, default, weigh, check: of each of `files` the rows that may be used and the refused ones with all their reasons."""
    specs = shaped.specs
    infos = validate.columns(shaped.table)
    filled = {info.name: pl.lit(info.default) for info in infos if info.default is not None}
    values = {
        info.name: cast.usual(info, specs.get(info.name)).cast(info.dtype)
        if shaped.rows[info.name].null_count() < shaped.rows.height
        else pl.lit(None, info.dtype)  # a column that is absent or empty
        for info in infos
    }
    for name, given in filled.items():
        values[name] = pl.when(pl.col(name).is_null()).then(given).otherwise(values[name])
    volumes = [name for name, spec in specs.items() if spec.volume and name in values]
    wanted = [value.alias(name) for name, value in values.items()]
    frame = validate.picked(
        shaped.rows, [pl.col("line"), *wanted, *(pl.lit(True).alias(f"{one}@ml") for one in volumes)]
    )
    failures, more = [shaped.failures, _damage(shaped.rows)], []
    ends = _ends(shaped.rows["line"], files) if files > 1 else [frame.height]
    respelled = np.zeros(files, int)
    for info in infos:
        cells = shaped.rows[info.name]
        if frame[info.name].null_count() == (0 if info.name in filled else cells.null_count()):
            continue
        if cast.is_id(info):
            cells, other = cast.composed(cells)
            respelled += np.bincount(np.searchsorted(ends, other, side="right"), minlength=files)
        done = cast.cast(info, cells, specs.get(info.name))
        one = done.values.cast(info.dtype).alias(info.name)
        if info.name in filled:
            one = pl.select(pl.when(cells.is_null()).then(filled[info.name]).otherwise(one)).to_series()
        more += [one] if done.aware is None else [one, done.aware.alias(f"{info.name}@utc")]
        failures.append(done.failures)
    frame = frame.with_columns(more) if more else frame
    found = pl.concat(one for one in failures if one.height) if any(map(len, failures)) else cast.no_failures()
    if rule is not None and shaped.table in layout.WEIGHED and file is not None:
        frame, found = _weighed(frame, found, shaped, rule, file, grid)
    rows, refused = _split(shaped, frame, found, grid)
    if files == 1:
        return [TableRead.of(rows, refused, int(respelled[0]))]
    lost = [refused] * files
    if refused.height:
        shift = pl.Series([0, *ends[:-1]]).gather(refused["line"] // SHEET)
        lost = _parted(refused.with_columns(pl.col("item") - shift), files)
    shops: list[dict[str, int]] = [{} for _ in range(files)]
    if "shop_id" in rows.columns:
        for n, shop, held in rows.group_by(pl.col("line") // SHEET, "shop_id").len().iter_rows():
            if shop is not None:
                shops[n][shop] = held
    return [
        TableRead(part.lazy(), lost[n], part.height, shops[n], respelled=int(respelled[n]))
        for n, part in enumerate(_parted(rows, files))
    ]


def _damage(rows: pl.DataFrame) -> pl.DataFrame:
    if rows["damage"].null_count() == rows.height:
        return cast.no_failures()
    return (
        rows.with_row_index("@row")
        .filter(pl.col("damage").is_not_null())
        .select(
            pl.col("@row").cast(pl.Int64).alias("row"),
            pl.lit(None, pl.String).alias("column"),
            pl.col("damage").alias("reason"),
        )
    )


def _split(
    shaped: mapped_rows.Shaped, frame: pl.DataFrame, found: pl.DataFrame, grid: text.Grid
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Accepted and refused rows: everything validation says is added, but for cells that already have a reason."""
    table = shaped.table
    names = [info.name for info in validate.columns(table)]
    said = validate.check(table, frame).failures
    if said.height:
        said = said.join(found.select("row", "column"), on=["row", "column"], how="anti", nulls_equal=True)
        damaged = found.filter(pl.col("column").is_null()).select("row")
        said = said.join(damaged, on="row", how="anti")
        said = pl.concat([_told(part, shaped) for part in said.partition_by("column")]) if said.height else said
        found = pl.concat([found, said])
    if found.is_empty():
        return frame, _none_refused(table)
    bad = found["row"].unique().sort()
    mask = pl.Series([False]).new_from_index(0, frame.height).scatter(bad, True)
    refused = (
        frame.select("line", *names)
        .with_row_index("item")
        .with_columns(pl.col("item").cast(pl.Int64))
        .filter(mask)
        .with_columns(_raw(frame, mask, grid))
    )
    refused = (
        found.unique()
        .rename({"row": "item"})
        .join(refused, on="item", how="left")
        .select("line", "item", "column", "reason", "raw", *names)
        .sort("item", "column", "reason", nulls_last=True)
    )
    return frame.filter(~mask), refused


@cache
def _none_refused(table: str) -> pl.DataFrame:
    """No refused row of a table."""
    told = {"line": pl.Int64, "item": pl.Int64, "column": pl.String, "reason": pl.String, "raw": pl.String}
    return pl.DataFrame(schema=told | {info.name: info.dtype for info in validate.columns(table)})


def _raw(frame: pl.DataFrame, mask: pl.Series, grid: text.Grid) -> pl.Series:
    lines = frame.filter(mask).select("line")
    distinct = lines.unique()
    rows = grid.rows.join(distinct, on="line", how="semi").sort("line")
    raw = pl.DataFrame({"line": rows["line"], "raw": grid.origin.raw(rows)})
    return lines.join(raw, on="line", how="left", maintain_order="left")["raw"]


def _told(said: pl.DataFrame, shaped: mapped_rows.Shaped) -> pl.DataFrame:
    """Validation's words with the column and the cell in front: "share: '1.5' must be at most 1"."""
    column = said["column"][0]
    if column is None or column not in shaped.rows.columns:
        return said
    unit = shaped.specs.get(column, cast.Spec()).unit
    cells = shaped.rows[column].gather(said["row"])
    return said.with_columns(
        pl.Series(
            "reason",
            [
                f"{column}: {reason}"
                if cell is None
                else f"{column}: '{shown(cell, 80)}'{' ' + unit if unit else ''}{' ' if reason.startswith('must') else ': '}{reason}"
                for cell, reason in zip(cells, said["reason"], strict=True)
            ],
            dtype=pl.String,
        )
    )


def _weighed(
    frame: pl.DataFrame,
    found: pl.DataFrame,
    shaped: mapped_rows.Shaped,
    rule: layout.Table,
    file: layout.File,
    grid: text.Grid,
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Tare taken off, cumulative weights turned into what each pour added (grams)."""
    column = layout.WEIGHED[shaped.table]
    if rule.tare is not None:
        info = ColumnInfo(rule.tare.column, "float", "", "g")
        _, factor = layout.unit_of(info, rule.tare.unit, {})
        spec = cast.Spec(factor=factor, decimal=file.decimal, thousands=file.thousands, typed=grid.typed)
        cells = shaped.rows[mapped_rows.TARE]
        done = cast.cast(info, cells, spec)
        empty = cells.is_null() & shaped.rows["damage"].is_null()
        lacks = f"{rule.tare.column}: must not be empty: the tare is taken off the weight"
        found = pl.concat([found, done.failures, cast.failures_of(rule.tare.column, cells, empty, lambda _: lacks)])
        tare = done.values
    elif rule.tare_g is not None:
        tare = pl.repeat(rule.tare_g, frame.height, dtype=pl.Float64, eager=True)
    else:
        tare = None
    if rule.weights == "incremental":
        return (frame.with_columns(pl.col(column) - tare) if tare is not None else frame), found
    # The order in a cup: its pour numbers where the export has them, else time. Where one of them cannot be read the
    # order of the file stands for the whole cup.
    cup = [mapped_rows.FILE, "shop_id", "mix_id"]
    by = "poured_at" if rule.columns["pour_no"].number_within is not None else "pour_no"
    told = pl.col(by).is_not_null().all().over(cup)
    work = (
        frame.with_row_index("@row")
        .with_columns(
            (tare if tare is not None else pl.lit(0.0)).alias("@tare"),
            pl.when(told).then(pl.col(by)).alias("@order"),
            (pl.col("mix_id").shift(1).is_null() & (mapped_rows.FILE == mapped_rows.FILE.shift(1)))
            .fill_null(False)
            .alias("@stray"),
        )
        .sort("@order", "@row")
    )
    before = pl.col(column).shift(1).over(cup)
    first = pl.int_range(pl.len()).over(cup) == 0
    work = work.with_columns(
        pl.when(first).then(pl.col(column) - pl.col("@tare")).otherwise(pl.col(column) - before).alias("@net"),
        (~first & before.is_null()).alias("@unread"),
    ).sort("@row")
    # after a row whose cup cannot be read, a difference might span that row
    unread = (work["@unread"] | work["@stray"] | frame["mix_id"].is_null()) & frame[column].is_not_null()
    failures = cast.failures_of(column, shaped.rows[column], unread, lambda _: say("before_unread", column=column))
    return frame.with_columns(work["@net"].alias(column)), pl.concat([found, failures])


# --- the raw text of rows that are refused later ---------------------------------------------------------------------


def raw_lines(
    read: FileRead, source: Source, layouts: list[layout.Layout], lines: list[int], kept_as: Callable[[str], str] = str
) -> dict[int, str]:
    """The original text of some rows of a file by their line; {} where the file is not what was read any more. `kept_as`: how the name
    of a sheet stands in `read`."""
    wanted = pl.Series(lines, dtype=pl.Int64).implode()
    found: dict[int, list[str]] = {}
    try:
        if source.sha256 != read.sha256:
            return {}
        opened = _Opened(source, Options(max_file_mb=1e9))
        named = [x for x in _claims(opened, layouts)[0] if x.name in _names(read)]
        for sheet, grid in _grids(opened, named):
            if grid is None and opened.kind == "text" and not named:
                found.clear()
                grid = opened.plain()
            if grid is None or (read.sheets and kept_as(str(sheet)) not in read.sheets):
                continue
            shift = read.sheets.index(kept_as(str(sheet))) * SHEET if read.sheets else 0
            rows = grid.rows.filter((pl.col("line") + shift).is_in(wanted))
            for line, raw in zip(rows["line"].to_list(), grid.origin.raw(rows).to_list(), strict=True):
                found.setdefault(line + shift, []).append(raw)
    except (FileRefused, OSError):
        return {}
    return {line: " | ".join(raws) for line, raws in found.items()}


def _names(read: FileRead) -> list[str]:
    return (read.layout or "").split(" + ")


def _grids(opened: _Opened, named: list[layout.Layout]) -> Iterator[tuple[str | None, text.Grid | None]]:
    """The rows of a file with the sheet they stand on, as the layouts that claim it see them."""
    if named:
        yield from ((opened.sheet_of(x.file) if opened.kind == ".xlsx" else None, opened.grid_of(x)) for x in named)
    elif opened.kind == ".xlsx":
        yield from ((name, opened.plain_sheet(name)) for name in opened.filled_sheets())
    elif opened.source.is_register:
        yield None, opened.plain()
    else:
        yield from ((None, grid) for grid in opened.plain_parts(PIECE))


# --- to and from plain frames, for whoever keeps what was read --------------------------------------------------------


def _rows_name(no: int) -> str:
    return f"{no}_rows"


def packed(reads: Sequence[FileRead], there: Container[str] = ()) -> tuple[dict[str, Any], dict[str, pl.DataFrame]]:
    """Files as a JSON-ready dict and frames by name, one file behind the other, for a store that has the frames `there` already, which
    were put away; `unpack` is the way back."""
    tables = list(dict.fromkeys(name for read in reads for name in read.tables))
    files = []
    for read in reads:
        told = {one.name: getattr(read, one.name) for one in fields(read)}
        told |= {name: list(said) for name, said in told.items() if isinstance(said, tuple)}
        told["exported_at"] = read.exported_at.isoformat() if read.exported_at else None
        told["tables"] = {
            name: [one.height, dict(sorted(one.shops.items())), one.respelled, one.refused.height]
            for name, one in read.tables.items()
        }
        files.append(told)
    frames = {}
    for no, name in enumerate(tables):
        parts = [read.tables[name] for read in reads if name in read.tables]
        if _rows_name(no) not in there:
            every = pl.concat([part.rows for part in parts], how="diagonal")
            frames[_rows_name(no)] = every.with_columns(cs.ends_with("@utc", "@ml").fill_null(False)).collect()
        if lost := [part.refused for part in parts if part.refused.height]:
            frames[f"{no}_refused"] = pl.concat(lost, how="diagonal")
    return {"tables": tables, "files": files}, frames


def unpack(meta: Mapping[str, Any], frames: Mapping[str, pl.LazyFrame]) -> list[FileRead]:
    """The files that `packed` took apart, their rows left where they are."""
    lost = {name: rows.collect() for name, rows in frames.items() if name.endswith("_refused")}
    began: Counter[str] = Counter()

    def start(name: str, height: int) -> int:
        began[name] += height
        return began[name] - height

    def one(table: str, height: int, shops: dict[str, int], respelled: int, refused: int) -> TableRead:
        no = meta["tables"].index(table)
        rows, gone = _rows_name(no), f"{no}_refused"
        own = frames[rows].slice(start(rows, height), height) if len(meta["files"]) > 1 else frames[rows]
        none = lost[gone].slice(start(gone, refused), refused) if refused else _none_refused(table)
        return TableRead(own, none, height, shops, True, respelled)

    found = []
    for told in meta["files"]:
        exported = datetime.fromisoformat(told["exported_at"]) if told["exported_at"] else None
        tables = {name: one(name, *numbers) for name, numbers in told["tables"].items()}
        lists = {name: tuple(told[name]) for name in ("refused_parts", "sheets")}
        found.append(FileRead(**{**told, **lists, "tables": tables, "exported_at": exported}))
    return found
