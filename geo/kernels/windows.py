"""What draws of a terrain in a window need: how far basins reach, what enters, what each gets."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from geo.kernels.cells import longer, steps
from geo.kernels.compiling import compiled

FIRST_ROW, LAST_ROW, FIRST_COL, LAST_COL = 0, 1, 2, 3


def _extents(
    z: NDArray, label: NDArray[np.int32], basin: NDArray[np.int32], out_elev: NDArray[np.float64]
) -> tuple[NDArray[np.int32], NDArray[np.int32]]:
    """First and last row and column of each basin, and of what lies in it under its outlet.

    Parameters
    ----------
    z, label
        Of one shape (rows, cols).
    basin
        By label: the number of the basin, 0 for none.
    out_elev
        By basin: the level of its outlet.

    Returns
    -------
    catchment, hollow
        By basin, four columns; rows and columns of -1 where there is none.
    """
    catchment = np.full((out_elev.size, 4), -1, np.int32)
    hollow = np.full((out_elev.size, 4), -1, np.int32)
    for i in range(z.shape[0]):
        for j in range(z.shape[1]):
            k = basin[label[i, j]]
            if k == 0:
                continue
            if catchment[k, FIRST_ROW] < 0:
                catchment[k, FIRST_ROW] = i
                catchment[k, FIRST_COL] = j
            catchment[k, LAST_ROW] = i
            catchment[k, FIRST_COL] = min(catchment[k, FIRST_COL], j)
            catchment[k, LAST_COL] = max(catchment[k, LAST_COL], j)
            if z[i, j] < out_elev[k]:
                if hollow[k, FIRST_ROW] < 0:
                    hollow[k, FIRST_ROW] = i
                    hollow[k, FIRST_COL] = j
                hollow[k, LAST_ROW] = i
                hollow[k, FIRST_COL] = min(hollow[k, FIRST_COL], j)
                hollow[k, LAST_COL] = max(hollow[k, LAST_COL], j)
    return catchment, hollow


def _reach(
    first: NDArray[np.int64],
    start: NDArray[np.int64],
    level: NDArray[np.float64],
    z: NDArray,
    direction: NDArray[np.uint8],
    label: NDArray[np.int32],
    of_label: NDArray[np.int32],
    spill_cell: NDArray[np.int64],
    hollow: NDArray[np.int32],
    cols: int,
    drop: float,
    most: int,
) -> NDArray[np.int32]:
    """How far dams no higher than ``drop`` can matter to each group of starts.

    The way of the water down from each start, through basins, until it has fallen by ``drop``;
    and all that drains to that way and lies no higher than ``drop`` above the start: what a dam
    on it could drown.

    Parameters
    ----------
    first
        Where each group begins in ``start``, and the end of the last.
    start
        Flat index of each start.
    level
        Its height; in each group from the highest down.
    z, direction, label
        Flat, the direction without any code that leads out of the raster.
    of_label
        The basin of each label.
    spill_cell, hollow
        By basin: where its spill goes on, and its rows and columns.
    drop, most
        A way ends when it has fallen by ``drop``, or after ``most`` cells.

    Returns
    -------
    NDArray
        First and last row, first and last column of each group; -1 where there is none.
    """
    step = steps(cols)
    box = np.full((first.size - 1, 4), -1, np.int32)
    seen = np.full(z.size, -1, np.int32)
    queue = np.empty(1024, np.int32)
    for g in range(first.size - 1):
        top, bottom, left, right = z.size, -1, z.size, -1
        for k in range(first[g], first[g + 1]):
            c = start[k]
            size = 0
            for _ in range(most):
                if seen[c] != g:
                    seen[c] = g
                    if size == queue.size:
                        queue = longer(queue, 2 * size)
                    queue[size] = c
                    size += 1
                if not z[c] > level[k] - drop:
                    break
                if direction[c] != 0:
                    c += step[direction[c]]
                    continue
                basin = of_label[label[c]]
                if basin == 0 or spill_cell[basin] < 0:
                    break
                top = min(top, hollow[basin, FIRST_ROW])
                bottom = max(bottom, hollow[basin, LAST_ROW])
                left = min(left, hollow[basin, FIRST_COL])
                right = max(right, hollow[basin, LAST_COL])
                c = spill_cell[basin]
            head = 0
            while head < size:
                c = int(queue[head])
                head += 1
                i, j = c // cols, c % cols
                top, bottom, left, right = min(top, i), max(bottom, i), min(left, j), max(right, j)
                for code in range(1, 9):
                    n = c - step[code]
                    if n < 0 or n >= z.size or direction[n] != code:
                        continue
                    if seen[n] != g and z[n] < level[k] + drop:
                        seen[n] = g
                        if size == queue.size:
                            queue = longer(queue, 2 * size)
                        queue[size] = n
                        size += 1
        if bottom >= 0:
            box[g, FIRST_ROW] = top
            box[g, LAST_ROW] = bottom
            box[g, FIRST_COL] = left
            box[g, LAST_COL] = right
    return box


def _pass_on(
    gain: NDArray[np.float64],
    held: NDArray[np.float64],
    is_full: NDArray[np.bool_],
    onto: NDArray[np.int32],
) -> NDArray[np.float64]:
    """Water each basin passes on to the one below it.

    Parameters
    ----------
    gain
        Water that runs to each basin from its own ground; what basins above pass on is added.
    held, is_full
        Water it keeps, and whether that is all it can; only full ones pass anything on.
    onto
        The basin each passes on to; 0 for none, and entry 0 is nobody. No circles.
    """
    above = np.zeros(onto.size, np.int32)
    for k in range(1, onto.size):
        above[onto[k]] += 1
    passed = np.zeros(onto.size, np.float64)
    for start in range(1, onto.size):
        k = start
        while k > 0 and above[k] == 0:
            above[k] = -1
            if is_full[k]:
                passed[k] = max(gain[k] - held[k], 0.0)
                gain[onto[k]] += passed[k]
            k = onto[k]
            above[k] -= 1
    return passed


def _gather_storms(
    kind: NDArray[np.uint16],
    label: NDArray[np.int32],
    depth: NDArray[np.float64],
    inflow: NDArray[np.float64],
) -> None:
    """Add the runoff of every cell to its catchment for all storms at once, in place.

    Parameters
    ----------
    kind, label
        Flat: the row of ``depth`` a cell's runoff is in, and the leaf its water runs to.
    depth
        Shape (kinds, storms).
    inflow
        Shape (leaves + 1, storms).
    """
    storms = depth.shape[1]
    for c in range(label.size):
        to, of = label[c], kind[c]
        for s in range(storms):
            inflow[to, s] += depth[of, s]


def _keep_open(z: NDArray, upper: NDArray[np.int64], lower: NDArray[np.int64]) -> None:
    """Lower cells of pipes, in place, until no lower end of a step stands above its upper end.

    ``z`` is flat; ``upper[k]`` leads to ``lower[k]``. No circles.
    """
    for _ in range(upper.size):
        changed = False
        for k in range(upper.size):
            if z[lower[k]] > z[upper[k]]:
                z[lower[k]] = z[upper[k]]
                changed = True
        if not changed:
            break


extents = compiled(_extents)
reach = compiled(_reach)
pass_on = compiled(_pass_on)
gather_storms = compiled(_gather_storms)
keep_open = compiled(_keep_open)
