"""What missing records did, on planted cases; how often the first class stays."""

import datetime as dt
import json

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from geo.order.priorities import prioritize
from geo.order.steadiness import first_class_steadiness, how_steady, what_missing_records_did
from layers.settings.priority_settings import Priorities


def priorities(unknown=0.5, **changes):
    part = {"label": "Age", "unknown": unknown, "reason": "r", "source": "invented"}
    age = part | {
        "axis": "likelihood",
        "weight": 1.0,
        "column": "age_years",
        "unit": "years",
        "curve": [[0, 0], [40, 1]],
    }
    well = part | {
        "label": "Wells",
        "axis": "harm",
        "weight": 1.0,
        "column": "well_distance_m",
        "unit": "m",
        "curve": [[0, 1], [200, 0]],
        "unknown": 0.5,
    }
    base = {
        "parts": {"age": age, "well": well},
        "classes": {"first": 10, "next": 20, "first_share": 1.0, "next_share": 1.0},
        "steadiness": {"draws": 100, "weight_spread": 0.0},
    }
    return Priorities.model_validate(base | changes)


def county(n=100, gaps=0.0, seed=0):
    rng = np.random.default_rng(seed)
    age = rng.uniform(0, 40, n)
    age[rng.random(n) < gaps] = np.nan
    return pd.DataFrame(
        {
            "unit_id": [f"u{k:03d}" for k in range(n)],
            "age_years": age,
            "well_distance_m": rng.uniform(0, 190, n),
        }
    )


def shown(table, settings, **options):
    return what_missing_records_did(table, prioritize(table, settings, **options), settings)


def test_a_harsh_rule_for_the_unknown_is_found_and_said():
    table = county(gaps=0.3)
    got = shown(table, priorities(unknown=1.0))
    assert got["with_gaps"]["units"] == int(table["age_years"].isna().sum())
    assert got["with_gaps"]["places_earlier"] > 10
    assert got["rho"] > 2 * got["rho_by_chance"]
    assert got["first_by_gaps"] > 0
    assert got["parts"]["age"]["unknown"] == 1.0
    assert got["parts"]["age"]["typical"] == pytest.approx(
        np.nanmedian(table["age_years"]) / 40, abs=1e-4
    )
    assert "well" not in got["parts"]
    text = " ".join(got["sentences"])
    assert f"{got['with_gaps']['places_earlier']:.0f} places earlier than if each unknown" in text
    assert "tend to rank earlier" in text


def test_a_lenient_rule_puts_them_later():
    got = shown(county(gaps=0.3), priorities(unknown=0.0))
    assert got["with_gaps"]["places_earlier"] < -10
    assert got["rho"] < -2 * got["rho_by_chance"]
    text = " ".join(got["sentences"])
    assert "places later than if each unknown" in text
    assert "tend to rank later" in text
    assert got["first_by_gaps"] == 0


def test_the_typical_rule_moves_nobody():
    table = county(gaps=0.3)
    typical = float(np.nanmedian(table["age_years"])) / 40
    got = shown(table, priorities(unknown=typical))
    assert got["with_gaps"]["places_earlier"] == 0
    assert got["first_by_gaps"] == 0
    assert "no earlier and no later" in got["sentences"][0]


def test_places_earlier_counted_by_hand():
    # four units, ratings of age 0.25, 0.5, 0.75 known, the last unknown and rated 1: it stands
    # first; at the median, 0.5, it would stand third, after the equal one by its id
    table = pd.DataFrame(
        {"unit_id": list("abcd"), "age_years": [10.0, 20.0, 30.0, None], "well_distance_m": 0.0}
    )
    got = shown(table, priorities(unknown=1.0))
    assert got["with_gaps"] == {"units": 1, "places_earlier": 2.0}
    assert got["rho"] is None  # four units say nothing of a lean


def test_units_with_nothing_on_record_are_told_apart():
    table = county()
    table.loc[:4, ["age_years", "well_distance_m"]] = np.nan
    table.loc[5:9, "age_years"] = np.nan
    got = shown(table, priorities(unknown=0.9))
    assert got["with_gaps"]["units"] == 10
    assert got["with_nothing"]["units"] == 5
    places = got["with_nothing"]["places_earlier"]
    assert places > 5
    assert got["sentences"][1] == (
        f"Units with nothing on record (5) rank {places:.0f} places earlier on average."
    )


def test_nothing_missing_nothing_to_tell():
    got = shown(county(), priorities())
    assert got["rho"] is None
    assert got["sentences"] == [
        "Every part of the score is known for every unit. No rank depends on missing records."
    ]


def test_a_part_nobody_knows_leaves_its_unknown_as_it_is():
    got = shown(county().drop(columns="age_years"), priorities())
    assert got["parts"]["age"]["typical"] is None
    assert got["with_gaps"] == {"units": 100, "places_earlier": 0.0}


def test_the_correlation_is_scipys_and_its_band_that_of_permutations():
    table = county(gaps=0.4, seed=3)
    table.loc[::7, "well_distance_m"] = np.nan
    settings = priorities(unknown=0.7)
    got = shown(table, settings)
    rank, known = prioritize(table, settings)["rank"], table.notna().sum(axis=1)
    assert got["rho"] == pytest.approx(stats.spearmanr(rank, known).statistic, abs=1e-4)
    rng = np.random.default_rng(1)
    by_chance = [stats.spearmanr(rng.permutation(rank), known).statistic for _ in range(2_000)]
    assert got["rho_by_chance"] == pytest.approx(np.quantile(np.abs(by_chance), 0.9), abs=0.012)


def test_what_is_owed_or_not_scored_is_left_out():
    table = county(gaps=0.3).assign(status="active")
    table.loc[:9, "status"] = "sewered"
    settings = priorities(not_scored={"status": ["sewered"]})
    assert shown(table, settings)["units"] == 90


def test_how_often_the_first_class_stays():
    units = pd.DataFrame(
        {
            "visit_class": ["first", "first", "first", "next", "routine", "routine"],
            "ranked_by": ["owed", "score", "score", "score", "score", "nothing"],
            "rank_low": [1, 2, 2, 2, 5, 6],
            "rank_high": [1, 2, 4, 4, 5, 6],
            "first_class_chance": [1.0, 1.0, 0.4, 0.6, 0.0, 0.0],
        }
    )
    got = first_class_steadiness(units)
    assert got.pop("sentences")[0].startswith(
        "Of the 2 units in the visit-first class by score, about 1"
    )
    assert got == {
        "first_by_score": 2,
        "first_owed": 1,
        "stays": 0.7,
        "surely_first": 1,
        "in_doubt": 2,
        "just_outside": 1,
        "band_places": 2.0,
    }
    assert first_class_steadiness(units[units["ranked_by"] == "owed"])["stays"] is None


def test_the_section_of_a_run_is_plain_data():
    table, settings = county(gaps=0.3), priorities()
    order = prioritize(table, settings)
    got = how_steady(table, order, settings, pd.DataFrame(index=table.index), seed=3)
    section = got.section
    assert json.loads(json.dumps(section)) == section
    assert section["inputs"][0] | {"settles": 0} == {
        "input": "age", "kind": "not_on_record", "part": "age",
        "units": int(table["age_years"].isna().sum()), "settles": 0,
    }  # fmt: skip
    chance = got.columns["first_class_chance"][order["visit_class"] == "first"].mean()
    assert section["first_class"]["stays"] == pytest.approx(chance, abs=1e-4)
    assert "not exactly known: what is not on record. Not varied" in section["note"]


def test_without_draws_missing_records_are_told_all_the_same():
    table, settings = county(gaps=0.3), priorities(steadiness={"draws": 0})
    got = how_steady(
        table, prioritize(table, settings), settings, pd.DataFrame(index=table.index), seed=3
    )
    assert list(got.section) == ["missing_records"]
    assert got.columns.shape == (100, 0)
    assert len(got.worth_knowing) == 0


def test_the_typical_rating_is_that_of_all_units_with_a_score_the_owed_too():
    table = county(gaps=0.3).assign(must_visit_by=pd.NaT)
    table.loc[:49, "must_visit_by"] = pd.Timestamp("2026-05-01")
    table.loc[:49, "age_years"] = 40.0
    table.loc[50, "age_years"] = np.nan
    got = shown(table, priorities(), owed_until=dt.date(2026, 6, 1))
    assert got["units"] == 50
    assert got["parts"]["age"]["typical"] == 1.0
