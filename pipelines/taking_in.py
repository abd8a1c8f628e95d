"""The files of a run taken in: each read anew only where the store has not what the same content gave before, then merged.

Here belongs what is read when, together with what, and where it waits meanwhile. What a file means and how files are merged stands
in intake, how the store keeps an entry in workspace.
"""

from __future__ import annotations

import contextlib
import dataclasses
import hashlib
import itertools
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Mapping
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field
from functools import partial
from typing import Any, TypeVar

import polars as pl

from pipelines import workspace
from pipelines.intake.bringing_together import local_rules, merge
from pipelines.intake.reading import layout, notes, read
from pipelines.intake.reading.files import TEXTS, Source
from pipelines.intake.reading.layout import Layout
from pipelines.intake.reading.read import FileRead, Options
from pipelines.run import Run, reference_table
from pipelines.workspace import Workspace, WorkspaceError
from schemas.reference import LOCAL

Item = TypeVar("Item")
Result = TypeVar("Result")
LOOSE = 20  # so many small entries of the store are made one


def read_everything(current: Run) -> merge.Intake:
    """All files of the workspace merged, whole in memory."""
    return take_in(current, current.settings.flat()).whole()


def take_in(current: Run, settings: Mapping[str, Any]) -> merge.Merging:
    """All files of the workspace, each read anew only where the same content was not read before, ready to be merged some
    shops at a time."""
    options = Options(settings["time_zone"], settings["max_file_mb"])
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
        for at, batch in enumerate(_ahead(taken.batch, range(len(taken.spans)), run.bench.at_once)):
            run.teller.progress("merging shops", at, len(taken.spans))
            yield batch
        yield dict(zip(("intake_files", "refused_rows", "incomplete"), taken.told(), strict=True))

    for batch in batches():  # names stand in paths too, which say until now which file is the later one
        yield {name: run.forgotten.frame(frame) for name, frame in batch.items()}


def _ahead(work: Callable[[Item], Result], items: Iterable[Item], at_once: int) -> Iterator[Result]:
    """Results in the order of the items, of which so many are worked on at a time, and no more held."""
    begun: deque[Future[Result]] = deque()
    with ThreadPoolExecutor(at_once) as threads:
        for item in items:
            begun.append(threads.submit(work, item))
            if len(begun) == at_once:
                yield begun.popleft().result()
        while begun:
            yield begun.popleft().result()


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
        basis = read.cache_key(one.path, self.contents[one.path], self.layouts, self.options) + self.libraries
        basis += self.forgotten.word
        return hashlib.sha256(basis.encode()).hexdigest()

    def one(self, one: workspace.Input) -> FileRead:
        """One file, from the store where the same content was read before; kept there otherwise."""
        kept = self.stored(self.key(one))
        return dataclasses.replace(kept[0], file=one.path) if kept else self.anew(one)

    def anew(self, one: workspace.Input) -> FileRead:
        """One file, read and kept in the store."""
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
        found = read.read_files([self.source(one) for one in few], self.layouts, self.options)
        return [_hidden(one, self.forgotten) for one in found] if self.forgotten else found

    def source(self, one: workspace.Input) -> Source:
        return Source(one.path, one.full, trouble=one.trouble)

    def is_whole(self, one: workspace.Input, found: FileRead) -> bool:
        """Whether a file was read, and is what it was when the run began."""
        return found.state == "read" and found.sha256 == self.contents[one.path]

    def keep(self, place: workspace.Keeping, reads: Mapping[str, FileRead]) -> None:
        """Put files, by their keys, into the store, without the names of those who were forgotten."""
        nameless = [dataclasses.replace(one, file=self.forgotten.text(one.file)) for one in reads.values()]
        notes, frames = read.packed(nameless, place.blocks)
        place.finish(frames, notes | {"keys": list(reads)})

    def stored(self, key: str) -> list[FileRead]:
        """What the store has under a key: nothing, or a file."""
        kept = workspace.read_again(self.space, key)
        return read.unpack(kept[1], kept[0]) if kept is not None else []


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
        space, wanted = self.reading.space, set(self.keys.values())
        loose: dict[str, FileRead] = {}
        kept = {name: workspace.read_again(space, name) for name in workspace.kept_together(space)}
        self.spoilt = None in kept.values()
        whole = {name: entry for name, entry in kept.items() if entry is not None}
        small = {name for name, (_, notes) in whole.items() if LOOSE * _rows(notes) < read.BLOCK}
        for name, (frames, told) in whole.items():
            living = wanted.intersection(told["keys"]) - self.found.keys() - loose.keys()
            if len(living) == len(told["keys"]) and not (name in small and len(small) > LOOSE):
                self._take(name, frames, told)
            elif living:
                reads = zip(told["keys"], read.unpack(told, frames), strict=True)
                loose |= {key: one for key, one in reads if key in living}
        self._keep(loose)

    def unread(self, todo: list[workspace.Input]) -> list[workspace.Input]:
        """Those of the files that the store has not."""
        fresh = [one for one in todo if self.keys[one.path] not in self.found]
        return [one for one in fresh if not workspace.is_kept(self.reading.space, self.keys[one.path])]

    def read_small(self, todo: list[workspace.Input]) -> None:
        """Read the small ones of those that the store has not, some megabytes at a time."""
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
        return found if self.held <= merge.AT_A_TIME else self.reading.one(one)

    def _keep(self, reads: Mapping[str, FileRead]) -> None:
        """Put files into the store together; they stay in memory as long as there is room."""
        for some in _some_at_a_time(reads, lambda key: _height(reads[key]), read.BLOCK):
            few = {key: reads[key] for key in some}
            rows = sum(map(_height, few.values()))
            name = workspace.TOGETHER + hashlib.sha256("".join(few).encode()).hexdigest()
            self.reading.keep(workspace.Keeping(self.reading.space, name), few)
            if self.held + rows <= merge.AT_A_TIME and not any(
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
        if self.held + _rows(notes) <= merge.AT_A_TIME:
            with contextlib.suppress(Exception):  # what is gone meanwhile is told when it is asked for
                frames = {frame: rows.collect().lazy() for frame, rows in frames.items()}
                self.held += _rows(notes)
        self.used[name] = None
        self.found |= zip(notes["keys"], read.unpack(notes, frames), strict=True)


def _height(read: FileRead) -> int:
    return sum(part.height for part in read.tables.values())


def _rows(notes: Mapping[str, Any]) -> int:
    return sum(numbers[0] for one in notes["files"] for numbers in one["tables"].values())


def _text_size(one: workspace.Input) -> int:
    """About how many bytes of text a file holds."""
    return one.size if one.path.lower().endswith(TEXTS) else 20 * one.size


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
