"""The main stem of a catchment, from a cell up to its divide."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from geo.kernels.cells import COL_STEP, ROW_STEP
from geo.kernels.compiling import compiled


def _main_stem(
    direction: NDArray[np.uint8], accumulation: NDArray[np.int64], start: int, most: int
) -> NDArray[np.int64]:
    """Flat indices from ``start`` upstream, each time to the neighbor that brings the most.

    Parameters
    ----------
    direction
        Codes of `geo.terrain.flow_direction`, shape (rows, cols).
    accumulation
        Cells upslope of each, itself included, same shape.
    most
        Cells at most, ``start`` included; of equal neighbors the one of the lowest code is taken.
    """
    rows, cols = direction.shape
    stem = np.empty(most, np.int64)
    stem[0] = start
    size = 1
    while size < most:
        here = stem[size - 1]
        i, j = here // cols, here % cols
        best = np.int64(0)
        for code in range(1, 9):
            p, q = i + ROW_STEP[code], j + COL_STEP[code]
            if p < 0 or q < 0 or p >= rows or q >= cols:
                continue
            back = code - 4 if code > 4 else code + 4
            if direction[p, q] == back and accumulation[p, q] > best:
                best = accumulation[p, q]
                stem[size] = p * cols + q
        if best == 0:
            break
        size += 1
    return stem[:size].copy()


main_stem = compiled(_main_stem)
