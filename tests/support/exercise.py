"""Run every kernel over awkward grids; a script, so that it can run with bounds checks on.

With ``NUMBA_BOUNDSCHECK=1`` an index past the end raises IndexError instead of reading what lies
behind the array. `planted_fault` shows that the checks are on.
"""

from __future__ import annotations

import numpy as np

from geo.kernels import (
    breach,
    catchments,
    cells,
    coding,
    dinf,
    flow,
    hierarchy,
    offsets,
    ordering,
    pipes,
    relax,
    sampling,
    smoothing,
    spill,
    stems,
    surface,
    windows,
)
from geo.kernels.compiling import compiled


def _planted_fault(values: np.ndarray) -> float:
    return values[values.size]


planted_fault = compiled(_planted_fault)


def grids():
    random = np.random.default_rng(0)
    for shape in [(1, 1), (1, 9), (9, 1), (2, 2), (3, 3), (17, 23), (60, 50)]:
        for share in (0.0, 0.1, 1.0):
            z = random.integers(0, 6, shape).astype(np.float32)
            yield z, random.random(shape) < share
    big = random.random((200, 210)).astype(np.float32)  # enough for queues to grow
    yield big, np.zeros(big.shape, bool)
    flat = np.ones((90, 90), np.float32)
    flat[30:60, 30:60] = 0
    yield flat, np.zeros(flat.shape, bool)


def run(z: np.ndarray, is_void: np.ndarray, kernels) -> list[np.ndarray]:
    """Every kernel on one grid; ``kernels`` gives each by its name."""
    cols = z.shape[1]
    kind = kernels("cells", "kinds")(is_void)
    filled, water = run_on_depressions(z, kind, kernels)
    direction = kernels("flow", "steepest")(filled, kind, 2.0, 3.0)
    by_steps = direction.reshape(-1).copy()
    away = np.where(by_steps == flow.UNDRAINED, flow.FAR, 0).astype(np.int32)
    kernels("flow", "flat_steps")(filled.reshape(-1), by_steps, away, cols)
    kernels("flow", "lead_over_flats")(filled.reshape(-1), by_steps, away, cols)
    left = kernels("flow", "drain_flats")(filled.reshape(-1), direction.reshape(-1), cols)
    total = np.ones(z.size, np.int64)
    reached = kernels("flow", "accumulate")(direction.reshape(-1), total, cols)
    onward = np.append(np.arange(2, 8), [-1, -1, 0])
    along = np.arange(9)
    in_line = kernels("flow", "accumulate_along")(onward, along)
    is_drainage = total > 5
    height, is_whole = kernels("flow", "height_above")(
        filled.reshape(-1), direction.reshape(-1), is_drainage, cols
    )
    start = np.arange(-1, z.size, 3)
    length = kernels("flow", "path_lengths")(direction.reshape(-1), is_drainage, start, cols)
    offset = np.concatenate((np.zeros(1, np.int64), np.cumsum(length)))
    path = kernels("flow", "path_cells")(direction.reshape(-1), start, offset, cols)
    slope, holed = np.empty_like(z), np.where(is_void, np.float32(np.nan), z)
    kernels("surface", "slope")(holed, 2.0, 3.0, slope, 0, z.shape[0])
    shade = kernels("surface", "hillshade")(holed, kind, 2.0, 3.0, (-0.5, 0.5, 0.5**0.5))
    row = np.concatenate((np.linspace(-1, z.shape[0] + 1, 40), [np.nan]))
    col = np.concatenate((np.linspace(z.shape[1] + 1, -1, 40), [0.5]))
    near = kernels("sampling", "nearest")(z, is_void, row, col)
    between = kernels("sampling", "bilinear")(z, is_void, row, col)
    level = np.array([0.0, 0.0, 0.0, 1.0, 2.0, 3.0, 4.0])  # two cells side by side, and one alone
    neighbor = np.array([[1, 3, 4, 5], [6, 0, 4, 5], [3, 4, 5, 6]], np.int32)
    first, factor = np.array([0, 2, 3]), np.array([1.1, 1.0])
    kernels("relax", "relax")(level, neighbor, first, factor, np.full(2, 1e-9), 0.4)
    edge = np.arctan2([0, 3, 3, 3, 0, -3, -3, -3], [2, 2, 0, -2, -2, -2, 0, 2]) % (2 * np.pi)
    sectors = np.append(edge, 2 * np.pi).astype(z.dtype)
    angle, share = np.empty_like(z), np.ones(z.size)
    kernels("dinf", "steepest_facet")(filled, direction, 2.0, 3.0, sectors, angle, 0, z.shape[0])
    shared = kernels("dinf", "accumulate_shares")(angle.reshape(-1), sectors, share, cols)
    goal = np.zeros(z.shape, bool)
    goal[-1, -1] = True
    way = kernels("breach", "least_cut")(z, ~is_void, goal, 0, float(z[0, 0]), (2.0, 3.0), 4.0)
    stem = kernels("stems", "main_stem")(direction, total.reshape(z.shape), z.size - 1, z.size)
    seen = run_on_pipes(holed, kernels)
    places, begin = np.column_stack([row, col])[:40], np.array([0, 0, 1, 25, 40])
    seen.append(
        kernels("offsets", "offsets")(
            places, begin, places[:9], places[1:10], np.array([0, 2, 4, 8, 9])
        )
    )
    counts = np.array([left, reached, is_whole, shared, in_line, *along])
    ground = [kind, filled, slope, shade, near, between, level, angle, share]
    ground += [by_steps, away, *seen]
    written = run_on_numbers(total, kernels)
    return [*ground, direction, total, height, length, path, way, stem, counts, *water, *written]


def run_on_numbers(numbers: np.ndarray, kernels) -> list[np.ndarray]:
    """Numbers in three streams by two tables, and one that no table holds."""
    numbers = np.append(numbers, numbers[:2]).astype(np.uint32)
    ends = np.array([1, numbers.size // 2, numbers.size])
    low = np.array([0, 20 if numbers.size % 2 else 1])
    symbols = [np.unique(numbers >> bits).astype(np.int64) for bits in low]
    shares = [np.full(each.size, 2**15 // each.size) for each in symbols]
    out = np.zeros(5 * numbers.size + 12, np.uint8)
    begins, table_ends = np.zeros(3, np.int64), np.cumsum([each.size for each in symbols])
    known = np.concatenate(symbols), np.concatenate(shares), table_ends, low
    write = kernels("coding", "write_streams")
    lost = write(numbers, ends, np.array([1, 0, 1]), *known, out, begins)
    none = write(numbers + 1, ends, np.array([0, 0, 0]), *known, out.copy(), begins.copy())
    return [out, begins, np.array([lost, none])]


def run_on_pipes(z: np.ndarray, kernels) -> list[np.ndarray]:
    """Pipes from one cell to every other, from within the grid and from its rim."""
    row, col = (v.ravel() for v in np.indices(z.shape))
    marks = (np.arange(z.size) % 7).astype(np.uint8).reshape(z.shape)
    few = slice(None, None, max(z.size // 300, 1))
    row, col = row[few], col[few]
    found = []
    for lid in ((z.shape[0] / 2, z.shape[1] / 2), (0.0, 0.0)):
        found += kernels("pipes", "along_pipes")(
            z, marks, *lid, row, col, 2.0, 3.0, 5.0, 0.01, lid[0] == 0
        )
    found.append(np.array([kernels("pipes", "level")(z, 0.4, 1.0)]))
    ring = np.array([[0.0, 0, 9, 0], [9, 0, 9, 9], [9, 9, 0, 0]])
    found.append(kernels("pipes", "outside")(ring, row.astype(float), col.astype(float)))
    lots = (np.arange(z.size) // 5 % 4).astype(np.int32).reshape(z.shape)
    for lid in ((z.shape[0] / 2, z.shape[1] / 2), (0.0, 0.0), (-3.0, -2.0)):
        found.append(kernels("pipes", "past_others")(lots, *lid, row, col, 2.0, 3.0, 3.0))
    share = np.full(row.size, 1 / row.size)
    found += kernels("pipes", "gathered")(row, col, 3.0, 2.0, share, 7.0, 4)
    return found


def run_on_depressions(
    z: np.ndarray, kind: np.ndarray, kernels
) -> tuple[np.ndarray, list[np.ndarray]]:
    """The kernels of filling, of the depression hierarchy, and of a storm on it."""
    (rows, cols), flat = z.shape, z.reshape(-1)
    direction = kernels("flow", "steepest")(z, kind, 2.0, 3.0).reshape(-1)
    undrained = kernels("flow", "drain_flats")(flat, direction, cols)
    pit = kernels("catchments", "settle")(direction, undrained, cols)
    label = np.full(z.size, -1, np.int32)
    label[pit] = np.arange(1, pit.size + 1)
    kernels("catchments", "label_catchments")(direction, label, cols, 0, z.size)
    found = kernels("catchments", "outlets")(flat, label, pit.size, cols, (2.0, 3.0), 0, rows, True)
    low, high, level, cell, _ = found
    order = np.arange(cell.size, dtype=np.int32)
    order = kernels("ordering", "order_by")(cell.astype(np.uint32), 31, order)
    key = level.view(np.uint32).copy()
    kernels("ordering", "turn_into_keys")(key, np.uint32(1 << 31))
    order = kernels("ordering", "order_by")(key[order], 32, order)
    kernels("catchments", "order_at_one_cell")(order, *found)
    bare = kernels("catchments", "outlets")(flat, label, pit.size, cols, (2.0, 3.0), 0, rows, False)
    joined = [
        kernels("catchments", "join_to_held")(order, low, high, level, pit.size + 1, held)
        for held in (1, 1 + pit.size // 3)
    ]
    tree = kernels("hierarchy", "join")(order, low, high, pit.size)
    parent, sibling, geolink, outlet = tree
    out_elev = np.append(level, np.inf)[outlet].astype(np.float64)
    far, brim = kernels("hierarchy", "climb")(parent, out_elev, pit.size)
    filled = np.empty_like(z)
    kernels("catchments", "raise_to")(
        flat, label, brim.astype(z.dtype), filled.reshape(-1), 0, z.size
    )
    owner, height = kernels("hierarchy", "owners")(
        flat, label, parent, far, brim, out_elev, 0, z.size
    )
    count, space = kernels("hierarchy", "measure")(owner, height, out_elev)
    catchment = kernels("hierarchy", "count")(label, pit.size)
    first = np.append(0, np.cumsum(count)).astype(np.int32)
    height = kernels("hierarchy", "sort_by_node")(owner, height, first)
    for node in range(parent.size):
        height[first[node] : first[node + 1]].sort()
    left, right, volume = kernels("hierarchy", "add_up")(
        parent, sibling, out_elev, count, space, pit.size
    )
    lowest = kernels("hierarchy", "lowest")(np.append(np.int32(-1), pit), left, right, flat)
    inflow = np.zeros(pit.size + 1)
    wrong = kernels("spill", "gather")(np.full(z.size, 0.7), label, inflow)
    held, is_full = kernels("spill", "pour")(inflow, parent, sibling, geolink, space)
    pond, water = kernels("spill", "levels")(
        held, is_full, parent, left, right, count, out_elev, first, height
    )
    depth = np.empty(z.size)
    kernels("spill", "depths")(flat, label, water[: pit.size + 1].copy(), depth)
    drawn = run_for_draws(z, direction, label, tree, out_elev, kernels)
    measured = [catchment, count, space, owner, height, left, right, volume, lowest, far, brim]
    poured = [inflow, np.array(wrong), held, is_full, pond, water, depth]
    return filled, [
        direction,
        label,
        *found,
        *bare,
        *joined[0],
        *joined[1],
        order,
        *tree,
        *measured,
        *poured,
        *drawn,
    ]


def run_for_draws(z, direction, label, tree, out_elev, kernels) -> list[np.ndarray]:
    """The kernels of draws of a terrain in windows; basins are the depressions in no other."""
    parent, _, geolink, _ = tree
    top = np.arange(parent.size).astype(np.int32)
    for node in range(parent.size - 1, 0, -1):
        if parent[node]:
            top[node] = top[parent[node]]
    node = np.append(0, np.flatnonzero((parent == 0) & (np.arange(parent.size) > 0)))
    number = np.zeros(parent.size, np.int32)
    number[node[1:]] = np.arange(1, node.size)
    basin = number[top[: label.max(initial=0) + 1]]
    catchment, hollow = kernels("windows", "extents")(
        z, label.reshape(z.shape), basin, out_elev[node]
    )
    onto = basin[geolink[node]]
    gain = np.arange(node.size, dtype=float)
    passed = kernels("windows", "pass_on")(gain, np.zeros(node.size), gain > 1, onto)
    inflow = np.zeros((basin.size, 2))
    kind = (np.arange(z.size) % 3).astype(np.uint16)
    kernels("windows", "gather_storms")(kind, label, np.arange(6.0).reshape(3, 2), inflow)
    start = np.arange(0, z.size, 5)
    reached = kernels("windows", "reach")(
        np.array([0, start.size // 2, start.size]),
        start,
        z.reshape(-1)[start].astype(float),
        z.reshape(-1),
        direction,
        label,
        basin,
        np.where(np.arange(node.size) % 2 > 0, np.arange(node.size) % z.size, -1),
        hollow,
        z.shape[1],
        1.5,
        20,
    )
    pipes = z.reshape(-1).copy()
    kernels("windows", "keep_open")(pipes, start[:-1], start[1:])
    weights = np.array([0.25, 0.5, 0.25], np.float32)
    padded = np.pad(z, ((1, 1), (2, 2)))
    smoothed = kernels("smoothing", "smooth")(padded, weights, np.full(5, 0.2, np.float32))
    return [catchment, hollow, gain, passed, inflow, reached, pipes, smoothed]


MODULES = {
    "breach": breach,
    "catchments": catchments,
    "cells": cells,
    "coding": coding,
    "dinf": dinf,
    "flow": flow,
    "hierarchy": hierarchy,
    "offsets": offsets,
    "ordering": ordering,
    "pipes": pipes,
    "relax": relax,
    "smoothing": smoothing,
    "spill": spill,
    "stems": stems,
    "surface": surface,
    "sampling": sampling,
    "windows": windows,
}


def compiled_form(module: str, name: str):
    return getattr(MODULES[module], name)


def plain_form(module: str, name: str):
    return getattr(MODULES[module], f"_{name}")


if __name__ == "__main__":
    try:
        planted_fault(np.zeros(3))
    except IndexError:
        pass
    else:
        raise SystemExit("bounds are not checked")
    for z, is_void in grids():
        run(z, is_void, compiled_form)
    raise SystemExit(0)
