"""Mapped culverts, cut into the terrain so that water passes a road as it does on the ground."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray

from geo.terrain.inputs import surface_of
from layers.grid import Grid

Floats = NDArray[np.float64]
Cells = NDArray[np.int64]

_LEAST_CUT_M = 0.001  # less is the rounding of float32


@dataclass(frozen=True)
class CulvertReport:
    """What became of one culvert line.

    Attributes
    ----------
    index
        Place of the line in the list that was given.
    used
        Whether water runs through: the terrain was cut, or was ``already open``.
    reason
        ``cut`` or ``already open``; or why it could not be used: ``no usable coordinates``,
        ``shorter than a cell``, ``off the terrain``, ``crosses a void``.
    cells
        How many cells were lowered.
    max_cut_m
        The deepest cut, in the unit of the elevations. A large one is worth a look: the line may
        be drawn across a hill.
    length_m
        From bed to bed along the line; NaN where it is not used.
    from_m, to_m
        Elevations of the beds at the line's first and last end.
    """

    index: int
    used: bool
    reason: str
    cells: int = 0
    max_cut_m: float = 0.0
    length_m: float = np.nan
    from_m: float = np.nan
    to_m: float = np.nan


def cut_culverts(
    ground: Grid, lines: Sequence[ArrayLike], *, reach_cells: int = 2
) -> tuple[Grid, list[CulvertReport]]:
    """Cut each culvert from end to end.

    At each end the lowest cell within ``reach_cells`` that does not lie further along the culvert
    is taken as the bed of the ditch. Every cell the line touches between the two beds is lowered
    to a straight profile from the higher bed to the lower one; cells already below it stay, none
    is raised. All profiles are measured on ``ground`` as given, so the order of the lines makes
    no difference.

    Parameters
    ----------
    ground
        Elevation; close its inner voids first.
    lines
        One array of shape (points, 2 or more) for each culvert: x and y in map coordinates.
    reach_cells
        How far from a line's end its ditch is looked for, in cells.

    Returns
    -------
    Grid
        The cut terrain; values are a new array.
    list of CulvertReport
        One for each line, in order.

    Raises
    ------
    ValueError
        If the terrain is not a surface of finite numbers, or ``reach_cells`` is negative.
    """
    if reach_cells < 0:
        raise ValueError(f"reach_cells must not be negative, as {reach_cells} is")
    z = surface_of(ground.values, "ground")
    cut = z.copy()
    reports = []
    for index, line in enumerate(lines):
        report, cells, profile = _planned(ground, z, line, index, reach_cells)
        reports.append(report)
        if report.used:
            np.minimum.at(cut, (cells[:, 0], cells[:, 1]), profile.astype(cut.dtype))
    return ground.with_values(cut), reports


def _planned(
    ground: Grid, z: NDArray, line: ArrayLike, index: int, reach_cells: int
) -> tuple[CulvertReport, Cells, Floats]:
    """The report on one line, the cells to lower and the level each is lowered to."""
    nothing = np.empty((0, 2), np.int64), np.empty(0)
    xy = np.asarray(line, dtype=np.float64)
    if xy.ndim != 2 or xy.shape[0] < 2 or xy.shape[1] < 2 or not np.isfinite(xy[:, :2]).all():
        return CulvertReport(index, False, "no usable coordinates"), *nothing
    width, height = ground.cell_m
    if np.hypot(*(xy[-1, :2] - xy[0, :2])) < min(width, height):  # from end to end
        return CulvertReport(index, False, "shorter than a cell"), *nothing
    west, _, _, north = ground.bounds
    points = np.column_stack(((north - xy[:, 1]) / height, (xy[:, 0] - west) / width))
    if not _inside(np.floor(points).astype(np.int64), ground.shape).all():
        return CulvertReport(index, False, "off the terrain"), *nothing
    first = _bed(z, points[0], points[1], reach_cells)
    last = _bed(z, points[-1], points[-2], reach_cells)
    if first is None or last is None:
        return CulvertReport(index, False, "crosses a void"), *nothing
    between = np.vstack((np.add(first, 0.5), points, np.add(last, 0.5)))
    cells, along = cells_along(between, (width, height))
    before = z[cells[:, 0], cells[:, 1]].astype(np.float64)
    if np.isnan(before).any():
        return CulvertReport(index, False, "crosses a void"), *nothing
    length = np.hypot(*(np.diff(between, axis=0) * (height, width)).T).sum()
    profile = np.interp(along, [0, length], [float(z[first]), float(z[last])])
    profile[[0, -1]] = z[first], z[last]  # the beds themselves stay as they are
    depth = before - profile
    is_cut = depth > _LEAST_CUT_M
    is_open = CulvertReport(
        index,
        True,
        "already open",
        length_m=float(length),
        from_m=float(z[first]),
        to_m=float(z[last]),
    )
    if not is_cut.any():
        return is_open, *nothing
    cells, profile = cells[is_cut], profile[is_cut]
    lowered = len(np.unique(cells, axis=0))
    report = replace(is_open, reason="cut", cells=lowered, max_cut_m=float(depth.max()))
    return report, cells, profile


def _inside(cells: Cells, shape: tuple[int, int]) -> NDArray[np.bool_]:
    return np.all((cells >= 0) & (cells < shape), axis=1)


def _bed(z: NDArray, end: Floats, towards: Floats, reach_cells: int) -> tuple[int, int] | None:
    """Row and column of the lowest valid cell near a line's end, not ahead along the line."""
    row, col = int(end[0]), int(end[1])
    offsets = np.arange(-reach_cells, reach_cells + 1)
    cells = np.array([(row + p, col + q) for p in offsets for q in offsets])
    cells = cells[_inside(cells, z.shape)]
    inward = (towards - end) / max(float(np.hypot(*(towards - end))), 1e-12)
    away = cells + 0.5 - end
    is_own = (cells == (row, col)).all(axis=1)
    cells = cells[is_own | (away @ inward <= 0)]
    level = z[cells[:, 0], cells[:, 1]].astype(np.float64)
    cells, level = cells[~np.isnan(level)], level[~np.isnan(level)]
    if not level.size:
        return None
    distance = np.hypot(*(cells + 0.5 - end).T)
    best = np.lexsort((distance, level))[0]
    return int(cells[best, 0]), int(cells[best, 1])


def cells_along(points: Floats, cell_m: tuple[float, float]) -> tuple[Cells, Floats]:
    """Every cell a line passes through, in order, and how far along the line its piece lies.

    Parameters
    ----------
    points
        Shape (n, 2): row and column in cells from the north-west corner of the raster.
    cell_m
        (width, height) of a cell.

    Returns
    -------
    cells
        Shape (m, 2): rows and columns; each touches the next by a side, or by a corner where the
        line goes through it. A cell comes again where the line comes again.
    along_m
        Shape (m,): distance from the start of the line to the middle of its way through the cell.
    """
    cells, enters, leaves = [], [], []
    traveled = 0.0
    for start, end in pairwise(points):
        move = end - start
        length = float(np.hypot(move[1] * cell_m[0], move[0] * cell_m[1]))
        if length == 0:
            continue
        crossings = [np.array([0.0, 1.0])]
        for axis in (0, 1):
            low, high = sorted((start[axis], end[axis]))
            edges = np.arange(np.ceil(low), np.floor(high) + 1)
            if move[axis] != 0:
                crossings.append(np.clip((edges - start[axis]) / move[axis], 0.0, 1.0))
        t = np.unique(np.concatenate(crossings))
        t = t[np.concatenate(([True], np.diff(t) > 1e-9))]
        middle = (t[:-1] + t[1:]) / 2
        cells.append(np.floor(start + middle[:, None] * move).astype(np.int64))
        enters.append(traveled + t[:-1] * length)
        leaves.append(traveled + t[1:] * length)
        traveled += length
    if not cells:
        return np.floor(points[:1]).astype(np.int64), np.zeros(1)
    every = np.concatenate(cells)
    first = np.flatnonzero(np.concatenate(([True], (np.diff(every, axis=0) != 0).any(axis=1))))
    last = np.append(first[1:], len(every)) - 1  # of the pieces of one stay in a cell
    return every[first], (np.concatenate(enters)[first] + np.concatenate(leaves)[last]) / 2
