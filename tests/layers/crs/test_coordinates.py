"""Places as people write them."""

from __future__ import annotations

import re

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import CRS, Transformer

from layers.crs.coordinates import places

WGS84 = CRS.from_epsg(4326)


def one(lat, lon, accuracy=5.0):
    (place,) = places([lon], [lat], WGS84, accuracy95_m=accuracy)
    return place


def test_the_published_monument():
    """FGDC-STD-011-2001, table 1: Washington Monument, 18S UJ 23483 06479."""
    place = one(38.889467394, -77.035236390)
    assert place.usng == "18S UJ 23483 06479"
    assert place.decimal == "38.889467, -77.035236"
    assert place.minutes == "38° 53.3680' N  77° 02.1142' W"
    assert place.geo_uri == "geo:38.889467,-77.035236;u=5"  # the form of RFC 5870's grammar


@pytest.mark.parametrize(
    ("lat", "lon", "usng"),
    [  # computed with mgrs 1.6, truncated
        (0.0, 0.0, "31N AA 66021 00000"),
        (42.0, -93.0, "15T WG 00000 49776"),
        (36.57, -85.5, "16S FF 34216 48219"),
    ],
)
def test_grid_references(lat, lon, usng):
    assert one(lat, lon).usng == usng


def test_minutes_carry_over_and_zero_has_no_sign():
    assert one(39.9999999, -0.0).minutes == "40° 00.0000' N  0° 00.0000' E"
    assert one(-0.0, 0.0, np.nan).geo_uri == "geo:0,0"


@given(st.floats(-79, 83), st.floats(-179.99, 179.99))
@settings(max_examples=150, deadline=None)
def test_every_form_comes_back_to_the_place(lat, lon):
    place = one(lat, lon)
    degrees = [float(d) for d in re.findall(r"-?[0-9.]+", place.geo_uri.split(";")[0])]
    assert degrees == pytest.approx([lat, lon], abs=6e-7)
    found = re.findall(r"(\d+)° ([0-9.]+)' ([NSEW])", place.minutes)
    back = [(int(d) + float(m) / 60) * (-1 if s in "SW" else 1) for d, m, s in found]
    assert back == pytest.approx([lat, lon], abs=1e-6)
    zone, half, east, north = re.match(r"(\d+)([NS]) (\d+) E (\d+) N", place.utm).groups()
    code = (32600 if half == "N" else 32700) + int(zone)
    back = Transformer.from_crs(code, 4326, always_xy=True).transform(float(east), float(north))
    # the meter is a meter of northing; of easting it is more degrees near the poles
    assert back[1] == pytest.approx(lat, abs=1e-5)
    assert abs(back[0] - lon) * np.cos(np.radians(lat)) < 1e-5


def test_what_is_not_known_is_none():
    assert places([np.nan], [1.0], WGS84, accuracy95_m=[1.0]) == [None]
