"""A raster as one small frozen value, and the lazy sources that give it by window."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from affine import Affine
from numpy.typing import NDArray
from pyproj import CRS


@dataclass(frozen=True)
class Window:
    """A block of rows and columns: first row, first column, number of each."""

    row: int
    col: int
    rows: int
    cols: int

    @property
    def slices(self) -> tuple[slice, slice]:
        """The same block as array slices."""
        return slice(self.row, self.row + self.rows), slice(self.col, self.col + self.cols)


class GridSource(Protocol):
    """Anything that gives a grid by window; a `Grid` is one itself."""

    @property
    def shape(self) -> tuple[int, int]:
        """(rows, cols)."""
        ...

    @property
    def transform(self) -> Affine:
        """Affine from (col, row) corners to map coordinates."""
        ...

    @property
    def crs(self) -> CRS:
        """Reference system of the coordinates."""
        ...

    def read(self, window: Window | None = None) -> Grid:
        """The part inside ``window``, or all of it."""
        ...


@dataclass(frozen=True)
class Frame:
    """Where a north-up raster lies and how it is cut into cells, without its values.

    Attributes
    ----------
    shape
        (rows, cols).
    transform
        Affine from (col, row) corners to map coordinates in ``crs``; no rotation.
    crs
        Reference system of the coordinates.
    """

    shape: tuple[int, int]
    transform: Affine
    crs: CRS

    @property
    def cell_m(self) -> tuple[float, float]:
        """(width, height) of a cell, in the unit of ``crs`` (meters in the working system)."""
        return self.transform.a, -self.transform.e

    @property
    def bounds(self) -> tuple[float, float, float, float]:
        """(west, south, east, north)."""
        rows, cols = self.shape
        t = self.transform
        return t.c, t.f + rows * t.e, t.c + cols * t.a, t.f

    def cells_at(
        self, x: NDArray[np.float64], y: NDArray[np.float64]
    ) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.bool_]]:
        """Row, column and "is inside" of map coordinates; outside rows and columns are -1."""
        rows, cols = self.shape
        c = np.floor((np.asarray(x) - self.transform.c) / self.transform.a)
        r = np.floor((np.asarray(y) - self.transform.f) / self.transform.e)
        inside = (c >= 0) & (c < cols) & (r >= 0) & (r < rows)  # False for NaN
        row = np.where(inside, r, -1).astype(np.int64)
        col = np.where(inside, c, -1).astype(np.int64)
        return row, col, inside

    def centers(
        self, row: NDArray[np.int64], col: NDArray[np.int64]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Map coordinates (x, y) of cell centers."""
        x = self.transform.c + (np.asarray(col, np.float64) + 0.5) * self.transform.a
        y = self.transform.f + (np.asarray(row, np.float64) + 0.5) * self.transform.e
        return np.asarray(x, np.float64), np.asarray(y, np.float64)


@dataclass(frozen=True)
class Grid:
    """A north-up raster held in memory.

    Attributes
    ----------
    values
        Shape (rows, cols), row 0 at the north; NaN in a float grid where there is no data.
    transform
        Affine from (col, row) corners to map coordinates in ``crs``; no rotation.
    crs
        Reference system of the coordinates.

    Raises
    ------
    ValueError
        If ``values`` is not two-dimensional, or the transform is rotated or not north-up.
    """

    values: NDArray
    transform: Affine
    crs: CRS

    def __post_init__(self) -> None:
        if self.values.ndim != 2:
            raise ValueError(f"a grid has two dimensions, not {self.values.ndim}")
        t = self.transform
        if t.b or t.d or t.a <= 0 or t.e >= 0:
            raise ValueError(f"a grid is north-up and unrotated; this transform is {tuple(t)[:6]}")

    @property
    def shape(self) -> tuple[int, int]:
        """(rows, cols)."""
        return self.values.shape[0], self.values.shape[1]

    @property
    def frame(self) -> Frame:
        """Its place and cells."""
        return Frame(self.shape, self.transform, self.crs)

    @property
    def cell_m(self) -> tuple[float, float]:
        """(width, height) of a cell, in the unit of ``crs`` (meters in the working system)."""
        return self.frame.cell_m

    @property
    def is_void(self) -> NDArray[np.bool_]:
        """Where there is no data."""
        if self.values.dtype.kind == "f":
            return np.isnan(self.values)
        return np.zeros(self.shape, bool)

    @property
    def bounds(self) -> tuple[float, float, float, float]:
        """(west, south, east, north)."""
        return self.frame.bounds

    def read(self, window: Window | None = None) -> Grid:
        """The part inside ``window``, as a view."""
        if window is None:
            return self
        return Grid(self.values[window.slices], moved_to(self.transform, window), self.crs)

    def with_values(self, values: NDArray) -> Grid:
        """The same place with other values of the same shape."""
        if values.shape != self.values.shape:
            raise ValueError(f"shape {values.shape} does not fit a grid of {self.values.shape}")
        return Grid(values, self.transform, self.crs)

    def cells_at(
        self, x: NDArray[np.float64], y: NDArray[np.float64]
    ) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.bool_]]:
        """As `Frame.cells_at`."""
        return self.frame.cells_at(x, y)

    def centers(
        self, row: NDArray[np.int64], col: NDArray[np.int64]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """As `Frame.centers`."""
        return self.frame.centers(row, col)


def moved_to(transform: Affine, window: Window) -> Affine:
    """The transform of a window of a north-up grid."""
    t = transform
    return Affine(t.a, 0.0, t.c + window.col * t.a, 0.0, t.e, t.f + window.row * t.e)


def checked_window(window: Window | None, shape: tuple[int, int]) -> Window:
    """The window, or all of a grid for None.

    Raises
    ------
    ValueError
        When the window reaches outside the grid.
    """
    if window is None:
        return Window(0, 0, *shape)
    ends = window.row + window.rows, window.col + window.cols
    if min(window.row, window.col) < 0 or ends[0] > shape[0] or ends[1] > shape[1]:
        raise ValueError(f"{window} reaches outside a grid of {shape[0]} rows, {shape[1]} columns")
    return window


def grid_bounds(source: GridSource) -> tuple[float, float, float, float]:
    """(west, south, east, north) of a grid or a source of one."""
    return Frame(source.shape, source.transform, source.crs).bounds


def windows(shape: tuple[int, int], block: int = 1024) -> Iterator[Window]:
    """Blocks of at most ``block`` rows and columns that cover ``shape``, row by row."""
    for row in range(0, shape[0], block):
        for col in range(0, shape[1], block):
            yield Window(row, col, min(block, shape[0] - row), min(block, shape[1] - col))


def read_around(
    source: GridSource, bounds: tuple[float, float, float, float], room_m: float
) -> Grid | None:
    """The cells that a box (west, south, east, north) touches with room on every side, or None."""
    west, south, east, north = bounds
    t, (rows, cols) = source.transform, source.shape
    left = max(int((west - room_m - t.c) // t.a), 0)
    right = min(int((east + room_m - t.c) // t.a) + 1, cols)
    top = max(int((north + room_m - t.f) // t.e), 0)
    foot = min(int((south - room_m - t.f) // t.e) + 1, rows)
    if right <= left or foot <= top:
        return None
    return source.read(Window(top, left, foot - top, right - left))
