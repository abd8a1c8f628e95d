"""The hand-out's page on paper: A4 and Letter, landscape, nothing cut off at the right, signed at the foot of the summary."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "pipeline"))
from test_handouts import SETTINGS, tables

from reports import handouts

#: width of the sheet in landscape less the page's own margins of 10 mm, in CSS pixels
PAPER = {"A4": (297.0 - 20) / 25.4 * 96, "Letter": (279.4 - 20) / 25.4 * 96}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = tmp_path_factory.mktemp("handout")
    made = handouts.build(tables(), SETTINGS, handouts.period("2025-Q1"))
    (root / "record.html").write_bytes(handouts.page(made))
    return root


@pytest.mark.parametrize("paper", PAPER)
def test_no_table_is_wider_than_the_paper(visit: Any, folder: Path, paper: str) -> None:
    tab = visit(folder, "record.html", ready=False, viewport={"width": int(PAPER[paper]), "height": 700})
    tab.emulate_media(media="print")
    wide = tab.evaluate(
        "[...document.querySelectorAll('table')].filter(t => t.getBoundingClientRect().right > innerWidth + 1)"
        ".map(t => t.closest('section').className)"
    )
    assert wide == []
    assert tab.locator("table").count() > 10
    small = tab.evaluate(  # 9 pt are 12 CSS pixels
        "[...document.body.querySelectorAll('*')].filter(e => [...e.childNodes].some(n => n.nodeType === 3 && n.data.trim())"
        " && parseFloat(getComputedStyle(e).fontSize) < 12).map(e => e.tagName + ': ' + e.textContent.slice(0, 40))"
    )
    assert small == []
    assert tab.pdf(format=paper, landscape=True).startswith(b"%PDF")


def test_headings_come_again_on_every_sheet_and_there_is_room_to_sign(visit: Any, folder: Path) -> None:
    tab = visit(folder, "record.html", ready=False)
    tab.emulate_media(media="print")
    assert tab.evaluate("getComputedStyle(document.querySelector('thead')).display") == "table-header-group"
    assert tab.get_by_text("Prepared by").count() == 1 and tab.get_by_text("Reviewed by").count() == 1
    blank = tab.locator("section.summary tr", has_text="Prepared by").locator("td").nth(1)
    assert blank.inner_text() == "" and blank.bounding_box()["width"] > 100
