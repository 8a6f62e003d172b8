"""Windows answer as the whole terrain does; boundary water is all that comes in, once."""

import numpy as np
import pytest
from affine import Affine
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import CRS

from geo.ponds.draw_windows import basins_of, boundary_water, share_windows
from geo.runoff import levels_from_inflow
from geo.runoff.storms import storm_ponds
from geo.terrain import depressions
from geo.terrain.error_field import ErrorField
from layers.grid import Grid, Window

UTM16 = CRS("EPSG:32616")
RAIN_IN = {2: 0.4, 10: 1.5, 100: 5.0}


def rough(seed, shape, smooth=2.0, slope=0.02):
    """Ground with hollows within hollows on a slope, so that basins spill into one another."""
    z = sum(
        ErrorField(sd, scale, (1.0, 1.0), seed).read(k, Window(0, 0, *shape)).astype(np.float64)
        for k, (sd, scale) in enumerate([(0.3, smooth), (0.5, 3 * smooth)])
    )
    fall = np.arange(shape[0])[:, None] * slope + np.arange(shape[1])[None, :] * slope / 3
    return (100 + z + fall).astype(np.float32)


def ponds_on(z, seed=0):
    numbers = np.where(np.random.default_rng(seed).random(z.shape) < 0.5, 98.0, 75.0)
    return storm_ponds(Grid(z, Affine(1, 0, 0, 0, -1, 0), UTM16), numbers, RAIN_IN)


def depths_in(ponds, window, enters, s):
    """Depth of storm number s in a window worked out from the window and what enters it."""
    z = ponds.surface.values[window.slices]
    tree = depressions(z, cell_m=ponds.surface.cell_m)
    water = ponds.runoff_m[:, s][ponds.kind[window.slices]].reshape(-1)
    np.add.at(water, enters.cell, enters.depth_m[:, s])
    inflow = np.bincount(tree.labels.reshape(-1), water, tree.leaf_count + 1)
    return levels_from_inflow(tree, inflow).depth(z, tree.labels)


@given(st.integers(0, 10_000), st.integers(1, 6), st.booleans())
@settings(max_examples=60, deadline=None)
def test_a_window_gives_the_whole_terrains_answer_in_its_basins(seed, count, has_voids):
    random = np.random.default_rng(seed)
    z = rough(seed, (60, 70))
    if has_voids:
        z[random.random(z.shape) < 0.005] = np.nan
    ponds = ponds_on(z, seed)
    basins = basins_of(ponds.hierarchy, z)
    if basins.node.size == 1:
        return
    chosen = random.integers(1, basins.node.size, count)
    windows, of_basin = share_windows(basins.catchment[chosen].astype(np.int64), z.shape, (2, 2))
    entering = boundary_water(ponds, basins, windows)
    for s, levels in enumerate(ponds.by_storm.values()):
        whole = levels.depth(z, ponds.hierarchy.labels)
        for basin, w in zip(chosen, of_basin, strict=True):
            window = windows[w]
            part = depths_in(ponds, window, entering[w], s)
            is_basin = (basins.of_label[ponds.hierarchy.labels] == basin)[window.slices]
            assert is_basin.sum() == (basins.of_label[ponds.hierarchy.labels] == basin).sum()
            np.testing.assert_allclose(
                part[is_basin], whole[window.slices][is_basin], atol=1e-9, rtol=0
            )


def test_windows_of_the_test_above_are_parts_that_need_what_comes_in():
    # the claim would be empty if every window were the whole, or nothing came in
    windows_tried, needed = [], 0
    for seed in range(20):
        z = rough(seed, (60, 70))
        ponds = ponds_on(z, seed)
        basins = basins_of(ponds.hierarchy, z)
        for basin in range(1, basins.node.size):
            windows, _ = share_windows(basins.catchment[[basin]].astype(np.int64), z.shape, (2, 2))
            (enters,) = boundary_water(ponds, basins, windows)
            windows_tried.append(windows[0].rows * windows[0].cols < z.size)
            dry = type(enters)(enters.cell[:0], enters.depth_m[:0])
            is_basin = (basins.of_label[ponds.hierarchy.labels] == basin)[windows[0].slices]
            needed += any(
                np.abs(
                    depths_in(ponds, windows[0], enters, s) - depths_in(ponds, windows[0], dry, s)
                )[is_basin].max()
                > 1e-6
                for s in range(3)
            )
    assert sum(windows_tried) > 100
    assert needed > 30


@given(st.lists(st.tuples(*[st.integers(0, 89)] * 4), min_size=1, max_size=30), st.integers(0, 9))
@settings(max_examples=100, deadline=None)
def test_every_box_lies_in_its_window_with_its_margin(corners, margin):
    boxes = np.array([[min(a, b), max(a, b), min(c, d), max(c, d)] for a, b, c, d in corners])
    windows, of_box = share_windows(boxes, (90, 90), (margin, margin))
    margin = max(margin, 2)
    for (a, b, c, d), w in zip(boxes, of_box, strict=True):
        window = windows[w]
        assert window.row <= max(a - margin, 0)
        assert window.col <= max(c - margin, 0)
        assert window.row + window.rows > min(b + margin, 89)
        assert window.col + window.cols > min(d + margin, 89)
    assert (
        sum(w.rows * w.cols for w in windows)
        <= sum((b - a + 1 + 2 * margin) * (d - c + 1 + 2 * margin) for a, b, c, d in boxes)
        + 90 * 90
    )


def test_windows_that_cost_more_than_the_whole_are_the_whole():
    far_apart = np.array([[10, 12, 10, 12], [900, 902, 900, 902]])
    windows, of_box = share_windows(far_apart, (1000, 1000), (5, 5))
    assert [(w.row, w.col, w.rows, w.cols) for w in windows] == [(5, 5, 13, 13), (895, 895, 13, 13)]
    assert of_box.tolist() == [0, 1]
    near = np.array([[10, 300, 10, 600], [20, 700, 310, 990]])
    windows, of_box = share_windows(near, (1000, 1000), (300, 300))
    assert windows == [Window(0, 0, 1000, 1000)]
    assert of_box.tolist() == [0, 0]


def test_nothing_enters_the_whole():
    z = rough(3, (40, 50))
    ponds = ponds_on(z)
    whole = [Window(0, 0, 40, 50)]
    (enters,) = boundary_water(ponds, basins_of(ponds.hierarchy, z), whole)
    assert enters.cell.size == 0
    assert enters.depth_m.shape == (0, 3)


def test_water_is_counted_once():
    # two stripes of one slope: the lower one gets what the upper one lets go, no more, no less
    rows, cols = 40, 12
    z = (np.arange(rows, 0, -1)[:, None] + np.zeros(cols)).astype(np.float32)
    z[0], z[:, 0], z[:, -1] = 100, 90, 90
    ponds = ponds_on(z)
    window = Window(20, 0, 20, cols)
    (enters,) = boundary_water(ponds, basins_of(ponds.hierarchy, z), [window])
    runoff = ponds.runoff_m[:, 1][ponds.kind]
    assert enters.depth_m[:, 1].sum() == pytest.approx(runoff[1:21, 1:-1].sum(), rel=1e-12)
