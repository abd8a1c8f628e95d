"""Fixtures of the page tests: published frames with invented numbers, and the site built from them."""

from __future__ import annotations

import polars as pl
import pytest
from published_frames import make

from reports.site import build

SETTINGS = {
    "business": {"currency": "crowns"},
    "pages": {"units": "metric", "people": "id"},
    "cup": {"flush_loss_g": 5.0},
}


@pytest.fixture(scope="session")
def tables() -> dict[str, pl.DataFrame]:
    return make()


@pytest.fixture(scope="session")
def site(tables: dict[str, pl.DataFrame]) -> dict[str, bytes]:
    return build(tables, SETTINGS)
