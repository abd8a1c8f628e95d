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

from pipelines.intake.messages import say

ENDINGS = (".csv", ".tsv", ".txt", ".parquet", ".xlsx")
#: unpacked sizes above this (bytes) must not be more than MAX_RATIO times the packed size
RATIO_FROM = 100_000_000
MAX_RATIO = 200
#: bytes of a text without a line end that no row has
MOST_LINE = 1 << 20
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
        return self.content if self.content is not None else self.at.read_bytes()

    @cached_property
    def sha256(self) -> str:
        if self.content is not None or "data" in self.__dict__:
            return hashlib.sha256(self.data).hexdigest()
        with open(self.at, "rb") as handle:  # a file that is too large to be read is still known by its content
            return hashlib.file_digest(handle, "sha256").hexdigest()

    @property
    def size(self) -> int:
        """Bytes as it stands, packed or not."""
        return len(self.content) if self.content is not None else self.at.stat().st_size

    @property
    def start(self) -> bytes:
        """Its first bytes."""
        if self.content is not None:
            return self.content[:8]
        with open(self.at, "rb") as handle:
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
    data = _gunzip(source.data, int(limit_mb * 1_000_000), limit_mb) if source.packed else source.data
    if not data:
        raise FileRefused(say("empty_file"))
    return data


def lines_end(source: Source, data: bytes | None) -> None:
    """Raises FileRefused where a text goes on for more than MOST_LINE bytes without a line end: laid out in columns it would take
    a thousand times as much. `data`: what it holds where it was packed. A look in pieces, for the file may be large."""
    since = 0
    with (
        io.BytesIO(data if data is not None else source.data)
        if data is not None or source.content is not None
        else open(source.at, "rb") as handle
    ):
        while piece := handle.read(MOST_LINE // 2):
            first = min((at for at in (piece.find(b"\n"), piece.find(b"\r")) if at >= 0), default=len(piece))
            if since + first > MOST_LINE:
                raise FileRefused(say("endless", most=MOST_LINE))
            last = max(piece.rfind(b"\n"), piece.rfind(b"\r"))
            since = since + len(piece) if last < 0 else len(piece) - last - 1


def pieces(source: Source, most: int, head: int) -> Iterator[bytes]:
    """The bytes of a text that is not packed, some `most` at a time: each piece ends behind a line end where as many quotes
    stand before it as close, the first holds at least `head` lines; one piece where no such place is found soon."""
    opened = io.BytesIO(source.content) if source.content is not None else open(source.at, "rb")
    with opened as handle:
        began = b"".join(handle.readline() for _ in range(head))
        while piece := began + handle.read(max(0, most - len(began))):
            lines = [piece, handle.readline()] if not piece.endswith(b"\n") else [piece]
            odd, size = sum(line.count(b'"') for line in lines) % 2, 0
            while odd and size < most and (line := handle.readline()):
                lines.append(line)
                odd, size = (odd + line.count(b'"')) % 2, size + len(line)
            yield b"".join(lines)
            began = b""


def _gunzip(data: bytes, limit: int, limit_mb: float) -> bytes:
    """All members of a gzip file (RFC 1952), stopping as soon as the limit is passed."""
    pieces, size, rest = [], 0, data
    try:
        while rest:
            unpacker = zlib.decompressobj(wbits=31)
            # text packs to a tenth, not to a thousandth: what unpacks to more is stopped before it fills the memory
            most = min(limit, max(RATIO_FROM, MAX_RATIO * len(data)))
            piece = unpacker.decompress(rest, most - size + 1)
            pieces.append(piece)
            size += len(piece)
            if most < size <= limit:
                raise FileRefused(say("bomb", times=MAX_RATIO))
            if size > limit:
                raise FileRefused(say("too_large_over", limit_mb=limit_mb))
            if not unpacker.eof:
                raise FileRefused(say("gzip", why="it ends in the middle"))
            rest = unpacker.unused_data.lstrip(b"\0")  # padding between and after members is allowed
    except zlib.error as error:
        raise FileRefused(say("gzip", why=str(error))) from None
    return b"".join(pieces)
