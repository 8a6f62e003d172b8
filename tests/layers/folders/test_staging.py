"""The folder in other hands: several writers, writers that are killed, notes that are damaged."""

import hashlib
import json
import os
import random
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pytest
from click.testing import CliRunner
from shapely import Point

from geo.cli import main
from layers import store
from layers.errors import AssessmentFolderError
from layers.folders import lock as folder_lock
from layers.folders import staging
from layers.outputs.groups import Trust
from layers.outputs.run import Run, RunCounty

JOURNAL = ".out.replacing.json"


def an_assessment(n):
    points = [Point(500_000 + 10 * i, 2_930_000) for i in range(n)]
    frame = gpd.GeoDataFrame(
        {"unit_id": [f"{i:03d}" for i in range(n)]}, geometry=points, crs="EPSG:32616"
    )
    return store.Assessment(
        units=frame,
        discharge_points=frame,
        flow_paths=frame,
        setback_checks=frame,
        trust=Trust(worth_a_fix=pd.DataFrame({"what": ["lid"]})),
        problems=pd.DataFrame({"layer": ["units"]}),
        run=Run(RunCounty(f"{n} units"), as_of="2026-04-01"),
    )


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """Two finished folders, of 3 and of 4 units."""
    place = tmp_path_factory.mktemp("made")
    for n in (3, 4):
        an_assessment(n).write(place / str(n))
    return place


def is_whole(folder):
    """How many units a folder has; every file in it must be as its run.json lists it."""
    listed = json.loads((folder / "run.json").read_text("utf-8"))["files"]
    assert listed == {
        p.relative_to(folder).as_posix(): hashlib.sha256(p.read_bytes()).hexdigest()
        for p in folder.rglob("*")
        if p.is_file() and p.name != "run.json"
    }
    return len(store.read_assessment(folder).units)


# ------------------------------------------------------------------------------ several at once


def test_two_that_fill_at_once_do_not_meet(made, tmp_path):
    out = tmp_path / "out"
    over = {"overwrite": True}
    with staging.staging(out, **over) as one, staging.staging(out, **over) as other:
        assert one != other
        shutil.copytree(made / "3", one, dirs_exist_ok=True)
        shutil.copytree(made / "4", other, dirs_exist_ok=True)
    assert is_whole(out) == 3  # put in place last
    assert [p.name for p in tmp_path.iterdir()] == ["out"]


def test_one_that_was_first_meanwhile_is_not_replaced_unasked(made, tmp_path):
    out = tmp_path / "out"

    def late():
        with staging.staging(out) as stage:
            put(made / "3", out)
            shutil.copytree(made / "4", stage, dirs_exist_ok=True)

    with pytest.raises(AssessmentFolderError, match="--overwrite"):
        late()
    assert is_whole(out) == 3
    assert [p.name for p in tmp_path.iterdir()] == ["out"]


def test_pages_of_an_assessment_that_was_replaced_are_refused(made, tmp_path):
    out = shutil.copytree(made / "3", tmp_path / "out")
    drawn_from = store.read_assessment(out).run
    store.add_files(out, {"map_staff.html": "<p>"}, drawn_from=drawn_from)
    store.add_files(out, {"map_staff.html": "<b>"}, drawn_from=drawn_from)  # pages change nothing
    put(made / "4", out)
    with pytest.raises(AssessmentFolderError, match="another assessment was written there"):
        store.add_files(out, {"map_staff.html": "<p>"}, drawn_from=drawn_from)
    assert not (out / "map_staff.html").exists()
    assert is_whole(out) == 4


def test_a_read_that_a_writer_overtakes_gives_one_of_the_two(made, tmp_path, monkeypatch):
    out = shutil.copytree(made / "3", tmp_path / "out")
    real, turns = store.read_geopackage_layer, []

    def overtaken(path, name, **options):
        turns.append(name)
        if len(turns) == 5:
            put(made / "4", out)
        return real(path, name, **options)

    monkeypatch.setattr(store, "read_geopackage_layer", overtaken)
    got = store.read_assessment(out)
    assert {len(got.units), len(got.flow_paths), len(got.setback_checks)} == {4}
    assert got.run.county.name == "4 units"


def test_a_command_that_meets_a_writer_is_one_message(made, tmp_path, monkeypatch):
    out = shutil.copytree(made / "3", tmp_path / "out")
    monkeypatch.setattr(folder_lock, "WAIT_S", 0.1)
    lock = folder_lock.try_lock(staging.lock_path(out))
    with pytest.raises(AssessmentFolderError, match=f"process {os.getpid()}"):
        store.add_files(out, {"map_staff.html": "<p>"})
    with pytest.raises(AssessmentFolderError, match="another run of Rillmark"):
        put(made / "4", out)
    lock.release()
    assert is_whole(out) == 3
    assert [p.name for p in tmp_path.iterdir()] == ["out"]


def _county(folder, count):
    folder.mkdir(parents=True)
    rows = [f"{i:03d},{26.5 + 0.001 * i},-88.5,active" for i in range(count)]
    (folder / "units.csv").write_text("\n".join(["unit_id,lat,lon,status", *rows]) + "\n")
    (folder / "county.toml").write_text(
        f'[county]\nname = "{count} units (invented)"\nas_of = 2026-04-01\ninvented = true\n\n'
        '[layers.units]\npath = "units.csv"\ncrs = "EPSG:4326"\n'
    )
    return folder / "county.toml"


def _pairs(place, count):
    """Pairs of real runs into one folder at once; what each pair left."""
    tomls = [_county(place / str(n), n) for n in (5, 6)]
    out = place / "shared" / "out"
    CliRunner().invoke(main, ["assess", str(tomls[0]), "--out", str(out), "--quiet"])
    for _ in range(count):
        both = [
            subprocess.Popen(
                [sys.executable, "-m", "geo.cli", "assess", str(toml), "--out", str(out),
                 "--overwrite", "--quiet"],
                stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True,
            )
            for toml in tomls
        ]  # fmt: skip
        text = [process.communicate()[1] for process in both]
        assert {process.returncode for process in both} <= {0, 1}, text
        assert is_whole(out) in (5, 6)
        assert [p.name for p in out.parent.iterdir()] == ["out"]


def test_two_assessments_into_one_folder_at_once_leave_one_of_them_whole(tmp_path):
    _pairs(tmp_path, 1)


@pytest.mark.long
def test_many_pairs_of_assessments_into_one_folder(tmp_path):
    _pairs(tmp_path, 15)


# --------------------------------------------------------------------------------- killed writers

REPLACE_FOR_EVER = """
import itertools, shutil, sys, time
from pathlib import Path
from layers.folders.staging import add_files, staging
made, out = Path(sys.argv[1]), Path(sys.argv[2])
print("begun", flush=True)
end = time.monotonic() + 60  # should nobody kill it
for n in itertools.takewhile(lambda _: time.monotonic() < end, itertools.cycle((3, 4))):
    with staging(out, overwrite=True) as stage:
        shutil.copytree(made / str(n), stage, dirs_exist_ok=True)
    add_files(out, {"map_staff.html": "<p>" * 1000, "visits/record_staff.html": "<b>"})
"""


def _kills(made, place, count, seed):
    """Kill a writer again and again at random instants; the folder is one of the two each time."""
    out, rng = place / "out", random.Random(seed)
    cut = 0
    for _ in range(count):
        process = subprocess.Popen(
            [sys.executable, "-c", REPLACE_FOR_EVER, str(made), str(out)],
            stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        )  # fmt: skip
        assert process.stdout.readline() == "begun\n", process.stderr.read()
        while not (out / "run.json").exists():
            time.sleep(0.01)
        time.sleep(rng.uniform(0.0, 0.2))
        process.send_signal(signal.SIGKILL)
        process.communicate()
        cut += (place / JOURNAL).exists()
        staging.finish_cut(out)
        assert is_whole(out) in (3, 4)
    put(made / "3", out)  # sweeps what the dead left
    assert [p.name for p in place.iterdir()] == ["out"]
    return cut


@pytest.mark.skipif(os.name == "nt", reason="SIGKILL")
def test_a_writer_killed_at_any_instant_leaves_the_old_or_the_new(made, tmp_path):
    _kills(made, tmp_path, 4, seed=1)


@pytest.mark.long
@pytest.mark.skipif(os.name == "nt", reason="SIGKILL")
def test_a_hundred_killed_writers(made, tmp_path):
    assert _kills(made, tmp_path, 100, seed=2) > 5  # that many were cut between two moves


@pytest.mark.parametrize("moves", range(5))
def test_pages_cut_anywhere_are_all_there_or_none(made, tmp_path, monkeypatch, moves):
    out = shutil.copytree(made / "3", tmp_path / "out")
    pages = {"map_staff.html": "<p>", "visits/record_staff.html": "<b>"}
    finished = _cut_after(monkeypatch, moves, lambda: store.add_files(out, pages))
    staging.finish_cut(out)
    assert is_whole(out) == 3
    assert {(out / name).exists() for name in pages} == {moves > 0}
    assert finished == (moves == 4)  # the journal, two pages and run.json
    assert [p.name for p in tmp_path.iterdir()] == ["out"]


def _cut_after(monkeypatch, moves, do):
    real, done = Path.replace, []

    def failing(self, target):
        if len(done) == moves:
            raise KeyboardInterrupt
        done.append(target)
        return real(self, target)

    with monkeypatch.context() as patched:
        patched.setattr(Path, "replace", failing)
        try:
            do()
        except KeyboardInterrupt:
            return False
    return True


def test_what_dead_runs_left_is_swept_and_nothing_else(made, tmp_path):
    out = tmp_path / "out"
    dead = tmp_path / ".out.staging.123-0a1b2c3d"
    dead.mkdir()
    (dead / "half.csv").write_text("1")
    (tmp_path / ".out.staging.123-0a1b2c3d.lock").touch()
    (tmp_path / ".out.staging.124-0a1b2c3d.lock").touch()
    of_0_1 = tmp_path / ".out.staging"
    of_0_1.mkdir()
    mine = tmp_path / ".out.staging.notes"
    mine.mkdir()
    with staging.staging(out) as living:
        put(made / "3", out)
        assert living.exists()  # its lock is held
        shutil.copytree(out, living, dirs_exist_ok=True)
        shutil.rmtree(out)
    assert sorted(p.name for p in tmp_path.iterdir()) == [
        ".out.staging",  # a run of version 0.1 may be at it
        ".out.staging.notes",
        "out",
    ]
    week_old = time.time() - 8 * 24 * 3600
    os.utime(of_0_1, (week_old, week_old))
    put(made / "3", out)
    assert sorted(p.name for p in tmp_path.iterdir()) == [".out.staging.notes", "out"]


# ------------------------------------------------------------------------------- damaged notes


def put(folder, out):
    """Put a copy of a finished folder in place."""
    with staging.staging(out, overwrite=True) as stage:
        shutil.copytree(folder, stage, dirs_exist_ok=True)


@pytest.fixture
def cut(made, tmp_path, monkeypatch):
    """A replacement of 3 units by 4, cut after two files were moved."""
    out = shutil.copytree(made / "3", tmp_path / "place" / "out")
    assert not _cut_after(monkeypatch, 3, lambda: put(made / "4", out))
    (tmp_path / "outside.txt").write_text("mine")
    (out.parent / "outside.txt").write_text("mine")
    return out


def _state(place):
    return {
        p.relative_to(place).as_posix(): p.read_bytes() for p in place.rglob("*") if p.is_file()
    }


def _seal(plan):
    return json.dumps(plan | {"check": staging._check(plan)}).encode()


def _renamed(key, value):
    def change(text):
        plan = json.loads(text)
        del plan["check"]
        return _seal(plan | {key: value})

    return change


DAMAGES = {
    "empty": lambda text: b"",
    "cut": lambda text: text[: len(text) // 2],
    "zeros": lambda text: bytes(len(text)),
    "no text": lambda text: b"\xff\xfe" + text,
    "a list": lambda text: b"[]",
    "a number": lambda text: b"7",
    "deep": lambda text: b"[" * 100_000,
    "other": lambda text: b'{"files": {}, "old": null}',
    "names a folder above": _renamed("files", ["../outside.txt"]),
    "removes above": _renamed("old", ["../outside.txt", "../../outside.txt"]),
    "absolute": _renamed("old", ["/etc/hostname"]),
    "drive": _renamed("old", ["C:/x"]),
    "backslash": _renamed("old", ["..\\outside.txt"]),
    "stage above": _renamed("stage", "../outside"),
    "stage itself": _renamed("stage", "out"),
    "numbers": _renamed("files", [1]),
    "misses one": _renamed("files", ["run.json"]),
    "of version 0.1, above": lambda text: b'{"files": [], "old": ["../outside.txt"]}',
}


@pytest.mark.parametrize("damage", DAMAGES)
def test_a_damaged_note_is_one_message_and_moves_nothing(made, cut, damage):
    journal = cut.parent / JOURNAL
    journal.write_bytes(DAMAGES[damage](journal.read_bytes()))
    before = _state(cut.parent.parent)
    run = CliRunner().invoke(main, ["report", str(cut)])
    assert run.exit_code == 2, run.output
    assert run.output.count("rillmark: ") == 1
    assert JOURNAL in run.output
    assert "--overwrite" in run.output
    with pytest.raises(AssessmentFolderError, match="damaged"):
        store.add_files(cut, {"map_staff.html": "<p>"})
    assert _state(cut.parent.parent) == before
    put(made / "4", cut)  # as the message says
    assert is_whole(cut) == 4
    assert sorted(p.name for p in cut.parent.iterdir()) == ["out", "outside.txt"]
    assert (cut.parent.parent / "outside.txt").read_text() == "mine"


def test_no_byte_of_the_note_can_be_turned_unnoticed(cut):
    journal = cut.parent / JOURNAL
    sound = journal.read_bytes()
    before = _state(cut.parent.parent)
    for place in range(len(sound)):
        turned = bytearray(sound)
        turned[place] ^= 1 << place % 8
        journal.write_bytes(turned)
        with pytest.raises(AssessmentFolderError, match="damaged"):
            staging.finish_cut(cut)
    journal.write_bytes(sound)
    assert _state(cut.parent.parent) == before
    assert len(store.read_assessment(cut).units) == 4
    assert is_whole(cut) == 4


def test_a_note_of_version_0_1_is_finished(made, tmp_path):
    out = shutil.copytree(made / "3", tmp_path / "out")
    stage = shutil.copytree(made / "4", tmp_path / ".out.staging")
    files = sorted(p.name for p in stage.iterdir())
    (out / "of_old.csv").write_text("1")
    (tmp_path / JOURNAL).write_text(json.dumps({"files": files, "old": ["of_old.csv"]}))
    assert len(store.read_assessment(out).units) == 4
    assert is_whole(out) == 4
    assert [p.name for p in tmp_path.iterdir()] == ["out"]
