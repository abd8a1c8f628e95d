"""From a figure of the environmental record to what it was made from: cups, cleanings, other uses, stock movements; for the
VOC content of a cup, its pours.

Pure: published tables in, rows and their sum (or quotient of sums) out, with the figure of the table beside it. Here belongs
which table of lines stands behind which measure; nothing is reckoned anew but the sum.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches

import polars as pl

from reports.handouts import Period
from reports.sorted_tables import Tables
from schemas.published import VOC_QUOTIENTS

#: what `listed` reads for a figure of a period, and for one of a cup
TABLES = (
    "emissions_monthly", "emission_lines", "hap_monthly", "hap_lines", "hap_63_3941", "hap_material_lines", "solvent_lines",
    "rolling_12_months", "stock_reconciliation", "stock_lines",
)  # fmt: skip
OF_CUPS = ("mixes", "voc_content", "voc_content_lines", "components")
MEASURES = (
    "rts_l", "rts_l:CATEGORY", "rts_kg", "voc_kg", "voc_kg:CATEGORY", "exempt_kg", "exempt_kg:CATEGORY", "pm_kg",
    "pm_kg:CATEGORY", "hap_kg", "hap_kg:CAS", "hap_63_3941", "solvent_kg", "stock:COMPONENT", "voc_g_per_l:CUP",
    "voc_g_per_l_actual:CUP", "voc_g_per_l_regulatory:CUP", "voc_g_per_l_eu:CUP",
)  # fmt: skip
#: what tells a line from another; columns that are empty throughout are not shown
SHOWN = (
    "shop_id", "component_id", "from_on", "to_on", "month", "on_date", "category", "kind", "mix_id", "job_id", "operation_no",
    "number", "document_line", "substance", "mass_g",
)  # fmt: skip
#: measure of a cup -> what it is called and what its volume is
_CONTENTS = {
    "voc_g_per_l_actual": ("VOC content as it is", "all of the volume"),
    "voc_g_per_l_regulatory": (
        "VOC content less water and exempt compounds",
        "the volume less water and exempt compounds",
    ),
    "voc_g_per_l_eu": ("VOC content by the European Union's definition", "the volume less water"),
}
_CUP = ("pour_no", "component_id", "from_mix_id", "mass_g", "density_g_per_ml", "volume_ml", "water_g", "water_ml", "exempt_g",
        "exempt_ml")  # fmt: skip
_PLACES = ("note", "file", "file_line", "figures_file", "figures_line")
_MOST_NAMED = 12
_OF_MONTH = ("rts_l", "rts_kg", "voc_kg", "exempt_kg", "pm_kg")


class MeasureError(ValueError):
    """A measure that there is not; the message says which there are."""


@dataclass(frozen=True, slots=True)
class Listed:
    """`rows`: one per line, what it adds in the last column; `total` its sum, `figure` what the published table says of the
    same, both in `unit` and None where nothing is known; `complete`: nothing of it was unreadable or without a figure."""

    rows: pl.DataFrame
    unit: str
    total: float | None
    figure: float | None
    table: str
    complete: bool

    def told(self) -> Iterator[str]:
        """The closing lines."""
        n = self.rows.height
        if self.total is None or self.figure is None:
            yield (
                f"{_lines(n)}, and of none is the figure known."
                if n
                else "No lines: nothing of it was recorded in this time."
            )
            return
        yield (
            f"{_lines(n)}, together {self.total:,.6g} {self.unit}; {self.table} says {self.figure:,.6g} {self.unit}."
        )
        if not self.complete:
            yield "Something of it is unreadable or has no figure: it is a lower bound."


@dataclass(frozen=True, slots=True)
class Content(Listed):
    """The VOC content of a cup: `total` is 1000 times the sum of the VOC (g) over that of the volume (mL), the last two columns
    of `rows`. `about`: the cup, its day and what the content is; `why`: why the cup is incomplete."""

    voc_g: float | None
    volume_ml: float | None
    over: str
    about: str
    why: str | None

    def told(self) -> Iterator[str]:
        """The closing lines."""
        yield self.about
        if self.rows.is_empty():
            yield "No lines: none of its pours is known."
        elif self.total is None or self.figure is None or self.voc_g is None or self.volume_ml is None:
            yield (
                f"{_lines(self.rows.height)}; at least one lacks a figure (see note), so the content is not known."
                if self.volume_ml is None or self.voc_g is None
                else f"{_lines(self.rows.height)}; no volume is left to divide by, so there is no content."
            )
        else:
            yield (
                f"{_lines(self.rows.height)}: {self.voc_g:,.6g} g of VOC in {self.volume_ml:,.6g} mL ({self.over}) are"
                f" {self.total:,.6g} {self.unit}; {self.table} says {self.figure:,.6g} {self.unit}."
            )
        if self.why:
            yield f"The cup is incomplete, its content may be higher or lower: {self.why.rstrip('.')}"


def needs(measure: str) -> tuple[str, ...]:
    """The tables that `listed` reads for a measure."""
    return OF_CUPS if _is_of_a_cup(measure) else TABLES


def _is_of_a_cup(measure: str) -> bool:
    return measure.partition(":")[0] in VOC_QUOTIENTS


def listed(tables: Mapping[str, pl.DataFrame], measure: str, of: Period | None, shops: Sequence[str] = ()) -> Listed:
    """Every line behind a measure in a period; a cup's measure has none. `measure`: one of MEASURES; `tables`: those it
    `needs`. Raises MeasureError, also for a shop or a part of a measure that does not occur."""
    found = Tables(tables)
    name, _, part = measure.partition(":")
    known = sorted(found["mixes" if _is_of_a_cup(measure) else "emissions_monthly"]["shop_id"].unique())
    for shop in shops:
        if shop not in known:
            raise MeasureError(f"There is no shop {shop!r}; known here: {_named(known, shop)}.")
    if _is_of_a_cup(measure):
        return _content(found, name, part, shops)
    if of is None:
        raise ValueError(f"{measure} is a figure of a period")

    behind = _behind(found, measure, of, shops)
    lines, sums, column = behind.lines, behind.sums, behind.column
    if not part and name == "stock":
        known = sorted(found[behind.table][behind.by].unique())
        raise MeasureError(
            f"stock: grams of different components do not add up; write stock:COMPONENT; known here: {_named(known)}."
        )
    if part:
        parts = sorted(found[behind.table][behind.by].unique()) if behind.by else []
        if part not in parts:
            raise MeasureError(f"{name}: there is no {part!r}; known here: {_named(parts, part)}.")
        lines, sums = lines.filter(pl.col(behind.by) == part), sums.filter(pl.col(behind.by) == part)
    if lines.is_empty() and sums.is_empty():
        _within_the_records(found["emissions_monthly"], of, shops)
    whole = all(bool(frame["complete"].all()) for frame in (lines, sums) if "complete" in frame.columns)
    shown = [one for one in SHOWN if one in lines.columns and lines[one].null_count() < lines.height and one != column]
    told = [one for one in ("complete", "note") if one in lines.columns and lines[one].null_count() < lines.height]
    return Listed(
        lines.select(*shown, *told, pl.col(column)), behind.unit, _sum(lines[column]), _sum(sums[column]), behind.table, whole
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Behind:
    """What stands behind a measure: its table with the `sums`, the `lines` and their `column`; `by`: what parts it has."""

    table: str
    lines: pl.DataFrame
    sums: pl.DataFrame
    by: str
    unit: str
    column: str


def _behind(found: Tables, measure: str, of: Period, shops: Sequence[str]) -> _Behind:
    name, _, part = measure.partition(":")

    def rows(table: str) -> pl.DataFrame:
        frame = found[table]
        frame = frame.filter(of.holds()) if "month" in frame.columns else frame
        return frame.filter(pl.col("shop_id").is_in(list(shops))) if shops else frame

    def about(*columns: str) -> pl.DataFrame:
        return found["emission_lines"].select(
            "shop_id", "line", "category", "kind", "on_date", "mix_id", "number", *columns
        )

    if name in _OF_MONTH:
        lines = rows("emission_lines").filter(pl.col(name).is_not_null() | ~pl.col("complete"))
        unit = "L" if name == "rts_l" else "kg"
        return _Behind("emissions_monthly", lines, rows("emissions_monthly"), "category", unit, name)
    if name == "hap_kg":
        lines = rows("hap_lines").join(about("document_line"), on=["shop_id", "line"], how="left")
        sums = rows("hap_monthly")
        if not part:
            lines, sums = lines.filter(~pl.col("metal")), sums.filter(~pl.col("metal"))
        return _Behind("hap_monthly", lines, sums, "cas", "kg", "kg")
    if measure == "hap_63_3941":
        lines = rows("hap_material_lines").join(about("complete"), on=["shop_id", "line"], how="left")
        return _Behind("hap_63_3941", lines, rows("hap_63_3941"), "", "kg", "kg")
    if measure == "solvent_kg":
        sums = rows("rolling_12_months").filter(pl.col("measure") == "solvent_kg").rename({"month_total": "kg"})
        return _Behind("rolling_12_months", rows("solvent_lines"), sums, "", "kg", "kg")
    if name == "stock":
        first, end = of.days
        touched = (pl.col("from_on") <= end) & (pl.col("to_on") >= first)
        sums = rows("stock_reconciliation").filter(touched).rename({"unexplained_g": "signed_g"})
        return _Behind(
            "stock_reconciliation", rows("stock_lines").filter(touched), sums, "component_id", "g", "signed_g"
        )
    raise MeasureError(_unknown(measure, name))


def _unknown(measure: str, name: str) -> str:
    """What to say of a measure that there is not."""
    if name in MEASURES:
        return f"{name} has no parts: write {name} alone."
    near = get_close_matches(name.lower(), [one.partition(":")[0] for one in MEASURES], n=1)
    meant = f" Did you mean {near[0]}?" if near else ""
    return f"There is no measure {measure!r}.{meant} There are {', '.join(MEASURES)}."


def _within_the_records(monthly: pl.DataFrame, of: Period, shops: Sequence[str]) -> None:
    """Raises MeasureError where a period holds no month of the records."""
    months = (monthly.filter(pl.col("shop_id").is_in(list(shops))) if shops else monthly)["month"]
    first, last = months.min(), months.max()
    if isinstance(first, str) and isinstance(last, str) and (of.last < first or of.first > last):
        raise MeasureError(f"There is no record of {of.label}: the records go from {first} to {last}.")


def _content(found: Tables, name: str, cup: str, shops: Sequence[str]) -> Content:
    """The pours of one cup. voc_g_per_l is the content that its shop's place compares with the limit."""
    mixes = found["mixes"]
    mixes = mixes.filter(pl.col("shop_id").is_in(list(shops))) if shops else mixes
    if not cup:
        raise MeasureError(f"{name}: there is no content of a month; write {name}:CUP with the cup's mix_id.")
    own = mixes.filter(pl.col("mix_id") == cup)
    if own.is_empty():
        raise MeasureError(
            f"{name}: there is no cup {cup!r}; known here: {_named(sorted(mixes['mix_id'].unique()), cup)}."
        )
    if own.height > 1:
        raise MeasureError(
            f"There is a cup {cup!r} in each of the shops {', '.join(own['shop_id'])}: say which with --shop."
        )
    mix = own.row(0, named=True)
    at = (pl.col("shop_id") == mix["shop_id"]) & (pl.col("mix_id") == cup)
    table, basis, limit = "mixes", name, ""
    figure: float | None
    if name == "voc_g_per_l":
        table = "voc_content"
        row = found[table].filter(at, "rules", pl.col("kind") == "cup").row(0, named=True)
        basis = "voc_g_per_l_eu" if str(row["basis"]).startswith("eu") else "voc_g_per_l_regulatory"
        figure = row["g_per_l"]
        if row["limit_g_per_l"] is not None:
            limit = f"; the limit is {row['limit_g_per_l']:g} g/L ({row['source']})"
    else:
        figure = mix[name]
    word, over = _CONTENTS[basis]
    mass, volume = VOC_QUOTIENTS[name]
    lines = found["voc_content_lines"].filter(at).sort("line").with_columns(note=_note(mass, volume))
    lines = _with_places(lines, found["components"])
    voc_g, volume_ml = (_whole(lines[one]) for one in (mass, volume))
    total = 1000 * voc_g / volume_ml if voc_g is not None and volume_ml is not None and volume_ml > 0 else None
    if lines[volume].equals(lines["volume_ml"]):
        over = "all of the volume"
    shown = [one for one in (*_CUP, *_PLACES) if lines[one].null_count() < lines.height]
    return Content(
        lines.select(*(one for one in shown if one not in (mass, volume)), mass, volume), "g/L", total, figure, table,
        bool(mix["complete"]), voc_g, volume_ml, over,
        f"Cup {cup} of {mix['shop_id']}, {mix['product_id'] or 'product not known'}, first poured on"
        f" {mix['first_poured_at']:%Y-%m-%d}: {word}{limit}.",
        mix["why_incomplete"],
    )  # fmt: skip


def _note(mass: str, volume: str) -> pl.Expr:
    """What a line lacks for this content, or whose figure stands in."""
    lacks = [("no density", pl.col("density_g_per_ml").is_null()), ("no VOC figure", pl.col(mass).is_null())]
    if volume != "volume_ml":
        lacks.append(("no water figure", pl.col("water_g").is_null()))
    if volume in ("regulatory_ml", "content_ml"):
        lacks.append(("no figure of exempt compounds", pl.col("exempt_g").is_null()))
        no_density = pl.col("exempt_g").is_not_null() & pl.col("exempt_ml").is_null()
        lacks.append(("no density of its exempt compounds", no_density))
    lacking = pl.any_horizontal(pl.col(mass).is_null(), pl.col(volume).is_null())
    said = pl.concat_str([pl.when(one).then(pl.lit(words)) for words, one in lacks], separator=", ", ignore_nulls=True)
    stands_in = pl.lit("figures of its product, ready to spray, stand in")
    return pl.when(lacking).then(said).when(pl.col("from_product")).then(stands_in)


def _with_places(lines: pl.DataFrame, components: pl.DataFrame) -> pl.DataFrame:
    """With the file and line of the register that states the component's figures on that day."""
    blank = pl.lit(None, pl.String).alias("figures_file"), pl.lit(None, pl.Int64).alias("figures_line")
    if not {"file", "line"} <= set(components.columns):
        return lines.with_columns(blank)
    versions = components.select(
        "component_id", pl.col("valid_from").fill_null(dt.date.min), figures_file="file", figures_line="line"
    )
    return (
        lines.select("line", "component_id", "on_date")
        .join(versions, on="component_id")
        .filter(pl.col("valid_from") <= pl.col("on_date"))
        .sort("line", "valid_from")
        .unique("line", keep="last", maintain_order=True)
        .select("line", "figures_file", "figures_line")
        .join(lines, on="line", how="right", maintain_order="right")
    )


def _lines(n: int) -> str:
    return f"{n:,} line{'' if n == 1 else 's'}"


def _named(known: Sequence[str], wanted: str = "") -> str:
    """What there is, the likeliest first where there is too much to name."""
    if len(known) <= _MOST_NAMED:
        return ", ".join(known) or "none"
    likely = get_close_matches(wanted, known, n=3) or list(known[:3])
    return f"{', '.join(likely)} and {len(known) - len(likely):,} more"


def _whole(figures: pl.Series) -> float | None:
    """The sum, where each is known and there is one."""
    return float(figures.sum()) if figures.len() and not figures.null_count() else None


def _sum(figures: pl.Series) -> float | None:
    return float(figures.sum()) if figures.count() else None
