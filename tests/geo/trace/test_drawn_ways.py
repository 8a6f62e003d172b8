"""Chances at a place from drawn ways: against the normal form, by hand, and where none are told."""

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from affine import Affine
from pyproj import CRS
from scipy.ndimage import gaussian_filter
from shapely import LineString, Point

from geo.results.traced import describe_chance
from geo.terrain import build_terrain
from geo.terrain.draws import ErrorModel
from geo.trace import is_on_way, trace_down, trace_up
from geo.trace.drawn_ways import offsets_of
from geo.trace.going_up import PLACE95_M
from geo.waters.drain_ends import drain_ends
from geo.waters.paths import outlet_paths
from geo.waters.waterways import find_waterways
from geo.waters.way_draws import draw_ways
from layers.crs import WGS84, Mover
from layers.grid import Grid
from layers.outputs.groups import Water
from layers.outputs.run import Run
from layers.store import Assessment

UTM16 = CRS("EPSG:32616")
WEST, NORTH = 500_000.0, 2_930_000.0
LINE95 = {"streams": 2.0, "water_bodies": 2.0, "drains": 2.0}


def at(x, y):
    return WEST + x, NORTH - y


def degrees(x, y):
    lon, lat = Mover(UTM16, WGS84)(np.array([at(x, y)[0]]), np.array([at(x, y)[1]]))
    return float(lat[0]), float(lon[0])


def assessed(z, outlets, streams, error, *, a95, kinds=None, drains=(), line95=LINE95):
    """What a trace reads, with drawn ways where ``error`` is given."""
    terrain = build_terrain(Grid(z.astype(np.float32), Affine(1, 0, WEST, 0, -1, NORTH), UTM16))
    lines = [LineString([at(*p) for p in s]) for s in streams]
    features = {
        "streams": gpd.GeoDataFrame(
            {"stream_id": [f"s{k}" for k in range(len(lines))], "stream_kind": "stream"},
            geometry=lines, crs=UTM16,
        )
    }  # fmt: skip
    if drains:
        pipes = [LineString([at(*p) for p in s]) for s in drains]
        names = [f"d{k}" for k in range(len(pipes))]
        features["drains"] = gpd.GeoDataFrame({"drain_id": names}, geometry=pipes, crs=UTM16)
    ids = [f"U{k}" for k in range(len(outlets))]
    points = gpd.GeoDataFrame(
        {"discharge_point_id": ids, "unit_id": ids, "outlet_kind": kinds or ["ground"] * len(ids),
         "accuracy95_m": a95},
        geometry=[Point(at(*o)) for o in outlets], crs=UTM16,
    )  # fmt: skip
    paths = outlet_paths(points, terrain, features, line95_m=line95)
    paths.insert(0, "unit_id", ids)
    paths.insert(1, "discharge_point_id", ids)
    ways = find_waterways(paths, points.geometry.to_numpy(), terrain, features, line95_m=line95)
    over = paths[paths.geometry.notna()].rename(columns={"path_length_m": "length_m"})
    over = over.reset_index(drop=True)
    kept = {}
    if error is not None:
        outlet = ways.places["kind"] == "outlet"
        straight = ~ways.places["discharge_point_id"].isin(over["discharge_point_id"])
        drawn = draw_ways(
            over, np.full(len(over), a95), terrain, features, ways.legs, error, line95_m=line95,
            ends=drain_ends(ways.legs, 2.0), piped=ways.places[outlet & straight],
        )  # fmt: skip
        kept = {"drawn_entries": drawn.entries, "drawn_passes": drawn.passes}
    return Assessment(
        units=points[["unit_id", "discharge_point_id", "geometry"]],
        discharge_points=points,
        flow_paths=over,
        setback_checks=points.iloc[:0],
        problems=pd.DataFrame(),
        water=Water(ways.legs, ways.places, **kept),
        context=features,
        run=Run(line_accuracy95_m=line95),
    )


def plane(rows=120, cols=160):
    """Falls 0.1 m a meter to the east."""
    return np.tile(100 - 0.1 * np.arange(cols), (rows, 1))


EXACT_GROUND = ErrorModel(0.0, 10.0, 250, 1)
BROOK = [[(150.5, 0), (150.5, 120)]]


def test_on_exact_ground_the_draws_give_the_normal_form_of_the_positions_errors():
    # the outlet's error drawn, or put together with the others as one normal error: no difference
    a95 = 2.4477 * 5
    result = assessed(plane(), [(30.5, 60.5)], BROOK, EXACT_GROUND, a95=a95)
    for x, y in ((90, 60), (90, 64), (90, 56), (60, 70), (120, 50)):
        row = trace_up(result, at=degrees(x, y), within_m=12).candidates.iloc[0]
        assert row["way"] == "ground"
        assert row["draws"] == 250
        error = 3.5 * np.sqrt(0.25 / 250) + 0.02  # of the draws, and of cells of a meter
        assert row["chance"] == pytest.approx(row["chance_by_position"], abs=error)
    # down the brook, and about where the water comes in
    for y, expected in ((110, 1.0), (61, None), (52, None)):
        row = trace_up(result, at=degrees(150.5, y), within_m=25).candidates.iloc[0]
        assert row["way"] == "mapped"
        if expected:
            assert row["chance"] == pytest.approx(expected, abs=0.01)
        assert row["chance_by_position"] > 0.9  # over the ground it comes within 25 m
        assert row["chance"] > 0.9


def test_without_any_error_a_place_on_the_way_is_passed_in_every_draw():
    result = assessed(plane(), [(30.5, 60.5)], BROOK, ErrorModel(0.0, 10.0, 5, 1), a95=0.0)
    for x, y in ((90, 60), (90, 66), (150.5, 100)):
        place = degrees(x, y)
        row = trace_up(result, at=place, within_m=25).candidates.iloc[0]
        assert row["chance"] == pytest.approx(1.0, abs=1e-4)
        assert is_on_way(result, "U0", at=place, within_m=25)
    assert not len(trace_up(result, at=degrees(90, 110), within_m=25).candidates)


def roof():
    return np.tile(50 - 0.05 * np.abs(np.arange(121) - 60.0), (81, 1))


SIDES = [[(5.5, 0), (5.5, 81)], [(115.5, 0), (115.5, 81)]]


def test_what_the_ground_sends_elsewhere_is_taken_off_here_and_told_there():
    sd = 3.0
    error = ErrorModel(0.0, 10.0, 300, 2)
    result = assessed(roof(), [(57.5, 40.5)], SIDES, error, a95=2.4477 * sd)
    west = trace_up(result, at=degrees(5.5, 80), within_m=5)
    east = trace_up(result, at=degrees(115.5, 80), within_m=5)
    row = west.candidates.iloc[0]
    assert row["chance_by_position"] == pytest.approx(1.0, abs=1e-6)
    # it lies 2.5 m west of the ridge's cell: Phi(2.5 / 3) = 0.7977 (table of the normal)
    assert row["chance"] == pytest.approx(0.7977, abs=3.5 * np.sqrt(0.8 * 0.2 / 120))
    assert not len(west.others)
    assert not len(east.candidates)
    other = east.others.iloc[0]
    assert (other["unit_id"], other["draws"]) == ("U0", 300)
    assert other["chance"] == pytest.approx(1 - row["chance"], abs=1e-6)
    # what is told of the two sides does not touch what is on the way as the terrain shows it
    assert is_on_way(result, "U0", at=degrees(5.5, 80), within_m=5)
    assert not is_on_way(result, "U0", at=degrees(115.5, 80), within_m=5)


def test_water_out_of_a_drain_s_end_runs_where_the_drawn_ground_sends_it():
    # exact ground; the drain ends 2.5 m west of the ridge's cell and is known to 3 m an axis
    pipe = [(57.5, 10.5), (57.5, 40.5)]
    outlets, kinds = [(57.5, 20.5), (56.5, 12.5), (30.5, 60.5)], ["ground", "storm_sewer", "ground"]
    line95 = LINE95 | {"drains": 2.4477 * 3.0}
    error = ErrorModel(0.0, 10.0, 120, 4)
    result = assessed(
        roof(), outlets, SIDES, error, a95=0.0, kinds=kinds, drains=[pipe], line95=line95
    )
    drawn = result.water.drawn_entries
    assert drawn.groupby("discharge_point_id")["draws"].sum().tolist() == [120, 120, 120]
    assert drawn.set_index("discharge_point_id").loc["U2", "then_ends"] is None
    west = trace_up(result, at=degrees(5.5, 80), within_m=5)
    east = trace_up(result, at=degrees(115.5, 80), within_m=5)
    rows, others = west.candidates.set_index("unit_id"), east.others.set_index("unit_id")
    assert set(rows.index) == {"U0", "U1", "U2"}
    assert rows.loc["U2", "chance"] == pytest.approx(1.0, abs=1e-6)
    for unit in ("U0", "U1"):  # Phi(2.5 / 3) = 0.7977 (table of the normal)
        chance = rows.loc[unit, "chance"]
        assert chance == pytest.approx(0.7977, abs=3.5 * np.sqrt(0.8 * 0.2 / 120))
        assert rows.loc[unit, "chance_by_position"] == pytest.approx(1.0, abs=1e-3)
        assert others.loc[unit, "chance"] == pytest.approx(1 - chance, abs=1e-6)
        # one draw of the ground for all: what both share is drawn once
        assert chance == rows.loc["U0", "chance"]
        # what the terrain shows stays the list, both ways
        assert is_on_way(result, unit, at=degrees(5.5, 80), within_m=5)
        assert not is_on_way(result, unit, at=degrees(115.5, 80), within_m=5)
    assert set(others.index) == {"U0", "U1"}
    # on the way from the drain's end no draws are claimed: they are not kept there
    on_it = trace_up(result, at=degrees(30.5, 40.5), within_m=2).candidates.set_index("unit_id")
    assert on_it.loc[["U0", "U1"], "draws"].isna().all()
    assert describe_chance(on_it.loc["U0"]) == "more than 19 in 20 if the terrain is right"
    assert on_it.loc["U1", "chance"] == on_it.loc["U1", "chance_by_position"]
    in_pipe = trace_up(result, drain="d0").candidates.set_index("unit_id")
    assert in_pipe["chance"].tolist() == pytest.approx([1.0, 1.0])


def test_without_error_drains_ends_let_out_where_the_terrain_shows():
    rng = np.random.default_rng(4)
    z = plane() + gaussian_filter(rng.normal(0, 3.0, (120, 160)), 6)
    drains = [[(20.5, 20.5), (60.5, 30.5)], [(40.5, 70.5), (60.5, 90.5), (90.5, 80.5)]]
    outlets = [(22.5, 21.5), (60.5, 89.5), (45.5, 74.5), (100.5, 60.5)]
    kinds = ["storm_sewer", "field_tile", "ground", "ground"]
    exact = ErrorModel(0.0, 10.0, 3, 1)
    line95 = LINE95 | {"drains": 0.0}
    result = assessed(z, outlets, BROOK, exact, a95=0.0, kinds=kinds, drains=drains, line95=line95)
    ground = result.water.legs[result.water.legs["layer"] == "ground"]
    assert len(ground) == 2
    shown = result.water.drawn_entries.dropna(subset=["then_ends"])
    assert len(shown) >= 2
    for row in shown.to_dict("records"):
        ends = shapely.get_point(ground.geometry.to_numpy(), -1)
        assert shapely.distance(ends, Point(row["then_x"], row["then_y"])).min() < 1e-6
        down = trace_down(result, row["discharge_point_id"]).notices
        to_brook = down.loc[down["what"] == "streams", "along_m"].iloc[0]
        assert row["then_before_m"] == pytest.approx(to_brook, rel=2e-3, abs=0.1)
    for y in (5, 60, 115):
        found = trace_up(result, at=degrees(150.5, y), within_m=3)
        assert found.candidates["chance"].to_numpy(float) == pytest.approx(
            found.candidates["chance_by_position"].to_numpy(float), abs=0.02
        )
        assert not len(found.others)


def test_a_drain_that_parts_has_no_end_of_its_own():
    def legs(*rows):
        shapes = [LineString([(0, 0), (length, 0), (length, 1)]) for *_, length in rows]
        return gpd.GeoDataFrame(
            {"layer": [r[0] for r in rows], "from_node": [r[1] for r in rows],
             "to_node": [r[2] for r in rows], "length_m": [float(r[3]) for r in rows]},
            geometry=shapes, crs=UTM16,
        )  # fmt: skip

    found = drain_ends(
        legs(("streams", 8, 9, 5), ("drains", 0, 1, 10), ("drains", 1, 2, 20), ("drains", 1, 3, 30),
             ("drains", 4, 3, 40), ("ground", 2, 6, 50), ("ground", 3, 7, 60),
             ("drains", 5, 10, 7)), 2.0,
    )  # fmt: skip
    assert found.ways["node"].tolist() == [2, 3]
    assert found.end_of.tolist() == [-1, -1, 0, 1, 1, -1, -1, -1]
    assert found.pipe_m[[2, 3, 4]].tolist() == [0.0, 0.0, 0.0]


def slow_share_passing(z, outlet, outlet_sd_m, place, sd_m, reach, within_m, draws):
    """How often a way comes within a distance of a place: all errors drawn, by numpy and scipy."""
    random = np.random.default_rng(8)
    place_sd_m = PLACE95_M / 2.4477
    hits = 0
    for _ in range(draws):
        noise = gaussian_filter(random.standard_normal(z.shape), reach, mode="wrap")
        ground = z + sd_m * noise * 2 * np.sqrt(np.pi) * reach
        x, y = outlet + random.normal(0, outlet_sd_m, 2)
        col, row = int(x), int(y)
        way = [(x, y)]
        while col < z.shape[1] - 2:
            around = [(i, j) for i in (-1, 0, 1) for j in (-1, 0, 1) if (i, j) != (0, 0)]
            drop = [
                (ground[row, col] - ground[row + i, col + j]) / np.hypot(i, j) for i, j in around
            ]
            assert max(drop) > 0  # steep against the error: no hollow on the way
            row, col = np.add((row, col), around[int(np.argmax(drop))])
            way.append((col + 0.5, row + 0.5))
        hits += LineString(way).distance(Point(place + random.normal(0, place_sd_m, 2))) <= within_m
    return hits / draws


def test_the_chance_at_a_place_agrees_with_all_errors_drawn_slowly():
    # beside the way, where the ground's error, the outlet's and the place's all tell
    a95, sd, reach, draws, slow = 7.0, 0.08, 3.0, 150, 150
    z = plane(120, 110)
    error = ErrorModel(1.96 * sd, reach, draws, 6)
    result = assessed(z, [(20.5, 60.5)], [[(108.5, 0), (108.5, 120)]], error, a95=a95)
    shares = []
    for place in ((80.0, 62.0), (80.0, 67.0), (60.0, 55.0)):
        found = trace_up(result, at=degrees(*place), within_m=8).candidates["chance"].iloc[0]
        other = slow_share_passing(
            z, np.array([20.5, 60.5]), a95 / 2.4477, np.array(place), sd, reach, 8.0, slow
        )
        # both are counts; and a way is kept as how far it runs beside stations 20 m apart
        assert found == pytest.approx(other, abs=3 * np.sqrt(0.25 / draws + 0.25 / slow))
        shares.append(found)
    assert 0.2 < min(shares) < 0.8


def test_a_wider_look_never_makes_a_chance_smaller():
    z = plane() + np.random.default_rng(1).normal(0, 0.02, (120, 160))
    result = assessed(z, [(30.5, 60.5)], BROOK, ErrorModel(0.5, 4.0, 60, 3), a95=5.0)
    way = trace_down(result, "U0").ways.geometry.iloc[0]
    x, y = shapely.get_coordinates(way.interpolate(0.6, normalized=True))[0]
    place = degrees(x - WEST, NORTH - y)
    found = [
        trace_up(result, at=place, within_m=w).candidates["chance"].iloc[0] for w in (2, 5, 10, 25)
    ]
    assert np.all(np.diff(found) >= -1e-12)
    assert found[0] < 0.9
    assert found[-1] > found[0]


def test_where_nothing_is_drawn_no_number_stands_for_it():
    outlets, kinds = [(30.5, 60.5), (140.5, 30.5)], ["ground", "ground"]
    result = assessed(plane(), outlets, BROOK, None, a95=3.0, kinds=kinds)
    found = trace_up(result, at=degrees(150.5, 119), within_m=5)
    assert found.candidates["chance"].isna().all()
    assert found.candidates["draws"].isna().all()
    assert found.candidates["chance_by_position"].tolist() == pytest.approx([1.0, 1.0])
    assert not len(found.others)
    assert "is not calculated" in found.notes[0]
    shown = [describe_chance(row) for row in found.candidates.to_dict("records")]
    assert shown == ["more than 19 in 20 if the terrain is right"] * 2
    # an accuracy that is not known leaves the chance unknown, drawn or not
    unknown = assessed(plane(), outlets[:1], BROOK, EXACT_GROUND, a95=np.nan)
    row = trace_up(unknown, at=degrees(150.5, 119), within_m=5).candidates.iloc[0]
    assert np.isnan(row["chance"])
    assert describe_chance(row) == "not calculated: position accuracy is not on record"


def test_words_for_a_chance():
    text = {
        (0.7, 10): "about 7 in 10 (7 of 10 computer runs)",
        (1.0, 20): "more than 19 in 20 (20 of 20 computer runs)",
        (0.05, 40): "about 1 in 10 (2 of 40 computer runs)",
        (0.004, 20): "in no computer run",
        (0.84, pd.NA): "about 8 in 10",
    }
    for (chance, draws), words in text.items():
        assert describe_chance({"chance": chance, "draws": draws}) == words


def test_offsets_read_back():
    off, count = offsets_of("-12:1 0:17 3:2")
    assert off.tolist() == [-12.0, 0.0, 3.0]
    assert count.tolist() == [1.0, 17.0, 2.0]
    assert [part.size for part in offsets_of("")] == [0, 0]
