"""Priorities: parts that add up, curves by hand, ties and unknowns."""

import datetime as dt
from importlib.resources import files
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from geo.order.priorities import prioritize
from layers.settings.priority_settings import Priorities, load_priorities


def settings(**changes):
    part = {"label": "x", "unknown": 0.5, "reason": "r", "source": "invented"}
    base = {
        "parts": {
            "age": part
            | {
                "axis": "likelihood",
                "weight": 0.6,
                "column": "age_years",
                "unit": "years",
                "curve": [[0, 0], [10, 1]],
            },
            "found": part
            | {
                "axis": "likelihood",
                "weight": 0.4,
                "column": "last_result",
                "ratings": {"good": 0.1, "repair": 0.9},
            },
            "well": part
            | {
                "axis": "harm",
                "weight": 1.0,
                "unknown": 0.3,
                "of": [
                    {"column": "well_distance_m", "unit": "m", "curve": [[10, 1], [110, 0]]},
                    {"column": "lid_well_distance_m", "unit": "m", "curve": [[10, 1], [60, 0]]},
                ],
            },
        },
        "classes": {"first": 1, "next": 1, "first_share": 1.0, "next_share": 1.0},
        "not_scored": {"status": ["sewered"]},
    }
    return Priorities.model_validate(base | changes)


@pytest.fixture
def table():
    return pd.DataFrame(
        {
            "unit_id": ["A", "B", "C", "D"],
            "age_years": [5.0, 20.0, np.nan, 20.0],
            "last_result": ["good", "repair", "unknown", "repair"],
            "well_distance_m": [60.0, 10.0, np.nan, 10.0],
            "lid_well_distance_m": [10.0, 60.0, np.nan, 60.0],
            "status": ["active", "active", "active", "sewered"],
        },
        index=[7, 3, 5, 1],
    )


def test_worked_by_hand(table):
    got = prioritize(table, settings())
    # A: likelihood 0.6 x 0.5 + 0.4 x 0.1 = 0.34; harm: the nearer input wins, rating 1
    assert got.loc[7, "likelihood"] == pytest.approx(0.34)
    assert got.loc[7, "harm"] == pytest.approx(1.0)
    assert got.loc[7, "score"] == pytest.approx(34.0)
    assert got.loc[7, "part_age"] == pytest.approx(50 * 0.30 * 1.0)
    assert got.loc[7, "part_well"] == pytest.approx(50 * 1.0 * 0.34)
    assert got.loc[7, "deciding_well"] == "lid_well_distance_m"
    # C: nothing known: the unknown ratings, not the lowest
    assert got.loc[5, "likelihood"] == pytest.approx(0.5)
    assert got.loc[5, "harm"] == pytest.approx(0.3)
    assert pd.isna(got.loc[5, "deciding_age"])


def test_rank_class_and_index(table):
    got = prioritize(table, settings())
    assert got.index.tolist() == table.index.tolist()
    assert got["rank"].tolist() == [2, 1, 3, 4]
    assert got["visit_class"].tolist() == ["next", "first", "routine", "routine"]


def test_sewered_units_carry_no_score_and_stand_last(table):
    got = prioritize(table, settings())
    assert got.loc[1, "score"] == 0
    assert got.loc[1, "rank"] == 4


def test_equal_scores_rank_by_unit_id():
    table = pd.DataFrame({"unit_id": ["z", "b", "a"], "age_years": [1.0, 1.0, 1.0]})
    assert prioritize(table, settings())["rank"].tolist() == [3, 2, 1]


def test_what_nothing_tells_apart_is_not_split_between_classes():
    table = pd.DataFrame({"unit_id": list("abcd"), "age_years": [9.0, 5.0, 5.0, 1.0]})
    got = prioritize(
        table, settings(classes={"first": 2, "next": 1, "first_share": 1.0, "next_share": 1.0})
    )
    assert got["visit_class"].tolist() == ["first", "next", "next", "routine"]
    alike = prioritize(pd.DataFrame({"unit_id": list("abcd")}), settings())
    assert set(alike["visit_class"]) == {"routine"}


def test_a_small_county_does_not_put_every_unit_first():
    ages = [float(9 - k) for k in range(8)]
    table = pd.DataFrame({"unit_id": list("abcdefgh"), "age_years": ages})
    got = prioritize(table, settings(classes={"first": 40, "next": 120}))
    assert got["visit_class"].tolist() == ["first"] * 2 + ["next"] * 4 + ["routine"] * 2


def test_a_column_nobody_measured_is_unknown():
    got = prioritize(pd.DataFrame({"unit_id": ["A"]}), settings())
    assert got["likelihood"].iloc[0] == pytest.approx(0.5)


@given(
    age=st.lists(st.floats(0, 50) | st.just(np.nan), min_size=1, max_size=20),
    weight=st.floats(0, 1),
    seed=st.integers(0, 2**32 - 1),
)
def test_parts_add_up_to_the_score_for_any_table(age, weight, seed):
    rng = np.random.default_rng(seed)
    n = len(age)
    table = pd.DataFrame(
        {
            "unit_id": [f"u{i}" for i in range(n)],
            "age_years": age,
            "last_result": rng.choice(["good", "repair", "unknown"], n),
            "well_distance_m": rng.uniform(0, 200, n),
            "lid_well_distance_m": rng.uniform(0, 200, n),
        }
    )
    base = settings()
    parts = base.model_dump()["parts"]
    parts["age"]["weight"], parts["found"]["weight"] = weight, 1 - weight
    for part in parts.values():
        del part["of" if part["column"] else "column"]
    got = prioritize(table, settings(parts=parts))
    total = got.filter(like="part_").sum(axis=1)
    np.testing.assert_allclose(total, got["score"], atol=1e-9)
    assert got["score"].between(0, 100).all()
    assert sorted(got["rank"]) == list(range(1, n + 1))
    assert (got.sort_values("rank")["score"].diff().dropna() <= 1e-12).all()


def test_farther_wells_never_raise_the_score():
    far = pd.DataFrame({"unit_id": list("abcd"), "well_distance_m": [5.0, 40.0, 90.0, 400.0]})
    assert prioritize(far, settings())["score"].is_monotonic_decreasing


def test_the_time_runoff_takes_changes_no_score():
    shipped = load_priorities(Path(str(files("layers.settings.templates") / "priorities.toml")))
    table = pd.DataFrame({"unit_id": list("ab"), "path_length_m": [40.0, 400.0]})
    slow = table.assign(storm_runoff_minutes=[0.5, 900.0])
    pd.testing.assert_frame_equal(prioritize(table, shipped), prioritize(slow, shipped))


@pytest.mark.parametrize("part", ["age", "found", "well"])
def test_unknown_is_rated_by_its_own_rule_and_never_as_the_lowest(part):
    nothing = pd.DataFrame({"unit_id": ["A"]})
    got = prioritize(nothing, settings())
    assert got[f"deciding_{part}"].isna().all()
    parts = settings().model_dump()["parts"]
    for each in parts.values():
        del each["of" if each["column"] else "column"]
    parts[part]["unknown"] = 0.9
    assert prioritize(nothing, settings(parts=parts))["score"].iloc[0] > got["score"].iloc[0]


# ------------------------------------------------------------------- what is owed comes first


def owing(**more):
    """Six units of falling score, of which C, E and F owe a visit by some day."""
    due = [None, None, "2026-06-01", "2027-01-05", "2026-05-01", "2026-05-01"]
    columns = {
        "unit_id": list("ABCDEF"),
        "age_years": [9.0, 8.0, 7.0, 6.0, 1.0, 5.0],
        "must_visit_by": pd.to_datetime(due).astype("datetime64[ms]"),
    }
    return pd.DataFrame(columns | more)


def test_what_is_owed_comes_before_any_score_by_its_day_then_by_score():
    table = owing()
    settings_ = settings(classes={"first": 2, "next": 2, "first_share": 1, "next_share": 1})
    got = prioritize(table, settings_, owed_until=dt.date(2026, 11, 15))
    # F and E are owed by the same day: F has the higher score; D is owed after the season
    assert table["unit_id"].iloc[np.argsort(got["rank"])].tolist() == list("FECABD")
    assert got["ranked_by"].tolist() == ["score", "score", "owed", "score", "owed", "owed"]
    by_rank = got.sort_values("rank")["visit_class"].tolist()
    assert by_rank == ["first", "first", "next", "next", "routine", "routine"]
    alone = prioritize(table, settings_)
    pd.testing.assert_series_equal(alone["score"], got["score"])  # no score is touched
    assert alone["rank"].tolist() == [1, 2, 3, 4, 6, 5]
    assert set(alone["ranked_by"]) == {"score"}


def test_a_danger_that_was_found_waits_behind_nothing_that_is_longer_overdue():
    settings_ = settings(classes={"first": 1, "next": 1, "first_share": 1, "next_share": 1})
    table = owing().assign(danger_open=[False, False, True, True, False, False])
    got = prioritize(table, settings_, owed_until=dt.date(2026, 11, 15))
    # D's is not owed before the season's end: nothing is known of it by then
    assert table["unit_id"].iloc[np.argsort(got["rank"])].tolist() == list("CFEABD")
    assert got["visit_class"][2] == "first"
    assert prioritize(table, settings_)["rank"].tolist() == [1, 2, 3, 4, 6, 5]


def test_more_owed_than_two_classes_hold_is_never_routine():
    settings_ = settings(classes={"first": 1, "next": 1, "first_share": 1, "next_share": 1})
    got = prioritize(owing(), settings_, owed_until=dt.date(2026, 11, 15)).sort_values("rank")
    assert got["visit_class"].tolist() == ["first", "next", "next", "routine", "routine", "routine"]


def test_what_is_owed_alike_is_not_split_between_classes():
    alike = owing(age_years=5.0, must_visit_by=pd.Timestamp("2026-05-01"))
    settings_ = settings(classes={"first": 2, "next": 2, "first_share": 1, "next_share": 1})
    got = prioritize(alike, settings_, owed_until=dt.date(2026, 11, 15))
    assert set(got["visit_class"]) == {"next"}
    assert got["rank"].tolist() == [1, 2, 3, 4, 5, 6]  # by unit id


def test_a_unit_without_a_score_that_owes_a_visit_does_not_stand_last():
    table = owing(status=["active"] * 5 + ["sewered"])
    settings_ = settings(not_scored={"status": ["sewered"]})
    got = prioritize(table, settings_, owed_until=dt.date(2026, 11, 15))
    assert got["rank"].iloc[5] == 2  # score 0, so after E, which is owed by the same day
    assert prioritize(table, settings_)["rank"].iloc[5] == 6
