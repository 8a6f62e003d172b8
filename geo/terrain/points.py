"""Values of a grid at points of the map."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from geo.kernels import sampling as kernels
from geo.terrain.inputs import surface_of
from layers.grid import Grid


def sample(
    grid: Grid, x: ArrayLike, y: ArrayLike, *, bilinear: bool = False
) -> NDArray[np.float64]:
    """Value of a grid at each point.

    Parameters
    ----------
    grid
        Any numbers; NaN where there is no data.
    x, y
        Map coordinates, of one shape.
    bilinear
        Between the four nearest cell centers, those that are void or outside left out; else the
        value of the cell the point lies in.

    Returns
    -------
    NDArray
        float64, shape of ``x``; NaN outside the grid, where the cell the point lies in is void,
        and for coordinates that are not finite.

    Raises
    ------
    ValueError
        If ``x`` and ``y`` differ in shape, or the grid holds infinite values.
    """
    east, north = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    if east.shape != north.shape:
        raise ValueError(f"x has shape {east.shape}, y {north.shape}")
    values = surface_of(grid.values, "grid")
    width, height = grid.cell_m
    row = (grid.transform.f - north).reshape(-1) / height
    col = (east - grid.transform.c).reshape(-1) / width
    kernel = kernels.bilinear if bilinear else kernels.nearest
    return kernel(values, np.isnan(values), row, col).reshape(east.shape)
