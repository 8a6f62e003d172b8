"""A raster brought into another reference system, read by window as any other."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
from affine import Affine
from numpy.typing import NDArray
from pyproj import CRS

from layers.crs import WGS84, LonLatBounds, Mover, too_coarse
from layers.errors import ReferenceSystemError
from layers.grid import Grid, GridSource, Window, checked_window, grid_bounds, moved_to

LATTICE: Final = 32  # cells between exactly transformed points


@dataclass(frozen=True)
class MovedSource:
    """A raster brought into another system, cell by cell as it is asked for.

    Bilinear for heights (a cell is void where its nearest source cell is), nearest for classes.
    Where each cell lies in the source comes from a lattice of exact transforms, ``LATTICE``
    cells apart and fixed to the grid, so that a cell's value does not depend on the window.
    """

    source: GridSource
    is_categorical: bool
    dtype: np.dtype
    shape: tuple[int, int]
    transform: Affine
    crs: CRS
    lattice_row: NDArray[np.float64] = field(repr=False)
    lattice_col: NDArray[np.float64] = field(repr=False)

    def read(self, window: Window | None = None) -> Grid:
        """The part inside ``window``, or all of it; raises as its source does."""
        window = checked_window(window, self.shape)
        row = _between(self.lattice_row, window)
        col = _between(self.lattice_col, window)
        values = self._sampled(row, col)
        corner = moved_to(self.transform, window)
        return Grid(values, corner, self.crs)

    def _sampled(self, row: NDArray[np.float64], col: NDArray[np.float64]) -> NDArray[Any]:
        """Values at fractional rows and columns of the source, whose cell centers are at .5."""
        rows, cols = self.source.shape
        inside = (row >= 0) & (row < rows) & (col >= 0) & (col < cols)
        if not inside.any():
            if self.is_categorical:
                return np.zeros(row.shape, self.dtype)
            return np.full(row.shape, np.nan, np.float32)
        r0 = max(int(row[inside].min() - 0.5), 0)
        c0 = max(int(col[inside].min() - 0.5), 0)
        r1 = min(int(row[inside].max() + 0.5) + 1, rows)
        c1 = min(int(col[inside].max() + 0.5) + 1, cols)
        near = self.source.read(Window(r0, c0, r1 - r0, c1 - c0)).values
        row = np.where(inside, row - r0, 0.5)
        col = np.where(inside, col - c0, 0.5)
        if self.is_categorical:
            nearest = near[row.astype(np.int64), col.astype(np.int64)]
            return np.where(inside, nearest, np.zeros(1, near.dtype))
        return np.where(inside, _bilinear(near, row, col), np.nan).astype(np.float32)


def _bilinear(
    near: NDArray[np.float32], row: NDArray[np.float64], col: NDArray[np.float64]
) -> NDArray[np.float64]:
    last_row, last_col = near.shape[0] - 1, near.shape[1] - 1
    top, left = np.floor(row - 0.5), np.floor(col - 0.5)
    down, right = row - 0.5 - top, col - 0.5 - left
    total = np.zeros(row.shape)
    weight = np.zeros(row.shape)
    for step_r, part_r in ((0, 1 - down), (1, down)):
        for step_c, part_c in ((0, 1 - right), (1, right)):
            r = np.clip(top + step_r, 0, last_row).astype(np.int64)
            c = np.clip(left + step_c, 0, last_col).astype(np.int64)
            value = near[r, c].astype(np.float64)
            known = np.where(np.isnan(value), 0.0, part_r * part_c)
            total += known * np.where(np.isnan(value), 0.0, value)
            weight += known
    is_void = np.isnan(near[row.astype(np.int64), col.astype(np.int64)])
    return np.divide(total, weight, out=np.full(row.shape, np.nan), where=~is_void & (weight > 0))


def _between(lattice: NDArray[np.float64], window: Window) -> NDArray[np.float64]:
    """Lattice values at the window's cells, by straight lines between its points."""
    r = np.arange(window.row, window.row + window.rows) / LATTICE
    c = np.arange(window.col, window.col + window.cols) / LATTICE
    i, j = r.astype(np.int64), c.astype(np.int64)
    u, v = (r - i)[:, None], (c - j)[None, :]
    above = lattice[i][:, j] * (1 - v) + lattice[i][:, j + 1] * v
    below = lattice[i + 1][:, j] * (1 - v) + lattice[i + 1][:, j + 1] * v
    return above * (1 - u) + below * u


def brought_into(
    source: GridSource,
    crs: CRS,
    *,
    is_categorical: bool,
    dtype: np.dtype,
    allow_coarse: bool = False,
) -> MovedSource | None:
    """A raster in another system, on square cells; None where moving changes nothing.

    Raises
    ------
    ReferenceSystemError
        When it cannot be brought there, or only by a coarse shift that is not allowed.
    """
    near = lonlat_bounds(source)
    forth = Mover(source.crs, crs, near=near, allow_coarse=allow_coarse)
    if forth.is_coarse and forth.accuracy_m is not None and not allow_coarse:
        raise too_coarse(source.crs, crs, forth.accuracy_m)
    if _is_same_place(source, forth):
        return None
    x, y = forth(*_edge(source))
    if not np.isfinite(x).all() or not np.isfinite(y).all():
        raise ReferenceSystemError(
            f"the raster cannot be converted from {source.crs.name} to {crs.name}",
            where="the raster",
            hint="check the raster's coordinate system",
        )
    cell = _cell_size(source, forth)
    west, north = np.floor(x.min() / cell) * cell, np.ceil(y.max() / cell) * cell
    rows, cols = int(np.ceil((north - y.min()) / cell)), int(np.ceil((x.max() - west) / cell))
    transform = Affine(cell, 0.0, float(west), 0.0, -cell, float(north))
    back = Mover(crs, source.crs, near=near, allow_coarse=allow_coarse)
    row, col = _lattice(source, (rows, cols), transform, back)
    return MovedSource(source, is_categorical, dtype, (rows, cols), transform, crs, row, col)


def _edge(source: GridSource, count: int = 21) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Positions along the outline of a raster."""
    west, south, east, north = grid_bounds(source)
    x, y = np.linspace(west, east, count), np.linspace(south, north, count)
    return (
        np.concatenate([x, x, np.full(count, west), np.full(count, east)]),
        np.concatenate([np.full(count, south), np.full(count, north), y, y]),
    )


def lonlat_bounds(source: GridSource) -> LonLatBounds:
    """(west, south, east, north) of a raster in degrees of its own datum."""
    west, south, east, north = grid_bounds(source)
    geographic = source.crs.to_2d().geodetic_crs or WGS84
    x, y = np.meshgrid(np.linspace(west, east, 5), np.linspace(south, north, 5))
    lon, lat = Mover(source.crs, geographic)(x.ravel(), y.ravel())
    if not np.isfinite(lon).all():
        raise ReferenceSystemError(
            "the raster is outside the area of its coordinate system",
            where="the raster",
            hint="check its coordinate system",
        )
    return float(lon.min()), float(lat.min()), float(lon.max()), float(lat.max())


def _is_same_place(source: GridSource, forth: Mover) -> bool:
    """Whether moving changes nothing: the same system under another name."""
    x, y = _edge(source, 5)
    x2, y2 = forth(x, y)
    if not np.isfinite(x2).all():
        return False
    tolerance = 1e-3 * min(source.transform.a, -source.transform.e)
    return bool(np.abs(np.concatenate([x2 - x, y2 - y])).max() < tolerance)


def _cell_size(source: GridSource, forth: Mover) -> float:
    """Side of a square cell with the ground area of a source cell, to three figures."""
    west, south, east, north = grid_bounds(source)
    x, y = (west + east) / 2, (south + north) / 2
    dx, dy = source.transform.a, -source.transform.e
    xs, ys = forth(np.array([x, x + dx, x]), np.array([y, y, y + dy]))
    width = float(np.hypot(xs[1] - xs[0], ys[1] - ys[0]))
    height = float(np.hypot(xs[2] - xs[0], ys[2] - ys[0]))
    return float(f"{np.sqrt(width * height):.3g}")


def _lattice(
    source: GridSource, shape: tuple[int, int], transform: Affine, back: Mover
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Fractional source rows and columns under every `LATTICE`-th cell center of the new grid."""
    rows = np.arange((shape[0] - 1) // LATTICE + 2) * LATTICE
    cols = np.arange((shape[1] - 1) // LATTICE + 2) * LATTICE
    x, y = np.meshgrid(
        transform.c + (cols + 0.5) * transform.a, transform.f + (rows + 0.5) * transform.e
    )
    sx, sy = back(x.ravel(), y.ravel())
    col = (sx - source.transform.c) / source.transform.a
    row = (sy - source.transform.f) / source.transform.e
    return row.reshape(x.shape), col.reshape(x.shape)
