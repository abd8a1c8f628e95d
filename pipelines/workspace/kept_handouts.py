"""What was made to be handed out: `handouts/<period>` and the sites of single readers, each written whole in place of an earlier
one, each with the SHA-256 of its files. What somebody changed or put there is set aside, never deleted.
"""

from __future__ import annotations

import contextlib
import os
import re
from collections.abc import Mapping
from pathlib import Path

from pipelines.workspace.checksums import (
    MANIFEST,
    WRITTEN,
    Damaged,
    below,
    broken,
    read_plain,
    sealed,
    sums,
    take_away,
    unsealed,
    written,
)
from pipelines.workspace.paths import Workspace
from pipelines.workspace.refusals import WorkspaceError, flush, refusal, told


def read_handout(space: Workspace, name: str) -> bytes | None:
    """A file of a hand-out that is whole (`folder/file`); None where it is not there or damaged. Asked under the lock: what a command
    that was stopped left behind goes."""
    folder = name.split("/")[0]
    _settle(space, folder)
    if not is_whole(space, folder):
        return None
    try:
        return read_plain(space.handouts / name)
    except FileNotFoundError:
        return None
    except OSError as error:
        raise refusal(error, f"read {space.handouts / name}") from error


def is_whole(space: Workspace, folder: str) -> bool:
    """Whether every file of a hand-out is there as it was written."""
    return _whole(space.handouts / folder)


def _whole(target: Path) -> bool:
    try:
        return not broken(target, unsealed(target / MANIFEST)["files"])
    except (Damaged, OSError):
        return False


def read_whole(space: Workspace, folder: str) -> dict[str, bytes]:
    """Every file of a hand-out that is whole, by its path below the folder."""
    target = space.handouts / folder
    with told(f"read {target}"):
        return {name: read_plain(target / name) for name in written(target)[:-2]}


def take_away_handout(space: Workspace, folder: str) -> None:
    """Take a hand-out away; what somebody else put into it stays."""
    take_away(space.handouts / folder, written(space.handouts / folder))


def keep_handout(space: Workspace, folder: str, files: Mapping[str, bytes]) -> Path:
    """Write a hand-out's files (paths below `folder`), whole or not at all, in place of an earlier one of that name. One in which
    somebody changed something is set aside. Raises WorkspaceError."""
    target = space.handouts / folder
    draft = target.with_name(f".{folder}.{os.getpid()}")
    if target.is_symlink():
        raise WorkspaceError(f"{target} is a link of your own. Move it and try again; nothing was replaced.")
    try:
        with told(f"write {target}"):
            draft.mkdir(parents=True, exist_ok=True)
            _bring_back(target)
            (draft / WRITTEN).write_text("".join(f"{name}\n" for name in files), encoding="utf-8")
            for name, content in files.items():
                (draft / name).parent.mkdir(parents=True, exist_ok=True)
                (draft / name).write_bytes(content)
                flush(draft / name)
            (draft / MANIFEST).write_bytes(sealed({"files": sums(draft, files)}))
            flush(draft / MANIFEST)
            if not target.exists():
                os.replace(draft, target)
            elif not _exchanged(draft, target):
                os.replace(target, target.with_name(f".{folder}.before"))
                os.replace(draft, target)
            flush(target.parent)
    finally:
        _settle(space, folder)
    return target


def _settle(space: Workspace, folder: str) -> None:
    """What lies beside a hand-out, from two steps of which one did not come and from commands that were stopped: brought back, taken
    away or set aside."""
    target = space.handouts / folder
    _bring_back(target)
    drafts = re.compile(re.escape(f".{folder}.") + r"(\d+|before)")
    with contextlib.suppress(OSError):
        for name in filter(drafts.fullmatch, os.listdir(space.handouts)):
            _retire(space.handouts / name, target)


def _exchanged(one: Path, other: Path) -> bool:
    """Swap two folders in one step; False where the system cannot (it is Linux that can)."""
    import ctypes

    try:
        call = ctypes.CDLL(None, use_errno=True).renameat2
    except (OSError, AttributeError, TypeError):
        return False
    here, exchange = -100, 2  # AT_FDCWD, RENAME_EXCHANGE
    return bool(call(here, os.fsencode(one), here, os.fsencode(other), exchange) == 0)


def _bring_back(target: Path) -> None:
    """Where two steps were needed and the second did not come: the earlier one is in force."""
    aside = target.with_name(f".{target.name}.before")
    if aside.exists() and not target.exists():
        os.replace(aside, target)


def _retire(old: Path, target: Path) -> None:
    """Take away what is of no use any more; set aside what is not as the program wrote it."""
    if not os.listdir(old):
        old.rmdir()
        return
    if (old / MANIFEST).exists() or not (old / WRITTEN).exists():
        ours = written(old)
        if not _whole(old) or set(below(old)) - set(ours):
            number = 1
            while (aside := target.with_name(f"{target.name}_before_{number}")).exists():
                number += 1
            os.rename(old, aside)
            return
    take_away(old, written(old))
