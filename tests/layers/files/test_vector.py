"""Every vector format through one fixture; what is broken in a file costs one row, not the file."""

import hashlib
import json
import shutil
import sqlite3
import zipfile

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pytest
import shapely
from pyproj import CRS

from layers.errors import AssessmentFolderError, LayerError
from layers.files.vector import read_geopackage_layer, read_vector, write_geopackage

UTM16 = CRS.from_epsg(32616)
FORMATS = ["gpkg", "geojson", "shp", "zip", "fgb", "gdb"]


def lakes():
    areas = [shapely.box(10 * i, 0, 10 * i + 5, 5) for i in range(3)]
    return gpd.GeoDataFrame(
        {"lake_id": ["001", "002", None], "depth": [1.5, np.nan, 3.0], "name": ["ä", "", "c"]},
        geometry=[areas[0], None, areas[2]],
        crs="EPSG:4326",
    )


@pytest.fixture(params=FORMATS)
def lake_file(request, tmp_path):
    kind = request.param
    if kind == "zip":
        lakes().to_file(tmp_path / "lakes.shp")
        with zipfile.ZipFile(tmp_path / "lakes.zip", "w") as archive:
            for part in sorted(tmp_path.glob("lakes.*")):
                if part.suffix != ".zip":
                    archive.write(part, part.name)
        return tmp_path / "lakes.zip"
    path = tmp_path / f"lakes.{kind}"
    driver = {"gdb": "OpenFileGDB"}.get(kind)
    options = {"SPATIAL_INDEX": "NO"} if kind == "fgb" else {}  # the index would reorder rows
    pyogrio.write_dataframe(lakes(), path, driver=driver, **options)
    return path


def test_each_format_reads_alike(lake_file):
    layer = read_vector(lake_file)
    assert layer.texts("lake_id").tolist() == ["001", "002", None]
    assert layer.texts("depth").tolist() == ["1.5", None, "3"]
    assert layer.texts("name").tolist()[0] == "ä"
    assert layer.rows.tolist() == [1, 2, 3]
    assert shapely.is_missing(layer.shapes).tolist() == [False, True, False]
    assert not layer.is_unreadable.any()
    assert layer.crs == CRS.from_epsg(4326)
    assert shapely.area(layer.shapes[[0, 2]]).tolist() == [25, 25]


def test_a_file_without_a_system_has_none(tmp_path):
    lakes().to_file(tmp_path / "a.shp")
    (tmp_path / "a.prj").unlink()
    assert read_vector(tmp_path / "a.shp").crs is None


def test_one_unreadable_shape_costs_one_row(tmp_path):
    path = tmp_path / "a.gpkg"
    lakes().to_file(path, layer="lakes")
    with sqlite3.connect(path) as base:
        base.execute("drop trigger if exists rtree_lakes_geom_update6")
        base.execute("drop trigger if exists rtree_lakes_geom_update7")
        for (name,) in base.execute(
            "select name from sqlite_master where type='trigger'"
        ).fetchall():
            base.execute(f'drop trigger "{name}"')
        (good,) = base.execute("select geom from lakes where fid = 1").fetchone()
        base.execute("update lakes set geom = ? where fid = 1", (good[:60],))
    base.close()
    layer = read_vector(path)
    assert layer.texts("lake_id").tolist() == ["001", "002", None]
    assert shapely.is_missing(layer.shapes).tolist() == [True, True, False]


def test_an_open_ring_is_unreadable_and_not_fatal(tmp_path):
    path = tmp_path / "a.geojson"
    ring = [[0, 0], [1, 0], [1, 1]]  # three vertices make no ring
    features = [
        {"type": "Feature", "properties": {"k": k}, "geometry": geometry}
        for k, geometry in enumerate(
            [
                {"type": "Polygon", "coordinates": [ring]},
                {"type": "Point", "coordinates": [1, 2]},
            ]
        )
    ]
    path.write_text(json.dumps({"type": "FeatureCollection", "features": features}))
    layer = read_vector(path)
    assert len(layer) == 2
    assert layer.is_unreadable.tolist() == [True, False]
    assert layer.shapes[1] == shapely.Point(1, 2)


def test_several_layers_need_a_name_unless_one_is_called_so(tmp_path):
    path = tmp_path / "a.gpkg"
    lakes().to_file(path, layer="lakes")
    lakes().iloc[:1].to_file(path, layer="wells", mode="a")
    with pytest.raises(LayerError, match="one of: lakes, wells"):
        read_vector(path)
    assert len(read_vector(path, like="wells")) == 1
    assert len(read_vector(path, layer="lakes", like="wells")) == 3
    with pytest.raises(LayerError, match="no layer 'ponds'"):
        read_vector(path, layer="ponds")


@pytest.mark.parametrize("name", ["a.gpkg", "a.geojson", "a.shp", "a.zip", "a.fgb", "a.gdb"])
def test_rubbish_is_refused_with_the_file_named(tmp_path, name):
    path = tmp_path / name
    path.write_bytes(b"\x00rubbish" * 10)
    with pytest.raises(LayerError, match=name):
        read_vector(path)
    path.unlink()
    with pytest.raises(LayerError, match="does not exist"):
        read_vector(path)


def test_a_shapefile_without_its_index_is_refused_with_the_part_named(tmp_path):
    lakes().to_file(tmp_path / "a.shp")
    (tmp_path / "a.shx").unlink()
    with pytest.raises(LayerError, match=r"\.shx"):
        read_vector(tmp_path / "a.shp")


def test_a_layer_without_shapes(tmp_path):
    pyogrio.write_dataframe(pd.DataFrame({"a": ["1", "2"]}), tmp_path / "a.gpkg")
    layer = read_vector(tmp_path / "a.gpkg")
    assert len(layer) == 2
    assert layer.shapes is None or shapely.is_missing(layer.shapes).all()


# ------------------------------------------------------------------------------------ GeoPackage


def tables():
    units = gpd.GeoDataFrame(
        {
            "unit_id": ["007", "=1+1", None],
            "rank": pd.array([1, None, 3], dtype="Int64"),
            "rank_low": [1, 2, 3],
            "link_confirmed": [True, False, True],
            "pumped": pd.array([True, None, False], dtype="boolean"),
            "score": [0.1 + 0.2, np.nan, 3.0],
            "installed": pd.to_datetime(["2001-05-06", None, "1999-01-01"]).astype(
                "datetime64[ms]"
            ),
            "fid": ["a", "b", "c"],
            "geom": [1.0, 2.0, 3.0],
            "empty": pd.Series([None] * 3, dtype="str"),
            "small": np.array([1, 2, 3], np.int32),
        },
        geometry=[shapely.Point(0.1, 0.2), None, shapely.Point(1e6, 4e6)],
        crs=UTM16,
    )
    lines = gpd.GeoDataFrame(
        {"k": [1, 2, 3]},
        geometry=[
            shapely.LineString([(0, 0), (1, 1)]),
            shapely.MultiLineString([[(0, 0), (1, 1)]]),
            shapely.Polygon([(0, 0), (1, 0), (1, 1)]),
        ],
        crs=UTM16,
    )
    problems = pd.DataFrame(
        {"layer": ["wells"], "row": pd.array([None], dtype="Int64"), "message": ["ä\n“x”"]}
    )
    return {
        "units": units,
        "mixed": lines,
        "no_units": units.iloc[:0],
        "problems": problems,
        "no_problems": problems.iloc[:0],
    }


@pytest.mark.parametrize("name", ["units", "no_units"])
def test_a_layer_only_shown_has_the_same_texts_and_the_shapes_asked_for(
    tmp_path, monkeypatch, name
):
    path = tmp_path / "a.gpkg"
    write_geopackage(path, tables(), stamp="2026-04-01")
    monkeypatch.setattr("layers.files.vector._PART", 2)  # in several parts, the last one shorter
    plain = read_geopackage_layer(path, name)
    shown = read_geopackage_layer(path, name, shapes_where="rank_low IN (2, 3)")
    assert list(shown.columns) == list(plain.columns)
    assert shown.crs == plain.crs
    for column in plain.columns.drop("geometry"):
        values = shown[column]
        if isinstance(values.dtype, pd.CategoricalDtype):
            assert isinstance(plain[column].dtype, pd.StringDtype)
            values = values.astype(plain[column].dtype)
        pd.testing.assert_series_equal(values, plain[column])
    asked = plain["rank_low"].isin((2, 3))
    assert shown.geometry.geom_equals(plain.geometry).tolist() == (
        (asked & plain.geometry.notna()).tolist()
    )


def test_geopackage_way_back(tmp_path):
    path = tmp_path / "a.gpkg"
    write_geopackage(path, tables(), stamp="2026-04-01")
    for name, table in tables().items():
        back = read_geopackage_layer(path, name)
        assert type(back) is type(table)
        if isinstance(table, gpd.GeoDataFrame):
            assert back.crs == table.crs
            assert shapely.equals_exact(back.geometry.values, table.geometry.values).sum() == (
                table.geometry.notna().sum()
            )
            back, table = (pd.DataFrame(f.drop(columns="geometry")) for f in (back, table))
        pd.testing.assert_frame_equal(back, table)
        assert list(back.columns) == list(table.columns)


def test_geopackage_bytes_depend_on_tables_and_stamp_only(tmp_path):
    hashes = []
    for name, stamp in (("a", "2026-04-01"), ("b", "2026-04-01"), ("c", "2026-04-02")):
        write_geopackage(tmp_path / f"{name}.gpkg", tables(), stamp=stamp)
        hashes.append(hashlib.sha256((tmp_path / f"{name}.gpkg").read_bytes()).hexdigest())
    assert hashes[0] == hashes[1] != hashes[2]
    assert pyogrio.get_gdal_config_option("OGR_CURRENT_DATE") is None


def test_geopackage_is_replaced_not_added_to(tmp_path):
    path = tmp_path / "a.gpkg"
    write_geopackage(path, tables(), stamp="2026-04-01")
    write_geopackage(path, {"one": tables()["mixed"]}, stamp="2026-04-01")
    assert pyogrio.list_layers(path)[:, 0].tolist() == ["one"]


def test_geopackage_follows_the_standard(tmp_path):
    """Header ids, required tables and checks as the OGC GeoPackage 1.x test suites ask for."""
    path = tmp_path / "a.gpkg"
    write_geopackage(path, tables(), stamp="2026-04-01")
    assert path.read_bytes()[68:72] == b"GPKG"
    base = sqlite3.connect(path)
    assert base.execute("pragma user_version").fetchone()[0] >= 10200
    assert base.execute("pragma integrity_check").fetchone() == ("ok",)
    assert base.execute("pragma foreign_key_check").fetchall() == []
    systems = {row[0] for row in base.execute("select srs_id from gpkg_spatial_ref_sys")}
    assert {-1, 0, 4326, 32616} <= systems
    kinds = dict(base.execute("select table_name, data_type from gpkg_contents").fetchall())
    assert kinds["units"] == "features"
    assert kinds["problems"] == "attributes"
    base.close()


def test_geopackage_errors_are_ours(tmp_path):
    with pytest.raises(AssessmentFolderError, match="cannot write"):
        write_geopackage(tmp_path / "none" / "a.gpkg", tables(), stamp="2026-04-01")
    with pytest.raises(LayerError, match="cannot be read"):
        read_geopackage_layer(tmp_path / "none.gpkg", "units")
    write_geopackage(tmp_path / "a.gpkg", {}, stamp="2026-04-01")
    shutil.copy(__file__, tmp_path / "b.gpkg")
    with pytest.raises(LayerError, match=r"b\.gpkg"):
        read_geopackage_layer(tmp_path / "b.gpkg", "units")


@pytest.mark.parametrize("data", [b"", b"%PDF-1.7", bytes(500)])
def test_a_file_of_no_known_format_is_said_in_our_words(tmp_path, data):
    path = tmp_path / "wells.gpkg"
    path.write_bytes(data)
    with pytest.raises(LayerError) as caught:
        read_vector(path)
    known = "it is a PDF document, which does not match its ending"
    unknown = "its format is not known; it is damaged or has the wrong ending"
    why = known if data.startswith(b"%PDF") else unknown
    assert caught.value.what == f"cannot be read as a vector layer: {why}"
