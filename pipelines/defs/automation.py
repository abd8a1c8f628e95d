"""What Dagster runs by itself once somebody switches it on: an inbox sensor and a daily schedule in the shop's time zone, over
all tables; and what is left behind where such a run fails.

Here also stands the run that Dagster's own pages start; the command line hands in its own.
"""

import contextlib
import hashlib
import os
from collections.abc import Iterator

import dagster as dg

from pipelines import run as runs
from pipelines import settings, steps, workspace

WORKSPACE = "FILMLEDGER_WORKSPACE"
FIRST_MONTH = "2015-01-01"  # of hand-outs, where there is no result yet that knows better


def space() -> workspace.Workspace:
    """The workspace that `make dagster` names in the environment. Raises WorkspaceError where it names none."""
    return workspace.find(os.environ.get(WORKSPACE))


def _known() -> workspace.Workspace | None:
    """The workspace, where the environment names one."""
    return workspace.find(os.environ[WORKSPACE]) if os.environ.get(WORKSPACE) else None


def time_zone() -> str:
    """The shop's time zone; UTC where it is not set."""
    known = _known()
    return (settings.load(known.settings_file).business.time_zone if known else "") or "UTC"


def first_month() -> str:
    """The first day of the first month that the set in force knows."""
    known = _known()
    folder = known.snapshot() if known else None
    if folder is None:
        return FIRST_MONTH
    try:
        months = workspace.read_snapshot(folder, ["emissions_monthly"]).get("emissions_monthly")
    except workspace.WorkspaceError:  # damaged: the next run makes it anew
        months = None
    first = None if months is None else months["month"].min()
    return f"{first}-01" if isinstance(first, str) else FIRST_MONTH


@dg.failure_hook
def leave_word(context: dg.HookContext) -> None:
    """Leave in the workspace what went wrong, for whoever looks there and not into Dagster."""
    error = context.op_exception
    cause = error.__cause__ if error is not None else None
    workspace.report_fault(str(space().root), f"{context.op.name} failed: {error!r}\n{cause or ''}\n")


everything = dg.define_asset_job(
    "everything",
    selection=dg.AssetSelection.groups(*steps.GROUPS) | dg.AssetSelection.assets("site", "out"),
    hooks={leave_word},
    description="All tables and pages, and the finished set put in force.",
)
daily = dg.ScheduleDefinition(name="daily", job=everything, cron_schedule="0 5 * * *", execution_timezone=time_zone())


@dg.sensor(job=everything, minimum_interval_seconds=60)
def inbox(context: dg.SensorEvaluationContext) -> dg.SensorResult:
    """Asks for a run when the files have changed since the last one and then kept still for one look."""
    files = workspace.inputs(space())
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

    def remark(self, said: str) -> None:
        if self._log:
            self._log.warning(said)


@dg.resource
@contextlib.contextmanager
def run(context: dg.InitResourceContext) -> Iterator[runs.Run]:
    """One run over the workspace, lock and all; the command line hands in its own."""
    with runs.begin(space(), _Log(context)) as current:
        yield current
