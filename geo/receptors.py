"""What could be harmed: the nearest well, stream, water body or place; the flood zone."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from pyproj import CRS

from geo.kernels.nearest import bucket_segments, nearest_segments
from layers.crs import length_and_bearing

# A rule looks no farther for a feature on record: no published setback reaches so far.
SEARCH_M: Final = 1_000.0
BUCKETS_A_SIDE: Final = 4_096
AREAS: Final = (3, 6)  # shapely's type ids of areas


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
    xy = _coordinates_of(points)
    segments = segments_of(features)
    index, foot, tied = _nearest(xy, segments, within_m)
    inside = np.where(index >= 0, 0.0, np.nan)
    areas = np.flatnonzero(np.isin(shapely.get_type_id(features), AREAS))
    if len(areas):
        # the polygon is the one prepared, so that a vast floodplain is searched once
        usable = np.flatnonzero(~np.isnan(xy[:, 0]))
        area, at = shapely.STRtree(points[usable]).query(features[areas], predicate="intersects")
        held = pd.DataFrame({"point": usable[at], "owner": areas[area]})
        held = held.sort_values(["point", "owner"]).drop_duplicates("point")
        within, rim = held["point"].to_numpy(), held["owner"].to_numpy()
        _, to_rim, _ = _nearest(xy[within], segments, np.inf, only=rim)
        index[within], tied[within], foot[within] = rim, 0, xy[within]
        inside[within] = _measure(xy[within], to_rim, crs)[0]
    distance, bearing = _measure(xy, foot, crs)
    return Nearest(index, distance, inside, bearing, tied, _lines(xy, foot))


def _coordinates_of(points: NDArray[np.object_]) -> NDArray[np.float64]:
    """Coordinates of points, shape (n, 2); NaN where one is missing or empty."""
    there = ~(shapely.is_missing(points) | shapely.is_empty(points))
    xy = np.full((len(points), 2), np.nan)
    xy[there] = shapely.get_coordinates(points[there])
    return xy


def _lines(xy: NDArray[np.float64], foot: NDArray[np.float64]) -> NDArray[np.object_]:
    """Lines between two sets of places, None where one is not known."""
    lines: NDArray[np.object_] = np.full(len(xy), None, object)
    known = np.flatnonzero(~np.isnan(foot[:, 0]))
    lines[known] = shapely.linestrings(np.stack([xy[known], foot[known]], axis=1))
    return lines


@dataclass(frozen=True)
class Segments:
    """Features as segments in the plane.

    Attributes
    ----------
    ends
        Shape (n, 4): x1, y1, x2, y2; a point has both ends in one place.
    owner
        The position of the feature each segment belongs to.
    """

    ends: NDArray[np.float64]
    owner: NDArray[np.int64]


def segments_of(features: NDArray[np.object_]) -> Segments:
    """Features as segments, the outlines of areas among them."""
    parts, owner = shapely.get_parts(features, return_index=True)
    is_area = np.isin(shapely.get_type_id(parts), AREAS)
    rings, ring_of = shapely.get_rings(parts[is_area], return_index=True)
    lines = np.concatenate([parts[~is_area], rings])
    line_owner = np.concatenate([owner[~is_area], owner[is_area][ring_of]])
    xy, line = shapely.get_coordinates(lines, return_index=True)
    goes_on = np.flatnonzero(line[1:] == line[:-1])
    alone = np.flatnonzero(np.bincount(line, minlength=len(lines))[line] == 1)
    begin, end = np.concatenate([goes_on, alone]), np.concatenate([goes_on + 1, alone])
    return Segments(np.hstack([xy[begin], xy[end]]), line_owner[line[begin]].astype(np.int64))


def _nearest(
    xy: NDArray[np.float64],
    segments: Segments,
    within_m: float,
    only: NDArray[np.int64] | None = None,
) -> tuple[NDArray[np.int64], NDArray[np.float64], NDArray[np.int64]]:
    """Owner of the nearest segment, the nearest place on it, and how many others are as near."""
    ends, n = segments.ends, len(segments.ends)
    if n == 0:
        nothing = np.full(len(xy), -1, np.int64)
        return nothing, np.full((len(xy), 2), np.nan), np.zeros(len(xy), np.int64)
    west, south = min(ends[:, 0].min(), ends[:, 2].min()), min(ends[:, 1].min(), ends[:, 3].min())
    wide = max(ends[:, 0].max(), ends[:, 2].max()) - west
    high = max(ends[:, 1].max(), ends[:, 3].max()) - south
    # about two segments to a bucket, and no more buckets than segments call for
    side = max(np.sqrt(2 * wide * high / n), max(wide, high) / BUCKETS_A_SIDE, 1.0)
    columns, rows = int(wide / side) + 1, int(high / side) + 1
    first, item = bucket_segments(ends, west, south, side, columns, rows)
    limit = within_m if only is None else np.inf
    return nearest_segments(
        xy,
        np.empty(0, np.int64) if only is None else only.astype(np.int64),
        ends,
        segments.owner,
        first,
        item,
        west,
        south,
        side,
        columns,
        rows,
        limit,
    )


def nearest_on_side(
    points: NDArray[np.object_],
    features: NDArray[np.object_],
    crs: CRS,
    ground_at: Callable[[NDArray[np.float64], NDArray[np.float64]], NDArray[np.float64]],
    *,
    upslope: bool,
    within_m: float = SEARCH_M,
) -> Nearest:
    """The nearest feature that lies higher (or lower) than each point.

    A feature lies upslope of a point when the ground at the feature's nearest place is higher
    than at the point, downslope when it is lower; level counts as both, and so does ground that
    is not known, which is the more protective reading.

    Parameters
    ----------
    ground_at
        Ground heights at map coordinates x, y; NaN where unknown.
    """
    n = len(points)
    usable = np.flatnonzero(~(shapely.is_missing(points) | shapely.is_empty(points)))
    at, feature = shapely.STRtree(features).query(
        points[usable], predicate="dwithin", distance=within_m
    )
    point = usable[at]
    line = shapely.shortest_line(points[point], features[feature])
    keep = on_side(line, ground_at, upslope=upslope)
    pairs = pd.DataFrame(
        {"point": point, "feature": feature, "plane_m": shapely.length(line), "line": line}
    )[keep].sort_values(["point", "plane_m", "feature"], kind="stable")
    nearest_m = pairs.groupby("point")["plane_m"].transform("min")
    ties = pairs[pairs["plane_m"] == nearest_m].groupby("point").size()
    first = pairs.drop_duplicates("point").set_index("point")
    row = first.index.to_numpy()
    index, tied = np.full(n, -1, np.int64), np.zeros(n, np.int64)
    lines: NDArray[np.object_] = np.full(n, None, object)
    distance, inside, bearing = np.full(n, np.nan), np.full(n, np.nan), np.full(n, np.nan)
    index[row], tied[row], lines[row] = first["feature"], ties - 1, first["line"]
    ends = shapely.get_coordinates(lines[row]).reshape(-1, 2, 2)
    distance[row], bearing[row] = _measure(ends[:, 0], ends[:, 1], crs)
    inside[row] = 0.0
    return Nearest(index, distance, inside, bearing, tied, lines)


def water_areas(lines: NDArray[np.object_]) -> NDArray[np.object_]:
    """Streams that are drawn as outlines as the areas they enclose; others as they are."""
    closed = np.flatnonzero(shapely.is_closed(lines) & ~shapely.is_empty(lines))
    if not len(closed):
        return lines
    areas = [shapely.build_area(shapely.GeometryCollection(list(shapely.get_parts(line))))
             for line in lines[closed]]  # fmt: skip
    out = lines.copy()
    for position, area in zip(closed, areas, strict=True):
        if not shapely.is_empty(area):
            out[position] = area
    return out


def on_side(
    lines: NDArray[np.object_],
    ground_at: Callable[[NDArray[np.float64], NDArray[np.float64]], NDArray[np.float64]],
    *,
    upslope: bool,
) -> NDArray[np.bool_]:
    """Whether each line leads up (or down) from its place; level and unknown ground count."""
    x1, y1, x2, y2 = shapely.get_coordinates(lines).reshape(-1, 4).T
    rise = ground_at(x2, y2) - ground_at(x1, y1)
    return np.asarray(np.isnan(rise) | (rise >= 0 if upslope else rise <= 0))


def measured_lines(lines: NDArray[np.object_], crs: CRS) -> NDArray[np.float64]:
    """Ellipsoidal lengths of straight lines between two points."""
    ends = shapely.get_coordinates(lines).reshape(-1, 2, 2)
    return _measure(ends[:, 0], ends[:, 1], crs)[0]


def _measure(
    xy: NDArray[np.float64], foot: NDArray[np.float64], crs: CRS
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Ellipsoidal lengths and true bearings from places to places; no bearing at length 0."""
    return length_and_bearing(xy[:, 0], xy[:, 1], foot[:, 0], foot[:, 1], crs)


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
    """``flood_zone, flood_hazard, flood_distance_m, flood_inside_m, flood_depth_m`` of points.

    Parameters
    ----------
    points
        A missing or empty one is unknown.
    ground_m
        Ground height at each point, in the datum of the base flood elevations; NaN where unknown.
    floodplain
        Zones with ``zone``, ``hazard_class``, ``is_sfha``, ``base_flood_elevation_m`` and
        ``flood_depth_ao_m``; None when there is none.

    The zone and its class of hazard are those of the gravest polygon the point lies in: a special
    flood hazard area, then one of undetermined hazard, which is not low. The distance is to the
    nearest special flood hazard area, 0 inside, or to a nearer one of undetermined hazard, which
    may be one; inside the latter it is not known. ``flood_inside_m`` is that to the rim of the
    special one, 0 outside. The depth inside such an area is the base flood elevation less the
    ground where both are known, else the zone's own depth of sheet flow, the largest where several
    overlap. An area of minimal hazard is not a floodplain: it gives a zone and no depth.
    """
    names = ["flood_zone", "flood_hazard", "flood_distance_m", "flood_inside_m", "flood_depth_m"]
    if floodplain is None:
        out = pd.DataFrame(np.nan, index=index, columns=names)
        return out.astype({"flood_zone": object, "flood_hazard": object})
    is_sfha = floodplain["is_sfha"].to_numpy(bool)
    shapes = floodplain.geometry.to_numpy()
    hazard = floodplain["hazard_class"].to_numpy(object)
    near = nearest_feature(points, shapes[is_sfha], crs, within_m=np.inf)
    may_be = nearest_feature(points, shapes[hazard == "undetermined"], crs, within_m=np.inf)
    distance = np.fmin(near.distance_m, may_be.distance_m)
    distance[(may_be.distance_m == 0) & ~(near.distance_m == 0)] = np.nan
    # the zones are the ones prepared, so that a vast one is searched once
    zone, at = shapely.STRtree(points).query(shapes, predicate="intersects")
    rise = floodplain["base_flood_elevation_m"].to_numpy(float)[zone] - ground_m[at]
    sheet = floodplain["flood_depth_ao_m"].to_numpy(float)[zone]
    hits = pd.DataFrame(
        {
            "at": at,
            "zone": zone,
            "gravity": np.select([is_sfha[zone], hazard[zone] == "undetermined"], [0, 1], 2),
            "depth_m": np.where(np.isnan(rise), sheet, np.maximum(rise, 0.0)),
        }
    )
    deepest = hits[hits["gravity"] == 0].groupby("at")["depth_m"].max()
    best = hits.sort_values(["at", "gravity", "zone"]).drop_duplicates("at")
    row, poly = best["at"].to_numpy(), best["zone"].to_numpy()

    def here(column: str) -> NDArray[np.object_]:
        values: NDArray[np.object_] = np.full(len(points), None, object)
        values[row] = floodplain[column].to_numpy(object)[poly]
        return values

    depth = deepest.reindex(np.arange(len(points))).to_numpy(float)
    values = (here("zone"), here("hazard_class"), distance, near.inside_m, depth)
    return pd.DataFrame(dict(zip(names, values, strict=True)), index=index)
