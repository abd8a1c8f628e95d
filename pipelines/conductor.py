"""A run as a whole: whether anything is new, and if so the graph from the exports to the pages.

Here belongs what the command line calls. Dagster is imported by `_materialize` alone: a run with nothing new never pays
for it. Not here: the graph (defs), what its assets share (run), printing (cli).
"""

from __future__ import annotations

import contextlib
import io
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipelines import run as runs
from pipelines import workspace
from pipelines.workspace import Workspace, WorkspaceError

if TYPE_CHECKING:
    from collections.abc import Iterator

    import polars as pl
    from dagster import DagsterInstance

    from reports.lines import Listed

KEPT_RUNS = 20  # of which Dagster's records, some 3 MB a run, stay in the workspace
FORGOTTEN_AT_ONCE = 5  # runs: a workspace with the records of hundreds is not to wait for all of them to go
WORTH_COMPACTING = 8e6  # bytes that stand empty


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a run came to. `headline` holds the numbers of the closing paragraph, as the set in force has them."""

    new: bool
    headline: dict[str, Any]
    remark: str | None = None

    @property
    def refused(self) -> bool:
        """Whether rows or files were refused."""
        return bool(self.headline["refused_rows"] or self.headline["refused_files"])


def run(space: Workspace, again: bool = False, teller: runs.Teller | None = None) -> Outcome:
    """Bring the results up to date with the folder. `again` computes everything anew, from the files themselves.

    Raises SettingsError, WorkspaceError or LayoutError where it cannot run; the results in force then stay.
    """
    if not again:
        contents = workspace.digests(workspace.inputs(space))
        manifest = workspace.manifest_in_force(space)
        now = workspace.fingerprint(space, contents, workspace.code_digest())
        if manifest and manifest.get("fingerprint") == now:
            return Outcome(new=False, headline=manifest["headline"])
    with runs.begin(space, teller or runs.Silent()) as current:
        if again:
            workspace.forget_reads(space, [])
        _materialize(current)
        published = workspace.manifest_in_force(space)
        if published is None:
            raise WorkspaceError(f"The results vanished from {space.out} as soon as they were published; run again.")
        return Outcome(new=True, headline=published["headline"], remark=current.remark)


def _materialize(current: runs.Run) -> None:
    """The whole graph in this process, with Dagster's records kept in the workspace."""
    import dagster as dg
    from sqlalchemy import event
    from sqlalchemy.engine import Engine

    from pipelines import definitions

    # Dagster commits each of its some hundred events to SQLite apart. Waiting for the disk every time costs more than
    # the whole demo; the records are no results, and begin afresh where a power cut left them unreadable.
    event.listen(Engine, "connect", _do_not_wait_for_the_disk)
    try:
        # where its records cannot be written Dagster says so on stderr, in words of its own; the error itself is raised
        with contextlib.redirect_stderr(io.StringIO()), _records(current.space) as instance:
            # records are no results: where old ones cannot be taken away now, a later run will
            with contextlib.suppress(Exception):
                _forget_old(instance)
            with _kept_open():
                dg.materialize(
                    definitions.assets,
                    instance=instance,
                    resources={"run": current},
                    run_config={"loggers": {"console": {"config": {"log_level": "CRITICAL"}}}},
                )
    finally:
        event.remove(Engine, "connect", _do_not_wait_for_the_disk)


def _do_not_wait_for_the_disk(connection: Any, _: Any) -> None:
    if type(connection).__module__.startswith("sqlite3"):
        connection.execute("PRAGMA synchronous = OFF")
        connection.execute(
            "PRAGMA wal_autocheckpoint = 50"
        )  # pages: a log of a file that stays open would grow to 4 MB


@contextlib.contextmanager
def _kept_open() -> Iterator[None]:
    """Dagster opens SQLite anew for each of some 2,400 looks at its events, a third of a small run: here each file once.

    Takes the place of a method that is Dagster's own; where a later Dagster has none of that name, nothing is changed.
    """
    from dagster._core.storage.event_log.sqlite import sqlite_event_log
    from sqlalchemy.pool import StaticPool

    storage = sqlite_event_log.SqliteEventLogStorage
    usual = getattr(storage, "_connect", None)
    if usual is None:
        yield
        return
    engines: dict[str, Any] = {}

    @contextlib.contextmanager
    def connect(self: Any, shard: str) -> Iterator[Any]:
        with self._db_lock:
            address = self.conn_string_for_shard(shard)
            if address not in engines:
                engines[address] = sqlite_event_log.create_engine(
                    address, poolclass=StaticPool, connect_args={"timeout": 60, "check_same_thread": False}
                )
            if shard not in self._initialized_dbs:
                self._initdb(engines[address])
                self._initialized_dbs.add(shard)
            with engines[address].connect() as connection, connection.begin():
                yield connection

    setattr(storage, "_connect", connect)  # noqa: B010
    try:
        yield
    finally:
        setattr(storage, "_connect", usual)  # noqa: B010
        for one in engines.values():
            one.dispose()


def _records(space: Workspace) -> DagsterInstance:
    """Dagster's records of this workspace; new ones where those that are there cannot be read."""
    import dagster as dg
    from sqlalchemy.exc import DatabaseError

    try:
        instance = dg.DagsterInstance.from_config(str(workspace.prepare_dagster(space)))
        instance.get_runs(limit=1)
        return instance
    except DatabaseError as error:
        if workspace.is_refusal(error):
            raise
        workspace.set_dagster_aside(space)
        return dg.DagsterInstance.from_config(str(workspace.prepare_dagster(space)))


def _forget_old(instance: DagsterInstance) -> None:
    """Take away the records of all but the last runs, a few runs at a time; asset keys and what ran last of each stay.

    A run about to begin is counted among those that are kept. Stopped in the middle, it goes on at the next call.
    """
    from dagster._core.storage.event_log.schema import AssetCheckExecutionsTable
    from dagster._core.storage.event_log.sqlite.sqlite_event_log import INDEX_SHARD_NAME, SqliteEventLogStorage

    events = instance.event_log_storage
    if not isinstance(events, SqliteEventLogStorage):
        return
    files = events.get_all_run_ids()  # before the runs: a run is noted before it has a file
    runs = instance.get_run_ids()  # the latest first
    lost = sorted(set(files) - set(runs))  # a run whose forgetting was cut short
    for run_id in [*lost, *reversed(runs[KEPT_RUNS - 1 :])][:FORGOTTEN_AT_ONCE]:
        instance.delete_run(run_id)
        with events.index_connection() as connection:  # the one table that delete_run leaves as it is
            connection.execute(AssetCheckExecutionsTable.delete().where(AssetCheckExecutionsTable.c.run_id == run_id))
        for ending in ("-wal", "-shm", ""):  # last of all the file by which it is found again
            Path(events.path_for_shard(run_id) + ending).unlink(missing_ok=True)
    _compact(events.path_for_shard(INDEX_SHARD_NAME))


def _compact(path: str) -> None:
    """Write a SQLite file anew where more than half of it is empty; a few empty pages are filled by the next run."""
    import sqlite3

    with contextlib.closing(sqlite3.connect(path, timeout=0, isolation_level=None)) as connection:
        size, pages, empty = (
            connection.execute(f"PRAGMA {what}").fetchone()[0] for what in ("page_size", "page_count", "freelist_count")
        )
        if 2 * empty > pages and empty * size > WORTH_COMPACTING:
            connection.execute("VACUUM")


@dataclass(frozen=True, slots=True)
class Findings:
    """What `check` found: intake_files, refused_rows exploded to one row per reason, what the registers lack (advice.py),
    the first rows of the file that was asked for, by table, what stays incomplete and the used rows that hang on it."""

    files: pl.DataFrame
    reasons: pl.DataFrame
    gaps: pl.DataFrame | None = None
    shown: dict[str, pl.DataFrame] = field(default_factory=dict)
    incomplete: pl.DataFrame | None = None
    rows_incomplete: int = 0

    @property
    def refused(self) -> bool:
        return bool(self.reasons.height or (self.files["state"] == "refused").any())


def handout(
    space: Workspace, period: str | None, shops: list[str], teller: runs.Teller | None = None
) -> tuple[Outcome, Path, bool]:
    """Bring the results up to date and make the hand-out of a period (None: the last twelve months), of all shops or
    those named. Returns the run, the hand-out's folder, and whether it differs from the one that was there.

    Raises reports.handouts.PeriodError where the period or a shop cannot be found, and what `run` raises.
    """
    from pipelines import settings
    from reports import handouts

    of = None if period is None else handouts.period(period)
    outcome = run(space, teller=teller)
    with workspace.lock(space):
        folder = space.snapshot()
        if folder is None:
            raise WorkspaceError(f"The results vanished from {space.out}; run again.")
        tables = workspace.read_snapshot(folder, handouts.TABLES)
        made = handouts.build(
            tables, settings.load(space.settings_file).flat(), of or handouts.rolling(tables), shops=shops,
            before=lambda name: workspace.read_handout(space, f"{name}/{handouts.RECORD}"),
        )  # fmt: skip
        if made.same:
            return outcome, space.handouts / made.name, False
        return outcome, workspace.keep_handout(space, made.name, handouts.files(made)), True


def reader(name: str | None, person: str | None) -> None:
    """Raises reports.audience.AudienceError where no site is made for such a reader."""
    from reports import audience

    audience.of(name, person)


def site_for(space: Workspace, name: str, person: str | None) -> Path:
    """Make the site of one reader (owner, environment, trainer, painter) from the results in force; returns its folder.

    Raises reports.audience.AudienceError where there is no such reader or no such person.
    """
    from pipelines import settings
    from reports import site
    from schemas import published, registers

    with workspace.lock(space):
        folder = space.snapshot()
        if folder is None:
            raise WorkspaceError(f"The results vanished from {space.out}; run again.")
        tables = workspace.read_snapshot(folder, [*published.PUBLISHED, *registers.REGISTERS, "packs"])
        pages = site.build(tables, settings.load(space.settings_file).model_dump(), name, person=person)
        own = "_".join(["site", name, *([workspace.file_name_of(person)] if person else [])])
        return workspace.keep_handout(space, own, pages)


def lines(space: Workspace, measure: str, period: str | None, rolling: bool, shops: list[str]) -> Listed:
    """Every line behind a figure of the set in force, in a period (None: the latest month) or, where `rolling`, in the
    twelve months to its end.

    Raises reports.lines.MeasureError or reports.handouts.PeriodError, and WorkspaceError where there is no set yet.
    """
    from reports import handouts
    from reports.lines import listed, needs

    folder = space.snapshot()
    if folder is None:
        raise WorkspaceError(f"{space.root}: there is nothing to list yet; run: filmledger run {space.root}")
    given = None if period is None else handouts.period(period)
    tables = workspace.read_snapshot(folder, needs(measure))
    of = handouts.latest(tables) if given is None and "emissions_monthly" in tables else given
    return listed(tables, measure, handouts.rolling(tables, of) if rolling and of else of, shops)


def check(space: Workspace, teller: runs.Teller | None = None, show: str | None = None) -> Findings:
    """Read everything as a run would and publish nothing. Files already read are taken from the store. `show`: a file
    whose first rows are wanted, by its path inside the workspace or the end of it."""
    import polars as pl

    from pipelines.intake import advice

    found = runs.read_everything(runs.look(space, teller or runs.Silent()))
    shown = {}
    if show is not None:
        files = found.intake_files["file"].str.split(", sheet '").list.first().unique().sort()
        names = [one for one in files if one.endswith(show.removeprefix("./"))]
        if len(names) != 1:
            raise WorkspaceError(
                f"{show} is {'no file' if not names else 'the end of several files'} of {space.root};"
                " give its path below the workspace, such as inbox/scale.csv."
            )
        shown = advice.first_rows(found.tables, names[0])
    return Findings(
        found.intake_files,
        found.refused_rows.explode("reasons").select("file", "line", "table", pl.col("reasons").alias("reason"), "raw"),
        advice.gaps(found.tables),
        shown,
        found.incomplete,
        advice.rows_incomplete(found.tables, found.incomplete),
    )
