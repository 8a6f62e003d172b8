"""Hollows against closed formulas and scipy's own measurements."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import ndimage

from geo.terrain import fill_depressions, hollows


def bowl(shape, cell: float) -> np.ndarray:
    """A basin around the middle of a level plain at the height 1."""
    n = int(24 / cell)  # even: the middle is a corner of cells
    row, col = np.indices((n, n)) * cell
    r = np.hypot(row - row.max() / 2, col - col.max() / 2)
    return np.minimum(shape(r), 1.0)


@pytest.mark.parametrize(
    ("shape", "exact", "radius"),
    [
        # V = pi h**2 / (2 a) of a paraboloid z = a r**2, here 157.0796 m3
        (lambda r: 0.01 * r**2, np.pi / 0.02, 10.0),
        # V = pi h**3 / (3 m**2) of a cone z = m r, here 104.7198 m3
        (lambda r: 0.1 * r, np.pi / 0.03, 10.0),
    ],
)
@pytest.mark.parametrize("cell", [1.0, 0.5, 0.25])
def test_volume_and_area_of_bowls(shape, exact, radius, cell):
    z = bowl(shape, cell)
    labels, table = hollows(z, fill_depressions(z), cell)
    assert len(table) == 1
    assert table.volume_m3[1] == pytest.approx(exact, rel=4e-4)
    assert table.area_m2[1] == pytest.approx(np.pi * radius**2, rel=0.02)
    assert table.level_m[1] == 1
    assert table.depth_max_m[1] == pytest.approx(1 - shape(cell * 0.5**0.5), rel=1e-9)
    assert (labels > 0).sum() == table.cells[1]


def test_sampled_paraboloid_at_one_meter():
    """Sum over cell centers worked apart from this project: 157.14 m3, cells of 1 m."""
    z = bowl(lambda r: 0.01 * r**2, 1.0)
    assert hollows(z, fill_depressions(z), 1.0)[1].volume_m3[1] == pytest.approx(157.14, abs=5e-3)


def test_table_equals_measurements_of_scipy(real_ground):
    filled = fill_depressions(real_ground)
    labels, table = hollows(real_ground, filled, (2.0, 3.0))
    expected, count = ndimage.label(filled > real_ground, np.ones((3, 3)))
    np.testing.assert_array_equal(labels, expected)
    assert labels.dtype == np.int32
    number = np.arange(1, count + 1)
    depth = filled.astype(float) - real_ground.astype(float)
    np.testing.assert_array_equal(table.index, number)
    np.testing.assert_allclose(table.volume_m3, 6 * ndimage.sum_labels(depth, labels, number))
    np.testing.assert_array_equal(table.depth_max_m, ndimage.maximum(depth, labels, number))
    np.testing.assert_array_equal(table.level_m, ndimage.minimum(filled, labels, number))
    np.testing.assert_array_equal(table.level_m, ndimage.maximum(filled, labels, number))
    assert table.depth_max_m.max() > 15  # published with the ground: up to 15.5 m
    assert table.cells.sum() == (filled > real_ground).sum()


def test_volume_holds_at_altitude():
    """Differences are summed, so that 4,000 m of altitude cost nothing."""
    z = bowl(lambda r: 0.01 * r**2, 0.5)
    high = z + 4096.0
    low_m3 = hollows(z, fill_depressions(z), 0.5)[1].volume_m3[1]
    high_m3 = hollows(high, fill_depressions(high), 0.5)[1].volume_m3[1]
    assert high_m3 == pytest.approx(low_m3, rel=1e-11)


def test_no_hollow():
    z = np.add.outer(np.arange(5.0), np.arange(6.0))
    labels, table = hollows(z, fill_depressions(z), 1.0)
    assert not labels.any()
    assert len(table) == 0
    assert list(table) == ["cells", "area_m2", "level_m", "depth_max_m", "volume_m3"]
