"""What the errors of terrain and positions do to the ways of water over the ground: draws.

In each draw the terrain has an error of its stated size that is alike at places near each other
(the same as in the draws of ponds), and the discharge point lies somewhere within its own
accuracy; the ground is filled and the water followed as on the terrain as it is.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from geo.kernels.offsets import offsets
from geo.paths import Receivers
from geo.ponds.draw_windows import WINDOW_CELLS
from geo.terrain.draws import (
    LARGE_CELLS,
    LEAST_DRAWS,
    DrawnGround,
    TerrainError,
    in_turn,
    places_drawn,
)
from geo.waters.downstream import lowest_around
from geo.waters.network import water_groups
from geo.waters.waterways import NOT_THERE, come_in, heights_of
from geo.waters.way_following import Drawn, Follower, boxes_of, largest

if TYPE_CHECKING:
    from geo.terrain import TerrainModel
    from layers.grid import Window

# Cells times draws that are worked through at most, a window counted as so many more: what 2 cores
# of their own do in 5 minutes, see the benchmark.
BUDGET_CELLS: Final = 3_000_000_000
# Where the budget does not reach for all outlets: draws of those it reaches, and the share of the
# budget spent on their first windows; ways that leave these cost more. Measured, see the benchmark.
SOME_DRAWS: Final = 20
_FIRST_SHARE: Final = 0.7
# How far apart the stations along a way are at which drawn ways are measured.
STATION_M: Final = 20.0
# Places along one piece of water are told apart by so much: less than what a position is known to.
APART_M: Final = 5.0
# The direction of a way is told over so far to either side: its cells turn by 45 degrees a step.
_AHEAD_M: Final = 10.0
ENTRY_COLUMNS: Final = (
    "discharge_point_id", "draws", "ends", "layer", "feature_id", "leg", "along_m", "water",
    "height_m", "before_m",
)  # fmt: skip
PASS_COLUMNS: Final = ("discharge_point_id", "along_m", "offsets_m")
Ints = NDArray[np.int64]
Floats = NDArray[np.float64]


@dataclass(frozen=True)
class WayDraws:
    """Where drawn ways end and run, as two tables that an assessment keeps for tracing.

    Attributes
    ----------
    entries
        ``discharge_point_id``; in how many ``draws`` its water ``ends`` so: stream, water_body,
        drain, edge (of the terrain), off_terrain (the discharge point lies off it in the draw),
        not_followed (beyond the ground looked at); there ``layer``, ``feature_id``, and ``leg``,
        ``along_m``, ``water``, ``height_m``, ``before_m`` as of `geo.waters.waterways.Waterways`,
        means over draws that come in no farther apart than 5 m; points, null where it ends in no
        water. The draws of a discharge point add up to those made.
    passes
        ``discharge_point_id``, ``along_m`` of a station on its way as the terrain shows it (on
        the ground, from the discharge point), ``offsets_m``: how far off the station drawn ways
        pass and in how many draws, as text, as in ``-4:3 0:15 2:2``: 3 pass 4 m to the right of
        the water's way, 15 over it. Whole metres, coarser beyond 10 m.
    draws
        How many were made.
    cells, windows
        Worked through in all draws together, and in how many windows each was begun.
    not_followed
        Share of drawn ways that left the ground looked at.
    outlets
        Of how many discharge points.
    """

    entries: gpd.GeoDataFrame
    passes: pd.DataFrame
    draws: int
    cells: int
    windows: int
    not_followed: float
    outlets: int = 0


def no_draws(crs: object) -> WayDraws:
    """Two empty tables."""
    return WayDraws(
        gpd.GeoDataFrame({name: [] for name in ENTRY_COLUMNS}, geometry=[], crs=crs),
        pd.DataFrame({name: [] for name in PASS_COLUMNS}),
        0, 0, 0, 0.0,
    )  # fmt: skip


def draw_ways(
    paths: gpd.GeoDataFrame,
    accuracy95_m: Floats,
    terrain: TerrainModel,
    features: Mapping[str, gpd.GeoDataFrame | None],
    legs: gpd.GeoDataFrame,
    error: TerrainError,
    *,
    line95_m: Mapping[str, float],
    budget_cells: int = BUDGET_CELLS,
    workers: int | None = None,
) -> WayDraws:
    """Follow the water of each discharge point in draws of the terrain and of its position.

    Parameters
    ----------
    paths
        ``discharge_point_id``, each once, ``length_m`` and lines over the ground.
    accuracy95_m
        Circular accuracy of each discharge point; NaN where it is not known: it is not moved.
    features, line95_m
        As for `geo.paths.outlet_paths`.
    legs
        As `geo.waters.waterways.find_waterways` gives them.
    budget_cells
        Cells times draws worked through at most: there are fewer draws where it does not reach,
        and, where it does not for 10, only some of the outlets, in the order of `most_wanted`.
    workers
        Threads; left out: one a core. The result is the same.

    Notes
    -----
    A draw looks at windows around the ways as the terrain shows them and the hollows on them, 4
    correlation ranges wider to each side; at a window's edge water leaves. A way that leaves by it
    is followed again in a window three times as wide, twice at most. Lakes are not drawn level,
    since a way ends at their shore; pipes and cuts under roads stay open.
    """
    if not len(paths):
        return no_draws(paths.crs)
    surface = terrain.opened
    start = shapely.get_coordinates(shapely.get_point(paths.geometry.to_numpy(), 0))
    ids = paths["discharge_point_id"].astype(str).tolist()
    # a word before the id, so that a lid of the same name is drawn apart from it
    place, cell = places_drawn(
        start, [f"outlet {name}" for name in ids], accuracy95_m, surface, error
    )
    follow = Follower(
        DrawnGround.of(surface, error, direction=terrain.direction.values, pipes=terrain.cut_cells),
        Receivers(terrain.ground, features, line95_m, paths.crs),
        terrain.direction.values,
        error.range_m,
    )
    boxes = boxes_of(paths, cell, terrain)
    least = min(LEAST_DRAWS, error.draws)
    windows, window_of = follow.windows(boxes)
    if _cells(windows) * least > budget_cells:
        draws = min(SOME_DRAWS, error.draws)
        some = _reached(follow, boxes, most_wanted(paths), _FIRST_SHARE * budget_cells / draws)
        if not len(some):
            return no_draws(paths.crs)
        paths, place, cell = paths.iloc[some].reset_index(drop=True), place[:, some], cell[:, some]
        place, cell = place[:draws], cell[:draws]
        windows, window_of = follow.windows(boxes[some])
    ways = _Ways.of(paths)
    ends = _Ends(legs, features, lowest_around(terrain))
    found, off = [], []
    spent = looked = 0
    at_once = 1 if largest(windows) > LARGE_CELLS else workers or os.cpu_count() or 1
    for draw, (traced, leaves, cost, size) in in_turn(
        lambda draw: follow.draw(draw, cell[draw], windows, window_of), len(cell), at_once
    ):
        if spent + cost > budget_cells:
            break
        spent, looked = spent + cost, looked + size
        drawn = follow.drawn(place[draw], traced, leaves, ways.scale)
        off.append(_coarse(offsets(drawn.xy, drawn.first, ways.station, ways.ahead, ways.first)))
        found.append(ends.of(draw, drawn))
    made = len(found)
    if made < least:
        return no_draws(paths.crs)
    entries = pd.concat(found, ignore_index=True)
    return WayDraws(
        _grouped(entries, paths),
        _passes(np.array(off), ways, paths),
        made,
        looked,
        len(windows),
        float((entries["ends"] == "not_followed").mean()),
        len(paths),
    )


def most_wanted(paths: gpd.GeoDataFrame) -> Ints:
    """The order in which ways are drawn where not all can be.

    First those that lead down the water to a bathing place or intake, the nearest to it first;
    then those that come to mapped water; then the rest; the shorter way over the ground, which
    costs less, before the longer.
    """
    n = len(paths)
    far = paths["downstream_m"].to_numpy(float) if "downstream_m" in paths else np.full(n, np.nan)
    end = paths["path_end"].to_numpy(object) if "path_end" in paths else np.full(n, None, object)
    met = np.isin(end.astype(str), ("stream", "water_body", "drain"))
    kind = np.where(~np.isnan(far), 0, np.where(met, 1, 2))
    ids = paths["discharge_point_id"].astype(str).to_numpy()
    return np.lexsort([ids, paths["length_m"].to_numpy(float), np.nan_to_num(far), kind])


def _reached(follow: Follower, boxes: Ints, order: Ints, cells: float) -> Ints:
    """As many of the first in an order as windows of so many cells hold, in the rows' order."""
    low, high = 0, len(order)
    while low < high:
        middle = (low + high + 1) // 2
        if _cells(follow.windows(boxes[order[:middle]])[0]) <= cells:
            low = middle
        else:
            high = middle - 1
    return np.sort(order[:low])


def _cells(windows: Sequence[Window]) -> int:
    """What a draw of some windows costs at first."""
    return sum(w.rows * w.cols + WINDOW_CELLS for w in windows)


def stations(lines: NDArray[np.object_]) -> tuple[Floats, Ints]:
    """How far along each line in the plane its stations lie, and where those of each begin."""
    length = shapely.length(lines)
    count = np.where(length > 1.0, np.maximum(np.ceil(length / STATION_M), 1) + 1, 1).astype(int)
    first = np.concatenate([[0], np.cumsum(count)])
    of = np.repeat(np.arange(len(lines)), count)
    step = np.arange(len(of)) - first[of]
    return length[of] * step / np.maximum(count[of] - 1, 1), first


def directions(lines: NDArray[np.object_], measure: Floats) -> Floats:
    """The direction in which lines run at places along them, shape (n, 2), not of length 1."""
    ends = [
        shapely.get_coordinates(shapely.line_interpolate_point(lines, np.maximum(m, 0.0)))
        for m in (measure - _AHEAD_M, measure + _AHEAD_M)
    ]
    return np.asarray(ends[1] - ends[0]).reshape(-1, 2)


@dataclass(frozen=True)
class _Ways:
    """The ways as the terrain shows them, and the stations along them.

    ``scale``: metres on the ground for one in the plane.
    """

    scale: Floats
    measure: Floats
    first: Ints
    station: Floats
    ahead: Floats

    @classmethod
    def of(cls, paths: gpd.GeoDataFrame) -> _Ways:
        lines = paths.geometry.to_numpy()
        plane = shapely.length(lines)
        known = plane > 1.0
        scale = paths["length_m"].to_numpy(float) / np.where(known, plane, 1.0)
        usual = float(np.median(scale[known])) if known.any() else 1.0
        measure, first = stations(lines)
        of = np.repeat(lines, np.diff(first))
        return cls(
            np.where(known, scale, usual),
            measure,
            first,
            shapely.get_coordinates(shapely.line_interpolate_point(of, measure)),
            directions(of, measure),
        )


class _Ends:
    """Where ways that end at a feature come into the mapped water."""

    def __init__(
        self,
        legs: gpd.GeoDataFrame,
        features: Mapping[str, gpd.GeoDataFrame | None],
        heights_at: Callable[[Floats, Floats], Floats],
    ) -> None:
        waters = features.get("water_bodies")
        self.legs, self.heights_at = legs, heights_at
        self.waters = np.empty(0, object) if waters is None else waters.geometry.to_numpy()
        self.group = water_groups(self.waters)

    def of(self, draw: int, drawn: Drawn) -> pd.DataFrame:
        """One row a way."""
        points = shapely.points(drawn.end_xy)
        points[~drawn.there] = None
        into = come_in(points, drawn.met, self.legs, self.waters, self.group)
        wet = (into.leg >= 0) | (into.water >= 0)
        height = np.full(len(points), np.nan)
        height[wet] = heights_of(points[wet], self.heights_at)
        return pd.DataFrame(
            {
                "way": np.arange(len(points)), "draw": draw, "ends": drawn.met,
                "layer": drawn.layer, "feature_id": drawn.feature_id, "leg": into.leg,
                "along_m": into.along_m, "water": into.water, "height_m": height,
                "before_m": drawn.length_m + into.more_m,
                "x": np.where(wet, drawn.end_xy[:, 0], np.nan),
                "y": np.where(wet, drawn.end_xy[:, 1], np.nan),
            }
        )  # fmt: skip


def _grouped(found: pd.DataFrame, paths: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Draws that end alike as one row, the most frequent first."""
    found["part"] = np.floor(found["along_m"] / APART_M).fillna(NOT_THERE).astype(np.int64)
    keys = ["way", "ends", "leg", "water", "part"]
    groups = found.groupby(keys, sort=True)
    table = groups.agg(
        draws=("draw", "size"), layer=("layer", "first"), feature_id=("feature_id", "first"),
        along_m=("along_m", "mean"), height_m=("height_m", "mean"), before_m=("before_m", "mean"),
        x=("x", "mean"), y=("y", "mean"),
    ).reset_index()  # fmt: skip
    order = np.lexsort([np.arange(len(table)), -table["draws"], table["way"]])
    table = table.iloc[order].reset_index(drop=True)
    table["discharge_point_id"] = paths["discharge_point_id"].to_numpy(object)[table["way"]]
    table.loc[table["ends"] == "off_terrain", "before_m"] = np.nan
    for column in ("layer", "feature_id"):
        table[column] = table[column].astype(object).where(table[column].notna(), None)
    points = shapely.points(table[["x", "y"]].to_numpy(float))
    points[table["x"].isna().to_numpy()] = None
    return gpd.GeoDataFrame(table[list(ENTRY_COLUMNS)], geometry=list(points), crs=paths.crs)


def _coarse(off_m: Floats) -> NDArray[np.int32]:
    """Whole metres, coarser the farther: by 2 beyond 10, by 5 beyond 30, by 25 beyond 100.

    A way that is not there is at the least number.
    """
    far = np.abs(np.nan_to_num(off_m))
    step = np.select([far <= 10, far <= 30, far <= 100], [1, 2, 5], 25)
    return np.where(
        np.isnan(off_m), np.iinfo(np.int32).min, np.round(np.nan_to_num(off_m) / step) * step
    ).astype(np.int32)


def _passes(off: NDArray[np.int32], ways: _Ways, paths: gpd.GeoDataFrame) -> pd.DataFrame:
    """A row for each station; ``off`` of shape (draws, stations)."""
    of = np.repeat(np.arange(len(paths)), np.diff(ways.first))
    ordered = np.sort(off, axis=0).T
    new = np.ones(ordered.shape, bool)
    new[:, 1:] = ordered[:, 1:] != ordered[:, :-1]
    count = np.diff(np.flatnonzero(new), append=new.size)
    there = ordered[new] > np.iinfo(np.int32).min
    runs = zip(ordered[new][there].tolist(), count[there].tolist(), strict=True)
    texts = [f"{value}:{n}" for value, n in runs]
    ends = np.cumsum(np.bincount(np.nonzero(new)[0][there], minlength=len(of))).tolist()
    said = [" ".join(texts[a:b]) for a, b in zip([0, *ends[:-1]], ends, strict=True)]
    ids = paths["discharge_point_id"].to_numpy(object)
    return pd.DataFrame(
        {
            "discharge_point_id": ids[of],
            "along_m": np.round(ways.measure * ways.scale[of], 2),
            "offsets_m": np.array(said, object),
        }
    )
