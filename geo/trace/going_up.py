"""Up the water from a place: candidates in the order of a walk, and the forks on the way."""

from __future__ import annotations

from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
import shapely.ops
from numpy.typing import NDArray

from geo.trace.drawn_ways import DrawnWays, within_chance
from geo.trace.graph import Spot, Upstream, WaterGraph, normal_chance
from geo.uncertainty import LINE_95, MAP_LINE_SD_M, POINT_95
from layers.crs import WGS84, Mover, bearing_deg

# How well such a place is known, at 95 %: a phone in the open. Common practice, no source.
PLACE95_M: Final = 10.0
# Others than the candidates are named from this chance on. Common practice, no source.
LEAST_CHANCE: Final = 0.05
# A likely place of an outlet is at the water as near as this: so far off an outlet counts as found.
AT_WATER_M: Final = 10.0
_LOOK_UP_M: Final = 30.0  # the direction of a branch is that of its first piece
Floats = NDArray[np.float64]
_SHOWN: Final = ("last_result", "must_visit_by", "why_due", "trouble_chance", "address")


def upstream_candidates(
    graph: WaterGraph, spot: Spot, found: Upstream, drawn: DrawnWays
) -> gpd.GeoDataFrame:
    """A row for each way that comes past, nearest first."""
    entries, paths, points = graph.entries, graph.paths, graph.points
    hit = np.flatnonzero(np.isfinite(found.entry_m))
    ids = ["unit_id", "discharge_point_id"]
    mapped = entries.table.iloc[hit][ids].assign(
        entry=hit, mapped_m=np.maximum(found.entry_m[hit], 0.0) + entries.before_m[hit],
        margin_m=found.entry_m[hit] + entries.before_m[hit],
    )  # fmt: skip
    lengths = shapely.length(graph.path_shapes[spot.paths])
    ground_scale = paths["length_m"].to_numpy(float)[spot.paths] / np.where(lengths > 0, lengths, 1)
    ground = paths.iloc[spot.paths][ids].assign(
        path=spot.paths,
        ground_m=spot.path_measure * ground_scale,
        off_m=spot.path_off_m,
        at_end=spot.path_measure >= lengths - 1e-6,
    )
    rows = pd.DataFrame(mapped).merge(pd.DataFrame(ground), on=ids, how="outer")
    # a place past the end of the way over the ground lies on the mapped water, if on any
    past_it = rows["at_end"].eq(True) | (rows["mapped_m"] <= rows["ground_m"])
    over = rows["ground_m"].notna() & ~(rows["mapped_m"].notna() & past_it)
    rows["along_m"] = np.where(over, rows["ground_m"], rows["mapped_m"]).astype(float)
    rows["way"] = np.where(over, "ground", "mapped").astype(object)
    at = pd.Index(points["discharge_point_id"]).get_indexer(rows["discharge_point_id"])
    a95 = np.where(at >= 0, points["accuracy95_m"].to_numpy(float)[at], np.nan)
    place_sd, line_sd = _place_sd(spot), _line_sd(graph)
    outlet_sd = a95 / POINT_95
    mapped_sd = np.sqrt(outlet_sd**2 + place_sd**2 + line_sd**2)
    ground_sd = np.hypot(outlet_sd, place_sd)
    on_mapped = normal_chance(rows["margin_m"].to_numpy(float), mapped_sd)
    off = rows["off_m"].to_numpy(float)
    beyond_start = normal_chance(rows["ground_m"].to_numpy(float), ground_sd)
    past = within_chance(off, spot.slack_m, ground_sd) * beyond_start
    rows["chance_by_position"] = np.where(over, past, on_mapped)
    outlet = rows["discharge_point_id"]
    rows["draws"] = drawn.made(outlet)
    by_ground = drawn.over_ground(outlet, rows["path"].to_numpy(float), place_sd) * beyond_start
    both = np.fmax(by_ground, drawn.down_the_water(outlet, np.hypot(place_sd, line_sd)))
    is_drawn = rows["draws"].notna().to_numpy() & ~np.isnan(a95)
    piped = ~outlet.isin(paths["discharge_point_id"]).to_numpy()
    rows["chance"] = np.select(
        [is_drawn, piped], [both, rows["chance_by_position"].to_numpy(float)], np.nan
    )
    rows["entry"] = rows["entry"].where(~over)  # what passes over the ground hangs at the place
    table = _shown(rows, graph)
    table = table.sort_values(["along_m", "discharge_point_id", "unit_id"], ignore_index=True)
    table.insert(0, "order", np.arange(1, len(table) + 1))
    drop = ["mapped_m", "ground_m", "margin_m", "off_m", "at_end"]
    return with_degrees(table.drop(columns=drop))


def others(
    graph: WaterGraph, spot: Spot, drawn: DrawnWays, rows: gpd.GeoDataFrame
) -> gpd.GeoDataFrame:
    """Outlets whose water came past down the mapped water in some draws only, likeliest first.

    On the terrain as it is none of them does, so they are no candidates.
    """
    columns = ["unit_id", "discharge_point_id"]
    some = [t[columns] for t in (graph.paths, graph.entries.table) if len(t)]
    ids = pd.concat([pd.DataFrame(t) for t in some] or [rows[columns]]).drop_duplicates()
    ids = ids[~ids["discharge_point_id"].isin(rows["discharge_point_id"])]
    table = pd.DataFrame(ids).assign(draws=drawn.made(ids["discharge_point_id"]))
    table["chance"] = drawn.down_the_water(
        ids["discharge_point_id"], float(np.hypot(_place_sd(spot), _line_sd(graph)))
    )
    shown = _shown(table[table["chance"] >= LEAST_CHANCE], graph)
    order = ["chance", "discharge_point_id", "unit_id"]
    shown = shown.sort_values(order, ascending=[False, True, True], ignore_index=True)
    return with_degrees(shown)


def _place_sd(spot: Spot) -> float:
    """How well the place itself is known, meters an axis; a mapped water named whole, exactly."""
    return (PLACE95_M if spot.slack_m else 0.0) / POINT_95


def _line_sd(graph: WaterGraph) -> float:
    """How well mapped streams are known, meters."""
    text = graph.assessment.run.line_accuracy95_m
    return float(text.get("streams", LINE_95 * MAP_LINE_SD_M)) / LINE_95


def _shown(rows: pd.DataFrame, graph: WaterGraph) -> gpd.GeoDataFrame:
    """The rows with what is on record of their units, at their discharge points."""
    rows = rows.copy()
    for column in _SHOWN:
        if column in graph.on_record:
            rows[column] = rows["unit_id"].map(graph.on_record[column])
    points = graph.points
    at = pd.Index(points["discharge_point_id"]).get_indexer(rows["discharge_point_id"])
    mouths: NDArray[np.object_] = np.full(len(rows), None, object)
    mouths[at >= 0] = points.geometry.to_numpy()[at[at >= 0]]
    return gpd.GeoDataFrame(rows, geometry=list(mouths), crs=graph.crs)


def with_degrees(table: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Latitude and longitude of each row, and as a person writes it down."""
    x, y = shapely.get_x(table.geometry.to_numpy()), shapely.get_y(table.geometry.to_numpy())
    lon, lat = Mover(table.crs, WGS84)(x, y) if len(table) else (x, y)
    return table.assign(lat=np.round(lat, 6), lon=np.round(lon, 6))


def forks(
    graph: WaterGraph, spot: Spot, found: Upstream, rows: gpd.GeoDataFrame
) -> tuple[gpd.GeoDataFrame, pd.DataFrame]:
    """Where branches with candidates part, and the last fork on the way to each candidate.

    Water is followed by its shortest way down to the place, so that every candidate hangs on one
    branch only.
    """
    entry = rows["entry"].to_numpy(float)
    hangs = np.flatnonzero(~np.isnan(entry))
    here = -1
    to, of = np.full(len(rows), here), np.full(len(rows), here)
    to[hangs] = found.entry_to[entry[hangs].astype(int)]
    of[hangs] = graph.entries.leg[entry[hangs].astype(int)]
    # branches: (node below, node above); an outlet on a leg shares the branch of that leg
    above = np.where(of >= 0, graph.from_node[of] if len(graph.from_node) else here, -2)
    reached = np.flatnonzero(np.isfinite(found.node_m))
    below = np.where(found.onward >= graph.nodes, here, found.onward)
    count: dict[tuple[int, int], int] = {}
    last: dict[tuple[int, int], list[int]] = {}
    for k, (low, high) in enumerate(zip(to.tolist(), above.tolist(), strict=True)):
        low = here if low < 0 else low
        count[low, high] = count.get((low, high), 0) + 1
        last.setdefault((low, high), []).append(k)
    above_of: dict[int, int] = {}
    for (low, _), n in count.items():
        above_of[low] = above_of.get(low, 0) + n
    for node in reached[np.argsort(-found.node_m[reached], kind="stable")].tolist():
        n = above_of.get(node, 0)
        if n:
            low = int(below[node])
            count[low, node] = count.get((low, node), 0) + n
            above_of[low] = above_of.get(low, 0) + n
    table = _fork_rows(graph, spot, found, count, len(rows))
    number = dict(
        zip(zip(table["low"], table["high"], strict=True),
            zip(table["fork"], table["branch"], strict=True), strict=True)
    )  # fmt: skip
    taken: list[tuple[object, object]] = [(None, None)] * len(rows)
    for (low, high), members in last.items():
        step, at = (low, high), low
        while step not in number and at != here:
            step, at = (int(below[at]), at), int(below[at])
        for k in members:
            taken[k] = number.get(step, (None, None))
    shown = pd.DataFrame(taken, columns=["fork", "branch"], index=rows.index, dtype=object)
    return table.drop(columns=["low", "high"]), shown


def _fork_rows(
    graph: WaterGraph,
    spot: Spot,
    found: Upstream,
    count: dict[tuple[int, int], int],
    whole: int,
) -> gpd.GeoDataFrame:
    """One row per fork and branch that bears candidates, in the order of the walk."""
    forks: dict[int, list[tuple[int, int]]] = {}
    for (low, high), n in count.items():
        forks.setdefault(low, []).append((n, high))
    leg_of = {
        (int(b), int(a)): k
        for k, (a, b) in enumerate(zip(graph.from_node, graph.to_node, strict=True))
        if int(b) in forks or -1 in forks
    }
    parts = [node for node, branches in forks.items() if len(branches) > 1]
    parts.sort(key=lambda node: (found.node_m[node] if node >= 0 else -1.0, node))
    # into a pond water comes by legs that are no part of it
    own = {int(a): k for k, a in reversed(list(enumerate(graph.from_node)))}
    own |= {int(graph.from_node[k]): int(k) for k in spot.legs}
    rows = [
        (
            number, found.node_m[node] if node >= 0 else 0.0,
            chr(65 + letter) if letter < 26 else f"Z{letter}",
            n, n / whole, node, high,
            (own.get(high) if node < 0 else leg_of.get((node, high))),
        )
        for number, node in enumerate(parts, 1)
        for letter, (n, high) in enumerate(sorted(forks[node], key=lambda b: (-b[0], b[1])))
    ]  # fmt: skip
    names = ["fork", "along_m", "branch", "candidates", "share", "low", "high", "leg"]
    table = pd.DataFrame(rows, columns=names)
    leg = table.pop("leg").fillna(-1).to_numpy(np.int64)
    known = np.flatnonzero(leg >= 0)
    xy = _node_places(graph, spot)[table["low"].to_numpy(np.int64)]
    bearing = np.full(len(table), np.nan)
    bearing[known] = _bearings_up(graph, leg[known], xy[known])
    for column, values in (("layer", graph.layer), ("feature_id", graph.feature_id)):
        text = np.full(len(table), None, object)
        text[known] = values[leg[known]]
        table[column] = text
    table["bearing_deg"] = bearing
    table["halves"] = False
    if len(table):
        off = (table["share"] - 0.5).abs()
        table["halves"] = table["fork"] == table["fork"].iloc[int(off.argmin())]
    return with_degrees(gpd.GeoDataFrame(table, geometry=shapely.points(xy), crs=graph.crs))


def _node_places(graph: WaterGraph, spot: Spot) -> Floats:
    """A place of each node, and last, at -1, that of the spot."""
    places = np.full((graph.nodes + 1, 2), np.nan)
    for nodes, k in ((graph.from_node, 0), (graph.to_node, -1)):
        places[nodes] = shapely.get_coordinates(shapely.get_point(graph.shapes, k)).reshape(-1, 2)
    places[-1] = spot.xy
    return places


def _bearings_up(graph: WaterGraph, leg: NDArray[np.int64], xy: Floats) -> Floats:
    """Directions from places up legs; NaN where a leg has no length above the place."""
    shapes = graph.shapes[leg]
    measure = shapely.line_locate_point(shapes, shapely.points(xy)) - _LOOK_UP_M
    up = shapely.get_coordinates(
        shapely.line_interpolate_point(shapes, np.maximum(measure, 0.0))
    ).reshape(-1, 2)
    bearing = bearing_deg(xy[:, 0], xy[:, 1], up[:, 0], up[:, 1], graph.crs)
    return np.where(np.hypot(*(up - xy).T) < 0.1, np.nan, bearing)


def ways_up(
    graph: WaterGraph, spot: Spot, found: Upstream, rows: gpd.GeoDataFrame
) -> gpd.GeoDataFrame:
    """The lines by which the candidates' water comes."""
    finite = np.flatnonzero(np.isfinite(found.node_m[graph.to_node]) if graph.nodes else [])
    legs = np.unique(np.concatenate([finite, spot.legs])).astype(int)
    ids = rows["discharge_point_id"]
    mine: NDArray[np.int64] = np.flatnonzero(graph.paths["discharge_point_id"].isin(ids))
    shapes = [*graph.shapes[legs], *graph.path_shapes[mine]]
    layer = [*graph.layer[legs], *["ground"] * len(mine)]
    return gpd.GeoDataFrame({"layer": layer}, geometry=shapes, crs=graph.crs)


def may_let_out(
    graph: WaterGraph, spot: Spot, found: Upstream, rows: gpd.GeoDataFrame
) -> pd.DataFrame:
    """Units nobody knows the outlet of that may have it at water that comes past the place.

    ``unit_id`` and ``chance``, the sum over its likely places no farther than `AT_WATER_M` from
    that water, likeliest first. Water that would run there over the ground from farther off is
    not followed: it is at least so many.
    """
    places = graph.assessment.search.candidates
    if not isinstance(places, gpd.GeoDataFrame) or not len(places):
        return pd.DataFrame({"unit_id": [], "chance": []})
    above = np.isfinite(found.node_m[graph.to_node]) if graph.nodes else np.zeros(0, bool)
    above[spot.legs] = False
    shapes = list(graph.shapes[above])
    for k, measure in zip(spot.legs, spot.measure, strict=True):
        shapes.append(shapely.ops.substring(graph.shapes[k], 0.0, float(measure)))
    mine = graph.paths["discharge_point_id"].isin(rows["discharge_point_id"]).to_numpy(copy=True)
    mine[spot.paths] = False
    shapes += list(graph.path_shapes[mine])
    for k, measure in zip(spot.paths, spot.path_measure, strict=True):
        shapes.append(shapely.ops.substring(graph.path_shapes[k], 0.0, float(measure)))
    if not shapes:
        return pd.DataFrame({"unit_id": [], "chance": []})
    tree = shapely.STRtree(places.geometry.to_numpy())
    hit = np.unique(tree.query(shapes, "dwithin", distance=AT_WATER_M)[1])
    near = places.iloc[hit]
    shown = (
        near[~near["unit_id"].isin(rows["unit_id"].dropna())]
        .groupby("unit_id", as_index=False)["chance"]
        .sum()
    )
    return shown.sort_values(["chance", "unit_id"], ascending=[False, True], ignore_index=True)
