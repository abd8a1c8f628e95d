"""All files together: which row of which file is in force, and what became of every other.

Here: the order of exports, rows with one key, duplicates, superseding by unit, and the books (intake_files,
refused_rows, incomplete). What a row must satisfy beside other rows is cross_checks.py's, numbers that need other tables are
filled_in.py's.

**Later** = greater time of export where the layout gives one, else natural order of the file's name; a file without a
time of export is earlier than every file with one. Nothing depends on the order in which reads are handed over.

**Shop by shop.** No row of a shop looks at another shop's (`BY_SHOP`), so any number of shops is brought together at a time:
`Merging` does first what belongs to no shop, then hands out the shops span by span, and in the end the books that count all
of it.

**A unit comes from the latest file that has it.** Units are in `UNITS`; elsewhere a unit is one row. Two cautions:
- An unreadable row is part of its file's version: a version that differs only in what could not be read supersedes too,
  and makes its parent incomplete. A version in which nothing at all could be read supersedes nothing: the earlier
  version stays in force and its parent is incomplete, so that nothing gets smaller by being unreadable.
- A file in mode `append` adds to what is in force: its rows replace rows of the same key, and nothing else.
"""

from __future__ import annotations

import datetime as dt
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache, cached_property
from itertools import pairwise

import polars as pl
import polars.selectors as cs

from pipelines.intake.bringing_together import cross_checks, deleted, doubts, filled_in
from pipelines.intake.bringing_together.table_rows import (
    ACCEPTED,
    DUPLICATE,
    REFUSED,
    SUPERSEDED,
    Book,
    Warnings,
    lines_told,
    nothing,
)
from pipelines.intake.messages import KEY_CONFLICT, LITERAL, say
from pipelines.intake.reading.files import SHEET, natural_order
from pipelines.intake.reading.layout import TABLES
from pipelines.intake.reading.read import NOWHERE, FileRead, Options
from schemas import events, validate

#: tables whose every row is a shop's, and needs rows of that shop alone
BY_SHOP = tuple(table for table in events.EVENTS if validate.keys(table)[0] == "shop_id")
#: what supersedes as a whole; everywhere else one row (its key) does
UNITS = {
    "pours": ["shop_id", "mix_id"],
    "draws": ["shop_id", "job_id", "operation_no"],
    "operation_panels": ["shop_id", "job_id", "operation_no"],
    "readings": ["shop_id", "job_id", "panel_id", "after_operation"],
}
#: date of a row, for the month that an unreadable parent leaves incomplete
DATES = {
    "pours": "poured_at", "leftovers": "weighed_at", "operations": "started_at", "readings": "taken_at",
    "cleaning": "used_at", "unscaled_use": "used_at", "stock": "happened_on",
}  # fmt: skip
#: rows of some shops that are brought together at a time, about; one shop at least
AT_A_TIME = 400_000
RawOf = Callable[[str, list[int]], dict[int, str]]


class RowsLost(Exception):
    """Rows that were put away while their file was read cannot be had back."""


@dataclass(frozen=True)
class Intake:
    """Everything that was taken in.

    tables        every event table and register (empty ones too): the contract's columns, then file, line; sorted by key
    intake_files  what became of every row of every file; refused_rows, incomplete: as the schemas say
    """

    tables: dict[str, pl.DataFrame]
    intake_files: pl.DataFrame
    refused_rows: pl.DataFrame
    incomplete: pl.DataFrame


@dataclass(frozen=True)
class Files:
    """The files in order of export; a file's place in it is its rank."""

    reads: list[FileRead]

    @property
    def appends(self) -> list[int]:
        return [i for i, r in enumerate(self.reads) if r.mode == "append"]

    @property
    def complete(self) -> bool:
        """Whether a file says that it is complete for its dates."""
        return any(r.complete_for for r in self.reads)

    @cached_property
    def labels(self) -> pl.DataFrame:
        """How files, and sheets of which several feed one table, are called: @f, @sheet, file."""
        labels = [(rank, n, _label(r, n)) for rank, r in enumerate(self.reads) for n in range(max(1, len(r.sheets)))]
        return pl.DataFrame(labels, schema={"@f": pl.Int64, "@sheet": pl.Int64, "file": pl.String}, orient="row")


def in_order(reads: Iterable[FileRead]) -> Files:
    """Files from the earliest export to the latest."""
    return Files(
        sorted(reads, key=lambda r: (r.exported_at.isoformat() if r.exported_at else "", natural_order(r.file)))
    )


def unit_of(table: str) -> list[str]:
    return UNITS.get(table) or validate.keys(table)


def merge(reads: Iterable[FileRead], options: Options | None = None, raw_of: RawOf | None = None) -> Intake:
    """Bring all files together at once. Pure: equal reads give equal results, in whatever order they are handed over.

    `raw_of(file, lines)` gives the original text of rows refused only now (see `read.raw_lines`); without it their
    `raw` is empty.
    """
    return Merging(reads, options, raw_of, lambda _: [Span()]).whole()


@dataclass(frozen=True, slots=True)
class Span:
    """Shops that are looked at in one go: from one id to another; without an end on that side where it is None."""

    first: str | None = None
    behind: str | None = None

    def holds(self) -> pl.Expr:
        """Whether a row is one of its shops'; rows of no shop are nobody's."""
        inside = pl.col("shop_id").is_not_null()
        if self.first is not None:
            inside &= pl.col("shop_id") >= pl.lit(self.first)
        if self.behind is not None:
            inside &= pl.col("shop_id") < pl.lit(self.behind)
        return inside


def spans_of(sizes: Mapping[str, int], rows: int | None = None) -> list[Span]:
    """Spans of about `rows` rows each (None: AT_A_TIME), from the rows that every shop has; at least one, no shop in two."""
    rows = AT_A_TIME if rows is None else rows
    firsts: list[str] = []
    held = 0
    for shop in sorted(sizes):
        if firsts and held + sizes[shop] <= rows:
            held += sizes[shop]
        else:
            firsts.append(shop)
            held = sizes[shop]
    return [Span(first, behind) for first, behind in pairwise([None, *firsts[1:], None])]


class Merging:
    """Files while they are brought together, span by span of shops. `told` comes last.

    tables   what belongs to no shop (registers, checks of gauges and scales): as in `Intake`
    spans    the shops of each batch, in the order of their ids
    remarks  (file, table, what is said) that `told` adds to the files' messages
    """

    def __init__(
        self,
        reads: Iterable[FileRead],
        options: Options | None,
        raw_of: RawOf | None,
        cut: Callable[[Mapping[str, int]], list[Span]] = spans_of,
    ) -> None:
        """`cut` makes spans that hold every shop once, from the number of rows that each has."""
        self.files = files = in_order(reads)
        self.options, self.raw_of = options or Options(), raw_of
        sizes = _sizes(files)
        self.spans = cut(sizes)
        shops = pl.DataFrame({"shop_id": sorted(sizes)}, schema={"shop_id": pl.String})
        self._shops = [frozenset(shops.filter(span.holds())["shop_id"]) for span in self.spans]
        self.remarks: list[tuple[str, str, str]] = []
        self._told: dict[int, Told] = {}
        one = len(self.spans) == 1  # then one look does for all: a small business is not to wait for a second
        nobodys = (pl.col("shop_id").is_null(), frozenset[str]())
        books = {table: _gathered(table, files, nobodys if table in BY_SHOP and not one else None) for table in TABLES}
        books["shops"] = filled_in.known_zones(_in_force("shops", books["shops"], files))
        own_zones = {i: r.time_zone for i, r in enumerate(files.reads)}
        self._zones = filled_in.Zones.of(books["shops"].current(), self.options.time_zone, own_zones)
        self._unread = deleted.unread_units({t: _lost(t, files) for t in TABLES if files.complete}, files.reads)
        warnings = Warnings()
        books = self._settled(books, TABLES, warnings)
        self._unread |= self._unread_readings(books)
        self._before = self._without_readings(books, warnings)
        self._after = cross_checks.checked(self._before, warnings, TABLES)
        doubts.noted(self._after, files.reads, {table: unit_of(table) for table in TABLES}, warnings)
        self._common = Told.of(self._after, TABLES, files, warnings)
        self.tables = {table: self._by_key(self._after[table]) for table in TABLES if table not in BY_SHOP}

    def batch(self, at: int) -> dict[str, pl.DataFrame]:
        """The tables of the shops of span `at`, as in `Intake`."""
        if len(self.spans) == 1:
            self._told[at] = self._common
            return {table: self._by_key(self._after[table]) for table in BY_SHOP}
        warnings = Warnings()
        books = self._without_readings(self._settled(self._of(at, self._before), BY_SHOP, warnings), warnings)
        books = cross_checks.checked(books, warnings, BY_SHOP)
        books |= {table: book for table, book in self._after.items() if table not in BY_SHOP}
        doubts.noted(books, self.files.reads, {table: unit_of(table) for table in BY_SHOP}, warnings)
        self._told[at] = Told.of(books, BY_SHOP, self.files, warnings)
        return {table: self._by_key(books[table]) for table in BY_SHOP}

    def told(self) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame]:
        """intake_files, refused_rows, incomplete, as the schemas say. Every batch was asked for before."""
        if len(self.spans) > 1 and len(self._told) < len(self.spans):
            raise ValueError("the books are closed when every span of shops has been looked at")
        parts = [self._told[at] for at in sorted(self._told)] if len(self.spans) > 1 else []
        told = Told.together([self._common, *parts])
        books = _remarked(_intake_files(told, self.files), self.remarks)
        return books, _refused_rows(told, self.files, self.raw_of), told.incomplete

    def whole(self) -> Intake:
        """Everything at once."""
        parts = [self.batch(at) for at in range(len(self.spans))]
        tables = self.tables | {table: pl.concat([part[table] for part in parts]) for table in BY_SHOP}
        return Intake({table: tables[table] for table in TABLES}, *self.told())

    def _of(self, at: int, common: dict[str, Book]) -> dict[str, Book]:
        """The rows of a span's shops, beside what belongs to none."""
        which = (self.spans[at].holds(), self._shops[at])
        return common | {table: _gathered(table, self.files, which) for table in BY_SHOP}

    def _settled(self, books: dict[str, Book], own: Sequence[str], warnings: Warnings) -> dict[str, Book]:
        """The tables `own` with times, masses and stages as the contract has them, and the version of each unit in force."""
        books = dict(books)
        there = [table for table in own if not books[table].blank]
        for table in there:
            books[table] = filled_in.local_times(table, books[table], self._zones, warnings)
            if table not in ("shops", "readings"):
                books[table] = _in_force(table, books[table], self.files)
        if self.files.complete:
            others = [table for table in own if table != "readings"]
            books = deleted.without_deleted(books, self.files.reads, warnings, others, self._unread)
        if "leftovers" in there:
            books["leftovers"] = filled_in.numbered_leftovers(books["leftovers"])
        for table in there:
            books[table] = filled_in.volumes_to_mass(table, books[table], books["components"])
        if "readings" in there:
            books["readings"] = filled_in.stages_from_time(books["readings"], books)
            books["readings"] = _in_force("readings", books["readings"], self.files)
        return books

    def _unread_readings(self, common: dict[str, Book]) -> deleted.Unread:
        """The unit of a reading shows only when its stage is told: where an export is complete, all shops are looked at
        first."""
        if not any(read.complete_for and "readings" in read.tables for read in self.files.reads):
            return {}
        lost = [common["readings"].refused]
        for at in range(len(self.spans)) if len(self.spans) > 1 else ():
            lost.append(self._settled(self._of(at, common), BY_SHOP, Warnings())["readings"].refused)
        return deleted.unread_units({"readings": pl.concat(lost)}, self.files.reads)

    def _without_readings(self, books: dict[str, Book], warnings: Warnings) -> dict[str, Book]:
        if not self.files.complete:
            return books
        return deleted.without_deleted(books, self.files.reads, warnings, ("readings",), self._unread)

    def _by_key(self, book: Book) -> pl.DataFrame:
        if book.rows.is_empty():
            return _no_rows(book.table)
        placed = _placed(book.current(), self.files).select(_no_rows(book.table).columns)
        return placed.sort([*validate.keys(book.table), "file", "line"], nulls_last=True)


@cache
def _no_rows(table: str) -> pl.DataFrame:
    """A table of `Intake` that no file has rows for."""
    return pl.DataFrame(schema={**validate.empty(table).schema, "file": pl.String(), "line": pl.Int64()})


# --- gathering --------------------------------------------------------------------------------------------------------


def _sizes(files: Files) -> dict[str, int]:
    """How many rows each shop has in all files, used or not."""
    found: Counter[str] = Counter()
    for read in files.reads:
        for table, one in read.tables.items():
            if table in BY_SHOP:
                found.update(one.shops)
                found.update(one.refused["shop_id"].drop_nulls().to_list())
    return dict(found)


def _gathered(table: str, files: Files, which: tuple[pl.Expr, frozenset[str]] | None) -> Book:
    """All rows of a table, or those of `which`: the condition, and the shops that meet it."""
    rows = []
    for rank, read in enumerate(files.reads):
        one = read.tables.get(table)
        if one is not None and (which is None or not which[1].isdisjoint(one.shops)):
            part = one.rows if which is None else one.rows.filter(which[0])
            rows.append(part.with_columns(pl.lit(rank, pl.Int64).alias("@f")))
    blank, lost = nothing(table), _lost(table, files)
    if which is not None and lost.height:
        lost = lost.filter(which[0])
    if not rows:
        return Book(table, blank.rows, lost)
    numbered = (pl.int_range(pl.len(), dtype=pl.Int64).alias("@i"), pl.lit(ACCEPTED).alias("@state"))
    every = pl.concat([blank.rows.lazy(), *rows], how="diagonal")
    try:
        found = every.with_columns(cs.ends_with("@utc", "@ml").fill_null(False), *numbered).collect()
    except (OSError, pl.exceptions.ComputeError) as error:
        raise RowsLost(
            f"What was read of the files of {table} and kept for later is damaged or gone ({error})."
            " `filmledger run --again` reads the files themselves; nothing was replaced."
        ) from error
    return Book(table, found, lost)


def _lost(table: str, files: Files) -> pl.DataFrame:
    """What was refused of a table while its files were read."""
    none = nothing(table).refused
    added = {"@i": pl.lit(None, pl.Int64), "@force": pl.lit(True)}
    refused = [
        one.refused.with_columns(pl.lit(rank, pl.Int64).alias("@f"), **added).select(none.columns)
        for rank, read in enumerate(files.reads)
        if (one := read.tables.get(table)) is not None and one.refused.height
    ]
    return pl.concat([none, *refused])


# --- one key, one row; one unit, one file -----------------------------------------------------------------------------

_SEEDS = (11, 23)


def _in_force(table: str, book: Book, files: Files) -> Book:
    """Conflicts refused, duplicates and superseded versions marked."""
    if book.blank:
        return book
    key = validate.keys(table)
    names = [c.name for c in validate.columns(table)]
    content = names + [c for c in book.rows.columns if c.endswith("@ml")]
    # a weigh-back without a number is known by its time: numbers are given when all files are merged
    when = [pl.when(pl.col("weigh_no").is_null()).then("weighed_at").alias("@when")] if table == "leftovers" else []
    full_key = [*key, "@when"] if when else key
    states = _within_files(book.current().with_columns(when), full_key, content)
    if states.height:
        conflicts = states.filter(pl.col("@new") == REFUSED)
        book = book.with_state(_stated(book.rows, states))
        book = book.refuse(_conflict_reasons(book.rows, conflicts["@i"], key, files)) if conflicts.height else book
    return _between_files(table, book, full_key, content, when, files)


def _conflict_reasons(rows: pl.DataFrame, ids: pl.Series, key: list[str], files: Files) -> pl.DataFrame:
    lost = rows.filter(pl.col("@i").is_in(ids.implode()))
    told = (
        lost.sort("line").group_by("@f", *key, maintain_order=True).agg("@i", pl.col("line").unique().alias("@lines"))
    )
    words = [
        say(
            "conflict",
            key=", ".join(f"{k} {v}" for k, v in zip(key, cells, strict=True) if v is not None),
            lines=lines_told(lines, files.reads[rank].sheets),
        )
        for *cells, rank, lines in told.select(*key, "@f", "@lines").iter_rows()
    ]
    column = pl.lit(None, pl.String).alias("column")
    detail = told.select("@i", column, pl.Series("reason", words, dtype=pl.String)).explode("@i")
    return pl.concat([lost.select("@i", column, pl.lit(KEY_CONFLICT).alias("reason")), detail])


def _stated(rows: pl.DataFrame, states: pl.DataFrame) -> pl.DataFrame:
    return (
        rows.join(states.select("@i", "@new"), on="@i", how="left", maintain_order="left")
        .with_columns(pl.coalesce("@new", "@state").alias("@state"))
        .drop("@new")
    )


def _within_files(rows: pl.DataFrame, key: list[str], content: list[str]) -> pl.DataFrame:
    """@i, @new of rows that share their key with another row of their file."""
    nothing = pl.DataFrame(schema={"@i": pl.Int64, "@new": pl.String})
    if rows.height < 2:
        return nothing
    again = rows.select(pl.struct(["@f", *key]).hash(_SEEDS[0]).is_duplicated()).to_series()
    if not again.any():
        return nothing
    twice = rows.filter(again)
    # the copy that counts is the first in the file
    groups = twice.sort("@f", "line", "@i").with_columns(
        pl.len().over(["@f", *key]).alias("@n"),
        pl.struct(content).n_unique().over(["@f", *key]).alias("@kinds"),
        pl.int_range(pl.len()).over(["@f", *key]).alias("@nth"),
    )
    return groups.filter(pl.col("@n") > 1).select(
        "@i",
        pl.when(pl.col("@kinds") > 1)
        .then(pl.lit(REFUSED))
        .when(pl.col("@nth") > 0)
        .then(pl.lit(DUPLICATE))
        .otherwise(pl.lit(ACCEPTED))
        .alias("@new"),
    )


def _between_files(
    table: str, book: Book, key: list[str], content: list[str], when: list[pl.Expr], files: Files
) -> Book:
    """`when`: what makes the columns of `key` that the table has not."""
    ranks = {rank for frame in (book.rows, book.refused) for rank in (frame["@f"].min(), frame["@f"].max())} - {None}
    if len(ranks) < 2:
        return book
    unit = UNITS.get(table, key)
    live = book.current().with_columns(when)
    # what was refused belongs to its file's version of the unit, if the unit can be told
    needed = [c for c in unit if c != "@when" and c not in ("weigh_no", "valid_from")]
    known_unit = pl.all_horizontal(pl.col(c).is_not_null() for c in needed)
    lost = book.refused.with_columns(when).filter(known_unit)
    first_last = [pl.col("@f").min().alias("@min"), pl.col("@f").max().alias("@max")]
    unit_hash = pl.struct(unit).hash(_SEEDS[0]).alias("@u")
    both = pl.concat([live.select(unit_hash, "@f"), lost.select(unit_hash, "@f")])
    shared = both.group_by("@u").agg(first_last).filter(pl.col("@min") != pl.col("@max"))["@u"]
    if shared.is_empty():
        return book
    live = live.with_columns(unit_hash).filter(pl.col("@u").is_in(shared.implode()))
    lost = lost.with_columns(unit_hash).filter(pl.col("@u").is_in(shared.implode()))
    live = live.with_columns(pl.struct(content).hash(s).alias(f"@c{i}") for i, s in enumerate(_SEEDS))
    lost = lost.select(
        *unit, "@f", "line", "item", "@i", "@u", "raw", *[n for n in content if n not in unit and not n.endswith("@ml")]
    ).unique(["@f", "line", "item", "@i"])
    lost_content = ["raw", *[n for n in content if n in lost.columns and n not in unit]]
    lost = lost.with_columns(pl.struct(lost_content).hash(s).alias(f"@c{i}") for i, s in enumerate(_SEEDS))
    appends = files.appends if unit != key else []
    appended = both.filter(pl.col("@f").is_in(appends))["@u"].unique()
    folds = pl.col("@u").is_in(appended.implode())
    plain_states, plain_force = _versions(live.filter(~folds), lost.filter(~folds))
    fold_states, fold_force = _folded(live.filter(folds), lost.filter(folds), key, set(appends))
    rows = _stated(book.rows, pl.concat([plain_states, fold_states]))
    # refusals of the versions in force; those of units in one file are in force as they stand
    known = pl.concat([plain_force, fold_force])
    refused = (
        book.refused.with_columns(when)
        .with_columns(unit_hash)
        .join(known, on=["@u", "@f"], how="left", maintain_order="left")
        .with_columns(
            pl.when(pl.col("@u").is_in(shared.implode()) & known_unit)
            .then(pl.col("@holds").fill_null(False))
            .otherwise("@force")
            .alias("@force")
        )
        .drop("@u", "@holds")
        .drop("@when", strict=False)
    )
    return Book(table, rows, refused)


def _versions(live: pl.DataFrame, lost: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Units whose files all replace: (@i, @new) of the rows, and (@u, @f, @holds) of the refused rows."""
    nothing = pl.DataFrame(schema={"@i": pl.Int64, "@new": pl.String})
    no_force = pl.DataFrame(schema={"@u": pl.UInt64, "@f": pl.Int64, "@holds": pl.Boolean})
    if live.is_empty() and lost.is_empty():
        return nothing, no_force
    # a version's content: which rows it has, in any order, readable or not
    pieces = pl.concat(
        [
            live.select("@u", "@f", "@c0", "@c1", pl.lit(1, pl.Int64).alias("@good")),
            lost.select("@u", "@f", pl.col("@c0") ^ pl.lit(1, pl.UInt64), "@c1", pl.lit(0, pl.Int64).alias("@good")),
        ]
    )
    versions = (
        pieces.group_by("@u", "@f")
        .agg(
            pl.col("@good").sum(),
            pl.len().alias("@n"),
            pl.col("@c0").sum().alias("@s0"),  # sums wrap around: a fingerprint of the set, whatever its order
            pl.col("@c1").sum().alias("@s1"),
        )
        .sort("@u", "@f")
        .with_columns(pl.int_range(pl.len()).over("@u").alias("@nth"))
    )
    # the same rows again are a new version where one came between of which nothing could be read: they replace that one
    differs = [pl.col(c) != pl.col(c).shift(1).over("@u") for c in ("@s0", "@s1")]
    usable = versions.filter(pl.col("@good") > 0).with_columns(
        (pl.any_horizontal(differs) | (pl.col("@nth") - pl.col("@nth").shift(1).over("@u") > 1))
        .fill_null(True)
        .alias("@changed")
    )
    keeper = usable.filter("@changed").group_by("@u").agg(pl.col("@f").max().alias("@keep"))
    usable = usable.join(keeper, on="@u", how="left")
    states = (
        live.select("@i", "@u", "@f")
        .join(usable.select("@u", "@f", "@changed", "@keep"), on=["@u", "@f"])
        .select(
            "@i",
            pl.when(~pl.col("@changed"))
            .then(pl.lit(DUPLICATE))
            .when(pl.col("@f") == pl.col("@keep"))
            .then(pl.lit(ACCEPTED))
            .otherwise(pl.lit(SUPERSEDED))
            .alias("@new"),
        )
    )
    last = versions.group_by("@u").agg(pl.col("@f").max().alias("@last"))
    force = (
        lost.select("@u", "@f")
        .unique()
        .join(keeper, on="@u", how="left")
        .join(last, on="@u", how="left")
        .select("@u", "@f", (pl.col("@f") >= pl.coalesce("@keep", "@last")).alias("@holds"))
    )
    return states, force


def _folded(
    live: pl.DataFrame, lost: pl.DataFrame, key: list[str], appends: set[int]
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """The same for units with additions: file after file, row by row."""
    states: dict[int, str] = {}
    holds: dict[tuple[int, int], bool] = {}
    good: dict[int, dict[int, list[tuple[int, tuple[object, ...], tuple[int, int]]]]] = {}
    for row in live.select("@u", "@f", "@i", "@c0", "@c1", *key).iter_rows():
        good.setdefault(row[0], {}).setdefault(row[1], []).append((row[2], row[5:], (row[3], row[4])))
    bad: dict[int, dict[int, list[tuple[int, int]]]] = {}
    for unit, rank, one, two in lost.select("@u", "@f", "@c0", "@c1").iter_rows():
        bad.setdefault(unit, {}).setdefault(rank, []).append((one, two))
    for unit in {*good, *bad}:
        current: dict[tuple[object, ...], tuple[int, tuple[int, int]]] = {}
        unread: list[tuple[int, int]] = []
        force: set[int] = set()
        for rank in sorted({*good.get(unit, {}), *bad.get(unit, {})}):
            rows, refused = good.get(unit, {}).get(rank, []), bad.get(unit, {}).get(rank, [])
            if rank not in appends and rows:
                same = sorted(c for _, _, c in rows) == sorted(c for _, c in current.values())
                if same and sorted(refused) == sorted(unread):
                    states |= {i: DUPLICATE for i, _, _ in rows}
                    force |= {rank} if refused else set()
                    continue
                states |= {i: SUPERSEDED for i, _ in current.values()}
                current, unread, force = {}, [], set()
            for i, at, content in rows:
                if at in current and current[at][1] == content:
                    states[i] = DUPLICATE
                    continue
                if at in current:
                    states[current[at][0]] = SUPERSEDED
                current[at] = (i, content)
                states[i] = ACCEPTED
            if refused:
                unread += refused
                force.add(rank)
        holds |= {(unit, rank): rank in force for rank in bad.get(unit, {})}
    return (
        pl.DataFrame({"@i": list(states), "@new": list(states.values())}, schema={"@i": pl.Int64, "@new": pl.String}),
        pl.DataFrame(
            [(u, f, h) for (u, f), h in holds.items()],
            schema={"@u": pl.UInt64, "@f": pl.Int64, "@holds": pl.Boolean},
            orient="row",
        ),
    )


# --- the books --------------------------------------------------------------------------------------------------------


Counts = dict[tuple[int, str, int], dict[str, int]]  # rank of a file, table, sheet -> state -> rows


@dataclass(frozen=True)
class Told:
    """What a look at some shops has to tell of the files."""

    counts: Counts
    refused: pl.DataFrame
    incomplete: pl.DataFrame
    warnings: Warnings

    @staticmethod
    def of(books: dict[str, Book], own: Sequence[str], files: Files, warnings: Warnings) -> Told:
        held = {table: books[table] for table in own if not books[table].blank}
        refused = pl.concat(_reasons(table, books[table].refused) for table in own)
        return Told(_counts(held), refused, _incomplete(held, books, files), warnings)

    @staticmethod
    def together(parts: Sequence[Told]) -> Told:
        counts: Counts = {}
        warnings = Warnings()
        for part in parts:
            warnings.take(part.warnings)
            for place, states in part.counts.items():
                into = counts.setdefault(place, {})
                for state, n in states.items():
                    into[state] = into.get(state, 0) + n
        incomplete = pl.concat([part.incomplete for part in parts])
        incomplete = incomplete.unique().sort(validate.empty("incomplete").columns, nulls_last=True)
        return Told(counts, pl.concat([part.refused for part in parts]), incomplete, warnings)


def _label(read: FileRead, sheet: int) -> str:
    """How a file, or one of several sheets that feed one table, is called."""
    return f"{read.file}, sheet '{read.sheets[sheet]}'" if read.sheets else read.file


def _placed(rows: pl.DataFrame, files: Files) -> pl.DataFrame:
    """With `file`, the name of the file (and sheet), for @f; `line` is that of the sheet then."""
    rows = rows.with_columns(_SHEET, pl.col("line") % SHEET)
    return rows.join(files.labels, on=["@f", "@sheet"], how="left", maintain_order="left")


_SHEET = (pl.col("line") // SHEET).alias("@sheet")


def _counts(books: dict[str, Book]) -> Counts:
    counts: Counts = {}
    for table, book in books.items():
        for rank, at, state, n in book.rows.group_by("@f", _SHEET, "@state").len().iter_rows():
            counts.setdefault((rank, table, at), {})[state] = n
        if book.refused.height:
            _add_refused(counts, table, book.refused.filter(pl.col("item").is_not_null()))
    return counts


def _add_refused(counts: Counts, table: str, rows: pl.DataFrame) -> None:
    for rank, at, n in rows.group_by("@f", _SHEET).agg(pl.col("item").n_unique()).iter_rows():
        states = counts.setdefault((rank, table, at), {})
        states[REFUSED] = states.get(REFUSED, 0) + n


def _intake_files(told: Told, files: Files) -> pl.DataFrame:
    counts = dict(told.counts)
    names = [read.file for read in files.reads]
    for rank, read in enumerate(files.reads):
        if NOWHERE in read.tables:
            untaken = read.tables[NOWHERE].refused.with_columns(pl.lit(rank, pl.Int64).alias("@f"))
            _add_refused(counts, NOWHERE, untaken)
    none = dict.fromkeys((ACCEPTED, REFUSED, DUPLICATE, SUPERSEDED), 0)
    out: list[dict[str, object]] = []
    for rank, read in enumerate(files.reads):
        for table in read.tables or [NOWHERE]:
            said = [*([read.message] if read.message else []), *told.warnings.of(rank, table, names, read.sheets)]
            if table in read.tables and read.tables[table].respelled:
                said.append(say("respelled", n=read.tables[table].respelled))
            fed = [n for n in range(len(read.sheets)) if (rank, table, n) in counts]
            for at in fed or [0]:
                states = none | counts.get((rank, table, at), {})
                row: dict[str, object] = {
                    "file": _label(read, at),
                    "table": table or None,
                    "sha256": read.sha256 or None,
                    "layout": read.layout,
                    "state": read.state,
                    "message": "; ".join(said) or None,
                    "rows_read": sum(states.values()),
                }
                out.append(row | states)
        if read.refused_parts:  # sheets that could not be used stand as a row of their own
            part: dict[str, object] = {"file": read.file, "table": None, "sha256": read.sha256, "layout": read.layout}
            part |= {"state": "refused", "message": "; ".join(read.refused_parts), "rows_read": 0}
            out.append(part | none)
    return validate.conform("intake_files", pl.DataFrame(out, schema=validate.empty("intake_files").schema))


def _remarked(files: pl.DataFrame, remarks: list[tuple[str, str, str]]) -> pl.DataFrame:
    """The table intake_files with more remarks (file, table, what is said) at the end of the messages."""
    if not remarks:
        return files
    said = (
        pl.DataFrame(remarks, schema={"file": pl.String, "table": pl.String, "@said": pl.String}, orient="row")
        .group_by("file", "table", maintain_order=True)
        .agg(pl.col("@said").str.join("; "))
    )
    both = files.join(said, on=["file", "table"], how="left", maintain_order="left")
    message = pl.concat_str("message", "@said", separator="; ", ignore_nulls=True)
    return both.with_columns(
        pl.when(pl.col("@said").is_not_null()).then(message).otherwise("message").alias("message")
    ).drop("@said")


def _reasons(table: str | None, refused: pl.DataFrame) -> pl.DataFrame:
    """A row for each reason."""
    return refused.select("@f", "line", pl.lit(table, pl.String).alias("table"), "column", "reason", "raw")


def _refused_rows(told: Told, files: Files, raw_of: RawOf | None) -> pl.DataFrame:
    parts = [told.refused]
    for rank, read in enumerate(files.reads):
        if NOWHERE in read.tables:
            parts.append(_reasons(None, read.tables[NOWHERE].refused.with_columns(pl.lit(rank, pl.Int64).alias("@f"))))
    rows = (
        pl.concat(parts)
        .sort("@f", "line", "table", "column", ~pl.col("reason").str.contains(LITERAL), "reason", nulls_last=True)
        .group_by("@f", "line", "table", maintain_order=True)
        .agg(pl.col("reason").unique(maintain_order=True).alias("reasons"), pl.col("raw").drop_nulls().first())
    )
    if raw_of is not None:
        wanted = rows.filter(pl.col("raw").is_null()).group_by("@f").agg("line")
        found = [
            (rank, line, raw)
            for rank, lines in wanted.iter_rows()
            for line, raw in raw_of(files.reads[rank].file, lines).items()
        ]
        more = pl.DataFrame(found, schema={"@f": pl.Int64, "line": pl.Int64, "@raw": pl.String}, orient="row")
        rows = rows.join(more.unique(["@f", "line"]), on=["@f", "line"], how="left")
        rows = rows.with_columns(pl.coalesce("raw", "@raw").alias("raw"))
    return validate.conform("refused_rows", _placed(rows, files))


def _incomplete(own: dict[str, Book], books: dict[str, Book], files: Files) -> pl.DataFrame:
    """What refused rows leave incomplete: the cup, the operation, the stage of a panel, or the month."""
    parts = _on_refused(books["components"], books["pours"])
    for table in [table for table, book in own.items() if book.refused.height]:
        by = ("@f", "line", "item", "@i", "column", ~pl.col("reason").str.contains(LITERAL), "reason")
        lost = (
            books[table]
            .refused.filter("@force")
            .sort(*by, nulls_last=True)
            .group_by("@f", "line", "item", "@i", maintain_order=True)
            .agg(
                pl.col("reason").unique(maintain_order=True).str.join("; "),
                pl.col([c.name for c in validate.columns(table)]).first(),
            )
        )
        if lost.height:
            parts += _parents(table, lost, books)
    parts += cross_checks.two_products(books["pours"])
    blank = validate.empty("incomplete")
    if not parts:
        return blank
    both = _placed(pl.concat(parts, how="diagonal"), files)
    frame = pl.concat([blank, both.select(c for c in blank.columns if c in both.columns)], how="diagonal")
    return validate.conform("incomplete", frame.unique())


def _on_refused(components: Book, pours: Book) -> list[pl.DataFrame]:
    """The cups that hold a component whose row of the register was refused: of the version that its day asks for, or of one of
    which the day could not be read."""
    if components.refused.is_empty() or pours.rows.is_empty():
        return []
    ever = dt.date.min
    lost = (
        components.refused.filter(pl.col("@force") & pl.col("component_id").is_not_null())
        .sort("@f", "line", "column", "reason", nulls_last=True)
        .group_by("@f", "line", "component_id", "valid_from", maintain_order=True)
        .agg(
            pl.col("reason").unique(maintain_order=True).str.join("; "),
            undated=(pl.col("column") == "valid_from").any(),
        )
    )
    told = [
        say("on_refused", component=one, reason=why) for one, why in lost.select("component_id", "reason").iter_rows()
    ]
    lost = lost.with_columns(pl.col("valid_from").fill_null(ever), reason=pl.Series(told, dtype=pl.String))
    used = pours.current().select("shop_id", "mix_id", "component_id", on=pl.col("poured_at").dt.date())
    used = used.join(lost.select("component_id").unique(), on="component_id", how="semi").unique()
    good = components.current().select("component_id", from_on=pl.col("valid_from").fill_null(ever))
    known = (
        used.join(good, on="component_id")
        .filter(pl.col("from_on") <= pl.col("on"))
        .group_by("component_id", "on")
        .agg(pl.col("from_on").max())
    )
    found = (
        used.join(lost, on="component_id")
        .join(known, on=["component_id", "on"], how="left")
        .filter(
            pl.col("undated").fill_null(False)
            | (
                (pl.col("valid_from") <= pl.col("on"))
                & (pl.col("from_on").is_null() | (pl.col("from_on") < pl.col("valid_from")))
            )
        )
        .select(pl.lit("cup").alias("what"), "shop_id", "mix_id", "reason", "@f", "line")
    )
    return [found]


def _parents(table: str, lost: pl.DataFrame, books: dict[str, Book]) -> list[pl.DataFrame]:
    def marked(what: str, rows: pl.DataFrame, *ids: str | pl.Expr) -> pl.DataFrame:
        return rows.select(pl.lit(what).alias("what"), *ids, "reason", "@f", "line")

    def told(*ids: str) -> pl.Expr:
        return pl.all_horizontal(pl.col(c).is_not_null() for c in ids)

    date = DATES.get(table)
    month = lost.with_columns(pl.col(date).dt.strftime("%Y-%m").alias("month")) if date else lost
    if table in ("cleaning", "unscaled_use", "stock"):
        return [marked("month", month.filter(told("shop_id", "month")), "shop_id", "month")]
    out = []
    cup, operation = ("shop_id", "mix_id"), ("shop_id", "job_id", "operation_no")
    stage = ("shop_id", "job_id", "panel_id")
    rest = pl.lit(False)
    if table in ("pours", "leftovers", "draws"):
        out.append(marked("cup", lost.filter(told(*cup)), *cup))
        rest = told(*cup)
    if table in ("operations", "operation_panels", "draws", "target_weighings"):
        out.append(marked("operation", lost.filter(told(*operation)), *operation))
        rest = told(*operation)
    if table == "readings":
        out.append(marked("panel_stage", lost.filter(told(*stage)), *stage, "after_operation"))
        rest = told(*stage)
    if table == "pours":  # a cup of which nothing could be read is in no table: its month must know
        good = books["pours"].current().select(*cup).unique()
        unread = month.filter(told(*cup)).join(good, on=list(cup), how="anti")
        out.append(marked("month", unread.filter(told("shop_id", "month")), "shop_id", "month"))
    if date and out:
        out.append(marked("month", month.filter(~rest & told("shop_id", "month")), "shop_id", "month"))
    return out
