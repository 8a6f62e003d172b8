"""`rillmark check`: a table for each layer, places for a map program, one exit status."""

import json
from itertools import pairwise

import geopandas as gpd
import pandas as pd
import pyogrio
import pytest
from click.testing import CliRunner

from geo.cli import main
from layers.problems import CODES


def run(*args):
    return CliRunner().invoke(main, [str(a) for a in args])


@pytest.fixture(scope="module")
def report(larkmoor_toml):
    done = run("check", larkmoor_toml, "--json")
    assert done.exit_code == 1  # errors are planted
    return json.loads(done.stdout)


def test_rows_of_every_layer_add_up_and_say_what_is_often_missing(report):
    layers = {layer["layer"]: layer for layer in report["layers"]}
    for layer in layers.values():
        if layer["rows_read"] is not None:
            assert layer["rows_read"] == layer["used"] + layer["set_aside"]
    assert layers["wells"]["completeness"] == (
        "wells: 297 on record; private wells are often unlisted (common practice, no source)"
    )


def test_each_reason_has_its_rows_first_ids_and_cost(report, larkmoor):
    problems = {(p["layer"], p["code"], p["action"]): p for p in report["problems"]}
    twice = problems["units", "id_duplicate", "corrected"]
    assert twice["rows"] == 2
    assert twice["first"] == ["00118#2", "00226#2"]
    assert twice["cost"] == CODES["id_duplicate"].cost
    assert problems["units", "id_missing", "corrected"]["first"] == ["row-59", "row-219"]
    counted = sum(p["rows"] for p in problems.values())
    assert counted == larkmoor.problems["row"].notna().sum()
    aside = sum(p["rows"] for p in problems.values() if p["action"] == "set_aside")
    assert aside == larkmoor.counts["set_aside"].sum()


def test_plain_lines_have_one_table_a_layer_worst_first(larkmoor_toml):
    lines = run("check", larkmoor_toml).stdout.splitlines()
    title = "units: 408 rows read = 402 used + 6 not used. 10 of the used rows were corrected."
    start = lines.index(title)
    table = [line for line in lines[start + 2 : lines.index("", start)] if "\t" in line]
    assert lines[start + 1].split("\t")[:4] == ["problem", "result", "rows", "first rows"]
    order = ["error", "warning", "note"]
    ranks = [order.index(line.split(":")[0]) for line in table]
    assert all(a <= b for a, b in pairwise(ranks))
    assert "wells: 297 on record; private wells are often unlisted" in "\n".join(lines)


@pytest.fixture(scope="module")
def places(larkmoor_toml, tmp_path_factory):
    path = tmp_path_factory.mktemp("places") / "problems.gpkg"
    assert run("check", larkmoor_toml, "--places", path).exit_code == 1
    assert [p.name for p in path.parent.iterdir()] == ["problems.gpkg"]
    return path


def test_every_problem_is_in_the_geopackage_once(places, larkmoor):
    placed = gpd.read_file(places, layer="problem_places")
    without = pyogrio.read_dataframe(places, layer="problems_without_place")
    assert set(placed.geom_type) == {"Point"}
    assert placed.crs == larkmoor.crs
    keys = ["layer", "row", "code", "message"]
    both = pd.concat([placed, without])[keys].astype(str).sort_values(keys, ignore_index=True)
    want = larkmoor.problems[keys].astype(str).sort_values(keys, ignore_index=True)
    pd.testing.assert_frame_equal(
        both.replace({"row": {r"\.0$": "", "nan": "<NA>"}}, regex=True), want, check_dtype=False
    )
    assert {"id", "severity", "cost", "action"} <= set(placed.columns)


def test_rows_set_aside_stand_where_they_say_they_are(places, larkmoor):
    placed = gpd.read_file(places, layer="problem_places").set_index(["layer", "id", "code"])
    without = pyogrio.read_dataframe(places, layer="problems_without_place")
    far = placed.geometry["wells", "W2192", "outside_county"]
    lonlat = gpd.GeoSeries([far], crs=larkmoor.crs).to_crs(4326)[0]
    assert (lonlat.x, lonlat.y) == pytest.approx((-78.5, 26.5), abs=1e-3)
    units = larkmoor.layers["units"].set_index("unit_id")
    uphill = placed.geometry["units", "00139", "discharge_point_uphill"]
    assert uphill.equals(units.geometry["00139"])
    # a record stands at its unit
    visits = larkmoor.layers["inspections"].set_index("inspection_id")
    visit = placed.geometry["inspections", "I00232", "code_unknown"]
    assert visit.equals(units.geometry[visits["unit_id"]["I00232"]])
    assert {"coordinates_missing", "coordinates_zero"} <= set(without["code"])


def test_only_an_earlier_list_of_places_is_replaced(larkmoor_toml, tmp_path, places):
    before = places.read_bytes()
    assert run("check", larkmoor_toml, "--places", places).exit_code == 1
    assert places.read_bytes() == before
    theirs = tmp_path / "theirs.gpkg"
    theirs.write_bytes(b"not a list of problems")
    done = run("check", larkmoor_toml, "--places", theirs)
    assert done.exit_code == 2
    assert "not an earlier list of problem places" in done.output
    assert theirs.read_bytes() == b"not a list of problems"
    for name in ("x.shp", "nowhere/x.gpkg"):
        done = run("check", larkmoor_toml, "--places", tmp_path / name)
        assert done.exit_code == 2
        assert "Fix: " in done.output
    assert [p.name for p in tmp_path.iterdir()] == ["theirs.gpkg"]


def test_the_status_is_0_where_nothing_is_worse_than_a_warning(tmp_path):
    (tmp_path / "units.csv").write_text(
        "unit_id,longitude,latitude,location_basis\nA,-85.83412,39.74512,cave\n"
    )
    toml = tmp_path / "county.toml"
    toml.write_text('[county]\nname = "T"\n[layers.units]\npath = "units.csv"\n')
    done = run("check", toml)
    assert done.exit_code == 0, done.output
    assert "warning: code_unknown" in done.output
    assert "Exit status 0" in run("check", "--help").output


@pytest.mark.parametrize(
    ("day", "words"),
    [("04/01/2026", "write it as 2026-04-01"), ("20260401", "write it as 2026-04-01"),
     ("2026-4-1", "write it as 2026-04-01"), ("spring", "is not a date; use 2026-04-01"),
     ("2026-02-30", "is not a date; use 2026-04-01")],
)  # fmt: skip
def test_a_day_written_another_way_is_answered_with_the_right_one(larkmoor_toml, day, words):
    done = run("check", larkmoor_toml, "--as-of", day)
    assert done.exit_code == 2
    assert words in done.output


def test_a_stopped_run_says_that_nothing_was_written(larkmoor_toml, tmp_path, monkeypatch):
    def stop(*args, **kwargs):
        raise KeyboardInterrupt

    monkeypatch.setattr("layers.reading.reading.read_county", stop)
    done = run("assess", larkmoor_toml, "--out", tmp_path / "out")
    assert done.exit_code == 130
    assert "rillmark: stopped. Nothing was written." in done.output
    assert list(tmp_path.iterdir()) == []
