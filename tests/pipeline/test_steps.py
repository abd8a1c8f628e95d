"""What is made again when something changed, and that it is then what a run from scratch would have made."""

from __future__ import annotations

import contextlib
import shutil
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace

import polars as pl
import pytest
from test_engines import at_a_time, differences

from pipelines import checks, steps, workbench, workspace
from pipelines import run as runs
from pipelines.ledger import runner
from pipelines.steps import BY_TABLE, STEPS, Step
from pipelines.transfer.decisions import decision_tables
from pipelines.transfer.model import estimate
from pipelines.workspace import Workspace
from schemas import events, published, validate
from tests.workspaces import drawn


def made(space: Workspace) -> set[str]:
    """Bring everything up to date; the names of the steps that were made."""
    with runs.begin(space, runs.Silent()) as run:
        return {step.name for step in STEPS if steps.bring(step, run)}


def tables(space: Workspace) -> dict[str, pl.DataFrame]:
    with runs.begin(space, runs.Silent()) as run:
        held = workbench.Tables(run.bench)
        return {name: held[name] for name in BY_TABLE}


def test_every_table_has_one_step_and_every_step_comes_after_what_it_reads() -> None:
    assert len(BY_TABLE) == sum(len(step.makes) for step in STEPS)
    assert {*events.EVENTS, *published.PUBLISHED, *runner.steps()} <= BY_TABLE.keys()
    done: set[str] = set()
    for step in STEPS:
        assert step.upstream <= done, step.name
        done |= set(step.makes)
    groups = [step.group for step in STEPS]
    assert list(dict.fromkeys(groups)) == list(steps.GROUPS) and groups == sorted(groups, key=steps.GROUPS.index)


def test_what_a_statement_reads_comes_from_the_statement_and_of_a_function_from_its_signature() -> None:
    assert set(BY_TABLE["permit_headroom"].reads) == set(runner.upstream("permit_headroom"))
    assert set(BY_TABLE["over_build"].reads) == {"film_build", "operation_films", "sprays"}


def test_columns_that_a_step_names_are_columns_of_their_table() -> None:
    for step in STEPS:
        for name, columns in step.reads.items():
            assert set(columns or ()) <= set(validate.empty(name).columns), (step.name, name)


def test_nothing_is_made_twice(copy: Workspace) -> None:
    assert made(copy) == set()


def test_a_register_that_changes_runs_what_reads_it_and_nothing_else(copy: Workspace) -> None:
    register = copy.registers / "gun_services.csv"
    register.write_text(register.read_text() + "g999,2025-03-09,cleaned\n")
    # a gun that nobody has is refused: no table but the books is another one then, and what tells closed months by file
    assert made(copy) == {BY_TABLE["pours"].name, "restatements"}
    register = copy.registers / "components.csv"
    table = pl.read_csv(register, infer_schema=False)
    table.with_columns(price_per_kg=pl.lit("9.5")).write_csv(register)
    again = made(copy)
    assert {BY_TABLE["pours"].name, "component_facts"} <= again
    assert not again & {"film_increments", "sprays", "stage_positions", "gauge_fits"}
    limits = copy.registers / "permit_limits.csv"
    limits.write_text(limits.read_text().replace(",,0.7,ton_us,", ",,0.3,ton_us,", 1))
    again = made(copy)
    assert "actions" in again and not again & {one.makes[0] for one in decision_tables.DECISIONS} - {"actions"}


def test_a_setting_runs_what_asks_for_it_and_nothing_else(copy: Workspace) -> None:
    (copy.settings_file).write_text(
        "[money]\nlabour_rate_per_hour = 61.0\n[pages]\nunits = 'us'\n[engine]\nthreads = 1\n"
    )
    again = made(copy)
    assert "job_costs" in again
    assert not again & {"mixes", "film_increments", "records", "transfer_by_pair", BY_TABLE["pours"].name}


def test_code_that_changed_runs_what_it_makes_and_a_table_of_equal_content_stops_there(
    copy: Workspace, monkeypatch: pytest.MonkeyPatch
) -> None:
    true_code = steps._code
    monkeypatch.setattr(
        steps, "_code", lambda paths: true_code(paths) + ("edited" if "pipelines/ledger" in paths else "")
    )
    assert made(copy) == {name for name in runner.PYTHON_STEPS}


def test_a_file_added_later_gives_what_all_files_at_once_give_and_leaves_no_trace_when_it_goes(
    copy: Workspace, finished: Workspace, tmp_path: Path
) -> None:
    """All at once shop by shop, on one thread, with little memory: that moves no figure either."""
    late = copy.inbox / "pours_late.csv"
    pours = pl.read_csv(copy.inbox / "pours.csv", infer_schema=False)
    pours.head(3).with_columns(mix_id=pl.lit("late")).write_csv(late)
    again = made(copy)
    assert "mixes" in again and "gauge_fits" not in again
    fresh = Workspace(tmp_path / "fresh")
    shutil.copytree(copy.root, fresh.root, ignore=shutil.ignore_patterns(".filmledger", "out"))
    fresh.settings_file.write_text("[engine]\nthreads = 1\nmemory_gb = 0.5\n")
    with at_a_time(1):
        assert made(fresh) >= again
    assert differences(tables(copy), tables(fresh)) == []
    late.unlink()
    made(copy)
    assert differences(tables(finished), tables(copy)) == []


def test_a_check_that_does_not_hold_leaves_what_stood_before(copy: Workspace, monkeypatch: pytest.MonkeyPatch) -> None:
    before = tables(copy)["material_ledger"]
    monkeypatch.setattr(checks, "CLOSURE", -1.0)  # nothing is as close as that
    monkeypatch.setattr(steps, "_code", lambda paths: "edited")
    step = BY_TABLE["material_ledger"]
    with runs.begin(copy, runs.Silent()) as run, pytest.raises(steps.CheckFailed, match="closure does not hold"):
        steps.bring(step, run)
    monkeypatch.undo()
    assert tables(copy)["material_ledger"].equals(before)


def test_a_step_alone_says_what_is_missing(tmp_path: Path) -> None:
    space, _ = workspace.init(tmp_path / "shop", "")
    with (
        runs.begin(space, runs.Silent()) as run,
        pytest.raises(workspace.WorkspaceError, match=r"mixes reads .* not there"),
    ):
        steps.bring(BY_TABLE["mixes"], run)


def test_results_of_different_times_are_not_published(copy: Workspace) -> None:
    from pipelines import results

    before = copy.snapshot()
    (copy.inbox / "pours.csv").write_text((copy.inbox / "pours.csv").read_text() + "\n")
    with runs.begin(copy, runs.Silent()) as run, pytest.raises(workspace.WorkspaceError, match="not up to date"):
        results.publish(run)
    assert copy.snapshot() == before


class Watched:
    """Stands for a run whose steps do nothing: which are at work, which ended, and how many were at work at a time."""

    def __init__(self, at_once: int, failing: str = "") -> None:
        self.bench, self.failing = SimpleNamespace(at_once=at_once), failing
        self.begun: list[str] = []
        self.ended: list[str] = []
        self.most = self.begun_at_failure = 0
        self.lock = threading.Lock()

    @contextlib.contextmanager
    def timed(self, stage: str) -> Iterator[None]:
        yield

    def bring(self, step: Step, run: object) -> bool:
        with self.lock:
            self.begun.append(step.name)
            self.most = max(self.most, len(self.begun) - len(self.ended))
            lacking = {BY_TABLE[name].name for name in step.upstream} - set(self.ended)
        assert not lacking, f"{step.name} was begun before {lacking}"
        time.sleep(0.001)
        if step.name == self.failing:
            self.begun_at_failure = len(self.begun)
            raise ValueError(step.name)
        with self.lock:
            self.ended.append(step.name)
        return True


def test_what_asks_for_the_transfer_model_waits_for_the_step_that_fits_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Begun beside that step, a decision would fit the model a second time."""
    asking = {one.makes[0] for one in decision_tables.DECISIONS if "transfer" in one.parts}
    assert asking and all("transfer_model" in BY_TABLE[name].upstream for name in asking)
    again: list[object] = []
    monkeypatch.setattr(estimate, "fitted_model", lambda **given: again.append(given))
    space = drawn(tmp_path / "shop", shops=1, months=2, cups=60)
    with runs.begin(space, runs.Silent()) as run:
        steps.bring_up_to_date(run)
        assert run.transfer_model is not None and not again


@pytest.mark.parametrize("at_once", [1, 2, 3])
def test_steps_are_made_side_by_side_and_none_before_what_it_reads(
    at_once: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    told: list[str] = []
    run = Watched(at_once)
    monkeypatch.setattr(steps, "bring", run.bring)
    monkeypatch.setattr(steps, "tell", lambda group, _: told.append(group))
    steps.bring_up_to_date(run)  # type: ignore[arg-type]
    assert sorted(run.ended) == sorted(step.name for step in steps.STEPS)
    assert run.most == at_once
    assert told == list(steps.GROUPS), "each group once, in order"


def test_where_a_step_fails_none_is_begun_after_it_and_its_error_is_what_is_raised(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    run = Watched(2, failing="records")
    monkeypatch.setattr(steps, "bring", run.bring)
    monkeypatch.setattr(steps, "tell", lambda group, _: None)
    with pytest.raises(ValueError, match="records"):
        steps.bring_up_to_date(run)  # type: ignore[arg-type]
    assert 0 < len(run.begun) <= run.begun_at_failure + 1, "none, but where another step ended at that very moment"
