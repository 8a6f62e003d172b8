"""The terrain as an assessment uses it: conditioned once, every surface on one grid."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike, NDArray

from geo.terrain.conditioning import close_voids, fill_depressions
from geo.terrain.culverts import CulvertReport, cut_culverts
from geo.terrain.flow import flow_accumulation, flow_direction, height_above_drainage
from geo.terrain.inputs import mask_of, surface_of
from geo.terrain.points import sample
from layers.errors import TerrainError
from layers.grid import Grid, GridSource

_BYTES_A_CELL = 56  # greatest need met while a terrain is built, measured; see the tests


@dataclass(frozen=True)
class TerrainModel:
    """Ground and water surfaces of one terrain; all grids have one shape and place.

    Attributes
    ----------
    ground
        Elevation as read, float32, NaN in voids.
    opened
        The ground water follows: enclosed voids closed, culverts cut.
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
        At a culvert it is measured over the road, not over the cut.
    is_closed
        Boolean: the cells whose elevation was interpolated.
    culvert_reports
        One for each culvert line, in order.
    void_count
        Cells without data in ``ground``.
    """

    ground: Grid
    opened: Grid
    filled: Grid
    direction: Grid
    accumulation: Grid
    hand: Grid | None
    pond_depth: Grid
    is_closed: NDArray[np.bool_]
    culvert_reports: tuple[CulvertReport, ...]
    void_count: int

    def ground_at(self, x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.float64]:
        """Ground heights at map coordinates, as read; NaN off the terrain and in voids."""
        return sample(self.ground, x, y)


def build_terrain(
    source: GridSource,
    *,
    culverts: Sequence[ArrayLike] = (),
    drainage: NDArray[np.bool_] | Callable[[Grid], NDArray[np.bool_]] | None = None,
) -> TerrainModel:
    """Read a terrain and work out where its water stands and runs.

    Parameters
    ----------
    source
        Elevation in metres on cells in metres.
    culverts
        Lines of map coordinates, see `geo.terrain.cut_culverts`.
    drainage
        Boolean mask of streams and water bodies on the grid of ``source``, or a function that
        makes it from that grid. Burn lines with every cell they touch.

    Raises
    ------
    TerrainError
        If the terrain needs more memory than there is, holds no elevation, or holds infinite
        values.
    ValueError
        If the drainage mask has another shape or kind.
    """
    _refuse_too_large(source.shape)
    ground = _read(source)
    is_void = ground.is_void
    closed, is_closed = close_voids(ground.values, ground.cell_m)
    opened, reports = cut_culverts(ground.with_values(closed), culverts)
    filled = fill_depressions(opened.values)
    pond_depth = np.maximum(filled - closed, np.float32(0))
    direction = flow_direction(filled, ground.cell_m)
    accumulation = flow_accumulation(direction)
    accumulation[np.isnan(filled)] = 0
    hand = None
    if drainage is not None:
        mask = mask_of(
            drainage(ground) if callable(drainage) else drainage, ground.shape, "drainage"
        )
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
        culvert_reports=tuple(reports),
        void_count=int(is_void.sum()),
    )


def _read(source: GridSource) -> Grid:
    """The whole source as float32, refused where it is no ground."""
    grid = source.read()
    try:
        values = surface_of(grid.values, "terrain").astype(np.float32, copy=False)
    except ValueError as error:
        raise TerrainError(
            str(error),
            where="the terrain layer",
            mend="export it again as elevations in metres, with a no-data value for gaps",
        ) from None
    if not values.size or np.isnan(values).all():
        raise TerrainError(
            f"the terrain of {grid.shape[0]} x {grid.shape[1]} cells holds no elevation",
            where="the terrain layer",
            mend="check that the file covers the county and that its no-data value is right",
        )
    return grid.with_values(values)


def _refuse_too_large(shape: tuple[int, int]) -> None:
    """Raise TerrainError, before anything is read, where the memory at hand would not do."""
    available = _available_bytes()
    needed = shape[0] * shape[1] * _BYTES_A_CELL
    if available is not None and needed > available:
        coarser = (needed / available) ** 0.5
        raise TerrainError(
            f"a terrain of {shape[0]:,} x {shape[1]:,} cells needs about "
            f"{needed / 1e9:.1f} GB of memory; {available / 1e9:.1f} GB are free",
            where="the terrain layer",
            mend=f"use cells at least {coarser:.1f} times as wide, or cut out a smaller area",
        )


def _available_bytes() -> int | None:
    """Memory that can be had without swapping, or None where the system does not say."""
    try:
        for line in Path("/proc/meminfo").read_text().splitlines():
            if line.startswith("MemAvailable:"):
                return int(line.split()[1]) * 1024
    except (OSError, ValueError, IndexError):
        pass
    try:
        return os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE")
    except (AttributeError, OSError, ValueError):
        return None
