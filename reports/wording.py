"""How numbers read: digits, intervals, units, grades and the ladder of words for probability.

Here belongs the wording of a value, for a page and for its script: words, units and limits travel to the script as data
(`for_script`), and a browser test compares what both say. Not here: where values come from.
"""

from __future__ import annotations

import datetime as dt
import math
import re
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal
from statistics import NormalDist
from typing import Any

from markupsafe import Markup, escape

from pipelines.units import factor
from schemas.published import Z95
from schemas.registers import PERIODS

THIN = "\u202f"  # narrow no-break space: groups of three digits, and between number and unit
RANGE = "\u2013"
UNKNOWN = "not known"
TOO_FEW = "not enough jobs"
NO_GRADE = "no grade"


@dataclass(frozen=True, slots=True)
class Unit:
    """A kind of quantity: its metric and US unit. us = metric / factor (exact by definition, see tests)."""

    metric: str
    us: str
    factor: float


UNITS: dict[str, Unit] = {
    "mass_g": Unit("g", "oz", factor("oz", "g")),
    "mass_kg": Unit("kg", "lb", factor("lb", "kg")),
    "volume_ml": Unit("mL", "fl oz", factor("fl_oz_us", "ml")),
    "volume_l": Unit("L", "US gal", factor("gal_us", "l")),
    "film_um": Unit("µm", "mil", factor("mil", "um")),
    "area_m2": Unit("m²", "ft²", factor("ft2", "m2")),
    "density_g_per_ml": Unit("g/mL", "lb/US gal", factor("lb_per_gal_us", "g_per_ml")),
    "content_g_per_l": Unit("g/L", "lb/US gal", factor("lb_per_gal_us", "g_per_l")),
    "spread_ml_per_m2": Unit("mL/m²", "fl oz/ft²", factor("fl_oz_us", "ml") / factor("ft2", "m2")),
    "length_mm": Unit("mm", "in", factor("inch", "mm")),
    "share": Unit("%", "%", 0.01),
    "per100": Unit("", "", 0.01),
    "factor": Unit("×", "×", 1.0),
    "cost": Unit("", "", 1.0),
    "count": Unit("", "", 1.0),
}

# Unit of a published column (schemas) -> kind of quantity here.
KIND_OF_UNIT = {
    "g": "mass_g",
    "kg": "mass_kg",
    "mL": "volume_ml",
    "L": "volume_l",
    "um": "film_um",
    "m2": "area_m2",
    "g/mL": "density_g_per_ml",
    "g/L": "content_g_per_l",
    "mL/m2": "spread_ml_per_m2",
    "mm": "length_mm",
    "1": "share",
    "currency": "cost",
}


#: kinds that are shown in hundredths whatever the reader's units
HUNDREDTHS = ("share", "per100")
#: (least half-width of an interval, decimals); narrower ones get NARROW
BY_HALF_WIDTH = ((1.5, 0), (0.15, 1), (0.015, 2))
NARROW = 3
#: (least size, decimals): three significant digits; smaller ones get SMALL
BY_SIZE = ((100.0, 0), (10.0, 1), (1.0, 2), (0.1, 3))
SMALL = 4


def known(value: float | None) -> bool:
    return value is not None and math.isfinite(value)


def digits(value: float, half_width: float | None = None) -> int:
    """Decimals worth showing: by the half-width of the interval where there is one, else three significant digits."""
    if half_width is not None and half_width > 0:
        return next((decimals for least, decimals in BY_HALF_WIDTH if half_width >= least), NARROW)
    size = abs(value)
    return next((decimals for least, decimals in BY_SIZE if size >= least), SMALL) if size else 0


def plain(value: float, decimals: int, system: str = "metric") -> str:
    """A number in groups of three, with commas beside US units, and a decimal point; halves rounded up as JavaScript's toFixed does."""
    exact = Decimal(abs(value)).quantize(Decimal(1).scaleb(-decimals), ROUND_HALF_UP)
    text = f"{exact:f}"
    whole, _, rest = text.partition(".")
    groups: list[str] = []
    while len(whole) > 3:
        groups.insert(0, whole[-3:])
        whole = whole[:-3]
    text = ("," if system == "us" else THIN).join([whole, *groups]) + (f".{rest}" if rest else "")
    return f"-{text}" if value < 0 and exact != 0 else text


def shown(value: float | None, kind: str, system: str = "metric") -> float | None:
    """The value in the unit it is shown in."""
    if value is None or not math.isfinite(value):
        return None
    unit = UNITS[kind]
    return value / unit.factor if system == "us" or kind in HUNDREDTHS else value


def unit_word(kind: str, system: str = "metric", currency: str = "") -> str:
    if kind == "cost":
        return currency
    return UNITS[kind].us if system == "us" else UNITS[kind].metric


def phrase(
    value: float | None,
    kind: str,
    low: float | None = None,
    high: float | None = None,
    *,
    bare: bool = False,
    system: str = "metric",
    beside: str = "",
    currency: str = "",
) -> str:
    """A value as it reads in a sentence: "58 % (54-62)". `bare` leaves the unit out (it stands in the header cell); `beside`: the
    system of the figures around it, whose way of grouping digits it takes (its own where nothing is said)."""
    number = shown(value, kind, system)
    beside = beside or system
    if number is None:
        return UNKNOWN
    if kind == "count":
        return plain(number, 0, beside)
    ends = (shown(low, kind, system), shown(high, kind, system))
    if ends[0] is None or ends[1] is None or ends[0] == ends[1]:
        decimals = (0 if number >= 10 else 1) if kind in HUNDREDTHS else digits(number)
        text = plain(number, decimals, beside)
        interval = ""
    else:
        decimals = digits(number, (ends[1] - ends[0]) / 2)
        text = plain(number, decimals, beside)
        low_text, high_text = plain(ends[0], decimals, beside), plain(ends[1], decimals, beside)
        joint = " to " if low_text.startswith("-") or high_text.startswith("-") else RANGE
        interval = f" ({low_text}{joint}{high_text})"
    word = "" if bare else unit_word(kind, system, currency)
    return f"{text}{THIN + word if word else ''}{interval}"


def quantity(
    value: float | None,
    kind: str,
    low: float | None = None,
    high: float | None = None,
    *,
    bare: bool = False,
    currency: str = "",
) -> Markup:
    """`phrase` as markup that the page's script can turn into the reader's units."""
    attributes = f' data-u="{kind}"'
    for name, number in (("v", value), ("lo", low), ("hi", high)):
        if number is not None and math.isfinite(number):
            attributes += f' data-{name}="{number:.6g}"'
    if bare:
        attributes += " data-bare"
    return Markup("<span{}>{}</span>").format(
        Markup(attributes), phrase(value, kind, low, high, bare=bare, currency=currency)
    )


def kept(text: str) -> Markup:
    """Text whose intervals in brackets are not broken over two lines."""
    parts = re.split(rf"(\([^()]*(?:{RANGE}| to )[^()]*\))", text)
    return Markup("").join(Markup('<span class="day">{}</span>').format(p) if i % 2 else p for i, p in enumerate(parts))


def spaced(word: str | None) -> str:
    """A word of a closed list as it is read: "reduced_pressure" -> "reduced pressure"."""
    return (word or "").replace("_", " ")


def unit_header(kind: str, currency: str = "") -> Markup:
    """The unit for a header cell or an axis, switchable; empty where the kind has none."""
    word = unit_word(kind, currency=currency)
    if not word:
        return Markup("")
    if UNITS[kind].metric == UNITS[kind].us:
        return escape(word)
    return Markup('<span data-unit="{}">{}</span>').format(kind, word)


def jobs(n: int | None, one: str = "record", many: str = "records") -> str:
    return f"{plain(n or 0, 0)} {one if n == 1 else many}"


# Heads of columns whose published name says little to a reader.
HEADS = {
    "rel_u": "uncertain by, two in three within",
    "ratio": "landed over sprayed",
    "te": "transfer efficiency",
    "te_source": "taken from",
    "prob_over": "chance that it lies above",
    "prob_below_65": "chance that it lies below 65 %",
    "relative_film": "film over the panel's mean",
    "n": "records",
    "n_panels": "panels",
    "why_not": "why it is not used",
}


def method(words: str) -> str:
    """What the tables call their method, as a reader may know it."""
    plain_words = {
        "joint model": "from all records together",
        "direct records only": "from records of one operation alone",
    }
    for name, said in plain_words.items():
        words = words.replace(name, said)
    return words


GRADES = {"A": "measured", "B": "shared or partly assumed", "C": "assumed, no record of its own"}


def grade(letter: str | None) -> str:
    return f"grade {letter}" if letter in GRADES else NO_GRADE


def standing(
    value: float | None, low: float | None, high: float | None, n: int | None, letter: str | None, kind: str = "share"
) -> str:
    """A figure that stands alone: "58 % (54-62), 31 records, grade A"."""
    if not known(value):
        return f"{TOO_FEW} ({jobs(n)})"
    return f"{phrase(value, kind, low, high)}, {jobs(n)}, {grade(letter)}"


# The ladder of words for a probability, used on every page and explained on the method page.
LADDER: tuple[tuple[str, str], ...] = (
    ("more than 95 in 100", "shown"),
    ("from 80 to 95 in 100", "likely"),
    ("from 20 to 80 in 100", "not shown"),
    ("from 5 to 20 in 100", "likely not"),
    ("fewer than 5 in 100", "shown not to be"),
)


def ladder(probability: float | None) -> str:
    """The word for a probability: > .95 shown; .80-.95 likely; .20-.80 not shown; below, the opposite."""
    if not known(probability):
        return UNKNOWN
    assert probability is not None
    if probability < 0.05:
        return "shown not to be"
    if probability < 0.20:
        return "likely not"
    if probability <= 0.80:
        return "not shown"
    return "likely" if probability <= 0.95 else "shown"


def probability(p: float | None) -> str:
    """A probability beside its word, never certain: "97 chances in 100", "more than 99 chances in 100", "fewer than 1 chance in
    100"; "" where there is none."""
    if not known(p) or p is None:
        return ""
    chances = "1 chance" if round(100 * p) == 1 else f"{100 * p:.0f} chances"
    return (
        "more than 99 chances in 100" if p > 0.99 else "fewer than 1 chance in 100" if p < 0.01 else f"{chances} in 100"
    )


MONTHS = (
    "January", "February", "March", "April", "May", "June",
    "July", "August", "September", "October", "November", "December",
)  # fmt: skip


def month_word(month: str | None) -> str:
    """ "2025-03" -> "March 2025", "2025-Q1" -> "quarter 1 of 2025", "2025" -> "2025"."""
    if not month or not month[:4].isdigit():
        return UNKNOWN
    if len(month) == 4:
        return month
    if month[5:6] == "Q":
        return f"quarter {month[6:]} of {month[:4]}"
    return f"{MONTHS[int(month[5:7]) - 1]} {month[:4]}" if month[5:7].isdigit() else UNKNOWN


def period_word(first: str | None, last: str | None) -> str:
    """ "from March 2024 to April 2025", "in March 2024"."""
    if first is None or last is None:
        return "in no month yet"
    return f"in {month_word(first)}" if first == last else f"from {month_word(first)} to {month_word(last)}"


def window_word(period: str, window: str | None) -> str:
    """A window of a limit, by its last month or its year: "June 2026", "twelve months to June 2026", "January to June 2026",
    "2026"; what it counts over where it has none yet."""
    if not window:
        return PERIODS[period]
    last = month_word(window)
    if len(window) == 4 or period == "month":
        return last
    if period == "rolling_12_months":
        return f"twelve months to {last}"
    return last if window.endswith("-01") else f"January to {last}"


def day_word(day: dt.date) -> str:
    """ "1 May 2025"."""
    return f"{day.day} {MONTHS[day.month - 1]} {day.year}"


def dated(text: str) -> str:
    """The text with its days as `day_word` says them."""
    return re.sub(r"\b\d{4}-\d\d-\d\d\b", _day_or_id, text)


def _day_or_id(found: re.Match[str]) -> str:
    """A day in words; an id of the same form stays."""
    try:
        return day_word(dt.date.fromisoformat(found[0]))
    except ValueError:
        return found[0]


def days_word(first: dt.date, last: dt.date) -> str:
    """ "1 May 2025 to 30 April 2026"."""
    return f"{day_word(first)} to {day_word(last)}"


def role_word(role: str | None) -> str:
    return spaced(role or UNKNOWN)


def for_script() -> dict[str, Any]:
    """What the page's script words numbers with: words, the limits of `digits`, units with their factors."""
    return {
        "thin": THIN,
        "range": RANGE,
        "unknown": UNKNOWN,
        "too_few": TOO_FEW,
        "no_grade": NO_GRADE,
        "months": MONTHS,
        "hundredths": HUNDREDTHS,
        "by_half_width": [*BY_HALF_WIDTH, (0, NARROW)],
        "by_size": [*BY_SIZE, (0, SMALL)],
        "z95": Z95,
        # standard errors off nothing from which a difference is said to be so
        "steps": [[NormalDist().inv_cdf(0.95), "shown"], [NormalDist().inv_cdf(0.80), "likely"], [0, "not shown"]],
        "units": {kind: [unit.metric, unit.us, unit.factor] for kind, unit in UNITS.items()},
    }


#: what permits limit and reports sum, by the first part of its name
_MEASURES = {
    "rts_l": "poured, ready to spray",
    "voc_kg": "VOC",
    "exempt_kg": "exempt compounds",
    "hap_kg": "hazardous air pollutants",
    "pm_kg": "particulate, upper figure",
    "solvent_kg": "organic solvent consumed",
}


#: units of permits, in words
PERMIT_UNITS = {
    "l": "L", "gal_us": "US gallons", "gal_imp": "imperial gallons", "kg": "kg", "lb": "lb", "ton_us": "US tons", "tonne": "tonnes",
}  # fmt: skip


def measure_words(measure: str, substances: dict[str, str]) -> str:
    """ "rts_l:primer" -> "poured, ready to spray: primer"; "hap_kg:108-88-3" -> "hazardous air pollutants: Toluene"."""
    name, _, rest = measure.partition(":")
    word = _MEASURES.get(name, spaced(name))
    return f"{word}: {substances.get(rest, rest.replace('_', ' '))}" if rest else word


def called(register: Iterable[tuple[str, str | None]]) -> dict[str, str]:
    """What products or components of a register (id, label) are called, by id: by name, with the id only where two share one."""
    names = {id_: label for id_, label in register if label}
    shared = Counter(names.values())
    return {id_: label if shared[label] == 1 else f"{label} ({id_})" for id_, label in names.items()}
