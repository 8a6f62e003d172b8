"""The lie of the land: slope and shade."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from geo.kernels import cells
from geo.kernels import surface as kernels
from geo.terrain.inputs import cell_of, surface_of
from geo.terrain.stripes import in_stripes


def slope(z: ArrayLike, cell_m: float | tuple[float, float]) -> NDArray:
    """Slope as rise over run, after Horn (1981).

    Parameters
    ----------
    z
        Elevation, shape (rows, cols), in the unit of ``cell_m``; NaN where there is no data.
    cell_m
        Side of a cell, or (width, height).

    Returns
    -------
    NDArray
        Same shape and float kind; NaN in voids. Beside a void or the edge the differences that
        exist are used (one-sided where one side is missing), so that a plane keeps its slope; an
        axis without any pair of cells counts as level, a cell without any neighbor is NaN.

    Raises
    ------
    ValueError
        If ``z`` is not a surface of finite numbers, or ``cell_m`` not positive.

    Examples
    --------
    >>> import numpy as np
    >>> window = np.array([[50, 45, 50], [30, 30, 30], [8, 10, 10]])
    >>> f"{slope(window, 5)[1, 1]:.5f}"
    '3.80033'
    """
    values = surface_of(z)
    width, height = cell_of(cell_m)
    out = np.empty_like(values)
    in_stripes(
        lambda first, last: kernels.slope(values, width, height, out, first, last),
        values.shape[0],
    )
    return out


def hillshade(
    z: ArrayLike,
    cell_m: float | tuple[float, float],
    *,
    azimuth_deg: float = 315.0,
    altitude_deg: float = 45.0,
) -> NDArray[np.uint8]:
    """Brightness of the surface under a light far away, for a background picture.

    Parameters
    ----------
    z, cell_m
        As for `slope`.
    azimuth_deg
        Where the light stands, clockwise from north.
    altitude_deg
        Its height above the horizon, 0 to 90.

    Returns
    -------
    NDArray
        Same shape, uint8: 1 (turned away) to 255 (facing the light), 0 in voids.

    Raises
    ------
    ValueError
        As for `slope`, or if the light is below the horizon.
    """
    values = surface_of(z)
    width, height = cell_of(cell_m)
    if not (0 <= altitude_deg <= 90 and math.isfinite(azimuth_deg)):
        raise ValueError(
            f"altitude_deg must be 0 to 90 and azimuth_deg finite, "
            f"not {altitude_deg} and {azimuth_deg}"
        )
    azimuth, altitude = math.radians(azimuth_deg), math.radians(altitude_deg)
    light = (
        math.sin(azimuth) * math.cos(altitude),
        math.cos(azimuth) * math.cos(altitude),
        math.sin(altitude),
    )
    return kernels.hillshade(values, cells.kinds(np.isnan(values)), width, height, light)
