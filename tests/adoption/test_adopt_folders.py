"""Folders of exports in drawn shapes, adopted with truthful answers: what is read equals what is true (issue 19).

The shapes, words and marks were drawn apart from those that the recogniser was tuned on (see drawn_words.py); the scenario is ours.
"""

from __future__ import annotations

import pytest

from tests.adoption.drawer import folder
from tests.adoption.truthful import adopted, differences, taken_in

#: few here, since each is a whole inbox; tests/bench/adoption.py measures as many as are wanted
SEEDS = (100, 101, 104, 106, 110, 111)


@pytest.mark.parametrize("seed", SEEDS)
def test_a_folder_of_unseen_shapes_is_read_right(seed: int) -> None:
    one = folder(seed, unseen=True)
    found, given = adopted(one)
    taken = taken_in(one, found.layouts)
    assert not differences(one, taken.tables), (one.told, given)
    assert taken.refused_rows.is_empty() and not found.unread
    assert len(given) <= 12


def test_what_is_drawn_is_not_the_canonical_form() -> None:
    one = folder(100, unseen=True)
    taken = taken_in(one, {})
    assert all(frame.is_empty() for name, frame in taken.tables.items() if name in one.canonical)


def test_the_comparison_sees_a_wrong_unit() -> None:
    """A check that cannot fail is none: answer pounds for kilograms, and the figures differ."""
    one = folder(107, unseen=True)
    found, given = adopted(one, {("unit", "pours", "weighed_g"): "lb"})
    assert any(q.kind == "unit" and q.table == "pours" for q, _ in given)
    assert any(d.startswith("pours.weighed_g") for d in differences(one, taken_in(one, found.layouts).tables))
