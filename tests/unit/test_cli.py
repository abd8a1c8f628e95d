"""The command: what it prints, its exit codes, and that no trouble reaches the user as a traceback."""

import json
import os
import signal
import subprocess
import sys
from pathlib import Path

import polars as pl
import pytest

from pipelines import cli, commands, workspace
from pipelines import run as run_module
from pipelines.commands import Outcome

HEADLINE = {
    "breaches": [],
    "cups": 1200,
    "poured_solids_g": 250_000.0,
    "useful_share": 0.43,
    "te": 0.58,
    "te_low": 0.54,
    "te_high": 0.62,
    "no_te": None,
    "left_share": 0.16,
    "flushed_share": 0.02,
    "not_split_share": 0.02,
    "rows_read": 9000,
    "rows_used": 9000,
    "duplicate_rows": 0,
    "superseded_rows": 0,
    "refused_rows": 0,
    "refused_files": 0,
    "doubts": [],
    "incomplete_months": 0,
}


def test_init_makes_a_workspace_and_says_what_to_do_next(tmp_path, capsys):
    assert cli.main(["init", str(tmp_path / "shop")]) == 0
    told = capsys.readouterr().out
    assert "inbox/, layouts/, registers/, filmledger.toml" in told
    assert "filmledger run" in told
    assert cli.main(["init", str(tmp_path / "shop")]) == 0
    assert "nothing changed" in capsys.readouterr().out


def test_a_command_that_is_nearly_one_is_named(capsys: pytest.CaptureFixture[str]) -> None:
    for wrong, meant in (("rnu", "run"), ("chekc", "check")):
        with pytest.raises(SystemExit):
            cli.main([wrong])
        assert f"Did you mean {meant}?" in capsys.readouterr().err
    with pytest.raises(SystemExit):
        cli.main(["zzzzzz"])
    assert "Did you mean" not in capsys.readouterr().err


def test_a_run_is_quiet_or_speaks_to_programs(
    shop: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def run(space: workspace.Workspace, again: bool, teller: run_module.Teller, accept_removals: bool) -> Outcome:
        teller.stage("intake", "2 files")
        teller.progress("reading files", 1, 2)
        return Outcome(new=True, headline=HEADLINE)

    monkeypatch.setattr(commands, "run", run)
    assert cli.main(["run", str(shop), "-q"]) == 0
    assert capsys.readouterr() == ("", "")
    assert cli.main(["run", str(shop), "--json"]) == 0
    said = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert [one["event"] for one in said] == ["stage", "progress", "finished"]
    assert said[-1]["cups"] == HEADLINE["cups"] and said[-1]["new"] and said[1]["total"] == 2
    assert cli.main(["run", str(shop)]) == 0
    plain = capsys.readouterr().out
    assert "intake    2 files" in plain and "\x1b" not in plain, "no colours, whatever NO_COLOR says"


@pytest.mark.parametrize("arguments", [[], ["paint"], ["run", "--fast"], ["run", "a", "b"], ["init"]])
def test_wrong_usage_leaves_with_2(arguments, capsys):
    with pytest.raises(SystemExit) as left:
        cli.main(arguments)
    assert left.value.code == 2
    assert "usage: filmledger" in capsys.readouterr().err


def test_help_leaves_with_0_and_names_the_exit_codes(capsys):
    with pytest.raises(SystemExit) as left:
        cli.main(["--help"])
    assert left.value.code == 0
    told = capsys.readouterr().out
    assert all(word in told for word in ("init", "demo", "run", "check", "Exit codes"))


def test_help_imports_nothing_heavy():
    program = (
        "import sys, pipelines.cli\ntry: pipelines.cli.main(['--help'])\nexcept SystemExit: pass\n"
        "heavy = {'polars', 'duckdb', 'dagster', 'pandera', 'pydantic', 'numpy', 'scipy'} & set(sys.modules)\n"
        "assert not heavy, heavy"
    )
    subprocess.run([sys.executable, "-c", program], check=True, stdout=subprocess.DEVNULL)


def test_a_run_that_refused_nothing_leaves_with_0_and_says_the_headline_numbers(shop, monkeypatch, capsys):
    monkeypatch.setattr(commands, "run", lambda *_: Outcome(new=True, headline=HEADLINE))
    assert cli.main(["run", str(shop)]) == 0
    told = capsys.readouterr().out
    for part in ("1,200 cups", "250.0 kg", "43 became useful", "58 % (54-62)", "All 9,000 rows", "site/index.html"):
        assert part in told


def test_a_run_that_refused_rows_leaves_with_3_and_says_where_they_are(shop, monkeypatch, capsys):
    told_numbers = {**HEADLINE, "rows_used": 8000, "superseded_rows": 988, "refused_rows": 12, "refused_files": 1}
    monkeypatch.setattr(commands, "run", lambda *_: Outcome(new=False, headline=told_numbers))
    assert cli.main(["run", str(shop)]) == 3
    told = capsys.readouterr().out
    assert "Nothing new" in told
    assert "8,000 of 9,000 rows were used, 988 replaced by later exports, 12 refused." in told
    assert str(shop / "out" / "refused") in told
    assert "1 file was refused as a whole: see Intake on the pages" in told


def test_a_folder_of_refused_rows_is_named_only_where_there_is_one(shop, monkeypatch, capsys):
    monkeypatch.setattr(commands, "run", lambda *_: Outcome(new=True, headline={**HEADLINE, "refused_files": 2}))
    assert cli.main(["run", str(shop)]) == 3
    told = capsys.readouterr().out
    assert "2 files were refused as a whole" in told and str(shop / "out" / "refused") not in told


def test_duplicate_rows_are_not_said_to_be_used_and_doubts_stand_in_the_closing_lines(shop, monkeypatch, capsys):
    doubts = [[f"inbox/{i}.csv", "doubtful: x"] for i in range(10)]
    numbers = {**HEADLINE, "rows_used": 8990, "duplicate_rows": 10, "doubts": doubts}
    monkeypatch.setattr(commands, "run", lambda *_: Outcome(new=True, headline=numbers))
    assert cli.main(["run", str(shop)]) == 0
    told = capsys.readouterr().out
    assert "8,990 of 9,000 rows were used, 10 found word for word elsewhere." in told and "All" not in told
    assert told.count("doubtful: x.") == 8 and "2 more remarks" in told


def test_a_shop_without_film_or_cups_has_its_own_sentences(shop, monkeypatch, capsys):
    nothing = dict.fromkeys(("useful_share", "te", "te_low", "te_high", "not_split_share"))
    why = {"no_te": "that takes film readings before and after spraying"}
    monkeypatch.setattr(
        commands, "run", lambda *_: Outcome(True, {**HEADLINE, **nothing, **why, "poured_solids_g": 0.0})
    )
    assert cli.main(["run", str(shop)]) == 0
    told = capsys.readouterr().out
    assert "nothing to account for yet" in told
    assert "film readings before and after" in told


def test_a_folder_that_is_no_workspace_leaves_with_1_and_a_sentence(tmp_path, capsys):
    assert cli.main(["run", str(tmp_path)]) == 1
    told = capsys.readouterr()
    assert "is not a workspace" in told.err
    assert "Traceback" not in told.err + told.out


def test_a_wrong_setting_leaves_with_1_and_names_the_key(shop, capsys):
    (shop / "filmledger.toml").write_text("[film]\nscuff_removed_mm = 1\n")
    assert cli.main(["run", str(shop)]) == 1
    assert "did you mean scuff_removed_um?" in capsys.readouterr().err


def test_a_second_run_leaves_with_1_and_names_the_first(shop, capsys):
    holder = "from pipelines import workspace; import sys\nwith workspace.lock(workspace.find(sys.argv[1])):\n"
    holder += "    print('held', flush=True); sys.stdin.read()"
    other = subprocess.Popen(
        [sys.executable, "-c", holder, str(shop)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    assert other.stdout.readline() == "held\n"
    assert cli.main(["run", str(shop)]) == 1
    assert f"process {other.pid}" in capsys.readouterr().err
    other.communicate("")


@pytest.mark.parametrize(
    ("error", "told"),
    [
        (OSError(28, "No space left on device"), "disk is full"),
        (PermissionError(13, "Permission denied"), "may not be written"),
        (MemoryError(), "not enough memory"),
        (RuntimeError("surprise"), "fault of the program"),
    ],
)
def test_whatever_happens_in_a_run_ends_in_a_sentence(shop, monkeypatch, capsys, error, told):
    def fail(*_):
        try:
            raise error
        except Exception as inner:
            raise RuntimeError("a step failed") from inner

    monkeypatch.setattr(commands, "run", fail)
    assert cli.main(["run", str(shop)]) == 1
    printed = capsys.readouterr()
    assert told in printed.err
    assert "Traceback" not in printed.err + printed.out


def test_what_is_stopped_says_so_and_leaves_with_130(
    shop: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def stopped(*_: object) -> None:
        signal.raise_signal(signal.SIGTERM)

    before = signal.getsignal(signal.SIGTERM)
    monkeypatch.setattr(commands, "run", stopped)
    try:
        assert cli.main(["run", str(shop)]) == 130
    finally:
        signal.signal(signal.SIGTERM, before)
    said = capsys.readouterr().err
    assert "Stopped. The results in force are whole" in said
    assert "Nothing was replaced" not in said, "a stop after the new results were put in force"


def test_the_details_of_a_fault_are_kept_in_the_workspace(shop, monkeypatch, capsys):
    def fail(*_):
        raise RuntimeError("surprise")

    monkeypatch.setattr(commands, "run", fail)
    (shop / ".filmledger").mkdir()
    assert cli.main(["run", str(shop)]) == 1
    kept = shop / ".filmledger" / "filmledger-fault.txt"
    assert str(kept) in capsys.readouterr().err
    assert "surprise" in kept.read_text()


def test_demo_leaves_a_folder_of_something_else_alone(tmp_path, capsys):
    (tmp_path / "mine.txt").write_text("keep me")
    assert cli.main(["demo", str(tmp_path)]) == 1
    assert "holds something else" in capsys.readouterr().err
    assert os.listdir(tmp_path) == ["mine.txt"]


def test_check_shows_counts_per_file_and_the_commonest_reasons_first(shop, monkeypatch, capsys):
    files = pl.DataFrame(
        {
            "file": ["inbox/a.csv", "inbox/b.bin"],
            "table": ["pours", None],
            "layout": ["scale", None],
            "state": ["read", "refused"],
            "message": [None, "the file is empty"],
            "rows_read": [5, 0],
            "accepted": [2, 0],
            "refused": [3, 0],
            "duplicate": [0, 0],
            "superseded": [0, 0],
        }
    )
    reasons = pl.DataFrame(
        {
            "file": ["inbox/a.csv"] * 3,
            "line": [2, 3, 4],
            "table": ["pours"] * 3,
            "reason": [
                "gun_id: 'x' is not in guns",
                "weighed_g: 'a' is not a number",
                "weighed_g: 'b' is not a number",
            ],
            "raw": ["r2", "r3", "r4"],
        }
    )
    monkeypatch.setattr(commands, "check", lambda *_: commands.Findings(files, reasons))
    assert cli.main(["check", str(shop)]) == 3
    told = capsys.readouterr().out
    assert "inbox/a.csv: pours by scale: 2 of 5 rows would be used, 3 refused" in told
    assert "inbox/b.bin: refused: the file is empty" in told
    assert told.index("2 rows, first inbox/a.csv line 3") < told.index("1 row, first inbox/a.csv line 2")


def test_the_end_of_a_pipe_is_no_trouble(shop):
    command = f"{sys.executable} -m pipelines.cli init {shop} | true"
    done = subprocess.run(
        ["sh", "-c", command], capture_output=True, text=True, cwd=workspace.__file__.rsplit("/", 3)[0]
    )
    assert "Traceback" not in done.stderr
