"""What must hold for any bytes at all: reading never raises, every line is accounted for, the books add up.

`one` takes bytes: the first chooses the kind of file and the layout, the rest is the content; `a_layout` and `some_settings` take the
text of a layout and of settings. They raise AssertionError on a finding. Used by the short test, by hypothesis and by `make fuzz`.
"""

from __future__ import annotations

import gzip
import io
import time
from functools import cache
from pathlib import Path

from pipelines.intake.bringing_together.merge import merge
from pipelines.intake.reading import layout, text
from pipelines.intake.reading.files import Source
from pipelines.intake.reading.read import FileRead, Options, packed, read_file, unpack

HEADER = "shop_id,mix_id,pour_no,poured_at,product_id,component_id,weighed_g"
OPTIONS = Options(time_zone="Europe/Vienna", max_file_mb=2.0)
LAYOUTS = [
    "",
    """[file]
header_line = "find"
delimiter = ";"
decimal = ","
thousands = "."
century = 1970
encoding = "windows-1252"
skip = [{ column = "Kind", pattern = "^Total" }]
[[tables]]
table = "pours"
where = { column = "Kind", is = ["P"] }
[tables.columns]
shop_id = { constant = "north" }
mix_id = { column = "Ticket", pattern = "T([0-9]+)" }
pour_no = { number_within = ["mix_id"] }
poured_at = { columns = ["Day", "Time"], format = ["%d.%m.%y %H:%M", "serial"] }
product_id = { constant = "clear_a" }
component_id = { column = "What", values = { a = "binder" }, otherwise = "keep" }
weighed_g = { column = "Net", unit = "oz", weights = "cumulative" }
""",
    """[file]
delimiter = "|"
encoding = "utf-16"
[[tables]]
table = "readings"
unpivot = { columns = ["R1", "R2"], into = "reading_um", unit = "mil", position = { reading_no = [1, 2] } }
[tables.columns]
shop_id = { constant = "north" }
job_id = "Job"
panel_id = { column = "Panel", prefix = "p-" }
taken_at = { column = "At", format = "%Y-%m-%dT%H:%M:%S%z" }
""",
]
#: bytes that once broke a reader
FOUND = Path(__file__).parent / "found"
FILES = ["inbox/pours.csv", "inbox/x.csv", "inbox/x.csv.gz", "registers/guns.csv", "inbox/x.parquet", "inbox/x.xlsx"]
REGISTERS = [
    ("registers/shops.csv", b"shop_id\nnorth\n"),
    ("registers/products.csv", b"product_id,role\nclear_a,clear\n"),
    ("registers/components.csv", b"component_id\nbinder\n"),
]


@cache
def _layouts(which: int) -> tuple[layout.Layout, ...]:
    return (layout.parse("fuzz.toml", LAYOUTS[which]),) if LAYOUTS[which] else ()


@cache
def _registers() -> tuple[FileRead, ...]:
    return tuple(read_file(Source(name, content=data), []) for name, data in REGISTERS)


def seeds() -> list[bytes]:
    """A small corpus: one good file of each kind, some that are known to be nasty, and what fuzzing once found."""
    import polars as pl

    good = HEADER + "\nnorth,a,1,2025-03-03 08:00,clear_a,binder,10\nnorth,a,2,2025-03-30 02:30,clear_a,binder,x\n"
    wide = (
        "scale\nKind;Ticket;Day;Time;What;Net\nP;T1;03.03.25;08:00;a;1.000,5\nP;T1;03.03.25;08:01;b;12\nTotal;;;;;3\n"
    )
    panels = "Job|Panel|At|R1|R2\nj|door+hood|2025-03-03T08:00:00+02:00|1|2\n"
    table = io.BytesIO()
    pl.DataFrame({"gun_id": ["a"], "weighed_g": [1.5]}).write_parquet(table)
    book = io.BytesIO()
    pl.DataFrame({"gun_id": ["a"], "shop_id": ["north"]}).write_excel(book)
    bodies = [
        (0, good.encode()), (0, b"\xef\xbb\xbf" + good.replace("\n", "\r\n").encode()), (0, good.encode("utf-16")),
        (1, good.replace(",", "\t").encode()), (2, gzip.compress(good.encode())), (3, b"# x\ngun_id,shop_id\n# a\n1,2\n"),
        (4, table.getvalue()), (5, book.getvalue()), (7, wide.encode()), (13, panels.encode("utf-16")),
        (0, (HEADER + '\n"a"b,"c\n,,"\n""",\n').encode()), (0, b"a,b\n" + b'"' * 9), (1, b"\r\r\n\x00"), (1, b"sep=;\n"),
    ]  # fmt: skip
    found = [path.read_bytes() for path in sorted(FOUND.glob("*.bin"))]
    return [*(bytes([kind]) + body for kind, body in bodies), *found]


KEYS = ["match_name", "delimiter", "encoding", "decimal", "thousands", "header_line", "skip", "block", "repeat_above", "sheet", "merged", "months",
        "century", "mode", "complete_for",
        "exported_at", "time_zone", "note", "table", "where", "unpivot", "column", "columns", "format", "unit", "pattern",
        "values", "otherwise", "prefix", "number_within",
        "constant", "weights", "tare", "tare_g", "position", "into", "is", "on", "of", "file", "name_pattern"]  # fmt: skip


def layout_seeds() -> list[bytes]:
    """Layouts that are known to be good, the demo's among them."""
    demo = Path(__file__).resolve().parents[2] / "seed_data" / "demo" / "layouts"
    return [*(text.encode() for text in LAYOUTS if text), *(full.read_bytes() for full in sorted(demo.rglob("*.toml")))]


def settings_seeds() -> list[bytes]:
    """The settings as `init` writes them, with and without their keys in force."""
    from pipelines import settings

    text = settings.template()
    bare = "\n".join(line.removeprefix("# ") if " = " in line else line for line in text.splitlines())
    return [text.encode(), bare.encode(), b"[cup]\nflush_loss_g = 5.0\n[pages]\npeople = 'hidden'\n"]


def a_layout(data: bytes) -> bool:
    """A layout of these bytes is refused with a sentence, or reads any file without an exception; and soon. Whether it was taken."""
    began, taken = time.process_time(), True
    try:
        found = layout.parse("fuzz.toml", data.decode("utf-8", "replace"))
    except layout.LayoutError as error:
        assert "fuzz.toml" in str(error)
        taken = False
    else:
        for name, content in _read_by_layouts():
            told = read_file(Source(name, content=content), [found], OPTIONS)
            assert " (in " not in (told.message or ""), told.message
    assert time.process_time() - began < 10, "too slow"
    return taken


@cache
def _read_by_layouts() -> tuple[tuple[str, bytes], ...]:
    return tuple((FILES[data[0] % len(FILES)], data[1:]) for data in (seeds()[0], *seeds()[8:10]))


def some_settings(data: bytes) -> bool:
    """Settings of these bytes are refused with a sentence that names the file, or can be used; and soon. Whether they were taken."""
    from pipelines import settings

    began, taken = time.process_time(), True
    try:
        settings.parse(data, "fuzz.toml").flat()
    except settings.SettingsError as error:
        assert "fuzz.toml" in str(error)
        taken = False
    assert time.process_time() - began < 10, "too slow"
    return taken


def one(data: bytes) -> bool:
    """Read and merge one file made of fuzzed bytes; see the module's docstring. Whether it was read."""
    if (read := read_one(data)) is None:
        return False
    taken = merge([*_registers(), read], OPTIONS)
    books = taken.intake_files
    states = books["accepted"] + books["refused"] + books["duplicate"] + books["superseded"]
    assert (books["rows_read"] == states).all()
    ours = books.filter(file=read.file)
    assert ours["rows_read"].sum() == sum(t.rows_read for t in read.tables.values())
    lines = taken.refused_rows.filter(file=read.file)
    assert lines.height <= ours["refused"].sum() and (lines.height > 0) == (ours["refused"].sum() > 0)
    assert (lines["reasons"].list.len() > 0).all()
    return read.state == "read"


def is_read(data: bytes) -> bool:
    """`read_one`, and whether the file was read."""
    read = read_one(data)
    return read is not None and read.state == "read"


def read_one(data: bytes) -> FileRead | None:
    """Read one file made of fuzzed bytes: a fiftieth of the work of `one`."""
    if not data:
        return None
    kind, content = data[0] % (len(FILES) * len(LAYOUTS)), data[1:]
    source = Source(FILES[kind % len(FILES)], content=content)
    layouts = list(_layouts(kind // len(FILES)))
    read = read_file(source, layouts, OPTIONS)
    assert " (in " not in (read.message or ""), read.message  # an exception that nobody foresaw
    assert (read.state == "refused") == (not read.tables)
    meta, frames = packed([read])
    assert unpack(meta, {name: frame.lazy() for name, frame in frames.items()})[0].message == read.message
    if read.state == "read" and source.ending == ".csv" and not source.is_register:
        _every_line(read, source, layouts)
    return read


def _every_line(read: FileRead, source: Source, layouts: list[layout.Layout]) -> None:
    """Each record below the header that holds anything stands among the rows, is refused, or is named in the message."""
    from pipelines.intake.reading.read import _Opened

    opened = _Opened(source, OPTIONS)
    grid = opened.grid_of(layouts[0]) if read.layout else opened.plain()
    assert grid is not None and grid.origin.starts is not None and grid.origin.lines is not None
    assert grid.origin.ends is not None
    told = set(grid.rows["line"])
    again = any("the header stands again" in w for w in grid.warnings)
    for start, end, line in zip(grid.origin.starts, grid.origin.ends, grid.origin.lines, strict=True):
        if int(line) in told or again:
            continue
        raw = grid.origin.data[start:end].decode("utf-8", "replace")
        delimiter = layouts[0].file.delimiter if read.layout else None
        for mark in [delimiter] if delimiter else [",", ";", "\t"]:
            if not any(cell.strip() for cell in text.cells_of(raw, mark) or ["x"]):
                break
        else:
            raise AssertionError(f"line {line} is lost: {raw!r}")
    rows = sum(t.rows_read for t in read.tables.values())
    if not read.layout:
        assert rows == grid.rows.height
