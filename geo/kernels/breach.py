"""The cut through a bank that moves the least ground."""

from __future__ import annotations

import heapq

import numpy as np
from numpy.typing import NDArray

from geo.kernels.cells import COL_STEP, ROW_STEP
from geo.kernels.compiling import compiled


def _least_cut(
    z: NDArray,
    is_open: NDArray[np.bool_],
    is_goal: NDArray[np.bool_],
    start: int,
    level: float,
    cell: tuple[float, float],
    most_cut: float,
) -> NDArray[np.int64]:
    """Flat indices of the path from ``start`` to a goal that cuts the least down to ``level``.

    A step from one cell to a neighbor costs its length times the mean of what stands over
    ``level`` at both ends: the area of the cut, seen from the side (Dijkstra 1959). Of equal
    costs the shorter path is taken, of equally long ones that by cells of the first rows, then
    columns.

    Parameters
    ----------
    z
        Elevation, shape (rows, cols).
    is_open
        Where the path may run; no voids.
    is_goal
        Where it may end.
    cell
        (width, height) of a cell.
    most_cut
        Cells that stand higher than this over ``level`` are closed.

    Returns
    -------
    NDArray
        From start to goal, both included; empty where there is no way.
    """
    rows, cols = z.shape
    cost = np.full(z.size, np.inf, np.float64)
    length = np.full(z.size, np.inf, np.float64)
    came_from = np.full(z.size, -1, np.int32)
    is_done = np.zeros(z.size, np.bool_)
    cost[start] = 0.0
    length[start] = 0.0
    heap = [(0.0, 0.0, np.int64(start))]
    while len(heap) > 0:
        _, _, here = heapq.heappop(heap)
        if is_done[here]:
            continue
        is_done[here] = True
        i, j = here // cols, here % cols
        if is_goal[i, j]:
            steps = 1
            c = here
            while c != start:
                c = np.int64(came_from[c])
                steps += 1
            path = np.empty(steps, np.int64)
            c = here
            for k in range(steps - 1, -1, -1):
                path[k] = c
                c = np.int64(came_from[c])
            return path
        over = max(np.float64(z[i, j]) - level, 0.0)
        for code in range(1, 9):
            p, q = i + ROW_STEP[code], j + COL_STEP[code]
            if p < 0 or q < 0 or p >= rows or q >= cols or not is_open[p, q]:
                continue
            there = np.int64(p * cols + q)
            next_over = max(np.float64(z[p, q]) - level, 0.0)
            if is_done[there] or next_over > most_cut:
                continue
            away = np.sqrt((COL_STEP[code] * cell[0]) ** 2 + (ROW_STEP[code] * cell[1]) ** 2)
            new_cost = cost[here] + away * (over + next_over) / 2
            new_length = length[here] + away
            if new_cost < cost[there] or (new_cost == cost[there] and new_length < length[there]):
                cost[there] = new_cost
                length[there] = new_length
                came_from[there] = here
                heapq.heappush(heap, (new_cost, new_length, there))
    return np.empty(0, np.int64)


least_cut = compiled(_least_cut)
