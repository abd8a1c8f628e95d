"""Text to typed values: every failure becomes a reason, none raises, none is guessed.

`usual` is a column's value as an expression, so that a table's columns are cast in one go; where it leaves more cells empty than
were, `cast` looks at that column and says why. A number must be written with the file's own marks; dates in the layout's format or as
2026-03-01, times as 2026-03-01 10:30 (seconds, a T between and an offset such as +02:00 or Z may follow). A value with
an offset is kept in UTC and marked; the shop's zone is known only when all files are read (filled_in.py).
"""

import re
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from functools import cache, partial
from typing import Any

import polars as pl

from pipelines.intake.messages import say, shown
from schemas.vocabulary import ColumnInfo

FAILURES = {"row": pl.Int64, "column": pl.String, "reason": pl.String}
TRUE, FALSE = ("true", "t", "yes", "y", "1"), ("false", "f", "no", "n", "0")


@dataclass(frozen=True)
class Spec:
    """How a column is written: date formats, factor to the inside unit (`unit` is its name, for messages), whether the
    number is a volume in place of a mass, the marks of numbers, the first year that two digits may mean, the language of
    month names, and whether the file kept numbers and dates as such (they are read whatever marks and formats say)."""

    formats: tuple[str, ...] = ()
    factor: float = 1.0
    unit: str = ""
    volume: bool = False
    decimal: str = "."
    thousands: str = ""
    century: int | None = None
    months: str = "en"
    typed: bool = False


@dataclass(frozen=True)
class Casted:
    """`values` typed, null where empty or failed. `failures`: row (index), column, reason. `aware`: True where a time
    carried an offset and stands in UTC now; None where no time did."""

    values: pl.Series
    failures: pl.DataFrame
    aware: pl.Series | None = None


_NO_FAILURES = pl.DataFrame(schema=FAILURES)


def no_failures() -> pl.DataFrame:
    return _NO_FAILURES


@cache
def usual(info: ColumnInfo, spec: Spec | None = None) -> pl.Expr:
    """A column of text as the column's type, null where it is empty and wherever something has to be said or marked."""
    spec = spec or Spec()
    text = pl.col(info.name)
    if info.kind == "text":
        return pl.when(text.str.len_bytes() == text.str.len_chars()).then(text) if is_id(info) else text
    if info.kind == "bool":
        return _truth(text)
    if info.kind in ("datetime", "date"):
        if any(re.search(_OFFSET, form) for form in spec.formats):
            return pl.lit(None, info.dtype)
        values = _by_formats(_english(text, spec.months), spec)[0] if spec.formats else _usual_moment(text, info.kind)
        return pl.when(values.dt.year().is_between(*YEARS)).then(values).cast(info.dtype)
    values = _plain(text, spec).cast(pl.Float64, strict=False)
    if info.kind == "int":
        return pl.when((values == values.floor()) & (values.abs() < 2.0**53)).then(values).cast(pl.Int64, strict=False)
    return pl.when(values.is_finite()).then(values if spec.factor == 1.0 else values * spec.factor)


def is_id(info: ColumnInfo) -> bool:
    """Whether a column names something, so that its spelling must be one (see `composed`)."""
    return info.kind == "text" and (info.key or bool(info.refers_to) or info.name.endswith("_id"))


def cast(info: ColumnInfo, text: pl.Series, spec: Spec | None = None) -> Casted:
    """`text` (trimmed, empty = null) as the column's type."""
    spec = spec or Spec()
    if text.null_count() == text.len():  # a column that is absent or empty
        return Casted(pl.Series(info.name, [None], dtype=info.dtype).new_from_index(0, text.len()), no_failures())
    if info.kind == "text":
        return Casted(text.alias(info.name), no_failures())
    if info.kind == "bool":
        return _bool(info, text)
    if info.kind in ("datetime", "date"):
        return _moment(info, text, spec)
    return _number(info, text, spec)


def composed(text: pl.Series) -> tuple[pl.Series, pl.Series]:
    """Ids in one spelling, and the places of those in another: a letter with its accent as one sign (Unicode form NFC), so that what
    looks the same is the same."""
    one = text if _is_plain(text) else text.str.normalize("NFC")
    return one, pl.Series([], dtype=pl.UInt32) if one is text else (one != text).arg_true()


def _is_plain(text: pl.Series) -> bool:
    return text.null_count() == text.len() or bool((text.str.len_bytes() == text.str.len_chars()).all())


def failures_of(column: str, text: pl.Series, bad: pl.Series, told: Callable[[str], str]) -> pl.DataFrame:
    """One failure for each true of `bad`; `told` makes the reason out of a cell (asked once per distinct cell)."""
    rows = bad.arg_true()
    if rows.len() == 0:
        return no_failures()
    cells = text.gather(rows)
    distinct = cells.unique()
    reasons = pl.DataFrame({"cell": distinct, "reason": [told(shown(c or "", 80)) for c in distinct]})
    out = pl.DataFrame({"row": rows.cast(pl.Int64), "cell": cells}).join(
        reasons, on="cell", how="left", maintain_order="left", nulls_equal=True
    )
    return out.select("row", pl.lit(column).alias("column"), "reason")


def _plain(text: pl.Expr, spec: Spec) -> pl.Expr:
    """Numbers written with a file's own marks, with a point alone; null where it is none."""
    if spec.decimal == "." and not spec.thousands:
        return text
    # a space between thousands may be one that does not break the line
    d, t = re.escape(spec.decimal), "[ \u00a0\u2009\u202f]" if spec.thousands == " " else re.escape(spec.thousands)
    whole = rf"(?:[0-9]+|[0-9]{{1,3}}(?:{t}[0-9]{{3}})+)" if spec.thousands else "[0-9]+"
    shape = rf"^[+-]?(?:{whole}(?:{d}[0-9]*)?|{d}[0-9]+)(?:[eE][+-]?[0-9]+)?$"
    cleaned = text.str.replace_all(t, "") if spec.thousands else text
    cleaned = cleaned.str.replace_all(spec.decimal, ".", literal=True)
    fits = text.str.contains(shape) | text.str.contains(r"^[+-]?(?i:inf|infinity|nan)$")
    if spec.typed and spec.decimal == ",":  # a cell without a comma was a number, not a text
        kept = ~text.str.contains(",", literal=True)
        cleaned, fits = pl.when(kept).then(text).otherwise(cleaned), fits | kept
    return pl.when(fits).then(cleaned)


def _number(info: ColumnInfo, text: pl.Series, spec: Spec) -> Casted:
    values = pl.DataFrame({"x": text}).select(_plain(pl.col("x"), spec).cast(pl.Float64, strict=False)).to_series()
    given = text.is_not_null()
    infinite = values.is_infinite().fill_null(False)
    bad = given & (values.is_null() | values.is_nan()).fill_null(True)

    def told(cell: str) -> str:
        if spec.decimal == "." and re.fullmatch(r"[+-]?\d+,\d+", cell):
            better = cell.replace(",", ".")
            if re.fullmatch(r"[+-]?\d{1,3},\d{3}", cell):  # may as well be a thousand
                better += f" or {cell.replace(',', '')}, whichever is meant"
            return say("number_comma", column=info.name, found=cell, better=better)
        return say("number", column=info.name, found=cell, mark="comma" if spec.decimal == "," else "point")

    failures = [failures_of(info.name, text, bad, told)]
    failures.append(failures_of(info.name, text, infinite, lambda cell: say("infinite", column=info.name, found=cell)))
    values = pl.select(pl.when(values.is_finite()).then(values)).to_series()
    if info.kind == "int":
        whole_number = (values == values.floor()) & (values.abs() < 2.0**53)
        large = (values.abs() >= 2.0**53).fill_null(False)
        not_whole = values.is_not_null() & ~whole_number & ~large
        for bad_rows, code in ((not_whole, "integer"), (large, "integer_large")):
            saying = partial(_said, code, info.name)
            failures.append(failures_of(info.name, text, bad_rows, saying))
        values = pl.select(pl.when(whole_number).then(values)).to_series().cast(pl.Int64, strict=False)
    elif spec.factor != 1.0:
        values = values * spec.factor
    return Casted(values.alias(info.name), pl.concat(failures))


def _said(code: str, column: str, cell: str) -> str:
    return say(code, column=column, found=cell)


def _truth(text: pl.Expr) -> pl.Expr:
    lower = text.str.to_lowercase()
    return pl.when(lower.is_in(TRUE)).then(True).when(lower.is_in(FALSE)).then(False)


def _bool(info: ColumnInfo, text: pl.Series) -> Casted:
    values = pl.DataFrame({"x": text}).select(_truth(pl.col("x")).cast(pl.Boolean)).to_series()
    bad = text.is_not_null() & values.is_null()
    failures = failures_of(info.name, text, bad, lambda cell: say("bool", column=info.name, found=cell))
    return Casted(values.alias(info.name), failures)


_DAY = r"[0-9]{4}-[0-9]{2}-[0-9]{2}"
_CLOCK = r"[0-9]{2}:[0-9]{2}(?::[0-5][0-9](?:\.[0-9]{1,9})?)?"
_ISO = rf"^{_DAY}(?:[T ]{_CLOCK}(?: ?(?:Z|[+-][0-9]{{2}}:?[0-9]{{2}}))?)?$"
_ZONE = r"(?:Z|[+-][0-9]{2}:?[0-9]{2})$"
_OFFSET = r"%[:#]*z"
YEARS = (1950, 2199)  # others are slips of the pen
_SECONDS = "%Y-%m-%d %H:%M:%S"


def _usual_moment(text: pl.Expr, kind: str = "datetime") -> pl.Expr:
    right = pl.when(text.str.contains(_ISO)).then(text)
    return _read(right, _SECONDS if kind == "datetime" else "%Y-%m-%d")  # type: ignore[no-any-return]


def _moment(info: ColumnInfo, text: pl.Series, spec: Spec) -> Casted:
    """Dates and times. A date alone is midnight where a time is wanted; the time of day goes where a date is wanted."""
    if spec.formats:
        both = _by_formats(_english(pl.col("x"), spec.months), spec)
        values, by_offset = pl.DataFrame({"x": text}).select(both[0].alias("x"), both[1].alias("@")).get_columns()
        aware: pl.Series | None = by_offset
        if spec.typed and values.null_count() != text.null_count():
            dates, zoned = _iso(pl.select(pl.when(values.is_null()).then(text)).to_series())
            values = values.fill_null(dates)
            if zoned is not None:
                aware = by_offset | zoned
        wanted = "the layout's " + " or ".join(spec.formats)
    else:
        values, aware = _iso(text)
        wanted = "2026-03-01" if info.kind == "date" else "2026-03-01 10:30"
        wanted = f"written {wanted}; a layout can give another format"
    failures = []
    if values.null_count() != text.null_count():
        failures.append(
            failures_of(
                info.name,
                text,
                text.is_not_null() & values.is_null(),
                lambda cell: say(info.kind, column=info.name, found=cell, wanted=wanted),
            )
        )
    year = values.dt.year()
    odd = ((year < YEARS[0]) | (year > YEARS[1])).fill_null(False)
    if odd.any():
        years = pl.select(pl.format("{}\x1f{}", text, year)).to_series()  # the year found goes with the cell
        failures.append(
            failures_of(
                info.name,
                years,
                odd,
                lambda both: say("year", column=info.name, found=both.rsplit(" ", 1)[0], year=both.rsplit(" ", 1)[-1]),
            )
        )
        values = pl.select(pl.when(~odd).then(values)).to_series()
    told = pl.concat(failures) if failures else no_failures()
    if info.kind == "date":
        return Casted(values.dt.date().alias(info.name), told)
    return Casted(values.alias(info.name), told, aware if aware is not None and aware.any() else None)


def _iso(text: pl.Series) -> tuple[pl.Series, pl.Series | None]:
    right = text.str.contains(_ISO)
    # the usual shape first; whatever it does not fit is looked at again
    values = pl.DataFrame({"x": text}).select(_usual_moment(pl.col("x"))).to_series()
    aware = None
    left = right.fill_null(False) & values.is_null()
    if left.any():
        rows = left.arg_true()
        rest = text.gather(rows).str.replace("T", " ", literal=True)
        zoned = rest.str.contains(_ZONE) & rest.str.contains(":", literal=True)
        # a date alone has '-03' at its end too, but no clock
        local = pl.select(pl.when(~zoned).then(rest)).to_series()
        found = _first(local, ("%Y-%m-%d %H:%M", _SECONDS, "%Y-%m-%d %H:%M:%S%.f", "%Y-%m-%d"))
        if zoned.any():
            offset = pl.select(pl.when(zoned).then(rest)).to_series()
            offset = offset.str.replace(" ?Z$", "+0000").str.replace(r" ?([+-]\d{2}):?(\d{2})$", "$1$2")
            found = found.fill_null(_first(offset, ("%Y-%m-%d %H:%M:%S%.f%z", "%Y-%m-%d %H:%M%z")))
            aware = _scattered(zoned & found.is_not_null(), rows, text.len())
        values = values.scatter(rows, found)
    return values, aware


#: names of months in letters of no case, longest first where one begins another; short forms are common practice
MONTHS: dict[str, list[tuple[str, ...]]] = {
    "de": [("januar", "jan", "jänner"), ("februar", "feb"), ("märz", "mär", "mrz", "maerz"), ("april", "apr"), ("mai",), ("juni", "jun"),
           ("juli", "jul"), ("august", "aug"), ("september", "sept", "sep"), ("oktober", "okt"), ("november", "nov"), ("dezember", "dez")],
    "fr": [("janvier", "janv", "jan"), ("février", "fevrier", "févr", "fév"), ("mars",), ("avril", "avr"), ("mai",), ("juin",),
           ("juillet", "juil"), ("août", "aout"), ("septembre", "sept"), ("octobre", "oct"), ("novembre", "nov"), ("décembre", "decembre", "déc")],
    "es": [("enero", "ene"), ("febrero", "feb"), ("marzo", "mar"), ("abril", "abr"), ("mayo", "may"), ("junio", "jun"),
           ("julio", "jul"), ("agosto", "ago"), ("septiembre", "setiembre", "sept", "sep"), ("octubre", "oct"),
           ("noviembre", "nov"), ("diciembre", "dic")],
    "nl": [("januari", "jan"), ("februari", "feb"), ("maart", "mrt"), ("april", "apr"), ("mei",), ("juni", "jun"),
           ("juli", "jul"), ("augustus", "aug"), ("september", "sept", "sep"), ("oktober", "okt"), ("november", "nov"), ("december", "dec")],
    "it": [("gennaio", "gen"), ("febbraio", "feb"), ("marzo", "mar"), ("aprile", "apr"), ("maggio", "mag"), ("giugno", "giu"),
           ("luglio", "lug"), ("agosto", "ago"), ("settembre", "set"), ("ottobre", "ott"), ("novembre", "nov"), ("dicembre", "dic")],
    "pt": [("janeiro", "jan"), ("fevereiro", "fev"), ("março", "mar"), ("abril", "abr"), ("maio", "mai"), ("junho", "jun"),
           ("julho", "jul"), ("agosto", "ago"), ("setembro", "set"), ("outubro", "out"), ("novembro", "nov"), ("dezembro", "dez")],
}  # fmt: skip
ENGLISH = (
    "January",
    "February",
    "March",
    "April",
    "May",
    "June",
    "July",
    "August",
    "September",
    "October",
    "November",
    "December",
)


def _english(text: pl.Expr, language: str) -> pl.Expr:
    """The names of months in English, which the formats know; a point that shortens a name goes ('févr. 2025')."""
    if language not in MONTHS:
        return text
    names = {name: ENGLISH[i] for i, forms in enumerate(MONTHS[language]) for name in forms}
    ordered = sorted(names, key=len, reverse=True)
    lower = text.str.to_lowercase().str.replace_all(r"([^\d\W]{3,})\.( |$)", "$1$2")
    return lower.str.replace_many(ordered, [names[n] for n in ordered], leftmost=True)


def _by_formats(text: pl.Expr, spec: Spec) -> tuple[pl.Expr, pl.Expr]:
    """What the first format that fits gives, and whether that had an offset."""
    found: list[pl.Expr] = []
    zoned: list[pl.Expr] = []
    for form in spec.formats:
        values = _serial(text, SERIALS[form]) if form in SERIALS else _read(text, form)
        if form not in SERIALS:
            if form != spec.formats[-1]:  # %Y reads '25' as the year 25, which another format may mean
                values = pl.when(values.dt.year() >= 1000).then(values)
            if spec.century is not None and re.search(r"%-?[yD]", form):
                values = _in_century(values, spec.century)
        if form not in SERIALS and re.search(_OFFSET, form):
            zoned.append(values.is_not_null() & pl.all_horizontal([one.is_null() for one in found] or [pl.lit(True)]))
        found.append(values)
    return pl.coalesce(found), pl.any_horizontal(zoned) if zoned else pl.lit(False)


#: formats that are no pattern: days counted by spreadsheets, with what their calendar is behind
SERIALS = {"serial": 0, "serial_1904": 1462}


def _serial(text: pl.Expr, behind: int) -> pl.Expr:
    """Days since 1899-12-30 with the time of day as a fraction, to the millisecond. Days before 1900-03-01 are not read:
    the spreadsheets' calendar has a 29 February 1900 that never was (ECMA-376, part 1, 18.17.4.1; from memory)."""
    days = text.str.replace(",", ".", literal=True).cast(pl.Float64, strict=False) + behind
    moment = (pl.when((days >= 61) & (days < 110_000)).then(days) * 86_400_000).round().cast(pl.Int64, strict=False)
    return (pl.lit(datetime(1899, 12, 30)) + pl.duration(milliseconds=moment)).cast(pl.Datetime("us"))


def _in_century(values: pl.Expr, century: int) -> pl.Expr:
    """The same days in the hundred years from `century` on; a 29 February that the year found lacks is no date."""
    year = values.dt.year()
    wanted = century + (year - century).mod(100)
    leap = (wanted % 4 == 0) & ((wanted % 100 != 0) | (wanted % 400 == 0))
    exists = leap | (values.dt.month() != 2) | (values.dt.day() != 29)
    return pl.when(exists).then(values).dt.replace(year=wanted.cast(pl.Int32))


def _read(text: Any, form: str) -> Any:
    """A column or an expression by one format. Times with an offset become UTC; either way without a zone."""
    if re.search(_OFFSET, form):
        found = text.str.to_datetime(form, strict=False, time_unit="us", time_zone="UTC")
        return found.dt.replace_time_zone(None)
    if re.search(r"%[HIRTsX]", form):
        return text.str.to_datetime(form, strict=False, time_unit="us")
    return text.str.to_date(form, strict=False).cast(pl.Datetime("us"))


def _first(text: pl.Series, formats: tuple[str, ...]) -> pl.Series:
    """The first format that reads each cell."""
    values = _read(text, formats[0])
    for form in formats[1:]:
        if values.null_count() == text.null_count():
            break
        values = values.fill_null(_read(text, form))
    found: pl.Series = values
    return found


def _scattered(flags: pl.Series, rows: pl.Series, length: int) -> pl.Series:
    out = pl.Series([False], dtype=pl.Boolean).new_from_index(0, length) if length else pl.Series([], dtype=pl.Boolean)
    return out.scatter(rows, flags.fill_null(False))
