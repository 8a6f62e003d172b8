"""Where lines meet other shapes: at points, along pieces, and by a touch that rounding loses."""

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from shapely import LineString, Point, box

from geo.meetings import first_meeting_m, meetings

LINE = LineString([(0, 0), (100, 0)])
WAYS = {
    "a piece": (box(20, -5, 30, 5), 20.0),
    "a point": (shapely.Polygon([(40, 0), (45, 5), (35, 5)]), 40.0),
    "a piece and a point": (
        shapely.union(box(60, 0, 70, 5), shapely.Polygon([(50, 0), (55, -5), (45, -5)])), 50.0,
    ),
    "several pieces": (shapely.union(box(80, -5, 90, 5), box(10, -5, 12, 5)), 10.0),
    "a line across": (LineString([(33, -1), (33, 1)]), 33.0),
    "its own end": (Point(100, 0), 100.0),
}  # fmt: skip


@pytest.mark.parametrize("name", WAYS)
def test_the_first_place_is_found_however_they_meet(name):
    other, along = WAYS[name]
    assert first_meeting_m(np.array([LINE]), np.array([other])) == pytest.approx([along])
    parts, of = meetings(np.array([LINE]), np.array([other]))
    assert {part.geom_type for part in parts} <= {"Point", "LineString"}
    assert set(of) == {0}


@given(
    st.lists(st.floats(0, 1e3, allow_subnormal=False), min_size=3, max_size=3),
    st.floats(0.01, 0.99), st.floats(1, 1e3), st.floats(1, 1e3),
)  # fmt: skip
def test_a_touch_that_rounding_loses_is_met_where_the_line_is_nearest(at, share, wide, high):
    """Lines that end on a slanting edge as nearly as doubles allow: the predicate, asked with a
    reach, calls them together, and the intersection is as often empty as not."""
    x, y, back = at[0] + 5e5, at[1] + 2.9e6, 1 + at[2]
    lot = shapely.Polygon([(x, y), (x + wide, y + high), (x + wide, y - 1)])
    touch = Point(x + share * wide, y + share * high)
    line = LineString([(touch.x - back, touch.y + back), touch])
    parts, of = meetings(np.array([line, line]), np.array([lot, lot]))
    assert set(of) == {0, 1}
    first = first_meeting_m(np.array([line]), np.array([lot]))
    assert first == pytest.approx([line.length], abs=1e-6)
    assert len(parts) >= 2


def test_no_pairs_give_nothing():
    none = np.empty(0, object)
    assert len(meetings(none, none)[0]) == 0
    assert len(first_meeting_m(none, none)) == 0
