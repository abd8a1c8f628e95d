"""Changes of clocks against the offsets that zoneinfo gives, looked for from 1971 to 2037, in many zones.

Outside source: the IANA time zone database as the standard library reads it.
"""

from __future__ import annotations

import zoneinfo
from datetime import UTC, datetime, timedelta
from functools import cache

import pytest

from pipelines.intake.bringing_together.filled_in import _changes, _read_clock

ZONES = [
    "Europe/Vienna", "Europe/London", "Europe/Lisbon", "Europe/Istanbul", "Europe/Moscow", "Europe/Dublin", "Africa/Cairo",
    "Africa/Casablanca", "America/New_York", "America/Chicago", "America/Phoenix", "America/Sao_Paulo", "America/St_Johns",
    "America/Caracas", "America/Havana", "Asia/Kolkata", "Asia/Kathmandu", "Asia/Tehran", "Asia/Gaza", "Asia/Pyongyang",
    "Australia/Lord_Howe", "Australia/Sydney", "Australia/Eucla", "Pacific/Apia", "Pacific/Chatham", "Pacific/Auckland",
    "Antarctica/Troll", "UTC",
]  # fmt: skip


def offset(info: zoneinfo.ZoneInfo, stamp: int) -> timedelta:
    found = datetime.fromtimestamp(stamp, UTC).astimezone(info).utcoffset()
    assert found is not None
    return found


@cache
def transitions(zone: str) -> list[tuple[datetime, timedelta, timedelta]]:
    """(UTC moment, offset before, offset after) of each change of the clock from 1971 to 2037: looked for day by day (no clock was
    changed twice within one), then halved down to the second."""
    info = zoneinfo.ZoneInfo(zone)
    out = []
    days = range(31_536_000, 2_145_916_800, 86_400)
    offsets = [offset(info, stamp) for stamp in days]
    for begin, before, after in zip(days, offsets, offsets[1:], strict=False):
        if before != after:
            low, high = begin, begin + 86_400
            while high - low > 1:
                middle = (low + high) // 2
                low, high = (middle, high) if offset(info, middle) == before else (low, middle)
            out.append((datetime.fromtimestamp(high, UTC).replace(tzinfo=None), before, after))
    return out


@pytest.mark.parametrize("zone", ZONES)
def test_every_gap_and_every_repeated_hour_is_found_on_its_day(zone: str) -> None:
    for at, before, after in transitions(zone):
        wall = at + before
        size = abs(after - before)
        if after > before:  # spring: the wall clock jumps from `wall` to `wall + size`
            inside = wall + size / 2
            assert _changes(zone, inside.date()), (zone, at)
            assert _read_clock(zone, inside) == ("gap_times", inside + size), (zone, at)
        else:  # autumn: the wall clock goes back from `wall` to `wall - size`
            inside = wall - size / 2
            assert _changes(zone, inside.date()), (zone, at)
            assert _read_clock(zone, inside) == ("twice_times", inside), (zone, at)
        for quiet in (wall - size - timedelta(minutes=1), wall + size + timedelta(minutes=1)):
            assert _read_clock(zone, quiet) == ("", quiet), (zone, at)


def test_the_zones_have_enough_transitions_to_mean_something() -> None:
    assert sum(len(transitions(zone)) for zone in ZONES) > 1500
    assert not transitions("UTC")
