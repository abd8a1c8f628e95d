"""Rules of a place that the user adds in registers/: they are validated, join those that ship, and decide what is shown."""

from __future__ import annotations

import polars as pl
import pytest

from pipelines import commands, run, workspace
from reports import handouts
from tests.workspaces import filled

FILES = {
    "registers/shops.csv": "shop_id,label,jurisdiction\nvale,Vale,us-vale\nhill,Hill,us-hill\ntypo,Typo,us-cs\nplain,Plain,us\n",
    "registers/packs.csv": "jurisdiction,label,basis,averaging,sections,verify,note,source,read\n"
    "us-vale,Vale district,regulatory,each_mix,voc_content|usage|hap,false,,district rule 12,yes\n"
    "us-hill,Hill district,regulatory,monthly_weighted,voc_content|usage,true,,district rule 7,memory\n"
    "us-oak,Oak district,regulatory,each_mix,voc_content|colours,false,,district rule 1,yes\n",
    "registers/voc_limits.csv": "jurisdiction,category,valid_from,valid_to,label,limit_g_per_l,basis,source,read\n"
    "us-vale,topcoat,,2026-03-01,Topcoats,600,regulatory,district rule 12 table 1,yes\n"
    "us-vale,topcoat,2026-03-01,,Topcoats,400,regulatory,district rule 12 table 1,yes\n"
    "us-hill,topcoat,,,Topcoats,450,regulatory,district rule 7,memory\n"
    "us,specialty,,,Specialty coatings,800,regulatory,our stricter reading,yes\n"
    "us-vale,primer,,,Primers,-5,regulatory,district rule 12 table 1,yes\n",
    "registers/retention.csv": "jurisdiction,record,years,note,source,read\nus-vale,usage,7,,district rule 12 section 4,yes\n",
    "registers/technicians.csv": "technician_id,shop_id,hired_on\nt1,vale,2026-01-05\n",
    "registers/component_species.csv": "component_id,cas,substance,mass_fraction\n"
    "clear,108-88-3,toluene,0.05\nclear,1330-20-8,xylenes,0.05\nclear,toluene,toluene,0.01\n",
    "registers/permit_limits.csv": "shop_id,measure,period,limit,unit,source\n"
    "vale,rts_l:topcoat,month,20,gal_us,permit 1\nvale,rts_l:top_coat,month,20,gal_us,permit 1\n"
    "vale,voc_kgs,month,20,kg,permit 1\nvale,voc_kg,month,20,ton,permit 1\n",
    "registers/products.csv": "product_id,role\ntop,clear\n",
    "registers/product_categories.csv": "product_id,jurisdiction,category\ntop,us-vale,topcoat\ntop,us-hill,topcoat\n"
    "top,us,topcoats\n",
    "registers/components.csv": "component_id,density_g_per_ml,solids_mass_fraction,solids_volume_fraction,"
    "voc_mass_fraction,water_mass_fraction,exempt_mass_fraction\nclear,1.0,0.5,0.4,0.5,0,0\n",
    "inbox/pours.csv": "shop_id,mix_id,pour_no,poured_at,product_id,component_id,weighed_g\n"
    + "".join(
        f"{shop},{month},1,2026-{month}-05 09:00,top,clear,200\n"
        for shop in ("vale", "hill", "typo", "plain")
        for month in ("02", "04")
    ),
}


@pytest.fixture(scope="module")
def space(tmp_path_factory: pytest.TempPathFactory) -> workspace.Workspace:
    space = filled(tmp_path_factory.mktemp("local_rules") / "shop", FILES)
    commands.handout(space, "2026", [])
    return space


def table(space: workspace.Workspace, name: str) -> pl.DataFrame:
    folder = space.snapshot()
    assert folder is not None
    return workspace.read_snapshot(folder, [name])[name]


def message(space: workspace.Workspace, file: str) -> str:
    return table(space, "intake_files").filter(pl.col("file") == file)["message"].item() or ""


def test_a_cup_is_compared_with_the_limit_of_its_day(space: workspace.Workspace) -> None:
    content = table(space, "voc_content").filter(pl.col("shop_id") == "vale").sort("mix_id")
    assert content.select("g_per_l", "limit_g_per_l", "over", "source").rows() == [
        (500.0, 600.0, False, "district rule 12 table 1"),
        (500.0, 400.0, True, "district rule 12 table 1"),
    ]


def test_a_pack_decides_how_limits_are_judged(space: workspace.Workspace) -> None:
    hill = table(space, "compliance_average").filter(pl.col("shop_id") == "hill")
    assert hill["over"].to_list() == [True, True]
    assert table(space, "voc_content").filter(pl.col("shop_id") == "hill")["over"].to_list() == [None, None]


def test_a_row_of_the_users_takes_the_place_of_one_that_ships(space: workspace.Workspace) -> None:
    limits = table(space, "voc_limits").filter(pl.col("jurisdiction") == "us")
    shipped = run.reference_table("voc_limits").filter(pl.col("jurisdiction") == "us")
    assert limits.height == shipped.height
    assert limits.filter(pl.col("category") == "specialty").select("limit_g_per_l", "source").rows() == [
        (800.0, "our stricter reading")
    ]


def test_the_longest_rule_on_keeping_records_wins_with_the_users_among_them(space: workspace.Workspace) -> None:
    kept = table(space, "compliance_retention").filter(pl.col("record") == "usage")
    years = dict(kept.select("shop_id", "years").iter_rows())
    assert years["vale"] == 7.0 and years["plain"] < 7.0


def test_what_a_local_pack_does_not_say_holds_as_in_the_country(space: workspace.Workspace) -> None:
    training = table(space, "compliance_training").row(0, named=True)
    assert (training["rule"], training["status"]) == ("painter_training", "due")


def test_rows_that_break_a_rule_are_refused_with_their_line(space: workspace.Workspace) -> None:
    refused = table(space, "refused_rows").explode("reasons")
    told = {(row["file"], row["line"]): row["reasons"] for row in refused.iter_rows(named=True)}
    assert "must be names of sections" in told["registers/packs.csv", 4]
    assert "limit_g_per_l" in told["registers/voc_limits.csv", 6]
    assert "must be one of rts_l, rts_l:<category>" in told["registers/permit_limits.csv", 4]
    assert "ton_us, tonne" in told["registers/permit_limits.csv", 5]
    assert "no product is of category 'top_coat'; did you mean 'topcoat'?" in told["registers/permit_limits.csv", 3]
    assert {file for file, _ in told} == {f"registers/{name}.csv" for name in ("packs", "voc_limits", "permit_limits")}
    assert len(told) == 5


def test_a_jurisdiction_without_a_pack_is_told_where_it_stands_with_what_to_do(space: workspace.Workspace) -> None:
    said = message(space, "registers/shops.csv")
    assert "line 4: no pack of rules for jurisdiction 'us-cs'; did you mean 'us-ca'?" in said
    assert "registers/packs.csv" in said and "us-vale" in said
    page = (space.out / "site" / "intake.html").read_text(encoding="utf-8")
    assert "no pack of rules for jurisdiction" in page
    missing = (space.handouts / "2026" / "csv" / "missing.csv").read_text(encoding="utf-8-sig")
    assert "typo,,No limits are known for the jurisdiction us-cs: nothing is compared." in missing


def test_a_category_without_a_limit_is_told(space: workspace.Workspace) -> None:
    said = message(space, "registers/product_categories.csv")
    assert "line 4: 'us' has no limit for category 'topcoats'" in said and "topcoat_two_stage" in said


def test_a_cas_number_that_cannot_be_is_told_and_not_refused(space: workspace.Workspace) -> None:
    said = message(space, "registers/component_species.csv")
    assert "lines 3, 4: 1330-20-8, toluene fails the check digit of CAS numbers, or is none" in said
    kept = table(space, "intake_files").filter(pl.col("file") == "registers/component_species.csv")
    assert kept.select("accepted", "refused").rows() == [(3, 0)]


def test_sections_follow_the_users_pack(space: workspace.Workspace) -> None:
    tables = {name: table(space, name) for name in handouts.TABLES}
    packs = dict(tables["packs"].select("jurisdiction", "sections").iter_rows())
    assert packs["us-vale"] == "voc_content|usage|hap" and "us-oak" not in packs
    page = (space.out / "site" / "environment.html").read_text(encoding="utf-8")
    assert "Vale district" in page and "Hill district" in page
