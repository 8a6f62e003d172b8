"""The mapped water of an assessment as a graph, walked up or down."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from scipy.special import ndtr

from geo.waters.network import RISE_M, water_groups
from geo.waters.shortest import shortest_ways
from layers.crs import ground_length_m
from layers.store import Assessment

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
_LEAST_M: Final = 1e-6  # a way of no length is still a way


@dataclass(frozen=True)
class Spot:
    """A place on the water.

    Attributes
    ----------
    legs, measure
        Legs it lies at and how far along them (plane).
    waters, water_xy, water_height_m
        Water bodies it lies in, one point of the place, and the height of their water there.
    paths, path_measure, path_off_m
        Ways over the ground (rows of ``flow_paths``) that pass it, how far along them, how far off.
    """

    xy: tuple[float, float]
    legs: Ints
    measure: Floats
    waters: Ints
    water_height_m: Floats
    paths: Ints
    path_measure: Floats
    path_off_m: Floats
    slack_m: float


class WaterGraph:
    """Legs, water bodies and where outlets come in; ways down, and ways up by the same edges."""

    def __init__(self, assessment: Assessment) -> None:
        self.assessment = assessment
        self.crs = assessment.units.crs
        legs, places = assessment.water.legs, assessment.water.places
        self.legs = legs
        self.shapes = _geometry(legs)
        self.layer = _column(legs, "layer", object)
        self.feature_id = _column(legs, "feature_id", object)
        self.from_node = _column(legs, "from_node", np.int64)
        self.to_node = _column(legs, "to_node", np.int64)
        self.length_m = _column(legs, "length_m", float)
        plane = shapely.length(self.shapes)
        self.scale = self.length_m / np.where(plane > 0, plane, 1.0)
        kind = _column(places, "kind", object)
        self.entries = _Points(places, kind == "outlet")
        self.inflows = _Points(places, kind == "inflow")
        self.exits = _Points(places, kind == "exit")
        drawn = assessment.water.drawn_entries
        wet = (_column(drawn, "leg", np.int64) >= 0) | (_column(drawn, "water", np.int64) >= 0)
        self.drawn = _Points(drawn, wet)
        on = self.drawn.table[self.drawn.is_drawn_on]
        every = np.ones(len(on), bool)
        self.drawn_on = _Points(on, every), _Points(_then(on), every)
        ends = (self.from_node, self.to_node, self.inflows.node, self.exits.node)
        self.nodes = 1 + max((int(a.max()) for a in ends if len(a)), default=-1)
        self.paths = _with(assessment.flow_paths, "discharge_point_id", "length_m")
        self.points = _with(assessment.discharge_points, "accuracy95_m")
        self.path_shapes = _geometry(self.paths)

    @cached_property
    def on_record(self) -> gpd.GeoDataFrame:
        """The units by their ids."""
        return self.assessment.units.drop_duplicates("unit_id").set_index("unit_id")

    @cached_property
    def edges(self) -> tuple[Ints, Ints, Floats, NDArray[np.bool_]]:
        """From node, to node, length of every leg and way across a water body; is it over ground.

        Only ways from the ends of drains run over the ground.
        """
        come, out, across = self.crossings(self.inflows, self.exits)
        return (
            np.concatenate([self.from_node, self.inflows.node[come]]),
            np.concatenate([self.to_node, self.exits.node[out]]),
            np.concatenate([self.length_m, across]),
            np.concatenate([self.layer == "ground", np.zeros(len(across), bool)]),
        )

    def crossings(self, one: _Points, other: _Points) -> tuple[Ints, Ints, Floats]:
        """Pairs of places of one water body, the second not known to lie higher than the first."""
        left = pd.DataFrame({"water": one.water, "a": np.arange(len(one.water))})
        right = pd.DataFrame({"water": other.water, "b": np.arange(len(other.water))})
        pair = left[left["water"] >= 0].merge(right, on="water")
        a, b = pair["a"].to_numpy(np.int64), pair["b"].to_numpy(np.int64)
        keep = ~(other.height_m[b] - one.height_m[a] > RISE_M)
        a, b = a[keep], b[keep]
        x1, y1, x2, y2 = np.hstack([one.xy[a], other.xy[b]]).T
        return a, b, ground_length_m(x1, y1, x2, y2, self.crs) if len(a) else np.empty(0)

    def walk(
        self, start: Ints, before_m: Floats, *, up: bool, over_ground: bool = True
    ) -> tuple[Floats, Ints]:
        """Length from some nodes to every node, up or down the water, and the node before.

        Infinite, and -1, where none leads. ``over_ground``: by ways from drains' ends too.
        """
        n, (a, b, length, is_ground) = self.nodes, self.edges
        if not over_ground:
            a, b, length = a[~is_ground], b[~is_ground], length[~is_ground]
        if up:
            a, b = b, a
        a = np.concatenate([a, np.full(len(start), n)]).astype(np.int64)
        b = np.concatenate([b, start]).astype(np.int64)
        length = np.maximum(np.concatenate([length, before_m]), _LEAST_M)
        far, before, _ = shortest_ways(a, b, length, n + 1, np.array([n]))
        return far[:n], before[:n]

    # ------------------------------------------------------------------------------- spots

    def spot(self, xy: tuple[float, float], within_m: float) -> Spot:
        """The water that passes within a distance of a place."""
        point = shapely.Point(xy)
        legs = _within(self.shapes, point, within_m)
        paths = _within(self.path_shapes, point, within_m)
        waters = np.unique(self.groups[_within(self.areas, point, within_m)])
        return Spot(
            xy,
            legs,
            shapely.line_locate_point(self.shapes[legs], point),
            waters,
            np.array([self.height_of(water, xy) for water in waters], float),
            paths,
            shapely.line_locate_point(self.path_shapes[paths], point),
            shapely.distance(self.path_shapes[paths], point),
            within_m,
        )

    def spot_of(self, layer: str, feature_id: str) -> Spot | None:
        """The whole of a stream, drain or water body; None when there is none of that id."""
        nothing, none = np.empty(0, np.int64), np.empty(0)
        if layer == "water_bodies":
            ids = self.water_ids
            waters = np.unique(self.groups[ids == feature_id])
            if not len(waters):
                return None
            at = shapely.point_on_surface(self.areas[ids == feature_id][0])
            unknown = np.full(len(waters), np.nan)
            return Spot((at.x, at.y), nothing, none, waters, unknown, nothing, none, none, 0.0)
        legs = np.flatnonzero((self.layer == layer) & (self.feature_id == feature_id))
        if not len(legs):
            return None
        ends = legs[~np.isin(self.to_node[legs], self.from_node[legs])]
        at = shapely.get_point(self.shapes[ends[0] if len(ends) else legs[-1]], -1)
        measure = shapely.length(self.shapes[legs])
        return Spot((at.x, at.y), legs, measure, nothing, none, nothing, none, none, 0.0)

    @cached_property
    def areas(self) -> NDArray[np.object_]:
        """The water bodies' shapes."""
        table = self.assessment.context.get("water_bodies")
        return np.empty(0, object) if table is None else table.geometry.to_numpy()

    @cached_property
    def water_ids(self) -> NDArray[np.object_]:
        """The water bodies' ids."""
        return _column(self.assessment.context.get("water_bodies"), "water_body_id", object)

    @cached_property
    def groups(self) -> Ints:
        """Which water bodies belong together because they touch."""
        return water_groups(self.areas)

    def height_of(self, water: int, xy: tuple[float, float]) -> float:
        """The height of a water body's surface at a place: that of the nearest known shore."""
        best = (np.inf, np.nan)
        for points in (self.entries, self.inflows, self.exits):
            mine = np.flatnonzero((points.water == water) & ~np.isnan(points.height_m))
            if len(mine):
                off = np.hypot(*(points.xy[mine] - xy).T)
                k = int(off.argmin())
                best = min(best, (float(off[k]), float(points.height_m[mine[k]])))
        return best[1]

    # --------------------------------------------------------------------------------- ways

    def down(self, entry: int) -> tuple[Floats, Ints]:
        """Length from an entry to every node down the water, and the node before."""
        nodes, lengths = [], []
        leg = self.entries.leg[entry]
        if leg >= 0:
            rest = shapely.length(self.shapes[leg]) - self.entries.along_m[entry]
            nodes.append(np.array([self.to_node[leg]]))
            lengths.append(np.array([max(rest, 0.0) * self.scale[leg]]))
        _, out, across = self.crossings(self.entries.only(entry), self.exits)
        nodes.append(self.exits.node[out])
        lengths.append(across)
        return self.walk(np.concatenate(nodes), np.concatenate(lengths), up=False)

    def passes(self, entry: int, spot: Spot) -> bool:
        """Whether the mapped water of an entry comes past a spot, followed downstream."""
        far, _ = self.down(entry)
        leg = self.entries.leg[entry]
        for k, measure in zip(spot.legs, spot.measure, strict=True):
            if np.isfinite(far[self.from_node[k]]):
                return True
            if k == leg and self.entries.along_m[entry] <= measure + spot.slack_m:
                return True
        for water, height in zip(spot.waters, spot.water_height_m, strict=True):
            if (
                self.entries.water[entry] == water
                and not height - self.entries.height_m[entry] > RISE_M
            ):
                return True
            come = self.inflows.water == water
            low = height - self.inflows.height_m > RISE_M
            if np.isfinite(far[self.inflows.node[come & ~low]]).any():
                return True
        return False

    def up(self, spot: Spot) -> Upstream:
        """Every entry whose mapped water comes past a spot, followed upstream."""
        far, onward = self.walk(*self._above(spot), up=True)
        return Upstream(far, onward, *self.lengths_from(self.entries, spot, far))

    def up_in_water(self, spot: Spot) -> Floats:
        """Length from every node down to a spot without leaving streams, ponds and drains."""
        return self.walk(*self._above(spot), up=True, over_ground=False)[0]

    def _above(self, spot: Spot) -> tuple[Ints, Floats]:
        """Nodes from which water comes to a spot at once, and how far."""
        nodes, lengths = [self.from_node[spot.legs]], [spot.measure * self.scale[spot.legs]]
        for water, height in zip(spot.waters, spot.water_height_m, strict=True):
            mine, gone = self._in_water(self.inflows, water, height, spot)
            nodes.append(self.inflows.node[mine])
            lengths.append(gone)
        return np.concatenate(nodes), np.concatenate(lengths)

    def _in_water(
        self, points: _Points, water: int, height: float, spot: Spot
    ) -> tuple[Ints, Floats]:
        """Which points of a water body a spot of it does not lie above, and how far off it is."""
        mine = np.flatnonzero((points.water == water) & ~(height - points.height_m > RISE_M))
        x, y = points.xy[mine].T
        here_x, here_y = (np.full(len(mine), v) for v in spot.xy)
        return mine, ground_length_m(x, y, here_x, here_y, self.crs)

    def lengths_from(self, entries: _Points, spot: Spot, far: Floats) -> tuple[Floats, Ints]:
        """Length from each entry down to a spot, and the node it first comes to.

        Infinite where its mapped water does not come past; -1 where it comes in at the spot, the
        length then signed on the spot's own leg. ``far``: the length from every node.
        """
        far_of, to = np.full(len(entries.leg), np.inf), np.full(len(entries.leg), -1)
        for k, measure in zip(spot.legs, spot.measure, strict=True):
            mine = np.flatnonzero(entries.leg == k)
            gap = measure - entries.along_m[mine]
            mine, gap = mine[gap >= -spot.slack_m], gap[gap >= -spot.slack_m]
            far_of[mine] = np.minimum(far_of[mine], gap * self.scale[k])
        for water, height in zip(spot.waters, spot.water_height_m, strict=True):
            mine, gone = self._in_water(entries, water, height, spot)
            far_of[mine] = np.minimum(far_of[mine], gone)
        leg = entries.leg
        on = np.flatnonzero(leg >= 0)
        rest = shapely.length(self.shapes[leg[on]]) - entries.along_m[on]
        end = self.to_node[leg[on]]
        whole = far[end] + np.maximum(rest, 0.0) * self.scale[leg[on]]
        nearer = whole < far_of[on]
        far_of[on[nearer]], to[on[nearer]] = whole[nearer], end[nearer]
        come, out, across = self.crossings(entries, self.exits)
        whole = across + far[self.exits.node[out]]
        order = np.lexsort([whole, come])
        come, out, whole = come[order], out[order], whole[order]
        first = np.unique(come, return_index=True)[1]
        come, out, whole = come[first], out[first], whole[first]
        nearer = whole < far_of[come]
        far_of[come[nearer]], to[come[nearer]] = whole[nearer], self.exits.node[out[nearer]]
        return far_of, to


@dataclass(frozen=True)
class Upstream:
    """What lies up the water from a spot.

    Attributes
    ----------
    node_m, onward
        Length from every node down to the spot (infinite where none leads), and the next node.
    entry_m, entry_to
        Length from every entry; the node it first comes to, -1 where it comes in at the spot.
    """

    node_m: Floats
    onward: Ints
    entry_m: Floats
    entry_to: Ints


class _Points:
    """Some of the places, column by column."""

    def __init__(self, places: pd.DataFrame, some: NDArray[np.bool_] | Ints) -> None:
        table = places[some] if len(places) else places
        self.table = table
        self.leg = _column(table, "leg", np.int64)
        self.along_m = _column(table, "along_m", float)
        self.water = _column(table, "water", np.int64)
        self.node = _column(table, "node", np.int64)
        self.height_m = _column(table, "height_m", float)
        self.before_m = _column(table, "before_m", float)
        then: pd.Series = pd.Series(table.get("then_ends"), table.index, dtype=object)
        self.is_drawn_on: NDArray[np.bool_] = then.notna().to_numpy(bool)
        self.xy = shapely.get_coordinates(_geometry(table)).reshape(-1, 2)

    def only(self, row: int) -> _Points:
        return _Points(self.table.iloc[[row]], np.array([True]))


def _then(entries: pd.DataFrame) -> gpd.GeoDataFrame:
    """Where drawn water comes in after the end of a drain, as the table of entries has it."""
    some = {n: n.removeprefix("then_") for n in entries if n.startswith("then_")}
    table = pd.DataFrame(entries)[list(some)].rename(columns=some)
    points = gpd.points_from_xy(table["x"], table["y"]) if some else []
    return gpd.GeoDataFrame(table, geometry=points)


def _within(shapes: NDArray[np.object_], point: shapely.Point, within_m: float) -> Ints:
    """Shapes within a distance of a point."""
    return np.flatnonzero(shapely.dwithin(shapes, point, within_m)).astype(np.int64)


def _geometry(table: pd.DataFrame) -> NDArray[np.object_]:
    if not isinstance(table, gpd.GeoDataFrame) or not len(table):
        return np.empty(0, object)
    return np.asarray(table.geometry.to_numpy(), object)


def _with(table: gpd.GeoDataFrame, *names: str) -> gpd.GeoDataFrame:
    """A table with some columns that one without rows need not have."""
    return table.assign(**{name: np.full(len(table), np.nan) for name in {*names} - {*table}})


def _column(table: pd.DataFrame | None, name: str, kind: type) -> NDArray:
    if table is None or name not in table or not len(table):
        return np.empty(0, kind)
    return np.asarray(table[name].to_numpy(kind))


def normal_chance(margin_m: Floats, sd_m: Floats) -> Floats:
    """Chance that a margin known to a normal error is not below zero; NaN for an unknown error."""
    with np.errstate(divide="ignore", invalid="ignore"):
        chance = ndtr(margin_m / sd_m)
    return np.where(sd_m > 0, chance, np.where(np.isnan(sd_m), np.nan, (margin_m >= 0) * 1.0))
