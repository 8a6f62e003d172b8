"""Where roads cross mapped streams, what lets the water through, and what was cut for it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from pyproj import CRS
from shapely import LineString, Point

from geo.meetings import meetings
from geo.terrain import BreachReport, Crossing, CulvertReport
from layers.outputs import TERRAIN_CUTS

# Streams no further than this from a crossing are looked along: a stream may be cut up beside it.
_STREAMS_WITHIN_M: Final = 200.0


@dataclass(frozen=True)
class RoadCrossing:
    """A road over a mapped stream.

    Attributes
    ----------
    crossing
        As `geo.terrain.breach_crossings` takes it.
    stream, road
        Rows of the two layers.
    served_by
        Rows of the culverts close enough to serve it.
    """

    crossing: Crossing
    stream: int
    road: int
    served_by: tuple[int, ...]


def find_crossings(
    streams: gpd.GeoDataFrame | None,
    roads: gpd.GeoDataFrame | None,
    culverts: gpd.GeoDataFrame | None,
    *,
    accuracy95_m: float,
    culvert_within_m: float,
) -> list[RoadCrossing]:
    """Every place where the line of a road meets that of a stream, by rows of streams, then roads.

    Parameters
    ----------
    streams, roads
        Lines in the working system; streams drawn as areas are passed over, since a road over one
        is a bridge.
    accuracy95_m
        Of the stream lines at 95 %.
    culvert_within_m
        A culvert no further from the place serves it.
    """
    if streams is None or roads is None:
        return []
    lines, stream_row = _parts(streams)
    ways, road_row = _parts(roads)
    pipes = np.array([] if culverts is None else culverts.geometry.to_numpy(), object)
    pipe_tree = shapely.STRtree(pipes)
    stream_tree = shapely.STRtree(lines)
    found = []
    for way, line in sorted(zip(*stream_tree.query(ways, predicate="intersects"), strict=True)):
        for at in _points(lines[line], ways[way]):
            near = np.sort(stream_tree.query(at.buffer(_STREAMS_WITHIN_M)))
            serving = pipe_tree.query(at, predicate="dwithin", distance=culvert_within_m)
            found.append(
                RoadCrossing(
                    Crossing(at, shapely.union_all(lines[near]), ways[way], accuracy95_m),
                    int(stream_row[line]),
                    int(road_row[way]),
                    tuple(np.sort(serving).tolist()),
                )
            )
    return sorted(found, key=lambda c: (c.stream, c.road, c.crossing.at.x, c.crossing.at.y))


def _parts(layer: gpd.GeoDataFrame) -> tuple[NDArray[np.object_], NDArray[np.int64]]:
    """The single lines of a layer, and the row each is of."""
    parts, row = shapely.get_parts(layer.geometry.to_numpy(), return_index=True)
    is_line = np.isin(shapely.get_type_id(parts), (1, 2))
    return parts[is_line], row[is_line]


def _points(line: shapely.Geometry, way: shapely.Geometry) -> list[Point]:
    """Where two lines meet: points, and the middle of what they share."""
    parts, _ = meetings(np.array([line]), np.array([way]))
    return [
        part if isinstance(part, Point) else part.interpolate(0.5, normalized=True)
        for part in parts
    ]


def cut_table(
    crossings: Sequence[RoadCrossing],
    breaches: Sequence[BreachReport | None],
    pipes: Sequence[CulvertReport],
    *,
    streams: gpd.GeoDataFrame | None,
    roads: gpd.GeoDataFrame | None,
    culverts: gpd.GeoDataFrame | None,
    crs: CRS,
) -> gpd.GeoDataFrame:
    """Every culvert, and every crossing that no culvert serves, with what was cut for it.

    ``kind`` (``culvert``, ``breach``), ``culvert_id``, ``stream_id``, ``road_id``, ``road`` (its
    name), ``used`` (whether water runs through), ``reason`` (see `CulvertReport` and
    `BreachReport`), ``length_m`` and ``depth_m`` of the cut (needed, where it was not made),
    ``from_elevation_m`` and ``to_elevation_m`` of its ends, and its line: downstream for a breach
    (the place of the crossing where there is no way), as drawn for a culvert.
    """
    rows: list[dict[str, Any]] = []
    shapes: list[shapely.Geometry | None] = []
    serves = {pipe: crossing for crossing in crossings[::-1] for pipe in crossing.served_by}
    for pipe in pipes:
        assert culverts is not None
        crossed = serves.get(pipe.index)
        culvert_id = culverts["culvert_id"].iloc[pipe.index]
        rows.append(
            {"kind": "culvert", "culvert_id": culvert_id} | _shown(pipe, crossed, streams, roads)
        )
        shapes.append(culverts.geometry.iloc[pipe.index])
    for crossing, breach in zip(crossings, breaches, strict=True):
        if breach is None:
            continue
        rows.append({"kind": "breach"} | _shown(breach, crossing, streams, roads))
        shapes.append(LineString(breach.xy) if len(breach.xy) > 1 else crossing.crossing.at)
    table = pd.DataFrame(rows, columns=TERRAIN_CUTS.names)
    table["used"] = table["used"].astype(bool)
    for name in ("length_m", "depth_m", "from_elevation_m", "to_elevation_m"):
        table[name] = table[name].astype(float)
    return gpd.GeoDataFrame(table, geometry=shapes, crs=crs)


def no_cuts(crs: CRS) -> gpd.GeoDataFrame:
    """The table of `cut_table` without a row."""
    return cut_table([], [], [], streams=None, roads=None, culverts=None, crs=crs)


def _shown(
    report: CulvertReport | BreachReport,
    crossing: RoadCrossing | None,
    streams: gpd.GeoDataFrame | None,
    roads: gpd.GeoDataFrame | None,
) -> dict[str, Any]:
    shown: dict[str, Any] = {
        "used": report.used,
        "reason": report.reason,
        "length_m": report.length_m,
        "depth_m": report.max_cut_m,
        "from_elevation_m": report.from_m,
        "to_elevation_m": report.to_m,
    }
    if crossing is not None and streams is not None and roads is not None:
        road = roads.iloc[crossing.road]
        shown["stream_id"] = streams["stream_id"].iloc[crossing.stream]
        shown["road_id"], shown["road"] = road["road_id"], road["name"]
    return shown
