"""Terrain larger than memory: the surfaces of `geo.terrain` tile by tile.

Each function reads windows of a source, gives each finished tile to ``write``, and holds no more
than one tile and what is known along the seams between tiles. The results are those of the
function of the same name on the whole raster, to the last bit. A source must give the same every
time: where water crosses seams each tile is read twice.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from geo.kernels import cells
from geo.kernels import flow as flow_kernels
from geo.kernels.catchments import raise_to
from geo.terrain import surface
from geo.terrain.catchments import Levels, find_levels, join_levels
from geo.terrain.flow import CIRCLE, undrained_error
from geo.terrain.inputs import directions_of, mask_of, surface_of
from geo.terrain.seams import Block, Links, Seams, SeamTile, tile_of, tiles_of
from layers.grid import GridSource, Window

Write = Callable[[Window, NDArray], None]


def slope(z: GridSource, write: Write, *, block: Block = 2048) -> None:
    """`geo.terrain.slope` by tiles of ``block`` cells a side, or (rows, columns).

    Parameters
    ----------
    z
        Elevation.
    write
        Called once for each tile with its window and its values.
    """
    for tile in tiles_of(z.shape, block):
        grid = z.read(tile.outer)
        write(tile.window, surface.slope(grid.values, grid.cell_m)[tile.inside])


def hillshade(
    z: GridSource,
    write: Write,
    *,
    azimuth_deg: float = 315.0,
    altitude_deg: float = 45.0,
    block: Block = 2048,
) -> None:
    """`geo.terrain.hillshade` by tiles; see `slope`."""
    for tile in tiles_of(z.shape, block):
        grid = z.read(tile.outer)
        shade = surface.hillshade(
            grid.values, grid.cell_m, azimuth_deg=azimuth_deg, altitude_deg=altitude_deg
        )
        write(tile.window, shade[tile.inside])


def fill_depressions(z: GridSource, write: Write, *, block: Block = 2048) -> None:
    """`geo.terrain.fill_depressions` by tiles; see `slope`.

    Of each tile only the ways over between the cells of its edge are kept; the levels of these
    cells are found first, and then each tile is filled to the brim or to them (after Barnes 2016,
    Computers & Geosciences 96).
    """
    edges, count = [], 0
    node, level = Seams(z.shape, block, np.int32), Seams(z.shape, block, np.float64)
    for tile in tiles_of(z.shape, block):
        ground, found, held = _levels_of(z, tile)
        number = np.append(0, count + np.arange(1, held.size + 1)).astype(np.int32)
        edges.append((number[found.one], number[found.other], found.over))
        label = found.label.reshape(ground.shape)[1:-1, 1:-1]
        values = ground[1:-1, 1:-1]
        node.put(tile, np.where(np.isnan(values), -1, number[np.minimum(label, held.size)]))
        level.put(tile, values)
        count += held.size
    (one, other), (here, there) = node.pairs(), level.pairs()
    is_way = (one >= 0) & (other >= 0) & (one != other)
    edges.append((one[is_way], other[is_way], np.maximum(here, there)[is_way]))
    low, high, over = (np.concatenate([edge[k] for edge in edges]) for k in range(3))
    brim = join_levels(low, high, over, count + 1, 1)[0]
    base = 0
    for tile in tiles_of(z.shape, block):
        ground, found, held = _levels_of(z, tile)
        outside = np.append(-np.inf, brim[base + 1 : base + held.size + 1]).astype(ground.dtype)
        base += held.size
        filled = np.empty_like(ground)
        raise_to(
            ground.reshape(-1),
            found.label,
            np.maximum(found.brim, outside[found.held]),
            filled.reshape(-1),
            0,
            ground.size,
        )
        write(tile.window, filled[1:-1, 1:-1])


def flow_direction(filled: GridSource, write: Write, *, block: Block = 2048) -> None:
    """`geo.terrain.flow_direction` by tiles; see `slope`.

    Flats that cross seams are gone over until the steps to where they spill agree on both sides;
    a lake over many tiles is read many times.
    """
    links = Links(filled.shape, block)
    away = np.full(links.cell.size, flow_kernels.FAR, np.int32)
    every = waiting = list(tiles_of(filled.shape, block))
    while waiting:
        is_nearer = np.zeros(away.size, bool)
        for tile in waiting:
            edge = links.edge(tile)
            node, steps = links.node(tile, edge), _flats_of(filled, tile, links, away)[2][edge]
            is_nearer[node] |= (steps > 0) & (steps < away[node])
            away[node[steps > 0]] = steps[steps > 0]
        waiting = [t for t in every if is_nearer[links.node(t, links.ring(t))].any()]
    for tile in every:
        z, codes, steps = _flats_of(filled, tile, links, away)
        flow_kernels.lead_over_flats(z, codes, steps, tile.outer.cols)
        own = codes.reshape(tile.shape)[tile.inside]
        undrained = np.argwhere(own == flow_kernels.UNDRAINED)
        if len(undrained):
            row, col = undrained[0]
            raise undrained_error(len(undrained), row + tile.window.row, col + tile.window.col)
        write(tile.window, own)


def flow_accumulation(
    direction: GridSource,
    write: Write,
    *,
    weights: GridSource | None = None,
    block: Block = 2048,
) -> None:
    """`geo.terrain.flow_accumulation` by tiles; see `slope`.

    What enters each tile from outside is found first (after Barnes 2017, Environmental Modeling
    & Software 92). Weights are added up in another order than in the whole raster: the last
    digits of a sum can differ.
    """

    def own(tile: SeamTile) -> NDArray:
        total = np.zeros(tile.shape, np.int64 if weights is None else np.float64)
        total[tile.inside] = 1 if weights is None else weights.read(tile.window).values
        return total

    links = Links(direction.shape, block)
    inflow = np.zeros(links.cell.size, np.int64 if weights is None else np.float64)
    for tile in tiles_of(direction.shape, block):
        codes, total = _codes_of(direction, tile), own(tile)
        _accumulate(codes, total)
        ring = links.ring(tile)
        inflow[links.node(tile, ring)] += total.reshape(-1)[ring]
        label = np.full(codes.size, -1, np.int32)
        links.lead(tile, codes, label, ring)
    if flow_kernels.accumulate_along(links.onward, inflow) != inflow.size:
        raise ValueError(CIRCLE)
    for tile in tiles_of(direction.shape, block):
        codes, total = _codes_of(direction, tile), own(tile)
        edge = links.edge(tile)
        total.reshape(-1)[edge] += inflow[links.node(tile, edge)]
        _accumulate(codes, total)
        write(tile.window, total[tile.inside])


def height_above_drainage(
    filled: GridSource,
    direction: GridSource,
    drainage: GridSource,
    write: Write,
    *,
    block: Block = 2048,
) -> None:
    """`geo.terrain.height_above_drainage` by tiles; see `slope`. ``drainage`` holds booleans."""
    links = Links(direction.shape, block)
    base = np.full(links.cell.size, np.nan)

    def read(tile: SeamTile) -> tuple[NDArray, NDArray[np.uint8], NDArray[np.bool_]]:
        z = np.full(tile.shape, np.nan)
        z[tile.inside] = values = surface_of(filled.read(tile.window).values, "filled")
        is_drainage = np.zeros(tile.shape, bool)
        is_drainage[tile.inside] = mask_of(
            drainage.read(tile.window).values, values.shape, "drainage"
        )
        return z.astype(values.dtype, copy=False), _codes_of(direction, tile), is_drainage

    for tile in tiles_of(direction.shape, block):
        z, codes, is_drainage = read(tile)
        _accumulate(codes, np.zeros(codes.shape, np.int64))
        ring = links.ring(tile)
        label = np.full(codes.size, -1, np.int32)
        drains = np.flatnonzero(is_drainage)
        label[drains] = ring.size + np.arange(1, drains.size + 1)
        links.lead(tile, codes, label, ring)
        edge = links.edge(tile)
        ends = label[edge] - ring.size
        base[links.node(tile, edge[ends > 0])] = z.reshape(-1)[drains[ends[ends > 0] - 1]]
    base = base[links.ends()]
    for tile in tiles_of(direction.shape, block):
        z, codes, is_drainage = read(tile)
        ring = links.ring(tile)
        z.reshape(-1)[ring] = beyond = base[links.node(tile, ring)]
        is_drainage.reshape(-1)[ring] = ~np.isnan(beyond)
        height, is_whole = flow_kernels.height_above(
            z.reshape(-1), codes.reshape(-1), is_drainage.reshape(-1), codes.shape[1]
        )
        if not is_whole:
            raise ValueError(CIRCLE)
        write(tile.window, height.reshape(z.shape)[tile.inside])


def _levels_of(z: GridSource, tile: SeamTile) -> tuple[NDArray, Levels, NDArray[np.int32]]:
    """The ground of a tile within a wall, its levels, and the cells of its edge that are held."""
    values = surface_of(z.read(tile.outer).values)
    kind = np.full((tile.window.rows + 2, tile.window.cols + 2), cells.VOID, np.uint8)
    kind[1:-1, 1:-1] = cells.kinds(np.isnan(values))[tile.inside]
    ground = np.pad(values[tile.inside], 1, constant_values=np.inf)
    is_held = kind == cells.LAND
    is_held[2:-2, 2:-2] = False
    kind[is_held] = cells.OCEAN
    held = np.flatnonzero(is_held).astype(np.int32)
    return ground, find_levels(ground, kind, held), held


def _flats_of(
    filled: GridSource, tile: SeamTile, links: Links, away: NDArray[np.int32]
) -> tuple[NDArray, NDArray[np.uint8], NDArray[np.int32]]:
    """Elevation, direction and steps over flats of a tile and the cells around it, all flat.

    ``away`` holds the steps known so far of the cells beside seams.
    """
    wider = tile_of(tile.outer, filled.shape, 1)  # so that the cells around have their direction
    grid = filled.read(wider.outer)
    wide = surface_of(grid.values, "filled")
    z = wide[wider.inside].reshape(-1)
    codes = flow_kernels.steepest(wide, cells.kinds(np.isnan(wide)), *grid.cell_m)
    codes = codes[wider.inside].reshape(-1)
    steps = np.where(codes == flow_kernels.UNDRAINED, flow_kernels.FAR, 0).astype(np.int32)
    ring = links.ring(tile)
    beyond = ring[codes[ring] == flow_kernels.UNDRAINED]
    steps[beyond] = away[links.node(tile, beyond)]
    codes[beyond] = 0
    flow_kernels.flat_steps(z, codes, steps, tile.outer.cols)
    return z, codes, steps


def _codes_of(direction: GridSource, tile: SeamTile) -> NDArray[np.uint8]:
    """Directions of a tile among zeros, so that what leaves it stays in the cells around it."""
    values = direction.read(tile.window).values
    codes = np.zeros(tile.shape, values.dtype)
    codes[tile.inside] = values
    return directions_of(codes)


def _accumulate(codes: NDArray[np.uint8], total: NDArray) -> None:
    reached = flow_kernels.accumulate(codes.reshape(-1), total.reshape(-1), codes.shape[1])
    if reached != codes.size:
        raise ValueError(CIRCLE)
