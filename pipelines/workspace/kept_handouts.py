"""What was made to be handed out: `handouts/<period>`, written whole in place of an earlier one."""

from __future__ import annotations

import os
import shutil
from collections.abc import Mapping
from pathlib import Path

from pipelines.workspace.paths import Workspace
from pipelines.workspace.refusals import flush, refusal, told


def read_handout(space: Workspace, name: str) -> bytes | None:
    """A file of the hand-outs; None where it is not there."""
    try:
        return (space.handouts / name).read_bytes()
    except FileNotFoundError:
        return None
    except OSError as error:
        raise refusal(error, f"read {space.handouts / name}") from error


def keep_handout(space: Workspace, folder: str, files: Mapping[str, bytes]) -> Path:
    """Write a hand-out's files (paths below `folder`), whole or not at all, in place of an earlier one of that name."""
    target = space.handouts / folder
    draft, aside = target.with_name(f".{folder}.{os.getpid()}"), target.with_name(f".{folder}.before")
    try:
        with told(f"write {target}"):
            for name, content in files.items():
                (draft / name).parent.mkdir(parents=True, exist_ok=True)
                (draft / name).write_bytes(content)
                flush(draft / name)
            shutil.rmtree(aside, ignore_errors=True)
            if target.exists():
                os.replace(target, aside)
            os.replace(draft, target)
            shutil.rmtree(aside, ignore_errors=True)
    finally:
        shutil.rmtree(draft, ignore_errors=True)
        if aside.exists() and not target.exists():
            os.replace(aside, target)
    return target
