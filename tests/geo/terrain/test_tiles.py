"""Rasters cut into tiles give what the whole gives, to the last bit."""

from __future__ import annotations

import numpy as np
import pytest
from affine import Affine
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import CRS

from geo import terrain
from geo.terrain import tiles
from layers.grid import Grid, Window


class Source(Grid):
    """A grid that notes what is read of it at once."""

    read_at_once: int = 0

    def read(self, window: Window | None = None) -> Grid:
        grid = super().read(window)
        object.__setattr__(self, "read_at_once", max(self.read_at_once, grid.values.size))
        return grid


def source(values: np.ndarray, cell_m=(1.0, 1.0)) -> Source:
    transform = Affine(cell_m[0], 0, 1000, 0, -cell_m[1], 2000)
    return Source(np.ascontiguousarray(values), transform, CRS.from_epsg(32616))


def joined(run, *sources, **options) -> np.ndarray:
    """The tiles put together; none twice, none missing."""
    shape = sources[0].shape
    written = np.zeros(shape, int)
    out: dict[str, np.ndarray] = {}

    def write(window: Window, values: np.ndarray) -> None:
        assert values.shape == (window.rows, window.cols)
        whole = out.setdefault("whole", np.zeros(shape, values.dtype))
        whole[window.slices] = values
        written[window.slices] += 1

    run(*sources, write, **options)
    assert (written == 1).all()
    return out["whole"]


def any_ground(seed: int) -> np.ndarray:
    random = np.random.default_rng(seed)
    shape = tuple(random.integers(1, 24, 2))
    levels = random.choice([2, 4, 20, 10**6])
    z = (random.integers(0, levels, shape) / levels).astype(random.choice([np.float32, np.float64]))
    if seed % 3 == 0:
        z[random.random(shape) < 0.05] = np.nan
    if seed % 4 == 0:
        z = np.cumsum(np.cumsum(z - z.dtype.type(0.5), 0), 1)
    return z


blocks = st.tuples(st.integers(1, 12), st.integers(1, 12))


@settings(max_examples=15, deadline=None)
@given(seed=st.integers(0, 2**32 - 1), block=blocks)
def test_any_ground_in_any_tiles(seed, block):
    z = any_ground(seed)
    cell_m = (1.0, 2.0) if seed % 2 else (1.0, 1.0)
    filled = terrain.fill_depressions(z)
    direction = terrain.flow_direction(filled, cell_m)
    count = terrain.flow_accumulation(direction)
    drainage = (count > 4) & (np.indices(z.shape).sum(0) % 5 > 0)
    ground, full, codes = source(z, cell_m), source(filled, cell_m), source(direction, cell_m)
    for mine, theirs in (
        (joined(tiles.fill_depressions, ground, block=block), filled),
        (joined(tiles.flow_direction, full, block=block), direction),
        (joined(tiles.flow_accumulation, codes, block=block), count),
        (
            joined(tiles.height_above_drainage, full, codes, source(drainage, cell_m), block=block),
            terrain.height_above_drainage(filled, direction, drainage),
        ),
        (joined(tiles.slope, ground, block=block), terrain.slope(z, cell_m)),
        (joined(tiles.hillshade, ground, block=block), terrain.hillshade(z, cell_m)),
    ):
        assert mine.dtype == theirs.dtype
        np.testing.assert_array_equal(mine, theirs)


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 2**32 - 1), block=blocks)
def test_weights_in_any_tiles(seed, block):
    z = any_ground(seed)
    direction = terrain.flow_direction(terrain.fill_depressions(z), 1.0)
    random = np.random.default_rng(seed)
    for weights, exact in (
        (random.integers(0, 9, z.shape) * 1.0, True),
        (random.random(z.shape), False),
    ):
        mine = joined(
            tiles.flow_accumulation, source(direction), weights=source(weights), block=block
        )
        theirs = terrain.flow_accumulation(direction, weights)
        if exact:
            np.testing.assert_array_equal(mine, theirs)
        np.testing.assert_allclose(mine, theirs, rtol=1e-12)


@pytest.mark.parametrize("block", [64, (37, 150), (400, 13)])
def test_real_ground_in_tiles(real_ground, block):
    ground = source(real_ground)
    filled = terrain.fill_depressions(real_ground)
    direction = terrain.flow_direction(filled, 1.0)
    np.testing.assert_array_equal(joined(tiles.fill_depressions, ground, block=block), filled)
    np.testing.assert_array_equal(
        joined(tiles.flow_direction, source(filled), block=block), direction
    )
    np.testing.assert_array_equal(
        joined(tiles.flow_accumulation, source(direction), block=block),
        terrain.flow_accumulation(direction),
    )
    tall, wide = (block, block) if isinstance(block, int) else block
    assert ground.read_at_once <= (tall + 2) * (wide + 2)  # never more than a tile at once


def test_a_flat_that_winds_through_many_tiles():
    """A moat that is left at one end: its far end is told by all the tiles between."""
    z = np.full((21, 21), 9.0)
    for k in range(1, 20, 4):
        z[k, 1:20] = z[k + 2, 1:20] = 1
        z[k : k + 3, 19] = 1
        z[k + 2 : k + 5, 1] = 1
    z[0] = z[20] = z[:, 0] = z[:, 20] = 9
    z[1, 0] = 0
    direction = terrain.flow_direction(z, 1.0)
    assert len(terrain.flow_paths(direction, [[19, 10]])[0]) > 150
    for block in (3, 4, (2, 21), (21, 5)):
        np.testing.assert_array_equal(
            joined(tiles.flow_direction, source(z), block=block), direction
        )


def test_depressions_are_refused_with_their_place():
    z = np.full((9, 9), 5.0)
    z[4, 5:7] = 1
    with pytest.raises(ValueError, match=r"row 4, column 5; call fill_depressions first"):
        joined(tiles.flow_direction, source(z), block=3)


def test_circles_are_refused_within_a_tile_and_across():
    for cols in ((0, 1), (1, 2)):
        direction = np.zeros((3, 4), np.uint8)
        direction[1, cols[0]], direction[1, cols[1]] = 1, 5
        with pytest.raises(ValueError, match="run in a circle"):
            joined(tiles.flow_accumulation, source(direction), block=2)
        full, drainage = source(np.ones((3, 4))), source(np.zeros((3, 4), bool))
        with pytest.raises(ValueError, match="run in a circle"):
            joined(tiles.height_above_drainage, full, source(direction), drainage, block=2)


def test_codes_that_leave_the_raster_are_refused():
    direction = np.zeros((4, 4), np.uint8)
    direction[3, 1] = 7
    with pytest.raises(ValueError, match="points out of the raster"):
        joined(tiles.flow_accumulation, source(direction), block=2)
    with pytest.raises(ValueError, match="at least 1 cell a side, not 0"):
        joined(tiles.slope, source(np.zeros((4, 4))), block=0)
