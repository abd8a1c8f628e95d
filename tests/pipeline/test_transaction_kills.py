"""The short form of `make kills`: a few runs stopped at random moments while a reader polls (see tests/bench/kills.py)."""

from pipelines.workspace import Workspace
from tests.bench import kills


def test_killed_runs_leave_a_whole_set_and_the_next_run_ends_as_if_undisturbed(copy: Workspace) -> None:
    result = kills.disturb(copy, kills=6, seed=7, finish_every=3)
    assert result.wrong == []
    assert sum(result.kills.values()) == 6 and result.finished_first < 6
    assert result.polls > 5 and set(result.seen)
