"""Roads opened where streams cross them: the least ground moved, limits kept, all accounted for."""

from __future__ import annotations

import heapq

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import LineString, MultiLineString, Point
from skimage.graph import route_through_array

from geo.kernels.breach import least_cut
from geo.terrain import (
    Crossing,
    breach_crossings,
    fill_depressions,
    flow_direction,
    flow_paths,
)


def road_over_valley(slope: float = 0.1) -> np.ndarray:
    """A V-shaped valley falling to the west, closed in the east; a road across columns 14 to 18."""
    row, col = np.indices((21, 34))
    z = 100 + col * slope + np.abs(row - 10) * 1.0
    z[:, 14:19] = np.maximum(z[:, 14:19], 104)
    z[:, -1] = 120
    return z.astype(np.float32)


def at(*cells: tuple[float, float], width=1.0, height=1.0) -> LineString:
    """A line on the map through (row, column) counted from the corner at (1000, 2000)."""
    return LineString([(1000 + c * width, 2000 - r * height) for r, c in cells])


def crossing(stream=None, road=None, accuracy=1.5) -> Crossing:
    stream = stream or at((10.5, 33), (10.5, 0))
    road = road or at((-5, 16.5), (25, 16.5))
    return Crossing(stream.intersection(road), stream, road, accuracy)


def reference(z, is_open, is_goal, start, level, cell):
    """Cost of the cheapest way to any goal: a plain search over all cells, no heap of ours."""
    over = np.maximum(z.astype(float) - level, 0)
    best = {start: 0.0}
    heap = [(0.0, start)]
    while heap:
        cost, (i, j) = heapq.heappop(heap)
        if cost > best[i, j]:
            continue
        for p in range(max(i - 1, 0), min(i + 2, z.shape[0])):
            for q in range(max(j - 1, 0), min(j + 2, z.shape[1])):
                if not is_open[p, q] or (p, q) == (i, j):
                    continue
                away = np.hypot((q - j) * cell[0], (p - i) * cell[1])
                new = cost + away * (over[i, j] + over[p, q]) / 2
                if new < best.get((p, q), np.inf):
                    best[p, q] = new
                    heapq.heappush(heap, (new, (p, q)))
    return min(
        (best.get((int(i), int(j)), np.inf) for i, j in np.argwhere(is_goal)), default=np.inf
    )


def cost_of(path, z, level, cell):
    row, col = np.divmod(path, z.shape[1])
    over = np.maximum(z.astype(float).reshape(-1)[path] - level, 0)
    away = np.hypot(np.diff(col) * cell[0], np.diff(row) * cell[1])
    return float((away * (over[:-1] + over[1:]) / 2).sum())


@given(st.integers(0, 10_000), st.sampled_from([(1.0, 1.0), (2.0, 0.5)]))
@settings(deadline=None, max_examples=150)
def test_the_path_costs_the_least(seed, cell):
    random = np.random.default_rng(seed)
    z = random.integers(0, 7, (7, 9)).astype(np.float32)
    is_open = random.random(z.shape) > 0.25
    is_open[3, 0] = is_open[3, 8] = True
    is_goal = np.zeros(z.shape, bool)
    is_goal[:, 8] = is_open[:, 8]
    start = 3 * 9
    path = least_cut(z, is_open, is_goal, start, 2.0, cell, np.inf)
    expected = reference(z, is_open, is_goal, (3, 0), 2.0, cell)
    if not path.size:
        assert np.isinf(expected)
        return
    assert path[0] == start
    assert is_goal.reshape(-1)[path[-1]]
    assert is_open.reshape(-1)[path].all()
    row, col = np.divmod(path, 9)
    assert (np.maximum(np.abs(np.diff(row)), np.abs(np.diff(col))) == 1).all()
    assert cost_of(path, z, 2.0, cell) == pytest.approx(expected)


def test_the_path_costs_what_scikit_image_says():
    random = np.random.default_rng(3)
    for _ in range(20):
        z = random.random((30, 40)).astype(np.float32) + 1
        goal = np.zeros(z.shape, bool)
        goal[29, 39] = True
        path = least_cut(z, np.ones(z.shape, bool), goal, 0, 1.0, (1.0, 1.0), np.inf)
        _, cost = route_through_array(z - 1.0, (0, 0), (29, 39), geometric=True)
        assert cost_of(path, z, 1.0, (1.0, 1.0)) == pytest.approx(cost, rel=1e-6)


def test_cells_that_would_be_cut_too_deep_are_closed():
    z = np.array([[0, 9, 0], [3, 4, 5]], np.float32)
    goal = np.array([[False, False, True], [False, False, False]])
    every = np.ones(z.shape, bool)
    assert least_cut(z, every, goal, 0, 0.0, (1.0, 1.0), np.inf).tolist() == [0, 4, 2]
    assert least_cut(z, every, goal, 0, 0.0, (1.0, 1.0), 3.5).tolist() == []


@pytest.mark.parametrize("turn", [False, True])
@pytest.mark.parametrize(("width", "height"), [(1.0, 1.0), (2.0, 3.0)])
def test_water_passes(grid_of, turn, width, height):
    z = road_over_valley()
    assert fill_depressions(z)[10, 25] > z[10, 25] + 1  # the road holds a pond
    stream = at((10.5, 33), (10.5, 0), width=width, height=height)
    stream = stream.reverse() if turn else stream  # which way it is drawn makes no difference
    road = at((-5, 16.5), (25, 16.5), width=width, height=height)
    found = crossing(stream, road, accuracy=1.5 * height)
    cut, (report,) = breach_crossings(grid_of(z, width, height), [found])
    assert (report.used, report.reason, report.cells) == (True, "cut", 5)
    assert report.max_cut_m == pytest.approx(104 - 101.4, abs=0.1)
    assert report.length_m == pytest.approx(6 * width)
    assert report.from_m == pytest.approx(101.9)
    assert report.to_m < report.from_m
    assert not (cut.values > z).any()
    bed = cut.values[10, 13:20]
    assert (np.diff(bed) >= 0).all()  # never rises on its way to the west
    filled = fill_depressions(cut.values)
    assert (filled - cut.values).max() < 0.01
    path = flow_paths(flow_direction(filled, (width, height)), [[10, 25]])[0]
    assert path[-1, 1] == 0
    x, y = report.xy.T
    assert (x[:-1] > x[1:]).all()  # downstream
    assert np.abs(y - (2000 - 10.5 * height)).max() < 1e-9


def test_the_least_ground_within_the_corridor_is_moved(grid_of):
    z = road_over_valley()
    z[11, 14:19] = 102.5  # a dip in the road, one row off the stream
    z[13, 14:19] = 101.0  # a deeper one, too far off
    cut, (report,) = breach_crossings(grid_of(z), [crossing(accuracy=1.5)])
    changed = np.argwhere(cut.values != z)
    assert set(changed[:, 0]) <= {9, 10, 11}
    assert 11 in changed[:, 0]
    assert report.max_cut_m < 1.2
    _, (wide,) = breach_crossings(grid_of(z), [crossing(accuracy=4.0)])
    assert (wide.xy[:, 1] < 2000 - 13).any()  # row 13 now lies within the corridor
    assert wide.max_cut_m < report.max_cut_m


def test_limits_are_kept_and_said(grid_of):
    z = road_over_valley()
    for limits, reason in (
        ({"most_depth_m": 2.0}, "too deep"),
        ({"most_length_m": 5.5}, "too long"),
        ({"most_length_m": 0.0}, "too long"),
    ):
        cut, (report,) = breach_crossings(grid_of(z), [crossing()], **limits)
        assert (report.used, report.reason, report.cells) == (False, reason, 0)
        np.testing.assert_array_equal(cut.values, z)
    assert report.index == 0
    _, (deep,) = breach_crossings(grid_of(z), [crossing()], most_depth_m=2.0)
    assert deep.max_cut_m > 2.0
    with pytest.raises(ValueError, match="must not be negative"):
        breach_crossings(grid_of(z), [crossing()], most_depth_m=-1)


def test_every_crossing_is_accounted_for(grid_of):
    z = road_over_valley()
    opened = road_over_valley()
    opened[10, 14:19] = 100 + 0.1 * np.arange(14, 19)
    void = z.copy()
    void[:, 16] = np.nan
    dead_end = crossing(road=at((10.0, 16.5), (12.0, 16.5)), accuracy=4.0)
    assert [
        breach_crossings(grid_of(ground), [found])[1][0].reason
        for ground, found in (
            (opened, crossing()),
            (void, crossing()),
            (z, dead_end),
            (z, Crossing(Point(5000, 5000), at((0, 0), (1, 1)), at((0, 1), (1, 0)), 2.0)),
            (z, crossing(at((10.5, 60), (10.5, 90)), at((0, 75), (20, 75)))),
        )
    ] == ["already open", "no way", "not divided", "not divided", "off the terrain"]
    cut, (report,) = breach_crossings(grid_of(opened), [crossing()])
    assert report.used
    np.testing.assert_array_equal(cut.values, opened)


def test_a_pit_above_the_road_does_not_turn_the_water_round(grid_of):
    z = road_over_valley()
    z[10, 24] = 90  # deeper than all ground below the road
    cut, (report,) = breach_crossings(grid_of(z), [crossing()])
    assert report.reason == "cut"
    assert (report.from_m, report.to_m) == (100.0, 100.0)  # the lowest ground below
    assert cut.values[10, 24] == 90
    filled = fill_depressions(cut.values)
    assert filled[10, 24] <= 100.0
    path = flow_paths(flow_direction(filled, 1.0), [[10, 30]])[0]
    assert path[-1, 1] == 0


def test_a_stream_in_pieces_is_followed_over_their_joints(grid_of):
    z = road_over_valley()
    pieces = MultiLineString([at((10.5, 33), (10.5, 17)), at((10.5, 17), (10.5, 0))])
    road = at((-5, 16.5), (25, 16.5))
    found = Crossing(Point(1016.5, 1989.5), pieces, road, 1.5)
    _, (report,) = breach_crossings(grid_of(z), [found])
    assert report.reason == "cut"


def test_order_makes_no_difference(grid_of):
    z = road_over_valley()
    both = [
        crossing(accuracy=1.5),
        crossing(at((12.5, 33), (8.5, 0))),
    ]
    one, _ = breach_crossings(grid_of(z), both)
    other, _ = breach_crossings(grid_of(z), both[::-1])
    np.testing.assert_array_equal(one.values, other.values)
