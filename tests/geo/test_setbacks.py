"""Setbacks: chances against published forms, distances against the ellipsoid, verdicts by hand."""

import datetime as dt

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from geographiclib.geodesic import Geodesic
from pyproj import CRS, Transformer
from scipy import stats
from shapely import LineString, Point, box

from geo.setbacks import MAP_LINE_SD_M, setback_checks, short_probability
from layers.rulebook import Setbacks

UTM16 = CRS("EPSG:32616")


# Rice and normal forms, computed independently from Marcum's Q and the normal distribution:
# distance, required, sd, Rice, normal (all in one unit).
@pytest.mark.parametrize(
    ("d", "s", "sd", "rice", "normal"),
    [
        (55, 50, 5, 0.14738, 0.15866),
        (50, 50, 5, 0.48003, 0.50000),
        (45, 50, 5, 0.82824, 0.84134),
        (60, 50, 10, 0.13749, 0.15866),
        (110, 100, 20, 0.27562, 0.30854),
        (10, 50, 20, 0.93832, 0.97725),
        (0, 50, 20, 0.95606, 0.99379),
    ],
)
def test_chances_equal_the_worked_table(d, s, sd, rice, normal):
    assert short_probability(d, s, sd, feature="point") == pytest.approx(rice, abs=5e-6)
    assert short_probability(d, s, sd, feature="area") == pytest.approx(normal, abs=5e-6)


def test_point_chance_equals_scipys_rice_distribution():
    d = np.array([1.0, 20, 60, 400, 5000])
    expected = stats.rice.cdf(50 / 7.0, d / 7.0)
    assert short_probability(d, 50, 7.0, feature="point") == pytest.approx(expected, abs=1e-9)


def test_line_chance_counts_both_sides():
    # on the line itself the chance is that of a normal error within +-S
    chance = short_probability(0.0, 10.0, 5.0, feature="line")
    assert chance == pytest.approx(stats.norm.cdf(2) - stats.norm.cdf(-2), abs=1e-12)


def test_line_chance_agrees_with_draws():
    rng = np.random.default_rng(5)
    draws = np.abs(12.0 + rng.normal(0, 8.0, 400_000))
    chance = short_probability(12.0, 15.0, 8.0, feature="line")
    assert chance == pytest.approx((draws < 15.0).mean(), abs=0.003)


def test_point_chance_agrees_with_draws():
    rng = np.random.default_rng(6)
    draws = np.hypot(30 + rng.normal(0, 10, 400_000), rng.normal(0, 10, 400_000))
    chance = short_probability(30, 35, 10, feature="point")
    assert chance == pytest.approx((draws < 35).mean(), abs=0.003)


def test_exact_positions_give_certain_answers_and_the_setback_itself_complies():
    chance = short_probability([49.9, 50.0, np.nan], 50, 0, feature="point")
    np.testing.assert_array_equal(chance, [1.0, 0.0, np.nan])


@pytest.mark.parametrize("bad", [{"distance_m": -1}, {"required_m": -1}, {"sd_m": -1}])
def test_negative_lengths_are_refused(bad):
    given = {"distance_m": 5, "required_m": 5, "sd_m": 1} | bad
    with pytest.raises(ValueError, match="negative"):
        short_probability(**given, feature="point")
    with pytest.raises(ValueError, match="'circle' is not one of point, line, area"):
        short_probability(1, 1, 1, feature="circle")


# ------------------------------------------------------------------------------------- checks


def points(ids, xy, accuracy, name):
    return gpd.GeoDataFrame(
        {name: ids, "accuracy95_m": accuracy}, geometry=[Point(p) for p in xy], crs=UTM16
    )


def rules(*rows, adopted_by="Test board (invented)"):
    table = {"name": "t", "adopted_by": adopted_by, "rules": list(rows)}
    return Setbacks.model_validate({"tables": [table]})


def rule(**changes):
    base = {"id": "r", "part": "unit", "feature": "wells", "distance": 50, "unit": "ft"}
    return base | {"source": "invented"} | changes


def checks(units, setbacks, features, *, outlets=None, states=("known",), linked=None):
    n = len(units)
    links = pd.DataFrame(
        {
            "unit_id": units["unit_id"],
            "discharge_point_id": linked or [None] * n,
            "outlet_state": list(states) * (n // len(states)),
        }
    )
    return setback_checks(
        units, outlets, links, features, setbacks, as_of=dt.date(2026, 4, 1), line_sd_m={}
    )


@pytest.fixture
def units():
    return points(["U1", "U2"], [(500_000, 2_930_000), (500_400, 2_930_000)], 0.0, "unit_id")


def test_distance_is_the_geodesic_between_the_points(units):
    wells = points(["W1"], [(500_020, 2_930_015)], 0.0, "well_id")
    got = checks(units, rules(rule()), {"wells": wells})
    to_degrees = Transformer.from_crs(UTM16, 4326, always_xy=True)
    (lon1, lon2), (lat1, lat2) = to_degrees.transform([500_000, 500_020], [2_930_000, 2_930_015])
    expected = Geodesic.WGS84.Inverse(lat1, lon1, lat2, lon2)["s12"]
    assert got["distance_m"].iloc[0] == pytest.approx(expected, abs=1e-6)
    assert got["distance_m"].iloc[0] > 25.0  # grid length is shorter at scale 0.9996


def test_verdicts_of_exact_positions(units):
    wells = points(["near", "far"], [(500_010, 2_930_000), (500_450, 2_930_000)], 0.0, "well_id")
    got = checks(units, rules(rule()), {"wells": wells}).set_index("unit_id")
    assert got.loc["U1", ["feature_id", "verdict"]].tolist() == ["near", "short"]
    assert got.loc["U2", ["feature_id", "verdict"]].tolist() == ["far", "clear"]
    assert got["required_m"].unique() == pytest.approx([15.24])


def test_a_coarse_well_cannot_pass_a_short_setback(units):
    wells = points(["section"], [(500_030, 2_930_000)], 400.0, "well_id")
    got = checks(units, rules(rule()), {"wells": wells}).set_index("unit_id")
    # 30 m measured against 15.24 m asked, but the well is known only to +-400 m
    assert got.loc["U1", "verdict"] == "clear" or got.loc["U1", "short_probability"] > 0
    near = rules(rule(distance=300))
    got = checks(units, near, {"wells": wells}).set_index("unit_id")
    assert got.loc["U1", "verdict"] == "uncertain"


def test_where_selects_features_and_none_left_is_none_on_record(units):
    wells = points(["W1"], [(500_010, 2_930_000)], 0.0, "well_id").assign(use="private")
    public = rules(rule(where={"use": ["public"]}))
    got = checks(units, public, {"wells": wells})
    assert set(got["verdict"]) == {"none_on_record"}
    assert got["distance_m"].isna().all()


def test_missing_layer_is_none_on_record_not_clear(units):
    got = checks(units, rules(rule()), {})
    assert set(got["verdict"]) == {"none_on_record"}


def test_a_table_not_adopted_measures_but_gives_no_verdict(units):
    wells = points(["W1"], [(500_010, 2_930_000)], 0.0, "well_id")
    got = checks(units, rules(rule(), adopted_by=" "), {"wells": wells})
    assert set(got["verdict"]) == {"no_rule"}
    assert not got["in_force"].any()
    assert got["distance_m"].notna().any()


def test_inside_water_is_zero_and_deep_inside_is_surely_short(units):
    lake = gpd.GeoDataFrame(
        {"water_body_id": ["L"]}, geometry=[box(499_900, 2_929_900, 500_100, 2_930_100)], crs=UTM16
    )
    got = checks(units, rules(rule(feature="water_bodies")), {"water_bodies": lake})
    first = got.iloc[0]
    assert first["distance_m"] == 0
    assert first["verdict"] == "short"
    assert first["short_probability"] > 1 - 1e-12  # 100 m inside, outline known to +-11 m


def test_lot_line_is_measured_from_inside_the_lot(units):
    lot = gpd.GeoDataFrame(
        {"parcel_id": ["P"]}, geometry=[box(499_980, 2_929_980, 500_003, 2_930_020)], crs=UTM16
    )
    got = checks(units, rules(rule(feature="parcels", distance=10)), {"parcels": lot})
    assert got["distance_m"].iloc[0] == pytest.approx(3.0, abs=0.01)
    # 10 ft asked, 3.00 m measured, line known to 18.6 ft per axis: nobody can tell
    assert got["verdict"].iloc[0] == "uncertain"
    assert got["distance_u95_m"].iloc[0] == pytest.approx(1.96 * MAP_LINE_SD_M, rel=1e-3)


def test_map_line_sd_is_the_published_one():
    # 1:24,000 National Map Accuracy Standards: 40 ft at 90 %, sd 18.6 ft
    assert pytest.approx(18.6, abs=0.05) == MAP_LINE_SD_M / 0.3048


def test_unknown_outlet_is_uncertain_and_soil_units_have_no_row(units):
    streams = gpd.GeoDataFrame(
        {"stream_id": ["S"]}, geometry=[LineString([(500_005, 0), (500_005, 9e6)])], crs=UTM16
    )
    some = rules(rule(part="discharge_point", feature="streams"))
    got = checks(units, some, {"streams": streams}, states=("unknown", "not_expected"))
    assert got["unit_id"].tolist() == ["U1"]
    assert got["verdict"].tolist() == ["uncertain"]
    assert got["distance_m"].isna().all()


def test_outlet_rules_measure_from_the_linked_discharge_point(units):
    outlets = points(["D1"], [(500_100, 2_930_000)], 0.0, "discharge_point_id")
    wells = points(["W1"], [(500_110, 2_930_000)], 0.0, "well_id")
    some = rules(rule(part="discharge_point"))
    got = checks(
        units,
        some,
        {"wells": wells},
        outlets=outlets,
        states=("known", "unknown"),
        linked=["D1", None],
    )
    assert got["distance_m"].iloc[0] == pytest.approx(10.0, abs=0.01)
    assert got["verdict"].tolist() == ["short", "uncertain"]


def test_rows_are_one_per_rule_and_unit(units):
    wells = points(["W1"], [(500_110, 2_930_000)], 0.0, "well_id")
    got = checks(units, rules(rule(id="a"), rule(id="b", distance=100)), {"wells": wells})
    assert sorted(map(tuple, got[["unit_id", "rule_id"]].to_numpy())) == [
        ("U1", "a"),
        ("U1", "b"),
        ("U2", "a"),
        ("U2", "b"),
    ]
