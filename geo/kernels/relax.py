"""A smooth surface between held values."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from geo.kernels.compiling import compiled


def _relax(
    level: NDArray[np.float64],
    neighbor: NDArray[np.int32],
    first: NDArray[np.int64],
    factor: NDArray[np.float64],
    tolerance: NDArray[np.float64],
    across: float,
) -> None:
    """Make each cell, in place, the weighted mean of its four neighbors.

    Successive over-relaxation (Young 1954), each piece of connected cells until it is at rest.

    Parameters
    ----------
    level
        The cells to be found, ordered by piece; after them the held values around them.
    neighbor
        Shape (cells, 4): where in ``level`` the neighbors to the east, west, north and south are.
    first
        Shape (pieces + 1,): where the cells of each piece begin.
    factor
        Shape (pieces,): over-relaxation of each piece, from 1 to less than 2.
    tolerance
        Shape (pieces,): how far from its final level a cell may remain, about.
    across
        Weight of the neighbors to the east and west; those to the north and south have
        1 - ``across``.
    """
    for piece in range(first.size - 1):
        # what is left to go is about the last change over one less the rate of convergence
        least = tolerance[piece] * (2 - factor[piece])
        change = np.inf
        while change > least:
            change = 0.0
            for cell in range(first[piece], first[piece + 1]):
                sideways = level[neighbor[cell, 0]] + level[neighbor[cell, 1]]
                upright = level[neighbor[cell, 2]] + level[neighbor[cell, 3]]
                mean = (across * sideways + (1 - across) * upright) / 2
                step = factor[piece] * (mean - level[cell])
                level[cell] += step
                change = max(change, abs(step))


relax = compiled(_relax)
