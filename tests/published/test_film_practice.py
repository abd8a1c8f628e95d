"""The figures of film measuring standards that ship, against worked examples. They are written for steel structures: only
their arithmetic is adopted."""

from __future__ import annotations

import math

import pytest

from pipelines.run import reference_table


def figure(practice: str, name: str) -> float:
    table = reference_table("film_practice")
    return float(table.filter(practice=practice, figure=name)["value"].item())


def test_how_many_areas_spots_and_readings_a_large_surface_takes() -> None:
    # SSPC-PA 2 as worked out in a trade journal (paintsquare news 12356), an account of it: 12,500 ft2 take 15 areas, 75 spots
    # and at least 225 readings; 1,000 ft2 stand for 100 m2 there
    areas = figure("area", "areas_of_first_100_m2") + figure("area", "areas_per_further_100_m2") * math.ceil(
        (12_500 - 1_000) / 1_000
    )
    spots = areas * figure("area", "spots_per_area")
    assert (areas, spots, spots * figure("spot", "readings_per_spot_min")) == (15, 75, 225)


def test_limits_of_a_spot_of_a_film_of_8_to_12_mil() -> None:
    # SSPC-PA 2, level 3, in slides with a worked example (slideplayer 1430003), an account of it: 6.4 and 14.4 mil
    assert figure("spot", "level_3_min_share") * 8 == pytest.approx(6.4, rel=1e-12)
    assert figure("spot", "level_3_max_share") * 12 == pytest.approx(14.4, rel=1e-12)
