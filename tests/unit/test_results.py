"""What readers get of each published table: every form that a reader can open, linked where nothing changed, or the run says why not."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace

import polars as pl
import pytest

from pipelines import results, workspace
from pipelines.workbench import DuckDB, Note
from pipelines.workspace import Workspace, WorkspaceError
from schemas import validate


@pytest.fixture
def space(tmp_path: Path) -> Workspace:
    space = workspace.init(tmp_path, "")[0]
    workspace.begin(space)
    return space


@pytest.fixture
def run(space: Workspace) -> SimpleNamespace:
    bench = DuckDB()
    row = {"shop_id": "s", "role": "clear", "n": 3, "leftover_share": 1 / 3, "leftover_share_sd": 0.1}
    schema = validate.empty("leftover_habits").schema
    with bench.writing():
        bench.put("leftover_habits", pl.DataFrame([row, row | {"shop_id": "=1+1"}], schema=schema).sort("shop_id"))
        content, rows = bench.look("leftover_habits")
        bench.note("leftover_habits", Note("", {}, content, rows, {}))
    return SimpleNamespace(space=space, bench=bench)


def test_a_table_stands_as_a_file_and_as_a_spreadsheet_only_where_one_can_open_it(
    run: SimpleNamespace, monkeypatch: pytest.MonkeyPatch
) -> None:
    building = run.space.building
    results._copy_out(run, "leftover_habits", linked=False)
    found = pl.read_parquet(building / "tables" / "leftover_habits.parquet")
    assert found["leftover_share"].to_list() == [0.333333333333] * 2
    sheet = (building / "csv" / "leftover_habits.csv").read_text(encoding="utf-8-sig")
    assert sheet.splitlines()[0].startswith("shop_id,role") and "'=1+1,clear" in sheet
    workspace.begin(run.space)
    monkeypatch.setattr(results, "MOST_ROWS", 1)
    results._copy_out(run, "leftover_habits", linked=False)
    assert not (building / "csv").exists()


def test_what_could_not_be_written_stops_the_run_before_anything_is_put_in_force(run: SimpleNamespace) -> None:
    (run.space.building / "csv").write_text("a file where a folder should be")
    with pytest.raises(WorkspaceError, match=r"Could not write .*csv"):
        results._copy_out(run, "leftover_habits", linked=False)


def test_a_table_that_did_not_change_is_taken_from_the_set_in_force(run: SimpleNamespace) -> None:
    results._copy_out(run, "leftover_habits", linked=False)
    first = workspace.publish(run.space, {}) / "tables" / "leftover_habits.parquet"
    workspace.begin(run.space)
    results._copy_out(run, "leftover_habits", linked=True)
    second = run.space.building / "tables" / "leftover_habits.parquet"
    assert second.stat().st_ino == first.stat().st_ino and second.read_bytes() == first.read_bytes()
    assert (run.space.building / "csv" / "leftover_habits.csv").is_file()
