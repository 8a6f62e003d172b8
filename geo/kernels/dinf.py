"""Water that runs by the angle of the steepest facet and splits between two cells (Tarboton 1997).

An angle is in radians, anticlockwise from east; NaN stands for void or ocean. Between two of the
eight directions lies a sector; a table of nine angles, in the kind of the angles themselves, says
where the sectors begin, so that an angle that equals one of them goes to one cell alone.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from geo.kernels.cells import COL_STEP, ROW_STEP, longer, steps
from geo.kernels.compiling import compiled


def _inside(along: float, slant: float, per_d1: float, per_d2: float, corner: float) -> float:
    """Slope squared down a triangle if water runs between its sides; else -1.

    Tarboton (1997), Water Resources Research 33, equations 1 to 5.

    Parameters
    ----------
    along, slant
        Drop to the neighbor beyond a side, and to that beyond the corner next to it.
    per_d1, per_d2
        One over the length of the cell towards the first, and from the first to the second.
    corner
        Tangent of the angle between the two.
    """
    s1 = along * per_d1
    s2 = (slant - along) * per_d2
    return s1 * s1 + s2 * s2 if (s1 > 0) & (s2 > 0) & (s2 < s1 * corner) else -1.0


inside = compiled(_inside)


def _steepest_of_row(
    z: NDArray, i: int, width: float, height: float, way: NDArray[np.int64]
) -> None:
    """Which of 16 ways is steepest for each cell of row ``i`` but its ends, into ``way``.

    Even ones lead to the neighbors from east anticlockwise, odd ones in between; -1 is level or
    up. Of equally steep ones the first is taken. Outside a triangle the slope is greatest along
    one of its edges, so that these 16 are all there are.
    """
    per_w, per_h = 1 / width, 1 / height
    flat, steep = height / width, width / height
    per_slant = 1 / (width * width + height * height)
    for j in range(1, z.shape[1] - 1):
        here = np.float64(z[i, j])
        e, ne = here - np.float64(z[i, j + 1]), here - np.float64(z[i - 1, j + 1])
        n, nw = here - np.float64(z[i - 1, j]), here - np.float64(z[i - 1, j - 1])
        w, sw = here - np.float64(z[i, j - 1]), here - np.float64(z[i + 1, j - 1])
        s, se = here - np.float64(z[i + 1, j]), here - np.float64(z[i + 1, j + 1])
        best, found = 0.0, -1
        slope = max(e, 0.0) * max(e, 0.0) * (per_w * per_w)
        if slope > best:
            best, found = slope, 0
        slope = inside(e, ne, per_w, per_h, flat)
        if slope > best:
            best, found = slope, 1
        slope = max(ne, 0.0) * max(ne, 0.0) * per_slant
        if slope > best:
            best, found = slope, 2
        slope = inside(n, ne, per_h, per_w, steep)
        if slope > best:
            best, found = slope, 3
        slope = max(n, 0.0) * max(n, 0.0) * (per_h * per_h)
        if slope > best:
            best, found = slope, 4
        slope = inside(n, nw, per_h, per_w, steep)
        if slope > best:
            best, found = slope, 5
        slope = max(nw, 0.0) * max(nw, 0.0) * per_slant
        if slope > best:
            best, found = slope, 6
        slope = inside(w, nw, per_w, per_h, flat)
        if slope > best:
            best, found = slope, 7
        slope = max(w, 0.0) * max(w, 0.0) * (per_w * per_w)
        if slope > best:
            best, found = slope, 8
        slope = inside(w, sw, per_w, per_h, flat)
        if slope > best:
            best, found = slope, 9
        slope = max(sw, 0.0) * max(sw, 0.0) * per_slant
        if slope > best:
            best, found = slope, 10
        slope = inside(s, sw, per_h, per_w, steep)
        if slope > best:
            best, found = slope, 11
        slope = max(s, 0.0) * max(s, 0.0) * (per_h * per_h)
        if slope > best:
            best, found = slope, 12
        slope = inside(s, se, per_h, per_w, steep)
        if slope > best:
            best, found = slope, 13
        slope = max(se, 0.0) * max(se, 0.0) * per_slant
        if slope > best:
            best, found = slope, 14
        slope = inside(e, se, per_w, per_h, flat)
        if slope > best:
            best, found = slope, 15
        way[j] = found


steepest_of_row = compiled(_steepest_of_row)


def _steepest_facet(
    z: NDArray,
    direction: NDArray[np.uint8],
    width: float,
    height: float,
    table: NDArray,
    angle: NDArray,
    first: int,
    last: int,
) -> None:
    """Angle of steepest descent of the rows ``first`` to ``last``, into ``angle``.

    Drops are differences in float64 of the values as stored. Where nothing falls, on flats, the
    angle is that of ``direction`` (from `geo.kernels.flow`), which must be 0 in voids and ocean
    and nowhere else.
    """
    cols = z.shape[1]
    way = np.empty(cols, np.int64)
    for i in range(first, last):
        if 0 < i < z.shape[0] - 1:
            steepest_of_row(z, i, width, height, way)
        for j in range(cols):
            code = direction[i, j]
            if code == 0:
                angle[i, j] = np.nan
            elif way[j] < 0:
                angle[i, j] = table[code - 1]
            elif way[j] % 2 == 0:
                angle[i, j] = table[way[j] // 2]
            else:
                k = way[j] // 2  # the sector; the side comes first in even ones, else the corner
                side, corner = (k + k % 2) % 8 + 1, (k + 1 - k % 2) % 8 + 1
                along = np.float64(z[i, j]) - z[i + ROW_STEP[side], j + COL_STEP[side]]
                slant = np.float64(z[i, j]) - z[i + ROW_STEP[corner], j + COL_STEP[corner]]
                d1, d2 = (width, height) if side % 4 == 1 else (height, width)
                turn = np.arctan((slant - along) / d2 * d1 / along)
                exact = k // 2 * (np.pi / 2) + (turn if k % 2 == 0 else np.pi / 2 - turn)
                rounded = min(max(angle.dtype.type(exact), table[k]), table[k + 1])
                angle[i, j] = rounded if rounded < table[8] else table[0]


def _split(angle: float, table: NDArray) -> tuple[int, float]:
    """Sector of an angle, 0 to 7 from east, and the share that runs to its farther cell."""
    k = 4 if angle >= table[4] else 0
    if angle >= table[k + 2]:
        k += 2
    if angle >= table[k + 1]:
        k += 1
    return k, (np.float64(angle) - table[k]) / (np.float64(table[k + 1]) - table[k])


split = compiled(_split)


def _accumulate_shares(
    angle: NDArray, table: NDArray, total: NDArray[np.float64], cols: int
) -> int:
    """Add to every cell, in place, what comes to it from the cells upslope.

    Parameters
    ----------
    angle
        Flat; 0 to less than a full turn, or NaN; on the border of the raster NaN only.
    total
        Flat; what each cell holds itself.

    Returns
    -------
    int
        How many cells were reached: fewer than all where angles lead in a circle.
    """
    step = steps(cols)
    near, far = np.empty(8, np.int64), np.empty(8, np.int64)
    for k in range(8):
        near[k], far[k] = step[k + 1], step[(k + 1) % 8 + 1]
    inflows = np.zeros(angle.size, np.uint8)
    for cell in range(angle.size):
        if not np.isnan(angle[cell]):
            k, share = split(angle[cell], table)
            inflows[cell + near[k]] += 1
            if share > 0:
                inflows[cell + far[k]] += 1
    done = 255
    reached = 0
    waiting = np.empty(1024, np.int32)
    for start in range(angle.size):
        if inflows[start] != 0:
            continue
        waiting[0] = start
        size = 1
        while size > 0:
            size -= 1
            c = np.int64(waiting[size])
            inflows[c] = done
            reached += 1
            if np.isnan(angle[c]):
                continue
            k, share = split(angle[c], table)
            if size + 2 > waiting.size:
                waiting = longer(waiting, 2 * waiting.size)
            part = share * total[c]
            n = c + near[k]
            total[n] += total[c] - part
            inflows[n] -= 1
            if inflows[n] == 0:
                waiting[size] = n
                size += 1
            if share > 0:
                n = c + far[k]
                total[n] += part
                inflows[n] -= 1
                if inflows[n] == 0:
                    waiting[size] = n
                    size += 1
    return reached


steepest_facet = compiled(_steepest_facet)
accumulate_shares = compiled(_accumulate_shares)
