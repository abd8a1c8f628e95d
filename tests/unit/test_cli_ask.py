"""`filmledger layout --ask` as a person meets it: a terminal (pty), questions, answers typed, a layout that reads the file."""

from __future__ import annotations

import os
import select
import subprocess
import sys
import time
import tomllib
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
def shop(shop: Path) -> Path:
    (shop / "inbox" / "scale.csv").write_text(EXPORT)
    return shop


def ask(shop: Path, *answers: str) -> tuple[int, str]:
    return typed(["layout", str(shop / "inbox" / "scale.csv"), str(shop), "--ask", "--write"], list(answers))


def test_answers_make_a_layout_that_reads_the_file(shop: Path) -> None:
    code, told = ask(shop, "2", "g", "north")
    assert code == 0, told
    asked = ("cannot be told apart", "In which unit is 'Weight'", "What is the shop to be called")
    assert all(one in told for one in asked)
    assert told.count("\n> ") == 3 and "| Mix | Component | Weight" in told
    written = (shop / "layouts" / "scale.toml").read_text()
    assert 'shop_id = { constant = "north" }' in written and 'format = "%m/%d/%Y %H:%M"' in written
    assert "pours: 12 rows would be read, 0 refused" in told


def test_a_senseless_answer_is_asked_again_and_an_empty_one_leaves_the_question_open(shop: Path) -> None:
    code, told = ask(shop, "", "nine", "7", "", "north")
    assert code == 3, told
    assert "nine is none of these" in told and "7 is none of these" in told
    assert "Open: pours.poured_at" in told and "Open: pours.weighed_g" in told and "Open: shops.shop_id" not in told
    assert not list((shop / "layouts").iterdir())


def test_the_end_of_input_leaves_the_rest_open(shop: Path) -> None:
    code, told = ask(shop, "1", "\x04")
    assert code == 3 and "Traceback" not in told and "Nothing was written" in told, told


def test_a_table_that_is_named_is_taken(shop: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["layout", str(shop / "inbox" / "scale.csv"), str(shop), "--table", "leftovers"]) == 3
    told = capsys.readouterr().out
    assert 'table = "leftovers"' in told and 'table = "pours"' not in told and "Open: leftovers.leftover_g" in told


def test_a_unit_that_is_answered_keeps_the_way_of_weighing(shop: Path) -> None:
    """Issue 19, found 1: an answer of a unit dropped that weights run on."""
    lines = [
        f"C{i},comp{k},{10 + 7 * k + i / 10},{i + 1:02d}/13/2025,08:1{k},clear_a" for i in range(9) for k in range(4)
    ]
    (shop / "inbox" / "scale.csv").write_text("\n".join(["Mix,Component,Display,Date,Time,Product", *lines]) + "\n")
    code, told = ask(shop, "oz", "none", "north")
    assert code == 0, told
    assert 'unit = "oz", weights = "cumulative"' in (shop / "layouts" / "scale.toml").read_text()


def test_adopt_asks_once_for_the_shop_writes_layouts_and_says_what_it_cannot_read(shop: Path, tmp_path: Path) -> None:
    (shop / "inbox" / "back.csv").write_text(
        "Mix;Left over (g);Weighed back at\n" + "".join(f"C{i};{i},5;1{i}.03.2025 17:00\n" for i in range(9))
    )
    (shop / "inbox" / "people.csv").write_text("Name,Phone\nSomeone,0555\nOther,0556\n")
    questions = tmp_path / "questions.toml"
    assert cli.main(["adopt", str(shop), "--questions", str(questions)]) == 3
    assert not list((shop / "layouts").iterdir())
    asked = tomllib.loads(questions.read_text())["question"]
    wanted = [("format", "poured_at"), ("unit", "weighed_g"), ("register", "shop_id")]
    assert [(q["kind"], q["column"]) for q in asked] == wanted
    assert all(len(q["rows"]) == 3 and q["ask"] for q in asked)
    answered = (
        questions.read_text()
        .replace('# answer = "%d.%m.%Y"', 'answer = "%m/%d/%Y %H:%M"')
        .replace('# answer = "g"', 'answer = "g"')
    )
    questions.write_text(answered.replace('# answer = "north"', 'answer = "north"'))
    code, told = typed(["adopt", str(shop), "--answers", str(questions)], [])
    assert code == 3 and "Not read: people.csv" in told, told
    assert sorted(p.name for p in (shop / "layouts").iterdir()) == ["back.toml", "scale.toml"]
    assert (
        "inbox/scale.csv: pours: 12 rows would be read, 0 refused" in told and "leftovers: 9 rows would be read" in told
    )
    code, told = typed(["adopt", str(shop)], [])
    assert "Not read: people.csv" in told and "No layout was written" in told
