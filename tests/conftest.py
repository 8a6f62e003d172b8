"""The invented county, read and assessed once for every test that needs it."""

import os
import pickle
import time
from dataclasses import dataclass
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
def larkmoor_result(larkmoor, tmp_path_factory):
    from geo import assess

    return shared(tmp_path_factory, "larkmoor", lambda: assess(larkmoor, seed=0))


@dataclass(frozen=True)
class DemoRun:
    """What `rillmark demo` said, and the folder it filled: to be read, or copied and changed."""

    exit_code: int
    output: str
    stdout: str
    folder: Path


@pytest.fixture(scope="session")
def demo_run(tmp_path_factory):
    from click.testing import CliRunner

    from geo.cli import main

    def run():
        out = tmp_path_factory.mktemp("demo") / "larkmoor"
        done = CliRunner().invoke(main, ["demo", "--out", str(out)])
        return DemoRun(done.exit_code, done.output, done.stdout, out)

    return shared(tmp_path_factory, "demo", run)


def shared(tmp_path_factory, name, make):
    """What ``make`` gives: made by the first of the processes that test, read by the others."""
    base = tmp_path_factory.getbasetemp()
    place = (base.parent if "PYTEST_XDIST_WORKER" in os.environ else base) / f"{name}.pickle"
    try:
        os.close(os.open(place.with_suffix(".begun"), os.O_CREAT | os.O_EXCL))
    except FileExistsError:
        while not place.exists():
            if place.with_suffix(".failed").exists():
                pytest.fail(f"{name} could not be made by another process: see there")
            time.sleep(0.2)
        return pickle.loads(place.read_bytes())
    try:
        made = make()
        part = place.with_suffix(".part")
        part.write_bytes(pickle.dumps(made))
        part.replace(place)
    except BaseException:
        place.with_suffix(".failed").touch()
        raise
    return made
