"""A weighted mean over rows and columns, each cell's the same whatever surrounds the window."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from geo.kernels.compiling import compiled


def _smooth(
    values: NDArray[np.float32], down: NDArray[np.float32], across: NDArray[np.float32]
) -> NDArray[np.float32]:
    """Weighted sum over the cells around each cell, first along rows, then along columns.

    Terms are added in the order of the weights for every cell, so that a cell's sum does not
    depend, in any bit, on where the window around it begins.

    Parameters
    ----------
    values
        Shape (rows + len(down) - 1, cols + len(across) - 1).
    down, across
        Weights by row and by column, of odd length.

    Returns
    -------
    NDArray
        Shape (rows, cols).
    """
    rows = values.shape[0] - down.size + 1
    cols = values.shape[1] - across.size + 1
    along = np.zeros((values.shape[0], cols), np.float32)
    for i in range(values.shape[0]):
        for k in range(across.size):
            weight = across[k]
            for j in range(cols):
                along[i, j] += weight * values[i, j + k]
    out = np.zeros((rows, cols), np.float32)
    for i in range(rows):
        for k in range(down.size):
            weight = down[k]
            for j in range(cols):
                out[i, j] += weight * along[i + k, j]
    return out


smooth = compiled(_smooth)
