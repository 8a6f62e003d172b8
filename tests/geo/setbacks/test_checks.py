"""Setbacks: distances against the ellipsoid, verdicts and what changes them by hand."""

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from geographiclib.geodesic import Geodesic
from pyproj import CRS, Transformer
from shapely import LineString, Point, box

from geo.setbacks import SetbackInputs, setback_checks
from geo.uncertainty import MAP_LINE_SD_M
from layers.problems import ProblemLog
from layers.settings.setback_tables import Setbacks

UTM16 = CRS("EPSG:32616")


# ------------------------------------------------------------------------------------- checks


def points(ids, xy, accuracy, name):
    return gpd.GeoDataFrame(
        {name: ids, "accuracy95_m": accuracy}, geometry=[Point(p) for p in xy], crs=UTM16
    )


def rules(*rows, adopted_by="Test board (invented)", **table):
    table = {"name": "t", "adopted_by": adopted_by, "rules": list(rows)} | table
    return Setbacks.model_validate({"tables": [table]})


def rule(**changes):
    base = {"id": "r", "part": "unit", "feature": "wells", "distance": 50, "unit": "ft"}
    return base | {"source": "invented"} | changes


def checks(
    units,
    setbacks,
    features,
    *,
    outlets=None,
    states=("known",),
    linked=None,
    days=None,
    is_day_known=True,
    **given,
):
    n = len(units)
    links = pd.DataFrame(
        {
            "unit_id": units["unit_id"],
            "discharge_point_id": linked or [None] * n,
            "outlet_state": list(states) * (n // len(states)),
            "link_confirmed": [state == "known" for state in states] * (n // len(states)),
        }
    )
    days = pd.DataFrame(
        {
            "unit_day": pd.to_datetime(days or ["2005-05-05"] * n),
            "unit_day_basis": "installed",
            "is_day_known": is_day_known,
            "as_of": pd.Timestamp("2026-04-01"),
        }
    )
    return setback_checks(
        SetbackInputs(units, outlets, links, features, days, line_sd_m={}, **given), setbacks
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


@pytest.mark.parametrize("away_m", [25, 60, 200, 600])
def test_a_section_center_well_cannot_pass_a_50_ft_setback(units, away_m):
    # placed at the center of a square mile, so known to about 0.57 km at 95 %; its chance of
    # lying within 50 ft is under 1 % by Rice, and yet nobody can say that it does not
    wells = points(["center"], [(500_000, 2_930_000 + away_m)], 570.0, "well_id")
    got = checks(units, rules(rule()), {"wells": wells}).iloc[0]
    assert got["short_probability"] < 0.01
    assert got["verdict"] == "uncertain" if away_m < 400 else got["verdict"] == "clear"
    if got["verdict"] == "uncertain":
        assert got["settled_by"] in ("fix_feature", "fix_both")


def test_where_selects_features_and_none_left_is_none_on_record(units):
    wells = points(["W1"], [(500_010, 2_930_000)], 0.0, "well_id").assign(use="private")
    public = rules(rule(where={"use": ["public"]}))
    got = checks(units, public, {"wells": wells})
    assert set(got["verdict"]) == {"none_on_record"}
    assert got["distance_m"].isna().all()


def test_a_missing_layer_is_not_known(units):
    got = checks(units, rules(rule()), {})
    assert set(got["verdict"]) == {"not_known"}
    assert set(got["settled_by"]) == {"give_layer"}


def test_a_layer_with_rows_that_have_no_place_is_not_known_where_none_is_near(units, well):
    far = units.set_geometry([Point(500_000, 2_930_000), Point(520_000, 2_930_000)])
    got = checks(far, rules(rule()), {"wells": well}, without_place={"wells": 1})
    assert got["verdict"].tolist() == ["clear", "not_known"]
    assert got["settled_by"].tolist() == [None, "place_rows"]
    assert checks(far, rules(rule()), {"wells": well[:0]})["verdict"].eq("none_on_record").all()


def test_a_well_of_unknown_use_is_judged_as_both(units):
    near = points(["W1"], [(500_010, 2_930_000)], 0.0, "well_id")
    far = points(["W1"], [(500_100, 2_930_000)], 0.0, "well_id")
    public, any_use = {"use": ["public"]}, {"use": ["public", "private", "other"]}
    for use in (None, "unknown"):
        wells = near.assign(use=use)
        got = checks(units, rules(rule(where=public)), {"wells": wells}).iloc[0]
        assert got[["verdict", "settled_by"]].tolist() == ["uncertain", "ask_feature"]
        got = checks(units, rules(rule(where=any_use)), {"wells": wells}).iloc[0]
        assert got["verdict"] == "short"  # whatever its use is
        got = checks(units, rules(rule(where=public)), {"wells": far.assign(use=use)}).iloc[0]
        assert got["verdict"] == "clear"  # even if it is public
    got = checks(units, rules(rule(where=public)), {"wells": near}).iloc[0]  # no such column
    assert got["verdict"] == "uncertain"
    both = pd.concat([near.assign(use=None), far.assign(well_id="W2", use="public")])
    both = both.reset_index(drop=True)
    got = checks(units, rules(rule(where=public)), {"wells": both}).iloc[0]
    assert got[["verdict", "feature_id"]].tolist() == ["uncertain", "W1"]


def test_the_verdict_is_the_worst_over_all_features_not_that_of_the_nearest(units):
    wells = points(["near", "coarse"], [(500_030, 2_930_000), (500_060, 2_930_000)], 0.1, "well_id")
    wells["accuracy95_m"] = [0.1, 150.0]
    got = checks(units, rules(rule()), {"wells": wells}).iloc[0]
    assert got[["verdict", "feature_id"]].tolist() == ["uncertain", "coarse"]


def test_the_search_reaches_as_far_as_the_longest_rule(units):
    wells = points(["W1"], [(501_110, 2_930_000)], 0.0, "well_id")
    got = checks(units, rules(rule(distance=5_000)), {"wells": wells}).iloc[0]
    assert got["verdict"] == "short"


def test_a_lid_inside_the_outline_of_a_stream_is_at_the_water(units):
    bank = LineString(box(499_950, 2_929_900, 500_060, 2_930_100).exterior.coords)
    streams = gpd.GeoDataFrame({"stream_id": ["S1"]}, geometry=[bank], crs=UTM16)
    got = checks(units, rules(rule(feature="streams")), {"streams": streams}).iloc[0]
    assert got[["verdict", "distance_m"]].tolist() == ["short", 0.0]
    assert got["inside_m"] == pytest.approx(50, abs=0.1)


def test_every_outlet_of_a_unit_is_judged(units, well):
    outlets = points(
        ["D1", "D2"], [(500_400, 2_930_000), (500_022, 2_930_000)], 0.0, "discharge_point_id"
    ).assign(unit_id="U1")
    table = rules(rule(part="discharge_point"))
    got = checks(
        units, table, {"wells": well}, outlets=outlets, states=("known", "unknown"),
        linked=["D1", None],
    )  # fmt: skip
    assert got["unit_id"].tolist() == ["U1", "U2"]
    assert got["verdict"].tolist() == ["short", "uncertain"]  # D2 lies beside the well


def test_a_unit_whose_day_is_not_known_is_held_to_every_adopted_table(units, well):
    tables = Setbacks.model_validate({"tables": [
        {"name": "old", "adopted_by": "board", "effective_to": "2008-07-01",
         "rules": [rule(id="old", distance=100)]},
        {"name": "new", "adopted_by": "board", "effective_from": "2008-07-01", "rules": [
            rule(id="new", distance=50)]},
        {"name": "to come", "adopted_by": "board", "effective_from": "2030-01-01", "rules": [
            rule(id="later", distance=100)]},
    ]})  # fmt: skip
    got = checks(units, tables, {"wells": well}, is_day_known=False)
    held = got[got["unit_id"] == "U1"].set_index("rule_id")["in_force"]
    assert held.to_dict() == {"old": True, "new": True, "later": False}


def test_where_any_table_may_apply_short_is_what_is_short_of_each(units, well):
    def two(old_ft, new_ft):
        return Setbacks.model_validate({"tables": [
            {"name": "old", "adopted_by": "board", "effective_to": "2008-07-01",
             "rules": [rule(id="old", distance=old_ft)]},
            {"name": "new", "adopted_by": "board", "effective_from": "2008-07-01", "rules": [
                rule(id="new", distance=new_ft)]},
        ]})  # fmt: skip

    near = well.assign(accuracy95_m=1.0)  # 20 m, or 66 ft, off
    for tables, verdicts, settled in (
        (two(100, 200), ["short", "short"], [None, None]),
        (two(25, 200), ["clear", "uncertain"], [None, "find_day"]),
        (two(25, 30), ["clear", "clear"], [None, None]),
    ):
        got = checks(units, tables, {"wells": near}, is_day_known=False)
        got = got[got["unit_id"] == "U1"]
        assert got["verdict"].tolist() == verdicts
        assert got["settled_by"].tolist() == settled
        known = checks(units, tables, {"wells": near})
        assert "find_day" not in set(known["settled_by"])


def test_a_tape_that_contradicts_the_map_makes_nothing_lighter(units, well):
    log = ProblemLog()
    typed_wrong = taped(distance_m=90.0)  # 20 m on the map, known well
    wells = well.assign(accuracy95_m=1.0)
    table = rules(rule(distance=100))
    got = checks(units, table, {"wells": wells}, taped_distances=typed_wrong, log=log).iloc[0]
    assert got[["verdict", "measured_by"]].tolist() == ["short", "map"]
    assert log.frame()["code"].tolist() == ["tape_contradicts_map"]
    for lacks in ({"feature_id": None}, {"date": pd.NaT}):
        log = ProblemLog()
        tape = taped(distance_m=21.0, **lacks)
        coarse = well.assign(accuracy95_m=75.0)
        got = checks(units, rules(rule()), {"wells": coarse}, taped_distances=tape, log=log).iloc[0]
        assert got[["verdict", "measured_by"]].tolist() == ["uncertain", "map"]
        assert log.frame()["code"].tolist() == ["tape_incomplete"]


def test_a_tape_to_one_feature_says_nothing_of_another(units):
    wells = points(["W1", "W2"], [(500_018, 2_930_000), (499_988, 2_930_000)], 1.0, "well_id")
    tape = taped(feature_id="W1", distance_m=18.0, accuracy_m=0.1)
    got = checks(units, rules(rule()), {"wells": wells}, taped_distances=tape).iloc[0]
    assert got[["verdict", "feature_id", "measured_by"]].tolist() == ["short", "W2", "map"]


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
    outlets = points(["D1"], [(500_100, 2_930_000)], 0.0, "discharge_point_id").assign(unit_id="U1")
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


# ------------------------------------------------------------------- tables, their time and heirs


@pytest.fixture
def well():
    return points(["W1"], [(500_020, 2_930_000)], 0.0, "well_id")  # 20 m, 66 ft from U1


def test_the_table_in_force_at_the_units_own_day_applies(units, well):
    tables = Setbacks.model_validate(
        {
            "tables": [
                {
                    "name": "old",
                    "adopted_by": "board",
                    "effective_to": "2008-07-01",
                    "rules": [rule(id="old", distance=50)],
                },
                {
                    "name": "new",
                    "adopted_by": "board",
                    "effective_from": "2008-07-01",
                    "rules": [rule(id="new", distance=100)],
                },
            ]
        }
    )
    got = checks(units, tables, {"wells": well}, days=["2008-06-30", "2008-07-01"])
    got = got.set_index(["unit_id", "rule_id"])
    assert got["in_force"].to_dict() == {
        ("U1", "old"): True,
        ("U1", "new"): False,
        ("U2", "old"): False,
        ("U2", "new"): True,
    }
    assert got.loc[("U1", "old"), "verdict"] == "clear"
    assert got.loc[("U1", "new"), "verdict"] == "no_rule"
    assert got.loc[("U1", "old"), "judged_on"] == "2008-06-30"
    assert got.loc[("U1", "old"), "judged_by"] == "installed"


def test_a_table_may_be_judged_on_the_day_of_the_assessment(units, well):
    table = rules(rule(), effective_from="2020-01-01", judged_on="assessment")
    got = checks(units, table, {"wells": well})
    assert got["in_force"].all()
    assert set(got["judged_by"]) == {"assessment"}
    assert not checks(units, rules(rule(), effective_from="2020-01-01"), {"wells": well})[
        "in_force"
    ].any()


def test_a_row_has_its_own_time_too(units, well):
    table = rules(rule(effective_to="2000-01-01"))
    assert not checks(units, table, {"wells": well})["in_force"].any()


def test_a_table_inherits_the_rows_it_does_not_have(units, well):
    tables = Setbacks.model_validate(
        {
            "tables": [
                {
                    "name": "state",
                    "rules": [rule(id="s1", distance=50), rule(id="s2", part="tank")],
                },
                {
                    "name": "county",
                    "adopted_by": "board",
                    "inherits": "state",
                    "rules": [rule(id="c1", distance=75)],
                },
            ]
        }
    )
    got = checks(units, tables, {"wells": well})
    county = got[got["table"] == "county"]
    assert sorted(set(county["rule_id"])) == ["c1", "s2"]  # s1 gives way to c1
    assert county["in_force"].all()
    assert not got.loc[got["table"] == "state", "in_force"].any()


# ------------------------------------------------------------------------ direction, tape, variance


def slope_to_east(x, _y):
    return 100 - 0.1 * (x - 500_000)


@pytest.mark.parametrize(
    ("direction", "nearest"), [("any", "down"), ("upslope", "up"), ("downslope", "down")]
)
def test_a_rule_may_hold_only_upslope_or_downslope(units, direction, nearest):
    wells = points(
        ["down", "up"], [(500_010, 2_930_000), (499_980, 2_930_000)], 0.0, "well_id"
    )  # the ground falls to the east
    table = rules(rule(direction=direction))
    got = checks(units, table, {"wells": wells}, ground_at=slope_to_east).iloc[0]
    assert got["feature_id"] == nearest
    # without a terrain the rule holds all round
    flat = checks(units, table, {"wells": wells}).iloc[0]
    assert flat["feature_id"] == "down"


def taped(**changes):
    row = {"unit_id": "U1", "part": "unit", "feature": "wells", "feature_id": "W1"}
    measured = {"distance_m": 14.0, "accuracy_m": np.nan, "date": pd.Timestamp("2025-05-05")}
    named = {"taped_distance_id": "T1", "source_row": 2}
    return pd.DataFrame([row | measured | named | changes])


def test_a_taped_distance_takes_the_place_of_the_maps(units, well):
    coarse = well.assign(accuracy95_m=75.0)
    before = checks(units, rules(rule()), {"wells": coarse}).iloc[0]
    after = checks(units, rules(rule()), {"wells": coarse}, taped_distances=taped()).iloc[0]
    assert before[["verdict", "measured_by"]].tolist() == ["uncertain", "map"]
    assert after[["verdict", "measured_by", "feature_id"]].tolist() == ["short", "tape", "W1"]
    assert after["distance_m"] == 14.0
    assert after["settled_by"] is None


def test_a_taped_distance_to_another_kind_of_feature_does_not_count(units, well):
    wells = well.assign(use="private")
    public = rules(rule(where={"use": ["public"]}))
    got = checks(units, public, {"wells": wells}, taped_distances=taped()).iloc[0]
    assert got[["verdict", "measured_by"]].tolist() == ["none_on_record", "map"]
    unnamed = taped(feature_id=None)  # may be to a public one
    got = checks(units, public, {"wells": wells}, taped_distances=unnamed).iloc[0]
    assert got[["verdict", "settled_by"]].tolist() == ["uncertain", "ask_feature"]


@pytest.mark.parametrize(("meters", "by"), [(30.0, "map"), (12.0, "tape")])
def test_a_taped_distance_to_a_farther_feature_leaves_the_nearer_one(units, meters, by):
    wells = points(["W1", "W2"], [(500_020, 2_930_000), (499_970, 2_930_000)], 0.0, "well_id")
    far = taped(feature_id="W2", distance_m=meters)
    got = checks(units, rules(rule()), {"wells": wells}, taped_distances=far).iloc[0]
    assert got["measured_by"] == by
    assert got["feature_id"] == ("W1" if by == "map" else "W2")


@pytest.mark.parametrize(("meters", "verdict"), [(30.0, "not_known"), (12.0, "short")])
def test_a_taped_distance_alone_makes_a_verdict_graver_only(units, meters, verdict):
    by_tape = taped(unit_id="U2", feature_id=None, distance_m=meters, accuracy_m=0.1)
    got = checks(units, rules(rule()), {}, taped_distances=by_tape)["verdict"].tolist()
    assert got == ["not_known", verdict]


def test_a_variance_puts_another_distance_in_the_rules_place(units, well):
    table = rules(rule(distance=100))
    plain = checks(units, table, {"wells": well}).iloc[0]
    granted = pd.DataFrame(
        {
            "variance_id": ["V1"], "unit_id": ["U1"], "rule_id": ["r"], "distance_m": [18.0],
            "granted": [pd.Timestamp("2020-01-01")], "source_row": [2],
        }
    )  # fmt: skip
    varied = checks(units, table, {"wells": well}, variances=granted)
    assert plain["verdict"] == "short"
    assert varied.iloc[0][["verdict", "variance_id"]].tolist() == ["clear", "V1"]
    assert varied["required_m"].tolist() == pytest.approx([18.0, 30.48])
    waived = granted.assign(distance_m=0.0)
    assert checks(units, table, {"wells": well}, variances=waived)["required_m"].iloc[0] == 0


@pytest.mark.parametrize(
    "lacks", [{"distance_m": np.nan}, {"granted": pd.NaT}, {"rule_id": None}], ids=str
)
def test_a_variance_that_is_not_wholly_known_has_no_effect_and_is_told(units, well, lacks):
    granted = pd.DataFrame(
        {
            "variance_id": ["V1"], "unit_id": ["U1"], "rule_id": ["r"], "distance_m": [0.0],
            "granted": [pd.Timestamp("2020-01-01")], "source_row": [2],
        }
    ).assign(**lacks)  # fmt: skip
    log = ProblemLog()
    got = checks(units, rules(rule()), {"wells": well}, variances=granted, log=log).iloc[0]
    assert got[["required_m", "variance_id"]].tolist() == [15.24, None]
    assert log.frame()["code"].tolist() == ["variance_incomplete"]


def test_of_two_variances_the_longer_distance_holds_and_is_told(units, well):
    granted = pd.DataFrame(
        {
            "variance_id": ["V1", "V2"], "unit_id": "U1", "rule_id": "r", "distance_m": [9.0, 0.0],
            "granted": pd.Timestamp("2020-01-01"), "source_row": [2, 3],
        }
    )  # fmt: skip
    log = ProblemLog()
    got = checks(units, rules(rule()), {"wells": well}, variances=granted, log=log).iloc[0]
    assert got[["required_m", "variance_id"]].tolist() == [9.0, "V1"]
    assert log.frame()["code"].tolist() == ["variance_several"]


# ---------------------------------------------------------------------------- what would settle it


@pytest.mark.parametrize(
    ("lid95_m", "well95_m", "away_m", "settles"),
    [
        (75, 0.1, 25, "fix_part"),
        (0.1, 400, 25, "fix_feature"),
        (75, 75, 25, "fix_both"),
        (75, 75, 15.3, "tape"),  # 15.24 m asked: too close for any receiver
    ],
)
def test_what_would_settle_an_uncertain_verdict(units, lid95_m, well95_m, away_m, settles):
    wells = points(["W1"], [(500_000 + away_m, 2_930_000)], float(well95_m), "well_id")
    got = checks(units.assign(accuracy95_m=float(lid95_m)), rules(rule()), {"wells": wells}).iloc[0]
    assert got["verdict"] == "uncertain"
    assert got["settled_by"] == settles


def test_an_unknown_outlet_is_settled_by_locating_it(units, well):
    table = rules(rule(part="discharge_point"))
    got = checks(units, table, {"wells": well}, states=("unknown",))
    assert set(got["settled_by"]) == {"locate"}


def test_an_unconfirmed_link_stays_unconfirmed(units, well):
    outlets = points(["D1"], [(500_100, 2_930_000)], 0.0, "discharge_point_id").assign(unit_id="U1")
    table = rules(rule(part="discharge_point"))
    got = checks(
        units,
        table,
        {"wells": well},
        outlets=outlets,
        states=("unconfirmed", "unknown"),
        linked=["D1", None],
    )
    assert got["link_confirmed"].tolist() == [False, False]


def test_verdicts_that_rest_on_the_record_carry_its_completeness(units, well):
    text = "wells: 1 on record; private wells are often unlisted"
    wells = pd.concat([well, well.assign(well_id="W2", geometry=[Point(500_405, 2_930_000)])])
    got = checks(units, rules(rule()), {"wells": wells}, completeness={"wells": text})
    assert got["verdict"].tolist() == ["clear", "short"]
    assert got["on_record"].tolist() == [text, None]


@pytest.mark.parametrize(("comparison", "verdict"), [("at_least", "clear"), ("more_than", "short")])
def test_the_very_distance_complies_with_at_least_only(units, comparison, verdict):
    exact = pd.DataFrame(
        [
            {
                "unit_id": "U1",
                "part": "unit",
                "feature": "wells",
                "feature_id": "W1",
                "distance_m": 15.24,
                "accuracy_m": 0.0,
                "date": pd.Timestamp("2025-05-05"),
                "source_row": 2,
                "taped_distance_id": "T1",
            }
        ]
    )
    wells = points(["W1"], [(500_015, 2_930_000)], 5.0, "well_id")
    got = checks(
        units, rules(rule(comparison=comparison)), {"wells": wells}, taped_distances=exact
    ).iloc[0]
    assert got["verdict"] == verdict


def test_a_tape_of_a_later_day_is_not_known_yet(units, well):
    coarse = well.assign(accuracy95_m=75.0)
    later = taped(distance_m=21.0, date=pd.Timestamp("2199-01-01"))
    got = checks(units, rules(rule()), {"wells": coarse}, taped_distances=later).iloc[0]
    assert got[["verdict", "measured_by"]].tolist() == ["uncertain", "map"]
