"""What could be harmed: the nearest well, stream, water body or place; the flood zone."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from pyproj import CRS

from layers.crs import bearing_deg, ground_length_m

FeatureKind = Literal["point", "line", "area"]

# A rule looks no farther for a feature on record: no published setback reaches so far.
SEARCH_M: Final = 1_000.0


@dataclass(frozen=True)
class Nearest:
    """The nearest feature of each point, arrays of one length.

    Attributes
    ----------
    index
        Position of the feature among those given, -1 where none lies within the search.
    distance_m
        Ellipsoidal length between the nearest points; 0 inside an area; NaN where none.
    inside_m
        How deep inside an area the point lies, 0 outside; NaN where none.
    bearing_deg
        True bearing from the point to the feature; NaN where none or inside.
    tied
        How many other features are just as near.
    line
        From the point to the nearest point of the feature; None where none.
    """

    index: NDArray[np.int64]
    distance_m: NDArray[np.float64]
    inside_m: NDArray[np.float64]
    bearing_deg: NDArray[np.float64]
    tied: NDArray[np.int64]
    line: NDArray[np.object_]

    @property
    def signed_m(self) -> NDArray[np.float64]:
        """The distance, negative inside an area."""
        return self.distance_m - self.inside_m


def nearest_feature(
    points: NDArray[np.object_],
    features: NDArray[np.object_],
    crs: CRS,
    *,
    within_m: float = SEARCH_M,
) -> Nearest:
    """The nearest of ``features`` to each of ``points``, both shapely geometries in ``crs``.

    The nearest is chosen in the plane of the working system and measured on its ellipsoid
    (geodesic between the two nearest points); of features equally near the first is taken.
    A missing or empty point has no nearest.
    """
    n = len(points)
    index = np.full(n, -1, np.int64)
    tied = np.zeros(n, np.int64)
    lines = np.full(n, None, object)
    distance = np.full(n, np.nan)
    inside = np.full(n, np.nan)
    bearing = np.full(n, np.nan)
    usable = ~(shapely.is_missing(points) | shapely.is_empty(points))
    if len(features) and usable.any():
        at = np.flatnonzero(usable)
        pair = shapely.STRtree(features).query_nearest(
            points[usable], max_distance=within_m, all_matches=True
        )
        found = pd.DataFrame({"point": at[pair[0]], "feature": pair[1]})
        first = found.groupby("point")["feature"].agg(["min", "size"])
        row = first.index.to_numpy()
        index[row] = first["min"].to_numpy()
        tied[row] = first["size"].to_numpy() - 1
        chosen = features[index[row]]
        lines[row] = shapely.shortest_line(points[row], chosen)
        distance[row], bearing[row] = _measure(lines[row], crs)
        inside[row] = 0.0
        within = row[(distance[row] == 0) & np.isin(shapely.get_type_id(chosen), (3, 6))]
        if len(within):
            to_rim = shapely.shortest_line(
                points[within], shapely.boundary(features[index[within]])
            )
            inside[within], _ = _measure(to_rim, crs)
    return Nearest(index, distance, inside, bearing, tied, lines)


def _measure(
    lines: NDArray[np.object_], crs: CRS
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Ellipsoidal length and true bearing of two-point lines; no bearing where the length is 0."""
    x1, y1, x2, y2 = shapely.get_coordinates(lines).reshape(-1, 4).T
    return ground_length_m(x1, y1, x2, y2, crs), bearing_deg(x1, y1, x2, y2, crs)


def nearest_columns(
    points: NDArray[np.object_],
    layer: gpd.GeoDataFrame | None,
    id_column: str,
    crs: CRS,
    *,
    prefix: str,
    index: pd.Index,
) -> pd.DataFrame:
    """``{prefix}_id``, ``{prefix}_distance_m``, ``{prefix}_bearing_deg`` of the nearest feature.

    One row per point on ``index``, however far; without the layer all are null.
    """
    names = [f"{prefix}_id", f"{prefix}_distance_m", f"{prefix}_bearing_deg"]
    if layer is None:
        frame = pd.DataFrame(index=index, columns=names, dtype=float)
        return frame.astype({names[0]: object})
    near = nearest_feature(points, layer.geometry.to_numpy(), crs, within_m=np.inf)
    ids = layer[id_column].to_numpy(dtype=object)
    found = near.index >= 0
    return pd.DataFrame(
        {
            names[0]: np.where(found, ids[near.index], None),
            names[1]: near.distance_m,
            names[2]: near.bearing_deg,
        },
        index=index,
    )


def flood_columns(
    points: NDArray[np.object_],
    ground_m: NDArray[np.float64],
    floodplain: gpd.GeoDataFrame | None,
    crs: CRS,
    *,
    index: pd.Index,
) -> pd.DataFrame:
    """``flood_zone``, ``flood_distance_m``, ``flood_depth_m`` of each point.

    Parameters
    ----------
    ground_m
        Ground height at each point, NaN where unknown.
    floodplain
        Zones with ``zone``, ``is_sfha`` and ``base_flood_elevation_m``; None when there is none.

    The zone is that of the polygon the point lies in, a special flood hazard area before any
    other; the distance is to the nearest special flood hazard area, 0 inside; the depth is the
    base flood elevation less the ground where both are known inside such an area. An area of
    minimal hazard is not a floodplain: it gives a zone and no depth.
    """
    empty = pd.DataFrame(
        {"flood_zone": None, "flood_distance_m": np.nan, "flood_depth_m": np.nan}, index=index
    )
    if floodplain is None:
        return empty
    hazard = floodplain[floodplain["is_sfha"].astype(bool)]
    near = nearest_feature(points, hazard.geometry.to_numpy(), crs, within_m=np.inf)
    at, zone = shapely.STRtree(floodplain.geometry.to_numpy()).query(points, predicate="intersects")
    hits = pd.DataFrame({"at": at, "zone": zone})
    hits["sfha"] = floodplain["is_sfha"].to_numpy(bool)[zone]
    best = hits.sort_values(["at", "sfha", "zone"], ascending=[True, False, True]).drop_duplicates(
        "at"
    )
    row, poly = best["at"].to_numpy(), best["zone"].to_numpy()
    zones = np.full(len(points), None, object)
    zones[row] = floodplain["zone"].to_numpy(object)[poly]
    level = np.full(len(points), np.nan)
    level[row] = floodplain["base_flood_elevation_m"].to_numpy(float)[poly]
    in_hazard = np.zeros(len(points), bool)
    in_hazard[row] = best["sfha"].to_numpy()
    depth = np.where(in_hazard, np.maximum(level - ground_m, 0.0), np.nan)
    return pd.DataFrame(
        {"flood_zone": zones, "flood_distance_m": near.distance_m, "flood_depth_m": depth},
        index=index,
    )
