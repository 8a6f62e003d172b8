"""The invented county, read and assessed once for every test that needs it."""

from importlib.resources import files
from pathlib import Path

import pytest
from hypothesis import settings

# `make test` tries the same examples each time; `make test-long` looks for new ones. No example is
# timed: on a busy machine that would judge the neighbours.
settings.register_profile("same", derandomize=True, deadline=None)
settings.register_profile("search", derandomize=False, deadline=None)
settings.load_profile("same")


@pytest.fixture(scope="session")
def larkmoor_toml():
    return Path(str(files("geo.sample_layers") / "county.toml"))


@pytest.fixture(scope="session")
def larkmoor(larkmoor_toml):
    from layers import read_county

    return read_county(larkmoor_toml)


@pytest.fixture(scope="session")
def larkmoor_result(larkmoor):
    from geo import assess

    return assess(larkmoor, seed=0)
