"""What stands around a command: streams that are closed or full, little memory, panics of libraries, a folder with an odd name, a file that
becomes something else between being listed and being read."""

from __future__ import annotations

import contextlib
import inspect
import os
import shlex
import signal
import subprocess
import sys
import tempfile
from pathlib import Path

import duckdb
import polars as pl
import pytest

from pipelines import alerts, cli, commands, database, workspace
from pipelines.intake.reading import read
from pipelines.intake.reading.files import Source
from pipelines.workspace import Workspace, WorkspaceError, traces
from reports.handouts import PeriodError, period

HOME = Path(__file__).resolve().parents[2]


@pytest.fixture
def space(tmp_path: Path) -> Workspace:
    return workspace.init(tmp_path / "shop", "")[0]


def shell(words: str) -> subprocess.CompletedProcess[str]:
    """The command in a shell, with what the shell does to its streams."""
    program = f"{shlex.quote(sys.executable)} -m pipelines.cli {words}"
    return subprocess.run(["bash", "-c", program], capture_output=True, text=True, cwd=HOME, check=False)


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        ("completion bash >&-", 0, ""),
        ("completion bash > /dev/full", 1, "could not be written (No space left on device)"),
        ("completion bash | true; exit ${PIPESTATUS[0]}", 1, ""),
        ("run /nowhere <&- >&- 2>&-", 1, ""),
        ("run /nowhere 2> /dev/full", 1, ""),
        ("run /nowhere > /dev/full", 1, "/nowhere is not a folder"),
    ],
)
def test_streams_that_are_closed_or_full_change_no_exit_code_and_leave_no_traceback(
    words: str, code: int, said: str
) -> None:
    done = shell(words)
    assert (done.returncode, done.stderr.count("\n")) == (code, int(bool(said)))
    assert said in done.stderr and "Traceback" not in done.stderr


def test_no_file_gets_the_number_of_a_stream_that_was_closed_and_signs_that_it_lacks_are_spelt() -> None:
    program = (
        "import os, sys; from pipelines import cli; cli._have_streams(); print(os.open('/dev/null', os.O_RDONLY),"
        " file=open(sys.argv[1], 'w')); print('µ'); print('µ', file=sys.stderr)"
    )
    with tempfile.NamedTemporaryFile() as told:
        done = subprocess.run(
            ["bash", "-c", f"{shlex.quote(sys.executable)} -c {shlex.quote(program)} {told.name} <&- 2>&-"],
            capture_output=True, text=True, cwd=HOME, env={**os.environ, "PYTHONIOENCODING": "ascii"}, check=False,
        )  # fmt: skip
        assert (done.returncode, done.stdout) == (0, "\\xb5\n")
        assert int(Path(told.name).read_text()) > 2


class PanicException(BaseException):
    """As a library in Rust raises it."""


@pytest.mark.parametrize(
    ("error", "said"),
    [
        (PanicException("assertion failed"), "This is a fault of the program"),
        (PanicException("failed to spawn thread: Resource temporarily unavailable"), "The machine refused something"),
        (RuntimeError("can't start new thread"), "The machine refused something"),
        (pl.exceptions.ComputeError("Too many open files (os error 24)"), "The machine refused something"),
        (duckdb.TransactionException('Could not write file "a.wal": File too large'), "The machine refused something"),
    ],
)
def test_panics_and_limits_of_the_machine_are_told(
    space: Workspace,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    error: BaseException,
    said: str,
) -> None:
    def fails(*_: object) -> None:
        raise error

    def none() -> str:
        raise FileNotFoundError(2, "No usable temporary directory found")

    monkeypatch.setattr(commands, "run", fails)
    monkeypatch.setattr(tempfile, "gettempdir", none)
    assert cli.main(["run", str(space.root)]) == 1
    assert said in capsys.readouterr().err


def test_too_little_memory_to_begin_with_is_said(
    space: Workspace, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    import resource

    monkeypatch.setattr(resource, "getrlimit", lambda _: (1_500_000_000, -1))
    assert cli.main(["run", str(space.root)]) == 1
    assert "1,500 MB of memory (ulimit -v)" in capsys.readouterr().err and not space.state.exists()


@pytest.mark.skipif(not hasattr(signal, "SIGHUP"), reason="no terminal's end on this system")
def test_the_end_of_the_terminal_stops_it_unless_that_is_ignored(space: Workspace) -> None:
    for ignored in (True, False):
        program = (
            "import os, signal, sys\nfrom pipelines import cli, commands\n"
            f"signal.signal(signal.SIGHUP, {'signal.SIG_IGN' if ignored else 'signal.SIG_DFL'})\n"
            "def run(*_):\n    os.kill(os.getpid(), signal.SIGHUP)\n    raise WorkspaceError('it went on')\n"
            "from pipelines.workspace import WorkspaceError\ncommands.run = run\n"
            "sys.argv[1:] = ['run', sys.argv[1]]\ncli.entry()"
        )
        done = subprocess.run(
            [sys.executable, "-c", program, str(space.root)], capture_output=True, text=True, cwd=HOME, check=False
        )
        assert (done.returncode, "it went on" in done.stderr) == ((1, True) if ignored else (130, False)), done.stderr


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no device that is always full")
def test_a_log_that_takes_no_more_lines_stops_nothing(capsys: pytest.CaptureFixture[str]) -> None:
    with alerts.log_to("/dev/full") as log, contextlib.suppress(OSError):
        log.error("what went wrong")
    assert capsys.readouterr() == ("", "")


def test_folders_that_are_called_like_a_pattern_or_a_partition(tmp_path: Path) -> None:
    """A table is read from its own file, whatever the folders above it are called."""
    space, _ = workspace.init(tmp_path / "shop_id=other" / "sh[o]p*", "")
    pours = pl.DataFrame({"shop_id": ["north"], "g": [318.9]})
    kept = workspace.Keeping(space, "key")
    assert kept.put("0_rows", pours).collect().equals(pours)
    kept.finish({}, {})
    again = workspace.read_again(space, "key")
    assert again is not None and again[0]["0_rows"].collect().equals(pours)
    file = space.root / "shops.parquet"
    pl.DataFrame({"shop_id": ["north"]}).write_parquet(file)
    with duckdb.connect() as connection:
        found = connection.execute(f"SELECT shop_id FROM {database.GIVEN}", database.given(file)).fetchall()
        assert found == [("north",)]


@pytest.mark.parametrize("name", ["shop?", os.fsdecode(b"sh\xffop")])
def test_a_folder_that_the_database_cannot_name_is_refused(tmp_path: Path, name: str) -> None:
    with pytest.raises(WorkspaceError, match="Rename the folder"):
        workspace.init(tmp_path / name, "")
    (tmp_path / name / "inbox").mkdir(parents=True)
    with pytest.raises(WorkspaceError, match="Rename the folder"):
        workspace.find(tmp_path / name)


def test_a_pipe_that_takes_a_files_place_after_it_was_listed_is_not_waited_for(space: Workspace) -> None:
    export = space.inbox / "pours.csv"
    for name in ("pours.csv", "pours.csv.gz", "pours.xlsx", "pours.parquet"):
        export = space.inbox / name
        os.mkfifo(export)
        found = read.read_file(Source(f"inbox/{name}", export), [])
        assert found.state == "refused", found
        assert list(traces.spoken(export)) == []


def test_a_large_file_that_ends_in_the_middle_is_not_taken_into_memory(
    space: Workspace, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Sparse: it begins like a workbook, or a table, and goes on with nothing."""
    monkeypatch.setattr(Source, "data", property(lambda _: pytest.fail("all of it was read")))
    for name, start in (("a.xlsx", b"PK\x03\x04"), ("a.parquet", b"PAR1")):
        with open(space.inbox / name, "wb") as handle:
            handle.write(start)
            handle.truncate(read.LARGE + 1)
        found = read.read_file(Source(f"inbox/{name}", space.inbox / name), [])
        assert found.state == "refused" and "it ends in the middle" in str(found.message)


@pytest.mark.parametrize("text", ["0000", "0000-01", "9999-Q4", "２０２６", "2026-１2"])
def test_a_period_that_no_calendar_holds_is_none(text: str) -> None:
    with pytest.raises(PeriodError, match="is no period"):
        period(text)


def test_folders_nested_without_end_are_refused(space: Workspace) -> None:
    inner = space.inbox.joinpath(*"d" * 60)
    inner.mkdir(parents=True)
    depth = len(inspect.stack(0))
    workspace.inputs(space)
    limit = sys.getrecursionlimit()
    sys.setrecursionlimit(depth + 50)  # as Python has it beyond 900 folders
    try:
        with pytest.raises(WorkspaceError, match="nested too deeply"):
            workspace.inputs(space)
    finally:
        sys.setrecursionlimit(limit)


def test_a_watch_goes_on_where_the_inbox_is_gone_for_a_while(space: Workspace) -> None:
    looks, ran = [], []

    def wait(_: float) -> None:
        looks.append(len(looks))
        if len(looks) == 3:
            space.inbox.rename(space.root / "away")
        if len(looks) == 6:
            (space.root / "away").rename(space.inbox)
        if len(looks) == 9:
            raise KeyboardInterrupt

    with contextlib.suppress(KeyboardInterrupt):
        commands.watch(space, lambda: ran.append(space.inbox.exists()), 1.0, wait)
    assert ran == [True, False, True]


def test_what_somebody_types_into_is_never_written_over(
    space: Workspace, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (space.inbox / "scale.csv").write_text("Ticket;Net\nA;1\n")
    for command, name in (
        (["kit", str(tmp_path)], "recording.xlsx"),
        (["registers", str(space.root), "--workbook", str(tmp_path / "r.xlsx")], "r.xlsx"),
        (["adopt", str(space.root), "--questions", str(tmp_path / "q.toml")], "q.toml"),
    ):
        assert cli.main(command) in (0, 3)
        (tmp_path / name).write_bytes(b"typed by hand")
        assert cli.main(command) == 1 and (tmp_path / name).read_bytes() == b"typed by hand"
        assert "is there already" in capsys.readouterr().err


@pytest.mark.parametrize("pause", ["nan", "-1", "1e300", "soon"])
def test_a_pause_that_cannot_be_is_wrong_usage(space: Workspace, pause: str) -> None:
    with pytest.raises(SystemExit, match="2"):
        cli.main(["watch", str(space.root), f"--every={pause}"])


def test_a_device_in_place_of_a_workbook_is_refused_by_name(
    space: Workspace, capsys: pytest.CaptureFixture[str]
) -> None:
    for name, said in (("/dev/zero", "it is not a regular file: '/dev/zero'"), (__file__, "No register was changed.")):
        assert cli.main(["registers", str(space.root), "--take", name]) == 1
        told = capsys.readouterr().err
        assert said in told and name in told and "fault of the program" not in told
