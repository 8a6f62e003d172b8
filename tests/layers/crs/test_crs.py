"""Reference systems: fit or refused, moved or refused, measured on the ellipsoid."""

import numpy as np
import pytest
from geographiclib.geodesic import Geodesic
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import CRS, Proj

from layers.crs import (
    Mover,
    bearing_deg,
    choose_working_system,
    describe,
    distortion,
    ground_length_m,
)
from layers.errors import ReferenceSystemError

WGS84 = CRS.from_epsg(4326)
INDIANA = (-86.1, 39.6, -85.6, 40.0)


def dms(degrees, minutes, seconds):
    sign = -1 if str(degrees).startswith("-") else 1
    return sign * (abs(float(degrees)) + minutes / 60 + seconds / 3600)


# ---------------------------------------------------------------------------- the working system


def test_left_out_it_is_the_utm_zone_of_the_middle():
    assert describe(choose_working_system(INDIANA)) == "EPSG:32616"
    assert describe(choose_working_system((18.0, -34.2, 18.6, -33.8))) == "EPSG:32734"


def test_where_the_zone_stretches_too_far_a_centered_system_is_taken():
    wide = (-86.0, 40.0, -82.9, 41.0)  # 4 degrees from the zone's meridian at its eastern end
    assert distortion(CRS.from_epsg(32616), wide) > 1e-3
    crs = choose_working_system(wide)
    assert crs.to_authority() is None
    assert distortion(crs, wide) < 1e-3
    assert {axis.unit_name for axis in crs.axis_info} == {"metre"}


@pytest.mark.parametrize(
    ("code", "says"),
    [
        ("EPSG:3857", "stretches lengths by up to 3"),  # 1 / cos(latitude): 30 % at 40 degrees
        ("EPSG:4326", "not a projected system"),
        ("EPSG:3735", "US survey foot"),
        ("EPSG:32618", "stretches"),
        ("EPSG:5070", "stretches"),  # equal-area: areas true, shapes not
        ("EPSG:999999", "not known"),
        ("nonsense", "not known"),
    ],
)
def test_an_unfit_system_is_refused(code, says):
    with pytest.raises(ReferenceSystemError, match=says) as caught:
        choose_working_system(INDIANA, code)
    assert caught.value.where == "county.crs"


def test_a_fit_system_is_taken():
    assert describe(choose_working_system(INDIANA, "EPSG:26916")) == "EPSG:26916"


def test_a_county_too_wide_for_any_is_refused():
    with pytest.raises(ReferenceSystemError, match="too far apart for one coordinate system"):
        choose_working_system((-100.0, 30.0, -80.0, 45.0))


# PROJ's own values for NAD83 Kentucky North and Ohio South in meters (computed with PROJ 9)
@pytest.mark.parametrize(
    ("epsg", "lon", "lat", "east", "north", "k"),
    [
        (2205, -84.5, 38.9, 478313.1798, 155429.4457, 0.999990542),
        (32123, -84.5, 39.1, 427014.4433, 124030.2719, 0.999948156),
    ],
)
def test_proj_check_values(epsg, lon, lat, east, north, k):
    crs = CRS.from_epsg(epsg)
    x, y = Mover(crs.geodetic_crs, crs)(np.array([lon]), np.array([lat]))
    assert (x[0], y[0]) == pytest.approx((east, north), abs=2e-4)
    assert distortion(crs, (lon, lat, lon, lat)) == pytest.approx(1 - k, abs=5e-8)
    factors = Proj(crs).get_factors(lon, lat)
    assert factors.meridional_scale == pytest.approx(k, abs=1e-9)


# -------------------------------------------------------------------------------------- moving


def moved(source, target, lon=-86.0, lat=39.8, **options):
    mover = Mover(CRS.from_user_input(source), CRS.from_epsg(target), near=INDIANA, **options)
    x, y = mover(np.array([lon]), np.array([lat]))
    return x[0], y[0], mover


def test_moving_into_a_zone():
    # Snyder, "Map Projections: A Working Manual" (1987), eq. 8-9, its first two terms
    phi, e2 = np.radians(39.8), 0.00669437999
    t, c = np.tan(phi) ** 2, e2 / (1 - e2) * np.cos(phi) ** 2
    a = np.radians(1) * np.cos(phi)  # one degree east of the zone's meridian
    n = 6_378_137 / np.sqrt(1 - e2 * np.sin(phi) ** 2)
    east = 500_000 + 0.9996 * n * (a + (1 - t + c) * a**3 / 6)
    x, _, mover = moved(WGS84, 32616)
    assert x == pytest.approx(east, abs=1e-2)
    assert not mover.is_coarse


def test_nad83_to_wgs84_is_no_coarse_shift():
    mover = moved("EPSG:4269", 32616)[2]
    assert not mover.is_coarse
    assert mover.accuracy_m == 4.0  # EPSG operation 1188


def test_an_old_datum_without_a_grid_is_coarse_and_finite():
    x, _, mover = moved("EPSG:4267", 32616)
    assert mover.is_coarse
    assert mover.accuracy_m >= 5
    assert np.isfinite(x)
    # to NAD83 only grids lead, or, where it is allowed, the way by WGS 84
    with pytest.raises(ReferenceSystemError, match="the shift grid from NAD27"):
        moved("EPSG:4267", 26916)
    by_way, _, mover = moved("EPSG:4267", 26916, allow_coarse=True)
    assert mover.is_coarse
    assert by_way == pytest.approx(x, abs=2.0)


def test_harn_beside_nad83():
    # NAD83(HARN) moved points by less than a meter (NGS, NADCON: conterminous states)
    harn, plain = moved("EPSG:4152", 32616), moved("EPSG:4269", 32616)
    assert np.hypot(harn[0] - plain[0], harn[1] - plain[1]) < 1.0
    assert not harn[2].is_coarse


def test_only_a_ballpark_shift_between_known_datums_is_refused():
    # Ain el Abd (Bahrain) to the Old Hawaiian datum: nobody publishes an operation
    with pytest.raises(ReferenceSystemError, match="the shift grid from"):
        Mover(CRS.from_epsg(4204), CRS.from_epsg(4135))


@pytest.mark.parametrize(
    ("epsg", "lon", "lat", "meters", "foot"),
    [
        # NAD83 Kentucky North at 84.5 W, 38.9 N by PROJ: 478313.1798, 155429.4457 m
        (2246, -84.5, 38.9, (478313.1798, 155429.4457), 1200 / 3937),
        # NAD83 Michigan South: the same projection in meters (EPSG:26990) and feet (EPSG:2253)
        (2253, -84.5, 42.5, None, 0.3048),
    ],
)
def test_feet_of_state_planes_are_the_systems_own(epsg, lon, lat, meters, foot):
    """A US survey foot is 1200/3937 m, an international one 0.3048 m (85 FR 62698)."""
    crs = CRS.from_epsg(epsg)
    assert crs.axis_info[0].unit_conversion_factor == pytest.approx(foot, rel=1e-12)
    x, y = Mover(crs.geodetic_crs, crs)(np.array([lon]), np.array([lat]))
    if meters is None:
        metric = CRS.from_epsg(26990)
        meters = [
            v[0] for v in Mover(metric.geodetic_crs, metric)(np.array([lon]), np.array([lat]))
        ]
    assert (x[0] * foot, y[0] * foot) == pytest.approx(meters, abs=2e-3)


def test_a_position_that_cannot_be_moved_is_nan():
    x, y = Mover(WGS84, CRS.from_epsg(32616))(np.array([-86.0, np.nan]), np.array([95.0, 1.0]))
    assert np.isnan(x).all()
    assert np.isnan(y).all()


# ------------------------------------------------------------------------------ lengths, bearings


def test_first_line_of_geodtest():
    """GeographicLib's test set (Karney, GeodTest.dat), first line."""
    lat1, lon1, azi1 = 0.003311913742, 0.0, 90.001862369144
    lat2, lon2 = 0.001762385472585824, 32.846794581272844
    assert ground_length_m(lon1, lat1, lon2, lat2, WGS84) == pytest.approx(
        3656488.4472191, abs=1e-6
    )
    assert bearing_deg(lon1, lat1, lon2, lat2, WGS84) == pytest.approx(azi1, abs=1e-9)


# Vincenty, "Direct and inverse solutions of geodesics on the ellipsoid", Survey Review 23, 1975,
# table II: (a) on Bessel's ellipsoid of 1841, (b) to (e) on the International of 1924
BESSEL = CRS.from_proj4("+proj=longlat +a=6377397.155 +rf=299.1528128 +type=crs")
INTERNATIONAL = CRS.from_proj4("+proj=longlat +a=6378388 +rf=297 +type=crs")
VINCENTY = [
    (BESSEL, (55, 45, 0), ("-33", 26, 0), (108, 13, 0), 14110526.170, (96, 36, 8.79960)),
    (
        INTERNATIONAL,
        (37, 19, 54.95367),
        (26, 7, 42.83946),
        (41, 28, 35.50729),
        4085966.703,
        (95, 27, 59.63089),
    ),
    (
        INTERNATIONAL,
        (35, 16, 11.24862),
        (67, 22, 14.77638),
        (137, 47, 28.31435),
        8084823.839,
        (15, 44, 23.74850),
    ),
    (INTERNATIONAL, (1, 0, 0), ("-0", 59, 53.83076), (179, 17, 48.02997), 19960000.000, (89, 0, 0)),
    (
        INTERNATIONAL,
        (1, 0, 0),
        (1, 1, 15.18952),
        (179, 46, 17.84244),
        19780006.558,
        (4, 59, 59.99996),
    ),
]


@pytest.mark.parametrize(("crs", "lat1", "lat2", "dlon", "length", "azimuth"), VINCENTY)
def test_vincenty_table_2(crs, lat1, lat2, dlon, length, azimuth):
    lat1, lat2, dlon = dms(*lat1), dms(*lat2), dms(*dlon)
    assert ground_length_m(0, lat1, dlon, lat2, crs) == pytest.approx(length, abs=1e-3)
    assert bearing_deg(0, lat1, dlon, lat2, crs) == pytest.approx(
        dms(*azimuth),
        abs=1e-6,  # (d) is nearly antipodal: its azimuth hangs on the last figure of its length
    )


def test_flinders_peak_to_buninyong():
    """The worked inverse of the Geocentric Datum of Australia Technical Manual, GRS 80."""
    gda = CRS.from_epsg(4283)
    lat1, lon1 = dms("-37", 57, 3.72030), dms(144, 25, 29.52440)
    lat2, lon2 = dms("-37", 39, 10.15610), dms(143, 55, 35.38390)
    assert ground_length_m(lon1, lat1, lon2, lat2, gda) == pytest.approx(54972.271, abs=1e-3)
    assert bearing_deg(lon1, lat1, lon2, lat2, gda) == pytest.approx(dms(306, 52, 5.37), abs=2e-6)
    assert bearing_deg(lon2, lat2, lon1, lat1, gda) == pytest.approx(dms(127, 10, 25.07), abs=2e-6)


@pytest.mark.parametrize(("feet", "lon2"), [(50, -84.9998287864984), (100, -84.9996575729968)])
def test_setback_lengths(feet, lon2):
    """50 and 100 ft due east of 37 N 85 W, by GeographicLib's direct solution."""
    lat2 = Geodesic.WGS84.Direct(37, -85, 90, feet * 0.3048)["lat2"]
    length = ground_length_m(-85, 37, lon2, lat2, WGS84)
    assert length == pytest.approx(feet * 0.3048, abs=1e-6)
    assert bearing_deg(-85, 37, lon2, lat2, WGS84) == pytest.approx(90, abs=1e-6)


@settings(deadline=None)
@given(st.floats(-88, -84), st.floats(30, 48), st.floats(0.01, 400), st.floats(0, 359.99))
def test_agrees_with_geographiclib_across_a_projection(lon, lat, length, azimuth):
    """Working-system coordinates in, GeographicLib's direct solution as the oracle."""
    there = Geodesic.WGS84.Direct(lat, lon, azimuth, length)
    crs = CRS.from_epsg(32616)
    x, y = Mover(WGS84, crs)(np.array([lon, there["lon2"]]), np.array([lat, there["lat2"]]))
    assert ground_length_m(x[0], y[0], x[1], y[1], crs) == pytest.approx(length, abs=2e-6)
    turn = float(bearing_deg(x[0], y[0], x[1], y[1], crs)) - azimuth
    assert abs((turn + 180) % 360 - 180) < 1e-3 / length + 1e-6


def test_lengths_broadcast_and_unknowns_stay_unknown():
    crs = CRS.from_epsg(32616)
    x2 = np.array([500_100.0, np.nan, 500_000.0])
    length = ground_length_m(500_000.0, 4.4e6, x2, 4.4e6, crs)
    assert length[0] == pytest.approx(100 / 0.9996, abs=1e-6)  # scale on the central meridian
    assert np.isnan(length[1])
    assert length[2] == 0
    assert np.isnan(bearing_deg(500_000.0, 4.4e6, x2, 4.4e6, crs)[1:]).all()
