"""Nothing gets smaller by being unreadable: what could not be read leaves its month there, incomplete, and never 0."""

from __future__ import annotations

from datetime import date, datetime
from functools import cache
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from test_emissions_oracle import frames, ran

from pipelines import commands, workspace
from pipelines.settings import template

Row = dict[str, Any]

COMPONENT: Row = dict(
    component_id="clear", density_g_per_ml=1.0, solids_mass_fraction=0.5, solids_volume_fraction=0.4, voc_mass_fraction=0.5,
    water_mass_fraction=0.0, exempt_mass_fraction=0.0,
)  # fmt: skip


def pour(shop: str, mix: str, day: date, component: str = "clear", grams: float = 200.0) -> Row:
    return dict(
        shop_id=shop, mix_id=mix, pour_no=1, poured_at=datetime(day.year, day.month, day.day, 9), product_id="top",
        component_id=component, weighed_g=grams,
    )  # fmt: skip


def unread(shop: str, month: str, line: int) -> Row:
    return dict(what="month", shop_id=shop, month=month, reason="not a number", file="inbox/a.csv", line=line)


@cache
def found() -> dict[str, pl.DataFrame]:
    """gap: two refused rows in February, a cup in March and one a year later; bare: a component without figures; torn: a
    refused row of a cup that is there."""
    rows = {
        "shops": [dict(shop_id=name, jurisdiction="us") for name in ("gap", "bare", "torn")],
        "products": [dict(product_id="top", role="clear")],
        "components": [COMPONENT, dict(component_id="no_figures")],
        "component_species": [dict(component_id="clear", cas="108-88-3", substance="toluene", mass_fraction=0.1)],
        "product_categories": [dict(product_id="top", jurisdiction="us", category="topcoat_two_stage")],
        "pours": [
            pour("gap", "m1", date(2025, 3, 3)),
            pour("gap", "m2", date(2026, 3, 3)),
            pour("bare", "m1", date(2025, 3, 3), "no_figures"),
            pour("bare", "m2", date(2025, 4, 3)),
            pour("torn", "m1", date(2025, 3, 3)),
            pour("torn", "m2", date(2025, 4, 3)),
        ],
        "incomplete": [
            unread("gap", "2025-02", 2),
            unread("gap", "2025-02", 3),
            dict(what="cup", shop_id="torn", mix_id="m1", reason="x", file="inbox/a.csv", line=9),
        ],
    }
    return ran(frames(rows))


def monthly(shop: str) -> dict[str, Row]:
    frame = found()["emissions_monthly"].filter(pl.col("shop_id") == shop)
    return {row["month"]: row for row in frame.iter_rows(named=True)}


def sums(shop: str, measure: str) -> dict[str, Row]:
    frame = found()["rolling_12_months"].filter(pl.col("shop_id") == shop, pl.col("measure") == measure)
    return {row["month"]: row for row in frame.iter_rows(named=True)}


def test_a_month_of_which_nothing_could_be_read_is_there_and_without_figures() -> None:
    february, march = monthly("gap")["2025-02"], monthly("gap")["2025-03"]
    told = [february[name] for name in ("category", "complete", "n_refused", "n_lines")]
    assert told == ["unmapped", False, 2, 0]
    assert [february[name] for name in ("rts_l", "rts_kg", "voc_kg", "exempt_kg", "pm_kg")] == [None] * 5
    assert (march["complete"], march["n_refused"], march["voc_kg"]) == (True, 0, pytest.approx(0.1))


MEASURES = ["voc_kg", "rts_l", "rts_l:topcoat_two_stage", "exempt_kg", "hap_kg", "hap_kg:108-88-3"]


@pytest.mark.parametrize("measure", MEASURES)
def test_twelve_month_sums_say_that_something_is_not_known(measure: str) -> None:
    first, second = sums("gap", measure)["2025-02"], sums("gap", measure)["2025-03"]
    assert min(sums("gap", measure)) == "2025-02"
    assert [first[name] for name in ("total", "month_total", "year_to_date", "complete")] == [None, None, None, False]
    assert (first["months_present"], second["months_present"]) == (1, 2)
    assert second["total"] is not None and second["complete"] is False


def test_a_sum_is_whole_again_a_year_after_what_could_not_be_read() -> None:
    rows = sums("gap", "voc_kg")
    assert (rows["2026-01"]["complete"], rows["2026-02"]["complete"]) == (False, True)
    assert rows["2026-02"]["total"] == pytest.approx(0.1)
    assert rows["2025-09"]["month_total"] == 0.0  # nothing happened, and nothing was refused


def test_pours_without_a_figure_make_their_sums_unknown_and_never_nothing() -> None:
    assert (monthly("bare")["2025-03"]["voc_kg"], monthly("bare")["2025-03"]["complete"]) == (None, False)
    march, april = sums("bare", "voc_kg")["2025-03"], sums("bare", "voc_kg")["2025-04"]
    assert (march["total"], march["complete"]) == (None, False)
    assert (april["total"], april["complete"]) == (pytest.approx(0.1), False)
    assert sums("bare", "hap_kg")["2025-03"]["complete"] is False  # what else is in it is not known either


def test_refused_rows_of_a_cup_that_is_there_are_counted_in_its_month() -> None:
    rows = {month: (row["n_refused"], row["complete"]) for month, row in monthly("torn").items()}
    assert rows == {"2025-03": (1, False), "2025-04": (0, True)}


@pytest.fixture(scope="module")
def space(tmp_path_factory: pytest.TempPathFactory) -> workspace.Workspace:
    """A workspace in which every pour of May was refused."""
    root: Path = tmp_path_factory.mktemp("unreadable")
    space, _ = workspace.init(root / "shop", template())
    files = {
        "registers/shops.csv": "shop_id,label,jurisdiction\nnorth,North,us\n",
        "registers/products.csv": "product_id,role\ntop,clear\n",
        "registers/components.csv": "component_id,density_g_per_ml,solids_mass_fraction,solids_volume_fraction,"
        "voc_mass_fraction,water_mass_fraction,exempt_mass_fraction\nclear,1.0,0.5,0.4,0.5,0,0\n",
        "inbox/pours.csv": "shop_id,mix_id,pour_no,poured_at,product_id,component_id,weighed_g\n"
        "north,m1,1,2026-04-03 09:00,top,clear,200\n"
        "north,m2,1,2026-05-03 09:00,top,clear,lots\n"
        "north,m2,2,2026-05-03 09:01,top,clear,-\n",
    }
    for name, text in files.items():
        workspace.fill(space, name, text.encode())
    return space


def test_the_headline_and_the_page_say_which_month_lacks_what(space: workspace.Workspace) -> None:
    outcome = commands.run(space)
    assert outcome.headline["incomplete_months"] == 1
    monthly = pl.read_parquet(space.out / "tables" / "emissions_monthly.parquet").filter(pl.col("month") == "2026-05")
    assert monthly.select("complete", "n_refused", "n_lines").rows() == [(False, 2, 0)]
    page = (space.out / "site" / "environment.html").read_text(encoding="utf-8")
    assert "May 2026 (2 rows refused)" in page
