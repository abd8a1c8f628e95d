"""What did not become useful film, in the period that is chosen, the one before it and the same a year earlier.

The difference has its interval from the joint posterior (joint_widths): what both periods share stands in neither. Where no
period is chosen it is the last quarter of the data against the one before. site.js does the same for what a reader chooses.
"""

from __future__ import annotations

from math import sqrt
from statistics import NormalDist
from typing import Any

from reports import wording
from reports.site.page_sums import LANDED, SEE_WORD, PageSums
from reports.site.page_tables import PageTables
from schemas.published import Z95

SPANS = (("now", "this period"), ("before", "the one before"), ("year", "the same a year earlier"))
_A_YEAR = {
    7: (3, 12),
    4: (1, 1),
}  # length of a period's name -> (periods of a quarter, of a year); quarters are "2025-Q1"


def spans(periods: list[str], first: str = "", last: str = "") -> dict[str, list[str]]:
    """The periods of each of SPANS; empty where the data do not reach back that far."""
    if not periods:
        return {name: [] for name, _ in SPANS}
    quarter, year = (1, 4) if "Q" in periods[0] else _A_YEAR[len(periods[0])]
    kept = [i for i, p in enumerate(periods) if (not first or p >= first) and (not last or p <= last)]
    if not (first or last):
        kept = kept[-quarter:]

    def moved(by: int) -> list[str]:
        return [periods[i - by] for i in kept] if kept and kept[0] >= by else []

    return {"now": [periods[i] for i in kept], "before": moved(len(kept)), "year": moved(year)}


def change(amounts: PageSums, see: str, now: list[str], other: list[str]) -> tuple[float, float] | None:
    """(difference of what is lost of 100 poured, half its 95 % interval), both as shares; None where one has nothing poured."""
    frame = amounts.frame
    poured = {
        name: float(frame.filter(frame["month"].is_in(months))[f"poured.{see}"].sum())
        for name, months in (("now", now), ("other", other))
    }
    if not (poured["now"] > 0 and poured["other"] > 0):
        return None
    weight = [
        1 / poured["now"] if m in now else -1 / poured["other"] if m in other else 0.0 for m in frame["month"].to_list()
    ]
    useful = sum(w * u for w, u in zip(weight, frame[f"useful.{see}"].to_list(), strict=True))
    if amounts.widths is None:
        return -useful, 0.0
    solids = [sum(v) for v in zip(*(frame[f"{p}.solids"].to_list() for p in LANDED), strict=True)]
    amount = [sum(v) for v in zip(*(frame[f"{p}.{see}"].to_list() for p in LANDED), strict=True)]
    k = [w * a / s if s > 0 else 0.0 for w, a, s in zip(weight, amount, solids, strict=True)]
    return -useful, Z95 * sqrt(amounts.widths.useful_square(k))


def sentence(found: tuple[float, float] | None, against: str) -> str:
    """ "Of 100 poured that is 2.1 less (-5.0 to 0.8) than in the one before: likely less." """
    if found is None:
        return f"Against {against}: nothing to compare with."
    value, half = found
    more = "more" if value > 0 else "less"
    said = wording.phrase(abs(value), "per100", *_ends(value, half)) if half else wording.phrase(abs(value), "per100")
    z = abs(value) / (half / Z95) if half else 0.0
    word = wording.ladder(NormalDist().cdf(z)) if half else wording.UNKNOWN
    return f"Against {against} that is {said} {more} of every 100 poured: {word}."


def _ends(value: float, half: float) -> tuple[float, float]:
    sign = 1 if value > 0 else -1
    return sign * value - half, sign * value + half


def make(book: PageTables, see: str) -> dict[str, Any]:
    """Rows of the three spans and the two sentences, for all shops."""
    amounts = book.ledger
    found = spans(amounts.periods)
    rows = []
    for name, word in SPANS:
        months = found[name]
        sums = amounts.sums_of(months)
        poured = sums.get(f"poured.{see}", 0.0)
        ends = (sums.get(f"lost.{see}.low"), sums.get(f"lost.{see}.high"))
        rows.append(
            {
                "name": name,
                "word": word,
                "when": wording.period_word(months[0], months[-1]) if months else "no data",
                "poured": wording.phrase(poured, _kind(see), bare=True) if months else wording.UNKNOWN,
                "lost": wording.phrase(sums.get(f"lost.{see}"), _kind(see), *ends, bare=True)
                if months and poured > 0
                else wording.UNKNOWN,
                "rate": wording.phrase(
                    sums[f"lost.{see}"] / poured, "per100", *(e / poured if e is not None else None for e in ends)
                )
                if months and poured > 0
                else wording.UNKNOWN,
            }
        )
    said = [
        sentence(change(amounts, see, found["now"], found[name]) if found[name] else None, word)
        for name, word in SPANS[1:]
    ]
    return {"compare": rows, "compare_said": said, "compare_see": SEE_WORD[see]}


def _kind(see: str) -> str:
    return "cost" if see == "cost" else "mass_kg"
