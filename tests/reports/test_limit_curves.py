"""The drawings of limits say what the table says: reached, limit, head-room in both units, pace, crossing; what is not known is not drawn."""

from __future__ import annotations

import re
from typing import Any

import pytest

from reports.site.figures.limit_curves import LEFT, RIGHT, WIDTH, limit_curve, sentence

TON_US = 907.18474


def months(
    *totals: float | None, period: str = "rolling_12_months", crossed: str | None = None, limit: float = 0.5
) -> list[dict[str, Any]]:
    return [
        {
            "shop_id": "s", "measure": "voc_kg", "period": period, "month": f"{2025 + (n + 9) // 12}-{(n + 9) % 12 + 1:02d}", "unit": "ton_us",
            "total_stated": total, "limit_stated": limit, "headroom_stated": None if total is None else limit - total,
            "headroom": None if total is None else (limit - total) * TON_US, "pace_stated": 0.1, "complete": n != 1,
            "already": total is not None and total > limit, "crossed_in": crossed,
        }
        for n, total in enumerate(totals)
    ]  # fmt: skip


def test_the_sentence_says_what_is_left_in_the_permits_unit_and_in_kg() -> None:
    said = sentence(months(0.1, 0.2, 0.3, crossed="2026-03")[-1], "mass_kg").striptags()
    assert said.replace("\u202f", " ") == (
        "December 2025: 0.300 of 0.500 US tons; 0.200 US tons left (181 kg); pace 0.100 a month, at which it would be crossed in March 2026."
    )
    assert "at least 0.200" in sentence(months(0.1, 0.2)[-1], "mass_kg")
    above = sentence(months(0.75)[-1], "mass_kg").striptags()
    assert "0.250 US tons above it" in above and "crossed" not in above
    assert "no crossing is in sight" in sentence(months(0.1)[-1], "mass_kg")
    assert "not known" in sentence(months(None)[-1], "mass_kg")


def test_the_drawing_is_said_in_words_and_its_crossing_lies_on_the_limit() -> None:
    drawn = str(limit_curve("North: VOC.", months(0.1, 0.2, 0.3, crossed="2026-03"), "mass_kg", "s"))
    assert 'role="img" aria-label="North: VOC.. December 2025' not in drawn
    assert 'role="img" aria-label="North: VOC. December 2025: 0.300 of' in drawn and 'data-shop="s"' in drawn
    assert drawn.count("<circle") == 3 and drawn.count('"mark open"') == 1
    limit_y = re.search(r'class="limit" d="M[\d.]+ ([\d.]+)', drawn)
    way = re.search(r'class="pace" d="M[\d.]+ ([\d.]+) L([\d.]+) ([\d.]+)"', drawn)
    assert limit_y and way and way[3] == limit_y[1] and float(way[1]) > float(way[3])
    assert float(way[2]) == pytest.approx(WIDTH - RIGHT) and "crossed Mar 2026" in drawn
    xs = [float(x) for x in re.findall(r'cx="([\d.]+)"', drawn)]
    assert xs == sorted(xs) and xs[0] == LEFT


@pytest.mark.parametrize(
    ("totals", "period", "strokes"),
    [
        ((0.1, 0.2, 0.3, 0.05), "rolling_12_months", 1),
        ((0.1, None, 0.3), "rolling_12_months", 2),
        ((0.1, 0.2, 0.3, 0.05), "calendar_year", 2),
    ],
)
def test_nothing_is_drawn_over_what_is_not_known_or_from_year_to_year(
    totals: tuple[float | None, ...], period: str, strokes: int
) -> None:
    drawn = str(limit_curve("North: VOC.", months(*totals, period=period), "mass_kg", "s"))
    line = re.search(r'class="run" d="([^"]+)"', drawn)
    assert line and line[1].count("M") == strokes and 'class="pace"' not in drawn
