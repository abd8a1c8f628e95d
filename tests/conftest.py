"""What all tests share. Nothing here touches the network or a folder outside pytest's own."""

from __future__ import annotations

import os
import shutil
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from filelock import FileLock

import pipelines  # noqa: F401  before numpy: it says how many threads BLAS may start

if TYPE_CHECKING:
    from pipelines.workspace import Workspace


def pytest_xdist_auto_num_workers() -> int:
    """Half as many processes again as cores: tests wait for browsers, for processes of their own and for the disk a third of the time."""
    return round(1.5 * (os.cpu_count() or 1))


@pytest.fixture(scope="session")
def finished(tmp_path_factory: pytest.TempPathFactory) -> Workspace:
    """A small workspace of two shops that was run once, by whichever process of a test run asks first; each process has a copy of its own.
    Tests leave it as it is."""
    from pipelines.workspace import Workspace  # imported here: most tests need none of it
    from tests.workspaces import drawn, ran

    own = tmp_path_factory.getbasetemp()
    once = own.parent if "PYTEST_XDIST_WORKER" in os.environ else own
    with FileLock(once / "finished.lock"):
        if not (once / "finished").exists():
            ran(drawn(once / "begun", {"data_licence": "CC0-1.0"}, shops=2, months=3, cups=150))
            (once / "begun").rename(once / "finished")
    return Workspace(shutil.copytree(once / "finished", tmp_path_factory.mktemp("finished") / "shop", symlinks=True))


@pytest.fixture
def copy(finished: Workspace, tmp_path: Path) -> Workspace:
    """A copy of the workspace that is `finished`, with its results, to do things to."""
    shutil.copytree(finished.root, tmp_path / "shop", symlinks=True)
    return type(finished)(tmp_path / "shop")
