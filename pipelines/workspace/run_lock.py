"""Who is running: one run at a time in a workspace, also where a process died with the lock in its hands."""

from __future__ import annotations

import contextlib
import json
import os
import socket
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from pipelines.workspace.paths import Workspace
from pipelines.workspace.refusals import WorkspaceError, told

try:
    import fcntl
except ImportError:  # not a POSIX system: the process id in the lock file alone decides
    fcntl = None  # type: ignore[assignment]

KEPT = ("building", "snapshots", "intake", "tables", "tables-spark", "dagster", "lock")
_held: dict[Path, int] = {}  # locks of this process: the command takes one, the graph it runs enters it again


@contextlib.contextmanager
def lock(space: Workspace) -> Iterator[str | None]:
    """Hold the workspace for one run; a process may enter its own lock again.

    Yields a remark where the lock of a process that died was taken over, else None. Raises WorkspaceError that names
    the holder where another run is going on. The system's file lock decides where the file system has one, and goes
    with its process; elsewhere the process id with its start time, so that a reused id is no holder.
    """
    if space.root in _held:
        _held[space.root] += 1
        try:
            yield None
        finally:
            _held[space.root] -= 1
        return
    _refuse_links(space)
    with told(f"write in {space.root}"):
        space.state.mkdir(parents=True, exist_ok=True)
        handle = open(space.state / "lock", "a+b")
    with handle:
        locked = _take(handle.fileno())
        handle.seek(0)
        holder = _holder(handle.read())
        if not locked or (holder and _alive(holder)):
            raise WorkspaceError(_busy(space, holder))
        remark = f"A run by process {holder['pid']} ended without finishing; starting afresh." if holder else None
        with told(f"write {space.state / 'lock'}"):
            handle.truncate(0)
            handle.write(json.dumps(_me()).encode())
            handle.flush()
        _held[space.root] = 1
        try:
            yield remark
        finally:
            del _held[space.root]
            with contextlib.suppress(OSError):
                handle.truncate(0)
                handle.flush()


def _refuse_links(space: Workspace) -> None:
    """Raises WorkspaceError where what the program keeps would land elsewhere, maybe in another workspace's."""
    for one in (space.state, *(space.state / name for name in KEPT)):
        if one.is_symlink():
            raise WorkspaceError(
                f"{one} is a link, to {os.readlink(one)}; what the program keeps must stand in the workspace itself. Put a"
                " folder in its place, or delete the link, and run again; nothing was replaced."
            )

    lock_file = space.state / "lock"
    if lock_file.exists() and not lock_file.is_file():
        raise WorkspaceError(f"{lock_file} is no file; take it away and run again. Nothing was replaced.")


def _take(descriptor: int) -> bool:
    """Take the system's lock; True also where the file system knows no locks, for then the process id decides."""
    if fcntl is None:
        return True
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    except OSError:
        return True
    return True


def _me() -> dict[str, Any]:
    return {"pid": os.getpid(), "started": _started(os.getpid()), "host": socket.gethostname()}


def _holder(raw: bytes) -> dict[str, Any] | None:
    try:
        holder = json.loads(raw)
        return {"pid": int(holder["pid"]), "started": str(holder["started"]), "host": str(holder["host"])}
    except (ValueError, KeyError, TypeError):
        return None


def _alive(holder: Mapping[str, Any]) -> bool:
    if holder["host"] != socket.gethostname():
        return fcntl is None  # without a system lock nothing tells whether another machine's run still goes on
    return bool(_started(holder["pid"]) == holder["started"])


def _started(pid: int) -> str:
    """When a process started, in a form only good for comparing; "" where there is no such process."""
    try:
        with open(f"/proc/{pid}/stat", "rb") as handle:
            return handle.read().rpartition(b")")[2].split()[19].decode()
    except (OSError, IndexError):
        pass
    if os.path.isdir("/proc/self"):
        return ""
    import subprocess

    try:
        told = subprocess.run(["ps", "-o", "lstart=", "-p", str(pid)], capture_output=True, text=True, check=False)
    except OSError:
        return ""
    return told.stdout.strip()


def _busy(space: Workspace, holder: Mapping[str, Any] | None) -> str:
    who = f"process {holder['pid']} on {holder['host']}" if holder else "another process"
    return f"{who} is already running on {space.root}. Wait until it has finished, then run again."
