"""Small invented networks, drawn once per test run."""

import pytest

from tests import networks


@pytest.fixture(scope="session")
def network():
    """Two shops, base and clear read apart in every fourth job."""
    return networks.network(networks.Truth(shops=2, jobs=80, between=0.25), seed=11)
