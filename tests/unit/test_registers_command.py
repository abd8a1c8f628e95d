"""`filmledger registers` and `filmledger kit`: every missing id at once, rows to complete, a workbook there and back, sheets to print."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import openpyxl
import pytest

from pipelines import cli
from pipelines.intake.reading import read
from pipelines.intake.reading.files import Source

POURS = "shop_id,mix_id,pour_no,poured_at,product_id,component_id,weighed_g\n" + "".join(
    f"north,c{i},{k},2025-03-0{i + 1} 08:0{k},clear_a,{name},{100 * k}\n"
    for i in range(4)
    for k, name in ((1, "binder_a"), (2, "hard_a"), (3, f"tint_{i}"))
)  # fmt: skip


@pytest.fixture
def shop(shop: Path) -> Path:
    (shop / "inbox" / "pours.csv").write_text(POURS)
    return shop


def row(sheet: Any, **cells: object) -> list[object]:
    """A row of a sheet by the names in its header."""
    return [cells.get(str(c.value)) for c in sheet[1]]


def test_all_missing_ids_are_told_at_once_the_most_material_first(
    shop: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.main(["registers", str(shop)]) == 3
    told = capsys.readouterr().out.splitlines()
    assert told[0].startswith("products: clear_a: 12 rows, 2.4 kg poured, first on 2025-03-01")
    named = [line.split(": ")[1] for line in told[:-1]]
    assert named[:3] == ["clear_a", "hard_a", "binder_a"]
    assert sorted(named[3:]) == ["north", "tint_0", "tint_1", "tint_2", "tint_3"]
    assert told[-1].startswith("8 ids are in no register")


def test_fill_adds_rows_that_are_read_and_comments_where_something_is_needed(
    shop: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.main(["registers", str(shop), "--fill"]) == 0
    told = capsys.readouterr().out
    assert "registers/components.csv: 6 rows added, to be completed" in told
    assert "registers/products.csv: 1 row added; each counts once role is filled in and its '# ' is taken away" in told
    components = read.read_file(Source("registers/components.csv", shop / "registers" / "components.csv"), [])
    rows = components.tables["components"].rows.collect()
    assert rows["component_id"].to_list() == ["binder_a", "hard_a", "tint_0", "tint_1", "tint_2", "tint_3"]
    assert rows["kind"].to_list() == ["binder", None, None, None, None, None]
    assert "# clear_a" in (shop / "registers" / "products.csv").read_text()
    assert cli.main(["registers", str(shop), "--fill"]) == 0
    assert components.tables["components"].height == 6, "nothing is added twice"
    assert (shop / "registers" / "products.csv").read_text().count("# clear_a,,clear_a") == 1


def test_panels_without_an_area_are_told_by_class_of_vehicle(shop: Path, capsys: pytest.CaptureFixture[str]) -> None:
    inbox = shop / "inbox"
    (inbox / "jobs.csv").write_text("shop_id,job_id,vehicle_class\nnorth,J1,small\nnorth,J2,\n")
    (inbox / "operation_panels.csv").write_text(
        "shop_id,job_id,operation_no,panel_id,face,area_m2\nnorth,J1,1,hood,,\nnorth,J1,2,hood,,\nnorth,J1,2,roof,,1.4\nnorth,J1,3,hood,inner,\nnorth,J2,1,hood,,\n"
    )
    capsys.readouterr()
    cli.main(["registers", str(shop)])
    told = [line for line in capsys.readouterr().out.splitlines() if line.startswith("panel_areas")]
    assert sorted(told) == [
        "panel_areas: small / hood / inner: 1 rows (inbox/operation_panels.csv)",
        "panel_areas: small / hood / outer: 2 rows (inbox/operation_panels.csv)",
    ]
    cli.main(["registers", str(shop), "--fill"])
    lines = (shop / "registers" / "panel_areas.csv").read_text().splitlines()
    assert {"# small,hood,outer,,,", "# small,hood,inner,,,"} <= set(lines)


def test_registers_go_into_a_workbook_and_come_back(
    shop: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.main(["registers", str(shop), "--fill"]) == 0
    book = tmp_path / "registers.xlsx"
    assert cli.main(["registers", str(shop), "--workbook", str(book)]) == 0
    opened = openpyxl.load_workbook(book)
    guns = opened["guns"]
    assert guns["A1"].value == "gun_id" and guns["A1"].comment is not None
    assert any("hvlp" in str(v.formula1) for v in guns.data_validations.dataValidation)
    guns.append(row(guns, gun_id="g09", shop_id="north", atomising="hvlp", feed="gravity", tip_mm=1.3))
    header = [c.value for c in opened["components"][1]]
    opened["components"].cell(2, header.index("density_g_per_ml") + 1).value = 0.98
    opened.save(book)
    before = (shop / "registers" / "guns.csv").read_text()
    assert cli.main(["registers", str(shop), "--take", str(book)]) == 0
    after = (shop / "registers" / "guns.csv").read_text()
    assert after.startswith(before.split("\ngun_id")[0]), "the comments stay"
    rows = (
        read.read_file(Source("registers/guns.csv", shop / "registers" / "guns.csv"), []).tables["guns"].rows.collect()
    )
    assert rows.select("gun_id", "atomising", "tip_mm").rows() == [("g09", "hvlp", 1.3)]
    components = read.read_file(Source("registers/components.csv", shop / "registers" / "components.csv"), [])
    assert components.tables["components"].rows.collect()["density_g_per_ml"].drop_nulls().to_list() == [0.98]


def test_a_workbook_with_a_wrong_row_changes_nothing(
    shop: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    book = tmp_path / "registers.xlsx"
    assert cli.main(["registers", str(shop), "--workbook", str(book)]) == 0
    opened = openpyxl.load_workbook(book)
    opened["guns"].append(row(opened["guns"], gun_id="g09", shop_id="north", atomising="by hand", feed="gravity"))
    opened["technicians"].append(row(opened["technicians"], technician_id="t1", shop_id="north"))
    opened.save(book)
    before = (shop / "registers" / "technicians.csv").read_text()
    assert cli.main(["registers", str(shop), "--take", str(book)]) == 1
    assert "sheet guns" in capsys.readouterr().err and (shop / "registers" / "technicians.csv").read_text() == before


def test_what_is_typed_into_the_kit_is_read_as_it_is(shop: Path, tmp_path: Path) -> None:
    assert cli.main(["kit", str(tmp_path / "kit"), "--paper", "Letter"]) == 0
    page = (tmp_path / "kit" / "recording_sheets.html").read_text()
    assert "size: 8.5in 11in" in page and "isocyanates" in page and page.count("<section>") == 3
    opened = openpyxl.load_workbook(tmp_path / "kit" / "recording.xlsx")
    opened["leftovers"].append(["north", "c1", "2025-03-02 17:00", 12.5])
    opened["readings"].append(["north", "j1", "hood", 0, 1, 1, 1, 101, "g1"])
    opened.save(tmp_path / "kit" / "recording.xlsx")
    found = read.read_file(Source("inbox/recording.xlsx", tmp_path / "kit" / "recording.xlsx"), [])
    assert found.state == "read", found.message
    assert {name: part.height for name, part in found.tables.items() if part.height} == {"leftovers": 1, "readings": 1}
