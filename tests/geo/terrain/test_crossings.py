"""Roads over mapped streams: every crossing found once, who serves it, what is told of it."""

from __future__ import annotations

from types import SimpleNamespace

import geopandas as gpd
import numpy as np
import pytest
from affine import Affine
from pyproj import CRS
from shapely import LineString, MultiLineString, box

from geo.terrain import BreachReport, CulvertReport
from geo.terrain.county_terrain import county_terrain
from geo.terrain.crossings import cut_table, find_crossings, no_cuts
from layers.grid import Grid
from layers.outputs import TERRAIN_CUTS
from layers.problems import ProblemLog
from layers.settings.county_file import TerrainSection

UTM16 = CRS("EPSG:32616")


def layer(id_name, shapes, **columns):
    n = len(shapes)
    columns = {id_name: [f"{id_name[0].upper()}{k}" for k in range(n)]} | columns
    return gpd.GeoDataFrame(columns | {"source_row": range(1, n + 1)}, geometry=shapes, crs=UTM16)


STREAMS = layer(
    "stream_id",
    [
        LineString([(0, 0), (100, 0)]),
        MultiLineString([[(0, 50), (60, 50)], [(60, 50), (100, 50)]]),
        LineString([(0, 80), (30, 80), (30, 90), (70, 90), (70, 80), (100, 80)]),
        box(0, -40, 100, -20),  # a river drawn as an area: a road over it is a bridge
    ],
)
ROADS = layer(
    "road_id",
    [
        LineString([(20, -60), (20, 60)]),
        LineString([(50, 85), (50, 200)]),
        LineString([(0, 80), (100, 80)]),  # shares part of its line with the third stream
    ],
    name=["Fern Lane", None, "Mill Road"],
)
CULVERTS = layer("culvert_id", [LineString([(8, 0), (32, 0)]), LineString([(30, 62), (30, 64)])])


def found(**more):
    settings = {"accuracy95_m": 4.0, "culvert_within_m": 15.0} | more
    return find_crossings(STREAMS, ROADS, CULVERTS, **settings)


def test_every_crossing_once_and_who_serves_it():
    crossings = found()
    shown = [(c.stream, c.road, c.crossing.at.x, c.crossing.at.y, c.served_by) for c in crossings]
    assert shown == [
        (0, 0, 20, 0, (0,)),  # over its culvert
        (1, 0, 20, 50, ()),  # the other culvert is 16 m away
        (2, 1, 50, 90, ()),
        (2, 2, 15, 80, ()),  # the middle of what both lines share, twice
        (2, 2, 85, 80, ()),
    ]
    assert crossings[0].crossing.accuracy95_m == 4
    assert found(culvert_within_m=25)[1].served_by == (1,)
    assert found(culvert_within_m=0)[0].served_by == (0,)  # it runs through the very place
    assert crossings[1].crossing.streams.length >= 100  # all pieces of the stream


@pytest.mark.parametrize("missing", [0, 1])
def test_without_streams_or_roads_there_is_no_crossing(missing):
    layers = [STREAMS, ROADS]
    layers[missing] = None
    assert find_crossings(*layers, CULVERTS, accuracy95_m=4, culvert_within_m=15) == []
    no_pipes = find_crossings(STREAMS, ROADS, None, accuracy95_m=4, culvert_within_m=15)
    assert {c.served_by for c in no_pipes} == {()}


def test_the_table_lists_pipes_then_bare_crossings():
    crossings = found()
    way = np.array([[20.0, 60.0], [20.0, 50.0], [20.0, 40.0]])
    breaches = [
        None,
        BreachReport(1, True, "cut", 3, 2.5, 18.0, 101.0, 100.5, way),
        BreachReport(2, False, "no way"),
        BreachReport(3, False, "too deep", 0, 9.0, 30.0, 101.0, 100.0, way),
        BreachReport(4, True, "already open", 0, 0.0, 0.0, 101.0, 100.0, way),
    ]
    pipes = [
        CulvertReport(0, True, "cut", 4, 1.5, 24.0, 99.0, 98.0),
        CulvertReport(1, False, "shorter than a cell"),
    ]
    table = cut_table(
        crossings, breaches, pipes, streams=STREAMS, roads=ROADS, culverts=CULVERTS, crs=UTM16
    )
    assert tuple(table.columns) == (*TERRAIN_CUTS.names, "geometry")
    assert table["kind"].tolist() == ["culvert"] * 2 + ["breach"] * 4
    assert table["used"].tolist() == [True, False, True, False, False, True]
    first = table.iloc[0]
    assert (first["culvert_id"], first["stream_id"], first["road"]) == ("C0", "S0", "Fern Lane")
    assert (first["length_m"], first["depth_m"], first["from_elevation_m"]) == (24.0, 1.5, 99.0)
    assert table["road"].isna().tolist() == [False, True, False, True, False, False]
    assert table["stream_id"].isna().tolist() == [False, True, False, False, False, False]
    assert table.geometry.iloc[2].equals(LineString(way))
    assert table.geometry.iloc[3].geom_type == "Point"  # where there is no way
    empty = no_cuts(UTM16)
    assert (len(empty), tuple(empty.columns)) == (0, (*TERRAIN_CUTS.names, "geometry"))


def a_county(**settings):
    """A valley with a stream, a lake and a river, and two roads; nothing else is known."""
    row, col = np.indices((60, 120))
    z = 100 + 0.05 * col + 0.4 * np.abs(row - 30)
    z[:, 40:46] = np.maximum(z[:, 40:46], 106)  # a bank of 4 m
    z[:, 80:86] = np.maximum(z[:, 80:86], 116)  # and one of 12 m
    z[28:31, 56] = 95  # the foot of a dam, just past the second lake
    grid = Grid(z.astype(np.float32), Affine(1, 0, 1000, 0, -1, 2000), UTM16)
    file = SimpleNamespace(terrain=TerrainSection(**settings))
    features = {
        "streams": layer("stream_id", [LineString([(1119, 1969.5), (1000, 1969.5)])]),
        "roads": layer(
            "road_id",
            [LineString([(1043, 2010), (1043, 1930)]), LineString([(1083, 2010), (1083, 1930)])],
            name=["Fern Lane", None],
        ),
        "water_bodies": layer(
            "water_body_id", [box(1002, 1955, 1012, 1985), box(1050, 1968, 1056, 1971)]
        ),
    }
    log = ProblemLog()
    county = SimpleNamespace(terrain=grid, file=file, crs=UTM16)
    return county_terrain(county, features, log, stream_accuracy95_m=2.0), log.frame()


def test_what_could_not_be_opened_or_levelled_is_said():
    ready, problems = a_county()
    (low, high) = ready.cuts.to_dict("records")
    assert (low["reason"], high["reason"]) == ("cut", "too deep")
    shown = problems.set_index("code")
    closed = shown.loc["crossing_closed"]
    assert (closed["layer"], closed["row"], closed["feature_id"]) == ("streams", 1, "S0")
    assert closed["message"].startswith(
        "no culvert is mapped where R1 crosses it, and the road was not cut open: a cut would be 1"
    )
    assert closed["message"].endswith("m deep, more than the 6 m allowed")
    sloping = shown.loc["water_sloping"]
    assert (sloping["layer"], sloping["feature_id"]) == ("water_bodies", "W0")
    assert "falls by" in sloping["message"]
    past = shown.loc["water_past_outlet"]
    assert (past["feature_id"], past["message"][:28]) == ("W1", "the ground beside its outlin")
    # the settings change what is allowed
    ready, problems = a_county(breach_depth_m=20, lake_fall_m=9)
    assert ready.cuts["reason"].tolist() == ["cut", "cut"]
    assert not set(problems["code"]) & {"crossing_closed", "water_sloping"}
    ready, problems = a_county(breach_length_m=0)
    assert len(ready.cuts) == 0


def test_no_terrain_no_table():
    county = SimpleNamespace(terrain=None, file=SimpleNamespace(terrain=TerrainSection()))
    assert county_terrain(county, {}, ProblemLog(), stream_accuracy95_m=2.0) is None
