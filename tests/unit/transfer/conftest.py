"""Small invented networks, drawn once per test run."""

import pytest

from pipelines.transfer import simulate


@pytest.fixture(scope="session")
def network():
    """Two shops, base and clear read apart in every fourth job."""
    return simulate.network(simulate.Truth(shops=2, jobs=80, between=0.25), seed=11)
