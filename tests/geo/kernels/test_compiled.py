"""Compiled kernels do what their plain Python says, stay in bounds, and are kept on disk."""

from __future__ import annotations

import inspect
import os
import subprocess
import sys
from importlib.metadata import requires
from pathlib import Path

import numba
import numpy as np
import pytest

import geo.kernels
from geo.kernels import flow
from geo.kernels.compile_cache import KeptCode, kernel_cache_folder
from support import exercise

SOURCES = Path(geo.kernels.__file__).parent


def settings_free(**settings: str) -> dict[str, str]:
    """This environment with ``settings`` and no others of numba's or ours."""
    environment = {k: v for k, v in os.environ.items() if not k.startswith(("NUMBA", "RILLMARK"))}
    return {**environment, "PYTHONPATH": os.pathsep.join(filter(None, sys.path)), **settings}


def run_python(*words: str, **settings: str) -> subprocess.CompletedProcess:
    return subprocess.run(
        [sys.executable, *words],
        capture_output=True,
        text=True,
        check=False,
        env=settings_free(**settings),
    )


@pytest.mark.filterwarnings("ignore:overflow encountered:RuntimeWarning")
def test_compiled_equals_plain_python():
    small = [(z, void) for z, void in exercise.grids() if z.size < 500]
    assert len(small) > 10
    for z, void in small:
        one = exercise.run(z, void, exercise.compiled_form)
        other = exercise.run(z, void, exercise.plain_form)
        for left, right in zip(one, other, strict=True):
            assert left.dtype == right.dtype
            # the machine may fuse a product and a sum: the last digit of a float can differ
            np.testing.assert_allclose(left, right, rtol=1e-6)


def test_every_kernel_is_exercised():
    called = {
        "steps",
        "height_at",
        "rise_over",
        "longer",
        "apart",
        "digit_of",
        "gradient",
        "gradient_at_rim",
        "slope_at_rim",
        "spread",
        "outlets_of_row",
    }
    called |= {"root", "open_below", "level_of", "inside", "steepest_of_row", "split"}

    def note(module, name):
        called.add(name)
        return exercise.compiled_form(module, name)

    z, void = next(exercise.grids())
    exercise.run(z, void, note)
    kernels = {
        name[1:]
        for module in exercise.MODULES.values()
        for name, plain in vars(module).items()
        if inspect.isfunction(plain) and name[:1] == "_" and plain.__module__ == module.__name__
    }
    assert len(kernels) > 15
    assert kernels == called


@pytest.mark.long
def test_no_index_leaves_its_array(tmp_path):
    done = run_python(exercise.__file__, NUMBA_BOUNDSCHECK="1", RILLMARK_CACHE_DIR=str(tmp_path))
    assert done.returncode == 0, done.stderr
    (folder,) = tmp_path.iterdir()
    assert folder.name.endswith("-checked")


SLOPE = """
import numpy as np
from geo.terrain import slope
rise = slope(np.arange(9, dtype=np.float32).reshape(3, 3) * 3, 9.0)
assert np.allclose(rise, np.hypot(1, 1 / 3)), rise
"""


def test_machine_code_is_kept_in_the_folder_that_was_named_and_made_anew_when_cut(tmp_path):
    cold = run_python("-c", SLOPE, RILLMARK_CACHE_DIR=str(tmp_path / "kept"))
    assert cold.returncode == 0, cold.stderr
    files = list((tmp_path / "kept").rglob("*.code"))
    assert files
    before = {f: f.stat().st_mtime_ns for f in files}
    warm = run_python("-c", SLOPE, RILLMARK_CACHE_DIR=str(tmp_path / "kept"))
    assert warm.returncode == 0, warm.stderr
    assert {f: f.stat().st_mtime_ns for f in (tmp_path / "kept").rglob("*.code")} == before
    for file in files:  # cut off, it is compiled again
        file.write_bytes(file.read_bytes()[:100] if file.stat().st_size % 2 else b"")
    again = run_python("-c", SLOPE, RILLMARK_CACHE_DIR=str(tmp_path / "kept"))
    assert again.returncode == 0, again.stderr


@pytest.mark.skipif(numba.config.DISABLE_JIT, reason="plain Python keeps no machine code")
def test_the_private_place_of_the_kept_code_is_that_of_the_numba_allowed():
    """Another numba may keep it elsewhere: then every run would compile anew, and say nothing."""
    (asked,) = [line for line in requires("rillmark") if line.startswith("numba")]
    bound = asked.split("<")[1].split(",")[0].split(";")[0]
    own, most = (tuple(map(int, text.split(".")[:2])) for text in (numba.__version__, bound))
    assert own < most
    assert isinstance(flow.steepest._cache._cache_file, KeptCode)


MANY_KINDS = """
import sys
import time
import numpy as np
from geo.kernels.compiling import compiled

@compiled
def _double(values):
    return values * 2

keep = _double._cache.save_overload

def keep_at_the_same_time(*kind_and_code):
    time.sleep(0.25 - time.time() % 0.25)
    keep(*kind_and_code)

_double._cache.save_overload = keep_at_the_same_time
kinds = [np.dtype(letter) for letter in "bBhHiIlLfdFD"]
for kind in kinds[::int(sys.argv[1])]:
    assert _double(np.ones(2, kind)).tolist() == [2, 2], kind
if sys.argv[2:]:
    assert sum(_double.stats.cache_hits.values()) == len(kinds), _double.stats
"""


@pytest.mark.long
def test_processes_that_compile_at_once_never_mix_up_their_code(tmp_path):
    folder = str(tmp_path)
    environment = settings_free(RILLMARK_CACHE_DIR=folder)
    script = tmp_path / "many_kinds.py"
    script.write_text(MANY_KINDS)
    at_once = [
        subprocess.Popen([sys.executable, str(script), order], env=environment)
        for order in ("1", "-1")
    ]
    assert [process.wait() for process in at_once] == [0, 0]
    after = run_python(str(script), "1", "all were kept", RILLMARK_CACHE_DIR=folder)
    assert after.returncode == 0, after.stderr
    assert not [file for file in tmp_path.rglob("tmp*") if file.is_file()]


@pytest.mark.long
def test_a_folder_that_cannot_be_made_is_no_fault(tmp_path):
    (tmp_path / "file").write_text("")
    done = run_python("-c", SLOPE, RILLMARK_CACHE_DIR=str(tmp_path / "file" / "below"))
    assert done.returncode == 0, done.stderr
    assert list(tmp_path.iterdir()) == [tmp_path / "file"]
    assert not list(SOURCES.rglob("*.code"))


@pytest.fixture
def folder_for(monkeypatch):
    """The folder without the memory of earlier calls, under the given settings."""

    def find(sources: Path, **settings: str) -> Path | None:
        for name in ("RILLMARK_CACHE_DIR", "NUMBA_CACHE_DIR", "NUMBA_BOUNDSCHECK"):
            monkeypatch.delenv(name, raising=False)
        for name, value in settings.items():
            monkeypatch.setenv(name, value)
        return kernel_cache_folder.__wrapped__(sources)

    return find


def test_which_folder(tmp_path, folder_for, monkeypatch):
    ours, numbas, users = (str(tmp_path / name) for name in ("ours", "numbas", "users"))
    monkeypatch.setattr("platformdirs.user_cache_dir", lambda *_, **__: users)
    both = folder_for(SOURCES, RILLMARK_CACHE_DIR=ours, NUMBA_CACHE_DIR=numbas)
    assert both.parent == Path(ours)
    assert folder_for(SOURCES, NUMBA_CACHE_DIR=numbas).parent == Path(numbas)
    assert folder_for(SOURCES).parent == Path(users)
    assert folder_for(SOURCES, NUMBA_BOUNDSCHECK="1").name == f"{both.name}-checked"
    assert folder_for(SOURCES, NUMBA_BOUNDSCHECK="0").name == both.name


def test_other_sources_have_another_folder(tmp_path, folder_for):
    sources = tmp_path / "sources"
    sources.mkdir()
    (sources / "one.py").write_text("x = 1")
    first = folder_for(sources, RILLMARK_CACHE_DIR=str(tmp_path))
    (sources / "one.py").write_text("x = 2")
    assert folder_for(sources, RILLMARK_CACHE_DIR=str(tmp_path)) != first


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="root writes anywhere")
def test_a_folder_without_leave_to_write(tmp_path, folder_for):
    tmp_path.chmod(0o500)
    try:
        assert folder_for(SOURCES, RILLMARK_CACHE_DIR=str(tmp_path)) is None
    finally:
        tmp_path.chmod(0o700)


def test_numbas_own_setting_is_left_alone():
    from numba.core import config

    assert os.environ.get("NUMBA_CACHE_DIR", "") == config.CACHE_DIR
