"""Pipes of one fall against hand-worked cases; distances to areas against shapely."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from geo.kernels.pipes import along_pipes, gathered, level, outside, past_others

BURIAL_M, FALL = 0.5, 0.01


def plane(rise_east, rise_north, shape=(61, 61), cell_m=1.0, at=100.0):
    rows, cols = np.indices(shape)
    east = (cols - shape[1] // 2) * cell_m
    north = (shape[0] // 2 - rows) * cell_m
    return (at + rise_east * east + rise_north * north).astype(np.float32)


def to_cell(z, row, col, *, by_gravity=True, marks=None, cell_m=1.0):
    """One pipe from the middle of the grid's middle cell to a cell."""
    middle = z.shape[0] // 2 + 0.5, z.shape[1] // 2 + 0.5
    start = float(z[z.shape[0] // 2, z.shape[1] // 2]) - BURIAL_M
    marks = np.zeros(z.shape, np.uint8) if marks is None else marks
    found = along_pipes(
        z, marks, *middle, np.array([row]), np.array([col]), cell_m, cell_m, start, FALL, by_gravity
    )
    return [float(values[0]) for values in found]


def test_flat_ground_never_comes_to_daylight():
    # by hand: the pipe only sinks: at 20 m it lies 0.5 + 0.2 m under the ground
    spare, daylight, cover, _ = to_cell(plane(0, 0), 30, 50, by_gravity=False)
    assert spare == pytest.approx(-0.7, abs=1e-5)
    assert np.isnan(daylight)
    assert cover == pytest.approx(0.7, abs=1e-5)


@pytest.mark.parametrize("slope", [0.03, 0.05, 0.12, 0.4])
def test_a_slope_comes_to_daylight_where_the_burial_is_used_up(slope):
    # by hand: ground falls slope a meter, the pipe FALL: they meet at burial / (slope - fall)
    z = plane(-slope, 0)
    _, daylight, cover, _ = to_cell(z, 30, 59)
    assert daylight == pytest.approx(BURIAL_M / (slope - FALL), abs=0.01)
    assert cover == pytest.approx(BURIAL_M, abs=1e-4)


def test_a_slope_aside_counts_by_its_part_along_the_pipe():
    # by hand: 3-4-5: a pipe at 3 east, 4 north on ground that falls 0.1 to the east falls 0.06
    spare, daylight, _, _ = to_cell(plane(-0.1, 0), 30 - 24, 30 + 18)
    assert daylight == pytest.approx(BURIAL_M / (0.06 - FALL), abs=0.01)
    assert spare == pytest.approx(30 * (0.06 - FALL) - BURIAL_M, abs=1e-4)


@pytest.mark.parametrize("slope", [0.0, FALL, -0.05])
def test_no_daylight_where_the_ground_falls_no_faster_than_the_pipe(slope):
    assert np.isnan(to_cell(plane(-slope, 0), 30, 59, by_gravity=False)[1])


def test_a_rise_on_the_way_is_the_deepest_cover():
    # by hand: a bank of 2 m at 10 m: 2 + 0.5 + 0.1 above the pipe
    z = plane(-0.1, 0)
    z[:, 40] = 102
    assert to_cell(z, 30, 55)[2] == pytest.approx(2.6, abs=1e-4)


def test_what_is_passed_leaves_out_both_ends():
    marks = np.zeros((61, 61), np.uint8)
    marks[30, 30], marks[30, 55], marks[30, 40], marks[20, 40] = 1, 2, 4, 8
    assert to_cell(plane(-0.1, 0), 30, 55, marks=marks)[3] == 4


def test_cells_need_not_be_square():
    # by hand: 5 cells of 3 m to the south at a fall of 0.1: 15 m, and the daylight at 5.56 m
    rows, _ = np.indices((31, 31))
    z = (100 - 0.1 * 3.0 * (rows - 15)).astype(np.float32)
    found = along_pipes(
        z, np.zeros(z.shape, np.uint8), 15.5, 15.5, np.array([20]), np.array([15]),
        2.0, 3.0, 99.5, FALL, True,
    )  # fmt: skip
    assert found[0][0] == pytest.approx(99.5 - 0.15 - 98.5, abs=1e-4)
    assert found[1][0] == pytest.approx(0.5 / 0.09, abs=0.01)


def test_heights_between_centers():
    z = np.array([[0, 2], [4, 6]], np.float32)
    assert level(z, 1.0, 1.0) == 3
    assert level(z, 0.5, 1.25) == 1.5
    assert np.isnan(level(z, 0.4, 1.0))


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 10_000))
def test_outside_is_the_distance_to_an_area(seed):
    rng = np.random.default_rng(seed)
    area = (
        shapely.Point(0, 0)
        .buffer(20, quad_segs=3)
        .difference(shapely.box(*np.sort(rng.uniform(-15, 15, (2, 2)), axis=0).ravel()))
    )
    ends = []
    for ring in shapely.get_rings(shapely.get_parts(area)):
        xy = shapely.get_coordinates(ring)
        ends.append(np.hstack([xy[:-1], xy[1:]]))
    x, y = rng.uniform(-40, 40, (2, 50))
    expected = shapely.distance(area, shapely.points(x, y))
    np.testing.assert_allclose(outside(np.vstack(ends), x, y), expected, atol=1e-9)


def test_a_pipe_is_past_a_parcel_once_it_has_left_it_again():
    # by hand, from the west: own to column 10, a road, another from 14 to 23, a third from 24 to
    # 29, nothing after it
    parcels = np.zeros((21, 41), np.int32)
    parcels[:, :11], parcels[:, 14:24], parcels[:, 24:30] = 1, 2, 3
    col = np.array([5, 12, 20, 23, 24, 29, 35])
    past = past_others(parcels, 10.5, 3.5, np.full(7, 10), col, 1.0, 1.0, 3.0)
    assert past.tolist() == [False, False, False, False, True, True, True]
    # a strip narrower than counts is no parcel, and the own one on the way begins it anew
    parcels[:, 14:24] = 0
    parcels[:, 12:14] = 2
    assert not past_others(parcels, 10.5, 3.5, np.array([10]), np.array([20]), 1.0, 1.0, 3.0)[0]
    parcels[:, 4:9] = 7
    assert not past_others(parcels, 10.5, 3.5, np.array([10]), np.array([10]), 1.0, 1.0, 3.0)[0]


def test_a_lid_placed_on_another_parcel_starts_from_there():
    parcels = np.zeros((21, 41), np.int32)
    parcels[:, :11], parcels[:, 11:21], parcels[:, 21:31] = 4, 1, 5
    col = np.array([15, 25, 35])
    past = past_others(parcels, 10.5, 3.5, np.full(3, 10), col, 1.0, 1.0, 3.0)
    assert past.tolist() == [False, False, True]


def brute(row, col, high, wide, chance, within, most):
    """The same places, by the plain rule."""
    left, out = dict(enumerate(chance)), []
    apart = np.hypot((row[:, None] - row) * high, (col[:, None] - col) * wide)
    while left and len(out) < most:
        mass = {k: sum(left[j] for j in left if apart[k, j] <= within) for k in left}
        best = max(mass.values())
        out.append(best)
        center = next(k for k in left if mass[k] >= best - 1e-12)
        left = {k: v for k, v in left.items() if apart[center, k] > within}
    return out


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 10_000))
def test_places_gather_what_no_other_counts(seed):
    rng = np.random.default_rng(seed)
    at = rng.choice(400, rng.integers(1, 120), replace=False)
    row, col = np.sort(at) // 20, np.sort(at) % 20
    chance = rng.random(len(at))
    chance /= chance.sum() * rng.uniform(1, 2)
    center, mass = gathered(row, col, 3.0, 2.0, chance, 10.0, 5)
    assert mass == pytest.approx(brute(row, col, 3.0, 2.0, chance, 10.0, 5), abs=1e-9)
    assert (np.diff(mass) <= 0).all()
    assert mass.sum() <= chance.sum() + 1e-12
    apart = np.hypot(np.subtract.outer(row[center], row[center]) * 3.0,
                     np.subtract.outer(col[center], col[center]) * 2.0)  # fmt: skip
    assert (apart[~np.eye(len(center), dtype=bool)] > 10).all()
