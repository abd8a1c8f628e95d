"""Where a cup cannot be compared with its limit nobody says that none is above it: from CSV to page and hand-out."""

from __future__ import annotations

import re

import polars as pl
import pytest

from pipelines import workspace
from pipelines.settings import Settings
from reports import handouts
from tests.workspaces import filled, ran

FILES = {
    "registers/shops.csv": "shop_id,jurisdiction\ns,us\nq,ca-qc\n",
    "registers/products.csv": "product_id,role\ntop,clear\nfill,surfacer\nfree,specialty\n",
    "registers/product_categories.csv": "product_id,jurisdiction,category\ntop,us,topcoat_two_stage\nfill,us,primer_surfacer\n"
    "free,us,no_such_category\ntop,ca-qc,clear\n",
    "registers/components.csv": "component_id,density_g_per_ml,solids_mass_fraction,solids_volume_fraction,voc_mass_fraction,"
    "water_mass_fraction,exempt_mass_fraction\nvarnish,1.0,0.5,0.4,0.5,0,0\nsecret,1.0,0.5,0.4,,,\n",
    "inbox/pours.csv": "shop_id,mix_id,pour_no,poured_at,product_id,component_id,weighed_g\n"
    "s,fine,1,2026-03-02 08:00,top,varnish,100\ns,dark,1,2026-03-03 08:00,top,secret,100\n"
    "s,only,1,2026-03-03 09:00,fill,secret,100\ns,free,1,2026-03-03 10:00,free,varnish,100\n"
    "q,fine,1,2026-03-02 08:00,top,varnish,100\nq,dark,1,2026-04-03 08:00,top,secret,100\n",
}


@pytest.fixture(scope="module")
def space(tmp_path_factory: pytest.TempPathFactory) -> workspace.Workspace:
    return ran(filled(tmp_path_factory.mktemp("undecided") / "shop", FILES))


def test_each_cup_says_why_it_cannot_be_compared(space: workspace.Workspace) -> None:
    rows = pl.read_parquet(space.out / "tables" / "voc_content.parquet").sort("shop_id", "mix_id")
    assert rows.select("shop_id", "mix_id", "over", "why_not").rows() == [
        ("q", "dark", None, "the average of the month is judged"),
        ("q", "fine", None, "the average of the month is judged"),
        ("s", "dark", None, "its content is not known"),
        ("s", "fine", False, None),
        ("s", "free", None, None),  # no limit to compare it with
        ("s", "only", None, "its content is not known"),
    ]
    averages = pl.read_parquet(space.out / "tables" / "compliance_average.parquet")
    judged = averages.filter("judged").select("month", "over").rows()
    assert judged == [("2026-03", True), ("2026-04", None)]  # 500 g/L above Quebec's 250; nothing is known of April


def test_the_handout_counts_what_is_above_apart_from_what_cannot_be_compared(space: workspace.Workspace) -> None:
    tables = workspace.read_snapshot(space.snapshot(), handouts.TABLES)
    made = handouts.build(tables, Settings().flat(), handouts.period("2026-03"), shops=["s"])
    sheet = next(sheet for sheet in made.sheets if sheet.key == "voc_content")
    names = [head.word for head in sheet.heads]
    at = [names.index(name) for name in ("category", "cups", "above the limit", "cannot be compared")]
    assert [tuple(row[i] for i in at) for row in sheet.rows] == [
        ("no_such_category", 1, None, 0), ("primer_surfacer", 1, None, 1), ("topcoat_two_stage", 2, 0, 1),
    ]  # fmt: skip


def test_the_page_does_too(space: workspace.Workspace) -> None:
    html = (space.out / "site" / "environment.html").read_text("utf-8")
    table = re.search(r"<table(?:(?!</table>).)*above the limit.*?</table>", html, re.S)
    assert table is not None
    rows = [re.sub(r"<[^>]+>", " ", row) for row in re.findall(r"<tr.*?</tr>", table[0], re.S)]
    assert next(row for row in rows if "topcoat two stage" in row).split()[-3:] == ["2", "0", "1"]
    assert next(row for row in rows if "primer surfacer" in row).split()[-3:] == ["1", "\u2013", "1"]
