"""Concentrated flow: how much land drains past a point, and how deep its water would run there.

A lid may stand in a swale that drains many acres though nothing ponds. The depth is an estimate:
the peak of a storm by the graphical method of TR-55, as steady flow in two straight sides.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from geo.kernels.cells import COL_STEP, ROW_STEP
from geo.kernels.stems import main_stem
from geo.ponds.ponding import INLET_M
from geo.runoff.peak_flow import RainfallType, peak_flow_m3_s, swale_depth_m
from geo.runoff.travel_time import LEAST_SLOPE, SHEET_FLOW_FT, runoff_minutes
from geo.terrain import Terrain, flow_accumulation
from layers.measures import ACRE_M2, FT_M, IN_M

if TYPE_CHECKING:
    from geo.runoff.storms import StormPonds

# All common practice, no source.
LOOK_M: Final = 3.0  # the lowest line of a swale is looked for so far from a point: a car's width
LEAST_AREA_M2: Final = ACRE_M2  # less land gathers no swale worth the name
BED_M: Final = 20.0  # the bed's slope is taken over so much up and down the flow
SIDE_M: Final = 10.0  # and the sides' over so much to either hand
LEAST_SIDE: Final = 0.02  # ground flatter than this to the side counts as rising by it
USUAL_STORM_YR: Final = 10


def upslope_area_m2(
    points: NDArray[np.object_], terrain: Terrain
) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """The land that drains past each point, and the cell through which it drains.

    Parameters
    ----------
    points
        Shapely points in the working system; missing and empty ones are unknown.

    Returns
    -------
    area_m2
        The largest upslope area within `LOOK_M` of the point, but at least one cell to every
        side, every way under a road open; NaN off the terrain.
    cell
        Flat index of that cell; -1 off the terrain.
    """
    grid = terrain.whole("accumulation")
    width, height = grid.cell_m
    x, y = _coordinates(points)
    row, col, inside = grid.cells_at(x, y)
    down, across = (max(round(LOOK_M / side), 1) for side in (height, width))
    most, cell = np.full(len(points), -1, np.int64), np.full(len(points), -1, np.int64)
    rows, cols = grid.shape
    for step in range(-down, down + 1):
        for shift in range(-across, across + 1):
            is_near = np.hypot(step * height, shift * width) <= max(
                LOOK_M, 1.5 * max(width, height)
            )
            p, q = row + step, col + shift
            here = inside & is_near & (p >= 0) & (p < rows) & (q >= 0) & (q < cols)
            value = np.where(
                here, grid.values[np.clip(p, 0, rows - 1), np.clip(q, 0, cols - 1)], -1
            )
            better = value > most
            most = np.where(better, value, most)
            cell = np.where(better, p * cols + q, cell)
    is_known = inside & (most > 0)
    return np.where(is_known, most * width * height, np.nan), np.where(is_known, cell, -1)


def swale_columns(
    points: NDArray[np.object_],
    must_pass_m: NDArray[np.float64],
    terrain: Terrain,
    ponds: StormPonds | None,
    *,
    rain_in: dict[int, float],
    rainfall_type: RainfallType,
    prefix: str,
    index: pd.Index,
) -> pd.DataFrame:
    """Upslope area of each point, and the depth of running water over the ground there.

    Parameters
    ----------
    must_pass_m
        Height above the ground that water must pass to come in.
    ponds
        Of the county's storms, for their runoff; None where there are none: only the area is told.
    rain_in
        Return period in years -> 24-hour rain in inches.

    Returns
    -------
    ``{prefix}_upslope_area_m2``; and with storms ``{prefix}_swale_storm_yr`` (the 10-year storm,
    or the next that is there), ``{prefix}_swale_flow_m3_s`` (where an acre or more drains past),
    ``{prefix}_swale_depth_m`` (over the ground at the point, 0 where it stands above the flow) and
    ``{prefix}_swale_state``: ``over_top``, ``on_ground`` (running water, but not over the height
    given), ``none``, ``unknown`` off the terrain, in its holes, and where land beyond its edge may
    drain past and what is seen of it does not run over the height given. Estimates: of a peak
    without ponds to hold it back, in two straight sides fitted to the ground.
    """
    area, cell = upslope_area_m2(points, terrain)
    out = pd.DataFrame({f"{prefix}_upslope_area_m2": area}, index=index)
    if ponds is None:
        return out
    storm = swale_storm(rain_in)
    is_swale = area >= LEAST_AREA_M2
    flow, depth = np.full(len(points), np.nan), np.where(np.isnan(area), np.nan, 0.0)
    if is_swale.any():
        x, y = _coordinates(points[is_swale])
        flow[is_swale], level = _flow_and_level(
            cell[is_swale], np.column_stack((x, y)), terrain, ponds, storm, rain_in, rainfall_type
        )
        depth[is_swale] = np.maximum(level - terrain.at("opened", x, y), 0)
    more = _more_may_come(points, cell, terrain) & ~(depth > must_pass_m)
    flow[more], depth[more] = np.nan, np.nan
    out[f"{prefix}_swale_storm_yr"] = storm
    out[f"{prefix}_swale_flow_m3_s"] = flow
    out[f"{prefix}_swale_depth_m"] = depth
    out[f"{prefix}_swale_state"] = np.select(
        [np.isnan(depth), depth > must_pass_m, depth > 0],
        ["unknown", "over_top", "on_ground"],
        "none",
    ).astype(object)
    return out


def _more_may_come(
    points: NDArray[np.object_], cell: NDArray[np.int64], terrain: Terrain
) -> NDArray[np.bool_]:
    """Whether an acre beyond the terrain may drain through cells, or a point has no ground.

    Cells below 0 are none.
    """
    beyond = terrain.beyond
    row, col, inside = terrain.frame.cells_at(*_coordinates(points))
    closed = inside & beyond.is_closed[row, col]
    direction = terrain.whole("direction").values
    width = np.bincount(beyond.entry, beyond.width_m, minlength=direction.size)
    width_m = flow_accumulation(direction, width.reshape(direction.shape))
    return closed | ((cell >= 0) & (width_m.reshape(-1)[cell] >= INLET_M))


def swale_storm(rain_in: dict[int, float]) -> int:
    """The 10-year storm, else the next larger one that is there, else the largest."""
    larger = [years for years in rain_in if years >= USUAL_STORM_YR]
    return min(larger) if larger else max(rain_in)


def _flow_and_level(
    cell: NDArray[np.int64],
    points_xy: NDArray[np.float64],
    terrain: Terrain,
    ponds: StormPonds,
    storm: int,
    rain_in: dict[int, float],
    rainfall_type: RainfallType,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Peak flow through cells, and the elevation its water reaches beside points near them."""
    column = list(ponds.by_storm).index(storm)
    runoff = flow_accumulation(
        terrain.whole("direction").values, ponds.runoff_m[:, column][ponds.kind]
    )
    cells = terrain.whole("accumulation").values.reshape(-1)[cell]
    runoff_m = runoff.reshape(-1)[cell] / cells
    rain_m = rain_in[storm] * IN_M
    width, height = terrain.frame.cell_m
    swales = _swales_at(cell, points_xy, terrain)
    minutes = runoff_minutes(
        swales.length_m, swales.drop_m, swales.sheet_drop_m, rain_2yr_m=_rain_2yr_m(rain_in)
    )
    flow = peak_flow_m3_s(
        cells * width * height,
        runoff_m,
        minutes / 60,
        _abstraction(rain_m, runoff_m) / rain_m,
        rainfall_type=rainfall_type,
    )
    sides = _sides(terrain, swales)
    depth = swale_depth_m(flow, swales.bed_slope, sides)
    return flow, terrain.at("opened", *swales.at.T).astype(np.float32) + depth


def _rain_2yr_m(rain_in: dict[int, float]) -> float:
    """24-hour rain of the 2-year storm, of the smallest where that is not told."""
    return rain_in.get(2, rain_in[min(rain_in)]) * IN_M


def _abstraction(rain_m: float, runoff_m: NDArray[np.float64]) -> NDArray[np.float64]:
    """Initial abstraction, a fifth of the storage that gives this runoff (equation 2-3, solved)."""
    storage = 5 * (rain_m + 2 * runoff_m - np.sqrt(4 * runoff_m**2 + 5 * rain_m * runoff_m))
    return 0.2 * storage


class _Course(NamedTuple):
    """The bed of a swale beside a point and the way of the water to it.

    ``cells`` by their flat index: the bed, where the way begins, those on either side of the end
    of its sheet flow, and the ends of the stretch of bed whose slope counts, upstream first.
    ``sheet_share`` is how far from the one to the other of the two that end lies.
    """

    cells: tuple[int, ...]
    sheet_share: float
    length_m: float
    stretch_m: float


@dataclass(frozen=True)
class _Swales:
    """Beds of swales beside points, the ways of the water to them, the ground there; a row each."""

    cell: NDArray[np.int64]
    length_m: NDArray[np.float64]
    drop_m: NDArray[np.float64]
    sheet_drop_m: NDArray[np.float64]
    bed_slope: NDArray[np.float64]
    at: NDArray[np.float64]
    across: NDArray[np.float64]


def _swales_at(
    cells: NDArray[np.int64], points_xy: NDArray[np.float64], terrain: Terrain
) -> _Swales:
    courses = [_course(int(c), at, terrain) for c, at in zip(cells, points_xy, strict=True)]
    place = np.array([course.cells for course in courses], np.int64)
    share, length_m, stretch_m = (
        np.array([getattr(course, name) for course in courses])
        for name in ("sheet_share", "length_m", "stretch_m")
    )
    x, y = _centers(place, terrain)
    bed, source, before, after, up, down = terrain.at("filled", x, y).T
    slope = (up - down) / np.where(stretch_m > 0, stretch_m, np.inf)
    ahead_x, ahead_y = x[:, 5] - x[:, 4], y[:, 5] - y[:, 4]
    far = np.hypot(ahead_x, ahead_y)
    far_from_0 = np.where(far > 0, far, 1.0)
    return _Swales(
        cell=place[:, 0],
        length_m=length_m,
        drop_m=source - bed,
        sheet_drop_m=source - (before + (after - before) * share),
        bed_slope=np.maximum(slope, LEAST_SLOPE),
        at=np.column_stack((x[:, 0], y[:, 0])),
        across=np.column_stack(
            (np.where(far > 0, -ahead_y / far_from_0, 1.0), ahead_x / far_from_0)
        ),
    )


def _course(cell: int, point_xy: NDArray[np.float64], terrain: Terrain) -> _Course:
    direction = terrain.whole("direction").values
    stem = main_stem(direction, terrain.whole("accumulation").values, cell, direction.size)
    x, y = _centers(stem, terrain)
    bed = int(np.hypot(x - point_xy[0], y - point_xy[1]).argmin())
    stem, run = stem[bed:], _run(x[bed:], y[bed:])
    sheet_from = run[-1] - min(SHEET_FLOW_FT * FT_M, run[-1])
    before = max(int(np.searchsorted(run, sheet_from, side="right")) - 1, 0)
    after = min(before + 1, len(run) - 1)
    up = min(int(np.searchsorted(run, BED_M)), len(run) - 1)
    below = _downstream(int(stem[0]), direction, terrain.frame.cell_m)
    ends = [stem[0], stem[-1], stem[before], stem[after], stem[up], below[-1]]
    return _Course(
        cells=tuple(map(int, ends)),
        sheet_share=float((sheet_from - run[before]) / max(run[after] - run[before], 1e-9)),
        length_m=float(run[-1]),
        stretch_m=float(run[up] + _run(*_centers(below, terrain))[-1]),
    )


def _run(x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.float64]:
    """The distance from the first of a row of points to each."""
    return np.concatenate((np.zeros(1), np.cumsum(np.hypot(np.diff(x), np.diff(y)))))


def _centers(
    cells: NDArray[np.int64], terrain: Terrain
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Map coordinates of the centers of cells by their flat index."""
    return terrain.frame.centers(*np.divmod(cells, terrain.frame.shape[1]))


def _downstream(
    cell: int, direction: NDArray[np.uint8], cell_m: tuple[float, float]
) -> NDArray[np.int64]:
    """The cells that water runs through from a cell until it has gone `BED_M`, or leaves."""
    codes, cols = direction.reshape(-1), direction.shape[1]
    cells, gone = [cell], 0.0
    while gone < BED_M and codes[cells[-1]]:
        code = int(codes[cells[-1]])
        cells.append(cells[-1] + ROW_STEP[code] * cols + COL_STEP[code])
        gone += float(np.hypot(ROW_STEP[code] * cell_m[1], COL_STEP[code] * cell_m[0]))
    return np.array(cells, np.int64)


def _sides(terrain: Terrain, swales: _Swales) -> NDArray[np.float64]:
    """Rise over run of the ground to either hand, shape (swales, 2): the best line from the bed."""
    bed_at, across = swales.at, swales.across
    away = np.linspace(0, SIDE_M, 11)[1:]
    hands = np.stack((across, -across), axis=1)
    place = bed_at[:, None, None] + away[:, None] * hands[:, :, None]
    bed = terrain.at("opened", bed_at[:, 0], bed_at[:, 1])
    z = terrain.at("opened", place[..., 0], place[..., 1], bilinear=True)
    rise = z - bed[:, None, None]
    known = np.isfinite(rise)
    squares = np.where(known, away**2, 0).sum(axis=-1)
    slope = np.where(known, away * np.nan_to_num(rise), 0).sum(axis=-1) / np.maximum(squares, 1e-9)
    return np.maximum(slope, LEAST_SIDE)


def _coordinates(
    points: NDArray[np.object_],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Map coordinates of each point, NaN for missing and empty ones."""
    at = np.full((len(points), 2), np.nan)
    there = ~(shapely.is_missing(points) | shapely.is_empty(points))
    at[there] = shapely.get_coordinates(points[there])
    return at[:, 0], at[:, 1]
