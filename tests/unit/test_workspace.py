"""The folder of a shop: lock, swap of snapshots, the store of files already read, refusals of the file system."""

import json
import multiprocessing
import os
import signal
import subprocess
import sys
import tempfile
import textwrap
import threading
import time
from pathlib import Path

import duckdb
import polars as pl
import pytest

from pipelines import workbench, workspace
from pipelines.workspace import Workspace, WorkspaceError, run_lock


@pytest.fixture
def space(tmp_path: Path) -> Workspace:
    return workspace.init(tmp_path / "shop", "# settings\n")[0]


def fill(target: Path) -> None:
    with duckdb.connect(str(target)) as connection:
        for name in ("one", "two"):
            connection.read_parquet(str(target.parent / "tables" / f"{name}.parquet")).create(name)


def finished_set(space: Workspace, number: int) -> None:
    """Publish a set whose every file carries `number`."""
    workspace.begin(space)
    for name in ("one", "two"):
        workspace.write_table(space, name, pl.DataFrame({"number": [number]}).write_parquet)
    workspace.write_bytes(space, "site/index.html", str(number).encode())
    workspace.write_database(space, fill)
    workspace.publish(space, {"number": number})


# --- finding and making ---


def test_init_makes_the_folders_and_keeps_what_is_there(tmp_path):
    space, made = workspace.init(tmp_path / "deep" / "shop", "first\n")
    assert made == ["inbox/", "layouts/", "registers/", "filmledger.toml"]
    again, made_again = workspace.init(tmp_path / "deep" / "shop", "second\n")
    assert (again, made_again) == (space, [])
    assert space.settings_file.read_text() == "first\n"


def test_a_workspace_is_found_from_a_folder_inside_it(space, monkeypatch):
    monkeypatch.chdir(space.inbox)
    assert workspace.find() == space


def test_a_folder_that_is_no_workspace_is_told_with_the_way_to_make_one(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    with pytest.raises(WorkspaceError, match="filmledger init"):
        workspace.find()
    with pytest.raises(WorkspaceError, match=r"neither filmledger\.toml nor inbox/"):
        workspace.find(tmp_path)
    with pytest.raises(WorkspaceError, match="is not a folder"):
        workspace.find(tmp_path / "nowhere")


# --- inputs and fingerprints ---


def test_inputs_are_sorted_paths_without_the_litter_of_editors(space):
    for name in (
        "inbox/b.csv",
        "inbox/a/b.csv",
        "inbox/.hidden.csv",
        "inbox/~$b.xlsx",
        "inbox/.git/x",
        "layouts/l.toml",
    ):
        workspace.fill(space, name, b"x")
    assert [one.path for one in workspace.inputs(space)] == ["inbox/a/b.csv", "inbox/b.csv", "layouts/l.toml"]


def test_a_link_out_of_the_workspace_is_listed_with_its_trouble_and_never_read(space, tmp_path):
    (tmp_path / "secret.csv").write_text("secret")
    (space.inbox / "out.csv").symlink_to(tmp_path / "secret.csv")
    (space.inbox / "folder").symlink_to(tmp_path)
    (space.inbox / "nowhere.csv").symlink_to(tmp_path / "gone.csv")
    (space.inbox / "real.csv").write_text("x")
    (space.inbox / "alias.csv").symlink_to(space.inbox / "real.csv")
    troubles = {one.path: one.trouble for one in workspace.inputs(space)}
    assert troubles["inbox/real.csv"] is None
    assert troubles["inbox/alias.csv"] is None
    assert "leads out of the workspace" in troubles["inbox/out.csv"]
    assert "leads out of the workspace" in troubles["inbox/folder"]
    assert "cannot be opened" in troubles["inbox/nowhere.csv"]
    contents = workspace.digests(workspace.inputs(space))
    assert contents["inbox/out.csv"].startswith("unreadable")
    assert contents["inbox/alias.csv"] == contents["inbox/real.csv"]


def test_a_pipe_in_the_inbox_does_not_stop_the_run(space):
    os.mkfifo(space.inbox / "pipe.csv")
    assert workspace.inputs(space)[0].trouble == "is not a regular file; copy its content into one"


def test_the_fingerprint_follows_content_names_settings_and_program_but_no_time(space):
    def now(code: str = "program") -> str:
        return workspace.fingerprint(workspace.settings_bytes(space), workspace.digests(workspace.inputs(space)), code)

    workspace.fill(space, "inbox/a.csv", b"1")
    first = now()
    os.utime(space.inbox / "a.csv", (1, 1))
    assert now() == first
    assert now("another program") != first
    workspace.fill(space, "inbox/a.csv", b"2")
    second = now()
    assert second != first
    (space.inbox / "a.csv").rename(space.inbox / "b.csv")
    assert now() not in (first, second)
    workspace.fill(space, "inbox/a.csv", b"1")
    (space.inbox / "b.csv").unlink()
    assert now() == first
    space.settings_file.write_text("[cup]\n")
    assert now() != first


def test_the_digest_of_the_program_covers_sql_and_is_stable():
    assert workspace.code_digest() == workspace.code_digest()
    assert workspace.code_digest(["pipelines"]) != workspace.code_digest(["schemas"])


# --- what was read before ---


def test_what_was_read_comes_back_as_it_was_and_a_damaged_entry_counts_as_none(space):
    frame = pl.DataFrame({"a": [1, None], "b": [["x"], []]})
    workspace.Keeping(space, "key").finish({"pours": frame}, {"state": "read"})
    frames, notes = workspace.read_again(space, "key")
    assert frames["pours"].collect().equals(frame)
    assert notes == {"state": "read"}
    block = space.intake_store / "key" / "pours.000000.parquet"
    for damage in (b"cut short", b"x" * block.stat().st_size):
        block.write_bytes(damage)
        assert workspace.read_again(space, "key") is None
        workspace.Keeping(space, "key").finish({"pours": frame}, {})
        assert workspace.read_again(space, "key") is not None
    workspace.Keeping(space, "other").finish({}, {})
    workspace.forget_reads(space, ["other"])
    assert workspace.read_again(space, "key") is None
    assert workspace.read_again(space, "other") == ({}, {})


def test_blocks_come_back_as_one_frame_and_what_was_cleared_does_not(space):
    place = workspace.Keeping(space, "key")
    place.put("pours", pl.DataFrame({"a": [1]}))
    place.clear()
    assert place.put("pours", pl.DataFrame({"a": [2]})).collect()["a"].to_list() == [2]
    place.put("pours", pl.DataFrame({"a": [3], "mark": [True]}))
    assert workspace.read_again(space, "key") is None
    place.finish({"more": pl.DataFrame({"b": ["x"]})}, {})
    frames, _ = workspace.read_again(space, "key")
    assert frames["pours"].collect().rows() == [(2, None), (3, True)] and frames["more"].collect().height == 1
    assert os.listdir(space.intake_store) == ["key"]


# --- snapshots ---


def test_publishing_puts_a_whole_set_in_force_and_keeps_the_one_before(space):
    for number in (1, 2, 3):
        finished_set(space, number)
    assert sorted(os.listdir(space.snapshots)) == ["000002", "000003"]
    assert space.out.is_symlink()
    assert not Path(os.readlink(space.out)).is_absolute()
    assert workspace.manifest_in_force(space)["number"] == 3
    with duckdb.connect(str(space.out / "filmledger.duckdb"), read_only=True) as connection:
        assert connection.sql("select number from two").fetchall() == [(3,)]


def test_a_workspace_may_be_moved_with_its_results(space, tmp_path):
    finished_set(space, 1)
    space.root.rename(tmp_path / "elsewhere")
    assert workspace.manifest_in_force(workspace.find(tmp_path / "elsewhere"))["number"] == 1


def test_a_set_with_a_file_missing_or_cut_short_is_not_taken_for_finished(space):
    finished_set(space, 1)
    (space.out / "site" / "index.html").write_bytes(b"")
    assert workspace.manifest_in_force(space) is None
    finished_set(space, 2)
    (space.out / "tables" / "one.parquet").unlink()
    assert workspace.manifest_in_force(space) is None


def test_out_as_a_real_folder_is_left_alone_and_told(space):
    space.out.mkdir()
    (space.out / "mine.txt").write_text("keep me")
    with pytest.raises(WorkspaceError, match="Move it away"):
        workspace.begin(space)
    assert (space.out / "mine.txt").read_text() == "keep me"


def test_a_file_of_the_set_cannot_be_written_outside_it(space):
    workspace.begin(space)
    with pytest.raises(WorkspaceError, match="leads out"):
        workspace.write_bytes(space, "../../inbox/a.csv", b"x")
    assert not (space.inbox / "a.csv").exists()


def test_a_reader_polling_while_sets_change_never_sees_a_mixture_or_nothing(space):
    finished_set(space, 0)
    stop = threading.Event()
    seen: set[int] = set()
    trouble: list[object] = []

    def poll() -> None:
        while not stop.is_set():
            folder = space.snapshot()
            if folder is None:
                trouble.append("nothing in force")
                continue
            numbers = {pl.read_parquet(folder / "tables" / f"{name}.parquet")["number"][0] for name in ("one", "two")}
            numbers.add(int((folder / "site" / "index.html").read_text()))
            seen.update(numbers)
            if len(numbers) != 1:
                trouble.append(numbers)

    reader = threading.Thread(target=poll)
    reader.start()
    for number in range(1, 15):
        finished_set(space, number)
        time.sleep(0.02)
    stop.set()
    reader.join()
    assert trouble == []
    assert len(seen) > 3


PUBLISH_FOR_EVER = textwrap.dedent(
    """
    import sys, polars as pl
    from pathlib import Path
    from pipelines import workspace
    space = workspace.find(sys.argv[1])
    print("ready", flush=True)
    for number in range(10_000):
        with workspace.lock(space):
            workspace.begin(space)
            for name in ("one", "two"):
                workspace.write_table(space, name, pl.DataFrame({"number": [number]}).write_parquet)
            workspace.write_bytes(space, "site/index.html", str(number).encode())
            workspace.publish(space, {"number": number})
    """
)


def test_killed_in_the_middle_the_folder_holds_one_whole_set_and_takes_the_next_run(space):
    finished_set(space, 0)
    for wait in (0.0, 0.01, 0.023, 0.05):
        child = subprocess.Popen(
            [sys.executable, "-c", PUBLISH_FOR_EVER, str(space.root)], stdout=subprocess.PIPE, text=True
        )
        assert child.stdout.readline() == "ready\n"
        time.sleep(wait)
        child.kill()
        child.wait()
        child.stdout.close()
        manifest = workspace.manifest_in_force(space)
        folder = space.snapshot()
        for name in ("one", "two"):
            assert pl.read_parquet(folder / "tables" / f"{name}.parquet")["number"][0] == manifest["number"]
        with workspace.lock(space):
            finished_set(space, -1)
        assert workspace.manifest_in_force(space)["number"] == -1
        assert not space.building.exists()


# --- refusals of the file system ---


def test_full_disk_and_forbidden_folder_are_told_as_what_they_are():
    assert "disk is full" in str(workspace.refusal(OSError(28, "No space left on device"), "write x"))
    assert "may not be written" in str(workspace.refusal(PermissionError(13, "Permission denied"), "write x"))
    assert workspace.is_refusal(OSError(28, "No space left on device"))
    assert workspace.is_refusal(RuntimeError("database or disk is full"))
    assert not workspace.is_refusal(RuntimeError("something else"))
    assert not workspace.is_refusal(FileNotFoundError(2, "No such file"))


def test_a_draft_takes_its_name_whole_or_goes(tmp_path):
    with workspace.draft_of(tmp_path / "shop") as draft:
        (draft / "a").write_text("x")
        assert not (tmp_path / "shop").exists()
    assert (tmp_path / "shop" / "a").read_text() == "x"
    with pytest.raises(ZeroDivisionError), workspace.draft_of(tmp_path / "other"):
        raise ZeroDivisionError
    assert os.listdir(tmp_path) == ["shop"]


def test_a_folder_of_something_else_is_not_taken_for_the_demo(space, tmp_path):
    assert workspace.occupied(tmp_path / "nowhere") is None
    assert workspace.occupied(space.root) == space
    with pytest.raises(WorkspaceError, match="holds something else"):
        workspace.occupied(tmp_path)


@pytest.fixture
def ordinary_user():
    """A folder that an ordinary user may enter but not write; as root, the test goes on as nobody."""
    folder = Path(tempfile.mkdtemp())
    folder.chmod(0o555)
    root = os.geteuid() == 0
    if root:
        os.seteuid(65534)
    yield folder
    if root:
        os.seteuid(0)
    folder.chmod(0o755)
    folder.rmdir()


def test_a_read_only_workspace_is_told(ordinary_user):
    with pytest.raises(WorkspaceError, match="may not be written"), workspace.lock(Workspace(ordinary_user)):
        pass
    with pytest.raises(WorkspaceError, match="may not be written"):
        workspace.init(ordinary_user / "shop", "")


def test_a_file_where_a_folder_is_needed_is_told(tmp_path):
    (tmp_path / "shop").write_text("a file")
    with pytest.raises(WorkspaceError, match="Could not make a workspace"):
        workspace.init(tmp_path / "shop", "")


# --- texts for spreadsheets ---


def test_formulas_are_defused_and_numbers_are_not():
    frame = pl.DataFrame(
        {
            "text": ["=1+1", "+cmd", "-2.5", "@x", "plain", None, "\tx", "-rm", "+3"],
            "list": [["=a", "b"], [], None, ["c"], [], [], [], [], []],
        }
    )
    shown = workspace.defused(frame)
    assert shown["text"].to_list() == ["'=1+1", "'+cmd", "-2.5", "'@x", "plain", None, "'\tx", "'-rm", "+3"]
    assert shown["list"].to_list()[:4] == ["'=a; b", "", None, "c"]


def test_file_names_made_of_paths_are_flat_plain_and_distinct():
    paths = [
        "inbox/a.csv",
        "inbox/a b.csv",
        "inbox/a_b.csv",
        "inbox/a/b.csv",
        "inbox/é.csv",
        "inbox/è.csv",
        "inbox/../x",
    ]
    names = [workspace.file_name_of(path) for path in paths]
    assert len(set(names)) == len(paths)
    assert all("/" not in name and name.isascii() and not name.startswith(".") for name in names)
    assert names[0] == "inbox__a.csv"


# --- the lock ---


def hold(root: str, ready, release) -> None:
    with workspace.lock(workspace.find(root)):
        ready.set()
        release.wait(20)


def test_a_second_run_is_told_who_holds_the_workspace(space):
    context = multiprocessing.get_context("spawn")
    ready, release = context.Event(), context.Event()
    other = context.Process(target=hold, args=(str(space.root), ready, release))
    other.start()
    assert ready.wait(20)
    with pytest.raises(WorkspaceError, match=f"process {other.pid} .* is already running"), workspace.lock(space):
        pass
    release.set()
    other.join()
    with workspace.lock(space) as remark:
        assert remark is None


def test_the_lock_of_a_killed_process_is_taken_over_with_a_remark(space):
    context = multiprocessing.get_context("spawn")
    ready, release = context.Event(), context.Event()
    other = context.Process(target=hold, args=(str(space.root), ready, release))
    other.start()
    assert ready.wait(20)
    os.kill(other.pid, signal.SIGKILL)
    other.join()
    with workspace.lock(space) as remark:
        assert f"process {other.pid} ended without finishing" in remark


def test_a_reused_process_id_is_no_holder(space):
    space.state.mkdir()
    mine = {"pid": os.getpid(), "started": "long ago", "host": run_lock.socket.gethostname()}
    (space.state / "lock").write_text(json.dumps(mine))
    with workspace.lock(space) as remark:
        assert "ended without finishing" in remark


def test_where_the_file_system_knows_no_locks_a_living_holder_still_counts(space, monkeypatch):
    monkeypatch.setattr(run_lock, "_take", lambda descriptor: True)
    space.state.mkdir()
    parent = {"pid": os.getppid(), "started": run_lock._started(os.getppid()), "host": run_lock.socket.gethostname()}
    (space.state / "lock").write_text(json.dumps(parent))
    with pytest.raises(WorkspaceError, match=f"process {os.getppid()} "), workspace.lock(space):
        pass


def test_a_process_may_enter_its_own_lock_again(space):
    with workspace.lock(space), workspace.lock(space):
        assert (space.state / "lock").stat().st_size > 0
    assert (space.state / "lock").stat().st_size == 0


def test_an_unreadable_lock_file_does_not_stop_a_run(space):
    space.state.mkdir()
    (space.state / "lock").write_bytes(b"\x00garbage")
    with workspace.lock(space) as remark:
        assert remark is None


def test_what_holds_people_and_nobody_else_has_to_read_is_for_its_owner_alone(tmp_path: Path) -> None:
    """From the moment it is made, whatever the process would allow otherwise; and what an earlier version made too."""
    space, _ = workspace.init(tmp_path / "shop", "")
    before = os.umask(0o022)
    try:
        workspace.Keeping(space, "a" * 64).finish({}, {})
        workbench.opened(space.state / "tables", 0.1, 1, print).close()
        workspace.prepare_dagster(space)
        kept = [space.intake_store, space.state / "tables", space.dagster_home]
        assert [folder.stat().st_mode & 0o777 for folder in kept] == [0o700] * 3
        for folder in kept:
            folder.chmod(0o755)
        workspace.keep_private(space, results=False)
        assert [folder.stat().st_mode & 0o777 for folder in kept] == [0o700] * 3
        assert space.state.stat().st_mode & 0o777 == 0o755, "results are read through it"
        workspace.keep_private(space, results=True)
        assert space.state.stat().st_mode & 0o777 == 0o700
    finally:
        os.umask(before)
