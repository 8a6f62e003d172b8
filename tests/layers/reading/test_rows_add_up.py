"""Whatever is planted in a layer: rows read = rows used + rows set aside, each with its reason."""

from contextlib import suppress

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from layers.errors import RillmarkError
from layers.problems import CODES

text = st.text(max_size=10)
cells = st.none() | text | st.sampled_from(["001", "1.0", "1", " ", "-9999", "=1+1", "AE", "x\x00"])
numbers = st.none() | st.floats() | st.integers(-(10**6), 10**6) | text
near_lon, near_lat = st.floats(-85.84, -85.83), st.floats(39.74, 39.75)
lons = near_lon | near_lat | st.just(0) | st.none() | st.floats() | text
lats = near_lat | near_lon | st.just(0) | st.none() | st.floats(-100, 100) | text


def unit_table():
    row = st.fixed_dictionaries(
        {
            "unit_id": cells,
            "longitude": lons,
            "latitude": lats,
            "kind": cells | st.just("soil absorption"),
            "status": cells,
            "pumped": cells,
            "installed": cells | st.sampled_from(["1999", "7/4/2001", "2070-01-01", "43650"]),
            "bedrooms": numbers,
            "accuracy_m": numbers,
            "location_basis": cells | st.just("phone"),
            "parcel_id": cells | st.just("P1"),
            "address": text,
        }
    )
    good = [  # more than are spoilt: where most rows are, there the county is
        {"unit_id": f"good {k}", "longitude": -85.835 + k / 1000, "latitude": 39.745}
        for k in range(10)
    ]
    return st.lists(row, max_size=9).map(lambda spoilt: [*good, *spoilt])


def shapes():
    x, y = st.floats(599_000, 601_000), st.floats(4_399_000, 4_401_000)
    point = st.tuples(x, y)
    ring = st.lists(point, min_size=3, max_size=6).map(shapely.Polygon)
    line = st.lists(point, min_size=2, max_size=4).map(shapely.LineString)
    one = point.map(shapely.Point) | line | ring | st.just(shapely.Polygon()) | st.none()
    several = st.lists(ring, min_size=1, max_size=3).map(shapely.MultiPolygon)
    mixed = st.lists(one.filter(lambda g: g is not None), min_size=1, max_size=3).map(
        shapely.GeometryCollection
    )
    return one | several | mixed | one.map(lambda g: g and shapely.force_3d(g, 5.0))


def holds(county):
    """The invariant, and that everything set aside or corrected has a problem that says so."""
    counts = county.counts.set_index("layer")
    assert (counts["rows_read"] == counts["used"] + counts["set_aside"]).all()
    assert (counts["corrected"] <= counts["used"]).all()
    assert set(county.problems["code"]) <= set(CODES)
    for name, count in counts.iterrows():
        frame = county.layers[name]
        assert len(frame) == count["used"]
        assert frame.iloc[:, 0].notna().all()
        assert frame[frame.columns[0]].is_unique
        problems = county.problems[county.problems["layer"] == name]
        aside = problems.loc[problems["action"] == "set_aside", "row"].dropna()
        assert aside.is_unique
        assert not set(aside) & set(frame["source_row"])
        if not problems.loc[problems["action"] == "set_aside", "row"].isna().any():
            assert len(aside) == count["set_aside"]
        if isinstance(frame, gpd.GeoDataFrame) and len(frame):
            assert np.isfinite(frame.total_bounds).all()
            assert frame.geometry.is_valid.all()
            assert not frame.geometry.has_z.any()
    assert len(county.links) == len(county.layers["units"])


CAMPAIGN = settings(
    max_examples=12,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)


@CAMPAIGN
@given(table=unit_table(), visits=st.lists(st.tuples(cells, cells, cells), max_size=6))
def test_units_and_records(folder, rows, table, visits):
    folder.add("units", pd.DataFrame(table).astype(object), "units.csv", crs='"EPSG:4326"')
    records = pd.DataFrame(visits, columns=["inspection_id", "unit_id", "date"]).astype(object)
    folder.add("inspections", records, "visits.csv")
    folder.add("parcels", rows.parcels(), "parcels.gpkg")
    holds(folder.read())


@CAMPAIGN
@given(planted=st.lists(st.tuples(cells, shapes()), min_size=1, max_size=10))
def test_shapes_of_every_kind(folder, rows, planted):
    folder.add("units", rows.units(), "units.gpkg")
    frame = gpd.GeoDataFrame(
        {"id": [cell for cell, _ in planted]},
        geometry=[shape for _, shape in planted],
        crs=rows.crs,
    )
    for name in ("parcels", "streams", "wells"):
        columns = {"parcels": "parcel_id", "streams": "stream_id", "wells": "well_id"}
        folder.add(name, frame.rename(columns={"id": columns[name]}), f"{name}.gpkg")
    county = folder.read()
    holds(county)
    assert county.counts.set_index("layer").loc["streams", "rows_read"] == len(planted)


@CAMPAIGN
@given(data=st.binary(max_size=200) | text.map(lambda t: ("unit_id,x,y\n" + t).encode()))
def test_rubbish_in_a_table_is_never_more_than_our_own_error(folder, rows, data):
    folder.add("units", rows.units(), "units.gpkg").add("wells", data, "wells.csv")
    county = folder.read()
    assert len(county.layers["units"]) == 6
    folder.add("units", data, "units.csv")
    with suppress(RillmarkError):
        folder.read()
