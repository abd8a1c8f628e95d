"""One table while it is brought together: its rows, what became of each, and the reasons of those refused.

Plain holders without rules: merge.py, filled_in.py and cross_checks.py decide, and write it down here.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache, cached_property
from typing import Any

import polars as pl

from pipelines.intake.messages import listed, say, shown
from pipelines.intake.reading.files import SHEET
from schemas import validate

ACCEPTED, REFUSED, DUPLICATE, SUPERSEDED = "accepted", "refused", "duplicate", "superseded"
REASONS = {"@i": pl.Int64, "column": pl.String, "reason": pl.String}


def lines_told(lines: Iterable[int], sheets: tuple[str, ...]) -> str:
    """Lines as they stand in messages: '2, 5', or "2 of sheet 'March', 5 of sheet 'April'"."""
    told = sorted(set(lines))
    return listed([f"{n % SHEET} of sheet '{shown(sheets[n // SHEET], 40)}'" if sheets else str(n) for n in told], 12)


#: the remarks of a file's row of intake_files in the order in which they are told; those of one line go column by column
_ORDER = (
    ("gap_times", "twice_times"),
    ("deleted", "not_deleted"),
    ("open_register",),
    ("doubt_product", "doubt_early", "doubt_eddy", "doubt_stage", "doubt_two_products", "doubt_heavy", "doubt_weighed",
     "doubt_jobs", "doubt_name", "doubt_size", "doubt_cups", "doubt_runs_on", "doubt_taken_out", "doubt_left", "doubt_used", "doubt_dates",
     "doubt_far", "doubt_early_reading", "doubt_ml", "doubt_ratio", "doubt_target", "doubt_tare", "doubt_alike", "doubt_coat", "doubt_area",
     "doubt_per_day", "doubt_density"),
)  # fmt: skip
_PLACES = {code: (group, n) for group, codes in enumerate(_ORDER) for n, code in enumerate(codes)}


@dataclass
class Remark:
    """One sentence in the making: it counts rows of many shops, which are not all looked at in one go.

    n how many rows; lines where; ranks of which other files; first the blanks that its first line fills
    """

    n: int = 0
    lines: set[int] = field(default_factory=set)
    ranks: set[int] = field(default_factory=set)
    first: tuple[int, dict[str, Any]] | None = None

    def add(self, other: "Remark") -> None:
        self.n += other.n
        self.lines |= other.lines
        self.ranks |= other.ranks
        both = [one for one in (self.first, other.first) if one is not None]
        self.first = min(both, key=lambda one: (one[0], str(one[1]))) if both else None


class Warnings:
    """Remarks that go with a file's row of intake_files; each once, whatever was looked at together with what."""

    def __init__(self) -> None:
        self._said: dict[tuple[int, str], dict[tuple[str, str], Remark]] = {}

    def add(self, rank: int, table: str, code: str, of: str = "", remark: Remark | None = None) -> None:
        """`of`: the column, or the shop, that the sentence speaks of; a file is told of each once."""
        self._said.setdefault((rank, table), {}).setdefault((code, of), Remark()).add(remark or Remark())

    def tell(self, table: str, code: str, found: pl.DataFrame, of: str = "", **more: Any) -> None:
        """A remark for each row of `found`: @f, n, line; its other columns, and `more`, fill the blanks. Without `of` its product is
        what the sentence speaks of."""
        for row in found.iter_rows(named=True):
            rank, n, line = (row.pop(name) for name in ("@f", "n", "line"))
            self.add(rank, table, code, of or str(row.get("product", "")), Remark(n, first=(line, row | more)))

    def take(self, others: "Warnings") -> None:
        """Add up the remarks of another look."""
        for (rank, table), said in others._said.items():
            for (code, of), remark in said.items():
                self.add(rank, table, code, of, remark)

    def of(self, rank: int, table: str, files: Sequence[str], sheets: tuple[str, ...]) -> list[str]:
        """The sentences. `files`: the name of each rank's file; `sheets`: those of this one that feed one table."""
        said = self._said.get((rank, table), {})
        columns = [c.name for c in validate.columns(table)] if said else []

        def place(at: tuple[str, str]) -> tuple[int, int, int, str]:
            (group, n), column = _PLACES[at[0]], columns.index(at[1]) if at[1] in columns else 0
            return group, column, n, at[1]

        return [
            say(
                code,
                **{
                    "of": of,
                    "n": remark.n,
                    "lines": lines_told(remark.lines, sheets),
                    "files": listed((files[other] for other in sorted(remark.ranks)), 3),
                    **(remark.first[1] if remark.first else {}),
                },
            )
            for (code, of), remark in sorted(said.items(), key=lambda one: place(one[0]))
        ]


def reasons(rows: pl.DataFrame, column: str, told: Callable[..., str], *blanks: str) -> pl.DataFrame:
    """@i, column, reason for each of `rows`; `told` gets the cells of `blanks` and is asked once per distinct set."""
    if rows.is_empty():
        return pl.DataFrame(schema=REASONS)
    if not blanks:
        return rows.select("@i", pl.lit(column).alias("column"), pl.lit(told()).alias("reason"))
    distinct = rows.select(blanks).unique().sort(blanks, nulls_last=True)
    messages = [told(*cells) for cells in distinct.iter_rows()]
    with_reason = distinct.with_columns(pl.Series("reason", messages, dtype=pl.String))
    return rows.join(with_reason, on=list(blanks), how="left", nulls_equal=True).select(
        "@i", pl.lit(column, pl.String).alias("column"), "reason"
    )


def said(rows: pl.DataFrame, column: str, code: str, **blanks: str) -> pl.DataFrame:
    """The same in the words of a message: its blanks, each with the column that fills it."""

    def told(*cells: Any) -> str:
        filled = zip(blanks, ("" if cell is None else cell for cell in cells), strict=True)
        return say(code, **{"column": column, **dict(filled)})

    return reasons(rows, column, told, *blanks.values())


@dataclass(frozen=True)
class Book:
    """One table while it is brought together.

    rows      every typed row of every file: table columns, line, @f (rank of its file), @i (its number here), @state
    refused   every reason of rows refused so far: @f, item or @i, line, column, reason, raw, table columns as far as
              read; @force: whether its file holds the version of its unit that is in force
    """

    table: str
    rows: pl.DataFrame
    refused: pl.DataFrame

    @property
    def blank(self) -> bool:
        """Whether no file has anything of it: such a table goes through no step."""
        return self.rows.is_empty() and self.refused.is_empty()

    @cached_property
    def _current(self) -> pl.DataFrame:
        accepted = self.rows["@state"] == ACCEPTED
        return self.rows if accepted.all() else self.rows.filter(accepted)

    def current(self) -> pl.DataFrame:
        """The rows in force."""
        return self._current

    @cached_property
    def _seen(self) -> dict[tuple[str, ...], pl.DataFrame]:
        return {}

    def seen(self, *columns: str) -> pl.DataFrame:
        """Every id that stands anywhere, accepted or not: what is merely refused is not unknown. Many tables ask for the same."""
        if columns not in self._seen:
            both = [f.lazy().select(columns) for f in (self.rows, self.refused)]
            self._seen[columns] = pl.concat(both).drop_nulls().unique().collect()
        return self._seen[columns]

    def with_state(self, rows: pl.DataFrame) -> "Book":
        return Book(self.table, rows, self.refused)

    def refuse(self, reasons: pl.DataFrame) -> "Book":
        """Rows out of force with their reasons: a frame of @i, column, reason. Each reason stands once."""
        if reasons.is_empty():
            return self
        names = [c.name for c in validate.columns(self.table)]
        bad = self.rows.select("@f", "@i", "line", *names).join(
            reasons.select("@i", pl.col("column").alias("@column"), pl.col("reason").alias("@reason")).unique(), on="@i"
        )
        more = bad.select(
            "@f",
            pl.lit(None, pl.Int64).alias("item"),
            "@i",
            "line",
            pl.col("@column").alias("column"),
            pl.col("@reason").alias("reason"),
            pl.lit(None, pl.String).alias("raw"),
            *names,
            pl.lit(True).alias("@force"),
        )
        ids = reasons["@i"].unique()
        rows = self.rows.with_columns(
            pl.when(pl.col("@i").is_in(ids.implode())).then(pl.lit(REFUSED)).otherwise("@state").alias("@state")
        )
        return Book(self.table, rows, pl.concat([self.refused, more]))

    def unread(self) -> pl.DataFrame:
        """The rows refused while their file was read, once each, with a number of their own: @i below 0."""
        names = [c.name for c in validate.columns(self.table)]
        items = self.refused.filter(pl.col("item").is_not_null()).unique(
            ["@f", "item"], keep="first", maintain_order=True
        )
        return items.select(
            "@f", "line", "item", "@force", "raw", (-1 - pl.int_range(pl.len(), dtype=pl.Int64)).alias("@i"), *names
        )

    def more_reasons(self, unread: pl.DataFrame, reasons: pl.DataFrame) -> "Book":
        """Further reasons for rows that are refused already (`unread` as given above)."""
        if reasons.is_empty():
            return self
        more = unread.join(
            reasons.select("@i", pl.col("column").alias("@column"), pl.col("reason").alias("@reason")).unique(), on="@i"
        ).with_columns(
            pl.lit(None, pl.Int64).alias("@i"), pl.col("@column").alias("column"), pl.col("@reason").alias("reason")
        )
        return Book(self.table, self.rows, pl.concat([self.refused, more.select(self.refused.columns)]))


@cache
def nothing(table: str) -> Book:
    """A table of which no file has anything."""
    own, beside = validate.empty(table), _beside()
    rows = own.hstack(beside["line", "@f", "@i", "@state"])
    return Book(
        table,
        rows,
        beside["@f", "item", "@i", "line", "column", "reason", "raw"].hstack(own).hstack(beside[["@force"]]),
    )


@cache
def _beside() -> pl.DataFrame:
    """No rows of what stands beside the columns of a table."""
    numbers, texts = ("@f", "item", "@i", "line"), ("column", "reason", "raw", "@state")
    return pl.DataFrame(
        schema={**dict.fromkeys(numbers, pl.Int64), **dict.fromkeys(texts, pl.String), "@force": pl.Boolean}
    )


def hold(books: Mapping[str, Book], *tables: str, rows: int = 1) -> bool:
    """Whether each of these tables has so many rows: with fewer a look at them finds nothing."""
    return all(books[table].rows.height >= rows for table in tables)
