"""A small workspace in memory for the tests of intake: registers that know a few ids, and files by name."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from functools import cache

import polars as pl
from polars.testing import assert_frame_equal

from pipelines.intake.bringing_together.merge import Intake, Merging, Span, merge, spans_of
from pipelines.intake.reading import layout
from pipelines.intake.reading.files import Source
from pipelines.intake.reading.read import FileRead, Options, raw_lines, read_file, read_files

REGISTERS = {
    "registers/shops.csv": "shop_id,time_zone\nnorth,Europe/Vienna\nsouth,America/New_York\n",
    "registers/products.csv": "product_id,role\nclear_a,clear\nbase_b,base\n",
    "registers/components.csv": "component_id,valid_from,density_g_per_ml\nbinder,,1.2\nbinder,2025-06-01,1.5\nthin,,0.8\n"
    "mystery,,\n",
    "registers/guns.csv": "gun_id,shop_id,atomising\ngun_1,north,hvlp\n",
    "registers/technicians.csv": "technician_id,shop_id\nada,north\n",
    "registers/gauges.csv": "gauge_id,principle\nmag,magnetic\neddy,eddy\nboth,dual\nsound,ultrasonic\n",
}
POURS = "shop_id,mix_id,pour_no,poured_at,product_id,component_id,weighed_g"
OPERATIONS = "shop_id,job_id,operation_no,kind,started_at,ended_at,technician_id,gun_id,product_id"


def read_all(
    files: dict[str, str | bytes], layouts: dict[str, str] | None = None, registers: bool = True
) -> list[FileRead]:
    every = {**(REGISTERS if registers else {}), **files}
    return _each_read(every, layouts or {}, Options())


def _each_read(every: dict[str, str | bytes], layouts: dict[str, str], options: Options) -> list[FileRead]:
    found, known = layout.load(layouts), tuple(layouts.items())
    return [
        _register(name, known, options)
        if text is REGISTERS.get(name)
        else read_file(_source(name, text), found, options)
        for name, text in every.items()
    ]


@cache
def _register(name: str, layouts: tuple[tuple[str, str], ...], options: Options) -> FileRead:
    """The same in most tests, so it is read once for all of them."""
    return read_file(_source(name, REGISTERS[name]), layout.load(dict(layouts)), options)


def _source(name: str, text: str | bytes) -> Source:
    return Source(name, content=text.encode() if isinstance(text, str) else text)


def take_in(
    files: dict[str, str | bytes],
    layouts: dict[str, str] | None = None,
    registers: bool = True,
    options: Options | None = None,
    reads: Iterable[FileRead] | None = None,
) -> Intake:
    """Read and merge; every refused row must have its raw text, and the books must add up."""
    every = {**(REGISTERS if registers else {}), **files}
    found = layout.load(layouts or {})
    options = options or Options()
    done = list(reads) if reads is not None else _each_read(every, layouts or {}, options)
    if reads is None:
        for one, other in zip(done, read_files([_source(n, t) for n, t in every.items()], found, options), strict=True):
            alike(one, other)
    by_file = {r.file: r for r in done}

    def raw_of(file: str, lines: list[int]) -> dict[int, str]:
        return raw_lines(by_file[file], _source(file, every[file]), found, lines)

    taken = merge(done, options, raw_of)
    adds_up(taken, done)
    equal(taken, Merging(done, options, raw_of, each_by_itself).whole())
    return taken


def alike(one: FileRead, other: FileRead) -> None:
    """A file read by itself and read with others is the same; a mark that only others need is false."""
    assert replace(one, tables={}) == replace(other, tables={}) and list(one.tables) == list(other.tables)
    for mine, theirs in zip(one.tables.values(), other.tables.values(), strict=True):
        assert (mine.height, mine.shops, mine.respelled) == (theirs.height, theirs.shops, theirs.respelled)
        rows, others = mine.rows.collect(), theirs.rows.collect()
        more = [name for name in others.columns if name not in rows.columns]
        assert all(name.endswith("@utc") and not others[name].any() for name in more)
        assert_frame_equal(rows, others.drop(more))
        assert_frame_equal(mine.refused, theirs.refused)


def each_by_itself(sizes: Mapping[str, int]) -> list[Span]:
    """Every shop in a span of its own, and an empty one, so that one shop alone is looked at apart from the registers too."""
    return [*spans_of(sizes, 1), Span("", "")]


def equal(one: Intake, other: Intake) -> None:
    """Row for row, message for message."""
    for name, frame in one.tables.items():
        assert_frame_equal(frame, other.tables[name])
    for mine, theirs in zip(
        (one.intake_files, one.refused_rows, one.incomplete),
        (other.intake_files, other.refused_rows, other.incomplete),
        strict=True,
    ):
        assert_frame_equal(mine, theirs)


def adds_up(taken: Intake, reads: list[FileRead]) -> None:
    """Every row of every file is counted once, and stands where its state says."""
    books = taken.intake_files
    assert (
        books["rows_read"]
        == books.select(pl.sum_horizontal("accepted", "refused", "duplicate", "superseded")).to_series()
    ).all()
    assert set(books["file"].str.split(", sheet '").list.first()) == {r.file for r in reads}
    assert books.filter(pl.col("state") == "refused")["message"].null_count() == 0
    accepted = books.select("table", "file", "accepted").rows()
    for table, frame in taken.tables.items():
        counted = {file: n for of, file, n in accepted if of == table and n}
        assert sum(counted.values()) == frame.height
        assert counted == (dict(frame.group_by("file").len().iter_rows()) if frame.height else {})
    for read in reads:
        for table, one in read.tables.items():
            row = books.filter(_of(read) & (pl.col("table").fill_null("") == table))
            assert row["rows_read"].sum() == one.rows_read and (row.height == 1 or read.sheets)
    refused = taken.refused_rows
    assert refused["raw"].null_count() == 0
    assert refused["reasons"].list.len().min() is None or refused["reasons"].list.len().min() >= 1
    places = books.filter(pl.col("refused") > 0).select("file", pl.col("table").fill_null(""))
    assert set(refused.select("file", pl.col("table").fill_null("")).iter_rows()) == set(places.iter_rows())


def _of(read: FileRead) -> pl.Expr:
    return pl.col("file").str.starts_with(f"{read.file}, sheet ") | (pl.col("file") == read.file)


def reasons(taken: Intake, file: str) -> dict[int, list[str]]:
    """Reasons by line of one file."""
    rows = taken.refused_rows.filter(pl.col("file") == file)
    return dict(rows.select("line", "reasons").iter_rows())


def message(taken: Intake, file: str) -> str:
    return "; ".join(taken.intake_files.filter(pl.col("file") == file)["message"].drop_nulls())


def marks(taken: Intake, what: str) -> set[tuple[object, ...]]:
    """The ids of one kind of incomplete."""
    ids = {
        "cup": ["shop_id", "mix_id"],
        "operation": ["shop_id", "job_id", "operation_no"],
        "panel_stage": ["shop_id", "job_id", "panel_id", "after_operation"],
        "month": ["shop_id", "month"],
    }[what]
    return set(taken.incomplete.filter(pl.col("what") == what).select(ids).iter_rows())


def same(one: Intake, other: Intake, but: tuple[str, ...] = ()) -> bool:
    """Equal tables, columns `but` aside."""
    return all(
        one.tables[t].drop(but).sort(pl.all()).equals(other.tables[t].drop(but).sort(pl.all())) for t in one.tables
    )
