"""Heights of a lazy terrain at points, and how sure it is that an outlet lies above its unit."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import ArrayLike, NDArray

from layers.grid import GridSource, Window

# An outlet higher than its lid by more than this is doubted where the terrain's own accuracy is
# not stated: twice 0.196 m, the 95 % accuracy of a 1 m terrain of quality level 2 (3DEP).
UPHILL_M: Final = 0.392
_BLOCK: Final = 512
_DIRECTIONS: Final = np.arange(8) * (np.pi / 4)


def heights_at(source: GridSource, x: ArrayLike, y: ArrayLike) -> NDArray[np.float64]:
    """Value of the cell each point lies in; NaN outside and where there is no data.

    Only the blocks of cells that hold points are read, each once.

    Parameters
    ----------
    x, y
        Map coordinates in the source's system, of one shape.

    Raises
    ------
    TerrainError
        When the file behind the source cannot be read there.
    """
    east, north = np.asarray(x, np.float64), np.asarray(y, np.float64)
    rows, cols = source.shape
    t = source.transform
    c = np.floor((east.ravel() - t.c) / t.a)
    r = np.floor((north.ravel() - t.f) / t.e)
    at = np.flatnonzero((c >= 0) & (c < cols) & (r >= 0) & (r < rows))  # False for NaN
    row, col = r[at].astype(np.int64), c[at].astype(np.int64)
    block = (row // _BLOCK) * (cols // _BLOCK + 1) + col // _BLOCK
    out = np.full(east.size, np.nan)
    order = np.argsort(block, kind="stable")
    for some in np.split(order, np.flatnonzero(np.diff(block[order])) + 1):
        if not len(some):
            continue
        top, left = int(row[some].min()), int(col[some].min())
        window = Window(top, left, int(row[some].max()) - top + 1, int(col[some].max()) - left + 1)
        values = source.read(window).values
        out[at[some]] = values[row[some] - top, col[some] - left]
    return out.reshape(east.shape)


@dataclass(frozen=True)
class Rises:
    """How far discharge points lie above units, and whether that can be doubted.

    Attributes
    ----------
    unit_m, point_m
        Ground at each unit; the pipe's end at each discharge point: its invert where it is on
        record, else the ground. NaN where it is not known.
    is_pumped
        Units on record as pumped: their water may run uphill.
    allowed_m
        Difference of two heights that their accuracy can explain at 95 %.
    """

    terrain: GridSource
    units: gpd.GeoDataFrame
    points: gpd.GeoDataFrame
    unit_m: NDArray[np.float64]
    point_m: NDArray[np.float64]
    is_pumped: NDArray[np.bool_]
    allowed_m: float

    def rise_m(self, unit: NDArray[np.int64], point: NDArray[np.int64]) -> NDArray[np.float64]:
        """Height of discharge points above units, by position; NaN where it is not known."""
        return np.asarray(self.point_m[point] - self.unit_m[unit])

    def is_uphill(self, unit: NDArray[np.int64], point: NDArray[np.int64]) -> NDArray[np.bool_]:
        """Whether discharge points lie higher than heights and positions can explain.

        To the accuracy of the heights comes how much the ground differs from its height at the
        place within the accuracy of the position, at both ends, as independent errors. Units on
        record as pumped are never uphill.
        """
        rise = self.rise_m(unit, point)
        doubted = np.flatnonzero((rise > self.allowed_m) & ~self.is_pumped[unit])
        is_uphill = np.zeros(len(rise), bool)
        if not len(doubted):
            return is_uphill
        at_unit = self._differs_m(self.units, self.unit_m, unit[doubted])
        at_point = self._differs_m(self.points, self.point_m, point[doubted])
        inverts = self.points["invert_height_m"].to_numpy(float)[point[doubted]]
        at_point[~np.isnan(inverts)] = 0.0  # levelled, whatever the place is worth
        allowed = np.sqrt(self.allowed_m**2 + at_unit**2 + at_point**2)
        is_uphill[doubted] = rise[doubted] > allowed
        return is_uphill

    def _differs_m(
        self, frame: gpd.GeoDataFrame, height_m: NDArray[np.float64], rows: NDArray[np.int64]
    ) -> NDArray[np.float64]:
        """How much the ground differs within a position's accuracy, from 16 places around it."""
        x, y = shapely.get_coordinates(frame.geometry.to_numpy()[rows]).T
        radius = frame["accuracy95_m"].to_numpy(float)[rows]
        reach = radius[:, None, None] * np.array([0.5, 1.0])[:, None]
        around = heights_at(
            self.terrain,
            x[:, None, None] + reach * np.sin(_DIRECTIONS),
            y[:, None, None] + reach * np.cos(_DIRECTIONS),
        ).reshape(len(rows), -1)
        differs = np.abs(around - height_m[rows][:, None])
        return np.where(np.isnan(differs), 0.0, differs).max(axis=1)


def rises(
    terrain: GridSource,
    units: gpd.GeoDataFrame,
    points: gpd.GeoDataFrame,
    *,
    accuracy_m: float | None,
) -> Rises:
    """Heights of units and discharge points, read from the terrain once.

    Parameters
    ----------
    accuracy_m
        Of the terrain at 95 %, or None where it is not stated.

    Raises
    ------
    TerrainError
        When the terrain cannot be read at one of the places.
    """
    unit_m = heights_at(terrain, *shapely.get_coordinates(units.geometry.to_numpy()).T)
    ground_m = heights_at(terrain, *shapely.get_coordinates(points.geometry.to_numpy()).T)
    invert_m = points["invert_height_m"].to_numpy(float)
    pumped: pd.Series = units["pumped"].fillna(False)
    allowed_m = UPHILL_M if accuracy_m is None else float(np.sqrt(2)) * accuracy_m
    return Rises(
        terrain,
        units,
        points,
        unit_m,
        np.where(np.isnan(invert_m), ground_m, invert_m),
        pumped.astype(bool).to_numpy(),
        allowed_m,
    )
