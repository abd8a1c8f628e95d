"""What the browser tests share besides fixtures: the settings they build with, and a site put on disk."""

from __future__ import annotations

from pathlib import Path

SETTINGS = {"business": {"currency": "crowns"}, "pages": {"units": "metric", "people": "id"}}


def written(folder: Path, files: dict[str, bytes]) -> Path:
    """The site's files in an existing folder; returns the folder."""
    for name, content in files.items():
        (folder / name).write_bytes(content)
    return folder
