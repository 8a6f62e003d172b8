"""What lies down the water: the nearest bathing place or intake that it reaches from an outlet."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from pyproj import CRS

from geo.receptors import nearest_feature
from geo.waters.network import Heights, build_network
from geo.waters.paths import DRAIN_WITHIN_M, ground_paths

if TYPE_CHECKING:
    from geo.terrain import Terrain

# Places that water on record can reach. A school stands on land.
REACHED_KINDS: Final = ("bathing", "intake", "unknown")  # an unknown one may be either
# A place this near a stream or water body is taken to lie on it. Common practice, no source.
PLACE_WITHIN_M: Final = 50.0
# A drain is turned round only when the ground over it rises by more than this: pipes lie about a
# meter deep and need not fall with the ground. Common practice, no source.
DRAIN_RISE_M: Final = 1.0
# Heights along lines are the lowest within so many cells, since lines miss their channels.
_LOWEST_WITHIN_CELLS: Final = 2


@dataclass(frozen=True)
class Downstream:
    """What lies down the water from each discharge point.

    Attributes
    ----------
    columns
        ``downstream_place`` (its id), ``downstream_place_kind`` and ``downstream_m`` (the whole
        length along the water from the discharge point), on the index of the paths; null where
        the mapped water reaches none.
    turned_streams
        Rows of the streams that rise in the direction in which they were drawn, and were
        followed the other way.
    """

    columns: pd.DataFrame
    turned_streams: NDArray[np.int64]


def places_downstream(
    discharge_points: gpd.GeoDataFrame,
    paths: gpd.GeoDataFrame,
    terrain: Terrain | None,
    features: Mapping[str, gpd.GeoDataFrame | None],
    *,
    line95_m: Mapping[str, float],
) -> Downstream:
    """Follow the water of each path on to the nearest bathing place or intake on record.

    Parameters
    ----------
    paths
        As `geo.waters.paths.outlet_paths` gives them for these discharge points.
    features
        ``streams``, ``water_bodies``, ``drains`` and ``protected_places`` by name.

    Notes
    -----
    What enters a drain runs along the lines of the drains to their outfall, and from there over
    the ground to a stream or water body, past other drains. Streams run as they are drawn; where
    the terrain says that one rises, the other way. A lake or wide river is crossed in a straight
    line, which is never longer than the water's way. Coastlines carry no flow. Where streams part,
    the nearest place by any branch counts. Where none is found none is known on the mapped water,
    which does not mean that there is none.
    """
    crs, n = paths.crs, len(paths)
    columns = pd.DataFrame(
        {
            "downstream_place": np.full(n, None, object),
            "downstream_place_kind": np.full(n, None, object),
            "downstream_m": np.full(n, np.nan),
        },
        index=paths.index,
    )
    no_rows = np.empty(0, np.int64)
    places = features.get("protected_places")
    if places is None or not (reached := places["place_kind"].isin(REACHED_KINDS)).any():
        return Downstream(columns, no_rows)
    places = places[reached]
    streams, waters = features.get("streams"), features.get("water_bodies")
    flowing = no_rows
    if streams is not None:
        flowing = np.flatnonzero((streams["stream_kind"] != "coastline").to_numpy(bool))
    heights_at = None if terrain is None else lowest_around(terrain)
    network = build_network(
        _shapes(streams)[flowing],
        crs,
        waters=_shapes(waters),
        marks=places.geometry.to_numpy(),
        marks_within_m=PLACE_WITHIN_M,
        heights_at=heights_at,
    )
    entry = _water_entries(discharge_points, paths, terrain, features, line95_m, heights_at)
    known = np.flatnonzero(~np.isnan(entry.gone_m))
    points = entry.points[known]
    reach = network.reach(network.marks)
    length, goal = network.from_lines(points, reach)
    across, far_goal = network.from_waters(points, reach)
    goal = np.where(across < length, far_goal, goal)
    length = np.minimum(across, length)
    found = np.isfinite(length)
    row, place = known[found], goal[found] - network.marks[0]
    columns.iloc[row, 0] = places["place_id"].to_numpy(object)[place]
    columns.iloc[row, 1] = places["place_kind"].to_numpy(object)[place]
    columns.iloc[row, 2] = entry.gone_m[row] + length[found]
    return Downstream(columns, flowing[np.unique(network.owner[network.is_turned])])


def lowest_around(terrain: Terrain) -> Heights:
    """Heights of the filled terrain at map coordinates, the lowest of the cells around each."""
    frame, reach = terrain.frame, _LOWEST_WITHIN_CELLS

    def heights_at(x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.float64]:
        row, col, inside = frame.cells_at(x, y)
        lowest = np.full(len(row), np.nan)
        for down in range(-reach, reach + 1):
            for right in range(-reach, reach + 1):
                near = frame.centers(row + down, col + right)
                lowest = np.fmin(lowest, terrain.at("filled", *near))
        return np.where(inside, lowest, np.nan)

    return heights_at


@dataclass(frozen=True)
class _Entries:
    """Where each path's water comes into a stream or water body, and its way until there.

    ``gone_m`` is NaN where it comes into none.
    """

    points: NDArray[np.object_]
    gone_m: NDArray[np.float64]


def _water_entries(
    discharge_points: gpd.GeoDataFrame,
    paths: gpd.GeoDataFrame,
    terrain: Terrain | None,
    features: Mapping[str, gpd.GeoDataFrame | None],
    line95_m: Mapping[str, float],
    heights_at: Heights | None,
) -> _Entries:
    lines, end = paths.geometry.to_numpy(), paths["path_end"].to_numpy(object)
    length = paths["path_length_m"].to_numpy(float)
    points: NDArray[np.object_] = np.full(len(paths), None, object)
    gone = np.full(len(paths), np.nan)
    wet = np.isin(end, ("stream", "water_body"))
    points[wet], gone[wet] = shapely.get_point(lines[wet], -1), length[wet]
    drains = features.get("drains")
    into = np.flatnonzero(end == "drain")
    if drains is None or not len(into):
        return _Entries(points, gone)

    mouth = discharge_points.geometry.to_numpy()[into]
    over_ground = ~shapely.is_missing(lines[into])
    mouth[over_ground] = shapely.get_point(lines[into[over_ground]], -1)
    outfall, piped_m = _outfalls(mouth, drains, paths.crs, heights_at)
    kept = np.flatnonzero(~np.isnan(piped_m))
    into, outfall, piped_m = into[kept], outfall[kept], piped_m[kept]
    entered, walked_m, _ = from_outfalls(outfall, terrain, features, line95_m, paths.crs)
    points[into], gone[into] = entered, length[into] + piped_m + walked_m
    return _Entries(points, gone)


def _outfalls(
    mouth: NDArray[np.object_], drains: gpd.GeoDataFrame, crs: CRS, heights_at: Heights | None
) -> tuple[NDArray[np.object_], NDArray[np.float64]]:
    """Where drains let out what enters them at some points, and how far that is.

    NaN where no drain is near or the lines run in a circle.
    """
    shapes = drains.geometry.to_numpy()
    near = nearest_feature(mouth, shapes, crs, within_m=DRAIN_WITHIN_M)
    at = np.flatnonzero(near.index >= 0)
    network = build_network(shapes, crs, heights_at=heights_at, rise_m=DRAIN_RISE_M)
    reach = network.reach(network.outfalls)
    length, node = network.from_lines(shapely.get_point(near.line[at], -1), reach)
    runs_out = np.isfinite(length)
    at, length, node = at[runs_out], length[runs_out], node[runs_out]
    outfall: NDArray[np.object_] = np.full(len(mouth), None, object)
    whole = np.full(len(mouth), np.nan)
    outfall[at] = shapely.points(network.xy[node])
    whole[at] = near.distance_m[at] + length
    return outfall, whole


def from_outfalls(
    outfall: NDArray[np.object_],
    terrain: Terrain | None,
    features: Mapping[str, gpd.GeoDataFrame | None],
    line95_m: Mapping[str, float],
    crs: CRS,
) -> tuple[NDArray[np.object_], NDArray[np.float64], NDArray[np.object_]]:
    """Where the water of outfalls meets a stream or water body, how far that is, and the line.

    An outfall within the accuracy of one lies at it; from others the water runs over the ground.
    """
    water = {
        name: layer
        for name in ("streams", "water_bodies")
        if (layer := features.get(name)) is not None
    }
    paths = ground_paths(outfall, terrain, water, line95_m, crs)
    reached: NDArray[np.object_] = np.full(len(outfall), None, object)
    lines = paths.geometry.to_numpy().copy()
    way = np.where(paths["path_end"] == "edge", np.nan, paths["path_length_m"].to_numpy(float))
    known = ~np.isnan(way)
    reached[known] = shapely.get_point(paths.geometry.to_numpy()[known], -1)
    for name, layer in water.items():
        near = nearest_feature(outfall, layer.geometry.to_numpy(), crs, within_m=line95_m[name])
        closer = (near.index >= 0) & ~(near.distance_m > way)
        reached[closer] = shapely.get_point(near.line[closer], -1)
        way[closer] = near.distance_m[closer]
        lines[closer] = near.line[closer]
    return reached, way, lines


def _shapes(layer: gpd.GeoDataFrame | None) -> NDArray[np.object_]:
    return np.empty(0, object) if layer is None else layer.geometry.to_numpy()
