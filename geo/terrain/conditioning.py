"""Making a surface water can be followed on: voids closed, depressions filled."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import ndimage, sparse
from scipy.sparse.linalg import cg

from geo.kernels import cells
from geo.kernels import flood as kernels
from geo.terrain.inputs import cell_of, surface_of


def fill_depressions(z: ArrayLike) -> NDArray:
    """Raise every cell to the lowest level at which its water reaches the ocean.

    The value of a cell is the least, over all paths by eight neighbours to the ocean, of the
    highest elevation on the path (Barnes, Lehman and Mulla 2014). Ocean is the outside, voids,
    and every valid cell that touches either: those keep their elevation.

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
    kind = cells.kinds(np.isnan(values)).reshape(-1)
    cols = values.shape[1]
    if values.dtype == np.float32:
        filled = values.copy()
        key = filled.reshape(-1).view(np.uint32)
        kernels.float_to_key(key)
        kernels.flood(key, kind, cols)
        kernels.key_to_float(key)
        return filled
    # float64: the flood only compares, so the rank of each value serves as well as the value
    levels, rank = np.unique(values, return_inverse=True)
    key = rank.reshape(-1).astype(np.uint32)
    kernels.flood(key, kind, cols)
    return levels[key].reshape(values.shape)


def close_voids(
    z: ArrayLike, cell_m: float | tuple[float, float]
) -> tuple[NDArray, NDArray[np.bool_]]:
    """Close the voids that lie inside the terrain, as under buildings and lakes.

    A void that reaches the edge of the raster, by eight neighbours, stays: it is the outside.
    Each other one gets the smooth surface that is the mean of its four neighbours everywhere
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
    inside = np.flatnonzero(is_closed)
    if inside.size:
        _, part = np.unique(labels.reshape(-1)[inside], return_inverse=True)
        values.reshape(-1)[inside] = _harmonic(values, inside, part, (width, height))
    return values, is_closed


def _harmonic(
    values: NDArray,
    inside: NDArray[np.int64],
    part: NDArray[np.intp],
    cell_m: tuple[float, float],
) -> NDArray[np.float64]:
    """Solve Laplace's equation in the cells ``inside``, none of which is on the border.

    ``inside`` holds flat indices in ascending order, ``part`` the void each belongs to, from 0.
    """
    flat = values.reshape(-1)
    cols = values.shape[1]
    number = np.full(flat.size, -1, np.int32)
    number[inside] = np.arange(inside.size)
    # a neighbour weighs by the inverse square of its distance; only the ratio matters
    ratio = (cell_m[0] / cell_m[1]) ** 2
    links, rims = [], []
    for step, weight in ((1, 1.0), (-1, 1.0), (cols, ratio), (-cols, ratio)):
        other = number[inside + step]
        linked = other >= 0
        links.append((np.flatnonzero(linked), other[linked], weight))
        rims.append((np.flatnonzero(~linked), flat[(inside + step)[~linked]], weight))
    at_rim = np.concatenate([cell for cell, _, _ in rims])
    rim = np.concatenate([value for _, value, _ in rims]).astype(np.float64)
    rim_part = part[at_rim]
    lowest, highest = np.full(part.max() + 1, np.inf), np.full(part.max() + 1, -np.inf)
    np.minimum.at(lowest, rim_part, rim)
    np.maximum.at(highest, rim_part, rim)
    # solved as differences from a level of each void: a level rim is then met without rounding
    base = lowest / 2 + highest / 2
    rim_weight = np.concatenate([np.full(cell.size, weight) for cell, _, weight in rims])
    right = np.bincount(at_rim, rim_weight * (rim - base[rim_part]), inside.size)
    matrix = sparse.coo_array(
        (
            np.concatenate([np.full(here.size, -weight) for here, _, weight in links]),
            (
                np.concatenate([here for here, _, _ in links]),
                np.concatenate([other for _, other, _ in links]),
            ),
        ),
        shape=(inside.size, inside.size),
    ).tocsr() + (2 + 2 * ratio) * sparse.eye_array(inside.size, format="csr")
    rise, _ = cg(matrix, right, rtol=1e-9)
    return np.clip(base[part] + rise, lowest[part], highest[part])
