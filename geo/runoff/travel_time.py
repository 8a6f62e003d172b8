"""How long runoff takes over the ground in a storm: TR-55, chapter 3.

Runoff in a storm, not the trickle of an outlet in dry weather: that one soaks away or takes far
longer. Lengths in feet, rain in inches and times in hours, as the formulas were published.

Source: USDA, "Urban Hydrology for Small Watersheds", TR-55, 2nd ed., 1986, chapter 3 and
worksheet 3; sheet flow is held to 100 ft as in later practice of the NRCS.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from layers.measures import FT_M, IN_M

SHEET_FLOW_FT: Final = 100.0
DENSE_GRASS_N: Final = 0.24  # table 3-1
# Ground flatter than this on average is taken to fall by this much: the formulas know no time for
# level ground. Common practice, no source.
LEAST_SLOPE: Final = 0.001


def sheet_flow_h(
    n: ArrayLike, length_ft: ArrayLike, rain_in: ArrayLike, slope: ArrayLike
) -> NDArray:
    """Hours that sheet flow takes (equation 3-3).

    Parameters
    ----------
    n
        Manning's n of sheet flow (table 3-1), not that of channels.
    rain_in
        24-hour rain of the 2-year storm.

    >>> round(float(sheet_flow_h(0.24, 100, 3.6, 0.01)), 2)
    0.3
    """
    roughness = np.asarray(n, float) * np.asarray(length_ft, float)
    rain, fall = np.asarray(rain_in, float), np.asarray(slope, float)
    return 0.007 * roughness**0.8 / (rain**0.5 * fall**0.4)


def shallow_velocity_ft_s(slope: ArrayLike, *, paved: bool = False) -> NDArray[np.float64]:
    """Feet a second of shallow concentrated flow (figure 3-1, appendix F).

    >>> round(float(shallow_velocity_ft_s(0.01)), 2)
    1.61
    """
    return (20.3282 if paved else 16.1345) * np.sqrt(np.asarray(slope, float))


def channel_velocity_ft_s(radius_ft: ArrayLike, slope: ArrayLike, n: ArrayLike) -> NDArray:
    """Feet a second in an open channel by Manning's equation (3-4).

    Parameters
    ----------
    radius_ft
        Hydraulic radius: area of the flow by the length of its wetted edge.
    """
    radius, fall = np.asarray(radius_ft, float), np.asarray(slope, float)
    return 1.49 * radius ** (2 / 3) * np.sqrt(fall) / np.asarray(n, float)


def travel_h(length_ft: ArrayLike, velocity_ft_s: ArrayLike) -> NDArray[np.float64]:
    """Hours over a length at a velocity (equation 3-1)."""
    return np.asarray(length_ft, float) / (3_600 * np.asarray(velocity_ft_s, float))


def runoff_minutes(
    length_m: ArrayLike, drop_m: ArrayLike, sheet_drop_m: ArrayLike, *, rain_2yr_m: float
) -> NDArray[np.float64]:
    """Minutes that runoff takes over unpaved ground from the start of a path to its end.

    Parameters
    ----------
    length_m
        Length of each path.
    drop_m
        How far it falls from start to end.
    sheet_drop_m
        How far it falls over the first 100 ft, or over all of a shorter path.
    rain_2yr_m
        24-hour rain of the 2-year storm.

    Returns
    -------
    Sheet flow over dense grass for the first 100 ft, then shallow concentrated flow at the mean
    slope of the rest. Of all profiles with the same ends an even slope is the fastest, so the
    time is rather too short than too long. NaN where an input is.
    """
    length, drop, first = (np.asarray(v, float) for v in (length_m, drop_m, sheet_drop_m))
    sheet = np.minimum(length, SHEET_FLOW_FT * FT_M)
    rest = length - sheet
    hours = sheet_flow_h(DENSE_GRASS_N, sheet / FT_M, rain_2yr_m / IN_M, _slope(first, sheet))
    velocity = shallow_velocity_ft_s(_slope(drop - first, rest))
    return 60 * (hours + travel_h(rest / FT_M, velocity))


def _slope(drop_m: NDArray[np.float64], length_m: NDArray[np.float64]) -> NDArray[np.float64]:
    """Fall per length, not less than `LEAST_SLOPE`; that for a length of 0."""
    run = np.where(length_m > 0, length_m, 1.0)
    return np.maximum(np.where(length_m > 0, drop_m / run, 0.0), LEAST_SLOPE)
