"""What is measured of the discharge points units are linked to, and where their water goes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from geo.ponds.ponding import ground_columns
from geo.receptors import flood_columns
from geo.terrain import Terrain
from geo.waters.downstream import places_downstream
from geo.waters.paths import flood_areas_crossed, outlet_paths, parcels_crossed, wells_downhill
from geo.waters.waterways import Waterways, find_waterways, no_waterways
from layers.county import County
from layers.crs import bearing_deg, ground_length_m
from layers.fields.schemas import SCHEMAS
from layers.measures import IN_M
from layers.outputs import FLOW_PATHS
from layers.problems import ProblemLog


@dataclass(frozen=True)
class MeasuredOutlets:
    """What the linked discharge points add to the units, and their paths as a layer.

    ``ways`` are the mapped water that the paths come into. ``points`` and ``accuracy95_m`` have
    one entry per unit, None and NaN where no discharge point
    is known.
    """

    columns: pd.DataFrame
    points: np.ndarray
    accuracy95_m: np.ndarray
    paths: gpd.GeoDataFrame
    ways: Waterways


def measure_outlets(
    county: County,
    units: gpd.GeoDataFrame,
    terrain: Terrain | None,
    features: Mapping[str, gpd.GeoDataFrame | None],
    line95_m: Mapping[str, float],
    log: ProblemLog,
) -> MeasuredOutlets:
    """Everything measured at the discharge points, brought to the units they are linked to."""
    lids = units.geometry.to_numpy()
    discharge_points = county.layer("discharge_points")
    if discharge_points is None:
        empty = FLOW_PATHS.empty_layer(county.crs)
        nowhere = np.full(len(units), None, object)
        columns = pd.DataFrame(index=units.index)
        unknown = np.full(len(units), np.nan)
        return MeasuredOutlets(columns, nowhere, unknown, empty, no_waterways(county.crs))
    known = pd.Index(discharge_points["discharge_point_id"])
    at = known.get_indexer(county.links["discharge_point_id"])
    linked = at >= 0

    paths = _ways_of_water(county, discharge_points, terrain, features, line95_m, log)
    per_point = _at_points(county, discharge_points, paths, terrain, features, log)
    columns = per_point.iloc[at].set_axis(units.index).where(pd.Series(linked, units.index), None)
    points: NDArray[np.object_] = np.full(len(units), None, object)
    points[linked] = discharge_points.geometry.to_numpy()[at[linked]]
    pair = np.full((len(units), 4), np.nan)
    pair[:, :2] = shapely.get_coordinates(lids)
    pair[linked, 2:] = shapely.get_coordinates(points[linked])
    x1, y1, x2, y2 = pair.T
    columns["pipe_length_m"] = ground_length_m(x1, y1, x2, y2, county.crs)
    columns["pipe_bearing_deg"] = bearing_deg(x1, y1, x2, y2, county.crs)

    lines = _one_per_unit(discharge_points, paths, units, at)
    homes = np.where(
        lines["unit_row"] >= 0,
        lids[lines["unit_row"]],
        discharge_points.geometry.to_numpy()[lines["point_row"]],
    )
    lines = lines.join(
        [
            parcels_crossed(lines, homes, features.get("parcels")),
            flood_areas_crossed(lines, features.get("floodplain")),
        ]
    )
    of_units = lines[lines["unit_row"] >= 0]
    columns["parcels_crossed"] = pd.Series(
        of_units["parcels_crossed"].to_numpy(), units.index[of_units["unit_row"]]
    )
    mouths = discharge_points.geometry.to_numpy()[lines["point_row"]]
    ways = find_waterways(lines, mouths, terrain, features, line95_m=line95_m)
    lines = lines.drop(columns=["unit_row", "point_row"]).rename(
        columns={"path_length_m": "length_m", "path_drop_m": "drop_m"}
    )
    accuracy = np.where(linked, discharge_points["accuracy95_m"].to_numpy(float)[at], np.nan)
    paths = lines[lines.geometry.notna()].reset_index(drop=True)
    return MeasuredOutlets(columns, points, accuracy, paths, ways)


def _at_points(
    county: County,
    discharge_points: gpd.GeoDataFrame,
    paths: gpd.GeoDataFrame,
    terrain: Terrain | None,
    features: Mapping[str, gpd.GeoDataFrame | None],
    log: ProblemLog,
) -> pd.DataFrame:
    """What is measured at each discharge point itself: its path, ponding, height, flood zone."""
    places = discharge_points.geometry.to_numpy()
    ground = ground_columns(places, terrain, index=discharge_points.index)
    if terrain is not None:
        log_off_terrain("discharge_points", discharge_points, ground["ground_m"], log)
    invert = discharge_points["invert_height_m"].to_numpy(float)
    found = pd.DataFrame(paths.drop(columns=["wells_downhill_ids", "geometry"]))
    found["outlet_pond_depth_brim_m"] = ground["pond_depth_brim_m"]
    found["outlet_m"] = np.where(np.isnan(invert), ground["ground_m"], invert)
    flood = flood_columns(
        places,
        found["outlet_m"].to_numpy(float),
        features.get("floodplain"),
        county.crs,
        index=discharge_points.index,
    )
    for name in ("flood_zone", "flood_hazard", "flood_depth_m"):
        found[f"outlet_{name}"] = flood[name]
    return found


def _ways_of_water(
    county: County,
    discharge_points: gpd.GeoDataFrame,
    terrain: Terrain | None,
    features: Mapping[str, gpd.GeoDataFrame | None],
    line95_m: Mapping[str, float],
    log: ProblemLog,
) -> gpd.GeoDataFrame:
    """The path of each discharge point, the wells along it and what lies down the water."""
    rain_in = county.file.storms.depths_in.get(2) if county.file.storms else None
    rain_m = None if rain_in is None else rain_in * IN_M
    paths = outlet_paths(discharge_points, terrain, features, line95_m=line95_m, rain_2yr_m=rain_m)
    wells = wells_downhill(paths, discharge_points, features.get("wells"), terrain)
    down = places_downstream(discharge_points, paths, terrain, features, line95_m=line95_m)
    streams = features.get("streams")
    if streams is not None:
        for row in streams.iloc[down.turned_streams].to_dict("records"):
            log.add(
                "streams",
                "drawn_uphill",
                "the ground rises along its mapped direction",
                action="corrected",
                row=int(row["source_row"]),
                feature_id=row["stream_id"],
            )
    return paths.join([wells, down.columns])


def _one_per_unit(
    discharge_points: gpd.GeoDataFrame,
    paths: gpd.GeoDataFrame,
    units: gpd.GeoDataFrame,
    at: np.ndarray,
) -> gpd.GeoDataFrame:
    """A path for each unit that has one, then those of discharge points nobody answers for."""
    of_unit = np.flatnonzero(at >= 0)
    orphan = np.setdiff1d(np.arange(len(discharge_points)), at)
    point_row = np.concatenate([at[of_unit], orphan])
    unit_row = np.concatenate([of_unit, np.full(len(orphan), -1)])
    lines = paths.iloc[point_row].reset_index(drop=True)
    ids = units["unit_id"].to_numpy(object)
    lines.insert(0, "unit_id", np.where(unit_row >= 0, ids[unit_row], None))
    lines.insert(
        1, "discharge_point_id", discharge_points["discharge_point_id"].to_numpy()[point_row]
    )
    lines["unit_row"], lines["point_row"] = unit_row, point_row
    return lines


def log_off_terrain(
    layer: str, rows: gpd.GeoDataFrame, ground_m: pd.Series, log: ProblemLog
) -> None:
    """A problem for each row whose place the terrain does not cover."""
    for row in rows[ground_m.isna()].to_dict("records"):
        log.add(
            layer,
            "terrain_off",
            "the terrain has no data at its position",
            action="kept",
            row=int(row["source_row"]),
            feature_id=row[SCHEMAS[layer].id],
        )
