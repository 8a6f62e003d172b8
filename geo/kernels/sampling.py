"""Values of a raster at points."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from geo.kernels.compiling import compiled


def _nearest(
    z: NDArray, is_void: NDArray[np.bool_], row: NDArray[np.float64], col: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Value of the cell each point lies in; NaN in a void, outside, and for NaN coordinates.

    Coordinates are counted from the north-west corner of the raster in cells: the center of the
    first cell is (0.5, 0.5).
    """
    rows, cols = z.shape
    out = np.full(row.size, np.nan, np.float64)
    for k in range(row.size):
        if 0 <= row[k] < rows and 0 <= col[k] < cols:
            i, j = int(row[k]), int(col[k])
            if not is_void[i, j]:
                out[k] = z[i, j]
    return out


def _bilinear(
    z: NDArray, is_void: NDArray[np.bool_], row: NDArray[np.float64], col: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Value between the four cell centers around each point, coordinates as in `nearest`.

    Centers that are void or outside lend their weight to the others. NaN where the cell the
    point lies in is void or outside, and for NaN coordinates.
    """
    rows, cols = z.shape
    out = np.full(row.size, np.nan, np.float64)
    for k in range(row.size):
        if not (0 <= row[k] < rows and 0 <= col[k] < cols):
            continue
        if is_void[int(row[k]), int(col[k])]:
            continue
        top = int(np.floor(row[k] - 0.5))
        left = int(np.floor(col[k] - 0.5))
        down = row[k] - 0.5 - top
        right = col[k] - 0.5 - left
        here = np.float64(z[int(row[k]), int(col[k])])
        weights, rise = 0.0, 0.0
        for p in range(2):
            for q in range(2):
                i, j = top + p, left + q
                if 0 <= i < rows and 0 <= j < cols and not is_void[i, j]:
                    weight = (down if p else 1 - down) * (right if q else 1 - right)
                    weights += weight
                    rise += weight * (z[i, j] - here)
        out[k] = here + rise / weights
    return out


nearest = compiled(_nearest)
bilinear = compiled(_bilinear)
