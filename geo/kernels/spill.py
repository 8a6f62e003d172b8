"""Water poured into a tree of depressions (Barnes, Callaghan and Wickert 2021).

Nodes are numbered as in `geo.kernels.hierarchy`. What a depression holds is kept as what it holds
beyond its two parts: it takes water only when both are full.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from geo.kernels.compiling import compiled
from geo.kernels.hierarchy import apart


def _gather(water: NDArray, label: NDArray[np.int32], inflow: NDArray[np.float64]) -> int:
    """Add the water of each cell to its catchment, in place; all flat but ``inflow``.

    Returns
    -------
    int
        The first cell that is negative, infinite, or NaN on land; -1 if there is none. NaN off
        land counts as no water.
    """
    for c in range(label.size):
        if water[c] >= 0 and water[c] < np.inf:
            inflow[label[c]] += water[c]
        elif label[c] != 0 or not np.isnan(water[c]):
            return c
    return -1


def _open_below(onward: NDArray[np.int32], node: int) -> int:
    """Where water that comes to ``node`` stays; shortens the way for the next."""
    end = node
    while onward[end] != end:
        end = onward[end]
    while onward[node] != end and node != end:
        after = onward[node]
        onward[node] = end
        node = after
    return end


open_below = compiled(_open_below)


def _pour(
    inflow: NDArray[np.float64],
    parent: NDArray[np.int32],
    sibling: NDArray[np.int32],
    geolink: NDArray[np.int32],
    space: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Let the water of each leaf fill, spill and merge.

    A full depression passes on what comes: to the leaf behind its outlet, or, when its sibling is
    full too, to the depression both are part of. The order of the leaves does not matter.

    Parameters
    ----------
    inflow
        Water that runs to each leaf; entry 0 runs off.
    parent, sibling, geolink
        From `geo.kernels.hierarchy.join`.
    space
        What each node can hold beyond its parts.

    Returns
    -------
    held
        Water of each node beyond its parts, at most ``space``; entry 0 is what left.
    is_full
        Whether a node holds all it can; those never asked are not marked.
    """
    held = np.zeros(parent.size, np.float64)
    onward = apart(parent.size)
    held[0] = inflow[0]
    for leaf in range(1, inflow.size):
        water = inflow[leaf]
        node = open_below(onward, leaf)
        while water > 0:
            if node == 0:
                held[0] += water
                break
            free = space[node] - held[node]
            if water < free:
                held[node] += water
                break
            held[node] = space[node]  # to the brim by assignment: full means equal
            water -= free
            other = sibling[node]
            meets = other != 0 and onward[other] != other
            onward[node] = parent[node] if meets else geolink[node]
            node = open_below(onward, node)
    is_full = np.zeros(parent.size, np.bool_)
    for node in range(1, parent.size):
        is_full[node] = onward[node] != node
    return held, is_full


def _level_of(
    water: float, height: NDArray, start: int, end: int, base: float, cells: int
) -> float:
    """Level of water over ``cells`` cells at ``base`` and over cells of ascending heights.

    Worked in differences from ``base``, so that it is as exact at any altitude.
    """
    rise = 0.0
    for k in range(start, end):
        step = np.float64(height[k]) - base - rise
        need = cells * step
        if water <= need:
            return base + rise + water / cells
        water -= need
        rise += step
        cells += 1
    return base + rise + water / cells


level_of = compiled(_level_of)


def _levels(
    held: NDArray[np.float64],
    is_full: NDArray[np.bool_],
    parent: NDArray[np.int32],
    left: NDArray[np.int32],
    right: NDArray[np.int32],
    cells: NDArray[np.int32],
    out_elev: NDArray[np.float64],
    first: NDArray[np.int32],
    height: NDArray,
) -> tuple[NDArray[np.int32], NDArray[np.float64]]:
    """Which pond stands over each node, and its level.

    Parameters
    ----------
    held, is_full
        From `pour`.
    parent, left, right, cells, out_elev
        From `geo.kernels.hierarchy`.
    first, height
        From `geo.kernels.hierarchy.sort_by_node`, all sorted.

    Returns
    -------
    pond
        The topmost node over each node that holds water beyond its parts; 0 where it is dry.
    level
        Elevation of the water; NaN where it is dry.
    """
    pond = np.zeros(parent.size, np.int32)
    level = np.full(parent.size, np.nan, np.float64)
    for node in range(parent.size - 1, 0, -1):
        over = parent[node]
        if pond[over] != 0:
            pond[node] = pond[over]
            level[node] = level[over]
        elif held[node] > 0:
            pond[node] = node
            if is_full[node]:
                level[node] = out_elev[node]
                continue
            if left[node] == 0:
                base, under = np.float64(height[first[node]]), 0
            else:
                base, under = out_elev[left[node]], cells[left[node]] + cells[right[node]]
            found = level_of(held[node], height, first[node], first[node + 1], base, under)
            level[node] = min(found, out_elev[node])
    return pond, level


def _depths(
    z: NDArray, label: NDArray[np.int32], level: NDArray[np.float64], depth: NDArray
) -> None:
    """Depth of water over each cell, into ``depth``; NaN where ``z`` is. All flat but ``level``."""
    for c in range(z.size):
        over = level[label[c]] - z[c]
        if over > 0:
            depth[c] = over
        else:
            depth[c] = np.nan if np.isnan(z[c]) else 0.0


gather = compiled(_gather)
pour = compiled(_pour)
levels = compiled(_levels)
depths = compiled(_depths)
