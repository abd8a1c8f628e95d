"""The drawing of transfer over the months, from rows as totals has them."""

from __future__ import annotations

from reports.site.figures.months import trend


def rows(*ends: tuple[float | None, float | None]) -> list[dict[str, object]]:
    return [
        {"period": f"2026-{month:02d}", "te": 0.5, "te_low": low, "te_high": high}
        for month, (low, high) in enumerate(ends, start=1)
    ]


def test_a_month_without_ends_is_a_point_outside_the_band() -> None:
    drawn = trend(rows((0.4, 0.6), (None, None), (0.4, 0.6)))
    assert drawn.count("<circle") == 3
    band = drawn.split('class="band" points="')[1].split('"')[0]
    assert len(band.split()) == 4


def test_months_of_which_none_has_ends_are_drawn_too() -> None:
    assert trend(rows((None, None), (None, None))).count("<circle") == 2
