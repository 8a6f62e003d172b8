"""What the page carries gives back what went in, and is as short as it should be."""

from __future__ import annotations

from decimal import Decimal

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pyproj import Transformer
from shapely.geometry import LineString, MultiPolygon, Point, Polygon, box

from geo.publish.packing import pack
from geo.publish.shared import encode

UTM16 = "EPSG:32616"


@given(st.lists(st.lists(st.floats(0, 50), min_size=3, max_size=3), min_size=1, max_size=20))
def test_shares_add_up_and_are_within_a_tenth(rows: list[list[float]]) -> None:
    parts = np.array(rows)
    tenths = encode.shares(parts, parts.sum(axis=1))
    assert (tenths.sum(axis=1) == np.floor(parts.sum(axis=1) * 10 + 0.5)).all()
    assert (np.abs(tenths - parts * 10) <= 1 + 1e-6).all()


def test_numbers_are_rounded_half_up_and_unknown_stays_unknown() -> None:
    numbers = encode.whole([15.24, np.nan, 0.1524, -0.3048], factor=1 / 0.3048, decimals=0)
    assert numbers[[0, 2, 3]].tolist() == [50, 1, -1]  # 15.24 m is 50 ft exactly
    assert np.isnan(numbers[1])


def positions(coded: dict) -> list[np.ndarray]:
    """Runs of vertices in steps, undone by plain sums."""
    at = np.cumsum(np.column_stack([coded["x"], coded["y"]]), axis=0)
    return np.split(at, np.cumsum(coded["size"])[:-1])


def test_shapes_lie_where_they_should() -> None:
    # reference: PROJ's own way from UTM to web Mercator, vertex by vertex
    line = LineString([(430_000, 4_760_000), (430_100, 4_760_300), (430_500, 4_760_250)])
    frame = gpd.GeoDataFrame(geometry=[line], crs=UTM16)
    x0, y0 = Transformer.from_crs(UTM16, "EPSG:3857", always_xy=True).transform(*line.coords[0])
    plane = encode.Plane(x0, y0)
    (run,) = positions(encode.shapes(frame, plane, within_m=1, step=0.5))
    exact = Transformer.from_crs(UTM16, "EPSG:3857", always_xy=True).transform(*line.xy)
    assert np.abs(run * 0.5 + (x0, y0) - np.column_stack(exact)).max() <= 0.25 + 1e-6


def test_areas_keep_their_holes_and_rows() -> None:
    ring = Polygon(
        box(430_000, 4_760_000, 430_900, 4_760_900).exterior.coords,
        [box(430_300, 4_760_300, 430_600, 4_760_600).exterior.coords],
    )
    pair = MultiPolygon([box(431_000, 4_760_000, 431_100, 4_760_100), ring])
    frame = gpd.GeoDataFrame(geometry=[ring, pair], crs=UTM16)
    coded = encode.shapes(frame, encode.Plane(0, 0), within_m=1)
    assert coded["parts"].tolist() == [2, 3]
    assert coded["size"].tolist() == [5] * 5


def test_no_shapes_is_no_trouble() -> None:
    coded = encode.shapes(gpd.GeoDataFrame(geometry=[], crs=UTM16), encode.Plane(0, 0), within_m=1)
    assert [len(coded[name]) for name in ("parts", "size", "x", "y")] == [0] * 4


def test_a_vertex_costs_at_most_5_bytes() -> None:
    # a stream of 5 km with a bend every 15 m, as dense as mapped ones
    rng = np.random.default_rng(1)
    bends = np.cumsum(rng.normal([12, 4], 9, (4_000, 2)), axis=0) + np.array([430_000, 4_760_000])
    frame = gpd.GeoDataFrame(geometry=[LineString(bends)], crs=UTM16)
    coded = encode.shapes(frame, encode.Plane(-9_800_000, 5_300_000), within_m=0)
    assert len(pack.pack(coded)) / len(coded["x"]) <= 5


def test_points_are_steps_from_the_origin() -> None:
    frame = gpd.GeoDataFrame(geometry=[Point(10.04, -3)], crs="EPSG:3857")
    assert encode.points(frame, encode.Plane(0, 0)).tolist() == [[100, -30]]


@pytest.mark.parametrize("value", [None, np.nan, pd.NA, ""])
def test_what_is_not_known_is_none(value: object) -> None:
    assert encode.text_or_none(pd.Series([value, "x"], dtype=object)) == [None, "x"]


def shown_length(place: int, decimals: int, figures: int) -> Decimal:
    """The length that stands at a place, found by counting all that can be shown."""
    first = 10 ** (figures - 1)
    fine = first * 10**decimals
    if place < fine:
        return Decimal(place).scaleb(-decimals)
    left, step = place - fine, 1
    while left >= 9 * first:
        left, step = left - 9 * first, step * 10
    return Decimal((first + left) * step)


@given(
    st.floats(0, 9e6).filter(lambda v: v == 0 or v > 1e-6),
    st.sampled_from([0, 1, 2]),
    st.sampled_from([2, 3]),
)
def test_a_length_is_told_to_its_figures_and_no_farther_off(
    value: float, decimals: int, figures: int
) -> None:
    # reference: the decimal arithmetic of the standard library
    (place,) = encode.steps(np.array([value]), decimals, figures).tolist()
    exact = Decimal(value)
    size = Decimal(1).scaleb(max(-decimals, exact.adjusted() - figures + 1 if value else 0))
    if value < 10 ** (figures - 1):
        size = Decimal(1).scaleb(-decimals)
    assert abs(shown_length(int(place), decimals, figures) - exact) <= size / 2 * Decimal("1.0001")
    (same,) = encode.steps(np.array([-value]), decimals, figures).tolist()
    assert same == -place
