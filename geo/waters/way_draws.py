"""What the errors of terrain and positions do to the ways of water over the ground: draws.

In each draw the terrain has an error of its stated size that is alike at places near each other
(the same as in the draws of ponds), and the discharge point lies somewhere within its own
accuracy; the ground is filled and the water followed as on the terrain as it is.
"""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from pyproj import CRS

from geo.kernels.offsets import offsets
from geo.ponds.draw_windows import WINDOW_CELLS
from geo.terrain.draws import (
    LARGE_CELLS,
    LEAST_DRAWS,
    DrawnGround,
    ErrorModel,
    in_turn,
    places_drawn,
)
from geo.waters.downstream import lowest_around
from geo.waters.drain_ends import DrainEnds
from geo.waters.drawn_entries import Entries, Piped, after_drains, grouped
from geo.waters.drawn_passes import Stations, coarse, ground_scale, passes_of
from geo.waters.paths import Receivers
from geo.waters.way_following import Drawn, Follower, boxes_of, largest
from layers.outputs import DRAWN_ENTRIES, DRAWN_PASSES, FLOW_PATHS

if TYPE_CHECKING:
    from geo.terrain import Terrain
    from layers.grid import Window

# Cells times draws that are worked through at most, a window counted as so many more: what 2 cores
# of their own do in 5 minutes, see the benchmark.
BUDGET_CELLS: Final = 3_000_000_000
# Where the budget does not reach for all outlets: draws of those it reaches, and the share of the
# budget spent on their first windows; ways that leave these cost more. Measured, see the benchmark.
SOME_DRAWS: Final = 20
_FIRST_SHARE: Final = 0.7
# Of the budget, what ways from the ends of drains may take. Common practice, no source.
_ENDS_SHARE: Final = 0.2
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
        water. Where it ends in a drain whose own end was drawn, ``then_ends`` and so on tell where
        the water comes in after it ran over the ground from there in the same draws, at ``then_x,
        then_y``, ``then_before_m`` from the discharge point; null (-1) for others. The draws of a
        discharge point add up to those made.
    passes
        ``discharge_point_id``, ``along_m`` of a station on its way as the terrain shows it (on
        the ground, from the discharge point), ``offsets_m``: how far off the station drawn ways
        pass and in how many draws, as text, as in ``-4:3 0:15 2:2``: 3 pass 4 m to the right of
        the water's way, 15 over it. Whole meters, coarser beyond 10 m.
    draws
        How many were made.
    cells, windows
        Worked through in all draws together, and in how many windows each was begun.
    not_followed
        Share of drawn ways that left the ground looked at.
    outlets
        Of how many discharge points.
    drain_ends
        From how many ends of drains ways were drawn.
    """

    entries: gpd.GeoDataFrame
    passes: pd.DataFrame
    draws: int
    cells: int
    windows: int
    not_followed: float
    outlets: int = 0
    drain_ends: int = 0


def no_draws(crs: CRS) -> WayDraws:
    """Two empty tables."""
    return WayDraws(
        DRAWN_ENTRIES.empty_layer(crs),
        DRAWN_PASSES.empty(),
        0, 0, 0, 0.0,
    )  # fmt: skip


def draw_ways(
    paths: gpd.GeoDataFrame,
    accuracy95_m: Floats,
    terrain: Terrain,
    features: Mapping[str, gpd.GeoDataFrame | None],
    legs: gpd.GeoDataFrame,
    error: ErrorModel,
    *,
    line95_m: Mapping[str, float],
    ends: DrainEnds | None = None,
    piped: gpd.GeoDataFrame | None = None,
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
        As for `geo.waters.paths.outlet_paths`.
    legs
        As `geo.waters.waterways.find_waterways` gives them.
    ends
        Of drains, from `geo.waters.drain_ends.drain_ends`; left out: not drawn. Each end is known
        as well as the drains' lines are.
    piped
        Discharge points that let out into a drain at once: rows of
        `geo.waters.waterways.Waterways.places`. Those whose drain has a drawn end are told of too.
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
    ids = ["outlet" + f" {name}" for name in paths["discharge_point_id"].astype(str)]  # of seeds
    outlets = _Starts.of(paths, ids, accuracy95_m, terrain, features, error, line95_m)
    least = min(LEAST_DRAWS, error.draws)
    open_ends = None
    if ends is not None and len(ends.ways):
        open_ends = _of_ends(ends, terrain, features, error, line95_m)
        if open_ends.cells * least > _ENDS_SHARE * budget_cells:
            open_ends = None
    if ends is None or open_ends is None:
        ends = open_ends = None
    draws = error.draws
    if outlets.cells * least > budget_cells:
        draws = min(SOME_DRAWS, error.draws)
        some = _reached(outlets, most_wanted(paths), _FIRST_SHARE * budget_cells / draws)
        if not len(some):
            return no_draws(paths.crs)
        paths, outlets = paths.iloc[some].reset_index(drop=True), outlets.some(some)
    both = [outlets] if open_ends is None else [outlets, open_ends]
    ways = Stations.of(paths)
    into = Entries(legs, features, lowest_around(terrain))
    in_pipe = Piped.of(piped, ends, len(paths))
    found, off = [], []
    spent = looked = 0
    at_once = (
        1 if max(largest(s.windows) for s in both) > LARGE_CELLS else workers or os.cpu_count() or 1
    )
    for draw, followed in in_turn(lambda draw: [s.draw(draw) for s in both], draws, at_once):
        cost = sum(one[2] for one in followed)
        if spent + cost > budget_cells:
            break
        spent, looked = spent + cost, looked + sum(one[3] for one in followed)
        drawn = outlets.drawn(draw, followed[0])
        off.append(coarse(offsets(drawn.xy, drawn.first, ways.station, ways.ahead, ways.first)))
        rows = in_pipe.beside(into.of(draw, drawn), draw)
        if ends is not None and open_ends is not None:
            after = into.of(draw, open_ends.drawn(draw, followed[1]))
            rows = after_drains(rows, after, ends, legs)
        found.append(rows)
    made = len(found)
    if made < least:
        return no_draws(paths.crs)
    entries = pd.concat(found, ignore_index=True)
    over_ground = entries["way"] < len(paths)
    names = [*paths["discharge_point_id"], *in_pipe.ids]
    return WayDraws(
        grouped(entries, np.array(names, object), paths.crs),
        passes_of(np.array(off), ways, paths),
        made,
        looked,
        len(outlets.windows),
        float((entries["ends"][over_ground] == "not_followed").mean()),
        len(paths),
        0 if ends is None else len(ends.ways),
    )


def _of_ends(
    ends: DrainEnds,
    terrain: Terrain,
    features: Mapping[str, gpd.GeoDataFrame | None],
    error: ErrorModel,
    line95_m: Mapping[str, float],
) -> _Starts:
    """The ends of drains as places where water begins to run over the ground."""
    return _Starts.of(
        ends.ways,
        [f"drain end {x:.3f} {y:.3f}" for x, y in _starts(ends.ways)],
        np.full(len(ends.ways), line95_m["drains"]),
        terrain,
        {name: layer for name, layer in features.items() if name != "drains"},
        error,
        line95_m,
    )


def most_wanted(paths: gpd.GeoDataFrame) -> Ints:
    """The order in which ways are drawn where not all can be.

    First those that lead down the water to a bathing place or intake, the nearest to it first;
    then those that come to mapped water; then the rest; the shorter way over the ground, which
    costs less, before the longer.
    """
    far = FLOW_PATHS.numbers(paths, "downstream_m")
    end = FLOW_PATHS.values(paths, "path_end").to_numpy(object)
    reached = np.isin(end.astype(str), ("stream", "water_body", "drain"))
    kind = np.where(~np.isnan(far), 0, np.where(reached, 1, 2))
    ids = paths["discharge_point_id"].astype(str).to_numpy()
    return np.lexsort([ids, paths["length_m"].to_numpy(float), np.nan_to_num(far), kind])


def _reached(outlets: _Starts, order: Ints, cells: float) -> Ints:
    """As many of the first in an order as windows of so many cells hold, in the rows' order."""
    low, high = 0, len(order)
    while low < high:
        middle = (low + high + 1) // 2
        if outlets.some(order[:middle]).cells <= cells:
            low = middle
        else:
            high = middle - 1
    return np.sort(order[:low])


def _starts(paths: gpd.GeoDataFrame) -> Floats:
    return shapely.get_coordinates(shapely.get_point(paths.geometry.to_numpy(), 0)).reshape(-1, 2)


@dataclass(frozen=True)
class _Starts:
    """Places from which water is followed over drawn ground, and the windows looked at."""

    follow: Follower
    boxes: Ints
    place: Floats
    cell: Ints
    scale: Floats

    @classmethod
    def of(
        cls,
        paths: gpd.GeoDataFrame,
        ids: Sequence[str],
        accuracy95_m: Floats,
        terrain: Terrain,
        features: Mapping[str, gpd.GeoDataFrame | None],
        error: ErrorModel,
        line95_m: Mapping[str, float],
    ) -> _Starts:
        """``ids``: each place is drawn apart from all of other names."""
        surface, direction = terrain.whole("opened"), terrain.whole("direction").values
        place, cell = places_drawn(_starts(paths), ids, accuracy95_m, surface, error)
        follow = Follower(
            DrawnGround.of(surface, error, direction=direction, pipes=terrain.cut_cells),
            Receivers(terrain.frame, features, line95_m, paths.crs),
            direction,
            error.range_m,
        )
        return cls(follow, boxes_of(paths, cell, terrain), place, cell, ground_scale(paths))

    def some(self, rows: Ints) -> _Starts:
        """Only these rows."""
        return _Starts(
            self.follow, self.boxes[rows], self.place[:, rows], self.cell[:, rows], self.scale[rows]
        )

    @cached_property
    def _windows(self) -> tuple[list[Window], Ints]:
        return self.follow.windows(self.boxes)

    @property
    def windows(self) -> list[Window]:
        return self._windows[0]

    @property
    def cells(self) -> int:
        """What a draw costs at first."""
        return sum(w.rows * w.cols + WINDOW_CELLS for w in self.windows)

    def draw(self, draw: int) -> tuple[list[Ints], NDArray[np.bool_], int, int]:
        """As of `Follower.draw`."""
        return self.follow.draw(draw, self.cell[draw], *self._windows)

    def drawn(self, draw: int, followed: tuple[list[Ints], NDArray[np.bool_], int, int]) -> Drawn:
        """The ways of one draw."""
        return self.follow.drawn(self.place[draw], followed[0], followed[1], self.scale)
