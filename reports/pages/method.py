"""Method and cautions: how every number comes about, what the words mean, what to mind before acting on them."""

from __future__ import annotations

from typing import Any

from reports import wording
from reports.book import Book
from reports.pages.base import Page
from reports.theme import PARTS


def make(book: Book) -> dict[str, Any]:
    return {
        "ladder": wording.LADDER,
        "grades": wording.GRADES,
        "parts": PARTS,
        "settings": book.settings_list,
    }


PAGE = Page("method", "Method", "How do these numbers come about, and what must be minded?", (), make)
