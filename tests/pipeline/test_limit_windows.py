"""Every window of a permit's limit is judged, the last alone is not: a workspace of CSV files, worked out by hand.

A month's limit of 26 US gallons (98.42 L): 114.7 L (30.3 gallons) in February, less before and after. From May on it is 20.
"""

from __future__ import annotations

import re

import polars as pl
import pytest

from pipelines import cli, workspace
from pipelines.settings import Settings
from reports import handouts
from tests.workspaces import filled, table

GAL = 3.785411784
LITRES = {"2025-12": 60, "2026-01": 90, "2026-02": 114.7, "2026-03": 70, "2026-05": 80, "2026-06": 20}  # 1 g/mL
FILES = {
    "registers/shops.csv": "shop_id,jurisdiction\ns,us\n",
    "registers/products.csv": "product_id,role\ntop,clear\n",
    "registers/product_categories.csv": "product_id,jurisdiction,category\ntop,us,topcoat_two_stage\n",
    "registers/components.csv": "component_id,density_g_per_ml,solids_mass_fraction,solids_volume_fraction,voc_mass_fraction,"
    "water_mass_fraction,exempt_mass_fraction\nvarnish,1.0,0.5,0.4,0.5,0,0\nsecret,1.0,0.5,0.4,,,\nwash,0.8,0,0,1,0,0\n",
    "registers/permit_limits.csv": "shop_id,measure,period,valid_from,limit,unit,source\n"
    "s,rts_l:topcoat_two_stage,month,,26,gal_us,permit 7\ns,rts_l:topcoat_two_stage,month,2026-05-01,20,gal_us,permit 7\n"
    "s,voc_kg,calendar_year,,200,lb,permit 7\ns,rts_l,rolling_12_months,,114,gal_us,permit 7\n"
    "s,rts_l:cleaning,month,,5,l,permit 7\n"
    "s,rts_l:top_coat,month,,5,l,permit 7\ns,voc_kg,month,,5,l,permit 7\n",
    "inbox/pours.csv": "shop_id,mix_id,pour_no,poured_at,product_id,component_id,weighed_g\n"
    + "".join(
        f"s,{m} {n},1,{m}-1{n} 08:00,top,varnish,{1000 * litres / 4}\n" for m, litres in LITRES.items() for n in range(4)
    )
    + "s,dark,1,2026-06-20 08:00,top,secret,1000\n",
    "inbox/cleaning.csv": "shop_id,cleaning_no,used_at,component_id,purpose,issued_g,recovered_g\n"
    "s,c1,2026-01-20 08:00,wash,gun,4400,\ns,c2,2026-03-20 08:00,wash,gun,2400,1000\ns,c3,2026-03-21 08:00,wash,booth,800,\n"
    "s,c4,2026-03-21 08:00,wash,surface,8000,\n",
}  # fmt: skip


@pytest.fixture(scope="module")
def said(tmp_path_factory: pytest.TempPathFactory) -> tuple[workspace.Workspace, str]:
    space = filled(tmp_path_factory.mktemp("windows") / "shop", FILES)
    with pytest.MonkeyPatch.context() as patch:
        lines: list[str] = []
        patch.setattr("builtins.print", lambda *given, **_: lines.append(" ".join(map(str, given))))
        cli.main(["run", str(space.root)])
    return space, "\n".join(lines)


@pytest.fixture(scope="module")
def windows(said: tuple[workspace.Workspace, str]) -> dict[tuple[str, str, str], dict]:
    rows = table(said[0], "limit_windows")
    return {(r["measure"], r["period"], r["window"]): r for r in rows.iter_rows(named=True)}


def test_each_month_is_judged_by_the_limit_of_its_last_day(windows) -> None:
    of = {w: r for (measure, _, w), r in windows.items() if measure == "rts_l:topcoat_two_stage"}
    assert list(of) == ["2025-12", "2026-01", "2026-02", "2026-03", "2026-04", "2026-05", "2026-06"]
    february = of["2026-02"]
    assert (february["total"], february["limit"], february["unit"]) == (pytest.approx(114.7 / GAL), 26.0, "gal_us")
    assert february["total_metric"] == pytest.approx(114.7) and february["limit_metric"] == pytest.approx(26 * GAL)
    assert february["share_of_limit"] == pytest.approx(114.7 / (26 * GAL))
    # 90 L are 23.8 gallons; 80 L are 21.1: above 20, not above 26. In June something has no figure, and no more is known
    assert {w: r["breached"] for w, r in of.items()} == {
        "2025-12": False, "2026-01": False, "2026-02": True, "2026-03": False, "2026-04": False, "2026-05": True, "2026-06": None,
    }  # fmt: skip
    assert (of["2026-04"]["total"], of["2026-04"]["complete"]) == (0.0, True)  # nothing was used between two records
    assert not of["2026-06"]["complete"] and of["2026-06"]["total_metric"] == pytest.approx(21.0)


def test_years_and_twelve_months_are_judged_from_the_first_record_on(windows) -> None:
    year = {w: r for (measure, _, w), r in windows.items() if measure == "voc_kg"}
    assert set(year) == {"2025", "2026"}
    assert (year["2025"]["total_metric"], year["2025"]["months_present"]) == (pytest.approx(30.0), 1)
    assert year["2025"]["breached"] is False
    # 374.7 L at 500 g/L, and solvent: 4.4 + 1.4 (1 kg came back, no flush in it) + .8 + 8 kg; above 200 lb whatever lacks
    kg = (90 + 114.7 + 70 + 80 + 20) * 0.5 + 4.4 + 1.4 + 0.8 + 8
    assert year["2026"]["total_metric"] == pytest.approx(kg) and year["2026"]["breached"] is True
    rolling = {w: r for (measure, _, w), r in windows.items() if measure == "rts_l"}
    assert min(rolling) == "2025-12" and max(rolling) == "2026-06"
    assert rolling["2026-05"]["total_metric"] == pytest.approx(414.7)  # below 114 gallons, 431.5 L
    assert rolling["2026-05"]["breached"] is False and rolling["2026-06"]["breached"] is True  # 435.7 L


def test_litres_of_solvent_issued_can_be_limited(windows) -> None:
    of = {w: r for (measure, _, w), r in windows.items() if measure == "rts_l:cleaning"}
    assert of["2026-01"]["total"] == pytest.approx(5.5) and of["2026-01"]["breached"] is True  # 4400 g at .8 g/mL
    assert of["2026-03"]["total"] == pytest.approx(4.0) and of["2026-03"]["breached"] is False  # surfaces stand apart


def test_what_cannot_be_judged_is_refused(said: tuple[workspace.Workspace, str]) -> None:
    refused = table(said[0], "refused_rows").filter(pl.col("table") == "permit_limits")
    reasons = {r["line"]: "; ".join(r["reasons"]) for r in refused.iter_rows(named=True)}
    assert "no product is of category 'top_coat'" in reasons[7] and "cannot measure this" in reasons[8]


def test_breaches_stand_first_on_the_page_in_the_closing_lines_and_in_the_handout_of_their_month(said) -> None:
    space, printed = said
    assert "Limits: 5 windows are above the limit of a permit" in printed
    assert "s, February 2026: poured, ready to spray: topcoat two stage, 30.3 US gallons against 26" in printed
    html = (space.out / "site" / "environment.html").read_text("utf-8")
    first = re.search(r'id="breaches".*?</div>', html, re.S)
    assert first is not None and html.index('id="breaches"') < html.index("By category")
    assert "30.30 US gallons against 26.00 (permit 7)" in re.sub(r"<[^>]+>", "", first[0])
    tables = workspace.read_snapshot(space.snapshot(), handouts.TABLES)

    def of(period: str) -> list[tuple]:
        made = handouts.build(tables, Settings().flat(), handouts.period(period))
        return [row for sheet in made.sheets if sheet.key == "limit_windows" for row in sheet.rows]

    february = of("2026-02")
    assert february[0][1:5] == ("rts_l:topcoat_two_stage", "each month", "2026-02", "above the limit")
    assert {row[3] for row in february} == {"2026-02"}
    assert {row[3] for row in of("2025-12")} == {"2025-12", "2025"}  # a year stands in the hand-out of its last month


def test_a_european_handout_prints_no_pollutant_of_the_us_list(tmp_path) -> None:
    files = FILES | {
        "registers/shops.csv": "shop_id,jurisdiction\ns,eu\n",
        "registers/component_species.csv": "component_id,cas,substance,mass_fraction\nvarnish,108-88-3,toluene,0.2\n",
        "registers/product_categories.csv": "product_id,jurisdiction,category\ntop,eu,topcoat\n",
    }
    del files["registers/permit_limits.csv"]
    space = filled(tmp_path / "eu", files)
    cli.main(["run", str(space.root)])
    tables = workspace.read_snapshot(space.snapshot(), handouts.TABLES)
    assert tables["hap_monthly"].height > 0
    made = handouts.build(tables, Settings().flat(), handouts.period("2026-Q1"))
    told = (
        str([sheet.rows for sheet in made.sheets])
        + str([str(h) for s in made.sheets for h in s.heads])
        + str(made.facts)
    )
    told += str([[sheet.title, *sheet.notes] for sheet in made.sheets])
    for word in ("hap_kg", "hap_monthly", "HAP", "108-88-3", "63.3941", "63.3951"):
        assert word not in told, word
    assert "solvent_kg" in told
