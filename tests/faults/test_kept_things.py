"""Bits flipped, files cut short, deleted, exchanged, made by older and newer versions, links and foreign files in what the program
keeps, by asking the functions that use it; whole runs over the same stand in test_whole_runs.py."""

from __future__ import annotations

import json
import os
import random
import subprocess
import sys
import textwrap
from pathlib import Path

import duckdb
import polars as pl
import pytest

from pipelines import run, taking_in, workbench, workspace
from pipelines.workspace import Workspace, WorkspaceError, checksums, kept_handouts

FLIPS = int(os.environ.get("FILMLEDGER_FLIPS", "120"))  # of each kind of file; `make faults` asks for more


@pytest.fixture
def space(tmp_path: Path) -> Workspace:
    return workspace.init(tmp_path / "shop", "")[0]


def finished_set(space: Workspace, number: int = 1) -> Path:
    workspace.begin(space)
    workspace.write_table(space, "one", pl.DataFrame({"number": [number] * 50}).write_parquet)
    workspace.write_basis(space, "two", pl.DataFrame({"word": ["a", "b"]}))
    workspace.write_bytes(space, "site/index.html", b"<p>figures 318.9</p>")
    workspace.write_csv(space, "csv/one.csv", [pl.DataFrame({"number": [number]})])
    workspace.write_database(space, lambda target: duckdb.connect(str(target)).close())
    return workspace.publish(space, {"number": number, "headline": {"te": 0.6543}, "inputs": {"inbox/a.csv": "x"}})


def flip(full: Path, chance: random.Random) -> bytes:
    """Turn one bit of a file; returns what stood there before."""
    before = full.read_bytes()
    at = chance.randrange(len(before) * 8)
    after = bytearray(before)
    after[at // 8] ^= 1 << at % 8
    full.write_bytes(after)
    return before


def files_of(folder: Path) -> list[Path]:
    return [full for full in sorted(folder.rglob("*")) if full.is_file() and full.name != checksums.WRITTEN]


def test_no_flipped_bit_of_a_set_in_force_passes(space: Workspace) -> None:
    folder = finished_set(space)
    chance = random.Random(1)
    said = workspace.manifest_in_force(space)
    assert said is not None and said["headline"] == {"te": 0.6543}
    files = files_of(folder)
    assert {one.name for one in files} == {
        ".manifest.json", "one.parquet", "two.parquet", "index.html", "one.csv", "filmledger.duckdb",
    }  # fmt: skip
    for full in files:
        for _ in range(FLIPS):
            before = flip(full, chance)
            assert workspace.manifest_in_force(space) is None, full
            name = full.stem
            if full.suffix == ".parquet" or full.name == workspace.MANIFEST:
                with pytest.raises(WorkspaceError, match="A run makes them anew"):
                    workspace.read_snapshot(folder, [name if full.suffix == ".parquet" else "one"])
            full.write_bytes(before)
    assert workspace.manifest_in_force(space) == said


@pytest.mark.parametrize("fault", ["gone", "cut", "empty", "folder", "link", "pipe", "exchanged"])
def test_a_file_of_the_set_that_is_something_else_is_noticed(space: Workspace, tmp_path: Path, fault: str) -> None:
    folder = finished_set(space)
    full = folder / "tables" / "one.parquet"
    content = full.read_bytes()
    full.unlink()
    if fault == "cut":
        full.write_bytes(content[:-7])
    elif fault == "empty":
        full.write_bytes(b"")
    elif fault == "folder":
        full.mkdir()
    elif fault == "link":
        (tmp_path / "same").write_bytes(content)
        full.symlink_to(tmp_path / "same")
    elif fault == "pipe":
        os.mkfifo(full)
    elif fault == "exchanged":
        pl.DataFrame({"number": [2] * 50}).write_parquet(full)
    manifest, wrong = workspace.set_in_force(space)
    assert manifest is not None and wrong is not None and "tables/one.parquet" in wrong
    if fault != "link":
        with pytest.raises(WorkspaceError, match=r"one\.parquet is damaged"):
            workspace.read_snapshot(folder, ["one"])
    finished_set(space, 2)
    assert workspace.manifest_in_force(space) is not None


def test_no_flipped_bit_of_what_was_read_passes_and_it_is_read_again(space: Workspace) -> None:
    def keep() -> None:
        workspace.Keeping(space, "key").finish({"pours": pl.DataFrame({"g": [318.9] * 40})}, {"state": "read"})

    keep()
    chance = random.Random(2)
    for full in files_of(space.intake_store):
        for _ in range(FLIPS):
            before = flip(full, chance)
            assert workspace.read_again(space, "key") is None
            full.write_bytes(before)
        full.unlink()
        assert workspace.read_again(space, "key") is None
        keep()
        assert workspace.read_again(space, "key") is not None


def test_a_flipped_bit_of_the_tables_of_earlier_runs_makes_them_anew(space: Workspace) -> None:
    folder = space.state / "tables"
    chance = random.Random(3)

    def fill() -> None:
        bench = workbench.opened(folder, 0.2, 1, told.append)
        bench.put("mixes", pl.DataFrame({"poured_g": [318.9] * 100}))
        bench.close()

    told: list[str] = []
    fill()
    assert told == [] and not workspace.bench_is_damaged(folder)
    for full in files_of(folder):
        for _ in range(FLIPS):
            before = flip(full, chance)
            assert workspace.bench_is_damaged(folder), full
            full.write_bytes(before)
    flip(folder / "tables.duckdb", chance)
    fill()
    assert told == ["The tables of earlier runs are damaged; all of them are made anew."]
    assert not workspace.bench_is_damaged(folder)


def test_no_flipped_bit_of_a_hand_out_passes_and_it_is_made_again(space: Workspace) -> None:
    files = {"record.json": b'{"g": 318.9}', "csv/a.csv": b"a\n1\n"}
    workspace.keep_handout(space, "2026-03", files)
    chance = random.Random(4)
    for full in files_of(space.handouts):
        for _ in range(FLIPS):
            before = flip(full, chance)
            assert not workspace.is_whole(space, "2026-03"), full
            assert workspace.read_handout(space, "2026-03/record.json") is None
            full.write_bytes(before)
    assert workspace.read_handout(space, "2026-03/record.json") == files["record.json"]


def test_what_somebody_changed_or_put_into_a_hand_out_is_set_aside(space: Workspace) -> None:
    for content in (b"1", b"2"):
        workspace.keep_handout(space, "2026", {"a.csv": content})
    assert os.listdir(space.handouts) == ["2026"]
    (space.handouts / "2026" / "signed.pdf").write_bytes(b"mine")
    workspace.keep_handout(space, "2026", {"a.csv": b"3"})
    (space.handouts / "2026" / "a.csv").write_bytes(b"3 and a note of mine")
    workspace.keep_handout(space, "2026", {"a.csv": b"4"})
    assert sorted(os.listdir(space.handouts)) == ["2026", "2026_before_1", "2026_before_2"]
    assert (space.handouts / "2026_before_1" / "signed.pdf").read_bytes() == b"mine"
    assert (space.handouts / "2026_before_2" / "a.csv").read_bytes() == b"3 and a note of mine"
    assert workspace.read_handout(space, "2026/a.csv") == b"4"


KILLED = textwrap.dedent(
    """
    import os, signal, sys
    from pipelines import workspace
    from pipelines.workspace import kept_handouts, snapshots
    space = workspace.find(sys.argv[1])
    number, count, one_step = int(sys.argv[2]), 0, sys.argv[3] == "one"
    for name in ("replace", "rename"):
        true = getattr(os, name)
        def stopped(*given, true=true):
            global count
            count += 1
            if count == number:
                os.kill(os.getpid(), signal.SIGKILL)
            true(*given)
            if count == -number:
                os.kill(os.getpid(), signal.SIGKILL)
        setattr(os, name, stopped)
    if not one_step:
        kept_handouts._exchanged = lambda one, other: False
    if sys.argv[4] == "handout":
        workspace.keep_handout(space, "2026", {"a.csv": b"new"})
    else:
        with workspace.lock(space):
            workspace.begin(space)
            workspace.write_bytes(space, "site/index.html", b"new")
            workspace.publish(space, {"number": 2})
    """
)


@pytest.mark.parametrize("what", ["handout", "set"])
@pytest.mark.parametrize("steps", ["one", "two"])
@pytest.mark.parametrize("number", [1, 2, 3])
def test_killed_at_any_rename_the_old_or_the_new_is_there(space: Workspace, what: str, steps: str, number: int) -> None:
    workspace.keep_handout(space, "2026", {"a.csv": b"old"})
    finished_set(space)
    subprocess.run([sys.executable, "-c", KILLED, str(space.root), str(number), steps, what], check=False)
    assert workspace.read_handout(space, "2026/a.csv") in (b"old", b"new")
    assert os.listdir(space.handouts) == ["2026"], "what was left beside it goes when it is looked for"
    assert workspace.manifest_in_force(space) is not None
    with workspace.lock(space):
        workspace.keep_handout(space, "2026", {"a.csv": b"next"})
        finished_set(space, 3)
    assert os.listdir(space.handouts) == ["2026"], "nothing is left of what was killed"
    assert workspace.read_handout(space, "2026/a.csv") == b"next"
    said = workspace.manifest_in_force(space)
    assert said is not None and said["number"] == 3 and not space.building.exists()


def test_an_older_set_is_made_anew_and_a_newer_one_refused(space: Workspace) -> None:
    folder = finished_set(space)
    note = folder / workspace.MANIFEST
    told = json.loads(note.read_bytes())
    del told["sha256"], told["form"]
    note.write_text(json.dumps({**told, "files": {"tables/one.parquet": 5}}))
    assert workspace.set_in_force(space) == (
        None, "the results in force were written by an earlier version of the program",
    )  # fmt: skip
    with pytest.raises(WorkspaceError, match="earlier version"):
        workspace.read_snapshot(folder, ["one"])
    newer = {**told, "form": checksums.FORM + 1}
    note.write_text(json.dumps({**newer, "sha256": checksums._of(newer)}))
    for use in (
        lambda: workspace.set_in_force(space),
        lambda: workspace.read_snapshot(folder, ["one"]),
        lambda: run.begin(space, run.Silent()).__enter__(),
    ):
        with pytest.raises(WorkspaceError, match="later version"):
            use()
    assert note.exists() and (folder / "tables" / "one.parquet").exists()


@pytest.mark.parametrize("part", ["", "building", "snapshots", "intake", "tables", "lock"])
def test_a_link_in_place_of_what_is_kept_is_refused_before_anything_is_written(
    space: Workspace, tmp_path: Path, part: str
) -> None:
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    (elsewhere / "mine.txt").write_text("keep me")
    if part:
        space.state.mkdir()
        (space.state / part).symlink_to(elsewhere)
    else:
        space.state.symlink_to(elsewhere)
    with pytest.raises(WorkspaceError, match="is a link"), run.begin(space, run.Silent()):
        pass
    assert os.listdir(elsewhere) == ["mine.txt"]


def test_nothing_foreign_is_deleted(space: Workspace, tmp_path: Path) -> None:
    """Files and folders of others in every place where the program clears up, and links out of them."""
    finished_set(space)
    workspace.Keeping(space, "key").finish({"pours": pl.DataFrame({"g": [1.0]})}, {})
    bench = workbench.opened(space.state / "tables", 0.2, 1, print)
    bench.close()
    precious = tmp_path / "precious"
    precious.mkdir()
    (precious / "one.000000.parquet").write_text("keep me")
    (precious / "tables.duckdb").write_text("keep me")
    mine = [
        space.state / "letters" / "a.txt", space.snapshots / "mine" / "a.txt", space.snapshots / "77" / "a.txt",
        space.snapshots / "000001" / "mine.txt", space.intake_store / "mine" / "a.000000.parquet",
        space.intake_store / "key" / "mine.txt", space.state / "tables" / "mine.txt", space.building / "mine.txt",
    ]  # fmt: skip
    for full in mine:
        full.parent.mkdir(parents=True, exist_ok=True)
        full.write_text("keep me")
    (space.intake_store / "key" / "out").symlink_to(precious)
    (space.state / "tables" / "out").symlink_to(precious)
    for number in (2, 3, 4):
        finished_set(space, number)
    workspace.forget_reads(space, [])
    workspace.forget_tables(space)
    workspace.forget_drafts(space)
    there = [full.read_text() for full in mine[:-1]]
    assert there == ["keep me"] * len(there)
    assert (space.state / "not_ours_1" / "mine.txt").read_text() == "keep me"
    assert len(os.listdir(precious)) == 2
    assert workspace.read_again(space, "key") is None and not (space.state / "tables" / "tables.duckdb").exists()


def test_an_own_link_called_out_is_left_alone(space: Workspace, tmp_path: Path) -> None:
    space.out.symlink_to(tmp_path)
    with pytest.raises(WorkspaceError, match="link of your own"):
        workspace.begin(space)
    assert os.readlink(space.out) == str(tmp_path)


def test_two_folders_change_places_in_one_step_where_the_system_can(tmp_path: Path) -> None:
    for name in ("a", "b"):
        (tmp_path / name).mkdir()
        (tmp_path / name / name).touch()
    done = kept_handouts._exchanged(tmp_path / "a", tmp_path / "b")
    assert done == ((tmp_path / "a" / "b").exists() and (tmp_path / "b" / "a").exists())
    assert done or sys.platform != "linux"


# --- what is missing ---


def test_a_folder_that_cannot_be_listed_is_not_empty(space: Workspace, monkeypatch: pytest.MonkeyPatch) -> None:
    (space.inbox / "march").mkdir()
    true = os.scandir

    def refused(at: object) -> object:
        if str(at).endswith("march"):
            raise OSError(5, "Input/output error", str(at))
        return true(at)  # type: ignore[call-overload]

    monkeypatch.setattr(os, "scandir", refused)
    with pytest.raises(WorkspaceError, match=r"march cannot be listed \(Input/output error\)"):
        workspace.inputs(space)


def test_an_inbox_that_is_not_there_is_not_empty(space: Workspace) -> None:
    space.inbox.rmdir()
    with pytest.raises(WorkspaceError, match=r"inbox is not there.*nothing was replaced"):
        workspace.inputs(space)
    space.inbox.symlink_to("nowhere")
    with pytest.raises(WorkspaceError, match="cannot be listed"):
        workspace.inputs(space)


def test_a_linked_top_folder_needs_the_setting_and_is_said(space: Workspace, tmp_path: Path) -> None:
    space.inbox.rename(tmp_path / "drive")
    space.inbox.symlink_to(tmp_path / "drive")
    with pytest.raises(WorkspaceError, match=r"inbox/ is a link out of the workspace.*linked_folders = true"):
        run.look(space, run.Silent())
    space.settings_file.write_text("[intake]\nlinked_folders = true\n")
    run.look(space, run.Silent())
    assert workspace.leading_out(space) == [f"inbox/ is a link out of the workspace, to {tmp_path / 'drive'}."]


@pytest.mark.parametrize(
    ("had", "has", "asks"), [(4, 2, True), (4, 3, False), (1, 0, True), (0, 0, False), (5, 0, True)]
)
def test_an_inbox_that_shrank_by_half_asks(space: Workspace, had: int, has: int, asks: bool) -> None:
    workspace.begin(space)
    workspace.publish(space, {"inputs": {f"inbox/{n}.csv": "x" for n in range(had)}})
    for n in range(has):
        (space.inbox / f"{n}.csv").write_text("x")
    if asks:
        with pytest.raises(WorkspaceError, match="--accept-removals"), run.begin(space, run.Silent()):
            pass
    with run.begin(space, run.Silent(), accept_removals=asks) as current:
        assert len(current.contents) == has
    assert workspace.manifest_in_force(space) is not None


def test_a_pipe_for_settings_is_refused_and_not_waited_for(space: Workspace) -> None:
    space.settings_file.unlink()
    os.mkfifo(space.settings_file)
    with pytest.raises(WorkspaceError, match="not a regular file"):
        run.look(space, run.Silent())


def test_settings_are_read_once_and_the_fingerprint_is_theirs(
    space: Workspace, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Changed right after they were read: what is published says with which it was made."""
    space.settings_file.write_text("[cup]\nflush_loss_g = 5.0\n")
    with_five = run.look(space, run.Silent()).fingerprint
    true = workspace.inputs

    def meanwhile(of: Workspace) -> object:
        space.settings_file.write_text("[cup]\nflush_loss_g = 50.0\n")
        return true(of)

    monkeypatch.setattr(workspace, "inputs", meanwhile)
    current = run.look(space, run.Silent())
    assert (current.settings.cup.flush_loss_g, current.fingerprint) == (5.0, with_five)
    assert run.look(space, run.Silent()).fingerprint != with_five


def test_a_failed_run_leaves_nothing_that_takes_room(space: Workspace) -> None:
    with pytest.raises(ZeroDivisionError), run.begin(space, run.Silent()):
        workspace.write_bytes(space, "site/index.html", b"x" * 1000)
        workspace.Keeping(space, "key").put("pours", pl.DataFrame({"g": [1.0]}))
        raise ZeroDivisionError
    left = [full for full in space.state.rglob("*") if full.is_file() and full.stat().st_size]
    assert left == []


def test_two_names_that_read_alike_do_not_take_each_others_place(space: Workspace) -> None:
    """One of them is a sign that nobody sees, the other its name in print: no run could be made beside both."""
    for name in ("a\x1b.csv", "a<U+001B>.csv", "b.csv"):
        (space.inbox / name).write_text(name)
    found = workspace.inputs(space)
    assert [one.path for one in found] == ["inbox/a<U+001B>.csv", "inbox/a<U+001B>.csv <2>", "inbox/b.csv"]
    assert len(workspace.digests(found)) == 3 and "rename it" in (found[1].trouble or "")


@pytest.mark.parametrize("content", [b"\xff\xfe\x00", b"x", b"", b"0" * 64 + b"  closed_figures.csv\n"])
def test_a_damaged_seal_of_closed_months_is_said(space: Workspace, content: bytes) -> None:
    workspace.keep_sealed(space, {"registers/closed_figures.csv": b"shop_id,month\nnorth,2026-03\n"})
    (space.registers / ".closed.sha256").write_bytes(content)
    with pytest.raises(WorkspaceError, match="figures of closed months stay"):
        run.look(space, run.Silent())


def test_a_pipe_in_place_of_closed_months_is_not_waited_for(space: Workspace) -> None:
    os.mkfifo(space.registers / "closed_figures.csv")
    with pytest.raises(WorkspaceError, match="no seal"):
        run.look(space, run.Silent())


def test_what_is_far_too_large_is_not_read_to_be_known(space: Workspace) -> None:
    """Sparse files of 10 GB: an export is known by its size, settings and layouts are refused."""
    import time

    with open(space.inbox / "image.csv", "wb") as handle:
        handle.truncate(10_000_000_000)
    began = time.process_time()
    current = run.look(space, run.Silent())
    assert current.contents["inbox/image.csv"].startswith("too large: 10000000000 ")
    found = taking_in.take_in(current, current.settings.flat()).told()[0]
    assert "max_file_mb" in found["message"][0] and time.process_time() - began < 5
    (space.inbox / "image.csv").rename(space.layouts / "image.toml")
    with pytest.raises(WorkspaceError, match="too large to be a layout"):
        taking_in.read_everything(run.look(space, run.Silent()))
    (space.layouts / "image.toml").rename(space.settings_file)
    with pytest.raises(WorkspaceError, match="too large to be settings"):
        run.look(space, run.Silent())
