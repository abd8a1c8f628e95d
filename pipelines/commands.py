"""A run as a whole: whether anything is new, and if so the graph from the exports to the pages.

Here belongs what the command line calls. Dagster is imported by `_materialize` alone: a run with nothing new never pays
for it. Not here: the graph (defs), what its assets share (run), printing (cli).
"""

from __future__ import annotations

import dataclasses
import os
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipelines import forgetting, workspace
from pipelines import run as runs
from pipelines.workspace import Workspace, WorkspaceError

if TYPE_CHECKING:
    import polars as pl

    from reports.handouts import Handout
    from reports.lines import Listed


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


def run(
    space: Workspace, again: bool = False, teller: runs.Teller | None = None, accept_removals: bool = False
) -> Outcome:
    """Bring the results up to date with the folder. `again` computes everything anew, from the files themselves;
    `accept_removals`: also where half of the files or rows are gone.

    Raises SettingsError, WorkspaceError or LayoutError where it cannot run; the results in force then stay.
    """
    teller = teller or runs.Silent()
    led = workspace.leading_out(space)
    for said in led:
        teller.remark(said)
    if workspace.begun(space):
        teller.remark("What `filmledger forget` had begun is finished now.")
        return _forgetting(space, teller, accept_removals)
    with workspace.known_sums(space) as of:
        manifest, wrong = workspace.set_in_force(space, of)
        if wrong:
            teller.remark(f"{wrong[:1].upper()}{wrong[1:]}; it is made anew.")
        elif manifest and not again and (not led or manifest["settings"]["intake"]["linked_folders"]):
            contents = workspace.held(space, manifest["settings"]["intake"]["max_file_mb"], of=of)
            now = workspace.fingerprint(workspace.settings_bytes(space), contents, workspace.code_digest())
            if manifest.get("fingerprint") == now and not manifest.get("aged"):
                return Outcome(new=False, headline=manifest["headline"])
    outcome, old = _anew(space, again, teller, accept_removals)
    if not old:
        return outcome
    teller.remark(
        f"{len(old)} {'person has' if len(old) == 1 else 'people have'} had no record for as long as keep_people_for says; from now on a"
        " pseudonym stands for them. inbox/ and registers/ still name them: filmledger forget PERSON says where."
    )
    with workspace.lock(space):
        forgetting.begin(space, old)
        return _forgetting(space, teller, accept_removals)


def _forgetting(space: Workspace, teller: runs.Teller, accept_removals: bool = False) -> Outcome:
    """Finish what `forget` began: everything anew, and names out of all that is kept besides."""
    with workspace.lock(space):
        workspace.begin_forgetting(space, workspace.begun(space))
        forgetting.own_files(space)
        outcome, _ = _anew(space, True, teller, accept_removals)
        for left in forgetting.finish(space):
            teller.remark(
                f"{left} still holds somebody who was forgotten; it is not of the program's making: change or delete it."
            )
        if (home := os.environ.get("DAGSTER_HOME")) and not Path(home).resolve().is_relative_to(space.root):
            teller.remark(f"Dagster's records in {home} lie outside of the workspace and were not looked at.")
        return outcome


def _anew(
    space: Workspace, again: bool, teller: runs.Teller, accept_removals: bool
) -> tuple[Outcome, list[tuple[str, list[str]]]]:
    """Make and publish everything that is not up to date. Also returns who is to be forgotten by now."""
    with runs.begin(space, teller, accept_removals) as current:
        if again:
            workspace.forget_reads(space, [])
            workspace.forget_tables(space)
        try:
            _materialize(current)
        except Exception as error:
            if not _is_damage(error):
                raise
            teller.remark("The tables of earlier runs are damaged; all of them are made anew.")
            current.close()
            workspace.forget_tables(space)
            workspace.begin(space)
            _materialize(current)
        published = workspace.said_in_force(space)
        if not published:
            raise WorkspaceError(f"The results vanished from {space.out} as soon as they were published; run again.")
        old = forgetting.aged(current) if published.get("aged") else []
        return Outcome(new=True, headline=published["headline"], remark=current.remark), old


def _is_damage(error: BaseException) -> bool:
    """Whether the database of the workbench says that it is not what it wrote."""
    import duckdb

    chain = workspace.causes(error)
    said = [str(one).lower() for one in chain if isinstance(one, duckdb.Error)]
    signs = ("corrupt", "checksum", "internal error", "fatal error", "serializ", "invalidated")
    return not any(map(workspace.is_refusal, chain)) and any(sign in one for one in said for sign in signs)


def _materialize(current: runs.Run) -> None:
    """Everything in this process: by Dagster, with its records, where DAGSTER_HOME says where they go; without it, or where they
    cannot be used, by `steps.bring_up_to_date`. Records that nobody keeps cost as much as a small run: each of some thousand events of the
    graph is a row of a database."""
    if home := os.environ.get("DAGSTER_HOME"):
        import dagster as dg

        try:
            with dg.DagsterInstance.get() as instance:
                return _graph(current, instance)
        except Exception as error:
            if any(type(one).__module__.split(".")[0] in OURS for one in workspace.causes(error)):
                raise
            why = (str(error).splitlines() or [type(error).__name__])[0]
            current.teller.remark(f"Dagster's records in {home} cannot be used ({why}); this run keeps none.")
            workspace.begin(current.space)
    from pipelines import results, steps

    steps.bring_up_to_date(current)
    results.publish(current)


#: where errors come from that a run without Dagster's records would meet as well
OURS = ("pipelines", "schemas", "reports", "duckdb", "_duckdb", "polars", "pandera")


def _graph(current: runs.Run, instance: Any) -> None:
    """Dagster's word for Ctrl-C and SIGTERM is turned back into Python's."""
    import dagster as dg

    from pipelines import definitions

    try:
        dg.materialize(
            definitions.assets,
            instance=instance,
            resources={"run": current},
            run_config={"loggers": {"console": {"config": {"log_level": "CRITICAL"}}}},
        )
    except dg.DagsterExecutionInterruptedError as error:
        raise KeyboardInterrupt from error


@dataclass(frozen=True, slots=True)
class Findings:
    """What `check` found: intake_files, refused_rows exploded to one row per reason, what the registers lack (check_notes.py),
    the first rows of the file that was asked for, by table, what stays incomplete and the used rows that hang on it,
    and changes that the records tell and their register does not."""

    files: pl.DataFrame
    reasons: pl.DataFrame
    gaps: pl.DataFrame | None = None
    shown: dict[str, pl.DataFrame] = field(default_factory=dict)
    incomplete: pl.DataFrame | None = None
    rows_incomplete: int = 0
    changes: pl.DataFrame | None = None

    @property
    def refused(self) -> bool:
        return bool(self.reasons.height or (self.files["state"] == "refused").any())


def handout(
    space: Workspace, period: str | None, shops: list[str], teller: runs.Teller | None = None, people: str | None = None
) -> tuple[Outcome, Path, bool, Handout]:
    """Bring the results up to date and make the hand-out of a period (None: the last twelve months), of all shops or
    those named. Returns the run, the hand-out's folder, whether it differs from the one that was there, and what it says.

    Raises reports.handouts.PeriodError where the period or a shop cannot be found, and what `run` raises.
    """
    from pipelines import results
    from reports import handouts

    if period is not None:
        handouts.period(period)  # before anything is run for it
    return run(space, teller=teller), *results.make_handout(space, period, shops, people)


def close(
    space: Workspace, period: str, shops: list[str], teller: runs.Teller | None = None
) -> tuple[Outcome, Path, list[str]]:
    """Bring the results up to date, make the hand-out of a period and keep its months' figures as they are. Returns the run, the
    hand-out's folder and the months. Raises reports.handouts.PeriodError, also where one of them is closed already."""
    from pipelines import results
    from reports import handouts

    handouts.period(period)  # before anything is run for it
    return run(space, teller=teller), *results.close(space, period, shops)


@dataclass(frozen=True, slots=True)
class Gone:
    """Who was forgotten: the pseudonym, whether that was so before, and where the shop's own files hold this person."""

    called: str
    before: bool
    places: list[forgetting.Place]


def forget(space: Workspace, person: str, teller: runs.Teller | None = None) -> tuple[Gone, Outcome]:
    """Call somebody (by id or label) by a pseudonym from now on, in everything that is published and kept.

    Raises WorkspaceError where nobody is called so, and what `run` raises; what was begun then is finished by the next run."""
    teller = teller or runs.Silent()
    with workspace.lock(space):
        if workspace.begun(space):
            _forgetting(space, teller)
        found = forgetting.who(space, person)
        places = forgetting.places(space, found.names)
        if not found.before:
            forgetting.begin(space, [(found.person, found.names)])
        gone = Gone(workspace.forgotten(space).called(found.person) or found.person, found.before, places)
        return gone, run(space, teller=teller) if found.before else _forgetting(space, teller)


def trial(
    space: Workspace,
    guns: list[str],
    role: str | None,
    *,
    who: list[str],
    shop: str | None,
    difference: str | None,
    jobs: int | None,
    looks: int | None,
    seed: int | None,
    paper: str,
    change: str | None,
) -> tuple[dict[str, Any], list[str], bytes]:
    """Plan a trial of two guns from the set in force, or say where that of a change stands. Returns it for programs, in words, and
    the sheet to print.

    Raises pipelines.transfer.decisions.trials.TrialError, and WorkspaceError where there is no set yet.
    """
    from pipelines import results
    from pipelines.intake.workbooks_to_fill import PAPERS
    from pipelines.transfer.decisions import practice_cards, trials
    from reports.handouts import trial_sheet

    folder = space.snapshot()
    if folder is None:
        raise WorkspaceError(f"{space.root}: there is no record yet to plan from; run: filmledger run {space.root}")
    tables = workspace.read_snapshot(folder, trials.TABLES)
    if lacking := [name for name in trials.NEEDS if name not in tables]:
        raise WorkspaceError(f"{space.root}: the results lack {', '.join(lacking)}; run: filmledger run {space.root}")
    matters = trials.share_of(difference) if difference else None
    stands, planned = None, False
    if change:
        row = trials.of_change(tables, change)
        plan, stands, planned = trials.of_row(tables, row, who, looks, jobs, matters)
    else:
        plan = trials.plan(tables, guns, str(role), who, shop, matters, looks, jobs)
    done = trials.jobs_of(tables)
    seed = trials.seed_of(plan) if seed is None else seed
    order = trials.schedule(plan, done, seed)
    labels = {}
    if results.settings_of(folder).pages.people == "label":
        people = tables["technicians"].drop_nulls("label")
        labels = dict(people.select("technician_id", "label").iter_rows())
    named = {r["shop_id"]: r["label"] or r["shop_id"] for r in tables["shops"].iter_rows(named=True)}
    told = dataclasses.asdict(plan) | {"seed": seed, "order": order.to_dicts(), "standing": None}
    lines = trials.said(plan, seed)
    if stands:
        told["standing"] = dataclasses.asdict(stands)
        lines = [stands.said, *([] if planned else [f"{trials.reckoned(plan)} Or give it with --jobs and --looks."])]
    sheet = trial_sheet.page(
        told,
        order,
        seed,
        labels,
        named.get(plan.shop_id, plan.shop_id),
        change or "",
        practice_cards.cautions(),
        PAPERS[paper],
    )
    return told, lines, sheet


def watch(
    space: Workspace, each: Callable[[], None], seconds: float, wait: Callable[[float], None] = time.sleep
) -> None:
    """Call `each` when the shop's files have changed since the last time and then kept still for one look, for ever: an export still
    being written changes from one look to the next. `seconds` lie between two looks."""
    before = done = None
    while True:
        try:
            seen: Any = [(one.path, one.size, one.mtime_ns) for one in workspace.inputs(space)]
        except WorkspaceError as error:  # a drive that came loose, maybe for a moment: a run says so
            seen = str(error)
        if seen == before and seen != done:
            each()
            done = seen
        before = seen
        wait(seconds)


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

    from pipelines import taking_in
    from pipelines.intake import check_notes

    found = taking_in.read_everything(runs.look(space, teller or runs.Silent()))
    shown = {}
    if show is not None:
        files = found.intake_files["file"].str.split(", sheet '").list.first().unique().sort()
        names = [one for one in files if one.endswith(show.removeprefix("./"))]
        if len(names) != 1:
            raise WorkspaceError(
                f"{show} is {'no file' if not names else 'the end of several files'} of {space.root};"
                " give its path below the workspace, such as inbox/scale.csv."
            )
        shown = check_notes.first_rows(found.tables, names[0])
    return Findings(
        found.intake_files,
        found.refused_rows.explode("reasons").select("file", "line", "table", pl.col("reasons").alias("reason"), "raw"),
        check_notes.gaps(found.tables),
        shown,
        found.incomplete,
        check_notes.rows_incomplete(found.tables, found.incomplete),
        check_notes.changes(found.tables),
    )
