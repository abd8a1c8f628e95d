"""One run over a workspace, as the graph sees it: what the folder holds, reading it, putting results in force.

Here belongs what the graph's assets share, so that the command line and Dagster's own pages run the same. Not here: the
graph (defs), whether a run is needed at all (conductor), writing (workspace), computing of any kind.
"""

from __future__ import annotations

import contextlib
import dataclasses
import hashlib
import time
from collections import Counter
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass, field
from functools import cached_property, partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

from pipelines import engine, workspace
from pipelines.engine import Engine
from pipelines.workspace import Workspace, WorkspaceError

if TYPE_CHECKING:
    import polars as pl

    from pipelines.intake.layout import Layout
    from pipelines.intake.merge import Intake, Merging, Told
    from pipelines.intake.read import FileRead, Options
    from pipelines.ledger.shops import Phase, Span
    from pipelines.results import Results
    from pipelines.settings import Settings
    from pipelines.shelf import Shelf
    from pipelines.transfer.iterate import Joint


REFERENCE = Path(__file__).resolve().parent.parent / "seed_data" / "reference"


class Teller(Protocol):
    """Says what a run does, while it does it."""

    def stage(self, name: str, result: str) -> None:
        """One line of result when a stage is done."""

    def progress(self, what: str, done: int, total: int) -> None:
        """A sign of life on long work."""


class Silent:
    """A teller that says nothing."""

    def stage(self, name: str, result: str) -> None: ...

    def progress(self, what: str, done: int, total: int) -> None: ...


@dataclass
class Run:
    """A run in progress: the folder, its settings, what its files held at the start, and the tables made so far."""

    space: Workspace
    settings: Settings
    files: list[workspace.Input]
    contents: dict[str, str]
    fingerprint: str
    teller: Teller
    remark: str | None = None
    engine: Engine = field(default_factory=engine.Cores)
    keys: list[str] = field(default_factory=list)
    seconds: dict[str, float] = field(default_factory=dict)
    transfer_model: Joint | None = None  # as `transfer` fitted it, for `decide`; None where that is run by itself

    @cached_property
    def tables(self) -> Shelf:
        from pipelines.shelf import Shelf

        return Shelf(self.space)

    @cached_property
    def results(self) -> Results:
        from pipelines.results import Results

        return Results(self.tables)

    @contextlib.contextmanager
    def timed(self, stage: str) -> Iterator[None]:
        """Add what happens inside to the time of a stage."""
        began = time.perf_counter()
        try:
            yield
        finally:
            self.seconds[stage] = self.seconds.get(stage, 0.0) + time.perf_counter() - began

    def tell(self, stage: str, result: str) -> None:
        """One line of result with the seconds the stage has taken."""
        self.teller.stage(stage, f"{result} ({self.seconds.get(stage, 0.0):.1f} s)")


# --- begin and end ----------------------------------------------------------------------------------------------------


@contextlib.contextmanager
def begin(space: Workspace, teller: Teller) -> Iterator[Run]:
    """Take the lock, clear the building folder, note what the files hold."""
    with workspace.lock(space) as remark:
        current = look(space, teller)
        workspace.begin(space)
        chosen = current.settings.engine
        with engine.start(chosen.engine, chosen.workers, chosen.spark_master) as started:
            current = dataclasses.replace(current, remark=remark, engine=started)
            try:
                yield current
            finally:
                current.results.close()


def look(space: Workspace, teller: Teller) -> Run:
    """What the folder holds now: settings, files and their content. Nothing is locked and nothing written."""
    from pipelines import settings

    chosen = settings.load(space.settings_file)
    files = workspace.inputs(space)
    contents = workspace.digests(files)
    return Run(space, chosen, files, contents, workspace.fingerprint(space, contents, workspace.code_digest()), teller)


def publish(current: Run) -> dict[str, Any]:
    """Put the finished set in force, if the folder still holds what was read. Returns the headline numbers.

    Raises WorkspaceError where a file changed, came or went meanwhile.
    """
    now = workspace.digests(workspace.inputs(current.space))
    if now != current.contents:
        changed = sorted(path for path in now | current.contents if now.get(path) != current.contents.get(path))
        raise WorkspaceError(_changed(changed))
    told = headline(current.tables)
    workspace.drop_parts(current.space)
    workspace.publish(current.space, {"fingerprint": current.fingerprint, "headline": told})
    workspace.forget_reads(current.space, current.keys)
    return told


def _changed(paths: list[str]) -> str:
    return (
        f"{', '.join(paths[:5])} changed while being read, so nothing was published."
        " Run again when the export has finished."
    )


# --- intake -----------------------------------------------------------------------------------------------------------


def read_everything(current: Run) -> Intake:
    """All files of the workspace merged, whole in memory."""
    return take_in(current).whole()


def take_in(current: Run) -> Merging[Span]:
    """All files of the workspace, each read anew only where the same content was not read before, ready to be merged span by
    span of shops."""
    from pipelines.intake import layout, local, merge, read
    from pipelines.intake.files import Source
    from pipelines.ledger import shops
    from schemas.reference import LOCAL

    options = read.Options(current.settings.business.time_zone, current.settings.intake.max_file_mb)
    layouts = layout.load({one.path: _text(one) for one in current.files if one.path.startswith("layouts/")})
    todo = [one for one in current.files if not one.path.startswith("layouts/")]
    reading = Reading(current.space, current.contents, layouts, options, repr(workspace.library_versions()))
    works = current.engine
    if works.apart:
        # workers fill the store; what they read is then taken from there
        unread = [one for one in todo if not workspace.is_kept(current.space, reading.key(one))]
        for done, _ in enumerate(works.each(partial(_read_apart, reading), unread), start=1):
            current.teller.progress("reading files", done, len(unread))
        works = engine.Cores()

    reads: list[FileRead] = []
    held = 0
    for done, found in enumerate(works.each(reading.one, todo), start=1):
        held += sum(one.height for one in found.tables.values() if not one.kept)
        # what is more than is worked on in one go waits on disk
        reads.append(found if held <= current.settings.engine.span_rows else reading.stored(todo[done - 1]) or found)
        current.teller.progress("reading files", done, len(todo))
    current.keys += [reading.key(one) for one in todo]

    inputs = {one.path: one for one in todo}
    by_path = {found.file: found for found in reads}

    def raw_of(path: str, lines: list[int]) -> dict[int, str]:
        source = Source(path, inputs[path].full, trouble=inputs[path].trouble)  # anew: it keeps the bytes it has read
        return read.raw_lines(by_path[path], source, layouts, lines)

    taken = merge.Merging(reads, options, raw_of, partial(shops.spans, rows=current.settings.engine.span_rows))
    local.with_rules(taken, {name: reference_table(name) for name in LOCAL})
    return taken


def intake(current: Run) -> None:
    """Take in all files: every table of intake stands in the shelf then, whose spans follow from the rows of each shop."""
    taken = take_in(current)
    shelf = current.tables
    shelf.spans = list(taken.spans)
    for name in list(taken.tables):
        shelf.put(name, taken.tables[name])
    if len(shelf.spans) == 1:
        for name, frame in taken.batch(0).items():
            shelf.put(name, frame)
    else:
        counts: Counter[str] = Counter()
        looks = current.engine.each(partial(_bring, shelf, taken), range(len(shelf.spans)))
        for at, (rows, told) in enumerate(looks):
            current.teller.progress("merging shops", at + 1, len(shelf.spans))
            taken.hear(at, told)
            counts.update(rows)
        for name, height in counts.items():
            shelf.finish(name, height)
    for name, frame in zip(("intake_files", "refused_rows", "incomplete"), taken.told(), strict=True):
        shelf.put(name, frame)


def _bring(shelf: Shelf, taken: Merging[Span], at: int) -> tuple[dict[str, int], Told]:
    frames, told = taken.look(at)
    shelf.bring(at, frames)
    return {name: frame.height for name, frame in frames.items()}, told


@dataclass(frozen=True)
class Reading:
    """Everything that reading one file depends on, so that it can be done anywhere."""

    space: Workspace
    contents: dict[str, str]
    layouts: list[Layout]
    options: Options
    libraries: str

    def key(self, one: workspace.Input) -> str:
        """Under which the store keeps what was read: by content, and all else that counts."""
        from pipelines.intake import read

        basis = read.cache_key(one.path, self.contents[one.path], self.layouts, self.options) + self.libraries
        return hashlib.sha256(basis.encode()).hexdigest()

    def one(self, one: workspace.Input) -> FileRead:
        """One file, from the store where the same content was read before; kept there otherwise."""
        from pipelines.intake import read
        from pipelines.intake.files import Source

        kept = self.stored(one)
        if kept is not None:
            return kept
        place = workspace.Keeping(self.space, self.key(one))
        found = read.read_file(Source(one.path, one.full, trouble=one.trouble), self.layouts, self.options, place)
        if found.state != "read" or found.sha256 != self.contents[one.path]:
            place.clear()
            if found.sha256 and found.sha256 != self.contents[one.path]:
                raise WorkspaceError(_changed([one.path]))
            return found
        notes, frames = read.packed(found)
        place.finish(frames, notes)
        if not any(table.kept for table in found.tables.values()):
            return found
        kept = self.stored(one)  # what was put away has moved with its folder
        if kept is None:
            raise WorkspaceError(f"What was read of {one.path} vanished from {self.space.intake_store}; run again.")
        return kept

    def stored(self, one: workspace.Input) -> FileRead | None:
        """One file as the store has it."""
        from pipelines.intake import read

        kept = workspace.read_again(self.space, self.key(one))
        return read.unpack(kept[1], kept[0], one.path) if kept is not None else None


def _read_apart(reading: Reading, one: workspace.Input) -> None:
    """Read a file for the store alone: what was read is too large to send back."""
    reading.one(one)


def _text(one: workspace.Input) -> str:
    """The text of a layout. Raises WorkspaceError naming the file where it cannot be read."""
    if one.trouble:
        raise WorkspaceError(f"{one.path} {one.trouble}.")
    try:
        return one.full.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        line = error.object[: error.start].count(b"\n") + 1
        raise WorkspaceError(f"{one.path}, line {line}: not UTF-8 text; save the file as UTF-8.") from error
    except OSError as error:
        raise WorkspaceError(f"{one.path}: cannot be read ({error.strerror}).") from error


# --- the ledger -------------------------------------------------------------------------------------------------------


def ledger_pass(current: Run, phase: Phase, keep: Collection[str]) -> dict[str, int]:
    """Run the steps of one pass of the ledger, span by span of shops where its steps allow, on the engine of the settings.

    The tables in `keep` stand in the shelf then; returns how many rows each step made. Spans follow from the data and
    `span_rows` alone, so that neither engine nor number of workers moves a digit.
    """
    from pipelines.ledger import shops

    needs = shops.needs(phase.steps)
    flat = current.settings.flat()
    shelf = current.tables
    if not phase.by_shop or (len(shelf.spans) == 1 and not current.engine.apart):
        given = {name: shelf[name] for name in needs}
        kept, counts = shops.work(phase.steps, given, shelf.spans[0] if phase.by_shop else None, flat, keep)
        for name in list(kept):
            shelf.put(name, kept.pop(name))
        return counts
    if current.engine.apart:
        shelf.share(needs)
    counts = dict.fromkeys(phase.steps, 0)
    work = partial(_on_span, shelf, phase.steps, flat, frozenset(keep))
    for done, rows in enumerate(current.engine.each(work, range(len(shelf.spans))), start=1):
        current.teller.progress(f"ledger: {phase.steps[-1]}", done, len(shelf.spans))
        for name, count in rows.items():
            counts[name] += count
    for name in phase.steps:
        if name in keep:
            shelf.finish(name, counts[name])
    return counts


def _on_span(
    shelf: Shelf, steps: tuple[str, ...], flat: Mapping[str, Any], keep: frozenset[str], at: int
) -> dict[str, int]:
    """The steps of a pass on one span of shops: tables are read from the shelf's folder and brought back there."""
    from pipelines.ledger import shops

    kept, counts = shops.work(steps, shelf.of_span(at, shops.needs(steps)), shelf.spans[at], flat, keep)
    shelf.bring(at, kept)
    return counts


# --- reference ---------------------------------------------------------------------------------------------------------


def reference_table(name: str) -> pl.DataFrame:
    """One of the tables that ship with the project, from seed_data/reference/<name>.csv, in its schema's form."""
    import polars as pl

    from schemas import door

    text = pl.read_csv(REFERENCE / f"{name}.csv", infer_schema=False)
    typed = text.with_columns(
        pl.col(info.name).str.to_date() if info.kind == "date" else pl.col(info.name).cast(info.dtype)
        for info in door.columns(name)
        if info.name in text.columns and info.kind != "bool"
    )
    flags = [info.name for info in door.columns(name) if info.kind == "bool" and info.name in text.columns]
    typed = typed.with_columns(
        pl.col(flag).replace_strict({"true": True, "false": False}, return_dtype=pl.Boolean) for flag in flags
    )
    return door.conform(name, typed)


# --- headline ---------------------------------------------------------------------------------------------------------


def _why_no_te(shelf: Shelf) -> str:
    """What a transfer efficiency would take, where there is none."""
    import polars as pl

    if not shelf.rows("film_increments"):
        return "that takes film readings before and after spraying"
    records = shelf["transfer_records"].filter(~pl.col("usable"))["why_not"].drop_nulls()
    reasons = records.str.split("; ").explode().value_counts().sort("count", "why_not", descending=[True, False])
    if not reasons.height:
        return "no film was read of what was sprayed"
    return f"Of {shelf.rows('transfer_records'):,} records none can be used, most often: {reasons['why_not'][0]}"


def headline(shelf: Shelf) -> dict[str, Any]:
    """The numbers of the closing paragraph, from the published tables. Masses in g of solids, ratios as such."""
    import polars as pl

    from pipelines.intake import doubts

    files = shelf["intake_files"]
    months = shelf["emissions_monthly"].filter(~pl.col("complete"))["month"]
    whole = pl.all_horizontal(pl.col(cut) == "all" for cut in ("shop_id", "role", "product_id", "period"))
    sums = next(shelf["totals"].filter(whole).iter_rows(named=True), dict.fromkeys(shelf["totals"].columns))
    poured = sums["poured_solids_g"]
    return {
        "cups": shelf.rows("mixes"),
        "poured_solids_g": poured or 0.0,
        "useful_share": sums["useful_solids_g"] / poured if poured else None,
        "te": sums["te"],
        "left_share": sums["leftover_solids_g"] / poured if poured else None,
        "flushed_share": sums["flush_loss_solids_g"] / poured if poured else None,
        "no_te": _why_no_te(shelf) if sums["te"] is None else None,
        "te_low": sums["te_low"],
        "te_high": sums["te_high"],
        "not_split_share": sums["not_split_solids_g"] / poured if poured else None,
        "rows_read": int(files["rows_read"].sum()),
        "rows_used": int(files["accepted"].sum()),
        "duplicate_rows": int(files["duplicate"].sum()),
        "superseded_rows": int(files["superseded"].sum()),
        "refused_rows": int(files["refused"].sum()),
        "refused_files": files.filter(pl.col("state") == "refused").height,
        "incomplete_months": months.n_unique(),
        "doubts": doubts.told(files),
    }
