"""Tiles of a raster, and what is known along the seams between them."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from geo.kernels.catchments import label_catchments
from geo.terrain.flow import CIRCLE
from layers.grid import Window

Block = int | tuple[int, int]


class SeamTile(NamedTuple):
    """A tile: its own window, that with cells around, and where the one lies in the other."""

    window: Window
    outer: Window
    inside: tuple[slice, slice]

    @property
    def shape(self) -> tuple[int, int]:
        """Of the window with the cells around."""
        return self.outer.rows, self.outer.cols


def tiles_of(shape: tuple[int, int], block: Block) -> Iterator[SeamTile]:
    """Tiles of ``block`` cells that cover ``shape``, row by row, each with the cells around it."""
    tall, wide = _sides(block)
    for row in range(0, shape[0], tall):
        for col in range(0, shape[1], wide):
            rows, cols = min(tall, shape[0] - row), min(wide, shape[1] - col)
            yield tile_of(Window(row, col, rows, cols), shape, 1)


def tile_of(window: Window, shape: tuple[int, int], around: int) -> SeamTile:
    """A window with ``around`` cells on each side, as far as there are any in ``shape``."""
    top, left = max(window.row - around, 0), max(window.col - around, 0)
    rows = min(window.row + window.rows + around, shape[0]) - top
    cols = min(window.col + window.cols + around, shape[1]) - left
    row, col = window.row - top, window.col - left
    inside = slice(row, row + window.rows), slice(col, col + window.cols)
    return SeamTile(window, Window(top, left, rows, cols), inside)


def _sides(block: Block) -> tuple[int, int]:
    tall, wide = (block, block) if isinstance(block, int) else block
    if tall < 1 or wide < 1:
        raise ValueError(f"block must be at least 1 cell a side, not {block}")
    return tall, wide


class Seams:
    """One value for each cell along both sides of every seam."""

    def __init__(self, shape: tuple[int, int], block: Block, kind: type) -> None:
        self._block = _sides(block)
        self._along: list[NDArray] = [
            np.empty((max(0, (shape[axis] - 1) // self._block[axis]), 2, shape[1 - axis]), kind)
            for axis in (0, 1)
        ]

    def put(self, tile: SeamTile, values: NDArray) -> None:
        """Keep the edge of a tile's own values."""
        w = tile.window
        for axis, (first, many, start, length) in enumerate(
            ((w.row, w.rows, w.col, w.cols), (w.col, w.cols, w.row, w.rows))
        ):
            lines, seam = self._along[axis], first // self._block[axis]
            lanes = values if axis == 0 else values.T
            if seam > 0:
                lines[seam - 1, 1, start : start + length] = lanes[0]
            if seam < len(lines):
                lines[seam, 0, start : start + length] = lanes[many - 1]

    def pairs(self) -> tuple[NDArray, NDArray]:
        """The values of all cells that touch across a seam, by a side or a corner."""
        one, other = [], []
        for lines in self._along:
            for k, m in ((0, 0), (0, 1), (1, 0)):
                length = lines.shape[2] - 1 + (k == m)
                one.append(lines[:, 0, k : k + length].ravel())
                other.append(lines[:, 1, m : m + length].ravel())
        return np.concatenate(one), np.concatenate(other)


class Links:
    """Which cell beyond a seam the water of each cell beside a seam goes to next.

    Attributes
    ----------
    cell
        Index in the whole raster of each cell beside a seam, ascending.
    onward
        For each of them which other one its water meets first; -1 where it ends before.
    """

    def __init__(self, shape: tuple[int, int], block: Block) -> None:
        self._cols = shape[1]
        found = [np.empty(0, np.int64)]
        found += [self._whole(tile, self.ring(tile)) for tile in tiles_of(shape, block)]
        self.cell = np.unique(np.concatenate(found))
        self.onward = np.full(self.cell.size, -1, np.int64)

    def ring(self, tile: SeamTile) -> NDArray[np.int64]:
        """Flat indices, in the outer window, of the cells around a tile."""
        is_ring = np.ones(tile.shape, bool)
        is_ring[tile.inside] = False
        return np.flatnonzero(is_ring)

    def edge(self, tile: SeamTile) -> NDArray[np.int64]:
        """Flat indices, in the outer window, of a tile's own cells beside a seam."""
        rows, cols = tile.inside
        is_edge = np.zeros(tile.shape, bool)
        is_edge[rows, cols] = True
        is_edge[
            rows.start + (rows.start > 0) : rows.stop - (rows.stop < tile.shape[0]),
            cols.start + (cols.start > 0) : cols.stop - (cols.stop < tile.shape[1]),
        ] = False
        return np.flatnonzero(is_edge)

    def node(self, tile: SeamTile, index: NDArray[np.int64]) -> NDArray[np.int64]:
        """Where flat indices of the outer window stand in ``cell``."""
        return np.searchsorted(self.cell, self._whole(tile, index))

    def lead(
        self, tile: SeamTile, codes: NDArray[np.uint8], label: NDArray[np.int32], ring: NDArray
    ) -> None:
        """Note where the water of the tile's edge leaves it.

        ``label`` holds the number of each cell where water ends, above that of the ring's, else
        -1, and is carried upslope in place. No direction may lead in a circle.
        """
        label[ring] = np.arange(1, ring.size + 1)
        label_catchments(codes.reshape(-1), label, codes.shape[1], 0, label.size)
        edge = self.edge(tile)
        exit_of = label[edge] - 1
        leaves = (exit_of >= 0) & (exit_of < ring.size)
        self.onward[self.node(tile, edge[leaves])] = self.node(tile, ring[exit_of[leaves]])

    def ends(self) -> NDArray[np.int64]:
        """The last cell on the way of each, which may be itself."""
        end = np.where(self.onward < 0, np.arange(self.onward.size), self.onward)
        for _ in range(max(end.size, 2).bit_length() + 1):  # each round doubles the steps taken
            end = end[end]
        if (self.onward[end] >= 0).any():
            raise ValueError(CIRCLE)
        return end

    def _whole(self, tile: SeamTile, index: NDArray[np.int64]) -> NDArray[np.int64]:
        row, col = np.divmod(index, tile.outer.cols)
        return (row + tile.outer.row) * self._cols + col + tile.outer.col
