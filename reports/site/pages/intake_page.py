"""Intake: which files came, what became of every row, and what was refused and why."""

from __future__ import annotations

from typing import Any

import polars as pl
from markupsafe import Markup

from reports import wording
from reports.site.listing import Column, Listing, Row, text
from reports.site.page_tables import PageTables
from reports.site.pages.common import Page

OWN_COLUMNS = "columns of ours, no layout"  # a file that needs none
STATES = (
    ("accepted", "used"),
    ("duplicate", "said twice"),
    ("superseded", "replaced by a later export"),
    ("refused", "refused"),
)
SHOWN = 200


def make(book: PageTables) -> dict[str, Any]:
    files = book.table("intake_files")
    refused = book.table("refused_rows")
    return {
        "present": files.height > 0,
        "rows": book.rows,
        "files": _files(files),
        "by_layout": _by_layout(files),
        "refused_files": files.filter(pl.col("state") == "refused")
        .select("file", "message").unique().sort("file").rows(),
        "warnings": files.filter((pl.col("state") == "read") & pl.col("message").is_not_null())
        .select("file", "message").unique().sort("file").rows(),
        "reasons": _reasons(refused),
        "refused": _refused(refused),
        "incomplete": _incomplete(book),
        "states": STATES,
    }  # fmt: skip


def bar(counts: dict[str, int]) -> Markup:
    """What became of a file's rows, in ink and hatching (the ledger's colours mean parts of a cup, not rows)."""
    total = sum(counts.values())
    said = ", ".join(f"{wording.plain(counts[k], 0)} {w}" for k, w in STATES if counts[k]) or "no rows"
    out = [Markup('<svg class="strip" role="img" aria-label="{}" width="100%" height="100%">').format(said)]
    x = 0.0
    for key, _ in STATES:
        share = counts[key] / total if total else 0.0
        # A refused row is never too thin to see.
        width = max(100 * share, 1.5) if counts[key] and key == "refused" else 100 * share
        x = min(x, 100 - width)
        out.append(
            Markup('<rect class="rows-{}" x="{}%" y="0" width="{}%" height="100%"/>').format(
                key, wording.plain(x, 2), wording.plain(width, 2)
            )
        )
        x += width
    out.append(Markup("</svg>"))
    return Markup("").join(out)


def _files(files: pl.DataFrame) -> Listing:
    columns = [
        Column("file"),
        Column("feeds"),
        Column("read by"),
        Column("used, said twice, replaced, refused"),
        *(Column(word, Markup("rows"), number=True) for word in ("read", "used", "said twice", "replaced", "refused")),
    ]
    rows = []
    for r in files.head(SHOWN).iter_rows(named=True):
        counts = {k: int(r[k] or 0) for k, _ in STATES}
        rows.append(
            Row(
                [
                    text(r["file"]),
                    text(r["table"]) if r["state"] == "read" else text("refused as a whole"),
                    text(r["layout"] or OWN_COLUMNS) if r["state"] == "read" else text(None),
                    Markup('<span class="cell-strip">{}</span>').format(bar(counts)),
                    text(int(r["rows_read"] or 0)),
                    *(text(counts[k]) for k, _ in STATES),
                ]
            )
        )
    return Listing("Every file and what became of its rows", columns, rows, of=files.height, source="intake_files")


def _by_layout(files: pl.DataFrame) -> Listing:
    """Files summed by what read them and what they feed: an inbox of hundreds of exports in a few lines."""
    columns = [
        Column("read by"),
        Column("feeds"),
        Column("files", number=True),
        Column("used, said twice, replaced, refused"),
        *(Column(word, Markup("rows"), number=True) for word in ("read", "used", "said twice", "replaced", "refused")),
    ]
    names = ["rows_read", *(k for k, _ in STATES)]
    summed = (
        files.filter(pl.col("state") == "read")
        .with_columns(pl.col("layout").fill_null(OWN_COLUMNS))
        .group_by("layout", "table")
        .agg(pl.col("file").n_unique().alias("files"), pl.col(names).sum())
        .sort("layout", "table")
    )
    rows = []
    for r in summed.iter_rows(named=True):
        counts = {k: int(r[k] or 0) for k, _ in STATES}
        strip = Markup('<span class="cell-strip">{}</span>').format(bar(counts))
        numbers = [text(int(r["rows_read"] or 0)), *(text(counts[k]) for k, _ in STATES)]
        rows.append(Row([text(r["layout"]), text(r["table"]), text(r["files"]), strip, *numbers]))
    return Listing("What the exports feed", columns, rows)


def _reasons(refused: pl.DataFrame) -> Listing | None:
    """Refused rows counted by their reason, numbers inside a reason set aside."""
    if not refused.height:
        return None
    counted = (
        refused.explode("reasons")
        .with_columns(kind=pl.col("reasons").str.replace_all(r"'[^']*'", "'…'").str.replace_all(r"-?\d[\d.,]*", "…"))
        .group_by("kind", "table")
        .agg(n=pl.len(), files=pl.col("file").n_unique())
        .sort(["n", "kind", "table"], descending=[True, False, False])
    )
    rows = [
        Row([text(r["kind"]), text(r["table"]), text(r["n"]), text(r["files"])])
        for r in counted.head(40).iter_rows(named=True)
    ]
    several = "; some have several reasons" if counted["n"].sum() > refused.height else ""
    return Listing(
        f"{wording.jobs(refused.height, 'row was', 'rows were')} refused{several}",
        [Column("reason"), Column("table"), Column("rows", number=True), Column("files", number=True)],
        rows,
        of=counted.height,
    )


def _refused(refused: pl.DataFrame) -> Listing | None:
    if not refused.height:
        return None
    rows = [
        Row(
            [
                text(r["file"]),
                text(r["line"]),
                text(r["table"]),
                Markup("<br>").join(r["reasons"] or []),
                Markup("<code>{}</code>").format(r["raw"] or ""),
            ]
        )
        for r in refused.head(SHOWN).iter_rows(named=True)
    ]
    return Listing(
        "Refused rows",
        [Column("file"), Column("line", number=True), Column("meant for"), Column("reasons"), Column("as it stood")],
        rows,
        of=refused.height,
        source="refused_rows",
    )


def _incomplete(book: PageTables) -> Listing | None:
    mixes = pl.concat([part.filter(~pl.col("complete")) for part in book.parts("mixes")])
    if not mixes.height:
        return None
    rows = [
        Row([text(r["shop_id"]), text(r["mix_id"]), text(wording.month_word(r["month"])), text(r["why_incomplete"])])
        for r in mixes.head(SHOWN).iter_rows(named=True)
    ]
    return Listing(
        "Incomplete cups",
        [Column("shop"), Column("cup"), Column("month"), Column("why")],
        rows,
        of=mixes.height,
        source="mixes",
    )


PAGE = Page("intake", "Intake", "What came in, what was used, and what was refused?", (), make)
