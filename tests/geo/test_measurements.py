"""Standard deviations of distances from the accuracy of both their ends."""

import numpy as np
import pandas as pd
import pytest

from geo.measurements import Outlets, distance_sds
from geo.uncertainty import LINE_95, POINT_95

LINES = {"streams": 11.14, "floodplain": 4.0}


def outlets(*accuracy95_m):
    nothing = pd.DataFrame()
    return Outlets(nothing, np.empty(0, object), np.array(accuracy95_m), nothing, None)


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
    got = distance_sds(table, outlets(8.1, np.nan), {"protected_places": places}, LINES)
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
    got = distance_sds(bare, outlets(np.nan, np.nan), {"protected_places": None}, LINES)
    assert "place_distance_m" not in got
    assert got["well_distance_m"].isna().all()
