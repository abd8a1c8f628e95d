"""What rows of several tables must satisfy together. A row that fails is refused with every reason; its parent is
incomplete.

Which ids must be known:

- shop, component, product and gun ids must stand in their registers, always: without them a number has no meaning.
- technician, gauge and booth ids too, unless that register is completely empty: these registers carry optional facts,
  and a shop that keeps none of them is told so once per file (a warning) instead of losing its rows. Scales have no
  register.
- an operation's job must stand in jobs if jobs has any row of its shop; a reading's job in jobs or operations.
- draws, panels and targets must name an operation; draws, weigh-backs and from_mix_id a cup of the shop.
- a pour's own job_id is not checked: it is used only where it finds operations, and a mass is never lost to a wrong
  note.

Known means seen anywhere, in a refused or superseded row too: what is merely refused is not unknown, and the row that
points to it stays.
"""

from collections.abc import Sequence

import polars as pl

from pipelines.intake.bringing_together.table_rows import (
    ACCEPTED,
    REASONS,
    REFUSED,
    Book,
    Remark,
    Warnings,
    hold,
    reasons,
    said,
)
from pipelines.intake.messages import GAUGE_CANNOT_READ, WEIGHED_UP, Known, hint, say
from schemas import validate

#: registers of optional facts: an empty one checks nothing
OPTIONAL = ("technicians", "gauges", "booths")
#: at most this many distinct unknown ids of a shop's column get the nearest known id looked up
_HINTS = 50
#: uses that a permit may limit and that no product is of: solvent issued, and what has no category
OTHER_USES = ("cleaning", "surface_prep", "unscaled", "unmapped")
#: what to do about an id that nothing known is like
OTHERWISE = "; correct it, or bring what holds it"
_SLACK = 1e-9  # rounding of sums, relative


def checked(books: dict[str, Book], warnings: Warnings, own: Sequence[str]) -> dict[str, Book]:
    """All checks on the tables `own`. First the ids, then what sums and orders must satisfy among the rows that are left."""
    books = dict(books)
    why = {table: [pl.DataFrame(schema=REASONS)] for table in own if not books[table].blank}
    unread = {table: books[table].unread() for table in why if books[table].refused.height}
    more: dict[str, list[pl.DataFrame]] = {}
    for table in why:
        book = books[table]
        # rows refused only now (a tie, a conflict) and rows that could not be read get their further reasons too
        late = book.current()
        if late.height < book.rows.height:
            late = book.rows.filter(pl.col("@state").is_in([ACCEPTED, REFUSED]))
        why[table] += _unknown_ids(table, late, books, warnings)
        if table in unread:
            more[table] = _unknown_ids(table, unread[table], books, Warnings())
    if "readings" in why:
        why["readings"] += [_gauge_sees(books), _strips(books)]
    if "operations" in why:
        redone = books["operations"].current().filter(pl.col("redo_of").is_not_null())
        why["operations"] += [_unknown_operations(redone, "redo_of", books)]
    if "permit_limits" in why:
        why["permit_limits"] += [_unknown_uses(books)]
    for table, found in why.items():
        books[table] = books[table].refuse(pl.concat(found))
        if more.get(table):
            books[table] = books[table].more_reasons(unread[table], pl.concat(more[table]))
    for table, sums in (("pours", _net_negative), ("draws", _shares), ("leftovers", _leftovers)):
        if table in why:
            books[table] = books[table].refuse(sums(books))
    return books


# --- ids --------------------------------------------------------------------------------------------------------------


def _unknown_ids(table: str, current: pl.DataFrame, books: dict[str, Book], warnings: Warnings) -> list[pl.DataFrame]:
    if current.is_empty():
        return []
    found = []
    for info in validate.columns(table):
        target = info.refers_to
        if target == "operations":
            found.append(_unknown_operations(current, info.name, books))
        elif target == "jobs":
            found.append(_unknown_jobs(table, current, info.name, books))
        elif target == "pours":
            found.append(_unknown_cups(current, info.name, books))
        elif target:
            own = validate.keys(target)[0]  # a gun that is replaced is a gun too
            known = books[target].seen(own)
            if known.is_empty() and target in OPTIONAL:
                for rank in current.filter(pl.col(info.name).is_not_null())["@f"].unique():
                    warnings.add(rank, table, "open_register", info.name, Remark(first=(0, {"register": target})))
                continue
            given = current.lazy().filter(pl.col(info.name).is_not_null())
            lost = given.join(known.lazy(), left_on=info.name, right_on=own, how="anti").collect()
            if lost.height:
                found.append(_not_in(lost, info.name, f"registers/{target}.csv", Known(known[own])))
    if table == "pours":
        found.append(_unknown_cups(current, "from_mix_id", books))
    return found


def _not_in(lost: pl.DataFrame, column: str, table: str, known: Known) -> pl.DataFrame:
    hints = _Hints()

    def told(found: str, shop: str | None = None) -> str:
        near = hints.of(shop, known, found) or (OTHERWISE if known else " (it is empty)")
        return say("unknown_id", column=column, found=found, table=table, hint=near)

    blanks = dict.fromkeys([column, *(["shop_id"] if "shop_id" in lost.columns else [])])
    return reasons(lost, column, told, *blanks)


class _Hints:
    """Looks up the nearest known id, for each shop `_HINTS` times: what a shop is told does not hang on other shops."""

    def __init__(self) -> None:
        self.asked: dict[str | None, int] = {}

    def of(self, shop: str | None, known: Known, found: str) -> str:
        asked = self.asked[shop] = self.asked.get(shop, 0) + 1
        return known.hint(found) if asked <= _HINTS else ""


def _unknown_cups(current: pl.DataFrame, column: str, books: dict[str, Book]) -> pl.DataFrame:
    known = books["pours"].seen("shop_id", "mix_id")
    told = current.lazy().filter(pl.col("shop_id").is_not_null() & pl.col(column).is_not_null())
    lost = told.join(known.lazy(), left_on=["shop_id", column], right_on=["shop_id", "mix_id"], how="anti").collect()
    return _hinted_by_shop(lost, column, "pours", known, "mix_id")


def _hinted_by_shop(
    lost: pl.DataFrame, column: str, table: str, known: pl.DataFrame, known_column: str
) -> pl.DataFrame:
    parts = [pl.DataFrame(schema=REASONS)]
    for (shop,), rows in lost.group_by("shop_id", maintain_order=True):
        ids = known.filter(pl.col("shop_id") == shop)[known_column]
        parts.append(_not_in(rows, column, f"{table} of shop '{shop}'", Known(ids)))
    return pl.concat(parts)


def _unknown_jobs(table: str, current: pl.DataFrame, column: str, books: dict[str, Book]) -> pl.DataFrame:
    jobs = books["jobs"].seen("shop_id", "job_id")
    operations = books["operations"].seen("shop_id", "job_id")
    known = jobs if table == "operations" else pl.concat([jobs, operations]).unique()
    shops = known.select("shop_id").unique()  # a shop without any is not asked
    told = current.lazy().filter(pl.col("job_id").is_not_null()).join(shops.lazy(), on="shop_id", how="semi")
    lost = told.join(known.lazy(), on=["shop_id", "job_id"], how="anti").collect()
    return _hinted_by_shop(lost, column, "jobs" if table == "operations" else "jobs or operations", known, "job_id")


def _unknown_operations(current: pl.DataFrame, column: str, books: dict[str, Book]) -> pl.DataFrame:
    known = books["operations"].seen("shop_id", "job_id", "operation_no")
    job = ["shop_id", "job_id"]
    told = current.lazy().filter(pl.all_horizontal(pl.col(c).is_not_null() for c in (*job, column)))
    lost = told.join(known.lazy(), left_on=[*job, column], right_on=[*job, "operation_no"], how="anti").collect()
    if lost.is_empty():
        return pl.DataFrame(schema=REASONS)
    there = known.join(lost.select(job).unique(), on=job, how="semi").group_by(job).agg(pl.col("operation_no").sort())
    steps = {(shop, number): numbers for shop, number, numbers in there.iter_rows()}
    jobs: dict[str, Known] = {}
    hints = _Hints()

    def why(shop: str, job: str, number: int) -> str:
        listed = steps.get((shop, job), [])
        near = f" (it has {', '.join(map(str, listed[:20]))})" if listed else ""
        if not listed:
            if shop not in jobs:
                jobs[shop] = Known(known.filter(pl.col("shop_id") == shop)["job_id"])
            near = hints.of(shop, jobs[shop], job)
        return say("unknown_operation", column=column, found=number, job=job, hint=near)

    return reasons(lost, column, why, "shop_id", "job_id", column)


def _unknown_uses(books: dict[str, Book]) -> pl.DataFrame:
    """Limits on the use of a category that nothing is of: a permit that cannot be judged is not 0 % used."""
    known = sorted({*books["product_categories"].seen("category")["category"], *OTHER_USES})
    asked = books["permit_limits"].current().with_columns(category=pl.col("measure").str.extract(r"^rts_l:(.+)$"))
    lost = asked.filter(pl.col("category").is_not_null() & ~pl.col("category").is_in(known))

    def told(category: str) -> str:
        return say("unknown_use", found=category, known=", ".join(known), hint=hint(category, known))

    return reasons(lost, "measure", told, "category")


# --- readings ---------------------------------------------------------------------------------------------------------


def _strips(books: dict[str, Book]) -> pl.DataFrame:
    """A strip stands for a panel of its job: one that an operation covered, or that was read itself."""
    strips = books["readings"].current().filter(pl.col("witness_of").is_not_null())
    if strips.is_empty():
        return pl.DataFrame(schema=REASONS)
    job = ["shop_id", "job_id"]
    read = pl.concat(
        [
            frame.filter(pl.col("witness_of").is_null()).select(*job, "panel_id")
            for frame in (books["readings"].rows, books["readings"].refused)
        ]
    )
    known = pl.concat([books["operation_panels"].seen(*job, "panel_id"), read.drop_nulls()]).unique()
    itself = strips.filter(pl.col("witness_of") == pl.col("panel_id"))
    lost = strips.join(known, left_on=[*job, "witness_of"], right_on=[*job, "panel_id"], how="anti")
    lost = lost.filter(pl.col("witness_of") != pl.col("panel_id"))
    panels: dict[tuple[str, str], list[str]] = {}
    if lost.height:
        wanted = known.join(lost.select(job).unique(), on=job, how="semi")
        for shop, number, panel in wanted.iter_rows():
            panels.setdefault((shop, number), []).append(panel)

    def told(shop: str, number: str, found: str) -> str:
        return say("witness_nowhere", found=found, job=number, hint=hint(found, panels.get((shop, number), [])))

    nowhere = reasons(lost, "witness_of", told, *job, "witness_of")
    return pl.concat([said(itself, "witness_of", "witness_self"), nowhere])


def substrates(books: dict[str, Book], *principles: str) -> pl.DataFrame:
    """@i, panel, gauge_id, principle, substrate of every reading in force by a gauge of these principles, strips aside.

    The substrate is the one operation_panels states for the panel (the outer face before others), else that of
    panel_areas for the job's class of vehicle. Where what is stated disagrees it counts as unknown. A strip is steel or
    foil.
    """
    readings = books["readings"].current().filter(pl.col("gauge_id").is_not_null() & pl.col("witness_of").is_null())
    gauges = books["gauges"].current().select("gauge_id", "principle").filter(pl.col("principle").is_in(principles))
    readings = readings.select("@i", "shop_id", "job_id", "panel_id", "gauge_id").join(gauges, on="gauge_id")
    panel = ["shop_id", "job_id", "panel_id"]
    if readings.is_empty():
        return readings.with_columns(pl.lit(None, pl.String).alias("substrate"))

    def one(rows: pl.DataFrame, by: list[str], name: str) -> pl.DataFrame:
        known = rows.filter(pl.col("substrate").is_not_null() & (pl.col("substrate") != "unknown"))
        best = known.with_columns(pl.col("face").ne("outer").alias("@inner"))
        best = best.filter(pl.col("@inner") == pl.col("@inner").min().over(by))
        return (
            best.group_by(by)
            .agg(pl.col("substrate").unique().alias("@all"))
            .select(*by, pl.when(pl.col("@all").list.len() == 1).then(pl.col("@all").list.first()).alias(name))
        )

    stated = one(books["operation_panels"].current(), panel, "@stated")
    areas = one(books["panel_areas"].current(), ["vehicle_class", "panel_id"], "@listed")
    classes = books["jobs"].current().select("shop_id", "job_id", "vehicle_class")
    return (
        readings.join(stated.with_columns(pl.lit(True).alias("@has")), on=panel, how="left")
        .join(classes, on=["shop_id", "job_id"], how="left")
        .join(areas, on=["vehicle_class", "panel_id"], how="left")
        .with_columns(pl.when("@has").then("@stated").otherwise("@listed").alias("substrate"))
    )


def _gauge_sees(books: dict[str, Book]) -> pl.DataFrame:
    """Magnetic and eddy gauges (a dual one is both) see no plastic or composite, a magnetic one no aluminium either."""
    if not hold(books, "readings", "gauges"):
        return pl.DataFrame(schema=REASONS)
    seen = substrates(books, "magnetic", "eddy", "dual")
    blind = pl.col("substrate").is_in(["plastic", "composite"]) | (
        (pl.col("substrate") == "aluminium") & (pl.col("principle") == "magnetic")
    )
    lost = seen.filter(blind)
    cannot = reasons(lost, "gauge_id", lambda s: GAUGE_CANNOT_READ.format(substrate=s), "substrate")
    why = said(lost, "gauge_id", "gauge", substrate="substrate", gauge="gauge_id", principle="principle")
    return pl.concat([cannot, why])


# --- cups -------------------------------------------------------------------------------------------------------------


def _net_negative(books: dict[str, Book]) -> pl.DataFrame:
    """What was taken out of a cup again is netted within its component, and the net is not below nothing: else the rows
    that take out are refused."""
    group = ["shop_id", "mix_id", "component_id", "from_mix_id"]
    pours = books["pours"].current()
    taken = pours.filter(pl.col("weighed_g") < 0)
    if taken.is_empty():
        return pl.DataFrame(schema=REASONS)
    touched = pours.join(taken.select(group).unique(), on=group, how="semi", nulls_equal=True)
    nets = touched.group_by(group).agg(
        pl.col("weighed_g").sort().sum().alias("@net"), pl.col("weighed_g").abs().sort().sum().alias("@all")
    )
    below = nets.filter(pl.col("@net") < -_SLACK * pl.col("@all"))
    lost = taken.join(below, on=group, nulls_equal=True)
    lost = lost.with_columns(pl.coalesce("component_id", "from_mix_id").alias("@what"))
    return said(lost, "weighed_g", "net_negative", component="@what", mix="mix_id", net="@net")


def two_products(pours: Book) -> list[pl.DataFrame]:
    """Cups whose pours name more than one product: rows for `incomplete`; the pours themselves stay."""
    cup = ["shop_id", "mix_id"]
    product = pl.col("product_id")
    told = pours.current().lazy().group_by(cup).agg((product.min() != product.max()).alias("@two"))
    many = (
        pours.current()
        .join(told.filter("@two").collect(), on=cup, how="semi")
        .sort("@f", "line")
        .group_by(cup, maintain_order=True)
        .agg(pl.col("product_id").unique().sort().alias("@products"), pl.col("@f").last(), pl.col("line").last())
        .filter(pl.col("@products").list.len() > 1)
    )
    if many.is_empty():
        return []
    reasons = [say("two_products", products=", ".join(p)) for p in many["@products"]]
    return [many.select(pl.lit("cup").alias("what"), *cup, pl.Series("reason", reasons), "@f", "line")]


def _shares(books: dict[str, Book]) -> pl.DataFrame:
    cup = ["shop_id", "mix_id"]
    given = books["draws"].current().filter(pl.col("share").is_not_null())
    over = given.group_by(cup).agg(pl.col("share").sort().sum().alias("@total")).filter(pl.col("@total") > 1 + _SLACK)
    return said(given.join(over, on=cup), "share", "shares", mix="mix_id", total="@total")


def _leftovers(books: dict[str, Book]) -> pl.DataFrame:
    """A weigh-back holds no more than was poured, and no more than the one before it.

    What was poured is what could be read; a cup of which no pour could be read is not compared. The order is that of
    time, then of number.
    """
    cup = ["shop_id", "mix_id"]
    poured = books["pours"].current().group_by(cup).agg(pl.col("weighed_g").sort().sum().alias("@poured"))
    rows = books["leftovers"].current().join(poured, on=cup, how="left")
    more = pl.col("leftover_g") > pl.col("@poured") + _SLACK * pl.col("@poured").abs()
    rows = rows.with_columns(more.fill_null(False).alias("@above"))
    rows = rows.sort(*cup, "weighed_at", "weigh_no", "@f", "line").with_columns(
        pl.when(~pl.col("@above")).then("leftover_g").cum_min().forward_fill().shift(1).over(cup).alias("@before")
    )
    up = rows.filter(pl.col("leftover_g") > pl.col("@before"))
    above = said(rows.filter("@above"), "leftover_g", "leftover_above", leftover="leftover_g", poured="@poured")
    why = said(up, "leftover_g", "weighed_up", leftover="leftover_g", before="@before")
    return pl.concat([above, reasons(up, "leftover_g", lambda: WEIGHED_UP), why])
