"""The terrain as an assessment uses it: conditioned once, every surface on one grid."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import psutil
from numpy.typing import ArrayLike, NDArray

from geo.terrain.access import Surface
from geo.terrain.beyond import Beyond, beyond_of, guessed
from geo.terrain.breaches import (
    MOST_DEPTH_M,
    MOST_LENGTH_M,
    BreachReport,
    Crossing,
    breach_crossings,
)
from geo.terrain.conditioning import close_voids, fill_depressions
from geo.terrain.culverts import CulvertReport, cut_culverts
from geo.terrain.flow import flow_accumulation, flow_direction, height_above_drainage
from geo.terrain.inputs import mask_of, surface_of
from geo.terrain.points import sample
from geo.terrain.water_levels import MOST_FALL_M, WaterReport, flatten_waters
from layers.errors import TerrainError
from layers.grid import Frame, Grid, GridSource, Window

_BYTES_A_CELL = 58  # greatest need met while a terrain is built, measured; see the tests


@dataclass(frozen=True)
class FlatLimits:
    """How far the terrain may be changed so that water runs as it does on the ground.

    Attributes
    ----------
    breach_length_m, breach_depth_m
        Of a cut through a road, see `geo.terrain.breach_crossings`; a length of 0: none is cut.
    water_fall_m
        A water body whose ground falls by more is left sloping, see `geo.terrain.flatten_waters`.
    """

    breach_length_m: float = MOST_LENGTH_M
    breach_depth_m: float = MOST_DEPTH_M
    water_fall_m: float = MOST_FALL_M


@dataclass(frozen=True)
class TerrainModel:
    """Ground and water surfaces of one terrain; all grids have one shape and place.

    Attributes
    ----------
    ground
        Elevation as read, float32, NaN in voids.
    opened
        The ground water follows: enclosed voids closed, water surfaces flat, culverts cut, roads
        cut where mapped streams cross them.
    filled
        ``opened`` with every depression filled to its brim.
    direction
        uint8 codes of `geo.terrain.flow_direction`.
    accumulation
        int64: cells upslope, itself included; 0 in voids.
    hand
        Height above the drainage each cell's path meets; None where no drainage was given.
    pond_depth
        Water over the ground when every depression is full; 0 where none stands, NaN in voids.
        At a culvert it is measured over the road, not over the cut; on a lake over its surface.
    is_closed
        Boolean: the cells whose elevation was interpolated.
    beyond
        What may lie beyond the edge of ``opened`` and in its holes.
    culvert_reports
        One for each culvert line, in order.
    breach_reports
        One for each crossing of a road and a stream, in order; None for one that a culvert serves.
    water_reports
        One for each water body, in order.
    cut_cells, before_cut
        Flat indices of the cells that were cut, and their elevation before.
    """

    ground: Grid
    opened: Grid
    filled: Grid
    direction: Grid
    accumulation: Grid
    hand: Grid | None
    pond_depth: Grid
    is_closed: NDArray[np.bool_]
    beyond: Beyond
    culvert_reports: tuple[CulvertReport, ...]
    breach_reports: tuple[BreachReport | None, ...]
    water_reports: tuple[WaterReport, ...]
    cut_cells: NDArray[np.int64]
    before_cut: NDArray[np.float32]

    @property
    def frame(self) -> Frame:
        """The place and the cells of every surface."""
        return self.ground.frame

    def has(self, surface: Surface) -> bool:
        """Whether there is such a surface: ``hand`` needs mapped water."""
        return surface != "hand" or self.hand is not None

    def whole(self, surface: Surface) -> Grid:
        """All of a surface.

        Raises
        ------
        LookupError
            When there is no such surface.
        """
        if not self.has(surface):
            raise LookupError(f"this terrain has no surface {surface!r}: no water is mapped")
        grid: Grid = getattr(self, surface)
        return grid

    def window(self, surface: Surface, window: Window) -> Grid:
        """A block of a surface, as a view."""
        return self.whole(surface).read(window)

    def at(
        self,
        surface: Surface,
        x: NDArray[np.float64],
        y: NDArray[np.float64],
        *,
        bilinear: bool = False,
    ) -> NDArray[np.float64]:
        """As `geo.terrain.Terrain.at`."""
        grid = self.whole(surface)
        if bilinear:
            return sample(grid, x, y, bilinear=True)
        row, col, inside = grid.cells_at(x, y)
        return np.where(inside, grid.values[row, col], np.nan).astype(np.float64)

    def blocked(self) -> Grid:
        """The ground with every culvert and every cut closed, as a new grid."""
        values = self.opened.values.copy()
        values.reshape(-1)[self.cut_cells] = self.before_cut
        return self.opened.with_values(values)


def build_terrain(
    source: GridSource,
    *,
    culverts: Sequence[ArrayLike] = (),
    crossings: Sequence[tuple[Crossing, Sequence[int]]] = (),
    waters: NDArray[np.integer] | Callable[[Grid], NDArray[np.integer]] | None = None,
    drainage: NDArray[np.bool_] | Callable[[Grid], NDArray[np.bool_]] | None = None,
    limits: FlatLimits = FlatLimits(),
) -> TerrainModel:
    """Read a terrain and work out where its water stands and runs.

    Parameters
    ----------
    source
        Elevation in meters on cells in meters.
    culverts
        Lines of map coordinates, see `geo.terrain.cut_culverts`.
    crossings
        Where roads cross mapped streams, each with the places in ``culverts`` of those that serve
        it: it is cut where none of them can be used.
    waters
        Numbers of water bodies from 1 on the grid of ``source``, 0 elsewhere, or a function that
        makes them from that grid.
    drainage
        Boolean mask of streams and water bodies on the grid of ``source``, or a function that
        makes it from that grid. Burn lines with every cell they touch.
    limits
        How far the terrain may be changed.

    Raises
    ------
    TerrainError
        If the terrain needs more memory than there is, holds no elevation, or holds infinite
        values.
    ValueError
        If a mask has another shape or kind.
    """
    _refuse_too_large(source.shape)
    ground = _read(source)
    closed, is_closed = close_voids(ground.values, ground.cell_m)
    water_reports: list[WaterReport] = []
    bodies = waters(ground) if callable(waters) else waters
    is_guessed = guessed(is_closed, ground.cell_m, bodies)
    if bodies is not None:
        closed, water_reports = flatten_waters(closed, bodies, most_fall_m=limits.water_fall_m)
    is_dry_hole = is_closed if bodies is None else is_closed & (bodies <= 0)
    del bodies
    opened, culvert_reports, breach_reports = _cut(
        ground.with_values(closed), culverts, crossings, limits
    )
    cut_cells = np.flatnonzero(opened.values.reshape(-1) < closed.reshape(-1))
    before_cut = closed.reshape(-1)[cut_cells]
    mask = None
    if drainage is not None:
        mask = mask_of(
            drainage(ground) if callable(drainage) else drainage, ground.shape, "drainage"
        )
    beyond = beyond_of(
        opened.values,
        ground.cell_m,
        is_guessed=is_guessed,
        is_closed=is_dry_hole,
        streams=mask,
    )
    filled = fill_depressions(opened.values)
    pond_depth = np.maximum(filled - closed, np.float32(0))
    del closed
    direction = flow_direction(filled, ground.cell_m)
    accumulation = flow_accumulation(direction)
    accumulation[np.isnan(filled)] = 0
    beyond = beyond.with_ways_out(accumulation, ground.cell_m)
    hand = None
    if mask is not None:
        hand = ground.with_values(height_above_drainage(filled, direction, mask))
    return TerrainModel(
        ground=ground,
        opened=opened,
        filled=ground.with_values(filled),
        direction=ground.with_values(direction),
        accumulation=ground.with_values(accumulation),
        hand=hand,
        pond_depth=ground.with_values(pond_depth),
        is_closed=is_closed,
        beyond=beyond,
        culvert_reports=tuple(culvert_reports),
        breach_reports=tuple(breach_reports),
        water_reports=tuple(water_reports),
        cut_cells=cut_cells,
        before_cut=before_cut,
    )


def _cut(
    closed: Grid,
    culverts: Sequence[ArrayLike],
    crossings: Sequence[tuple[Crossing, Sequence[int]]],
    limits: FlatLimits,
) -> tuple[Grid, list[CulvertReport], list[BreachReport | None]]:
    """The ground with its culverts and roads cut; both are measured on it before any cut."""
    opened, culvert_reports = cut_culverts(closed, culverts)
    breach_reports: list[BreachReport | None] = [None] * len(crossings)
    bare = [
        k
        for k, (_, served_by) in enumerate(crossings)
        if not any(culvert_reports[culvert].used for culvert in served_by)
    ]
    if not bare or limits.breach_length_m == 0:
        return opened, culvert_reports, breach_reports
    breached, found = breach_crossings(
        closed,
        [crossings[k][0] for k in bare],
        most_length_m=limits.breach_length_m,
        most_depth_m=limits.breach_depth_m,
    )
    for k, report in zip(bare, found, strict=True):
        breach_reports[k] = replace(report, index=k)
    np.fmin(breached.values, opened.values, out=opened.values)
    return opened, culvert_reports, breach_reports


def _read(source: GridSource) -> Grid:
    """The whole source as float32, refused where it is no ground."""
    grid = source.read()
    try:
        values = surface_of(grid.values, "terrain").astype(np.float32, copy=False)
    except ValueError as error:
        raise TerrainError(
            str(error),
            where="the terrain layer",
            hint="export it again as elevations in meters, with a no-data value for gaps",
        ) from None
    if not values.size or np.isnan(values).all():
        raise TerrainError(
            f"the terrain of {grid.shape[0]} x {grid.shape[1]} cells holds no elevation",
            where="the terrain layer",
            hint="check that the file covers the county and that its no-data value is right",
        )
    return grid.with_values(values)


def _refuse_too_large(shape: tuple[int, int]) -> None:
    """Raise TerrainError, before anything is read, where the memory at hand would not do."""
    available = _available_bytes()
    needed = shape[0] * shape[1] * _BYTES_A_CELL
    if needed > available:
        coarser = (needed / available) ** 0.5
        raise TerrainError(
            f"a terrain of {shape[0]:,} x {shape[1]:,} cells needs about "
            f"{needed / 1e9:.1f} GB of memory; {available / 1e9:.1f} GB are free",
            where="the terrain layer",
            hint=f"use cells at least {coarser:.1f} times as wide, or cut out a smaller area",
        )


def _available_bytes() -> int:
    """Memory that can be had without swapping."""
    return int(psutil.virtual_memory().available)
