"""How many cups of a category lie above its limit on VOC content, as the page on emissions says it."""

from __future__ import annotations

from types import SimpleNamespace

import polars as pl

from reports.site.pages import environment


def said(over: list[bool | None]) -> str:
    frame = pl.DataFrame(
        {"category": ["topcoat"] * len(over), "limit_g_per_l": [420.0] * len(over), "over": over},
        schema_overrides={"over": pl.Boolean},
    )
    book = SimpleNamespace(parts_shown=lambda name, section: [frame[:1], frame[1:]])
    return environment._content_limits(book)["topcoat"].striptags()


def test_a_cup_that_cannot_be_judged_is_not_counted_as_within_its_limit() -> None:
    assert said([False, True, None]).endswith(": 1 of 2 cups above; 1 cup not judged")
    assert said([None, None]).endswith(": 2 cups not judged")
    assert said([False, False]).endswith(": none of 2 cups above")
