"""What to do: the lines of table `actions`, worded for a page. All pages take theirs from here, so that none contradicts another.

Here belong how a line reads and where its evidence stands. Which lines there are and their order is the table's alone.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from markupsafe import Markup

from reports import wording
from reports.site.page_tables import PageTables
from reports.veil import SOMEBODY

#: page -> whose list stands on it; the start page joins those of all readers whose page is there
READERS = {"owner": "owner", "environment": "environment", "hands": "trainer", "guns": "painter", "bench": "painter"}
#: table named in `evidence` -> page and place on it
PLACES = {
    "gun_fit": ("guns", "fit"),
    "gun_cover": ("guns", "cover"),
    "voc_content": ("environment", "content"),
    "compliance_training": ("environment", "rules"),
    "permit_headroom": ("environment", "limits"),
    "limit_windows": ("environment", "limits"),
    "savings": ("owner", "savings"),
    "practice_cards": ("hands", "cards"),
    "measure_next": ("method", "record"),
}
RULES = ("gun_fit", "voc_content", "permit_headroom", "limit_windows", "compliance_training")  # in this order
MOST = 5  # lines that stand open
_COUNTS = {"operations": ("operation", "operations"), "cups": ("cup", "cups"), "trainings": ("training", "trainings")}


@dataclass(frozen=True, slots=True)
class Todo:
    """A line: who of `readers` is told, where, what it is about and what to do, what it is worth, how sure, by when."""

    key: tuple[str, str, str, str]
    shop: str
    kind: str
    about: str
    what: str
    worth: Markup
    sure: str
    due: str
    place: tuple[str, str]
    readers: tuple[str, ...]


def lines(book: PageTables, *readers: str) -> list[Todo]:
    """The lines of these readers, each once: what rules ask first, in the order of the table within a kind."""
    frame = book.table("actions")
    order = {kind: i for i, kind in enumerate(("rule", "money", "gun", "practise", "record"))}
    told: dict[tuple[str, str, str, str], tuple[tuple[Any, ...], dict[str, Any], list[str]]] = {}
    for row in frame.iter_rows(named=True):
        if row["reader"] not in readers:
            continue
        if book.reader.people == "own" and (row["subject"] or "").endswith(SOMEBODY):
            continue  # what others are to practise or read is theirs
        key = (row["shop_id"], row["evidence"], row["subject"], row["what"])
        table = row["evidence"].partition(":")[0]
        if row["reader"] != "owner" and "owner" in readers and table == "compliance_training":
            continue  # the owner's line counts them already
        first = RULES.index(table) if table in RULES else len(RULES)
        size = -(row["worth"] or 0.0) if row["kind"] in ("rule", "money") else row["rank"]
        found = told.setdefault(key, ((order[row["kind"]], first, size, *key), row, []))
        found[2].append(row["reader"])
    return [_line(book, key, row, tuple(of)) for key, (_, row, of) in sorted(told.items(), key=lambda x: x[1][0])]


def _line(book: PageTables, key: tuple[str, str, str, str], row: dict[str, Any], readers: tuple[str, ...]) -> Todo:
    table = row["evidence"].partition(":")[0]
    return Todo(
        key, row["shop_id"], row["kind"], _about(book, row, table), row["what"], _worth(book, row),
        "" if row["how_sure"] == "reckoned" else row["how_sure"],
        wording.day_word(row["due_on"]) if row["due_on"] else "", PLACES.get(table, ("method", "")), readers,
    )  # fmt: skip


def _about(book: PageTables, row: dict[str, Any], table: str) -> str:
    """What the line is about by the name that the pages use, or ""."""
    subject = row["subject"] or ""
    if table in ("practice_cards", "compliance_training"):
        return book.person_name(subject)
    if table in ("permit_headroom", "limit_windows"):
        words = wording.measure_words(subject, {})
        return words[:1].upper() + words[1:]
    if table == "voc_content" or (table == "gun_cover" and subject in book.products):
        return book.product_label(subject)
    return f"Gun {subject}" if subject and table in ("gun_fit", "savings") else subject[:1].upper() + subject[1:]


def _worth(book: PageTables, row: dict[str, Any]) -> Markup:
    """How much hangs on it, in the unit of the table."""
    value, low, high, unit = row["worth"], row["worth_low"], row["worth_high"], row["unit"]
    if not wording.known(value):
        return Markup("")
    if unit == "currency/a":
        return Markup("{} a year").format(wording.quantity(value, "cost", low, high, currency=book.currency))
    if unit == "kg/a":
        return Markup("{} of solids a year").format(wording.quantity(value, "mass_kg", low, high))
    if unit == "1":
        said = "{} of the limit" if row["kind"] == "rule" else "narrows it by ±{}"
        return Markup(said).format(wording.quantity(value, "share", low, high))
    return Markup(wording.jobs(round(value), *_COUNTS[unit])) if unit in _COUNTS else Markup("")


def of_page(book: PageTables, page: str) -> list[Todo]:
    """What stands on a page of this site."""
    if page == "index":
        readers = [reader for key, reader in READERS.items() if key in book.reader.pages and _told(book, key)]
        return lines(book, *dict.fromkeys(readers))
    return lines(book, READERS[page]) if page in READERS and _told(book, page) else []


def _told(book: PageTables, page: str) -> bool:
    """Practice is for who may see people."""
    return page != "hands" or book.people


def urgent(found: list[Todo]) -> int:
    """How many things a rule or permit asks for."""
    return sum(x.kind == "rule" for x in found)
