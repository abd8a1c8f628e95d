"""Where a name stands in files of any kind, and writing a file anew without it.

Here belongs how bytes of a kind (text, packed, a workbook, parquet, a database) are opened for that. Not here: which names
(pseudonyms), and which files may be touched (pipelines/forgetting.py).
"""

from __future__ import annotations

import contextlib
import gzip
import io
import itertools
import os
import sqlite3
import zipfile
import zlib
from collections.abc import Callable, Iterable, Iterator, Mapping
from pathlib import Path

from pipelines.workspace.checksums import read_plain
from pipelines.workspace.contents import Input
from pipelines.workspace.paths import Workspace
from pipelines.workspace.pseudonyms import Forgotten
from pipelines.workspace.refusals import told, write_atomically

MOST = 1 << 31  # bytes that are unpacked of one file
_SQLITE, _ZIP, _GZIP, _PARQUET = b"SQLite format 3\0", b"PK\x03\x04", b"\x1f\x8b", b"PAR1"


class NotText(Exception):
    """A file of a kind that cannot be written anew."""


def decoded(raw: bytes) -> tuple[str, str]:
    """A text and its encoding. Raises NotText."""
    if raw.startswith((b"\xff\xfe", b"\xfe\xff")):
        with contextlib.suppress(UnicodeDecodeError):
            return raw.decode("utf-16"), "utf-16"
    if b"\0" in raw[:4096]:
        raise NotText
    for encoding in ("utf-8", "cp1252", "latin-1"):
        with contextlib.suppress(UnicodeDecodeError):
            return raw.decode(encoding), encoding
    raise NotText


def spoken(full: Path) -> Iterator[tuple[str, str]]:
    """What a file says, piece by piece, with the place of each ("line 3", "sheet 'March', row 2", ""). Never raises for what a file holds:
    what cannot be opened says its bytes as they are."""
    try:
        raw = read_plain(full)
    except OSError:
        return
    try:
        if raw.startswith(_GZIP):
            raw = gzip.decompress(raw)
        if raw.startswith(_PARQUET):
            yield from _rows(raw)
        elif raw.startswith(_ZIP):
            yield from _parts(raw)
        else:
            for number, line in enumerate(decoded(raw)[0].splitlines(), start=1):
                yield f"line {number}", line
    except (NotText, OSError, EOFError, zlib.error, zipfile.BadZipFile, ValueError):
        yield "", raw.decode("latin-1")


def _rows(raw: bytes) -> Iterator[tuple[str, str]]:
    import polars as pl

    try:
        frame = pl.read_parquet(io.BytesIO(raw), hive_partitioning=False)
    except Exception as error:
        raise NotText from error
    texts = frame.select(pl.col(pl.String, pl.Categorical))
    yield "header", " ".join(frame.columns)
    for number, row in enumerate(texts.iter_rows(), start=1):
        yield f"row {number}", " | ".join(str(cell) for cell in row if cell is not None)


def _parts(raw: bytes) -> Iterator[tuple[str, str]]:
    """A workbook row by row, sheets by name; any other archive part by part."""
    with zipfile.ZipFile(io.BytesIO(raw)) as archive:
        names = archive.namelist()
        if "xl/workbook.xml" not in names:
            for name in names:
                yield name, f"{name}\n{archive.read(name).decode('utf-8', 'replace')}"
            return
    import fastexcel

    book = fastexcel.read_excel(raw)
    for sheet in book.sheet_names:
        yield f"name of the sheet '{sheet}'", sheet
        cells = book.load_sheet(sheet, header_row=None, skip_rows=0, dtypes="string", dtype_coercion="coerce")
        for number, row in enumerate(cells.to_polars().iter_rows(), start=1):
            yield f"sheet '{sheet}', row {number}", " | ".join(cell for cell in row if cell)


def as_written(people: Forgotten, texts: Mapping[str, str], files: Iterable[Input]) -> dict[str, str]:
    """Texts of layouts as they stood before names were replaced in them, as far as the shop's files hold those names still; names of the
    registers, and of paths, are met on the way."""
    files = [one for one in files if not one.trouble]

    def said(top: str) -> Iterator[str]:
        for one in files:
            if one.path.startswith(top):
                yield one.path
                yield from (text for _, text in spoken(one.full))

    if people:
        people.meet(itertools.chain((one.path for one in files), said("registers/")))
    return {path: people.restored(text, said("")) for path, text in texts.items()}


def rewritten(full: Path, change: Callable[[str], str]) -> bool:
    """Write a file anew, whole or not at all, where `change` changes what it says. Returns whether it was. Raises NotText where it is of
    a kind that cannot be written anew, WorkspaceError where the system refuses."""
    with told(f"write {full}"):
        with open(full, "rb") as handle:
            start = handle.read(16)
        if start == _SQLITE:
            return _database(full, change)
        raw = full.read_bytes()
        new = changed(raw, change)
        if new == raw:
            return False
        mode = full.stat().st_mode
        write_atomically(full, new)
        full.chmod(mode)
        return True


def changed(raw: bytes, change: Callable[[str], str]) -> bytes:
    """The bytes of a file with its texts changed. Raises NotText."""
    try:
        if raw.startswith(_GZIP):
            return _again(raw, gzip.decompress(raw), change, lambda new: gzip.compress(new, mtime=0))
        if raw.startswith(_ZIP):
            return _archive(raw, change)
        if raw.startswith(_PARQUET):
            raise NotText
        text, encoding = decoded(raw)
    except (OSError, EOFError, zlib.error, zipfile.BadZipFile) as error:
        raise NotText from error
    lines = text.splitlines(keepends=True)
    new = "".join(map(change, lines))
    return raw if new == text else new.encode(encoding, "xmlcharrefreplace")


def _again(raw: bytes, inner: bytes, change: Callable[[str], str], pack: Callable[[bytes], bytes]) -> bytes:
    new = changed(inner, change)
    return raw if new == inner else pack(new)


def _archive(raw: bytes, change: Callable[[str], str]) -> bytes:
    out = io.BytesIO()
    same = True
    with zipfile.ZipFile(io.BytesIO(raw)) as old, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as new:
        for part in old.infolist():
            content = old.read(part)
            try:
                put = changed(content, change)
            except NotText:
                put = content
            name = change(part.filename)
            same = same and put == content and name == part.filename
            part.filename = name
            new.writestr(part, put, zipfile.ZIP_DEFLATED)
    return raw if same else out.getvalue()


def _database(full: Path, change: Callable[[str], str]) -> bool:
    """The texts of an SQLite file; what was overwritten is wiped."""
    try:
        with contextlib.closing(sqlite3.connect(full, isolation_level=None, timeout=30)) as base:
            base.execute("PRAGMA secure_delete = ON")
            base.create_function(
                "changed", 1, lambda cell: change(cell) if isinstance(cell, str) else cell, deterministic=True
            )
            tables = base.execute(
                "SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite_%'"
            ).fetchall()
            before = base.total_changes
            base.execute("BEGIN IMMEDIATE")
            for (table,) in tables:
                for _, column, *_ in base.execute(f"PRAGMA table_info({_quoted(table)})").fetchall():
                    at = _quoted(column)
                    base.execute(
                        f"UPDATE {_quoted(table)} SET {at} = changed({at}) WHERE typeof({at}) = 'text' AND changed({at}) <> {at}"
                    )
            base.execute("COMMIT")
            done = base.total_changes > before
            base.execute("VACUUM")
            base.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            return done
    except sqlite3.Error as error:
        raise NotText(str(error)) from error


def _quoted(name: str) -> str:
    return '"' + name.replace('"', '""') + '"'


def holding(full: Path, holds: Callable[[str], bool]) -> bool:
    """Whether a file says something for which `holds` is true: in its text, unpacked where it is packed, or in its bytes as they are, read in
    each encoding."""
    try:
        raw = full.read_bytes()
    except OSError:
        return False
    if any(holds(raw.decode(encoding, "ignore")) for encoding in ("utf-8", "cp1252", "utf-16-le")):
        return True
    if raw.startswith((_GZIP, _ZIP, _PARQUET)):
        return any(holds(said) for _, said in spoken(full))
    return False


def files_below(space: Workspace, *left_out: Path) -> Iterator[Path]:
    """Every regular file of a workspace but those below these folders; no link is followed."""
    for folder, inner, names in os.walk(space.root):
        inner[:] = sorted(name for name in inner if Path(folder, name) not in left_out)
        for name in sorted(names):
            full = Path(folder, name)
            if full.is_file() and not full.is_symlink():
                yield full
