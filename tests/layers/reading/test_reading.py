"""A county from its file: every format, every layer that is missing or broken, the same twice."""

import datetime as dt
import hashlib
import re

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import rasterio
import shapely

from layers import read_county
from layers.errors import CountyFileError, LayerError, ReferenceSystemError
from layers.fields.schemas import SCHEMAS
from layers.grid import Grid
from layers.reading.reading_state import input_sha256


@pytest.mark.parametrize("file", ["u.gpkg", "u.geojson", "u.shp", "u.fgb", "u.csv", "u.xlsx"])
def test_units_in_every_format_give_the_same_county(folder, rows, file):
    units = rows.units()
    options = {}
    if file.endswith((".csv", ".xlsx")):
        units = rows.lonlat(units)
        options["crs"] = '"EPSG:4326"'
    elif file.endswith(".geojson"):
        units = units.to_crs(4326)
    elif file.endswith(".shp"):  # it cuts names to ten letters
        units = units.rename(columns=lambda name: name[:10])
    county = folder.add("units", units, file, **options).read()
    frame = county.layers["units"]
    assert sorted(frame["unit_id"]) == ["001", "002", "003", "004", "005", "006"]
    frame = frame.sort_values("unit_id")
    assert frame.geometry.x.tolist() == pytest.approx(
        [rows.origin[0] + 100 * k for k in range(6)], abs=2e-3
    )
    assert set(frame["kind"]) == {"surface_discharge"}
    assert set(frame["location_basis"]) == {"gps"}
    assert county.counts.loc[0].tolist() == ["units", 6, 6, 0, 0]


def test_a_frame_has_all_our_columns_in_their_types(folder, rows):
    frame = (
        folder.add("units", rows.units()[["unit_id", "geometry"]], "u.gpkg").read().layers["units"]
    )
    names = [column.name for column in SCHEMAS["units"].columns]
    assert list(frame.columns) == [*names, "source_row", "accuracy95_m", "geometry"]
    kinds = {name: str(frame[name].dtype) for name in names}
    assert kinds["unit_id"] == kinds["address"] == kinds["kind"] == "str"
    assert kinds["pumped"] == "boolean"
    assert kinds["installed"] == "datetime64[ms]"
    assert kinds["bedrooms"] == "float64"
    assert frame.index.tolist() == list(range(6))
    assert frame["source_row"].tolist() == [1, 2, 3, 4, 5, 6]
    assert set(frame["kind"]) == {"unknown"}


def test_what_is_missing_is_said_in_words(folder, rows):
    county = folder.add("units", rows.units(), "u.gpkg").read()
    assert "No wells layer. Not calculated: distances to wells." in county.notes
    assert any(
        "Coordinate system chosen for this county: EPSG:32616" in note for note in county.notes
    )
    missing = county.problems.query("code in ('layer_missing', 'terrain_missing')")
    assert set(missing["layer"]) == set(SCHEMAS) - {"units"}
    assert county.terrain is None
    assert county.layer("wells") is None
    assert county.links["outlet_state"].tolist() == ["unknown"] * 6
    assert county.setbacks.tables
    assert county.priorities.parts


@pytest.mark.parametrize(
    ("file", "data", "code"),
    [
        ("wells.gpkg", None, "layer_unreadable"),
        ("wells.gpkg", b"rubbish", "layer_unreadable"),
        ("wells.xlsx", b"rubbish", "layer_unreadable"),
        ("wells.csv", b"", "layer_unreadable"),
        ("wells.csv", b"well_id,x,y\n", "layer_empty"),
        ("wells.csv", b"well_id,depth\n1,2\n", "layer_columns_missing"),
        ("wells.csv", b"well_id,x,y\n1,2,3\n", "crs_missing"),
        ("wells.doc", b"rubbish", "layer_unreadable"),
    ],
)
def test_a_layer_that_cannot_be_used_is_left_out_with_a_problem(folder, rows, file, data, code):
    folder.add("units", rows.units(), "u.gpkg").add("wells", data, file)
    county = folder.read()
    (problem,) = county.problems.query("layer == 'wells'").itertuples()
    assert (problem.code, problem.action) == (code, "layer_left_out")
    assert county.layer("wells") is None
    assert any("wells layer" in note for note in county.notes)
    assert len(county.layers["units"]) == 6


@pytest.mark.parametrize(
    ("file", "data", "says"),
    [
        ("u.gpkg", None, "the file 'u.gpkg' does not exist"),
        ("u.gpkg", b"rubbish", "cannot be read"),
        ("u.csv", b"unit_id,x,y\n", "no rows"),
        ("u.csv", b"", "empty"),
    ],
)
def test_units_that_cannot_be_read_stop_the_work(folder, file, data, says):
    folder.add("units", data, file, crs='"EPSG:4326"')
    with pytest.raises(LayerError, match=says) as caught:
        folder.read()
    assert file in caught.value.where


def test_an_unfit_working_system_stops_the_work(folder, rows):
    folder.add("units", rows.units(), "u.gpkg")
    path = folder.write('name = "T"\ncrs = "EPSG:3857"\n')
    with pytest.raises(ReferenceSystemError, match="stretches"):
        read_county(path)


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (
            {"columns": '{ unit_idd = "A" }'},
            r"'unit_idd' is not one of .*; did you mean 'unit_id'",
        ),
        ({"values": '{ kind = { A = "septic" } }'}, "'septic' is not one of surface_discharge"),
        (
            {"measures": '{ bedrooms = "ft" }'},
            "'bedrooms' is not one of accuracy_m, riser_height_m",
        ),
        ({"measures": '{ accuracy_m = "yd" }'}, r"layers\.units\.measures\.accuracy_m"),
        ({"pth": '"x"'}, r"layers\.units\.pth: there is no such key"),
    ],
)
def test_the_county_file_names_the_key_that_is_wrong(folder, rows, options, says):
    folder.add("units", rows.units(), "u.gpkg", **options)
    with pytest.raises(CountyFileError, match=says):
        folder.read()


def test_the_day_is_the_argument_else_the_files_else_today(folder, rows):
    folder.add("units", rows.units(), "u.gpkg")
    assert folder.read().as_of == dt.date(2026, 4, 1)
    assert folder.read(as_of="2025-01-02").as_of == dt.date(2025, 1, 2)
    assert folder.read(as_of=dt.date(2025, 1, 2)).as_of == dt.date(2025, 1, 2)
    assert read_county(folder.write('name = "T"\n')).as_of == dt.datetime.now().astimezone().date()
    with pytest.raises(CountyFileError, match="'soon' is not a date"):
        folder.read(as_of="soon")


# ------------------------------------------------------------------------------------- terrain


def test_terrain_in_another_system_and_in_feet(folder, rows):
    terrain = rows.terrain()
    folder.add("units", rows.units(), "u.gpkg")
    folder.add("terrain", terrain, "t.tif", vertical_unit='"ft"', accuracy_m=0.2)
    county = folder.read()
    assert county.terrain.crs == county.crs
    assert np.nanmean(county.terrain.read().values) == pytest.approx(200 * 0.3048)
    assert rows.found(county, "terrain") == set()
    path = folder.write('name = "T"\ncrs = "EPSG:26916"\n')
    moved = read_county(path).terrain
    assert moved.crs.to_epsg() == 26916


def test_heights_of_no_stated_unit_are_said(folder, rows):
    folder.add("units", rows.units(), "u.gpkg").add("terrain", rows.terrain(), "t.tif")
    county = folder.read()
    assert rows.found(county, "terrain") == {
        ("terrain_unit_unstated", None, "kept"),
        ("terrain_accuracy_unstated", None, "kept"),
    }
    assert "The unit of the terrain's heights is not given. Meters are assumed." in county.notes


def test_the_rasters_own_unit_is_believed_where_the_county_file_is_silent(folder, rows):
    folder.add("units", rows.units(), "u.gpkg").add("terrain", rows.terrain(), "t.tif")
    with rasterio.open(folder.folder / "t.tif", "r+", IGNORE_COG_LAYOUT_BREAK="YES") as dataset:
        dataset.units = ("us-ft",)
    county = folder.read()
    assert ("terrain_unit_unstated", None, "kept") not in rows.found(county, "terrain")
    assert county.terrain.read().values.mean() == pytest.approx(200 * 1200 / 3937)
    folder.name("terrain", "t.tif", vertical_unit='"m"')
    assert any("the raster says us-ft but the county file says m" in n for n in folder.read().notes)


@pytest.mark.parametrize("data", [None, b"rubbish"])
def test_terrain_that_cannot_be_read_is_left_out(folder, rows, data):
    folder.add("units", rows.units(), "u.gpkg").add("terrain", data, "t.tif")
    county = folder.read()
    assert county.terrain is None
    assert rows.found(county, "terrain") == {("terrain_unreadable", None, "layer_left_out")}


def test_units_off_the_terrain_but_near_are_kept(folder, rows):
    units = rows.units()
    east = np.array([0.0, 0, 0, 0, 30_000, 80_000])  # beyond the terrain; beyond the county
    points = shapely.points(units.geometry.x + east, units.geometry.y)
    units = units.set_geometry(gpd.GeoSeries(points, crs=rows.crs))
    folder.add("units", units, "u.gpkg").add("terrain", rows.terrain(), "t.tif")
    county = folder.read()
    assert ("outside_county", 6, "set_aside") in rows.found(county, "units")
    assert county.layers["units"]["unit_id"].tolist() == ["001", "002", "003", "004", "005"]


def test_land_cover_stays_classes(folder, rows):
    terrain = rows.terrain()
    classes = Grid(np.full(terrain.shape, 41, np.uint8), terrain.transform, terrain.crs)
    folder.add("units", rows.units(), "u.gpkg").add("land_cover", classes, "c.tif")
    values = folder.read().land_cover.read().values
    assert values.dtype == np.uint8
    assert set(np.unique(values)) == {41}


# ----------------------------------------------------------------------------------- the same twice


def whole(folder, rows):
    folder.add("units", rows.lonlat(rows.units()), "u.xlsx")
    cut = rows.outlets().rename(columns=lambda name: name[:10])  # as a shapefile cuts names
    folder.add("discharge_points", cut, "d.shp")
    folder.add("parcels", rows.parcels(), "p.gpkg")
    folder.add("terrain", rows.terrain(), "t.tif")
    return folder.read()


def test_two_readings_are_alike(folder, rows):
    first, second = whole(folder, rows), folder.read()
    for name, frame in first.layers.items():
        pd.testing.assert_frame_equal(
            pd.DataFrame(frame).drop(columns="geometry", errors="ignore"),
            pd.DataFrame(second.layers[name]).drop(columns="geometry", errors="ignore"),
        )
    pd.testing.assert_frame_equal(first.problems, second.problems)
    pd.testing.assert_frame_equal(first.links, second.links)
    assert first.notes == second.notes
    assert first.inputs == second.inputs


def test_inputs_are_listed_relative_to_the_county_file(folder, rows):
    county = whole(folder, rows)
    assert list(county.inputs) == ["county.toml", "d.shp", "p.gpkg", "t.tif", "u.xlsx"]
    data = (folder.folder / "p.gpkg").read_bytes()
    assert county.inputs["p.gpkg"] == hashlib.sha256(data).hexdigest()
    assert str(folder.folder) not in "".join([*county.inputs, *county.notes])
    assert not county.problems["message"].str.contains(str(folder.folder), regex=False).any()


def test_a_shapefiles_hash_covers_its_parts_and_a_folders_its_files(tmp_path, rows):
    rows.units().rename(columns={"location_basis": "basis"}).to_file(tmp_path / "u.shp")
    before = input_sha256(tmp_path / "u.shp")
    table = bytearray((tmp_path / "u.dbf").read_bytes())
    table[-3] ^= 1
    (tmp_path / "u.dbf").write_bytes(table)
    assert input_sha256(tmp_path / "u.shp") != before
    (tmp_path / "a.gdb").mkdir()
    (tmp_path / "a.gdb" / "one").write_text("1")
    before = input_sha256(tmp_path / "a.gdb")
    (tmp_path / "a.gdb" / "x.lock").write_text("")
    assert input_sha256(tmp_path / "a.gdb") == before
    (tmp_path / "a.gdb" / "one").write_text("2")
    assert input_sha256(tmp_path / "a.gdb") != before


def test_how_far_the_terrain_reaches_beyond_the_outermost_unit_is_said(larkmoor):
    (note,) = (n for n in larkmoor.notes if "The terrain ends" in n)
    text = int(re.search(r"ends ([\d,]+) ft", note)[1].replace(",", ""))
    terrain, places = larkmoor.terrain, larkmoor.layers["units"].geometry
    (rows, cols), t = terrain.shape, terrain.transform
    west, north, east, south = t.c, t.f, t.c + cols * t.a, t.f + rows * t.e
    held = shapely.box(west, south, east, north)
    nearest = places[places.within(held)].distance(held.exterior).min()
    assert text * 0.3048 == pytest.approx(nearest, rel=0.05)
    assert f"Units outside the terrain: {(~places.within(held)).sum()}." in note
