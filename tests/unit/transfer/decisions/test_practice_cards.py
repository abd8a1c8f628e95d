"""Practice cards: written for flags alone, in the words of coaching, by id."""

import re

import polars as pl
import pytest

from pipelines.settings import Settings
from pipelines.transfer.decisions import decision_tables, practice_cards
from pipelines.transfer.decisions.habits import Habits
from pipelines.transfer.solver.table_model import Fitted
from schemas import validate

NOT_SAID = re.compile(
    r"\b(worst|bad|poor performer|blame|rank(ing)?|score|penalty|fail(ed|ure)?|guilty|lazy|significant)\b", re.I
)


def one_of_each() -> pl.DataFrame:
    te = pl.DataFrame(
        {"technician_id": ["t1", "t2"], "effect": [0.85, 1.0], "low": [0.80, 0.95], "high": [0.90, 1.05], "n": [40, 40],
         "vif": [1.2, 1.2], "prob_low": [0.99, 0.02], "flagged": [True, False]}
    )  # fmt: skip
    film = pl.DataFrame(
        {"shop_id": ["s"], "technician_id": ["t3"], "role": ["clear"], "ratio": [1.12], "low": [1.06], "high": [1.18], "n": [30],
         "vif": [1.1], "prob_next_over": [0.8], "prob_material": [0.985], "flagged": [True]}
    )  # fmt: skip
    edge = pl.DataFrame(
        {"shop_id": ["s", "s"], "technician_id": ["t4", "t4"], "role": ["clear", "base"], "tilt": [0.2, 0.18],
         "tilt_low": [0.15, 0.1],
         "tilt_high": [0.25, 0.26], "n_panels": [30, 12], "prob_tilt": [0.999, 0.999], "vif": [1.0, 1.0], "flagged": [True, True],
         "edge": [-0.02, -0.14], "edge_low": [-0.05, -0.19], "edge_high": [0.01, -0.09], "prob_thin": [0.01, 0.99],
         "thin_edges": [False, True]}
    )  # fmt: skip
    people = pl.DataFrame(
        {"technician_id": ["t5"], "shop_id": ["s"], "effect": [0.12], "variance": [0.0004], "n": [60], "prob": [0.997],
         "flagged": [True]}
    )  # fmt: skip
    pairs = pl.DataFrame({"shop_id": ["s"] * 2, "technician_id": ["t1", "t2"], "gun_id": ["g7", "g8"], "n": [40, 40]})
    left = Habits(people, pl.DataFrame({"shop_id": ["s"], "share": [0.16]}), None)
    return decision_tables.formed(
        "practice_cards", practice_cards.practice_cards(te, film, edge, left, pairs, Settings())
    )


def test_a_card_for_each_flag_and_for_nothing_else():
    found = one_of_each()
    assert found.select("technician_id", "kind").rows() == [
        ("t1", "low_transfer"), ("t3", "over_build"), ("t4", "thin_edges"), ("t4", "tilt"), ("t5", "leftover")
    ]  # fmt: skip


def test_every_card_coaches_names_what_it_may_be_confused_with_and_puts_the_sheet_first():
    for row in one_of_each().iter_rows(named=True):
        words = " ".join(str(row[c]) for c in ("seen", "confused_with", "practise", "would_settle", "caution"))
        assert not NOT_SAID.search(words), words
        assert row["caution"].startswith("The product's data sheet comes first") and "isocyanates" in row["caution"]
        assert len(row["confused_with"]) > 20 and len(row["practise"]) > 40 and row["would_settle"]
        assert row["how_sure"] == "shown"
        assert row["low"] < row["value"] < row["high"]


def test_thin_edges_are_told_in_the_role_they_are_seen_in():
    card = one_of_each().filter(pl.col("kind") == "thin_edges").row(0, named=True)
    assert (
        card["role"] == "base"
        and card["value"] == -0.14
        and card["seen"].startswith("On 12 panels of base the edges carry 14 % less")
    )


def test_the_gun_is_named_on_the_card():
    assert "g7" in one_of_each().filter(pl.col("kind") == "low_transfer")["confused_with"].item()


@pytest.mark.parametrize(
    ("p", "word"),
    [
        (0.96, "shown"),
        (0.95, "likely"),
        (0.81, "likely"),
        (0.5, "not shown"),
        (0.2, "unlikely"),
        (0.04, "shown not to be so"),
    ],
)
def test_the_ladder_of_words(p: float, word: str):
    assert practice_cards.how_sure(p) == word


def test_how_many_more_would_settle_it_by_hand():
    """Half width ln(1.2)/2 = .0912 at n = 20, gap ln(1.05/1.0) = .0488: 20 ((.0912/.0488)^2 - 1) = 49.8 -> 50 more."""
    said = practice_cards._settle_log(1.05, 1.05 / 1.2**0.5, 1.05 * 1.2**0.5, 20, 1.0, "jobs")
    assert said.startswith("About 50 more jobs: ") and "on one side of 100 %" in said
    assert "lies beyond 105 %" in practice_cards._settle_log(1.2, 1.15, 1.25, 20, 1.05, "jobs")


def test_cautions_stand_beside_tables_that_exist_and_speak_of_the_dangers():
    found = decision_tables.formed("cautions", practice_cards.cautions())
    from schemas.published import PUBLISHED

    assert set(found["beside"].explode()) <= set(PUBLISHED)
    words = " ".join(found["says"])
    for danger in ("isocyanates", "Booth air", "vapour ignites", "data sheet", "personal data"):
        assert danger in words
    assert found["source"].str.len_chars().min() > 5


def test_fitted_is_what_habits_carry():
    assert Habits.__annotations__["fit"] in (Fitted | None, "Fitted | None")
    assert validate.keys("practice_cards") == ["shop_id", "technician_id", "kind", "role"]
