"""Waste shipped off and the credit that it earns: the drum of each shop, emptied document by document.

Here belongs the one walk of the record that SQL cannot say: what a shipment takes out hangs on what those before it left. What
goes in is drum_inputs; months are summed in waste_drum.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from datetime import date
from typing import Any

import polars as pl

from schemas import validate

NO_DOCUMENT = "no document proves it"
NO_ANALYSIS = "its VOC was not analysed"
COPY = "an earlier document with the same reference carries this line"
RECOVERED = "recovered solvent was taken off where it was used"
BEYOND = "review: more than the drum held"
ABOVE_MONTH = "review: more than the VOC of its month"


@dataclass(slots=True)
class Drum:
    """What waits to be shipped, g."""

    solvent_g: float = 0.0
    coating_g: float = 0.0
    voc_g: float = 0.0  # in the coating

    def take(self, mass_g: float, voc_mass_fraction: float | None) -> tuple[float, float, float]:
        """Ship some of it: recovered solvent first, then coating. Returns the solvent, the coating that was there, and the
        VOC that left with the coating, g: what its analysis says of all that is not solvent, at most what was there."""
        solvent = min(mass_g, self.solvent_g)
        coating = min(mass_g - solvent, self.coating_g)
        if voc_mass_fraction is None:
            voc = self.voc_g * coating / self.coating_g if self.coating_g > 0 else 0.0
        else:
            voc = min((mass_g - solvent) * voc_mass_fraction, self.voc_g)
        self.solvent_g -= solvent
        self.coating_g -= coating
        self.voc_g = self.voc_g - voc if self.coating_g > 0 else 0.0
        return solvent, coating, voc


def emission_waste(stock: pl.DataFrame, drum_inputs: pl.DataFrame, emission_uses: pl.DataFrame) -> pl.DataFrame:
    """Each line of waste shipped with what it took out of the shop's drum and the credit that it earns.

    Recovered solvent leaves first and earns nothing: it was taken off where it was used (40 CFR 63.3951(e), Rw, counts waste
    once). What is shipped beyond it is discarded coating, credited with min(coating part x the shipment's VOC by mass, VOC of
    coating in the drum on that day, VOC of the month that no credit took off yet), with a document_ref and an analysis only. A
    line that an earlier document with the same reference carries word for word takes nothing out. why_not says of each line
    that earns less than its mass x VOC why. Masses in g.
    """
    shipped = _shipments(stock)
    left: dict[tuple[str, str], float] = defaultdict(float)
    left |= {
        (shop, month): max(0.0, kg) * 1000
        for shop, month, kg in emission_uses.group_by("shop_id", "month", maintain_order=True)
        .agg(pl.col("voc_kg").sum())
        .sort("shop_id", "month")
        .iter_rows()
    }
    rows: list[dict[str, Any]] = []
    filled = _filled(drum_inputs, shipped)
    drums: dict[str, Drum] = defaultdict(Drum)
    for line in shipped.iter_rows(named=True):
        shop, drum = line["shop_id"], drums[line["shop_id"]]
        solvent, coating, voc = filled.pop((shop, line["happened_on"]), (0.0, 0.0, 0.0))
        drum.solvent_g += solvent
        drum.coating_g += coating
        drum.voc_g += voc
        rows.append(_judged(line, drum, left, shop))
    empty = validate.empty("emission_waste")
    return pl.DataFrame(rows, schema=empty.schema).sort("shop_id", "document_no", "line_no")


def _judged(line: dict[str, Any], drum: Drum, left: dict[tuple[str, str], float], shop: str) -> dict[str, Any]:
    month = f"{line['happened_on']:%Y-%m}"
    solvent = coating = voc = credit = 0.0
    reasons: list[str] = []
    if line["copy_no"] > 1:
        reasons.append(COPY)
    else:
        solvent, coating, voc = drum.take(line["mass_g"], line["voc_mass_fraction"])
        if line["document_ref"] is None:
            reasons.append(NO_DOCUMENT)
        if line["voc_mass_fraction"] is None:
            reasons.append(NO_ANALYSIS)
        if not reasons:
            credit = min(voc, left[shop, month])
            left[shop, month] -= credit
            wanted = (line["mass_g"] - solvent) * line["voc_mass_fraction"]
            if solvent > 0:
                reasons.append(RECOVERED)
            if voc < wanted * (1 - 1e-12):
                reasons.append(BEYOND)
            if credit < voc * (1 - 1e-12):
                reasons.append(ABOVE_MONTH)
    unexplained = 0.0 if line["copy_no"] > 1 else line["mass_g"] - solvent - coating
    return {name: line[name] for name in _GIVEN} | {
        "shop_id": shop, "month": month, "solvent_g": solvent, "coating_g": coating, "unexplained_g": max(0.0, unexplained),
        "credit_g": credit, "why_not": "; ".join(reasons) or None,
    }  # fmt: skip


_GIVEN = (
    "document_no", "line_no", "happened_on", "component_id", "mass_g", "voc_mass_fraction", "document_ref",
)  # fmt: skip


def _shipments(stock: pl.DataFrame) -> pl.DataFrame:
    """Lines of waste in the order in which they left, with how often the same line came before under its reference."""
    same = ["shop_id", "document_ref", "component_id", "mass_g", "voc_mass_fraction", "line_no"]
    order = ["shop_id", "happened_on", "document_no", "line_no"]
    lines = stock.filter(pl.col("movement") == "shipped_as_waste").sort(order)
    copy_no = pl.when(pl.col("document_ref").is_null()).then(1).otherwise(pl.int_range(pl.len()).over(same) + 1)
    return lines.select("shop_id", *_GIVEN, copy_no=copy_no)


def _filled(inputs: pl.DataFrame, shipped: pl.DataFrame) -> dict[tuple[str, date], tuple[float, float, float]]:
    """What went into each shop's drum since the shipments before, on the day itself too: (shop, day) -> g of solvent, coating, VOC in it."""
    days = shipped.select("shop_id", day="happened_on").unique().sort("day")
    solvent = pl.col("stream") == "solvent"
    summed = (
        inputs.sort("on_date", "shop_id", "kind", "mix_id", "number")
        .join_asof(days, left_on="on_date", right_on="day", by="shop_id", strategy="forward", check_sortedness=False)
        .filter(pl.col("day").is_not_null())
        .group_by("shop_id", "day", maintain_order=True)
        .agg(
            solvent=pl.col("mass_g").filter(solvent).sum(),
            coating=pl.col("mass_g").filter(~solvent).sum(),
            voc=pl.col("voc_g").filter(~solvent).sum(),
        )
    )
    return {(shop, day): (solvent, coating, voc) for shop, day, solvent, coating, voc in summed.iter_rows()}
