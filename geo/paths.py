"""The way surface water runs from each discharge point until it meets water, a drain, the edge."""

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
        at = at[~np.isnan(terrain.opened.values[row[at], col[at]])]
        if len(at):
            start = np.column_stack([row[at], col[at]])
            walked = _walk(points[at], start, terrain, features, line95_m, crs)
            end[at], end_id[at], line[at] = walked.end, walked.end_id, walked.line
            length[at], drop[at] = walked.length_m, walked.drop_m
    return gpd.GeoDataFrame(
        {"path_end": end, "path_end_id": end_id, "path_length_m": length, "path_drop_m": drop},
        geometry=list(line),
        crs=crs,
        index=discharge_points.index,
    )


@dataclass(frozen=True)
class _Walked:
    """Paths over the ground, arrays of one length."""

    end: NDArray[np.object_]
    end_id: NDArray[np.object_]
    line: NDArray[np.object_]
    length_m: NDArray[np.float64]
    drop_m: NDArray[np.float64]


def _walk(
    points: NDArray[np.object_],
    start: NDArray[np.int64],
    terrain: TerrainModel,
    features: Mapping[str, gpd.GeoDataFrame | None],
    line95_m: Mapping[str, float],
    crs: CRS,
) -> _Walked:
    """Follow the water from each point, all paths at once."""
    given = {name: layer for name in ENDS if (layer := features.get(name)) is not None}
    masks = {name: _touched(layer, terrain) for name, layer in given.items()}
    stop = np.zeros(terrain.ground.shape, bool)
    for mask in masks.values():
        stop |= mask
    traced = flow_paths(terrain.direction.values, start, stop)
    steps = np.array([len(cells) for cells in traced])
    met: NDArray[np.object_] = np.full(len(points), None, object)
    last = np.array([cells[-1] for cells in traced])
    for name, mask in reversed(masks.items()):  # of several, the first of ENDS counts
        met[mask[last[:, 0], last[:, 1]]] = name
    steps = _shortened(met, steps, traced, terrain, given, line95_m, crs)

    cells = np.concatenate([c[:n] for c, n in zip(traced, steps, strict=True)])
    path = np.repeat(np.arange(len(points)), steps)
    first = np.cumsum(steps) - steps
    xy = np.column_stack(terrain.ground.centres(cells[:, 0], cells[:, 1]))
    xy[first] = shapely.get_coordinates(points)
    end_xy = xy[first + steps - 1]
    end_id: NDArray[np.object_] = np.full(len(points), None, object)
    for name, layer in given.items():
        mine = np.flatnonzero(met == name)
        near = nearest_feature(
            shapely.points(end_xy[mine]), layer.geometry.to_numpy(), crs, within_m=np.inf
        )
        end_id[mine] = layer[SCHEMAS[name].id].to_numpy(object)[near.index]
        end_xy[mine] = shapely.get_coordinates(near.line).reshape(-1, 2, 2)[:, 1]

    # every path ends with the place where it meets its feature, or once more with its last cell
    path = np.concatenate([path, np.arange(len(points))])
    order = np.argsort(path, kind="stable")
    xy, path = np.concatenate([xy, end_xy])[order], path[order]
    lines = shapely.linestrings(xy, indices=path)
    heights = np.where(
        np.isnan(terrain.ground.values), terrain.opened.values, terrain.ground.values
    )[cells[:, 0], cells[:, 1]].astype(float)
    ends = np.array([ENDS[name] if name else "edge" for name in met], object)
    return _Walked(
        ends,
        end_id,
        lines,
        _ground_lengths(lines, crs),
        heights[first] - heights[first + steps - 1],
    )


def _shortened(
    met: NDArray[np.object_],
    steps: NDArray[np.int64],
    traced: list[NDArray[np.int64]],
    terrain: TerrainModel,
    given: Mapping[str, gpd.GeoDataFrame],
    line95_m: Mapping[str, float],
    crs: CRS,
) -> NDArray[np.int64]:
    """Cut paths that met nothing where they first came within the accuracy of a mapped feature.

    Fills in ``met`` and gives how many cells of each path to keep.
    """
    lost = np.flatnonzero(met == None)  # noqa: E711  an array of objects
    if not len(lost) or not given:
        return steps
    cells = np.concatenate([traced[k] for k in lost])
    path = np.repeat(lost, steps[lost])
    step = np.concatenate([np.arange(steps[k]) for k in lost])
    places = shapely.points(np.column_stack(terrain.ground.centres(cells[:, 0], cells[:, 1])))
    kept = steps.copy()
    for name, layer in given.items():
        shapes = layer.geometry.to_numpy()
        hit = np.flatnonzero(
            nearest_feature(places, shapes, crs, within_m=line95_m[name]).index >= 0
        )
        near = pd.Series(step[hit]).groupby(path[hit]).min()
        sooner = near[near + 1 < kept[near.index]] if len(near) else near
        kept[sooner.index] = sooner + 1
        met[sooner.index] = name
    return kept


def _touched(layer: gpd.GeoDataFrame, terrain: TerrainModel) -> NDArray[np.bool_]:
    """Cells a layer touches, so that no path slips through a line at a corner."""
    ground = terrain.ground
    return burn(layer.geometry.to_numpy(), ground.shape, ground.transform, all_touched=True)


def _ground_lengths(lines: NDArray[np.object_], crs: CRS) -> NDArray[np.float64]:
    """Lengths on the ellipsoid: plane lengths times the scale between the two ends of each."""
    plane = shapely.length(lines)
    x1, y1 = shapely.get_coordinates(shapely.get_point(lines, 0)).T
    x2, y2 = shapely.get_coordinates(shapely.get_point(lines, -1)).T
    chord = np.hypot(x2 - x1, y2 - y1)
    ground = ground_length_m(x1, y1, x2, y2, crs)
    return plane * np.where(chord > 0, ground / np.where(chord > 0, chord, 1.0), 1.0)


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
