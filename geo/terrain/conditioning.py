"""Making a surface water can be followed on: voids closed, depressions filled."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import ndimage

from geo.kernels import cells
from geo.kernels.catchments import raise_to
from geo.kernels.relax import relax
from geo.terrain.catchments import find_levels
from geo.terrain.inputs import cell_of, surface_of
from geo.terrain.stripes import in_stripes

_NEAR_ENOUGH = 1e-5  # of the height between the lowest and the highest cell of a void's rim


def fill_depressions(z: ArrayLike) -> NDArray:
    """Raise every cell to the lowest level at which its water reaches the ocean.

    The value of a cell is the least, over all paths by eight neighbors to the ocean, of the
    highest elevation on the path (Barnes, Lehman and Mulla 2014). Ocean is the outside, voids,
    and every valid cell that touches either: those keep their elevation. It is found by joining
    catchments over their lowest outlets, as in `geo.terrain.depressions`, not by a flood.

    Parameters
    ----------
    z
        Elevation, shape (rows, cols); NaN where there is no data.

    Returns
    -------
    NDArray
        A new array of the same shape; every value is one that stands in ``z``. float32 and
        float64 keep their kind; whole numbers become float32 where that holds them exactly,
        else float64.

    Raises
    ------
    ValueError
        If ``z`` is not two-dimensional, not numbers, or holds infinite values.

    Examples
    --------
    >>> import numpy as np
    >>> fill_depressions(np.array([[9, 9, 9, 9], [9, 1, 2, 9], [9, 9, 5, 9]]))[1]
    array([9., 5., 5., 9.], dtype=float32)
    """
    values = surface_of(z)
    rows, cols = values.shape
    label, brim = find_levels(values, cells.kinds(np.isnan(values)))[:2]
    filled = np.empty_like(values)
    in_stripes(
        lambda first, last: raise_to(
            values.reshape(-1), label, brim, filled.reshape(-1), first * cols, last * cols
        ),
        rows,
    )
    return filled


def close_voids(
    z: ArrayLike, cell_m: float | tuple[float, float]
) -> tuple[NDArray, NDArray[np.bool_]]:
    """Close the voids that lie inside the terrain, as under buildings and lakes.

    A void that reaches the edge of the raster, by eight neighbors, stays: it is the outside.
    Each other one gets the smooth surface that is the mean of its four neighbors everywhere
    (Laplace's equation on the grid), with its rim held: a level rim gives a level surface, a
    plane stays a plane, and nothing lies above the highest or below the lowest cell of the rim.

    Parameters
    ----------
    z
        Elevation, shape (rows, cols); NaN where there is no data.
    cell_m
        Side of a cell, or (width, height).

    Returns
    -------
    closed
        A new array of the same shape and float kind.
    is_closed
        Boolean: the cells that were given a value.

    Raises
    ------
    ValueError
        If ``z`` is not a surface of finite numbers, or ``cell_m`` not positive.
    """
    values = surface_of(z).copy()
    width, height = cell_of(cell_m)
    is_closed = np.isnan(values)
    if not is_closed.any():
        return values, is_closed
    labels, count = ndimage.label(is_closed, structure=np.ones((3, 3)))
    is_open = np.zeros(count + 1, bool)
    for side in (labels[0], labels[-1], labels[:, 0], labels[:, -1]):
        is_open[side] = True
    is_closed &= ~is_open[labels]
    if is_closed.any():
        inside, level = _harmonic(values, labels, is_closed, (width, height))
        values.reshape(-1)[inside] = level
    return values, is_closed


def _harmonic(
    values: NDArray, labels: NDArray[np.int32], is_inside: NDArray, cell_m: tuple[float, float]
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Flat indices of the cells ``is_inside``, none of them on the border, and their new levels."""
    flat, cols = values.reshape(-1), values.shape[1]
    inside = np.flatnonzero(is_inside)
    label = labels.reshape(-1)[inside]
    order = np.argsort(label, kind="stable")
    inside, label = inside[order], label[order]
    _, first, piece = np.unique(label, return_index=True, return_inverse=True)
    number = np.full(flat.size, -1, np.int32)
    number[inside] = np.arange(inside.size)
    beside = inside[:, None] + np.array([1, -1, -cols, cols])
    neighbor = number[beside]
    at_rim = neighbor < 0
    rim, rim_piece = flat[beside[at_rim]].astype(np.float64), piece[np.nonzero(at_rim)[0]]
    neighbor[at_rim] = inside.size + np.arange(rim.size)
    lowest, highest = np.full(first.size, np.inf), np.full(first.size, -np.inf)
    np.minimum.at(lowest, rim_piece, rim)
    np.maximum.at(highest, rim_piece, rim)
    # solved as differences from a level of each void: a level rim is then met without rounding
    base = lowest / 2 + highest / 2
    level = np.concatenate((np.zeros(inside.size), rim - base[rim_piece]))
    # a neighbor weighs by the inverse square of its distance
    across = cell_m[1] ** 2 / (cell_m[0] ** 2 + cell_m[1] ** 2)
    # best factor for a rectangle of that many rows and columns (Young 1954)
    row, col = np.divmod(inside, cols)
    tall, wide = (
        np.maximum.reduceat(axis, first) - np.minimum.reduceat(axis, first) + 2
        for axis in (row, col)
    )
    rate = across * np.cos(np.pi / wide) + (1 - across) * np.cos(np.pi / tall)
    factor = 2 / (1 + np.sqrt(1 - rate**2))
    relax(
        level,
        neighbor,
        np.append(first, inside.size),
        factor,
        (highest - lowest) * _NEAR_ENOUGH,
        across,
    )
    return inside, np.clip(base[piece] + level[: inside.size], lowest[piece], highest[piece])
