"""What the pages share: the shape of a page, numbers bound to the amounts, and lists of strips.

A number bound to the amounts carries what it is (data-m, data-of, ...), so that the script can say it again for the rows
that the reader's filter keeps.
"""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import dataclass
from typing import Any

from markupsafe import Markup

from reports import wording
from reports.site.figures.strip import shares, strip
from reports.site.listing import Column, Listing, Row, Shown, said, text
from reports.site.page_sums import LANDING, SEE_KIND, PageSums, Sums
from reports.site.page_tables import PageTables
from reports.site.theme import PARTS
from schemas.published import TRANSFER_LINE


@dataclass(frozen=True, slots=True)
class Part:
    """A page below a page (one shop's sheet, where there are many shops): its file, template and template's values."""

    file: str
    template: str
    values: dict[str, Any]


@dataclass(frozen=True, slots=True)
class Page:
    """`key` names the file (key.html), the template and the entry of the navigation; `filters` which of shop, period,
    role, see apply here; `see` how the page counts until the reader chooses (solids, voc, cost); `make` returns the
    template's values; `parts` the pages below it.
    """

    key: str
    word: str
    question: str
    filters: tuple[str, ...]
    make: Callable[[PageTables], dict[str, Any]]
    see: str = "solids"
    parts: Callable[[PageTables], list[Part]] | None = None

    @property
    def file(self) -> str:
        return f"{self.key}.html"


def of_shop(book: PageTables) -> Shown:
    """The column of shops, by the names they are shown under."""
    return said("shop", lambda record: book.shop_labels.get(record["shop_id"], record["shop_id"]))


def bound(
    sums: Sums,
    measure: str,
    see: str = "solids",
    *,
    kind: str = "",
    of: str = "",
    bare: bool = False,
    currency: str = "",
) -> Markup:
    """A number of the ledger's amounts, worded for all data and refilled by the script.

    `measure` such as "useful.*": * stands for how the page counts (solids, voc, cost). `of` makes it a share of 100 of
    that measure. Parts that are estimated get their interval.
    """
    full = measure.replace("*", see)
    value = sums.get(full, 0.0)
    low = sums.get(f"{full}.low")
    high = sums.get(f"{full}.high")
    shown_kind = kind or ("per100" if of else SEE_KIND.get(see, "count"))
    if of:
        whole = sums.get(of.replace("*", see), 0.0)
        if whole <= 0:
            value_text = wording.UNKNOWN
        else:
            ends = (low / whole, high / whole) if low is not None and high is not None else (None, None)
            value_text = wording.phrase(value / whole, shown_kind, *ends, bare=bare, currency=currency)
    else:
        value_text = wording.phrase(value, shown_kind, low, high, bare=bare, currency=currency)
    kind_name = kind or ("per100" if of else "*")
    return Markup('<span data-m="{}"{} data-kind="{}"{}>{}</span>').format(
        measure,
        Markup(' data-of="{}"').format(of) if of else "",
        kind_name,
        Markup(" data-bare") if bare else "",
        value_text,
    )


def strips(
    book: PageTables,
    amounts: PageSums,
    dim: str,
    caption: str,
    head: str,
    labels: dict[str, str],
    see: str,
    sort: str = "",
) -> Listing:
    """One strip a member of `dim`: its name, the strip, what was poured, useful film and overspray of 100."""
    by = amounts.by(dim)
    columns = [
        Column(head),
        Column("useful, over-build, overspray, flush loss, leftover, not split"),
        Column("poured", see_unit(see, book.currency), number=True),
        Column("useful film", Markup("of 100"), number=True),
        Column("overspray", Markup("of 100"), number=True),
        Column("overspray", see_unit(see, book.currency), number=True),
    ]
    rows = []
    for member in labels:
        sums = by.get(member)
        if sums is None:
            continue
        rows.append(
            Row(
                [
                    text(labels[member]),
                    Markup('<span class="cell-strip">{}</span>').format(strip(shares(sums, see))),
                    bound(sums, "poured.*", see, bare=True),
                    bound(sums, "useful.*", see, of="poured.*"),
                    bound(sums, "overspray.*", see, of="poured.*"),
                    bound(sums, "overspray.*", see, bare=True),
                ],
                {"key": member},
            )
        )
    return Listing(f"{caption}; in brackets the 95 % interval", columns, rows, by=dim, sort=sort)


def see_unit(see: str, currency: str) -> Markup:
    """The unit of what the page counts by; the script rewrites it when that changes."""
    kind = SEE_KIND[see]
    word = wording.unit_word(kind, currency=currency) or "money"
    return Markup('<span data-unit="*">{}</span>').format(word)


def parts_listing(book: PageTables, sums: Sums, see: str) -> Listing:
    """The data of a strip: each part with its amount, its share of 100 and what it means."""
    columns = [
        Column("part"),
        Column("amount", see_unit(see, book.currency), number=True),
        Column("share", Markup("of 100"), number=True),
        Column("what it is"),
    ]
    rows = [
        Row(
            [
                Markup('<span class="swatch swatch-{}"></span>{}').format(part.key.replace("_", "-"), part.word),
                bound(sums, f"{part.key}.*", see, bare=True),
                bound(sums, f"{part.key}.*", see, of="poured.*"),
                text(part.meaning),
            ]
        )
        for part in PARTS
    ]
    rows.append(
        Row([text("poured"), bound(sums, "poured.*", see, bare=True), text("100"), text("everything weighed in")])
    )
    return Listing("What was poured, part by part; in brackets the 95 % interval", columns, rows)


def grade_sentence(sums: Sums) -> Markup:
    """How much of what was sprayed rests on which evidence."""
    return Markup(
        "{} cups; of the transfer efficiencies behind it, by mass, {} measured (A), {} shared (B), {} assumed (C)."
    ).format(bound(sums, "cups", kind="count"), *(bound(sums, letter, kind="share", of="sprayed") for letter in "abc"))


def estimated(sums: Sums) -> bool:
    return any(sums.get(f"{part}.solids", 0.0) > 0 for part in LANDING)


def default_role(rows: list[dict[str, Any]]) -> str:
    """The role with the most records behind its estimates: what a page shows until the reader chooses. "" for none."""
    total: dict[str, int] = {}
    for row in rows:
        if row["v"] is not None:
            total[row["role"]] = total.get(row["role"], 0) + row["n"]
    return max(sorted(total), key=lambda role: total[role]) if total else ""


MOST_DRAWN = 80


def interval_rows(book: PageTables, by: str, role: str, shop: str = "", *, every: bool = False) -> list[dict[str, Any]]:
    """Rows of one role for figures/intervals: per shop its own typical first, then members in the order of ids; where
    there are more than MOST_DRAWN members, the shops alone, until one is chosen (`every`: all the same).
    """
    out: list[dict[str, Any]] = []
    typical = [r for r in book.transfer["role"] if r["role"] == role and shop in ("", r["shop"])]
    members = [r for r in book.transfer[by] if r["role"] == role and shop in ("", r["shop"])]
    if len(members) > MOST_DRAWN and not shop and not every:
        members = []
    for key in sorted({r["shop"] for r in typical} | {r["shop"] for r in members}):
        label = book.shop_labels.get(key, key)
        out += [{**r, "typical": True, "name": f"{label} as a whole"} for r in typical if r["shop"] == key]
        out += [{**r, "typical": False} for r in members if r["shop"] == key]
    return out


def apart(row: dict[str, Any], shown: list[dict[str, Any]]) -> int:
    """-1 or 1 where the whole interval lies below or above the shop's own estimate of the role, else 0. Joined rows:
    0.
    """
    typical = next((r["v"] for r in shown if r["typical"] and r["shop"] == row["shop"]), None)
    if typical is None or row["lo"] is None or row["joined"]:
        return 0
    return -1 if row["hi"] < typical else (1 if row["lo"] > typical else 0)


def counted(shown: list[dict[str, Any]], held: Collection[str] = ()) -> dict[str, int]:
    """Of rows of one role (`interval_rows`, every one): all members, those told a figure, of them apart from the shop's
    own; of those in shops where a rule speaks of 65 % (`held`), how many, and how many lie above and below it with the
    whole interval or stay open; records behind them. The script counts the same.
    """
    members = [r for r in shown if not r["typical"]]
    told = [r for r in members if r["v"] is not None]
    side = [apart(r, shown) for r in told]
    under = [r for r in told if r["shop"] in held]
    above = sum(1 for r in under if r["lo"] is not None and r["lo"] > TRANSFER_LINE)
    below = sum(1 for r in under if r["hi"] is not None and r["hi"] < TRANSFER_LINE)
    return {
        "all": len({r["name"] for r in members}), "told": len({r["name"] for r in told}), "held": len(under), "above": above, "below": below,
        "open": len(under) - above - below,
        "better": side.count(1), "less": side.count(-1), "records": sum(r["n"] for r in told),
    }  # fmt: skip


def transfer_listing(book: PageTables, by: str, head: str) -> Listing:
    """All roles of a transfer table, for "the data" under an interval figure."""
    columns = [
        Column("shop"),
        Column("role"),
        Column(head),
        Column("transfer efficiency", Markup("%, 95 % interval"), number=True),
        Column("records", number=True),
        Column("grade"),
        Column("cannot be told apart from"),
    ]
    rows = [
        Row(
            [
                text(book.shop_labels.get(r["shop"], r["shop"])),
                text(wording.role_word(r["role"])),
                text(r["name"]),
                wording.quantity(r["v"], "share", r["lo"], r["hi"], bare=True)
                if r["v"] is not None
                else text("not enough jobs"),
                text(r["n"]),
                text(r["grade"]),
                text(r["joined"]),
            ],
            {"shop": r["shop"], "role": r["role"]},
        )
        for r in sorted(book.transfer[by], key=lambda r: (r["shop"], r["name"], r["role"]))
    ]
    return Listing(f"Transfer efficiency by {head} and role", columns, rows)
