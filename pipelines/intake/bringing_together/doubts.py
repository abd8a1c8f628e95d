"""What is used as it stands and yet cannot quite be right: each file is told, no row is refused and no number moves.

The contract refuses what would give a wrong number or none; what stands here contradicts other rows and may still be a slip
of the clock or of a name. Every remark begins with `DOUBTFUL`, so that the closing lines of a run can find it.
"""

from collections.abc import Callable

import polars as pl

from pipelines.intake.bringing_together import implausible
from pipelines.intake.bringing_together.cross_checks import substrates
from pipelines.intake.bringing_together.table_rows import ACCEPTED, REFUSED, SUPERSEDED, Book, Remark, Warnings, hold
from pipelines.intake.messages import DOUBTFUL, FIGURES
from pipelines.intake.reading.files import Source, natural_order
from pipelines.intake.reading.read import FileRead

#: one pour of more than this (g) is a drum, not a cup: a unit or a decimal mark has slipped
HEAVY_G = 50_000
#: the middle of a column outside these bounds (of so many rows) is of no usual size, so that a unit has slipped; common practice,
#: no published source. table, column, least, most, unit
SIZES = (
    ("readings", "reading_um", 8.0, 800.0, "um"), ("operation_panels", "area_m2", 0.12, 5.0, "m2"), ("operations", "inlet_kpa", 70.0, 750.0, "kPa"),
    ("operations", "tip_mm", 0.6, 3.5, "mm"), ("cleaning", "issued_g", 30.0, 20_000.0, "g"), ("stock", "mass_g", 100.0, 300_000.0, "g"),
    ("unscaled_use", "mass_g", 10.0, 20_000.0, "g"), ("gauge_checks", "shim_um", 8.0, 2_000.0, "um"),
    ("operation_panels", "covered_fraction", 0.03, 1.0, "of 1"),
)  # fmt: skip
ENOUGH = 8  # rows or cups, fewer say nothing of a unit
CUP_G = (40.0, 6_000.0)
USED_G_PER_M2 = (100.0, 370.0)  # ready to spray, per m2 and operation
RISING, TAKEN_OUT, UNREAD_DATES, FAR_DAYS, LEFT_LEAST = 0.97, 0.10, 0.20, 45, 0.006
_JOB, _STEP, _CUP = ["shop_id", "job_id"], ["shop_id", "job_id", "operation_no"], ["shop_id", "mix_id"]


def noted(books: dict[str, Book], reads: list[FileRead], units: dict[str, list[str]], warnings: Warnings) -> None:
    """Add a remark to every file with doubtful rows. `reads` in order of export; `units`: table looked at -> what
    supersedes as a whole."""

    def tell(table: str, code: str, rows: pl.DataFrame, *blanks: str) -> None:
        for (rank,), part in rows.sort("line", *blanks).group_by("@f", maintain_order=True):
            first = (part["line"][0], part.select(blanks).row(0, named=True))
            warnings.add(rank, table, code, remark=Remark(part.height, set(part["line"]), first=first))

    if hold(books, "draws", "operations", "pours"):
        _draws(books, tell)
    if hold(books, "readings"):
        _readings(books, tell)
    if hold(books, "pours"):
        _cups(books, tell)
    if hold(books, "operations"):
        _without_jobs(books, warnings)
    for table, column, least, most, unit in SIZES:
        if hold(books, table, rows=ENOUGH):
            _sized(books[table], column, (least, most), unit, warnings)
    if hold(books, "pours", rows=ENOUGH):
        _poured(books, warnings)
    if hold(books, "draws", "pours", "operation_panels", rows=2 * ENOUGH):
        _used(books, warnings)
    _dated(books, warnings)
    implausible.noted(books, warnings, registers="components" in units)
    _equal_names(books, reads, units, warnings)


Tell = Callable[..., None]


def _draws(books: dict[str, Book], tell: Tell) -> None:
    """A cup of another product, and a cup that was poured when the operation was over."""
    steps = books["operations"].current().select(*_STEP, "kind", "product_id", "started_at", "ended_at")
    held = pl.col("product_id").drop_nulls().unique().sort().alias("held")
    cups = books["pours"].current().group_by(_CUP).agg(held, pl.col("poured_at").min().alias("poured"))
    drawn = books["draws"].current().select("@f", "line", *_STEP, "mix_id").join(steps, on=_STEP).join(cups, on=_CUP)
    other = drawn.filter(pl.col("product_id").is_not_null() & ~pl.col("held").list.contains(pl.col("product_id")))
    other = other.with_columns(pl.col("held").list.join(", "))
    tell("draws", "doubt_product", other, "operation_no", "job_id", "product_id", "mix_id", "held")
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
    if hold(books, "gauges"):
        seen = substrates(books, "eddy").filter(pl.col("substrate") == "steel")
        places = readings.current().select("@i", "@f", "line")
        there = places.join(seen.select("@i", "gauge_id", "panel_id"), on="@i")
        tell("readings", "doubt_eddy", there, "gauge_id", "panel_id")
    known = books["operations"].seen(*_STEP).rename({"operation_no": "after_operation"})
    after = readings.current().filter(pl.col("after_operation") > 0)
    nowhere = after.join(known, on=[*_JOB, "after_operation"], how="anti")
    tell("readings", "doubt_stage", nowhere, "after_operation", "job_id")
    ends = books["operations"].current().select(*_JOB, pl.col("operation_no").alias("after_operation"), "ended_at")
    early = after.join(ends, on=[*_JOB, "after_operation"]).filter(pl.col("taken_at") < pl.col("ended_at"))
    tell("readings", "doubt_early_reading", early, "after_operation", "job_id", "panel_id", "taken_at")


def _cups(books: dict[str, Book], tell: Tell) -> None:
    """Cups of two products, pours that no cup holds, and weigh-backs from before the cup was poured."""
    pours = books["pours"].current()
    product = pl.col("product_id")
    poured = pours.group_by(_CUP).agg(
        pl.col("poured_at").min().alias("poured"), (product.min() != product.max()).alias("@two")
    )
    tell("pours", "doubt_two_products", pours.join(poured.filter("@two"), on=_CUP, how="semi"), "mix_id")
    tell("pours", "doubt_heavy", pours.filter(pl.col("weighed_g").abs() > HEAVY_G), "mix_id", "weighed_g")
    back = books["leftovers"].current().join(poured, on=_CUP)
    tell("leftovers", "doubt_weighed", back.filter(pl.col("weighed_at") < pl.col("poured")), "mix_id", "poured")


def _without_jobs(books: dict[str, Book], warnings: Warnings) -> None:
    """Operations of a shop of which jobs says nothing: job ids go unchecked and classes of vehicle are unknown."""
    known = books["jobs"].seen("shop_id")
    lost = books["operations"].current().join(known, on="shop_id", how="anti")
    for rank, shop in lost.select("@f", "shop_id").unique().sort("@f", "shop_id").iter_rows():
        warnings.add(rank, "operations", "doubt_jobs", shop)


def _sized(book: Book, column: str, bounds: tuple[float, float], unit: str, warnings: Warnings) -> None:
    """A column whose middle is of no usual size."""
    rows = book.current().filter(pl.col(column).is_not_null())
    by = ["@f", *(["shop_id"] if "shop_id" in rows.columns else [])]
    found = rows.group_by(by).agg(
        pl.len().alias("n"), pl.col(column).median().alias("middle"), pl.col(column).max().alias("largest"), pl.col("line").min()
    )  # fmt: skip
    odd = found.filter((pl.col("n") >= ENOUGH) & ~pl.col("middle").is_between(*bounds))
    warnings.tell(book.table, "doubt_size", odd, column, unit=unit, low=bounds[0], high=bounds[1])


def _poured(books: dict[str, Book], warnings: Warnings) -> None:
    """Cups of no usual size, weights that seem to run on or seem not to, and leftovers out of all proportion."""
    cup = ["@f", *_CUP]
    pours = books["pours"].current().filter(pl.col("component_id").is_not_null()).sort(*cup, "pour_no")
    falls = pl.all_horizontal(pl.col(c) == pl.col(c).shift() for c in cup) & (pl.col("weighed_g").diff() < 0)
    cups = pours.with_columns(falls.alias("falls")).group_by(cup, maintain_order=True).agg(
        pl.col("weighed_g").sum().alias("g"), pl.len().alias("pours"), (~pl.col("falls").any()).alias("rises"), pl.col("line").min()
    )  # fmt: skip
    by = ["@f", "shop_id"]
    middle, long = pl.col("g").median(), pl.col("pours") >= 3
    seen = cups.group_by(by).agg(
        pl.len().alias("n"), middle.alias("middle"), pl.col("g").max().alias("largest"), pl.col("line").min(),
        long.sum().alias("long"), (long & pl.col("rises")).sum().alias("rising"),
    )  # fmt: skip
    # those that take out more than was poured in are refused: they count here
    weighed = books["pours"].rows.filter(
        pl.col("@state").is_in([ACCEPTED, REFUSED]) & pl.col("component_id").is_not_null()
    )
    negative = (pl.col("weighed_g") < 0).sum().alias("negative")
    taken = weighed.group_by(by).agg(pl.len().alias("n"), negative, pl.col("line").min())
    sized = seen.filter(pl.col("n") >= ENOUGH, ~pl.col("middle").is_between(*CUP_G))
    warnings.tell("pours", "doubt_cups", sized)
    running = seen.filter(pl.col("long") >= ENOUGH, pl.col("rising") >= RISING * pl.col("long"))
    warnings.tell("pours", "doubt_runs_on", running.select("@f", "line", _percent("rising", "long"), n="long"))
    out = taken.filter(pl.col("n") >= ENOUGH, pl.col("negative") > TAKEN_OUT * pl.col("n"))
    warnings.tell("pours", "doubt_taken_out", out.select("@f", "line", _percent("negative", "n"), n="negative"))
    back = books["leftovers"].current().filter(pl.col("leftover_g") > 0)
    parts = back.join(cups.group_by(_CUP).agg(pl.col("g").sum()), on=_CUP).group_by(by).agg(
        pl.len().alias("n"), (pl.col("leftover_g") / pl.col("g")).median().alias("part"), pl.col("line").min()
    )  # fmt: skip
    little = parts.filter(pl.col("n") >= ENOUGH, pl.col("part") < LEFT_LEAST)
    warnings.tell("leftovers", "doubt_left", little.with_columns(percent=100 * pl.col("part")))


def _percent(part: str, whole: str) -> pl.Expr:
    return (100 * pl.col(part) / pl.col(whole)).alias("percent")


def _used(books: dict[str, Book], warnings: Warnings) -> None:
    """What was sprayed per m2, where cups are drawn and areas known: the two units watch each other."""
    back = books["leftovers"].current().sort("weighed_at", "line")
    left = back.group_by(_CUP, maintain_order=True).agg(pl.col("leftover_g").last())
    place = pl.col("@f", "line").min()
    cups = books["pours"].current().group_by(_CUP).agg(pl.col("weighed_g").sort().sum().alias("g"), place)
    used = cups.join(left, on=_CUP, how="left").with_columns(pl.col("g") - pl.col("leftover_g").fill_null(0))
    alone = books["draws"].current().filter(pl.len().over(_CUP) == 1).select(*_STEP, "mix_id")
    by_step = alone.join(used, on=_CUP).group_by(_STEP).agg(pl.col("g").sort().sum(), place)
    face = ["vehicle_class", "panel_id", "face"]
    areas = books["panel_areas"].current().select(*face, pl.col("area_m2").alias("@listed"))
    classes = books["jobs"].current().select(*_JOB, "vehicle_class")
    panels = books["operation_panels"].current().join(classes, on=_JOB, how="left").join(areas, on=face, how="left")
    area = pl.coalesce("area_m2", "@listed") * pl.col("covered_fraction")
    sprayed = panels.group_by(_STEP).agg(area.sort().sum().alias("m2"), area.is_null().any().alias("@unknown"))
    each = by_step.join(sprayed.filter(~pl.col("@unknown")), on=_STEP).filter(pl.col("m2") > 0)
    each = each.with_columns(used=pl.col("g") / pl.col("m2"))
    by = ["@f", "shop_id"]
    found = each.group_by(by).agg(pl.len().alias("n"), pl.col("used").median().alias("middle"), pl.col("line").min())
    low, high = USED_G_PER_M2
    odd = found.filter(pl.col("n") >= 2 * ENOUGH, ~pl.col("middle").is_between(low, high))
    warnings.tell("pours", "doubt_used", odd, low=low, high=high)


#: table -> its time, and the ids by which another table's time belongs to the same work
_TIMES = {
    "pours": "poured_at", "leftovers": "weighed_at", "operations": "started_at", "readings": "taken_at", "jobs": "opened_on",
}  # fmt: skip


def _dated(books: dict[str, Book], warnings: Warnings) -> None:
    """Day and month the wrong way round: dates that do not exist, and times of one job or cup that lie months apart."""
    for table, column in _TIMES.items():
        book = books[table]
        if book.refused.height < ENOUGH:
            continue
        unread = book.refused.filter(pl.col("reason").str.contains(f"^{column}: .* is not a (time|date) that exists"))
        lost = unread.group_by("@f").agg(pl.struct("item", "@i").n_unique().alias("lost"), pl.col("line").min())
        read = book.rows.group_by("@f").len("read")
        many = lost.join(read, on="@f", how="left").with_columns(pl.col("read").fill_null(0))
        many = many.filter(pl.col("lost") >= ENOUGH, pl.col("lost") > UNREAD_DATES * (pl.col("lost") + pl.col("read")))
        many = many.with_columns(pl.col("lost") + pl.col("read"), n="lost")
        warnings.tell(table, "doubt_dates", many.select("@f", "line", _percent("n", "lost"), "n"), column)
    steps = books["operations"].current().lazy().group_by(_JOB).agg(pl.col("started_at").min().alias("@of"))
    cups = books["pours"].current().lazy().group_by(_CUP).agg(pl.col("poured_at").min().alias("@of"))
    began = books["operations"].current().lazy().select(*_STEP, "started_at")
    drawn = books["draws"].current().lazy().join(began, on=_STEP)
    sprayed = drawn.group_by(_CUP).agg(pl.col("started_at").min().alias("@of"))
    for table, column, others, on in (
        ("jobs", "opened_on", steps, _JOB), ("readings", "taken_at", steps, _JOB),
        ("leftovers", "weighed_at", cups, _CUP), ("pours", "poured_at", sprayed, _CUP),
    ):  # fmt: skip
        if not hold(books, table, rows=ENOUGH):
            continue
        apart = books[table].current().lazy().join(others, on=on)
        days = (pl.col(column).cast(pl.Datetime("us")) - pl.col("@of")).dt.total_days().abs().alias("@days")
        by = ["@f", "shop_id"]
        far = apart.with_columns(days).group_by(by).agg(
            pl.len().alias("n"), (pl.col("@days") > FAR_DAYS).sum().alias("far"), pl.col("@days").max().alias("days"), pl.col("line").min()
        )  # fmt: skip
        far = far.filter(pl.col("n") >= ENOUGH, pl.col("far") > 0.1 * pl.col("n"))
        told = far.select("@f", "line", "days", _percent("far", "n"), n="far").collect()
        warnings.tell(table, "doubt_far", told, column)


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
    for table in [table for table in units if alike and not books[table].blank]:
        for later, earlier in _replaced(books[table], units[table], alike):
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
    """The remarks of `noted`, each as [file, remark], out of the messages of the table intake_files; first those that figures
    hang on."""
    files = intake_files.filter(pl.col("message").str.contains(DOUBTFUL, literal=True)).sort("file", "table")
    pairs = [
        (file, remark)
        for file, message in files.select("file", "message").iter_rows()
        for remark in message.split("; ")
        if remark.startswith(DOUBTFUL)
    ]
    return [list(pair) for pair in sorted(dict.fromkeys(pairs), key=lambda pair: not pair[1].startswith(FIGURES))]
