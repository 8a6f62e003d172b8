"""What the page carries gives back what went in, and is as short as it should be."""

from __future__ import annotations

from typing import Any, Final

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pyproj import Transformer
from shapely.geometry import LineString, MultiPolygon, Point, Polygon, box

from geo.publish.packing import pack
from geo.publish.shared import encode, words
from layers.measures import format_height, format_length

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


def said(coded: dict[str, Any]) -> list[str]:
    """What the page writes of such lengths."""
    shown = []
    for number in coded["numbers"].tolist():
        if number < 0:
            shown.append(coded["said"][-1 - int(number)].replace("\u00a0", " "))
            continue
        number, far = number + coded["least"], coded["far"]
        is_far = far is not None and number >= far["from"]
        unit, decimals = (
            (far["unit"], far["decimals"]) if is_far else (coded["unit"], coded["decimals"])
        )
        value = (number - far["from"] if is_far else number) / 10**decimals
        shown.append(f"{value:,.{decimals}f} {unit}")
    return shown


def no_tie(value_m: float) -> bool:
    """Whether no rounding of it, in either measure, is by a hair: two ways of counting differ."""
    units = (0.01, 0.0254, 0.3048, 3.048, 0.03048, 160.9344, 1.0, 5.0, 0.1, 100.0)
    return all(abs(value_m / unit % 1 - 0.5) > 1e-6 for unit in units)


lengths_m = st.floats(0.001, 9e5).filter(no_tie)
MEASURES: Final = ("us", "si")


@given(lengths_m, st.sampled_from(MEASURES))
def test_a_distance_is_said_as_everywhere_else(value_m: float, measures: words.Measures) -> None:
    # reference: the wording of one length, which messages and sheets use
    (text,) = said(encode.lengths(np.array([value_m]), "distance", measures))
    assert text == format_length(value_m, measures)


@given(st.floats(1, 2000), st.floats(0.3, 300), st.sampled_from(MEASURES))
def test_a_distance_stays_on_its_side_of_what_is_required(
    required_m: float, apart_m: float, measures: words.Measures
) -> None:
    values = np.array([required_m * 0.9995, required_m * 1.0005, required_m + apart_m, required_m])
    required = np.full(4, required_m)
    coded = encode.lengths(values, "distance", measures, required_m=required)
    for value, text in zip(values.tolist(), said(coded), strict=True):
        assert text in {
            format_length(value, measures, required_m=required_m),
            format_length(value, measures),
        }
    _, shown_m = encode.rounded(values, words.scale("distance", measures))
    own_words = coded["numbers"] < 0
    assert ((shown_m < required) == (values < required))[~own_words].all()


@given(lengths_m, st.sampled_from(MEASURES), st.sampled_from(["height", "depth"]))
def test_a_small_height_is_said_as_everywhere_else_and_a_large_one_in_whole_units(
    value_m: float, measures: words.Measures, kind: str
) -> None:
    (text,) = said(encode.lengths(np.array([value_m]), kind, measures))
    ten_m = 10 * words.FT_M if measures == "us" else 10
    if value_m < ten_m:
        assert text == format_height(value_m, measures)
    else:
        unit = value_m / (ten_m / 10)
        assert text == f"{round(unit):,}.0 {'ft' if measures == 'us' else 'm'}"
    (below,) = encode.rounded(np.array([-value_m]), words.scale(kind, measures))[0].tolist()
    (above,) = encode.rounded(np.array([value_m]), words.scale(kind, measures))[0].tolist()
    assert below == -above
