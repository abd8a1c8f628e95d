"""Disks that fill up, folders that may not be written, two runs at once, files that vanish: said plainly, nothing replaced."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import polars as pl
import pytest

from pipelines import cli, commands, run, taking_in, workspace
from pipelines.workspace import Workspace, WorkspaceError
from tests.workspaces import hashes

HOME = Path(__file__).resolve().parents[2]


def late(space: Workspace) -> None:
    rows = pl.read_csv(space.inbox / "pours.csv", infer_schema=False).head(3).with_columns(mix_id=pl.lit("late"))
    rows.write_csv(space.inbox / "pours_late.csv")


@pytest.fixture
def late_copy(copy: Workspace) -> Workspace:
    late(copy)
    return copy


@pytest.fixture
def small_disk(finished: Workspace, tmp_path: Path) -> Iterator[Workspace]:
    """The workspace on a disk (tmpfs) with almost no room left. Needs the right to mount."""
    disk = tmp_path / "disk"
    disk.mkdir()
    used = sum(p.lstat().st_size for p in finished.root.rglob("*") if p.is_file())
    size = 2 * used + 3_000_000  # once the filler is gone there is room for a second set of results
    done = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", f"size={size}", "tmpfs", str(disk)], capture_output=True, check=False
    )
    if done.returncode:
        pytest.skip("mounting a small disk is not allowed here")
    try:
        shutil.copytree(finished.root, disk / "shop", symlinks=True)
        space = Workspace(disk / "shop")
        late(space)
        stat = os.statvfs(disk)
        with open(disk / "filler", "wb") as filler:
            filler.write(b"\0" * max(0, stat.f_bavail * stat.f_frsize - 1_500_000))
        yield space
    finally:
        subprocess.run(["umount", "-l", str(disk)], check=False)


def test_a_full_disk_is_said_and_the_old_results_stay(
    small_disk: Workspace, capsys: pytest.CaptureFixture[str]
) -> None:
    before, set_before = hashes(small_disk), small_disk.snapshot()
    assert cli.main(["run", str(small_disk.root)]) == 1
    told = capsys.readouterr().err
    assert "the disk is full" in told and "nothing was replaced" in told, told
    assert told.startswith("filmledger: ") and told.count("\n") == 1, "no line of a library's own"
    assert small_disk.snapshot() == set_before and hashes(small_disk) == before
    (small_disk.root.parent / "filler").unlink()
    assert cli.main(["run", str(small_disk.root)]) in (0, 3)
    assert hashes(small_disk) != before


def test_a_folder_that_may_not_be_written_is_said_and_the_old_results_stay(
    finished: Workspace, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A read-only mount, because the tests may run as a user whom no permission stops."""
    space_root = tmp_path / "shop"
    shutil.copytree(finished.root, space_root, symlinks=True)
    late(Workspace(space_root))
    before = hashes(Workspace(space_root))
    bound = subprocess.run(["mount", "--bind", str(space_root), str(space_root)], capture_output=True, check=False)
    if bound.returncode:
        pytest.skip("mounting is not allowed here")
    try:
        subprocess.run(["mount", "-o", "remount,ro,bind", str(space_root)], check=True)
        assert cli.main(["run", str(space_root)]) == 1
        told = capsys.readouterr().err
        assert "may not be written" in told and "nothing was replaced" in told, told
        assert hashes(Workspace(space_root)) == before
    finally:
        subprocess.run(["umount", "-l", str(space_root)], check=False)


def test_a_second_run_says_who_is_running_and_ends_with_1(late_copy: Workspace) -> None:
    copy = late_copy
    before = hashes(copy)
    with workspace.lock(copy):
        done = subprocess.run(
            [sys.executable, "-m", "pipelines.cli", "run", str(copy.root)],
            capture_output=True,
            text=True,
            cwd=HOME,
            check=False,
        )
    assert done.returncode == 1
    assert f"process {os.getpid()}" in done.stderr and "already running" in done.stderr
    assert hashes(copy) == before


def test_a_file_that_vanishes_while_files_are_read_stops_the_run(
    late_copy: Workspace, monkeypatch: pytest.MonkeyPatch
) -> None:
    copy, before = late_copy, hashes(late_copy)
    true_unpack = workspace.read_again

    def meanwhile(space: Workspace, key: str) -> object:
        (copy.inbox / "pours_late.csv").unlink(missing_ok=True)
        return true_unpack(space, key)

    monkeypatch.setattr(workspace, "read_again", meanwhile)
    with pytest.raises(Exception, match="changed while being read") as error:
        commands.run(copy)
    assert isinstance(error.value, WorkspaceError) or "WorkspaceError" in repr(error.value.__cause__)
    assert hashes(copy) == before


def test_a_file_that_was_moved_is_known_by_its_content_and_not_read_again(
    late_copy: Workspace, monkeypatch: pytest.MonkeyPatch
) -> None:
    from pipelines.intake.reading import read

    copy = late_copy
    first = taking_in.read_everything(run.look(copy, run.Silent()))
    (copy.inbox / "old").mkdir()
    (copy.inbox / "pours.csv").rename(copy.inbox / "old" / "pours.csv")
    asked: list[str] = []
    true_read, true_reads = read.read_file, read.read_files
    monkeypatch.setattr(
        read, "read_file", lambda source, *more: (asked.append(source.file), true_read(source, *more))[1]
    )
    monkeypatch.setattr(
        read, "read_files", lambda few, *more: (asked.extend(one.file for one in few), true_reads(few, *more))[1]
    )
    second = taking_in.read_everything(run.look(copy, run.Silent()))
    assert "inbox/old/pours.csv" not in asked
    moved, kept = first.tables["pours"].drop("file"), second.tables["pours"].drop("file")
    assert moved.sort(pl.all()).equals(kept.sort(pl.all()))


def test_a_register_changed_later_changes_what_hangs_on_it(copy: Workspace) -> None:
    before = hashes(copy)
    register = copy.registers / "components.csv"
    table = pl.read_csv(register, infer_schema=False)
    table.with_columns(pl.lit("1.07").alias("density_g_per_ml")).write_csv(register)
    assert commands.run(copy).new
    after = hashes(copy)
    assert after["tables/mixes.parquet"] != before["tables/mixes.parquet"]
