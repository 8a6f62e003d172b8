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

from layers.crs import bearing_deg, ground_length_m

# A rule looks no farther for a feature on record: no published setback reaches so far.
SEARCH_M: Final = 1_000.0
PIECE: Final = 16  # segments in a piece of a long line
LINES: Final = (1, 2, 5)  # shapely's type ids: line, ring, several lines
AREAS: Final = (3, 6)  # area, several areas


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
    usable = np.flatnonzero(~(shapely.is_missing(points) | shapely.is_empty(points)))
    pieces = pieces_of(features)
    at, piece = shapely.STRtree(pieces.shapes).query_nearest(
        points[usable], max_distance=None if np.isinf(within_m) else within_m, all_matches=True
    )
    near = pd.DataFrame({"point": usable[at], "owner": pieces.owner[piece], "piece": piece})
    near = near.sort_values(["point", "owner", "piece"], kind="stable")
    first = near.drop_duplicates("point").set_index("point")
    owners = near.drop_duplicates(["point", "owner"]).groupby("point").size()
    row = first.index.to_numpy()

    index = np.full(n, -1, np.int64)
    index[row] = first["owner"]
    tied = np.zeros(n, np.int64)
    tied[row] = owners - 1
    lines: NDArray[np.object_] = np.full(n, None, object)
    lines[row] = shapely.shortest_line(points[row], pieces.shapes[first["piece"]])
    distance, inside, bearing = np.full(n, np.nan), np.full(n, np.nan), np.full(n, np.nan)
    distance[row], bearing[row] = _measure(lines[row], crs)
    inside[row] = 0.0

    areas = np.flatnonzero(np.isin(shapely.get_type_id(features), AREAS))
    if len(areas):
        # the polygon is the one prepared, so that a vast floodplain is searched once
        area, at = shapely.STRtree(points[usable]).query(features[areas], predicate="intersects")
        held = pd.DataFrame({"point": usable[at], "owner": areas[area]})
        held = held.sort_values(["owner", "point"])
        first = held.drop_duplicates("point").set_index("point")["owner"]
        within = first.index.to_numpy()
        index[within], tied[within] = first, 0
        inside[within] = _depth_inside(points[within], first.to_numpy(), pieces, crs)
        distance[within], bearing[within] = 0.0, np.nan
        lines[within] = shapely.shortest_line(points[within], points[within])
    return Nearest(index, distance, inside, bearing, tied, lines)


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
    x1, y1, x2, y2 = shapely.get_coordinates(line).reshape(-1, 4).T
    rise = ground_at(x2, y2) - ground_at(x1, y1)
    keep = np.isnan(rise) | (rise >= 0 if upslope else rise <= 0)
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
    distance[row], bearing[row] = _measure(lines[row], crs)
    inside[row] = 0.0
    return Nearest(index, distance, inside, bearing, tied, lines)


def _depth_inside(
    points: NDArray[np.object_], area: NDArray[np.int64], pieces: Pieces, crs: CRS
) -> NDArray[np.float64]:
    """How far each point lies from the rim of the area that holds it; ``area`` is ascending."""
    lines: NDArray[np.object_] = np.full(len(points), None, object)
    for rim, mine in pd.Series(area).groupby(area).groups.items():
        begin, end = np.searchsorted(pieces.owner, [rim, rim + 1])
        own = pieces.shapes[begin:end]
        at = np.asarray(mine)
        lines[at] = shapely.shortest_line(points[at], own[shapely.STRtree(own).nearest(points[at])])
    return _measure(lines, crs)[0]


@dataclass(frozen=True)
class Pieces:
    """Features cut small: the pieces, and ascending the position of the feature of each."""

    shapes: NDArray[np.object_]
    owner: NDArray[np.int64]


def pieces_of(features: NDArray[np.object_]) -> Pieces:
    """Features as points and short lines, the outlines of areas among them.

    A tree of short pieces finds the nearest by looking at a few segments, whatever the size of
    the feature; the nearest distance is the same.
    """
    parts, owner = shapely.get_parts(features, return_index=True)
    is_area = np.isin(shapely.get_type_id(parts), AREAS)
    rings, ring_of = shapely.get_rings(parts[is_area], return_index=True)
    is_line = np.isin(shapely.get_type_id(parts), LINES)
    lines = np.concatenate([parts[is_line], rings])
    line_owner = np.concatenate([owner[is_line], owner[is_area][ring_of]])
    short, line = _short_lines(lines)
    other = ~(is_area | is_line)
    shapes = np.concatenate([parts[other], short])
    owners = np.concatenate([owner[other], line_owner[line]]).astype(np.int64)
    order = np.argsort(owners, kind="stable")
    return Pieces(shapes[order], owners[order])


def _short_lines(lines: NDArray[np.object_]) -> tuple[NDArray[np.object_], NDArray[np.int64]]:
    """Lines cut into runs of at most `PIECE` segments, and the line each run came from."""
    xy, line = shapely.get_coordinates(lines, return_index=True)
    vertices = np.bincount(line, minlength=len(lines))
    runs = np.maximum(-(-(vertices - 1) // PIECE), 0)
    of_line = np.repeat(np.arange(len(lines)), runs)
    first_run = np.cumsum(runs) - runs
    step = (np.arange(len(of_line)) - first_run[of_line]) * PIECE
    begin = (np.cumsum(vertices) - vertices)[of_line] + step
    size = np.minimum(PIECE, vertices[of_line] - 1 - step) + 1
    run = np.repeat(np.arange(len(of_line)), size)
    within = np.arange(len(run)) - (np.cumsum(size) - size)[run]
    return shapely.linestrings(xy[begin[run] + within], indices=run), of_line


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
