"""What only the shop can know: questions in plain words, written and answered as TOML or on a terminal.

A file of questions with its `answer` keys filled in is a file of answers; so is a file of [[answer]] entries. What is asked once
is not asked again for another file of the same shape.
"""

from __future__ import annotations

import fnmatch
import tomllib
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

from pipelines.toml_texts import quoted

#: the answer that says: no column holds it
ABSENT = "does not exist"
NONE = "none"
AS_LISTED, NEWEST_FIRST = "as listed", "newest first"


class AnswersError(ValueError):
    """A file of answers that cannot be meant; the text names the entry and what to write."""


@dataclass(frozen=True)
class Question:
    """One question about one shape. `options`: what may be answered, each with what speaks for it; other answers of the same
    form are taken too. `rows`: example rows, header -> cell. `values`: for kind values, the cells whose meaning is asked."""

    kind: str
    shape: str
    files: tuple[str, ...]
    sheet: str
    table: str
    column: str
    ask: str
    options: tuple[tuple[str, str], ...] = ()
    rows: tuple[dict[str, str], ...] = ()
    values: tuple[str, ...] = ()
    source: str = ""

    @property
    def name(self) -> tuple[str, str, str, str]:
        return self.shape, self.kind, self.table, self.column

    def toml(self) -> str:
        """As an entry of a file of questions, its answer left open."""
        lines = ["[[question]]", f"kind = {quoted(self.kind)}", f"shape = {quoted(self.shape)}"]
        lines += [f"files = {quoted(list(self.files))}"]
        lines += [f"sheet = {quoted(self.sheet)}"] if self.sheet else []
        lines += [f"table = {quoted(self.table)}", f"column = {quoted(self.column)}"]
        lines += [f"source = {quoted(self.source)}"] if self.source else []
        lines += [f"ask = {quoted(self.ask)}"]
        lines += [f"values = {quoted(list(self.values))}"] if self.values else []
        lines += [f"options = {quoted([o for o, _ in self.options])}"]
        lines += [f"# {o}: {why}".replace("\n", " ") for o, why in self.options if why]
        cells = [", ".join(f"{quoted(k)} = {quoted(v)}" for k, v in row.items()) for row in self.rows]
        lines += ["rows = [", *(f"  {{ {row} }}," for row in cells), "]"]
        lines.append(_FORMS[self.kind])
        return "\n".join(lines) + "\n"


#: every kind of question, and how it is answered
_FORMS = {
    "tables": '# answer = ["pours"]   (one or several tables, or [] where it is none of ours)',
    "source": '# answer = "its header"   (or ["Date", "Time"] to be joined, "= text" for one value on every row, "does not exist")',
    "unit": '# answer = "g"', "weights": '# answer = "incremental"   (or cumulative, cumulative_with_tare)',
    "tare": '# answer = "its header"   (or a number of grams, or "none")', "format": '# answer = "%d.%m.%Y"',
    "values": '# answer = { "theirs" = "ours" }', "where": '# answer = ["R"]   (the cells of these rows, or "none")',
    "split": '# answer = "; "   (what stands between them, or "none")', "order": '# answer = "as listed"   (or "newest first")',
    "register": '# answer = "north"', "unused": '# answer = "none"   (or one or several of the options: ["its header = table.column"])',
}  # fmt: skip


def written(questions: Iterable[Question]) -> str:
    """A file of questions. Answer by adding `answer = ...` to each, and give the file to --answers."""
    head = "# What only you can know about these exports. Add `answer = ...` to each entry, then: filmledger adopt DIR --answers THIS_FILE\n"
    return "\n".join([head, *(q.toml() for q in questions)])


@dataclass
class Answers:
    """Answers given so far. An entry is for a shape by the name of one of its files (or a pattern of names), its sheet, table, column and
    kind; `*` as shape is for all."""

    entries: list[dict[str, Any]] = field(default_factory=list)

    @staticmethod
    def parsed(text: str, name: str = "answers") -> Answers:
        """Raises AnswersError."""
        try:
            raw = tomllib.loads(text)
        except tomllib.TOMLDecodeError as error:
            raise AnswersError(f"{name}: this is not TOML: {error}") from None
        entries = [e for key in ("question", "answer") for e in raw.get(key, []) if "answer" in e]
        for i, entry in enumerate(entries, 1):
            if entry.get("kind") not in _FORMS:
                raise AnswersError(f"{name}, answer {i}: kind '{entry.get('kind')}' is none of {', '.join(_FORMS)}")
        return Answers(entries)

    def give(self, question: Question, answer: Any) -> None:
        about = {name: getattr(question, name) for name in ("kind", "shape", "sheet", "table", "column")}
        self.entries.append(about | {"answer": answer})

    def find(self, kind: str, files: Iterable[str], sheet: str, table: str = "", column: str = "") -> Any:
        """The last answer given, or None."""
        about = {"table": table, "column": column, "sheet": sheet}
        for entry in reversed(self.entries):
            if entry["kind"] != kind or any(entry.get(name, "") not in ("", one) for name, one in about.items()):
                continue
            said = str(entry.get("shape") or entry.get("file") or (entry.get("files") or ["*"])[0])
            wanted = said.split(", sheet ")[0].removeprefix("inbox/")
            below = (f.removeprefix("inbox/") for f in files)
            if wanted == "*" or any(fnmatch.fnmatch(f, wanted) or f"/{f}".endswith(f"/{wanted}") for f in below):
                return entry["answer"]
        return None
