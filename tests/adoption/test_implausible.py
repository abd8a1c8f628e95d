"""What whole files say that cannot well be raises a doubt, with a number and what to change; the same business as it is raises none."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache

import polars as pl
import pytest

from pipelines.intake.bringing_together import doubts
from tests.adoption.drawer import Folder, business
from tests.adoption.truthful import taken_in

Tables = dict[str, pl.DataFrame]


def told(change: Callable[[Tables, Tables], None] | None = None) -> list[str]:
    """The doubts about the business, changed."""
    tables, registers = (dict(t) for t in business(11))
    if change is not None:
        change(tables, registers)
    files = {f"inbox/{n}.csv": f.write_csv().encode() for n, f in tables.items()}
    one = Folder("changed", files, {}, {}, {f"registers/{n}.csv": f.write_csv() for n, f in registers.items()}, [])
    return [remark for _, remark in doubts.told(taken_in(one, {}).intake_files)]


@cache
def density() -> dict[str, float]:
    return dict(
        business(11)[1]["components"]
        .select("component_id", "density_g_per_ml")
        .unique("component_id", keep="last")
        .iter_rows()
    )


def rho() -> pl.Expr:
    return pl.col("component_id").replace_strict(density(), return_dtype=pl.Float64)


def sheets(tables: Tables, registers: Tables) -> None:
    """Sheets with the density of their cups, mixed right."""
    cups = (
        tables["pours"]
        .group_by("mix_id")
        .agg(
            pl.col("product_id").first(), (pl.col("weighed_g").sum() / (pl.col("weighed_g") / rho()).sum()).alias("rts")
        )
    )
    mixed = dict(cups.group_by("product_id").agg(pl.col("rts").median()).iter_rows())
    found = pl.col("product_id").replace_strict(mixed, default=None, return_dtype=pl.Float64)
    registers["products"] = registers["products"].with_columns(rts_density_g_per_ml=found)


def empty_cups(tables: Tables, _: Tables) -> None:
    first = pl.col("pour_no") == pl.col("pour_no").min().over("mix_id")
    tables["pours"] = tables["pours"].with_columns(
        weighed_g=pl.col("weighed_g") + pl.when(first).then(31.5).otherwise(0)
    )


def millilitres(tables: Tables, registers: Tables) -> None:
    sheets(tables, registers)
    tables["pours"] = tables["pours"].with_columns(weighed_g=pl.col("weighed_g") / rho())


def another_ratio(tables: Tables, registers: Tables) -> None:
    sheets(tables, registers)
    heavy = registers["components"].with_columns(
        density_g_per_ml=pl.when(pl.col("kind") == "binder")
        .then(1.4 * pl.col("density_g_per_ml"))
        .otherwise("density_g_per_ml")
    )
    registers["components"] = heavy.with_columns(solids_volume_fraction=pl.lit(None, pl.Float64))


def twice_the_target(tables: Tables, _: Tables) -> None:
    tables["pours"] = tables["pours"].with_columns(target_g=pl.col("weighed_g") / 2)


def cups_for_leftovers(tables: Tables, _: Tables) -> None:
    odd = pl.int_range(pl.len()) % 3 == 0
    tables["leftovers"] = tables["leftovers"].with_columns(leftover_g=pl.when(odd).then(31.5).otherwise(44.25))


def thick(tables: Tables, _: Tables) -> None:
    tables["readings"] = tables["readings"].with_columns(reading_um=(pl.col("reading_um") * 12).clip(upper_bound=2900))


def square_feet(tables: Tables, registers: Tables) -> None:
    areas = (
        registers["panel_areas"]
        .filter(vehicle_class="small_car")
        .select("panel_id", "face", (pl.col("area_m2") * 10.76).alias("@ft2"))
    )
    panels = tables["operation_panels"].join(areas, on=["panel_id", "face"], how="left", maintain_order="left")
    tables["operation_panels"] = panels.with_columns(area_m2=pl.col("@ft2")).drop("@ft2")


def crowded(tables: Tables, _: Tables) -> None:
    days = pl.DataFrame({"day": range(1, 10)}).join(pl.DataFrame({"no": range(70)}), how="cross")
    more = days.select(
        shop_id=pl.lit("tarnwick"),
        job_id=pl.format("X{}-{}", "day", "no"),
        opened_on=pl.date(2025, 4, pl.col("day")),
        vehicle_class=pl.lit("small_car"),
    )
    tables["jobs"] = pl.concat([tables["jobs"].head(0), more], how="diagonal_relaxed")
    for name in ("operations", "operation_panels", "draws", "readings"):
        tables[name] = tables[name].head(0)


def solids_by_mass_for_volume(_: Tables, registers: Tables) -> None:
    odd = pl.when(pl.col("kind") == "binder").then(0.05).otherwise("solids_volume_fraction")
    registers["components"] = registers["components"].with_columns(solids_volume_fraction=odd)


CASES: list[tuple[Callable[[Tables, Tables], None], str]] = [
    (empty_cups, "the first component weighs some 34 g more"), (millilitres, "if they are millilitres"), (another_ratio, "Look at the mixing ratio"),
    (twice_the_target, "2 times what was asked for"),
    (cups_for_leftovers, "2 different weights"), (thick, "um for each coat"), (square_feet, "times that of registers/panel_areas.csv"),
    (crowded, "days opens 70 jobs"), (solids_by_mass_for_volume, "do not go together"),
]  # fmt: skip


def test_a_business_as_it_is_raises_no_doubt() -> None:
    assert told() == [] and told(sheets) == []


@pytest.mark.parametrize(("change", "said"), CASES, ids=lambda x: getattr(x, "__name__", ""))
def test_what_cannot_well_be_is_doubted(change: Callable[[Tables, Tables], None], said: str) -> None:
    found = told(change)
    assert any(part in remark for remark in found for part in said.split("|")), found


def test_what_figures_hang_on_is_told_first() -> None:
    """The closing lines of a run show the first of these."""

    def both(tables: Tables, registers: Tables) -> None:
        empty_cups(tables, registers)
        late = (
            pl.when(pl.col("mix_id") == pl.col("mix_id").first()).then(pl.datetime(2025, 1, 1)).otherwise("weighed_at")
        )
        tables["leftovers"] = tables["leftovers"].with_columns(weighed_at=late)

    found = told(both)
    assert "figures hang on it" in found[0] and not any("figures hang on it" in f for f in found[-1:])
