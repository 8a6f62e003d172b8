"""From 24-hour rain to the ponds it leaves: runoff by curve number, hollows filled in order.

Not snowmelt, not frozen ground. Nothing soaks away once it has run, and no pipe drains a hollow
that is not mapped: ponds are those of a storm on ground whose drains are overwhelmed.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import geopandas as gpd
import numpy as np
from affine import Affine
from numpy.typing import NDArray
from pyproj import CRS

from geo.runoff.curve_numbers import LAND_COVER, Antecedent, curve_number, for_antecedent
from geo.runoff.filling import PondLevels, pond_levels, runoff_depth
from geo.terrain import Depressions, Terrain, depressions
from geo.terrain.beyond import Beyond, beyond_of
from layers.files.raster import burn
from layers.grid import Grid, GridSource, Window
from layers.measures import IN_M

# Where a layer is missing or says nothing the wettest that land may be: the group that lets least
# rain in, and the cover that sheds most. Common practice, no source; said with the result.
DEFAULT_GROUP: Final = "D"
_GRASS: Final = 71  # a class with a number for every group


def curve_numbers_on(
    ground: Grid,
    soils: gpd.GeoDataFrame | None,
    land_cover: GridSource | None,
    *,
    antecedent: Antecedent = "average",
) -> tuple[NDArray[np.float64], list[str]]:
    """Curve number of each cell of ``ground``, and notes on what was taken for granted.

    Parameters
    ----------
    soils
        Areas with ``hydrologic_group``; dual groups count as undrained. None where missing.
    land_cover
        Classes of the National Land Cover Database in the system of ``ground``, of any cell size.
    antecedent
        How wet the ground is when the rain begins.
    """
    groups = [DEFAULT_GROUP]
    group = np.zeros(ground.shape, np.int64)
    known_soil = np.zeros(ground.shape, bool)
    if soils is not None:
        for name, some in soils.groupby("hydrologic_group", sort=True):
            here = burn(some.geometry.to_numpy(), ground.shape, ground.transform)
            group[here], known_soil[here] = len(groups), True
            groups.append(str(name))
    cover = _classes_on(ground, land_cover)
    classes, kind = np.unique(cover, return_inverse=True)
    names = np.array(groups, object)
    table = curve_number(classes[:, None], names[None, :])
    by_cover = curve_number(classes, np.full(len(classes), DEFAULT_GROUP, object))
    known_cover = ~np.isnan(by_cover)[kind.reshape(ground.shape)]
    table = np.where(np.isnan(table), by_cover[:, None], table)
    # a group that nobody has heard of knows but the numbers of wetlands: then that of group D
    wettest = np.nanmax(curve_number(np.array([*LAND_COVER])[:, None], names[None, :]), axis=0)
    is_group = ~np.isnan(curve_number(np.full(len(names), _GRASS), names))
    wettest = np.where(is_group, wettest, wettest[0])
    table = np.where(np.isnan(table), wettest, table)
    table = for_antecedent(table, antecedent)
    numbers = table[kind.reshape(ground.shape), group]
    return numbers, _taken_for_granted(ground, known_soil, known_cover)


def _classes_on(ground: Grid, land_cover: GridSource | None) -> NDArray[np.int64]:
    """The land cover class under each cell's center; 0 where there is none."""
    classes = np.zeros(ground.shape, np.int64)
    if land_cover is None:
        return classes
    source = land_cover.read()
    x, _ = ground.centers(np.zeros(ground.shape[1], np.int64), np.arange(ground.shape[1]))
    _, y = ground.centers(np.arange(ground.shape[0]), np.zeros(ground.shape[0], np.int64))
    _, col, in_x = source.cells_at(x, np.full(len(x), source.bounds[3] - source.cell_m[1] / 2))
    row, _, in_y = source.cells_at(np.full(len(y), source.bounds[0] + source.cell_m[0] / 2), y)
    inside = in_y[:, None] & in_x[None, :]
    return np.where(inside, source.values[row[:, None], col[None, :]], classes).astype(np.int64)


def _taken_for_granted(
    ground: Grid, known_soil: NDArray[np.bool_], known_cover: NDArray[np.bool_]
) -> list[str]:
    land = ~ground.is_void
    notes = []
    for known, what, taken in (
        (known_soil, "Soil", "hydrologic group D"),
        (known_cover, "Land cover", "the cover that sheds most water"),
    ):
        share = 1 - known[land].mean() if land.any() else 0.0
        if share >= 0.005:
            notes.append(
                f"{what} is not on record for {share:.0%} of the land. Runoff there uses {taken}."
            )
    return notes


@dataclass(frozen=True)
class StormPonds:
    """The ponds of several storms on one terrain.

    Attributes
    ----------
    surface
        The ground water runs over, voids closed.
    hierarchy
        Its depressions, made once.
    by_storm
        Return period in years -> the level of each pond; from the most frequent storm on.
    kind, runoff_m
        The runoff of a cell in storm number s is ``runoff_m[kind, s]``: ``kind`` uint16 of the
        surface's shape, ``runoff_m`` of shape (kinds, storms).
    beyond
        What may lie beyond the surface's edge and in its holes.
    """

    surface: Grid
    hierarchy: Depressions
    by_storm: Mapping[int, PondLevels]
    kind: NDArray[np.uint16]
    runoff_m: NDArray[np.float64]
    beyond: Beyond

    def raster(self, years: int) -> PondDepth:
        """Depth of one storm's ponds as a lazy raster, meters."""
        return PondDepth(self.surface, self.hierarchy.labels, self.by_storm[years])


@dataclass(frozen=True)
class PondDepth:
    """Depth of one storm's ponds, worked out window by window: a `layers.grid.GridSource`."""

    surface: Grid
    labels: NDArray[np.int32]
    ponds: PondLevels

    @property
    def shape(self) -> tuple[int, int]:
        """(rows, cols)."""
        return self.surface.shape

    @property
    def transform(self) -> Affine:
        """Affine from (col, row) corners to map coordinates."""
        return self.surface.transform

    @property
    def crs(self) -> CRS:
        """Reference system of the coordinates."""
        return self.surface.crs

    def read(self, window: Window | None = None) -> Grid:
        """The part inside ``window``, or all of it."""
        ground = self.surface.read(window)
        labels = self.labels if window is None else self.labels[window.slices]
        return ground.with_values(self.ponds.depth(ground.values, labels).astype(np.float32))


def storm_ponds(
    surface: Grid,
    curve_numbers: NDArray[np.float64],
    rain_in: Mapping[int, float],
    *,
    ratio: float = 0.2,
    beyond: Beyond | None = None,
) -> StormPonds:
    """The ponds each storm leaves on a surface.

    Parameters
    ----------
    surface
        Elevation, voids closed; NaN where there is none.
    curve_numbers
        Of each cell.
    rain_in
        Return period in years -> 24-hour rain in inches.
    ratio
        Of initial abstraction to storage, see `geo.runoff.runoff_depth`.
    beyond
        Of this surface; left out: of one without holes and streams.
    """
    if beyond is None:
        beyond = beyond_of(surface.values, surface.cell_m)
    hierarchy = depressions(surface.values, cell_m=surface.cell_m)
    numbers, inverse = np.unique(curve_numbers, return_inverse=True)
    kind = inverse.reshape(surface.shape).astype(np.uint16)
    storms = sorted(rain_in.items())
    runoff_m = np.empty((len(numbers), len(storms)))
    by_storm = {}
    for s, (years, rain) in enumerate(storms):
        runoff_m[:, s] = runoff_depth(rain * IN_M, numbers, unit="m", ratio=ratio)
        by_storm[years] = pond_levels(hierarchy, runoff_m[:, s][kind])
    return StormPonds(surface, hierarchy, by_storm, kind, runoff_m, beyond)


def ponds_open_and_blocked(
    terrain: Terrain,
    curve_numbers: NDArray[np.float64],
    rain_in: Mapping[int, float],
    *,
    ratio: float = 0.2,
) -> tuple[StormPonds, StormPonds | None]:
    """Ponds with every way under a road open, and with all blocked; None where none was cut.

    Parameters are those of `storm_ponds`.
    """
    beyond = terrain.beyond
    opened = storm_ponds(
        terrain.whole("opened"), curve_numbers, rain_in, ratio=ratio, beyond=beyond
    )
    if not len(terrain.cut_cells):
        return opened, None
    shut = terrain.blocked()
    beyond = beyond.on(shut.values)
    return opened, storm_ponds(shut, curve_numbers, rain_in, ratio=ratio, beyond=beyond)
