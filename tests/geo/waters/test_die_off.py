"""Die-off against values worked out beside the trade's formula; sums by area by hand."""

import geopandas as gpd
import numpy as np
import pytest
from shapely import Point

from geo.waters.die_off import SPEED_M_S, TEMPERATURE_C, die_off_rate, load_by_catchment, share_left


def test_ten_thousand_to_126_takes_the_computed_days():
    """`N = N0 exp(-k t)`, `k = 0.8 * 1.07 ** (T - 20)` (form of Mancini 1978), computed apart:
    5.4676 d at 20 C, 10.756 d at 10 C with k = 0.40668. 126 per 100 mL is US EPA's 2012 criterion
    for E. coli (from memory)."""
    assert 10_000 * share_left(5.4676, die_off_rate(20)) == pytest.approx(126, rel=1e-4)
    assert die_off_rate(10) == pytest.approx(0.40668, abs=5e-6)
    assert 10_000 * share_left(10.756, die_off_rate(10)) == pytest.approx(126, rel=1e-3)


def test_areas_sum_what_their_units_may_do():
    units = gpd.GeoDataFrame(
        {
            "unit_id": ["a", "b", "c"],
            "area_id": ["N", "N", "S"],
            "path_length_m": [10.0, np.nan, 5.0],
            "path_end": ["stream", None, "edge"],
            "downstream_m": [86_400 * SPEED_M_S, np.nan, np.nan],  # a day's way
            "trouble_chance": [0.5, 0.25, np.nan],
            "trouble_chance_low": [0.3, 0.2, np.nan],
            "trouble_chance_high": [0.7, 0.4, np.nan],
        },
        geometry=[Point(0, 0)] * 3,
        crs="EPSG:32616",
    )
    got = load_by_catchment(units)
    north, south = got.to_dict("records")
    assert north["area_id"] == "N"
    assert (north["units"], north["outlets"], south["outlets"]) == (2, 1, 0)
    assert north["expected_in_trouble"] == 0.75
    assert north["arrives"] == pytest.approx(0.5 * np.exp(-0.8 * 1.07 ** (TEMPERATURE_C - 20)))
    assert north["arrives_low"] < north["arrives"] < north["arrives_high"] <= 0.7
    assert np.isnan(south["expected_in_trouble"])
    assert np.isnan(south["arrives"])
