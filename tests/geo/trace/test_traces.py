"""Up and down the water agree, by hand and on random ground with drains and ponds."""

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from affine import Affine
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import CRS
from shapely import LineString, Point, box

from geo.terrain import build_terrain
from geo.trace import is_on_way, trace_down, trace_up
from geo.waters.paths import outlet_paths
from geo.waters.waterways import find_waterways
from geo.waters.well_heights import wells_by_ways
from layers.crs import WGS84, Mover
from layers.errors import TraceError
from layers.grid import Grid
from layers.outputs.groups import Water
from layers.outputs.run import Run
from layers.store import Assessment
from support.assessments import with_tables

UTM16 = CRS("EPSG:32616")
WEST, NORTH, CELL = 500_000.0, 2_930_000.0, 2.0
SCALE = 0.9996  # of UTM at its central meridian: ground = plane / scale
LINE95 = {"streams": 2.0, "water_bodies": 2.0, "drains": 2.0}


def at(x, y):
    """Meters east and south of the north-west corner."""
    return WEST + x, NORTH - y


def line(*xy):
    return LineString([at(*p) for p in xy])


def degrees(x, y):
    lon, lat = Mover(UTM16, WGS84)(np.array([x]), np.array([y]))
    return float(lat[0]), float(lon[0])


def layer(id_column, *shapes, **more):
    ids = [f"{id_column[0]}{k}" for k in range(len(shapes))]
    return gpd.GeoDataFrame({id_column: ids, **more}, geometry=list(shapes), crs=UTM16)


def streams(*shapes):
    return layer("stream_id", *shapes, stream_kind=["stream"] * len(shapes))


def assessed(z, outlets, features, *, kind="ground", a95=3.0):
    """The tables of an assessment that a trace reads."""
    terrain = build_terrain(Grid(z, Affine(CELL, 0, WEST, 0, -CELL, NORTH), UTM16))
    n = len(outlets)
    points = [Point(at(*p)) for p in outlets]
    ids = [f"U{k}" for k in range(n)]
    mouths = gpd.GeoDataFrame(
        {
            "discharge_point_id": [f"D{k}" for k in range(n)],
            "unit_id": ids,
            "outlet_kind": kind if isinstance(kind, list) else [kind] * n,
            "accuracy95_m": [a95] * n,
        },
        geometry=points,
        crs=UTM16,
    )
    paths = outlet_paths(mouths, terrain, features, line95_m=LINE95)
    paths.insert(0, "unit_id", ids)
    paths.insert(1, "discharge_point_id", mouths["discharge_point_id"])
    ways = find_waterways(paths, mouths.geometry.to_numpy(), terrain, features, line95_m=LINE95)
    lines = paths[paths.geometry.notna()].rename(columns={"path_length_m": "length_m"})
    return Assessment(
        units=gpd.GeoDataFrame(
            {"unit_id": ids, "discharge_point_id": mouths["discharge_point_id"]},
            geometry=points,
            crs=UTM16,
        ),
        discharge_points=mouths,
        flow_paths=lines.reset_index(drop=True),
        setback_checks=gpd.GeoDataFrame(geometry=[], crs=UTM16),
        problems=pd.DataFrame(),
        water=Water(
            ways.legs, ways.places, wells_by_ways(lines, ways.legs, features.get("wells"), terrain)
        ),
        context={name: table for name, table in features.items() if table is not None},
        run=Run(line_accuracy95_m=LINE95),
    )


def plane(rows=60, cols=80):
    """Falls 0.1 m a meter to the east."""
    return np.tile(100 - 0.1 * CELL * np.arange(cols), (rows, 1)).astype(np.float32)


# two brooks meet at (101, 61) and run south; a third comes in at (101, 101)
BROOKS = streams(
    line((101, 1), (101, 61)),
    line((140, 61), (101, 61)),
    line((101, 61), (101, 101)),
    line((140, 101), (101, 101)),
    line((101, 101), (101, 119)),
)


def test_the_walk_up_goes_past_forks_with_the_share_of_each_branch():
    four = [(21, 11), (61, 31), (41, 81), (21, 111)]
    result = assessed(plane(), four, {"streams": BROOKS})
    found = trace_up(result, at=degrees(*at(101, 117)), within_m=1)
    assert found.candidates["unit_id"].tolist() == ["U3", "U2", "U1", "U0"]
    # over the ground and along the brooks, by hand
    by_hand = [80 + 6, 60 + 36, 40 + 86, 80 + 106]
    np.testing.assert_allclose(found.candidates["along_m"], np.array(by_hand) / SCALE, atol=0.1)
    assert not len(found.forks)  # the other brooks bear no candidate: nothing to decide
    more = assessed(plane(), [*four, (130, 61)], {"streams": BROOKS}, a95=0.1)
    # U4's water runs east off the ground, not into the brook, whose bed is no valley here
    assert "U4" not in set(trace_up(more, at=degrees(*at(101, 117)), within_m=1).candidates.unit_id)


def test_a_fork_where_one_look_halves_the_list():
    ground = plane()
    ground[:, 51:] = ground[:, 50:51] + 0.2 * np.arange(1, 30)  # both sides fall to x = 101
    mouths = [(21, 31), (61, 41), (120, 61), (41, 91)]
    result = assessed(ground, mouths, {"streams": BROOKS})
    found = trace_up(result, at=degrees(*at(101, 117)), within_m=1)
    assert len(found.candidates) == 4
    # the brook from the north bears two of four, the one from the east one; U3 comes in below
    assert found.forks["candidates"].tolist() == [2, 1]
    assert found.forks["share"].tolist() == [0.5, 0.25]
    assert found.forks["feature_id"].tolist() == ["s0", "s1"]
    assert found.forks["bearing_deg"].round().tolist() == [0.0, 90.0]
    assert found.forks["along_m"].tolist() == pytest.approx([56 / SCALE] * 2, abs=0.01)
    assert found.forks["halves"].all()
    taken = found.candidates.set_index("unit_id")["branch"].to_dict()
    assert taken == {"U0": "A", "U1": "A", "U2": "B", "U3": None}


def test_through_a_drain_over_the_ground_and_across_a_pond():
    drain = layer("drain_id", line((20, 21), (20, 61), (51, 61)))
    pond = layer("water_body_id", box(*at(79, 100), *at(110, 20)))
    out = streams(line((110, 60), (150, 60)))
    result = assessed(
        plane(), [(10, 31)], {"streams": out, "drains": drain, "water_bodies": pond},
        kind="field_tile",
    )  # fmt: skip
    whole = 10 + 30 + 31 + 28 + 31 + 20
    found = trace_up(result, at=degrees(*at(130, 60)), within_m=1).candidates
    assert found["along_m"].tolist() == [pytest.approx(whole / SCALE, abs=0.5)]
    for kind, name in (("drain", "d0"), ("pond", "w0"), ("stream", "s0")):
        assert trace_up(result, **{kind: name}).candidates["unit_id"].tolist() == ["U0"]
    down = trace_down(result, "U0")
    reached = down.notices[down.notices["what"] != "parcel"]
    assert reached["id"].tolist() == ["d0", None, "w0", "s0"]
    assert reached["what"].tolist() == ["drains", "ground", "water_bodies", "streams"]
    np.testing.assert_allclose(reached["along_m"], np.array([10, 71, 99, 130]) / SCALE, atol=0.5)


def test_the_chance_is_that_of_the_positions_errors():
    brook = streams(line((101, -10), (101, 200)))
    result = assessed(plane(), [(101, 61)], {"streams": brook}, a95=2.4477 * 3)
    where = degrees(*at(101, 61))
    found = trace_up(result, at=where, within_m=10).candidates
    # at the outlet itself it is even whether the outlet lies above or below
    assert found["chance_by_position"].tolist() == pytest.approx([0.5], abs=1e-3)
    # one standard deviation below it is Phi(1); a phone's 10 m, the outlet's 3 m, the line's 2 m
    sd = np.sqrt((10 / 2.4477) ** 2 + 3**2 + (2 / 1.96) ** 2)
    lower = trace_up(result, at=degrees(*at(101, 61 + sd * SCALE)), within_m=10).candidates
    assert lower["chance_by_position"].tolist() == pytest.approx([0.8413447], abs=2e-3)
    over = assessed(plane(), [(21, 61)], {"streams": brook})
    far = trace_up(over, at=degrees(*at(101, 119)), within_m=2).candidates
    assert far["chance_by_position"].tolist() == pytest.approx([1.0])
    # nothing was drawn: what the ground's own error does is not told, and no number stands for it
    assert far["chance"].isna().all()
    assert far["draws"].isna().all()


def test_wells_and_parcels_on_the_way_in_order():
    wells = layer("well_id", Point(at(61, 41)), Point(at(61, 200)), Point(at(31, 61)))
    lots = layer(
        "parcel_id", box(*at(0, 120), *at(40, 0)), box(*at(40, 120), *at(80, 0)),
        box(*at(80, 120), *at(160, 0)),
    )  # fmt: skip
    result = assessed(plane(), [(21, 61)], {"streams": BROOKS, "wells": wells, "parcels": lots})
    found = trace_down(result, "U0").notices
    ahead = found[found["what"].isin(["well", "parcel"])]
    assert ahead["id"].tolist() == ["w2", "p1", "w0", "p2"]
    assert ahead["along_m"].tolist() == pytest.approx(np.array([10, 19, 40, 59]) / SCALE, abs=0.1)


def test_a_well_lies_above_or_below_the_water_that_passes_it():
    """A valley of sides 0.1 m a meter and a bed that falls 0.02 m a meter: heights by hand."""
    row, col = np.indices((100, 80))
    z = (50 + 0.1 * np.abs((col + 0.5) * CELL - 81) - 0.02 * (row + 0.5) * CELL).astype(np.float32)
    brook = streams(line((81, 1), (81, 199)))
    wells = layer("well_id", Point(at(111, 121)), Point(at(41, 31)), Point(at(300, 50)),
                  Point(at(81, 151)))  # fmt: skip
    result = assessed(z, [(31, 41)], {"streams": brook, "wells": wells})
    found = trace_down(result, "U0").notices
    shown = found[found["what"] == "well"].set_index("id")
    assert set(shown.index) == {"w0", "w1", "w3"}
    # beside the brook: 30 m off, so 3 m over its bed; the lowest cell around may be 0.04 lower
    assert shown.loc["w0", "rise_m"] == pytest.approx(3.0, abs=0.1)
    assert shown.loc["w0", "is_downhill"] is False
    assert shown.loc["w3", "rise_m"] == pytest.approx(0.0, abs=0.1)
    # by the way over the ground: it runs down the side with the valley's fall
    foot = shapely.line_interpolate_point(line_of := result.flow_paths.geometry.iloc[0],
                                          line_of.project(wells.geometry.iloc[1]))  # fmt: skip
    x, y = foot.x - WEST, NORTH - foot.y
    expected = 0.1 * ((81 - 41) - abs(x - 81)) - 0.02 * (31 - y)
    assert shown.loc["w1", "rise_m"] == pytest.approx(expected, abs=0.25)
    assert "way" not in found
    # without the heights nothing stands for them
    bare = trace_down(with_tables(result, way_wells=result.water.wells.iloc[:0]), "U0").notices
    assert bare["rise_m"].isna().all()
    assert bare["is_downhill"].isna().all()


def test_what_cannot_be_traced_is_said():
    result = assessed(plane(), [(21, 61)], {"streams": BROOKS})
    with pytest.raises(TraceError, match="not a latitude and longitude"):
        trace_up(result, at=(126.0, -88))
    with pytest.raises(TraceError, match="far outside the county"):
        trace_up(result, at=(-88.0, 26.5))
    with pytest.raises(TraceError, match="2 places"):
        trace_up(result, at=(26.5, -87.0), stream="s0")
    with pytest.raises(TraceError, match="no drain 'x' on record"):
        trace_up(result, drain="x")
    with pytest.raises(TraceError, match="no unit 'x'"):
        trace_down(result, "x")
    none = trace_up(result, at=degrees(*at(150, 5)), within_m=1)
    assert not len(none.candidates)
    assert none.notes[0].startswith("No mapped water")


# ------------------------------------------------------------------------------ random ground


@dataclass(frozen=True)
class Ground:
    result: Assessment
    shapes: list


def random_ground(seed):
    rng = np.random.default_rng(seed)
    rows, cols = 40, 40
    z = rng.normal(0, 1, (rows, cols))
    for _ in range(3):
        z = (z + np.roll(z, 1, 0) + np.roll(z, 1, 1) + np.roll(z, -1, 0)) / 4
    z = (8 * z - 0.05 * np.arange(cols) + 50).astype(np.float32)

    def walk(steps):
        xy = rng.uniform(5, 75, 2) + np.cumsum(rng.normal(0, 9, (steps, 2)), axis=0)
        return line(*np.clip(xy, 1, 79))

    some = [walk(5) for _ in range(4)]
    some += [LineString([*walk(3).coords, some[0].coords[2]])]  # one that joins another
    pond = [box(x, y - 12, x + 12, y) for x, y in (at(*rng.uniform(5, 65, 2)) for _ in range(2))]
    features = {
        "streams": streams(*some),
        "drains": layer("drain_id", walk(4), walk(3)),
        "water_bodies": layer("water_body_id", *pond),
    }
    mouths = rng.uniform(2, 78, (12, 2))
    kinds = rng.choice(["ground", "ditch", "storm_sewer", "field_tile"], 12).tolist()
    return Ground(assessed(z, mouths, features, kind=kinds), [*some, *pond]), rng


@settings(max_examples=1, deadline=None)
@given(st.integers(0, 10_000), st.sampled_from([0.5, 3.0, 8.0]))
def test_a_unit_is_upstream_of_a_place_if_and_only_if_the_place_is_on_its_way(seed, within_m):
    ground, rng = random_ground(seed)
    result = ground.result
    units = result.units["unit_id"].tolist()
    ways = {unit: trace_down(result, unit).ways.geometry for unit in units}
    spots = [at(*p) for p in rng.uniform(0, 80, (3, 2))]
    for shape in (*ground.shapes, *(way for lines in ways.values() for way in lines[:2])):
        point = shapely.line_interpolate_point(
            shapely.boundary(shape) if shape.geom_type == "Polygon" else shape,
            rng.uniform(), normalized=True,
        )  # fmt: skip
        spots.append((point.x, point.y))
    for xy in spots[:8]:
        place = degrees(*xy)
        above = set(trace_up(result, at=place, within_m=within_m).candidates["unit_id"])
        assert above == {u for u in units if is_on_way(result, u, at=place, within_m=within_m)}
        for unit in units:
            # the lines themselves, measured: what passes is a candidate, what does not is none
            lines = ways[unit].to_numpy()
            is_line = shapely.get_type_id(lines) == 1  # in a pond, only what does not lie higher
            off = shapely.distance(lines, Point(xy)).min(initial=np.inf)
            if shapely.distance(lines[is_line], Point(xy)).min(initial=np.inf) < 0.01:
                assert unit in above
            if off > 2 * within_m + 0.01:
                assert unit not in above


def test_what_runs_down_a_brook_is_met_all_along_it_and_nowhere_else(larkmoor_result):
    """On the sample county, against the lengths down the water that the assessment measured."""
    units = larkmoor_result.units
    places = larkmoor_result.context["protected_places"].set_index("place_id").geometry
    reached = units[units["downstream_place"].notna()]
    for place, group in list(reached.groupby("downstream_place"))[:3]:
        xy = places[place]
        up = trace_up(larkmoor_result, at=degrees_of(larkmoor_result, xy), within_m=50)
        found = up.candidates.drop_duplicates("unit_id").set_index("unit_id")["along_m"]
        assert set(group["unit_id"]) <= set(found.index)
        first = trace_down(larkmoor_result, group["unit_id"].iloc[0]).notices
        along = first.loc[first["id"] == place, "along_m"].iloc[0]
        assert along == pytest.approx(group["downstream_m"].iloc[0], rel=0.02, abs=5)


def degrees_of(result, point):
    lon, lat = Mover(result.units.crs, WGS84)(np.array([point.x]), np.array([point.y]))
    return float(lat[0]), float(lon[0])


def test_units_nobody_knows_the_outlet_of_are_named_where_they_may_let_out():
    found = assessed(plane(), [(60, 61)], {"streams": BROOKS})
    places = [
        ("X1", 0.4, at(99, 31)), ("X1", 0.2, at(104, 55)),  # both at a brook above the place
        ("X2", 0.3, at(130, 108)), ("X3", 0.5, at(101, 117)),  # off the water; below the place
        ("U0", 0.5, at(101, 40)),  # has an outlet on the list already
    ]  # fmt: skip
    candidates = gpd.GeoDataFrame(
        {"unit_id": [p[0] for p in places], "chance": [p[1] for p in places]},
        geometry=[Point(p[2]) for p in places], crs=UTM16,
    )  # fmt: skip
    here = degrees(*at(101, 90))
    shown = [n for n in trace_up(with_tables(found, outlet_candidates=candidates), at=here).notes
            if "Unrecorded discharge points" in n]  # fmt: skip
    assert len(shown) == 1
    assert "X1 (about 6 in 10)" in shown[0]
    assert "X2" not in shown[0]
    assert "X3" not in shown[0]
    assert "U0" not in shown[0]
    assert not any("Unrecorded discharge points" in n for n in trace_up(found, at=here).notes)


def test_down_from_a_unit_nobody_knows_the_outlet_of_says_where_it_may_be():
    found = assessed(plane(), [(60, 61)], {"streams": BROOKS})
    units = pd.concat([found.units, found.units.assign(unit_id="X1", discharge_point_id=None)])
    x, y = at(99, 31)
    candidates = gpd.GeoDataFrame(
        {"unit_id": ["X1"], "rank": [1], "chance": [0.4], "kind": ["stream"]},
        geometry=[Point(x, y)], crs=UTM16,
    )  # fmt: skip
    shown = trace_down(with_tables(found, units=units, outlet_candidates=candidates), "X1").notes
    lat, lon = degrees(x, y)
    place = f"{lat:.6f}, {lon:.6f}, at a stream or pond on record (about 4 in 10)"
    assert any(place in text for text in shown)
    assert not any("Possible discharge points" in text for text in trace_down(found, "U0").notes)
