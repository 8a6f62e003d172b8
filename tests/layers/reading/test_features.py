"""Features as counties have them: none is lost in silence, one bad one does not lose the file."""

import json

import geopandas as gpd
import numpy as np
import pytest
import shapely


def geojson(rows, shapes, name):
    """A file written by hand, so that nothing mends the shapes on the way."""
    features = [
        {"type": "Feature", "properties": {name: f"S{k}"}, "geometry": shape}
        for k, shape in enumerate(shapes)
    ]
    crs = {"type": "name", "properties": {"name": f"urn:ogc:def:crs:EPSG::{rows.crs.to_epsg()}"}}
    return json.dumps({"type": "FeatureCollection", "crs": crs, "features": features})


def square(x, y, side=50):
    return [[x, y], [x + side, y], [x + side, y + side], [x, y + side], [x, y]]


def test_one_bad_feature_does_not_lose_the_file(folder, rows):
    x, y = rows.origin
    shapes = [
        {"type": "Polygon", "coordinates": [square(x, y)]},
        None,
        {"type": "Polygon", "coordinates": []},
        {"type": "Polygon", "coordinates": [[[x, y], [x + 9, y], [x, y]]]},  # no area
        {"type": "Polygon", "coordinates": [[[x, y], [x + 9, y]]]},  # two corners
        {"type": "Polygon", "coordinates": [[square(x, y)[k] for k in (0, 2, 1, 3, 0)]]},  # crossed
        {"type": "Polygon", "coordinates": [[[*p, 7.0] for p in square(x + 100, y)]]},
        {"type": "Polygon", "coordinates": [square(x, y)]},
        {"type": "Point", "coordinates": [x, y]},
        {
            "type": "GeometryCollection",
            "geometries": [
                {"type": "Point", "coordinates": [x, y]},
                {"type": "Polygon", "coordinates": [square(x + 200, y)]},
            ],
        },
    ]  # fmt: skip
    folder.add("units", rows.units(), "u.gpkg")
    county = folder.add("water_bodies", geojson(rows, shapes, "water_body_id"), "w.geojson").read()
    found = rows.found(county, "water_bodies")
    assert ("geometry_missing", 2, "set_aside") in found
    assert ("geometry_empty", 3, "set_aside") in found
    aside = {row for _, row, action in found if action == "set_aside"}
    assert aside == {2, 3, 4, 5, 9}
    assert ("geometry_invalid", 6, "corrected") in found
    assert ("geometry_has_z", 7, "kept") in found
    assert ("geometry_duplicate", 8, "kept") in found
    assert ("geometry_wrong_kind", 9, "set_aside") in found
    assert ("geometry_wrong_kind", 10, "corrected") in found
    counts = county.counts.set_index("layer").loc["water_bodies"]
    assert counts.tolist() == [10, 5, 2, 5]


def test_a_stream_drawn_as_an_area_is_its_banks(folder, rows):
    x, y = rows.origin
    river = shapely.box(x, y + 100, x + 500, y + 130).difference(
        shapely.box(x + 200, y + 110, x + 250, y + 120)  # an island
    )
    line = shapely.LineString([(x, y + 200), (x + 500, y + 200)])
    streams = gpd.GeoDataFrame(
        {"stream_id": ["river", "brook"]}, geometry=[river, line], crs=rows.crs
    )
    folder.add("units", rows.units(), "u.gpkg").add("streams", streams, "s.gpkg")
    county = folder.read()
    assert rows.found(county, "streams") == {("stream_outline", 1, "corrected")}
    banks = county.layers["streams"].geometry.iloc[0]
    assert banks.geom_type == "MultiLineString"
    assert banks.length == pytest.approx(2 * (500 + 30) + 2 * (50 + 10))
    assert shapely.Point(x, y).distance(banks) == pytest.approx(100)


def test_wells_that_share_a_sections_middle(folder, rows):
    x, y = rows.origin
    wells = gpd.GeoDataFrame(
        {"well_id": list("abcdef"), "location_basis": "gps", "accuracy_m": [3, 3, 3, 3, 900, 3]},
        geometry=shapely.points(
            [x, x, x + 400, x + 800, x + 800, x + 800], np.full(6, y + 50.0)
        ),
        crs=rows.crs,
    )  # fmt: skip
    folder.add("units", rows.units(), "u.gpkg").add("wells", wells, "w.gpkg")
    county = folder.read()
    shared = county.problems.query("code == 'shared_position'")
    assert shared["row"].tolist() == [4, 5, 6]
    assert set(shared["message"]) == {
        "3 wells share this point, which is likely the middle of a section or parcel"
    }
    assert county.layers["wells"]["accuracy95_m"].tolist() == pytest.approx(
        [3, 3, 3, 965.6064, 965.6064, 965.6064]  # a mile's 0.6
    )
    assert len(county.layers["wells"]) == 6
