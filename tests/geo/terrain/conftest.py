from __future__ import annotations

import importlib.util
from pathlib import Path

import numpy as np
import pytest
from affine import Affine
from pyproj import CRS

from layers.grid import Grid


@pytest.fixture(scope="session")
def real_ground() -> np.ndarray:
    """400 x 400 cells of 1 m from the package `lidar` (MIT), EPSG:26915; never imported."""
    spec = importlib.util.find_spec("lidar")
    if spec is None or not spec.submodule_search_locations:
        pytest.skip("the package lidar, which carries data/dem.tif, is not installed")
    path = Path(next(iter(spec.submodule_search_locations))) / "data" / "dem.tif"
    if not path.exists():
        pytest.skip(f"{path} is absent")
    import rasterio

    with rasterio.open(path) as raster:
        return raster.read(1, masked=True).astype(np.float32).filled(np.nan)


def _rough(seed: int, shape: tuple[int, int], step: float = 0.01) -> np.ndarray:
    """Invented terrain with hollows and flats: smoothed noise, rounded to ``step`` meters."""
    from scipy import ndimage

    noise = np.random.default_rng(seed).normal(size=shape)
    z = sum(s * ndimage.gaussian_filter(noise, s, mode="wrap") for s in (0.5, 2, 6))
    return (np.round((z * 4 + 200) / step) * step).astype(np.float32)


@pytest.fixture(scope="session")
def rough():
    return _rough


@pytest.fixture(scope="session")
def grid_of():
    """A grid with its north-west corner at (1000, 2000) and square cells of 1 m, or as said."""

    def make(values: np.ndarray, width: float = 1.0, height: float = 1.0) -> Grid:
        return Grid(values, Affine(width, 0, 1000, 0, -height, 2000), CRS.from_epsg(32616))

    return make


def _ocean(z: np.ndarray) -> np.ndarray:
    """Valid cells that touch a void or the outside, found by dilation rather than by our kernel."""
    from scipy import ndimage

    void = np.pad(np.isnan(z), 1, constant_values=True)
    return ndimage.binary_dilation(void, np.ones((3, 3)))[1:-1, 1:-1] & ~np.isnan(z)


@pytest.fixture(scope="session")
def ocean():
    return _ocean
