"""The small shop that the ledger's tests build upon."""

from __future__ import annotations

import pytest
from small_shop import SmallShop


@pytest.fixture
def shop() -> SmallShop:
    return SmallShop()
