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

from geo.ponds.draw_windows import top_of
from geo.runoff.return_periods import dry_state
from layers.measures import ACRE_M2

if TYPE_CHECKING:
    from geo.runoff.storms import StormPonds
    from geo.terrain import Depressions, Surface, Terrain
    from geo.terrain.beyond import Beyond


def ground_columns(
    points: NDArray[np.object_], terrain: Terrain | None, *, index: pd.Index
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
    water runs to. Null off the terrain and where there is no data; the depth also where the edge of
    the terrain, or a hole in it, may cut a hollow.
    """
    names = ["ground_m", "pond_depth_brim_m", "hand_m"]
    out = pd.DataFrame(np.nan, index=index, columns=names)
    if terrain is None or not len(points):
        return out
    x, y = shapely.get_x(points), shapely.get_y(points)
    surfaces: tuple[Surface, ...] = ("ground", "pond_depth", "hand")
    for name, surface in zip(names, surfaces, strict=True):
        if terrain.has(surface):
            out[name] = terrain.at(surface, x, y)
    beyond = terrain.beyond
    row, col, inside = terrain.frame.cells_at(x, y)
    cut = beyond.held[row, col] > terrain.at("filled", x, y)
    out.loc[inside & (cut | beyond.is_closed[row, col]), names[1]] = np.nan
    return out


# Water no deeper than this over the ground is a puddle, not a pond: the step of the elevations
# themselves. Common practice, no source.
WET_M: Final = 0.01
# A place known no better than this may stand anywhere within its accuracy. Common practice, no
# source.
COARSE_M: Final = 15.0
# From beyond the terrain an acre or more may come in where so much of its edge, and land so far
# beyond it, slopes into one hollow. Common practice, no source.
HILLSIDE_M: Final = 100.0
INLET_M: Final = ACRE_M2 / HILLSIDE_M


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
    point); ``{prefix}_wet_state`` and ``{prefix}_wet_return_yr``: the smallest storm that wets it.

    The state is ``at_or_below_smallest`` (already in the smallest storm); ``edge`` where the ground
    beyond the terrain or in its holes may let water stand there in a storm that is not seen to wet
    it, so that depths of 0 and freeboards are null; ``wet``; ``dry_in_all``, or ``dry_so_far``
    where no large storm was given; ``unknown`` off the terrain and in its holes.
    """
    surface, tree, beyond = ponds.surface, ponds.hierarchy, ponds.beyond
    x, y = (np.full(len(points), np.nan) for _ in range(2))
    there = ~(shapely.is_missing(points) | shapely.is_empty(points))
    x[there], y[there] = shapely.get_coordinates(points[there]).T
    row, col, inside = surface.cells_at(x, y)
    inside &= ~beyond.is_closed[row, col]
    ground = np.where(inside, surface.values[row, col], np.nan).astype(float)
    label = np.where(inside, tree.labels[row, col], 0).astype(np.int32)
    held = (label > 0) & (ground <= _brim(tree)[label])
    floor = tree.pit_elev[label]
    least = least_depth_m(above_ground_m)
    perhaps = _perhaps_m(ponds, ground, label, beyond.held[row, col]) > least

    out = pd.DataFrame(index=index)
    wet = np.zeros((len(points), len(ponds.by_storm)), bool)
    for k, (years, levels) in enumerate(ponds.by_storm.items()):
        depth = levels.depth(ground, label)
        wet[:, k] = depth > least
        out[f"{prefix}_pond_depth_{years}yr_m"] = np.where(perhaps & (depth == 0), np.nan, depth)
        level = np.where(np.isnan(levels.level[label]), floor, levels.level[label])
        freeboard = np.where(held, ground + above_ground_m - level, np.nan)
        freeboard = np.where(perhaps & ~wet[:, k], np.nan, freeboard)
        if np.isfinite(above_ground_m).any():
            out[f"{prefix}_freeboard_{years}yr_m"] = freeboard
    storms = np.array(list(ponds.by_storm), float)
    first = np.where(wet.any(axis=1), storms[wet.argmax(axis=1)], np.nan)
    out[f"{prefix}_wet_state"] = np.select(
        [np.isnan(ground), wet[:, 0], perhaps, ~np.isnan(first)],
        ["unknown", "at_or_below_smallest", "edge", "wet"],
        dry_state(ponds.by_storm),
    ).astype(object)
    out[f"{prefix}_wet_return_yr"] = first
    return out


def is_wet_nearby(
    points: NDArray[np.object_],
    accuracy95_m: NDArray[np.float64],
    above_ground_m: NDArray[np.float64],
    ponds: StormPonds,
) -> NDArray[np.bool_]:
    """Whether the largest storm wets ground within the accuracy of a place that is known roughly.

    False for places known to `COARSE_M` and better, and for missing ones.
    """
    wet = np.zeros(len(points), bool)
    least = least_depth_m(above_ground_m)
    levels = ponds.by_storm[max(ponds.by_storm)]
    width, height = ponds.surface.cell_m
    for k in np.flatnonzero(accuracy95_m > COARSE_M):
        point, far = points[k], float(accuracy95_m[k])
        if point is None or point.is_empty:
            continue
        t = ponds.surface.transform
        row, col = int((point.y - t.f) // t.e), int((point.x - t.c) // t.a)
        down, across = int(far / height), int(far / width)
        part = (
            slice(max(row - down, 0), max(row + down + 1, 0)),
            slice(max(col - across, 0), max(col + across + 1, 0)),
        )
        ground = ponds.surface.values[part]
        down_m, across_m = (
            (np.arange(n) + span.start - at) * side
            for n, span, at, side in zip(
                ground.shape, part, (row, col), (height, width), strict=True
            )
        )
        near = np.hypot(down_m[:, None], across_m) <= far
        depth = levels.depth(ground, ponds.hierarchy.labels[part])
        wet[k] = bool((near & (depth > least[k])).any())
    return wet


def _perhaps_m(
    ponds: StormPonds,
    ground: NDArray[np.float64],
    label: NDArray[np.int32],
    held: NDArray,
) -> NDArray[np.float64]:
    """How deep points may stand for what lies beyond the terrain; 0 where that adds nothing.

    To the brim of a hollow that the edge or a hole may cut, and of one that may be filled from
    beyond.
    """
    brim = _brim(ponds.hierarchy)
    brim[0] = -np.inf  # what runs off stands nowhere
    is_cut = held > np.maximum(brim[label], ground)
    fed = np.where(_may_be_fed(ponds.hierarchy, ponds.beyond)[label], brim[label], ground)
    return np.maximum(np.where(is_cut, held, ground), fed) - ground


def _may_be_fed(tree: Depressions, beyond: Beyond) -> NDArray[np.bool_]:
    """By label: whether an acre and more beyond the terrain may drain there, if only by spills."""
    top = top_of(tree)
    of_label = top[: tree.leaf_count + 1]
    into = of_label[tree.labels.reshape(-1)[beyond.entry]]
    fed = np.bincount(into, beyond.width_m, minlength=top.size) >= INLET_M
    onto = of_label[tree.geolink]
    reached = np.flatnonzero(fed)
    while reached.size:
        reached = np.unique(onto[reached])
        reached = reached[~fed[reached]]
        fed[reached] = True
    return fed[of_label]


def _brim(tree: Depressions) -> NDArray[np.float64]:
    """By label: the outlet of the largest depression a leaf is part of."""
    brim = tree.out_elev.copy()
    for node in range(len(brim) - 1, 0, -1):  # parts come before the whole
        parent = tree.parent[node]
        if parent:
            brim[node] = brim[parent]
    return brim[: tree.leaf_count + 1]
