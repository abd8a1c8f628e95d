"""Start: where the paint went, and one sentence for each reader with the page that says more."""

from __future__ import annotations

from typing import Any

import polars as pl
from markupsafe import Markup

from reports import wording
from reports.site.figures.figure import Figure
from reports.site.figures.runs import runs
from reports.site.page_tables import PageTables
from reports.site.pages import bench, savings_section
from reports.site.pages.common import Page, counted, default_role, estimated, grade_sentence, parts_listing


def runs_figure(book: PageTables, see: str) -> Figure:
    """The strip opened up, shared by the start page and the owner's page."""
    sums = book.ledger.sums()
    return Figure(
        key="runs",
        title="How far each part of 100 poured got, from cup to film",
        finding=Markup(
            "Its width is the amount; how far a run hangs says how far that material got, and no amount. "
            "The line at its foot says between which widths the part itself lies, 95 of 100."
        ),
        plot=runs(sums, see),
        kind="runs",
        how="ledger",
        data=parts_listing(book, sums, see),
        behind="ledger",
    )


def make(book: PageTables) -> dict[str, Any]:
    sums = book.ledger.sums()
    poured = sums.get("poured.solids", 0.0) > 0
    cups = [part["complete"] for part in book.parts("mixes", ["complete"])]
    return {
        "sums": sums,
        "poured": poured,
        "estimated": estimated(sums),
        "grade_sentence": grade_sentence(sums) if poured else Markup(""),
        "figure": runs_figure(book, PAGE.see) if poured else None,
        "emission": _emission(book),
        "hands": _transfer(book, "technician", "technicians") if book.people else Markup(""),
        "guns": _guns(book),
        "levers": savings_section.best(book),
        "levers_together": savings_section.best_together(book),
        "bench": bench.sentence(book),
        "rows": book.rows,
        "unread": int(book.table("intake_files").filter(pl.col("table") == "pours")["refused"].sum() or 0),
        "incomplete": sum(int((~complete).sum()) for complete in cups),
        "cups": sum(complete.len() for complete in cups),
    }


def _emission(book: PageTables) -> Markup:
    if not book.emissions.frame.height:
        return Markup("")
    last = book.emissions.periods[-12:]
    rows = [r for r in book.emissions.frame.iter_rows(named=True) if r["month"] in last]
    total = sum(r["voc"] for r in rows)
    lacking = len({r["month"] for r in rows if r["incomplete"] > 0})
    if lacking == len(last) and not total:
        return Markup("VOC {} is not known: what is needed for it could not be read.").format(
            wording.period_word(last[0], last[-1])
        )
    text = Markup("{} of VOC {}").format(wording.quantity(total, "mass_kg"), wording.period_word(last[0], last[-1]))
    if lacking:
        text += Markup("; {} of these months {} incomplete").format(lacking, "is" if lacking == 1 else "are")
    return text + "."


def _transfer(book: PageTables, by: str, many: str) -> Markup:
    """Typical transfer of the role with the most records, and of how many members something can be said."""
    role = default_role(book.transfer["role"]) or default_role(book.transfer[by])
    if not role:
        return Markup("")
    typical = [r for r in book.transfer["role"] if r["role"] == role and r["v"] is not None]
    members = [r for r in book.transfer[by] if r["role"] == role]
    told = {r["name"] for r in members if r["v"] is not None}  # who works in two shops is one
    spread = Markup("; ").join(
        Markup("{}: {}").format(
            book.shop_labels.get(r["shop"], r["shop"]), wording.standing(r["v"], r["lo"], r["hi"], r["n"], r["grade"])
        )
        for r in typical
    )
    words = Markup("Of sprayed {} this part lands: {}. {} of {} {} have enough jobs for a figure of their own.").format(
        wording.role_word(role), spread, len(told), len({r["name"] for r in members}), many
    )
    cards = book.table("practice_cards")["technician_id"].n_unique() if by == "technician" else 0
    if cards:
        words += Markup(" {} of them {} something to practise.").format(cards, "has" if cards == 1 else "have")
    return words


def _guns(book: PageTables) -> Markup:
    """How many guns have a figure in the role with the most records; where a rule speaks of 65 %, how many lie above or below."""
    role = default_role(book.transfer["gun"])
    held = book.shops_with("transfer_65")
    count = counted([{**r, "typical": False} for r in book.transfer["gun"] if r["role"] == role], held)
    if not count["told"]:
        return Markup("")
    words = Markup("In {}, {} of {} guns have enough jobs for a figure.").format(
        wording.role_word(role), count["told"], count["all"]
    )
    if count["held"]:
        words += Markup(
            " Of the {} where a rule speaks of 65 %, the whole interval lies above it for {}, below it for {}, across it for {}."
        ).format(count["held"], *(count[k] or "none" for k in ("above", "below", "open")))
    return words


PAGE = Page("index", "Start", "Where did the paint go?", ("shop", "period", "role", "see"), make)
