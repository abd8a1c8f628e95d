"""What a row cannot say alone: the shop's time zone, the number of a weigh-back, the weight of a volume, the stage at
which a panel was read. Each step takes a book and gives it back with the column filled, or the row refused.
"""

import zoneinfo
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from functools import cache

import polars as pl

from pipelines.intake.bringing_together.table_rows import ACCEPTED, Book, Remark, Warnings, said
from pipelines.toml_texts import is_zone
from schemas import validate

# --- time zones -------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Zones:
    """Which zone a shop keeps. The shop's own wins, then the layout's of the file, then the workspace's."""

    shops: dict[str, str]
    default: str
    files: dict[int, str]

    @staticmethod
    def of(shops: pl.DataFrame, default: str, files: dict[int, str | None]) -> "Zones":
        own = dict(shops.select("shop_id", "time_zone").drop_nulls().iter_rows())
        return Zones(own, default, {k: v for k, v in files.items() if v})

    def column(self, rows: pl.DataFrame) -> pl.Series:
        """The zone of each row, null where none is named."""
        zone = pl.col("@f").replace_strict(self.files, default=self.default or None, return_dtype=pl.String)
        if "shop_id" in rows.columns and self.shops:
            own = pl.col("shop_id").replace_strict(self.shops, default=None, return_dtype=pl.String)
            zone = pl.coalesce(own, zone)
        return rows.select(zone.alias("zone"))["zone"]


def known_zones(shops: Book) -> Book:
    """Shops whose time zone is none are refused."""

    named = shops.current().filter(pl.col("time_zone").is_not_null())
    bad = [name for name in named["time_zone"].unique() if not is_zone(name)]
    return shops.refuse(said(named.filter(pl.col("time_zone").is_in(bad)), "time_zone", "zone_name", found="time_zone"))


def _with(rows: pl.DataFrame, column: str, found: pl.DataFrame) -> pl.DataFrame:
    """Rows with other cells of a column, where `found` (@i, @new) has one."""
    rows = rows.join(found.select("@i", "@new"), on="@i", how="left", maintain_order="left")
    return rows.with_columns(pl.coalesce("@new", column).alias(column)).drop("@new")


def local_times(table: str, book: Book, zones: Zones, warnings: Warnings) -> Book:
    """Times as the naive local time of the shop: those with an offset converted, those in a spring gap moved forward by
    the length of the gap, those that autumn repeats taken as the first; both counted. A time with an offset and no zone
    to convert it to is refused."""
    reasons = []
    rows = book.rows
    if rows.is_empty():
        return book
    times = [info for info in validate.columns(table) if info.kind == "datetime"]
    zone = zones.column(rows) if times else pl.Series()
    for info in times:
        mark = f"{info.name}@utc"
        if mark in rows.columns and rows[mark].any():
            lost = rows.filter(pl.col(mark) & zone.is_null())
            reasons.append(said(lost, info.name, "no_zone"))
            values = rows[info.name]
            for name in zone.filter(rows[mark]).drop_nulls().unique():
                there = values.dt.replace_time_zone("UTC").dt.convert_time_zone(name).dt.replace_time_zone(None)
                values = pl.select(
                    pl.when((zone == name).fill_null(False) & rows[mark]).then(there).otherwise(values)
                ).to_series()
            rows = rows.with_columns(values.alias(info.name))
        rows = _changes_of_clock(table, rows, info.name, zone, mark, warnings)
    marks = [c for c in rows.columns if c.endswith("@utc")]
    book = book.with_state(rows.drop(marks) if marks else rows) if rows is not book.rows or marks else book
    return book.refuse(pl.concat(reasons)) if reasons else book


def _changes_of_clock(
    table: str, rows: pl.DataFrame, column: str, zone: pl.Series, mark: str, warnings: Warnings
) -> pl.DataFrame:
    naive = rows[column].is_not_null() & zone.is_not_null()
    if mark in rows.columns:
        naive = naive & ~rows[mark]
    if not naive.any():
        return rows
    days = rows.lazy().select(zone=zone, day=pl.col(column).dt.date()).filter(naive).unique().collect()
    change = [(z, d) for z, d in days.iter_rows() if _changes(z, d)]
    if not change:
        return rows
    wanted = pl.DataFrame(change, schema={"zone": pl.String, "day": pl.Date}, orient="row")
    near = (
        rows.select("@i", "@f", pl.col(column).alias("at"), zone.alias("zone"), naive.alias("naive"))
        .filter("naive")
        .with_columns(pl.col("at").dt.date().alias("day"))
        .join(wanted, on=["zone", "day"], how="semi")
    )
    told = {(z, at): _read_clock(z, at) for z, at in near.select("zone", "at").unique().iter_rows()}
    moved: dict[int, datetime] = {}
    counts: dict[tuple[int, str], int] = {}
    for i, rank, at, name in near.select("@i", "@f", "at", "zone").iter_rows():
        kind, value = told[(name, at)]
        if kind:
            counts[(rank, kind)] = counts.get((rank, kind), 0) + 1
            moved[i] = value
    for (rank, kind), n in sorted(counts.items()):
        warnings.add(rank, table, kind, column, Remark(n))
    if not moved:
        return rows
    new = pl.DataFrame(
        {"@i": list(moved), "@new": list(moved.values())}, schema={"@i": pl.Int64, "@new": pl.Datetime("us")}
    )
    return _with(rows, column, new)


@cache
def _changes(zone: str, day: date) -> bool:
    """Whether the zone's offset changes on this day, or in the hours next to it."""
    info = zoneinfo.ZoneInfo(zone)
    noon = datetime(day.year, day.month, day.day, 12)
    hours = [noon + timedelta(hours=h) for h in (-13, 13)]
    return len({h.replace(tzinfo=info).utcoffset() for h in hours}) > 1


def _read_clock(zone: str, at: datetime) -> tuple[str, datetime]:
    """('' | 'gap_times' | 'twice_times', the time to keep). In a gap, the offset from before it counts (PEP 495,
    fold=0), which moves the time forward by the gap's length."""
    info = zoneinfo.ZoneInfo(zone)
    first, second = at.replace(tzinfo=info, fold=0), at.replace(tzinfo=info, fold=1)
    if first.utcoffset() == second.utcoffset():
        return "", at
    back = first.astimezone(UTC).astimezone(info).replace(tzinfo=None)
    return ("twice_times", at) if back == at else ("gap_times", back)


# --- weigh-backs ------------------------------------------------------------------------------------------------------


def numbered_leftovers(book: Book) -> Book:
    """weigh_no where it is missing: 1, 2, ... in order of time; where a cup has numbers too, on from the highest."""
    current = book.current().filter(pl.col("weigh_no").is_null())
    if current.is_empty():
        return book
    cup = ["shop_id", "mix_id"]
    highest = book.current().group_by(cup).agg(pl.col("weigh_no").max().fill_null(0).alias("@high"))
    numbers = (
        current.sort(*cup, "weighed_at", "@f", "line")
        .join(highest, on=cup, how="left", maintain_order="left")
        .select("@i", (pl.col("@high") + pl.int_range(1, pl.len() + 1).over(cup)).alias("@new"))
    )
    return book.with_state(_with(book.rows, "weigh_no", numbers))


# --- volumes ----------------------------------------------------------------------------------------------------------


def volumes_to_mass(table: str, book: Book, components: Book) -> Book:
    """Volumes (ml) turned into g by the density of the component that is valid on the day."""
    marks = [c for c in book.rows.columns if c.endswith("@ml")]
    rows = book.rows
    if not marks or not any(rows[m].any() for m in marks):
        return book.with_state(rows.drop(marks)) if marks else book
    when = next((i.name for i in validate.columns(table) if i.kind in ("datetime", "date") and i.required), None)
    day = pl.col(when).cast(pl.Date) if when else pl.lit(None, pl.Date)
    days = rows.select("@i", "component_id", day.alias("@day"))
    densities = valid_at(days, components.current(), "density_g_per_ml")
    rows = rows.join(densities, on="@i", how="left", maintain_order="left")
    reasons = []
    for mark in marks:
        column = mark.removesuffix("@ml")
        lost = rows.filter(pl.col(mark) & pl.col("density_g_per_ml").is_null() & (pl.col("@state") == ACCEPTED))
        reasons.append(said(lost, column, "no_density", component="component_id"))
        rows = rows.with_columns(
            pl.when(mark).then(pl.col(column) * pl.col("density_g_per_ml")).otherwise(column).alias(column)
        )
    book = book.with_state(rows.drop([*marks, "density_g_per_ml"]))
    return book.refuse(pl.concat(reasons))


def valid_at(rows: pl.DataFrame, register: pl.DataFrame, column: str) -> pl.DataFrame:
    """@i and `column` of the component's row valid on @day: the latest valid_from not after it; an empty one is valid
    from ever. `rows`: @i, component_id, @day."""
    versions = register.select(
        "component_id", pl.col("valid_from").fill_null(date(1, 1, 1)).alias("@from"), column
    ).sort("@from")
    days = rows.with_columns(pl.col("@day").fill_null(date(1, 1, 1))).sort("@day")
    found = days.join_asof(
        versions, left_on="@day", right_on="@from", by="component_id", strategy="backward", check_sortedness=False
    )
    return found.select("@i", column)


# --- the stage at which a panel was read ------------------------------------------------------------------------------


def stages_from_time(readings: Book, books: dict[str, Book]) -> Book:
    """after_operation where it is missing: the last operation on that panel that had ended when the reading was taken;
    0 before any. An operation without an end counts as ended when it started. A strip is read with the panel it stands
    for.

    Refused: neither given; two operations that ended last at the same time; a job of which something about its
    operations was refused for this panel, since the operation that came last may be the one that could not be read.
    """
    todo = readings.current().filter(pl.col("after_operation").is_null())
    if todo.is_empty():
        return readings
    todo = todo.select("@i", "shop_id", "job_id", "panel_id", "witness_of", "taken_at").with_columns(
        pl.coalesce("witness_of", "panel_id").alias("@panel")
    )
    job = ["shop_id", "job_id"]
    timeless = todo.filter(pl.col("taken_at").is_null())
    todo = todo.filter(pl.col("taken_at").is_not_null())

    lost = _unread_operations(books)
    blind = todo.join(lost.filter(pl.col("@panel").is_null()).select(job).unique(), on=job, how="semi")
    blind = pl.concat(
        [blind, todo.join(lost.drop_nulls().select(*job, "@panel").unique(), on=[*job, "@panel"], how="semi")]
    ).unique("@i")
    todo = todo.join(blind.select("@i"), on="@i", how="anti")

    operations = (
        books["operations"]
        .current()
        .select(*job, "operation_no", "kind", pl.coalesce("ended_at", "started_at").alias("@ended"))
    )
    panels = books["operation_panels"].current().select(*job, "operation_no", "panel_id").unique()
    named = panels.join(operations, on=[*job, "operation_no"]).rename({"panel_id": "@panel"})
    everywhere = operations.filter(pl.col("kind") != "spray").join(panels, on=[*job, "operation_no"], how="anti")
    pairs = pl.concat(
        [
            todo.join(named, on=[*job, "@panel"]).select("@i", "taken_at", "operation_no", "@ended"),
            todo.join(everywhere, on=job).select("@i", "taken_at", "operation_no", "@ended"),
        ]
    ).filter(pl.col("@ended") <= pl.col("taken_at"))
    last = (
        pairs.filter(pl.col("@ended") == pl.col("@ended").max().over("@i"))
        .group_by("@i")
        .agg(pl.col("operation_no").unique().sort().alias("@candidates"))
        .with_columns(pl.col("@candidates").list.len().alias("@n"))
    )
    found = todo.join(last, on="@i", how="left").with_columns(
        pl.when(pl.col("@n").is_null())
        .then(pl.lit(0, pl.Int64))
        .when(pl.col("@n") == 1)
        .then(pl.col("@candidates").list.first())
        .alias("@new")
    )
    tied = found.filter(pl.col("@n") > 1).with_columns(
        pl.col("@candidates").list.first().alias("@first"), pl.col("@candidates").list.get(1).alias("@second")
    )
    reasons = [
        said(timeless, "after_operation", "stage_missing"),
        said(blind, "after_operation", "stage_refused", job="job_id"),
        said(tied, "after_operation", "stage_tie", first="@first", second="@second", panel="@panel"),
    ]
    return readings.with_state(_with(readings.rows, "after_operation", found)).refuse(pl.concat(reasons))


def _unread_operations(books: dict[str, Book]) -> pl.DataFrame:
    """shop_id, job_id, @panel (null: all panels) of whatever was refused about the operations of a job."""
    job = ["shop_id", "job_id"]
    steps, panels = (books[table].refused.filter("@force") for table in ("operations", "operation_panels"))
    every = [
        steps.select(*job, pl.lit(None, pl.String).alias("@panel")),
        panels.select(*job, pl.col("panel_id").alias("@panel")),
    ]
    return pl.concat(every).drop_nulls(job).unique()
