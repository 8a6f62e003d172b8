"""Flow paths on planes and valleys whose answer is known by hand."""

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from affine import Affine
from pyproj import CRS
from shapely import LineString, Point, box

from geo.ponds.ponding import ground_columns
from geo.terrain import build_terrain
from geo.waters.paths import (
    flood_areas_crossed,
    ground_paths,
    outlet_paths,
    parcels_crossed,
    wells_downhill,
)
from layers.grid import Grid

UTM16 = CRS("EPSG:32616")
WEST, NORTH, CELL = 500_000.0, 2_930_000.0, 2.0
ROWS, COLS = 60, 80
LINE95 = {"streams": 10.0, "water_bodies": 10.0, "drains": 10.0}


def grid(values):
    return Grid(values.astype(np.float32), Affine(CELL, 0, WEST, 0, -CELL, NORTH), UTM16)


def plane():
    """Falls 0.1 m a meter to the east."""
    return grid(np.tile(100 - 0.1 * CELL * np.arange(COLS), (ROWS, 1)))


def at(x, y):
    """Meters east and south of the north-west corner."""
    return WEST + x, NORTH - y


def outlets(*xy, kind="ground"):
    kinds = [kind] * len(xy) if isinstance(kind, str) else kind
    return gpd.GeoDataFrame(
        {"outlet_kind": kinds},
        geometry=[Point(at(*p)) for p in xy],
        crs=UTM16,
        index=[3, 9, 4][: len(xy)],
    )


def layer(id_column, *shapes):
    return gpd.GeoDataFrame(
        {id_column: [f"{id_column[0]}{i}" for i in range(len(shapes))]},
        geometry=list(shapes),
        crs=UTM16,
    )


def stream(x):
    return layer("stream_id", LineString([at(x, -10), at(x, 200)]))


def paths(points, features, terrain=None):
    return outlet_paths(points, terrain or build_terrain(plane()), features, line95_m=LINE95)


def test_down_a_plane_to_a_stream():
    got = paths(outlets((21, 61)), {"streams": stream(101)}).iloc[0]
    assert got["path_end"] == "stream"
    assert got["path_end_id"] == "s0"
    # 80 m on the grid; UTM's scale is 0.9996 at the central meridian, so the ground is longer
    assert got["path_length_m"] == pytest.approx(80 / 0.9996, abs=0.01)
    assert got["path_drop_m"] == pytest.approx(8.0, abs=0.01)
    assert got.geometry.coords[0] == at(21, 61)
    assert got.geometry.coords[-1] == pytest.approx(at(101, 61))


def test_without_water_to_the_edge():
    got = paths(outlets((21, 61)), {}).iloc[0]
    assert got["path_end"] == "edge"
    assert got["path_end_id"] is None
    assert got["path_length_m"] == pytest.approx((COLS * CELL - 1 - 21) / 0.9996, abs=0.01)


def test_a_diagonal_stream_cannot_be_slipped_through():
    diagonal = layer("stream_id", LineString([at(40, -50), at(140, 150)]))
    got = paths(outlets((21, 61), (5, 31)), {"streams": diagonal})
    assert got["path_end"].tolist() == ["stream", "stream"]
    assert got.index.tolist() == [3, 9]


def test_lake_and_drain_end_it_too():
    lake = layer("water_body_id", box(*at(90, 90), *at(120, 30)))
    drain = layer("drain_id", LineString([at(60, 0), at(60, 59)]))
    got = paths(outlets((21, 61), (21, 31)), {"water_bodies": lake, "drains": drain})
    assert got["path_end"].tolist() == ["water_body", "drain"]
    assert got["path_end_id"].tolist() == ["w0", "d0"]


def test_a_stream_mapped_beside_its_valley_is_met_within_its_accuracy():
    # water runs due east along y = 61 m; the stream is mapped 6 m north of it, known to 10 m
    beside = layer("stream_id", LineString([at(80, 55), at(158, 55)]))
    got = paths(outlets((21, 61)), {"streams": beside}).iloc[0]
    assert got["path_end"] == "stream"
    assert got["path_length_m"] < 70
    far = layer("stream_id", LineString([at(80, 35), at(158, 35)]))
    assert paths(outlets((21, 61)), {"streams": far}).iloc[0]["path_end"] == "edge"


def test_piped_outlets_end_in_their_drain_and_soil_has_no_path():
    drain = layer("drain_id", LineString([at(60, 0), at(60, 80)]))
    points = outlets((30, 41), (50, 41), kind=["soil", "storm_sewer"])
    got = paths(points, {"drains": drain})
    assert got["path_end"].tolist()[1] == "drain"
    assert got["path_end_id"].tolist()[1] == "d0"
    assert got["path_length_m"].isna().tolist() == [True, False]
    assert got["path_length_m"].tolist()[1] == 0


def test_off_the_terrain_and_without_terrain_nothing_is_known():
    assert paths(outlets((-50, 61)), {}).iloc[0]["path_end"] is None
    got = outlet_paths(outlets((21, 61)), None, {"streams": stream(101)}, line95_m=LINE95)
    assert got["path_length_m"].isna().all()


def test_starting_in_the_stream_the_path_is_the_step_to_it():
    got = paths(outlets((101.5, 61)), {"streams": stream(101)}).iloc[0]
    assert got["path_end"] == "stream"
    assert got["path_length_m"] == pytest.approx(0.5, abs=0.01)


def test_water_passes_through_a_hollow_to_its_spill():
    z = plane().values.copy()
    z[25:36, 30:36] -= 3.0
    got = paths(outlets((21, 61)), {"streams": stream(101)}, build_terrain(grid(z))).iloc[0]
    assert got["path_end"] == "stream"
    assert got["path_length_m"] >= 80


def test_parcels_crossed_leaves_out_the_lids_own():
    lots = gpd.GeoDataFrame(
        {"parcel_id": list("abc")},
        geometry=[box(*at(x, 90), *at(x + 30, 30)) for x in (0, 30, 60)],
        crs=UTM16,
    )
    shapes = [
        LineString([at(21, 61), at(80, 61)]),
        LineString([at(35, 61), at(50, 61)]),
        None,
        None,
    ]
    lengths = {
        "path_length_m": [59.0, 15.0, np.nan, 0.0],
        "path_end": ["edge", "stream", None, "drain"],
    }
    lines = gpd.GeoDataFrame(lengths, geometry=shapes, crs=UTM16)
    lids = np.array([Point(at(10, 61))] * 4, object)
    got = parcels_crossed(lines, lids, lots)
    # the second outlet lies on its neighbor's land already: that parcel counts; water that goes
    # into a drain at once crosses none over the ground
    np.testing.assert_array_equal(got["parcels_crossed"], [2, 1, np.nan, 0])
    assert got["parcels_crossed_ids"].tolist()[:2] == ["b, c", "b"]
    assert got["parcels_crossed_ids"].isna().tolist() == [False, False, True, True]
    assert parcels_crossed(lines, lids, None).isna().all(axis=None)
    # beyond the terrain it may cross others: none so far is not none
    edge = lines.iloc[[3]].assign(path_end="edge")
    assert parcels_crossed(edge, lids[:1], lots).isna().all(axis=None)
    # a parcel without a number is counted all the same
    unnumbered = parcels_crossed(lines, lids, lots.assign(parcel_id=["a", None, "c"]))
    np.testing.assert_array_equal(unnumbered["parcels_crossed"], [2, 1, np.nan, 0])
    assert unnumbered["parcels_crossed_ids"].iloc[0] == "c"


def test_flood_areas_crossed_are_listed_and_end_no_path():
    zones = gpd.GeoDataFrame(
        {"floodplain_id": ["F2", "F1", "X"], "is_sfha": [True, True, False]},
        geometry=[box(*at(x, 90), *at(x + 20, 30)) for x in (60, 90, 20)],
        crs=UTM16,
    )
    got = paths(outlets((21, 61), (95, 61), (-40, 61)), {"streams": stream(101)})
    assert got["path_end"].tolist()[:2] == ["stream", "stream"]
    crossed = flood_areas_crossed(got, zones)
    # the last point lies off the terrain; the area that is no special flood hazard is no floodplain
    np.testing.assert_array_equal(crossed["flood_areas_crossed"], [2, 1, np.nan])
    assert crossed["flood_areas_crossed_ids"].tolist()[:2] == ["F1, F2", "F1"]
    assert flood_areas_crossed(got, None).isna().all(axis=None)
    assert flood_areas_crossed(got, zones.iloc[[2]])["flood_areas_crossed"].tolist()[:2] == [0, 0]


def test_ground_and_brim_ponding_under_points():
    z = plane().values.copy()
    z[30, 40] -= 1.0  # one cell, 1 m deep; its rim spills to the next cell east, 0.2 m lower
    terrain = build_terrain(grid(z))
    points = np.array([Point(at(81, 61)), Point(at(21, 61)), Point(at(-5, 0)), None], object)
    got = ground_columns(points, terrain, index=[1, 2, 3, 4])
    assert got["pond_depth_brim_m"].tolist()[:2] == pytest.approx([0.8, 0.0], abs=1e-4)
    assert got["ground_m"].tolist()[:2] == pytest.approx([z[30, 40], z[30, 10]])
    assert got.loc[[3, 4]].isna().all(axis=None)
    assert got["hand_m"].isna().all()  # no drainage was given
    nothing = ground_columns(points, None, index=[1, 2, 3, 4])
    assert nothing.isna().all(axis=None)


def test_storm_runoff_is_sheet_flow_and_then_shallow_flow():
    """80 m at a slope of 0.1: TR-55's equations (1986, chapter 3) put in by hand."""
    got = outlet_paths(
        outlets((21, 61), (30, 41), kind=["ground", "storm_sewer"]),
        build_terrain(plane()),
        {"streams": stream(101)},
        line95_m=LINE95,
        rain_2yr_m=2.9 * 0.0254,
    )["storm_runoff_minutes"]
    sheet_h = 0.007 * (0.24 * 100) ** 0.8 / (2.9**0.5 * 0.1**0.4)
    rest_s = (80 / 0.9996 / 0.3048 - 100) / (16.1345 * 0.1**0.5)
    assert got.iloc[0] == pytest.approx(60 * sheet_h + rest_s / 60, rel=1e-3)
    assert np.isnan(got.iloc[1])  # into a pipe: nothing runs over the ground
    without_rain = paths(outlets((21, 61)), {"streams": stream(101)})
    assert without_rain["storm_runoff_minutes"].isna().all()


def test_the_sheet_flow_falls_as_the_ground_does_at_first():
    # by 0.1 m in 20 m, then by 0.2 m a meter
    x = CELL * np.arange(COLS) - 20.0
    z = np.tile(100 - np.where(x < 20, 0.005 * x, 0.1 + 0.2 * (x - 20)), (ROWS, 1))
    got = ground_paths(
        outlets((21, 61)).geometry.to_numpy(),
        build_terrain(grid(z)),
        {"streams": stream(101)},
        LINE95,
        UTM16,
    ).iloc[0]
    assert got["sheet_drop_m"] == pytest.approx(0.1 + 0.2 * (30.48 - 20), abs=0.01)
    assert got["filled_drop_m"] == pytest.approx(0.1 + 0.2 * 60, abs=0.01)


def test_wells_near_the_path_and_downhill():
    points = outlets((61, 61), (30, 41), kind=["ground", "soil"])
    terrain = build_terrain(plane())
    lines = paths(points, {"streams": stream(151)}, terrain)
    wells = gpd.GeoDataFrame(
        {"well_id": ["below", "above", "far", "level", "off"]},
        geometry=[Point(at(*p)) for p in ((100, 5), (50, 61), (100, 0), (61, 100), (165, 61))],
        crs=UTM16,
    )
    got = wells_downhill(lines, points, wells, terrain)
    # 'far' lies 61 m from the path; nobody knows the ground at 'off', which lies beyond the terrain
    assert got["wells_downhill"].iloc[0] == 3
    assert got["wells_downhill_ids"].iloc[0] == "below, level, off"
    assert got.iloc[1].isna().all()
    none = wells_downhill(lines, points, wells.iloc[[1]], terrain)
    assert none["wells_downhill"].iloc[0] == 0
    assert none["wells_downhill_ids"].isna().all()
    assert wells_downhill(lines, points, None, terrain).isna().all(axis=None)
    assert got.index.tolist() == points.index.tolist()


def convex():
    """Falls ever faster to the east, and a little to the south."""
    x, y = CELL * np.arange(COLS), CELL * np.arange(ROWS)
    return grid(100 - 0.05 * x - 0.0004 * x**2 - 0.003 * y[:, None])


def test_many_paths_are_those_of_each_alone_whatever_their_order():
    features = {
        "streams": layer("stream_id", LineString([at(120, -10), at(120, 70)])),
        "water_bodies": layer("water_body_id", box(*at(90, 110), *at(110, 80))),
        "drains": layer("drain_id", LineString([at(40, 0), at(40, 19)])),
    }
    terrain = build_terrain(convex())
    places = [(101, 31), (5, 11), (21, 95), (61, 51), (3, 41), (131, 101), (31, 61)]
    columns = ["path_length_m", "path_drop_m", "storm_runoff_minutes"]
    settings = {"line95_m": LINE95, "rain_2yr_m": 0.08}
    alone = [outlet_paths(outlets(p), terrain, features, **settings).iloc[0] for p in places]
    assert len({one["path_end"] for one in alone}) >= 3
    minutes = [one["storm_runoff_minutes"] for one in alone]
    assert np.ptp(minutes) > 0
    for order in (np.arange(len(places)), np.array([6, 0, 4, 2, 5, 1, 3])):
        points = gpd.GeoDataFrame(
            {"outlet_kind": "ground"},
            geometry=[Point(at(*places[k])) for k in order],
            crs=UTM16,
            index=order,
        )
        together = outlet_paths(points, terrain, features, **settings)
        for k in order:
            one, other = together.loc[k], alone[k]
            for name in ("path_end", "path_end_id"):
                assert one[name] == other[name] or (pd.isna(one[name]) and pd.isna(other[name]))
            assert one[columns].tolist() == pytest.approx(other[columns].tolist(), nan_ok=True)
            assert together.geometry[k].equals(alone[k].geometry)


@pytest.mark.parametrize("first", ["streams", "water_bodies", "drains"])
def test_of_several_waters_within_their_accuracy_the_first_on_the_way_ends_the_path(first):
    # water runs due east along y = 61 m; each is mapped 6 m beside it, known to 10 m
    ids = {"streams": "stream_id", "water_bodies": "water_body_id", "drains": "drain_id"}
    begins = {name: 60.0 if name == first else 100.0 for name in ids}
    features = {}
    for name, id_column in ids.items():
        shape = LineString([at(begins[name], 55), at(begins[name] + 20, 55)])
        shape = shape.buffer(0.5, cap_style="flat") if name == "water_bodies" else shape
        features[name] = layer(id_column, shape)
    got = paths(outlets((21, 61)), features).iloc[0]
    assert got["path_end"] == first.removesuffix("s").replace("bodie", "body")
    assert got["path_length_m"] < 45


def test_the_fall_of_the_first_100_ft_is_that_of_each_path():
    # on the convex slope the sheet flow of a path farther east falls faster: each its own
    x = np.array([6.0, 46.0, 86.0])  # middles of the cells
    reach = 100 * 0.3048
    drop = 0.05 * reach + 0.0004 * ((x + reach) ** 2 - x**2)
    ground = ground_paths(
        np.array([Point(at(v, 31)) for v in (5, 45, 85)], object),
        build_terrain(convex()), {}, LINE95, UTM16,
    )  # fmt: skip
    np.testing.assert_allclose(ground["sheet_drop_m"], drop, rtol=0.08)
