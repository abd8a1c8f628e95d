"""What the browser tests share besides fixtures: the settings they build with, a site put on disk, what to do where a tool
is missing.
"""

from __future__ import annotations

import os
from pathlib import Path

import pytest

SETTINGS = {"business": {"currency": "crowns"}, "pages": {"units": "metric", "people": "id"}}


def written(folder: Path, files: dict[str, bytes]) -> Path:
    """The site's files in an existing folder; returns the folder."""
    for name, content in files.items():
        (folder / name).write_bytes(content)
    return folder


def missing(what: str) -> None:
    if os.environ.get("CI", "").lower() in ("1", "true", "yes"):
        pytest.fail(what)
    pytest.skip(what)
