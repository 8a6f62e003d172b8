"""Where water runs over a filled surface."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from geo.kernels import cells
from geo.kernels import flow as kernels
from geo.terrain.inputs import cell_of, directions_of, mask_of, same_shape, surface_of

CIRCLE = "directions run in a circle; use those of flow_direction on a filled surface"


def flow_direction(filled: ArrayLike, cell_m: float | tuple[float, float]) -> NDArray[np.uint8]:
    """Direction of steepest descent among the eight neighbors (O'Callaghan and Mark 1984).

    Flats drain by the fewest steps to where they spill. On a surface from `fill_depressions`
    every path ends at the ocean and none runs in a circle.

    Parameters
    ----------
    filled
        Elevation without depressions, shape (rows, cols); NaN where there is no data.
    cell_m
        Side of a cell, or (width, height); diagonal drops are divided by the true distance.

    Returns
    -------
    NDArray
        uint8: 1 = east, then anticlockwise (2 = north-east, 3 = north ... 8 = south-east), row 0
        being the north; 0 = void or ocean. Ocean is the border of the raster and every valid
        cell that touches a void: water there leaves. Of equal slopes, and on flats of
        neighbors that are equally near to where it spills, the lowest code is taken.

    Raises
    ------
    ValueError
        If ``filled`` still holds depressions, is not a surface of finite numbers, or ``cell_m``
        is not positive.
    """
    z = surface_of(filled, "filled")
    width, height = cell_of(cell_m)
    direction = kernels.steepest(z, cells.kinds(np.isnan(z)), width, height)
    undrained = kernels.drain_flats(z.reshape(-1), direction.reshape(-1), z.shape[1])
    if undrained:
        raise undrained_error(undrained, *np.argwhere(direction > 8)[0])
    return direction


def undrained_error(count: int, row: int, col: int) -> ValueError:
    """What is wrong with a surface that still holds depressions."""
    return ValueError(
        f"{count:,} cells are in depressions with no way out, the first in row {row}, "
        f"column {col}; call fill_depressions first"
    )


def flow_accumulation(direction: ArrayLike, weights: ArrayLike | None = None) -> NDArray:
    """How many cells, or how much of a weight, drain through each cell, itself included.

    Parameters
    ----------
    direction
        Codes from `flow_direction`, shape (rows, cols).
    weights
        What each cell gives, same shape; left out, each cell counts as one. A NaN spreads
        downslope.

    Returns
    -------
    NDArray
        int64 cells, or float64 weights. A void receives nothing and keeps its own: a direction
        does not tell a void from the ocean. The values where ``direction`` is 0 add up to the
        number of cells, or to the sum of weights.

    Raises
    ------
    ValueError
        If a code is not 0 to 8, points out of the raster or lies on a circle, or the shapes
        differ.
    """
    codes = directions_of(direction)
    if weights is None:
        total: NDArray = np.ones(codes.shape, np.int64)
    else:
        total = np.array(weights, dtype=np.float64, order="C")
        same_shape(total, codes.shape, "weights")
    reached = kernels.accumulate(codes.reshape(-1), total.reshape(-1), codes.shape[1])
    if reached != codes.size:
        raise ValueError(CIRCLE)
    return total


def height_above_drainage(filled: ArrayLike, direction: ArrayLike, drainage: ArrayLike) -> NDArray:
    """Height of each cell above the drainage its flow path meets (Renno and others 2008).

    Parameters
    ----------
    filled
        The surface ``direction`` was made from, shape (rows, cols).
    direction
        Codes from `flow_direction`.
    drainage
        Boolean: the cells of streams and water bodies. Burn lines with every cell they touch, or
        a diagonal path slips between the cells of a diagonal stream.

    Returns
    -------
    NDArray
        In the unit and float kind of ``filled``; 0 on drainage, never negative on a filled
        surface. NaN in voids, and where the path leaves the terrain before it meets drainage:
        the height above the edge of the data says nothing about a stream, and would be near 0
        beside the edge, as if the cell lay at a bank.

    Raises
    ------
    ValueError
        If the shapes differ, ``drainage`` is not boolean, or the directions are unusable.
    """
    z = surface_of(filled, "filled")
    codes = directions_of(direction)
    same_shape(codes, z.shape, "direction")
    is_drainage = mask_of(drainage, z.shape, "drainage")
    height, is_whole = kernels.height_above(
        z.reshape(-1), codes.reshape(-1), is_drainage.reshape(-1), z.shape[1]
    )
    if not is_whole:
        raise ValueError(CIRCLE)
    return height.reshape(z.shape)


def flow_paths(
    direction: ArrayLike, starts: ArrayLike, stop: ArrayLike | None = None
) -> list[NDArray[np.int64]]:
    """Follow the water from each start until it meets a stop, the ocean or a void.

    Parameters
    ----------
    direction
        Codes from `flow_direction`, shape (rows, cols).
    starts
        Shape (n, 2): row and column of each start.
    stop
        Boolean, same shape as ``direction``: where a path ends, as at a stream or a drain. Burn
        lines with every cell they touch.

    Returns
    -------
    list of NDArray
        One array of shape (cells, 2) for each start, in the same order: rows and columns from
        the start to the end, both included. Empty for a start outside the raster. A start on a
        stop, the ocean or a void gives that one cell.

    Raises
    ------
    ValueError
        If ``starts`` is not of shape (n, 2) and whole, the shapes differ, or directions run in a
        circle.
    """
    codes = directions_of(direction)
    rows, cols = codes.shape
    points = np.asarray(starts)
    if points.size == 0:
        points = np.empty((0, 2), np.int64)
    if points.ndim != 2 or points.shape[1] != 2 or points.dtype.kind not in "iu":
        raise ValueError("starts must be whole rows and columns, of shape (n, 2)")
    stops = np.empty(0, bool) if stop is None else mask_of(stop, codes.shape, "stop").reshape(-1)
    row, col = points[:, 0].astype(np.int64), points[:, 1].astype(np.int64)
    inside = (row >= 0) & (row < rows) & (col >= 0) & (col < cols)
    first = np.where(inside, row * cols + col, -1)
    lengths = kernels.path_lengths(codes.reshape(-1), stops, first, cols)
    if lengths.size and lengths.max() > codes.size:
        raise ValueError(CIRCLE)
    offset = np.concatenate((np.zeros(1, np.int64), np.cumsum(lengths)))
    cell = kernels.path_cells(codes.reshape(-1), first, offset, cols)
    both = np.column_stack(np.divmod(cell, max(cols, 1)))
    return np.split(both, offset[1:-1]) if len(points) else []
