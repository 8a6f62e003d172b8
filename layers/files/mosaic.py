"""Several rasters that fit together cell by cell, read by window as one."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, Protocol

import numpy as np
from affine import Affine
from numpy.typing import NDArray
from pyproj import CRS

from layers.errors import TerrainError
from layers.grid import Grid, GridSource, Window, checked_window, moved_to

TILE_SUFFIXES: Final = (".tif", ".tiff")
_OFF: Final = 0.01  # of a cell that tiles may be shifted against each other


class TileSource(GridSource, Protocol):
    """A source that knows the kind of its values."""

    @property
    def path(self) -> Path:
        """Its file."""
        ...

    @property
    def dtype(self) -> np.dtype:
        """Type of the stored values."""
        ...

    @property
    def is_categorical(self) -> bool:
        """Whether values are classes."""
        ...


@dataclass(frozen=True)
class MosaicSource:
    """Tiles on one grid; where two overlap the first that has a value gives it.

    Attributes
    ----------
    places
        The window of the whole that each tile fills.
    """

    tiles: tuple[TileSource, ...]
    places: tuple[Window, ...]
    shape: tuple[int, int]
    transform: Affine
    crs: CRS
    dtype: np.dtype
    is_categorical: bool

    def read(self, window: Window | None = None) -> Grid:
        """The part inside ``window``, or all of it; raises as its tiles do."""
        window = checked_window(window, self.shape)
        size = (window.rows, window.cols)
        values: NDArray[Any] = (
            np.zeros(size, self.dtype) if self.is_categorical else np.full(size, np.nan, np.float32)
        )
        for tile, place in zip(self.tiles, self.places, strict=True):
            shared = _shared(window, place)
            if shared is None:
                continue
            inside = _moved(shared, -place.row, -place.col)
            here = values[_moved(shared, -window.row, -window.col).slices]
            empty = (here == 0) if self.is_categorical else np.isnan(here)
            if empty.any():
                here[empty] = tile.read(inside).values[empty]
        return Grid(values, moved_to(self.transform, window), self.crs)


def _moved(window: Window, rows: int, cols: int) -> Window:
    return Window(window.row + rows, window.col + cols, window.rows, window.cols)


def _shared(one: Window, other: Window) -> Window | None:
    row, col = max(one.row, other.row), max(one.col, other.col)
    rows = min(one.row + one.rows, other.row + other.rows) - row
    cols = min(one.col + one.cols, other.col + other.cols) - col
    return Window(row, col, rows, cols) if rows > 0 and cols > 0 else None


def tile_paths(folder: Path) -> list[Path]:
    """The GeoTIFFs of a folder, by name.

    Raises
    ------
    TerrainError
        When there is none.
    """
    paths = sorted(p for p in folder.iterdir() if p.suffix.lower() in TILE_SUFFIXES)
    if not paths:
        raise TerrainError(
            "the folder has no GeoTIFF (.tif, .tiff)",
            where=str(folder),
            hint="name the raster, or the folder with its tiles",
        )
    return paths


def mosaic(tiles: list[Any], folder: Path) -> MosaicSource:
    """Tiles as one raster.

    Raises
    ------
    TerrainError
        When a tile is of another system, cell size or kind, or does not lie on the others' grid.
    """
    first = tiles[0]
    wide, high = first.transform.a, -first.transform.e
    corners = []
    for tile in tiles:
        t = tile.transform
        col, row = (t.c - first.transform.c) / wide, (first.transform.f - t.f) / high
        alike = tile.crs == first.crs and tile.dtype == first.dtype
        if not alike or abs(t.a / wide - 1) > 1e-6 or abs(-t.e / high - 1) > 1e-6:
            raise _misfit(tile, first, folder, "another coordinate system, cell size or kind")
        if abs(col - round(col)) > _OFF or abs(row - round(row)) > _OFF:
            raise _misfit(tile, first, folder, "a grid shifted by part of a cell")
        corners.append((round(row), round(col)))
    top, left = min(row for row, _ in corners), min(col for _, col in corners)
    places = tuple(
        Window(row - top, col - left, *tile.shape)
        for (row, col), tile in zip(corners, tiles, strict=True)
    )
    shape = (max(p.row + p.rows for p in places), max(p.col + p.cols for p in places))
    t = first.transform
    transform = Affine(t.a, 0.0, t.c + left * t.a, 0.0, t.e, t.f + top * t.e)
    return MosaicSource(
        tuple(tiles), places, shape, transform, first.crs, first.dtype, first.is_categorical
    )


def _misfit(tile: TileSource, first: TileSource, folder: Path, why: str) -> TerrainError:
    return TerrainError(
        f"the tile {tile.path.name} has {why} than {first.path.name}",
        where=str(folder),
        hint="put the tiles on one grid in a map program, or merge them into one raster",
    )
