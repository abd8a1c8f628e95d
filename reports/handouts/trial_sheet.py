"""The sheet of a trial, to be printed and kept at the booth: which gun takes which job, what to record, when it ends.

Plan and order in, HTML bytes out; it opens from disk and asks nothing of a network. What a trial rests on stands in
pipelines/transfer/decisions/trials.py.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from typing import Any

import polars as pl
from jinja2 import Environment, PackageLoader, StrictUndefined

from reports import wording

SIZES = {
    "under_0.5": "under 0.5 m² (5 sq ft)",
    "0.5_to_1.5": "0.5 to 1.5 m² (5 to 16 sq ft)",
    "1.5_to_4": "1.5 to 4 m² (16 to 43 sq ft)",
    "over_4": "over 4 m² (43 sq ft)",
    "any": "any size",
}
#: cautions that stand on every sheet, by topic
CAUTIONS = ("data sheet", "isocyanates", "booth air", "static and fire")
RECORD = (
    "Job number, painter, gun, product, start and end of the step in the job log, the gun as it was taken, also where it was not the one below.",
    "One cup for one step: weigh what is poured, and weigh back what is left, small leftovers too.",
    "Mark the places before the step and read the film there before and after it: nine places a panel, four at least, on half of the area or"
    " more; read between base and clear where both are sprayed.",
    "Tip, inlet pressure and coats as sprayed; the same tip and pressure for a gun throughout. Nothing else is changed until the trial ends.",
)


@cache
def _template() -> Any:
    loader = PackageLoader("reports.handouts")
    found = Environment(loader=loader, autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    return found.get_template("trial.html")


def page(
    plan: Mapping[str, Any],
    order: pl.DataFrame,
    seed: int,
    labels: Mapping[str, str],
    shop: str,
    change_id: str,
    cautions: pl.DataFrame,
    paper: str,
) -> bytes:
    """The sheet. plan: the fields of a Plan; order: technician_id, area_class, place, gun_id; labels: people as they are called; shop:
    its label; cautions: the table of that name; paper: its width and height as CSS has them."""
    blocks = [
        {
            "hand": labels.get(str(hand), str(hand)) or "Whoever sprays",
            "size": SIZES[str(size)],
            "lines": _columns(rows),
        }
        for (hand, size), rows in order.group_by("technician_id", "area_class", maintain_order=True)
    ]
    text: str = _template().render(
        plan=plan, blocks=blocks, seed=seed, shop=shop, change_id=change_id, paper=paper, record=RECORD,
        who=[labels.get(one, one) for one in plan["who"]], role=wording.role_word(plan["role"]),
        percent=f"{100 * plan['difference']:g}", looks=list(zip(plan["at"], plan["bounds"], strict=True)),
        cautions=[r["says"] for topic in CAUTIONS for r in cautions.filter(pl.col("topic") == topic).iter_rows(named=True)],
    )  # fmt: skip
    return text.encode()


def _columns(rows: pl.DataFrame) -> list[list[tuple[int | str, str]]]:
    """The places of one list in two columns, read downwards: number and gun; an odd last line stands alone."""
    lines: list[tuple[int | str, str]] = list(rows.sort("place").select("place", "gun_id").iter_rows())
    half = (len(lines) + 1) // 2
    right = [*lines[half:], ("", "")]
    return [[lines[i], right[i]] for i in range(half)]
