"""Roads cut open where a mapped stream crosses them and no culvert is mapped."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import LineString, Point, Polygon
from shapely.ops import split

from geo.kernels.breach import least_cut
from geo.terrain.inputs import surface_of
from layers.grid import Grid

# Longer than a two-lane road with its banks, higher than most: common practice, no source.
MOST_LENGTH_M: Final = 60.0
MOST_DEPTH_M: Final = 6.0
# How far from the crossing ground is looked at, or as far as a cut may be long: beyond the feet of
# any bank. Common practice, no source.
_REACH_M: Final = 60.0
# The side of the higher lower quartile is the upper one: its lowest cell may be a pit.
_SIDE_PCT: Final = 25.0
_LEAST_CUT_M: Final = 0.001  # less is the rounding of float32
# Half a corridor is at least so many cells, or the path would find no room in it.
_LEAST_HALF_CELLS: Final = 1.1


@dataclass(frozen=True)
class Crossing:
    """A place where a road crosses a mapped stream.

    Attributes
    ----------
    at
        Where.
    streams
        The stream lines around, as one geometry.
    road
        The line of the road.
    accuracy95_m
        Of the stream line at 95 %: the cut may lie no further from it.
    """

    at: Point
    streams: shapely.Geometry
    road: LineString
    accuracy95_m: float


@dataclass(frozen=True)
class BreachReport:
    """What became of one crossing.

    Attributes
    ----------
    index
        Place of the crossing in the list that was given.
    used
        Whether water runs through: the terrain was cut, or was ``already open``.
    reason
        ``cut`` or ``already open``; or why not: ``off the terrain``, ``not divided`` (the road
        does not part the stream's corridor in two), ``no way`` (no lower ground on the other side
        within reach, or a void between), ``too deep``, ``too long``.
    cells
        How many cells were lowered.
    max_cut_m, length_m
        The deepest cut and the length of what is cut; of the cut that would be needed where it
        was not made.
    from_m, to_m
        Elevations of its upper and lower end.
    xy
        Its cells' centers on the map, shape (cells, 2), downstream; empty without a way.
    """

    index: int
    used: bool
    reason: str
    cells: int = 0
    max_cut_m: float = np.nan
    length_m: float = np.nan
    from_m: float = np.nan
    to_m: float = np.nan
    xy: NDArray[np.float64] = field(default_factory=lambda: np.empty((0, 2)))


def breach_crossings(
    ground: Grid,
    crossings: Sequence[Crossing],
    *,
    most_length_m: float = MOST_LENGTH_M,
    most_depth_m: float = MOST_DEPTH_M,
) -> tuple[Grid, list[BreachReport]]:
    """Cut each crossing from the hollow above the road to lower ground below it.

    The cut keeps to the corridor of the stream line's own accuracy (at least about a cell to
    either side), up to 60 m or ``most_length_m`` from the crossing. Of its two sides, as the road
    parts it, the one whose lower quartile is the higher is the upper one. From its lowest cell the
    path that moves the least ground (see `geo.kernels.breach`) leads to the first cell of the
    other side that is no higher; a pit deeper than all ground below the road is left from the
    level of the lowest of it. Cells of the path are lowered to a straight, never rising profile
    between the two ends; none is raised. All are measured on ``ground`` as given, so their order
    makes no difference (Lindsay and Dhun 2015 cut from every pit; here only where a stream is
    mapped).

    Parameters
    ----------
    ground
        Elevation; close its inner voids first.
    most_length_m, most_depth_m
        Limits on what is cut.

    Returns
    -------
    Grid
        The cut terrain; values are a new array.
    list of BreachReport
        One for each crossing, in order.

    Raises
    ------
    ValueError
        If the terrain is not a surface of finite numbers, or a limit is negative.
    """
    if most_length_m < 0 or most_depth_m < 0:
        raise ValueError("limits of length and depth must not be negative")
    z = surface_of(ground.values, "ground")
    cut = z.copy()
    reports = []
    for index, crossing in enumerate(crossings):
        report, cells, profile = _planned(ground, z, crossing, index, (most_length_m, most_depth_m))
        reports.append(report)
        if report.cells:
            np.minimum.at(cut.reshape(-1), cells, profile.astype(cut.dtype))
    return ground.with_values(cut), reports


_Plan = tuple[BreachReport, NDArray[np.int64], NDArray[np.float64]]


def _planned(
    ground: Grid, z: NDArray, crossing: Crossing, index: int, most: tuple[float, float]
) -> _Plan:
    """The report on one crossing, the flat cells of its path and the level of each."""
    nothing = np.empty(0, np.int64), np.empty(0)
    width, height = ground.cell_m
    half_m = max(crossing.accuracy95_m, _LEAST_HALF_CELLS * max(width, height))
    sides = _sides(crossing, max(most[0], _REACH_M), half_m)
    if len(sides) < 2:
        return BreachReport(index, False, "not divided"), *nothing
    row, col = _window(ground, shapely.total_bounds(sides))
    if not row.size:
        return BreachReport(index, False, "off the terrain"), *nothing
    part = z[row[0, 0] : row[-1, 0] + 1, col[0, 0] : col[0, -1] + 1]
    x, y = ground.centers(row, col)
    one, other = (shapely.intersects_xy(side, x, y) & ~np.isnan(part) for side in sides)
    other &= ~one  # a center on the road itself
    if not (one.any() and other.any()):
        return BreachReport(index, False, "off the terrain"), *nothing
    if np.percentile(part[one], _SIDE_PCT) < np.percentile(part[other], _SIDE_PCT):
        one, other = other, one
    path, depth, along = _path(part, one, other, (width, height), most[1])
    if not path.size:
        return BreachReport(index, False, "no way"), *nothing
    flat = row.reshape(-1)[path] * z.shape[1] + col.reshape(-1)[path]
    heights = part.reshape(-1)[path].astype(np.float64)
    report = BreachReport(
        index,
        used=True,
        reason="already open",
        max_cut_m=max(float(depth.max()), 0.0),
        length_m=0.0,
        from_m=float(heights[0] - depth[0]),
        to_m=float(heights[-1]),
        xy=np.column_stack((x.reshape(-1)[path], y.reshape(-1)[path])),
    )
    is_cut = depth > _LEAST_CUT_M
    if is_cut.any():
        first, last = np.flatnonzero(is_cut)[[0, -1]]
        length = float(along[last + 1] - along[first - 1])  # the ends themselves are never cut
        reason = "too deep" if depth.max() > most[1] else "too long" if length > most[0] else "cut"
        cells = int(is_cut.sum()) if reason == "cut" else 0
        report = replace(report, used=cells > 0, reason=reason, cells=cells, length_m=length)
    return report, flat, heights - depth


def _window(
    ground: Grid, bounds: NDArray[np.float64]
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Rows and columns of the cells inside bounds, each of one shape; none where they miss."""
    width, height = ground.cell_m
    west, south, east, north = bounds
    left, top = ground.transform.c, ground.transform.f
    rows = np.arange(
        max(int((top - north) // height), 0),
        min(int((top - south) // height) + 1, ground.shape[0]),
    )
    cols = np.arange(
        max(int((west - left) // width), 0), min(int((east - left) // width) + 1, ground.shape[1])
    )
    row, col = np.meshgrid(rows, cols, indexing="ij")
    return row, col


def _path(
    part: NDArray,
    upper: NDArray[np.bool_],
    lower: NDArray[np.bool_],
    cell_m: tuple[float, float],
    most_depth_m: float,
) -> tuple[NDArray[np.int64], NDArray[np.float64], NDArray[np.float64]]:
    """Flat cells from the lowest of the upper side to the lower, depth of cut, length so far.

    Where the path that moves the least ground goes too deep, one that does not is looked for.
    """
    start = int(np.argmin(np.where(upper, part, np.inf)))
    level = max(float(part.reshape(-1)[start]), float(part[lower].min()))
    best = np.empty(0, np.int64), np.empty(0), np.empty(0)
    for most_cut in (np.inf, most_depth_m):
        path = least_cut(
            part, upper | lower, lower & (part <= level), start, level, cell_m, most_cut
        )
        if not path.size:
            break
        row, col = np.divmod(path, part.shape[1])
        steps = np.hypot(np.diff(col) * cell_m[0], np.diff(row) * cell_m[1])
        along = np.concatenate((np.zeros(1), np.cumsum(steps)))
        heights = part.reshape(-1)[path].astype(np.float64)
        profile = np.interp(along, along[[0, -1]], [level, heights[-1]])
        profile[[0, -1]] = level, heights[-1]
        if not best[0].size or (heights - profile).max() <= most_depth_m:
            best = path, heights - profile, along
        if best[1].max() <= most_depth_m:
            break
    return best


def _sides(crossing: Crossing, reach_m: float, half_m: float) -> list[Polygon]:
    """The two parts of the stream's corridor that meet at the crossing, as the road parts it."""
    near = crossing.streams.intersection(crossing.at.buffer(reach_m))
    corridor = near.buffer(half_m)
    whole = [part for part in shapely.get_parts(corridor) if part.intersects(crossing.at)]
    if not whole:
        return []
    parts = [part for piece in whole for part in split(piece, crossing.road).geoms]
    parts = [part for part in parts if part.distance(crossing.at) < half_m / 10]
    return sorted(parts, key=lambda part: -part.area)[:2]
