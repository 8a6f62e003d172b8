"""Values at points against scipy's interpolation, and what happens beside voids."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.ndimage import map_coordinates

from geo.terrain import sample


@given(st.lists(st.tuples(st.floats(-2, 32), st.floats(-2, 42)), max_size=20))
@settings(deadline=None)
def test_equals_scipy(grid_of, points):
    z = np.random.default_rng(0).normal(size=(10, 20)).astype(np.float32)
    grid = grid_of(z, 2.0, 3.0)
    south, east = np.array(points, float).reshape(-1, 2).T
    x, y = 1000 + east, 2000 - south
    row, col = (2000 - y) / 3.0, (x - 1000) / 2.0
    inside = (row >= 0) & (row < 10) & (col >= 0) & (col < 20)
    near = sample(grid, x, y)
    np.testing.assert_array_equal(np.isnan(near), ~inside)
    np.testing.assert_array_equal(near[inside], z[row[inside].astype(int), col[inside].astype(int)])
    between = sample(grid, x, y, bilinear=True)
    # beyond the outermost centers scipy's "nearest" is what leaving centers out comes to
    expected = map_coordinates(z.astype(float), [row - 0.5, col - 0.5], order=1, mode="nearest")
    np.testing.assert_array_equal(np.isnan(between), ~inside)
    np.testing.assert_allclose(between[inside], expected[inside], atol=1e-6)


def test_voids_lend_their_weight(grid_of):
    z = np.array([[1.0, 2.0], [np.nan, 4.0]])
    grid = grid_of(z)
    # in the middle of the four: (1 + 2 + 4) / 3; the point lies in the cell of 4
    assert sample(grid, 1001.0, 1999.0, bilinear=True) == pytest.approx(7 / 3)
    assert np.isnan(sample(grid, 1000.9, 1998.9, bilinear=True))
    assert np.isnan(sample(grid, 1000.9, 1998.9))
    level = np.array([1000.3, 1001.7, np.nan, np.inf])
    x, y = np.meshgrid(level, level + 998)
    result = sample(grid_of(np.full((2, 2), 0.1, np.float32)), x, y, bilinear=True)
    assert result.shape == (4, 4)
    assert (result[:2, :2] == np.float32(0.1)).all()
    assert np.isnan(result[2:]).all()
    with pytest.raises(ValueError, match="x has shape"):
        sample(grid, [1.0], [1.0, 2.0])
