"""The period that a hand-out is for: whole calendar months. Here belongs how one is written and found, not what it holds."""

from __future__ import annotations

import calendar
import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

import polars as pl

from reports.sorted_tables import Tables


class PeriodError(ValueError):
    """A period that cannot be read; the message says what to write."""


@dataclass(frozen=True, slots=True)
class Period:
    """Whole calendar months, both ends included, YYYY-MM."""

    label: str
    first: str
    last: str

    def holds(self, column: str = "month") -> pl.Expr:
        return pl.col(column).is_between(pl.lit(self.first), pl.lit(self.last))

    @property
    def months(self) -> list[str]:
        return [_month(n) for n in range(_number(self.first), _number(self.last) + 1)]

    @property
    def days(self) -> tuple[date, date]:
        year, month = int(self.last[:4]), int(self.last[5:])
        return date(int(self.first[:4]), int(self.first[5:]), 1), date(year, month, calendar.monthrange(year, month)[1])


YEAR = "[12][0-9]{3}"  # what a calendar and its sums can hold


def period(text: str) -> Period:
    """2026-03, 2026-Q1 or 2026. Raises PeriodError."""
    given = text.strip()
    if found := re.fullmatch(rf"{YEAR}-(0[1-9]|1[0-2])", given):
        return Period(given, given, given)
    if found := re.fullmatch(rf"({YEAR})-[Qq]([1-4])", given):
        year, quarter = int(found[1]), int(found[2])
        return Period(f"{year}-Q{quarter}", f"{year}-{3 * quarter - 2:02d}", f"{year}-{3 * quarter:02d}")
    if re.fullmatch(YEAR, given):
        return Period(given, f"{given}-01", f"{given}-12")
    raise PeriodError(f"{text!r} is no period; write a month (2026-03), a quarter (2026-Q1) or a year (2026).")


def rolling(tables: Mapping[str, pl.DataFrame], to: Period | None = None) -> Period:
    """The twelve calendar months to the end of a period, or to the latest month of the records. Raises PeriodError where
    there is none."""
    last = to.last if to else latest(tables).last
    return Period(f"12-months-to-{last}", _month(_number(last) - 11), last)


def latest(tables: Mapping[str, pl.DataFrame]) -> Period:
    """The latest month of the records. Raises PeriodError where there is none."""
    months = Tables(tables)["emissions_monthly"]["month"].to_list()
    if not months:
        raise PeriodError("There is no month with a record yet: run filmledger on some exports first.")
    return Period(max(months), max(months), max(months))


def _number(month: str) -> int:
    return int(month[:4]) * 12 + int(month[5:]) - 1


def _month(number: int) -> str:
    return f"{number // 12:04d}-{number % 12 + 1:02d}"
