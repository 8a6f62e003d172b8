"""Networks of a few lines with distances by hand, and random ones walked to their end."""

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import CRS

from geo.waters.network import JOIN_WITHIN_M, build_network

UTM16 = CRS("EPSG:32616")
WEST, SOUTH = 500_000.0, 2_930_000.0
SCALE = 0.9996  # of UTM at its central meridian: ground = plane / scale


def line(*xy):
    return shapely.LineString([(WEST + x, SOUTH + y) for x, y in xy])


def points(*xy):
    return shapely.points(np.array([(WEST + x, SOUTH + y) for x, y in xy]).reshape(-1, 2))


def shapes(*items):
    out = np.empty(len(items), object)
    out[:] = items
    return out


def down(lines, marks, starts, *, waters=(), heights_at=None, across=False):
    """Meters from each start to the nearest mark, and the mark's position; None where none."""
    network = build_network(
        shapes(*lines),
        UTM16,
        waters=shapes(*waters),
        marks=points(*marks),
        marks_within_m=50,
        heights_at=heights_at,
    )
    reach = network.reach(network.marks)
    way = network.from_waters if across else network.from_lines
    length, goal = way(points(*starts), reach)
    return [
        (pytest.approx(m * SCALE, abs=0.05), int(g - network.marks[0])) if g >= 0 else None
        for m, g in zip(length, goal, strict=True)
    ]


def test_down_two_lines_and_never_up():
    lines = [line((0, 0), (100, 0)), line((100, 0), (300, 0))]
    assert down(lines, [(250, 30)], [(40, 0), (120, 0), (260, 0)]) == [(210, 0), (130, 0), None]


def test_a_tributary_that_ends_on_another_line_joins_it():
    lines = [line((0, 0), (300, 0)), line((100, 80), (100, 1.5))]
    assert down(lines, [(200, 0)], [(100, 80), (50, 0)]) == [(78.5 + 100, 0), (150, 0)]


@pytest.mark.parametrize(("gap", "joined"), [(JOIN_WITHIN_M - 0.1, True), (2.5, False)])
def test_ends_join_within_the_tolerance_only(gap, joined):
    lines = [line((0, 0), (100, 0)), line((100 + gap, 0), (300, 0))]
    assert (down(lines, [(200, 0)], [(50, 0)]) != [None]) is joined


def test_lines_that_only_cross_do_not_join():
    lines = [line((0, 0), (200, 0)), line((100, 100), (100, -100))]
    assert down(lines, [(180, 0)], [(100, 90), (10, 0)]) == [None, (170, 0)]


def test_of_two_branches_the_nearer_place_counts():
    lines = [
        line((0, 0), (100, 0)),
        line((100, 0), (400, 200)),
        line((100, 0), (400, -400)),
    ]
    got = down(lines, [(400, 200), (400, -400)], [(0, 0), (250, -200)])
    assert got == [(100 + np.hypot(300, 200), 0), (250, 1)]


def test_a_line_of_several_parts_is_several_lines():
    both = shapely.MultiLineString([line((0, 0), (100, 0)), line((100, 0), (200, 0))])
    assert down([both], [(190, 0)], [(10, 0)]) == [(180, 0)]


def test_a_circle_ends_and_reaches_what_lies_on_it():
    ring = [line((0, 0), (100, 0)), line((100, 0), (50, 80)), line((50, 80), (0, 0))]
    got = down(ring, [(50, -45)], [(80, 0), (20, 0)])
    assert got == [(20 + 2 * np.hypot(50, 80) + 50, 0), (30, 0)]


def test_a_line_drawn_uphill_is_turned_where_the_ground_says_so():
    lines = [line((0, 0), (100, 0)), line((300, 0), (100, 0))]

    def falls_east(x, y):
        return 100 - 0.01 * (x - WEST)

    assert down(lines, [(250, 0)], [(40, 0)]) == [None]
    assert down(lines, [(250, 0)], [(40, 0)], heights_at=falls_east) == [(210, 0)]
    network = build_network(shapes(*lines), UTM16, heights_at=falls_east)
    assert network.is_turned.tolist() == [False, True]

    def nearly_level(x, y):  # rises by 0.4 m along the second line: not enough to overrule it
        return 100 - 0.002 * (x - WEST)

    assert down(lines, [(250, 0)], [(40, 0)], heights_at=nearly_level) == [None]

    def unknown(x, y):
        return np.full(len(x), np.nan)

    assert down(lines, [(250, 0)], [(150, 0)], heights_at=unknown) == [None]


LAKE = shapely.box(WEST + 100, SOUTH - 50, WEST + 300, SOUTH + 50)
IN, OUT = line((0, 0), (100, 0)), line((300, 30), (500, 30))
ACROSS = np.hypot(200, 30)


def test_through_a_lake_straight_to_its_outlet():
    assert down([IN, OUT], [(400, 30)], [(50, 0)], waters=[LAKE]) == [(50 + ACROSS + 100, 0)]
    assert down([IN, OUT], [(400, 30)], [(50, 0)]) == [None]
    from_lake = down([IN, OUT], [(400, 30)], [(200, 30)], waters=[LAKE], across=True)
    assert from_lake == [(100 + 100, 0)]


def test_a_beach_on_a_lake_is_reached_from_its_streams_and_its_shore_not_from_its_outlet():
    beach = (200, 80)  # 30 m behind the shore at (200, 50)
    assert down([IN, OUT], [beach], [(50, 0), (310, 30)], waters=[LAKE]) == [
        (50 + np.hypot(100, 50), 0),
        None,
    ]
    assert down([IN, OUT], [beach], [(200, -50)], waters=[LAKE], across=True) == [(100, 0)]


def test_a_line_drawn_on_through_a_lake_passes_it_and_feeds_it():
    through = line((0, 0), (500, 0))
    side = line((200, 200), (200, 50))
    got = down([through, side], [(450, 0)], [(50, 0), (200, 100)], waters=[LAKE])
    assert got == [(400, 0), (50 + np.hypot(100, 50) + 150, 0)]
    beach = down([through], [(200, 80)], [(50, 0)], waters=[LAKE])
    assert beach == [(50 + np.hypot(100, 50), 0)]


def test_a_stretch_of_center_line_inside_a_lake_loses_no_water():
    stub = line((150, 0), (200, 0))
    got = down([stub, OUT], [(400, 30)], [(160, 0)], waters=[LAKE])
    assert got == [(40 + np.hypot(100, 30) + 100, 0)]


def test_waters_that_touch_are_one():
    second = shapely.box(WEST + 301, SOUTH - 50, WEST + 400, SOUTH + 50)
    away = line((400, 0), (600, 0))
    assert down([IN, away], [(500, 0)], [(50, 0)], waters=[LAKE, second]) == [(450, 0)]


def test_in_a_wide_river_no_water_runs_up():
    """The polygon falls 2 m eastward: a tributary at its east end reaches nothing at its west."""

    def falls_east(x, y):
        return 100 - 0.01 * (x - WEST)

    mouth = line((280, 150), (280, 50))
    west_beach = [(120, 60)]
    kept = {"waters": [LAKE], "heights_at": falls_east}
    assert down([mouth], west_beach, [(280, 100)], **kept) == [None]
    assert down([IN], west_beach, [(50, 0)], **kept) == [(50 + np.hypot(20, 50), 0)]
    level = down([mouth], west_beach, [(280, 100)], waters=[LAKE])
    assert level == [(50 + 160, 0)]


def test_outfalls_are_where_no_line_leads_on():
    lines = shapes(line((0, 0), (100, 0)), line((50, 60), (50, 0)), line((100, 0), (130, 40)))
    network = build_network(lines, UTM16)
    assert len(network.outfalls) == 1
    assert network.xy[network.outfalls[0]].tolist() == [WEST + 130, SOUTH + 40]


def test_nothing_given_reaches_nothing():
    assert down([], [], [(0, 0)]) == [None]
    assert down([], [(5, 5)], [(0, 0)]) == [None]
    assert down([IN], [], [(0, 0)]) == [None]
    assert down([], [(5, 5)], [(0, 0)], across=True) == [None]


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 2**32 - 1))
def test_every_walk_ends_at_a_place_by_the_shortest_way(seed):
    """Random lines with circles, lakes and dead ends; lengths against relaxation, edge by edge."""
    rng = np.random.default_rng(seed)
    at = rng.integers(0, 6, (30, 2, 2)) * 100.0
    at = at[(at[:, 0] != at[:, 1]).any(axis=1)]
    lines = shapely.linestrings(at + np.array([WEST, SOUTH]))
    lakes = shapely.buffer(points(*rng.uniform(0, 500, (3, 2))), 60)
    marks = points(*rng.uniform(0, 500, (3, 2)))
    network = build_network(lines, UTM16, waters=lakes, marks=marks, marks_within_m=50)
    reach = network.reach(network.marks)

    best = np.full(len(network.xy), np.inf)
    best[network.marks] = 0.0
    for _ in range(len(best)):
        before = best.copy()
        np.minimum.at(best, network.edge[:, 0], network.edge_m + best[network.edge[:, 1]])
        if (best == before).all():
            break
    np.testing.assert_allclose(reach.length_m, best, rtol=0, atol=1e-6)

    for node in np.flatnonzero(np.isfinite(reach.length_m)):
        seen, goal = set(), reach.goal[node]
        while reach.onward[node] >= 0:
            assert node not in seen
            seen.add(node)
            assert reach.length_m[reach.onward[node]] <= reach.length_m[node]
            node = reach.onward[node]
        assert node == goal
        assert node in network.marks
    assert (reach.goal[~np.isfinite(reach.length_m)] == -1).all()
