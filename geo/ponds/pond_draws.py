"""What the terrain's own error, and that of positions, does to ponds: chances from draws.

In each draw the terrain has an error of its stated size that is alike at places near each other,
and each point lies somewhere within its own accuracy; ground and water are read at that one place
(Lindsay and Creed 2005, 2006, of depressions; here with the storms' water in them).
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from geo.kernels import windows as kernels
from geo.ponds.draw_windows import (
    WINDOW_CELLS,
    Basins,
    BoundaryWater,
    around,
    basins_of,
    boundary_water,
    reach,
    share_windows,
)
from geo.ponds.ponding import least_depth_m
from geo.runoff.filling import levels_from_inflow
from geo.runoff.return_periods import Series, chance_in_a_year
from geo.runoff.storms import StormPonds
from geo.terrain import Depressions, depressions
from geo.terrain.draws import (
    LARGE_CELLS,
    LEAST_DRAWS,
    DrawnGround,
    ErrorModel,
    places_drawn,
)
from geo.terrain.error_field import CUT, HEIGHT_95
from layers.grid import Window

# Cells times draws that are worked through at most, a window counted as so many more: what 2 cores
# of their own do in 15 minutes with much to spare, see the benchmark. Where that is not enough
# there are fewer draws than were asked for, and where it is not for these, none.
BUDGET_CELLS: Final = 9_000_000_000
# A window reaches down the water's way until that has fallen by four standard deviations of the
# difference of two heights, and holds what drains to that way and lies no higher than as much
# above: a dam made by the error drowns nothing beyond. On ground so level that the way never falls
# as much it ends after so many correlation ranges.
_DROP_SDS: Final = 4 * 2**0.5
_FARTHEST_RANGES: Final = 50


@dataclass(frozen=True)
class PondChances:
    """Chances of ponds over some points.

    Attributes
    ----------
    columns
        On the points' index; null where fewer than half the draws found ground under a point.
    draws
        How many were made: fewer than were asked for where those would have cost too much.
    cells
        Cells worked through, all draws together.
    windows
        In how many windows.
    standard_error
        The greatest of any of the chances, sqrt(p (1 - p) / draws).
    """

    columns: pd.DataFrame
    draws: int
    cells: int
    windows: int
    standard_error: float


def pond_chances(
    points: NDArray[np.object_],
    ids: Sequence[str],
    accuracy95_m: NDArray[np.float64],
    above_ground_m: NDArray[np.float64],
    ponds: StormPonds,
    error: ErrorModel,
    *,
    series: Series,
    prefix: str,
    index: pd.Index,
    pipes: NDArray[np.int64] | None = None,
    budget_cells: int = BUDGET_CELLS,
    workers: int | None = None,
) -> PondChances:
    """Chances that water stands over each point in each storm and in a year.

    Parameters
    ----------
    points
        Shapely points in the working system; missing or empty ones are unknown.
    ids
        What each point is called: its draws of position hang on it and on nothing else.
    accuracy95_m
        Circular accuracy of each position; NaN where it is not known: it is then not moved.
    above_ground_m
        Height that water must pass, as for `geo.ponds.ponding.storm_columns`.
    ponds
        Of the terrain as it is.
    series
        Of the storms' return periods.
    pipes
        Flat indices of cells that were lowered to let water pass under something. They take part
        in the error, but stay open.
    budget_cells
        Cells times draws worked through at most.
    workers
        Threads; left out: one a core. The result is the same.

    Returns
    -------
    Columns ``{prefix}_wet_{T}yr_probability`` for each storm, ``{prefix}_wet_annual_probability``
    and ``{prefix}_depression_probability``: that the place lies in a hollow at all.
    """
    there = ~(shapely.is_missing(points) | shapely.is_empty(points))
    xy = np.full((len(points), 2), np.nan)
    xy[there] = shapely.get_coordinates(points[there])
    _, cell = places_drawn(xy, ids, accuracy95_m, ponds.surface, error)
    basins = basins_of(ponds.hierarchy, ponds.surface.values)
    windows, of_cell = _windows_for(cell, ponds, basins, error)
    tasks = _tasks(windows, of_cell, budget_cells)
    parts = _Parts(
        ponds=ponds,
        ground=DrawnGround.of(
            ponds.surface, error, direction=ponds.hierarchy.direction, pipes=pipes
        ),
        windows=windows,
        entering=boundary_water(ponds, basins, windows),
        least_m=least_depth_m(above_ground_m),
    )
    wet = np.zeros((len(points), len(ponds.by_storm)), np.int64)
    held, asked = (np.zeros(len(points), np.int64) for _ in range(2))
    large = any(w.rows * w.cols > LARGE_CELLS for w in windows)
    with ThreadPoolExecutor(1 if large else workers or os.cpu_count()) as pool:
        found = pool.map(lambda task: parts.look(task, cell[task.draw, task.points]), tasks)
        for task, (is_wet, is_held) in zip(tasks, found, strict=True):
            wet[task.points] += is_wet
            held[task.points] += is_held
            asked[task.points] += 1
    made = max((task.draw + 1 for task in tasks), default=0)
    chance = _share(wet, asked[:, None], made)
    storms = list(ponds.by_storm)
    columns = pd.DataFrame(
        {f"{prefix}_wet_{years}yr_probability": chance[:, s] for s, years in enumerate(storms)}
        | {
            f"{prefix}_wet_annual_probability": chance_in_a_year(chance, storms, series=series),
            f"{prefix}_depression_probability": _share(held, asked, made),
        },
        index=index,
    )
    spread = np.sqrt(chance * (1 - chance) / np.maximum(asked, 1)[:, None])
    return PondChances(
        columns=columns,
        draws=made,
        cells=sum(task.cells for task in tasks),
        windows=len(windows),
        standard_error=float(np.nanmax(spread)) if np.isfinite(spread).any() else 0.0,
    )


def _share(count: NDArray[np.int64], asked: NDArray[np.int64], made: int) -> NDArray[np.float64]:
    """Share of the draws with ground under a point; NaN where those are fewer than half."""
    return np.where(2 * asked >= max(made, 1), count / np.maximum(asked, 1), np.nan)


def _windows_for(
    cell: NDArray[np.int64], ponds: StormPonds, basins: Basins, error: ErrorModel
) -> tuple[list[Window], NDArray[np.int64]]:
    """Windows for all cells drawn, and the window of each; -1 where there is no cell.

    A cell in a basin needs the basin whole; the others of one point share a box. Both reach down
    the way of the water as far as a dam made by the error could back water up.
    """
    z, tree = ponds.surface.values, ponds.hierarchy
    width, height = ponds.surface.cell_m
    there = cell >= 0
    basin = np.where(there, basins.of_label[tree.labels.reshape(-1)[cell]], 0)
    lone = there & (basin == 0)
    points = np.flatnonzero(lone.any(axis=0))
    hit = np.unique(basin[basin > 0])

    # a group for each point with cells in no basin, then one for each basin, from its spill on
    group, start = np.unique(
        np.column_stack([np.nonzero(lone[:, points])[1], cell[:, points][lone[:, points]]]), axis=0
    ).T
    onward = np.flatnonzero(basins.spill_cell[hit] >= 0)
    boxes = np.full((points.size + hit.size, 4), -1)
    found = reach(
        tree,
        z,
        basins,
        np.concatenate([start, basins.spill_cell[hit[onward]]]),
        np.concatenate([group, points.size + onward]),
        np.concatenate([z.reshape(-1)[start], tree.out_elev[basins.node[hit[onward]]]]),
        drop_m=_DROP_SDS * error.accuracy95_m / HEIGHT_95,
        most_cells=int(_FARTHEST_RANGES * error.range_m / min(width, height)) + 1,
    )
    boxes[: len(found)] = found
    boxes[points.size :] = around(boxes[points.size :], basins.catchment[hit])
    margin = (int(np.ceil(CUT * error.range_m / height)), int(np.ceil(CUT * error.range_m / width)))
    windows, of_box = share_windows(boxes, z.shape, margin)
    of_point = np.full(cell.shape[1], -1)
    of_point[points] = of_box[: points.size]
    of_basin = np.full(basins.node.size, -1)
    of_basin[hit] = of_box[points.size :]
    return windows, np.where(there, np.where(basin > 0, of_basin[basin], of_point), -1)


@dataclass(frozen=True)
class _Task:
    """One window of one draw, and the points whose place lies there then."""

    draw: int
    window: int
    points: NDArray[np.int64]
    cells: int


def _tasks(windows: Sequence[Window], of_cell: NDArray[np.int64], budget_cells: int) -> list[_Task]:
    """What there is to do, draw by draw, as far as the budget reaches."""
    size = np.array([w.rows * w.cols for w in windows], np.int64)
    tasks: list[_Task] = []
    spent = 0
    for draw, of_point in enumerate(of_cell):
        order = np.argsort(of_point, kind="stable")
        order = order[np.searchsorted(of_point[order], 0) :]
        groups = np.split(order, np.flatnonzero(np.diff(of_point[order])) + 1)
        now = [
            _Task(draw, int(of_point[group[0]]), group, int(size[of_point[group[0]]]))
            for group in groups
            if group.size
        ]
        spent += sum(task.cells + WINDOW_CELLS for task in now)
        if spent > budget_cells:
            return tasks if draw >= LEAST_DRAWS else []
        tasks += now
    return tasks


@dataclass(frozen=True)
class _Parts:
    """All that a task needs besides itself."""

    ponds: StormPonds
    ground: DrawnGround
    windows: Sequence[Window]
    entering: Sequence[BoundaryWater]
    least_m: NDArray[np.float64]

    def look(
        self, task: _Task, cell: NDArray[np.int64]
    ) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
        """By point of the task: wet in each storm, and in a depression at all."""
        window, ponds = self.windows[task.window], self.ponds
        z = self.ground.read(task.draw, window)
        here = self.ground.in_window(cell, window)
        tree = depressions(z, cell_m=ponds.surface.cell_m)
        label = tree.labels.reshape(-1)
        inflow = np.zeros((tree.leaf_count + 1, len(ponds.by_storm)))
        kind = np.ascontiguousarray(ponds.kind[window.slices]).reshape(-1)
        kernels.gather_storms(kind, label, ponds.runoff_m, inflow)
        enters = self.entering[task.window]
        np.add.at(inflow, label[enters.cell], enters.depth_m)
        ground, of = z.reshape(-1)[here].astype(np.float64), label[here]
        wet = np.empty((here.size, len(ponds.by_storm)), bool)
        for s in range(len(ponds.by_storm)):
            levels = levels_from_inflow(tree, inflow[:, s].copy())
            wet[:, s] = levels.level[of] - ground > self.least_m[task.points]
        return wet, (of > 0) & (ground < _brim(tree, of))


def _brim(tree: Depressions, label: NDArray[np.int32]) -> NDArray[np.float64]:
    """Outlet of the largest depression each of some leaves is part of."""
    node = label.copy()
    while (above := tree.parent[node]).any():
        node = np.where(above > 0, above, node)
    return tree.out_elev[node]
