"""Where water runs over a filled surface when it may split between two cells."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from geo.kernels import dinf as kernels
from geo.terrain.flow import flow_direction
from geo.terrain.inputs import cell_of, same_shape, surface_of
from geo.terrain.stripes import in_stripes


def flow_direction_dinf(filled: ArrayLike, cell_m: float | tuple[float, float]) -> NDArray:
    """Direction of steepest descent over the eight triangles around each cell (Tarboton 1997).

    On a tilted plane it is the exact direction of the fall, where the eight directions of
    `flow_direction` can be off by 22.5 degrees. Flats, which fall nowhere, take the direction of
    `flow_direction`, so that on a surface from `fill_depressions` all water reaches the ocean.

    Parameters
    ----------
    filled
        Elevation without depressions, shape (rows, cols); NaN where there is no data.
    cell_m
        Side of a cell, or (width, height).

    Returns
    -------
    NDArray
        Radians from 0 to less than a full turn, anticlockwise from east, row 0 being the north,
        in the float kind of ``filled``; NaN in voids and in the ocean, where water leaves. Of
        equally steep triangles the first anticlockwise from east is taken.

    Raises
    ------
    ValueError
        If ``filled`` still holds depressions, is not a surface of finite numbers, or ``cell_m``
        is not positive.

    Examples
    --------
    >>> import numpy as np
    >>> plane = np.array([[100.5, 99.5, 98.5], [101, 100, 99], [101.5, 100.5, 99.5]])
    >>> f"{np.degrees(flow_direction_dinf(plane, 10)[1, 1]):.3f}"  # falls by 2 east, 1 north
    '26.565'
    """
    z = surface_of(filled, "filled")
    direction = flow_direction(z, cell_m)
    width, height = cell_of(cell_m)
    table = _sectors(width, height, z.dtype)
    angle = np.empty_like(z)
    in_stripes(
        lambda first, last: kernels.steepest_facet(
            z, direction, width, height, table, angle, first, last
        ),
        z.shape[0],
    )
    return angle


def flow_accumulation_dinf(
    angle: ArrayLike, cell_m: float | tuple[float, float], weights: ArrayLike | None = None
) -> NDArray[np.float64]:
    """How many cells, or how much of a weight, drain through each cell, itself included.

    A cell passes its water to the two neighbors its angle lies between, in the proportion of the
    angle to each (Tarboton 1997); all of it to one where it points straight there.

    Parameters
    ----------
    angle
        Radians from `flow_direction_dinf`, shape (rows, cols); NaN on the border.
    cell_m
        Side of a cell, or (width, height), as the angles were made with.
    weights
        What each cell gives, same shape; left out, each cell counts as one. A NaN spreads
        downslope.

    Returns
    -------
    NDArray
        float64. A void receives nothing and keeps its own. The values where ``angle`` is NaN add
        up to the number of cells, or to the sum of weights.

    Raises
    ------
    ValueError
        If an angle is not from 0 to less than a full turn, a cell of the border has one, they
        lead in a circle, or the shapes differ.

    Examples
    --------
    >>> import numpy as np
    >>> angle = np.full((3, 3), np.nan)
    >>> angle[1, 1] = np.arctan(0.5)  # 26.6 of the 45 degrees from east to north-east
    >>> flow_accumulation_dinf(angle, 1.0)[:2, 2].round(6)
    array([1.590334, 1.409666])
    """
    angles = surface_of(angle, "angle")
    table = _sectors(*cell_of(cell_m), angles.dtype)
    if angles.size and not np.isnan(angles).all():
        if np.nanmin(angles) < 0 or np.nanmax(angles) >= table[8]:
            raise ValueError("angle must be from 0 to less than a full turn (2 pi), in radians")
        for side in (angles[0], angles[-1], angles[:, 0], angles[:, -1]):
            if not np.isnan(side).all():
                raise ValueError("a cell of the border has an angle; there it must be NaN")
    if weights is None:
        total: NDArray = np.ones(angles.shape, np.float64)
    else:
        total = np.array(weights, dtype=np.float64, order="C")
        same_shape(total, angles.shape, "weights")
    reached = kernels.accumulate_shares(
        angles.reshape(-1), table, total.reshape(-1), angles.shape[1]
    )
    if reached != angles.size:
        raise ValueError("angles lead in a circle; use those of flow_direction_dinf")
    return total


def _sectors(width: float, height: float, kind: np.dtype) -> NDArray:
    """Angles of the eight neighbors, and a full turn."""
    corner = np.arctan2(height, width)
    half = np.array([0, corner, np.pi / 2, np.pi - corner])
    return np.concatenate((half, half + np.pi, [2 * np.pi])).astype(kind)
