"""The assessment folder: whole or not at all, foreign files left alone, the same bytes twice."""

import hashlib
import json
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from affine import Affine
from pyproj import CRS
from shapely import LineString, Point

from layers import store
from layers.errors import AssessmentFolderError
from layers.grid import Grid
from layers.outputs.groups import Trust
from layers.outputs.run import Run

UTM16 = CRS("EPSG:32616")


def an_assessment(n=3, **run):
    xy = [(500_000 + 10 * i, 2_930_000) for i in range(n)]
    points = [Point(p) for p in xy]
    lines = [LineString([p, (p[0] + 5, p[1])]) for p in xy]
    ids = [f"{i:03d}" for i in range(n)]
    units = gpd.GeoDataFrame(
        {
            "unit_id": ids,
            "rank": range(1, n + 1),
            "link_confirmed": [True] * n,
            "reasons": ["=1+1 | It's “quoted”"] * n,
            "riser_height_m": [0.2, *([np.nan] * (n - 1))],
            "installed": pd.to_datetime(["2001-05-06"] * n),
        },
        geometry=points,
        crs=UTM16,
    )
    values = np.arange(12, dtype=np.float32).reshape(3, 4)
    values[0, 0] = np.nan
    grid = Grid(values, Affine(2, 0, 500_000, 0, -2, 2_930_000), UTM16)
    return store.Assessment(
        units=units,
        discharge_points=units[["unit_id", "geometry"]].rename(
            columns={"unit_id": "discharge_point_id"}
        ),
        flow_paths=gpd.GeoDataFrame({"unit_id": ids}, geometry=lines, crs=UTM16),
        setback_checks=gpd.GeoDataFrame(
            {"unit_id": ids, "in_force": [True] * n, "distance_m": [1.5] * n},
            geometry=[*lines[:-1], None],
            crs=UTM16,
        ),
        trust=Trust(worth_a_fix=pd.DataFrame({"what": ["lid"], "id": ["000"], "settles": [2]})),
        problems=pd.DataFrame(
            {"layer": ["units"], "row": pd.array([None], "Int64"), "code": ["id_missing"]}
        ),
        context={"streams": gpd.GeoDataFrame({"stream_id": ids}, geometry=lines, crs=UTM16)},
        rasters={"pond_depth_brim": grid},
        run=Run.of(
            {
                "as_of": "2026-04-01",
                "context": ["streams"],
                "rasters": ["pond_depth_brim"],
                "timings_s": {"a": 1.0},
            }
            | run
        ),
    )


def hashes(folder):
    return {
        p.name: hashlib.sha256(p.read_bytes()).hexdigest()
        for p in sorted(folder.iterdir())
        if p.name != store.RUN_FILE
    }


def test_read_gives_back_what_was_written(tmp_path):
    made = an_assessment()
    made.write(tmp_path / "out")
    got = store.read_assessment(tmp_path / "out")
    assert got.units["unit_id"].tolist() == ["000", "001", "002"]
    assert got.units["link_confirmed"].tolist() == [True, True, True]
    assert got.units["reasons"].tolist() == made.units["reasons"].tolist()
    assert got.units["riser_height_m"].isna().tolist() == [False, True, True]
    assert pd.to_datetime(got.units["installed"]).dt.year.tolist() == [2001] * 3
    assert got.units.crs == UTM16
    assert got.units.geometry.geom_equals(made.units.geometry).all()
    assert pd.isna(got.problems["row"].iloc[0])
    assert got.setback_checks.geometry.isna().tolist() == [False, False, True]
    np.testing.assert_array_equal(
        got.rasters["pond_depth_brim"].read().values, made.rasters["pond_depth_brim"].values
    )
    assert got.context["streams"]["stream_id"].tolist() == ["000", "001", "002"]


def test_a_folder_of_an_earlier_release_reads_with_empty_tables(tmp_path):
    import sqlite3

    an_assessment().write(tmp_path / "out")
    with sqlite3.connect(tmp_path / "out" / "assessment.gpkg") as connection:
        connection.execute("drop table owed")
        for table in ("gpkg_contents", "gpkg_ogr_contents"):
            connection.execute(f"delete from {table} where table_name = 'owed'")
    connection.close()
    run = json.loads((tmp_path / "out" / "run.json").read_text())
    del run["format"], run["contents"]
    run["files"]["assessment.gpkg"] = store.file_sha256(tmp_path / "out" / "assessment.gpkg")
    (tmp_path / "out" / "run.json").write_text(json.dumps(run))
    assert len(store.read_assessment(tmp_path / "out").visits.owed) == 0


def test_run_lists_every_file_with_its_hash(tmp_path):
    an_assessment().write(tmp_path / "out")
    listed = json.loads((tmp_path / "out" / "run.json").read_text())["files"]
    assert listed == hashes(tmp_path / "out")


def test_two_runs_give_the_same_bytes(tmp_path):
    an_assessment(timings_s={"a": 1.0}).write(tmp_path / "one")
    an_assessment(timings_s={"a": 2.5}).write(tmp_path / "two")
    assert hashes(tmp_path / "one") == hashes(tmp_path / "two")


def test_formulas_are_defused_in_the_csv_and_only_there(tmp_path):
    an_assessment().write(tmp_path / "out")
    assert "'=1+1" in (tmp_path / "out" / "priorities.csv").read_text("utf-8")


def test_an_assessment_is_not_replaced_unasked(tmp_path):
    an_assessment().write(tmp_path / "out")
    before = hashes(tmp_path / "out")
    with pytest.raises(AssessmentFolderError, match="--overwrite"):
        an_assessment(5).write(tmp_path / "out")
    assert hashes(tmp_path / "out") == before


def test_replacing_removes_old_files_and_leaves_foreign_ones(tmp_path):
    out = tmp_path / "out"
    an_assessment().write(out)
    store.add_files(out, {"map_staff.html": "<p>"})
    (out / "my notes.txt").write_text("keep me")
    an_assessment(4).write(out, overwrite=True)
    assert sorted(p.name for p in out.iterdir()) == [
        "assessment.gpkg",
        "my notes.txt",
        "pond_depth_brim.tif",
        "priorities.csv",
        "problems.csv",
        "run.json",
    ]
    assert len(store.read_assessment(out).units) == 4


def test_an_error_while_filling_leaves_nothing(tmp_path):
    def half():
        with store.staging(tmp_path / "out") as stage:
            (stage / "half.csv").write_text("1")
            raise RuntimeError

    with pytest.raises(RuntimeError):
        half()
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("moves", range(7))
def test_a_replacement_cut_anywhere_is_old_or_becomes_new(tmp_path, monkeypatch, moves):
    out = tmp_path / "out"
    an_assessment(3).write(out)
    real, done = Path.replace, []

    def failing(self, target):
        if len(done) == moves:
            raise KeyboardInterrupt
        done.append(target)
        return real(self, target)

    monkeypatch.setattr(Path, "replace", failing)
    try:
        an_assessment(4).write(out, overwrite=True)
        finished = True
    except KeyboardInterrupt:
        finished = False
    monkeypatch.setattr(Path, "replace", real)
    got = store.read_assessment(out)  # a read finishes what was begun
    assert len(got.units) == (3 if moves == 0 else 4)
    assert finished == (moves == 6)  # the journal and five files
    listed = json.loads((out / "run.json").read_text())["files"]
    assert listed == hashes(out)
    assert [p.name for p in tmp_path.iterdir()] == ["out"]


@pytest.mark.parametrize("name", ["run.json", "../outside.txt"])
def test_old_lists_never_remove_files_outside(tmp_path, name):
    out = tmp_path / "out"
    an_assessment().write(out)
    (tmp_path / "outside.txt").write_text("mine")
    run = json.loads((out / "run.json").read_text())
    run["files"][name] = "0"
    (out / "run.json").write_text(json.dumps(run))
    an_assessment().write(out, overwrite=True)
    assert (tmp_path / "outside.txt").read_text() == "mine"


def test_no_assessment_here_says_what_to_do(tmp_path):
    with pytest.raises(AssessmentFolderError, match="rillmark assess"):
        store.read_assessment(tmp_path)


def test_a_file_in_the_way_is_said(tmp_path):
    (tmp_path / "out").write_text("a file")
    with pytest.raises(AssessmentFolderError, match="is a file"):
        an_assessment().write(tmp_path / "out")


def test_a_full_disk_is_one_message_and_leaves_nothing(tmp_path, monkeypatch):
    def full(*_args, **_kwargs):
        raise OSError(28, "No space left on device", "priorities.csv")

    monkeypatch.setattr(store, "write_csv", full)
    with pytest.raises(AssessmentFolderError, match=r"No space left[\s\S]*priorities\.csv"):
        an_assessment().write(tmp_path / "out")
    assert list(tmp_path.iterdir()) == []
