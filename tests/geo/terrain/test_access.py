"""The terrain behind one interface: at places, by windows, and whole only where it is listed."""

import re
from collections import Counter
from pathlib import Path

import numpy as np
import pytest
from affine import Affine
from pyproj import CRS

import geo
from geo.terrain import build_terrain
from layers.grid import Frame, Grid, Window

PLACE = Affine(2, 0, 500_000, 0, -2, 3_000_000)
# What still asks for all of a surface at once, and how often: the work of a terrain by tiles.
WHOLE = {
    "geo/measurements.py": 1,
    "geo/ponds/swales.py": 6,
    "geo/result_layers.py": 6,
    "geo/runoff/storms.py": 2,
    "geo/waters/paths.py": 1,
    "geo/waters/way_draws.py": 2,
    "geo/waters/way_following.py": 2,
}


@pytest.fixture(scope="module")
def terrain():
    z = np.random.default_rng(2).normal(50, 2, (30, 40)).astype(np.float32)
    z[3:5, 6:9] = np.nan
    return build_terrain(Grid(z, PLACE, CRS.from_epsg(32616)))


@pytest.mark.parametrize(
    "surface", ["ground", "opened", "filled", "direction", "accumulation", "pond_depth"]
)
def test_every_way_of_asking_gives_the_same(terrain, surface):
    whole = terrain.whole(surface)
    rows, cols = np.indices(whole.shape).reshape(2, -1)
    x, y = terrain.frame.centers(rows, cols)
    rng = np.random.default_rng(4)
    for dx, dy in rng.uniform(-0.999, 0.999, (5, 2)):  # anywhere in the cell
        got = terrain.at(surface, x + dx, y + dy).reshape(whole.shape)
        np.testing.assert_array_equal(got, whole.values.astype(float))
    block = Window(4, 7, 11, 5)
    part = terrain.window(surface, block)
    np.testing.assert_array_equal(part.values, whole.values[block.slices])
    assert part.transform == Affine(2, 0, 500_014, 0, -2, 2_999_992)
    off = np.array([499_999.9, 500_080.1, np.nan]), np.array([2_999_990.0, 2_999_990.0, 3.0])
    assert np.isnan(terrain.at(surface, *off)).all()


def test_between_cell_centers_a_height_is_between_theirs(terrain):
    center = terrain.frame.centers(np.array([10, 10]), np.array([12, 13]))
    z = terrain.at("ground", *center)
    middle = terrain.at("ground", center[0].mean(), center[1].mean(), bilinear=True)
    assert middle == pytest.approx(z.mean(), abs=1e-5)


def test_a_surface_that_is_not_there_is_one_error(terrain):
    assert not terrain.has("hand")
    with pytest.raises(LookupError, match="no water is mapped"):
        terrain.whole("hand")


def test_a_frame_is_a_grids_place_without_its_values(terrain):
    grid = terrain.whole("ground")
    assert terrain.frame == Frame((30, 40), PLACE, grid.crs)
    assert terrain.frame.bounds == grid.bounds == (500_000, 2_999_940, 500_080, 3_000_000)
    assert terrain.frame.cell_m == grid.cell_m == (2, 2)


def test_each_place_that_asks_for_a_whole_surface_is_listed():
    root = Path(str(geo.__file__)).parents[1]
    found = Counter()
    for path in (root / "geo").rglob("*.py"):
        if (root / "geo" / "terrain") not in path.parents:
            asks = re.findall(r"terrain\.(?:whole|blocked)\(", path.read_text("utf-8"))
            found[path.relative_to(root).as_posix()] += len(asks)
    assert {name: n for name, n in found.items() if n} == WHOLE
