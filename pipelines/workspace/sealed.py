"""What the program keeps among a shop's own files and no hand may change: the figures of closed months, with a SHA-256 beside them.

The seal is a hidden file of `sha256sum`'s lines, so that `sha256sum -c .closed.sha256` in registers/ checks it too. It holds the old and
the new sums while files are being replaced: a kill in between leaves nothing that would be refused.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping

from pipelines.workspace.checksums import read_plain
from pipelines.workspace.paths import Workspace, fill
from pipelines.workspace.refusals import WorkspaceError

SEAL = "registers/.closed.sha256"
SEALED = ("registers/closed_figures.csv", "registers/closed_files.csv")


def keep_sealed(space: Workspace, files: Mapping[str, bytes]) -> None:
    """Write these files (path below the workspace -> content) and their seal."""
    sums = {(hashlib.sha256(content).hexdigest(), path) for path, content in files.items()}
    _write_seal(space, _seal(space) | sums)
    for path, content in files.items():
        fill(space, path, content)
    _write_seal(space, sums)


def check_sealed(space: Workspace, contents: Mapping[str, str]) -> None:
    """Raises WorkspaceError where figures of closed months are not as they were written. contents: path -> SHA-256."""
    seal = _seal(space)
    known = {path for _, path in seal}
    for path in SEALED:
        held = contents.get(path)
        if path in known and (held, path) not in seal:
            what = "is gone" if held is None else "is not as `filmledger close` wrote it"
        elif held is not None and path not in known and _has_rows(space, path):
            what = (
                f"has rows and no seal ({SEAL}), so nobody can tell whether they are as `filmledger close` wrote them"
            )
        else:
            continue
        raise WorkspaceError(
            f"{path} {what}: figures of closed months stay as they were reported. Put registers/ back as it was, from a"
            " backup; or open its months again with `filmledger reopen` and close them anew. Nothing was replaced."
        )


def _seal(space: Workspace) -> set[tuple[str, str]]:
    try:
        lines = read_plain(space.root / SEAL).decode("utf-8", "replace").splitlines()
    except FileNotFoundError:
        return set()
    return {(line[:64], f"registers/{line[66:]}") for line in lines if line}


def _write_seal(space: Workspace, sums: set[tuple[str, str]]) -> None:
    lines = sorted(f"{digest}  {path.removeprefix('registers/')}\n" for digest, path in sums)
    fill(space, SEAL, "".join(lines).encode())


def _has_rows(space: Workspace, path: str) -> bool:
    try:
        lines = read_plain(space.root / path).decode("utf-8-sig", "replace").splitlines()
    except OSError:  # no file to be read, such as a pipe: nothing that `close` wrote
        return True
    return sum(1 for line in lines if line.strip() and not line.startswith("#")) > 1
