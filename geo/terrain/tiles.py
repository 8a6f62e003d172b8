"""Terrain larger than memory: the surfaces of `geo.terrain` tile by tile.

Each function reads windows of a source, gives each finished tile to ``write``, and holds no more
than one tile and what is known along the seams between tiles. The results are those of the
function of the same name on the whole raster, to the last bit. A source must give the same every
time: where water crosses seams each tile is read twice.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from geo.kernels import cells
from geo.kernels import flow as flow_kernels
from geo.kernels.catchments import label_catchments, raise_to
from geo.terrain import surface
from geo.terrain.catchments import Levels, find_levels, join_levels
from geo.terrain.flow import CIRCLE
from geo.terrain.inputs import directions_of, mask_of, surface_of
from layers.grid import GridSource, Window

Write = Callable[[Window, NDArray], None]


def slope(z: GridSource, write: Write, *, block: int | tuple[int, int] = 2048) -> None:
    """`geo.terrain.slope` by tiles of ``block`` cells a side, or (rows, columns).

    Parameters
    ----------
    z
        Elevation.
    write
        Called once for each tile with its window and its values.
    """
    for tile in _tiles(z.shape, block):
        grid = z.read(tile.outer)
        write(tile.window, surface.slope(grid.values, grid.cell_m)[tile.inside])


def hillshade(
    z: GridSource,
    write: Write,
    *,
    azimuth_deg: float = 315.0,
    altitude_deg: float = 45.0,
    block: int | tuple[int, int] = 2048,
) -> None:
    """`geo.terrain.hillshade` by tiles; see `slope`."""
    for tile in _tiles(z.shape, block):
        grid = z.read(tile.outer)
        shade = surface.hillshade(
            grid.values, grid.cell_m, azimuth_deg=azimuth_deg, altitude_deg=altitude_deg
        )
        write(tile.window, shade[tile.inside])


def fill_depressions(z: GridSource, write: Write, *, block: int | tuple[int, int] = 2048) -> None:
    """`geo.terrain.fill_depressions` by tiles; see `slope`.

    Of each tile only the ways over between the cells of its edge are kept; the levels of these
    cells are found first, and then each tile is filled to the brim or to them (after Barnes 2016,
    Computers & Geosciences 96).
    """
    edges, count = [], 0
    node, level = _Seams(z.shape, block, np.int32), _Seams(z.shape, block, np.float64)
    for tile in _tiles(z.shape, block):
        ground, found, held = _levels_of(z, tile)
        number = np.append(0, count + np.arange(1, held.size + 1)).astype(np.int32)
        edges.append((number[found.one], number[found.other], found.over))
        label = found.label.reshape(ground.shape)[1:-1, 1:-1]
        values = ground[1:-1, 1:-1]
        node.put(tile, np.where(np.isnan(values), -1, number[np.minimum(label, held.size)]))
        level.put(tile, values)
        count += held.size
    (one, other), (here, there) = node.pairs(), level.pairs()
    is_way = (one >= 0) & (other >= 0) & (one != other)
    edges.append((one[is_way], other[is_way], np.maximum(here, there)[is_way]))
    low, high, over = (np.concatenate([edge[k] for edge in edges]) for k in range(3))
    brim = join_levels(low, high, over, count + 1, 1)[0]
    base = 0
    for tile in _tiles(z.shape, block):
        ground, found, held = _levels_of(z, tile)
        outside = np.append(-np.inf, brim[base + 1 : base + held.size + 1]).astype(ground.dtype)
        base += held.size
        filled = np.empty_like(ground)
        raise_to(
            ground.reshape(-1),
            found.label,
            np.maximum(found.brim, outside[found.held]),
            filled.reshape(-1),
            0,
            ground.size,
        )
        write(tile.window, filled[1:-1, 1:-1])


def flow_accumulation(
    direction: GridSource,
    write: Write,
    *,
    weights: GridSource | None = None,
    block: int | tuple[int, int] = 2048,
) -> None:
    """`geo.terrain.flow_accumulation` by tiles; see `slope`.

    What enters each tile from outside is found first (after Barnes 2017, Environmental Modelling
    & Software 92). Weights are added up in another order than in the whole raster: the last
    digits of a sum can differ.
    """

    def own(tile: _Tile) -> NDArray:
        total = np.zeros(tile.shape, np.int64 if weights is None else np.float64)
        total[tile.inside] = 1 if weights is None else weights.read(tile.window).values
        return total

    links = _Links(direction.shape, block)
    inflow = np.zeros(links.cell.size, np.int64 if weights is None else np.float64)
    for tile in _tiles(direction.shape, block):
        codes, total = _codes_of(direction, tile), own(tile)
        _accumulate(codes, total)
        ring = links.ring(tile)
        inflow[links.node(tile, ring)] += total.reshape(-1)[ring]
        label = np.full(codes.size, -1, np.int32)
        links.lead(tile, codes, label, ring)
    if flow_kernels.accumulate_along(links.onward, inflow) != inflow.size:
        raise ValueError(CIRCLE)
    for tile in _tiles(direction.shape, block):
        codes, total = _codes_of(direction, tile), own(tile)
        edge = links.edge(tile)
        total.reshape(-1)[edge] += inflow[links.node(tile, edge)]
        _accumulate(codes, total)
        write(tile.window, total[tile.inside])


def height_above_drainage(
    filled: GridSource,
    direction: GridSource,
    drainage: GridSource,
    write: Write,
    *,
    block: int | tuple[int, int] = 2048,
) -> None:
    """`geo.terrain.height_above_drainage` by tiles; see `slope`. ``drainage`` holds booleans."""
    links = _Links(direction.shape, block)
    base = np.full(links.cell.size, np.nan)

    def read(tile: _Tile) -> tuple[NDArray, NDArray[np.uint8], NDArray[np.bool_]]:
        z = np.full(tile.shape, np.nan)
        z[tile.inside] = values = surface_of(filled.read(tile.window).values, "filled")
        is_drainage = np.zeros(tile.shape, bool)
        is_drainage[tile.inside] = mask_of(
            drainage.read(tile.window).values, values.shape, "drainage"
        )
        return z.astype(values.dtype, copy=False), _codes_of(direction, tile), is_drainage

    for tile in _tiles(direction.shape, block):
        z, codes, is_drainage = read(tile)
        _accumulate(codes, np.zeros(codes.shape, np.int64))
        ring = links.ring(tile)
        label = np.full(codes.size, -1, np.int32)
        met = np.flatnonzero(is_drainage)
        label[met] = ring.size + np.arange(1, met.size + 1)
        links.lead(tile, codes, label, ring)
        edge = links.edge(tile)
        ends = label[edge] - ring.size
        base[links.node(tile, edge[ends > 0])] = z.reshape(-1)[met[ends[ends > 0] - 1]]
    base = base[links.ends()]
    for tile in _tiles(direction.shape, block):
        z, codes, is_drainage = read(tile)
        ring = links.ring(tile)
        z.reshape(-1)[ring] = beyond = base[links.node(tile, ring)]
        is_drainage.reshape(-1)[ring] = ~np.isnan(beyond)
        height, is_whole = flow_kernels.height_above(
            z.reshape(-1), codes.reshape(-1), is_drainage.reshape(-1), codes.shape[1]
        )
        if not is_whole:
            raise ValueError(CIRCLE)
        write(tile.window, height.reshape(z.shape)[tile.inside])


class _Tile(NamedTuple):
    """A tile: its own window, that with cells around, and where the one lies in the other."""

    window: Window
    outer: Window
    inside: tuple[slice, slice]

    @property
    def shape(self) -> tuple[int, int]:
        """Of the window with the cells around."""
        return self.outer.rows, self.outer.cols


def _tiles(
    shape: tuple[int, int], block: int | tuple[int, int], around: int = 1
) -> Iterator[_Tile]:
    """Tiles of ``block`` cells that cover ``shape``, row by row, each with the cells around it."""
    tall, wide = _sides(block)
    for row in range(0, shape[0], tall):
        for col in range(0, shape[1], wide):
            end_row, end_col = min(row + tall, shape[0]), min(col + wide, shape[1])
            top, left = max(row - around, 0), max(col - around, 0)
            bottom, right = min(end_row + around, shape[0]), min(end_col + around, shape[1])
            yield _Tile(
                Window(row, col, end_row - row, end_col - col),
                Window(top, left, bottom - top, right - left),
                (slice(row - top, end_row - top), slice(col - left, end_col - left)),
            )


def _sides(block: int | tuple[int, int]) -> tuple[int, int]:
    tall, wide = (block, block) if isinstance(block, int) else block
    if tall < 1 or wide < 1:
        raise ValueError(f"block must be at least 1 cell a side, not {block}")
    return tall, wide


class _Seams:
    """One value for each cell along both sides of every seam."""

    def __init__(self, shape: tuple[int, int], block: int | tuple[int, int], kind: type) -> None:
        self._block = _sides(block)
        self._along: list[NDArray] = [
            np.empty((max(0, (shape[axis] - 1) // self._block[axis]), 2, shape[1 - axis]), kind)
            for axis in (0, 1)
        ]

    def put(self, tile: _Tile, values: NDArray) -> None:
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


def _levels_of(z: GridSource, tile: _Tile) -> tuple[NDArray, Levels, NDArray[np.int32]]:
    """The ground of a tile within a wall, its levels, and the cells of its edge that are held."""
    values = surface_of(z.read(tile.outer).values)
    kind = np.full((tile.window.rows + 2, tile.window.cols + 2), cells.VOID, np.uint8)
    kind[1:-1, 1:-1] = cells.kinds(np.isnan(values))[tile.inside]
    ground = np.pad(values[tile.inside], 1, constant_values=np.inf)
    is_held = kind == cells.LAND
    is_held[2:-2, 2:-2] = False
    kind[is_held] = cells.OCEAN
    held = np.flatnonzero(is_held).astype(np.int32)
    return ground, find_levels(ground, kind, held), held


def _codes_of(direction: GridSource, tile: _Tile) -> NDArray[np.uint8]:
    """Directions of a tile among zeros, so that what leaves it stays in the cells around it."""
    values = direction.read(tile.window).values
    codes = np.zeros(tile.shape, values.dtype)
    codes[tile.inside] = values
    return directions_of(codes)


def _accumulate(codes: NDArray[np.uint8], total: NDArray) -> None:
    reached = flow_kernels.accumulate(codes.reshape(-1), total.reshape(-1), codes.shape[1])
    if reached != codes.size:
        raise ValueError(CIRCLE)


class _Links:
    """Which cell beyond a seam the water of each cell beside a seam goes to next.

    Attributes
    ----------
    cell
        Index in the whole raster of each cell beside a seam, ascending.
    onward
        For each of them which other one its water meets first; -1 where it ends before.
    """

    def __init__(self, shape: tuple[int, int], block: int | tuple[int, int]) -> None:
        self._cols = shape[1]
        found = [np.empty(0, np.int64)]
        found += [self._whole(tile, self.ring(tile)) for tile in _tiles(shape, block)]
        self.cell = np.unique(np.concatenate(found))
        self.onward = np.full(self.cell.size, -1, np.int64)

    def ring(self, tile: _Tile) -> NDArray[np.int64]:
        """Flat indices, in the outer window, of the cells around a tile."""
        is_ring = np.ones(tile.shape, bool)
        is_ring[tile.inside] = False
        return np.flatnonzero(is_ring)

    def edge(self, tile: _Tile) -> NDArray[np.int64]:
        """Flat indices, in the outer window, of a tile's own cells beside a seam."""
        rows, cols = tile.inside
        is_edge = np.zeros(tile.shape, bool)
        is_edge[rows, cols] = True
        is_edge[
            rows.start + (rows.start > 0) : rows.stop - (rows.stop < tile.shape[0]),
            cols.start + (cols.start > 0) : cols.stop - (cols.stop < tile.shape[1]),
        ] = False
        return np.flatnonzero(is_edge)

    def node(self, tile: _Tile, index: NDArray[np.int64]) -> NDArray[np.int64]:
        """Where flat indices of the outer window stand in ``cell``."""
        return np.searchsorted(self.cell, self._whole(tile, index))

    def lead(
        self, tile: _Tile, codes: NDArray[np.uint8], label: NDArray[np.int32], ring: NDArray
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

    def _whole(self, tile: _Tile, index: NDArray[np.int64]) -> NDArray[np.int64]:
        row, col = np.divmod(index, tile.outer.cols)
        return (row + tile.outer.row) * self._cols + col + tile.outer.col
