"""The county in small areas: what a planner sees of each, and what may be shown to everybody."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from layers.outputs import FIRST_VISITS, UNITS

CELL_M: Final = 1000.0
# A count of 1 to 10 is not shown; usual for health statistics in the United States (from memory:
# the cell size rule of the Centers for Medicare and Medicaid Services).
LEAST_UNITS: Final = 11
ROUNDED_TO: Final = 5
STEP_EDGES: Final = (0.0, 0.1, 0.25, 0.5, 0.75, 1.0)
WET: Final = ("wet", "at_or_below_smallest", "base_flood")
NOWHERE: Final = np.iinfo(np.int64).min
Box = tuple[int, int, int, int]
"""West, south, east and north in cells."""


def areas(
    units: gpd.GeoDataFrame, catchments: gpd.GeoDataFrame | None = None
) -> tuple[gpd.GeoDataFrame, pd.Series]:
    """Units counted by catchment, or by equal squares of 1 km where there are none.

    Parameters
    ----------
    units
        Points in the working system, with ``visit_class`` and ``lid_wet_state`` where known.
    catchments
        Areas in the same system with ``catchment_id`` and perhaps ``name``; a unit in several
        belongs to the first.

    Returns
    -------
    areas
        ``area_id``, ``name`` (null for squares), ``units``, ``first_class`` (units to visit
        first), ``lids_wet`` (lids that a computed storm or the mapped base flood reaches; null
        where that is not known of any unit), ``lids_not_known`` (lids of which that is not known,
        which are not dry), and the area. Squares without units are left out.
    area_id
        The area of each unit, on the index of ``units``; null outside all of them.
    """
    if catchments is not None and len(catchments):
        frame = gpd.GeoDataFrame(
            {
                "area_id": catchments["catchment_id"].astype(object).to_numpy(),
                "name": catchments["name"].to_numpy() if "name" in catchments else None,
            },
            geometry=catchments.geometry.to_numpy(),
            crs=units.crs,
        )
        at = _first_within(units, frame)
    else:
        frame, at = _squares(units)
    inside = at >= 0
    frame["units"] = np.bincount(at[inside], minlength=len(frame))
    frame["first_class"] = _counted(units, at, len(frame), "visit_class", ("first",))
    frame["lids_wet"], frame["lids_not_known"] = _lids_counted(units, at, len(frame))
    ids = np.array([*frame["area_id"], None], object)
    return frame, pd.Series(ids[at], index=units.index, name="area_id")


def public_cells(units: gpd.GeoDataFrame, *, least: int = LEAST_UNITS) -> gpd.GeoDataFrame:
    """Rectangles of whole kilometers that may be shown to everybody, with shares told roughly.

    The county's block is cut in two along a line of whole kilometers, as near its middle as
    leaves at least ``least`` units on either side, and each part again, down to 1 km. So the
    parts hold every unit between them, none holds few, and none of few can be found by taking
    shown ones from each other. Counts are rounded to fives; shares are told as one of five steps,
    so that neither none nor all of a part is told of.

    Returns
    -------
    ``units``, ``first_from`` and ``first_to`` (the step the share to be visited first lies in),
    ``wet_from`` and ``wet_to`` (the same of lids that a computed storm or the mapped base flood
    reaches, among those of which it is known; NaN where these are fewer than ``least``), and the
    area. Empty when the county has fewer than ``least`` units.
    """
    at = squares_of(units)
    is_first = UNITS.equals(units, "visit_class", "first")
    ranked = UNITS.values(units, "visit_class").notna().to_numpy()
    shares = ((is_first, ranked), lids_reached(units))
    shown = []
    for box, inside in cut(at, np.flatnonzero(at[:, 0] > NOWHERE), least=least):
        first, wet = (
            step_of(int(many[inside].sum()), n) if (n := int(of[inside].sum())) >= least else None
            for many, of in shares
        )
        shown.append((box, to_fives(len(inside)), first, wet))
    return cells_frame(shown, units.crs)


def lids_reached(units: pd.DataFrame) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Lids that a computed storm or the mapped base flood reaches, and those of which it is known.

    A lid dry in the storms given counts as known, though a larger one may wet it: what is told is
    of these storms.
    """
    is_wet = np.isin(UNITS.values(units, "lid_wet_state").astype(object).to_numpy(), WET)
    is_wet |= UNITS.values(units, "lid_wet_return_yr").notna().to_numpy()
    known = is_wet | ~UNITS.is_open(units, "lid_wet_state")
    known |= UNITS.equals(units, "lid_wet_state", "dry_so_far")
    flooded = UNITS.numbers(units, "flood_depth_m") > 0
    return is_wet | flooded, known | flooded


def cells_frame(
    shown: Sequence[tuple[Box, int, int | None, int | None]], crs: Any
) -> gpd.GeoDataFrame:
    """Cells as the table `public_cells` gives.

    Parameters
    ----------
    shown
        The box of each, its units, and the steps of the shares to be visited first and of wet
        lids; None where not known.
    """
    rows = [
        {"units": units, **_step("first", first), **_step("wet", wet),
         "geometry": shapely.box(*(CELL_M * v for v in box))}
        for box, units, first, wet in shown
    ]  # fmt: skip
    columns = ["units", "first_from", "first_to", "wet_from", "wet_to", "geometry"]
    return gpd.GeoDataFrame(pd.DataFrame(rows, columns=columns), geometry="geometry", crs=crs)


def to_fives(n: int) -> int:
    """A count rounded to the nearest five, so that counts of two kinds of areas tell no household.

    >>> to_fives(37), to_fives(12)
    (35, 10)
    """
    return ROUNDED_TO * round(n / ROUNDED_TO)


def step_of(some: int, units: int) -> int:
    """The step a share lies in: its position among `STEP_EDGES`.

    >>> step_of(0, 40), step_of(4, 40), step_of(40, 40)
    (0, 1, 4)
    """
    return int(np.searchsorted(STEP_EDGES[1:-1], some / units, side="right"))


def first_n_curve(units: pd.DataFrame, *, most: int = 200) -> pd.DataFrame:
    """How much of the county's total score the first visits of the order cover.

    Returns
    -------
    ``visits`` (1 to all ranked units, at most ``most`` rows, denser at the start),
    ``score_share`` (of the sum of scores) and ``first_share`` (of the units to visit first).
    """
    if not UNITS.is_known(units, "score"):
        return FIRST_VISITS.empty()
    ranked = units[units["rank"].notna()].sort_values("rank", kind="stable")
    n = len(ranked)
    steps = np.linspace(0, 1, most) ** 2
    visits = np.unique(np.r_[np.arange(1, min(n, most // 2) + 1), np.rint(steps * n), n])
    visits = visits[visits >= 1].astype(np.int64)
    score = np.cumsum(ranked["score"].fillna(0).to_numpy(float))
    first = np.cumsum((ranked["visit_class"] == "first").to_numpy())
    return pd.DataFrame(
        {
            "visits": visits,
            "score_share": score[visits - 1] / max(score[-1], 1e-300),
            "first_share": first[visits - 1] / max(int(first[-1]), 1),
        }
    )


def squares_of(units: gpd.GeoDataFrame) -> NDArray[np.int64]:
    """Column and row of each unit's square, shape (units, 2)."""
    points = units.geometry.array
    xy = np.column_stack([shapely.get_x(points), shapely.get_y(points)])
    known = np.isfinite(xy)
    return np.where(known, np.floor(np.where(known, xy, 0) / CELL_M), NOWHERE).astype(np.int64)


def block_of(at: NDArray[np.int64]) -> Box:
    """The cells around all; their outer rows tell of none but that they lie among many."""
    return _box([*at.min(axis=0).tolist(), *(at.max(axis=0) + 1).tolist()])


def _box(sides: Sequence[int]) -> Box:
    west, south, east, north = sides
    return west, south, east, north


def cut(
    at: NDArray[np.int64], members: NDArray[np.int64], box: Box | None = None, *, least: int
) -> list[tuple[Box, NDArray[np.int64]]]:
    """The parts of a box of cells and the units in each; none when it holds few.

    Parameters
    ----------
    at
        As `squares_of` gives it.
    members
        Rows of ``at`` that lie in the box.
    box
        The block around all members where None.
    """
    if len(members) < max(least, 1):
        return []
    box = box or block_of(at[members])
    west, south, east, north = box
    axes = (0, 1) if east - west >= north - south else (1, 0)
    for axis in axes:
        low, high = box[axis], box[axis + 2]
        lines = np.arange(low + 1, high)
        below = np.searchsorted(np.sort(at[members, axis]), lines)
        fits = lines[(below >= least) & (len(members) - below >= least)]
        if not len(fits):
            continue
        line = int(fits[np.argmin(np.abs(2 * fits - low - high))])
        first, second = list(box), list(box)
        first[axis + 2] = second[axis] = line
        is_below = at[members, axis] < line
        return [
            *cut(at, members[is_below], _box(first), least=least),
            *cut(at, members[~is_below], _box(second), least=least),
        ]
    return [(box, members)]


def _step(name: str, step: int | None) -> dict[str, float]:
    if step is None:
        return {f"{name}_from": np.nan, f"{name}_to": np.nan}
    return {f"{name}_from": STEP_EDGES[step], f"{name}_to": STEP_EDGES[step + 1]}


def _squares(units: gpd.GeoDataFrame) -> tuple[gpd.GeoDataFrame, NDArray[np.int64]]:
    at = squares_of(units)
    corners, of = np.unique(at, axis=0, return_inverse=True)
    of = of.ravel()
    if len(corners) and corners[0, 0] == NOWHERE:
        corners, of = corners[1:], of - 1
    x, y = (corners * CELL_M).T if len(corners) else np.empty((2, 0))
    frame = gpd.GeoDataFrame(
        {"area_id": [f"{c:d}-{r:d}" for c, r in corners], "name": None},
        geometry=shapely.box(x, y, x + CELL_M, y + CELL_M),
        crs=units.crs,
    )
    return frame, of


def _first_within(units: gpd.GeoDataFrame, frame: gpd.GeoDataFrame) -> NDArray[np.int64]:
    """The first area that holds each unit, -1 where none does."""
    at = np.full(len(units), len(frame), np.int64)
    points = units.geometry.to_numpy()
    placed = np.flatnonzero(~(shapely.is_missing(points) | shapely.is_empty(points)))
    point, area = shapely.STRtree(frame.geometry.to_numpy()).query(
        points[placed], predicate="intersects"
    )
    np.minimum.at(at, placed[point], area)
    return np.where(at == len(frame), -1, at)


def _counted(
    units: pd.DataFrame, at: NDArray[np.int64], count: int, column: str, codes: tuple[str, ...]
) -> pd.array:
    if not UNITS.is_known(units, column):
        return pd.array([None] * count, dtype="Int64")
    mine = (at >= 0) & np.isin(units[column].astype(object).to_numpy(), codes)
    return pd.array(np.bincount(at[mine], minlength=count), dtype="Int64")


def _lids_counted(
    units: pd.DataFrame, at: NDArray[np.int64], count: int
) -> tuple[pd.array, pd.array]:
    """Lids that water reaches and those of which it is not known; nothing where none is known."""
    is_wet, known = lids_reached(units)
    if not known.any():
        return pd.array([None] * count, dtype="Int64"), pd.array([None] * count, dtype="Int64")
    inside = at >= 0
    wet, lost = (np.bincount(at[inside & rows], minlength=count) for rows in (is_wet, ~known))
    return pd.array(wet, dtype="Int64"), pd.array(lost, dtype="Int64")
