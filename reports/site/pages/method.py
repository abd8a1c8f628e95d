"""Method and cautions: how every number comes about, what the words mean, what to mind before acting on them."""

from __future__ import annotations

from typing import Any

from reports import wording
from reports.site.page_tables import PageTables
from reports.site.pages.common import Page
from reports.site.theme import PARTS


def make(book: PageTables) -> dict[str, Any]:
    return {
        "ladder": wording.LADDER,
        "grades": wording.GRADES,
        "parts": PARTS,
        "settings": book.settings_list,
        "budget": book.table("error_budget").sort("position").to_dicts(),
    }


PAGE = Page("method", "Method", "How do these numbers come about, and what must be minded?", (), make)
