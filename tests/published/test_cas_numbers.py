"""The check digit of CAS numbers against the `chemicals` library, which has its own reckoning of it and 70,000 numbers."""

from __future__ import annotations

import pytest
from chemicals import identifiers

from pipelines.intake.bringing_together.local_rules import is_cas


@pytest.mark.parametrize("cas", ["108-88-3", "67-64-1", "1330-20-7", "98-56-6", "540-88-5", "64742-95-6"])
@pytest.mark.parametrize("by", range(1, 10))
def test_a_digit_mistyped_is_found_as_the_library_finds_it(cas: str, by: int) -> None:
    assert is_cas(cas) and identifiers.check_CAS(cas)
    wrong = f"{cas[:-1]}{(int(cas[-1]) + by) % 10}"
    assert not is_cas(wrong) and not identifiers.check_CAS(wrong)


@pytest.mark.parametrize("cas", ["64742-89-6", "8052-49-3"])
def test_two_numbers_printed_in_a_rule_fail(cas: str) -> None:
    # 40 CFR 63 subpart MMMM, Table 3, 2015 edition: printed so, read there
    assert not is_cas(cas) and not identifiers.check_CAS(cas)


@pytest.mark.parametrize("text", ["", "toluene", "108883", "108-88-33", "1-88-3", "108-88-3 "])
def test_what_has_not_the_form_is_none(text: str) -> None:
    assert not is_cas(text)
