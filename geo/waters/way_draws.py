"""What the errors of terrain and positions do to the ways of water over the ground: draws.

In each draw the terrain has an error of its stated size that is alike at places near each other
(the same as in the draws of ponds), and the discharge point lies somewhere within its own
accuracy; the ground is filled and the water followed as on the terrain as it is.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
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
from geo.waters.drain_ends import DrainEnds
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
    "height_m", "before_m", "then_ends", "then_leg", "then_along_m", "then_water",
    "then_height_m", "then_before_m", "then_x", "then_y",
)  # fmt: skip
# Of the budget, what ways from the ends of drains may take. Common practice, no source.
_ENDS_SHARE: Final = 0.2
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
        water. Where it ends in a drain whose own end was drawn, ``then_ends`` and so on tell where
        the water comes in after it ran over the ground from there in the same draws, at ``then_x,
        then_y``, ``then_before_m`` from the discharge point; null (-1) for others. The draws of a
        discharge point add up to those made.
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
        As for `geo.paths.outlet_paths`.
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
    ids = [f"outlet {name}" for name in paths["discharge_point_id"].astype(str)]
    outlets = _Starts.of(paths, ids, accuracy95_m, terrain, features, error, line95_m)
    least = min(LEAST_DRAWS, error.draws)
    if ends is not None and len(ends.ways):
        open_ends = _Starts.of(
            ends.ways,
            [f"drain end {x:.3f} {y:.3f}" for x, y in _starts(ends.ways)],
            np.full(len(ends.ways), line95_m["drains"]),
            terrain,
            {name: layer for name, layer in features.items() if name != "drains"},
            error,
            line95_m,
        )
        if open_ends.cells * least > _ENDS_SHARE * budget_cells:
            ends = None
    else:
        ends = None
    draws = error.draws
    if outlets.cells * least > budget_cells:
        draws = min(SOME_DRAWS, error.draws)
        some = _reached(outlets, most_wanted(paths), _FIRST_SHARE * budget_cells / draws)
        if not len(some):
            return no_draws(paths.crs)
        paths, outlets = paths.iloc[some].reset_index(drop=True), outlets.some(some)
    both = [outlets] if ends is None else [outlets, open_ends]
    ways = _Ways.of(paths)
    into = _Ends(legs, features, lowest_around(terrain))
    in_pipe = _Piped.of(piped, ends, len(paths))
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
        off.append(_coarse(offsets(drawn.xy, drawn.first, ways.station, ways.ahead, ways.first)))
        rows = in_pipe.beside(into.of(draw, drawn), draw)
        if ends is not None:
            after = into.of(draw, open_ends.drawn(draw, followed[1]))
            rows = _then(rows, after, ends, legs)
        found.append(rows)
    made = len(found)
    if made < least:
        return no_draws(paths.crs)
    entries = pd.concat(found, ignore_index=True)
    over_ground = entries["way"] < len(paths)
    names = [*paths["discharge_point_id"], *in_pipe.ids]
    return WayDraws(
        _grouped(entries, np.array(names, object), paths.crs),
        _passes(np.array(off), ways, paths),
        made,
        looked,
        len(outlets.windows),
        float((entries["ends"][over_ground] == "not_followed").mean()),
        len(paths),
        0 if ends is None else len(ends.ways),
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


def _starts(paths: gpd.GeoDataFrame) -> Floats:
    return shapely.get_coordinates(shapely.get_point(paths.geometry.to_numpy(), 0)).reshape(-1, 2)


def _scale(paths: gpd.GeoDataFrame) -> Floats:
    """Metres on the ground for one in the plane along each way."""
    plane = shapely.length(paths.geometry.to_numpy())
    known = plane > 1.0
    scale = paths["length_m"].to_numpy(float) / np.where(known, plane, 1.0)
    return np.where(known, scale, float(np.median(scale[known])) if known.any() else 1.0)


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
        terrain: TerrainModel,
        features: Mapping[str, gpd.GeoDataFrame | None],
        error: TerrainError,
        line95_m: Mapping[str, float],
    ) -> _Starts:
        """``ids``: each place is drawn apart from all of other names."""
        surface = terrain.opened
        place, cell = places_drawn(_starts(paths), ids, accuracy95_m, surface, error)
        follow = Follower(
            DrawnGround.of(
                surface, error, direction=terrain.direction.values, pipes=terrain.cut_cells
            ),
            Receivers(terrain.ground, features, line95_m, paths.crs),
            terrain.direction.values,
            error.range_m,
        )
        return cls(follow, boxes_of(paths, cell, terrain), place, cell, _scale(paths))

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
        measure, first = stations(lines)
        of = np.repeat(lines, np.diff(first))
        return cls(
            _scale(paths),
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


@dataclass(frozen=True)
class _Piped:
    """Discharge points that let out into drains at once: the same in every draw."""

    rows: pd.DataFrame
    ids: list[str]

    @classmethod
    def of(cls, piped: gpd.GeoDataFrame | None, ends: DrainEnds | None, first: int) -> _Piped:
        """Those whose drain has a drawn end, numbered from ``first`` on."""
        if piped is None or ends is None or not len(piped):
            return cls(pd.DataFrame(), [])
        leg = piped["leg"].to_numpy(np.int64)
        some = piped[(leg >= 0) & (ends.end_of[leg] >= 0)]
        some = some.drop_duplicates("discharge_point_id")
        xy = shapely.get_coordinates(some.geometry.to_numpy()).reshape(-1, 2)
        kept = ["leg", "along_m", "water", "height_m", "before_m"]
        rows = pd.DataFrame(some[kept]).assign(
            way=first + np.arange(len(some)), ends="drain", layer="drains", feature_id=None,
            x=xy[:, 0], y=xy[:, 1],
        )  # fmt: skip
        return cls(rows, some["discharge_point_id"].tolist())

    def beside(self, rows: pd.DataFrame, draw: int) -> pd.DataFrame:
        """The rows of a draw with these below."""
        if not self.ids:
            return rows
        return pd.concat([rows, self.rows.assign(draw=draw)], ignore_index=True)


def _then(
    rows: pd.DataFrame, after: pd.DataFrame, ends: DrainEnds, legs: gpd.GeoDataFrame
) -> pd.DataFrame:
    """The rows of a draw with where water that came into drains came in after their ends."""
    leg = rows["leg"].to_numpy(np.int64)
    end = np.where(leg >= 0, ends.end_of[leg], -1)
    into = np.flatnonzero(end >= 0)
    leg, onward = leg[into], after.iloc[end[into]].set_index(rows.index[into])
    plane = shapely.length(legs.geometry.to_numpy()[leg])
    rest = np.maximum(plane - rows["along_m"].to_numpy(float)[into], 0.0)
    rest *= legs["length_m"].to_numpy(float)[leg] / np.where(plane > 0, plane, 1.0)
    gone = rows["before_m"].iloc[into] + rest + ends.pipe_m[leg]
    told = onward.assign(before_m=onward["before_m"] + gone)
    names = ["ends", "leg", "along_m", "water", "height_m", "before_m", "x", "y"]
    return rows.join(told[names].add_prefix("then_"))


def _grouped(found: pd.DataFrame, names: NDArray[np.object_], crs: object) -> gpd.GeoDataFrame:
    """Draws that end alike as one row, the most frequent first; ``names`` by way."""
    for name in ("then_leg", "then_along_m", "then_water", "then_height_m", "then_before_m",
                 "then_x", "then_y"):  # fmt: skip
        found[name] = found[name].astype(float) if name in found else np.nan
    found["then_ends"] = found["then_ends"].fillna("") if "then_ends" in found else ""
    for name in ("then_leg", "then_water"):
        found[name] = found[name].fillna(NOT_THERE).astype(np.int64)
    for part, along in (("part", "along_m"), ("then_part", "then_along_m")):
        found[part] = np.floor(found[along] / APART_M).fillna(NOT_THERE).astype(np.int64)
    keys = ["way", "ends", "leg", "water", "part", "then_ends", "then_leg", "then_water",
            "then_part"]  # fmt: skip
    mean: tuple[str, ...] = ("along_m", "height_m", "before_m", "x", "y")
    mean += tuple(f"then_{name}" for name in mean)
    table = (
        found.groupby(keys, sort=True)
        .agg(
            draws=("draw", "size"), layer=("layer", "first"), feature_id=("feature_id", "first"),
            **{name: (name, "mean") for name in mean},
        )
        .reset_index()
    )  # fmt: skip
    order = np.lexsort([np.arange(len(table)), -table["draws"], table["way"]])
    table = table.iloc[order].reset_index(drop=True)
    table["discharge_point_id"] = names[table["way"]]
    table.loc[table["ends"] == "off_terrain", "before_m"] = np.nan
    table["then_ends"] = table["then_ends"].where(table["then_ends"] != "", None)
    for column in ("layer", "feature_id", "then_ends"):
        table[column] = table[column].astype(object).where(table[column].notna(), None)
    points = shapely.points(table[["x", "y"]].to_numpy(float))
    points[table["x"].isna().to_numpy()] = None
    return gpd.GeoDataFrame(table[list(ENTRY_COLUMNS)], geometry=list(points), crs=crs)


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
