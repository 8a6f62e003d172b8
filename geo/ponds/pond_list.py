"""The ponds of each storm as a table: how the depressions filled, and what stands in them."""

from __future__ import annotations

from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from geo.runoff.filling import PondLevels
from geo.runoff.storms import StormPonds

# A pond that holds less, and in which no lid and no discharge point stands, is left out of the
# table: about a truckload. Common practice, no source.
LEAST_VOLUME_M3: Final = 10.0
_CELLS_AT_ONCE: Final = 1_000_000


def pond_table(
    ponds: StormPonds,
    lids: NDArray[np.object_],
    discharge_points: NDArray[np.object_],
    *,
    least_volume_m3: float = LEAST_VOLUME_M3,
    wet_m: float = 0.0,
) -> gpd.GeoDataFrame:
    """One row for each pond of each storm, by storms and depressions.

    A pond fills a depression of the hierarchy in part or whole; depressions that merged are one
    pond. `geo.terrain.Depressions.table` has the whole hierarchy, dry ones included.

    Parameters
    ----------
    ponds
        In meters.
    lids, discharge_points
        Shapely points in the working system; missing and empty ones stand in none.
    least_volume_m3
        Smaller ponds without a lid or discharge point under water are left out.
    wet_m
        A point is under water where it stands deeper than this.

    Returns
    -------
    ``storm_yr``; ``pond_id``, the node of the hierarchy; ``parent_id``, the depression it is part
    of, null for none; ``kind`` (``hollow``: one pit, ``merged``: several under one water);
    ``area_m2``, ``volume_m3``, ``level_m``, ``depth_m`` (over its pit); ``is_full``; ``spills``
    (``not_full``, ``into_hollow``, ``off_terrain``) and ``spills_to_id``, the pond that takes what
    a full one passes on (the dry hollow, where no water stands in it); ``lids`` and
    ``discharge_points``: how many stand under water in it. The point is its lowest cell.
    """
    by_storm = [
        _one_storm(ponds, years, levels, lids, discharge_points, least_volume_m3, wet_m)
        for years, levels in ponds.by_storm.items()
    ]
    table = pd.concat(by_storm, ignore_index=True)
    cols = ponds.surface.shape[1]
    row, col = np.divmod(ponds.hierarchy.pit_cell[table["pond_id"].to_numpy(np.int64)], cols)
    x, y = ponds.surface.centers(row, col)
    return gpd.GeoDataFrame(table, geometry=shapely.points(x, y), crs=ponds.surface.crs)


def _one_storm(
    ponds: StormPonds,
    years: int,
    levels: PondLevels,
    lids: NDArray[np.object_],
    discharge_points: NDArray[np.object_],
    least_volume_m3: float,
    wet_m: float,
) -> pd.DataFrame:
    tree = ponds.hierarchy
    width, height = ponds.surface.cell_m
    area, volume = _area_and_volume(ponds, levels)
    area, volume = area * width * height, volume * width * height
    lid_count, outlet_count = (
        _under_water(ponds, levels, points, wet_m) for points in (lids, discharge_points)
    )
    listed = (volume > 0) & ((volume >= least_volume_m3) | (lid_count + outlet_count > 0))
    node = np.flatnonzero(listed)
    level = np.full(tree.parent.size, np.nan)
    wet = np.flatnonzero(levels.pond)
    level[levels.pond[wet]] = levels.level[wet]
    is_full = level[node] == tree.out_elev[node]  # filled by assignment
    beyond = tree.geolink[node]
    taken = np.where(levels.pond[beyond] > 0, levels.pond[beyond], beyond)
    spills = np.select([~is_full, beyond > 0], ["not_full", "into_hollow"], "off_terrain")
    return pd.DataFrame(
        {
            "storm_yr": years,
            "pond_id": node,
            "parent_id": pd.array(tree.parent[node], "Int64"),
            "kind": np.where(tree.left[node] > 0, "merged", "hollow").astype(object),
            "area_m2": area[node],
            "volume_m3": volume[node],
            "level_m": level[node],
            "depth_m": level[node] - tree.pit_elev[node],
            "is_full": is_full,
            "spills": spills.astype(object),
            "spills_to_id": pd.array(taken, "Int64"),
            "lids": lid_count[node],
            "discharge_points": outlet_count[node],
        }
    ).assign(
        parent_id=lambda t: t["parent_id"].mask(t["parent_id"] == 0),
        spills_to_id=lambda t: t["spills_to_id"].mask(t["spills"] != "into_hollow"),
    )


def _area_and_volume(
    ponds: StormPonds, levels: PondLevels
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Cells under water and their depths, summed by pond; some rows of the terrain at a time."""
    nodes = ponds.hierarchy.parent.size
    cells, depths = np.zeros(nodes), np.zeros(nodes)
    z, labels = ponds.surface.values, ponds.hierarchy.labels
    step = max(_CELLS_AT_ONCE // max(z.shape[1], 1), 1)
    for first in range(0, z.shape[0], step):
        rows = slice(first, first + step)
        depth = levels.depth(z[rows], labels[rows])
        is_wet = depth > 0
        pond = levels.pond[labels[rows][is_wet]]
        cells += np.bincount(pond, minlength=nodes)
        depths += np.bincount(pond, depth[is_wet], minlength=nodes)
    return cells, depths


def _under_water(
    ponds: StormPonds, levels: PondLevels, points: NDArray[np.object_], wet_m: float
) -> NDArray[np.int64]:
    """How many points stand under water in each pond."""
    there = points[~(shapely.is_missing(points) | shapely.is_empty(points))]
    row, col, inside = ponds.surface.cells_at(*shapely.get_coordinates(there).T)
    row, col = row[inside], col[inside]
    label = ponds.hierarchy.labels[row, col]
    is_wet = levels.depth(ponds.surface.values[row, col], label) > wet_m
    return np.bincount(levels.pond[label[is_wet]], minlength=ponds.hierarchy.parent.size)
