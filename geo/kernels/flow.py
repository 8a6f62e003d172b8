"""Water over a filled surface: direction, accumulation, paths, height above drainage.

A direction is a code: 1 = east, then anticlockwise to 8 = south-east; 0 = void or ocean.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from geo.kernels.cells import LAND, longer, steps
from geo.kernels.compiling import compiled

UNDRAINED = 9  # no lower neighbor, and none found yet that drains
FAR = 2**30  # steps over a flat of which nothing is known
REACHED = 10  # added to the direction of a cell that is not yet certain


def _steepest(
    z: NDArray, kind: NDArray[np.uint8], width: float, height: float
) -> NDArray[np.uint8]:
    """Direction of steepest descent (O'Callaghan and Mark 1984); 9 where no neighbor is lower.

    Drops are differences in float64 of the values as stored, divided by the distance between
    cell centers. Of equal slopes the one with the lowest code is taken.
    """
    rows, cols = z.shape
    direction = np.zeros((rows, cols), np.uint8)
    diagonal = np.sqrt(width * width + height * height)
    for i in range(1, rows - 1):
        for j in range(1, cols - 1):
            if kind[i, j] != LAND:
                continue
            here = np.float64(z[i, j])
            east = here - np.float64(z[i, j + 1])
            west = here - np.float64(z[i, j - 1])
            north = here - np.float64(z[i - 1, j])
            south = here - np.float64(z[i + 1, j])
            northeast = here - np.float64(z[i - 1, j + 1])
            northwest = here - np.float64(z[i - 1, j - 1])
            southwest = here - np.float64(z[i + 1, j - 1])
            southeast = here - np.float64(z[i + 1, j + 1])
            # the greatest drop of each distance first: three divisions instead of eight
            across, across_code = east, 1
            if west > across:
                across, across_code = west, 5
            along, along_code = north, 3
            if south > along:
                along, along_code = south, 7
            slant, slant_code = northeast, 2
            if northwest > slant:
                slant, slant_code = northwest, 4
            if southwest > slant:
                slant, slant_code = southwest, 6
            if southeast > slant:
                slant, slant_code = southeast, 8
            best, code = across / width, across_code
            slope = along / height
            if slope > best or (slope == best and along_code < code):
                best, code = slope, along_code
            slope = slant / diagonal
            if slope > best or (slope == best and slant_code < code):
                best, code = slope, slant_code
            direction[i, j] = code if best > 0 else UNDRAINED
    return direction


def _drain_flats(z: NDArray, direction: NDArray[np.uint8], cols: int) -> int:
    """Lead every flat, in place, by the fewest steps to where it drains.

    Of several neighbors from which the steps are fewest, a cell turns to that with the lowest
    code: its direction depends on the steps of its neighbors alone, not on the order of work.
    Arrays are flat.

    Returns
    -------
    int
        How many cells remain undrained (code 9): the bottoms of depressions.
    """
    step = steps(cols)
    queue = np.empty(1024, np.int32)
    size = 0
    undrained = 0
    for flat in range(direction.size):
        if direction[flat] != UNDRAINED:
            continue
        undrained += 1
        for code in range(1, 9):
            n = flat + step[code]
            if direction[n] < UNDRAINED and z[n] == z[flat]:
                if size == queue.size:
                    queue = longer(queue, 2 * size)
                queue[size] = flat
                size += 1
                direction[flat] = REACHED + code
                break
    first = 0
    while first < size:  # all cells of as many steps; those one step farther have code + REACHED
        last = size
        for k in range(first, last):
            direction[queue[k]] -= REACHED
        for k in range(first, last):
            c = np.int64(queue[k])
            for code in range(1, 9):
                n = c + step[code]
                if direction[n] < UNDRAINED or z[n] != z[c]:
                    continue
                back = REACHED + (code - 4 if code > 4 else code + 4)
                if direction[n] == UNDRAINED:
                    if size == queue.size:
                        queue = longer(queue, 2 * size)
                    queue[size] = n
                    size += 1
                    direction[n] = back
                elif back < direction[n]:
                    direction[n] = back
        first = last
    return undrained - size


def _flat_steps(
    z: NDArray, direction: NDArray[np.uint8], away: NDArray[np.int32], cols: int
) -> None:
    """Fewest steps to where a flat drains, in place, when some are known from outside.

    Arrays are flat. ``direction`` is from `steepest`; ``away`` holds `FAR` for its cells of code
    9, for others 0, or, of those beyond the edge of a tile, the steps they are known to need.
    """
    step = steps(cols)
    queue = np.empty(1024, np.int32)
    size = 0
    for flat in range(direction.size):
        if direction[flat] != UNDRAINED:
            continue
        least = FAR
        for code in range(1, 9):
            n = flat + step[code]
            if direction[n] != UNDRAINED and z[n] == z[flat] and away[n] + 1 < least:
                least = away[n] + 1
        if least < FAR:
            away[flat] = least
            if size == queue.size:
                queue = longer(queue, 2 * size)
            queue[size] = flat
            size += 1
    while size > 0:  # round by round, each cell that was brought nearer brings others nearer
        more = np.empty(1024, np.int32)
        found = 0
        for k in range(size):
            c = np.int64(queue[k])
            for code in range(1, 9):
                n = c + step[code]
                if direction[n] == UNDRAINED and z[n] == z[c] and away[c] + 1 < away[n]:
                    away[n] = away[c] + 1
                    if found == more.size:
                        more = longer(more, 2 * found)
                    more[found] = n
                    found += 1
        queue, size = more, found


def _lead_over_flats(
    z: NDArray, direction: NDArray[np.uint8], away: NDArray[np.int32], cols: int
) -> None:
    """Turn the cells of code 9, in place, as `drain_flats` does; ``away`` is from `flat_steps`."""
    step = steps(cols)
    for c in range(direction.size):
        if direction[c] == UNDRAINED and away[c] < FAR:
            for code in range(1, 9):
                n = c + step[code]
                if z[n] == z[c] and away[n] == away[c] - 1:
                    direction[c] = code
                    break


def _accumulate(direction: NDArray[np.uint8], total: NDArray, cols: int) -> int:
    """Add to every cell, in place, what stands in the cells upslope of it.

    Parameters
    ----------
    direction
        Flat, codes 0 to 8; none may point out of the raster.
    total
        Flat; what each cell holds itself: ones, or weights.

    Returns
    -------
    int
        How many cells were reached: fewer than all where directions run in a circle.
    """
    step = steps(cols)
    inflows = np.zeros(direction.size, np.uint8)
    for c in range(direction.size):
        if direction[c] != 0:
            inflows[c + step[direction[c]]] += 1
    done = 255
    reached = 0
    for start in range(direction.size):
        if inflows[start] != 0:
            continue
        c = start
        while True:
            inflows[c] = done
            reached += 1
            if direction[c] == 0:
                break
            n = c + step[direction[c]]
            total[n] += total[c]
            inflows[n] -= 1
            if inflows[n] != 0:
                break
            c = n
    return reached


def _accumulate_along(onward: NDArray[np.int64], total: NDArray) -> int:
    """`accumulate` where ``onward`` names the next cell itself, or is -1 at the end of a way."""
    inflows = np.zeros(onward.size, np.int64)
    for c in range(onward.size):
        if onward[c] >= 0:
            inflows[onward[c]] += 1
    reached = 0
    for start in range(onward.size):
        c = start
        while c >= 0 and inflows[c] == 0:
            inflows[c] = -1
            reached += 1
            n = onward[c]
            if n >= 0:
                total[n] += total[c]
                inflows[n] -= 1
            c = n
    return reached


def _height_above(
    z: NDArray, direction: NDArray[np.uint8], is_drainage: NDArray[np.bool_], cols: int
) -> tuple[NDArray, bool]:
    """Elevation of each cell less that of the first drainage cell on its path, all arrays flat.

    NaN where the path ends before it meets drainage. The difference is taken in float64 and kept
    in the kind of ``z``. The second value is False where directions run in a circle; the heights
    are then not finished.
    """
    step = steps(cols)
    base = np.empty_like(z)
    known = np.zeros(z.size, np.bool_)
    for start in range(z.size):
        c = start
        walked = 0
        while not (known[c] or is_drainage[c] or direction[c] == 0):
            c += step[direction[c]]
            walked += 1
            if walked > z.size:
                return base, False
        end = c
        if not known[end]:
            base[end] = z[end] if is_drainage[end] else np.nan
            known[end] = True
        c = start
        while c != end:
            base[c] = base[end]
            known[c] = True
            c += step[direction[c]]
    for c in range(z.size):
        base[c] = np.float64(z[c]) - np.float64(base[c])
    return base, True


def _path_lengths(
    direction: NDArray[np.uint8], stop: NDArray[np.bool_], start: NDArray[np.int64], cols: int
) -> NDArray[np.int64]:
    """Number of cells on the path from each start, both ends counted; all arrays flat.

    A path ends at the first cell that is in ``stop`` or has direction 0. An empty ``stop`` stops
    nothing. A negative start gives 0 cells; a circle gives one cell more than there are.
    """
    step = steps(cols)
    length = np.zeros(start.size, np.int64)
    for k in range(start.size):
        c = start[k]
        if c < 0:
            continue
        length[k] = 1
        while direction[c] != 0 and length[k] <= direction.size:
            if stop.size > 0 and stop[c]:
                break
            c += step[direction[c]]
            length[k] += 1
    return length


def _path_cells(
    direction: NDArray[np.uint8],
    start: NDArray[np.int64],
    offset: NDArray[np.int64],
    cols: int,
) -> NDArray[np.int64]:
    """Flat indices of the cells of all paths, one path after the other.

    ``offset`` has one entry more than ``start``: the running sum of `path_lengths`, from 0.
    """
    step = steps(cols)
    cell = np.empty(offset[-1], np.int64)
    for k in range(start.size):
        c = start[k]
        for at in range(offset[k], offset[k + 1]):
            cell[at] = c
            c += step[direction[c]]
    return cell


steepest = compiled(_steepest)
drain_flats = compiled(_drain_flats)
flat_steps = compiled(_flat_steps)
lead_over_flats = compiled(_lead_over_flats)
accumulate = compiled(_accumulate)
accumulate_along = compiled(_accumulate_along)
height_above = compiled(_height_above)
path_lengths = compiled(_path_lengths)
path_cells = compiled(_path_cells)
