"""Nearest features and flood zones, against brute force and by hand."""

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from geographiclib.geodesic import Geodesic
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import CRS, Transformer
from shapely import LineString, Point, box

from geo.receptors import flood_columns, nearest_columns, nearest_feature
from layers.public.flood_zones import add_hazard_columns

UTM16 = CRS("EPSG:32616")
AT = (500_000.0, 2_930_000.0)


def pt(dx, dy=0.0):
    return Point(AT[0] + dx, AT[1] + dy)


def arr(*shapes):
    out = np.empty(len(shapes), object)
    out[:] = shapes
    return out


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 2**32 - 1), n=st.integers(1, 30), m=st.integers(1, 30))
def test_nearest_point_equals_brute_force_on_the_ellipsoid(seed, n, m):
    rng = np.random.default_rng(seed)
    a, b = rng.uniform(-500, 500, (n, 2)), rng.uniform(-500, 500, (m, 2))
    got = nearest_feature(
        arr(*(pt(*p) for p in a)), arr(*(pt(*p) for p in b)), UTM16, within_m=5_000
    )
    to_degrees = Transformer.from_crs(UTM16, 4326, always_xy=True)
    for i in range(n):
        ends = [to_degrees.transform(AT[0] + p[0], AT[1] + p[1]) for p in [a[i], *b]]
        each = [
            Geodesic.WGS84.Inverse(ends[0][1], ends[0][0], lat, lon)["s12"] for lon, lat in ends[1:]
        ]
        assert got.distance_m[i] == pytest.approx(min(each), abs=1e-4)
        assert each[got.index[i]] == pytest.approx(min(each), abs=1e-4)


def test_bearing_is_true_not_grid():
    # three degrees east of the central meridian grid north and true north differ by about 1.3 deg
    crs = UTM16
    x, y = Transformer.from_crs(4326, crs, always_xy=True).transform(-84.2, 26.5)
    got = nearest_feature(arr(Point(x, y)), arr(Point(x, y + 100)), crs)
    assert got.bearing_deg[0] % 360 == pytest.approx(1.2496, abs=0.01)  # convergence, by formula
    convergence = np.degrees(np.arctan(np.tan(np.radians(2.8)) * np.sin(np.radians(26.5))))
    assert got.bearing_deg[0] == pytest.approx(convergence, abs=0.01)


def test_the_nearest_part_of_a_line_counts_not_its_vertices():
    got = nearest_feature(arr(pt(0)), arr(LineString([pt(10, -500), pt(10, 500)])), UTM16)
    assert got.distance_m[0] == pytest.approx(10.0, abs=0.01)


def test_inside_an_area_is_zero_and_how_deep():
    got = nearest_feature(
        arr(pt(0)), arr(box(*pt(-30, -30).coords[0], *pt(40, 50).coords[0])), UTM16
    )
    assert got.distance_m[0] == 0
    assert got.inside_m[0] == pytest.approx(30, abs=0.02)
    assert got.signed_m[0] == pytest.approx(-30, abs=0.02)
    assert np.isnan(got.bearing_deg[0])


def test_of_ties_the_first_is_taken_and_counted():
    got = nearest_feature(arr(pt(0)), arr(pt(10), pt(-10), pt(0, 10)), UTM16)
    assert got.index[0] == 0
    assert got.tied[0] == 2


def test_nothing_within_reach_and_points_that_are_missing():
    got = nearest_feature(arr(pt(0), None, Point()), arr(pt(5_000)), UTM16)
    assert got.index.tolist() == [-1, -1, -1]
    assert np.isnan(got.distance_m).all()
    assert got.line.tolist() == [None] * 3


def test_without_a_layer_everything_is_unknown():
    got = nearest_columns(arr(pt(0)), None, "well_id", UTM16, prefix="well", index=pd.Index([4]))
    assert got.columns.tolist() == ["well_id", "well_distance_m", "well_bearing_deg"]
    assert got.isna().all(axis=None)
    assert got.index.tolist() == [4]


@pytest.fixture
def zones():
    return gpd.GeoDataFrame(
        {
            "zone": ["X", "AE", "A"],
            "is_sfha": [False, True, True],
            "hazard_class": ["minimal", "special", "special"],
            "base_flood_elevation_m": [np.nan, 12.0, np.nan],
            "flood_depth_ao_m": [np.nan, np.nan, 0.6],
        },
        geometry=[
            box(*pt(-1000, -1000).coords[0], *pt(1000, 1000).coords[0]),  # covers everything
            box(*pt(100, -50).coords[0], *pt(200, 50).coords[0]),
            box(*pt(400, -50).coords[0], *pt(500, 50).coords[0]),
        ],
        crs=UTM16,
    )


def test_an_area_of_minimal_hazard_is_not_a_floodplain(zones):
    points = arr(pt(0), pt(150), pt(450), pt(3000))
    ground = np.array([10.0, 10.5, 10.0, 10.0])
    got = flood_columns(points, ground, zones, UTM16, index=pd.RangeIndex(4))
    assert got["flood_zone"].fillna("none").tolist() == ["X", "AE", "A", "none"]
    assert got["flood_distance_m"].to_numpy() == pytest.approx([100, 0, 0, 2501], abs=0.1)
    assert got["flood_inside_m"].to_numpy() == pytest.approx([0, 50, 50, 0], abs=0.1)
    # base flood elevation less ground, or the depth a zone of sheet flow states
    assert got["flood_depth_m"].to_numpy() == pytest.approx([np.nan, 1.5, 0.6, np.nan], nan_ok=True)
    assert got["flood_hazard"].fillna("none").tolist() == ["minimal", "special", "special", "none"]


def test_ground_above_the_base_flood_has_no_depth(zones):
    got = flood_columns(arr(pt(150)), np.array([12.5]), zones, UTM16, index=pd.RangeIndex(1))
    assert got["flood_depth_m"].tolist() == [0.0]


def test_an_unknown_place_is_in_no_zone(zones):
    points = arr(None, Point(), pt(150))
    got = flood_columns(points, np.full(3, 10.0), zones, UTM16, index=pd.RangeIndex(3))
    assert got["flood_zone"].fillna("none").tolist() == ["none", "none", "AE"]
    assert got["flood_distance_m"].isna().tolist() == [True, True, False]


def test_no_floodplain_layer_is_unknown_not_dry():
    got = flood_columns(arr(pt(0)), np.array([1.0]), None, UTM16, index=pd.RangeIndex(1))
    assert got.isna().all(axis=None)


def test_lines_run_from_the_point_to_the_feature():
    got = nearest_feature(arr(pt(0)), arr(pt(10, 5)), UTM16)
    assert shapely.get_coordinates(got.line[0]).tolist() == [
        list(pt(0).coords[0]),
        list(pt(10, 5).coords[0]),
    ]


def _zones(*rows):
    """Squares of 100 m side by side or over each other, by their west end."""
    frame = pd.DataFrame(
        [(zone, bfe) for _, zone, bfe in rows], columns=["zone", "base_flood_elevation_m"]
    ).assign(zone_subtype=None, flood_depth_ao_m=np.nan, is_floodway=False, sfha_stated=None)
    shapes = [box(*pt(west).coords[0], *pt(west + 100, 100).coords[0]) for west, *_ in rows]
    layer = gpd.GeoDataFrame(frame, geometry=shapes, crs=UTM16)
    add_hazard_columns(layer)
    return layer


@pytest.mark.parametrize("order", [(0, 1, 2), (2, 1, 0), (1, 2, 0)])
def test_of_zones_that_overlap_the_gravest_holds_and_the_deepest_flood(order):
    rows = [(0, "X", np.nan), (0, "AE", 11.0), (20, "AE", 12.5)]
    zones = _zones(*(rows[k] for k in order))
    got = flood_columns(arr(pt(50, 50)), np.array([10.0]), zones, UTM16, index=pd.RangeIndex(1))
    assert got["flood_zone"].item() == "AE"
    assert got["flood_depth_m"].item() == 2.5


@pytest.mark.parametrize("unexplained", ["ZZ9", "D", None])
def test_a_zone_nobody_knows_is_not_out_of_the_flood(unexplained):
    zones = _zones((0, unexplained, np.nan), (500, "AE", 12.0))
    points = arr(*(pt(x, 50) for x in (50, 130, 490)))
    got = flood_columns(points, np.full(3, 10.0), zones, UTM16, index=pd.RangeIndex(3))
    assert got["flood_hazard"].fillna("none").tolist() == ["undetermined", "none", "none"]
    assert got["flood_distance_m"].to_numpy() == pytest.approx(
        [np.nan, 30.0, 10.0], abs=0.1, nan_ok=True
    )
    assert got["flood_depth_m"].isna().all()
