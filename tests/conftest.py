"""The invented county, read and assessed once for every test that needs it."""

import os
import pickle
import time
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path

import pytest
from hypothesis import settings

import layers  # noqa: F401  (before numpy, in this process and in those it starts)

# `make test` tries the same examples each time; `make test-long` looks for new ones. No example is
# timed: on a busy machine that would judge the neighbors.
settings.register_profile("same", derandomize=True, deadline=None)
settings.register_profile("search", derandomize=False, deadline=None)
settings.load_profile("same")


# Files that take longest begin, so that no process is left with one of them at the end.
LONGEST = (
    "record/test_kept_safe", "layers/test_fuzz", "test_every_record", "record/test_page",
    "test_unknown_never_clears",
    "test_compiled", "test_staging", "test_tiles", "map/test_browser", "test_drawn_ways",
    "test_trace_command", "test_names_of_objects", "visit/test_sheet", "test_full_turn",
    "test_traces", "test_replay", "test_spreadsheet",
    "test_cli", "test_compare_command", "test_findings_command", "test_version_0_1",
    "test_streams", "test_units_alone_visits", "test_due_command", "test_units_alone",
)  # fmt: skip


def pytest_collection_modifyitems(items):
    def rank(item):
        name = item.path.with_suffix("").as_posix()
        return next((k for k, end in enumerate(LONGEST) if name.endswith(f"/{end}")), len(LONGEST))

    items.sort(key=rank)


@pytest.fixture(scope="session")
def larkmoor_toml():
    return Path(str(files("layers.sample_layers") / "county.toml"))


@pytest.fixture(scope="session")
def larkmoor(larkmoor_toml):
    from layers import read_county

    return read_county(larkmoor_toml)


@dataclass(frozen=True)
class DemoRun:
    """What `rillmark demo` said, and the folder it filled: to be read, or copied and changed."""

    exit_code: int
    output: str
    stdout: str
    folder: Path


@pytest.fixture(scope="session")
def demonstrated(tmp_path_factory):
    """The demo run once: what it said, and the assessment it wrote."""
    from click.testing import CliRunner

    import geo.assessment
    from geo.cli import main

    def run():
        out = tmp_path_factory.mktemp("demo") / "larkmoor"
        results, assess = [], geo.assessment.assess

        def kept(*county, **settings):
            results.append(assess(*county, **settings))
            return results[-1]

        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(geo.assessment, "assess", kept)
            done = CliRunner().invoke(main, ["demo", "--out", str(out)])
        assert results, done.output
        return DemoRun(done.exit_code, done.output, done.stdout, out), results[0]

    return shared(tmp_path_factory, "demo", run)


@pytest.fixture(scope="session")
def demo_run(demonstrated):
    return demonstrated[0]


@pytest.fixture(scope="session")
def larkmoor_result(demonstrated):
    return demonstrated[1]


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
