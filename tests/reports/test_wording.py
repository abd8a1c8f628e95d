"""How numbers read: digits, intervals, units, the ladder."""

from __future__ import annotations

import math

import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from reports import wording
from reports.wording import UNITS, digits, ladder, period_word, phrase, plain, quantity, standing


def test_us_units_group_by_commas_and_metric_by_thin_spaces() -> None:
    assert phrase(1_234_567.0, "mass_kg", system="us", bare=True) == "2,721,754"
    assert phrase(1_234_567.0, "mass_kg", bare=True) == "1\u202f234\u202f567"
    assert phrase(12_000.0, "cost", 11_000.0, 13_000.0, system="us") == "12,000 (11,000\u201313,000)"


@pytest.mark.parametrize(
    ("value", "kind", "low", "high", "text"),
    [
        (0.58, "share", 0.54, 0.62, "58\u202f% (54–62)"),
        (0.431, "per100", 0.40, 0.46, "43 (40–46)"),
        (0.05, "per100", 0.045, 0.055, "5.0 (4.5–5.5)"),
        (0.021, "per100", None, None, "2.1"),
        (1234.4, "mass_kg", 1100.0, 1400.0, "1\u202f234\u202fkg (1\u202f100–1\u202f400)"),
        (0.0, "mass_kg", 0.0, 0.0, "0\u202fkg"),
        (0.03, "share", -0.02, 0.08, "3\u202f% (-2 to 8)"),
        (None, "share", None, None, "not known"),
        (math.nan, "mass_g", None, None, "not known"),
        (12345.0, "count", None, None, "12\u202f345"),
    ],
)
def test_a_value_reads_with_as_many_digits_as_its_interval_bears(value, kind, low, high, text) -> None:
    assert phrase(value, kind, low, high) == text


def test_a_number_that_stands_alone_says_interval_records_and_grade() -> None:
    assert standing(0.58, 0.54, 0.62, 31, "A") == "58\u202f% (54–62), 31 records, grade A"
    assert standing(None, None, None, 1, None) == "not enough jobs (1 record)"


@pytest.mark.parametrize(
    ("probability", "word"),
    [
        (0.96, "shown"),
        (0.95, "likely"),
        (0.80, "not shown"),
        (0.5, "not shown"),
        (0.20, "not shown"),
        (0.10, "likely not"),
        (0.04, "shown not to be"),
        (None, "not known"),
    ],
)
def test_the_ladder_gives_one_word_for_a_probability_and_never_significant(probability, word) -> None:
    assert ladder(probability) == word
    assert all("significant" not in step for _, step in wording.LADDER)
    assert word in {"not known", *(step for _, step in wording.LADDER)}


@given(st.floats(-1e9, 1e9, allow_nan=False), st.integers(0, 4))
def test_groups_and_rounding_lose_nothing(value: float, decimals: int) -> None:
    assert float(plain(value, decimals).replace("\u202f", "")) == pytest.approx(value, abs=0.5000001 * 10**-decimals)


@given(st.floats(1e-6, 1e6))
def test_a_number_without_interval_keeps_at_least_two_significant_digits_above_a_thousandth(value: float) -> None:
    text = plain(value, digits(value))
    if value >= 0.01:
        assert float(text.replace("\u202f", "")) == pytest.approx(value, rel=0.06)


@pytest.mark.parametrize("kind", [k for k, u in UNITS.items() if u.metric != u.us])
def test_us_units_are_those_of_pint(kind: str) -> None:
    """Outside check: factors against the unit registry of the pint package."""
    names = {
        "g": "gram",
        "oz": "ounce",
        "kg": "kilogram",
        "lb": "pound",
        "mL": "milliliter",
        "fl oz": "fluid_ounce",
        "L": "liter",
        "US gal": "gallon",
        "µm": "micrometer",
        "mil": "mil_length",
        "m²": "meter**2",
        "ft²": "foot**2",
        "mm": "millimeter",
        "in": "inch",
    }
    registry = pint.UnitRegistry()
    registry.define("mil_length = 0.001 * inch")

    def of(word: str):
        top, _, below = word.partition("/")
        unit = registry(names[top])
        return unit / registry(names[below]) if below else unit

    unit = UNITS[kind]
    assert of(unit.us).to(of(unit.metric).units).magnitude == pytest.approx(unit.factor, rel=1e-12)


def test_a_value_in_the_page_carries_what_the_script_needs_and_is_escaped() -> None:
    text = str(quantity(12.5, "film_um", 11.0, 14.0))
    assert 'data-u="film_um"' in text and 'data-v="12.5"' in text and 'data-lo="11"' in text
    assert "<script" not in str(quantity(1.0, "cost", currency="<script>"))


def test_periods_read_as_words() -> None:
    assert period_word("2024-03", "2024-03") == "in March 2024"
    assert period_word("2024-03", "2025-04") == "from March 2024 to April 2025"
    assert wording.month_word("unknown") == "not known"


def test_an_interval_in_a_sentence_is_kept_on_one_line_and_stays_text() -> None:
    said = wording.kept("base 46 % (40–53), 2 records (of <b> all); tilt -1 % (-5 to 3)")
    assert str(said) == (
        'base 46 % <span class="day">(40–53)</span>, 2 records (of &lt;b&gt; all); tilt -1 % <span class="day">(-5 to 3)</span>'
    )


def test_a_day_in_a_text_is_said_in_words_and_an_id_of_its_form_stays() -> None:
    assert wording.dated("from 2026-03-04 on") == "from 4 March 2026 on"
    assert wording.dated("component 8888-88-88 has no figure") == "component 8888-88-88 has no figure"
