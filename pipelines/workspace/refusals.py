"""What the system refuses, as a sentence that says what to do, and writing that is whole or not at all.

Here belongs what every module that writes needs. Not here: where things stand (paths).
"""

from __future__ import annotations

import contextlib
import errno
import os
from collections.abc import Iterator
from pathlib import Path

_REFUSALS = (errno.ENOSPC, errno.EDQUOT, errno.EACCES, errno.EPERM, errno.EROFS)


class WorkspaceError(Exception):
    """The folder does not allow what was asked. The text says where and what to do."""


@contextlib.contextmanager
def told(action: str) -> Iterator[None]:
    """Turn the operating system's refusals into a sentence that says what to do."""
    try:
        yield
    except OSError as error:
        raise refusal(error, action) from error


def causes(error: BaseException) -> list[BaseException]:
    """An error and all that led to it; chains that bite their own tail exist: Dagster makes them."""
    found = [error]
    while (cause := found[-1].__cause__ or found[-1].__context__) and isinstance(cause, Exception):
        if any(cause is one for one in found):
            break
        found.append(cause)
    return found


def refusal(error: BaseException, action: str) -> WorkspaceError:
    """The WorkspaceError for an operating-system error met while doing `action`."""
    code = error.errno if isinstance(error, OSError) else None
    text = str(error).lower()
    if code in (errno.ENOSPC, errno.EDQUOT) or "no space left" in text or "disk is full" in text:
        return WorkspaceError(f"Could not {action}: the disk is full. Make room and run again; nothing was replaced.")
    if "disk i/o error" in text:  # SQLite's word where the disk fills up at the wrong moment
        return WorkspaceError(
            f"Could not {action}: the disk is full or does not take what is written. Make room and run again;"
            " nothing was replaced."
        )
    if code in (errno.EACCES, errno.EPERM, errno.EROFS) or "permission denied" in text or "read-only" in text:
        return WorkspaceError(
            f"Could not {action}: the folder may not be written ({error})."
            " Allow writing there or work on a copy; nothing was replaced."
        )
    return WorkspaceError(f"Could not {action}: {error}. Nothing was replaced.")


def is_refusal(error: BaseException) -> bool:
    """Whether an error is a full disk or a folder that may not be written, whoever raised it."""
    if isinstance(error, OSError) and error.errno in _REFUSALS:
        return True
    return any(
        sign in str(error).lower() for sign in ("no space left", "disk is full", "disk i/o error", "readonly database")
    )


def flush(full: Path) -> None:
    """Have the system bring a file or folder to the disk, so that a power cut cannot leave a renamed, empty file."""
    with contextlib.suppress(OSError):
        handle = os.open(full, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def write_new(target: Path, content: bytes) -> None:
    """Write a file that somebody will type into, whole or not at all. Raises WorkspaceError where it is there already."""
    if os.path.lexists(target):
        raise WorkspaceError(
            f"{target} is there already, and what was typed into it would be lost. Name another file or move that one away;"
            " nothing was replaced."
        )
    with told(f"write {target}"):
        write_atomically(target, content)


def write_atomically(target: Path, content: bytes) -> None:
    draft = target.with_name(f".{target.name}.{os.getpid()}")
    try:
        with open(draft, "wb") as handle:
            handle.write(content)
            handle.flush()
            os.fsync(handle.fileno())
        os.replace(draft, target)
    finally:
        draft.unlink(missing_ok=True)
