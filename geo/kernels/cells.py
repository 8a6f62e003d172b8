"""What a cell is, and where its eight neighbors lie."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from geo.kernels.compiling import compiled

LAND = 0  # valid, with eight valid neighbors
OCEAN = 1  # valid, beside a void or the outside: water there leaves
VOID = 2  # no data

# by direction code: 0 stays, 1 is east, then anticlockwise to 8 = south-east; row 0 is north
ROW_STEP = (0, 0, -1, -1, -1, 0, 1, 1, 1)
COL_STEP = (0, 1, 1, 0, -1, -1, -1, 0, 1)


def _kinds(is_void: NDArray[np.bool_]) -> NDArray[np.uint8]:
    """LAND, OCEAN or VOID for each cell of a (rows, cols) void mask."""
    rows, cols = is_void.shape
    kind = np.zeros((rows, cols), np.uint8)
    for i in range(rows):
        # cell by cell: to set a slice takes ten times as long to compile
        for j in range(0, cols, 1 if i == 0 or i == rows - 1 else max(cols - 1, 1)):
            kind[i, j] = OCEAN
        voids = False
        for j in range(cols):
            voids |= is_void[i, j]
        if not voids:
            continue
        for j in range(cols):
            if is_void[i, j]:
                kind[i, j] = VOID
                for p in range(max(i - 1, 0), min(i + 2, rows)):
                    for q in range(max(j - 1, 0), min(j + 2, cols)):
                        if not is_void[p, q]:
                            kind[p, q] = OCEAN
    return kind


def _steps(cols: int) -> NDArray[np.int64]:
    """Difference of flat index to each neighbor, by direction code, in a grid of ``cols``."""
    step = np.zeros(9, np.int64)
    for code in range(1, 9):
        step[code] = ROW_STEP[code] * cols + COL_STEP[code]
    return step


def _longer(values: NDArray, size: int) -> NDArray:
    """A flat array of ``size`` that begins with ``values``; what follows is not set."""
    more = np.empty(size, values.dtype)
    for k in range(values.size):
        more[k] = values[k]
    return more


kinds = compiled(_kinds)
longer = compiled(_longer)
steps = compiled(_steps)
