"""What all tests share. Nothing here touches the network or a folder outside pytest's own."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

import pipelines  # noqa: F401  before numpy: it says how many threads BLAS may start

if TYPE_CHECKING:
    from pipelines.workspace import Workspace


@pytest.fixture
def copy(finished: Workspace, tmp_path: Path) -> Workspace:
    """A copy of the workspace that a module has `finished`, with its results, to do things to."""
    shutil.copytree(finished.root, tmp_path / "shop", symlinks=True)
    return type(finished)(tmp_path / "shop")
