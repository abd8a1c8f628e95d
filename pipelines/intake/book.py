"""One table while it is brought together: its rows, what became of each, and the reasons of those refused.

Plain holders without rules: merge.py, stages.py and cross.py decide, and write it down here.
"""

from collections.abc import Iterable
from dataclasses import dataclass

import polars as pl

from pipelines.intake.messages import listed, shown
from schemas import door

ACCEPTED, REFUSED, DUPLICATE, SUPERSEDED = "accepted", "refused", "duplicate", "superseded"
REASONS = {"@i": pl.Int64, "column": pl.String, "reason": pl.String}
#: where several sheets of a workbook feed one table, a row of the n-th sheet (from 0) carries the line n * SHEET + row
SHEET = 1 << 40


def lines_told(lines: Iterable[int], sheets: tuple[str, ...]) -> str:
    """Lines as they stand in messages: '2, 5', or "2 of sheet 'March', 5 of sheet 'April'"."""
    told = sorted(set(lines))
    return listed([f"{n % SHEET} of sheet '{shown(sheets[n // SHEET], 40)}'" if sheets else str(n) for n in told], 12)


class Warnings:
    """Remarks that go with a file's row of intake_files; each once."""

    def __init__(self) -> None:
        self._said: dict[tuple[int, str], list[str]] = {}

    def add(self, rank: int, table: str, message: str) -> None:
        said = self._said.setdefault((rank, table), [])
        if message not in said:
            said.append(message)

    def of(self, rank: int, table: str) -> list[str]:
        return self._said.get((rank, table), [])


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

    def current(self) -> pl.DataFrame:
        """The rows in force."""
        return self.rows.filter(pl.col("@state") == ACCEPTED)

    def seen(self, *columns: str) -> pl.DataFrame:
        """Every id that stands anywhere, accepted or not: what is merely refused is not unknown."""
        both = [f.select(columns) for f in (self.rows, self.refused)]
        return pl.concat(both).drop_nulls().unique()

    def with_state(self, rows: pl.DataFrame) -> "Book":
        return Book(self.table, rows, self.refused)

    def refuse(self, reasons: pl.DataFrame) -> "Book":
        """Rows out of force with their reasons: a frame of @i, column, reason. Each reason stands once."""
        if reasons.is_empty():
            return self
        names = [c.name for c in door.columns(self.table)]
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
        names = [c.name for c in door.columns(self.table)]
        items = self.refused.filter(pl.col("item").is_not_null()).unique(
            ["@f", "item"], keep="first", maintain_order=True
        )
        return items.select(
            "@f", "line", "item", "@force", "raw", (-1 - pl.int_range(pl.len(), dtype=pl.Int64)).alias("@i"), *names
        )

    def more_reasons(self, unread: pl.DataFrame, reasons: pl.DataFrame) -> "Book":
        """Further reasons for rows that are refused already (`unread` as given above)."""
        more = unread.join(
            reasons.select("@i", pl.col("column").alias("@column"), pl.col("reason").alias("@reason")).unique(), on="@i"
        ).with_columns(
            pl.lit(None, pl.Int64).alias("@i"), pl.col("@column").alias("column"), pl.col("@reason").alias("reason")
        )
        return Book(self.table, self.rows, pl.concat([self.refused, more.select(self.refused.columns)]))
