"""Return periods of both series: published chances, and one turned into the other."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad

from geo.runoff.return_periods import annual_probability, chance_in_a_year, converted


def test_chances_of_a_year():
    # partial duration: p = 1 - exp(-1/T); annual maximum: p = 1/T
    np.testing.assert_allclose(
        annual_probability([1, 2, 10, 100], series="partial_duration"),
        [0.6321206, 0.3934693, 0.0951626, 0.0099502],
        atol=1e-7,
    )
    np.testing.assert_array_equal(
        annual_probability([1, 4, 100, np.nan], series="annual_maximum"), [1, 0.25, 0.01, np.nan]
    )
    # 1 % a year over 30 years is 26 % (floodsmart.gov, flood zones explained)
    p = annual_probability(100, series="annual_maximum")
    assert round(float(1 - (1 - p) ** 30), 2) == 0.26


def test_langbeins_table():
    # Langbein (1949), as hydrology tables reprint it, from memory: partial-duration 0.5, 1, 1.45,
    # 2, 5, 10, 50, 100 years are annual-maximum 1.16, 1.58, 2, 2.54, 5.52, 10.5, 50.5, 100.5 years
    annual = converted(
        [0.5, 1, 1.45, 2, 5, 10, 50, 100], series="partial_duration", to="annual_maximum"
    )
    np.testing.assert_allclose(annual, [1.16, 1.58, 2, 2.54, 5.52, 10.5, 50.5, 100.5], atol=0.01)


@given(st.floats(1.0001, 10_000))
def test_there_and_back(years):
    partial = converted(years, series="annual_maximum", to="partial_duration")
    back = converted(partial, series="partial_duration", to="annual_maximum")
    assert back == pytest.approx(years, rel=1e-9)
    one = annual_probability(years, series="annual_maximum")
    assert annual_probability(partial, series="partial_duration") == pytest.approx(one, rel=1e-9)
    assert partial < years


def test_what_cannot_be():
    with pytest.raises(ValueError, match="'yearly' is not one of"):
        annual_probability(2, series="yearly")
    with pytest.raises(ValueError, match="above 0"):
        annual_probability([2, 0], series="partial_duration")
    with pytest.raises(ValueError, match="at least 1 year"):
        converted(0.5, series="annual_maximum", to="partial_duration")
    assert converted(1, series="annual_maximum", to="partial_duration") == 0


def straight_in_gumbel(p, chance, years, series):
    """P(event | p) as the docstring has it, by plain interpolation."""
    known = annual_probability(years, series=series)
    y = -np.log(-np.log1p(-np.asarray(known)))
    at = -np.log(-np.log1p(-p))
    if at < y[0]:
        return 0.0
    return float(np.interp(at, y, chance))


@given(
    st.lists(st.floats(0, 1), min_size=1, max_size=7),
    st.sampled_from(["partial_duration", "annual_maximum"]),
)
@settings(max_examples=60, deadline=None)
def test_chance_in_a_year_is_the_integral_over_p(chances, series):
    # against numerical integration of the same curve (scipy.integrate.quad), piece by piece
    years = np.array([2, 5, 10, 25, 50, 100, 500], float)[: len(chances)]
    edges = [0.0, *annual_probability(years, series=series)[::-1]]
    pieces = [
        quad(straight_in_gumbel, a, b, args=(chances, years, series), epsabs=1e-12)[0]
        for a, b in pairwise(edges)
    ]
    got = chance_in_a_year(chances, years, series=series)
    assert got == pytest.approx(sum(pieces), abs=1e-9)


def test_chance_in_a_year_of_a_place_that_a_storm_and_all_rarer_ones_wet():
    # wet from the 10-year storm on, dry before: at least 1 - exp(-1/10), less than 1 - exp(-1/5)
    years = [2, 5, 10, 100]
    got = chance_in_a_year([0, 0, 1, 1], years, series="partial_duration")
    assert 0.0951626 < got < 0.1812692
    # always wet: the chance of a year with the smallest storm; nothing smaller was computed
    always = chance_in_a_year(np.ones((3, 4)), years, series="partial_duration")
    np.testing.assert_allclose(always, 0.3934693, atol=1e-7)
    assert chance_in_a_year(np.zeros(4), years, series="partial_duration") == 0
    assert np.isnan(chance_in_a_year([0, np.nan, 0, 1], years, series="partial_duration"))
    one = chance_in_a_year([0.5], [100], series="annual_maximum")
    assert one == pytest.approx(0.005)


def test_chance_in_a_year_refuses_what_makes_no_sense():
    with pytest.raises(ValueError, match="ascending"):
        chance_in_a_year([0, 0], [10, 5], series="partial_duration")
    with pytest.raises(ValueError, match="2 storms"):
        chance_in_a_year([0, 0, 0], [5, 10], series="partial_duration")
    with pytest.raises(ValueError, match="no 1-year storm"):
        chance_in_a_year([0, 0], [1, 10], series="annual_maximum")
