"""Who stops listening changes nothing: a command does its work and ends as it would have."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

RILLMARK = [sys.executable, "-m", "geo.cli"]
pytestmark = pytest.mark.skipif(os.name == "nt", reason="the shell of these tests is not there")


def shell(line, cwd):
    """Run a line of the shell in which ``$R`` is the program."""
    return subprocess.run(
        ["bash", "-c", f"set -o pipefail; {line}"], cwd=cwd, capture_output=True, text=True,
        env=os.environ | {"R": " ".join(RILLMARK)}, check=False,
    )  # fmt: skip


@pytest.fixture(scope="module")
def new(tmp_path_factory):
    """A new county with its own list of settings, and what `check` of it ends with."""
    folder = tmp_path_factory.mktemp("streams")
    (folder / "county.toml").write_text(
        '[county]\nname = "A"\nas_of = 2026-04-01\n[layers.units]\npath = "u.csv"\n'
        'crs = "EPSG:4326"\n'
    )
    rows = [f"{k},{39.7 + k / 5000:.4f},-85.8" for k in range(40)]
    (folder / "u.csv").write_text("\n".join(["unit_id,lat,lon", *rows]))
    whole = shell("$R check county.toml", folder)
    assert whole.returncode == 0
    assert len(whole.stdout.splitlines()) > 3
    return folder


def test_a_reader_that_has_had_enough_ends_quietly(new):
    some = shell("$R check county.toml | head -1", new)
    assert (some.returncode, some.stderr) == (0, "")
    assert len(some.stdout.splitlines()) == 1
    none = shell("$R check county.toml --json | true", new)
    assert (none.returncode, none.stdout, none.stderr) == (0, "", "")


def test_closed_streams_end_quietly_with_the_same_status(new):
    silent = shell("$R check county.toml >&- 2>&-", new)
    assert (silent.returncode, silent.stdout, silent.stderr) == (0, "", "")
    warnings = shell("$R check nothing.toml 2>&1 | true", new)
    assert (warnings.returncode, warnings.stdout, warnings.stderr) == (2, "", "")


def test_what_is_written_is_whole_though_nobody_reads(new):
    """And no message lands in it: a file must not take the number of a closed stream."""
    done = shell("$R check county.toml --places a.gpkg", new)
    assert done.returncode == 0
    for number, ending in enumerate(("<&- >&- 2>&-", "2>&1 | true")):
        file = f"b{number}.gpkg"
        assert shell(f"$R check county.toml --places {file} {ending}", new).returncode == 0
        assert (new / file).read_bytes() == (new / "a.gpkg").read_bytes()


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no such device here")
def test_a_full_disk_behind_stdout_is_one_message(new):
    full = shell("$R check county.toml --json >/dev/full", new)
    assert full.returncode == 2
    assert full.stderr.count("rillmark: ") == 1
    assert "No space left" in full.stderr
    assert "Traceback" not in full.stderr
