"""A cup of which a component lacks a property takes the product's sheet figure of it, whole: from CSV to table, by hand.

The sheet: 1.25 g/mL, solids .6 by mass and .4 by volume, VOC 450 g/L, no water, no exempt compounds. Its own recipe is 300 g of
filler, 50 g of hardener and 50 g of thinner; of the hardener nothing but the density and VOC is known, of the pigment nothing.
"""

from __future__ import annotations

import polars as pl
import pytest

from pipelines import workspace
from pipelines.settings import Settings
from reports import handouts
from tests.workspaces import filled, ran

FILES = {
    "registers/shops.csv": "shop_id,jurisdiction\ns,us\n",
    "registers/products.csv": "product_id,role,rts_density_g_per_ml,rts_solids_mass_fraction,rts_solids_volume_fraction,"
    "rts_voc_g_per_l,rts_water_mass_fraction,rts_exempt_mass_fraction\nfill,surfacer,1.25,0.6,0.4,450,0,0\nbare,clear,,,,,,\n",
    "registers/product_categories.csv": "product_id,jurisdiction,category\nfill,us,primer_surfacer\nbare,us,primer_surfacer\n",
    "registers/components.csv": "component_id,density_g_per_ml,solids_mass_fraction,solids_volume_fraction,voc_mass_fraction,"
    "water_mass_fraction,exempt_mass_fraction,price_per_kg\nfiller,1.5,0.7,0.5,0.3,0,0,10\nhardener,1.0,,,0.5,,,20\n"
    "thinner,0.8,0,0,1,0,0,5\npigment,,,,,,,30\nvarnish,1.0,0.5,0.4,0.5,0,0,\nsolvent,0.8,0,0,1,0,0,\n",
    "inbox/pours.csv": "shop_id,mix_id,pour_no,poured_at,product_id,component_id,weighed_g,from_mix_id\n"
    "s,sheet,1,2026-03-02 08:00,fill,filler,300,\ns,sheet,2,2026-03-02 08:01,fill,hardener,50,\n"
    "s,sheet,3,2026-03-02 08:02,fill,thinner,50,\n"
    # 1000 g of thinner and 100 g of pigment: known VOC alone is above the sheet's
    "s,thin,1,2026-03-02 09:00,fill,thinner,1000,\ns,thin,2,2026-03-02 09:01,fill,pigment,100,\n"
    # a leftover of `thin` in 300 g of filler: the pigment in it lacks everything
    "s,top,1,2026-03-03 09:00,fill,filler,300,\ns,top,2,2026-03-03 09:01,fill,,100,thin\n"
    "s,whole,1,2026-03-03 10:00,fill,filler,300,\n"
    # a product without a sheet
    "s,none,1,2026-03-03 11:00,bare,varnish,100,\ns,none,2,2026-03-03 11:01,bare,pigment,10,\n",
}


@pytest.fixture(scope="module")
def space(tmp_path_factory: pytest.TempPathFactory) -> workspace.Workspace:
    return ran(filled(tmp_path_factory.mktemp("sheets") / "shop", FILES))


@pytest.fixture(scope="module")
def cups(space: workspace.Workspace) -> dict[str, dict]:
    rows = pl.read_parquet(space.out / "tables" / "mixes.parquet").iter_rows(named=True)
    return {row["mix_id"]: row for row in rows}


def test_the_sheets_own_recipe_gives_the_sheets_own_figures(cups: dict[str, dict]) -> None:
    cup = cups["sheet"]
    # solids, water and exempt compounds of the hardener are lacking: the sheet's for all of the cup; its volume and VOC are known
    ml = 300 / 1.5 + 50 / 1.0 + 50 / 0.8
    assert cup["solids_mass_fraction"] == pytest.approx(0.6) and cup["solids_volume_fraction"] == pytest.approx(0.4)
    assert cup["density_g_per_ml"] == pytest.approx(400 / ml)
    assert cup["voc_g_per_l_actual"] == pytest.approx(1000 * (300 * 0.3 + 50 * 0.5 + 50) / ml)
    assert cup["dry_density_g_per_ml"] == pytest.approx(400 * 0.6 / (ml * 0.4))
    assert cup["grade"] == "B" and cup["complete"] and cup["cost"] == pytest.approx(3 + 1 + 0.25)


def test_voc_is_never_below_what_the_known_components_bring(cups: dict[str, dict]) -> None:
    cup = cups["thin"]
    assert cup["density_g_per_ml"] == pytest.approx(1.25) and cup["rts_l"] == pytest.approx(0.88)  # 1100 g / 1.25 g/mL
    assert cup["voc_g_per_l_actual"] == pytest.approx(1000 * 1000 / 880)  # the sheet would say 450
    assert cup["voc_g_per_l_regulatory"] == pytest.approx(1000 * 1000 / 880)


def test_a_component_that_came_with_a_leftover_lacks_it_too(cups: dict[str, dict]) -> None:
    cup = cups["top"]
    assert [cup[f"solids_{of}_fraction"] for of in ("mass", "volume")] == pytest.approx([0.6, 0.4])
    # 300 g x .3 + 100 g x 1000/1100 of thinner are 180.9 g in 400/1.25 = 320 mL: more than 450 g/L x .32 L
    assert cup["voc_g_per_l_actual"] == pytest.approx(1000 * (90 + 1000 / 11) / 320)
    assert cups["whole"]["grade"] == "A" and cups["whole"]["solids_mass_fraction"] == 0.7


def test_without_a_sheet_the_number_is_missing_and_the_lines_keep_what_is_known(
    space: workspace.Workspace, cups: dict[str, dict]
) -> None:
    names = (
        "density_g_per_ml solids_mass_fraction voc_g_per_l_actual voc_g_per_l_regulatory voc_g_per_l_eu rts_l"
    ).split()
    assert [cups["none"][name] for name in names] == [None] * 6 and cups["none"]["grade"] == "B"
    lines = pl.read_parquet(space.out / "tables" / "voc_content_lines.parquet").filter(pl.col("mix_id") == "none")
    assert lines.select("component_id", "voc_g").rows() == [("varnish", 50.0), ("pigment", None)]


def test_what_only_some_cups_lack_is_told_once_with_what_it_takes(space: workspace.Workspace) -> None:
    told = pl.read_parquet(space.out / "tables" / "lacking_figures.parquet")
    volume = told.row(
        by_predicate=(pl.col("product_id") == "fill") & (pl.col("property") == "solids by volume"), named=True
    )
    wanted = [4, 3, "hardener, pigment", True]
    assert [volume[name] for name in ("n_cups", "n_lacking", "components", "from_sheet")] == wanted
    voc = told.row(by_predicate=(pl.col("product_id") == "bare") & (pl.col("property") == "VOC"), named=True)
    assert not voc["from_sheet"]
    assert voc["would_take"] == (
        "voc_mass_fraction of pigment in registers/components.csv, or rts_voc_g_per_l of bare in registers/products.csv"
    )
    tables = workspace.read_snapshot(space.snapshot(), handouts.TABLES)
    handout = handouts.build(tables, Settings().flat(), handouts.period("2026-03"))
    said = [str(row) for sheet in handout.sheets if sheet.key == "missing" for row in sheet.rows]
    assert len([one for one in said if "No VOC is known for cups of fill, the first of 2026-03-02" in one]) == 1
