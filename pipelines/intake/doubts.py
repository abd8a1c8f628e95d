"""What is used as it stands and yet cannot quite be right: each file is told, no row is refused and no number moves.

The contract refuses what would give a wrong number or none; what stands here contradicts other rows and may still be a slip
of the clock or of a name. Every remark begins with `DOUBTFUL`, so that the closing lines of a run can find it.
"""

from collections.abc import Callable

import polars as pl

from pipelines.intake.book import SUPERSEDED, Book, Remark, Warnings
from pipelines.intake.cross import substrates
from pipelines.intake.files import Source, natural_order
from pipelines.intake.messages import DOUBTFUL
from pipelines.intake.read import FileRead

#: one pour of more than this (g) is a drum, not a cup: a unit or a decimal mark has slipped
HEAVY_G = 50_000
_JOB, _STEP, _CUP = ["shop_id", "job_id"], ["shop_id", "job_id", "operation_no"], ["shop_id", "mix_id"]


def noted(books: dict[str, Book], reads: list[FileRead], units: dict[str, list[str]], warnings: Warnings) -> None:
    """Add a remark to every file with doubtful rows. `reads` in order of export; `units`: table looked at -> what
    supersedes as a whole."""

    def tell(table: str, code: str, rows: pl.DataFrame, *blanks: str) -> None:
        for (rank,), part in rows.sort("line", *blanks).group_by("@f", maintain_order=True):
            first = (part["line"][0], part.select(blanks).row(0, named=True))
            warnings.add(rank, table, code, remark=Remark(part.height, set(part["line"]), first=first))

    _draws(books, tell)
    _readings(books, tell)
    _cups(books, tell)
    _without_jobs(books, warnings)
    _equal_names(books, reads, units, warnings)


Tell = Callable[..., None]


def _draws(books: dict[str, Book], tell: Tell) -> None:
    """A cup of another product, and a cup that was poured when the operation was over."""
    steps = books["operations"].current().select(*_STEP, "kind", "product_id", "started_at", "ended_at")
    cups = (
        books["pours"]
        .current()
        .group_by(_CUP)
        .agg(pl.col("product_id").drop_nulls().unique().sort().alias("held"), pl.col("poured_at").min().alias("poured"))
    )
    drawn = books["draws"].current().select("@f", "line", *_STEP, "mix_id").join(steps, on=_STEP).join(cups, on=_CUP)
    other = drawn.filter(pl.col("product_id").is_not_null() & ~pl.col("held").list.contains(pl.col("product_id")))
    tell(
        "draws",
        "doubt_product",
        other.with_columns(pl.col("held").list.join(", ")),
        *("operation_no", "job_id", "product_id", "mix_id", "held"),
    )
    # one that began before its only cup was mixed began with masking, say; where it has no end, its beginning speaks
    first = pl.col("poured").min().over(_STEP)
    late = drawn.filter(
        pl.when(pl.col("ended_at").is_not_null())
        .then(pl.col("ended_at") < pl.col("poured"))
        .otherwise(pl.col("started_at") < first)
    )
    tell("draws", "doubt_early", late, "operation_no", "job_id", "mix_id", "poured")


def _readings(books: dict[str, Book], tell: Tell) -> None:
    """Gauges that do not read the metal, and stages after an operation that nobody recorded."""
    readings = books["readings"]
    seen = substrates(books).filter((pl.col("principle") == "eddy") & (pl.col("substrate") == "steel"))
    places = readings.current().select("@i", "@f", "line")
    tell(
        "readings",
        "doubt_eddy",
        places.join(seen.select("@i", "gauge_id", "panel_id"), on="@i"),
        "gauge_id",
        "panel_id",
    )
    known = books["operations"].seen(*_STEP).rename({"operation_no": "after_operation"})
    after = readings.current().filter(pl.col("after_operation") > 0)
    nowhere = after.join(known, on=[*_JOB, "after_operation"], how="anti")
    tell("readings", "doubt_stage", nowhere, "after_operation", "job_id")


def _cups(books: dict[str, Book], tell: Tell) -> None:
    """Cups of two products, pours that no cup holds, and weigh-backs from before the cup was poured."""
    pours = books["pours"].current()
    many = pours.filter(pl.col("product_id").n_unique().over(_CUP) > 1)
    tell("pours", "doubt_two_products", many, "mix_id")
    poured = pours.group_by(_CUP).agg(pl.col("poured_at").min().alias("poured"))
    tell("pours", "doubt_heavy", pours.filter(pl.col("weighed_g").abs() > HEAVY_G), "mix_id", "weighed_g")
    back = books["leftovers"].current().join(poured, on=_CUP)
    tell("leftovers", "doubt_weighed", back.filter(pl.col("weighed_at") < pl.col("poured")), "mix_id", "poured")


def _without_jobs(books: dict[str, Book], warnings: Warnings) -> None:
    """Operations of a shop of which jobs says nothing: job ids go unchecked and classes of vehicle are unknown."""
    known = books["jobs"].seen("shop_id")
    lost = books["operations"].current().join(known, on="shop_id", how="anti")
    for rank, shop in lost.select("@f", "shop_id").unique().sort("@f", "shop_id").iter_rows():
        warnings.add(rank, "operations", "doubt_jobs", shop)


def _equal_names(
    books: dict[str, Book], reads: list[FileRead], units: dict[str, list[str]], warnings: Warnings
) -> None:
    """Two files of one name where the one replaces rows of the other: folder or ending alone say which is later."""
    by_name: dict[object, list[int]] = {}
    for rank, read in enumerate(reads):
        if read.state == "read":
            name = (read.exported_at, natural_order(read.file)[0], Source(read.file).is_register)
            by_name.setdefault(name, []).append(rank)
    alike = {rank: ranks[0] for ranks in by_name.values() if len(ranks) > 1 for rank in ranks}
    for table, unit in units.items() if alike else ():
        for later, earlier in _replaced(books[table], unit, alike):
            remark = Remark(ranks=set(earlier), first=(0, {"later": reads[later].file}))
            warnings.add(later, table, "doubt_name", remark=remark)


def _replaced(book: Book, unit: list[str], alike: dict[int, int]) -> list[tuple[int, list[int]]]:
    """The files that hold the last version of a unit of which files of the same name hold a superseded row, with those.
    `alike`: rank -> the first rank of that name."""
    group = pl.col("@f").replace_strict(alike, default=None, return_dtype=pl.Int64).alias("@name")
    every, refused = (f.with_columns(group).filter(pl.col("@name").is_not_null()) for f in (book.rows, book.refused))
    unit = [*unit, "@name"]
    old = pl.concat(
        [
            every.filter(pl.col("@state") == SUPERSEDED).select("@f", *unit),
            refused.filter(~pl.col("@force")).select("@f", *unit),
        ]
    ).unique()
    if old.is_empty():
        return []
    new = pl.concat([f.select(*unit, pl.col("@f").alias("@last")) for f in (every, refused)])
    last = (
        new.join(old.select(unit).unique(), on=unit, how="semi", nulls_equal=True).group_by(unit).agg(pl.max("@last"))
    )
    pairs = (
        old.join(last, on=unit, nulls_equal=True).select("@f", "@last").unique().filter(pl.col("@f") < pl.col("@last"))
    )
    found: dict[int, list[int]] = {}
    for one, other in pairs.sort("@last", "@f").iter_rows():
        found.setdefault(other, []).append(one)
    return list(found.items())


def told(intake_files: pl.DataFrame) -> list[list[str]]:
    """The remarks of `noted`, each as [file, remark], out of the messages of the table intake_files."""
    files = intake_files.filter(pl.col("message").str.contains(DOUBTFUL, literal=True)).sort("file", "table")
    pairs = [
        (file, remark)
        for file, message in files.select("file", "message").iter_rows()
        for remark in message.split("; ")
        if remark.startswith(DOUBTFUL)
    ]
    return [list(pair) for pair in dict.fromkeys(pairs)]
