"""A whole inbox: what its exports may be, what must be asked, and whether the layouts proposed read them.

Nothing is written here; what a finished look proposes is text. Which files there are, and writing, are the caller's.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

import polars as pl

from pipelines.intake.reading import layout, notes, read
from pipelines.intake.reading.files import FileRefused, Source
from pipelines.intake.recognising.opening import Opened, opened
from pipelines.intake.recognising.proposals import Draft, Inbox, drafted
from pipelines.intake.recognising.questions import Answers, Question
from pipelines.intake.recognising.shapes import Known, glob_of


@dataclass
class Look:
    """What one look at an inbox found. `layouts`: name -> TOML text of those that read something; `drafts` by the same name, open
    ones too; `unread` file -> why; `reads` of the exports with the layouts proposed."""

    drafts: dict[str, Draft] = field(default_factory=dict)
    layouts: dict[str, str] = field(default_factory=dict)
    questions: list[Question] = field(default_factory=list)
    unread: dict[str, str] = field(default_factory=dict)
    reads: list[read.FileRead] = field(default_factory=list)


def known(reads: Iterable[read.FileRead]) -> Known:
    """What registers, and files that need no layout, say of ids."""
    tables: dict[str, list[pl.DataFrame]] = {}
    for one in reads:
        for name, part in one.tables.items():
            if name:
                tables.setdefault(name, []).append(part.rows.drop("line").collect())
    return Known.of({name: pl.concat(parts, how="diagonal") for name, parts in tables.items()})


@dataclass
class Exports:
    """Exports that nothing reads yet, opened and compared once; `look` is quick then, whatever the answers. `layouts`: those
    that are there, name -> text."""

    sources: list[Source]
    inbox: Inbox
    unread: dict[str, str]
    layouts: Mapping[str, str]
    options: read.Options

    @staticmethod
    def of(
        sources: list[Source],
        others: list[read.FileRead],
        layouts: Mapping[str, str] | None = None,
        options: read.Options | None = None,
    ) -> Exports:
        """`others`: registers and files that are read already."""
        unread: dict[str, str] = {}
        sheets: list[Opened] = []
        for source in sources:
            try:
                found = opened(source)
                sheets += found
                if not any(len([h for h in one.header if h]) > 1 and one.rows.height for one in found):
                    unread[source.file] = "it holds no table: no header with rows below"
            except (FileRefused, OSError) as error:
                unread[source.file] = str(error)
        return Exports(sources, Inbox.of(sheets, known(others)), unread, layouts or {}, options or read.Options())

    def look(self, answers: Answers) -> Look:
        """What is proposed with these answers. While anything is asked nothing is tried out."""
        out = Look(unread=dict(self.unread))
        taken = {name.removesuffix(".toml") for name in self.layouts}
        for draft in drafted(self.inbox, answers):
            if draft.nothing and not draft.questions:
                out.unread[draft.shape.name] = draft.nothing
            if draft.tables or draft.questions:
                name = _free(_named(draft), taken | set(out.drafts))
                out.drafts[name] = draft
                out.questions += draft.questions
        once = {(*q.name, q.sheet): q for q in out.questions}
        out.questions = sorted(once.values(), key=lambda q: {"tables": 0, "register": 2}.get(q.kind, 1))
        return out

    def tried(self, answers: Answers) -> Look:
        """The same, and every finished layout tried on all files: one that reads nothing is not proposed."""
        out = self.look(answers)
        ready = {name: d for name, d in out.drafts.items() if not d.questions and d.tables}
        _told_apart(ready)
        texts = {name: d.toml() for name, d in ready.items()}
        self._try(out, texts)
        return out

    def _try(self, out: Look, texts: dict[str, str]) -> None:
        """Read every file as it would be read then; a layout that reads nothing is not proposed."""
        found = notes.with_notes(
            layout.load({**self.layouts, **{f"{n}.toml": t for n, t in texts.items()}}), self.sources, self.options
        )
        rows: dict[str, int] = dict.fromkeys(texts, 0)
        why: dict[str, str] = {}
        for source in self.sources:
            one = read.read_file(source, found, self.options)
            out.reads.append(one)
            names = (one.layout or "").split(" + ")
            for name in names:
                if name in rows:
                    rows[name] += sum(p.height for p in one.tables.values())
                    reasons = [r for p in one.tables.values() for r in p.refused["reason"].head(1)]
                    why.setdefault(name, reasons[0] if reasons else one.message or "")
            open_ = any(source.file in d.shape.files for d in out.drafts.values() if d.questions)
            if one.state == "refused" and not open_:
                out.unread.setdefault(source.file, one.message or "")
        for name, text in texts.items():
            if rows[name]:
                out.layouts[name] = text
            else:
                out.unread[out.drafts[name].shape.name] = (
                    f"the layout proposed reads no row of it: {why.get(name, 'no file is claimed')}"
                )


def _named(draft: Draft) -> str:
    first = draft.shape.first
    stem = re.sub(r"\d+(?:[-_.]?\d+)*", "", first.source.stem)
    if first.sheet:
        stem = f"{stem} {re.sub(r'[0-9]+', '', first.sheet)}"
    name = re.sub(r"[^a-z0-9]+", "_", stem.casefold()).strip("_")
    return name or "_".join(draft.tables) or "export"


def _free(name: str, taken: set[str]) -> str:
    number, free = 2, name
    while free in taken:
        free, number = f"{name}_{number}", number + 1
    return free


def _told_apart(ready: dict[str, Draft]) -> None:
    """Where the header of one shape holds all that another layout needs, both ask for the names of their files too."""
    needs = {name: set(layout.parse(name, d.toml()).needed()) for name, d in ready.items()}
    for name, draft in ready.items():
        for other, one in ready.items():
            mine, theirs = draft.shape.first, one.shape.first
            alike = (mine.sheet, mine.typed) == (theirs.sheet, theirs.typed)
            if name != other and alike and needs[other] <= set(mine.header):
                one.match_name = one.match_name or glob_of(theirs.source)
                draft.match_name = draft.match_name or glob_of(mine.source)
