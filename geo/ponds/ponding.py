"""Whether water would stand over a lid or an outlet: one question, one row per point.

In a storm, or to the brim: how deep a point would stand if its hollow filled to its spill,
whatever rain that takes.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

if TYPE_CHECKING:
    from geo.runoff.storms import StormPonds
    from geo.terrain import Depressions, TerrainModel


def ground_columns(
    points: NDArray[np.object_], terrain: TerrainModel | None, *, index: pd.Index
) -> pd.DataFrame:
    """``ground_m``, ``pond_depth_brim_m``, ``hand_m`` under each point, on ``index``.

    Parameters
    ----------
    points
        Shapely points in the working system; missing or empty ones are unknown.
    terrain
        None where there is none: everything is then unknown.

    ``ground_m`` is the height as read, ``pond_depth_brim_m`` the depth of water over it in a
    hollow filled to its spill (0 outside hollows), ``hand_m`` the height above the drainage its
    water runs to. Null off the terrain and where there is no data.
    """
    names = ["ground_m", "pond_depth_brim_m", "hand_m"]
    out = pd.DataFrame(np.nan, index=index, columns=names)
    if terrain is None or not len(points):
        return out
    row, col, inside = terrain.ground.cells_at(shapely.get_x(points), shapely.get_y(points))
    for name, grid in zip(names, (terrain.ground, terrain.pond_depth, terrain.hand), strict=True):
        if grid is not None:
            out[name] = np.where(inside, grid.values[row, col], np.nan).astype(float)
    return out


# Water no deeper than this over the ground is a puddle, not a pond: the step of the elevations
# themselves. Common practice, no source.
WET_M: Final = 0.01


def least_depth_m(above_ground_m: NDArray[np.float64]) -> NDArray[np.float64]:
    """Depth over the ground that water must pass to wet each point; the ground where not known."""
    return np.fmax(np.nan_to_num(above_ground_m, nan=0.0), WET_M)


def storm_columns(
    points: NDArray[np.object_],
    above_ground_m: NDArray[np.float64],
    ponds: StormPonds,
    *,
    prefix: str,
    index: pd.Index,
) -> pd.DataFrame:
    """Whether and when storms put each point under water, on ``index``.

    Parameters
    ----------
    points
        Shapely points in the working system; missing or empty ones are unknown.
    above_ground_m
        Height above the ground that water must pass (the riser's, for a lid); NaN where it is
        not known: the answer is then for the ground itself.

    Returns
    -------
    For each storm of T years ``{prefix}_pond_depth_{T}yr_m`` (water over the ground) and
    ``{prefix}_freeboard_{T}yr_m`` (ground + height - level of the pond in the hollow the point
    lies in, its pit where that is dry; null where the height is not known or no hollow holds the
    point); ``{prefix}_wet_state`` (``wet``, ``at_or_below_smallest``: already in the smallest
    storm, ``dry_in_all``, ``unknown`` off the terrain) and ``{prefix}_wet_return_yr``: the
    smallest storm that wets it.
    """
    surface, tree = ponds.surface, ponds.hierarchy
    x, y = (np.full(len(points), np.nan) for _ in range(2))
    there = ~(shapely.is_missing(points) | shapely.is_empty(points))
    x[there], y[there] = shapely.get_coordinates(points[there]).T
    row, col, inside = surface.cells_at(x, y)
    ground = np.where(inside, surface.values[row, col], np.nan).astype(float)
    label = np.where(inside, tree.labels[row, col], 0).astype(np.int32)
    held = (label > 0) & (ground <= _brim(tree)[label])
    floor = tree.pit_elev[label]
    least = least_depth_m(above_ground_m)

    out = pd.DataFrame(index=index)
    wet = np.zeros((len(points), len(ponds.by_storm)), bool)
    for k, (years, levels) in enumerate(ponds.by_storm.items()):
        depth = levels.depth(ground, label)
        out[f"{prefix}_pond_depth_{years}yr_m"] = depth
        level = np.where(np.isnan(levels.level[label]), floor, levels.level[label])
        freeboard = np.where(held, ground + above_ground_m - level, np.nan)
        if np.isfinite(above_ground_m).any():
            out[f"{prefix}_freeboard_{years}yr_m"] = freeboard
        wet[:, k] = depth > least
    storms = np.array(list(ponds.by_storm), float)
    first = np.where(wet.any(axis=1), storms[wet.argmax(axis=1)], np.nan)
    out[f"{prefix}_wet_state"] = np.select(
        [np.isnan(ground), wet[:, 0], ~np.isnan(first)],
        ["unknown", "at_or_below_smallest", "wet"],
        "dry_in_all",
    ).astype(object)
    out[f"{prefix}_wet_return_yr"] = first
    return out


def _brim(tree: Depressions) -> NDArray[np.float64]:
    """By label: the outlet of the largest depression a leaf is part of."""
    brim = tree.out_elev.copy()
    for node in range(len(brim) - 1, 0, -1):  # parts come before the whole
        parent = tree.parent[node]
        if parent:
            brim[node] = brim[parent]
    return brim[: tree.leaf_count + 1]
