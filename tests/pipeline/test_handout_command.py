"""`filmledger handout` on a workspace of ten years: by one command, from what was read before, kept from one to the next."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterator
from pathlib import Path

import openpyxl
import polars as pl
import pytest

from pipelines import cli, workspace
from pipelines.intake.reading import read
from pipelines.intake.reading.files import Source
from pipelines.settings import template

YEARS = range(2016, 2026)
HEADER = "shop_id,mix_id,pour_no,poured_at,product_id,component_id,weighed_g,technician_id\n"
REGISTERS = {
    "shops": "shop_id,label,jurisdiction\nnorth,North,us\nsouth,South,eu\n",
    "technicians": "technician_id,shop_id,label\nhand-1,north,Petra\n",
    "products": "product_id,role\ntop,clear\n",
    "product_categories": "product_id,jurisdiction,category\ntop,us,topcoat_two_stage\ntop,eu,topcoat\n",
    "components": "component_id,density_g_per_ml,solids_mass_fraction,solids_volume_fraction,voc_mass_fraction,"
    "water_mass_fraction,exempt_mass_fraction\nclear,1.0,0.5,0.4,0.5,0,0\n",
}


def month_of(shop: str, year: int, month: int, cups: int = 2) -> bytes:
    rows = (
        f"{shop},{year}-{month:02d}-{n},1,{year}-{month:02d}-{3 + n:02d} 09:00,top,clear,{200 + n},hand-1\n"
        for n in range(cups)
    )
    return (HEADER + "".join(rows)).encode()


@pytest.fixture(scope="module")
def space(tmp_path_factory: pytest.TempPathFactory) -> workspace.Workspace:
    space, _ = workspace.init(tmp_path_factory.mktemp("ten_years") / "shop", template())
    for name, text in REGISTERS.items():
        workspace.fill(space, f"registers/{name}.csv", text.encode())
    for year in YEARS:
        for month in range(1, 13):
            if (year, month) != (2025, 12):
                workspace.fill(space, f"inbox/north/{year}-{month:02d}.csv", month_of("north", year, month))
        workspace.fill(space, f"inbox/south/{year}.csv", month_of("south", year, 5))
    assert cli.main(["handout", str(space.root), "--period", "2025"]) == cli.FINE
    return space


@pytest.fixture
def files_read(monkeypatch: pytest.MonkeyPatch) -> Iterator[list[str]]:
    """The paths of all files that are opened and read, as long as the test runs."""
    seen: list[str] = []
    honest, together = read.read_file, read.read_files

    def counted(source: Source, *more: object) -> read.FileRead:
        seen.append(source.file)
        return honest(source, *more)  # type: ignore[arg-type]

    def all_counted(sources: list[Source], *more: object) -> list[read.FileRead]:
        seen.extend(source.file for source in sources)
        return together(sources, *more)  # type: ignore[arg-type]

    monkeypatch.setattr(read, "read_file", counted)
    monkeypatch.setattr(read, "read_files", all_counted)
    yield seen


def sheet(space: workspace.Workspace, handout: str, name: str) -> list[dict[str, str]]:
    text = (space.handouts / handout / "csv" / f"{name}.csv").read_text(encoding="utf-8-sig")
    return list(csv.DictReader(io.StringIO(text)))


def test_a_month_more_is_in_the_hand_out_and_no_old_export_is_read_again(
    space: workspace.Workspace, files_read: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    before = sheet(space, "2025", "by_category")
    workspace.fill(space, "inbox/north/2025-12.csv", month_of("north", 2025, 12, cups=5))
    assert cli.main(["handout", str(space.root), "--period", "2025"]) == cli.FINE
    assert files_read == ["inbox/north/2025-12.csv"]
    assert f"Hand-out: {space.handouts / '2025'}" in capsys.readouterr().out
    after = sheet(space, "2025", "by_category")
    grown = {
        row["shop"]: float(row["VOC [kg]"]) - float(was["VOC [kg]"]) for row, was in zip(after, before, strict=True)
    }
    assert grown == pytest.approx({"north": 5 * 0.101, "south": 0.0})
    changed = {row["figure or register row"]: row for row in sheet(space, "2025", "changes")}
    assert changed["emissions_monthly | north | 2025-12 | topcoat_two_stage | voc_kg"]["what"] == "new"
    assert not any("south" in key for key in changed)


def test_the_hand_outs_totals_are_those_of_the_tables(space: workspace.Workspace) -> None:
    monthly = pl.read_parquet(space.out / "tables" / "emissions_monthly.parquet").filter(pl.col("month") >= "2025-01")
    book = openpyxl.load_workbook(space.handouts / "2025" / "environmental_record_2025.xlsx")
    rows = [[cell.value for cell in row] for row in book["summary"].iter_rows()]
    voc = [row[2] for row in rows if str(row[0]).strip().startswith("VOC,")]
    assert voc == pytest.approx(
        monthly.group_by("shop_id").agg(pl.col("voc_kg").sum()).sort("shop_id")["voc_kg"].to_list()
    )


def test_nothing_new_leaves_the_hand_out_as_it_is(
    space: workspace.Workspace, files_read: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    cli.main(["handout", str(space.root), "--period", "2025"])
    was = {path: path.read_bytes() for path in space.handouts.rglob("*") if path.is_file()}
    files_read.clear()
    capsys.readouterr()
    assert cli.main(["handout", str(space.root), "--period", "2025"]) == cli.FINE
    assert "Nothing differs from the hand-out that is there" in capsys.readouterr().out
    assert files_read == []
    assert {path: path.read_bytes() for path in space.handouts.rglob("*") if path.is_file()} == was


def test_one_shop_of_the_last_twelve_months(space: workspace.Workspace) -> None:
    assert cli.main(["handout", str(space.root), "--rolling", "--shop", "south"]) == cli.FINE
    last = pl.read_parquet(space.out / "tables" / "emissions_monthly.parquet")["month"].max()
    name = f"12-months-to-{last}_south"
    assert {row["shop"] for row in sheet(space, name, "emissions_monthly")} == {"south"}
    assert json.loads((space.handouts / name / "record.json").read_text())["shops"] == ["south"]


def test_no_hand_out_names_a_person(space: workspace.Workspace) -> None:
    files = [path for path in space.handouts.rglob("*") if path.is_file()]
    assert len(files) > 10
    for path in files:
        if path.suffix == ".xlsx":
            said = " ".join(
                str(c.value) for page in openpyxl.load_workbook(path) for row in page.iter_rows() for c in row
            )
        else:
            said = path.read_text(encoding="utf-8-sig")
        assert "hand-1" not in said and "Petra" not in said, path


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (["--period", "last year"], "write a month (2026-03), a quarter (2026-Q1) or a year (2026)"),
        (["--period", "2025", "--shop", "west"], "There is no shop 'west'; known here: north, south"),
    ],
)
def test_what_cannot_be_found_is_wrong_usage_and_says_what_to_write(
    space: workspace.Workspace, arguments: list[str], told: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.main(["handout", str(space.root), *arguments]) == cli.WRONG_USAGE
    assert told in capsys.readouterr().err


def test_a_period_must_be_said(space: workspace.Workspace) -> None:
    for wrong in ([], ["--period", "2025", "--rolling"]):
        with pytest.raises(SystemExit) as left:
            cli.main(["handout", str(space.root), *wrong])
        assert left.value.code == cli.WRONG_USAGE


def test_a_hand_out_that_cannot_be_written_leaves_the_old_one(
    space: workspace.Workspace, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = space.handouts / "2025"
    was = {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()}
    honest = Path.write_bytes

    def full(self: Path, data: bytes) -> int:
        if self.name == "summary.csv":
            raise OSError(28, "No space left on device")
        return honest(self, data)

    monkeypatch.setattr(Path, "write_bytes", full)
    with pytest.raises(workspace.WorkspaceError, match="disk is full"):
        workspace.keep_handout(space, "2025", {"a.xlsx": b"1", "csv/summary.csv": b"2"})
    assert {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()} == was
    assert [path.name for path in space.handouts.iterdir() if path.name.startswith(".")] == []
