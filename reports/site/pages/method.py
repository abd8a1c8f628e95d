"""Method and cautions: how every number comes about, what the words mean, what to mind before acting on them."""

from __future__ import annotations

from typing import Any

from markupsafe import Markup

from reports import wording
from reports.site.listing import Listing, counted, listed, said
from reports.site.page_tables import PageTables
from reports.site.pages.common import Page, of_shop
from reports.site.theme import PARTS


def make(book: PageTables) -> dict[str, Any]:
    return {
        "ladder": wording.LADDER,
        "grades": wording.GRADES,
        "parts": PARTS,
        "settings": book.settings_list,
        "record": _record(book),
        "budget": book.table("error_budget").sort("position").to_dicts(),
    }


def _record(book: PageTables) -> Listing | None:
    """What to record next, and what that narrows."""
    return listed(
        "What narrows most, by shop",
        book.table("measure_next").sort("shop_id", "rank"),
        of_shop(book),
        said("what to record", "action"),
        counted("jobs", "jobs"),
        said("which figure it narrows", "figure"),
        counted("half of its interval now", lambda r: _half(r["half_width_now"])),
        counted("then", lambda r: _half(r["half_width_then"])),
        counted(
            "gained a year",
            lambda r: (
                wording.quantity(r["worth"], "cost", currency=book.currency) if wording.known(r["worth"]) else None
            ),
        ),
        source="measure_next",
    )


def _half(width: float | None) -> Markup | None:
    return Markup("±{}").format(wording.quantity(width, "share")) if wording.known(width) else None


PAGE = Page("method", "Method", "How do these numbers come about, and what must be minded?", (), make)
