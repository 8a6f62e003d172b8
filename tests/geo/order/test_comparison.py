"""Who moved from one order to another, and why."""

import datetime as dt

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given
from hypothesis import settings as few
from hypothesis import strategies as st

from geo.order.comparison import compare, compare_orders, who_moved
from geo.order.priorities import prioritize
from layers.errors import ComparisonError
from layers.outputs.run import Run, RunCounty
from layers.settings.priority_settings import Priorities
from layers.store import Assessment


def order_of(table, settings):
    return table.join(prioritize(table, settings))


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
    last = prioritize(table, two_axes)["rank"].idxmax()
    owing = table.copy()
    owing.loc[last, "must_visit_by"] = pd.Timestamp("2026-05-01")
    until = dt.date(2026, 6, 1)
    before = order_of(table, two_axes)
    after = owing.join(prioritize(owing, two_axes, owed_until=until))
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
        problems=nothing,
        run=Run(RunCounty(name)),
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
