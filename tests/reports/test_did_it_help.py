"""The section "Did it help?": one sentence a change, on the page it belongs to, and how to note one where there is none."""

from __future__ import annotations

import datetime as dt
import re
from html import unescape
from typing import Any

import polars as pl
import pytest
from page_words import found
from published_frames import frame

from reports.site import build
from reports.site.pages import did_it_help

SETTINGS = {"business": {"currency": "crowns"}, "pages": {"people": "id"}}
DAY = dt.date(2023, 5, 1)


def change(change_id: str, what: str, shop: str, **more: Any) -> dict[str, Any]:
    return {"change_id": change_id, "on": DAY, "what": what, "shop_id": shop, **dict.fromkeys(
        ("until", "technician_id", "gun_id", "replaces_gun_id", "product_id", "role", "before", "after", "card", "cost")), **more}  # fmt: skip


def effect(
    change_id: str,
    measure: str,
    values: tuple[float, float, float, float, float],
    better: float,
    verdict: str,
    **more: Any,
) -> dict[str, Any]:
    names = ("before", "after", "difference", "low", "high")
    return {"change_id": change_id, "measure": measure, "shop_id": "north", "technician_id": None, **dict(zip(names, values, strict=True)),
            "prob_better": better, "verdict": verdict, "n_before": 31, "n_after": 20, "grade": "B",
            **dict.fromkeys(
                ("jobs_to_decide", "confounded_with", "worth_per_year", "worth_low", "worth_high", "returned_by_itself")), **more}  # fmt: skip


CHANGES = (
    change("c1", "gun_serviced", "north", gun_id="G01", after="new needle set"),
    change("c2", "procedure", "north", role="clear", before="stirred once", after="stirred twice"),
    change("c3", "practice", "north", technician_id="T01", card="tilt"),
    change("c4", "gun_trial", "north", gun_id="G02", replaces_gun_id="G01", role="clear"),
)
EFFECTS = (
    effect("c1", "te:clear", (0.52, 0.56, 1.08, 1.03, 1.13), 0.999, "shown", worth_per_year=320.0, worth_low=100.0, worth_high=540.0,
           confounded_with="c2,season"),
    effect("c1", "te:base", (0.40, 0.41, 1.02, 0.95, 1.10), 0.7, "not shown"),
    effect("c2", "te:clear", (0.55, 0.552, 1.004, 0.97, 1.04), 0.55, "not shown"),
    effect("c3", "tilt:clear", (0.20, 0.12, -0.08, -0.19, 0.03), 0.93, "likely", jobs_to_decide=14, returned_by_itself=-0.03),
    effect("c3", "te:clear", (0.50, 0.56, 1.12, 1.02, 1.22), 0.99, "shown"),
)  # fmt: skip
STANDS = {"change_id": "c4", "jobs": 28, "planned": True, "looks": 4, "n_a": 9, "n_b": 8, "looked": 1, "next_at": 14, "word": "go on",
          "said": "Go on: 9 jobs with G01 and 8 with G02 of 28 with each count so far; the next look is at 14 with each."}  # fmt: skip
SET = (
    {"role": "clear", "setting": "coats", "measure": "film", "n": 210, "n_known": 160, "n_apart": 44, "usual": 2.0, "spread": 0.45,
     "unit": 1.0, "effect": 0.31, "low": 0.25, "high": 0.37, "prob_more": 1.0, "verdict": "shown", "grade": "A"},
    {"role": "clear", "setting": "tip", "measure": "te", "n": 210, "n_known": 210, "n_apart": 30, "usual": 0.0, "spread": 0.07,
     "unit": 0.1, "effect": -0.03, "low": -0.052, "high": -0.008, "prob_more": 0.004, "verdict": "shown", "grade": "B"},
    {"role": "base", "setting": "inlet", "measure": "te", "n": 180, "n_known": 0, "n_apart": 0, "unit": 50.0,
     "why": "hardly ever written down"},
)  # fmt: skip


@pytest.fixture(scope="module")
def with_changes(tables: dict[str, pl.DataFrame]) -> dict[str, str]:
    shop = tables["shops"]["shop_id"].sort()[0]
    person = tables["technicians"].filter(pl.col("shop_id") == shop)["technician_id"].sort()[0]
    named = [c | {"shop_id": shop} | ({"technician_id": person} if c["technician_id"] else {}) for c in CHANGES]
    given = tables | {
        "changes": frame("changes", named),
        "change_effects": frame("change_effects", [e | {"shop_id": shop} for e in EFFECTS]),
        "trial_standing": frame("trial_standing", [STANDS | {"shop_id": shop}]),
        "setting_effects": frame("setting_effects", [r | {"shop_id": shop} for r in SET]),
    }
    return {name: text.decode() for name, text in build(given, SETTINGS).items() if name.endswith(".html")}


def test_what_a_change_costs_is_not_called_saved(tables: dict[str, pl.DataFrame]) -> None:
    turned = [
        e | {"worth_per_year": -320.0, "worth_low": -540.0, "worth_high": 100.0} if e.get("worth_per_year") else e
        for e in EFFECTS
    ]
    shop = tables["shops"]["shop_id"].sort()[0]
    given = tables | {
        "changes": frame("changes", [c | {"shop_id": shop} for c in CHANGES if not c["technician_id"]]),
        "change_effects": frame("change_effects", [e | {"shop_id": shop} for e in turned]),
    }
    guns = section(build(given, SETTINGS)["guns.html"].decode())
    assert re.search(r"It costs more in a year: 320\S* ?crowns \(-100 to 540\)\.", guns) and "Saved" not in guns


def section(html: str, name: str = "helped") -> str:
    part = html[html.index(f'<section id="{name}"') :]
    part = re.sub(r"</?span[^>]*>", "", part[: part.index("</section>")])
    return unescape(re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", part)))


def test_each_page_says_in_one_sentence_what_came_of_its_changes(with_changes: dict[str, str]) -> None:
    guns, hands, material = (section(with_changes[f"{page}.html"]) for page in ("guns", "hands", "owner"))
    assert "G01 serviced, 1 May 2023 (new needle set) It helped. Clear that landed: 56" in guns
    assert "1.08" in guns and "(1.03–1.13), better: shown (31 before, 20 since)." in guns
    assert (
        "It changed nothing that matters. Clear that landed" in material
        and "stirred twice; before: stirred once" in material
    )
    # of a practice the measure that it was meant to move, though another one is shown
    assert (
        "It cannot be told yet. Clear, top less bottom: 12" in hands
        and "About 14 more jobs like these would decide it." in hands
    )
    for page, own, others in (
        (guns, "G01 serviced", ("practised", "stirred")),
        (material, "stirred", ("serviced", "practised")),
    ):
        assert own in page and not any(word in page for word in others if word != "stirred")


def test_what_stands_beside_the_sentence(with_changes: dict[str, str]) -> None:
    guns, hands = section(with_changes["guns.html"]), section(with_changes["hands.html"])
    assert re.search(r"Saved by it in a year: 320\S* ?crowns \(100–540\)\.", guns)
    assert "Cannot be told apart from: c2; season." in guns
    assert "would have come back by itself" in hands and "with or without practice" in hands
    assert "It takes three records on either side" in guns and "at the looks that stand on its sheet" not in guns
    assert "1.02" in guns  # the fold-out has every measure


def test_a_practice_card_shows_what_happened_since(with_changes: dict[str, str]) -> None:
    cards = re.findall(r"(?s)<article id=.*?</article>", with_changes["hands.html"])
    told = [card for card in cards if "What happened since" in card]
    assert len(told) == 1 and "It cannot be told yet." in told[0] and "practised" in told[0]


def test_a_trial_says_how_many_jobs_are_done_and_what_its_rule_says(with_changes: dict[str, str]) -> None:
    guns = section(with_changes["guns.html"])
    assert f"By the rule of the trial: {STANDS['said']}" in guns
    assert "none of its looks" not in guns, "there is no figure above it yet"


def test_settings_that_matter_stand_on_guns_with_what_does_not_vary(with_changes: dict[str, str]) -> None:
    told = section(with_changes["guns.html"], "settings")
    assert re.search(
        r"Each coat more goes with 31\S* ?% \(25–37\) more film of clear: shown \(160 operations, grade A\)\.", told
    )
    assert re.search(
        r"Each 0\.1 mm of tip outside the data sheet's window goes with 3\S* ?% \(1–5\) less clear that landed", told
    )
    assert "Of 3 settings by role and measure 2 vary enough" in told and "hardly ever written down" in told
    assert not found([told])


def test_where_no_setting_is_shown_the_page_says_so(tables: dict[str, pl.DataFrame]) -> None:
    shop = tables["shops"]["shop_id"].sort()[0]
    silent = tables | {"setting_effects": frame("setting_effects", [SET[2] | {"shop_id": shop}])}
    told = section(build(silent, SETTINGS)["guns.html"].decode(), "settings")
    assert "No tip, inlet pressure or number of coats is shown to move" in told and "0 vary enough" in told


def test_without_a_change_the_section_says_how_to_note_one(site: dict[str, bytes]) -> None:
    for page in ("guns", "hands", "owner"):
        said = section(site[f"{page}.html"].decode())
        assert re.search(r"Did it help\? No", said)
        assert "registers/changes.csv" in said


def test_the_sentences_are_plain(with_changes: dict[str, str]) -> None:
    for page in ("guns", "hands", "owner"):
        assert not found([section(with_changes[f"{page}.html"])]), page


def test_the_answer_rests_on_what_is_shown_and_on_what_was_meant() -> None:
    shown = {"verdict": "shown", "measure": "te:clear", "low": 1.1, "high": 1.2, "before": 0.5}
    better, worse = shown | {"prob_better": 0.99}, shown | {"prob_better": 0.01, "measure": "leftover_share"}
    wide = {"verdict": "not shown", "measure": "te:base", "low": 0.9, "high": 1.2, "before": 0.5, "prob_better": 0.6}
    tight = wide | {"low": 0.96, "high": 1.05}
    dear = wide | {"measure": "cost_per_job", "low": -3.0, "high": 4.0, "before": 100.0}
    assert did_it_help.answer([better, wide]) == "helped" and did_it_help.answer([worse]) == "harmed"
    assert did_it_help.answer([better, worse]) == "both" and did_it_help.answer([better, worse], "te") == "helped"
    assert did_it_help.answer([tight, dear]) == "nothing" and did_it_help.answer([tight, wide]) == "open"
    assert did_it_help.answer([dear | {"high": 6.0}]) == "not", (
        "a saving beyond a twentieth is left out, more cost is not"
    )
    assert did_it_help.answer([dear | {"low": -6.0, "high": 6.0}]) == "open" and did_it_help.answer([]) == "open"
    less = wide | {"low": 0.85, "high": 1.04}
    assert did_it_help.answer([less]) == "not" and did_it_help.answer([less, wide]) == "open"
    assert did_it_help.answer([wide | {"measure": "leftover_share", "low": -0.04, "high": 0.2}]) == "not"
    assert did_it_help.answer([wide | {"measure": "tilt:base", "low": -0.04, "high": 0.2}]) == "open", (
        "either way may be nearer"
    )
    together = less | {"measure": "te:all"}
    assert did_it_help.answer([wide, better, together]) == "not", "all roles together are asked for where they are told"
    assert did_it_help.answer([better], "tilt") == "helped"  # nothing of what was meant was measured: all that was
