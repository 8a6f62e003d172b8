"""Whose water is this: up the water from a place, and down it from a unit.

It accuses nobody: what it gives are places to look at, in order.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
import shapely.ops
from numpy.typing import NDArray
from pyproj import CRS

from geo.downstream import PLACE_WITHIN_M, REACHED_KINDS
from geo.paths import WELL_WITHIN_M
from geo.traced import TraceDown, TraceUp
from geo.uncertainty import LINE_95, MAP_LINE_SD_M, POINT_95
from geo.water_graph import Spot, Upstream, WaterGraph, normal_chance
from layers.coordinates import places as written_places
from layers.crs import WGS84, Mover, bearing_deg, ground_length_m
from layers.errors import TraceError
from layers.schemas import SCHEMAS
from layers.store import Assessment

# How near water must pass a place that somebody points at. Common practice, no source.
WITHIN_M: Final = 25.0
# How well such a place is known, at 95 %: a phone in the open. Common practice, no source.
PLACE95_M: Final = 10.0
# How often water over the ground keeps to the way the terrain shows, at the least. A judgement
# without a source: ditches dug since the survey, tiles and furrows are not in it.
GROUND_KEEPS: Final = 0.7
# Wells and parcels are named along the mapped water as far as this. Common practice, no source.
NOTICE_M: Final = 1_600.0
_LOOK_UP_M: Final = 30.0  # the direction of a branch is that of its first piece
_KINDS: Final = {"stream": "streams", "drain": "drains", "pond": "water_bodies"}
_TOLD: Final = ("last_result", "must_visit_by", "why_due", "trouble_chance", "address")
Floats = NDArray[np.float64]


def trace_up(
    assessment: Assessment,
    *,
    at: tuple[float, float] | None = None,
    stream: str | None = None,
    drain: str | None = None,
    pond: str | None = None,
    within_m: float = WITHIN_M,
) -> TraceUp:
    """Discharge points whose water comes past a place.

    Parameters
    ----------
    at
        Latitude and longitude (WGS 84).
    stream, drain, pond
        In place of a latitude and longitude: the id of a mapped stream, drain or water body.
    within_m
        How near water must pass the place; an outlet that comes into the same piece of water
        no farther than this below it counts too.

    Notes
    -----
    The chance is that of position error alone: of the place, the discharge point and the mapped
    line, as a normal error of the distance along the water, and, where the water passes over the
    ground, of that across it. ``chance_high`` takes the terrain's way for certain; ``chance_low``
    takes it to hold `GROUND_KEEPS` of the time.

    Raises
    ------
    TraceError
        When the place is not one, lies outside the county, or no water of that id is on record.
    """
    graph = WaterGraph(assessment)
    spot, name = _spot(graph, at, {"stream": stream, "drain": drain, "pond": pond}, within_m)
    found = graph.up(spot)
    rows = _candidates(graph, spot, found)
    forks, last = _forks(graph, spot, found, rows)
    rows[["fork", "branch"]] = last
    ways = _ways_up(graph, spot, found, rows)
    notes = _limits(assessment)
    if not len(spot.legs) and not len(spot.waters) and not len(spot.paths):
        notes = (
            f"No mapped water and no way over the ground passes within {within_m:g} m.",
            *notes,
        )
    table = rows.drop(columns=["entry", "path"])
    return TraceUp(spot.xy, name, within_m, table, forks, ways, notes)


def trace_down(assessment: Assessment, unit_id: str, *, notice_m: float = NOTICE_M) -> TraceDown:
    """What the water of a unit's discharge point comes past.

    Parameters
    ----------
    notice_m
        How far along the mapped water wells and parcels are named; reaches, bathing places and
        intakes are, all the way.

    Raises
    ------
    TraceError
        When there is no such unit.
    """
    graph = WaterGraph(assessment)
    unit_id = str(unit_id)
    if unit_id not in set(assessment.units["unit_id"]):
        raise TraceError(
            f"no unit {unit_id!r}", where="the assessment", mend="give an id of its units"
        )
    crs = graph.crs
    path, entry = _rows_of(graph, unit_id)
    ways = _ways_down(graph, path, entry)
    notes = list(_limits(assessment))
    start = None
    known = assessment.units.set_index("unit_id")["discharge_point_id"].get(unit_id)
    points = assessment.discharge_points
    mine = points[points["discharge_point_id"] == known]
    if len(mine):
        start = (float(mine.geometry.iloc[0].x), float(mine.geometry.iloc[0].y))
    if not len(ways):
        notes.insert(0, "No way of its water is known: the discharge point is not known, or it"
                        " lets out into soil, or there is no terrain.")  # fmt: skip
    elif entry is None:
        notes.insert(0, "Its water meets no mapped water: it leaves the terrain over the ground.")
    tables = [
        _reaches(ways),
        _near(ways, assessment, "protected_places", PLACE_WITHIN_M, np.inf),
        _near(ways, assessment, "wells", WELL_WITHIN_M, notice_m),
        _parcels(ways, assessment, unit_id, notice_m),
    ]
    notices = pd.concat([t for t in tables if len(t)] or tables[:1], ignore_index=True)
    notices = notices.sort_values(["along_m", "what", "id"]).reset_index(drop=True)
    notices = gpd.GeoDataFrame(notices, geometry="geometry", crs=crs)
    notices["is_downhill"] = _downhill(notices, assessment, unit_id)
    return TraceDown(unit_id, start, notices, ways, tuple(notes))


def is_on_way(
    assessment: Assessment,
    unit_id: str,
    *,
    at: tuple[float, float],
    within_m: float = WITHIN_M,
) -> bool:
    """Whether a unit's water, followed down from its discharge point, passes a place.

    A unit is among the candidates of `trace_up` at a place if and only if this is true.
    """
    graph = WaterGraph(assessment)
    spot, _ = _spot(graph, at, {}, within_m)
    path, entry = _rows_of(graph, unit_id)
    return (path is not None and path in spot.paths) or (
        entry is not None and graph.passes(entry, spot)
    )


# ---------------------------------------------------------------------------------- the place


def _spot(
    graph: WaterGraph,
    at: tuple[float, float] | None,
    ids: dict[str, str | None],
    within_m: float,
) -> tuple[Spot, str]:
    given = {kind: name for kind, name in ids.items() if name is not None}
    if len(given) + (at is not None) != 1:
        raise TraceError(
            "not one place to trace from", where="the call",
            mend="give a latitude and longitude, or the id of a stream, drain or pond",
        )  # fmt: skip
    if at is not None:
        xy = to_map(at, graph.crs, graph.assessment)
        return graph.spot(xy, within_m), f"{at[0]:.6f}, {at[1]:.6f}"
    ((kind, name),) = given.items()
    spot = graph.spot_of(_KINDS[kind], str(name))
    if spot is None:
        raise TraceError(
            f"no {kind} {name!r} on record", where="the assessment",
            mend="give an id of the layer, or a latitude and longitude",
        )  # fmt: skip
    return spot, f"{kind} {name}"


def to_map(
    at: tuple[float, float], crs: CRS, assessment: Assessment | None = None
) -> tuple[float, float]:
    """A latitude and longitude in the working system.

    Raises
    ------
    TraceError
        When it is none, or lies far from every unit.
    """
    lat, lon = float(at[0]), float(at[1])
    if not (-90 <= lat <= 90 and -180 <= lon <= 180):
        raise TraceError(
            f"{lat:g}, {lon:g} is no latitude and longitude", where="the place",
            mend="write it in degrees, latitude first: 26.5001, -88.5002",
        )  # fmt: skip
    x, y = (float(v[0]) for v in Mover(WGS84, crs)(np.array([lon]), np.array([lat])))
    if assessment is not None:
        west, south, east, north = assessment.units.total_bounds
        room = 0.5 * max(east - west, north - south) + 5_000
        if not (west - room <= x <= east + room and south - room <= y <= north + room):
            raise TraceError(
                f"{lat:g}, {lon:g} lies far outside the county", where="the place",
                mend="write the latitude first, and west as a minus",
            )  # fmt: skip
    return x, y


def _limits(assessment: Assessment) -> tuple[str, ...]:
    """What the folder does not hold and a trace therefore cannot follow."""
    missing = [
        name.replace("_", " ")
        for name in ("streams", "water_bodies", "drains")
        if name not in assessment.context
    ]
    notes = []
    if missing:
        notes.append(f"Not given, so not followed: {', '.join(missing)}.")
    if not len(assessment.flow_paths):
        notes.append("No way of water over the ground is known.")
    notes.append(
        "Pipes, tiles and culverts that are not mapped are not known; units whose discharge point"
        " is not known are not among the candidates."
    )
    return tuple(notes)


# ----------------------------------------------------------------------------------- upstream


def _rows_of(graph: WaterGraph, unit_id: str) -> tuple[int | None, int | None]:
    """The unit's row among the ways over the ground, and among the places where water comes in."""
    rows = []
    for table in (graph.paths, graph.entries.table):
        at: NDArray[np.int64] = (
            np.flatnonzero((table["unit_id"] == unit_id).to_numpy())
            if len(table)
            else np.empty(0, np.int64)
        )
        rows.append(int(at[0]) if len(at) else None)
    return rows[0], rows[1]


def _candidates(graph: WaterGraph, spot: Spot, found: Upstream) -> gpd.GeoDataFrame:
    """A row for each way that comes past, nearest first."""
    entries, paths, assessment = graph.entries, graph.paths, graph.assessment
    hit = np.flatnonzero(np.isfinite(found.entry_m))
    ids = ["unit_id", "discharge_point_id"]
    mapped = entries.table.iloc[hit][ids].assign(
        entry=hit, mapped_m=np.maximum(found.entry_m[hit], 0.0) + entries.before_m[hit],
        margin_m=found.entry_m[hit] + entries.before_m[hit], before_m=entries.before_m[hit],
    )  # fmt: skip
    lengths = shapely.length(graph.path_shapes[spot.paths])
    ground_scale = paths["length_m"].to_numpy(float)[spot.paths] / np.where(lengths > 0, lengths, 1)
    ground = paths.iloc[spot.paths][ids].assign(
        path=spot.paths, ground_m=spot.path_measure * ground_scale, off_m=spot.path_off_m
    )
    rows = pd.DataFrame(mapped).merge(pd.DataFrame(ground), on=ids, how="outer")
    over = ~(rows["ground_m"] > rows["mapped_m"]) & rows["ground_m"].notna()
    rows["along_m"] = np.fmin(rows["mapped_m"], rows["ground_m"]).astype(float)
    rows["way"] = np.where(over, "ground", "mapped").astype(object)
    points = assessment.discharge_points
    at = pd.Index(points["discharge_point_id"]).get_indexer(rows["discharge_point_id"])
    a95 = np.where(at >= 0, points["accuracy95_m"].to_numpy(float)[at], np.nan)
    outlet_sd, place_sd = a95 / POINT_95, (PLACE95_M if spot.slack_m else 0.0) / POINT_95
    line95 = assessment.run.get("line_accuracy95_m", {}).get("streams", LINE_95 * MAP_LINE_SD_M)
    mapped_sd = np.sqrt(outlet_sd**2 + place_sd**2 + (line95 / LINE_95) ** 2)
    ground_sd = np.hypot(outlet_sd, place_sd)
    chance = normal_chance(rows["margin_m"].to_numpy(float), mapped_sd)
    off = rows["off_m"].to_numpy(float)
    across = (
        normal_chance(spot.slack_m - off, ground_sd)
        + normal_chance(spot.slack_m + off, ground_sd)
        - 1
    )
    past = across * normal_chance(rows["ground_m"].to_numpy(float), ground_sd)
    rows["chance_high"] = np.where(over, past, chance)
    runs = over | (rows["before_m"].to_numpy(float) > 0)
    rows["chance_low"] = rows["chance_high"] * np.where(runs, GROUND_KEEPS, 1.0)
    rows["entry"] = rows["entry"].where(~over)  # what passes over the ground hangs at the place
    units = assessment.units.drop_duplicates("unit_id").set_index("unit_id")
    for column in _TOLD:
        if column in units:
            rows[column] = rows["unit_id"].map(units[column])
    mouths: NDArray[np.object_] = np.full(len(rows), None, object)
    mouths[at >= 0] = points.geometry.to_numpy()[at[at >= 0]]
    table = gpd.GeoDataFrame(rows, geometry=list(mouths), crs=graph.crs)
    table = table.sort_values(["along_m", "discharge_point_id", "unit_id"], ignore_index=True)
    table.insert(0, "order", np.arange(1, len(table) + 1))
    drop = ["mapped_m", "ground_m", "margin_m", "before_m", "off_m"]
    return _with_degrees(table.drop(columns=drop))


def _with_degrees(table: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Latitude and longitude of each row, and as a person writes it down."""
    x, y = shapely.get_x(table.geometry.to_numpy()), shapely.get_y(table.geometry.to_numpy())
    lon, lat = Mover(table.crs, WGS84)(x, y) if len(table) else (x, y)
    return table.assign(lat=np.round(lat, 6), lon=np.round(lon, 6))


def _forks(
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
    told = pd.DataFrame(taken, columns=["fork", "branch"], index=rows.index, dtype=object)
    return table.drop(columns=["low", "high"]), told


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
    node_xy = _node_places(graph)
    parts = [node for node, branches in forks.items() if len(branches) > 1]
    parts.sort(key=lambda node: (found.node_m[node] if node >= 0 else -1.0, node))
    own = {int(graph.from_node[k]): int(k) for k in spot.legs}
    rows = []
    for number, node in enumerate(parts, 1):
        x, y = node_xy.get(node, spot.xy) if node >= 0 else spot.xy
        for letter, (n, high) in enumerate(sorted(forks[node], key=lambda b: (-b[0], b[1]))):
            leg = own.get(high) if node < 0 else leg_of.get((node, high))
            toward = None if leg is None else _up_the_leg(graph, leg, (x, y))
            rows.append(
                {
                    "fork": number, "along_m": float(found.node_m[node]) if node >= 0 else 0.0,
                    "branch": chr(65 + letter) if letter < 26 else f"Z{letter}",
                    "layer": None if leg is None else graph.layer[leg],
                    "feature_id": None if leg is None else graph.feature_id[leg],
                    "bearing_deg": np.nan if toward is None
                    else float(bearing_deg(x, y, *toward, graph.crs)),
                    "candidates": n, "share": n / whole, "low": node, "high": high,
                    "geometry": shapely.Point(x, y),
                }
            )  # fmt: skip
    names = ["fork", "along_m", "branch", "layer", "feature_id", "bearing_deg", "candidates",
             "share", "low", "high", "geometry"]  # fmt: skip
    table = gpd.GeoDataFrame(pd.DataFrame(rows, columns=names), geometry="geometry", crs=graph.crs)
    most = table.groupby("fork")["share"].agg(lambda s: min(s, key=lambda v: abs(v - 0.5)))
    best = (most - 0.5).abs().idxmin() if len(most) else None
    return _with_degrees(table.assign(halves=table["fork"] == best))


def _node_places(graph: WaterGraph) -> dict[int, tuple[float, float]]:
    """A place of each node."""
    if not len(graph.shapes):
        return {}
    places: dict[int, tuple[float, float]] = {}
    for nodes, k in ((graph.from_node, 0), (graph.to_node, -1)):
        xy = shapely.get_coordinates(shapely.get_point(graph.shapes, k))
        places |= dict(zip(nodes.tolist(), map(tuple, xy.tolist()), strict=True))
    return places


def _up_the_leg(graph: WaterGraph, leg: int, xy: tuple[float, float]) -> tuple[float, float] | None:
    shape = graph.shapes[leg]
    measure = max(shape.project(shapely.Point(xy)) - _LOOK_UP_M, 0.0)
    at = shape.interpolate(measure)
    return None if np.hypot(at.x - xy[0], at.y - xy[1]) < 0.1 else (at.x, at.y)


def _ways_up(
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


# --------------------------------------------------------------------------------- downstream


def _ways_down(graph: WaterGraph, path: int | None, entry: int | None) -> gpd.GeoDataFrame:
    """Every line the water takes, with how far along the water it begins."""
    layer: list[object] = []
    ids: list[object] = []
    begins: list[float] = []
    scales: list[float] = []
    shapes: list[shapely.Geometry] = []
    enters: dict[int, tuple[float, float]] = {}

    def add(what: object, name: object, at: float, scale: float, shape: shapely.Geometry) -> None:
        layer.append(what)
        ids.append(name)
        begins.append(at)
        scales.append(scale)
        shapes.append(shape)

    if path is not None:
        line = graph.path_shapes[path]
        length = float(graph.paths["length_m"].iloc[path])
        add("ground", None, 0.0, length / line.length if line.length else 1.0, line)
    if entry is not None:
        before = float(graph.entries.before_m[entry])
        leg = int(graph.entries.leg[entry])
        if leg >= 0:
            rest = shapely.ops.substring(
                graph.shapes[leg], graph.entries.along_m[entry], graph.shapes[leg].length
            )
            if rest.geom_type == "LineString":
                add(graph.layer[leg], graph.feature_id[leg], before, graph.scale[leg], rest)
        far, _ = graph.down(entry)
        for k in np.flatnonzero(np.isfinite(far[graph.from_node]) if graph.nodes else []):
            at = before + float(far[graph.from_node[k]])
            add(graph.layer[k], graph.feature_id[k], at, graph.scale[k], graph.shapes[k])
        for k, at, where in _waters_entered(graph, entry, far, before):
            add("water_bodies", graph.water_ids[k], at, 1.0, graph.areas[k])
            enters[len(shapes) - 1] = where
    table = gpd.GeoDataFrame(
        {"layer": layer, "feature_id": ids, "begins_m": begins, "scale": scales},
        geometry=shapes,
        crs=graph.crs,
    )
    xy = [enters.get(k, (np.nan, np.nan)) for k in range(len(shapes))]
    table[["enters_x", "enters_y"]] = np.array(xy, float).reshape(-1, 2)
    return table.sort_values("begins_m", ignore_index=True, kind="stable")


def _waters_entered(
    graph: WaterGraph, entry: int, far: Floats, before: float
) -> Iterator[tuple[int, float, tuple[float, float]]]:
    """Water bodies the water comes into, how far along, and where it enters."""
    entered: dict[int, tuple[float, tuple[float, float]]] = {}
    own = int(graph.entries.water[entry])
    if own >= 0:
        entered[own] = (before, tuple(graph.entries.xy[entry].tolist()))
    places = graph.inflows
    for k in np.flatnonzero(np.isfinite(far[places.node]) if len(places.node) else []):
        at = before + float(far[places.node[k]])
        water = int(places.water[k])
        if at < entered.get(water, (np.inf,))[0]:
            entered[water] = (at, tuple(places.xy[k].tolist()))
    for water, (at, where) in entered.items():
        for area in np.flatnonzero(graph.groups == water).tolist():
            yield area, at, where


_NOTICE: Final = ("what", "id", "name", "along_m", "off_m", "geometry")


def _reaches(ways: gpd.GeoDataFrame) -> pd.DataFrame:
    """The first place of each named water."""
    some = ways[ways["feature_id"].notna()].drop_duplicates(["layer", "feature_id"])
    start = [shapely.Point(shapely.get_coordinates(g)[0]) for g in some.geometry]
    return pd.DataFrame(
        {"what": some["layer"].to_numpy(object), "id": some["feature_id"].to_numpy(object),
         "name": None, "along_m": some["begins_m"].to_numpy(float), "off_m": 0.0,
         "geometry": start},
        columns=_NOTICE,
    )  # fmt: skip


def _near(
    ways: gpd.GeoDataFrame, assessment: Assessment, layer: str, within_m: float, reach_m: float
) -> pd.DataFrame:
    """Points of a layer near the ways, each at its first place along the water."""
    table = assessment.context.get(layer)
    if table is None or not len(ways):
        return pd.DataFrame(columns=_NOTICE)
    if layer == "protected_places":
        table = table[table["place_kind"].isin(REACHED_KINDS)]
    points, shapes = table.geometry.to_numpy(), ways.geometry.to_numpy()
    way, point = shapely.STRtree(points).query(shapes, predicate="dwithin", distance=within_m)
    along = (
        ways["begins_m"].to_numpy(float)[way]
        + _measures(shapes[way], points[point]) * ways["scale"].to_numpy(float)[way]
    )
    found = pd.DataFrame(
        {"point": point, "along_m": along, "off_m": shapely.distance(shapes[way], points[point])}
    )
    found = found[found["along_m"] <= reach_m].sort_values(["along_m", "off_m"], kind="stable")
    found = found.drop_duplicates("point")
    of = table.iloc[found["point"].to_numpy(int)]
    kinds = of["place_kind"] if layer == "protected_places" else pd.Series("well", of.index)
    names = of["name"] if "name" in of else pd.Series(None, of.index, dtype=object)
    return pd.DataFrame(
        {"what": kinds.to_numpy(object), "id": of[SCHEMAS[layer].id].to_numpy(object),
         "name": names.to_numpy(object), "along_m": found["along_m"].to_numpy(),
         "off_m": found["off_m"].to_numpy(), "geometry": of.geometry.to_numpy()},
        columns=_NOTICE,
    )  # fmt: skip


def _along(ways: gpd.GeoDataFrame, way: NDArray[np.int64], points: NDArray[np.object_]) -> Floats:
    """How far along the water points at some ways lie: straight across where they are areas."""
    shapes = ways.geometry.to_numpy()[way]
    begins, scale, x, y = ways[["begins_m", "scale", "enters_x", "enters_y"]].to_numpy(float)[way].T
    is_line = shapely.get_type_id(shapes) == 1
    measure = np.zeros(len(shapes))
    measure[is_line] = shapely.line_locate_point(shapes[is_line], points[is_line])
    far = ~is_line
    ends = shapely.get_x(points[far]), shapely.get_y(points[far])
    measure[far] = ground_length_m(x[far], y[far], *ends, ways.crs) if far.any() else 0.0
    return begins + measure * scale


def _parcels(
    ways: gpd.GeoDataFrame, assessment: Assessment, unit_id: str, reach_m: float
) -> pd.DataFrame:
    """Parcels the water crosses beside the unit's own, in order."""
    parcels = assessment.context.get("parcels")
    if parcels is None or not len(ways):
        return pd.DataFrame(columns=_NOTICE)
    lid = assessment.units[assessment.units["unit_id"] == unit_id].geometry.iloc[0]
    shapes, lots = ways.geometry.to_numpy(), parcels.geometry.to_numpy()
    way, lot = shapely.STRtree(lots).query(shapes, predicate="intersects")
    keep = ~shapely.intersects(lots[lot], lid) & (shapely.get_type_id(shapes[way]) == 1)
    way, lot = way[keep], lot[keep]
    meets = shapely.intersection(shapes[way], lots[lot])
    first = np.array([
        shapely.line_locate_point(line, shapely.points(shapely.get_coordinates(piece))).min()
        for line, piece in zip(shapes[way], meets, strict=True)
    ], float)  # fmt: skip
    along = ways["begins_m"].to_numpy(float)[way] + first * ways["scale"].to_numpy(float)[way]
    found = pd.DataFrame({"lot": lot, "along_m": along}).sort_values("along_m", kind="stable")
    found = found[found["along_m"] <= reach_m].drop_duplicates("lot")
    of = parcels.iloc[found["lot"].to_numpy(int)]
    name = of["address"] if "address" in of else pd.Series(None, of.index, dtype=object)
    return pd.DataFrame(
        {"what": "parcel", "id": of["parcel_id"].to_numpy(object), "name": name.to_numpy(object),
         "along_m": found["along_m"].to_numpy(), "off_m": 0.0,
         "geometry": shapely.point_on_surface(of.geometry.to_numpy())},
        columns=_NOTICE,
    )  # fmt: skip


def _downhill(notices: gpd.GeoDataFrame, assessment: Assessment, unit_id: str) -> pd.Series:
    """Of wells: whether the ground there is no higher than at the discharge point, where known."""
    flags = pd.Series(None, notices.index, dtype=object)
    is_well = notices["what"] == "well"
    paths = assessment.flow_paths
    mine = paths[paths["unit_id"] == unit_id]
    if not len(mine) or not is_well.any() or "wells_downhill_ids" not in mine:
        return flags
    said = mine["wells_downhill_ids"].iloc[0]
    low = set() if pd.isna(said) else set(str(said).split(", "))
    over = mine.geometry.iloc[0]
    judged = is_well & (notices.distance(over) <= WELL_WITHIN_M)
    flags[judged] = notices.loc[judged, "id"].isin(low).astype(object)
    return flags


def written(points: Sequence[shapely.Point | None], crs: CRS) -> list[str]:
    """Places as a person writes them down; an empty text where one is not known."""
    x = np.array([np.nan if p is None else p.x for p in points], float)
    y = np.array([np.nan if p is None else p.y for p in points], float)
    found = written_places(x, y, crs, accuracy95_m=np.nan) if len(x) else []
    return ["" if place is None else place.decimal for place in found]
