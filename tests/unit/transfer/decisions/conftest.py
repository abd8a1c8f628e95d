"""The bench's drawing of workspaces, small and with fixed seeds."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import pytest


@pytest.fixture(scope="session")
def drawn() -> ModuleType:
    """tests/bench/drawn_decisions.py: draws films, tilts and cups whose truth is known."""
    path = Path(__file__).resolve().parents[4] / "tests" / "bench" / "drawn_decisions.py"
    spec = importlib.util.spec_from_file_location("bench_of_decisions", path)
    assert spec and spec.loader
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module
