"""Chances of short distances against published forms, worked values and draws."""

import numpy as np
import pytest
from scipy import stats

from geo.uncertainty import MAP_LINE_SD_M, short_probability


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


def test_map_line_sd_is_the_published_one():
    # 1:24,000 National Map Accuracy Standards: 40 ft at 90 %, sd 18.6 ft
    assert pytest.approx(18.6, abs=0.05) == MAP_LINE_SD_M / 0.3048
