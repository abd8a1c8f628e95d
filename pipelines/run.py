"""One run over a workspace: what the folder holds, its workbench, and reading its files.

Here belongs what all steps of a run share, so that the command line and Dagster's own pages run the same. Not here: which
steps there are (steps), putting results in force (results), whether a run is needed at all (commands), writing (workspace).
"""

from __future__ import annotations

import contextlib
import dataclasses
import hashlib
import itertools
import time
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import cached_property, partial
from importlib import resources
from typing import TYPE_CHECKING, Any, Protocol, TypeVar

from pipelines import workspace
from pipelines.workspace import Workspace, WorkspaceError

if TYPE_CHECKING:
    import polars as pl

    from pipelines.intake.bringing_together.merge import Intake, Merging
    from pipelines.intake.reading.files import Source
    from pipelines.intake.reading.layout import Layout
    from pipelines.intake.reading.read import FileRead, Options
    from pipelines.settings import Settings
    from pipelines.transfer.model.linearise import Joint
    from pipelines.workbench import Workbench


REFERENCE = resources.files("seed_data") / "reference"


class Teller(Protocol):
    """Says what a run does, while it does it."""

    def stage(self, name: str, result: str) -> None:
        """One line of result when a stage is done."""

    def progress(self, what: str, done: int, total: int) -> None:
        """A sign of life on long work."""

    def remark(self, said: str) -> None:
        """Something out of the ordinary that the run went on from."""


class Silent:
    """A teller that says nothing."""

    def stage(self, name: str, result: str) -> None: ...

    def progress(self, what: str, done: int, total: int) -> None: ...

    def remark(self, said: str) -> None: ...


@dataclass
class Run:
    """A run in progress: the folder, its settings, what its files held at the start, and the workbench with the tables made so
    far, once it is open."""

    space: Workspace
    settings: Settings
    files: list[workspace.Input]
    contents: dict[str, str]
    fingerprint: str
    teller: Teller
    remark: str | None = None
    accept_removals: bool = False  # an inbox that shrank sharply is meant to
    transfer_model: Joint | None = None  # as this run fitted it, for the decisions
    keys: list[str] = field(default_factory=list)  # of the store, under which what was read this time stands
    seconds: dict[str, float] = field(default_factory=dict)
    _bench: Workbench | None = None

    @cached_property
    def forgotten(self) -> workspace.Forgotten:
        """Who is called by a pseudonym."""
        return workspace.forgotten(self.space)

    @property
    def bench(self) -> Workbench:
        """The tables, opened when they are first asked for."""
        if self._bench is None:
            from pipelines import workbench

            chosen = self.settings.engine
            if chosen.engine == "spark":
                from pipelines import spark

                self._bench = spark.Spark(self.space.state / "tables-spark", chosen.spark_master)
            else:
                self._bench = workbench.opened(
                    self.space.state / "tables", chosen.memory_gb, chosen.threads, self.teller.remark
                )
        return self._bench

    @property
    def is_apart(self) -> bool:
        """Whether a workbench is open whose work is done elsewhere."""
        return self._bench is not None and self._bench.apart

    def close(self) -> None:
        if self._bench is not None:
            self._bench.close()
            self._bench = None

    @cached_property
    def sources(self) -> dict[str, str]:
        """What the shop's own files hold, a word for each of inbox, registers and layouts."""
        found = {}
        for top in ("inbox", "registers", "layouts"):
            held = [f"{path}\0{word}" for path, word in sorted(self.contents.items()) if path.startswith(f"{top}/")]
            found[top] = hashlib.sha256("\n".join(held).encode()).hexdigest()
        return found

    @contextlib.contextmanager
    def timed(self, stage: str) -> Iterator[None]:
        """Add what happens inside to the time of a stage."""
        began = time.perf_counter()
        try:
            yield
        finally:
            self.seconds[stage] = self.seconds.get(stage, 0.0) + time.perf_counter() - began

    def shrank(self, what: str, had: int, has: int, of: str) -> None:
        """Raises WorkspaceError where half of something is gone since the results in force were made: a drive that came loose, an
        export that went wrong. Nothing is published until it is accepted."""
        if had and 2 * has <= had and not self.accept_removals:
            raise WorkspaceError(
                f"{what} {had:,} {of} when the results in force were made, and {has:,} now. If that is meant, run once with"
                " --accept-removals; until then the results in force stay, and nothing was replaced."
            )

    def still_opens(self, before: Mapping[str, str]) -> None:
        """Raises WorkspaceError where a file that the results in force were made from is there and cannot be opened any more: its
        rows would go without a word. before: path -> content, as the results in force say."""
        lost = [
            (path, word)
            for path, word in self.contents.items()
            if word.startswith(workspace.UNREADABLE)
            and path in before
            and not before[path].startswith(workspace.UNREADABLE)
        ]
        if lost and not self.accept_removals:
            raise WorkspaceError(
                f"{self.named([path for path, _ in lost])} cannot be read any more ({lost[0][1].removeprefix(workspace.UNREADABLE)})."
                " Allow reading it, or connect the drive it stands on, and run again; or, if that is meant, run once with"
                " --accept-removals. Nothing was replaced."
            )

    def named(self, paths: list[str]) -> str:
        """Files as a sentence may call them: by name, or where nobody is to be named by their folder alone."""
        if self.settings.pages.veiled:
            paths = [f"a file of {path.split('/')[0]}/" for path in paths]
        paths = list(dict.fromkeys(paths))
        return ", ".join(paths[:5]) + (f" and {len(paths) - 5} more" if len(paths) > 5 else "")

    def changed(self, paths: list[str]) -> WorkspaceError:
        """What is raised where files changed while they were read."""
        return WorkspaceError(
            f"{self.named(paths)} changed while being read, so nothing was published. Run again when the export has finished."
        )

    def tell(self, stage: str, result: str) -> None:
        """One line of result with the seconds the stage has taken."""
        self.teller.stage(stage, f"{result} ({self.seconds.get(stage, 0.0):.1f} s)")


# --- begin and end ----------------------------------------------------------------------------------------------------


@contextlib.contextmanager
def begin(space: Workspace, teller: Teller, accept_removals: bool = False) -> Iterator[Run]:
    """Take the lock, clear the building folder, note what the files hold. Raises WorkspaceError where half of them are gone and
    nobody accepted that."""
    with workspace.lock(space) as remark:
        current = look(space, teller)
        if current.settings.pages.people == "pseudonyms" and not workspace.has_list(space):
            workspace.keep_forgotten(space, current.forgotten)  # pseudonyms hang on its key
            current = look(space, teller)
        current.remark, current.accept_removals = remark, accept_removals
        before = workspace.said_in_force(space)
        for top in ("inbox", "registers"):
            had = [path for path in before.get("inputs", ()) if path.startswith(f"{top}/")]
            has = [path for path in current.contents if path.startswith(f"{top}/")]
            current.shrank(f"{top}/ held", len(had), len(has), "files")
        current.still_opens(before.get("inputs", {}))
        workspace.begin(space)
        workspace.forget_drafts(space)
        try:
            yield current
        finally:
            current.close()
            with contextlib.suppress(OSError):  # what was not published is of no use, and takes room
                workspace.clear(space)
                workspace.forget_drafts(space)


def look(space: Workspace, teller: Teller) -> Run:
    """What the folder holds now: settings, files and their content. Nothing is locked and nothing written. Raises WorkspaceError
    where figures of closed months were changed by hand."""
    from pipelines import settings

    raw = workspace.settings_bytes(space)  # once: the fingerprint is that of the settings that are used
    chosen = settings.Settings() if raw is None else settings.parse(raw, str(space.settings_file))
    for said in settings.migrated(raw or b""):
        teller.remark(said)
    workspace.keep_private(space, chosen.pages.private, alone=chosen.engine.engine != "spark")
    if (led := workspace.leading_out(space)) and not chosen.intake.linked_folders:
        raise WorkspaceError(
            f"{led[0]} If that is meant, write linked_folders = true below [intake] in filmledger.toml; else put the folder in"
            " its place. Nothing was replaced."
        )
    files = workspace.inputs(space)
    contents = workspace.held(space, chosen.intake.max_file_mb, files)
    workspace.check_sealed(space, contents)
    return Run(space, chosen, files, contents, workspace.fingerprint(raw, contents, workspace.code_digest()), teller)


def settings_word(settings: Settings) -> str:
    """All settings as one word."""
    return hashlib.sha256(settings.model_dump_json().encode()).hexdigest()


def unchanged(current: Run) -> None:
    """Raises WorkspaceError where a file changed, came or went since the run began."""
    now = workspace.held(current.space, current.settings.intake.max_file_mb)
    if now != current.contents:
        changed = sorted(path for path in now | current.contents if now.get(path) != current.contents.get(path))
        raise current.changed(changed)


# --- intake -----------------------------------------------------------------------------------------------------------


def read_everything(current: Run) -> Intake:
    """All files of the workspace merged, whole in memory."""
    return take_in(current, current.settings.flat()).whole()


def take_in(current: Run, settings: Mapping[str, Any]) -> Merging:
    """All files of the workspace, each read anew only where the same content was not read before, ready to be merged some
    shops at a time."""
    from pipelines.intake.bringing_together import local_rules, merge
    from pipelines.intake.reading import layout, notes, read
    from pipelines.intake.reading.files import Source
    from schemas.reference import LOCAL

    options = read.Options(settings["time_zone"], settings["max_file_mb"])
    todo = [one for one in current.files if not one.path.startswith("layouts/")]
    hidden = current.forgotten
    texts = {one.path: _text(one) for one in current.files if one.path.startswith("layouts/")}
    layouts = layout.load(workspace.as_written(hidden, texts, todo))
    layouts = notes.with_notes(layouts, [Source(one.path, one.full, trouble=one.trouble) for one in todo], options)
    reading = Reading(current.space, current.contents, layouts, options, repr(workspace.library_versions()), hidden)

    taking = Taking(reading, {one.path: reading.key(one) for one in todo})
    taking.look_into_the_store()
    if current.is_apart:
        # workers fill the store; what they read is then taken from there
        unread = taking.unread(todo)
        for done, _ in enumerate(current.bench.each(partial(_read_apart, reading), unread), start=1):
            current.teller.progress("reading files", done, len(unread))
    taking.read_small(todo)
    reads: list[FileRead] = []
    for done, one in enumerate(todo, start=1):
        found = taking.of(one)
        if found.sha256 and found.sha256 != current.contents[one.path]:
            raise current.changed([one.path])
        reads.append(found)
        current.teller.progress("reading files", done, len(todo))
    if taking.damaged:
        current.teller.remark(
            f"What was kept of {current.named(taking.damaged)} is damaged; the export was read again."
        )
    current.keys = list(taking.used)

    inputs = {one.path: one for one in todo}
    by_path = {found.file: found for found in reads}

    def raw_of(path: str, lines: list[int]) -> dict[int, str]:
        source = Source(path, inputs[path].full, trouble=inputs[path].trouble)  # anew: it keeps the bytes it has read
        found = read.raw_lines(by_path[path], source, layouts, lines, hidden.text)
        return {line: hidden.text(raw) for line, raw in found.items()}

    taken = merge.Merging(reads, options, raw_of)
    local_rules.with_rules(taken, {name: reference_table(name) for name in LOCAL})
    return taken


def intake(run: Run, settings: Mapping[str, Any]) -> Iterator[dict[str, pl.DataFrame]]:
    """All files taken in: every table of intake, those of the shops some shops after the other."""
    taken = take_in(run, settings)

    def batches() -> Iterator[dict[str, pl.DataFrame]]:
        yield taken.tables
        for at in range(len(taken.spans)):
            run.teller.progress("merging shops", at, len(taken.spans))
            yield taken.batch(at)
        yield dict(zip(("intake_files", "refused_rows", "incomplete"), taken.told(), strict=True))

    for batch in batches():  # names stand in paths too, which say until now which file is the later one
        yield {name: run.forgotten.frame(frame) for name, frame in batch.items()}


@dataclass(frozen=True)
class Reading:
    """Everything that reading one file depends on, so that it can be done anywhere."""

    space: Workspace
    contents: dict[str, str]
    layouts: list[Layout]
    options: Options
    libraries: str
    forgotten: workspace.Forgotten

    def key(self, one: workspace.Input) -> str:
        """Under which the store keeps what was read: by content, and all else that counts."""
        from pipelines.intake.reading import read

        basis = read.cache_key(one.path, self.contents[one.path], self.layouts, self.options) + self.libraries
        basis += self.forgotten.word
        return hashlib.sha256(basis.encode()).hexdigest()

    def one(self, one: workspace.Input) -> FileRead:
        """One file, from the store where the same content was read before; kept there otherwise."""
        kept = self.stored(self.key(one))
        return dataclasses.replace(kept[0], file=one.path) if kept else self.anew(one)

    def anew(self, one: workspace.Input) -> FileRead:
        """One file, read and kept in the store."""
        from pipelines.intake.reading import read

        place = workspace.Keeping(self.space, self.key(one))
        hidden = self.forgotten
        found = read.read_file(
            self.source(one), self.layouts, self.options, _Hiding(place, hidden) if hidden else place
        )
        found = _hidden(found, hidden) if hidden else found
        if not self.is_whole(one, found):
            place.clear()
            return found
        self.keep(place, {"": found})
        if not any(table.kept for table in found.tables.values()):
            return found
        if not (kept := self.stored(self.key(one))):  # what was put away has moved with its folder
            raise WorkspaceError(f"What was read of {one.path} vanished from {self.space.intake_store}; run again.")
        return dataclasses.replace(kept[0], file=one.path)

    def several(self, few: list[workspace.Input]) -> list[FileRead]:
        """Small files, read together."""
        from pipelines.intake.reading import read

        found = read.read_files([self.source(one) for one in few], self.layouts, self.options)
        return [_hidden(one, self.forgotten) for one in found] if self.forgotten else found

    def source(self, one: workspace.Input) -> Source:
        from pipelines.intake.reading.files import Source

        return Source(one.path, one.full, trouble=one.trouble)

    def is_whole(self, one: workspace.Input, found: FileRead) -> bool:
        """Whether a file was read, and is what it was when the run began."""
        return found.state == "read" and found.sha256 == self.contents[one.path]

    def keep(self, place: workspace.Keeping, reads: Mapping[str, FileRead]) -> None:
        """Put files, by their keys, into the store, without the names of those who were forgotten."""
        from pipelines.intake.reading import read

        nameless = [dataclasses.replace(one, file=self.forgotten.text(one.file)) for one in reads.values()]
        notes, frames = read.packed(nameless, place.blocks)
        place.finish(frames, notes | {"keys": list(reads)})

    def stored(self, key: str) -> list[FileRead]:
        """What the store has under a key: nothing, or a file."""
        from pipelines.intake.reading import read

        kept = workspace.read_again(self.space, key)
        return read.unpack(kept[1], kept[0]) if kept is not None else []


Item = TypeVar("Item")
LOOSE = 20  # so many small entries of the store are made one


@dataclass
class Taking:
    """Files while they are taken in: what the store has of them, what is read anew, what of it waits on disk.

    keys     path -> the word for its content and all else that its reading hangs on
    found    key -> file, of those that are read and kept together
    apart    path -> file, of those that were looked at with them and cannot be kept
    used     what the store keeps these files under
    damaged  paths of files of which the store has not what was kept
    held     rows in memory
    """

    reading: Reading
    keys: dict[str, str]
    found: dict[str, FileRead] = field(default_factory=dict)
    apart: dict[str, FileRead] = field(default_factory=dict)
    used: dict[str, None] = field(default_factory=dict)
    damaged: list[str] = field(default_factory=list)
    held: int = 0
    spoilt: bool = False

    def look_into_the_store(self) -> None:
        """Take what was kept of several files. Where one of them is gone, the others are kept anew, so that nothing stays of it; so
        are entries of few rows when many have come together."""
        from pipelines.intake.reading import read

        space, wanted = self.reading.space, set(self.keys.values())
        loose: dict[str, FileRead] = {}
        kept = {name: workspace.read_again(space, name) for name in workspace.kept_together(space)}
        self.spoilt = None in kept.values()
        whole = {name: entry for name, entry in kept.items() if entry is not None}
        small = {name for name, (_, notes) in whole.items() if LOOSE * _rows(notes) < read.BLOCK}
        for name, (frames, notes) in whole.items():
            living = wanted.intersection(notes["keys"]) - self.found.keys() - loose.keys()
            if len(living) == len(notes["keys"]) and not (name in small and len(small) > LOOSE):
                self._take(name, frames, notes)
            elif living:
                reads = zip(notes["keys"], read.unpack(notes, frames), strict=True)
                loose |= {key: one for key, one in reads if key in living}
        self._keep(loose)

    def unread(self, todo: list[workspace.Input]) -> list[workspace.Input]:
        """Those of the files that the store has not."""
        fresh = [one for one in todo if self.keys[one.path] not in self.found]
        return [one for one in fresh if not workspace.is_kept(self.reading.space, self.keys[one.path])]

    def read_small(self, todo: list[workspace.Input]) -> None:
        """Read the small ones of those that the store has not, some megabytes at a time."""
        from pipelines.intake.reading import read

        small = [one for one in self.unread(todo) if not one.trouble and _text_size(one) <= read.PIECE]
        self.damaged += [one.path for one in small if self.spoilt]
        for few in _some_at_a_time(small, _text_size, read.PIECE):
            found = dict(zip((one.path for one in few), self.reading.several(few), strict=True))
            whole = [one for one in few if self.reading.is_whole(one, found[one.path])]
            self._keep({self.keys[one.path]: found.pop(one.path) for one in whole})
            self.apart |= found

    def of(self, one: workspace.Input) -> FileRead:
        """One of the files."""
        key = self.keys[one.path]
        if one.path in self.apart:
            return self.apart[one.path]
        if key in self.found:
            return dataclasses.replace(self.found[key], file=one.path)
        self.used[key] = None
        if kept := self.reading.stored(key):
            return dataclasses.replace(kept[0], file=one.path)
        self.damaged += [one.path] if workspace.is_kept(self.reading.space, key) else []
        found = self.reading.anew(one)
        self.held += _height(found) if not any(part.kept for part in found.tables.values()) else 0
        # what is more than is worked on in one go waits on disk
        return found if self.held <= _at_a_time() else self.reading.one(one)

    def _keep(self, reads: Mapping[str, FileRead]) -> None:
        """Put files into the store together; they stay in memory as long as there is room."""
        from pipelines.intake.reading import read

        for some in _some_at_a_time(reads, lambda key: _height(reads[key]), read.BLOCK):
            few = {key: reads[key] for key in some}
            rows = sum(map(_height, few.values()))
            name = workspace.TOGETHER + hashlib.sha256("".join(few).encode()).hexdigest()
            self.reading.keep(workspace.Keeping(self.reading.space, name), few)
            if self.held + rows <= _at_a_time() and not any(
                part.kept for one in few.values() for part in one.tables.values()
            ):
                self.held += rows
                self.used[name] = None
                self.found |= few
            elif (kept := workspace.read_again(self.reading.space, name)) is not None:
                self._take(name, *kept)
            else:
                raise WorkspaceError(f"What was read vanished from {self.reading.space.intake_store}; run again.")

    def _take(self, name: str, frames: dict[str, pl.LazyFrame], notes: dict[str, Any]) -> None:
        from pipelines.intake.reading import read

        if self.held + _rows(notes) <= _at_a_time():
            with contextlib.suppress(Exception):  # what is gone meanwhile is told when it is asked for
                frames = {frame: rows.collect().lazy() for frame, rows in frames.items()}
                self.held += _rows(notes)
        self.used[name] = None
        self.found |= zip(notes["keys"], read.unpack(notes, frames), strict=True)


def _height(read: FileRead) -> int:
    return sum(part.height for part in read.tables.values())


def _rows(notes: Mapping[str, Any]) -> int:
    return sum(numbers[0] for one in notes["files"] for numbers in one["tables"].values())


def _at_a_time() -> int:
    from pipelines.intake.bringing_together import merge

    return merge.AT_A_TIME


def _text_size(one: workspace.Input) -> int:
    """About how many bytes of text a file holds."""
    return one.size if one.path.lower().endswith((".csv", ".tsv", ".txt")) else 20 * one.size


def _some_at_a_time(items: Iterable[Item], size: Callable[[Item], int], most: int) -> Iterator[list[Item]]:
    """Items in their order, of about so much size together."""
    until = 0

    def batch(item: Item) -> int:
        nonlocal until
        until += size(item)
        return until // most

    for _, some in itertools.groupby(items, batch):
        yield list(some)


@dataclass(frozen=True)
class _Hiding:
    """A place where rows are put away without the names of those who were forgotten."""

    place: workspace.Keeping
    forgotten: workspace.Forgotten

    def put(self, name: str, rows: pl.DataFrame) -> pl.LazyFrame:
        return self.place.put(name, self.forgotten.frame(rows))

    def clear(self) -> None:
        self.place.clear()


def _hidden(found: FileRead, forgotten: workspace.Forgotten) -> FileRead:
    """What was read of a file without the names of those who were forgotten; its path stays, for it says which file is the later one."""
    text, frame = forgotten.text, forgotten.frame
    tables = {
        name: dataclasses.replace(
            one, rows=one.rows if one.kept else frame(one.rows.collect()).lazy(), refused=frame(one.refused),
            shops={text(shop): rows for shop, rows in one.shops.items()},
        )
        for name, one in found.tables.items()
    }  # fmt: skip
    return dataclasses.replace(
        found, tables=tables, message=found.message and text(found.message), layout=found.layout and text(found.layout),
        refused_parts=tuple(map(text, found.refused_parts)), sheets=tuple(map(text, found.sheets)),
    )  # fmt: skip


def _read_apart(reading: Reading, one: workspace.Input) -> None:
    """Read a file for the store alone: what was read is too large to send back."""
    reading.one(one)


def _text(one: workspace.Input) -> str:
    """The text of a layout. Raises WorkspaceError naming the file where it cannot be read."""
    if one.trouble:
        raise WorkspaceError(f"{one.path} {one.trouble}.")
    if one.size > workspace.MOST_SETTINGS:
        raise WorkspaceError(f"{one.path} is too large to be a layout.")
    try:
        return one.full.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        line = error.object[: error.start].count(b"\n") + 1
        raise WorkspaceError(f"{one.path}, line {line}: not UTF-8 text; save the file as UTF-8.") from error
    except OSError as error:
        raise WorkspaceError(f"{one.path}: cannot be read ({error.strerror}).") from error


# --- reference ---------------------------------------------------------------------------------------------------------


def reference_table(name: str) -> pl.DataFrame:
    """One of the tables that ship with the project, from seed_data/reference/<name>.csv, in its schema's form."""
    import polars as pl

    from schemas import validate

    text = pl.read_csv((REFERENCE / f"{name}.csv").read_bytes(), infer_schema=False)
    typed = text.with_columns(
        pl.col(info.name).str.to_date() if info.kind == "date" else pl.col(info.name).cast(info.dtype)
        for info in validate.columns(name)
        if info.name in text.columns and info.kind != "bool"
    )
    flags = [info.name for info in validate.columns(name) if info.kind == "bool" and info.name in text.columns]
    typed = typed.with_columns(
        pl.col(flag).replace_strict({"true": True, "false": False}, return_dtype=pl.Boolean) for flag in flags
    )
    return validate.conform(name, typed)
