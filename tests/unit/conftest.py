"""What several unit tests start from."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipelines import cli


@pytest.fixture
def shop(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Path:
    """A workspace as `init` makes it."""
    assert cli.main(["init", str(tmp_path / "shop")]) == 0
    capsys.readouterr()
    return tmp_path / "shop"
