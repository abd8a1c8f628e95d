"""From a shop's own folder to layouts: looks at the workspace, hands what it holds to intake/recognising, writes what was agreed.

Here belongs what the commands `adopt`, `layout`, `registers` and `kit` call. Not here: recognising (intake/recognising), printing (cli).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from pipelines import settings, workspace
from pipelines.intake import register_templates, workbooks_to_fill
from pipelines.intake.bringing_together import unknown_ids
from pipelines.intake.reading import layout, notes, read
from pipelines.intake.reading.files import FileRefused, Source
from pipelines.intake.recognising import adopt
from pipelines.intake.recognising.questions import Answers, AnswersError
from pipelines.workspace import Workspace, WorkspaceError

if TYPE_CHECKING:
    import polars as pl

    from pipelines.workspace import Input


@dataclass
class Adoption:
    """The exports of a workspace that nothing reads yet, and the last look at them."""

    space: Workspace
    exports: adopt.Exports
    others: list[read.FileRead]
    look: adopt.Look = field(default_factory=adopt.Look)

    def again(self, answers: Answers) -> adopt.Look:
        """Look with the answers given so far."""
        self.look = self.exports.look(answers)
        return self.look

    def finish(self, answers: Answers) -> adopt.Look:
        """Look and try out."""
        self.look = self.exports.tried(answers)
        return self.look

    def doubts(self) -> list[list[str]]:
        """[file, remark] of what is doubtful about the rows as they would be read, all files of the workspace together."""
        from pipelines.intake.bringing_together import doubts, merge

        taken = merge.merge(
            [*self.others, *self.look.reads], self.exports.options, lambda _, lines: dict.fromkeys(lines, "")
        )
        new = {read.file for read in self.look.reads}
        return [[file, remark] for file, remark in doubts.told(taken.intake_files) if file.split(", sheet ")[0] in new]

    def write(self) -> list[str]:
        """Write the layouts that read something; returns their paths below the workspace."""
        done = []
        for name, text in self.look.layouts.items():
            relative = f"layouts/{workspace.file_name_of(name)}.toml"
            workspace.fill(self.space, relative, text.encode())
            done.append(relative)
        return done


def begin(space: Workspace, only: Path | None = None) -> Adoption:
    """Everything of the inbox that nothing reads yet (or the one file `only`, inside or outside), and what is known besides.

    Raises WorkspaceError, SettingsError, LayoutError.
    """
    there, layouts, options, found = _looked_at(space)
    others = [one for _, one in found if one.state == "read"]
    unread = [source for source, one in found if one.state != "read"]
    sources = [source for source in unread if source.file.startswith("inbox/") and not source.trouble]
    if only is not None:
        full = only.resolve()
        inside = full.relative_to(space.root).as_posix() if full.is_relative_to(space.root) else f"inbox/{only.name}"
        try:
            read.read_file(Source(inside, full), layouts, options)
        except OSError as error:
            raise WorkspaceError(f"{only}: cannot be opened ({error.strerror}).") from error
        others = [o for o in others if o.file != inside]
        sources = [Source(inside, full)]
    texts = {name.removeprefix("layouts/"): text for name, text in there.items()}
    return Adoption(space, adopt.Exports.of(sources, others, texts, options), others)


Looked = tuple[dict[str, str], list[layout.Layout], read.Options, list[tuple[Source, read.FileRead]]]


def _looked_at(space: Workspace) -> Looked:
    """The texts of the layouts, what they say, options, and every other file as it is read with them."""
    chosen = settings.load(space.settings_file)
    options = read.Options(chosen.business.time_zone, chosen.intake.max_file_mb)
    files = workspace.inputs(space)
    texts = {one.path: _text(one) for one in files if one.path.startswith("layouts/")}
    layouts = layout.load(workspace.as_written(workspace.forgotten(space), texts, files))
    sources = [Source(one.path, one.full, trouble=one.trouble) for one in files]
    layouts = notes.with_notes(layouts, sources, options)
    others = [source for source in sources if source.file not in texts]
    return texts, layouts, options, [(source, read.read_file(source, layouts, options)) for source in others]


def answers_of(path: Path | None) -> Answers:
    """The answers of a file. Raises WorkspaceError."""
    if path is None:
        return Answers()
    try:
        return Answers.parsed(path.read_text(encoding="utf-8-sig"), path.name)
    except (OSError, UnicodeDecodeError) as error:
        raise WorkspaceError(f"{path}: cannot be read ({error}).") from error
    except AnswersError as error:
        raise WorkspaceError(str(error)) from error


def _text(one: Input) -> str:
    try:
        return one.full.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise WorkspaceError(f"{one.path}: cannot be read ({error}).") from error


# --- registers and the recording kit ----------------------------------------------------------------------------------


def registers(space: Workspace) -> tuple[list[read.FileRead], dict[str, str]]:
    """Everything read, each file by itself, and the text of each register's CSV (of those that are missing as `init` writes it)."""
    *_, found = _looked_at(space)
    texts = {name.removesuffix(".csv"): text for name, text in register_templates.registers().items()}
    for one in workspace.inputs(space):
        name = one.path.removeprefix("registers/").removesuffix(".csv")
        if one.path.startswith("registers/") and name in texts and one.path.endswith(".csv"):
            texts[name] = _text(one)
    return [one for _, one in found], texts


def fill(space: Workspace, lost: pl.DataFrame, texts: dict[str, str]) -> list[str]:
    """Add rows for ids that are missing to their registers; returns what was done, a sentence for each."""
    headers = {name: workbooks_to_fill.grid_of(text)[0] for name, text in texts.items()}
    said = []
    for name, (lines, needed) in unknown_ids.stubs(lost, headers).items():
        text = texts[name] + ("" if texts[name].endswith("\n") else "\n")
        lines = [
            line for line in lines if line not in text.splitlines()
        ]  # those that wait to be completed are not added twice
        if not lines:
            continue
        text += "\n".join([unknown_ids.HEAD, *lines]) + "\n"
        workspace.fill(space, f"registers/{name}.csv", text.encode())
        before = (
            f"; each counts once {' and '.join(needed)} {'is' if len(needed) == 1 else 'are'} filled in and its '# ' is taken away"
            if needed
            else ", to be completed"
        )
        said.append(f"registers/{name}.csv: {len(lines)} {'row' if len(lines) == 1 else 'rows'} added{before}")
    return said


def take(space: Workspace, source: Source, texts: dict[str, str]) -> list[str]:
    """Write the registers of a workbook as CSV; all or, where a row would be refused, none. Raises WorkspaceError, OSError."""
    try:
        found = workbooks_to_fill.csv_of(source.data, texts)
    except FileRefused as refusal:
        raise WorkspaceError(f"{source.file}: {refusal} No register was changed.") from None
    for name, text in found.items():
        one = read.read_file(Source(f"registers/{name}.csv", content=text.encode()), [])
        lost = [p.refused for p in one.tables.values() if p.refused.height]
        if one.state == "refused" or lost:
            why = one.message if one.state == "refused" else f"row {lost[0]['line'][0]}: {lost[0]['reason'][0]}"
            raise WorkspaceError(f"sheet {name}: {why}. No register was changed.")
    for name, text in found.items():
        workspace.fill(space, f"registers/{name}.csv", text.encode())
    return [f"registers/{name}.csv" for name in found]
