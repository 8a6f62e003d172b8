"""Bands: they hold the rank, collapse without doubt, and their chances add up."""

import datetime as dt

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import settings as few
from hypothesis import strategies as st
from scipy import stats

from geo.order.bands import _adjusted, _drawn_weights, draw_bands
from geo.order.priorities import prioritize
from geo.order.steadiness import how_steady
from layers.settings.priority_settings import Priorities


def priorities(*, draws=200, spread=0.0, first=3, weight=0.5):
    part = {"label": "x", "unknown": 0.5, "reason": "r", "source": "invented"}
    return Priorities.model_validate(
        {
            "parts": {
                "age": part
                | {
                    "axis": "likelihood",
                    "weight": weight,
                    "column": "age_years",
                    "unit": "years",
                    "curve": [[0, 0.1], [40, 1]],
                },
                "found": part
                | {
                    "axis": "likelihood",
                    "weight": 1 - weight,
                    "column": "last_result",
                    "ratings": {"good": 0.1, "repair": 0.9},
                },
                "well": part
                | {
                    "axis": "harm",
                    "weight": 1.0,
                    "column": "well_distance_m",
                    "unit": "m",
                    "curve": [[0, 1], [200, 0.1], [100_000, 0]],
                },
            },
            "classes": {"first": first, "next": 2, "first_share": 1.0, "next_share": 1.0},
            "steadiness": {"draws": draws, "weight_spread": spread},
            "not_scored": {"status": ["sewered"]},
        }
    )


def county(n, seed=0, gaps=0.0):
    rng = np.random.default_rng(seed)
    return pd.DataFrame(
        {
            "unit_id": [f"u{k:03d}" for k in rng.permutation(n)],
            "age_years": np.where(rng.random(n) < gaps, np.nan, rng.uniform(0, 40, n)),
            "last_result": rng.choice(["good", "repair"], n),
            "well_distance_m": rng.uniform(0, 200, n),
            "status": "active",
        }
    )


def bands_of(table, settings, sd=0.0, **options):
    sds = pd.DataFrame({"well_distance_m": sd}, index=table.index)
    return draw_bands(table, prioritize(table, settings), settings, sds, seed=1, **options)


def test_no_draws_no_bands():
    assert bands_of(county(5), priorities(draws=0)) is None
    assert bands_of(county(0), priorities()) is None


@given(n=st.integers(1, 40), first=st.integers(0, 50), seed=st.integers(0, 99))
@few(max_examples=40, deadline=None)
def test_without_doubt_the_bands_are_the_ranks(n, first, seed):
    settings = priorities(draws=3, first=first)
    table = county(n, seed)
    table.loc[table.index[::4], ["age_years", "well_distance_m"]] = [20.0, 50.0]  # some alike
    got, order = bands_of(table, settings), prioritize(table, settings)
    assert (got.columns["rank_low"] == order["rank"]).all()
    assert (got.columns["rank_high"] == order["rank"]).all()
    assert (got.columns["first_class_chance"] == (order["visit_class"] == "first")).all()
    assert len(got.worth_knowing) == 0
    assert got.unsettled == 0
    assert got.widened == 0


@given(
    n=st.integers(2, 60),
    first=st.integers(0, 70),
    gaps=st.floats(0, 1),
    spread=st.sampled_from([0.0, 0.1, 0.3]),
    sd=st.floats(0.1, 80),
    seed=st.integers(0, 99),
)
@few(max_examples=60, deadline=None)
def test_bands_hold_the_rank_and_chances_add_up_to_the_class(n, first, gaps, spread, sd, seed):
    settings = priorities(draws=25, spread=spread, first=first)
    table = county(n, seed, gaps)
    got, order = bands_of(table, settings, sd), prioritize(table, settings)
    columns = got.columns
    assert (columns["rank_low"] <= order["rank"]).all()
    assert (columns["rank_high"] >= order["rank"]).all()
    assert columns["rank_low"].min() >= 1
    assert columns["rank_high"].max() <= n
    assert columns["first_class_chance"].between(0, 1).all()
    # nothing is alike in a draw, so that the class is always full
    assert columns["first_class_chance"].sum() == pytest.approx(min(first, n), abs=1e-9)
    settled = got.inputs["settles"]
    assert (settled >= 0).all()
    assert got.worth_knowing["share_settled"].between(0, 1).all()


def test_the_same_seed_gives_the_same_bands_in_any_order_of_rows():
    table, settings = county(50, gaps=0.2), priorities(spread=0.1)
    one = bands_of(table, settings, 20.0)
    turned = table.sample(frac=1, random_state=3)
    two = bands_of(turned, settings, 20.0)
    pd.testing.assert_frame_equal(one.columns, two.columns.loc[table.index])
    pd.testing.assert_frame_equal(one.worth_knowing, two.worth_knowing)
    pd.testing.assert_frame_equal(one.inputs, two.inputs)


def test_two_units_swap_as_often_as_the_normal_distribution_says():
    # to the far side of its curve a rating is linear in the distance: the two scores are equal
    # when the distances are, and the difference of two distances far off is normal
    table = county(2).assign(
        unit_id=["a", "b"], age_years=20.0, last_result="good", well_distance_m=[100.0, 104.0]
    )
    got = bands_of(table, priorities(draws=5_000, first=1), 3.0).columns
    rice = stats.norm.cdf(4 / np.hypot(3, 3))
    assert got["first_class_chance"].iloc[0] == pytest.approx(rice, abs=0.025)
    assert got[["rank_low", "rank_high"]].to_numpy().tolist() == [[1, 2], [1, 2]]


def test_the_ends_are_the_5_and_95_percent_of_drawn_ranks_outwards():
    # the rank of one unit of unknown age among 100 evenly spaced known ones is even on 1 to 101
    n = 101
    table = pd.DataFrame(
        {"unit_id": [f"u{k:03d}" for k in range(n)], "age_years": np.linspace(40, 0.4, n)}
    ).assign(last_result="good", well_distance_m=10.0)
    table.loc[50, "age_years"] = np.nan
    got = bands_of(table, priorities(draws=4_000)).columns
    assert got["rank_low"].iloc[50] == pytest.approx(6, abs=1.5)
    assert got["rank_high"].iloc[50] == pytest.approx(96, abs=1.5)
    assert (got["rank_high"] - got["rank_low"]).drop(50).max() <= 1


def test_weights_are_drawn_with_the_spread_that_is_stated():
    got = _drawn_weights(priorities(spread=0.5, weight=0.3), 50_000, 5)
    assert got["age"].mean() == pytest.approx(0.3, abs=0.005)
    assert got["age"].std() == pytest.approx(0.5 * np.sqrt(0.3 * 0.7), rel=0.02)
    np.testing.assert_allclose(got["age"] + got["found"], 1.0)
    assert (got["well"] == 1.0).all()  # alone on its axis
    alpha = 0.3 * (1 / 0.5**2 - 1), 0.7 * (1 / 0.5**2 - 1)  # a Dirichlet of two is a beta
    assert stats.kstest(got["age"][:5_000], stats.beta(*alpha).cdf).pvalue > 0.001


def test_what_is_owed_or_carries_no_score_keeps_its_place():
    table, settings = county(20), priorities(spread=0.2, first=4)
    table.loc[[2, 3], "status"] = "sewered"
    table["must_visit_by"] = pd.NaT
    table.loc[[6, 5, 7], "must_visit_by"] = pd.to_datetime(
        ["2026-04-02", "2026-04-03", "2026-05-01"]
    )
    order = prioritize(table, settings, owed_until=dt.date(2026, 6, 1))
    sds = pd.DataFrame({"well_distance_m": 60.0}, index=table.index)
    got = draw_bands(table, order, settings, sds, seed=1).columns
    assert got.loc[[6, 5, 7], "rank_low"].tolist() == [1, 2, 3]
    still = [5, 6, 7, 2, 3]
    assert got.loc[still, "rank_low"].tolist() == order.loc[still, "rank"].tolist()
    assert got.loc[still, "rank_high"].tolist() == order.loc[still, "rank"].tolist()
    assert got.loc[still, "first_class_chance"].tolist() == [1, 1, 1, 0, 0]
    assert got["rank_low"].drop([5, 6, 7]).min() == 4
    assert got["rank_high"].drop([2, 3]).max() == 18
    assert got["first_class_chance"].sum() == pytest.approx(4)  # one seat is left to the score


def test_a_band_is_widened_to_a_rank_that_the_rule_for_the_unknown_puts_outside_it():
    table = county(60)
    table["age_years"] = np.linspace(1, 8, 60)  # what is on record is young throughout
    table.loc[7, "age_years"] = np.nan
    table["last_result"], table["well_distance_m"] = "good", 50.0
    got, order = bands_of(table, priorities()), prioritize(table, priorities())
    assert order.loc[7, "rank"] == 1  # its fixed rating is above all that are known
    assert got.columns.loc[7, "rank_low"] == 1
    assert got.columns.loc[7, "rank_high"] > 50
    assert got.widened >= 1


def test_what_would_settle_most_is_what_the_doubt_comes_from():
    table = county(200, seed=4)
    table.loc[::2, "age_years"] = np.nan
    settings = priorities(draws=500, first=50)
    sds = pd.DataFrame({"well_distance_m": np.where(np.arange(200) % 2, 30.0, 0.0)})
    got = draw_bands(table, prioritize(table, settings), settings, sds, seed=2)
    # each unit has one thing in doubt; others matter only by where they put the class line
    kinds = got.worth_knowing.set_index("unit_id")["kind"]
    unknown = set(table["unit_id"][::2])
    assert {k for u, k in kinds.items() if u in unknown} == {"not_on_record"}
    assert {k for u, k in kinds.items() if u not in unknown} == {"distance"}
    near_line = got.worth_knowing[got.worth_knowing["first_class_chance"].between(0.3, 0.7)]
    assert (near_line["share_settled"] > 0.4).all()
    assert got.inputs["settles"].sum() <= got.unsettled
    assert got.inputs["settles"].sum() > 0.5 * got.unsettled


def test_an_input_that_changes_nothing_settles_nothing():
    # by the rule that 1 - (1 - R2)(m - 1)/(m - 2) is R2 less what chance gives
    table = county(100, gaps=0.0)
    settings = priorities(draws=500, weight=0.999, first=30)
    table.loc[::3, "last_result"] = None  # a thousandth of the likelihood
    got = bands_of(table, settings, 25.0)
    by_kind = got.inputs.set_index("kind")["settles"]
    assert by_kind["not_on_record"] < 0.02 * by_kind["distance"]


def test_weights_are_among_what_would_settle():
    table, settings = county(100), priorities(draws=400, spread=0.3, first=30)
    got = bands_of(table, settings).inputs
    assert got["input"].tolist() == ["weights"]
    assert got["settles"].iloc[0] > 0.3 * bands_of(table, settings).unsettled


def test_scores_that_differ_by_a_hair_keep_their_order():
    table = pd.DataFrame(
        {"unit_id": ["a", "b"], "age_years": [20.0, 20.000001], "last_result": "good"}
    )
    table["well_distance_m"] = 50.0
    got = bands_of(table, priorities(draws=2)).columns
    assert got["rank_low"].tolist() == [2, 1]


def test_ratings_of_owed_units_stand_in_for_unknown_ones_too():
    table = county(60).assign(must_visit_by=pd.NaT, last_result="good")
    table["well_distance_m"] = 50.0 + 0.001 * np.arange(60)  # no two alike
    table["age_years"] = 40.0  # on record only of those that are owed
    table.loc[40:49, "age_years"] = np.nan
    table.loc[50:, "age_years"] = 39.0  # the first 40 are owed
    table.loc[:39, "must_visit_by"] = pd.Timestamp("2026-05-01")
    settings = priorities(first=45)
    order = prioritize(table, settings, owed_until=dt.date(2026, 6, 1))
    sds = pd.DataFrame(index=table.index)
    got = draw_bands(table, order, settings, sds, seed=1).columns
    # five seats are left, and four of five known ratings are those of the owed, above 39 years
    assert got.loc[40:49, "first_class_chance"].mean() > 0.45
    assert got.loc[50:, "first_class_chance"].mean() < 0.05


def test_a_squared_correlation_is_adjusted_for_its_draws():
    # the textbook's adjusted R2: 1 - (1 - 0.5) x 20 / 16 with 21 draws and 4 regressors
    assert _adjusted(np.array([0.5, 0.1]), 21, 4).tolist() == pytest.approx([0.375, 0.0])
    assert _adjusted(np.array([0.5]), 5, 4).tolist() == [0.0]


@pytest.mark.parametrize("n", [1, 12])
def test_where_every_visit_is_owed_nothing_is_left_to_draw(n):
    table = county(n).assign(must_visit_by=pd.Timestamp("2026-05-01"))
    settings = priorities(spread=0.2)
    order = prioritize(table, settings, owed_until=dt.date(2026, 6, 1))
    got = how_steady(table, order, settings, pd.DataFrame(index=table.index), seed=1)
    assert (got.columns["rank_low"] == order["rank"]).all()
    assert (got.columns["rank_high"] == order["rank"]).all()
    assert got.section["first_class"]["stays"] is None
    assert got.section["missing_records"]["units"] == 0
    assert got.section["missing_records"]["sentences"] == []


def test_the_number_of_draws_has_a_limit_that_memory_bears():
    with pytest.raises(ValueError, match=r"steadiness\.draws\n.*less than or equal to 10000"):
        priorities(draws=10_001)
