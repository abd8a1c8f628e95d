"""What each reader is told to do: the order of the lines, who is named to whom, and where each line comes from."""

from __future__ import annotations

import datetime as dt
from typing import Any

import polars as pl
import pytest

from pipelines.transfer.decisions.actions import KINDS, OFTEN, actions
from schemas import validate


def formed(name: str, *rows: dict[str, Any]) -> pl.DataFrame:
    """Rows of a published table with what the row does not say left empty."""
    empty = validate.empty(name)
    return (
        pl.DataFrame(list(rows), schema={c: d for c, d in empty.schema.items() if not rows or c in rows[0]})
        if rows
        else empty
    )


def saved(
    lever: str, position: int, cost: float | None, low: float | None, high: float | None, **more: Any
) -> dict[str, Any]:
    return {
        "shop_id": "s", "lever": lever, "position": position, "per_year_cost": cost, "low": low, "high": high, "item": None,
        "per_year_solids_kg": 2.0, "per_year_solids_kg_low": 1.0, "per_year_solids_kg_high": 3.0,
    } | more  # fmt: skip


def fit(gun: str, product: str, tip: bool | None, allowed: bool | None, n: int) -> dict[str, Any]:
    return {
        "shop_id": "s", "gun_id": gun, "product_id": product, "tip_fits": tip, "atomising_allowed": allowed, "n_operations": n
    }  # fmt: skip


GIVEN = {
    "savings": formed(
        "savings",
        saved("leftover", 1, 30.0, -10.0, 70.0),
        saved("transfer", 2, 400.0, 300.0, 500.0),
        saved("rework", 4, -5.0, -9.0, 1.0),
        saved("gun", 5, 90.0, 10.0, 170.0, item="g2"),
    ),
    "gun_cover": pl.DataFrame(
        {"shop_id": ["s", "s"], "part": ["keep", "spare"], "item": ["g2", "g3"], "products": [["clear"], ["clear"]]}
    ),
    "gun_fit": pl.DataFrame(
        [fit("g1", "clear", False, True, OFTEN), fit("g2", "clear", True, True, 40), fit("g4", "base", True, False, 12),
         fit("g4", "clear", True, False, 3), fit("g1", "filler", False, True, OFTEN - 1)]
    ),
    "voc_content": pl.DataFrame(
        {"shop_id": ["s"] * 4, "mix_id": list("abcd"), "jurisdiction": ["us"] * 4, "category": ["topcoat"] * 4,
         "product_id": ["base", "base", "base", "clear"], "limit_g_per_l": [600.0] * 4, "over": [True, True, False, None]}
    ),
    "compliance_training": pl.DataFrame(
        {"shop_id": ["s"] * 3, "technician_id": ["t1", "t2", "t3"], "rule": ["r"] * 3, "label": ["Painter training"] * 3,
         "status": ["expired", "due", "trained"], "due_by": [None, dt.date(2026, 5, 1), None],
         "valid_until": [dt.date(2026, 1, 1), None, dt.date(2029, 1, 1)]}
    ),
    "permit_headroom": pl.DataFrame(
        {"shop_id": ["s"] * 3, "measure": ["voc_kg", "hap_kg", "rts_l"], "period": ["rolling_12_months"] * 3,
         "already": [True, False, False], "crossed_in": [None, "2026-09", None], "share_of_limit": [1.1, 0.9, 0.2]}
    ),
    "practice_cards": formed("practice_cards"),
    "changes": formed("changes"),
    "change_effects": formed("change_effects"),
    "measure_next": pl.DataFrame(
        {"shop_id": ["s", "s"], "rank": [1, 2], "action": ["weigh every cup back", "read the film"], "jobs": [None, 5],
         "figure": ["transfer of clear", "transfer of clear by t1"], "half_width_now": [0.08, None], "half_width_then": [0.05, None]}
    ),
}  # fmt: skip


@pytest.fixture(scope="module")
def told() -> pl.DataFrame:
    return actions(**GIVEN)


def lines(told: pl.DataFrame, reader: str) -> list[tuple[str, str, str]]:
    return told.filter(pl.col("reader") == reader).sort("rank").select("kind", "subject", "evidence").rows()


def test_an_owner_reads_what_rules_ask_then_what_saves_most(told: pl.DataFrame):
    assert lines(told, "owner") == [
        ("rule", "g4", "gun_fit: s, g4"),
        ("rule", "base", "voc_content: s, base, topcoat"),
        ("rule", "voc_kg", "permit_headroom: s, voc_kg, rolling_12_months"),
        ("rule", "", "compliance_training: s"),
        ("rule", "hap_kg", "permit_headroom: s, hap_kg, rolling_12_months"),
        ("money", "", "savings: s, transfer"),
        ("money", "g2", "savings: s, gun"),
        ("money", "", "savings: s, leftover"),
    ]
    worth = told.filter(pl.col("reader") == "owner").sort("rank").select("worth", "unit", "how_sure", "due_on").rows()
    assert worth[0] == (15.0, "operations", "shown", None)  # 12 + 3 with the gun that is not allowed
    assert worth[1] == (2.0, "cups", "shown", None)  # one is not decidable: not counted, not called above
    assert worth[4] == (0.9, "1", "likely", dt.date(2026, 9, 1))
    assert [w[2] for w in worth[5:]] == ["shown", "shown", "likely"]  # 400 of sd 51, 90 of sd 41, 30 of sd 20


def test_nobody_is_named_to_an_owner_or_a_painter(told: pl.DataFrame):
    text = told.filter(pl.col("reader").is_in(["owner", "painter"])).select(
        pl.concat_str("what", "subject", "evidence", separator=" ")
    ).to_series()  # fmt: skip
    assert not text.str.contains(r"\bt[123]\b").any()
    mine = told.filter((pl.col("reader") == "environment") & pl.col("evidence").str.starts_with("compliance_training"))
    assert mine.select("subject", "due_on").sort("subject").rows() == [
        ("t1", dt.date(2026, 1, 1)),
        ("t2", dt.date(2026, 5, 1)),
    ]


def test_a_painter_is_told_the_gun_that_fits_and_only_where_it_happens_often(told: pl.DataFrame):
    mine = told.filter((pl.col("reader") == "painter") & (pl.col("kind") == "gun"))
    assert mine.select("what", "subject").rows() == [("spray it with g2, not with g1", "clear")]


def test_a_trainer_is_told_what_to_record_of_hands_and_others_what_to_record_of_the_shop(told: pl.DataFrame):
    records = told.filter(pl.col("kind") == "record").select("reader", "subject", "worth").sort("reader").rows()
    assert records == [
        ("environment", "transfer of clear", pytest.approx(0.03)),
        ("painter", "transfer of clear", pytest.approx(0.03)),
        ("trainer", "transfer of clear by t1", None),
    ]


def test_without_prices_levers_are_told_in_solids(told: pl.DataFrame):
    bare = GIVEN["savings"].with_columns(pl.lit(None, pl.Float64).alias(c) for c in ("per_year_cost", "low", "high"))
    found = actions(**GIVEN | {"savings": bare}).filter(pl.col("kind") == "money")
    assert set(found["unit"]) == {"kg/a"} and found["worth"].to_list() == [2.0] * found.height


def test_ranks_run_without_gaps_whatever_the_order_of_rows(told: pl.DataFrame):
    for (_, _), part in told.group_by("reader", "shop_id"):
        assert part["rank"].sort().to_list() == list(range(1, part.height + 1))
    places = [KINDS.index(k) for k in told.filter(pl.col("reader") == "owner").sort("rank")["kind"]]
    assert places == sorted(places)
    mixed = {k: v.sample(fraction=1, shuffle=True, seed=1) for k, v in GIVEN.items()}
    assert actions(**mixed).equals(told)


def test_with_nothing_to_say_nothing_is_said():
    assert actions(**{k: v.clear() for k, v in GIVEN.items()}).is_empty()


# --- a change closes its line -----------------------------------------------------------------------------------------

CARD = {"shop_id": "s", "technician_id": "t1", "kind": "tilt", "role": "clear", "seen": "More at the top.", "n": 20, "how_sure": "shown",
        "confused_with": "", "practise": "Square to the panel.", "would_settle": "", "caution": ""}  # fmt: skip
DAY = dt.date(2026, 2, 1)


NOBODY = dict.fromkeys(("technician_id", "gun_id", "replaces_gun_id", "product_id", "card"))


def since(change: dict[str, Any], *effects: tuple[str, str, float, int | None]) -> list[tuple[str, str]]:
    """(subject, what) of the lines on hands and guns, with a change on record and its effects: measure, verdict, prob_better, jobs."""
    row = {"change_id": "c1", "on": DAY, "what": "practice", "shop_id": "s"} | NOBODY | change
    found = [
        {"change_id": "c1", "measure": m, "verdict": v, "prob_better": p, "jobs_to_decide": j} for m, v, p, j in effects
    ]
    told = actions(**GIVEN | {
        "practice_cards": formed("practice_cards", CARD), "changes": formed("changes", row), "change_effects": formed("change_effects", *found),
    })  # fmt: skip
    mine = told.filter(
        pl.col("reader").is_in(["trainer", "owner"])
        & pl.col("subject").is_in(["t1", "g2"])
        & (pl.col("kind") != "record")
    )
    return mine.filter(pl.col("kind").is_in(["practise", "money"])).sort("subject").select("subject", "what").rows()


def subjects(told: list[tuple[str, str]]) -> list[str]:
    return [subject for subject, _ in told]


def test_practice_that_is_shown_to_have_helped_closes_its_card_and_no_other() -> None:
    practised = {"technician_id": "t1", "card": "tilt"}
    assert subjects(since(practised, ("tilt:clear", "shown", 0.99, None))) == ["g2"]
    assert subjects(since(practised, ("te:clear", "shown", 0.99, None))) == [
        "g2",
        "t1",
    ]  # another measure than the card's
    assert subjects(since(practised | {"card": "leftover"}, ("tilt:clear", "shown", 0.99, None))) == ["g2", "t1"]
    assert subjects(since(practised | {"technician_id": "t2"}, ("tilt:clear", "shown", 0.99, None))) == ["g2", "t1"]
    assert subjects(since(practised | {"shop_id": "other"}, ("tilt:clear", "shown", 0.99, None))) == ["g2", "t1"]


def test_what_cannot_be_told_yet_or_is_worse_stays_and_says_so() -> None:
    practised = {"technician_id": "t1", "card": "tilt"}
    open_line = dict(since(practised, ("tilt:clear", "likely", 0.9, 12), ("tilt:base", "not shown", 0.6, 40)))["t1"]
    assert open_line.endswith("(Changed on 2026-02-01: not shown yet to have helped; about 12 more jobs would tell.)")
    assert dict(since(practised))["t1"].endswith("not shown yet to have helped.)")
    assert dict(since(practised, ("tilt:clear", "shown", 0.01, None)))["t1"].endswith("shown to be worse since.)")
    assert "(Changed" not in dict(since(practised))["g2"]


def test_a_gun_that_was_replaced_or_serviced_with_success_is_no_longer_to_be_replaced() -> None:
    better = ("te:clear", "shown", 0.99, None)
    assert subjects(since({"what": "gun_replaced", "gun_id": "g9", "replaces_gun_id": "g2"}, better)) == ["t1"]
    assert subjects(since({"what": "gun_serviced", "gun_id": "g2"}, better)) == ["t1"]
    assert subjects(since({"what": "gun_replaced", "gun_id": "g2", "replaces_gun_id": "g1"}, better)) == ["g2", "t1"]
    tried = dict(since({"what": "gun_trial", "gun_id": "g9", "replaces_gun_id": "g2"}, better))["g2"]
    assert tried.endswith("(Tried since 2026-02-01: g9 is shown to be better.)")


def test_what_a_rule_asks_for_is_closed_by_no_change(told: pl.DataFrame) -> None:
    row = {"change_id": "c1", "on": DAY, "what": "gun_serviced", "shop_id": "s"} | NOBODY | {"gun_id": "g4"}
    effect = {"change_id": "c1", "measure": "te:clear", "verdict": "shown", "prob_better": 1.0, "jobs_to_decide": None}
    after = actions(**GIVEN | {"changes": formed("changes", row), "change_effects": formed("change_effects", effect)})
    assert after.equals(told)
