"""Units to discharge points: by id, on the same parcel, the nearest; ties the same every time."""

import geopandas as gpd
import numpy as np
import pytest
import shapely
from affine import Affine
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import CRS

from layers.grid import Grid
from layers.problems import ProblemLog
from layers.reading.heights import rises
from layers.reading.link import LINK_COLUMNS, link_units
from layers.settings.county_file import LinkSection

# the central meridian of a system without a scale of its own: plane lengths are ground lengths
CRS_TRUE = "+proj=tmerc +lat_0=40 +lon_0=-86 +k=1 +ellps=WGS84 +units=m +type=crs"


def layer(columns, xy):
    frame = gpd.GeoDataFrame(columns, geometry=shapely.points(np.array(xy, float)), crs=CRS_TRUE)
    return frame.assign(source_row=range(2, len(frame) + 2))


def units(xy, ids=None, kind="surface_discharge", status="active"):
    count = len(xy)
    return layer(
        {
            "unit_id": ids or [f"U{k}" for k in range(count)],
            "kind": kind if isinstance(kind, list) else [kind] * count,
            "status": status if isinstance(status, list) else [status] * count,
        },
        xy,
    )


def outlets(xy, unit_ids=None, ids=None, kind="ditch"):
    count = len(xy)
    frame = layer(
        {
            "discharge_point_id": ids or [f"D{k}" for k in range(count)],
            "unit_id": unit_ids or [None] * count,
            "outlet_kind": [kind] * count,
        },
        xy,
    )
    return frame.astype({"unit_id": "str"})


def linked(units, points, parcels=None, **options):
    log = ProblemLog()
    links = link_units(units, points, parcels, LinkSection(**options), units.crs, log)
    assert list(links.columns) == LINK_COLUMNS
    assert links["unit_id"].tolist() == units["unit_id"].tolist()
    rows = [
        tuple(None if value != value else value for value in row)
        for row in links.drop(columns="unit_id").itertuples(index=False)
    ]
    return rows, {(p.layer, p.feature_id, p.code) for p in log.problems}


def test_by_id_is_confirmed_and_the_first_id_is_the_link():
    points = outlets([(5, 5), (1, 1), (2, 2)], ["U0", "U0", "U1"], ids=["D9", "D10", "D2"])
    rows, problems = linked(units([(0, 0), (100, 0)]), points)
    assert rows == [("D10", "by_id", True, "known"), ("D2", "by_id", True, "known")]
    assert problems == {("units", "U0", "discharge_points_several")}


def test_same_parcel_goes_before_nearest_and_stays_unconfirmed():
    parcels = gpd.GeoDataFrame(
        {"parcel_id": ["A", "B"]},
        geometry=[shapely.box(-50, -50, 10, 50), shapely.box(10, -50, 90, 50)],
        crs=CRS_TRUE,
    )
    # the point across the line is nearer, the one on the parcel is taken
    points = outlets([(12, 0), (-30, 0)])
    rows, problems = linked(units([(0, 0), (60, 0)]), points, parcels)
    assert rows == [
        ("D1", "same_parcel", False, "unconfirmed"),
        ("D0", "same_parcel", False, "unconfirmed"),
    ]
    assert problems == {("units", "U0", "link_unconfirmed"), ("units", "U1", "link_unconfirmed")}


def test_nearest_within_reach():
    points = outlets([(59.9, 0), (560.1, 0)])
    rows, problems = linked(units([(0, 0), (500, 0)]), points)
    assert rows == [("D0", "nearest", False, "unconfirmed"), (None, "none", False, "unknown")]
    assert ("units", "U1", "discharge_point_missing") in problems
    assert ("discharge_points", "D1", "discharge_point_without_unit") in problems
    rows, _ = linked(units([(0, 0), (500, 0)]), points, nearest_within_m=61)
    assert rows[1] == ("D1", "nearest", False, "unconfirmed")


def test_a_point_goes_to_one_unit_the_nearer():
    rows, problems = linked(units([(0, 0), (30, 0)]), outlets([(20, 0)]))
    assert rows == [(None, "none", False, "unknown"), ("D0", "nearest", False, "unconfirmed")]
    assert ("units", "U0", "discharge_point_missing") in problems


def test_a_shared_collector_takes_many():
    points = outlets([(20, 0)], kind="shared_collector")
    rows, _ = linked(units([(0, 0), (30, 0)]), points)
    assert rows == [("D0", "nearest", False, "unconfirmed")] * 2


def test_a_point_that_names_a_unit_is_given_to_no_other():
    rows, problems = linked(units([(0, 0)]), outlets([(1, 0)], ["U77"]))
    assert rows == [(None, "none", False, "unknown")]
    assert ("discharge_points", "D0", "unit_unknown") in problems
    assert ("discharge_points", "D0", "discharge_point_without_unit") not in problems


def test_an_id_that_lost_its_zeros_is_hinted_at():
    log = ProblemLog()
    u, p = units([(0, 0)], ids=["00109"]), outlets([(1, 0)], ["109"])
    link_units(u, p, None, LinkSection(), u.crs, log)
    (unknown,) = (problem for problem in log.problems if problem.code == "unit_unknown")
    assert "'00109' is. Check zeros and upper or lower case" in unknown.message


@pytest.mark.parametrize(
    ("kind", "status", "state"),
    [
        ("soil_absorption", "active", "not_expected"),
        ("holding_tank", "active", "not_expected"),
        ("surface_discharge", "abandoned", "not_expected"),
        ("surface_discharge", "sewered", "not_expected"),
        ("surface_discharge", "vacant", "unconfirmed"),
        ("unknown", "unknown", "unconfirmed"),
        ("shared_collector", "active", "unconfirmed"),
    ],
)
def test_who_is_linked_by_nearness(kind, status, state):
    rows, _ = linked(units([(0, 0)], kind=kind, status=status), outlets([(5, 0)]))
    assert rows[0][3] == state
    assert rows[0][1] == ("nearest" if state == "unconfirmed" else "none")
    rows, _ = linked(units([(0, 0)], kind=kind, status=status), outlets([(5, 0)], ["U0"]))
    assert rows == [("D0", "by_id", True, "known")]


@pytest.mark.parametrize(
    ("kind", "status", "state", "missing"),
    [
        ("surface_discharge", "active", "unknown", True),
        ("unknown", "active", "unknown", False),
        ("soil_absorption", "active", "not_expected", False),
        ("shared_collector", "active", "not_expected", False),
        ("surface_discharge", "sewered", "not_expected", False),
    ],
)
def test_who_lacks_a_discharge_point(kind, status, state, missing):
    for points in (None, outlets([(900, 0)])):
        rows, problems = linked(units([(0, 0)], kind=kind, status=status), points)
        assert rows == [(None, "none", False, state)]
        assert (("units", "U0", "discharge_point_missing") in problems) == missing


def test_a_long_pipe_is_not_believed():
    rows, problems = linked(units([(0, 0), (0, 50)]), outlets([(199, 0), (201, 50)], ["U0", "U1"]))
    assert rows == [("D0", "by_id", True, "known"), ("D1", "by_id", False, "unconfirmed")]
    assert problems == {("units", "U1", "pipe_too_long")}


def test_ties_go_to_the_first_id_and_are_said():
    points = outlets([(10, 0), (-10, 0)], ids=["D2", "D1"])
    rows, problems = linked(units([(0, 0)]), points)
    assert rows == [("D1", "nearest", False, "unconfirmed")]
    assert ("units", "U0", "link_tied") in problems


def test_a_tie_between_units_is_said_too():
    rows, problems = linked(units([(0, 0), (40, 0)], ids=["U2", "U1"]), outlets([(20, 0)]))
    assert [row[0] for row in rows] == [None, "D0"]
    assert {("units", "U1", "link_tied"), ("units", "U2", "discharge_point_missing")} <= problems


@settings(deadline=None, max_examples=30)
@given(st.permutations(range(8)), st.permutations(range(6)))
def test_the_order_of_rows_changes_nothing(unit_order, point_order):
    # a square grid: ties everywhere
    places = [(20.0 * (k % 4), 20.0 * (k // 4)) for k in range(8)]
    spots = [(10.0 + 20 * (k % 3), 10.0 * (k // 3)) for k in range(6)]
    u = units([places[k] for k in unit_order], ids=[f"U{k}" for k in unit_order])
    p = outlets([spots[k] for k in point_order], ids=[f"D{k}" for k in point_order])
    rows, problems = linked(u, p)
    plain, plain_problems = linked(units(places), outlets(spots))
    assert dict(zip(u["unit_id"], rows, strict=True)) == dict(
        zip([f"U{k}" for k in range(8)], plain, strict=True)
    )
    assert problems == plain_problems


# ---------------------------------------------------------------------------------------- uphill


def on_a_slope(units, points, pumped=None, basis95_m=0.5):
    """Links on ground that rises 0.2 m a meter eastward, known to 0.1 m."""
    units = units.assign(accuracy95_m=basis95_m, pumped=pumped or [None] * len(units))
    points = points.assign(accuracy95_m=basis95_m, invert_height_m=np.nan)
    east = np.arange(-199.5, 200)
    values = np.broadcast_to((200 + 0.2 * east).astype(np.float32), (100, 400)).copy()
    terrain = Grid(values, Affine(1, 0, -200, 0, -1, 50), CRS.from_user_input(CRS_TRUE))
    log = ProblemLog()
    heights = rises(terrain, units, points, accuracy_m=0.1)
    links = link_units(units, points, None, LinkSection(), units.crs, log, rises=heights)
    return links["discharge_point_id"].tolist(), {p.code: p.message for p in log.problems}


def test_a_nearer_point_uphill_is_passed_over_and_it_is_said():
    ids, text = on_a_slope(units([(0, 0)]), outlets([(10, 0), (-20, 0)]))
    assert ids == ["D1"]
    assert text["link_unconfirmed"] == (
        "discharge point 'D1' was used. It is the nearest, 20.0 m away. Not used, because the unit"
        " is not pumped: 'D0' (10.0 m away, 2.0 m above it)"
    )
    assert text["discharge_point_without_unit"] == (
        "it names no unit, and the units near it are lower: 'U0' is 2.0 m lower"
    )


def test_a_pumped_unit_or_a_rough_position_keeps_the_nearest():
    assert on_a_slope(units([(0, 0)]), outlets([(10, 0), (-20, 0)]), [True])[0] == ["D0"]
    rough, _ = on_a_slope(units([(0, 0)]), outlets([(10, 0), (-20, 0)]), basis95_m=20.0)
    assert rough == ["D0"]


def test_an_id_on_record_is_kept_though_it_points_uphill():
    assert on_a_slope(units([(0, 0)]), outlets([(10, 0), (-20, 0)], ["U0", None]))[0] == ["D0"]


def test_several_points_of_one_unit_are_a_fact_that_is_said():
    points = outlets([(5, 5), (1, 1)], ["U0", "U0"], ids=["D9", "D10"])
    log = ProblemLog()
    link_units(units([(0, 0)]), points, None, LinkSection(), CRS.from_user_input(CRS_TRUE), log)
    (problem,) = log.problems
    assert problem.code == "discharge_points_several"
    assert problem.message == "2 discharge points name it (D10, D9). 'D10' was used"
