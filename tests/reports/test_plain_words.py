"""The pages speak to a painter, a trainer, an owner and a reporter: no word of statistics or of another trade's programs.

The words that must not stand come from the vocabulary of this program (one word an idea: cup, not batch) and from the terms
of statistics that its own ladder, intervals, grades and records stand for. A fold-out that tells how something is computed
may name a method; never without saying what it does, which only a reader can check.
"""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import polars as pl
import pytest
from page_words import EVEN_THERE, found, of_script, read, unplain
from published_frames import frame, make

from pipelines.transfer.decisions import practice_cards
from reports.site import build
from schemas.published import PUBLISHED

SETTINGS = {"business": {"currency": "crowns"}, "pages": {"people": "id"}}


@pytest.mark.parametrize(
    "text",
    [
        "People stand in order of their id. Below a reliability of 0.7 no order of effects means anything.",
        "bring the interval clear of the material size",
        "It is clear of the material size already; the next 10 jobs show whether practice helps.",
        "the next job lies above it with probability 0.80.",
        "film differs by 14 % (one standard deviation), so few panels show little.",
        "Transfer efficiency: joint model.",
        "rel u",
        "Closed equations between solids that landed and solids that were sprayed",
        "Relative standard uncertainty of landed over sprayed",
        "its interval Fieller's with Student's t",
        "This BATCH was rejected.",
        "lower than typical: P(low) = .97",
        "P > .95",
    ],
)
def test_what_the_pages_said_before_is_found(text: str) -> None:
    assert found([text])


@pytest.mark.parametrize(
    "text", ["A joint model of role and area says", "the advised figure is the quantile that is set"]
)
def test_a_method_is_not_left_bare_in_its_fold_out_either(text: str) -> None:
    assert found([text], EVEN_THERE)


@pytest.mark.parametrize(
    "text", ["Priority goes to the data sheet.", "a scoresheet", "the 65 % line; flush loss; a coat"]
)
def test_plain_words_that_look_alike_pass(text: str) -> None:
    assert not found([text])


def test_no_page_speaks_statistics(site: dict[str, bytes]) -> None:
    """Every page of the fixture's site: text, tooltips, names read aloud, drawings; fold-outs by their own measure."""
    pages = {name: content.decode() for name, content in site.items() if name.endswith(".html")}
    assert len(pages) == 8
    assert sum(len(read(html)[1]) for html in pages.values()) > 30
    assert {name: unplain(html) for name, html in pages.items() if unplain(html)} == {}


@pytest.mark.parametrize(
    ("case", "tables"),
    [
        ("nothing", {}),
        ("one shop, few cups", make(n_months=1, shops=1, cups_a_month=2)),
        ("many shops", make(1, 14, 2)),
    ],
)
def test_no_small_or_empty_page_does(case: str, tables: dict[str, pl.DataFrame]) -> None:
    for name, content in build(tables, SETTINGS).items():
        if name.endswith(".html"):
            assert unplain(content.decode()) == [], (case, name)


def test_no_sentence_of_the_script_does() -> None:
    said = of_script(Path("reports/site/static/site.js").read_text(encoding="utf-8"))
    assert "; choose a shop to see more than its own figure." in said
    assert found(said) == []


def test_no_card_and_no_caution_does() -> None:
    """Cards with the demo's and with harsher figures, through every branch of what would settle them."""
    written = [practice_cards._wider(vif) for vif in (1.0, 1.3, 2.9)]
    written += [
        practice_cards._confused("g7, g8", 1.6, "a worn gun"),
        practice_cards._confused(None, None, "a worn gun"),
    ]
    written += [
        practice_cards._settle_log(*figures, "jobs")
        for figures in (
            (1.05, 0.95, 1.15, 20, 1.0),
            (1.2, 1.15, 1.25, 20, 1.05),
            (1.0, 0.9, 1.1, 20, 1.0),
            (1, 0, 0, 0, 1.0),
        )
    ]
    assert len(set(written)) == len(written)
    written += [
        *practice_cards.PRACTISE.values(),
        *practice_cards.CAUTION_EXTRA.values(),
        practice_cards.SHEET_FIRST,
        *(w for _, w in practice_cards.LADDER),
    ]
    assert found(written) == []
    assert found(practice_cards.cautions()["says"].to_list()) == []


def test_the_columns_that_pages_explain_do_not() -> None:
    """Heads and notes of every table a page lists, in a site that has them all."""
    assert {"film_build", "panel_heat", "transfer_records"} <= set(PUBLISHED)
    tables = make()
    card = {
        "shop_id": "east",
        "technician_id": "T01",
        "seen": "-",
        "how_sure": "shown",
        "prob": 0.97,
        "practise": "-",
        "n": 9,
    }
    kinds = ["low_transfer", "over_build", "tilt", "leftover"]
    rows = [{**card, "kind": k, "role": "all" if k in ("low_transfer", "leftover") else "clear"} for k in kinds]
    cup = {
        "shop_id": "east",
        "technician_id": "T01",
        "product_id": "p_clear",
        "role": "clear",
        "poured_g": 400.0,
        "sprayed_g": 310.0,
        "leftover_g": 90.0,
        "left_share": 0.225,
    }
    cups = [{**cup, "mix_id": f"m{day:02d}", "first_poured_on": dt.date(2023, 5, day)} for day in range(1, 21)]
    cups.append({**cup, "mix_id": "other", "technician_id": "T02", "first_poured_on": dt.date(2023, 6, 1)})
    more = {"practice_cards": frame("practice_cards", rows), "leftover_cups": frame("leftover_cups", cups)}
    html = build(tables | more, SETTINGS)["hands.html"].decode()
    ours, _ = read(html)
    assert html.count("<summary>The evidence</summary>") == 4
    behind = html[html.index("The cups mixed and weighed back") :].split("</table>")[0]
    assert [day for day in range(1, 21) if f">{day} May 2023<" in behind] == list(range(9, 21))  # the latest twelve
    assert behind.index("m20") < behind.index("m09") and "other" not in behind and "of 20 rows" in html
    assert found(ours) == []
