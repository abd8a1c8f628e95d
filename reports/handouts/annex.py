"""The annex with people, which is made only when it is asked for: each person's trainings, by name or by a pseudonym, and how long
they sprayed products that hold isocyanates.

Here belongs everything of a hand-out that speaks of one person. A pseudonym stays the same from one hand-out to the next as long
as the register of technicians does.
"""

from __future__ import annotations

from collections.abc import Iterable

import polars as pl

from reports.handouts import rules
from reports.handouts.sheets import Made, Selection, Sheet, told

PEOPLE = ("names", "pseudonyms")
NOBODY_KNOWN = "somebody not in the register"
CAUTION = (
    "Time is not exposure. Isocyanates sensitise at low concentrations: air-fed breathing protection, ventilation and health"
    " surveillance follow local codes, the product's data sheet and licensed practice, not this sum.",
    "Times are as far as start and end of an operation are on record.",
)


def sheets(view: Selection, people: str | None) -> Iterable[Sheet | None]:
    """The sheets of the annex; none where nobody asked. Raises ValueError where `people` is none of PEOPLE."""
    if people is None:
        return
    if people not in PEOPLE:
        raise ValueError(f"{people!r} is none of {', '.join(PEOPLE)}")
    called = _called(view, people)
    yield _trainings(view, called)
    yield _spray_time(view, called)


def _called(view: Selection, people: str) -> dict[str, str]:
    rows = view.frame("technicians", months=False).sort("technician_id").iter_rows(named=True)
    if people == "names":
        return {row["technician_id"]: row["label"] or row["technician_id"] for row in rows}
    return {row["technician_id"]: f"person {n}" for n, row in enumerate(rows, start=1)}


def _trainings(view: Selection, called: dict[str, str]) -> Sheet | None:
    frame = rules.trained(view).filter(pl.col("status") != "left").sort("shop_id", "technician_id", "rule")
    columns: dict[str, Made] = {
        "shop": "shop_id", "person": lambda r: called.get(r["technician_id"], NOBODY_KNOWN), "training": "label", "status": "status",
        "first training": "first_completed_on", "latest training": "latest_completed_on", "counts until": "valid_until",
        "certificate": "certificate_ref", "missing": "missing",
    }  # fmt: skip
    return told("annex_trainings", "Annex: trainings", frame, columns)


def _spray_time(view: Selection, called: dict[str, str]) -> Sheet | None:
    frame = view.frame("spray_time").sort("shop_id", "technician_id", "month", "product_id")
    columns: dict[str, Made] = {
        "shop": "shop_id", "person": lambda r: called.get(r["technician_id"], NOBODY_KNOWN), "month": "month",
        "product": lambda r: view.named("product_id", r["product_id"]), "time [min]": "minutes", "operations": "n_operations",
        "of them with their end on record": "n_timed", "why": "why",
    }  # fmt: skip
    title = "Annex: time spent spraying products that hold isocyanates"
    return told("annex_spray_time", title, frame, columns, CAUTION)
