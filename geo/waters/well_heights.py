"""How high wells stand above the ways of water that pass near them."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from geo.terrain import Terrain
from geo.waters.downstream import lowest_around
from geo.waters.paths import near_ways
from geo.waters.waterways import NOT_THERE
from layers.outputs import WAY_WELLS


def wells_by_ways(
    paths: gpd.GeoDataFrame,
    legs: gpd.GeoDataFrame,
    wells: gpd.GeoDataFrame | None,
    terrain: Terrain | None,
) -> pd.DataFrame:
    """Wells on record within `WELL_WITHIN_M` of a way, with both heights at its nearest place.

    Parameters
    ----------
    paths, legs
        The assessment's ``flow_paths`` and ``water_legs``.

    Returns
    -------
    ``well_id``; ``leg`` (row of ``legs``, -1 for a path) or ``discharge_point_id`` (of a path, else
    null); ``way_ground_m``: at the nearest place of the way, the ground itself under a way over the
    ground, else the lowest of the cells around, as mapped lines lie a little off their beds;
    ``well_ground_m``. Meters, NaN off the terrain. No rows without wells or terrain.
    """
    if wells is None or terrain is None or not len(wells):
        return _none()
    places = wells.geometry.to_numpy()
    over_ground = paths[paths.geometry.notna()]
    tables = []
    for ways, is_path in ((over_ground, True), (legs, False)):
        if not len(ways):  # without discharge points it has no columns either
            continue
        lines = ways.geometry.to_numpy()
        well, way = near_ways(places, lines)
        foot = shapely.line_interpolate_point(
            lines[way], shapely.line_locate_point(lines[way], places[well])
        )
        x, y = shapely.get_x(foot), shapely.get_y(foot)
        height = terrain.at("ground", x, y)
        if not is_path:
            mapped = (ways["layer"] != "ground").to_numpy()[way]
            height = np.where(mapped, lowest_around(terrain)(x, y), height)
        of = ways["discharge_point_id"].to_numpy(object)[way] if is_path else None
        tables.append(
            pd.DataFrame(
                {
                    "well_id": wells["well_id"].to_numpy(object)[well],
                    "leg": np.full(len(way), NOT_THERE) if is_path else way,
                    "discharge_point_id": of,
                    "way_ground_m": height,
                    "well_ground_m": terrain.at(
                        "ground", shapely.get_x(places[well]), shapely.get_y(places[well])
                    ),
                }
            )
        )
    if not any(map(len, tables)):
        return _none()
    found = pd.concat([t for t in tables if len(t)], ignore_index=True)
    order = ["leg", "discharge_point_id", "well_id"]
    found = found.drop_duplicates(order).sort_values(order, kind="stable", ignore_index=True)
    found["discharge_point_id"] = found["discharge_point_id"].astype(object)
    return found[WAY_WELLS.names]


def _none() -> pd.DataFrame:
    return WAY_WELLS.empty()
