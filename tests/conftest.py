"""What all tests share. Nothing here touches the network or a folder outside pytest's own."""

from __future__ import annotations

import os
import shutil
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from pipelines.workspace import Workspace

# As the command does: reductions must not depend on the number of BLAS threads.
for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(name, "1")


@pytest.fixture
def copy(finished: Workspace, tmp_path: Path) -> Workspace:
    """A copy of the workspace that a module has `finished`, with its results, to do things to."""
    shutil.copytree(finished.root, tmp_path / "shop", symlinks=True)
    return type(finished)(tmp_path / "shop")
