"""The way surface water runs from each discharge point until it meets water, a drain, the edge."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from pyproj import CRS

from geo.receptors import nearest_feature
from geo.terrain import flow_paths
from layers.crs import ground_length_m
from layers.raster import burn
from layers.schemas import PIPED_OUTLETS, SCHEMAS

if TYPE_CHECKING:
    from geo.terrain import TerrainModel

# What ends a path, in the order in which a cell that holds several is read.
ENDS: Final = {"streams": "stream", "water_bodies": "water_body", "drains": "drain"}
# A piped outlet is taken to enter a drain on record within this distance.
DRAIN_WITHIN_M: Final = 50.0


def outlet_paths(
    discharge_points: gpd.GeoDataFrame,
    terrain: TerrainModel | None,
    features: Mapping[str, gpd.GeoDataFrame | None],
    *,
    line95_m: Mapping[str, float],
) -> gpd.GeoDataFrame:
    """One path per discharge point, on its index.

    Parameters
    ----------
    discharge_points
        ``outlet_kind`` and points in the working system.
    terrain
        None where there is none: paths over the ground are then null.
    features
        ``streams``, ``water_bodies`` and ``drains`` by name, None where missing.
    line95_m
        Accuracy of the lines of each layer at 95 %.

    Returns
    -------
    ``path_end`` (stream, water_body, drain, edge; null off the terrain and for outlets into
    soil), ``path_end_id``, ``path_length_m`` (along the ground, ellipsoidal), ``path_drop_m``,
    and the line from the discharge point to where it ends.

    Notes
    -----
    Steepest descent over the terrain with its hollows filled, so the water passes through hollows
    to their spill. Mapped lines and the terrain's valleys seldom agree to the cell: a path that
    leaves the terrain without touching a mapped stream, lake or drain is ended where it first
    came within the accuracy of one. An outlet into a storm sewer, field tile or shared collector
    ends in the drain at once.
    """
    crs = discharge_points.crs
    n = len(discharge_points)
    points = discharge_points.geometry.to_numpy()
    kind = discharge_points["outlet_kind"].to_numpy(object)
    end: NDArray[np.object_] = np.full(n, None, object)
    end_id: NDArray[np.object_] = np.full(n, None, object)
    line: NDArray[np.object_] = np.full(n, None, object)
    length, drop = np.full(n, np.nan), np.full(n, np.nan)

    piped = np.isin(kind, PIPED_OUTLETS)
    end[piped], length[piped], drop[piped] = "drain", 0.0, 0.0
    drains = features.get("drains")
    if drains is not None and piped.any():
        near = nearest_feature(
            points[piped], drains.geometry.to_numpy(), crs, within_m=DRAIN_WITHIN_M
        )
        ids = drains["drain_id"].to_numpy(object)
        end_id[piped] = np.where(near.index >= 0, ids[near.index], None)

    if terrain is not None:
        row, col, inside = terrain.ground.cells_at(shapely.get_x(points), shapely.get_y(points))
        at = np.flatnonzero(inside & ~piped & (kind != "soil"))
        known = ~np.isnan(terrain.opened.values[row[at], col[at]])
        at = at[known]
        stops = {
            name: _touched(layer, terrain)
            for name in ENDS
            if (layer := features.get(name)) is not None
        }
        stop = np.zeros(terrain.ground.shape, bool)
        for mask in stops.values():
            stop |= mask
        traced = flow_paths(terrain.direction.values, np.column_stack([row[at], col[at]]), stop)
        for k, cells in zip(at, traced, strict=True):
            met = next((name for name, mask in stops.items() if mask[tuple(cells[-1])]), None)
            xy = np.column_stack(terrain.ground.centres(cells[:, 0], cells[:, 1]))
            xy[0] = points[k].x, points[k].y
            if met is None:
                met, cut = _first_within(xy, features, line95_m)
                xy, cells = xy[:cut], cells[:cut]
            end[k] = ENDS[met] if met else "edge"
            if met:
                feature = features[met]
                assert feature is not None
                near = nearest_feature(
                    np.array([shapely.Point(xy[-1])], object), feature.geometry.to_numpy(), crs
                )
                end_id[k] = feature[SCHEMAS[met].id].to_numpy(object)[near.index[0]]
                xy = np.vstack([xy, shapely.get_coordinates(near.line[0])[-1]])
            if len(xy) == 1:
                xy = np.vstack([xy, xy])
            line[k] = shapely.LineString(xy)
            length[k] = _ground_length(xy, crs)
            drop[k] = _drop(terrain, cells)
    return gpd.GeoDataFrame(
        {"path_end": end, "path_end_id": end_id, "path_length_m": length, "path_drop_m": drop},
        geometry=list(line),
        crs=crs,
        index=discharge_points.index,
    )


def _touched(layer: gpd.GeoDataFrame, terrain: TerrainModel) -> NDArray[np.bool_]:
    """Cells a layer touches, so that no path slips through a line at a corner."""
    ground = terrain.ground
    return burn(layer.geometry.to_numpy(), ground.shape, ground.transform, all_touched=True)


def _first_within(
    xy: NDArray[np.float64],
    features: Mapping[str, gpd.GeoDataFrame | None],
    line95_m: Mapping[str, float],
) -> tuple[str | None, int]:
    """The layer a path first came within the accuracy of, and how many points to keep."""
    points = shapely.points(xy)
    best: tuple[str | None, int] = (None, len(xy))
    for name in ENDS:
        layer = features.get(name)
        if layer is None:
            continue
        tree = shapely.STRtree(layer.geometry.to_numpy())
        hits = tree.query(points, predicate="dwithin", distance=line95_m[name])[0]
        if len(hits) and (best[0] is None or hits.min() + 1 < best[1]):
            best = (name, int(hits.min()) + 1)
    return best


def _ground_length(xy: NDArray[np.float64], crs: CRS) -> float:
    """Length on the ellipsoid: the plane length times the scale of the farthest chord."""
    plane = float(np.hypot(*np.diff(xy, axis=0).T).sum())
    far = xy[int(np.argmax(np.hypot(*(xy - xy[0]).T)))]
    chord = float(np.hypot(*(far - xy[0])))
    if chord == 0:
        return plane
    ground = ground_length_m(xy[:1, 0], xy[:1, 1], far[:1], far[1:], crs)
    return plane * float(ground[0]) / chord


def _drop(terrain: TerrainModel, cells: NDArray[np.int64]) -> float:
    ground, closed = terrain.ground.values, terrain.opened.values
    first, last = (
        float(closed[cell] if np.isnan(ground[cell]) else ground[cell])
        for cell in (tuple(cells[0]), tuple(cells[-1]))
    )
    return first - last


def parcels_crossed(
    paths: gpd.GeoDataFrame,
    homes: NDArray[np.object_],
    parcels: gpd.GeoDataFrame | None,
) -> NDArray[np.float64]:
    """How many parcels each path touches beside its own; NaN where there is no path or layer.

    Water that goes underground at once crosses none over the ground.

    Parameters
    ----------
    homes
        One point per path: the lid whose water it is, else the discharge point. The parcels that
        hold it are not counted.
    """
    lines = paths.geometry.to_numpy()
    count = np.full(len(paths), np.nan)
    has_path = paths["path_length_m"].notna().to_numpy()
    if parcels is None:
        return count
    tree = shapely.STRtree(parcels.geometry.to_numpy())
    path, parcel = tree.query(lines, predicate="intersects")
    home, own = tree.query(homes, predicate="intersects")
    crossed = pd.MultiIndex.from_arrays([path, parcel])
    mine = pd.MultiIndex.from_arrays([home, own])
    others = crossed.difference(mine).get_level_values(0)
    count[has_path] = np.bincount(others, minlength=len(paths))[has_path]
    return count
