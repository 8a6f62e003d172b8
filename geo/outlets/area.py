"""Where the outlet of one unit is looked for: its own parcel, and what adjoins it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from geo.kernels.pipes import outside, past_others

# Mapped parcel lines are taken to lie off by so much, and a pipe to have passed another parcel
# when it leaves it after so much. Common practice, no source: about 10 ft.
PARCEL_LINE_M: Final = 3.0


@dataclass(frozen=True)
class Lattice:
    """Places looked at, arrays of one length; east and north from the lid."""

    row: NDArray[np.int64]
    col: NDArray[np.int64]
    east_m: NDArray[np.float64]
    north_m: NDArray[np.float64]
    length_m: NDArray[np.float64]
    outside_m: NDArray[np.float64]

    @classmethod
    def of(
        cls,
        row: NDArray[np.int64],
        col: NDArray[np.int64],
        lid: tuple[float, float],
        cell_m: tuple[float, float],
    ) -> Lattice:
        """Of cells of a grid; ``lid`` in rows and columns from its corner, cells wide and high."""
        east = np.asarray((col + 0.5 - lid[1]) * cell_m[0], np.float64)
        north = np.asarray((lid[0] - row - 0.5) * cell_m[1], np.float64)
        return cls(row, col, east, north, np.hypot(east, north), np.zeros(len(row)))

    def kept(self, keep: NDArray[np.bool_]) -> Lattice:
        """Some of them."""
        return Lattice(
            self.row[keep], self.col[keep], self.east_m[keep], self.north_m[keep],
            self.length_m[keep], self.outside_m[keep],
        )  # fmt: skip


def adjoining(
    at: Lattice,
    beside: NDArray[np.bool_],
    parcels: NDArray[np.int32],
    parcel: shapely.Geometry,
    lid: shapely.Point,
    lid_cell: tuple[float, float],
    cell_m: tuple[float, float],
    beyond_m: float,
) -> Lattice | None:
    """Places on a parcel, or no farther than ``beyond_m`` outside it at a water, way or drain.

    Parameters
    ----------
    beside
        Whether each cell of the grid lies at a stream, ditch, drain, draw or road side.
    parcels
        On the same grid: 1 on the unit's own parcel, another number on each other, 0 on none.

    Returns
    -------
    Lattice or None
        With how far each lies outside. Those behind another parcel, which the straight pipe would
        enter and leave again, are no neighbors. None where the parcel lies out of reach.
    """
    east, north = lid.x + at.east_m, lid.y + at.north_m
    at = replace(at, outside_m=outside(_rings(parcel), east, north))
    keep = at.outside_m <= PARCEL_LINE_M
    if not keep.any():
        return None
    near = np.flatnonzero(~keep & (at.outside_m <= beyond_m) & beside[at.row, at.col])
    keep[near] = ~past_others(
        parcels, *lid_cell, at.row[near], at.col[near], *cell_m, PARCEL_LINE_M
    )
    return at.kept(keep)


def outline(
    x: NDArray[np.float64], y: NDArray[np.float64], cell_m: tuple[float, float]
) -> shapely.Geometry:
    """The ground that cells of one lattice cover, from their centers; sides of ``cell_m``."""
    wide, high = cell_m
    order = np.lexsort([x, y])
    x, y = x[order], y[order]
    begins = np.append(True, (np.diff(y) != 0) | (np.diff(x) > 1.5 * wide))
    ends = np.append(begins[1:], True)
    runs = shapely.box(
        x[begins] - wide / 2, y[begins] - high / 2, x[ends] + wide / 2, y[ends] + high / 2
    )
    return shapely.union_all(runs)


def _rings(area: shapely.Geometry) -> NDArray[np.float64]:
    """The segments of all rings of an area, shape (n, 4)."""
    rings = shapely.get_rings(shapely.get_parts(area))
    xy, ring = shapely.get_coordinates(rings, return_index=True)
    goes_on = np.flatnonzero(ring[1:] == ring[:-1])
    return np.ascontiguousarray(np.hstack([xy[goes_on], xy[goes_on + 1]]))


def parcels_of(
    units: gpd.GeoDataFrame, parcels: gpd.GeoDataFrame | None
) -> list[shapely.Geometry | None]:
    """The parcel of each unit: that of its number, else the first that holds its lid."""
    found: list[shapely.Geometry | None] = [None] * len(units)
    if parcels is None or not len(parcels):
        return found
    shapes: Sequence[shapely.Geometry] = parcels.geometry.to_numpy()
    row, parcel = shapely.STRtree(shapes).query(units.geometry.to_numpy(), "intersects")
    holds = pd.DataFrame({"row": row, "parcel": parcel}).groupby("row")["parcel"].min()
    number = pd.Series(range(len(parcels)), index=parcels["parcel_id"])
    number = number[number.index.notna() & ~number.index.duplicated()]
    at = units["parcel_id"].map(number).to_numpy(float)
    for k in range(len(units)):
        if not np.isnan(at[k]):
            found[k] = shapes[int(at[k])]
        elif k in holds.index:
            found[k] = shapes[holds[k]]
    return found
