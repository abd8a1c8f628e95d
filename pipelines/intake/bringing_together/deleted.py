"""What an export that is complete for its dates says by leaving something out.

A layout may say `complete_for`: the export is then the whole record of the shops it names (of the gauges or scales, where
a table knows no shop), from the day of its first row to the day of its last, or of their months. A unit of an earlier file
that falls into that span and stands neither in this file nor in a later one was deleted at the shop: its rows are
superseded. What hangs on a deleted cup or operation goes with it.

A file with a row whose unit cannot be read deletes nothing in that table: the unreadable row may be the one that seems to
be missing, and nothing gets smaller by being unreadable.
"""

from collections.abc import Collection, Mapping

import polars as pl

from pipelines.intake.bringing_together.table_rows import ACCEPTED, SUPERSEDED, Book, Remark, Warnings
from pipelines.intake.reading.read import FileRead

#: table -> the date of a row, and the unit that is there or not
_UNITS = {
    "pours": ("poured_at", ["shop_id", "mix_id"]),
    "leftovers": ("weighed_at", ["shop_id", "mix_id", "weighed_at"]),
    "jobs": ("opened_on", ["shop_id", "job_id"]),
    "operations": ("started_at", ["shop_id", "job_id", "operation_no"]),
    "readings": ("taken_at", ["shop_id", "job_id", "panel_id", "after_operation"]),
    "cleaning": ("used_at", ["shop_id", "cleaning_no"]),
    "unscaled_use": ("used_at", ["shop_id", "use_no"]),
    "stock": ("happened_on", ["shop_id", "document_no", "line_no"]),
    "gauge_checks": ("checked_at", ["gauge_id", "checked_at", "shim_um", "check_no"]),
    "scale_checks": ("checked_at", ["scale_id", "checked_at", "weight_g", "check_no"]),
    "deviations": ("from_on", ["shop_id", "deviation_no"]),
}
#: what hangs on a deleted unit: parent -> (table, columns)
_CHILDREN = {
    "pours": [("leftovers", ["shop_id", "mix_id"]), ("draws", ["shop_id", "mix_id"])],
    "operations": [
        (t, ["shop_id", "job_id", "operation_no"]) for t in ("operation_panels", "draws", "target_weighings")
    ],
}


Unread = dict[
    tuple[int, str], list[int]
]  # rank of a file, table -> lines of refused rows of which the unit cannot be told


def without_deleted(
    books: dict[str, Book], reads: list[FileRead], warnings: Warnings, only: Collection[str], unread: Unread
) -> dict[str, Book]:
    """The books with what complete exports leave out of the tables `only` superseded. `reads` in order of export;
    `unread`: what `unread_units` finds in the books of all shops."""
    ranks = [rank for rank, read in enumerate(reads) if read.complete_for]
    books = dict(books)
    for rank in ranks:
        span = reads[rank].complete_for or "days"
        for table in reads[rank].tables:
            if table not in _UNITS or table not in only:
                continue
            if lines := unread.get((rank, table)):
                warnings.add(rank, table, "not_deleted", remark=Remark(lines=set(lines), first=(0, {"span": span})))
                continue
            gone = _gone(books[table], table, rank, span)
            if gone.is_empty():
                continue
            n = 0
            for child, unit in [(table, _UNITS[table][1]), *_CHILDREN.get(table, [])]:
                books[child], more = _superseded(books[child], gone.select(unit).unique(), rank)
                n += more
            warnings.add(rank, table, "deleted", remark=Remark(n, first=(0, {"span": span})))
    return books


def unread_units(refused: Mapping[str, pl.DataFrame], reads: list[FileRead]) -> Unread:
    """Of the exports that are complete, the lines of refused rows of which the unit cannot be told. `refused`: table -> rows
    refused, of all shops."""
    found: Unread = {}
    if any(read.complete_for for read in reads):
        for table in _UNITS.keys() & refused.keys():
            lost = refused[table].filter(pl.any_horizontal(pl.col(c).is_null() for c in _UNITS[table][1]))
            for rank, line in lost.select("@f", "line").unique().iter_rows():
                if reads[rank].complete_for:
                    found.setdefault((rank, table), []).append(line)
    return found


def _gone(book: Book, table: str, rank: int, span: str) -> pl.DataFrame:
    """The units that stand in earlier files only and fall into the span of file `rank`."""
    when, unit = _UNITS[table]
    scope = unit[0]
    columns = ["@f", *dict.fromkeys([*unit, when])]
    day = pl.col(when).cast(pl.Date)
    every = pl.concat(
        [
            book.rows.select(*columns, (pl.col("@state") == ACCEPTED).alias("@live")),
            book.refused.select(*columns, pl.col("@force").alias("@live")),
        ]
    ).with_columns(day.alias("@day"))
    first, last = pl.col("@day").min(), pl.col("@day").max()
    if span == "months":
        first, last = first.dt.month_start(), last.dt.month_end()
    spans = (
        every.filter(pl.col("@f") == rank).group_by(scope).agg(first.alias("@first"), last.alias("@last")).drop_nulls()
    )
    there = every.filter(pl.col("@f") >= rank).select(unit).unique()
    return (
        every.filter((pl.col("@f") < rank) & pl.col("@live"))
        .drop_nulls(unit)
        .group_by(unit)
        .agg(pl.col("@day").min())
        .join(there, on=unit, how="anti", nulls_equal=True)
        .join(spans, on=scope)
        .filter(pl.col("@day").is_between("@first", "@last"))
    )


def _superseded(book: Book, gone: pl.DataFrame, rank: int) -> tuple[Book, int]:
    unit = gone.columns
    mark = gone.with_columns(pl.lit(True).alias("@gone"))
    earlier = (pl.col("@f") <= rank) & pl.col("@gone").fill_null(False)
    rows = book.rows.join(mark, on=unit, how="left", maintain_order="left")
    hit = earlier & (pl.col("@state") == ACCEPTED)
    n = rows.filter(hit).height
    rows = rows.with_columns(pl.when(hit).then(pl.lit(SUPERSEDED)).otherwise("@state").alias("@state")).drop("@gone")
    refused = (
        book.refused.join(mark, on=unit, how="left", maintain_order="left")
        .with_columns((pl.col("@force") & ~earlier).alias("@force"))
        .drop("@gone")
    )
    return Book(book.table, rows, refused), n
