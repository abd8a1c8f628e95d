"""Figures of the ledger and the permits where a slip would not show elsewhere, by hand from CSV to table: which way an interval
turns, an imperial gallon, three months of pace, the limit of a month's last cup, a first month that is covered in part."""

from __future__ import annotations

import polars as pl
import pytest

from pipelines import workspace
from pipelines.settings import Settings
from reports import handouts
from tests.workspaces import filled, ran, table

FACTS = "density_g_per_ml,solids_mass_fraction,solids_volume_fraction,voc_mass_fraction,water_mass_fraction,exempt_mass_fraction"
JOBS = range(1, 7)
MONTHS = {"2026-01": 1000, "2026-02": 2000, "2026-03": 3000, "2026-04": 4000, "2026-05": 6000}  # g, mL too: 1 g/mL
FILES = {
    "registers/shops.csv": "shop_id,jurisdiction\nfilm,us\nuse,us-vale\n",
    "registers/packs.csv": "jurisdiction,label,basis,averaging,sections,verify,note,source,read\n"
    "us-vale,Vale,regulatory,monthly_weighted,voc_content|usage,false,,district rule 12,yes\n",
    "registers/voc_limits.csv": "jurisdiction,category,valid_from,valid_to,label,limit_g_per_l,basis,source,read\n"
    "us-vale,topcoat,,2026-05-15,Topcoats,600,regulatory,district rule 12,yes\n"
    "us-vale,topcoat,2026-05-15,,Topcoats,400,regulatory,district rule 12,yes\n",
    "registers/technicians.csv": "technician_id,shop_id\nt,film\n",
    "registers/guns.csv": "gun_id,shop_id,atomising,feed,flush_loss_g\ng,film,hvlp,gravity,0\n",
    "registers/products.csv": "product_id,role\ntop,clear\n",
    "registers/product_categories.csv": "product_id,jurisdiction,category\ntop,us-vale,topcoat\n",
    "registers/components.csv": f"component_id,{FACTS}\nvarnish,1.0,0.5,0.4,0.5,0,0\n",
    "registers/permit_limits.csv": "shop_id,measure,period,limit,unit,source\nuse,rts_l,month,1.5,gal_imp,permit\n"
    "use,rts_l,rolling_12_months,5,gal_us,permit\nuse,voc_kg,calendar_year,30,lb,permit\n",
    "inbox/pours.csv": "shop_id,mix_id,pour_no,poured_at,product_id,component_id,weighed_g,job_id\n"
    + "".join(f"film,m{n},1,2026-03-0{n} 08:00,top,varnish,{200 + n},j{n}\n" for n in JOBS)
    + "".join(f"use,{month},1,{month}-10 08:00,top,varnish,{grams / 2},\nuse,{month} b,1,{month}-20 08:00,top,varnish,{grams / 2},\n"
              for month, grams in MONTHS.items()),
    "inbox/leftovers.csv": "shop_id,mix_id,weigh_no,weighed_at,leftover_g,fate\n"
    + "".join(f"film,m{n},1,2026-03-0{n} 18:00,20,discarded\n" for n in JOBS),
    "inbox/operations.csv": "shop_id,job_id,operation_no,kind,started_at,ended_at,technician_id,gun_id,product_id\n"
    + "".join(f"film,j{n},1,spray,2026-03-0{n} 09:00,2026-03-0{n} 10:00,t,g,top\n" for n in JOBS),
    "inbox/operation_panels.csv": "shop_id,job_id,operation_no,panel_id,area_m2,covered_fraction,substrate\n"
    + "".join(f"film,j{n},1,hood,1.5,{0.7 if n == 6 else 1},steel\n" for n in JOBS),
    "inbox/readings.csv": "shop_id,job_id,panel_id,after_operation,reading_no,row,col,reading_um\n"
    + "".join(f"film,j{n},hood,{after},{3 * row + col - 3},{row if n < 6 else ''},{col if n < 6 else ''},{100 + 25 * after + row + n % 3}\n"
              for n in JOBS for after in (0, 1) for row in (1, 2, 3) for col in (1, 2, 3)),
}  # fmt: skip


@pytest.fixture(scope="module")
def space(tmp_path_factory: pytest.TempPathFactory) -> workspace.Workspace:
    return ran(filled(tmp_path_factory.mktemp("ledger_by_hand") / "shop", FILES))


def test_what_is_least_of_the_overspray_goes_with_the_greatest_transfer(space: workspace.Workspace) -> None:
    rows = table(space, "material_ledger").filter(pl.col("te").is_not_null()).to_dicts()
    assert len(rows) == len(JOBS)
    for row in rows:
        n = int(row["job_id"].removeprefix("j"))
        sprayed = (200 + n - 20) * 0.5
        assert row["te_low"] < row["te"] < row["te_high"] < 1
        assert row["overspray_solids_g_low"] == pytest.approx(sprayed * (1 - row["te_high"]))
        assert row["overspray_solids_g_high"] == pytest.approx(sprayed * (1 - row["te_low"]))


def test_the_area_of_a_blend_is_less_certain_than_the_table_of_areas(space: workspace.Workspace) -> None:
    found = dict(table(space, "film_increments").select("job_id", "area_rel_sd").iter_rows())
    assert found["j1"] == pytest.approx(0.05) and found["j6"] == pytest.approx(
        0.20
    )  # .7 of the face was covered, and read there


def test_limits_pace_and_headroom_are_those_of_the_permits_words(space: workspace.Workspace) -> None:
    rows = {(r["measure"], r["period"]): r for r in table(space, "permit_headroom").iter_rows(named=True)}
    month = rows["rts_l", "month"]
    assert month["limit"] == pytest.approx(1.5 * 4.54609)  # an imperial gallon
    assert month["total"] == pytest.approx(6.0) and month["headroom"] == pytest.approx(1.5 * 4.54609 - 6)
    # the last three months: 3, 4 and 6 L
    assert month["pace_per_month"] == pytest.approx(13 / 3) and not month["already"]
    rolling = rows["rts_l", "rolling_12_months"]
    assert rolling["limit"] == pytest.approx(5 * 3.785411784) and rolling["total"] == pytest.approx(16.0)
    assert rolling["crossed_in"] == "2026-06"  # 16 + 4.33 L above 18.9 L
    year = rows["voc_kg", "calendar_year"]
    assert year["limit"] == pytest.approx(30 * 0.45359237) and year["total"] == pytest.approx(8.0)


def test_a_months_average_is_judged_by_the_limit_of_its_last_cup(space: workspace.Workspace) -> None:
    rows = {r["month"]: r for r in table(space, "compliance_average").iter_rows(named=True)}
    assert (rows["2026-04"]["limit_g_per_l"], rows["2026-04"]["over"]) == (600.0, False)
    assert (rows["2026-05"]["limit_g_per_l"], rows["2026-05"]["over"]) == (400.0, True)


def test_a_first_month_that_is_covered_in_part_is_told(space: workspace.Workspace) -> None:
    tables = workspace.read_snapshot(space.snapshot(), handouts.TABLES)
    made = handouts.build(tables, Settings().flat(), handouts.period("2026-Q1"), shops=["use"])
    said = [row for sheet in made.sheets if sheet.key == "missing" for row in sheet.rows]
    assert ("use", "2026-01", "The records begin on 2026-01-10: what was before is not in these figures.") in said
