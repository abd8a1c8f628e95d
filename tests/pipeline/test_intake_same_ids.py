"""Ids that look the same are the same, and a cup on a component that was refused is not complete: from CSV to table."""

from __future__ import annotations

import unicodedata

import polars as pl
import pytest
from test_engines import at_a_time

from tests.workspaces import filled, made_tables

COMPOSED, TAKEN_APART = unicodedata.normalize("NFC", "Tür-7"), unicodedata.normalize("NFD", "Tür-7")
FACTS = "density_g_per_ml,solids_mass_fraction,solids_volume_fraction,voc_mass_fraction,water_mass_fraction,exempt_mass_fraction"
FILES = {
    "registers/shops.csv": "shop_id,jurisdiction\na,us\nb,us\n",
    "registers/products.csv": "product_id,role\ntop,clear\n",
    "registers/components.csv": f"component_id,valid_from,{FACTS}\nvarnish,,1.0,0.5,0.4,0.5,0,0\n"
    # fractions that sum to 1.2 are refused: from ever; from May on, until a good row of July
    "torn,,1.0,0.7,0.4,0.5,0,0\nlate,,1.0,0.5,0.4,0.5,0,0\nlate,2026-05-01,1.0,0.7,0.4,0.5,0,0\n"
    "late,2026-07-01,1.0,0.6,0.5,0.4,0,0\nundated,,1.0,0.5,0.4,0.5,0,0\nundated,2026-13-01,1.0,0.5,0.4,0.5,0,0\n",
    "inbox/pours_1.csv": "shop_id,mix_id,pour_no,poured_at,product_id,component_id,weighed_g\n"
    f"a,{COMPOSED},1,2026-03-02 08:00,top,varnish,100\na,torn,1,2026-03-02 08:00,top,torn,100\n"
    "a,april,1,2026-04-02 08:00,top,late,100\na,may,1,2026-05-02 08:00,top,late,100\na,july,1,2026-07-02 08:00,top,late,100\n"
    "b,undated,1,2026-03-02 08:00,top,undated,100\nb,fine,1,2026-03-02 08:00,top,varnish,100\n",
    "inbox/pours_2.csv": "shop_id,mix_id,pour_no,poured_at,product_id,component_id,weighed_g\n"
    f"a,{TAKEN_APART},1,2026-03-02 08:00,top,varnish,100\na,{TAKEN_APART},2,2026-03-02 08:01,top,varnish,50\n",
    "inbox/leftovers.csv": f"shop_id,mix_id,weigh_no,weighed_at,leftover_g,fate\na,{TAKEN_APART},1,2026-03-02 18:00,20,discarded\n",
}


@pytest.fixture(scope="module", params=[400_000, 1], ids=["at_once", "by_shop"])
def tables(request, tmp_path_factory: pytest.TempPathFactory) -> dict[str, pl.DataFrame]:
    space = filled(tmp_path_factory.mktemp("ids") / "shop", FILES)
    with at_a_time(request.param):
        return made_tables(space)


def test_one_id_in_two_spellings_is_one_cup_and_told_once_a_file(tables: dict[str, pl.DataFrame]) -> None:
    assert COMPOSED != TAKEN_APART
    cup = tables["mixes"].filter(pl.col("mix_id").str.starts_with("T")).row(0, named=True)
    assert tables["mixes"].filter(pl.col("mix_id").str.starts_with("T")).height == 1
    # the later export has the whole cup, its weigh-back hangs on it
    assert (cup["mix_id"], cup["poured_g"], cup["leftover_g"]) == (COMPOSED, 150.0, 20.0)
    said = dict(tables["intake_files"].select("file", "message").iter_rows())
    assert "accent written as a sign of its own: 2;" in said["inbox/pours_2.csv"]
    assert "accent written as a sign of its own: 1;" in said["inbox/leftovers.csv"]
    assert "accent" not in (said["inbox/pours_1.csv"] or "")


def test_a_cup_on_a_refused_component_is_incomplete(tables: dict[str, pl.DataFrame]) -> None:
    complete = dict(tables["mixes"].select("mix_id", "complete").iter_rows())
    of = ("torn", "april", "may", "july", "undated", "fine")
    assert {mix: complete[mix] for mix in of} == {
        "torn": False, "april": True, "may": False, "july": True, "undated": False, "fine": True,
    }  # fmt: skip
    why = dict(tables["mixes"].select("mix_id", "why_incomplete").iter_rows())
    assert why["may"].startswith("its component 'late' was refused: ") and "sum to" in why["may"]
