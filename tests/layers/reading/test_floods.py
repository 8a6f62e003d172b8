"""Base flood elevations against the terrain: used in one datum only, or with a shift.

Spellings of V_DATUM as met in FEMA's layers; that a level without its datum is refused, and never
guessed, is the rule of this project. The areas are invented.
"""

import geopandas as gpd
import numpy as np
import pytest
import shapely
from pyproj import CRS

from layers.errors import CountyFileError
from layers.fields.datums import vertical_datum
from layers.grid import Grid


@pytest.mark.parametrize(
    ("text", "name"),
    [
        ("NAVD88", "NAVD88"), ("NAVD 88", "NAVD88"), ("navd_1988", "NAVD88"),
        ("North American Vertical Datum of 1988", "NAVD88"), ("NGVD29", "NGVD29"),
        ("NGVD 29", "NGVD29"), ("NGVD of 1929", "NGVD29"), ("ASVD 02", "ASVD02"),
        ("City datum", "CITY DATUM"), ("", None), (" ", None), ("-9999", None), (None, None),
    ],
)  # fmt: skip
def test_one_name_for_each_datum(text, name):
    assert vertical_datum(text) == name


@pytest.fixture
def flooded(folder, rows):
    x, y = rows.origin
    areas = gpd.GeoDataFrame(
        {
            "FLD_AR_ID": list("abcd"),
            "FLD_ZONE": ["AE", "AE", "AE", "X"],
            "STATIC_BFE": [660.0, 661.0, 662.0, -9999.0],
            "V_DATUM": ["NAVD 88", "NGVD29", " ", None],
            "LEN_UNIT": "Feet",
        },
        geometry=[
            shapely.box(x + k * 100 - 40, y - 40, x + k * 100 + 40, y + 40) for k in range(4)
        ],
        crs=rows.crs,
    )
    folder.add("units", rows.units(), "u.gpkg").add("floodplain", areas, "f.gpkg")
    return folder.add("terrain", rows.terrain(), "t.tif", vertical_datum='"NAVD 88"')


def levels(county):
    return county.layers["floodplain"]["base_flood_elevation_m"].tolist()


def text(county):
    problems = county.problems.query("layer == 'floodplain'")
    return {p.code: (p.row, p.message) for p in problems.itertuples()}


def test_a_level_of_another_datum_is_refused_with_a_reason(flooded):
    county = flooded.read()
    assert levels(county) == pytest.approx([660 * 0.3048, np.nan, np.nan, np.nan], nan_ok=True)
    row, message = text(county)["flood_datum_differs"]
    assert row == 2
    assert message == (
        "base flood elevations are in NGVD29 but the terrain is in NAVD88. Fix: set datum_shift_m"
        " in [layers.floodplain], the meters to add to them here (from the National Geodetic"
        " Survey's conversion tool)"
    )
    row, message = text(county)["flood_datum_unstated"]
    assert row == 3
    assert message.startswith("the base flood elevation has no vertical datum. Fix:")


def test_a_shift_is_added_to_levels_of_the_other_datum_only(flooded):
    flooded.name("floodplain", "f.gpkg", datum_shift_m="-0.15", vertical_datum='"NAVD88"')
    county = flooded.read()
    feet = [660 * 0.3048, 661 * 0.3048 - 0.15, 662 * 0.3048, np.nan]
    assert levels(county) == pytest.approx(feet, nan_ok=True)
    assert not county.problems["code"].str.startswith("flood_datum").any()


def test_a_terrain_without_a_datum_leaves_every_depth_unknown(flooded):
    flooded.name("terrain", "t.tif")
    county = flooded.read()
    assert np.isnan(levels(county)).all()
    message = text(county)["flood_datum_unstated"][1]
    assert message == (
        "3 rows (first: 1, 2, 3): the terrain's vertical datum is not given. Fix: add it to"
        ' [layers.terrain], such as vertical_datum = "NAVD88"'
    )


def test_the_rasters_own_datum_is_taken(flooded, rows):
    plain = rows.terrain()
    compound = Grid(plain.values, plain.transform, CRS("EPSG:32616+5703"))  # NAVD88 height
    flooded.add("terrain", compound, "t2.tif")
    assert levels(flooded.read())[0] == pytest.approx(660 * 0.3048)


def test_the_keys_belong_to_their_layers(folder, rows):
    folder.add("units", rows.units(), "u.gpkg", vertical_datum='"NAVD88"')
    with pytest.raises(CountyFileError, match=r"layers.units.vertical_datum: use it only in"):
        folder.read()
    folder.name("units", "u.gpkg", datum_shift_m="1.0")
    with pytest.raises(CountyFileError, match=r"use it only in \[layers.floodplain\]"):
        folder.read()
