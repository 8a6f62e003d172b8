"""Whose water is this: up the water from a place, and down it from a unit.

It accuses nobody: what it gives are places to look at, in order.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
import shapely.ops
from numpy.typing import NDArray
from pyproj import CRS

from geo.results.cautions import NO_RUN
from geo.results.outlet_kinds import KIND_WORDS
from geo.results.traced import TraceDown, TraceUp
from geo.trace.drawn_ways import DrawnWays
from geo.trace.going_down import near, parcels, reaches, ways_down, well_sides
from geo.trace.going_up import forks, may_let_out, others, upstream_candidates, ways_up
from geo.trace.graph import Spot, WaterGraph
from geo.waters.downstream import PLACE_WITHIN_M
from geo.waters.paths import WELL_WITHIN_M
from layers.crs import WGS84, Mover
from layers.crs.coordinates import places as written_places
from layers.errors import TraceError
from layers.fields.column_names import nearest
from layers.measures import format_chance, format_length
from layers.store import Assessment

# How near water must pass a place that somebody points at. Common practice, no source.
WITHIN_M: Final = 25.0
_HOW_DRAWN: Final = (
    "Each computer run moves the terrain and the discharge point within their error, then follows"
    ' the water again. "7 of 10 computer runs" means the water came past in seven.'
    f" {NO_RUN} A chance without runs counts errors of position only."
)
_NOT_DRAWN: Final = (
    "How often terrain error would move the flow paths is not calculated: the assessment holds no"
    " computer runs."
)
# Wells and parcels are named along the mapped water as far as this. Common practice, no source.
NOTICE_M: Final = 1_600.0
_LIKELY: Final = 3  # possible discharge points of a unit named
_UNKNOWN: Final = 4  # units without a known discharge point named
_KINDS: Final = {"stream": "streams", "drain": "drains", "pond": "water_bodies"}
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
    A candidate's water comes past on the terrain as it is. Its ``chance`` is how often it does in
    the assessment's draws of the terrain's error and of the discharge point's position (see
    `geo.waters.way_draws`), with the position error of the place and of the mapped line on top of
    each; where no water runs over the ground, that of position error alone. It is null where the
    terrain was not drawn or the accuracy of the discharge point is not known.
    ``chance_by_position`` takes the terrain for exact: a normal error of the distance along the
    water, and, where the water passes over the ground, of that across it.

    Raises
    ------
    TraceError
        When the place is not one, lies outside the county, or no water of that id is on record.
    """
    graph = WaterGraph(assessment)
    spot, name = _spot(graph, at, {"stream": stream, "drain": drain, "pond": pond}, within_m)
    found = graph.up(spot)
    drawn = DrawnWays(graph, spot, found)
    rows = upstream_candidates(graph, spot, found, drawn)
    parted, last = forks(graph, spot, found, rows)
    rows[["fork", "branch"]] = last
    ways = ways_up(graph, spot, found, rows)
    notes = (*_chance_notes(assessment), *_limits(assessment, up=True))
    unknown = may_let_out(graph, spot, found, rows)
    if len(unknown):
        notes = (_describe_unknown(unknown), *notes)
    if not len(spot.legs) and not len(spot.waters) and not len(spot.paths):
        reach = format_length(within_m, assessment.run.county.show_units)
        notes = (
            f"No mapped water and no flow path passes within {reach}. Search farther.",
            *notes,
        )
    more = others(graph, spot, drawn, rows)
    table = rows.drop(columns=["entry", "path"])
    return TraceUp(spot.xy, name, within_m, table, more, parted, ways, notes)


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
    return trace_downs(assessment, [unit_id], notice_m=notice_m)[str(unit_id)]


def trace_downs(
    assessment: Assessment, unit_ids: Iterable[str], *, notice_m: float = NOTICE_M
) -> dict[str, TraceDown]:
    """`trace_down` of several units, by id: the water is made a graph only once.

    Raises
    ------
    TraceError
        When there is no such unit.
    """
    graph = WaterGraph(assessment)
    known = set(assessment.units["unit_id"])
    wanted = [str(unit_id) for unit_id in unit_ids]
    for unit_id in wanted:
        if unit_id not in known:
            raise TraceError(
                f"no unit {unit_id!r} on record", where="the units of the assessment",
                hint=_unit_meant(assessment, unit_id),
            )  # fmt: skip
    return {unit_id: _down(graph, unit_id, notice_m) for unit_id in wanted}


def _down(graph: WaterGraph, unit_id: str, notice_m: float) -> TraceDown:
    assessment, crs = graph.assessment, graph.crs
    path, entry = _rows_of(graph, unit_id)
    ways = ways_down(graph, path, entry)
    notes = list(_limits(assessment, up=False))
    start = None
    known = graph.on_record["discharge_point_id"].get(unit_id)
    points = assessment.discharge_points
    mine = points[points["discharge_point_id"] == known]
    if len(mine):
        start = (float(mine.geometry.iloc[0].x), float(mine.geometry.iloc[0].y))
    if not len(ways):
        notes.insert(0, "No flow path is known. Its discharge point is not on record, it discharges"
                        " into soil, or there is no terrain.")  # fmt: skip
        notes[1:1] = _likely(assessment, unit_id)
    elif entry is None:
        notes.insert(0, "Its discharge meets no mapped water. It leaves the terrain over ground.")
    tables = [
        reaches(ways),
        near(ways, assessment, "protected_places", PLACE_WITHIN_M, np.inf),
        near(ways, assessment, "wells", WELL_WITHIN_M, notice_m),
        parcels(ways, graph, unit_id, notice_m),
    ]
    notices = pd.concat([t for t in tables if len(t)] or tables[:1], ignore_index=True)
    notices = notices.sort_values(["along_m", "what", "id"]).reset_index(drop=True)
    for column in ("id", "name"):
        notices[column] = notices[column].astype(object).where(notices[column].notna(), None)
    notices = gpd.GeoDataFrame(notices, geometry="geometry", crs=crs)
    sides = well_sides(graph, ways, notices, unit_id, entry)
    notices = notices.drop(columns="way", errors="ignore").join(sides)
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
            f"{len(given) + (at is not None) or 'no'} places to trace from; one is needed",
            where="the call",
            hint="give a latitude and longitude, or the id of one stream, drain or pond",
        )  # fmt: skip
    if at is not None:
        xy = to_map(at, graph.crs, graph.assessment.units.total_bounds)
        return graph.spot(xy, within_m), f"{at[0]:.6f}, {at[1]:.6f}"
    ((kind, name),) = given.items()
    spot = graph.spot_of(_KINDS[kind], str(name))
    if spot is None:
        raise TraceError(
            f"no {kind} {name!r} on record", where="the mapped water of the assessment",
            hint=_water_meant(graph, kind, str(name)),
        )  # fmt: skip
    return spot, f"{kind} {name}"


def _water_meant(graph: WaterGraph, kind: str, name: str) -> str:
    """What to type in place of an id that no water of a kind has."""
    ids = {
        "stream": set(graph.feature_id[graph.layer == "streams"]),
        "drain": set(graph.feature_id[graph.layer == "drains"]),
        "pond": set(graph.water_ids),
    }
    for other in sorted(set(ids) - {kind}):
        if name in ids[other]:
            return f"it is the id of a {other}; trace that {other}"
    if not ids[kind]:
        return f"this assessment has no {kind}; give a latitude and longitude"
    meant = _meant(name, ids[kind])
    return meant or f"give the id of a {kind} as the map shows it, or a latitude and longitude"


def _unit_meant(assessment: Assessment, name: str) -> str:
    """What to type in place of an id that no unit has."""
    points = assessment.discharge_points
    if len(points):
        let_out = points.loc[points["discharge_point_id"] == name, "unit_id"].dropna()
        if len(let_out):
            return f"it is the id of a discharge point; use its unit, {let_out.iloc[0]}"
    meant = _meant(name, assessment.units["unit_id"])
    return meant or "give the id of one of its units, with any leading zeros"


def _meant(name: str, ids: Iterable[object]) -> str | None:
    """The id that a mistyped one stands for, as a question; None where none is near."""
    known = [str(each) for each in ids]
    bare = name.strip().casefold().lstrip("0")
    same = [each for each in known if each.casefold().lstrip("0") == bare]
    found = same[0] if same else nearest(sorted(known), [name])
    return None if found is None else f"did you mean {found!r}?"


def to_map(
    at: tuple[float, float], crs: CRS, bounds: Sequence[float], where: str = "the place"
) -> tuple[float, float]:
    """A latitude and longitude in the working system.

    Parameters
    ----------
    bounds
        Of the units: west, south, east, north in the working system.
    where
        What the place was given as, for the message.

    Raises
    ------
    TraceError
        When it is none, or lies far from every unit.
    """
    lat, lon = float(at[0]), float(at[1])
    if _is_near(lat, lon, crs, bounds):
        x, y = (float(v[0]) for v in Mover(WGS84, crs)(np.array([lon]), np.array([lat])))
        return x, y
    is_one = -90 <= lat <= 90 and -180 <= lon <= 180
    what = "is far outside the county" if is_one else "is not a latitude and longitude"
    hint = "use degrees, latitude first, with a minus for west: 26.5001, -88.5002"
    for a, b in ((lon, lat), (lat, -lon), (-lat, lon), (lon, -lat), (-lon, lat)):
        if _is_near(a, b, crs, bounds):
            hint = f"did you mean {a:g}, {b:g}? Latitude first, with a minus for west"
            break
    raise TraceError(f"{lat:g}, {lon:g} {what}", where=where, hint=hint)


def _is_near(lat: float, lon: float, crs: CRS, bounds: Sequence[float]) -> bool:
    """Whether a place lies in the county or not far outside."""
    if not (-90 <= lat <= 90 and -180 <= lon <= 180):
        return False
    x, y = (float(v[0]) for v in Mover(WGS84, crs)(np.array([lon]), np.array([lat])))
    west, south, east, north = bounds
    room = 0.5 * max(east - west, north - south) + 5_000
    return west - room <= x <= east + room and south - room <= y <= north + room


def _chance_notes(assessment: Assessment) -> tuple[str, ...]:
    """How to read the chances."""
    if len(assessment.water.drawn_entries):
        return (_HOW_DRAWN,)
    if not len(assessment.flow_paths):
        return ()
    return (str(assessment.run.way_draws.get("note", _NOT_DRAWN)),)


def _likely(assessment: Assessment, unit_id: str) -> list[str]:
    """Where an unrecorded discharge point may be, in words; nothing where it is known."""
    places = assessment.search.candidates
    if not isinstance(places, gpd.GeoDataFrame) or not len(places):
        return []
    mine = places[places["unit_id"] == unit_id].sort_values("rank").head(_LIKELY).to_crs(WGS84)
    text = "; ".join(
        f"{p.y:.6f}, {p.x:.6f}, {KIND_WORDS[kind]} ({format_chance(chance)})"
        for p, kind, chance in zip(mine.geometry, mine["kind"], mine["chance"], strict=True)
    )
    return [f"Possible discharge points: {text}. The visit sheet shows them."] if text else []


def _describe_unknown(unknown: pd.DataFrame) -> str:
    """Units that may let out here although nobody knows where they do, in words."""
    named = ", ".join(
        f"{unit_id} ({format_chance(chance)})"
        for unit_id, chance in zip(
            unknown["unit_id"].head(_UNKNOWN), unknown["chance"], strict=False
        )
    )
    left = len(unknown) - _UNKNOWN
    more = f", and {left} more" if left > 0 else ""
    return (
        f"Unrecorded discharge points, not on the list, may be at this water: {named}{more}. See"
        " their visit sheets."
    )


def _limits(assessment: Assessment, *, up: bool) -> tuple[str, ...]:
    """What the folder does not hold and a trace therefore cannot follow."""
    missing = [
        name.replace("_", " ")
        for name in ("streams", "water_bodies", "drains")
        if name not in assessment.context
    ]
    notes = []
    if missing:
        notes.append(f"Not followed, because no layer was given: {', '.join(missing)}.")
    if not len(assessment.flow_paths):
        notes.append("No flow paths over the ground are known.")
    if up:
        more = "Units whose discharge point is not on record are not listed."
    else:
        more = (
            "A well's height is compared with the ground at the nearest point of the path."
            " Groundwater may not follow the ground."
        )
    return (*notes, more)


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


def written(points: Sequence[shapely.Point | None], crs: CRS) -> list[str]:
    """Places as a person writes them down; an empty text where one is not known."""
    x = np.array([np.nan if p is None else p.x for p in points], float)
    y = np.array([np.nan if p is None else p.y for p in points], float)
    found = written_places(x, y, crs, accuracy95_m=np.nan) if len(x) else []
    return ["" if place is None else place.decimal for place in found]
