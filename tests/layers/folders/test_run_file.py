"""A folder is read only if it is what its run.json says; one merely looked at still is."""

import json
import random
import shutil
import sqlite3
from contextlib import closing

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pytest
from affine import Affine
from click.testing import CliRunner
from pyproj import CRS
from shapely import Point

from geo.cli import main
from layers import store
from layers.errors import AssessmentFolderError, LayerError
from layers.files.geopackage import contents_sha256
from layers.files.vector import write_geopackage
from layers.folders.run_file import FORMAT, is_plain
from layers.grid import Grid
from layers.outputs.run import Run


def _tables(*unit_ids):
    points = [Point(500_000 + 10 * i, 2_930_000) for i in range(len(unit_ids))]
    units = gpd.GeoDataFrame({"unit_id": unit_ids}, geometry=points, crs="EPSG:32616")
    outlets = units.rename(columns={"unit_id": "discharge_point_id"})
    return {
        "units": units, "discharge_points": outlets, "flow_paths": units, "setback_checks": units,
        "worth_a_fix": pd.DataFrame({"unit_id": unit_ids}),
        "problems": pd.DataFrame({"feature_id": unit_ids}),
    }  # fmt: skip


@pytest.fixture(scope="module")
def sound(tmp_path_factory):
    values = np.random.default_rng(1).normal(size=(40, 40)).astype(np.float32)
    grid = Grid(values, Affine(2, 0, 500_000, 0, -2, 2_930_000), CRS("EPSG:32616"))
    assessment = store.Assessment.of(
        _tables("001", "002"),
        rasters={"relief": grid},
        run=Run(
            as_of="2026-04-01",
            rasters=["relief"],
            notes=["one", "two"],
            versions={"rillmark": "0.2.0"},
            timings_s={"reading": 1.25},
        ),
    )
    return assessment.write(tmp_path_factory.mktemp("sound") / "out")


@pytest.fixture
def out(sound, tmp_path):
    return shutil.copytree(sound, tmp_path / "out")


def test_the_folder_says_its_format_and_a_later_one_is_refused(out):
    run = json.loads((out / "run.json").read_text())
    assert run["format"] == FORMAT == 2
    run |= {"format": FORMAT + 1, "versions": {"rillmark": "9.1"}}
    (out / "run.json").write_text(json.dumps(run))
    for command in (["map", str(out)], ["report", str(out)], ["visit", str(out), "001"]):
        text = CliRunner().invoke(main, command)
        assert text.exit_code == 2
        assert text.output.count("rillmark: ") == 1
        assert "written by a newer Rillmark (9.1)" in text.output
        assert "update Rillmark" in text.output
    with pytest.raises(AssessmentFolderError, match="newer Rillmark"):
        store.add_files(out, {"map_staff.html": "<p>"})


@pytest.mark.parametrize("name", ["assessment.gpkg", "relief.tif"])
def test_a_data_file_of_another_run_is_refused(out, name):
    content = bytearray((out / name).read_bytes())
    content[len(content) // 2] ^= 1
    (out / name).write_bytes(content)
    with pytest.raises(AssessmentFolderError, match=f"changed or damaged after[^~]*{name}"):
        store.read_assessment(out)
    (out / name).unlink()
    with pytest.raises(AssessmentFolderError):
        store.read_assessment(out)


def test_what_an_office_writes_into_files_for_people_stops_nothing(out):
    (out / "priorities.csv").write_text("our own notes\n")
    (out / "problems.csv").unlink()
    (out / "our notes.txt").write_text("mine")
    assert len(store.read_assessment(out).units) == 2


def _pragma(path, words):
    with closing(sqlite3.connect(path)) as connection:
        connection.execute(words)
        connection.execute("select count(*) from units").fetchall()


def test_a_geopackage_that_a_map_program_only_opened_is_still_read(out):
    """Desktop programs switch a GeoPackage to a write-ahead log as they open it, and back."""
    path = out / "assessment.gpkg"
    bytes_before = path.read_bytes()
    for mode in ("wal", "delete", "wal"):
        _pragma(path, f"pragma journal_mode = {mode}")
        assert path.read_bytes() != bytes_before
        assert len(store.read_assessment(out).units) == 2
    with closing(sqlite3.connect(path)) as still_open:
        still_open.execute("select count(*) from units").fetchall()
        assert len(store.read_assessment(out).units) == 2
    _pragma(path, "pragma journal_mode = delete")
    store.add_files(out, {"map_staff.html": "<p>"}, drawn_from=store.read_assessment(out).run)


def test_a_geopackage_changed_in_a_map_program_is_refused(out):
    path = out / "assessment.gpkg"
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("pragma journal_mode = wal")
        connection.execute("pragma wal_autocheckpoint = 0")
        connection.execute("update gpkg_contents set description = 'ours'")
        connection.commit()
        with pytest.raises(AssessmentFolderError, match=r"another program has assessment\.gpkg"):
            store.read_assessment(out)
    with pytest.raises(AssessmentFolderError, match=r"changed or damaged"):
        store.read_assessment(out)


def test_a_change_that_lay_beside_the_old_file_does_not_get_into_the_new_one(out):
    """A write-ahead log left beside a replaced file would be played into the file after it."""
    path = out / "assessment.gpkg"
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("pragma journal_mode = wal")
        connection.execute("pragma wal_autocheckpoint = 0")
        connection.execute("update gpkg_contents set description = 'ours'")
        connection.commit()
        kept = (out / "assessment.gpkg-wal").read_bytes()
    (out / "assessment.gpkg-wal").write_bytes(kept)
    store.Assessment.of(_tables("9"), run=Run(as_of="2026-05-01")).write(out, overwrite=True)
    assert not (out / "assessment.gpkg-wal").exists()
    assert store.read_assessment(out).units["unit_id"].tolist() == ["9"]


def test_a_geopackage_is_closed_before_it_is_hashed(tmp_path):
    """Even where GDAL is told to keep a log beside it."""
    pyogrio.set_gdal_config_options({"OGR_SQLITE_JOURNAL": "WAL"})
    try:
        tables = {"units": pd.DataFrame({"unit_id": ["1"]}), "more": pd.DataFrame({"a": [1]})}
        write_geopackage(tmp_path / "a.gpkg", tables, stamp="2026-04-01")
    finally:
        pyogrio.set_gdal_config_options({"OGR_SQLITE_JOURNAL": None})
    assert [p.name for p in tmp_path.iterdir()] == ["a.gpkg"]
    before = (tmp_path / "a.gpkg").read_bytes()
    assert before[18:20] == b"\x01\x01"  # no log
    with closing(sqlite3.connect(f"file:{tmp_path / 'a.gpkg'}?mode=ro", uri=True)) as connection:
        assert connection.execute("pragma integrity_check").fetchall() == [("ok",)]
    assert (tmp_path / "a.gpkg").read_bytes() == before


def test_only_what_opening_changes_is_left_out_of_the_hash(tmp_path):
    path = tmp_path / "a.gpkg"
    content = bytes(range(256)) * 8
    path.write_bytes(content)
    whole = contents_sha256(path)
    left_out = set()
    for place in range(200):
        changed = bytearray(content)
        changed[place] ^= 255
        path.write_bytes(changed)
        if contents_sha256(path) == whole:
            left_out.add(place)
    assert left_out == {18, 19, *range(24, 28), *range(92, 100)}


def _damaged(sound, place, count, seed):
    """Damages of run.json at random: each is one message, or the result as it was."""
    rng, text = random.Random(seed), (sound / "run.json").read_bytes()
    out = shutil.copytree(sound, place / "damaged")
    refused = 0
    for _ in range(count):
        content = bytearray(text)
        way = rng.choice(["turn", "turn", "turn", "cut", "drop", "twice"])
        at = rng.randrange(len(content))
        if way == "turn":
            content[at] ^= 1 << rng.randrange(8)
        elif way == "cut":
            del content[at:]
        elif way == "drop":
            del content[at : at + rng.randrange(1, 40)]
        else:
            content[at:at] = content[at : at + rng.randrange(1, 40)]
        (out / "run.json").write_bytes(content)
        try:
            got = store.read_assessment(out)
        except AssessmentFolderError as error:
            assert error.hint  # noqa: PT017
            refused += 1
        else:
            assert got.units["unit_id"].tolist() == ["001", "002"]
            assert got.run.notes == ["one", "two"]
    return refused


def test_a_damaged_run_json_is_one_message_or_the_same_result(sound, tmp_path):
    assert _damaged(sound, tmp_path, 60, seed=3) > 30


@pytest.mark.long
def test_a_thousand_damages_of_run_json(sound, tmp_path):
    _damaged(sound, tmp_path, 1000, seed=4)


@pytest.mark.parametrize("seed", range(20))
def test_a_damaged_geopackage_is_one_message(out, seed):
    rng, path = random.Random(seed), out / "assessment.gpkg"
    content = bytearray(path.read_bytes())
    at = rng.randrange(100 if seed < 10 else len(content))  # half of them in its head
    content[at] ^= 1 << rng.randrange(8)
    path.write_bytes(content)
    try:
        assert len(store.read_assessment(out).units) == 2
    except (AssessmentFolderError, LayerError) as error:
        assert error.hint  # noqa: PT017


@pytest.mark.parametrize(
    ("name", "plain"),
    [
        ("a.csv", True), ("visits/a b.html", True), ("é.tif", True), ("..a", True),
        ("", False), (".", False), ("..", False), ("../a", False), ("a/../../b", False),
        ("/a", False), ("//h/a", False), ("C:a", False), ("C:/a", False), ("a\\b", False),
        ("a\0", False), ("a//b", False), ("./a", False),
    ],
)  # fmt: skip
def test_names_that_stay_inside(name, plain):
    assert is_plain(name) == plain
