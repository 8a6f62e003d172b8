"""Travel times against the published example of TR-55 and by hand."""

import numpy as np
import pytest

from geo.runoff.travel_time import (
    LEAST_SLOPE,
    channel_velocity_ft_s,
    runoff_minutes,
    shallow_velocity_ft_s,
    sheet_flow_h,
    travel_h,
)

FT, IN = 0.3048, 0.0254


def test_example_3_1():
    """TR-55 (1986), example 3-1: Tc = 1.53 h; its numbers from memory, the total is published."""
    sheet = sheet_flow_h(0.24, 100, 3.6, 0.01)
    shallow = travel_h(1_400, shallow_velocity_ft_s(0.01))
    velocity = channel_velocity_ft_s(27 / 28.2, 0.005, 0.05)
    channel = travel_h(7_300, velocity)
    assert sheet == pytest.approx(0.29588, abs=5e-6)
    assert shallow == pytest.approx(0.24103, abs=5e-6)
    assert velocity == pytest.approx(2.04697, abs=5e-6)
    assert channel == pytest.approx(0.99063, abs=5e-6)
    assert round(float(sheet + shallow + channel), 2) == 1.53


def test_shallow_velocities_read_off_the_published_figure():
    """NEH 630, table 15-3: 16.135 and 20.328 times the root of the slope."""
    slope = np.array([0.005, 0.01, 0.04, 0.5])
    np.testing.assert_allclose(shallow_velocity_ft_s(slope), 16.135 * slope**0.5, rtol=1e-4)
    paved = shallow_velocity_ft_s(slope, paved=True)
    np.testing.assert_allclose(paved, 20.328 * slope**0.5, rtol=1e-4)


def test_sheet_flow_of_a_smooth_and_a_dense_surface():
    # table 3-1: smooth 0.011, dense woods 0.80; times go with n to the power 0.8
    smooth, dense = sheet_flow_h([0.011, 0.80], 100, 3.6, 0.01)
    assert dense / smooth == pytest.approx((0.80 / 0.011) ** 0.8)


def test_a_path_is_the_upper_two_reaches_of_example_3_1():
    length, slope = 1_500 * FT, 0.01
    got = runoff_minutes(length, slope * length, slope * 100 * FT, rain_2yr_m=3.6 * IN)
    assert got == pytest.approx(60 * (0.29588 + 0.24103), abs=1e-3)


def test_short_level_and_unknown_paths():
    length = np.array([0.0, 20.0, 1_000.0, np.nan])
    got = runoff_minutes(length, np.zeros(4), np.zeros(4), rain_2yr_m=0.07)
    assert got[0] == 0
    # all of a short path is sheet flow, and level ground falls by the least slope
    assert got[1] == pytest.approx(
        60 * sheet_flow_h(0.24, 20 / FT, 0.07 / IN, LEAST_SLOPE), rel=1e-12
    )
    assert np.isfinite(got[2])
    assert np.isnan(got[3])


def test_uneven_ground_is_never_faster_than_even():
    # 130.48 m falling 1 m in all: the same fall spread unevenly over the rest takes longer
    even = runoff_minutes(130.48, 1.3048, 0.3048, rain_2yr_m=0.07)
    halves = travel_h(50 / FT, shallow_velocity_ft_s([0.018, 0.002])).sum()
    sheet = sheet_flow_h(0.24, 100, 0.07 / IN, 0.01)
    assert even <= 60 * (sheet + halves)
