"""What the cells of one source column look like: numbers, dates and how they are written, times of day, unit, text.

Evidence only: what the column is for is matching.py's.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import datetime
from functools import cached_property
from statistics import median
from typing import Any

from pipelines import units
from pipelines.intake.reading import cast
from pipelines.intake.recognising import words

#: cells looked at for how dates are written
_DATED = 80


@dataclass
class Column:
    """One source column of a shape, or a part of one. `cells` aligned with the shape's rows, None where empty. `how`: what
    [tables.columns] must say beside `column` (pattern, split, columns, join), values as TOML writes them."""

    header: str
    cells: list[str | None]
    decimal: str = "."
    thousands: str = ""
    typed: bool = False
    unit: str | None = None
    how: dict[str, object] = field(default_factory=dict)
    part_of: str = ""

    @property
    def heads(self) -> list[str]:
        """The header names it is made from."""
        found = self.how.get("columns")
        return list(found) if isinstance(found, list) else [self.header]

    @cached_property
    def plain(self) -> str:
        return words.plain(self.header) if not self.part_of else ""

    @cached_property
    def said(self) -> list[str]:
        """The cells that hold something."""
        return [c for c in self.cells if c is not None]

    @cached_property
    def distinct(self) -> set[str]:
        return set(self.said)

    @cached_property
    def filled(self) -> float:
        return len(self.said) / max(1, len(self.cells))

    @cached_property
    def numbers(self) -> list[float | None]:
        """Aligned with `cells`; None where a cell is empty or no number."""
        return [number(c, self.decimal, self.thousands, self.typed) if c is not None else None for c in self.cells]

    @cached_property
    def values(self) -> list[float]:
        return [n for n in self.numbers if n is not None]

    @cached_property
    def numeric(self) -> bool:
        return bool(self.said) and len(self.values) >= 0.97 * len(self.said)

    @cached_property
    def whole(self) -> bool:
        return self.numeric and all(v == int(v) and v >= 0 for v in self.values)

    @cached_property
    def middle(self) -> float:
        return median(self.values) if self.values else 0.0

    @cached_property
    def constant(self) -> bool:
        return len(self.distinct) <= 1

    @cached_property
    def dates(self) -> list[tuple[str, str]]:
        """(format, language of months) that read every cell; two where day and month cannot be told apart."""
        return date_formats(self.said)

    @cached_property
    def clocks(self) -> list[str]:
        sample = self.said[:_DATED]
        forms = ("%H:%M", "%H:%M:%S", "%I:%M %p", "%I:%M%p", "%Hh%M", "%H.%M", "%I:%M:%S %p")
        return [f for f in forms if sample and all(_read(c, f) for c in sample)]

    @property
    def has_clock(self) -> bool:
        return bool(self.dates) and bool(re.search("%[HI]", self.dates[0][0]))

    def moments(self, form: str, language: str) -> list[datetime | None]:
        """The cells as times, aligned."""
        return [_read(_in_english(c, language), form) if c is not None else None for c in self.cells]


def number(cell: str, decimal: str, thousands: str, typed: bool) -> float | None:
    """A cell as a number by the file's marks, None where it is none."""
    if typed and decimal == "," and "," not in cell:
        decimal, thousands = ".", ""
    text = cell.replace("\u00a0", " ").replace("\u202f", " ")
    if thousands:
        text = text.replace(thousands, "")
    if decimal == ",":
        if "." in text:
            return None
        text = text.replace(",", ".")
    if not re.fullmatch(r"[-+]?(\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?", text):
        return None
    return float(text)


def complete(*columns: Iterable[Any]) -> list[tuple[Any, ...]]:
    """The rows in which every cell is there."""
    return [row for row in zip(*columns, strict=True) if None not in row]


def grouped(by: list[Column], cells: Iterable[Any]) -> dict[tuple[str, ...], list[Any]]:
    """What stands on the rows of each group, row by row."""
    out: dict[tuple[str, ...], list[Any]] = {}
    for *group, cell in complete(*(b.cells for b in by), cells):
        out.setdefault(tuple(group), []).append(cell)
    return out


# --- dates ------------------------------------------------------------------------------------------------------------

_CLOCK = (
    r"(?P<clock>\d{1,2}(?P<mark>[:h.])\d{2}(?P<seconds>:\d{2})?(?P<fraction>[.,]\d{1,6})?(?P<half> ?[AaPp]\.?[Mm]\.?)?)"
)
_DAY = re.compile(
    rf"^(?P<day>\d{{4}}-\d{{2}}-\d{{2}}|\d{{4}}/\d{{2}}/\d{{2}}|\d{{4}}\.\d{{2}}\.\d{{2}}|\d{{1,2}}(?P<sep>[./-])\d{{1,2}}(?P=sep)(?:\d{{4}}|\d{{2}})|\d{{8}}"
    rf"|(?:(?P<weekday>[^\W\d]{{2,}})[,.]? )?\d{{1,2}}(?P<dot>\.?)(?P<before>[ -]|(?: de )|)(?P<month>[^\W\d]{{3,}})"
    rf"\.?(?P<after>[ -]|(?: de )|,? )(?:\d{{4}}|\d{{2}})"
    rf"|(?P<us>[^\W\d]{{3,}})\.? \d{{1,2}},? \d{{4}})(?:(?P<join>[T ]|, | - | à | um | at )(?P<time>{_CLOCK}))?$"
)


def date_formats(cells: Iterable[str]) -> list[tuple[str, str]]:
    """Formats (with the language of month names) that read all of `cells`, see Column.dates; [] where they are no dates."""
    said = list(dict.fromkeys(cells))
    sample = said[: _DATED // 2] + said[-_DATED // 2 :]
    found = _DAY.match(sample[0]) if sample else None
    if found is None:
        return []
    language = "en"
    if found["month"] or found["us"]:
        language = _language([m["month"] or m["us"] for c in said if (m := _DAY.match(c))]) or ""
        if not language:
            return []
    good = []
    for day in _days(found):
        form = day + _clock(found)
        if all(_read(_in_english(c, language), form) for c in sample):
            good.append((form, language))
    if len(good) > 1:  # one reading may fail on a day that is not in the sample
        good = [g for g in good if all(_read(_in_english(c, language), g[0]) for c in said)] or good
    return good


def _days(found: re.Match[str]) -> list[str]:
    day, sep = found["day"], found["sep"]
    year = "%Y" if re.search(r"\d{4}$", day) else "%y"
    if found["weekday"]:
        return []
    if found["month"]:
        return [f"%d{found['dot']}{found['before']}%B{found['after']}{year}"]
    if found["us"]:
        return ["%B %d, %Y" if "," in day else "%B %d %Y"]
    if sep and not re.match(r"\d{4}", day):
        return [f"%d{sep}%m{sep}{year}", f"%m{sep}%d{sep}{year}"]
    if re.fullmatch(r"\d{8}", day):
        return ["%Y%m%d"] if day[:2] in ("19", "20") else []
    return [f"%Y{day[4]}%m{day[4]}%d"]


def _clock(found: re.Match[str]) -> str:
    if not found["time"]:
        return ""
    half = found["half"]
    hour = "%I" if half else "%H"
    form = f"{hour}{found['mark']}%M" + (":%S" if found["seconds"] else "")
    if found["fraction"]:
        form += "%.f"
    return found["join"] + form + (" %p" if half and half.startswith(" ") else "%p" if half else "")


def _language(names: list[str]) -> str | None:
    """The language in which all of these are months."""
    told = {n.lower() for n in names}
    if all(any(m.lower().startswith(n) for m in cast.ENGLISH) for n in told):
        return "en"
    for language, months in cast.MONTHS.items():
        if told <= {form for forms in months for form in forms}:
            return language
    return None


def _in_english(cell: str, language: str) -> str:
    if language == "en":
        return cell
    for i, forms in enumerate(cast.MONTHS[language]):
        for form in forms:  # longest first
            if re.search(rf"(?<![^\W\d]){form}(?![^\W\d])", cell, re.IGNORECASE):
                name = cast.ENGLISH[i]
                return re.sub(rf"(?<![^\W\d]){form}(?![^\W\d])(\.(?= |$))?", name, cell, flags=re.IGNORECASE)
    return cell


def _read(cell: str, form: str) -> datetime | None:
    form = form.replace("%.f", ".%f")
    for one in (form, form.replace("%B", "%b")) if "%B" in form else (form,):
        try:
            found = datetime.strptime(cell.replace(",", ".") if "%f" in one else cell, one)
        except ValueError:
            continue
        if "%d" in one and not 1990 <= found.year <= 2100:
            return None
        return found
    return None


# --- units ------------------------------------------------------------------------------------------------------------


def unit_in(header: str) -> str | None:
    """The unit a header names: in brackets, or as its last words. '?' before one that means different amounts."""
    brackets = re.findall(r"[\(\[\{]([^)\]}]+)[\)\]\}]", header)
    rest = re.split(r"[\s_/]+", re.sub(r"[\(\[\{].*", "", header).strip())
    last = []
    if len(rest) > 1 and not re.search(
        r"(?i)(\bin|(\bper|/)\s*\w+)$", header
    ):  # 'Date in', 'Price per kg': no unit of the number
        last = [" ".join(rest[-2:]), rest[-1]] if len(rest) > 2 else [rest[-1]]
    elif (
        len(rest) == 1
        and re.fullmatch(r"[A-Za-zµ²]{2,}", header)
        and header.lower() not in ("in", "cup", "part", "pt", "ts")
    ):
        last = [header]
    for found in [*brackets, *last]:
        word = re.sub(r"^(in|en|im) ", "", found.strip())
        try:
            return units.lookup(word).name
        except units.UnitError as error:
            if "ambiguous" in str(error) and len(word) > 1 and found in brackets:
                return "?" + word
    return None


def with_unit_in_cells(column: Column) -> Column | None:
    """A column whose cells are numbers with a unit behind ('12.5 g'): the numbers, with the unit."""
    if column.numeric or column.dates or len(column.said) < 3:
        return None
    found = [re.fullmatch(r"([-+]?[\d.,]+)\s*([A-Za-zµμ%²\"]+[\w²]*)", c) for c in column.said]
    names = {m.group(2) for m in found if m}
    if len(names) != 1 or sum(m is not None for m in found) < 0.97 * len(found):
        return None
    try:
        unit = units.lookup(names.pop()).name
    except units.UnitError:
        return None
    pattern = r"^([-+]?[0-9.,]+)"
    cells = [m.group(1) if c is not None and (m := re.match(pattern, c)) else None for c in column.cells]
    return Column(column.header, cells, column.decimal, column.thousands, column.typed, unit, {"pattern": pattern})
