"""Which parts of a terrain a draw must look at, and the water that enters each from outside.

A window holds the whole top-level catchments of the places asked about and a margin, so that on
the terrain as it is its answer at those places is that of the whole terrain: what its edge cuts
through, a basin and its spill, comes as boundary water from the whole.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from geo.kernels import cells, flow, spill
from geo.kernels import windows as kernels
from geo.runoff.storms import StormPonds
from geo.terrain import Depressions
from layers.grid import Window

# A window's own ring, beyond which nothing is known, and one cell within.
LEAST_MARGIN: Final = 2
# What a window costs in a draw before its first cell, in cells: measured, 0.8 ms.
WINDOW_CELLS: Final = 12_000


@dataclass(frozen=True)
class Basins:
    """The depressions of a terrain that are part of no other, with all that drains to them.

    Numbered from 1; entry 0 stands for the ground whose water runs off.

    Attributes
    ----------
    node
        The node of each in the hierarchy.
    of_label
        The basin of each leaf.
    catchment, hollow
        First and last row and column, see `geo.kernels.windows.extents`.
    onto
        The basin a full one spills into.
    spill_cell
        Flat index of the first cell on its spill's way down; -1 where there is none.
    """

    node: NDArray[np.int32]
    of_label: NDArray[np.int32]
    catchment: NDArray[np.int32]
    hollow: NDArray[np.int32]
    onto: NDArray[np.int32]
    spill_cell: NDArray[np.int64]


def basins_of(tree: Depressions, z: NDArray) -> Basins:
    """The basins of a hierarchy made from ``z``."""
    top = top_of(tree)
    node = np.concatenate(([0], np.flatnonzero(tree.is_ocean_linked))).astype(np.int32)
    number = np.zeros(tree.parent.size, np.int32)
    number[node[1:]] = np.arange(1, node.size)
    of_label = number[top[: tree.leaf_count + 1]]
    catchment, hollow = kernels.extents(z, tree.labels, of_label, tree.out_elev[node])
    return Basins(
        node=node,
        of_label=of_label,
        catchment=catchment,
        hollow=hollow,
        onto=of_label[tree.geolink[node]],
        spill_cell=_spill_cells(tree, z, node),
    )


def top_of(tree: Depressions) -> NDArray[np.int32]:
    """By node: the depression it lies in that is part of no other; 0 for entry 0."""
    top = np.where(tree.parent > 0, tree.parent, np.arange(tree.parent.size)).astype(np.int32)
    while True:
        further = top[top]
        if np.array_equal(further, top):
            return top
        top = further


def _spill_cells(tree: Depressions, z: NDArray, node: NDArray[np.int32]) -> NDArray[np.int64]:
    """Where the way of each basin's spill begins, on the far side of its outlet."""
    label, ground = tree.labels.reshape(-1), z.reshape(-1)
    far = tree.geolink[node]
    out = np.where(np.arange(node.size) > 0, tree.out_cell[node], -1).astype(np.int64)
    start = np.where((out >= 0) & (label[out] == far), out, -1)
    crossing = np.flatnonzero((out >= 0) & (start < 0))  # the outlet cell is the basin's own
    lowest = np.full(crossing.size, np.inf)
    for code in range(1, 9):
        n = out[crossing] + int(cells.steps(z.shape[1])[code])
        better = (label[n] == far[crossing]) & (ground[n] < lowest)
        start[crossing[better]] = n[better]
        lowest[better] = ground[n[better]]
    return start


def reach(
    tree: Depressions,
    z: NDArray,
    basins: Basins,
    start: NDArray[np.int64],
    group: NDArray[np.int64],
    level: NDArray[np.float64],
    *,
    drop_m: float,
    most_cells: int,
) -> NDArray[np.int64]:
    """How far dams no higher than ``drop_m`` can matter to water at some starts, by group.

    Parameters
    ----------
    start, group
        Flat index of each start, and the number of its group, all from 0 on.
    level
        Height of the water or ground at each.
    most_cells
        Where ground is too level to fall by ``drop_m`` the way down ends after so many cells.

    Returns
    -------
    First and last row, first and last column of what must be in a window of each group.
    """
    order = np.lexsort((-level, group))
    count = int(group.max(initial=-1)) + 1
    return kernels.reach(
        np.searchsorted(group[order], np.arange(count + 1)),
        start[order],
        level[order],
        z.reshape(-1),
        tree.direction.reshape(-1),
        tree.labels.reshape(-1),
        basins.of_label,
        basins.spill_cell,
        basins.hollow,
        z.shape[1],
        drop_m,
        most_cells,
    ).astype(np.int64)


def around(one: NDArray[np.int64], other: NDArray[np.int64]) -> NDArray[np.int64]:
    """The boxes around both of each pair; a box of -1 is none."""
    out = np.maximum(one, other)
    lesser = np.minimum(one, other)
    out[:, 0::2] = np.where(lesser < 0, out, lesser)[:, 0::2]
    return out


def share_windows(
    boxes: NDArray[np.int64], shape: tuple[int, int], margin: tuple[int, int]
) -> tuple[list[Window], NDArray[np.int64]]:
    """Windows that hold every box and a margin around it, and the window of each box.

    Parameters
    ----------
    boxes
        First and last row, first and last column, shape (n, 4).
    margin
        Rows and columns; a wider ring of noise is needed around each window, which counts when
        two windows are weighed against one around both.

    Where the windows together would cost as much as the whole terrain, it is the one window.
    """
    rows, cols = shape
    down, across = (max(m, LEAST_MARGIN) for m in margin)
    first = np.maximum(boxes[:, [0, 2]] - (down, across), 0)
    last = np.minimum(boxes[:, [1, 3]] + (down, across), (rows - 1, cols - 1))
    held = np.column_stack([first[:, 0], last[:, 0], first[:, 1], last[:, 1]])
    unique, of_box = np.unique(held, axis=0, return_inverse=True)
    of_box = of_box.reshape(-1)
    merged, member = unique, np.arange(len(unique))
    while True:
        before = len(merged)
        merged, step = _merge(merged, (down, across))
        member = step[member]
        if len(merged) == before:
            break
    whole = np.array([[0, rows - 1, 0, cols - 1]])
    if len(merged) and _cost(merged, (down, across)).sum() >= _cost(whole, (down, across))[0]:
        merged, member = whole, np.zeros(len(unique), np.int64)
    found = [Window(int(a), int(c), int(b - a + 1), int(d - c + 1)) for a, b, c, d in merged]
    return found, member[of_box]


def _cost(boxes: NDArray[np.int64], ring: tuple[int, int]) -> NDArray[np.int64]:
    height = boxes[:, 1] - boxes[:, 0] + 1 + 2 * ring[0]
    width = boxes[:, 3] - boxes[:, 2] + 1 + 2 * ring[1]
    return height * width + WINDOW_CELLS


def _merge(
    boxes: NDArray[np.int64], ring: tuple[int, int]
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Each box, the largest first, joined to the one it shares most with, if that is cheaper."""
    order = np.argsort(-_cost(boxes, ring), kind="stable")
    kept = np.empty_like(boxes)
    member = np.empty(len(boxes), np.int64)
    count = 0
    for k in order:
        own, others = boxes[k], kept[:count]
        both = np.empty_like(others)
        both[:, 0::2] = np.minimum(others[:, 0::2], own[0::2])
        both[:, 1::2] = np.maximum(others[:, 1::2], own[1::2])
        extra = _cost(both, ring) - _cost(others, ring)
        best = int(extra.argmin()) if count else -1
        if count and extra[best] <= _cost(own[None], ring)[0]:
            kept[best], member[k] = both[best], best
        else:
            kept[count], member[k] = own, count
            count += 1
    return kept[:count].copy(), member


@dataclass(frozen=True)
class BoundaryWater:
    """Water that enters a window from outside in each storm, as depth over the cell it enters by.

    Attributes
    ----------
    cell
        Flat indices within the window.
    depth_m
        Shape (cells, storms).
    """

    cell: NDArray[np.int64]
    depth_m: NDArray[np.float64]


def boundary_water(
    ponds: StormPonds, basins: Basins, windows: Sequence[Window]
) -> list[BoundaryWater]:
    """What enters each window: runoff from upslope and spills, both of the terrain as it is.

    One raster of runoff is gathered at a time, whatever the number of storms.
    """
    tree = ponds.hierarchy
    shape = tree.labels.shape
    entries = [_Entries.of(window, tree.direction, basins, shape) for window in windows]
    depths = [np.empty((entry.outer.size, len(ponds.by_storm))) for entry in entries]
    if not any(entry.outer.size for entry in entries):
        return [
            BoundaryWater(entry.cell, depth) for entry, depth in zip(entries, depths, strict=True)
        ]
    starts = np.flatnonzero(basins.spill_cell >= 0)
    inflow = np.zeros((tree.leaf_count + 1, len(ponds.by_storm)))
    kernels.gather_storms(ponds.kind.reshape(-1), tree.labels.reshape(-1), ponds.runoff_m, inflow)
    for s in range(len(ponds.by_storm)):
        spilled = _spills(tree, basins, inflow[:, s].copy())
        water = ponds.runoff_m[:, s][ponds.kind].reshape(-1)
        np.add.at(water, basins.spill_cell[starts], spilled[starts])
        flow.accumulate(tree.direction.reshape(-1), water, shape[1])
        for entry, depth in zip(entries, depths, strict=True):
            depth[:, s] = np.where(entry.basin > 0, spilled[entry.basin], water[entry.outer])
    return [BoundaryWater(entry.cell, depth) for entry, depth in zip(entries, depths, strict=True)]


def _spills(tree: Depressions, basins: Basins, inflow: NDArray[np.float64]) -> NDArray[np.float64]:
    """Water each basin passes on in a storm; ``inflow`` by leaf."""
    held, is_full = spill.pour(inflow, tree.parent, tree.sibling, tree.geolink, tree.space)
    count = basins.node.size
    of_node = np.zeros(tree.parent.size, np.int32)
    of_node[basins.node[1:]] = np.arange(1, count)
    kept = np.bincount(of_node[top_of(tree)], held, count).astype(np.float64)
    gain = np.bincount(basins.of_label, inflow, count).astype(np.float64)
    return kernels.pass_on(gain, kept, is_full[basins.node], basins.onto)


@dataclass(frozen=True)
class _Entries:
    """Where water comes into a window: the cell it enters, and the cell or basin it comes from."""

    cell: NDArray[np.int64]
    outer: NDArray[np.int64]
    basin: NDArray[np.int64]

    @classmethod
    def of(
        cls, window: Window, direction: NDArray[np.uint8], basins: Basins, shape: tuple[int, int]
    ) -> _Entries:
        row, col, rows, cols = window.row, window.col, window.rows, window.cols
        edge = np.ones((rows, cols), bool) if min(rows, cols) < 3 else np.zeros((rows, cols), bool)
        edge[[0, -1]] = edge[:, [0, -1]] = True
        at = np.flatnonzero(edge)
        r, c = at // cols, at % cols
        code = direction[r + row, c + col]
        to_r = r + np.array(cells.ROW_STEP)[code]
        to_c = c + np.array(cells.COL_STEP)[code]
        enters = (code > 0) & (to_r > 0) & (to_r < rows - 1) & (to_c > 0) & (to_c < cols - 1)
        runs_in = (to_r * cols + to_c)[enters]
        outer = ((r + row) * shape[1] + c + col)[enters]

        # basins whose hollow the window cuts through, and whose spill's way begins inside it
        r, c = basins.spill_cell // shape[1] - row, basins.spill_cell % shape[1] - col
        begins = (basins.spill_cell >= 0) & (r > 0) & (r < rows - 1) & (c > 0) & (c < cols - 1)
        some = np.flatnonzero(begins)
        first_row, last_row, first_col, last_col = basins.hollow[some].T
        is_whole = (
            (first_row > row)
            & (last_row < row + rows - 1)
            & (first_col > col)
            & (last_col < col + cols - 1)
        )
        some = some[~is_whole]
        spills_in = (r * cols + c)[some]
        return cls(
            cell=np.concatenate([runs_in, spills_in]),
            outer=np.concatenate([outer, np.zeros(some.size, np.int64)]),
            basin=np.concatenate([np.zeros(outer.size, np.int64), some]),
        )
