"""Positions as people write them.

Squares of the national grid: FGDC-STD-011-2001, "United States National Grid", table 1: the
Washington Monument at NAD83 UTM zone 18, E 323483.168, N 4306479.498.
"""

import numpy as np
import pandas as pd
import pytest
from pyproj import CRS, Geod

from layers.reading.positions import grid_places, is_sexagesimal, parse_degrees, parse_grid_square

EAST, NORTH = 323483.168, 4306479.498
MONUMENT = {
    1: "18SUJ2348306479",
    10: "18SUJ23480647",
    100: "18SUJ234064",
    1000: "18SUJ2306",
}


@pytest.mark.parametrize(
    "text",
    [
        "39°12'34.5\"N", "39 12 34.5", "N39-12-34.5", "39° 12′ 34.5″ N", "39:12:34.5",
        "39d12m34.5s", "39º12'34.5''N", "n 39 12 34.5", "+39-12-34.5", "39deg 12min 34.5sec N",
        "39°12’34.5”", "39 12.575", "39°12.575'N", "N39 12.575",
    ],
)  # fmt: skip
def test_degrees_minutes_and_seconds(text):
    assert parse_degrees(text) == pytest.approx(39 + 12 / 60 + 34.5 / 3600, abs=1e-12)
    assert is_sexagesimal(text)


@pytest.mark.parametrize(
    "text", ["-84.504166", "84.504166W", "W 84.504166", "84.504166° W", "-84.504166°"]
)
def test_decimal_degrees(text):
    assert parse_degrees(text) == -84.504166
    assert not is_sexagesimal(text)


@pytest.mark.parametrize("text", ["84-30-15W", "W84 30 15", "-84 30 15", "84°30'15\"W"])
def test_west_and_south_are_negative(text):
    assert parse_degrees(text) == pytest.approx(-(84 + 30 / 60 + 15 / 3600))


@pytest.mark.parametrize(
    "text",
    ["391234N", "39 61 00", "39 12 60", "39.5 12", "N39 12 N", "-39 12 S", "abc", "", "1_0", "°"],
)
def test_what_is_no_angle(text):
    with pytest.raises(ValueError, match=r"\w"):
        parse_degrees(text)


@pytest.mark.parametrize(("side", "reference"), MONUMENT.items())
def test_a_square_holds_what_was_cut_off(side, reference):
    epsg, x, y, shown = parse_grid_square(reference)
    assert (epsg, shown) == (32618, side)
    assert x - side / 2 <= EAST < x + side / 2
    assert y - side / 2 <= NORTH < y + side / 2
    # the corner is cut off, not rounded: 3483.168 is in square 348 of 10 m, 6479.498 in 647
    assert (x - side / 2) % 100_000 == EAST // side * side % 100_000
    assert (y - side / 2) % 100_000 == NORTH // side * side % 100_000


@pytest.mark.parametrize(
    ("text", "lon", "lat"),
    [  # corners computed with another library; the middle of a meter lies half a meter off
        ("15TWG0000049776", -93.0, 42.0),
        ("16SFF3421648219", -85.5, 36.57),
        ("16s ff 34216 48219", -85.5, 36.57),
    ],
)
def test_squares_elsewhere(text, lon, lat):
    lonlat, side, whys = grid_places([text])
    assert whys == [None]
    assert side.tolist() == [1.0]
    assert Geod(ellps="WGS84").inv(lon, lat, *lonlat[0])[2] < 1.0


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("UJ2348306479", "'UJ2348306479' is not a grid reference with its zone, such as 18S"),
        ("18SUJ23480", "needs the same number of digits"),
        ("18SUJ", "is a square of 10 km or more, too large for a position"),
        ("18SUJ20", "is a square of 10 km or more, too large for a position"),
        ("99SUJ2348306479", "is not a grid reference"),
        ("18SIJ2348306479", "is not a grid reference"),
        (None, "the grid reference is blank"),
    ],
)
def test_what_is_no_square_says_why(text, says):
    lonlat, side, whys = grid_places([text])
    assert np.isnan(lonlat).all()
    assert np.isnan(side).all()
    assert says in whys[0]


def test_units_by_the_national_grid(folder, rows):
    table = pd.DataFrame(
        {"unit_id": ["1", "2", "3"], "USNG": ["18SUJ2348306479", "18SUJ23480647", "UJ1"]}
    )
    county = folder.add("units", table, "u.csv").read()
    units = county.layers["units"]
    assert units["accuracy95_m"].tolist() == pytest.approx([75.0, 75.0])  # nothing better is said
    assert ("coordinates_missing", 4, "set_aside") in rows.found(county, "units")
    zone = units.to_crs(CRS.from_epsg(32618)).geometry
    assert (zone.x[0], zone.y[0]) == pytest.approx((323483.5, 4306479.5), abs=1e-3)
    table["location_basis"] = "gps"
    table.loc[1, "USNG"] = "18SUJ2306"  # a square of a kilometer
    units = folder.add("units", table, "u.csv").read().layers["units"]
    assert units["accuracy95_m"].tolist() == pytest.approx([3.0, 600.0])


def test_a_table_in_degrees_and_minutes_and_one_in_feet(folder, rows):
    units = rows.lonlat(rows.units())

    def minutes(value):
        degrees, rest = divmod(abs(value), 1)
        return f"{int(degrees)} {rest * 60:.6f} {'W' if value < 0 else ''}".strip()

    for name in ("longitude", "latitude"):
        units[name] = units[name].map(minutes)
    folder.add("units", units, "u.xlsx")
    feet = rows.outlets().to_crs(2965)  # Indiana East in US survey feet
    table = pd.DataFrame(feet.drop(columns="geometry"))
    table["x"] = [f"{x:,.4f}" for x in feet.geometry.x]
    table["y"] = [f"{y:.4f}" for y in feet.geometry.y]
    folder.add("discharge_points", table, "d.csv", crs='"EPSG:2965"')
    county = folder.read()
    xs = county.layers["units"].geometry.x
    assert xs.tolist() == pytest.approx([rows.origin[0] + 100 * k for k in range(6)], abs=0.01)
    gap = county.layers["units"].distance(county.layers["discharge_points"])
    assert gap.tolist() == pytest.approx([20] * 6, abs=0.02)
    text = "6 of 6 rows of units are in degrees and minutes, such as '39 "
    assert any(note.startswith(text) for note in county.notes)
