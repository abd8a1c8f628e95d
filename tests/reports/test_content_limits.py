"""How many cups of a category lie above its limit on VOC content, and how many are not judged, as the page on emissions says it."""

from __future__ import annotations

import datetime as dt

import pytest
from published_frames import frame

from reports.site.page_tables import PageTables
from reports.site.pages import environment


@pytest.mark.parametrize(
    ("over", "said"),
    [([False, True, None], ["2", "1", "1"]), ([None, None], ["0", "0", "2"]), ([False, False], ["2", "0", "0"])],
)
def test_a_cup_that_cannot_be_judged_is_not_counted_as_within_its_limit(
    over: list[bool | None], said: list[str]
) -> None:
    key = {"shop_id": "s", "month": "2023-05", "category": "topcoat"}
    cups = [
        key | {"mix_id": f"m{n}", "jurisdiction": "us", "kind": "cup", "limit_g_per_l": 420.0, "over": one, "rules": True,
               "status_date": dt.date(2023, 5, 2)}
        for n, one in enumerate(over)
    ]  # fmt: skip
    book = PageTables(
        {
            "voc_content": frame("voc_content", cups),
            "emissions_monthly": frame("emissions_monthly", [key | {"rts_l": 1.0, "voc_kg": 0.4}]),
        },
        {},
    )
    row = environment._by_category(book, book.emissions).rows[0]
    assert [cell.striptags() for cell in row.cells[-4:]] == ["420", *said]
