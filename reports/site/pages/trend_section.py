"""Whether transfer changes: a drawing for each shop over the months, and role by role the latest quarter against the one before."""

from __future__ import annotations

from typing import Any

import polars as pl

from reports import wording
from reports.site.figures.months import trend
from reports.site.listing import Listing, Record, counted, listed, said
from reports.site.page_tables import PageTables
from reports.site.pages.common import of_shop
from schemas.published import ALL


def make(book: PageTables) -> dict[str, Any]:
    whole = book.table("totals").filter(
        (pl.col("role") == ALL) & (pl.col("product_id") == ALL) & pl.col("period").str.contains(r"^\d{4}-\d{2}$")
    )
    drawn = []
    for (shop,), rows in whole.sort("shop_id", "period").group_by("shop_id", maintain_order=True):
        drawing = trend(rows.select("period", "te", "te_low", "te_high").to_dicts())
        if drawing and (shop == ALL or not book.apart):
            drawn.append(
                {
                    "shop": shop,
                    "label": "All shops" if shop == ALL else book.shop_labels.get(str(shop), shop),
                    "drawing": drawing,
                }
            )
    return {"trends": drawn if len(drawn) != 2 else drawn[:1], "changes": _changes(book)}


def _changes(book: PageTables) -> Listing | None:
    """The latest quarter of every shop and role."""
    frame = book.table("transfer_by_period").filter(
        pl.col("period").str.contains("Q") & pl.col("estimate").is_not_null()
    )
    latest = frame.filter(pl.col("period") == pl.col("period").max().over("shop_id")).sort("shop_id", "role")
    return listed(
        "Transfer in the latest quarter, role by role; what lands now over what landed then",
        latest,
        of_shop(book),
        said("role", lambda r: wording.role_word(r["role"])),
        said("quarter", lambda r: wording.month_word(r["period"])),
        counted("transfer efficiency", lambda r: wording.quantity(r["estimate"], "share", r["low"], r["high"])),
        counted("against the quarter before", lambda r: _ratio(r, "change")),
        said("changed", lambda r: _word(r, "change")),
        counted("against the year before", lambda r: _ratio(r, "change_year")),
        said("changed since", lambda r: _word(r, "change_year")),
        counted("operations", "n"),
        at=lambda r: {"shop": r["shop_id"], "role": r["role"]},
        source="transfer_by_period",
    )  # fmt: skip


def _ratio(row: Record, name: str) -> Any:
    return (
        wording.quantity(row[name], "factor", row[f"{name}_low"], row[f"{name}_high"])
        if wording.known(row[name])
        else None
    )


def _word(row: Record, name: str) -> str | None:
    """ "better: likely", by the chance that it lies above one."""
    p = row[f"{name}_prob"]
    if not wording.known(p):
        return None
    return f"{'better' if p >= 0.5 else 'less'}: {wording.ladder(max(p, 1 - p))}"
