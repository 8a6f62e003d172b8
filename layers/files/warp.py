"""Smaller and re-projected copies of a raster, for showing; measuring uses the raster itself."""

from __future__ import annotations

import functools
import math
from typing import Final, Literal

import numpy as np
import rasterio.crs
from affine import Affine
from numpy.typing import NDArray
from pyproj import CRS
from rasterio.enums import Resampling
from rasterio.warp import reproject

from layers.crs import Mover
from layers.grid import Grid, GridSource, Window

_CELLS: Final = 4_000_000  # read at a time
_WARP_MB: Final = 8  # what GDAL may take at a time; 64 was no faster


def shrink(
    source: GridSource, most: int, *, how: Literal["mean", "max"], void: float | None
) -> Grid:
    """A copy of at most ``most`` cells a side, each standing for a block of whole cells.

    The source is read in strips, so that its size does not matter.

    Parameters
    ----------
    how
        What a block is shown as: the mean or the largest of its values.
    void
        The value of an integer raster that stands for no data; None for NaN.

    Returns
    -------
    Grid
        float32, NaN where a block has no data.
    """
    rows, cols = source.shape
    factor = max(1, math.ceil(max(rows, cols) / most))
    out = np.full((math.ceil(rows / factor), math.ceil(cols / factor)), np.nan, np.float32)
    # as many rows as the tiles of a file have, which else are unpacked again for each strip
    strip = factor * max(1, min(512, _CELLS // max(cols, 1)) // factor)
    for row in range(0, rows, strip):
        block = source.read(Window(row, 0, min(strip, rows - row), cols)).values
        small = _blocks(block, factor, how, void)
        out[row // factor : row // factor + small.shape[0]] = small
    t = source.transform
    transform = Affine(t.a * factor, 0.0, t.c, 0.0, t.e * factor, t.f)
    return Grid(out, transform, source.crs)


def _blocks(values: NDArray, factor: int, how: str, void: float | None) -> NDArray[np.float32]:
    plain = values.astype(np.float32, copy=void is not None)
    if void is not None:
        plain[values == void] = np.nan
    rows, cols = plain.shape
    if rows % factor or cols % factor:
        pad = ((0, -rows % factor), (0, -cols % factor))
        plain = np.pad(plain, pad, constant_values=np.nan)
    # one value of each block at a time: far faster than along axes as short as a block
    each = [plain[i::factor, j::factor] for i in range(factor) for j in range(factor)]
    if how == "max":
        return np.asarray(functools.reduce(np.fmax, each), np.float32)
    total, count = (np.zeros(each[0].shape, kind) for kind in (float, np.int32))
    for values in each:
        known = ~np.isnan(values)
        np.add(total, values, out=total, where=known)
        count += known
    return np.where(count > 0, total / np.maximum(count, 1), np.nan).astype(np.float32)


def warp(grid: Grid, crs: str | CRS, *, smooth: bool) -> Grid:
    """A grid in another reference system at about its own resolution.

    It is float32 with NaN voids; a grid of classes (uint8) stays one, with 0 for voids.
    ``smooth`` interpolates between cell centers; otherwise each cell takes the nearest value.
    """
    is_classes = grid.values.dtype == np.uint8
    values = grid.values if is_classes else grid.values.astype(np.float32, copy=False)
    void = 0 if is_classes else np.nan
    target = CRS.from_user_input(crs)
    x, y = Mover(grid.crs, target)(*_edge(grid))
    side = max((x.max() - x.min()) / grid.shape[1], (y.max() - y.min()) / grid.shape[0])
    transform = Affine(side, 0.0, float(x.min()), 0.0, -side, float(y.max()))
    height, width = (int(np.ceil((v.max() - v.min()) / side)) for v in (y, x))
    inside, outside = (rasterio.crs.CRS.from_user_input(c) for c in (grid.crs, target))
    out = np.full((height, width), void, values.dtype)
    reproject(
        values,
        out,
        src_transform=grid.transform,
        src_crs=inside,
        src_nodata=void,
        dst_transform=transform,
        dst_crs=outside,
        dst_nodata=void,
        resampling=Resampling.bilinear if smooth else Resampling.nearest,
        warp_mem_limit=_WARP_MB,
    )
    return Grid(out, transform, target)


def _edge(grid: Grid, count: int = 65) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Positions along the outline of a grid."""
    west, south, east, north = grid.bounds
    x, y = np.linspace(west, east, count), np.linspace(south, north, count)
    return (
        np.concatenate([x, x, np.full(count, west), np.full(count, east)]),
        np.concatenate([np.full(count, south), np.full(count, north), y, y]),
    )
