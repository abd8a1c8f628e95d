"""What whole tables say that cannot well be: cups against their sheets, the empty cup in a weight, films per coat, areas, jobs per day.

Like doubts.py, which calls this: nothing is refused and no number moves; here the figures hang on what is doubted. Bounds are common
practice without a published source, wide enough that only a slip of unit, tare, ratio or id passes them.
"""

from __future__ import annotations

import polars as pl

from pipelines.intake.bringing_together.table_rows import Book, Warnings, hold

ENOUGH = 8  # cups, panels or rows; fewer say nothing
RATIO = 0.08  # by which a product's cups may be denser or lighter than its sheet
TARGET = (0.8, 1.25)  # weighed over asked
EMPTY_CUP_G = (8.0, 400.0)  # what an empty cup weighs
# standard errors a weight at nothing must have (hundreds of files are looked at), and the most one may be
SURE, VAGUE_G = 6.0, 8.0
ALIKE = 3  # weights of empty cups: a shop has few kinds of cups
PER_COAT_UM = (3.0, 110.0)
AREA = (0.4, 2.5)  # of the register's
JOBS_A_DAY = 60.0
DRY_DENSITY, VOLATILE_DENSITY = (0.8, 4.0), (0.6, 1.6)  # g/mL
_BY, _CUP, _JOB = ["@f", "shop_id"], ["shop_id", "mix_id"], ["shop_id", "job_id"]


def noted(books: dict[str, Book], warnings: Warnings, registers: bool) -> None:
    """Add a remark to every file of which one of these is true; to those of `registers` only once, whatever shops are looked at."""
    tell = warnings.tell
    if hold(books, "pours", rows=ENOUGH):
        pours = books["pours"].current().filter(pl.col("component_id").is_not_null())
        ml, ratio = _against_sheets(pours, books)
        tell("pours", "doubt_ml", ml)
        tell("pours", "doubt_ratio", ratio)
        asked = pours.filter(pl.col("target_g") > 0).with_columns(part=pl.col("weighed_g") / pl.col("target_g"))
        tell("pours", "doubt_target", _outside(asked, TARGET))
        tell("pours", "doubt_tare", _empty_cups(pours))
    if hold(books, "leftovers", rows=2 * ENOUGH):
        left = books["leftovers"].current().filter(pl.col("leftover_g") > 0)
        alike = left.group_by(_BY).agg(
            pl.len().alias("n"), pl.col("leftover_g").n_unique().alias("values"), pl.col("leftover_g").first(), pl.col("line").min()
        )  # fmt: skip
        tell("leftovers", "doubt_alike", alike.filter(pl.col("n") >= 2 * ENOUGH, pl.col("values") <= ALIKE))
    if hold(books, "readings", "operation_panels", rows=ENOUGH):
        low, high = PER_COAT_UM
        tell("readings", "doubt_coat", _outside(_per_coat(books), (low, high)), low=low, high=high)
    if hold(books, "operation_panels", rows=ENOUGH):
        tell("operation_panels", "doubt_area", _outside(_areas(books), AREA))
    if hold(books, "jobs", rows=ENOUGH):
        jobs = books["jobs"].current().filter(pl.col("opened_on").is_not_null())
        daily = jobs.group_by(*_BY, "opened_on").agg(pl.len().alias("part"), pl.col("line").min())
        tell("jobs", "doubt_per_day", _outside(daily, (0.0, JOBS_A_DAY)))
    if registers and hold(books, "components"):
        tell("components", "doubt_density", _densities(books["components"].current()))


def _outside(rows: pl.DataFrame, bounds: tuple[float, float]) -> pl.DataFrame:
    """@f, shop_id, n, middle, line where the middle of `part` of a file lies outside."""
    found = rows.group_by(_BY).agg(pl.len().alias("n"), pl.col("part").median().alias("middle"), pl.col("line").min())
    return found.filter(pl.col("n") >= ENOUGH, ~pl.col("middle").is_between(*bounds))


def _latest(register: Book, by: str, column: str) -> pl.DataFrame:
    """What a register says last of each of its ids."""
    return register.current().sort("valid_from", "line").group_by(by).agg(pl.col(column).last())


def _against_sheets(pours: pl.DataFrame, books: dict[str, Book]) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Products whose cups come to another density than their sheet says: because millilitres were taken for grams (then the sheet is
    met when they are taken as millilitres), or because the ratio is another."""
    density = _latest(books["components"], "component_id", "density_g_per_ml")
    sheet = _latest(books["products"], "product_id", "rts_density_g_per_ml")
    weighed = pours.filter(pl.col("measured_by").fill_null("scale") == "scale")
    weighed = weighed.join(density, on="component_id", how="left")
    weight, rho = pl.col("weighed_g"), pl.col("density_g_per_ml")
    cups = weighed.group_by(*_BY, "mix_id").agg(
        pl.col("product_id").min().alias("product"), pl.len().alias("parts"), rho.is_null().any().alias("@blind"), pl.col("line").min(),
        (weight.sum() / (weight / rho).sum()).alias("as_g"), ((weight * rho).sum() / weight.sum()).alias("as_ml"),
    )  # fmt: skip
    cups = cups.filter(~pl.col("@blind"), pl.col("parts") >= 2).join(sheet, left_on="product", right_on="product_id")
    found = (
        cups.filter(pl.col("rts_density_g_per_ml").is_not_null())
        .group_by(*_BY, "product")
        .agg(
            pl.len().alias("n"),
            pl.col("as_g", "as_ml").median(),
            pl.col("rts_density_g_per_ml").first().alias("sheet"),
            pl.col("line").min(),
        )
        .filter(pl.col("n") >= ENOUGH)
    )
    off, off_ml = ((pl.col(c) / pl.col("sheet") - 1).abs() for c in ("as_g", "as_ml"))
    as_ml = (off > 0.01) & (off_ml < 0.005) & (off_ml < 0.4 * off)
    return found.filter(as_ml), found.filter((off > RATIO) & ~as_ml)


def _empty_cups(pours: pl.DataFrame) -> pl.DataFrame:
    """Files in which the first weight of a cup follows the second, but for a constant: an empty cup was not taken off."""
    first = pours.sort("pour_no", "line").group_by("@f", *_CUP, maintain_order=True).agg(
        pl.col("product_id").first(), pl.col("component_id").head(2).alias("@two"), pl.col("weighed_g").head(2).alias("@g"), pl.col("line").min()
    )  # fmt: skip
    first = first.filter(pl.col("@two").list.len() == 2).with_columns(
        pl.col("@g").list.get(0).alias("@a"), pl.col("@g").list.get(1).alias("@b"), pl.col("@two").list.join("+")
    )
    # a line through the middles of the smaller and of the larger cups: a few that were topped up do not turn it
    pair, one, two = [*_BY, "product_id", "@two"], pl.col("@a"), pl.col("@b")
    large = two > two.median().over(pair)
    middles = first.with_columns(large.alias("@large")).filter(pl.len().over(pair) >= ENOUGH)
    for name, column in (("@ma", one), ("@mb", two)):
        for side in ("true", "false"):
            half = column.filter(pl.col("@large") == (side == "true"))
            middles = middles.with_columns(half.median().over(pair).alias(name + side))
    run = pl.col("@mbtrue") - pl.col("@mbfalse")
    line = middles.with_columns(((pl.col("@matrue") - pl.col("@mafalse")) / run).alias("@slope")).filter(
        run > 0, pl.col("@slope") > 0
    )
    line = line.with_columns((one - pl.col("@slope") * two).alias("@rest"))
    found = line.group_by(pair).agg(
        pl.len().alias("n"), pl.col("@rest").median().alias("middle"), (pl.col("@rest") - pl.col("@rest").median()).abs().median().alias("@off"),
        (2 * two.median() / run.first()).alias("@far"), pl.col("line").min(),
    )  # fmt: skip
    error = 1.5 * pl.col("@off") * ((1 + pl.col("@far") ** 2) / pl.col("n")).sqrt()
    told = found.filter(error < VAGUE_G)
    heavy = pl.col("middle").is_between(*EMPTY_CUP_G) & (pl.col("middle") > SURE * error)
    files = told.group_by(_BY).agg(
        pl.col("n").filter(heavy).sum(), pl.col("n").sum().alias("@all"), pl.col("middle").filter(heavy).median(), pl.col("line").min()
    )  # fmt: skip
    return files.filter(pl.col("n") > 0.6 * pl.col("@all")).drop("@all")


def _per_coat(books: dict[str, Book]) -> pl.DataFrame:
    """@f, shop_id, line, part: film of each coat in um, where between two stages of a panel one operation alone sprayed it."""
    face = [*_JOB, "panel_id"]
    stage = (
        books["readings"].current().filter(pl.col("witness_of").is_null())
        .group_by(*face, "after_operation").agg(pl.col("reading_um").median(), pl.col("@f").min(), pl.col("line").min())
        .sort(*face, "after_operation")
        .with_columns(pl.col("reading_um", "after_operation").shift().over(face).name.prefix("@"))
        .drop_nulls("@after_operation")
    )  # fmt: skip
    coats = _latest(books["products"], "product_id", "coats_min")
    steps = books["operations"].current().select(*_JOB, "operation_no", "kind", "coats", "product_id")
    steps = steps.join(coats, on="product_id", how="left")
    done = books["operation_panels"].current().select(*face, "operation_no").unique()
    done = done.join(steps, on=[*_JOB, "operation_no"])
    between = stage.join(done, on=face).filter(
        pl.col("operation_no") > pl.col("@after_operation"), pl.col("operation_no") <= pl.col("after_operation"), pl.col("kind") != "polish"
    )  # fmt: skip
    alone = between.filter(pl.len().over(*face, "after_operation") == 1, pl.col("kind") == "spray")
    film = (pl.col("reading_um") - pl.col("@reading_um")) / pl.coalesce("coats", "coats_min", pl.lit(1))
    return alone.select(*_BY, "line", film.alias("part"))


def _areas(books: dict[str, Book]) -> pl.DataFrame:
    """@f, shop_id, line, part: a stated area over the register's for that class of vehicle."""
    face = ["vehicle_class", "panel_id", "face"]
    listed = books["panel_areas"].current().select(*face, pl.col("area_m2").alias("@listed"))
    classes = books["jobs"].current().select(*_JOB, "vehicle_class")
    rows = books["operation_panels"].current().filter(pl.col("area_m2").is_not_null()).join(classes, on=_JOB)
    rows = rows.join(listed, on=face).filter(pl.col("@listed") > 0)
    return rows.select(*_BY, "line", (pl.col("area_m2") / pl.col("@listed")).alias("part"))


def _densities(components: pl.DataFrame) -> pl.DataFrame:
    """Components whose solids or volatiles would be of a density that no coating has: solids by mass and by volume do not go together."""
    rho, mass, volume = (pl.col(c) for c in ("density_g_per_ml", "solids_mass_fraction", "solids_volume_fraction"))
    dry = pl.when(volume > 0.02).then(rho * mass / volume)
    volatile = pl.when(volume < 0.98).then(rho * (1 - mass) / (1 - volume))
    rows = components.with_columns(dry.alias("dry"), volatile.alias("volatile"))
    odd = ~pl.col("dry").is_between(*DRY_DENSITY) | ~pl.col("volatile").is_between(*VOLATILE_DENSITY)
    found = rows.filter(odd.fill_null(False)).sort("line")
    return found.group_by("@f").agg(pl.len().alias("n"), pl.col("component_id", "dry", "volatile", "line").first())
