"""What counts as VOC in a limit on content, and over which volume, by place, day and category: from CSV to table, by hand.

A local place above which the national list stands, but with a list of its own that leaves t-butyl acetate out from March on;
a European product that is both topcoat and preparatory; a clear of which half of the EU's fractions are missing.
"""

from __future__ import annotations

import polars as pl
import pytest

from pipelines import workspace
from tests.workspaces import filled, ran

WATER = 0.9982
FILES = {
    "registers/shops.csv": "shop_id,jurisdiction\nvale,us-vale\nplain,us\neu,eu\ncan,ca\ncal,us-ca\ncoast,us-ca-scaqmd\n",
    "registers/packs.csv": "jurisdiction,label,basis,averaging,sections,verify,note,source,read\n"
    "us-vale,Vale,regulatory,each_mix,voc_content|usage,false,,district rule 12,yes\n",
    "registers/voc_limits.csv": "jurisdiction,category,valid_from,valid_to,label,limit_g_per_l,basis,source,read\n"
    "us-vale,topcoat,,,Topcoats,540,regulatory,district rule 12,yes\nus,topcoat,,,Topcoats,540,regulatory,our own,yes\n",
    "registers/exempt_compounds.csv": "jurisdiction,cas,purpose,valid_from,valid_to,substance,density_g_per_ml,also_hap,source,read\n"
    + "".join(
        f"us-vale,{cas},{purpose},,{until},{name},{density},false,district rule 12,yes\n"
        for purpose in ("content", "reporting")
        for cas, name, density, until in (
            ("67-64-1", "acetone", 0.79, ""),
            ("540-88-5", "t-butyl acetate", 0.86, "2026-03-01" if purpose == "content" else ""),
        )
    ),
    "registers/products.csv": "product_id,role\ntop,clear\nboth,clear\nprep,specialty\nmid,mid_coat\n",
    "registers/product_categories.csv": "product_id,jurisdiction,category\ntop,us-vale,topcoat\ntop,us,topcoat\n"
    "both,eu,topcoat\nboth,eu,preparatory\nprep,eu,preparatory\nmid,us-ca-scaqmd,mid_coat\n",
    "registers/component_categories.csv": "component_id,jurisdiction,category\nthinner,eu,topcoat\n",
    "inbox/cleaning.csv": "shop_id,cleaning_no,used_at,component_id,purpose,issued_g,recovered_g\n"
    "eu,1,2026-03-12 08:00,soap,surface,500,\neu,2,2026-03-12 08:00,degreaser,surface,500,\n"
    "eu,3,2026-03-12 08:00,thinner,gun,500,\ncan,1,2016-05-12 08:00,butyl,surface,300,\ncan,2,2016-07-12 08:00,butyl,surface,300,\n"
    "cal,1,2026-03-12 08:00,soap,gun,500,\ncal,2,2026-03-12 08:00,degreaser,booth,500,\n",
    "registers/components.csv": "component_id,density_g_per_ml,solids_mass_fraction,solids_volume_fraction,voc_mass_fraction,"
    "water_mass_fraction,exempt_mass_fraction,exempt_density_g_per_ml,voc_eu_mass_fraction\n"
    "varnish,1.0,0.5,0.4,0.3,0,0.2,,\nthinner,0.85,0,0,0.5,0,0.5,0.8,\n"
    "aqua,1.05,0.2,0.15,0.3,0.5,0,,0.31\nacrylic,1.0,0.5,0.4,0.4,0,0.1,0.8,\n"
    "soap,1.0,0.01,0.01,0.02,0.97,0,,\ndegreaser,0.9,0,0,0.2,0.8,0,,0.25\nbutyl,0.866,0,0,0.02,0,0.98,0.866,\n"
    "middle,1.0,0.45,0.4,0.55,0,0,,\n",
    "registers/component_species.csv": "component_id,cas,substance,mass_fraction\n"
    "varnish,67-64-1,acetone,0.05\nvarnish,540-88-5,t-butyl acetate,0.15\nthinner,540-88-5,t-butyl acetate,0.4\n"
    "thinner,67-64-1,acetone,0.1\nbutyl,540-88-5,t-butyl acetate,0.98\n",
    "inbox/pours.csv": "shop_id,mix_id,pour_no,poured_at,product_id,component_id,weighed_g\n"
    + "".join(
        f"{shop},{mix},1,{day} 08:00,top,varnish,300\n{shop},{mix},2,{day} 08:01,top,thinner,100\n"
        for shop in ("vale", "plain")
        for mix, day in (("february", "2026-02-10"), ("march", "2026-03-10"))
    )
    + "eu,both,1,2026-03-10 08:00,both,aqua,1000\neu,prep,1,2026-03-10 08:00,prep,aqua,1000\n"
    + "".join(f"coast,{d},1,{d} 08:00,mid,middle,500\n" for d in ("2025-04-30", "2025-05-01", "2030-01-01"))
    + "eu,mixed,1,2026-03-11 08:00,both,aqua,500\neu,mixed,2,2026-03-11 08:01,both,acrylic,500\n",
}  # fmt: skip


@pytest.fixture(scope="module")
def space(tmp_path_factory: pytest.TempPathFactory) -> workspace.Workspace:
    return ran(filled(tmp_path_factory.mktemp("content") / "shop", FILES))


def rows(space: workspace.Workspace, **where: str) -> list[dict]:
    frame = pl.read_parquet(space.out / "tables" / "voc_content.parquet")
    return frame.filter(*(pl.col(name) == value for name, value in where.items())).sort("category").to_dicts()


def test_what_is_exempt_in_a_limit_follows_the_list_of_the_place_on_the_day(space: workspace.Workspace) -> None:
    # volume, VOC and exempt compounds: 60 g in the varnish (15 g acetone, 45 g t-butyl acetate), 50 g in the thinner at .8 g/mL
    ml, voc_g = 300 / 1.0 + 100 / 0.85, 300 * 0.3 + 100 * 0.5
    all_exempt = 15 / 0.791 + 45 / 0.867 + 50 / 0.8
    (national,) = rows(space, shop_id="plain", mix_id="march")
    assert national["g_per_l"] == pytest.approx(
        1000 * voc_g / (ml - all_exempt), rel=2e-3
    )  # densities of the list that ships
    (before,) = rows(space, shop_id="vale", mix_id="february")
    assert before["g_per_l"] == pytest.approx(national["g_per_l"], rel=1e-9) and before["over"] is False
    (after,) = rows(space, shop_id="vale", mix_id="march")
    # from March on 45 + 40 g of t-butyl acetate are VOC, and their volume is back in the litre
    restated = 1000 * (voc_g + 45 + 40) / (ml - all_exempt + 45 / 0.867 + 40 / 0.8)
    assert after["g_per_l"] == pytest.approx(restated, rel=2e-3) and after["over"] is True
    assert after["status_date"].isoformat() == "2026-03-10"
    # reports go by the list for reports: there it stays exempt
    monthly = pl.read_parquet(space.out / "tables" / "emissions_monthly.parquet").filter(pl.col("shop_id") == "vale")
    assert dict(monthly.select("month", "exempt_kg").iter_rows()) == pytest.approx({"2026-02": 0.11, "2026-03": 0.11})


def test_each_european_category_has_its_own_denominator(space: workspace.Workspace) -> None:
    ml = 1000 / 1.05
    preparatory, topcoat = rows(space, shop_id="eu", mix_id="both")
    assert preparatory["g_per_l"] == pytest.approx(1000 * 310 / ml) and preparatory["basis"] == "eu_whole_volume"
    assert preparatory["over"] is False and not preparatory["rules"]
    assert topcoat["g_per_l"] == pytest.approx(1000 * 310 / (ml - 500 / WATER)) and topcoat["limit_g_per_l"] == 420
    assert topcoat["over"] is True and topcoat["rules"] and topcoat["n_categories"] == 2
    (alone,) = rows(space, shop_id="eu", mix_id="prep")
    assert alone["g_per_l"] == pytest.approx(1000 * 310 / ml) and alone["rules"]
    mixes = pl.read_parquet(space.out / "tables" / "mixes.parquet").filter(pl.col("shop_id") == "eu")
    eu = dict(mixes.select("mix_id", "voc_g_per_l_eu").iter_rows())
    assert eu["both"] == pytest.approx(topcoat["g_per_l"]) and eu["prep"] == pytest.approx(alone["g_per_l"])


def test_a_substitute_for_a_missing_fraction_is_marked(space: workspace.Workspace) -> None:
    assert [row["eu_substituted"] for row in rows(space, shop_id="eu", mix_id="both")] == [False, False]
    marked = rows(space, shop_id="eu", mix_id="mixed")
    assert [row["eu_substituted"] for row in marked] == [
        True,
        True,
    ]  # acrylic has VOC + exempt in place of the EU's fraction
    voc_g, ml = 500 * 0.31 + 500 * (0.4 + 0.1), 500 / 1.05 + 500 / 1.0
    assert marked[0]["g_per_l"] == pytest.approx(1000 * voc_g / ml)


def test_materials_for_cleaning_stand_against_the_limits_of_their_place(space: workspace.Workspace) -> None:
    """The EU's pre-cleaners 200 g/L over the whole litre (2004/42/EC, Annex II B), Canada's surface cleaners 50 g/L less exempt
    compounds (SOR/2009-197), California's solvent for clean-up 25 g of VOC per litre as it is (from memory)."""
    found = {(r["shop_id"], r["mix_id"]): r for r in rows(space) if r["kind"] == "cleaning"}
    soap, degreaser, thinner = (found["eu", n] for n in "123")
    assert (soap["category"], soap["limit_g_per_l"], soap["over"]) == ("pre_cleaner", 200, False)
    assert soap["g_per_l"] == pytest.approx(20) and soap["eu_substituted"]
    assert degreaser["g_per_l"] == pytest.approx(1000 * 0.25 * 0.9) and degreaser["over"] is True
    # the register puts the thinner among the topcoats: 420 g/L, by the basis of that category
    assert (thinner["category"], thinner["basis"], thinner["limit_g_per_l"]) == ("topcoat", "eu", 420)
    # before 3 June 2016 t-butyl acetate was VOC in Canada: 866 g in the litre; then 2 % of VOC in what is left of it
    before, after = found["can", "1"], found["can", "2"]
    assert before["g_per_l"] == pytest.approx(866, rel=2e-3) and before["over"] is True
    assert after["g_per_l"] == pytest.approx(0.02 / (1 / 0.866 - 0.98 / 0.866) * 1000) and after["limit_g_per_l"] == 50
    assert (found["cal", "1"]["g_per_l"], found["cal", "1"]["over"]) == (pytest.approx(20), False)
    assert (found["cal", "2"]["g_per_l"], found["cal", "2"]["over"]) == (pytest.approx(180), True)


def test_a_limit_that_rises_and_falls_again_follows_the_day(space: workspace.Workspace) -> None:
    """South Coast's tinted mid-coat: 420, from 1 May 2025 750, from 1 January 2030 250 g/L; the mix has 550."""
    found = {r["mix_id"]: (r["limit_g_per_l"], r["over"]) for r in rows(space, shop_id="coast")}
    assert found == {"2025-04-30": (420, True), "2025-05-01": (750, False), "2030-01-01": (250, True)}
