"""What the pages add up: the published tables summed to the grain that pages filter by, for the pages and their script
alike.

Here belongs the summing to shop x month x product (ledger) and shop x month x category (emissions), and the rows of
the transfer tables. Both the static page and its script add up the same amounts, so a filtered figure and a printed one
cannot disagree. Not here: how it is drawn or worded.

Amounts are rounded to 0.1 g and 0.001 of money: the only rounding, and below what any page shows.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np
import polars as pl
import scipy.sparse as sp

from reports.site.joint_widths import JointWidths
from reports.site.theme import PARTS, SOURCES
from schemas.registers import ROLES

# measure of the ledger -> (suffix of its published columns, scale to the unit kept here, decimals kept)
SEES: dict[str, tuple[str, float, int]] = {
    "solids": ("solids_g", 1e-3, 4),
    "voc": ("voc_g", 1e-3, 4),
    "cost": ("cost", 1.0, 3),
}
SEE_KIND = {"solids": "mass_kg", "voc": "mass_kg", "cost": "cost"}
SEE_WORD = {"solids": "solids", "voc": "VOC", "cost": "material cost"}
SEE_OF = {"solids": "parts of solids poured", "voc": "parts of VOC poured", "cost": "spent on what was poured"}
LANDING = ("overspray", "over_build", "useful")
LANDED = ("over_build", "useful")

Sums = dict[str, float]


class PageSums:
    """Rows of additive measures by some dimensions. `frame` is sorted by its dimensions; measures hold no nulls.

    Where `widths` are known (their rows those of `frame`), sums of what landed or missed have `<part>.<see>.low` and `.high`.
    """

    def __init__(
        self, name: str, dims: tuple[str, ...], frame: pl.DataFrame, loadings: pl.DataFrame | None = None
    ) -> None:
        self.name = name
        self.dims = dims
        self.measures = tuple(c for c in frame.columns if c not in dims)
        self.frame = frame.sort(dims)
        self.widths = None if loadings is None else JointWidths.of(self.frame, loadings)
        self.members: dict[str, list[str]] = {d: sorted(frame[d].unique().to_list()) for d in dims}

    @property
    def periods(self) -> list[str]:
        """Its months (quarters, years) in order, those between filled in; what happened in no known month is left out."""
        seen = [m for m in self.members["month"] if m != "unknown"]
        return between(seen[0], seen[-1]) if seen else []

    def sums(self, where: dict[str, str] | None = None) -> Sums:
        """Every measure, summed over the rows that `where` (dimension -> member) keeps."""
        chosen = pl.all_horizontal(pl.lit(True), *(pl.col(dim) == member for dim, member in (where or {}).items()))
        kept = self.frame.with_columns(chosen=chosen)["chosen"]
        if not kept.any():
            return dict.fromkeys(self.measures, 0.0)
        return self._added(kept.cast(pl.Int64).replace(0, None) - 1, 1)[0]

    def sums_of(self, months: list[str]) -> Sums:
        """Every measure, summed over the rows of these periods."""
        kept = self.frame["month"].is_in(months)
        return self._added(kept.cast(pl.Int64).replace(0, None) - 1, 1)[0] if kept.any() else {}

    def by(self, dim: str) -> dict[str, Sums]:
        """`sums` for every member of one dimension, in the order of `members`."""
        at = self.frame[dim].replace_strict(
            self.members[dim], list(range(len(self.members[dim]))), return_dtype=pl.Int64
        )
        return dict(zip(self.members[dim], self._added(at, len(self.members[dim])), strict=True))

    def _added(self, group: pl.Series, n: int) -> list[Sums]:
        """Every measure summed over the rows of each of n groups (null: in none), with the ends of what landed or missed."""
        rows = np.flatnonzero(group.is_not_null().to_numpy())
        matrix = sp.csr_matrix((np.ones(len(rows)), (group[rows].to_numpy(), rows)), shape=(n, self.frame.height))
        found = {m: matrix @ self.frame[m].to_numpy() for m in self.measures}
        if self.widths is not None:
            solids = self.frame.select(pl.sum_horizontal(f"{part}.solids" for part in LANDED)).to_series().to_numpy()
            for see in SEES:
                amount = self.frame.select(pl.sum_horizontal(f"{part}.{see}" for part in LANDED)).to_series().to_numpy()
                k = np.divide(amount, solids, out=np.zeros(len(solids)), where=solids > 0)
                ends = self.widths.ends(matrix, k, {part: found[f"{part}.{see}"] for part in LANDING})
                for part, (low, high) in ends.items():
                    found[f"{part}.{see}.low"], found[f"{part}.{see}.high"] = low, high
                poured = found[f"poured.{see}"]
                found[f"lost.{see}.low"] = np.maximum(poured - found[f"useful.{see}.high"], 0.0)
                found[f"lost.{see}.high"] = np.maximum(poured - found[f"useful.{see}.low"], 0.0)
        for see in SEES if "useful.solids" in found else ():  # what did not become useful film
            found[f"lost.{see}"] = found[f"poured.{see}"] - found[f"useful.{see}"]
        return [{m: float(values[i]) for m, values in found.items()} for i in range(n)]

    def as_json(self) -> dict[str, Any]:
        """Members once, rows as positions in them, measures as columns."""
        at = {
            d: self.frame[d].replace_strict(self.members[d], list(range(len(self.members[d]))), return_dtype=pl.Int64)
            for d in self.dims
        }
        return {
            "members": self.members,
            "periods": self.periods,
            "at": {d: s.to_list() for d, s in at.items()},
            "m": {m: [_short(v) for v in self.frame[m].to_list()] for m in self.measures},
            **({"widths": self.widths.as_json()} if self.widths is not None else {}),
        }


def _short(value: float) -> float | int:
    return int(value) if float(value).is_integer() else value


def between(first: str, last: str) -> list[str]:
    """Every period from one to another: "2024-11" to "2025-01", "2024-Q4" to "2025-Q1", "2024" to "2026"."""
    if len(first) == 4:
        return [str(y) for y in range(int(first), int(last) + 1)]
    quarters = "Q" in first
    size, mark = (4, "Q") if quarters else (12, "")
    digits = 1 if quarters else 2

    def place(text: str) -> int:
        return int(text[:4]) * size + int(text[-digits:]) - 1

    return [f"{n // size}-{mark}{n % size + 1:0{digits}d}" for n in range(place(first), place(last) + 1)]


def _period(grain: str) -> pl.Expr:
    month = pl.col("month")
    year = month.str.slice(0, 4)
    quarter = pl.format("{}-Q{}", year, (month.str.slice(5, 2).cast(pl.Int64, strict=False) + 2) // 3)
    coarse = {"month": month, "quarter": quarter, "year": year}[grain]
    return pl.when(month != "unknown").then(coarse).otherwise(month).alias("month")


def ledger_sums(
    parts: Iterable[pl.DataFrame],
    dim: str = "product_id",
    most: int | None = None,
    loadings: pl.DataFrame | None = None,
) -> PageSums:
    """material_ledger summed to shop x month x `dim`; to quarters, or years, where that would be more than `most` rows.

    parts     the table, some shops after the other: no shop in two of them
    loadings  table total_loadings, of the same grain; None: no intervals
    Measures, for each way of counting s in solids, voc (kg) and cost (money): `poured.s` and one per part of the
    ledger; `cups`; `sprayed` and its part resting on grades `a`, `b`, `c` (kg solids); `known.s`: solids
    (kg) of rows whose amount is known, to say how much of the whole a sum stands for.
    """
    dims = ["shop_id", "month", dim]
    monthly = pl.concat([_monthly(part, dims) for part in parts])
    for grain in ("month", "quarter", "year"):
        frame = monthly.with_columns(_period(grain))
        if most is None or grain == "year" or frame.select(dims).n_unique() <= most:
            break
    summed = (
        frame.sort(dims)
        .group_by(dims, maintain_order=True)
        .agg(pl.col(name).sum().round(_decimals(name)) for name in monthly.columns if name not in dims)
    )
    return PageSums("ledger", ("shop_id", "month", dim), summed, loadings)


def _decimals(measure: str) -> int:
    what, *see = measure.split(".")
    return SEES[see[0]][2] if see and what != "known" else 4


def _monthly(ledger: pl.DataFrame, dims: list[str]) -> pl.DataFrame:
    """The measures of `ledger_sums` for each month, not rounded."""
    landed = [pl.col(f"{p}_solids_g").fill_null(0) for p in LANDING]
    frame = ledger.with_columns(
        pl.col("month").fill_null("unknown"), pl.col(dims[-1]).fill_null("unknown"), _landing=pl.sum_horizontal(landed)
    )
    cups = (
        frame.unique(["shop_id", "mix_id"], keep="first", maintain_order=True)
        .group_by(dims, maintain_order=True)
        .agg(cups=pl.len().cast(pl.Float64))
    )
    measures: list[pl.Expr] = []
    for see, (suffix, scale, _) in SEES.items():
        for part in ("poured", *(p.key for p in PARTS)):
            amount = pl.col(f"{part}_{suffix}").fill_null(0.0)
            measures.append((amount.sum() * scale).alias(f"{part}.{see}"))
        known = pl.when(pl.col(f"poured_{suffix}").is_not_null()).then(pl.col("poured_solids_g")).otherwise(0.0)
        measures.append((known.fill_null(0.0).sum() * 1e-3).alias(f"known.{see}"))
    measures.append((pl.col("_landing").sum() * 1e-3).alias("sprayed"))
    for letter in "ABC":
        of = pl.when(pl.col("grade") == letter).then(pl.col("_landing")).otherwise(0.0)
        measures.append((of.sum() * 1e-3).alias(letter.lower()))
    summed = frame.group_by(dims, maintain_order=True).agg(measures)
    return summed.join(cups, on=dims, how="left").with_columns(pl.col("cups").fill_null(0.0))


MOST_EMISSIONS = 40_000


def _by_source(emissions: pl.DataFrame) -> pl.DataFrame:
    """emissions_monthly with the categories of coatings summed to one."""
    apart = [key for key, *_ in SOURCES if key != "coating"]
    kg = pl.col("rts_kg").fill_null(0.0)
    return (
        emissions.with_columns(
            (pl.col(f"share_{g}").fill_null(0.0) * kg for g in "abc"),
            category=pl.when(pl.col("category").is_in(apart)).then(pl.col("category")).otherwise(pl.lit("coating")),
        )
        .group_by("shop_id", "month", "category", maintain_order=True)
        .agg(
            pl.col("rts_l", "rts_kg", "voc_kg", "exempt_kg", "pm_kg", "pm_kg_low", "pm_kg_high", "share_a", "share_b",
                   "share_c").sum(),
            pl.col("complete").all(),
        )
        .with_columns(
            pl.when(pl.col("rts_kg") > 0).then(pl.col(f"share_{g}") / pl.col("rts_kg")).otherwise(0.0).alias(f"share_{g}")
            for g in "abc"
        )
    )  # fmt: skip


def emission_sums(emissions: pl.DataFrame, content: pl.DataFrame | None = None) -> PageSums:
    """emissions_monthly as it stands (already shop x month x category): rts_l, rts_kg, voc, exempt, pm with its
    interval (kg), `incomplete`, the number of rows whose month lacks something, and the kg poured resting on grades
    `a`, `b`, `c`. From MOST_EMISSIONS rows on, the categories of coatings are summed to one.

    content  cups against a limit on content by shop, month and category: `judged`, of them `above`, and `open`, not judged
    """
    names = {
        "rts_l": "rts_l", "rts_kg": "rts_kg", "voc_kg": "voc", "exempt_kg": "exempt",
        "pm_kg": "pm", "pm_kg_low": "pm.low", "pm_kg_high": "pm.high",
    }  # fmt: skip
    decimals = 4
    if emissions.height > MOST_EMISSIONS:
        # so many rows travel at gram grain, the categories of coatings together
        emissions, decimals = _by_source(emissions), 3
    measures = [pl.col(old).fill_null(0.0).round(decimals).alias(new) for old, new in names.items()]
    frame = emissions.select(
        "shop_id",
        "month",
        "category",
        *measures,
        *(
            (pl.col(f"share_{g}").fill_null(0.0) * pl.col("rts_kg").fill_null(0.0)).round(decimals).alias(g)
            for g in "abc"
        ),
        incomplete=(~pl.col("complete").fill_null(False)).cast(pl.Float64),
    )
    if content is not None and content.height:
        key = ["shop_id", "month", "category"]
        frame = frame.join(content.select(*key, "judged", "above", "open"), on=key, how="left").with_columns(
            pl.col("judged", "above", "open").cast(pl.Float64).fill_null(0.0)
        )
    return PageSums("emissions", ("shop_id", "month", "category"), frame)


TRANSFER = {
    "technician": "transfer_by_technician",
    "gun": "transfer_by_gun",
    "pair": "transfer_by_pair",
    "role": "transfer_by_role",
}


def transfer_rows(by: str, frame: pl.DataFrame) -> list[dict[str, Any]]:
    """Rows of a transfer table for figures and filters: shop, role, who (the technician, "" for none), name (id or
    "technician with gun"), estimate, low, high, n, grade, joined (the name it cannot be told apart from, or null)."""
    names = {"technician": ["technician_id"], "gun": ["gun_id"], "pair": ["technician_id", "gun_id"], "role": []}[by]
    rows = []
    for row in frame.sort(["role", "shop_id", *names]).iter_rows(named=True):
        own_name = row[names[0]] if len(names) == 1 else ""
        joined = joined_words(row["with_whom"], own_name) if row["separable"] is False else None
        # What cannot be told apart has a figure only together.
        own = "combined" if joined and row["combined"] is not None else "estimate"
        ends = ("combined_low", "combined_high") if own == "combined" else ("low", "high")
        rows.append(
            {
                "shop": row["shop_id"],
                "role": row["role"],
                "who": own_name if by == "technician" else row["technician_id"] if by == "pair" else "",
                "name": " with ".join(row[n] for n in names) if names else f"typical of {row['shop_id']}",
                "v": _round(row[own]),
                "lo": _round(row[ends[0]]),
                # more cannot land than was sprayed, whatever the readings leave open
                "hi": _round(None if row[ends[1]] is None else min(row[ends[1]], 1.0)),
                "n": row["n"] or 0,
                "grade": row["grade"],
                "joined": joined,
            }
        )
    return rows


def joined_words(names: str | None, own: str = "") -> str:
    """What something cannot be told apart from, roles worded and `own` id left out.

    "epoxy by T1; wash_primer by T1" of T1 -> "epoxy, wash primer"; "gun G2" stays.
    """
    if not names:
        return "what it always occurs with"
    parts = []
    for name in names.split("; "):
        first, _, rest = name.partition(" ")
        if first not in ROLES:
            parts.append(name)
        elif not rest or rest.split(" ", 1)[-1] == own:
            parts.append(first.replace("_", " "))
        else:
            parts.append(f"{first.replace('_', ' ')} {rest}")
    return ", ".join(parts)


def _round(value: float | None) -> float | None:
    return None if value is None else round(value, 5)
