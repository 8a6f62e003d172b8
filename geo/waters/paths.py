"""The way surface water runs from each discharge point until it meets water, a drain, the edge."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from pyproj import CRS

from geo.receptors import nearest_feature
from geo.runoff.travel_time import SHEET_FLOW_FT, runoff_minutes
from geo.terrain import flow_paths
from layers.crs import line_length_m
from layers.fields.schemas import PIPED_OUTLETS, SCHEMAS
from layers.files.raster import burn
from layers.grid import Frame
from layers.measures import FT_M

if TYPE_CHECKING:
    from geo.terrain import Terrain

# What ends a path, in the order in which a cell that holds several is read.
ENDS: Final = {"streams": "stream", "water_bodies": "water_body", "drains": "drain"}
# A piped outlet is taken to enter a drain on record within this distance.
DRAIN_WITHIN_M: Final = 50.0
# Wells this near a path are looked at. Common practice, no source: about 200 ft.
WELL_WITHIN_M: Final = 60.0


def outlet_paths(
    discharge_points: gpd.GeoDataFrame,
    terrain: Terrain | None,
    features: Mapping[str, gpd.GeoDataFrame | None],
    *,
    line95_m: Mapping[str, float],
    rain_2yr_m: float | None = None,
) -> gpd.GeoDataFrame:
    """One path per discharge point, on its index.

    Parameters
    ----------
    discharge_points
        ``outlet_kind`` and points in the working system.
    terrain
        None where there is none: paths over the ground are then null.
    features
        ``streams``, ``water_bodies`` and ``drains`` by name, None where missing.
    line95_m
        Accuracy of the lines of each layer at 95 %.
    rain_2yr_m
        24-hour rain of the 2-year storm; None where there is none on record.

    Returns
    -------
    ``path_end`` (stream, water_body, drain, edge; null off the terrain and for outlets into
    soil), ``path_end_id``, ``path_length_m`` (along the ground, ellipsoidal), ``path_drop_m``,
    ``storm_runoff_minutes`` (see `geo.runoff.travel_time.runoff_minutes`: runoff in a storm, null
    without rain on record and where nothing runs over the ground), and the line from the
    discharge point to where it ends.

    Notes
    -----
    Steepest descent over the terrain with its hollows filled, so the water passes through hollows
    to their spill. Mapped lines and the terrain's valleys seldom agree to the cell: a path that
    leaves the terrain without touching a mapped stream, lake or drain is ended where it first
    came within the accuracy of one. An outlet into a storm sewer, field tile or shared collector
    ends in the drain at once.
    """
    crs = discharge_points.crs
    points = discharge_points.geometry.to_numpy()
    kind = discharge_points["outlet_kind"].to_numpy(object)
    piped = np.isin(kind, PIPED_OUTLETS)
    over_ground = ~piped & (kind != "soil")
    running = points.copy()
    running[~over_ground] = None
    paths = ground_paths(running, terrain, features, line95_m, crs)
    paths.index = discharge_points.index
    paths.loc[piped, "path_end"] = "drain"
    paths.loc[piped, ["path_length_m", "path_drop_m"]] = 0.0
    drains = features.get("drains")
    if drains is not None and piped.any():
        near = nearest_feature(
            points[piped], drains.geometry.to_numpy(), crs, within_m=DRAIN_WITHIN_M
        )
        ids = drains["drain_id"].to_numpy(object)
        paths.loc[piped, "path_end_id"] = np.where(near.index >= 0, ids[near.index], None)
    minutes = np.full(len(points), np.nan)
    if rain_2yr_m is not None:
        minutes = runoff_minutes(
            paths["path_length_m"].where(over_ground),
            paths["filled_drop_m"],
            paths["sheet_drop_m"],
            rain_2yr_m=rain_2yr_m,
        )
    paths.insert(4, "storm_runoff_minutes", minutes)
    return paths.drop(columns=["filled_drop_m", "sheet_drop_m"])


def ground_paths(
    points: NDArray[np.object_],
    terrain: Terrain | None,
    features: Mapping[str, gpd.GeoDataFrame | None],
    line95_m: Mapping[str, float],
    crs: CRS,
) -> gpd.GeoDataFrame:
    """The way of the water over the ground from each point to the first of ``features`` met.

    ``path_end``, ``path_end_id``, ``path_length_m``, ``path_drop_m``; ``filled_drop_m`` of the
    surface with its hollows filled, and ``sheet_drop_m`` of that over the first 100 ft; the line.
    All are null for missing points and where the terrain has no data.
    """
    n = len(points)
    table = {
        "path_end": np.full(n, None, object),
        "path_end_id": np.full(n, None, object),
        "path_length_m": np.full(n, np.nan),
        "path_drop_m": np.full(n, np.nan),
        "filled_drop_m": np.full(n, np.nan),
        "sheet_drop_m": np.full(n, np.nan),
    }
    line: NDArray[np.object_] = np.full(n, None, object)
    if terrain is not None:
        x, y = shapely.get_x(points), shapely.get_y(points)
        row, col, _ = terrain.frame.cells_at(x, y)
        at = np.flatnonzero(~np.isnan(terrain.at("opened", x, y)))
        if len(at):
            start = np.column_stack([row[at], col[at]])
            walked = _walk(points[at], start, terrain, features, line95_m, crs)
            line[at] = walked.line
            for name, values in (
                ("path_end", walked.end),
                ("path_end_id", walked.end_id),
                ("path_length_m", walked.length_m),
                ("path_drop_m", walked.drop_m),
                ("filled_drop_m", walked.filled_drop_m),
                ("sheet_drop_m", walked.sheet_drop_m),
            ):
                table[name][at] = values
    return gpd.GeoDataFrame(table, geometry=list(line), crs=crs)


@dataclass(frozen=True)
class _Walked:
    """Paths over the ground, arrays of one length."""

    end: NDArray[np.object_]
    end_id: NDArray[np.object_]
    line: NDArray[np.object_]
    length_m: NDArray[np.float64]
    drop_m: NDArray[np.float64]
    filled_drop_m: NDArray[np.float64]
    sheet_drop_m: NDArray[np.float64]


def _walk(
    points: NDArray[np.object_],
    start: NDArray[np.int64],
    terrain: Terrain,
    features: Mapping[str, gpd.GeoDataFrame | None],
    line95_m: Mapping[str, float],
    crs: CRS,
) -> _Walked:
    """Follow the water from each point, all paths at once."""
    receivers = Receivers(terrain.frame, features, line95_m, crs)
    traced = flow_paths(terrain.whole("direction").values, start, receivers.code > 0)
    steps = np.array([len(cells) for cells in traced])
    cells = np.concatenate(traced)
    steps, reached = receivers.ends(cells, steps)
    cells = np.concatenate([c[:n] for c, n in zip(traced, steps, strict=True)])
    first = np.cumsum(steps) - steps
    last = first + steps - 1
    center = terrain.frame.centers(cells[:, 0], cells[:, 1])
    xy = np.column_stack(center)
    xy[first] = shapely.get_coordinates(points)
    end_xy, end_id = receivers.feet(xy[last], reached)
    xy, after = with_ends(xy, steps, end_xy)
    path = np.repeat(np.arange(len(points)), steps + 1)
    lines = shapely.linestrings(xy, indices=path)
    length = line_length_m(lines, crs)
    ground = terrain.at("ground", *center)
    heights = np.where(np.isnan(ground), terrain.at("opened", *center), ground)
    filled = terrain.at("filled", *center)
    return _Walked(
        receivers.text[reached],
        end_id,
        lines,
        length,
        heights[first] - heights[last],
        filled[first] - filled[last],
        _drop_within(SHEET_FLOW_FT * FT_M, xy, path, filled[after], length),
    )


def with_ends(
    xy: NDArray[np.float64], steps: NDArray[np.int64], end_xy: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Places of paths and after each path's last one its end; and which place each comes from."""
    last = np.cumsum(steps) - 1
    after = np.insert(np.arange(len(xy)), last + 1, last)
    out = xy[after]
    out[np.cumsum(steps + 1) - 1] = end_xy
    return out, after


class Receivers:
    """What ends a path: mapped streams, water bodies and drains on the cells of a terrain.

    Attributes
    ----------
    code
        uint8, shape of the grid: 0 where a path runs on, else the number of what the cell
        touches, so that no path slips through a line at a corner; of several the first of `ENDS`.
    text
        By number: what a path that ends there is said to end at; of 0 ``edge``.
    names
        By number from 1, its layer.
    """

    def __init__(
        self,
        grid: Frame,
        features: Mapping[str, gpd.GeoDataFrame | None],
        line95_m: Mapping[str, float],
        crs: CRS,
    ) -> None:
        self._given = {name: layer for name in ENDS if (layer := features.get(name)) is not None}
        self._grid, self._line95_m, self._crs = grid, line95_m, crs
        self.names = tuple(self._given)
        self.text = np.array(["edge", *(ENDS[name] for name in self.names)], object)
        self.code = np.zeros(grid.shape, np.uint8)
        for k, layer in reversed([*enumerate(self._given.values(), 1)]):
            shapes = layer.geometry.to_numpy()
            self.code[burn(shapes, grid.shape, grid.transform, all_touched=True)] = k
        self._near = np.zeros(0, np.uint8)  # by cell, once asked for: bit 0, and one a layer

    def ends(
        self,
        cells: NDArray[np.int64],
        steps: NDArray[np.int64],
        leaves: NDArray[np.bool_] | None = None,
    ) -> tuple[NDArray[np.int64], NDArray[np.uint8]]:
        """How many cells of each path to keep, and the number of what it ends at.

        Paths that met nothing are cut where they first came within the accuracy of a mapped
        feature.

        Parameters
        ----------
        cells
            Rows and columns of the cells of all paths, one path after the other.
        steps
            How many cells each has.
        leaves
            Which paths to look at so; left out: all that met nothing.
        """
        first = np.cumsum(steps) - steps
        last = cells[first + steps - 1]
        reached = self.code[last[:, 0], last[:, 1]]
        lost = np.flatnonzero((reached == 0) & (True if leaves is None else leaves))
        if not len(lost) or not self._given:
            return steps, reached
        path, begin = np.repeat(lost, steps[lost]), np.cumsum(steps[lost]) - steps[lost]
        step = np.arange(len(path)) - np.repeat(begin, steps[lost])
        near = self._near_at(cells[first[path] + step])
        kept = steps.copy()
        for k in range(1, len(self.text)):
            hit = np.flatnonzero(near & (1 << k))
            soonest = pd.Series(step[hit]).groupby(path[hit]).min()
            sooner = soonest[soonest + 1 < kept[soonest.index]] if len(soonest) else soonest
            kept[sooner.index] = sooner + 1
            reached[sooner.index] = k
        return kept, reached

    def _near_at(self, cells: NDArray[np.int64]) -> NDArray[np.uint8]:
        """Which features' accuracy each cell's center lies within, a bit for each."""
        if not self._near.size:
            self._near = np.zeros(self.code.size, np.uint8)
        flat = cells[:, 0] * self.code.shape[1] + cells[:, 1]
        new = np.unique(flat[self._near[flat] == 0])
        places = shapely.points(
            np.column_stack(self._grid.centers(*np.divmod(new, self.code.shape[1])))
        )
        self._near[new] = 1
        for k, (name, layer) in enumerate(self._given.items(), 1):
            found = nearest_feature(
                places, layer.geometry.to_numpy(), self._crs, within_m=self._line95_m[name]
            )
            self._near[new[found.index >= 0]] |= 1 << k
        return self._near[flat]

    def feet(
        self, xy: NDArray[np.float64], reached: NDArray[np.uint8]
    ) -> tuple[NDArray[np.float64], NDArray[np.object_]]:
        """Where each path's last place comes to the feature it ends at, and the feature's id."""
        feet, ids = xy.copy(), np.full(len(xy), None, object)
        for k, (name, layer) in enumerate(self._given.items(), 1):
            mine = np.flatnonzero(reached == k)
            near = nearest_feature(
                shapely.points(xy[mine]), layer.geometry.to_numpy(), self._crs, within_m=np.inf
            )
            ids[mine] = layer[SCHEMAS[name].id].to_numpy(object)[near.index]
            feet[mine] = shapely.get_coordinates(near.line).reshape(-1, 2, 2)[:, 1]
        return feet, ids


def _drop_within(
    reach_m: float,
    xy: NDArray[np.float64],
    path: NDArray[np.int64],
    height_m: NDArray[np.float64],
    length_m: NDArray[np.float64],
) -> NDArray[np.float64]:
    """How far each path falls from its start to ``reach_m`` along it, or to its end.

    Parameters
    ----------
    xy, path, height_m
        The places of the paths, those of one path in a row, at least two.
    length_m
        On the ground, of each path.
    """
    steps = np.hypot(*np.diff(xy, axis=0, prepend=xy[:1]).T)
    first = np.searchsorted(path, np.arange(len(length_m)))
    steps[first] = 0.0
    along = np.cumsum(steps)
    along -= along[first][path]
    last = np.append(first[1:], len(xy)) - 1
    plane = along[last]
    along *= (length_m / np.where(plane > 0, plane, 1.0))[path]
    inside = np.bincount(path, along <= reach_m).astype(np.int64)
    low = first + np.maximum(inside - 1, 0)
    high = np.minimum(low + 1, last)
    gap = along[high] - along[low]
    share = np.where(gap > 0, (reach_m - along[low]) / np.where(gap > 0, gap, 1.0), 0.0)
    return height_m[first] - (
        height_m[low] + np.minimum(share, 1.0) * (height_m[high] - height_m[low])
    )


def parcels_crossed(
    paths: gpd.GeoDataFrame,
    homes: NDArray[np.object_],
    parcels: gpd.GeoDataFrame | None,
) -> pd.DataFrame:
    """``parcels_crossed`` and ``parcels_crossed_ids`` (joined by ", ") of each path, on its index.

    The parcels it touches beside its own; null where there is no path or layer, and where it leaves
    the terrain before it came to any. Water that goes underground at once crosses none over the
    ground.

    Parameters
    ----------
    homes
        One point per path: the lid whose water it is, else the discharge point. The parcels that
        hold it are not counted.
    """
    there = paths["path_length_m"].notna() & (parcels is not None)
    path: NDArray[np.int64] = np.empty(0, np.int64)
    ids: NDArray[np.object_] = np.empty(0, object)
    if parcels is not None:
        tree = shapely.STRtree(parcels.geometry.to_numpy())
        crossed = pd.MultiIndex.from_arrays(tree.query(paths.geometry.to_numpy(), "intersects"))
        mine = pd.MultiIndex.from_arrays(tree.query(homes, "intersects"))
        others = crossed.difference(mine)
        path = others.get_level_values(0).to_numpy()
        ids = parcels["parcel_id"].to_numpy(object)[others.get_level_values(1)]
    listed = _listed("parcels_crossed", path, ids, there)
    is_cut = (paths["path_end"] == "edge") & (listed["parcels_crossed"] == 0)
    return listed.mask(is_cut)


def flood_areas_crossed(
    paths: gpd.GeoDataFrame, floodplain: gpd.GeoDataFrame | None
) -> pd.DataFrame:
    """``flood_areas_crossed`` and ``flood_areas_crossed_ids`` (joined by ", ") of each path.

    The mapped special flood hazard areas it touches, on the index of ``paths``; they do not end
    it. Null as in `parcels_crossed`.
    """
    there = paths["path_length_m"].notna() & (floodplain is not None)
    path: NDArray[np.int64] = np.empty(0, np.int64)
    ids: NDArray[np.object_] = np.empty(0, object)
    if floodplain is not None:
        special = floodplain[floodplain["is_sfha"].to_numpy(bool)]
        # the areas are the ones prepared, so that a vast one is searched once
        tree = shapely.STRtree(paths.geometry.to_numpy())
        area, path = tree.query(special.geometry.to_numpy(), "intersects")
        ids = special["floodplain_id"].to_numpy(object)[area]
    return _listed("flood_areas_crossed", path, ids, there)


def wells_downhill(
    paths: gpd.GeoDataFrame,
    discharge_points: gpd.GeoDataFrame,
    wells: gpd.GeoDataFrame | None,
    terrain: Terrain | None,
) -> pd.DataFrame:
    """``wells_downhill`` and ``wells_downhill_ids`` (joined by ", ") of each path, on its index.

    Wells on record within `WELL_WITHIN_M` of the path, on ground no higher than that of the
    discharge point; ground that is not known counts as low, the more protective reading. Null
    where there is no path over the ground or no list of wells.
    """
    lines = paths.geometry.to_numpy()
    there = pd.Series(~shapely.is_missing(lines), paths.index)
    if wells is None or terrain is None:
        return _listed("wells_downhill", np.empty(0, int), np.empty(0, object), there & False)
    places = wells.geometry.to_numpy()
    well, path = near_ways(places, lines)
    starts = discharge_points.geometry.to_numpy()[path]
    rise = terrain.at("ground", *_xy(places[well])) - terrain.at("ground", *_xy(starts))
    low = ~(rise > 0)
    return _listed("wells_downhill", path[low], wells["well_id"].to_numpy(object)[well[low]], there)


def near_ways(
    wells: NDArray[np.object_], ways: NDArray[np.object_]
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Positions of every well and way that lie within `WELL_WITHIN_M` of each other."""
    # the ways ask and the wells are asked: what asks is searched by its parts, a well has none
    way, well = shapely.STRtree(wells).query(ways, predicate="dwithin", distance=WELL_WITHIN_M)
    return well, way


def _listed(
    name: str, path: NDArray[np.int64], ids: NDArray[np.object_], there: pd.Series
) -> pd.DataFrame:
    """How many things each path meets, and the ids of those that have one; null if not there."""
    count = np.bincount(np.asarray(path, np.int64), minlength=len(there))
    known = pd.DataFrame({"path": path, "id": ids}).dropna().sort_values(["path", "id"])
    rows, starts = np.unique(known["path"].to_numpy(np.int64), return_index=True)
    names = known["id"].tolist()
    joined: NDArray[np.object_] = np.full(len(there), np.nan, object)
    for row, start, end in zip(rows, starts, np.append(starts[1:], len(names)), strict=False):
        joined[row] = ", ".join(names[start:end])
    counted = pd.Series(count.astype(float), there.index).where(there)
    return pd.DataFrame({name: counted, f"{name}_ids": joined}, index=there.index)


def _xy(points: NDArray[np.object_]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    return shapely.get_x(points), shapely.get_y(points)
