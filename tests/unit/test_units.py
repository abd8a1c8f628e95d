"""Unit factors against an outside registry (pint 0.24+, its default registry follows NIST SP 811 and CODATA)."""

from fractions import Fraction

import pint
import pytest

from pipelines import units

REG = pint.UnitRegistry()
PINT = {
    "mg": "milligram", "g": "gram", "kg": "kilogram", "tonne": "metric_ton", "oz": "ounce", "lb": "pound",
    "ton_us": "short_ton", "ton_imp": "long_ton", "ml": "milliliter", "cl": "centiliter", "l": "liter", "m3": "m**3",
    "fl_oz_us": "fluid_ounce", "pt_us": "pint", "qt_us": "quart", "gal_us": "gallon",
    "fl_oz_imp": "imperial_fluid_ounce", "pt_imp": "imperial_pint", "qt_imp": "imperial_quart",
    "gal_imp": "imperial_gallon", "nm": "nanometer", "um": "micrometer", "mm": "millimeter", "cm": "centimeter",
    "m": "meter", "mil": "thou", "inch": "inch", "cm2": "cm**2", "dm2": "dm**2", "m2": "m**2", "in2": "inch**2",
    "ft2": "foot**2", "Pa": "pascal", "hPa": "hectopascal", "kPa": "kilopascal", "MPa": "megapascal", "bar": "bar",
    "psi": "psi", "g_per_ml": "g/ml", "kg_per_l": "kg/l", "g_per_l": "g/l", "kg_per_m3": "kg/m**3",
    "lb_per_gal_us": "pound/gallon", "lb_per_gal_imp": "pound/imperial_gallon", "fraction": "dimensionless",
    "percent": "percent",
}  # fmt: skip


@pytest.mark.parametrize("name", units.REGISTRY)
def test_every_factor_equals_pints(name: str) -> None:
    unit = units.REGISTRY[name]
    base = PINT[units.BASES[unit.quantity]]
    assert float(unit.factor) == pytest.approx(REG.Quantity(1.0, PINT[name]).to(base).magnitude, rel=1e-12)


def test_defined_values_are_exact_fractions() -> None:
    # NIST SP 811 (2008) appendix B.8, factors printed in bold (exact); UK Units of Measurement Regulations 1995
    assert units.lookup("lb").factor == Fraction("453.59237")
    assert units.lookup("oz").factor == Fraction("28.349523125")
    assert units.lookup("gal_us").factor == Fraction("3785.411784")
    assert units.lookup("fl_oz_us").factor == Fraction("29.5735295625")
    assert units.lookup("gal_imp").factor == Fraction("4546.09")
    assert units.lookup("mil").factor == Fraction("25.4")
    assert units.lookup("ft2").factor == Fraction("0.09290304")
    assert units.lookup("ton_us").factor == Fraction("907184.74")
    assert float(units.lookup("psi").factor) == pytest.approx(6.894757293168361, rel=1e-15)


@pytest.mark.parametrize(
    ("name", "unambiguous"),
    [
        ("ton", "ton_us"), ("tons", "tonne"), ("t", "tonne"), ("gal", "gal_us"), ("Gallons", "gal_imp"),
        ("fl oz", "fl_oz_us"), ("floz", "fl_oz_imp"), ("quart", "qt_us"), ("pt", "pt_imp"), ("lb/gal", "lb_per_gal_us"),
        ("parts", "g or ml"), ("Mg", "tonne"), ("psia", "psi"),
    ],
)  # fmt: skip
def test_an_ambiguous_unit_is_refused_with_the_names_that_are_not(name: str, unambiguous: str) -> None:
    with pytest.raises(units.UnitError) as error:
        units.lookup(name)
    assert unambiguous in str(error.value)


def test_an_ounce_is_a_weight_and_refused_where_a_volume_is_wanted() -> None:
    assert units.lookup("oz", "mass").name == "oz"
    with pytest.raises(units.UnitError, match="fl_oz_us"):
        units.lookup("oz", "volume")


def test_an_unknown_unit_names_its_nearest_and_a_wrong_quantity_the_right_ones() -> None:
    with pytest.raises(units.UnitError, match="did you mean"):
        units.lookup("grms")
    with pytest.raises(units.UnitError, match="measures volume, not mass"):
        units.lookup("l", "mass")
    with pytest.raises(units.UnitError, match="no factor"):
        units.factor("g", "ml")


@pytest.mark.parametrize(
    ("spelling", "name"),
    [("Grams", "g"), ("US gal", "gal_us"), ("gal (US)", "gal_us"), ("µm", "um"), ("m²", "m2"), ("[mil]", "mil"),
     ("sq. ft", "ft2"), ("kpa", "kPa"), ("lb/gal (US)", "lb_per_gal_us"), ("g/cm³", "g_per_ml"), ("%", "percent"),
     ("fl. oz. US", "fl_oz_us")],
)  # fmt: skip
def test_common_spellings_without_a_second_meaning_are_understood(spelling: str, name: str) -> None:
    assert units.lookup(spelling).name == name


def test_converting_there_and_back_returns_the_amount() -> None:
    for unit in units.REGISTRY.values():
        base = units.BASES[unit.quantity]
        there_and_back = units.factor(unit.name, base) * units.factor(base, unit.name)
        assert there_and_back == pytest.approx(1.0, rel=1e-15)
