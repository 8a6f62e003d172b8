"""Straight pipes laid from one place at one fall: where they come to daylight, what they pass."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from geo.kernels.compiling import compiled


def _level(z: NDArray[np.float32], row: float, col: float) -> float:
    """Height between the four cell centers around a place; NaN near voids and outside.

    Coordinates are counted in cells from the north-west corner: the first center is (0.5, 0.5).
    """
    top, left = int(np.floor(row - 0.5)), int(np.floor(col - 0.5))
    if top < 0 or left < 0 or top + 1 >= z.shape[0] or left + 1 >= z.shape[1]:
        return np.nan
    down, along = row - 0.5 - top, col - 0.5 - left
    a, b = np.float64(z[top, left]), np.float64(z[top, left + 1])
    c, d = np.float64(z[top + 1, left]), np.float64(z[top + 1, left + 1])
    return (1 - down) * ((1 - along) * a + along * b) + down * ((1 - along) * c + along * d)


level = compiled(_level)


def _along_pipes(
    z: NDArray[np.float32],
    marks: NDArray[np.uint8],
    lid_row: float,
    lid_col: float,
    row: NDArray[np.int64],
    col: NDArray[np.int64],
    cell_wide: float,
    cell_high: float,
    start: float,
    fall: float,
    by_gravity: bool,
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64], NDArray[np.uint8]]:
    """What a straight pipe from a lid to each cell would meet.

    Parameters
    ----------
    z
        Ground, meters, shape (rows, cols), NaN in voids.
    marks
        Same shape: one bit for each kind of thing a pipe may pass over.
    lid_row, lid_col
        Of the lid, counted in cells from the north-west corner.
    row, col
        Of the cells, shape (n,).
    cell_wide, cell_high
        Sides of a cell in meters.
    start
        Height at which the pipe leaves the lid, meters.
    fall
        By which it falls, meters a meter.
    by_gravity
        The way to cells that lie above the grade line is not followed: no pipe comes out there.

    Returns
    -------
    spare, daylight, cover, passed
        Shape (n,). How far the grade line lies above the ground at the cell (negative: under it);
        the distance at which it first meets the ground on the way there, NaN where it does not,
        straight between samples a cell apart; the most ground above it on the way; and the
        marks of the cells passed, beyond that of the lid and before the last.
    """
    n = row.size
    spare = np.empty(n, np.float64)
    daylight = np.full(n, np.nan, np.float64)
    cover = np.full(n, -np.inf, np.float64)
    passed = np.zeros(n, np.uint8)
    first_row, first_col = int(np.floor(lid_row)), int(np.floor(lid_col))
    side = min(cell_wide, cell_high)
    for k in range(n):
        down, along = row[k] + 0.5 - lid_row, col[k] + 0.5 - lid_col
        length = np.hypot(down * cell_high, along * cell_wide)
        spare[k] = start - fall * length - np.float64(z[row[k], col[k]])
        if by_gravity and not spare[k] >= 0:
            continue
        parts = max(int(np.ceil(length / side)), 1)
        before = np.nan
        for step in range(parts + 1):
            share = step / parts
            i, j = lid_row + share * down, lid_col + share * along
            above = level(z, i, j) - (start - fall * share * length)  # of the ground over the pipe
            if above > cover[k]:
                cover[k] = above
            if above <= 0 and np.isnan(daylight[k]):
                back = above / (above - before) if before > 0 else 0.0
                daylight[k] = (step - back) / parts * length
            before = above
            p, q = int(np.floor(i)), int(np.floor(j))
            at_an_end = (p == first_row and q == first_col) or (p == row[k] and q == col[k])
            if not at_an_end and 0 <= p < z.shape[0] and 0 <= q < z.shape[1]:
                passed[k] |= marks[p, q]
    return spare, daylight, cover, passed


along_pipes = compiled(_along_pipes)


def _outside(
    ends: NDArray[np.float64], x: NDArray[np.float64], y: NDArray[np.float64]
) -> NDArray[np.float64]:
    """How far each place lies outside an area, 0 within.

    Parameters
    ----------
    ends
        The segments of all rings of the area, shape (n, 4): x1, y1, x2, y2. A place is within
        when a ray from it crosses an odd number of them.
    """
    out = np.empty(x.size, np.float64)
    for k in range(x.size):
        nearest2, inside = np.inf, False
        for s in range(ends.shape[0]):
            x1, y1, x2, y2 = ends[s, 0], ends[s, 1], ends[s, 2], ends[s, 3]
            if (y1 > y[k]) != (y2 > y[k]) and x[k] < x1 + (y[k] - y1) / (y2 - y1) * (x2 - x1):
                inside = not inside
            wide, high = x2 - x1, y2 - y1
            long2 = wide * wide + high * high
            t = 0.0
            if long2 > 0:
                t = min(max(((x[k] - x1) * wide + (y[k] - y1) * high) / long2, 0.0), 1.0)
            off_x, off_y = x1 + t * wide - x[k], y1 + t * high - y[k]
            nearest2 = min(nearest2, off_x * off_x + off_y * off_y)
        out[k] = 0.0 if inside else np.sqrt(nearest2)
    return out


outside = compiled(_outside)


def _past_others(
    parcels: NDArray[np.int32],
    lid_row: float,
    lid_col: float,
    row: NDArray[np.int64],
    col: NDArray[np.int64],
    cell_wide: float,
    cell_high: float,
    least: float,
) -> NDArray[np.bool_]:
    """Whether a straight way from a lid to each cell leaves another parcel behind it.

    Parameters
    ----------
    parcels
        Numbers, shape (rows, cols): 1 on the own parcel, 0 on none. The one the lid lies on counts
        as own, and only what comes after the last of the own counts.
    lid_row, lid_col, row, col, cell_wide, cell_high
        As for `along_pipes`.
    least
        Meters of the way on another parcel that count.
    """
    past = np.zeros(row.size, np.bool_)
    side = min(cell_wide, cell_high)
    at_lid = 1
    p, q = int(np.floor(lid_row)), int(np.floor(lid_col))
    if 0 <= p < parcels.shape[0] and 0 <= q < parcels.shape[1]:
        at_lid = max(parcels[p, q], 1)
    for k in range(row.size):
        down, along = row[k] + 0.5 - lid_row, col[k] + 0.5 - lid_col
        length = np.hypot(down * cell_high, along * cell_wide)
        parts = max(int(np.ceil(length / side)), 1)
        entered, begun = 0, 0.0
        for step in range(parts + 1):
            share = step / parts
            p, q = int(np.floor(lid_row + share * down)), int(np.floor(lid_col + share * along))
            if not (0 <= p < parcels.shape[0] and 0 <= q < parcels.shape[1]):
                continue
            number = parcels[p, q]
            if number == 1 or number == at_lid:
                past[k], entered = False, 0
            elif number != entered:
                if entered > 0 and share * length - begun >= least:
                    past[k] = True
                entered, begun = number, share * length
    return past


past_others = compiled(_past_others)


def _gathered(
    row: NDArray[np.int64],
    col: NDArray[np.int64],
    high: float,
    wide: float,
    chance: NDArray[np.float64],
    within: float,
    most: int,
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Places that gather the most chance around them, one after another.

    Parameters
    ----------
    row, col, chance
        Of the cells of one unit on a lattice whose cells are ``high`` and ``wide``, shape (n,);
        chances add up to 1 at most.
    within
        How far from its center a place gathers.
    most
        Places at most.

    Returns
    -------
    center, mass
        The cell at the center of each place, and the chance it gathers, which no other place
        counts; they never rise. Of equal cells the first is taken; a cell that another place
        counts is no center.
    """
    n = row.size
    center, mass = np.empty(most, np.int64), np.empty(most, np.float64)
    found = 0
    if n == 0:
        return center[:0].copy(), mass[:0].copy()
    up, across = int(within / high), int(within / wide)
    top, bottom, left, right = row[0], row[0], col[0], col[0]
    for k in range(n):
        top, bottom = min(top, row[k]), max(bottom, row[k])
        left, right = min(left, col[k]), max(right, col[k])
    # the lattice with room around it for every disc, row after row
    columns = right - left + 2 * across + 1
    at = np.full((bottom - top + 2 * up + 1) * columns, -1, np.int32)
    spot = np.empty(n, np.int64)
    for k in range(n):
        spot[k] = (row[k] - top + up) * columns + col[k] - left + across
        at[spot[k]] = k
    away = np.empty((2 * up + 1) * (2 * across + 1), np.int64)
    near = 0
    for i in range(-up, up + 1):
        for j in range(-across, across + 1):
            if np.hypot(i * high, j * wide) <= within:
                away[near] = i * columns + j
                near += 1
    is_counted = np.zeros(n, np.bool_)
    total = np.zeros(n, np.float64)
    for k in range(n):
        for o in range(near):
            other = at[spot[k] + away[o]]
            if other >= 0:
                total[k] += chance[other]
    while found < most:
        best = -1
        for k in range(n):
            if not is_counted[k] and (best < 0 or total[k] > total[best]):
                best = k
        if best < 0 or total[best] <= 0:
            break
        gathered = 0.0
        for o in range(near):
            other = at[spot[best] + away[o]]
            if other < 0 or is_counted[other]:
                continue
            is_counted[other] = True
            gathered += chance[other]
            for e in range(near):
                beside = at[spot[other] + away[e]]
                if beside >= 0:
                    total[beside] -= chance[other]
        if gathered <= 0:
            continue
        center[found] = best
        mass[found] = gathered if found == 0 else min(gathered, mass[found - 1])
        found += 1
    return center[:found].copy(), mass[:found].copy()


gathered = compiled(_gathered)
