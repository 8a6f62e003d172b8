"""From outlets through drains and over the ground to streams and the places down them, by hand."""

import geopandas as gpd
import numpy as np
import pytest
from affine import Affine
from pyproj import CRS
from shapely import LineString, Point, box

from geo.terrain import build_terrain
from geo.waters.downstream import lowest_around, places_downstream
from geo.waters.paths import outlet_paths
from layers.grid import Grid

UTM16 = CRS("EPSG:32616")
WEST, NORTH, CELL = 500_000.0, 2_930_000.0, 2.0
ROWS, COLS = 60, 80
SCALE = 0.9996  # of UTM at its central meridian: ground = plane / scale
LINE95 = {"streams": 4.0, "water_bodies": 4.0, "drains": 4.0}


def at(x, y):
    """Meters east and south of the north-west corner."""
    return WEST + x, NORTH - y


def line(*xy):
    return LineString([at(*p) for p in xy])


def plane():
    """Falls 0.1 m a meter to the east."""
    z = np.tile(100 - 0.1 * CELL * np.arange(COLS), (ROWS, 1)).astype(np.float32)
    return build_terrain(Grid(z, Affine(CELL, 0, WEST, 0, -CELL, NORTH), UTM16))


def outlets(*xy, kind="ground"):
    return gpd.GeoDataFrame(
        {"outlet_kind": [kind] * len(xy)},
        geometry=[Point(at(*p)) for p in xy],
        crs=UTM16,
        index=range(5, 5 + len(xy)),
    )


def layer(id_column, *shapes, **more):
    ids = [f"{id_column[0]}{k}" for k in range(len(shapes))]
    return gpd.GeoDataFrame({id_column: ids, **more}, geometry=list(shapes), crs=UTM16)


def streams(*shapes, kind="stream"):
    return layer("stream_id", *shapes, stream_kind=[kind] * len(shapes))


def places(*xy, kinds):
    return layer("place_id", *[Point(at(*p)) for p in xy], place_kind=list(kinds))


# a stream due south along x = 101 m, and on beyond the terrain
STREAM = streams(line((101, -10), (101, 200)), line((101, 200), (400, 200)))


def down(points, features, terrain):
    paths = outlet_paths(points, terrain, features, line95_m=LINE95)
    got = places_downstream(points, paths, terrain, features, line95_m=LINE95).columns
    assert got.index.tolist() == points.index.tolist()
    known = got["downstream_m"].notna()
    assert (got["downstream_place"].notna() == known).all()
    assert (got["downstream_place_kind"].notna() == known).all()
    return [
        (r.downstream_place, r.downstream_place_kind, pytest.approx(r.downstream_m, abs=0.3))
        if r.downstream_place
        else None
        for r in got.itertuples()
    ]


def test_over_the_ground_and_down_the_stream_to_the_nearest_place():
    where = places((300, 210), (120, 100), kinds=["intake", "bathing"])
    got = down(
        outlets((21, 61), (21, 101), (21, 111)),
        {"streams": STREAM, "protected_places": where},
        plane(),
    )
    ground = 80 / SCALE
    assert got[0] == ("p1", "bathing", ground + 39 / SCALE)
    # the second meets the stream just below the bathing place, and goes on to the intake
    assert got[1] == ("p0", "intake", ground + (99 + 199) / SCALE)
    assert got[2] == ("p0", "intake", ground + (89 + 199) / SCALE)


def test_a_school_is_not_reached_and_nothing_stands_for_none():
    school = places((300, 210), kinds=["school"])
    assert down(outlets((21, 61)), {"streams": STREAM, "protected_places": school}, plane()) == [
        None
    ]
    far = places((300, 260), kinds=["intake"])  # 60 m off the stream
    assert down(outlets((21, 61)), {"streams": STREAM, "protected_places": far}, plane()) == [None]
    assert down(outlets((21, 61)), {"streams": STREAM}, plane()) == [None]


INTAKE = places((300, 200), kinds=["intake"])


def test_a_piped_outlet_follows_its_drain_to_the_outfall_and_on_over_the_ground():
    drain = layer("drain_id", line((20, 21), (20, 61)), line((20.5, 61), (51, 61)))
    features = {"streams": STREAM, "drains": drain, "protected_places": INTAKE}
    got = down(outlets((10, 31), kind="storm_sewer"), features, plane())
    # 10 m to the drain, 30 m and 30.5 m in it, 50 m over the ground, then the stream
    assert got == [("p0", "intake", (10 + 30 + 30.5 + 50 + 139 + 199) / SCALE)]


def test_what_enters_a_drain_over_the_ground_comes_out_at_its_outfall():
    drain = layer("drain_id", line((51, 11), (51, 101), (101, 101)))
    features = {"streams": STREAM, "drains": drain, "protected_places": INTAKE}
    points = outlets((21, 61))
    paths = outlet_paths(points, plane(), features, line95_m=LINE95)
    assert paths["path_end"].tolist() == ["drain"]
    assert paths["path_length_m"].tolist() == [pytest.approx(30 / SCALE, abs=0.01)]
    got = down(points, features, plane())
    assert got == [("p0", "intake", (30 + 40 + 50 + 99 + 199) / SCALE)]


def test_a_drain_drawn_uphill_is_followed_down():
    drain = layer("drain_id", line((101, 61), (20, 61)))
    features = {"streams": STREAM, "drains": drain, "protected_places": INTAKE}
    got = down(outlets((40, 61), kind="field_tile"), features, plane())
    assert got == [("p0", "intake", (61 + 139 + 199) / SCALE)]
    # without terrain the drawing is all there is: 20 m, the other way, far from any stream
    assert down(outlets((40, 61), kind="field_tile"), features, None) == [None]


def test_without_terrain_an_outfall_at_a_stream_is_known():
    drain = layer("drain_id", line((20, 61), (98, 61)))
    features = {"streams": STREAM, "drains": drain, "protected_places": INTAKE}
    got = down(outlets((40, 61), kind="storm_sewer"), features, None)
    assert got == [("p0", "intake", (58 + 3 + 139 + 199) / SCALE)]


def test_a_lake_on_the_way_is_crossed_to_the_stream_that_leaves_it():
    lake = layer("water_body_id", box(*at(79, 100), *at(140, 20)))
    out = streams(line((140, 60), (300, 60)))
    features = {
        "streams": out,
        "water_bodies": lake,
        "protected_places": places((250, 50), (90, 10), kinds=["intake", "bathing"]),
    }
    got = down(outlets((21, 61), (155, 61)), features, plane())
    # the beach stands 10 m behind the shore at (90, 20)
    assert got[0] == ("p1", "bathing", (58 + np.hypot(11, 41)) / SCALE)
    assert got[1] == ("p0", "intake", 95 / SCALE + 1)


def test_coastlines_carry_no_flow():
    shore = streams(line((101, -10), (101, 200)), kind="coastline")
    where = places((101, 180), kinds=["bathing"])
    assert down(outlets((21, 61)), {"streams": shore, "protected_places": where}, plane()) == [None]


def test_streams_turned_round_are_named():
    against = streams(line((101, -10), (101, 200)), line((150, 30), (90, 30)))
    features = {"streams": against, "protected_places": INTAKE}
    points, terrain = outlets((21, 61)), plane()
    paths = outlet_paths(points, terrain, features, line95_m=LINE95)
    got = places_downstream(points, paths, terrain, features, line95_m=LINE95)
    assert got.turned_streams.tolist() == [1]


def test_the_lowest_cell_around_a_place_stands_for_it():
    heights = lowest_around(plane())(np.array([WEST + 21, WEST - 50]), np.array([NORTH - 61] * 2))
    assert heights[0] == pytest.approx(100 - 0.1 * CELL * 12, abs=1e-4)  # two cells farther down
    assert np.isnan(heights[1])
