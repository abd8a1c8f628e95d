"""The checks that stand on tables, reported by every run, also when they pass.

A blocking check that fails leaves its table as it stood before and stops the run before anything is published: the tables
contradict themselves then. A warning is shown and the run goes on. What a row of a shop's own data must satisfy is intake's,
and that keys are single and numbers finite is seen by the workbench as soon as a table is made.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import polars as pl

from schemas import events, published, validate

CLOSURE = 1e-9  # relative: rounding of sums of some ten parts in double precision is below 1e-14
PARTS = ("leftover", "flush_loss", "not_split", "overspray", "over_build", "useful")
AMOUNTS = ("solids_g", "voc_g", "cost")
CUP = ["shop_id", "mix_id"]
PANEL = ["shop_id", "job_id", "panel_id"]
STAGE = ["from_operation", "to_operation"]
#: of the quotients of a cup those that stand in mixes, and what they are made of
OF_MIXES = [name for name in published.VOC_QUOTIENTS if name in validate.empty("mixes").columns]
QUOTIENT_AMOUNTS = sorted({name for pair in published.VOC_QUOTIENTS.values() for name in pair})

#: table of sums -> the table of its lines, the key by which they are summed, each sum with its column of the lines
SUMS: dict[str, tuple[str, list[str], dict[str, str]]] = {
    "emissions_monthly": (
        "emission_lines",
        ["shop_id", "month", "category"],
        {name: name for name in ("rts_l", "rts_kg", "voc_kg", "exempt_kg", "pm_kg")},
    ),
    "hap_monthly": (
        "hap_lines",
        ["shop_id", "month", "cas"],
        {name: name for name in ("kg", "kg_low", "kg_high", "kg_63_3941")},
    ),
    "hap_63_3941": ("hap_material_lines", ["shop_id", "month"], {"kg": "kg"}),
    "stock_reconciliation": ("stock_lines", ["shop_id", "component_id", "from_on"], {"unexplained_g": "signed_g"}),
}

Outcome = tuple[bool, dict[str, Any]]
Tables = Mapping[str, pl.DataFrame]


@dataclass(frozen=True, slots=True)
class Check:
    """One promise of a table. `test` takes table, settings and all tables of `reads`, and returns whether it holds and what was
    found; None: the workbench saw to it. reads: the columns that it looks at (None: all), of the table itself and of others."""

    name: str
    description: str
    test: Callable[[pl.DataFrame, Mapping[str, Any], Tables], Outcome] | None
    blocking: bool = True
    reads: Mapping[str, Sequence[str] | None] = field(default_factory=dict)


def of(table: str) -> list[Check]:
    """The checks of a table, in the order they are shown."""
    found: list[Check] = []
    if table in published.PUBLISHED or table in events.EVENTS:
        keys = validate.keys(table)
        if keys:
            found.append(Check("unique_keys", f"No two rows share {', '.join(keys)}.", None))
        found.append(Check("finite_numbers", "No number is infinite or undefined; not known is empty.", None))
    if table in SUMS:
        lines, key, figures = SUMS[table]
        found.append(
            Check(
                "sum_of_its_lines",
                f"Each figure is the sum of its rows of {lines}, to {CLOSURE:g}; no row of them is left over.",
                lambda frame, _, tables: sum_of_lines(frame, tables[lines], key, figures),
                reads={table: [*key, *figures], lines: [*key, *figures.values()]},
            )
        )
    if table == "film_pieces":
        found.append(
            Check(
                "strips_take_what_they_leave",
                f"What a panel's own readings show in mL is the sum of its pieces beside witness strips, to {CLOSURE:g}.",
                lambda frame, _, tables: sum_of_pieces(tables["film_increments"], frame),
                reads={
                    table: [*PANEL, "piece", "operation_no", "mean_um", "area_m2"],
                    "film_increments": [*PANEL, *STAGE, "usable", "witness_of", "mean_um", "area_m2"],
                },
            )
        )
    if table == "voc_content":
        found.append(
            Check(
                "quotient_of_its_lines",
                f"Each cup's content is the VOC of its rows of voc_content_lines over their volume, to {CLOSURE:g}, here and in"
                " mixes; no row of them is left over.",
                lambda frame, _, tables: quotient_of_lines(frame, tables["mixes"], tables["voc_content_lines"]),
                reads={
                    table: [*CUP, "rules", "kind", "g_per_l"],
                    "mixes": [*CUP, *OF_MIXES],
                    "voc_content_lines": [*CUP, *QUOTIENT_AMOUNTS],
                },
            )
        )
    if table == "material_ledger":
        amounts = [f"{part}_{amount}" for amount in AMOUNTS for part in ("poured", *PARTS)]
        found.append(
            Check(
                "closure",
                f"Poured equals the sum of its parts to {CLOSURE:g}, each row and in all.",
                closure,
                reads={table: [*CUP, "job_id", "operation_no", *amounts]},
            )
        )
    if table == "intake_files":
        whole = {table: None}
        said = "Read = accepted + refused + duplicate + superseded, each file."
        found.append(Check("rows_add_up", said, add_up, reads=whole))
        found.append(Check("share_refused", "Few of the rows read were refused.", share_refused, False, whole))
    return found


def together(outcomes: Sequence[Outcome]) -> Outcome:
    """One outcome of those of a table's parts: it holds where each holds; counts are added, of gaps the largest counts,
    lists and counts by name are put together."""
    told: dict[str, Any] = {}
    for _, found in outcomes:
        for name, value in found.items():
            before = told.get(name)
            if isinstance(before, float) or isinstance(value, float):
                told[name] = max(before or 0.0, value)
            elif isinstance(before, dict):
                told[name] = {one: before.get(one, 0) + value.get(one, 0) for one in before | value}
            else:
                told[name] = value if before is None else before + value
    return all(passed for passed, _ in outcomes), told


def sum_of_lines(frame: pl.DataFrame, lines: pl.DataFrame, key: list[str], figures: Mapping[str, str]) -> Outcome:
    """What is not known counts as 0 on both sides, but for an end that a sum does not tell because one line does not; a row
    without lines must have no figure."""
    summed = lines.group_by(key).agg(
        *(pl.col(of).sum().alias(f"@{name}") for name, of in figures.items()),
        *(pl.col(of).abs().sum().alias(f"@size_{name}") for name, of in figures.items()),
        pl.len().alias("@n"),
    )
    both = frame.join(summed, on=key, how="full", coalesce=True, nulls_equal=True)
    bare = pl.col("@n").is_null() & pl.any_horizontal(pl.col(name).is_not_null() for name in figures)
    without = both.filter(bare).height
    left_over = summed.join(frame, on=key, how="anti", nulls_equal=True).height
    worst = 0.0
    for name in figures:
        gap = (pl.col(name).fill_null(0) - pl.col(f"@{name}").fill_null(0)).abs()
        size = pl.max_horizontal(pl.col(name).abs(), pl.col(f"@size_{name}"))
        untold = pl.col(name).is_null() & pl.lit(name.endswith(("_low", "_high")))
        worst = max(worst, float(both.select(pl.when((size > 0) & ~untold).then(gap / size).max()).item() or 0.0))
    told = {"largest_relative_gap": worst, "figures_without_lines": without, "lines_left_over": left_over}
    return worst <= CLOSURE and not without and not left_over, told


def sum_of_pieces(increments: pl.DataFrame, pieces: pl.DataFrame) -> Outcome:
    """Film x area (um x m2 = mL) of each increment that was read on the panel itself, against the pieces its layers went to."""
    read = increments.filter(pl.col("usable") & pl.col("witness_of").is_null()).select(
        *PANEL, *STAGE, read_ml=pl.col("mean_um") * pl.col("area_m2")
    )
    read = read.filter(pl.col("read_ml").is_not_null())
    layers = pieces.select(*PANEL, "piece", "operation_no", ml=pl.col("mean_um") * pl.col("area_m2"))
    sums = (
        read.join(layers, on=PANEL)
        .filter(pl.col("operation_no").is_between("from_operation", "to_operation", closed="right"))
        .unique([*PANEL, *STAGE, "piece"])
        .group_by(*PANEL, *STAGE, maintain_order=True)
        .agg(
            pl.col("read_ml").first(),
            pieces=pl.len(),
            ml=pl.when(pl.col("ml").is_not_null().all()).then(pl.col("ml").sum()),
            size=pl.col("ml").abs().sum(),
        )
    )
    gap = pl.when(pl.col("size") > 0).then((pl.col("read_ml") - pl.col("ml")).abs() / pl.col("size"))
    worst = float(sums.select(gap.max()).item() or 0.0)
    bare = read.height - sums["ml"].count()
    told = {
        "largest_relative_gap": worst, "split": sums.filter(pl.col("pieces") > 1).height, "without_pieces": bare,
    }  # fmt: skip
    return worst <= CLOSURE and not bare, told


def quotient_of_lines(content: pl.DataFrame, mixes: pl.DataFrame, lines: pl.DataFrame) -> Outcome:
    """1000 sum of VOC / sum of volume, g/L, each basis (published.VOC_QUOTIENTS); one unknown row makes the quotient unknown.

    40 CFR 59.104(a)(1) divides by the volume less water and exempt compounds, 2004/42/EC Annex II B by that less water. Gaps
    are held against the whole volume: what is left beside much water carries the rounding of all of it.
    """
    summed = lines.group_by(CUP, maintain_order=True).agg(
        *(
            pl.when(pl.col(name).is_not_null().all()).then(pl.col(name).sum()).alias(f"@{name}")
            for name in QUOTIENT_AMOUNTS
        ),
        *(pl.col(name).abs().sum().alias(f"@size_{name}") for name in QUOTIENT_AMOUNTS),
    )
    contents = content.filter("rules", pl.col("kind") == "cup").select(*CUP, figure="g_per_l", of=pl.lit("voc_g_per_l"))
    figures = [mixes.select(*CUP, pl.col(name).alias("figure"), of=pl.lit(name)) for name in OF_MIXES]
    worst, bare, lacking = 0.0, 0, 0
    for name, (mass, volume) in published.VOC_QUOTIENTS.items():
        both = pl.concat([contents, *figures]).filter(pl.col("of") == name).join(summed, on=CUP, how="left")
        known = pl.col(f"@{mass}").is_not_null() & pl.col(f"@{volume}").is_not_null()
        # of a volume that is all water nothing is left, give or take rounding: such a cup has no content
        some = pl.col(f"@{volume}") > CLOSURE * pl.col("@size_volume_ml")
        bare += both.filter(pl.col("figure").is_not_null() & ~known).height
        lacking += both.filter(pl.col("figure").is_null() & known & some).height
        gap = (pl.col("figure") * pl.col(f"@{volume}") - 1000 * pl.col(f"@{mass}")).abs()
        size = pl.max_horizontal(pl.col("figure").abs() * pl.col("@size_volume_ml"), 1000 * pl.col(f"@size_{mass}"))
        worst = max(worst, float(both.select(pl.when(size > 0).then(gap / size).max()).item() or 0.0))
    left_over = summed.join(mixes, on=CUP, how="anti").height
    told = {
        "largest_relative_gap": worst, "figures_without_lines": bare, "lines_without_figure": lacking,
        "lines_left_over": left_over,
    }  # fmt: skip
    return worst <= CLOSURE and not (bare or lacking or left_over), told


def closure(frame: pl.DataFrame, *_: object) -> Outcome:
    """Each amount per row, cup, operation, shop and in all. A row with an unknown part is left out and counted."""
    worst = 0.0
    told: dict[str, Any] = {}
    levels: list[list[str]] = [CUP, ["shop_id", "job_id", "operation_no"], ["shop_id"], []]
    for amount in AMOUNTS:
        poured, parts = f"poured_{amount}", [f"{part}_{amount}" for part in PARTS]
        known = frame.filter(pl.all_horizontal(pl.col(poured, *parts).is_not_null()))
        told[f"rows_without_{amount}"] = frame.height - known.height
        gaps = [_gap(known, poured, parts)]
        for level in levels:
            grouped = known.group_by(level) if level else None
            sums = pl.col(poured, *parts).sum()
            gaps.append(_gap(grouped.agg(sums) if grouped is not None else known.select(sums), poured, parts))
        worst = max(worst, *gaps)
    return worst <= CLOSURE, {**told, "largest_relative_gap": worst}


def _gap(frame: pl.DataFrame, poured: str, parts: list[str]) -> float:
    total = pl.sum_horizontal(parts)
    scale = pl.max_horizontal(pl.col(poured).abs(), pl.sum_horizontal(pl.col(part).abs() for part in parts))
    gap = frame.select((pl.when(scale > 0).then((pl.col(poured) - total).abs() / scale)).max()).item()
    return float(gap or 0.0)


def add_up(frame: pl.DataFrame, *_: object) -> Outcome:
    wrong = frame.filter(
        pl.col("rows_read") != pl.col("accepted") + pl.col("refused") + pl.col("duplicate") + pl.col("superseded")
    )
    return wrong.height == 0, {"files": frame["file"].n_unique(), "files_that_do_not": wrong["file"].to_list()}


def share_refused(frame: pl.DataFrame, settings: Mapping[str, Any], *_: object) -> Outcome:
    read, refused = int(frame["rows_read"].sum()), int(frame["refused"].sum())
    share = refused / read if read else 0.0
    return share <= settings["share_refused_warning"], {"refused": refused, "read": read, "share": share}
