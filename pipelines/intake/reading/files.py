"""One file of inbox/ or registers/ by its path inside the workspace, and its bytes: nothing is understood here.

Which files there are is said by workspace/contents.py.
"""

import hashlib
import io
import re
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import IO, Any

from pipelines.intake.messages import say
from pipelines.workspace.checksums import open_plain, read_plain, sha256_file

TEXTS = (".csv", ".tsv", ".txt")
ENDINGS = (*TEXTS, ".parquet", ".xlsx")
#: unpacked sizes above this (bytes) must not be more than MAX_RATIO times the packed size
RATIO_FROM = 100_000_000
MAX_RATIO = 200
#: bytes of a text without a line end that no row has
MOST_LINE = 1 << 20
MOST_COLUMNS = 2000  # of a header
_FED = 1 << 16  # packed bytes that are unpacked at a time
#: where several sheets of a workbook feed one table, a row of the n-th sheet (from 0) carries the line n * SHEET + row
SHEET = 1 << 40


class FileRefused(ValueError):
    """A file that cannot be used; the text says why and what to do."""


@dataclass(frozen=True)
class Source:
    """One file. `file` is its path inside the workspace, with '/' (inbox/a/b.csv); `path` where it is on disk, or
    `content` its bytes. `trouble` says why it must not be opened."""

    file: str
    path: Path | None = None
    content: bytes | None = None
    trouble: str | None = None

    @property
    def at(self) -> Path:
        """Where it is on disk, if it is."""
        assert self.path is not None
        return self.path

    @cached_property
    def data(self) -> bytes:
        return self.content if self.content is not None else read_plain(self.at)

    @cached_property
    def sha256(self) -> str:
        if self.content is not None or "data" in self.__dict__:
            return hashlib.sha256(self.data).hexdigest()
        return sha256_file(self.at)  # a file that is too large to be read is still known by its content

    @property
    def size(self) -> int:
        """Bytes as it stands, packed or not."""
        return len(self.content) if self.content is not None else self.at.stat().st_size

    @property
    def start(self) -> bytes:
        """Its first bytes."""
        if self.content is not None or "data" in self.__dict__:
            return self.data[:8]
        with open_plain(self.at) as handle:
            return handle.read(8)

    @property
    def name(self) -> str:
        """The file's name without folders."""
        return self.file.rsplit("/", 1)[-1]

    @property
    def below(self) -> str:
        """The path below inbox/ or registers/."""
        return self.file.split("/", 1)[-1]

    @property
    def is_register(self) -> bool:
        return self.file.startswith("registers/")

    @property
    def packed(self) -> bool:
        """Whether its bytes are gzipped."""
        return self.name.lower().endswith(".gz")

    @property
    def plain_name(self) -> str:
        """The name without .gz."""
        return self.name[:-3] if self.packed else self.name

    @property
    def ending(self) -> str:
        """The ending that says how to read it, in lower case: .csv, .xlsx, ... ('' if there is none)."""
        name = self.plain_name.lower()
        return name[name.rfind(".") :] if "." in name else ""

    @property
    def stem(self) -> str:
        """The name without its endings: 'pours_2026' of pours_2026.csv.gz."""
        name = self.plain_name
        return name[: name.rfind(".")] if "." in name else name


def natural(text: str) -> tuple[tuple[int, int, str], ...]:
    """A sort key in natural order: numbers inside a name by their value ('b9' before 'b10'), letters without case."""
    parts = re.split(r"([0-9]+)", text)
    return tuple((0, int(p), p) if p.isdigit() and p.isascii() else (1, 0, p.casefold()) for p in parts if p)


def natural_order(file: str) -> tuple[object, ...]:
    """The order of exports without a time of export: by name without ending, then whole name, then whole path."""
    source = Source(file)
    return (natural(source.stem), natural(source.name), natural(file), file)


def within(source: Source, limit_mb: float) -> None:
    """Raises FileRefused: empty, or larger than the limit as it stands."""
    if not source.size:
        raise FileRefused(say("empty_file"))
    if source.size > int(limit_mb * 1_000_000):
        raise FileRefused(say("too_large", size_mb=source.size / 1e6, limit_mb=limit_mb))


def unpacked(source: Source, limit_mb: float) -> bytes:
    """The bytes of a source, unpacked where it is gzipped. Never more than `limit_mb` is unpacked.

    Raises FileRefused: empty, larger than the limit, or not a gzip file.
    """
    within(source, limit_mb)
    data = b"".join(_gunzip(source, limit_mb)) if source.packed else source.data
    if not data:
        raise FileRefused(say("empty_file"))
    return data


def stream(source: Source, limit_mb: float) -> IO[bytes]:
    """The bytes of a source from its start, unpacked where it is gzipped; reading it raises FileRefused where `_gunzip` does."""
    if source.packed:
        return io.BufferedReader(_Unpacked(_gunzip(source, limit_mb)), MOST_LINE)
    return io.BytesIO(source.content) if source.content is not None else open_plain(source.at)


class _Unpacked(io.RawIOBase):
    """Pieces of bytes as a file."""

    def __init__(self, found: Iterator[bytes]) -> None:
        self._found, self._held = found, memoryview(b"")

    def readable(self) -> bool:
        return True

    def readinto(self, into: Any) -> int:
        self._held = self._held or memoryview(next(self._found, b""))
        n = min(len(into), len(self._held))
        into[:n], self._held = self._held[:n], self._held[n:]
        return n


def lines_end(source: Source, limit_mb: float) -> int:
    """How many bytes of text a source holds. Raises FileRefused where it goes on for more than MOST_LINE bytes without a line end:
    laid out in columns it would take a thousand times as much. A look in pieces, for the file may be large."""
    since = size = 0
    endless = False
    with stream(source, limit_mb) as handle:
        while piece := handle.read(MOST_LINE // 2):
            size += len(piece)
            first = min((at for at in (piece.find(b"\n"), piece.find(b"\r")) if at >= 0), default=len(piece))
            endless = endless or since + first > MOST_LINE
            if endless and not source.packed:  # of a packed one it is not known yet whether it is too large
                break
            last = max(piece.rfind(b"\n"), piece.rfind(b"\r"))
            since = since + len(piece) if last < 0 else len(piece) - last - 1
    if endless or not size:
        raise FileRefused(say("endless", most=MOST_LINE) if endless else say("empty_file"))
    return size


def pieces(source: Source, limit_mb: float, most: int, head: int) -> Iterator[bytes]:
    """The bytes of a text, some `most` at a time: each piece ends behind a line end where as many quotes stand before it as close,
    the first holds at least `head` lines; one piece where no such place is found soon."""
    with stream(source, limit_mb) as handle:
        began = b"".join(handle.readline() for _ in range(head))
        while piece := began + handle.read(max(0, most - len(began))):
            lines = [piece, handle.readline()] if not piece.endswith(b"\n") else [piece]
            odd, size = sum(line.count(b'"') for line in lines) % 2, 0
            while odd and size < most and (line := handle.readline()):
                lines.append(line)
                odd, size = (odd + line.count(b'"')) % 2, size + len(line)
            yield b"".join(lines)
            began = b""


def _gunzip(source: Source, limit_mb: float) -> Iterator[bytes]:
    """What all members of a gzip file hold (RFC 1952), piece by piece, stopping as soon as the limit is passed: text packs to a
    tenth, not to a thousandth, and what unpacks to more is stopped before it fills the memory."""
    limit, size, rest = int(limit_mb * 1_000_000), 0, b""
    unpacker = zlib.decompressobj(wbits=31)
    try:
        with io.BytesIO(source.content) if source.content is not None else open_plain(source.at) as handle:
            while rest := rest or handle.read(_FED):
                if unpacker.eof:
                    rest = rest.lstrip(b"\0")  # padding between and after members is allowed
                    unpacker = zlib.decompressobj(wbits=31) if rest else unpacker
                    continue
                piece = unpacker.decompress(rest, MOST_LINE)
                rest = unpacker.unused_data if unpacker.eof else unpacker.unconsumed_tail
                size += len(piece)
                if size > limit:
                    raise FileRefused(say("too_large_over", limit_mb=limit_mb))
                if size > RATIO_FROM and size > MAX_RATIO * handle.tell():
                    raise FileRefused(say("bomb", times=MAX_RATIO))
                yield piece
            yield unpacker.flush()
        if not unpacker.eof:
            raise FileRefused(say("gzip", why="it ends in the middle"))
    except zlib.error as error:
        raise FileRefused(say("gzip", why=str(error))) from None
