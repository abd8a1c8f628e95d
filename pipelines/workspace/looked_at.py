"""Files that were looked at and not touched since: their SHA-256 is known without reading them again.

A file counts as untouched while its inode has the size and the times that it had then; whatever writes to it, renames it or
changes who may read it moves one of them. Nobody moves them when a disk loses a bit, so that every file is read again once a day.
Files are known by their inode and not by their path: no name is kept. Only the question whether anything is new is answered from
here; what a run reads, it reads.
"""

from __future__ import annotations

import contextlib
import os
import stat
import time
from collections.abc import Callable, Iterator
from pathlib import Path

from pipelines.workspace.checksums import Damaged, sealed, sha256_file, unsealed
from pipelines.workspace.paths import Workspace
from pipelines.workspace.refusals import WorkspaceError, write_atomically

READ_AGAIN = 86_400  # seconds after which a file is read again though nothing touched it
SETTLED = 2  # seconds between the last change and a look that is believed: clocks of file systems are coarse
RECORD = "looked_at.json"


@contextlib.contextmanager
def known_sums(space: Workspace) -> Iterator[Callable[[Path], str]]:
    """SHA-256 of a regular file, from the record where it was not touched since; raises OSError as `sha256_file` does. What was
    asked inside stands in the record afterwards, where that can be written."""
    record = space.state / RECORD
    known: dict[str, list[object]] = {}
    with contextlib.suppress(FileNotFoundError, Damaged, WorkspaceError, KeyError):
        known = unsealed(record)["files"]
    now = time.time()
    kept: dict[str, list[object]] = {}

    def of(full: Path) -> str:
        held = os.stat(full)
        inode = f"{held.st_dev}.{held.st_ino}"
        touched = [held.st_size, held.st_mtime_ns, held.st_ctime_ns]
        match known.get(inode):
            case [float(at), str(), *before] if (
                before == touched and stat.S_ISREG(held.st_mode)
                and max(now - READ_AGAIN, held.st_ctime + SETTLED) < at <= now
            ):  # fmt: skip
                kept[inode] = known[inode]
            case _:
                kept[inode] = [now, sha256_file(full), *touched]
        return str(kept[inode][1])

    yield of
    if kept != known:
        with contextlib.suppress(OSError, WorkspaceError):  # it only saves time
            write_atomically(record, sealed({"files": kept}))
