"""Published tables are written beside the run: all of them, in every form that a reader can open, or the run says why not."""

from __future__ import annotations

import threading
from pathlib import Path

import duckdb
import polars as pl
import pytest

from pipelines import results, workspace
from pipelines.shelf import Shelf
from pipelines.workspace import WorkspaceError


@pytest.fixture
def shelf(tmp_path: Path) -> Shelf:
    space = workspace.init(tmp_path, "")[0]
    workspace.begin(space)
    shelf = Shelf(space)
    for name, rows in (("few", 3), ("many", 8)):
        shelf.put(name, pl.DataFrame({"number": range(rows), "said": ["=1+1"] * rows}))
    return shelf


def test_a_table_stands_in_every_form_and_as_a_spreadsheet_only_where_one_can_open_it(
    shelf: Shelf, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(results, "MOST_ROWS", 7)
    written = results.Results(shelf)
    for name in ("few", "many"):
        written.add(name)
    written.wait()
    written.close()
    building = shelf.space.building
    assert [path.name for path in (building / "csv").iterdir()] == ["few.csv"]
    with duckdb.connect(str(building / "filmledger.duckdb"), read_only=True) as connection:
        for name in ("few", "many"):
            assert pl.read_parquet(building / "tables" / f"{name}.parquet").equals(shelf[name])
            assert connection.table(name).pl().equals(shelf[name])


def test_what_could_not_be_written_stops_the_run_before_anything_is_put_in_force(shelf: Shelf) -> None:
    (shelf.space.building / "csv").write_text("a file where a folder should be")
    written = results.Results(shelf)
    written.add("few")
    with pytest.raises(WorkspaceError, match=r"Could not write .*csv"):
        written.wait()
    written.close()


def test_closing_gives_up_what_was_not_begun(shelf: Shelf, monkeypatch: pytest.MonkeyPatch) -> None:
    begun, go_on = threading.Event(), threading.Event()
    asked: list[str] = []

    def slow(name: str) -> None:
        asked.append(name)
        begun.set()
        go_on.wait(10)

    monkeypatch.setattr(shelf, "publish", slow)
    written = results.Results(shelf)
    for name in ("few", "many", "more"):
        written.add(name)
    assert begun.wait(10)
    threading.Timer(0.1, go_on.set).start()
    written.close()
    assert asked == ["few"]
