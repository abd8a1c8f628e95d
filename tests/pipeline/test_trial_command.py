"""`filmledger trial`: plans from a finished set, says where a running trial stands, writes a sheet to print, and tells what is wrong."""

from __future__ import annotations

import datetime as dt
import json
import re
import sys
from html.parser import HTMLParser
from pathlib import Path

import polars as pl
import pytest

from pipelines import cli, settings, workspace
from pipelines.transfer.decisions import trials

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "unit" / "transfer" / "decisions"))
import test_trials as drawn

ASK = ["--gun", "g1", "--gun", "g2", "--role", "clear"]


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A workspace whose finished set holds 40 clear jobs and a trial that has run its length."""
    return finished(tmp_path_factory.mktemp("trial"), "label")


def finished(root: Path, people: str) -> Path:
    workspace.init(root, settings.template())
    given = drawn.tables()
    plan = trials.plan(given, ["g1", "g2"], "clear")
    running = drawn.trial_rows(plan, 0.25, 11)
    given = drawn.tables(pl.concat([drawn.history(), running])) | drawn.change()
    space = workspace.find(root)
    workspace.begin(space)
    for name, frame in given.items():
        if name in ("gun_fit", "compliance_guns"):
            workspace.write_table(space, name, frame.write_parquet)
        else:
            workspace.write_basis(space, name, frame)
    workspace.publish(space, {"settings": {"pages": {"people": people}}})
    return root


def said(capsys: pytest.CaptureFixture[str], *arguments: str, code: int = 0) -> str:
    assert cli.main(["trial", *arguments]) == code
    out, err = capsys.readouterr()
    return err if code else out


def test_the_plan_says_jobs_looks_error_rates_and_what_they_rest_on(
    shop: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    told = said(capsys, str(shop), *ASK)
    assert re.match(
        r"g1 against g2, clear, in north: \d+ jobs with each gun\.\nIf one truly lands 8 % more, 8\d of 100", told
    )
    assert "at most 5 of 100 call a difference" in told and "Between looks nothing is judged" in told
    assert "this shop's own clear" in told and "leftover weighed back" in told and "safety ends a trial" in told


def test_the_answer_for_programs_is_the_same_with_the_order_by_its_seed(
    shop: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    first, again, other = (json.loads(said(capsys, str(shop), *ASK, "--json", "--seed", n)) for n in "778")
    assert first == again and first["order"] != other["order"]
    assert first | {"order": 0, "seed": 0} == other | {"order": 0, "seed": 0}
    assert first["seed"] == 7 and first["jobs"] == first["at"][-1] and len(first["bounds"]) == 4
    assert {"technician_id", "area_class", "place", "gun_id"} == set(first["order"][0])
    free = [json.loads(said(capsys, str(shop), *ASK, "--json"))["seed"] for _ in range(2)]
    assert free[0] == free[1]


def test_where_a_running_trial_stands(shop: Path, capsys: pytest.CaptureFixture[str]) -> None:
    told = said(capsys, str(shop), "--change", "c1", "--jobs", "28")
    assert told.startswith("Stop: that g2 lands more than g1 is shown") and "With --jobs" not in told
    unplanned = said(capsys, str(shop), "--change", "c1")
    assert "give it with --jobs and --looks" in unplanned
    stands = json.loads(said(capsys, str(shop), "--change", "c1", "--jobs", "400", "--json"))["standing"]
    assert stands["word"] == "go on" and stands["next_at"] == 100 and stands["looks"] == []


class _Cells(HTMLParser):
    """What stands in bold gun cells and in captions."""

    def __init__(self) -> None:
        super().__init__()
        self.guns: list[str] = []
        self.captions: list[str] = []
        self._into: list[str] | None = None

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self._into = self.captions if tag == "caption" else self.guns if ("class", "g") in attrs else self._into

    def handle_data(self, data: str) -> None:
        if self._into is not None and data.strip():
            self._into.append(data.strip())
        self._into = None


@pytest.mark.parametrize(("paper", "size"), [("A4", "210mm 297mm"), ("Letter", "8.5in 11in")])
def test_the_sheet_holds_order_rule_record_and_cautions(
    shop: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], paper: str, size: str
) -> None:
    file = tmp_path / "sheet.html"
    assert str(file) in said(capsys, str(shop), *ASK, "--sheet", str(file), "--paper", paper, "--seed", "3")
    plan = json.loads(said(capsys, str(shop), *ASK, "--json", "--seed", "3"))
    page = file.read_text("utf-8")
    assert (
        f"@page {{ size: {size}; margin" in page
        and "<script" not in page
        and "http" not in re.sub(r"http-equiv", "", page)
    )
    assert min(float(n) for n in re.findall(r"([\d.]+)pt", page)) >= 9
    seen = _Cells()
    seen.feed(page)
    for gun in ("g1", "g2"):
        assert seen.guns.count(gun) == sum(line["gun_id"] == gun for line in plan["order"])
    assert any(caption.startswith("Ann, 0.5 to 1.5") for caption in seen.captions)
    for word in ("isocyanates", "weigh back what is left", "Mark the places", "gun_trial", "seed 3", "safety", "4.33, 2.96, 2.36, 2.01",
                 f"--jobs {plan['jobs']} --looks 4"):  # fmt: skip
        assert word in page, word


def test_a_sheet_calls_people_as_the_settings_say(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    root, file = finished(tmp_path / "shop", "id"), tmp_path / "sheet.html"
    said(capsys, str(root), *ASK, "--sheet", str(file))
    page = file.read_text("utf-8")
    assert "t1" in page and "Ann" not in page


def test_what_help_calls_the_default_is_the_default(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        cli.main(["trial", "--help"])
    told = re.sub(r"\s+", " ", capsys.readouterr().out)
    assert f"(default: {100 * trials.DIFFERENCE:g}%)" in told
    assert f"how often it is looked at (default: {trials.LOOKS})" in told


@pytest.mark.parametrize(
    ("asked", "word"),
    [
        (["--gun", "g1", "--role", "clear"], "--gun twice and --role"),
        ([], "--gun twice and --role"),
        (["--gun", "g1", "--gun", "g1", "--role", "clear"], "two different ones"),
        ([*ASK, "--who", "t7"], "No technician 't7'"),
        ([*ASK, "--difference", "lots"], "--difference 'lots'"),
        (["--change", "c9"], "No change 'c9'"),
    ],
)
def test_what_is_wrong_is_told_with_code_2(
    shop: Path, capsys: pytest.CaptureFixture[str], asked: list[str], word: str
) -> None:
    told = said(capsys, str(shop), *asked, code=cli.WRONG_USAGE)
    assert told.startswith("filmledger: ") and word in told and "Traceback" not in told


def test_without_a_run_it_says_what_to_do(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    workspace.init(tmp_path, settings.template())
    assert "run: filmledger run" in said(capsys, str(tmp_path), *ASK, code=cli.COULD_NOT_RUN)


def test_results_of_an_earlier_version_ask_for_a_run(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    workspace.init(tmp_path, settings.template())
    space = workspace.find(tmp_path)
    workspace.begin(space)
    workspace.write_basis(space, "guns", pl.DataFrame({"gun_id": ["g1"], "valid_from": [dt.date(2025, 1, 1)]}))
    workspace.publish(space, {})
    assert "the results lack transfer_model" in said(capsys, str(tmp_path), *ASK, code=cli.COULD_NOT_RUN)
