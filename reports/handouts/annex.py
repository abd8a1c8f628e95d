"""The annex with people, which is made only when it is asked for: each person's trainings, by name or by a pseudonym, and how long
they sprayed products that hold isocyanates.

Here belongs everything of a hand-out that speaks of one person. A pseudonym stays the same from one hand-out to the next as long
as the register of technicians does.
"""

from __future__ import annotations

from collections.abc import Iterable

import polars as pl

from reports.handouts import rules
from reports.handouts.sheets import Head, Selection, Sheet

PEOPLE = ("names", "pseudonyms")
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
    heads = [
        "shop",
        "person",
        "training",
        "status",
        "first training",
        "latest training",
        "counts until",
        "certificate",
        "missing",
    ]
    rows = [
        (
            r["shop_id"], called.get(r["technician_id"], "somebody not in the register"), r["label"], r["status"],
            r["first_completed_on"], r["latest_completed_on"], r["valid_until"], r["certificate_ref"], r["missing"],
        )
        for r in frame.iter_rows(named=True)
    ]  # fmt: skip
    return Sheet("annex_trainings", "Annex: trainings", [Head(h) for h in heads], rows) if rows else None


def _spray_time(view: Selection, called: dict[str, str]) -> Sheet | None:
    frame = view.frame("spray_time").sort("shop_id", "technician_id", "month", "product_id")
    heads = [
        Head("shop"), Head("person"), Head("month"), Head("product"), Head("time", "min"), Head("operations"),
        Head("of them with their end on record"), Head("why"),
    ]  # fmt: skip
    rows = [
        (
            r["shop_id"], called.get(r["technician_id"], "somebody not in the register"), r["month"],
            view.named("product_id", r["product_id"]), r["minutes"], r["n_operations"], r["n_timed"], r["why"],
        )
        for r in frame.iter_rows(named=True)
    ]  # fmt: skip
    title = "Annex: time spent spraying products that hold isocyanates"
    return Sheet("annex_spray_time", title, heads, rows, list(CAUTION)) if rows else None
