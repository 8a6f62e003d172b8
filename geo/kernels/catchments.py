"""Catchments of pits on ground as it is, and the lowest ways over between them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from geo.kernels.cells import steps
from geo.kernels.compiling import compiled
from geo.kernels.flow import UNDRAINED

_RECENT = 8  # how many outlets of a catchment are looked through for one met before


def _settle(direction: NDArray[np.uint8], cols: int) -> NDArray[np.int32]:
    """Give every undrained flat one pit, and lead the rest of the flat to it, in place.

    Parameters
    ----------
    direction
        Flat, as `geo.kernels.flow.drain_flats` leaves it. Cells with code 9 that touch are one
        flat, since neither is lower. Its first cell by rows and columns becomes the pit (code 0);
        the others lead there by the fewest steps.

    Returns
    -------
    NDArray
        Flat index of each pit, ascending.
    """
    step = steps(cols)
    pit = np.empty(1024, np.int32)
    pits = 0
    queue = np.empty(1024, np.int32)
    for start in range(direction.size):
        if direction[start] != UNDRAINED:
            continue
        if pits == pit.size:
            pit = np.concatenate((pit, np.empty_like(pit)))
        pit[pits] = start
        pits += 1
        direction[start] = 0
        queue[0] = start
        head, size = 0, 1
        while head < size:
            c = np.int64(queue[head])
            head += 1
            for code in range(1, 9):
                n = c + step[code]
                if direction[n] == UNDRAINED:
                    direction[n] = code - 4 if code > 4 else code + 4
                    if size == queue.size:
                        queue = np.concatenate((queue, np.empty_like(queue)))
                    queue[size] = n
                    size += 1
    return pit[:pits].copy()


def _label_catchments(
    direction: NDArray[np.uint8], pit: NDArray[np.int32], cols: int
) -> NDArray[np.int32]:
    """Number of the pit each cell's water runs to, from 1; 0 where it runs off. All flat."""
    step = steps(cols)
    label = np.full(direction.size, -1, np.int32)
    for k in range(pit.size):
        label[pit[k]] = k + 1
    for start in range(direction.size):
        c = start
        while label[c] < 0 and direction[c] != 0:
            c += step[direction[c]]
        if label[c] < 0:
            label[c] = 0
        end = label[c]
        c = start
        while label[c] < 0:
            label[c] = end
            c += step[direction[c]]
    return label


def _outlets(
    z: NDArray, label: NDArray[np.int32], pits: int, cols: int, width: float, height: float
) -> tuple[NDArray[np.int32], NDArray[np.int32], NDArray, NDArray[np.int32], NDArray[np.float32]]:
    """The lowest way over between catchments that touch.

    Two neighbouring cells of different catchments are a way over as high as the higher of them.
    All cells of the border of the raster must have label 0.

    Parameters
    ----------
    z, label
        Flat; neighbours with different labels are both finite, or infinitely high.

    Returns
    -------
    low, high
        The labels of both sides, the lesser first.
    level
        Elevation of the outlet, in the kind of ``z``.
    cell
        The higher cell of the two; the first by rows and columns where there is a choice.
    fall
        Slope from that cell down to the other: the steepest of those on offer.
    """
    near = np.array([1, cols - 1, cols, cols + 1])
    apart = np.array(
        [width, np.hypot(width, height), height, np.hypot(width, height)],
    )
    newest = np.full(pits + 1, -1, np.int32)  # by the greater label: its latest outlet
    room = max(1024, 4 * pits)
    older = np.empty(room, np.int32)
    low = np.empty(room, np.int32)
    high = np.empty(room, np.int32)
    level = np.empty(room, z.dtype)
    cell = np.empty(room, np.int32)
    fall = np.empty(room, np.float32)
    count = 0
    # the last row and the last cell before it touch only the border
    for c in range(label.size - cols - 1):
        here = label[c]
        for k in range(4):
            n = c + near[k]
            there = label[n]
            if there == here:
                continue
            a, b = (here, there) if here < there else (there, here)
            if z[c] >= z[n]:
                top, at, drop = z[c], c, z[c] - z[n]
            else:
                top, at, drop = z[n], n, z[n] - z[c]
            slope = np.float32(drop / apart[k])
            e = newest[b]
            seen = 0
            while e >= 0 and low[e] != a:
                e = older[e] if seen < _RECENT else -1
                seen += 1
            if e < 0:
                if count == room:
                    room *= 2
                    older = np.concatenate((older, np.empty_like(older)))
                    low = np.concatenate((low, np.empty_like(low)))
                    high = np.concatenate((high, np.empty_like(high)))
                    level = np.concatenate((level, np.empty_like(level)))
                    cell = np.concatenate((cell, np.empty_like(cell)))
                    fall = np.concatenate((fall, np.empty_like(fall)))
                e = count
                count += 1
                older[e] = newest[b]
                newest[b] = e
                low[e], high[e] = a, b
            elif top > level[e] or (
                top == level[e] and (at > cell[e] or (at == cell[e] and slope <= fall[e]))
            ):
                continue
            level[e], cell[e], fall[e] = top, at, slope
    return low[:count], high[:count], level[:count], cell[:count], fall[:count]


def _order_at_one_cell(
    order: NDArray[np.int64],
    low: NDArray[np.int32],
    high: NDArray[np.int32],
    level: NDArray,
    cell: NDArray[np.int32],
    fall: NDArray[np.float32],
) -> None:
    """Put outlets of one level and cell, neighbours in ``order``, steepest first, in place.

    Those of equal fall stand in the order of their labels.
    """
    for k in range(1, order.size):
        e = order[k]
        i = k
        while i > 0:
            d = order[i - 1]
            if level[d] != level[e] or cell[d] != cell[e] or fall[d] > fall[e]:
                break
            if fall[d] == fall[e] and (low[d], high[d]) <= (low[e], high[e]):
                break
            order[i] = d
            i -= 1
        order[i] = e


settle = compiled(_settle)
label_catchments = compiled(_label_catchments)
outlets = compiled(_outlets)
order_at_one_cell = compiled(_order_at_one_cell)
