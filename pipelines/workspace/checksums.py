"""Checksums: what the program keeps for later says of itself what it holds, so that a flipped bit, a file cut short or exchanged
shows before it is used.

Here belong the seal of a note (JSON that holds its own SHA-256 and the number of its form), the look at files against what a note
says of them, and taking away files that are ours. Not here: what is kept and what happens when it is damaged (snapshots, store,
kept_handouts, the workbench).
"""

from __future__ import annotations

import contextlib
import errno
import hashlib
import io
import json
import os
import stat
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import Any

from pipelines.workspace.refusals import WorkspaceError

MANIFEST = ".manifest.json"  # what a set or a hand-out says of itself, with the SHA-256 of each file
WRITTEN = ".written"  # beside it: a line for each file of ours, written before the file is
FORM = 2  # of what is kept below .filmledger; raised when an older program could not read it, or this one not the older


class Damaged(Exception):
    """Something kept is not what was written. The text names it and says no more than that."""


class Older(Damaged):
    """Something kept was written by an earlier version in a form that is not read any more."""


def sealed(told: Mapping[str, Any]) -> bytes:
    """A note as JSON that says its form and its own checksum. What it holds stays in its order: the tables of a file that was
    read are numbered in it."""
    held = json.loads(json.dumps({**told, "form": FORM}))
    return (json.dumps({**held, "sha256": _of(held)}, ensure_ascii=False, indent=1) + "\n").encode()


def unsealed(full: Path) -> dict[str, Any]:
    """What a note says. Raises Damaged or Older, WorkspaceError where a later version wrote it, FileNotFoundError."""
    try:
        told: Any = json.loads(read_plain(full))
    except FileNotFoundError:
        raise
    except (OSError, ValueError, RecursionError) as error:
        raise Damaged(full.name) from error
    if not isinstance(told, dict):
        raise Damaged(full.name)
    said = told.pop("sha256", None)
    if said is None and "form" not in told:
        raise Older(full.name)
    try:
        whole = said == _of(told) and isinstance(told.get("form"), int)
    except (ValueError, RecursionError) as error:  # an escaped half of a sign has no bytes
        raise Damaged(full.name) from error
    if not whole:
        raise Damaged(full.name)
    if told["form"] > FORM:
        raise WorkspaceError(
            f"{full} was written by a later version of the program (form {told['form']}, this one knows {FORM})."
            " Run that version, or work on a copy of the folder without .filmledger; nothing was replaced."
        )
    if told.pop("form") < FORM:
        raise Older(full.name)
    return told


def _of(told: Mapping[str, Any]) -> str:
    return hashlib.sha256(json.dumps(told, ensure_ascii=False, sort_keys=True).encode()).hexdigest()


def open_plain(full: Path) -> io.BufferedReader:
    """A regular file to be read; never waits for a pipe. Raises OSError."""
    return open(full, "rb", opener=_opened)


def read_plain(full: Path) -> bytes:
    """The bytes of a regular file. Raises OSError."""
    with open_plain(full) as handle:
        return handle.read()


def _opened(path: str, flags: int) -> int:
    handle = os.open(path, flags | getattr(os, "O_NONBLOCK", 0))
    if not stat.S_ISREG(os.fstat(handle).st_mode):
        os.close(handle)
        raise OSError(errno.EINVAL, "it is not a regular file", path)
    return handle


def sha256_file(full: Path) -> str:
    """SHA-256 of a regular file's content, hex. Raises OSError."""
    with open_plain(full) as handle:
        return hashlib.file_digest(handle, "sha256").hexdigest()


def sums(folder: Path, names: Iterable[str], of: Callable[[Path], str] = sha256_file) -> dict[str, str]:
    """Relative path -> SHA-256 (as `of` tells it); a file that cannot be read has none. Hashing leaves Python's lock: it is done
    on all cores."""
    from concurrent.futures import ThreadPoolExecutor

    def one(name: str) -> str | None:
        try:
            return None if (folder / name).is_symlink() else of(folder / name)
        except OSError:
            return None

    names = list(names)
    with ThreadPoolExecutor(min(8, os.cpu_count() or 1)) as pool:
        return {name: found for name, found in zip(names, pool.map(one, names), strict=True) if found}


def broken(folder: Path, files: Mapping[str, str], of: Callable[[Path], str] = sha256_file) -> list[str]:
    """Which of these files are missing or hold something else than their SHA-256 says."""
    now = sums(folder, files, of)
    return [name for name, said in files.items() if now.get(name) != said]


def take_away(folder: Path, names: Iterable[str]) -> bool:
    """Delete these files below a folder, in this order, and the folders that are empty then. Nothing else goes, and no link is
    followed. Returns whether the folder is gone."""
    folders, links = {folder}, {folder: folder.is_symlink()}
    for name in names:
        parts = Path(name).parts
        if not parts or ".." in parts or Path(name).is_absolute():
            continue
        above = [folder.joinpath(*parts[:n]) for n in range(len(parts))]
        for one in above:
            if one not in links:
                links[one] = one.is_symlink()
        if not any(links[one] for one in above):
            folders.update(above)
            with contextlib.suppress(OSError):
                (folder / name).unlink()
    for one in sorted(folders, key=lambda full: len(full.parts), reverse=True):
        if not links[one]:
            with contextlib.suppress(OSError):
                one.rmdir()
    return not folder.exists()


def written(folder: Path) -> list[str]:
    """Every file of ours in a set or hand-out, as its list says; the list itself and what says what it is come last."""
    try:
        names = read_plain(folder / WRITTEN).decode("utf-8", "replace").splitlines()
    except OSError:
        names = []
    return [*dict.fromkeys(names), MANIFEST, WRITTEN]


def below(folder: Path) -> list[str]:
    """Every file below a folder by its relative path; links are named and not followed."""
    found = []
    for at, inner, names in os.walk(folder):
        links = [name for name in inner if os.path.islink(os.path.join(at, name))]
        found += [os.path.relpath(os.path.join(at, name), folder) for name in (*names, *links)]
    return sorted(found)
