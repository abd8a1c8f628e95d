"""Units of measure: one registry of exact factors, each with its source, and what it refuses.

What belongs here: turning a number with a named unit into the unit the pipeline calculates in (g, ml, um, mm, m2, kPa,
g/ml, g/l, fraction). What does not: reading numbers out of text (intake), densities (they belong to components),
currency.

Every factor is an exact fraction; a float appears only when a factor is asked for, so that it is the nearest float to
the defined value. Sources, by the tag on each unit:

- SI: the SI Brochure, 9th edition (2019), chapters 2 and 3, and its table 8 for litre and tonne; bar is 100 kPa.
- NIST-SP811: NIST Special Publication 811 (2008), appendix B: inch, pound, ounce (avoirdupois), US gallon and its
  parts, short and long ton, pound-force per square inch. Bold factors there are exact.
- UK-1995: the Units of Measurement Regulations 1995 (UK), Schedule: gallon = 4.546 09 litre, and its parts.

The figures were written from memory of these documents and are checked against the `pint` library in the tests.

A name that means different amounts to different people ("ton", "gal", "fl oz") is refused with the names that do not.
"""

import difflib
from dataclasses import dataclass
from fractions import Fraction
from functools import cache

_INCH_M = Fraction(254, 10_000)
_POUND_G = Fraction(45_359_237, 100_000)
_GAL_US_ML = Fraction(3_785_411_784, 1_000_000)
_GAL_IMP_ML = Fraction(454_609, 100)
_STANDARD_GRAVITY = Fraction(980_665, 100_000)


class UnitError(ValueError):
    """A unit that is unknown, ambiguous, or of another quantity. The text says what to write instead."""


@dataclass(frozen=True)
class Unit:
    """A named unit. `factor` turns an amount in this unit into the base unit of its `quantity` (see `BASES`)."""

    name: str
    quantity: str
    factor: Fraction
    source: str


#: quantity -> its base unit, the one factors refer to
BASES = {
    "mass": "g",
    "volume": "ml",
    "length": "um",
    "area": "m2",
    "pressure": "kPa",
    "density": "g_per_ml",
    "fraction": "fraction",
}


_UNITS: list[tuple[str, str, Fraction, str]] = [
    ("mg", "mass", Fraction(1, 1000), "SI"),
    ("g", "mass", Fraction(1), "SI"),
    ("kg", "mass", Fraction(1000), "SI"),
    ("tonne", "mass", Fraction(1_000_000), "SI"),
    ("oz", "mass", _POUND_G / 16, "NIST-SP811"),
    ("lb", "mass", _POUND_G, "NIST-SP811"),
    ("ton_us", "mass", _POUND_G * 2000, "NIST-SP811"),
    ("ton_imp", "mass", _POUND_G * 2240, "NIST-SP811"),
    ("ml", "volume", Fraction(1), "SI"),
    ("cl", "volume", Fraction(10), "SI"),
    ("l", "volume", Fraction(1000), "SI"),
    ("m3", "volume", Fraction(1_000_000), "SI"),
    ("fl_oz_us", "volume", _GAL_US_ML / 128, "NIST-SP811"),
    ("pt_us", "volume", _GAL_US_ML / 8, "NIST-SP811"),
    ("qt_us", "volume", _GAL_US_ML / 4, "NIST-SP811"),
    ("gal_us", "volume", _GAL_US_ML, "NIST-SP811"),
    ("fl_oz_imp", "volume", _GAL_IMP_ML / 160, "UK-1995"),
    ("pt_imp", "volume", _GAL_IMP_ML / 8, "UK-1995"),
    ("qt_imp", "volume", _GAL_IMP_ML / 4, "UK-1995"),
    ("gal_imp", "volume", _GAL_IMP_ML, "UK-1995"),
    ("nm", "length", Fraction(1, 1000), "SI"),
    ("um", "length", Fraction(1), "SI"),
    ("mm", "length", Fraction(1000), "SI"),
    ("cm", "length", Fraction(10_000), "SI"),
    ("m", "length", Fraction(1_000_000), "SI"),
    ("mil", "length", _INCH_M * 1000, "NIST-SP811"),
    ("inch", "length", _INCH_M * 1_000_000, "NIST-SP811"),
    ("cm2", "area", Fraction(1, 10_000), "SI"),
    ("dm2", "area", Fraction(1, 100), "SI"),
    ("m2", "area", Fraction(1), "SI"),
    ("in2", "area", _INCH_M**2, "NIST-SP811"),
    ("ft2", "area", (_INCH_M * 12) ** 2, "NIST-SP811"),
    ("Pa", "pressure", Fraction(1, 1000), "SI"),
    ("hPa", "pressure", Fraction(1, 10), "SI"),
    ("kPa", "pressure", Fraction(1), "SI"),
    ("MPa", "pressure", Fraction(1000), "SI"),
    ("bar", "pressure", Fraction(100), "SI"),
    # lbf/in2 = (lb x g_n)/in2; pounds in kg, inches in m, then Pa -> kPa
    ("psi", "pressure", _POUND_G / 1000 * _STANDARD_GRAVITY / _INCH_M**2 / 1000, "NIST-SP811"),
    ("g_per_ml", "density", Fraction(1), "SI"),
    ("kg_per_l", "density", Fraction(1), "SI"),
    ("g_per_l", "density", Fraction(1, 1000), "SI"),
    ("kg_per_m3", "density", Fraction(1, 1000), "SI"),
    ("lb_per_gal_us", "density", _POUND_G / _GAL_US_ML, "NIST-SP811"),
    ("lb_per_gal_imp", "density", _POUND_G / _GAL_IMP_ML, "UK-1995"),
    ("fraction", "fraction", Fraction(1), "SI"),
    ("percent", "fraction", Fraction(1, 100), "SI"),
]
REGISTRY = {name: Unit(name, quantity, factor, source) for name, quantity, factor, source in _UNITS}

#: Other spellings without a second meaning. Keys are already simplified by `_simplify`.
_SPELLINGS = {
    "gram": "g", "grams": "g", "gr": "g", "kilogram": "kg", "kilograms": "kg", "kilo": "kg", "kilos": "kg",
    "kgs": "kg", "milligram": "mg", "milligrams": "mg", "tonnes": "tonne", "metric_ton": "tonne",
    "metric_tons": "tonne", "short_ton": "ton_us", "short_tons": "ton_us", "us_ton": "ton_us", "long_ton": "ton_imp",
    "lbs": "lb", "pound": "lb", "pounds": "lb", "ounce": "oz", "ounces": "oz", "oz_av": "oz", "oz_avdp": "oz",
    "millilitre": "ml", "milliliter": "ml", "millilitres": "ml", "milliliters": "ml", "cc": "ml", "cm3": "ml",
    "litre": "l", "liter": "l", "litres": "l", "liters": "l", "ltr": "l",
    "us_gal": "gal_us", "us_gallon": "gal_us", "us_gallons": "gal_us", "gallon_us": "gal_us", "gallons_us": "gal_us",
    "imp_gal": "gal_imp", "imperial_gallon": "gal_imp", "imperial_gallons": "gal_imp", "uk_gal": "gal_imp",
    "gal_uk": "gal_imp", "us_fl_oz": "fl_oz_us", "floz_us": "fl_oz_us", "us_fluid_ounce": "fl_oz_us",
    "imp_fl_oz": "fl_oz_imp", "floz_imp": "fl_oz_imp", "fl_oz_uk": "fl_oz_imp", "us_qt": "qt_us", "us_pt": "pt_us",
    "micron": "um", "microns": "um", "micrometre": "um", "micrometer": "um", "mils": "mil", "thou": "mil",
    "millimetre": "mm", "millimeter": "mm", "in": "inch", "inches": "inch",
    "sqft": "ft2", "sq_ft": "ft2", "square_feet": "ft2", "square_foot": "ft2", "sqm": "m2", "sq_m": "m2",
    "square_metre": "m2", "square_meter": "m2", "square_metres": "m2", "square_meters": "m2", "sq_in": "in2",
    "lbf_per_in2": "psi", "psig": "psi", "bars": "bar",
    "g/ml": "g_per_ml", "g/cm3": "g_per_ml", "g/cc": "g_per_ml", "kg/l": "kg_per_l", "g/l": "g_per_l",
    "kg/m3": "kg_per_m3", "lb/gal_us": "lb_per_gal_us", "lb/us_gal": "lb_per_gal_us", "lb/gal_imp": "lb_per_gal_imp",
    "%": "percent", "pct": "percent",
}  # fmt: skip

#: Names that mean different amounts to different people -> the names that do not, and why.
_AMBIGUOUS = {
    "ton": (("ton_us", "tonne", "ton_imp"), "a ton is 907.18474 kg in the US, 1000 kg metric, 1016.05 kg in the UK"),
    "t": (("tonne", "ton_us"), "t may be a metric tonne or a US ton"),
    "gal": (("gal_us", "gal_imp"), "a US gallon is 3.785 l, an imperial one 4.546 l"),
    "fl_oz": (("fl_oz_us", "fl_oz_imp"), "a US fluid ounce is 29.57 ml, an imperial one 28.41 ml"),
    "qt": (("qt_us", "qt_imp"), "a US quart is 0.946 l, an imperial one 1.137 l"),
    "pt": (("pt_us", "pt_imp"), "a US pint is 473 ml, an imperial one 568 ml"),
    "lb/gal": (("lb_per_gal_us", "lb_per_gal_imp"), "the gallon is not named"),
    "psia": (("psi",), "inlet pressure is read on a gauge; an absolute pressure must be turned into one first"),
    "m": (("mm", "um"), "m may stand for metre, or be short for mil or micron"),
    "cup": (("ml",), "a cup is no measure"),
    "part": (("g", "ml"), "a part may be by weight or by volume"),
}
_AMBIGUOUS_SPELLINGS = {
    "tons": "ton", "ts": "t", "gals": "gal", "gallon": "gal", "gallons": "gal", "floz": "fl_oz", "fluid_ounce": "fl_oz",
    "fluid_ounces": "fl_oz", "quart": "qt", "quarts": "qt", "pint": "pt", "pints": "pt", "lbs/gal": "lb/gal",
    "lb_per_gal": "lb/gal", "parts": "part", "cups": "cup",
}  # fmt: skip


def _simplify(name: str) -> str:
    text = name.strip().strip("()[]").strip()
    text = text.replace("µ", "u").replace("μ", "u").replace("²", "2").replace("³", "3").replace("^", "")
    text = text.replace(".", " ").replace("-", " ").replace("(", " ").replace(")", " ")
    return "_".join(text.split()).replace("_/_", "/")


@cache
def lookup(name: str, quantity: str | None = None) -> Unit:
    """The unit called `name`, which must be of `quantity` if one is given ("mass", "volume", ...: keys of `BASES`).

    Raises UnitError: unknown (with the nearest known name), ambiguous (with the names that are not), other quantity.

    >>> lookup("oz", "mass").factor
    Fraction(45359237, 1600000)
    """
    simple = _simplify(name)
    if simple in ("Mg", "MG"):  # megagram and milligram differ by nine powers of ten and by one shift key
        raise UnitError(f"the unit '{name}' may be megagram or milligram; write tonne or mg")
    lower = simple.lower()
    if quantity == "volume" and lower in ("oz", "ounce", "ounces"):
        raise UnitError(
            f"the unit '{name}' is a weight; for a volume write fl_oz_us (29.57 ml) or fl_oz_imp (28.41 ml)"
        )
    if simple not in REGISTRY or lower in _AMBIGUOUS:
        ambiguous = _AMBIGUOUS.get(_AMBIGUOUS_SPELLINGS.get(lower, lower))
        if ambiguous and not (lower == "m" and quantity is None):
            names, why = ambiguous
            raise UnitError(f"the unit '{name}' is ambiguous: {why}; write {_either(names)}")
    by_lower = {known.lower(): known for known in REGISTRY}
    found = REGISTRY.get(simple) or REGISTRY.get(_SPELLINGS.get(lower, by_lower.get(lower, "")))
    if simple.lower() == "mpa" and simple != "MPa":  # millipascal or megapascal
        found = None
    if found is None:
        near = difflib.get_close_matches(lower, [*by_lower, *_SPELLINGS], n=1, cutoff=0.6)
        hint = f"; did you mean {_SPELLINGS.get(near[0], by_lower.get(near[0]))}?" if near else ""
        known = ", ".join(u.name for u in REGISTRY.values() if quantity in (None, u.quantity))
        raise UnitError(f"the unit '{name}' is not known{hint} (known: {known})")
    if quantity is not None and found.quantity != quantity:
        known = ", ".join(u.name for u in REGISTRY.values() if u.quantity == quantity)
        raise UnitError(f"the unit '{name}' measures {found.quantity}, not {quantity}; write one of {known}")
    return found


def _either(names: tuple[str, ...]) -> str:
    return names[0] if len(names) == 1 else ", ".join(names[:-1]) + " or " + names[-1]


@cache
def factor(from_unit: str, to_unit: str) -> float:
    """What to multiply an amount in `from_unit` by to have it in `to_unit`; both of one quantity, else UnitError.

    >>> factor("mil", "um")
    25.4
    """
    source, target = lookup(from_unit), lookup(to_unit)
    if source.quantity != target.quantity:
        raise UnitError(f"{source.name} measures {source.quantity} and {target.name} {target.quantity}: no factor")
    return float(source.factor / target.factor)
