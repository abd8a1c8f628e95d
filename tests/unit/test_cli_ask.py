"""`filmledger layout --ask` as a person meets it: a terminal (pty), questions, answers typed, a layout that reads the file."""

from __future__ import annotations

import os
import select
import subprocess
import sys
import time
from pathlib import Path

import pytest

from pipelines import cli

pty = pytest.importorskip("pty", reason="no pseudo-terminals on this system")
HOME = Path(__file__).resolve().parents[2]
EXPORT = "Mix,Component,Weight,Date,Time,Product\n" + "".join(
    f"C{i},binder,{10 + i}.5,0{i % 9 + 1}/0{i % 4 + 3}/2025,08:1{i % 10},clear_a\n" for i in range(12)
)


def typed(arguments: list[str], answers: list[str], seconds: float = 60) -> tuple[int, str]:
    """Run the command on a terminal of its own; one answer for each prompt. Returns its exit code and all it printed."""
    ours, theirs = pty.openpty()
    child = subprocess.Popen(
        [sys.executable, "-m", "pipelines.cli", *arguments], stdin=theirs, stdout=theirs, stderr=theirs, cwd=HOME
    )
    os.close(theirs)
    told, waiting, until = "", list(answers), time.monotonic() + seconds
    while time.monotonic() < until:
        if not select.select([ours], [], [], 0.5)[0]:
            continue
        try:
            piece = os.read(ours, 65536)
        except OSError:  # Linux says so when the other end is closed
            break
        if not piece:
            break
        told += piece.decode()
        if told.endswith("> ") and waiting:
            os.write(ours, waiting.pop(0).encode() + b"\n")
    os.close(ours)
    return child.wait(timeout=5), told.replace("\r\n", "\n")


@pytest.fixture
def shop(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Path:
    assert cli.main(["init", str(tmp_path / "shop")]) == 0
    capsys.readouterr()
    (tmp_path / "shop" / "inbox" / "scale.csv").write_text(EXPORT)
    return tmp_path / "shop"


def ask(shop: Path, *answers: str) -> tuple[int, str]:
    return typed(["layout", str(shop / "inbox" / "scale.csv"), str(shop), "--ask", "--write"], list(answers))


def test_answers_make_a_layout_that_reads_the_file(shop: Path) -> None:
    code, told = ask(shop, "2", "1", "= north")
    assert code == 0, told
    assert "day and month cannot be told apart" in told and "the header names no unit" in told
    assert told.count("\n> ") == 3
    written = (shop / "layouts" / "scale.toml").read_text()
    assert 'shop_id = { constant = "north" }' in written and 'format = "%m/%d/%Y %H:%M"' in written
    assert 'unit = "g"' in written and "OPEN" not in written
    assert "pours: 12 rows would be read, 0 refused" in told


def test_a_senseless_answer_is_asked_again_and_an_empty_one_leaves_the_question_open(shop: Path) -> None:
    code, told = ask(shop, "", "nine", "7", "", "= north")
    assert code == 3, told
    assert "nine is none of these" in told and "7 is none of these" in told
    assert "Open: pours.poured_at" in told and "Open: pours.weighed_g" in told and "Open: pours.shop_id" not in told
    assert not list((shop / "layouts").iterdir())


def test_a_header_that_is_not_there_is_said_and_nothing_written(shop: Path) -> None:
    code, told = ask(shop, "1", '"Net"', "= north")
    assert code == 3 and "lacks Net" in told and "Nothing was written" in told, told
    assert not list((shop / "layouts").iterdir())


def test_the_end_of_input_leaves_the_rest_open(shop: Path) -> None:
    code, told = ask(shop, "1", "\x04")
    assert code == 3 and "Traceback" not in told and "Nothing was written" in told, told
