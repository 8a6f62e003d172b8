"""Draws of distances against scipy, of storms against their chances, of the unknown."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from geo.order.drawing import LEAST_KNOWN, draw_distances, part_draws
from geo.uncertainty import short_probability
from layers.outputs import UNITS
from layers.outputs.field import Distance
from layers.settings.priority_settings import Priorities

DRAWS = 200_000


def priorities(**parts):
    fixed = {"label": "x", "unknown": 0.5, "reason": "r", "source": "invented", "weight": 1.0}
    other = fixed | {"axis": "harm", "column": "trouble_group", "ratings": {"yes": 1.0}}
    return Priorities.model_validate(
        {"parts": {name: fixed | part for name, part in parts.items()} | {"other": other}}
    )


def drawn(table, part, sds=None, draws=4_000, seed=0):
    """Ratings of one part in each draw, shape (draws, rows)."""
    table = pd.DataFrame(table)
    sds = pd.DataFrame(sds or {}, index=table.index)
    got = part_draws(table, priorities(part=part | {"axis": "likelihood"}), sds)["part"]
    streams = {s.name: np.random.default_rng([seed, k]) for k, s in enumerate(got.sources)}
    return got.ratings(streams, draws)[0]


@pytest.mark.parametrize(("d", "sd"), [(0.0, 5.0), (3.0, 5.0), (50.0, 5.0), (20.0, 31.0)])
def test_point_distances_have_the_moments_of_the_rice_distribution(d, sd):
    got = draw_distances(np.random.default_rng(1), DRAWS, np.array([d]), np.array([sd]), "point")
    rice = stats.rice(d / sd, scale=sd)
    error = rice.std() / np.sqrt(DRAWS)
    assert got.mean() == pytest.approx(rice.mean(), abs=5 * error)
    assert got.std() == pytest.approx(rice.std(), rel=0.01)
    assert stats.skew(got[:, 0]) == pytest.approx(float(rice.stats("s")), abs=0.03)


@pytest.mark.parametrize("kind", ["point", "line", "area"])
def test_the_share_drawn_short_is_the_chance_of_short(kind):
    d, sd, asked = 42.0, 9.0, 50.0
    got = draw_distances(np.random.default_rng(2), DRAWS, np.array([d]), np.array([sd]), kind)
    chance = short_probability(d, asked, sd, feature=kind)
    assert (got < asked).mean() == pytest.approx(float(chance), abs=0.005)


def test_distances_to_a_line_fold_and_those_to_an_area_stop_at_its_edge():
    d, sd = np.array([2.0, -6.0]), np.array([4.0, 4.0])
    line = draw_distances(np.random.default_rng(3), DRAWS, d, sd, "line")
    folded = stats.foldnorm(2.0 / 4.0, scale=4.0)
    assert line[:, 0].mean() == pytest.approx(folded.mean(), abs=0.03)
    area = draw_distances(np.random.default_rng(4), DRAWS, d, sd, "area")
    assert (area[:, 0] == 0).mean() == pytest.approx(stats.norm.cdf(-0.5), abs=0.005)
    assert (area[:, 1] == 0).mean() == pytest.approx(stats.norm.cdf(1.5), abs=0.005)


CURVE = {"column": "well_distance_m", "unit": "m", "curve": [[0, 1], [100, 0]]}


def test_a_distance_known_exactly_is_not_drawn():
    table = {"well_distance_m": [30.0, 30.0, 30.0]}
    got = drawn(table, CURVE, {"well_distance_m": [0.0, np.nan, 10.0]})
    assert (got[:, :2] == 0.7).all()
    assert got[:, 2].std() > 0.05


def test_a_depth_told_inside_an_area_counts_only_where_the_draw_lies_inside():
    part = {
        "of": [
            {"column": "flood_distance_m", "unit": "m", "curve": [[0, 0.5], [1, 0.2]]},
            {"column": "flood_depth_m", "unit": "m", "curve": [[0, 0.7], [1, 1.0]]},
        ]
    }
    table = {"flood_distance_m": [0.0], "flood_inside_m": [3.0], "flood_depth_m": [1.0]}
    got = drawn(table, part, {"flood_distance_m": [3.0]}, draws=20_000)
    assert (got == 1.0).mean() == pytest.approx(stats.norm.cdf(1.0), abs=0.01)
    assert got[got < 1].max() < 0.5  # never the depth's rating outside


STORMS = {
    "of": [
        {"column": "lid_wet_state", "ratings": {"dry_in_all": 0.0, "at_or_below_smallest": 1.0}},
        {
            "column": "lid_wet_return_yr",
            "unit": "years",
            "curve": [[2, 1.0], [10, 0.5], [100, 0.1]],
        },
    ]
}


def wet(**chances):
    return {"lid_wet_state": ["wet"], "lid_wet_return_yr": [10.0]} | {
        f"lid_wet_{t[1:]}yr_probability": [p] for t, p in chances.items()
    }


def test_the_wetting_storm_is_drawn_from_its_chances_with_one_number_for_all_storms():
    got = drawn(wet(T2=0.1, T10=0.4, T100=0.9), STORMS, draws=40_000)
    shares = [(np.isclose(got, rating)).mean() for rating in (1.0, 0.5, 0.1, 0.0)]
    assert shares == pytest.approx([0.1, 0.3, 0.5, 0.1], abs=0.01)


def test_a_chance_that_falls_in_a_larger_storm_is_held_up():
    got = drawn(wet(T2=0.6, T10=0.2, T100=0.6), STORMS, draws=40_000)
    assert (got == 1.0).mean() == pytest.approx(0.6, abs=0.01)
    assert (got == 0.0).mean() == pytest.approx(0.4, abs=0.01)


def test_the_chance_in_a_year_stands_for_the_storm_drawn():
    """1 - exp(-1 / T) for storms of a partial-duration series."""
    curve = [[0.0, 0.0], [1 - np.exp(-1 / 10), 0.5], [1 - np.exp(-1 / 2), 1.0]]
    yearly = {"column": "lid_wet_annual_probability", "unit": "a year", "curve": curve}
    others = [item | {"unless": yearly["column"]} for item in STORMS["of"]]
    table = wet(T2=0.1, T10=0.4, T100=0.4) | {"lid_wet_annual_probability": [0.07]}
    got = drawn(table, {"of": [yearly, *others]}, draws=40_000)
    shares = [(np.isclose(got, rating)).mean() for rating in (1.0, 0.5, 0.0)]
    assert shares == pytest.approx([0.1, 0.3, 0.6], abs=0.01)


def test_dry_in_small_storms_is_rated_no_lower_than_unknown():
    got = drawn(wet(T2=0.1, T10=0.4), STORMS | {"unknown": 0.4}, draws=40_000)
    shares = [(np.isclose(got, rating)).mean() for rating in (1.0, 0.5, 0.4)]
    assert shares == pytest.approx([0.1, 0.3, 0.6], abs=0.01)


def test_without_chances_the_state_on_record_is_certain():
    table = {"lid_wet_state": ["wet", "dry_in_all"], "lid_wet_return_yr": [10.0, np.nan]}
    got = drawn(table, STORMS)
    assert np.unique(got[..., 0]).tolist() == [0.5]
    assert np.unique(got[..., 1]).tolist() == [0.0]
    missing = wet(T2=np.nan, T10=0.4)
    assert np.unique(drawn(missing, STORMS)).tolist() == [0.5]


def test_what_is_not_on_record_is_drawn_from_what_is():
    part = {"column": "age_years", "unit": "years", "curve": [[0, 0], [10, 1]]}
    known = [2.0] * 30 + [8.0] * 10
    got = drawn({"age_years": [*known, np.nan]}, part)[:, -1]
    assert set(got) == {0.2, 0.8}
    assert (got == 0.8).mean() == pytest.approx(0.25, abs=0.03)


def test_with_too_few_on_record_the_unknown_may_be_anything():
    part = {"column": "age_years", "unit": "years", "curve": [[0, 0], [10, 1]]}
    got = drawn({"age_years": [2.0] * (LEAST_KNOWN - 1) + [np.nan]}, part)[:, -1]
    assert stats.kstest(got, "uniform").pvalue > 0.001


def test_a_part_may_have_its_unknown_drawn_evenly_or_never():
    part = {"column": "age_years", "unit": "years", "curve": [[0, 0], [10, 1]]}
    table = {"age_years": [2.0] * 40 + [np.nan]}
    assert np.unique(drawn(table, part)[:, -1]).tolist() == [0.2]
    evenly = drawn(table, part | {"draw_unknown": "evenly"})[:, -1]
    assert stats.kstest(evenly, "uniform").pvalue > 0.001
    assert drawn(table, part | {"draw_unknown": "never"})[..., -1] == 0.5


def test_a_learned_chance_is_drawn_within_its_band_and_alike_for_units_of_a_group():
    # 30 troubles in 100 visits: a beta(31, 71) posterior and its 95 % band
    posterior = stats.beta(31, 71)
    low, high = posterior.interval(0.95)
    table = {
        "trouble_chance": [posterior.mean(), posterior.mean(), 0.5, 0.2],
        "trouble_chance_low": [low, low, 0.4, 0.2],
        "trouble_chance_high": [high, high, 0.6, 0.2],
    }
    part = {"column": "trouble_chance", "unit": "chance", "curve": [[0, 0], [1, 1]]}
    got = drawn(table, part, draws=50_000)
    assert got[:, 0].mean() == pytest.approx(posterior.mean(), abs=0.002)
    assert got[:, 0].std() == pytest.approx(posterior.std(), rel=0.02)
    assert np.quantile(got[:, 0], [0.025, 0.975]) == pytest.approx([low, high], abs=0.005)
    assert (got[:, 0] == got[:, 1]).all()
    assert abs(np.corrcoef(got[:, 0], got[:, 2])[0, 1]) < 0.02
    assert (got[:, 3] == 0.2).all()  # no band: certain


MAY_BE_NONE = [f for f in UNITS if isinstance(f.draw, Distance) and f.none_where]


def test_some_distances_can_be_known_to_lead_to_nothing():
    assert {"downstream_m"} <= {field.name for field in MAY_BE_NONE}


@pytest.mark.parametrize("field", MAY_BE_NONE, ids=lambda field: field.name)
def test_where_it_is_known_that_there_is_none_nothing_is_drawn(field):
    column, codes = next(iter(field.none_where.items()))
    table = {field.name: [np.nan, 30.0], column: [sorted(codes)[0], None]}
    part = CURVE | {"column": field.name, "reason": "r"}
    got = drawn(table, part, {field.name: [10.0, 10.0]})
    assert (got[:, 0] == 0).all()
    assert got[:, 1].std() > 0.05
