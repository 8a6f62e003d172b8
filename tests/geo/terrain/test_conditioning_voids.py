"""Voids inside the terrain, against surfaces that solve Laplace's equation on a grid exactly."""

from __future__ import annotations

import numpy as np
import pytest

from geo.terrain import close_voids


@pytest.fixture
def holes() -> np.ndarray:
    """Two inner voids, one of them ragged; one that reaches the edge; one that does by a corner."""
    void = np.zeros((40, 50), bool)
    void[5:15, 5:20] = True
    row, col = np.indices(void.shape)
    void |= np.hypot(row - 27, col - 30) < 7
    void[27, 30:42] = True
    void[0:4, 30:35] = True
    void[30:36, 3:6] = True
    for k in range(4):
        void[36 + k, 6 + k] = True  # a chain of corners down to the edge
    return void


INNER = (np.s_[5:15, 5:20], np.s_[20:35, 23:42])


def harmonic_surfaces():
    """Each equals the mean of its four neighbors, weighed by 1 / distance**2."""
    y, x = np.indices((40, 50)) * 1.0
    yield "level", np.full((40, 50), 187.3), 1.0
    yield "plane", 300 + 0.7 * x - 0.3 * y, 1.0
    yield "plane on oblong cells", 300 + 0.7 * x - 0.3 * y, (2.0, 5.0)
    yield "saddle", 300 + 0.1 * (x - 20) * (y - 20), (3.0, 1.0)
    yield "x2 - y2", 300 + 0.05 * ((x - 25) ** 2 - (y - 20) ** 2), 1.0
    yield "x2 - y2 on oblong cells", 0.05 * ((2 * x) ** 2 - (3 * y) ** 2), (2.0, 3.0)


CASES = list(harmonic_surfaces())


@pytest.mark.parametrize(("z", "cell_m"), [c[1:] for c in CASES], ids=[c[0] for c in CASES])
def test_harmonic_surfaces_come_back(holes, z, cell_m):
    holed = np.where(holes, np.nan, z)
    closed, is_closed = close_voids(holed, cell_m)
    inner = np.zeros(holes.shape, bool)
    for part in INNER:
        inner[part] = holes[part]
    np.testing.assert_array_equal(is_closed, inner)
    np.testing.assert_array_equal(np.isnan(closed), holes & ~inner)
    np.testing.assert_array_equal(closed[~holes], z[~holes])
    # the solver may stop this near: a part of the height of the rim
    near = 3e-5 * (z[inner].max() - z[inner].min() + 1e-9)
    np.testing.assert_allclose(closed[inner], z[inner], rtol=1e-12, atol=near)
    assert np.isnan(holed).sum() == holes.sum()


@pytest.mark.parametrize("kind", [np.float32, np.float64])
def test_a_lake_with_a_level_rim_is_exactly_level(kind):
    z = np.random.default_rng(0).normal(200, 3, (120, 130)).astype(kind)
    z[20:101, 20:101] = kind(187.31)
    lake = z.copy()
    lake[21:100, 21:100] = np.nan
    closed, is_closed = close_voids(lake, 1.0)
    assert is_closed.sum() == 79 * 79
    np.testing.assert_array_equal(closed, z)


def test_nothing_beyond_the_rim_and_each_void_by_itself():
    z = np.zeros((30, 30), np.float32)
    z[:, 15:] = 100
    z[5:9, 3:7] = np.nan
    z[5:9, 20:24] = np.nan
    z[20:25, 13:17] = np.nan
    closed, _ = close_voids(z, 1.0)
    assert (closed[5:9, 3:7] == 0).all()
    assert (closed[5:9, 20:24] == 100).all()
    bridge = closed[20:25, 13:17]
    assert ((bridge > 0) & (bridge < 100)).all()
    assert (np.diff(bridge, axis=1) > 0).all()


def test_without_voids_or_with_nothing_else():
    z = np.random.default_rng(0).normal(size=(6, 7))
    closed, is_closed = close_voids(z, 1.0)
    np.testing.assert_array_equal(closed, z)
    assert closed is not z
    assert not is_closed.any()
    closed, is_closed = close_voids(np.full((4, 4), np.nan), 1.0)
    assert np.isnan(closed).all()
    assert not is_closed.any()
