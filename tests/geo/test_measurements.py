"""Standard deviations of distances from the accuracy of both their ends."""

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from affine import Affine
from pyproj import CRS
from shapely import Point

from geo.measurements import CountyStorms, distance_sds, in_storms
from geo.runoff.storms import storm_ponds
from geo.uncertainty import LINE_95, POINT_95
from layers.grid import Grid
from layers.problems import ProblemLog

LINES = {"streams": 11.14, "floodplain": 4.0}


@pytest.fixture
def table():
    # a unit known to 3 m and a well known to 40 ft, both at 95 %: per axis 5.130 m, as the
    # normal and the Rice form of the chance of a short distance take it (worked out apart)
    u95 = LINE_95 * np.hypot(3.0, 40 * 0.3048) / POINT_95
    return pd.DataFrame(
        {
            "accuracy95_m": [3.0, 75.0],
            "lid_well_distance_u95_m": [u95, np.nan],
            "well_distance_u95_m": [np.nan, u95],
            "place_id": ["P", None],
        },
        index=[4, 7],
    )


def test_both_ends_add_up(table):
    places = pd.DataFrame({"place_id": ["P"], "accuracy95_m": [75.0]})
    got = distance_sds(table, np.array([8.1, np.nan]), places, LINES)
    assert got.index.tolist() == [4, 7]
    assert got["lid_well_distance_m"].to_numpy() == pytest.approx(
        [5.130, np.nan], abs=5e-4, nan_ok=True
    )
    assert got["well_distance_m"].to_numpy() == pytest.approx(
        [np.nan, 5.130], abs=5e-4, nan_ok=True
    )
    place = np.hypot(3.0, 75.0) / 2.4477
    assert got["place_distance_m"].to_numpy() == pytest.approx([place, np.nan], nan_ok=True)
    stream = np.hypot(8.1 / 2.4477, 11.14 / 1.96)
    assert got["stream_distance_m"].to_numpy() == pytest.approx([stream, np.nan], nan_ok=True)
    flood = [np.hypot(a / 2.4477, 4.0 / 1.96) for a in (3.0, 75.0)]
    assert got["flood_distance_m"].to_numpy() == pytest.approx(flood)
    assert got["path_length_m"].to_numpy() == pytest.approx([8.1 / 2.4477, np.nan], nan_ok=True)


def test_what_is_not_there_has_no_spread(table):
    bare = table[["accuracy95_m"]]
    got = distance_sds(bare, np.array([np.nan, np.nan]), None, LINES)
    assert "place_distance_m" not in got
    assert got["well_distance_m"].isna().all()


def in_storms_of(flood, accuracy95_m=1.0, given=True):
    """Lids, and outlets at the same places, on an invented slope that ends beside the last."""
    z = np.tile(100 - 0.5 * np.arange(60), (40, 1)).astype(np.float32)
    ground = Grid(z, Affine(5, 0, 500_000, 0, -5, 2_930_000), CRS("EPSG:32616"))
    ponds = storm_ponds(ground, np.full(z.shape, 90.0), {2: 3.0, 100: 8.0})
    points = np.array([Point(500_000 + 5 * col + 2.5, 2_929_902.5) for col in (20, 30, 57)])
    units = gpd.GeoDataFrame(
        {
            "unit_id": ["A", "B", "C"], "source_row": [2, 3, 4], "riser_height_m": np.nan,
            "accuracy95_m": accuracy95_m,
        },
        geometry=points, crs=ground.crs,
    )  # fmt: skip
    log = ProblemLog()
    table = in_storms(
        units,
        points,
        pd.DataFrame(flood),
        CountyStorms(ponds, None, []),
        log,
        are_zones_given=given,
    )
    return table, log.frame()


def test_what_the_base_flood_stands_over_is_not_dry():
    deep = {"flood_hazard": ["special"] * 3, "flood_depth_m": [0.4, 0.0, 0.4]}
    assert in_storms_of(deep)[0]["lid_wet_state"].tolist() == ["base_flood", "dry_in_all", "edge"]
    # in the special flood hazard area and nobody knows how deep; in another zone it is no flood
    not_shown = {"flood_hazard": ["special", "moderate", None], "flood_depth_m": [np.nan] * 3}
    table, _ = in_storms_of(not_shown | {f"outlet_{k}": v for k, v in not_shown.items()})
    for state in ("lid_wet_state", "outlet_wet_state"):
        assert table[state].tolist() == ["base_flood", "dry_in_all", "edge"]
    assert table["lid_wet_return_yr"].isna().all()


def test_nothing_is_dry_in_all_where_the_flood_is_not_known():
    table, _ = in_storms_of({"flood_hazard": [None] * 3}, given=False)
    assert table["lid_wet_state"].tolist() == ["dry_so_far", "dry_so_far", "edge"]
    assert table["outlet_wet_state"].tolist() == ["dry_so_far", "dry_so_far", "edge"]
    table, _ = in_storms_of({"flood_hazard": ["undetermined", "minimal", None]})
    assert table["lid_wet_state"].tolist() == ["dry_so_far", "dry_in_all", "edge"]


def test_a_unit_at_the_edge_has_a_problem_row():
    _, problems = in_storms_of({"flood_hazard": [None] * 3})
    (row,) = problems.to_dict("records")
    assert (row["code"], row["feature_id"], row["row"]) == ("terrain_edge", "C", 4)
    assert "lid and discharge point" in row["message"]
