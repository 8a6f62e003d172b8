"""The mapped water as a table: which way each piece leads on, and where outlets come into it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
import shapely.ops
from numpy.typing import NDArray
from pyproj import CRS

from geo.receptors import nearest_feature
from geo.waters.downstream import DRAIN_RISE_M, from_outfalls, lowest_around
from geo.waters.network import JOIN_WITHIN_M, Heights, Network, build_network
from geo.waters.paths import DRAIN_WITHIN_M
from layers.crs import line_length_m
from layers.fields.schemas import SCHEMAS
from layers.outputs import WATER_LEGS, WATER_PLACES

if TYPE_CHECKING:
    from geo.terrain import Terrain

NOT_THERE: Final = -1
Ints = NDArray[np.int64]
Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Waterways:
    """The mapped water as two tables, which an assessment keeps for tracing.

    Attributes
    ----------
    legs
        Pieces of streams and drains, and ways over the ground from where drains end, each drawn
        downstream: ``layer`` (streams, drains, ground), ``feature_id``, ``from_node``,
        ``to_node``, ``length_m`` on the ellipsoid.
    places
        Points of ``kind`` outlet (where the water of ``discharge_point_id`` comes in, after
        ``before_m`` over the ground), inflow and exit (where a leg enters a water body, where its
        water can leave). ``leg`` and ``along_m`` (plane) say where on a leg, -1 and null on none;
        ``water`` the water body, -1 for none, numbered as `geo.waters.network.water_groups` numbers
        them; ``node`` that of a shore; ``height_m`` of the water's surface, null if unknown.
    """

    legs: gpd.GeoDataFrame
    places: gpd.GeoDataFrame


def no_waterways(crs: CRS) -> Waterways:
    """Two empty tables."""
    return Waterways(
        WATER_LEGS.empty_layer(crs),
        WATER_PLACES.empty_layer(crs),
    )


def find_waterways(
    paths: gpd.GeoDataFrame,
    mouths: NDArray[np.object_],
    terrain: Terrain | None,
    features: Mapping[str, gpd.GeoDataFrame | None],
    *,
    line95_m: Mapping[str, float],
) -> Waterways:
    """Cut the mapped water into legs and find where every path comes into it.

    Parameters
    ----------
    paths
        ``unit_id``, ``discharge_point_id``, ``path_end``, ``path_length_m`` and lines, as
        `geo.waters.paths.outlet_paths` gives them.
    mouths
        The discharge point of each path.
    features
        ``streams``, ``water_bodies`` and ``drains`` by name.

    Notes
    -----
    The same graph as `geo.waters.downstream` follows: streams run as they are drawn or, where the
    ground says otherwise, the other way; drains run to where they end, and from there over the
    ground.
    """
    crs = paths.crs
    heights_at = None if terrain is None else lowest_around(terrain)
    streams, waters = _flowing(features.get("streams")), features.get("water_bodies")
    areas = np.empty(0, object) if waters is None else waters.geometry.to_numpy()
    main = build_network(_shapes(streams), crs, waters=areas, heights_at=heights_at)
    drains = features.get("drains")
    piped = build_network(_shapes(drains), crs, heights_at=heights_at, rise_m=DRAIN_RISE_M)

    # where the drains' own ends come into streams and waters
    ends = piped.outfalls
    outfall = shapely.points(piped.xy[ends]) if len(ends) else np.empty(0, object)
    reached, _, walked = from_outfalls(outfall, terrain, features, line95_m, crs)
    runs_on = np.flatnonzero(~shapely.is_missing(reached))
    reached, walked, ends = reached[runs_on], walked[runs_on], ends[runs_on]
    line, measure = _on_lines(reached, main.lines)
    hits = np.flatnonzero(line >= 0)
    end_node = len(main.xy) + len(piped.xy) + np.arange(len(reached))
    legs = _join(
        [
            _legs(main, streams, "streams", 0, (line[hits], measure[hits], end_node[hits])),
            _legs(piped, drains, "drains", len(main.xy), None),
            _ground(walked, ends + len(main.xy), end_node, crs),
        ],
        crs,
    )
    places = _join(
        [
            _entries(paths, mouths, legs, main, heights_at),
            _shores(main, heights_at),
            _outfall_shores(reached, end_node, main, heights_at),
        ],
        crs,
    )
    return Waterways(legs, places)


def _flowing(streams: gpd.GeoDataFrame | None) -> gpd.GeoDataFrame | None:
    """Streams without coastlines, which carry no flow."""
    return None if streams is None else streams[streams["stream_kind"] != "coastline"]


def _shapes(layer: gpd.GeoDataFrame | None) -> NDArray[np.object_]:
    return np.empty(0, object) if layer is None else layer.geometry.to_numpy()


def _join(tables: list[gpd.GeoDataFrame], crs: CRS) -> gpd.GeoDataFrame:
    some = [table for table in tables if len(table)]
    if not some:
        return tables[0]
    return gpd.GeoDataFrame(pd.concat(some, ignore_index=True), geometry="geometry", crs=crs)


def _legs(
    network: Network,
    layer: gpd.GeoDataFrame | None,
    name: str,
    first_node: int,
    more: tuple[Ints, Floats, Ints] | None,
) -> gpd.GeoDataFrame:
    """The pieces of a network's lines between cuts, at its own nodes and at some more places."""
    line, measure, node = network.cut_line, network.cut_m, network.cut_node + first_node
    if more is not None:
        line, measure, node = (
            np.concatenate(pair) for pair in zip((line, measure, node), more, strict=True)
        )
    order = np.lexsort([measure, line])
    line, measure, node = line[order], measure[order], node[order]
    begin = np.flatnonzero(line[1:] == line[:-1])
    begin = begin[node[begin] != node[begin + 1]]
    of = line[begin]
    shapes = [
        shapely.ops.substring(network.lines[k], a, b)
        for k, a, b in zip(of, measure[begin], measure[begin + 1], strict=True)
    ]
    ids = np.empty(0, object) if layer is None else layer[SCHEMAS[name].id].to_numpy(object)
    is_line = np.array([shape.geom_type == "LineString" for shape in shapes], bool)
    for k in np.flatnonzero(~is_line):  # two nodes at one place: what leads on has no length
        shapes[k] = shapely.LineString([shapes[k].coords[0]] * 2)
    return gpd.GeoDataFrame(
        {
            "layer": np.full(len(begin), name, object),
            "feature_id": ids[network.owner[of]] if len(of) else np.empty(0, object),
            "from_node": node[begin],
            "to_node": node[begin + 1],
            "length_m": (measure[begin + 1] - measure[begin]) * network.scale[of],
        },
        geometry=shapes,
        crs=network.crs,
    )


def _ground(lines: NDArray[np.object_], begin: Ints, end: Ints, crs: CRS) -> gpd.GeoDataFrame:
    """The ways over the ground from where drains end."""
    return gpd.GeoDataFrame(
        {
            "layer": np.full(len(lines), "ground", object),
            "feature_id": np.full(len(lines), None, object),
            "from_node": begin,
            "to_node": end,
            "length_m": line_length_m(lines, crs),
        },
        geometry=list(lines),
        crs=crs,
    )


def _on_lines(points: NDArray[np.object_], lines: NDArray[np.object_]) -> tuple[Ints, Floats]:
    """The line that each point lies at, -1 for none, and how far along it in the plane."""
    line, measure = np.full(len(points), NOT_THERE), np.full(len(points), np.nan)
    if len(points) and len(lines):
        at, near = shapely.STRtree(lines).query_nearest(points, max_distance=JOIN_WITHIN_M)
        at, first = np.unique(at, return_index=True)
        line[at] = near[first]
        measure[at] = shapely.line_locate_point(lines[line[at]], points[at])
    return line.astype(np.int64), measure


def _in_waters(points: NDArray[np.object_], waters: NDArray[np.object_], water_group: Ints) -> Ints:
    """The group of waters that each point lies in or at, -1 for none."""
    water = np.full(len(points), NOT_THERE)
    if len(points) and len(waters):
        tree = shapely.STRtree(waters)
        at, area = tree.query(points, predicate="dwithin", distance=JOIN_WITHIN_M)
        at, first = np.unique(at, return_index=True)
        water[at] = water_group[area[first]]
    return water.astype(np.int64)


def heights_of(points: NDArray[np.object_], heights_at: Heights | None) -> Floats:
    """The height of the water at each point; NaN where nothing tells it."""
    if heights_at is None or not len(points):
        return np.full(len(points), np.nan)
    return np.asarray(heights_at(*shapely.get_coordinates(points).T), float)


def _places(
    points: NDArray[np.object_], kind: str, heights_at: Heights | None, crs: CRS, **columns: object
) -> gpd.GeoDataFrame:
    n = len(points)
    table: dict[str, object] = {
        "kind": np.full(n, kind, object),
        "unit_id": np.full(n, None, object),
        "discharge_point_id": np.full(n, None, object),
        "before_m": np.full(n, np.nan),
        "leg": np.full(n, NOT_THERE),
        "along_m": np.full(n, np.nan),
        "water": np.full(n, NOT_THERE),
        "node": np.full(n, NOT_THERE),
        "height_m": heights_of(points, heights_at),
    }
    return gpd.GeoDataFrame(table | columns, geometry=list(points), crs=crs)


def _entries(
    paths: gpd.GeoDataFrame,
    mouths: NDArray[np.object_],
    legs: gpd.GeoDataFrame,
    main: Network,
    heights_at: Heights | None,
) -> gpd.GeoDataFrame:
    """Where each path comes into a stream, a water body or a drain."""
    lines = paths.geometry.to_numpy()
    points: NDArray[np.object_] = np.where(
        shapely.is_missing(lines), mouths, shapely.get_point(lines, -1)
    )
    into = come_in(points, paths["path_end"].to_numpy(object), legs, main.waters, main.water_group)
    known = np.flatnonzero((into.leg >= 0) | (into.water >= 0))
    return _places(
        points[known],
        "outlet",
        heights_at,
        paths.crs,
        unit_id=paths["unit_id"].to_numpy(object)[known],
        discharge_point_id=paths["discharge_point_id"].to_numpy(object)[known],
        before_m=(np.nan_to_num(paths["path_length_m"].to_numpy(float)) + into.more_m)[known],
        leg=into.leg[known],
        along_m=into.along_m[known],
        water=into.water[known],
    )


@dataclass(frozen=True)
class ComeIn:
    """Where some ends of ways come into the mapped water, arrays of one length.

    Attributes
    ----------
    leg, along_m
        The leg, -1 for none, and how far along it (plane).
    water
        The group of water bodies, -1 for none.
    more_m
        What lies between a way's end and the drain it is taken to enter.
    """

    leg: Ints
    along_m: Floats
    water: Ints
    more_m: Floats


def come_in(
    points: NDArray[np.object_],
    end: NDArray[np.object_],
    legs: gpd.GeoDataFrame,
    waters: NDArray[np.object_],
    water_group: Ints,
) -> ComeIn:
    """Where ways that end at some points come into the mapped water.

    Parameters
    ----------
    end
        What each ends at: stream, water_body, drain; others come into none.
    waters, water_group
        The water bodies and which of them belong together.
    """
    n = len(points)
    leg, along, more = np.full(n, NOT_THERE), np.full(n, np.nan), np.zeros(n)
    shapes, layer = legs.geometry.to_numpy(), legs["layer"].to_numpy(object)
    wet = np.flatnonzero(np.isin(end, ("stream", "water_body")))
    of_streams = np.flatnonzero(layer == "streams")
    near, measure = _on_lines(points[wet], shapes[of_streams])
    on = near >= 0
    leg[wet[on]], along[wet[on]] = of_streams[near[on]], measure[on]
    into = np.flatnonzero(end == "drain")
    of_drains = np.flatnonzero(layer == "drains")
    if len(into) and len(of_drains):
        drain = nearest_feature(points[into], shapes[of_drains], legs.crs, within_m=DRAIN_WITHIN_M)
        near, at = drain.index, np.flatnonzero(drain.index >= 0)
        feet = shapely.get_point(drain.line[at], -1)
        leg[into[at]] = of_drains[near[at]]
        along[into[at]] = shapely.line_locate_point(shapes[leg[into[at]]], feet)
        more[into[at]] = drain.distance_m[at]
    water = np.full(n, NOT_THERE)
    water[wet] = _in_waters(points[wet], waters, water_group)
    return ComeIn(leg, along, water, more)


def _shores(network: Network, heights_at: Heights | None) -> gpd.GeoDataFrame:
    """Where lines enter and leave waters."""
    into = shapely.points(network.inflow_xy) if len(network.inflow_xy) else np.empty(0, object)
    out = shapely.points(network.exit_xy) if len(network.exit_xy) else np.empty(0, object)
    crs = network.crs
    return _join(
        [
            _places(into, "inflow", heights_at, crs, water=network.inflow_group,
                    node=network.inflow_node),
            _places(out, "exit", heights_at, crs, water=network.exit_group,
                    node=network.exit_node),
        ],
        crs,
    )  # fmt: skip


def _outfall_shores(
    reached: NDArray[np.object_], node: Ints, network: Network, heights_at: Heights | None
) -> gpd.GeoDataFrame:
    """Where ways from the ends of drains come into waters."""
    water = _in_waters(reached, network.waters, network.water_group)
    wet = np.flatnonzero(water >= 0)
    return _places(
        reached[wet], "inflow", heights_at, network.crs, water=water[wet], node=node[wet]
    )
