"""Somebody is forgotten: from then on called by a pseudonym in everything that is published and kept, figures unmoved.

Here belongs in which order that is done, so that a kill at any moment leaves either nothing done or something that the next run finishes:
the journal is written first and taken away last. Not here: how names are found in texts (workspace/pseudonyms) and in files
(workspace/traces), and the run that publishes in between (commands).
"""

from __future__ import annotations

import difflib
import html
import json
import os
import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import quote

from pipelines import run as runs
from pipelines import workspace
from pipelines.workspace import Workspace, WorkspaceError, traces
from pipelines.workspace.pseudonyms import PERSON, words_of

_LOG = re.compile(r"\d{4}-\d\d-\d\d \d\d:\d\d:\d\d,\d{3} [A-Z]+ ")  # how a line of a log begins (alerts)
SHOWN_PLACES = 3
WHAT_TO_DO = (
    "What to do there: write the pseudonym in place of the id in every export and register that has it (one without the other is refused), take"
    " the name out of texts, or delete exports that nobody has to keep any more; figures of what stays are the same."
)


@dataclass(frozen=True, slots=True)
class Place:
    """A file of the shop's that holds a person: where first, and at how many places."""

    file: str
    first: tuple[str, ...]
    places: int


# --- who --------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Person:
    """Somebody of the shop. `names`: what names this person in texts; `before`: whether this one was forgotten already."""

    person: str
    names: list[str]
    before: bool


def who(space: Workspace, asked: str) -> Person:
    """Somebody by id or label, as the shop's files have it now. Nobody is put on the list. Raises WorkspaceError where nobody or more
    than one is called so."""
    held = workspace.forgotten(space)
    current = runs.look(space, runs.Silent())
    people, ids = _people(current)
    labels = {one: label for one, label in people.items() if label}
    found = [asked] if asked in ids | people.keys() else [one for one, label in labels.items() if _same(label, asked)]
    if len(found) > 1:
        raise WorkspaceError(f"{asked!r} is the label of {', '.join(found)}: name one of them by its id.")
    if not found:
        if held.called(asked):
            return Person(asked, [asked], True)
        near = difflib.get_close_matches(asked, [*people, *ids, *labels.values()], n=1)
        raise WorkspaceError(
            f"Nobody is known here as {asked!r}, neither by id nor by label"
            + (f"; did you mean {near[0]!r}?" if near else ": see registers/technicians.csv.")
        )
    (person,) = found
    names = _names(person, labels)
    return Person(person, names, held.called(person) is not None or person in held.ids.values())


def _same(one: str, other: str) -> bool:
    return " ".join(one.casefold().split()) == " ".join(other.casefold().split())


def _people(current: runs.Run) -> tuple[dict[str, str | None], set[str]]:
    """id -> label of the register as it stands in the shop's file, and every id that a record names. Nothing of the register is kept as it
    stands there."""
    from pipelines import taking_in
    from pipelines.intake.reading import read as reading
    from pipelines.intake.reading.files import Source

    taken = taking_in.take_in(current, current.settings.flat())
    full = {one.path: one.full for one in current.files}
    people: dict[str, str | None] = {}
    ids: set[str] = set()
    for read in taken.files.reads:
        if "technicians" in read.tables and read.layout is None:
            anew = reading.read_file(Source(read.file, full[read.file]), [])
            people |= dict(anew.tables["technicians"].rows.select(PERSON, "label").collect().iter_rows())
        for one in read.tables.values():
            if PERSON in one.rows.collect_schema().names():
                ids |= set(one.rows.select(PERSON).unique().collect()[PERSON].drop_nulls())
    return people, ids


def _names(person: str, labels: Mapping[str, str]) -> list[str]:
    """What names somebody in texts: the id, the label, and words of the label that are nobody else's and no word of the trade."""
    from reports.veil import trade

    label = labels.get(person)
    others = {word.casefold() for one, said in labels.items() if one != person for word in words_of(said)}
    own = [word for word in words_of(label or "") if word.casefold() not in others]
    bare = person if len(person) > 1 and not person.isdigit() else f"technician {person}"
    wanted = dict.fromkeys([bare, *([label] if label else []), *own])
    return [name for name in wanted if name.casefold() not in trade()]


def aged(current: runs.Run) -> list[tuple[str, list[str]]]:
    """Id and names of everybody whose latest record lies `keep_people_for` months or more before the latest of all: what is old is
    old by the records, not by the clock, so that the same files give the same tables."""
    import polars as pl

    months = current.settings.pages.keep_people_for
    if not months:
        return []
    bench = current.bench
    days = {"operations": "started_at", "pours": "poured_at", "trainings": "completed_on"}
    parts = [
        piece.select(PERSON, pl.col(on).cast(pl.Date).alias("on"))
        for table, on in days.items()
        for piece in bench.pieces(table, [PERSON, on])
    ]
    register = bench.read("technicians")
    parts += [register.select(PERSON, pl.col(on).alias("on")) for on in ("hired_on", "left_on")]
    last = pl.concat(parts).drop_nulls().group_by(PERSON).agg(pl.col("on").max())
    latest = pl.concat(parts[:-2]).drop_nulls()["on"].max()
    if latest is None:
        return []
    old = last.filter(pl.col("on").dt.offset_by(f"{months}mo") <= latest)[PERSON].sort()
    labels = dict(register.select(PERSON, "label").drop_nulls().iter_rows())
    known = set(current.forgotten.ids.values())
    return [(person, _names(person, labels)) for person in old if person not in known]


# --- doing it ---------------------------------------------------------------------------------------------------------


def begin(space: Workspace, people: Iterable[tuple[str, list[str]]]) -> None:
    """Note who is to be forgotten, and put them on the list. The next run finishes it."""
    workspace.begin_forgetting(space, [{"person": person, "names": names} for person, names in people])


def own_files(space: Workspace) -> None:
    """Layouts and settings without the names of those who are being forgotten: what the run reads next."""
    change = _changer(space)
    for full in [space.settings_file, *sorted(space.layouts.rglob("*.toml"))]:
        if full.is_file() and full.resolve().is_relative_to(space.root):
            traces.rewritten(full, change)
            if (name := change(full.name)) != full.name:
                os.replace(full, full.with_name(name))


def finish(space: Workspace) -> list[str]:
    """With a set in force that names nobody who was forgotten: take the names out of all else that is kept. Returns what still holds
    them, because it is not of the program's making."""
    change = _changer(space)
    workspace.drop_earlier_sets(space)
    _handouts(space, change)
    left = []
    folder = space.snapshot()
    clean = [one for one in (space.inbox, space.registers, space.intake_store, space.state / "tables", folder) if one]
    journal = space.state / workspace.JOURNAL
    for full in traces.files_below(space, *clean, space.state / "tables-spark"):
        if full == journal:
            continue
        try:
            if _ours(space, full):
                traces.rewritten(full, change)
        except traces.NotText:
            if full.is_relative_to(space.dagster_home):
                full.unlink()
        if full.exists() and (
            change(full.name) != full.name or traces.holding(full, lambda said: change(said) != said)
        ):
            left.append(str(full.relative_to(space.root)))
    workspace.end_forgetting(space)
    return left


def _ours(space: Workspace, full: Path) -> bool:
    """Whether the program wrote a file, or writes into it."""
    if full.is_relative_to(space.state) or full.is_relative_to(space.handouts) or full.is_relative_to(space.layouts):
        return True
    if full == space.settings_file:
        return True
    with open(full, "rb") as handle:
        return bool(_LOG.match(handle.read(40).decode("latin-1")))


def _handouts(space: Workspace, change: Callable[[str], str]) -> None:
    """Every hand-out that is as it was written, with its names changed and its checksums with them; sites of one person's own go."""
    if not space.handouts.is_dir():
        return
    for folder in sorted(entry.name for entry in os.scandir(space.handouts) if entry.is_dir(follow_symlinks=False)):
        if change(folder) != folder:
            workspace.take_away_handout(space, folder)
        elif workspace.is_whole(space, folder):
            files = workspace.read_whole(space, folder)
            new = {change(name): traces.changed(content, change) for name, content in files.items()}
            if new != files:
                workspace.keep_handout(space, folder, new)


def _changer(space: Workspace) -> Callable[[str], str]:
    """What changes a text: names as they are, and as pages, scripts and addresses write them."""
    held = workspace.forgotten(space)
    said: dict[str, str] = {}
    for one in workspace.begun(space):
        for name in one["names"]:
            held.meet([name])
            for way in (
                html.escape(name),
                html.escape(name, quote=False),
                json.dumps(name)[1:-1],
                quote(name),
                quote(name, safe=""),
            ):
                if way != name:
                    said[way] = held.swapped(name)
    pattern = re.compile("|".join(map(re.escape, sorted(said, key=len, reverse=True))) or r"(?!)")

    def change(text: str) -> str:
        return held.swapped(pattern.sub(lambda found: said[found[0]], text))

    return change


# --- the shop's own files ---------------------------------------------------------------------------------------------


def places(space: Workspace, names: Iterable[str]) -> list[Place]:
    """Where files of inbox/ and registers/ hold one of these names, in their text or in their own name."""
    held = workspace.Forgotten("00")
    names = list(names)
    held.add(names[0], names)
    held.meet(names)
    found = []
    for one in workspace.inputs(space):
        if one.trouble or not one.path.startswith(("inbox/", "registers/")):
            continue
        where = [at for at, said in traces.spoken(one.full) if held.swapped(said) != said]
        if held.swapped(one.path) != one.path:
            where.insert(0, "its name")
        if where:
            found.append(Place(one.path, tuple(where[:SHOWN_PLACES]), len(where)))
    return found
