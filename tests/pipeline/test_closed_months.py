"""A closed month: what it was is kept, what becomes of it is told with the file that did it, and its hand-out stays as it was given.

Worked by hand: 2 kg of a clear at 50 % in March; a file that comes later adds 1 kg of March and 1 kg of April; and a cup of March is
weighed back for the first time in May, which is a restatement of March and told as one.
"""

from __future__ import annotations

import hashlib

import openpyxl
import polars as pl
import pytest

from pipelines import cli, workspace
from tests.workspaces import filled, table

POURS = "shop_id,mix_id,pour_no,poured_at,product_id,component_id,weighed_g\n"
FILES = {
    "registers/shops.csv": "shop_id,jurisdiction\ns,us\n",
    "registers/technicians.csv": "technician_id,shop_id,label,hired_on\nt1,s,Ada Example,2020-01-01\n",
    "registers/trainings.csv": "technician_id,completed_on,hands_on,classroom\nt1,2024-02-01,true,true\n",
    "registers/guns.csv": "gun_id,shop_id,atomising,feed,flush_loss_g\ng,s,hvlp,gravity,5\n",
    "registers/products.csv": "product_id,label,role\ntop,Fine clear,clear\n",
    "registers/product_categories.csv": "product_id,jurisdiction,category\ntop,us,topcoat_two_stage\n",
    "registers/components.csv": "component_id,label,kind,density_g_per_ml,solids_mass_fraction,solids_volume_fraction,voc_mass_fraction,"
    "water_mass_fraction,exempt_mass_fraction,composition_complete\nclear,Fine clear,binder,1.0,0.5,0.4,0.5,0,0,true\n"
    "hard,Hard one,hardener,1.0,0.5,0.4,0.5,0,0,\n",
    "registers/permit_limits.csv": "shop_id,measure,period,limit,unit,source\ns,rts_l:topcoat_two_stage,month,0.5,gal_us,permit 7\n",
    "inbox/pours_march.csv": POURS + "s,a,1,2026-03-02 08:00,top,clear,2000\ns,h,1,2026-03-03 08:00,top,hard,100\n",
    "inbox/operations.csv": "shop_id,job_id,operation_no,kind,started_at,ended_at,technician_id,gun_id,product_id\n"
    "s,j,1,spray,2026-03-03 09:00,2026-03-03 09:40,t1,g,top\n",
    "inbox/draws.csv": "shop_id,job_id,operation_no,mix_id,share\ns,j,1,h,\n",
}
WEIGHED_IN_MAY = (
    "shop_id,mix_id,weigh_no,weighed_at,leftover_g,fate\ns,h,1,2026-05-10 08:00,40,kept\n"  # of a cup of March
)
LATER = POURS + "s,b,1,2026-03-20 08:00,top,clear,1000\ns,c,1,2026-04-20 08:00,top,clear,1000\n"


def bytes_of(space: workspace.Workspace, folder: str) -> dict[str, str]:
    root = space.handouts / folder
    return {
        f.relative_to(root).as_posix(): hashlib.sha256(f.read_bytes()).hexdigest()
        for f in root.rglob("*")
        if f.is_file()
    }


def test_nothing_closed_changes_silently(tmp_path, capsys: pytest.CaptureFixture[str]) -> None:
    space = filled(tmp_path / "shop", FILES)
    root = str(space.root)
    assert cli.main(["close", "2026-03", root]) == 0
    assert "Closed: 2026-03" in capsys.readouterr().out
    as_given = bytes_of(space, "2026-03")
    assert any(name.endswith(".xlsx") for name in as_given)
    assert cli.main(["close", "2026-03", root]) == 2  # closed already
    assert "closed already" in capsys.readouterr().err
    assert table(space, "restatements").is_empty()

    workspace.fill(space, "inbox/pours_later.csv", LATER.encode())
    workspace.fill(space, "inbox/leftovers_may.csv", WEIGHED_IN_MAY.encode())
    assert cli.main(["handout", root, "--period", "2026-03"]) == 0
    assert bytes_of(space, "2026-03") == as_given  # as it was given
    found = {(r["figure_table"], r["part"], r["figure"]): r for r in table(space, "restatements").iter_rows(named=True)}
    voc = found["emissions_monthly", "topcoat_two_stage", "voc_kg"]
    assert (voc["what"], voc["was"], voc["is_now"]) == ("changed", pytest.approx(1.05), pytest.approx(1.53))
    assert voc["because"] == "inbox/leftovers_may.csv (new); inbox/pours_later.csv (new)"
    limit = found["limit_windows", "rts_l:topcoat_two_stage, month", "total_metric"]
    assert (limit["was_said"], limit["is_said"]) == ("above the limit", "above the limit")  # 2.1 and 3.1 L of 1.89 L
    page = (space.out / "site" / "environment.html").read_text("utf-8")
    assert 'id="restatements"' in page and "pours_later.csv" in page

    assert cli.main(["handout", root, "--period", "2026-04", "--people", "names"]) == 0
    book = openpyxl.load_workbook(space.handouts / "2026-04_names" / "environmental_record_2026-04_names.xlsx")
    cells = [str(cell.value) for row in book["restatements"].iter_rows() for cell in row if cell.value is not None]
    assert "inbox/leftovers_may.csv (new); inbox/pours_later.csv (new)" in cells and "voc_kg" in cells
    assert any("Ada Example" in str(cell.value) for row in book["annex_trainings"].iter_rows() for cell in row)

    kept = space.registers / "closed_figures.csv"
    written = kept.read_bytes()
    for changed in (written + b"s,2026-03,emissions_monthly,more,voc_kg,1.0,\n", None):
        kept.unlink() if changed is None else kept.write_bytes(changed)
        for command in (["run", root], ["handout", root, "--period", "2026-03"], ["close", "2026-04", root]):
            assert cli.main(command) == 1
            assert "registers/closed_figures.csv is" in capsys.readouterr().err
        kept.write_bytes(written)
    seal = space.registers / ".closed.sha256"
    sums = seal.read_bytes()
    assert f"{hashlib.sha256(written).hexdigest()}  closed_figures.csv\n".encode() in sums
    seal.unlink()
    assert cli.main(["run", root, "--again"]) == 1 and "no seal" in capsys.readouterr().err
    seal.write_bytes(sums)

    assert cli.main(["reopen", "2026-03", root]) == 0
    assert cli.main(["handout", root, "--period", "2026-03"]) == 0
    assert bytes_of(space, "2026-03") != as_given
    tables = space.out / "tables"
    assert pl.read_parquet(tables / "restatements.parquet").is_empty()
    (time,) = pl.read_parquet(tables / "spray_time.parquet").iter_rows(named=True)
    assert (time["technician_id"], time["minutes"], time["n_timed"]) == ("t1", 40.0, 1)
    assert "unknown composition" in time["why"]
    log = {
        (r["month"], r["kind"], r["component_id"]): r
        for r in pl.read_parquet(tables / "material_log.parquet").iter_rows(named=True)
    }
    product, clear = log["2026-03", "product", None], log["2026-03", "component", "clear"]
    wanted = ("Fine clear", pytest.approx(3.1), pytest.approx(500))
    assert (product["label"], product["rts_l"], product["voc_g_per_l_applied"]) == wanted
    assert product["voc_lb_per_gal_applied"] == pytest.approx(500 / 119.826427, rel=1e-6)
    assert (clear["share_by_volume"], clear["voc_g_per_l_supplied"]) == (pytest.approx(3.0 / 3.1), pytest.approx(500))
    year = {
        (r["line"], r["rule"]): r for r in pl.read_parquet(tables / "annual_statement.parquet").iter_rows(named=True)
    }
    assert year["voc", None]["kg"] == pytest.approx(2.03) and year["voc", None]["tons_us"] == pytest.approx(
        2.03 / 907.18474
    )
    hap = year["all_hap", "major_source"]
    assert (hap["threshold"], hap["unit"], hap["complete"], hap["reached"]) == (25.0, "ton_us", False, None)
    assert hap["kg"] is None  # of the hardener nobody said what is in it, and nothing else holds any


def test_a_file_that_was_never_read_has_not_changed_since_a_month_was_closed(tmp_path) -> None:
    """It is too large to be read, so nobody knows its content: it is no reason for what has changed."""
    space = filled(tmp_path / "shop", FILES)
    space.settings_file.write_text("[intake]\nmax_file_mb = 1\n")
    (space.inbox / "big.csv").write_bytes(POURS.encode() + b"\n" * 1_200_000)
    assert cli.main(["close", "2026-03", str(space.root)]) == 3
    closed = (space.registers / "closed_files.csv").read_text("utf-8")
    assert "inbox/big.csv" in closed and "too large" not in closed
    workspace.fill(space, "inbox/pours_later.csv", LATER.encode())
    assert cli.main(["run", str(space.root), "-q"]) == 3
    because = table(space, "restatements")["because"].drop_nulls().unique().to_list()
    assert any("pours_later.csv" in why for why in because) and not any("big.csv" in why for why in because)
