"""Notes that an export is joined to: a list that says which job, panel and step each batch of a gauge belongs to.

`with_notes` puts what the notes of an inbox say into the layouts that name them, before any file is read: reading a file hangs on the
file and the layouts alone then, and a note that changes changes the layout's digest. Joining rows is mapped_rows.py's.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable

from pipelines.intake.reading import layout, read
from pipelines.intake.reading.files import FileRefused, Source, natural_order


def with_notes(
    layouts: list[layout.Layout], sources: Iterable[Source], options: read.Options | None = None
) -> list[layout.Layout]:
    """The layouts, those with a `note` with the rows of all files of the inbox that fit it."""
    if not any(one.file.note for one in layouts):
        return layouts
    files = sorted(
        (s for s in sources if s.file.startswith("inbox/") and not s.trouble), key=lambda s: natural_order(s.file)
    )
    return [_with_note(one, files, options or read.Options()) if one.file.note else one for one in layouts]


def _with_note(one: layout.Layout, files: list[Source], options: read.Options) -> layout.Layout:
    note = one.file.note
    assert note is not None
    key = note.of or note.on
    rows: dict[str, tuple[str | None, ...]] = {}
    twice: set[str] = set()
    for source in files:
        if not layout.fits(note.file, source.below):
            continue
        try:
            grid = read.rows_of(source, _as_it_stands(one, note), options)
        except (FileRefused, OSError):
            continue  # the file is told itself; its batches are named as missing where they are asked for
        names = grid.names() if grid else {}
        if grid is None or not {key, *note.columns} <= set(names):
            continue
        for batch, *said in grid.rows.select([names[key], *(names[c] for c in note.columns)]).iter_rows():
            if batch is not None and rows.setdefault(batch, tuple(said)) != tuple(said):
                twice.add(batch)
    kept = {batch: said for batch, said in rows.items() if batch not in twice}
    text = json.dumps([one.digest, sorted(kept.items()), sorted(twice)])
    return one.model_copy(
        update={"noted": kept, "noted_twice": tuple(sorted(twice)), "digest": hashlib.sha256(text.encode()).hexdigest()}
    )


def _as_it_stands(one: layout.Layout, note: layout.Note) -> layout.Layout:
    """A layout that reads the note's rows as text: marked like the export itself where it does not say otherwise."""
    said = {name: value for name in ("delimiter", "encoding", "sheet") if (value := getattr(note, name)) is not None}
    file = layout.File(
        **{"delimiter": one.file.delimiter, "encoding": one.file.encoding, "header_line": "find", **said}
    )
    return layout.Layout(name=one.name, file=file, tables=(), digest="", also=(note.of or note.on, *note.columns))
