"""The tree of depressions within depressions (Barnes, Callaghan and Wickert 2020).

Nodes are numbered from 1: first the leaves, one for each pit, then the depressions that arise
where two meet, in the order of their height. Number 0 stands for the ocean.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from geo.kernels.compiling import compiled

FEW = 48  # cells of a node that are sorted here; more of them are left to the caller


def _apart(nodes: int) -> NDArray[np.int32]:
    """Each node the topmost over itself."""
    above = np.empty(nodes, np.int32)
    for node in range(nodes):
        above[node] = node
    return above


def _root(above: NDArray[np.int32], node: int) -> int:
    """Topmost node over ``node`` so far; halves the way for the next who asks."""
    while above[node] != node:
        above[node] = above[above[node]]
        node = above[node]
    return node


apart = compiled(_apart)
root = compiled(_root)


def _join(
    order: NDArray[np.int32], low: NDArray[np.int32], high: NDArray[np.int32], leaves: int
) -> tuple[NDArray[np.int32], NDArray[np.int32], NDArray[np.int32], NDArray[np.int32]]:
    """Join catchments over their outlets, the lowest first.

    Parameters
    ----------
    order
        Indices of ``low`` and ``high`` in the order of the outlets.
    low, high
        The leaves on both sides of each outlet, 0 for the ocean.
    leaves
        Number of leaves.

    Returns
    -------
    parent
        The depression each node becomes part of; 0 where it spills to the ocean, if only through
        other depressions.
    sibling
        The other part of the same parent; 0 where there is none.
    geolink
        The leaf on the other side of the outlet, 0 for the ocean.
    outlet
        Index of the outlet; -1 for the ocean.
    """
    most = 2 * leaves + 1
    parent = np.zeros(most, np.int32)
    sibling = np.zeros(most, np.int32)
    geolink = np.zeros(most, np.int32)
    outlet = np.full(most, -1, np.int32)
    above = apart(most)
    nodes = leaves + 1
    to_join = leaves
    for k in range(order.size):
        if to_join == 0:
            break
        e = order[k]
        a, b = root(above, low[e]), root(above, high[e])
        if a == b:
            continue
        to_join -= 1
        if a == 0:
            outlet[b], geolink[b], above[b] = e, low[e], 0
        elif b == 0:
            outlet[a], geolink[a], above[a] = e, high[e], 0
        else:
            outlet[a], geolink[a], sibling[a], parent[a], above[a] = e, high[e], b, nodes, nodes
            outlet[b], geolink[b], sibling[b], parent[b], above[b] = e, low[e], a, nodes, nodes
            nodes += 1
    return parent[:nodes], sibling[:nodes], geolink[:nodes], outlet[:nodes]


def _climb(
    parent: NDArray[np.int32], out_elev: NDArray[np.float64], leaves: int
) -> tuple[NDArray[np.int32], NDArray[np.float64]]:
    """A farther ancestor of each node, and the height over which a leaf's water leaves for good.

    Myers (1983), Information Processing Letters 17: with one far ancestor beside the parent, any
    ancestor is found in a number of steps that grows as the logarithm of the depth.
    """
    far = np.zeros(parent.size, np.int32)
    depth = np.zeros(parent.size, np.int32)
    brim = np.full(leaves + 1, -np.inf, np.float64)
    top = np.zeros(parent.size, np.int32)
    for node in range(parent.size - 1, 0, -1):
        p = parent[node]
        depth[node] = depth[p] + 1
        once = far[p]
        twice = far[once]
        far[node] = twice if depth[p] - depth[once] == depth[once] - depth[twice] else p
        top[node] = node if p == 0 else top[p]
        if node <= leaves:
            brim[node] = out_elev[top[node]]
    return far, brim


def _owners(
    z: NDArray,
    label: NDArray[np.int32],
    parent: NDArray[np.int32],
    far: NDArray[np.int32],
    brim: NDArray[np.float64],
    out_elev: NDArray[np.float64],
    start: int,
    end: int,
) -> tuple[NDArray[np.int32], NDArray]:
    """Which depression each of the cells ``start`` to ``end`` belongs to, if any.

    That is the lowest depression over its leaf whose outlet is not lower than the cell.

    Parameters
    ----------
    z, label
        Flat.
    parent, far, brim, out_elev
        From `join` and `climb`; ``out_elev[0]`` is infinite.

    Returns
    -------
    owner, height
        Node and elevation of each cell that belongs to one, in the order of the cells.
    """
    within = 0
    for c in range(start, end):
        if z[c] <= brim[label[c]]:
            within += 1
    owner = np.empty(within, np.int32)
    height = np.empty(within, z.dtype)
    k = 0
    for c in range(start, end):
        node = label[c]
        if z[c] <= brim[node]:
            while out_elev[node] < z[c]:
                node = far[node] if out_elev[far[node]] < z[c] else parent[node]
            owner[k] = node
            height[k] = z[c]
            k += 1
    return owner, height


def _measure(
    owner: NDArray[np.int32], height: NDArray, out_elev: NDArray[np.float64]
) -> tuple[NDArray[np.int32], NDArray[np.float64]]:
    """How many cells each node owns, and the sum over them of the height up to its outlet."""
    cells = np.zeros(out_elev.size, np.int32)
    space = np.zeros(out_elev.size, np.float64)
    for k in range(owner.size):
        node = owner[k]
        cells[node] += 1
        space[node] += out_elev[node] - height[k]
    return cells, space


def _count(label: NDArray[np.int32], labels: int) -> NDArray[np.int32]:
    """Cells of each label, 0 to ``labels``."""
    cells = np.zeros(labels + 1, np.int32)
    start = 0
    for c in range(1, label.size):
        if label[c] != label[start]:
            cells[label[start]] += c - start
            start = c
    if label.size > 0:
        cells[label[start]] += label.size - start
    return cells


def _sort_by_node(owner: NDArray[np.int32], height: NDArray, first: NDArray[np.int32]) -> NDArray:
    """Heights gathered by node, ascending within each node that has few of them.

    ``first`` says where the heights of each node begin, and at last where they end.
    """
    gathered = np.empty_like(height)
    end = first[:-1].copy()
    for k in range(owner.size):
        node = owner[k]
        i = end[node]
        end[node] += 1
        if first[node + 1] - first[node] <= FEW:
            while i > first[node] and gathered[i - 1] > height[k]:
                gathered[i] = gathered[i - 1]
                i -= 1
        gathered[i] = height[k]
    return gathered


def _add_up(
    parent: NDArray[np.int32],
    sibling: NDArray[np.int32],
    out_elev: NDArray[np.float64],
    cells: NDArray[np.int32],
    space: NDArray[np.float64],
    leaves: int,
) -> tuple[NDArray[np.int32], NDArray[np.int32], NDArray[np.float64]]:
    """Carry cells and space from each depression to the one it is part of, in place.

    Returns
    -------
    left, right
        The two parts of each node, the lesser number first; 0 for leaves.
    volume
        What each depression holds, its parts included. ``space`` becomes what it holds beyond
        its parts.
    """
    left = np.zeros(parent.size, np.int32)
    right = np.zeros(parent.size, np.int32)
    volume = np.zeros(parent.size, np.float64)
    for node in range(1, parent.size):
        if node > leaves:
            volume[node] = volume[left[node]] + volume[right[node]]
        volume[node] += space[node]
        over = parent[node]
        if over == 0:
            continue
        cells[over] += cells[node]
        space[over] += cells[node] * (out_elev[over] - out_elev[node])
        if node < sibling[node]:
            left[over], right[over] = node, sibling[node]
    return left, right, volume


def _lowest(
    pit: NDArray[np.int32], left: NDArray[np.int32], right: NDArray[np.int32], z: NDArray
) -> NDArray[np.int32]:
    """Lowest cell of each node, the first of equal ones; ``pit`` has entry 0 and the leaves'."""
    cell = np.empty(left.size, np.int32)
    for node in range(left.size):
        if node < pit.size:
            cell[node] = pit[node]
            continue
        a, b = cell[left[node]], cell[right[node]]
        cell[node] = a if z[a] < z[b] or (z[a] == z[b] and a < b) else b
    return cell


join = compiled(_join)
climb = compiled(_climb)
owners = compiled(_owners)
measure = compiled(_measure)
count = compiled(_count)
sort_by_node = compiled(_sort_by_node)
add_up = compiled(_add_up)
lowest = compiled(_lowest)
