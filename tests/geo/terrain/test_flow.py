"""Directions, accumulation, height above drainage and paths against slow references."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import array_shapes, arrays
from scipy import sparse
from scipy.sparse.linalg import spsolve

from geo.terrain import (
    fill_depressions,
    flow_accumulation,
    flow_accumulation_dinf,
    flow_direction,
    flow_direction_dinf,
    flow_paths,
    height_above_drainage,
)

# written out again here, from the words of the docstring: 1 = east, anticlockwise, row 0 north
STEP = {
    1: (0, 1),
    2: (-1, 1),
    3: (-1, 0),
    4: (-1, -1),
    5: (0, -1),
    6: (1, -1),
    7: (1, 0),
    8: (1, 1),
}


def slopes(z: np.ndarray, width: float, height: float) -> np.ndarray:
    """Drop over distance to each neighbor in float64 (O'Callaghan and Mark 1984)."""
    wide = np.pad(z.astype(np.float64), 1, constant_values=np.nan)
    rows, cols = z.shape
    return np.array(
        [
            (z - wide[1 + i : 1 + i + rows, 1 + j : 1 + j + cols]) / np.hypot(i * height, j * width)
            for i, j in STEP.values()
        ]
    )


def next_cell(direction: np.ndarray) -> np.ndarray:
    """Flat index of the cell each cell drains to; itself where the direction is 0."""
    rows, cols = direction.shape
    index = np.arange(rows * cols).reshape(rows, cols)
    for code, (i, j) in STEP.items():
        index = np.where(direction == code, index + i * cols + j, index)
    return index.reshape(-1)


def slow_path(direction: np.ndarray, row: int, col: int, stop=None) -> list[tuple[int, int]]:
    path = [(row, col)]
    while direction[row, col] and not (stop is not None and stop[row, col]):
        i, j = STEP[int(direction[row, col])]
        row, col = row + i, col + j
        path.append((row, col))
        assert len(path) <= direction.size
    return path


def check_valid(filled: np.ndarray, direction: np.ndarray, ocean) -> None:
    """Downhill or level, no circles, and every cell of land drains to the ocean."""
    land = ~np.isnan(filled) & ~ocean(filled)
    np.testing.assert_array_equal(direction > 0, land)
    target = next_cell(direction)
    assert (filled.reshape(-1)[target] <= filled.reshape(-1))[land.reshape(-1)].all()
    end = target
    for _ in range(int(np.ceil(np.log2(max(filled.size, 2)))) + 1):
        end = end[end]  # each round doubles the steps taken: a circle would never reach a 0
    assert (direction.reshape(-1)[end] == 0).all()
    assert ocean(filled).reshape(-1)[end][land.reshape(-1)].all()


@pytest.mark.parametrize("cell_m", [1.0, (3.0, 4.0), (10.0, 2.5)])
def test_steepest_descent_equals_reference_without_flats(cell_m, ocean):
    z = np.random.default_rng(5).normal(100, 5, (120, 90))
    z += np.linspace(400, 0, 120)[:, None]
    filled = fill_depressions(z.astype(np.float32))
    compare(filled, cell_m, ocean, at_least=0.6)


def test_steepest_descent_on_real_ground(real_ground, ocean):
    filled = fill_depressions(real_ground)
    compare(filled, (1.0, 1.0), ocean, at_least=0.4)
    check_valid(filled, flow_direction(filled, 1.0), ocean)


def compare(filled, cell_m, ocean, at_least):
    width, height = np.broadcast_to(cell_m, 2)
    slope = slopes(filled, width, height)
    sloping = (np.nan_to_num(slope, nan=-1).max(0) > 0) & ~ocean(filled)
    best = np.nan_to_num(slope, nan=-1).argmax(0) + 1  # the first of equals: the lowest code
    direction = flow_direction(filled, cell_m)
    assert sloping.mean() > at_least
    np.testing.assert_array_equal(direction[sloping], best[sloping])
    check_valid(filled, direction, ocean)


def test_every_direction_and_ties_by_lowest_code():
    for code, (i, j) in STEP.items():
        z = np.full((3, 3), 10.0)
        z[1 + i, 1 + j] = 5
        assert flow_direction(z, 1.0)[1, 1] == code
    z = np.full((3, 3), 10.0)
    z[1, 0] = z[2, 1] = z[0, 1] = 5
    assert flow_direction(z, 1.0)[1, 1] == 3  # north before west and south
    # cells of 3 by 4: a diagonal is 5 long, so drops of 3, 4 and 5 are equally steep
    z = np.full((3, 3), 10.0)
    z[1, 2], z[2, 1], z[2, 2] = 7, 6, 5
    assert flow_direction(z, (3, 4))[1, 1] == 1
    z[1, 2] = 10
    assert flow_direction(z, (3, 4))[1, 1] == 7


def test_diagonal_drops_are_divided_by_their_distance():
    z = np.full((3, 3), 10.0)
    z[1, 2], z[0, 2] = 9.0, 8.6  # 1.0 against 1.4 / 1.414
    assert flow_direction(z, 1.0)[1, 1] == 1
    z[0, 2] = 8.5  # 1.5 / 1.414
    assert flow_direction(z, 1.0)[1, 1] == 2


@given(
    arrays(np.int8, array_shapes(min_dims=2, max_dims=2, max_side=12), elements=st.integers(0, 2)),
    st.data(),
)
@settings(deadline=None, max_examples=200)
def test_flats_drain(ocean, z, data):
    void = data.draw(arrays(np.bool_, z.shape, elements=st.sampled_from([False] * 8 + [True])))
    filled = fill_depressions(np.where(void, np.nan, z))
    check_valid(filled, flow_direction(filled, 1.0), ocean)


def check_random_grid(seed: int, ocean) -> None:
    """Any small ground, filled: every path ends, by eight directions and by angles."""
    random = np.random.default_rng(seed)
    shape = tuple(random.integers(1, 20, 2))
    levels = random.choice([1, 2, 5, 50, 10**6])
    z = (random.integers(0, levels, shape) / levels).astype(random.choice([np.float32, np.float64]))
    if seed % 3 == 0:
        z[random.random(shape) < 0.07] = np.nan
    cell_m = (1.0, float(random.choice([1.0, 0.4, 3.0])))
    filled = fill_depressions(z)
    direction = flow_direction(filled, cell_m)
    check_valid(filled, direction, ocean)
    assert flow_accumulation(direction)[direction == 0].sum() == z.size
    angle = flow_direction_dinf(filled, cell_m)
    total = flow_accumulation_dinf(angle, cell_m)  # refuses circles
    assert total[np.isnan(angle)].sum() == pytest.approx(z.size, rel=1e-12)


def test_every_path_ends(ocean):
    for seed in range(200):
        check_random_grid(seed, ocean)


@pytest.mark.long
@pytest.mark.parametrize("block", range(10))
def test_every_path_ends_on_ten_thousand_grids(block, ocean):
    for seed in range(1000 * block, 1000 * block + 1000):
        check_random_grid(seed, ocean)


def test_no_direction_is_favored():
    """Without ties a turned or mirrored terrain gives the turned or mirrored accumulation."""
    z = np.random.default_rng(12).random((40, 50)) - 1.5 * np.arange(50)  # falls to the east
    np.testing.assert_array_equal(fill_depressions(z), z)
    whole = flow_accumulation(flow_direction(z, (2.0, 3.0)))
    for turn, cell_m in (
        (np.flipud, (2.0, 3.0)),
        (np.fliplr, (2.0, 3.0)),
        (np.transpose, (3.0, 2.0)),
        (np.rot90, (3.0, 2.0)),
    ):
        turned = flow_accumulation(flow_direction(turn(z), cell_m))
        np.testing.assert_array_equal(turned, turn(whole))


def test_on_a_flat_the_lowest_code_among_the_nearest_is_taken():
    z = np.full((7, 7), 4.0)
    direction = flow_direction(z, 1.0)
    assert direction[3, 5] == 1
    assert direction[1, 1] == 2  # north-east, north, ... are all one step from the edge
    assert direction[3, 3] == 1
    assert direction[5, 3] == 6  # south-west, south and south-east are one step away


def test_flats_drain_by_the_fewest_steps(ocean):
    z = np.full((9, 40), 7.0)
    direction = flow_direction(z, 1.0)
    check_valid(z, direction, ocean)
    for row, col in np.ndindex(z.shape):
        nearest = min(row, 8 - row, col, 39 - col)
        assert len(slow_path(direction, row, col)) == nearest + 1


def test_quantised_terrain_with_voids_drains(rough, ocean):
    z = rough(4, (150, 140), step=0.5)
    z[30:60, 50:70] = np.nan
    filled = fill_depressions(z)
    check_valid(filled, flow_direction(filled, (2.0, 1.0)), ocean)


def test_depressions_are_refused_with_their_place():
    z = np.full((5, 6), 9.0)
    z[2, 2:4] = 1
    with pytest.raises(
        ValueError, match=r"2 cells are in depressions .* row 2, column 2; call fill_depressions"
    ):
        flow_direction(z, 1.0)


def test_inclined_plane_accumulates_by_row():
    """On a plane falling to the south the area upslope is the index of the row."""
    z = np.repeat(np.arange(12.0, 0, -1)[:, None], 7, axis=1)
    total = flow_accumulation(flow_direction(z, 10.0))
    assert total.dtype == np.int64
    np.testing.assert_array_equal(total[1:-1, 1:-1], np.repeat(np.arange(1, 11)[:, None], 5, 1))
    assert total[-1, 3] == 11
    # topographic wetness index (Beven and Kirkby 1979) of rows 1, 2, 3 at a slope of 0.1
    wetness = np.log(total[1:4, 3] * 10 / 0.1)
    np.testing.assert_allclose(wetness, [4.6052, 5.2983, 5.7038], atol=5e-5)


@pytest.fixture(scope="module")
def valley(rough):
    z = rough(6, (40, 50), step=0.1)
    z[10:14, 20:26] = np.nan
    filled = fill_depressions(z)
    return filled, flow_direction(filled, 1.0)


def test_accumulation_equals_walking_every_path(valley):
    filled, direction = valley
    weights = np.random.default_rng(2).integers(0, 9, filled.shape).astype(float)
    count, load = np.zeros(filled.shape, int), np.zeros(filled.shape)
    for start in np.ndindex(filled.shape):
        for cell in slow_path(direction, *start):
            count[cell] += 1
            load[cell] += weights[start]
    np.testing.assert_array_equal(flow_accumulation(direction), count)
    np.testing.assert_array_equal(flow_accumulation(direction, weights), load)
    assert flow_accumulation(direction)[direction == 0].sum() == filled.size


def test_accumulation_equals_a_sparse_system_on_real_ground(real_ground):
    """The total of a cell is its own and that of those that drain to it: scipy solves for all."""
    direction = flow_direction(fill_depressions(real_ground), 1.0)
    target, here = next_cell(direction), np.arange(direction.size)
    moves = target != here
    passed = sparse.csr_array(
        (np.ones(moves.sum()), (target[moves], here[moves])), (here.size, here.size)
    )
    total = spsolve((sparse.eye_array(here.size) - passed).tocsc(), np.ones(here.size))
    count = flow_accumulation(direction).reshape(-1)
    np.testing.assert_array_equal(np.round(total).astype(int), count)
    assert count.max() > 1000


def test_weights_stay_as_they_were_and_nan_spreads_downslope(valley):
    _, direction = valley
    weights = np.ones(direction.shape)
    weights[5, 5] = np.nan
    total = flow_accumulation(direction, weights)
    assert np.isnan(weights).sum() == 1
    wet = {tuple(cell) for cell in np.argwhere(np.isnan(total))}
    assert wet == set(slow_path(direction, 5, 5))


def test_height_above_drainage_equals_walking_every_path(valley):
    filled, direction = valley
    is_drainage = flow_accumulation(direction) > 60
    expected = np.full(filled.shape, np.nan, np.float32)
    for start in np.ndindex(filled.shape):
        end = slow_path(direction, *start, stop=is_drainage)[-1]
        if is_drainage[end]:
            expected[start] = np.float64(filled[start]) - np.float64(filled[end])
    height = height_above_drainage(filled, direction, is_drainage)
    assert height.dtype == np.float32
    np.testing.assert_array_equal(height, expected)
    assert (height[is_drainage] == 0).all()
    assert np.nanmin(height) >= 0
    assert 0.1 < np.isnan(height).mean() < 0.9  # some paths leave before they meet drainage


def test_height_on_real_ground_is_never_negative(real_ground):
    filled = fill_depressions(real_ground)
    direction = flow_direction(filled, 1.0)
    stream = flow_accumulation(direction) > 2000
    height = height_above_drainage(filled, direction, stream)
    assert np.nanmin(height) == 0
    assert np.nanmax(height) > 5


def test_paths_equal_walking(valley):
    filled, direction = valley
    stop = flow_accumulation(direction) > 60
    starts = np.array(list(np.ndindex(filled.shape)))
    for mask in (None, stop):
        paths = flow_paths(direction, starts, mask)
        assert len(paths) == len(starts)
        for start, path in zip(starts, paths, strict=True):
            assert [tuple(cell) for cell in path] == slow_path(direction, *start, stop=mask)


def test_paths_from_outside_and_from_nothing(valley):
    _, direction = valley
    paths = flow_paths(direction, [[-1, 3], [5, 5], [3, 50], [0, 0]])
    assert [len(p) for p in paths] == [0, len(slow_path(direction, 5, 5)), 0, 1]
    assert paths[0].shape == (0, 2)
    assert flow_paths(direction, []) == []
    assert flow_paths(direction, np.empty((0, 2))) == []
