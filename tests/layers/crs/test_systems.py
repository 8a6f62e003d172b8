"""Which reference system is meant: known again under its code, or guessed at and refused."""

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from pyproj import CRS

from layers.crs import describe
from layers.crs.systems import candidates, identified, missing_system
from layers.errors import ReferenceSystemError
from layers.grid import Grid

KENTUCKY = (-84.6, 38.7, -84.3, 39.0)
WISCONSIN = (
    'PROJCS["{name}",GEOGCS["{geographic}",DATUM["{datum}",SPHEROID["GRS 1980",6378137,'
    '298.257222101]],PRIMEM["Greenwich",0],UNIT["degree",0.0174532925199433]],'
    'PROJECTION["Transverse_Mercator"],PARAMETER["latitude_of_origin",0],'
    'PARAMETER["central_meridian",-90],PARAMETER["scale_factor",0.9996],'
    'PARAMETER["false_easting",{east}],PARAMETER["false_northing",-4480000],UNIT["metre",1]]'
)


def wisconsin(datum="unknown", east=520000):
    return CRS.from_wkt(
        WISCONSIN.format(name="unnamed", geographic="unknown", datum=datum, east=east)
    )


@pytest.mark.parametrize(
    ("datum", "code"),
    [
        ("unknown", "EPSG:3070"),
        ("North_American_Datum_1983", "EPSG:3070"),
        ("NAD83_High_Accuracy_Reference_Network", "EPSG:3071"),
        ("D_North_American_1983_HARN", "EPSG:3071"),
    ],
)
def test_an_unnamed_system_equal_to_a_known_one(datum, code):
    """EPSG:3070 is NAD83 / Wisconsin Transverse Mercator, EPSG:3071 the same on NAD83(HARN)."""
    assert describe(identified(wisconsin(datum), 561_000, 415_000)) == code


def test_one_that_is_equal_to_none_stays_unnamed():
    assert identified(wisconsin(east=520_001), 561_000, 415_000) is None
    assert identified(CRS.from_epsg(3070), 561_000, 415_000) is None  # has its code


@pytest.mark.parametrize(
    ("datum", "code"),
    [("WGS_1984", "EPSG:4326"), ("North_American_Datum_1983", "EPSG:4269"), ("Local", None)],
)
def test_degrees_without_an_authority_code(datum, code):
    crs = CRS.from_wkt(
        f'GEOGCS["unknown",DATUM["{datum}",SPHEROID["WGS 84",6378137,298.257223563]],'
        'PRIMEM["Greenwich",0],UNIT["degree",0.0174532925199433]]'
    )
    known = identified(crs, -90.0, 44.0)
    assert (None if known is None else describe(known)) == code


def test_likely_systems_say_where_they_would_put_the_data():
    """84.5 W, 38.9 N is 478313.180, 155429.446 m in NAD83 Kentucky North (PROJ)."""
    x, y = np.array([478313.180, 155429.446]) * 3937 / 1200
    first = candidates((x, y, x, y), KENTUCKY)[0]
    assert first.code == "EPSG:2246"
    assert (first.lat, first.lon) == pytest.approx((38.9, -84.5), abs=1e-6)
    text = missing_system((x, y, x, y), where="[layers.wells]", near=KENTUCKY).hint
    line = 'crs = "EPSG:2246" (NAD83 / Kentucky North (ftUS)), which gives 38.900, -84.500'
    assert f"likely in the county: {line}" in text


def test_degrees_and_nowhere():
    text = missing_system((-84.6, 38.7, -84.4, 39.1), where="x").hint
    assert 'crs = "EPSG:4326" (WGS 84), which gives 38.900, -84.500' in text
    text = missing_system((585_000, 4.4e6, 586_000, 4.5e6), where="x").hint
    assert "UTM zone" in text
    assert "no common system fits" in missing_system((1e9,) * 4, where="x").hint


def test_a_table_without_a_system_says_the_likely_ones(folder, rows):
    folder.add("units", rows.units(), "u.gpkg")
    x, y = rows.origin
    table = pd.DataFrame({"well_id": ["1", "2"], "x": [x, x + 50], "y": [y, y + 50]})
    county = folder.add("wells", table, "w.csv").read()
    (problem,) = county.problems.query("layer == 'wells'").itertuples()
    assert (problem.code, problem.action) == ("crs_missing", "layer_left_out")
    assert 'crs = "EPSG:26916" (NAD83 / UTM zone 16N), which gives 39.7' in problem.message


def test_units_without_a_system_are_refused_by_the_terrain_they_would_lie_on(folder, rows):
    x, y = rows.origin
    table = pd.DataFrame({"unit_id": ["1", "2"], "x": [x, x + 50], "y": [y, y + 50]})
    folder.add("units", table, "u.csv").add("terrain", rows.terrain(), "t.tif")
    with pytest.raises(ReferenceSystemError, match='in the county: crs = "EPSG:26916"'):
        folder.read()


def test_rows_of_another_system_than_their_layer_are_set_aside(folder, rows):
    units = rows.units()
    degrees = units.to_crs(4326).geometry
    mixed = [*units.geometry[:5], degrees.iloc[5]]
    folder.add("units", units.set_geometry(mixed, crs=rows.crs), "u.gpkg")
    county = folder.read()
    assert ("outside_county", 6, "set_aside") in rows.found(county, "units")
    message = county.problems.query("row == 6")["message"].iloc[0]
    assert message.endswith("These look like degrees, unlike the rest of the layer")
    mixed = [*degrees[:5], units.geometry.iloc[5]]
    folder.add("units", units.set_geometry(mixed, crs="EPSG:4326"), "v.gpkg")
    county = folder.read()
    message = county.problems.query("row == 6")["message"].iloc[0]
    assert message.endswith("These look like meters or feet, unlike the rest of the layer")


def test_every_layer_says_how_it_was_brought_here(folder, rows):
    folder.add("units", rows.units(), "u.gpkg")
    folder.add("wells", rows.outlets().to_crs(4152), "w.gpkg")  # NAD83(HARN)
    folder.add("parcels", rows.parcels().to_crs(4269), "p.gpkg")
    folder.add("terrain", rows.terrain(), "t.tif")
    county = folder.read()
    moves = county.transforms.set_index("layer")
    assert moves.loc["units"].tolist() == ["EPSG:32616", "EPSG:32616", 0.0]
    assert moves.loc["wells"].tolist() == ["EPSG:4152", "EPSG:32616", 1.0]
    assert moves.loc["parcels"].tolist() == ["EPSG:4269", "EPSG:32616", 4.0]
    assert moves.loc["terrain"].tolist() == ["EPSG:32616", "EPSG:32616", 0.0]
    gap = county.layers["wells"].distance(county.layers["units"]).to_numpy()
    assert gap == pytest.approx(np.full(6, 20.0), abs=0.6)


def test_terrain_in_degrees_with_heights_in_feet(folder, rows):
    """EPSG:4269+6360 is NAD83 with NAVD88 heights in US survey feet."""
    folder.add("units", rows.units(), "u.gpkg")
    west, south, east, north = rows.units().buffer(400).to_crs(4269).total_bounds
    shape = (60, 120)
    transform = rows.affine((east - west) / 120, 0, west, 0, -(north - south) / 60, north)
    degrees = Grid(np.full(shape, 656.168, np.float32), transform, CRS("EPSG:4269+6360"))
    county = folder.add("terrain", degrees, "t.tif").read()
    assert np.nanmean(county.terrain.read().values) == pytest.approx(200.0, abs=1e-3)
    assert "Terrain heights are in us-ft, from the raster." in county.notes
    assert not county.problems["code"].str.startswith("terrain_unit").any()


def test_layers_of_a_geopackage_keep_each_its_own_system(folder, rows):
    path = folder.folder / "all.gpkg"
    rows.units().to_file(path, layer="units")
    rows.outlets().to_crs(2965).to_file(path, layer="discharge_points")  # Indiana East, US feet
    folder.name("units", "all.gpkg").name("discharge_points", "all.gpkg")
    county = folder.read()
    gap = county.layers["units"].distance(county.layers["discharge_points"])
    assert gap.tolist() == pytest.approx([20] * 6, abs=0.01)
    assert isinstance(county.layers["units"], gpd.GeoDataFrame)
    assert shapely.is_valid(county.layers["units"].geometry).all()
