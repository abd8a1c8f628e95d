"""The owner's page: where the material goes, by month, shop and product, counted in money, solids or VOC."""

from __future__ import annotations

from typing import Any

import polars as pl

from reports import wording
from reports.site.page_sums import ledger_sums
from reports.site.page_tables import PageTables
from reports.site.pages import compare, did_it_help, savings_section, trend_section
from reports.site.pages.bench import cautions
from reports.site.pages.common import Page, estimated, grade_sentence, strips
from reports.site.pages.start import runs_figure


def make(book: PageTables) -> dict[str, Any]:
    amounts = book.ledger
    sums = amounts.sums()
    if sums.get("poured.solids", 0.0) <= 0:
        return {"poured": False}
    see = see_of(book)
    by_product = amounts.by("product_id")
    dearest = sorted(by_product, key=lambda p: (-by_product[p][f"overspray.{see}"], p))
    months = {m: wording.month_word(m) for m in amounts.members["month"]}
    rework = [part.filter(pl.col("rework").fill_null(False)) for part in book.parts("material_ledger")]
    return {
        "poured": True,
        "estimated": estimated(sums),
        "sums": sums,
        "see": see,
        "grade_sentence": grade_sentence(sums),
        "costed": sums["known.cost"] / sums["poured.solids"],
        "figure": runs_figure(book, see),
        "by_month": strips(book, amounts, "month", "A strip a month", "month", months, see),
        "by_shop": strips(book, amounts, "shop_id", "A strip a shop", "shop", book.shop_labels, see),
        "by_product": strips(
            book,
            amounts,
            "product_id",
            "A strip a product, the most overspray first",
            "product",
            {p: f"{book.product_label(p)} ({wording.role_word(book.product_role.get(p))})" for p in dearest},
            see,
            sort="overspray.*",
        ),
        "rework": ledger_sums(rework).sums() if any(part.height for part in rework) else {},
        "redo_labour": float(
            sum(part["redo_labour_cost"].sum() for part in book.parts("job_costs", ["redo_labour_cost"]))
        ),
        **savings_section.make(book),
        **compare.make(book, see),
        **trend_section.make(book),
        "helped": did_it_help.make(book, did_it_help.MATERIAL),
        "cautions": cautions(book, "savings"),
    }


def see_of(book: PageTables) -> str:
    """Money where at least half of what was poured has a price, else solids."""
    sums = book.ledger.sums()
    return "cost" if sums["known.cost"] >= 0.5 * sums["poured.solids"] and sums["poured.cost"] > 0 else "solids"


PAGE = Page(
    "owner", "Material", "Where does what we pour end up, and what does it cost us?",
    ("shop", "period", "role", "see"), make,
)  # fmt: skip
