"""Return periods of both series: published chances, and one turned into the other."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from geo.return_periods import annual_probability, converted


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
