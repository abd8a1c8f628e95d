"""Dagster's records of old runs are taken away: the workspace stops growing, and nothing that stops it midway matters."""

import os
import signal
import sqlite3
import subprocess
import sys
from types import SimpleNamespace

import dagster as dg
import pytest

from pipelines import conductor, definitions, workspace

KEPT = 3


@dg.asset(metadata={"told": "much " * 20_000})
def pours() -> dg.MaterializeResult:
    return dg.MaterializeResult(metadata={"said": "more " * 20_000})


@dg.asset_check(asset=pours)
def weighed() -> dg.AssetCheckResult:
    return dg.AssetCheckResult(passed=True, metadata={"found": "much " * 20_000})


@pytest.fixture
def space(tmp_path, monkeypatch):
    """A workspace whose graph is one table and one check, run by the conductor itself."""
    monkeypatch.setattr(definitions, "assets", [pours, weighed])
    monkeypatch.setattr(conductor, "KEPT_RUNS", KEPT)
    return workspace.init(tmp_path / "shop", "")[0]


def run(space: workspace.Workspace) -> None:
    conductor._materialize(SimpleNamespace(space=space))


def runs(space: workspace.Workspace) -> list[str]:
    with conductor._records(space) as instance:
        assert dg.AssetKey("pours") in instance.all_asset_keys()
        assert instance.get_latest_materialization_event(dg.AssetKey("pours")) is not None
        return list(instance.get_run_ids())


def files(space: workspace.Workspace) -> set[str]:
    return {path.stem for path in (space.dagster_home / "history" / "runs").glob("*.db")} - {"index"}


def size(space: workspace.Workspace) -> int:
    return sum(path.stat().st_size for path in space.dagster_home.rglob("*") if path.is_file())


def rows(space: workspace.Workspace, table: str) -> int:
    with sqlite3.connect(space.dagster_home / "history" / "runs" / "index.db") as connection:
        return connection.execute(f"SELECT count(*) FROM {table}").fetchone()[0]


def test_only_the_last_runs_stay_on_record_and_the_records_stop_growing(space):
    first, grown = set(), []
    for _ in range(KEPT + 3):
        run(space)
        first = first or set(runs(space))
        grown.append((size(space), rows(space, "event_logs"), rows(space, "asset_check_executions")))
    assert len(runs(space)) == KEPT
    assert files(space) == set(runs(space))
    assert not first & files(space)
    assert grown[0] < grown[1] < grown[2], "what is to stop growing must have grown"
    assert grown[-1][0] <= grown[KEPT][0] * 1.02
    assert {one[1:] for one in grown[KEPT:]} == {grown[KEPT - 1][1:]}


def test_records_of_many_runs_go_a_few_at_a_time_and_the_room_they_took_is_given_back(space, monkeypatch):
    monkeypatch.setattr(conductor, "KEPT_RUNS", 100)
    for _ in range(7):
        run(space)
    before = size(space)
    monkeypatch.setattr(conductor, "KEPT_RUNS", KEPT)
    monkeypatch.setattr(conductor, "FORGOTTEN_AT_ONCE", 4)
    monkeypatch.setattr(conductor, "WORTH_COMPACTING", 100_000)
    run(space)
    assert len(runs(space)) == 7 - 4 + 1
    run(space)
    assert len(runs(space)) == KEPT == len(files(space))
    assert size(space) < before * 0.6


def test_old_records_that_cannot_be_taken_away_stop_no_run(space, monkeypatch):
    def refuse(*_):
        raise OSError("no room")

    for _ in range(KEPT):
        run(space)
    monkeypatch.setattr(dg.DagsterInstance, "delete_run", refuse)
    run(space)
    assert len(runs(space)) == KEPT + 1


KILLED = """
import os, signal, sys
from pathlib import Path
from pipelines import conductor, workspace

def stop(*_, **__):
    os.kill(os.getpid(), signal.SIGKILL)

from dagster._core.storage.event_log.sqlite.sqlite_event_log import SqliteEventLogStorage
setattr({owner}, "{method}", stop)
conductor.KEPT_RUNS = 2
with conductor._records(workspace.find(sys.argv[1])) as instance:
    conductor._forget_old(instance)
"""


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="this system kills in another way")
@pytest.mark.parametrize(
    ("owner", "method"),
    [("SqliteEventLogStorage", "delete_events_for_run"), ("Path", "unlink")],
    ids=["before its events are deleted", "before its file is"],
)
def test_killed_while_records_are_taken_away_the_workspace_runs_and_they_go_later(space, owner, method):
    for _ in range(KEPT):
        run(space)
    home = os.path.dirname(os.path.dirname(conductor.__file__))
    script = KILLED.format(owner=owner, method=method)
    done = subprocess.run([sys.executable, "-c", script, str(space.root)], cwd=home, capture_output=True, text=True)
    assert done.returncode == -signal.SIGKILL, done.stderr
    assert len(files(space)) == KEPT > len(runs(space)), "killed between two of its steps"
    run(space)
    assert files(space) == set(runs(space))
    assert len(runs(space)) == KEPT
