"""Whether anything is new is asked without reading again what nobody touched, and without missing what somebody did."""

from __future__ import annotations

import os
import time
from pathlib import Path

import pytest

from pipelines import workspace
from pipelines.workspace import Workspace
from pipelines.workspace.checksums import sha256_file

LATER = 60.0
CLOCK = time.time


@pytest.fixture
def space(tmp_path: Path) -> Workspace:
    space, _ = workspace.init(tmp_path / "shop", "")
    space.state.mkdir()
    (space.inbox / "pours.csv").write_text("job_id,weighed_g\nj1,318.9\n")
    return space


@pytest.fixture
def reads(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Names of files that were read to be looked at, and a clock that stands a minute after now."""
    found: list[str] = []

    def read(full: Path) -> str:
        found.append(full.name)
        return sha256_file(full)

    monkeypatch.setattr("pipelines.workspace.looked_at.sha256_file", read)
    at(monkeypatch, LATER)
    return found


def at(monkeypatch: pytest.MonkeyPatch, seconds: float) -> None:
    now = CLOCK() + seconds
    monkeypatch.setattr("pipelines.workspace.looked_at.time.time", lambda: now)


def look(space: Workspace) -> str:
    full = space.inbox / "pours.csv"
    with workspace.known_sums(space) as of:
        found = of(full)
    assert found == sha256_file(full)
    return found


def test_what_nobody_touched_is_read_once(space: Workspace, reads: list[str]) -> None:
    assert look(space) == look(space) == look(space)
    assert reads == ["pours.csv"]


@pytest.mark.parametrize("how", ["written", "replaced", "moved there"])
def test_what_was_changed_is_read_again_though_size_and_time_are_as_before(
    space: Workspace, reads: list[str], how: str
) -> None:
    full = space.inbox / "pours.csv"
    before, stood = look(space), full.stat()
    if how == "written":
        full.write_text("job_id,weighed_g\nj1,319.9\n")
    else:
        other = full.with_name("other")
        other.write_text("job_id,weighed_g\nj1,319.9\n")
        full.unlink() if how == "moved there" else None
        os.replace(other, full)
    os.utime(full, ns=(stood.st_atime_ns, stood.st_mtime_ns))
    assert full.stat().st_size == stood.st_size and full.stat().st_mtime_ns == stood.st_mtime_ns
    assert look(space) != before
    assert reads == ["pours.csv"] * 2


def test_every_file_is_read_again_once_a_day(
    space: Workspace, reads: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    look(space)
    at(monkeypatch, LATER + 86_300)
    look(space)
    assert len(reads) == 1
    at(monkeypatch, LATER + 86_410)
    look(space)
    assert len(reads) == 2


def test_a_look_just_after_a_change_is_not_believed(
    space: Workspace, reads: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    at(monkeypatch, 1.0)  # the clocks of some file systems tick once in two seconds
    look(space)
    look(space)
    assert len(reads) == 2


def test_a_look_in_the_future_is_not_believed(
    space: Workspace, reads: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    look(space)
    at(monkeypatch, LATER - 30)
    look(space)
    assert len(reads) == 2


def test_a_damaged_record_is_not_believed(space: Workspace, reads: list[str]) -> None:
    look(space)
    record = space.state / "looked_at.json"
    content = record.read_text()
    assert "pours" not in content  # no names are kept
    record.write_text(content.replace(sha256_file(space.inbox / "pours.csv")[:9], "0" * 9))
    look(space)
    assert len(reads) == 2


def test_what_cannot_be_read_is_told_and_a_pipe_is_not_waited_for(space: Workspace) -> None:
    with workspace.known_sums(space) as of:
        with pytest.raises(FileNotFoundError):
            of(space.inbox / "gone.csv")
        os.mkfifo(space.inbox / "pipe")
        with pytest.raises(OSError, match="not a regular file"):
            of(space.inbox / "pipe")


def test_where_the_record_cannot_be_written_the_look_still_tells(space: Workspace, reads: list[str]) -> None:
    (space.state / "looked_at.json").mkdir()
    look(space)
    look(space)
    assert len(reads) == 2


def test_a_flipped_bit_in_a_set_that_was_looked_at_is_noticed(
    space: Workspace, monkeypatch: pytest.MonkeyPatch
) -> None:
    workspace.begin(space)
    workspace.write_bytes(space, "site/index.html", b"<p>figures 318.9</p>")
    folder = workspace.publish(space, {"headline": {}})
    at(monkeypatch, LATER)
    for _ in range(2):
        with workspace.known_sums(space) as of:
            assert workspace.set_in_force(space, of)[1] is None
    full = folder / "site" / "index.html"
    stood = full.stat()
    full.write_bytes(b"<p>figures 308.9</p>")
    os.utime(full, ns=(stood.st_atime_ns, stood.st_mtime_ns))
    with workspace.known_sums(space) as of:
        _, wrong = workspace.set_in_force(space, of)
    assert wrong is not None and "site/index.html" in wrong
