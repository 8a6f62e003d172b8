"""The nearest of many segments to each of many points, by a grid of buckets.

A segment is two ends in the plane; a point feature is a segment of length 0. Each segment lies in
every bucket it passes through. Buckets are searched in square rings round a point until nothing
farther out can be nearer, so the answer is exact, whatever the size of the features.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from geo.kernels.compiling import compiled

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

TIED_AT_MOST = 8  # distinct features counted as equally near


def _walk_buckets(
    x1: float,
    y1: float,
    x2: float,
    y2: float,
    west: float,
    south: float,
    side: float,
    columns: int,
    rows: int,
    bucket: NDArray[np.int32],
) -> int:
    """Buckets a segment passes through, written into ``bucket``; returns how many there are.

    The walk goes from border to border of the buckets (Amanatides and Woo 1987, from memory), so
    it is never longer than ``columns + rows - 1``.
    """
    u1, v1 = (x1 - west) / side, (y1 - south) / side
    u2, v2 = (x2 - west) / side, (y2 - south) / side
    i = min(max(int(np.floor(u1)), 0), columns - 1)
    j = min(max(int(np.floor(v1)), 0), rows - 1)
    i_end = min(max(int(np.floor(u2)), 0), columns - 1)
    j_end = min(max(int(np.floor(v2)), 0), rows - 1)
    du, dv = u2 - u1, v2 - v1
    step_i, step_j = (1 if du > 0 else -1), (1 if dv > 0 else -1)
    far = np.inf
    each_i = abs(1 / du) if du != 0 else far
    each_j = abs(1 / dv) if dv != 0 else far
    next_i = ((i + 1 if du > 0 else i) - u1) / du if du != 0 else far
    next_j = ((j + 1 if dv > 0 else j) - v1) / dv if dv != 0 else far
    count = 0
    for _ in range(abs(i_end - i) + abs(j_end - j) + 1):
        bucket[count] = j * columns + i
        count += 1
        if i == i_end and j == j_end:
            break
        if j == j_end or (i != i_end and next_i < next_j):
            i += step_i
            next_i += each_i
        else:
            j += step_j
            next_j += each_j
    return count


walk_buckets = compiled(_walk_buckets)


def _bucket_segments(
    ends: Floats, west: float, south: float, side: float, columns: int, rows: int
) -> tuple[Ints, NDArray[np.int32]]:
    """Segments by bucket: where each bucket begins, and the segments in order.

    ``ends`` has shape (n, 4): x1, y1, x2, y2. ``first`` has one entry more than there are buckets.
    """
    n = ends.shape[0]
    first = np.zeros(columns * rows + 1, np.int64)
    passed = np.empty(columns + rows, np.int32)  # no walk is longer
    for s in range(n):
        count = walk_buckets(
            ends[s, 0], ends[s, 1], ends[s, 2], ends[s, 3],
            west, south, side, columns, rows, passed,
        )  # fmt: skip
        for k in range(count):
            first[passed[k] + 1] += 1
    for b in range(columns * rows):
        first[b + 1] += first[b]
    item = np.empty(first[columns * rows], np.int32)
    free = first[:-1].copy()
    for s in range(n):
        count = walk_buckets(
            ends[s, 0], ends[s, 1], ends[s, 2], ends[s, 3],
            west, south, side, columns, rows, passed,
        )  # fmt: skip
        for k in range(count):
            b = passed[k]
            item[free[b]] = s
            free[b] += 1
    return first, item


bucket_segments = compiled(_bucket_segments)


def _foot_on_segment(
    px: float, py: float, x1: float, y1: float, x2: float, y2: float
) -> tuple[float, float, float]:
    """Squared distance from a point to a segment, and the nearest place on it."""
    dx, dy = x2 - x1, y2 - y1
    length2 = dx * dx + dy * dy
    t = ((px - x1) * dx + (py - y1) * dy) / length2 if length2 > 0 else 0.0
    if t <= 0:
        qx, qy = x1, y1
    elif t >= 1:
        qx, qy = x2, y2
    else:
        qx, qy = x1 + t * dx, y1 + t * dy
    return (px - qx) ** 2 + (py - qy) ** 2, qx, qy


foot_on_segment = compiled(_foot_on_segment)


def _nearest_segments(
    point: Floats,
    only: Ints,
    ends: Floats,
    owner: Ints,
    first: Ints,
    item: NDArray[np.int32],
    west: float,
    south: float,
    side: float,
    columns: int,
    rows: int,
    within: float,
) -> tuple[Ints, Floats, Ints]:
    """The nearest feature to each point, the nearest place on it, and how many more are as near.

    Parameters
    ----------
    point
        Shape (n, 2). NaN finds nothing.
    only
        For each point the only owner to look at, or -1 for all; empty for all.
    owner
        The feature each segment belongs to; of equally near ones the lowest is taken.
    within
        Nothing farther is looked for; infinite for no limit.

    Returns
    -------
    ``nearest`` (owner, -1 where none), ``place`` (n, 2; NaN where none), ``tied``.
    """
    n = point.shape[0]
    nearest = np.full(n, -1, np.int64)
    place = np.empty((n, 2), np.float64)
    tied = np.zeros(n, np.int64)
    as_near = np.empty(TIED_AT_MOST, np.int64)
    for k in range(n):
        px, py = point[k, 0], point[k, 1]
        place[k, 0], place[k, 1] = np.nan, np.nan
        if not (np.isfinite(px) and np.isfinite(py)):
            continue
        mine = only[k] if only.size > 0 else -1
        ci, cj = int(np.floor((px - west) / side)), int(np.floor((py - south) / side))
        ring = max(0, -ci, ci - columns + 1, -cj, cj - rows + 1)
        last = max(ci, columns - 1 - ci, cj, rows - 1 - cj)
        best = within * within
        count = 0
        # nothing in a farther ring is nearer than the rings before it are wide
        while ring <= last and max(ring - 1, 0) * side <= np.sqrt(best):
            for j in range(max(cj - ring, 0), min(cj + ring, rows - 1) + 1):
                whole = j == cj - ring or j == cj + ring
                step = 1 if whole or ring == 0 else 2 * ring
                for i in range(ci - ring, ci + ring + 1, step):
                    if i < 0 or i >= columns:
                        continue
                    for at in range(first[j * columns + i], first[j * columns + i + 1]):
                        s = item[at]
                        if mine >= 0 and owner[s] != mine:
                            continue
                        d, qx, qy = foot_on_segment(
                            px, py, ends[s, 0], ends[s, 1], ends[s, 2], ends[s, 3]
                        )
                        if d > best:
                            continue
                        if d < best or count == 0:
                            best = d
                            count = 1
                            as_near[0] = owner[s]
                            nearest[k] = owner[s]
                            place[k, 0], place[k, 1] = qx, qy
                            continue
                        known = False
                        for c in range(count):
                            known = known or as_near[c] == owner[s]
                        if not known:
                            if count < TIED_AT_MOST:
                                as_near[count] = owner[s]
                                count += 1
                            if owner[s] < nearest[k]:
                                nearest[k] = owner[s]
                                place[k, 0], place[k, 1] = qx, qy
            ring += 1
        tied[k] = max(count - 1, 0)
    return nearest, place, tied


nearest_segments = compiled(_nearest_segments)
