"""Catchments of pits on ground as it is, and the lowest ways over between them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from geo.kernels.cells import longer, steps
from geo.kernels.compiling import compiled
from geo.kernels.flow import UNDRAINED
from geo.kernels.hierarchy import apart, root

_RECENT = 8  # how many outlets of a catchment are looked through for one met before


def _spread(start: int, direction: NDArray[np.uint8], step: NDArray[np.int64]) -> None:
    """Lead the cells of code 9 that touch one another around ``start`` to it, in place."""
    queue = np.empty(64, np.int32)
    queue[0] = start
    direction[start] = 0
    head, size = 0, 1
    while head < size:
        c = np.int64(queue[head])
        head += 1
        if size + 8 > queue.size:
            queue = longer(queue, 2 * queue.size)
        for code in range(1, 9):
            n = c + step[code]
            if direction[n] == UNDRAINED:
                direction[n] = code - 4 if code > 4 else code + 4
                queue[size] = n
                size += 1


spread = compiled(_spread)


def _settle(direction: NDArray[np.uint8], undrained: int, cols: int) -> NDArray[np.int32]:
    """Give every undrained flat one pit, and lead the rest of the flat to it, in place.

    Parameters
    ----------
    direction
        Flat, as `geo.kernels.flow.drain_flats` leaves it. Cells with code 9 that touch are one
        flat, since neither is lower. Its first cell by rows and columns becomes the pit (code 0);
        the others lead there by the fewest steps.
    undrained
        How many cells have code 9.

    Returns
    -------
    NDArray
        Flat index of each pit, ascending.
    """
    step = steps(cols)
    pit = np.empty(undrained, np.int32)
    pits = 0
    for start in range(direction.size):
        if direction[start] == UNDRAINED:
            direction[start] = 0
            pit[pits] = start
            pits += 1
            for code in range(1, 9):
                if direction[start + step[code]] == UNDRAINED:
                    spread(start, direction, step)
                    break
    return pit[:pits].copy()


def _label_catchments(
    direction: NDArray[np.uint8], label: NDArray[np.int32], cols: int, start: int, end: int
) -> None:
    """Number of the pit the water of cells ``start`` to ``end`` runs to, in place; all flat.

    Cells on the way are labeled too, so that two calls may write the same number to one cell.

    Parameters
    ----------
    direction
        From `settle`.
    label
        Of pits their number, from 1; -1 elsewhere. Becomes 0 where water runs off.
    """
    step = steps(cols)
    for first in range(start, end):
        c = first
        while label[c] < 0 and direction[c] != 0:
            c += step[direction[c]]
        if label[c] < 0:
            label[c] = 0
        number = label[c]
        c = first
        while label[c] < 0:
            label[c] = number
            c += step[direction[c]]


def _outlets_of_row(
    start: int,
    z: NDArray,
    label: NDArray[np.int32],
    near: NDArray[np.int64],
    apart: NDArray[np.float64],
    newest: NDArray[np.int32],
    older: NDArray[np.int32],
    low: NDArray[np.int32],
    high: NDArray[np.int32],
    level: NDArray,
    cell: NDArray[np.int32],
    fall: NDArray[np.float32],
    count: int,
) -> int:
    """`outlets` between one row and the next, in place; how many there are then.

    ``newest`` has, for the greater label, the last outlet found, ``older`` the one before each.
    Where ``cell`` is empty, only the level is kept.
    """
    cols = near[2]
    with_place = cell.size > 0
    e, a, b = -1, -1, -1
    for c in range(start, min(start + cols, label.size - cols - 1)):
        here = label[c]
        if (
            label[c + 1] == here
            and label[c + cols - 1] == here
            and label[c + cols] == here
            and label[c + cols + 1] == here
        ):
            continue
        for k in range(4):
            n = c + near[k]
            there = label[n]
            if there == here:
                continue
            if a != min(here, there) or b != max(here, there):
                a, b = min(here, there), max(here, there)
                e = newest[b]
                seen = 0
                while e >= 0 and low[e] != a:
                    e = older[e] if seen < _RECENT else -1
                    seen += 1
            top, at, foot = (z[c], c, z[n]) if z[c] >= z[n] else (z[n], n, z[c])
            if e < 0:
                e = count
                count += 1
                older[e] = newest[b]
                newest[b] = e
                low[e], high[e], level[e] = a, b, top
                if with_place:
                    cell[e], fall[e] = at, -1
            elif top > level[e]:
                continue
            if not with_place:
                level[e] = top
                continue
            if top == level[e] and at > cell[e]:
                continue
            slope = np.float32((top - foot) / apart[k])
            if top < level[e] or at < cell[e] or slope > fall[e]:
                level[e], cell[e], fall[e] = top, at, slope
    return count


outlets_of_row = compiled(_outlets_of_row)


def _outlets(
    z: NDArray,
    label: NDArray[np.int32],
    pits: int,
    cols: int,
    cell_size: tuple[float, float],
    start: int,
    end: int,
    with_place: bool,
) -> tuple[NDArray[np.int32], NDArray[np.int32], NDArray, NDArray[np.int32], NDArray[np.float32]]:
    """The lowest way over between catchments that touch.

    Two neighboring cells of different catchments are a way over as high as the higher of them.
    All cells of the border of the raster must have label 0.

    Parameters
    ----------
    z, label
        Flat; neighbors with different labels are both finite, or infinitely high.
    start, end
        Rows to look at, each with the one that follows. Outlets of some rows and of others are
        outlets of all, if not the lowest of each pair alone.
    with_place
        Whether cells and falls are wanted; else both are empty.

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
    slant = np.hypot(cell_size[0], cell_size[1])
    near = np.array([1, cols - 1, cols, cols + 1])
    apart = np.array([cell_size[0], slant, cell_size[1], slant])
    newest = np.full(pits + 1, -1, np.int32)
    # about three outlets a pit: each edge of a map of regions is shared by two of them
    room = 8 * cols + int(3.3 * pits * (end - start) * cols / max(label.size, 1))
    older = np.empty(room, np.int32)
    low = np.empty(room, np.int32)
    high = np.empty(room, np.int32)
    level = np.empty(room, z.dtype)
    cell = np.empty(room if with_place else 0, np.int32)
    fall = np.empty(cell.size, np.float32)
    count = int(np.int64(0))  # a constant would have the next kernel compiled a second time
    # beyond the last cell of the last row but one, both sides of a pair are on the border
    for first in range(start * cols, min(end * cols, label.size - cols), max(cols, 1)):
        if count + 4 * cols > room:
            room += room // 4 + 4 * cols
            older = longer(older, room)
            low = longer(low, room)
            high = longer(high, room)
            level = longer(level, room)
            if with_place:
                cell = longer(cell, room)
                fall = longer(fall, room)
        count = outlets_of_row(
            first, z, label, near, apart, newest, older, low, high, level, cell, fall, count
        )
    return low[:count], high[:count], level[:count], cell[:count], fall[:count]


def _join_to_held(
    order: NDArray[np.int32],
    low: NDArray[np.int32],
    high: NDArray[np.int32],
    level: NDArray,
    labels: int,
    held: int,
) -> tuple[NDArray, NDArray[np.int32], NDArray[np.int32], NDArray[np.int32], NDArray]:
    """Level over which the water of each label reaches a held one, and how those hang together.

    Held are the labels below ``held``: the ocean, and, of a tile, the cells of its edge. Outlets
    are taken from the lowest up, as in Kruskal's search for the least spanning tree.

    Parameters
    ----------
    order
        Indices of ``low``, ``high`` and ``level`` in the order of the levels.
    low, high, level
        From `outlets`.

    Returns
    -------
    brim
        By label: the least, over all ways to held labels, of the highest outlet on the way;
        minus infinity for held ones.
    to
        The held label at the end of that way.
    one, other, over
        The outlets between held labels that remain when every label between them is left out:
        enough of them to find the lowest way from any held label to any other.
    """
    above = apart(labels)
    joined = np.full(labels, -1, np.int32)  # the label a label shares the fate of
    to = np.full(labels, -1, np.int32)
    brim = np.empty(labels, level.dtype)
    for label in range(labels):
        brim[label] = -np.inf
        if label < held:
            to[label] = label
    one = np.empty(held, np.int32)
    other = np.empty(held, np.int32)
    over = np.empty(held, level.dtype)
    edges = 0
    to_join = labels - 1
    for k in range(order.size):
        if to_join == 0:
            break
        e = order[k]
        a, b = root(above, low[e]), root(above, high[e])
        if a == b:
            continue
        to_join -= 1
        if to[a] < 0:
            a, b = b, a
        above[b] = a
        if to[b] >= 0:
            one[edges], other[edges], over[edges] = to[a], to[b], level[e]
            edges += 1
        elif to[a] >= 0:
            to[b], brim[b] = to[a], level[e]
        else:
            joined[b] = a
    for label in range(labels):
        end = label
        while joined[end] >= 0:
            end = joined[end]
        at = label
        while joined[at] >= 0:
            to[at], brim[at] = to[end], brim[end]
            joined[at], at = -1, joined[at]
    return brim, to, one[:edges].copy(), other[:edges].copy(), over[:edges].copy()


def _raise_to(
    z: NDArray,
    label: NDArray[np.int32],
    brim: NDArray,
    filled: NDArray,
    start: int,
    end: int,
) -> None:
    """Raise cells ``start`` to ``end`` to the brim of their label, into ``filled``; all flat."""
    for c in range(start, end):
        level = brim[label[c]]
        filled[c] = level if level > z[c] else z[c]


def _order_at_one_cell(
    order: NDArray[np.int32],
    low: NDArray[np.int32],
    high: NDArray[np.int32],
    level: NDArray,
    cell: NDArray[np.int32],
    fall: NDArray[np.float32],
) -> None:
    """Put outlets of one level and cell, neighbors in ``order``, steepest first, in place.

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
join_to_held = compiled(_join_to_held)
raise_to = compiled(_raise_to)
order_at_one_cell = compiled(_order_at_one_cell)
