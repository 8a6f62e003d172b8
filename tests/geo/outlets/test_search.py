"""Where outlets nobody knows may be: planes and draws known by hand, invariants, held-out units."""

from __future__ import annotations

import datetime as dt

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from affine import Affine
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import CRS, Transformer
from shapely import LineString, Point, box

from geo.outlets.area import outline, parcels_of
from geo.outlets.cells import (
    FEATURES,
    STATED_WEIGHTS,
    Surroundings,
    _bounds,
    cells_of,
    outside_area_m,
    search_area,
)
from geo.outlets.learning import (
    KnownOutlet,
    as_choices,
    group_of,
    learn_weights,
    learned_weights,
    stated_weights,
)
from geo.outlets.search import search_outlets
from geo.outlets.trial import naive_place, try_held_out
from geo.results.outlet_kinds import KIND_WORDS, LEAST_IN_GROUP
from geo.terrain import build_terrain
from layers.grid import Grid
from layers.measures import format_chance
from layers.outputs import OUTLET_CANDIDATES, OUTLET_SEARCH_AREAS
from layers.records import DayFile, add_day_file, write_day_file
from layers.settings.county_file import OutletSection
from support import made_layers as made
from support.made_day_files import visit

UTM16 = CRS("EPSG:32616")
WEST, NORTH, CELL = 500_000.0, 2_930_000.0, 2.0
MIDDLE = Point(WEST + 161, NORTH - 161)
SETTINGS = OutletSection(burial_m=0.5, least_fall=0.01)


def ground(values, west=WEST, north=NORTH):
    return Grid(np.asarray(values, np.float32), Affine(CELL, 0, west, 0, -CELL, north), UTM16)


def plane(slope, size=160):
    """Falls ``slope`` a meter to the east."""
    return np.tile(100 - slope * CELL * np.arange(size), (size, 1))


def around(values, **features):
    return Surroundings.of(build_terrain(ground(values)), features)


def cells(values, *, parcel=None, pumped=False, settings=SETTINGS, **features):
    return cells_of(MIDDLE, parcel, around(values, **features), settings, pumped=pumped)


def units(count=1, **changes):
    table = {
        "unit_id": [f"U{k:03d}" for k in range(count)],
        "kind": "surface_discharge",
        "status": "active",
        "pumped": None,
        "parcel_id": None,
        "accuracy95_m": 3.0,
    }
    return gpd.GeoDataFrame(table | changes, geometry=[MIDDLE] * count, crs=UTM16)


def links(states, points=None):
    names = [f"U{k:03d}" for k in range(len(states))]
    return pd.DataFrame(
        {"unit_id": names, "discharge_point_id": points or [None] * len(states),
         "outlet_state": states}
    )  # fmt: skip


def lines(name, shape, **columns):
    return gpd.GeoDataFrame({name: ["X1"], **columns}, geometry=[shape], crs=UTM16)


# ------------------------------------------------------------------------------ what is possible


def test_no_pipe_comes_out_on_flat_ground():
    assert cells(plane(0)).state == "no_daylight"


def test_off_the_terrain_nothing_is_known():
    surroundings = around(plane(0.05))
    found = cells_of(Point(WEST - 50, NORTH), None, surroundings, SETTINGS, pumped=False)
    assert found.state == "off_terrain"


def test_on_a_slope_a_pipe_comes_out_where_the_burial_is_used_up():
    # by hand: 0.05 down and 0.01 of fall use up 0.5 m in 12.5 m straight down, and more aside
    found = cells(plane(0.05))
    east, north = found.x - MIDDLE.x, found.y - MIDDLE.y
    length = np.hypot(east, north)
    assert (0.05 * east >= 0.5 + 0.01 * length - 1e-4).all()
    assert east[np.abs(north) < 1].min() == pytest.approx(14, abs=CELL)
    assert found.daylight_m[np.abs(north) < 1] == pytest.approx(12.5, abs=0.1)
    # every cell of the grid that the rule allows is there
    x = WEST + CELL * (np.arange(160) + 0.5) - MIDDLE.x
    y = NORTH - CELL * (np.arange(160) + 0.5) - MIDDLE.y
    away = np.hypot(x[None, :], y[:, None])
    allowed = (0.05 * x[None, :] >= 0.5 + 0.01 * away + 1e-4) & (away <= SETTINGS.longest_m)
    assert len(length) == allowed.sum()


def test_a_case_in_feet_at_the_fall_of_the_plumbing_code():
    # 1/8 in a foot: International Plumbing Code, table 704.1, pipes of 3 to 6 in (from memory).
    # By hand: 18 in under the lids on ground that falls 1 in 20: 1.5 ft / (1/20 - 1/96) = 37.9 ft
    given = OutletSection()
    assert given.least_fall == pytest.approx(1 / 8 / 12)
    assert given.burial_m == pytest.approx(1.5 * 0.3048)
    found = cells(plane(0.05), settings=given)
    straight = np.abs(found.y - MIDDLE.y) < 1
    assert found.daylight_m[straight] / 0.3048 == pytest.approx(37.9, abs=0.3)
    assert (np.hypot(found.x - MIDDLE.x, found.y - MIDDLE.y) / 0.3048).min() >= 37.8
    # on ground that falls 1 in 100, less than 1 in 96, none ever comes out
    assert cells(plane(0.01), settings=given).state == "no_daylight"


def test_a_pumped_unit_is_not_limited_by_fall():
    found = cells(plane(0.05), pumped=True)
    assert (found.x < MIDDLE.x - 50).any()
    name, other = FEATURES.index("beyond"), cells(plane(0), pumped=True)
    assert (found.features[:, name] == 0).all()
    assert len(other.x) > len(cells(plane(0.05)).x)


def test_a_pipe_lies_no_deeper_than_is_dug():
    values = plane(0.05)
    values[:, 90:92] += 6.0  # a bank 20 m to the east: the pipe would lie 5.5 m under it
    found = cells(values)
    assert found.state == "found"
    assert (found.x < MIDDLE.x + 20).all()


PARCEL = box(MIDDLE.x - 20, MIDDLE.y - 20, MIDDLE.x + 20, MIDDLE.y + 20)
# no draw of so much land lies on a plane: every cell of one drains a strip of its own
NO_DRAWS = SETTINGS.model_copy(update={"draw_m2": 1e9, "beyond_parcel_m": 40.0})


def on_lots(*shapes):
    return gpd.GeoDataFrame(
        {"parcel_id": [f"P{k}" for k in range(len(shapes))]}, geometry=list(shapes), crs=UTM16
    )


def north_south(east, name="stream_id", **columns):
    return lines(name, LineString([(east, NORTH), (east, NORTH - 320)]), **columns)


def test_the_search_keeps_to_the_parcel_where_nothing_adjoins():
    found = cells(plane(0.05), parcel=PARCEL, settings=NO_DRAWS)
    # 3 m for the parcel line itself
    assert MIDDLE.x + 20 < found.x.max() <= MIDDLE.x + 23
    assert search_area(MIDDLE, PARCEL, found, NO_DRAWS).buffer(3.0).within(PARCEL.buffer(8))


def test_a_ditch_that_adjoins_is_searched_and_the_ground_between_is_not():
    ditch = north_south(MIDDLE.x + 41, permanence=["ditch"])
    found = cells(plane(0.05), parcel=PARCEL, settings=NO_DRAWS, streams=ditch)
    out = found.outside_m > 3
    # within 10 m of the ditch, cell by cell, and no more than 40 m outside the parcel
    assert np.abs(found.x[out] - MIDDLE.x - 41).max() <= 10 + CELL
    assert found.x[out].max() > MIDDLE.x + 41
    assert found.outside_m.max() <= 40
    too_far = NO_DRAWS.model_copy(update={"beyond_parcel_m": 10.0})
    near = cells(plane(0.05), parcel=PARCEL, settings=too_far, streams=ditch)
    assert (near.outside_m <= 3).all()
    area = search_area(MIDDLE, PARCEL, found, NO_DRAWS)
    assert area.buffer(0.1 + CELL / 2).covers(gpd.points_from_xy(found.x, found.y)).all()
    assert not area.covers(Point(MIDDLE.x + 27, MIDDLE.y))
    for x, y in ((MIDDLE.x + 41, MIDDLE.y), (MIDDLE.x + 27, MIDDLE.y), (MIDDLE.x - 60, MIDDLE.y)):
        off = outside_area_m(x, y, MIDDLE, PARCEL, found, NO_DRAWS)
        assert off == pytest.approx(area.distance(Point(x, y)), abs=1.5 * CELL)


@pytest.mark.parametrize(("reaches_m", "is_searched"), [(60, True), (8, False)])
def test_a_ditch_on_the_neighbors_land_adjoins_and_one_behind_it_does_not(reaches_m, is_searched):
    next_door = box(MIDDLE.x + 20, MIDDLE.y - 90, MIDDLE.x + 20 + reaches_m, MIDDLE.y + 90)
    features = {"parcels": on_lots(PARCEL, next_door),
                "streams": north_south(MIDDLE.x + 45, permanence=["ditch"])}  # fmt: skip
    found = cells(plane(0.05), parcel=PARCEL, settings=NO_DRAWS, **features)
    assert (found.x > MIDDLE.x + 40).any() == is_searched
    on_other = found.features[:, FEATURES.index("on_other")].astype(bool)
    assert (on_other == ((found.outside_m > 3) & (found.x < next_door.bounds[2]))).all()


def test_a_draw_of_enough_land_counts_as_a_ditch_nobody_mapped():
    # a valley to the south, 35 m east of the lid: the land of 160 rows drains down it
    x = WEST + CELL * (np.arange(160) + 0.5)
    rows = np.arange(160)[:, None]
    valley = 90 + 0.08 * np.abs(x - MIDDLE.x - 35)[None, :] - 0.02 * rows
    draws = NO_DRAWS.model_copy(update={"draw_m2": 2000.0})
    found = cells(valley, parcel=PARCEL, settings=draws)
    out = found.outside_m > 3
    assert out.any()
    assert np.abs(found.x[out] - MIDDLE.x - 35).max() <= 5 + CELL
    assert not (cells(valley, parcel=PARCEL, settings=NO_DRAWS).outside_m > 3).any()


def test_a_lid_placed_far_off_its_parcel_is_searched_around():
    far_off = box(MIDDLE.x + 900, MIDDLE.y, MIDDLE.x + 950, MIDDLE.y + 50)
    found = cells(plane(0.05), parcel=far_off)
    assert found.adjoining_xy is None
    area = search_area(MIDDLE, far_off, found, SETTINGS)
    assert area.equals(MIDDLE.buffer(SETTINGS.longest_m))
    reach = SETTINGS.longest_m + 5
    assert outside_area_m(
        MIDDLE.x + reach, MIDDLE.y, MIDDLE, far_off, found, SETTINGS
    ) == pytest.approx(5)


def test_cells_of_a_lattice_cover_their_own_ground():
    # by hand: an L of three cells of 2 by 3 m, and one apart
    x, y = np.array([1.0, 3.0, 1.0, 9.0]), np.array([1.5, 1.5, 4.5, 4.5])
    covered = outline(x, y, (2.0, 3.0))
    assert covered.area == pytest.approx(24)
    assert covered.bounds == (0, 0, 10, 6)
    assert len(covered.geoms) == 2


def test_what_lies_nearer_is_told_from_what_lies_as_far():
    # by hand: straight down a plane no nearer place is lower; up to the side some are
    found = cells(plane(0.05))
    lower = found.features[:, FEATURES.index("lower_nearer")].astype(bool)
    straight = np.abs(found.y - MIDDLE.y) < 1
    assert not lower[straight].any()
    aside = np.abs(found.y - MIDDLE.y) > found.x - MIDDLE.x
    assert lower[aside].all()
    assert set(FEATURES) == set(STATED_WEIGHTS)


def test_nothing_ends_on_a_road_or_in_a_house_and_what_is_passed_counts():
    east = LineString([(MIDDLE.x + 41, NORTH), (MIDDLE.x + 41, NORTH - 320)])
    house = box(MIDDLE.x + 14, MIDDLE.y - 5, MIDDLE.x + 24, MIDDLE.y + 5)
    found = cells(plane(0.05), roads=lines("road_id", east), buildings=lines("building_id", house))
    assert not ((found.x > house.bounds[0]) & (found.x < house.bounds[2])
                & (np.abs(found.y - MIDDLE.y) < 5)).any()  # fmt: skip
    crossed, way = (found.features[:, FEATURES.index(n)] for n in ("road_crossed", "in_the_way"))
    assert (crossed == (found.x > MIDDLE.x + 41)).all()
    behind = (np.abs(found.y - MIDDLE.y) < 2) & (found.x > MIDDLE.x + 26)
    assert way[behind].all()
    assert not way[np.abs(found.y - MIDDLE.y) > 40].any()
    assert set(found.kind[np.abs(found.x - MIDDLE.x - 41) < 7]) == {"road_ditch"}


def test_a_parcel_is_that_of_the_units_number_then_that_under_its_lid():
    parcels = gpd.GeoDataFrame(
        {"parcel_id": ["A", "B"]},
        geometry=[MIDDLE.buffer(5), Point(WEST, NORTH).buffer(5)],
        crs=UTM16,
    )
    found = parcels_of(units(3, parcel_id=["B", None, "Z"]), parcels)
    assert [shape is parcels.geometry[k] for shape, k in zip(found, (1, 0, 0), strict=True)] == (
        [True] * 3
    )
    assert parcels_of(units(1), None) == [None]


def test_the_plain_guess_goes_down_the_land_to_the_edge_of_the_parcel():
    parcel = box(MIDDLE.x - 20, MIDDLE.y - 20, MIDDLE.x + 30, MIDDLE.y + 20)
    found = cells(plane(0.05), parcel=parcel)
    assert naive_place(MIDDLE, parcel, found, SETTINGS) == pytest.approx(
        (MIDDLE.x + 30, MIDDLE.y), abs=0.1
    )
    assert naive_place(MIDDLE, None, found, SETTINGS) == pytest.approx(
        (MIDDLE.x + SETTINGS.longest_m, MIDDLE.y), abs=0.1
    )
    assert naive_place(MIDDLE, None, cells(plane(0), pumped=True), SETTINGS) is None


# --------------------------------------------------------------------------------- what is told


def test_every_unit_wanted_is_told_of_and_no_other():
    listed = units(
        5,
        kind=["surface_discharge", "unknown", "soil_absorption", "surface_discharge",
              "surface_discharge"],
        status=["active", "active", "active", "abandoned", "active"],
        pumped=[None, True, None, None, None],
    )  # fmt: skip
    states = ["unknown", "unconfirmed", "unknown", "unknown", "known"]
    search = search_outlets(
        listed, links(states), None, build_terrain(ground(plane(0.05))), {}, SETTINGS
    )
    assert search.areas["unit_id"].tolist() == ["U000", "U001"]
    assert search.areas["by_gravity"].tolist() == [True, False]
    assert list(search.candidates.columns) == [*OUTLET_CANDIDATES.names, "geometry"]
    assert list(search.areas.columns) == [*OUTLET_SEARCH_AREAS.names, "geometry"]
    assert set(search.candidates["kind"]) <= set(KIND_WORDS)
    whys = search.candidates.groupby("unit_id")["why"].agg(" ".join)
    assert "pumped, so not limited by fall" in whys["U001"]
    assert "a gravity pipe can reach daylight 41 ft or more from the lid" in whys["U000"]
    assert search.section["known"] == 0
    assert "stated weights" in " ".join(search.section["sentences"])


def test_without_terrain_it_is_said():
    search = search_outlets(units(), links(["unknown"]), None, None, {}, SETTINGS)
    assert not len(search.candidates)
    assert "not calculated without terrain" in search.notes[0]
    nothing = search_outlets(units(), links(["known"]), None, None, {}, SETTINGS)
    assert nothing.notes == []


@pytest.mark.parametrize("wider_m", [7.0, 90.0])
def test_a_wider_window_changes_nothing(monkeypatch, wider_m):
    shapes = [LineString([(WEST + x, NORTH), (WEST + x, NORTH - 320)]) for x in (20, 306)]
    streams = gpd.GeoDataFrame(
        {"stream_id": list("ab"), "permanence": "perennial"}, geometry=shapes, crs=UTM16
    )
    parcel = box(MIDDLE.x - 40, MIDDLE.y - 25, MIDDLE.x + 30, MIDDLE.y + 35)
    draw = plane(0.05) + 0.02 * np.abs(np.arange(160) - 95.0)[:, None]
    for on in (None, parcel):
        one = cells(draw, parcel=on, streams=streams)
        assert len(one.x) > 100
        with monkeypatch.context() as patch:
            patch.setattr(
                "geo.outlets.cells._bounds",
                lambda *a: tuple(np.add(_bounds(*a), np.array([-1, -1, 1, 1]) * wider_m)),
            )
            other = cells(draw, parcel=on, streams=streams)
        np.testing.assert_array_equal(one.features, other.features)
        np.testing.assert_array_equal(one.x, other.x)
        np.testing.assert_array_equal(one.kind, other.kind)


def test_flat_ground_leaves_all_of_the_chance_elsewhere():
    search = search_outlets(
        units(), links(["unknown"]), None, build_terrain(ground(plane(0))), {}, SETTINGS
    )
    assert search.areas["state"].tolist() == ["no_daylight"]
    assert search.areas["rest_chance"].tolist() == [1.0]
    assert "no such place is found" in " ".join(search.section["sentences"])


def test_a_ditch_in_reach_comes_first():
    ditch = LineString([(MIDDLE.x + 30, NORTH), (MIDDLE.x + 30, NORTH - 320)])
    streams = lines("stream_id", ditch, permanence=["ditch"])
    search = search_outlets(
        units(), links(["unknown"]), None, build_terrain(ground(plane(0.05))),
        {"streams": streams}, SETTINGS,
    )  # fmt: skip
    first = search.candidates.iloc[0]
    assert first["kind"] == "ditch"
    assert abs(first.geometry.x - MIDDLE.x - 30) < 10
    assert first["drop_m"] == pytest.approx(0.05 * (first.geometry.x - MIDDLE.x), abs=0.11)
    # on this grid true north leans by less than a degree: 500 km east is the zone's meridian
    assert first["bearing_deg"] == pytest.approx(
        np.degrees(np.arctan2(first.geometry.x - MIDDLE.x, first.geometry.y - MIDDLE.y)), abs=0.1
    )


@settings(max_examples=12, deadline=None)
@given(st.integers(0, 100_000))
def test_chances_add_up_and_ranks_follow_them(seed):
    rng = np.random.default_rng(seed)
    values = plane(rng.uniform(0, 0.08), 90) + np.cumsum(rng.normal(0, 0.15, (90, 90)), axis=0)
    listed = units(3, pumped=[None, True, False], accuracy95_m=[1.0, 3.0, 75.0])
    lids = [Point(WEST + x, NORTH - y) for x, y in rng.uniform(5, 175, (3, 2))]
    listed = listed.set_geometry(lids, crs=UTM16)
    parcels = gpd.GeoDataFrame({"parcel_id": ["P"]}, geometry=[lids[0].buffer(25)], crs=UTM16)
    road = lines("road_id", LineString([(WEST, NORTH - 90), (WEST + 180, NORTH - 40)]))
    wells = gpd.GeoDataFrame({"well_id": ["W"]}, geometry=[lids[1].buffer(9).centroid], crs=UTM16)
    terrain = build_terrain(ground(values))
    features = {"parcels": parcels, "roads": road, "wells": wells}

    def search():
        return search_outlets(listed, links(["unknown"] * 3), None, terrain, features, SETTINGS)

    one, again = search(), search()
    pd.testing.assert_frame_equal(one.candidates, again.candidates)
    assert len(one.areas) == 3
    assert one.areas["rest_chance"].between(0, 1).all()
    rest = one.areas.set_index("unit_id")["rest_chance"]
    for unit, rows in one.candidates.groupby("unit_id"):
        assert rows["rank"].tolist() == list(range(1, len(rows) + 1))
        assert rows["chance"].is_monotonic_decreasing
        assert rows["chance"].between(0, 1).all()
        assert rows["chance"].sum() + rest[unit] == pytest.approx(1, abs=1e-9)
        assert rows["distance_m"].between(2.9, SETTINGS.longest_m * 1.001).all()
        start = terrain.at("ground", rows.geometry.x.to_numpy(), rows.geometry.y.to_numpy())
        if unit != "U001":
            assert (rows["drop_m"] >= 0.5 + 0.01 * rows["distance_m"] * 0.999 - 1e-3).all()
        assert np.isfinite(start).all()


# ------------------------------------------------------------------------------ what is learned


def known_units(count, seed=0):
    """Units on slopes whose outlets lie straight down, 30 m away, at a ditch or not."""
    rng = np.random.default_rng(seed)
    surroundings = around(plane(0.06))
    found = []
    for k in range(count):
        lid = Point(MIDDLE.x + rng.uniform(-30, 30), MIDDLE.y + rng.uniform(-30, 30))
        one = cells_of(lid, None, surroundings, SETTINGS, pumped=False)
        end = lid.x + 30 + rng.normal(0, 3), lid.y + rng.normal(0, 3)
        naive = naive_place(lid, None, one, SETTINGS)
        found.append(KnownOutlet(f"K{k:03d}", "well_placed", one, end, 3.0, naive))
    return found


def test_what_known_outlets_are_like_is_learned_and_tried_on_others():
    known = known_units(60)
    trial = try_held_out(known, SETTINGS, seed=0, learned=True)
    assert trial.rate(1) > 0.8
    assert trial.rate(3) >= trial.rate(1) >= trial.rate(1, "by_stated")
    assert trial.rate(1, "by_naive") == 0  # the circle's edge lies 91 m away
    assert trial.found["unit_id"].is_unique
    assert len(trial.found) == 60
    bands = trial.reliability
    assert bands["places"].sum() >= 60
    assert (bands["share_low"] <= bands["share"]).all()
    assert (bands["share"] <= bands["share_high"]).all()


def test_a_held_out_outlet_does_not_teach_its_own_fold():
    # every outlet lies where no other does: learned from the others, none is found first
    known = known_units(10, seed=3)
    odd = known[0]
    away = KnownOutlet(odd.unit_id, odd.group, odd.cells, (odd.xy[0] - 400, odd.xy[1]), 3.0, None)
    trial = try_held_out([away, *known[1:]], SETTINGS, seed=0, learned=True)
    assert trial.found.set_index("unit_id").loc[odd.unit_id, "place"] == 0


def test_what_is_held_out_sets_no_chance_right(monkeypatch):
    known, parts = known_units(20), []

    def learning(others, *args, **kwargs):
        parts.append({one.unit_id for one in others})
        return learn_weights(others, *args, **kwargs)

    monkeypatch.setattr("geo.outlets.trial.learn_weights", learning)
    try_held_out(known, SETTINGS, seed=0, learned=True)
    held_out = [{one.unit_id for one in known} - part for part in parts]
    assert sorted(name for part in held_out for name in part) == [one.unit_id for one in known]


def test_an_outlet_far_from_every_cell_counts_as_none_of_these():
    known = known_units(12)
    lost = [
        KnownOutlet(k.unit_id, k.group, k.cells, (k.xy[0] - 500, k.xy[1]), 3.0, None) for k in known
    ]
    choices = as_choices(lost, seed=0)
    assert (choices.chosen[:, -1] == 1).all()
    assert (choices.chosen[:, :-1] == 0).all()
    groups = np.array(["well_placed"] * 12, object)
    one = known[0].cells
    learned = learned_weights(choices, groups)
    places = learned.places(one, "well_placed", at_most=5)
    before = stated_weights().places(one, "well_placed", at_most=5)
    assert places.mass.sum() < before.mass.sum()
    assert learned.shares(one, "well_placed").sum() < 1


def test_poorly_placed_and_pumped_units_are_learned_apart():
    assert group_of(3.0, pumped=False) == "well_placed"
    assert group_of(75.0, pumped=False) == "poorly_placed"
    assert group_of(75.0, pumped=True) == "pumped"


# --------------------------------------------------------------- a visit's record, and the county


@pytest.fixture
def folder(tmp_path):
    return made.CountyFolder(tmp_path)


def test_an_outlet_found_on_site_leaves_the_search_and_joins_the_known(folder, monkeypatch):
    folder.add("units", made.unit_rows(), "units.gpkg")
    folder.add("discharge_points", made.outlet_rows(4), "outlets.gpkg")
    folder.more = '[records]\npath = "records"\n'
    east, north = made.ORIGIN
    terrain = build_terrain(ground(plane(0.05, 600), east - 200, north + 600))

    def search():
        county = folder.read()
        return search_outlets(
            county.layers["units"], county.links, county.layers["discharge_points"], terrain,
            {}, SETTINGS,
        )  # fmt: skip

    before = search()
    assert "006" in set(before.areas["unit_id"])
    lon, lat = Transformer.from_crs(32616, 4326, always_xy=True).transform(east + 530, north)
    place = {"part": "outlet", "basis": "gps", "accuracy_m": 2.0, "lat": lat, "lon": lon}
    seen = visit(6, unit_id="006", day=dt.date(2026, 3, 3), positions=[place])
    seen = seen.model_copy(update={"county": "Test County"})
    content = write_day_file(DayFile("Test County", dt.date(2026, 3, 3), "Kim", (seen,)))
    add_day_file(folder.folder / "records", content, where="f", county="Test County")
    after = search()
    assert "006" not in set(after.areas["unit_id"])
    assert "006" not in set(after.candidates["unit_id"])
    assert after.section["known"] == before.section["known"] + 1
    # for good: a later visit that says nothing of the outlet leaves it known
    later = visit(7, unit_id="006", day=dt.date(2026, 3, 20), positions=[])
    later = later.model_copy(update={"county": "Test County"})
    content = write_day_file(DayFile("Test County", dt.date(2026, 3, 20), "Kim", (later,)))
    add_day_file(folder.folder / "records", content, where="g", county="Test County")
    county = folder.read()
    state = county.links.set_index("unit_id").loc["006"]
    assert state["outlet_state"] == "known"
    point = county.layers["discharge_points"].set_index("discharge_point_id")
    found = point.loc[state["discharge_point_id"]]
    assert found.geometry.distance(Point(east + 530, north)) < 0.5
    assert found["accuracy95_m"] < 5
    # it is held out and learned from like any other on record
    tried, learned_from = [], []

    def as_ever(known, *args, **kwargs):
        tried.extend(known)
        return try_held_out(known, *args, **kwargs)

    def learning(known, *args, **kwargs):
        learned_from.extend(one.unit_id for one in known)
        return learn_weights(known, *args, **kwargs)

    monkeypatch.setattr("geo.outlets.search.try_held_out", as_ever)
    monkeypatch.setattr("geo.outlets.search.learn_weights", learning)
    few = SETTINGS.model_copy(update={"least_known": 2})
    again = search_outlets(
        county.layers["units"], county.links, county.layers["discharge_points"], terrain, {}, few,
    )  # fmt: skip
    assert again.section["learned"]
    assert "006" in learned_from
    mine = next(one for one in tried if one.unit_id == "006")
    assert mine.xy == pytest.approx((east + 530, north), abs=0.5)


def test_on_the_invented_county_the_search_beats_the_plain_guess(larkmoor_result):
    section = larkmoor_result.run.outlet_candidates
    rates = section["rates"]
    assert section["learned"]
    assert section["known"] > 250
    assert rates["candidates_1"] > 2.5 * rates["naive_1"]
    assert rates["candidates_1_low"] > rates["naive_1_high"]
    assert rates["candidates_3"] > 0.6
    assert rates["candidates_3"] > rates["stated_3"]
    assert rates["median_off_m"] < rates["naive_median_off_m"]
    # the chance told lies within the band of the share found: of all, by group, by chance, by kind
    for of in (rates, *section["rates_by_group"].values()):
        for first in (1, 3):
            low, high = of[f"candidates_{first}_low"], of[f"candidates_{first}_high"]
            assert low <= of[f"told_{first}"] <= high
    for band in (*section["reliability"], *section["first_places"]):
        if band["places"] >= LEAST_IN_GROUP:
            assert band["share_low"] <= band["told"] <= band["share_high"]
    assert not any("too high" in text or "too low" in text for text in section["sentences"])
    assert rates["far_outside_area"] <= rates["outside_area"] < 0.1
    assert rates["not_reached"] < 0.1
    assert sum(of["known"] for of in section["rates_by_kind"].values()) == section["known"]
    assert sum(of["places"] for of in section["first_places"]) <= section["known"]
    units = larkmoor_result.units
    wanted = units["outlet_state"].isin(["unknown", "unconfirmed"])
    assert set(larkmoor_result.search.areas["unit_id"]) == set(units["unit_id"][wanted])
    assert any("each then hidden and searched for" in text for text in section["sentences"])
    assert sum("straight pipe" in note for note in larkmoor_result.run.notes) == 1


def test_chances_are_said_no_finer_than_they_are_known():
    assert [format_chance(c) for c in (0.0, 0.08, 0.44, 0.96)] == [
        "less than 1 in 20", "about 1 in 10", "about 4 in 10", "more than 19 in 20",
    ]  # fmt: skip


def test_a_place_at_a_mapped_line_lies_on_it():
    # a stream off the middles of the cells; what is no nearer than a cell's corners stays
    line = LineString([(MIDDLE.x + 20.7, NORTH - 320), (MIDDLE.x + 20.7, NORTH)])
    streams = lines("stream_id", line, permanence=["perennial"])
    surroundings = around(plane(0.05), streams=streams)
    near, far = Point(MIDDLE.x + 18.5, MIDDLE.y), Point(MIDDLE.x + 17.0, MIDDLE.y)
    put = surroundings.put_at(near, "stream", 2.83)
    assert (put.x, put.y) == pytest.approx((MIDDLE.x + 20.7, MIDDLE.y))
    assert surroundings.put_at(far, "stream", 2.83) is far
    assert surroundings.put_at(near, "ditch", 2.83) is near
    assert surroundings.put_at(near, "ground", 2.83) is near
