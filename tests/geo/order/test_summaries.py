"""What a better position would settle; who moved between two orders, and by which part."""

import datetime as dt

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given
from hypothesis import settings as few
from hypothesis import strategies as st

from geo.order.priorities import prioritise
from geo.order.summaries import class_may_change, compare, compare_orders, who_moved, worth_a_fix
from layers.errors import ComparisonError
from layers.settings.priority_settings import Priorities
from layers.store import Assessment


@pytest.fixture
def priorities():
    part = {"label": "x", "unknown": 0.5, "reason": "r", "source": "invented"}
    return Priorities.model_validate(
        {
            "parts": {
                "age": part
                | {
                    "axis": "likelihood",
                    "weight": 1,
                    "column": "age_years",
                    "unit": "years",
                    "curve": [[0, 0], [1, 1]],
                },
                "well": part
                | {
                    "axis": "harm",
                    "weight": 1,
                    "column": "lid_well_distance_m",
                    "unit": "m",
                    "curve": [[0, 1], [100, 0]],
                },
            },
        }
    )


@pytest.fixture
def units():
    return pd.DataFrame(
        {
            "unit_id": ["A", "B", "C"],
            "accuracy95_m": [3.0, 75.0, 3.0],
            "discharge_point_id": ["DA", None, "DC"],
            "age_years": [1.0, 1.0, 1.0],
            "lid_well_distance_m": [10.0, 40.0, 90.0],
            "score": [90.0, 60.0, 10.0],
            "visit_class": ["first", "next", "routine"],
        },
        index=[4, 5, 6],
    )


def check(unit, settled_by, part="tank", feature="wells", feature_id="W1", in_force=True):
    return {
        "unit_id": unit,
        "settled_by": settled_by,
        "part": part,
        "feature": feature,
        "feature_id": feature_id,
        "in_force": in_force,
    }


def test_one_well_that_settles_several_units_comes_first(units, priorities):
    checks = pd.DataFrame(
        [
            check("A", "fix_feature"),
            check("B", "fix_feature"),
            check("C", "fix_part"),
            check("C", "fix_part", in_force=False),
            check("A", "locate", part="discharge_point", feature_id=None),
            check("B", "tape"),
            check("C", "fix_both", part="discharge_point", feature_id="W2"),
            check("C", None),
        ]
    )
    wells = pd.DataFrame({"well_id": ["W1", "W2"], "accuracy95_m": [500.0, 40.0]})
    outlets = pd.DataFrame({"discharge_point_id": ["DA", "DC"], "accuracy95_m": [3.0, 8.0]})
    got = worth_a_fix(units, outlets, wells, checks, priorities).set_index(["what", "id"])
    assert got.index[0] == ("well", "W1")
    assert got.loc[("well", "W1"), ["settles", "units", "accuracy95_m"]].tolist() == [2, 2, 500.0]
    assert got.loc[("lid", "C"), "settles"] == 1  # the row not in force does not count
    assert got.loc[("unlocated", "A"), "settles"] == 1
    both = got.loc[[("discharge_point", "DC"), ("well", "W2")]]
    assert both["settles"].tolist() == [0, 0]
    assert both["settles_with_another"].tolist() == [1, 1]
    assert ("lid", "B") in got.index  # only its class hangs on its position
    assert got.loc[("lid", "B"), ["settles", "class_may_change"]].tolist() == [0, True]


def test_a_class_hangs_on_a_blurred_distance_only(units, priorities):
    assert class_may_change(units, priorities).tolist() == [False, True, False]
    exact = units.assign(accuracy95_m=0.1)
    assert not class_may_change(exact, priorities).any()


def test_nothing_to_settle_is_an_empty_table(units, priorities):
    none = pd.DataFrame(columns=list(check("A", None)))
    got = worth_a_fix(units.assign(accuracy95_m=0.1), None, None, none, priorities)
    assert len(got) == 0
    assert "what" in got.columns


# ------------------------------------------------------------------------------------- who moved


def order_of(table, settings):
    return table.join(prioritise(table, settings))


def reweighted(priorities, **weights):
    parts = {
        name: part.model_copy(update={"weight": weights.get(name, part.weight)})
        for name, part in priorities.parts.items()
    }
    return priorities.model_copy(update={"parts": parts})


@pytest.fixture
def two_axes():
    part = {"label": "x", "unknown": 0.5, "reason": "r", "source": "invented"}
    years = {"unit": "years", "curve": [[0, 0], [40, 1]]}
    return Priorities.model_validate(
        {
            "parts": {
                "age": part | years | {"axis": "likelihood", "weight": 0.5, "column": "age_years"},
                "since": part
                | years
                | {"axis": "likelihood", "weight": 0.5, "column": "days_since_inspection"},
                "well": part
                | {
                    "axis": "harm",
                    "weight": 1,
                    "column": "well_distance_m",
                    "unit": "m",
                    "curve": [[0, 1], [100, 0]],
                },
            },
            "classes": {"first": 2, "next": 2, "first_share": 1.0, "next_share": 1.0},
        }
    )


def random_units(n, seed):
    rng = np.random.default_rng(seed)
    return pd.DataFrame(
        {
            "unit_id": [f"u{k:02d}" for k in range(n)],
            "age_years": rng.uniform(0, 40, n),
            "days_since_inspection": rng.choice([np.nan, 3.0, 20.0], n),
            "well_distance_m": rng.uniform(0, 120, n),
        }
    )


def test_who_moved_by_hand(two_axes):
    before = pd.DataFrame(
        {
            "unit_id": list("abcd"),
            "age_years": [40.0, 30.0, 20.0, 10.0],
            "days_since_inspection": 0.0,
            "well_distance_m": 0.0,
        }
    )
    after = before.assign(
        days_since_inspection=[0.0, 0.0, 40.0, 0.0], age_years=[40.0, 30.0, 19.0, 10.0]
    )
    after = after[after["unit_id"] != "d"]
    after.loc[9] = ["e", 0.0, 0.0, 0.0]
    got = compare_orders(order_of(before, two_axes), order_of(after, two_axes))
    got = got.set_index("unit_id")
    # c: likelihood 0.25 -> 0.2375 + 0.5 under a harm of 1
    assert got.loc["c", "places_up"] == 2
    assert got.loc["c", ["rank_before", "rank_after"]].tolist() == [3, 1]
    assert got.loc["c", ["class_before", "class_after"]].tolist() == ["next", "first"]
    assert got.loc["c", "score_change"] == pytest.approx(100 * 0.4875)
    assert got.loc["c", "change_age"] == pytest.approx(50 * -0.0125)
    assert got.loc["c", "change_since"] == pytest.approx(50 * 0.5)
    assert got.loc["c", "change_well"] == pytest.approx(50 * 0.4875)  # its share rises with both
    assert got.loc["c", "moved_by"] == "since"
    assert got["change"].to_dict() == {
        "a": "moved", "b": "moved", "c": "moved", "d": "vanished", "e": "appeared"
    }  # fmt: skip
    assert got.loc["a", "places_up"] == -1
    assert got["moved_by"].drop("c").isna().all()  # only others moved
    assert got.loc["d", ["rank_after", "score_change", "change_age"]].isna().all()
    assert got.loc["e", ["rank_before", "score_change", "change_age"]].isna().all()
    assert got.index.tolist() == ["c", "a", "b", "d", "e"]
    assert who_moved(got.reset_index()) == {
        "units": 3, "moved": 3, "appeared": 1, "vanished": 1, "into_first": 1, "out_of_first": 1,
        "median_places": 1.0, "moved_by": {"others": 2, "since": 1},
    }  # fmt: skip


@given(n=st.integers(1, 30), seed=st.integers(0, 99), weight=st.floats(0.01, 0.99))
@few(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_the_changes_of_the_parts_are_the_change_of_the_score(two_axes, n, seed, weight):
    table = random_units(n, seed)
    other = reweighted(two_axes, age=weight, since=1 - weight)
    got = compare_orders(order_of(table, two_axes), order_of(table, other))
    total = got.filter(regex="^change_").sum(axis=1)
    np.testing.assert_allclose(total, got["score_change"], atol=1e-9, rtol=0)
    assert got["places_up"].sum() == 0
    moved = got[got["moved_by"].notna()]
    assert (np.sign([r[f"change_{r['moved_by']}"] for r in moved.to_dict("records")])
            == np.sign(moved["score_change"])).all()  # fmt: skip


def test_nobody_moves_between_an_order_and_itself(two_axes):
    one = order_of(random_units(20, 1), two_axes)
    got = compare_orders(one, one.sample(frac=1, random_state=2))
    assert set(got["change"]) == {"stayed"}
    assert got["moved_by"].isna().all()
    assert who_moved(got)["moved"] == 0


def test_a_part_that_one_of_them_lacks_counts_as_nothing_there(two_axes):
    table = random_units(12, 5)
    full = order_of(table, two_axes)
    less = order_of(table, reweighted(two_axes, age=0.0, since=1.0)).drop(columns="part_age")
    got = compare_orders(full, less)
    total = got.filter(regex="^change_").sum(axis=1)
    np.testing.assert_allclose(total, got["score_change"], atol=1e-9, rtol=0)
    ages = full.set_index("unit_id")["part_age"].reindex(got["unit_id"]).to_numpy()
    np.testing.assert_allclose(got["change_age"], -ages)


def test_a_visit_that_became_owed_is_what_moved_a_unit(two_axes):
    table = random_units(6, 2).assign(must_visit_by=pd.NaT)
    last = prioritise(table, two_axes)["rank"].idxmax()
    owing = table.copy()
    owing.loc[last, "must_visit_by"] = pd.Timestamp("2026-05-01")
    until = dt.date(2026, 6, 1)
    before = order_of(table, two_axes)
    after = owing.join(prioritise(owing, two_axes, owed_until=until))
    got = compare_orders(before, after).set_index("unit_id")
    unit = table.loc[last, "unit_id"]
    assert got.loc[unit, ["rank_before", "rank_after", "moved_by"]].tolist() == [6, 1, "owed"]
    assert got["moved_by"].drop(unit).isna().all()
    days = ["owed_by_before", "owed_by_after"]
    assert got.loc[unit, days].isna().tolist() == [True, False]
    assert got.loc[unit, "owed_by_after"] == dt.date(2026, 5, 1)
    assert got[days].drop(unit).isna().all(axis=None)


def an_assessment(units, name="Larkmoor County (invented)"):
    nothing = pd.DataFrame()
    return Assessment(
        units=units,
        discharge_points=nothing,
        flow_paths=nothing,
        setback_checks=nothing,
        worth_a_fix=nothing,
        problems=nothing,
        run={"county": {"name": name}},
    )


def test_assessments_of_different_counties_are_refused(two_axes):
    one = order_of(random_units(5, 1), two_axes)
    assert len(compare(an_assessment(one), an_assessment(one))) == 5
    with pytest.raises(ComparisonError, match=r"different counties: 'Larkmoor .* and 'Fenmoor'"):
        compare(an_assessment(one), an_assessment(one, "Fenmoor"))
    strangers = one.assign(unit_id=[f"x{k}" for k in range(5)])
    with pytest.raises(ComparisonError, match=r"no unit of the first \(5\) is among"):
        compare(an_assessment(one), an_assessment(strangers))


def test_what_moved_a_unit_changed_the_way_its_score_did():
    places = {"rank": [1], "visit_class": ["first"], "ranked_by": ["score"], "unit_id": ["u"]}
    before = pd.DataFrame(places | {"score": [9.0], "part_a": 3.0, "part_b": 4.0, "part_c": 2.0})
    after = pd.DataFrame(places | {"score": [10.0], "part_a": 6.0, "part_b": 0.0, "part_c": 4.0})
    got = compare_orders(before, after).iloc[0]
    assert got[["change_a", "change_b", "change_c"]].tolist() == [3, -4, 2]
    assert got["moved_by"] == "a"  # b changed more, and the other way
