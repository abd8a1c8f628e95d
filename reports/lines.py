"""From a figure of the environmental record to what it was added from: cups, cleanings, other uses, stock movements.

Pure: published tables in, rows and their sum out, with the figure of the table beside it. Here belongs which table of lines
stands behind which measure; nothing is reckoned anew but the sum.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import polars as pl

from reports.handouts import Period, Tables

#: what `listed` reads
TABLES = (
    "emissions_monthly", "emission_lines", "hap_monthly", "hap_lines", "hap_63_3941", "hap_material_lines", "solvent_lines",
    "rolling_12_months", "stock_reconciliation", "stock_lines",
)  # fmt: skip
MEASURES = (
    "rts_l", "rts_l:CATEGORY", "rts_kg", "voc_kg", "voc_kg:CATEGORY", "exempt_kg", "exempt_kg:CATEGORY", "pm_kg",
    "pm_kg:CATEGORY", "hap_kg", "hap_kg:CAS", "hap_63_3941", "solvent_kg", "stock:COMPONENT",
)  # fmt: skip
#: what tells a line from another; columns that are empty throughout are not shown
SHOWN = (
    "shop_id", "component_id", "from_on", "to_on", "month", "on_date", "category", "kind", "mix_id", "job_id", "operation_no",
    "number", "document_line", "substance", "mass_g",
)  # fmt: skip
_OF_MONTH = ("rts_l", "rts_kg", "voc_kg", "exempt_kg", "pm_kg")


class MeasureError(ValueError):
    """A measure that there is not; the message says which there are."""


@dataclass(frozen=True, slots=True)
class Listed:
    """`rows`: one per line, what it adds in the last column; `total` its sum, `figure` what the published table says of the
    same, both in `unit` and None where nothing is known; `complete`: nothing of it was unreadable or without a figure."""

    rows: pl.DataFrame
    unit: str
    total: float | None
    figure: float | None
    table: str
    complete: bool

    def told(self) -> Iterator[str]:
        """The closing lines."""
        n = self.rows.height
        if self.total is None:
            yield f"{n:,} lines, and of none is the figure known."
            return
        yield f"{n:,} lines, together {self.total:,.6g} {self.unit}; {self.table} says {self.figure:,.6g} {self.unit}."
        if not self.complete:
            yield "Something of it is unreadable or has no figure: it is a lower bound."


def listed(tables: Mapping[str, pl.DataFrame], measure: str, of: Period, shops: Sequence[str] = ()) -> Listed:
    """Every line behind a measure in a period. `measure`: one of MEASURES. Raises MeasureError, also for a shop or a part
    of a measure that does not occur."""
    found = Tables(tables)
    known = sorted(found["emissions_monthly"]["shop_id"].unique())
    for shop in shops:
        if shop not in known:
            raise MeasureError(f"There is no shop {shop!r}; known here: {', '.join(known) or 'none'}.")
    name, _, part = measure.partition(":")

    def rows(table: str) -> pl.DataFrame:
        frame = found[table]
        frame = frame.filter(of.holds()) if "month" in frame.columns else frame
        return frame.filter(pl.col("shop_id").is_in(list(shops))) if shops else frame

    if name in _OF_MONTH:
        table, lines, by, unit = (
            "emissions_monthly",
            rows("emission_lines"),
            "category",
            "L" if name == "rts_l" else "kg",
        )
        lines = lines.filter(pl.col(name).is_not_null() | ~pl.col("complete"))
        sums, column = rows(table), name
    elif name == "hap_kg":
        table, by, unit, column = "hap_monthly", "cas", "kg", "kg"
        about = found["emission_lines"].select(
            "shop_id", "line", "category", "kind", "on_date", "mix_id", "number", "document_line"
        )
        lines = rows("hap_lines").join(about, on=["shop_id", "line"], how="left")
        sums = rows(table)
        if not part:
            lines, sums = lines.filter(~pl.col("metal")), sums.filter(~pl.col("metal"))
    elif measure == "hap_63_3941":
        table, by, unit, column = "hap_63_3941", "", "kg", "kg"
        about = found["emission_lines"].select(
            "shop_id", "line", "category", "kind", "on_date", "mix_id", "number", "complete"
        )
        lines = rows("hap_material_lines").join(about, on=["shop_id", "line"], how="left")
        sums = rows(table)
    elif measure == "solvent_kg":
        table, by, unit, column = "rolling_12_months", "", "kg", "kg"
        lines = rows("solvent_lines")
        sums = rows(table).filter(pl.col("measure") == "solvent_kg").rename({"month_total": "kg"})
    elif name == "stock":
        first, end = of.days
        touched = (pl.col("from_on") <= end) & (pl.col("to_on") >= first)
        table, by, unit, column = "stock_reconciliation", "component_id", "g", "signed_g"
        lines = rows("stock_lines").filter(touched)
        sums = rows(table).filter(touched).rename({"unexplained_g": "signed_g"})
    else:
        raise MeasureError(f"There is no measure {measure!r}; write one of {', '.join(MEASURES)}.")
    if part:
        parts = sorted(found[table][by].unique()) if by else []
        if part not in parts:
            raise MeasureError(f"{name}: there is no {part!r}; known here: {', '.join(parts) or 'none'}.")
        lines, sums = lines.filter(pl.col(by) == part), sums.filter(pl.col(by) == part)
    whole = all(bool(frame["complete"].all()) for frame in (lines, sums) if "complete" in frame.columns)
    shown = [one for one in SHOWN if one in lines.columns and lines[one].null_count() < lines.height and one != column]
    told = [one for one in ("complete", "note") if one in lines.columns and lines[one].null_count() < lines.height]
    return Listed(
        lines.select(*shown, *told, pl.col(column)), unit, _sum(lines[column]), _sum(sums[column]), table, whole
    )  # fmt: skip


def _sum(figures: pl.Series) -> float | None:
    return float(figures.sum()) if figures.count() else None
