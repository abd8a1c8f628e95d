"""What Dagster runs by itself once somebody switches it on: an inbox sensor and a daily schedule over all tables.

Here also stands the run that Dagster's own pages start; the command line hands in its own.
"""

import contextlib
import hashlib
import os
from collections.abc import Iterator

import dagster as dg

from pipelines import run as runs
from pipelines import workspace

WORKSPACE = "FILMLEDGER_WORKSPACE"

everything = dg.define_asset_job(
    "everything", selection=dg.AssetSelection.all(), description="All tables, pages and hand-outs."
)
daily = dg.ScheduleDefinition(name="daily", job=everything, cron_schedule="0 5 * * *")


def _space() -> workspace.Workspace:
    """The workspace that `make dagster` names in the environment. Raises WorkspaceError where it names none."""
    return workspace.find(os.environ.get(WORKSPACE))


@dg.sensor(job=everything, minimum_interval_seconds=60)
def inbox(context: dg.SensorEvaluationContext) -> dg.SensorResult:
    """Asks for a run when the files have changed since the last one and then kept still for one look."""
    files = workspace.inputs(_space())
    seen = hashlib.sha256(repr([(one.path, one.size, one.mtime_ns) for one in files]).encode()).hexdigest()
    before, _, ran = (context.cursor or ":").partition(":")
    still = seen == before  # an export still being written changes from one look to the next
    wanted = still and seen != ran
    requests = [dg.RunRequest()] if wanted else []
    return dg.SensorResult(run_requests=requests, cursor=f"{seen}:{seen if wanted else ran}")


class _Log(runs.Silent):
    """Stages as lines of Dagster's own log."""

    def __init__(self, context: dg.InitResourceContext) -> None:
        self._log = context.log

    def stage(self, name: str, result: str) -> None:
        if self._log:
            self._log.info(f"{name}: {result}")


@dg.resource
@contextlib.contextmanager
def run(context: dg.InitResourceContext) -> Iterator[runs.Run]:
    """One run over the workspace, lock and all; the command line hands in its own."""
    with runs.begin(_space(), _Log(context)) as current:
        yield current
