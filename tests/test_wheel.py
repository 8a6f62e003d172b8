"""The wheel, installed in an empty environment and folder, runs the demo."""

import json
import re
import subprocess
import sys
import tomllib
import venv
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]


def run(*command, cwd):
    done = subprocess.run(
        [str(c) for c in command], cwd=cwd, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, f"{command}\n{done.stdout}\n{done.stderr}"
    return done.stdout


def same_bytes_but_for_timings(one, two):
    """Two runs, the second in a process and an environment of its own."""
    names = sorted(path.relative_to(one) for path in one.rglob("*") if path.is_file())
    assert len(names) > 20
    for name in names:
        if name.name == "run.json":
            first, second = (json.loads((d / name).read_text("utf-8")) for d in (one, two))
            first.pop("timings_s"), second.pop("timings_s")
            assert first == second
        else:
            assert (one / name).read_bytes() == (two / name).read_bytes(), name


def test_every_folder_of_modules_is_in_the_wheel():
    settings = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))
    listed = set(settings["tool"]["setuptools"]["packages"])
    found = {
        ".".join(file.parent.relative_to(ROOT).parts)
        for room in ("geo", "layers")
        for file in (ROOT / room).rglob("__init__.py")
    }
    assert found <= listed


@pytest.mark.wheel
def test_the_wheel_runs_the_demo_from_an_empty_environment(tmp_path, demo_run):
    source = tmp_path / "source"
    source.mkdir()
    tracked = run("git", "ls-files", "-z", cwd=ROOT).split("\0")
    for name in filter(None, tracked):  # a build leaves traces: never in the working tree
        target = source / name
        target.parent.mkdir(parents=True, exist_ok=True)
        if (ROOT / name).is_file():
            target.write_bytes((ROOT / name).read_bytes())
    pip = [sys.executable, "-m", "pip", "--disable-pip-version-check"]
    run(
        *pip, "wheel", "--no-deps", "--no-build-isolation", "--wheel-dir", tmp_path, source,
        cwd=tmp_path,
    )  # fmt: skip
    (wheel,) = tmp_path.glob("rillmark-*.whl")

    # what the wheel itself declares, at the pinned versions
    pins = re.sub(r" \\\n\s+--hash=\S+", "", (ROOT / "requirements.txt").read_text("utf-8"))
    pins = re.sub(r"\s+--hash=\S+", "", pins)
    (tmp_path / "pins.txt").write_text(pins, "utf-8")
    env = tmp_path / "env"
    venv.create(env, with_pip=True)
    python = env / ("Scripts/python.exe" if sys.platform == "win32" else "bin/python")
    run(
        python, "-m", "pip", "--disable-pip-version-check", "install", "--quiet",
        "--only-binary", ":all:", "--constraint", "pins.txt", wheel, cwd=tmp_path,
    )  # fmt: skip

    empty = tmp_path / "empty"
    empty.mkdir()
    command = python.with_name("rillmark" + python.suffix)
    out = json.loads(run(command, "demo", "--json", "--quiet", cwd=empty))
    assert Path(out["map"]).is_file()
    same_bytes_but_for_timings(demo_run.folder, Path(out["map"]).parent)
    assert Path(out["county"]).is_relative_to(empty)
    assert list(Path(out["county"]).parent.glob("records/*/*.jsonl"))
    shown = json.loads(run(command, "findings", "list", out["county"], "--json", cwd=empty))
    assert len(shown["follow_ups"]) >= 3
    assert shown["unreadable"] == []
    places = run(
        python, "-c", "import geo, layers; print(geo.__file__); print(layers.__file__)", cwd=empty
    ).split()
    assert all(Path(place).is_relative_to(env) for place in places), places
