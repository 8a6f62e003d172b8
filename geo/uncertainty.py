"""What inexact positions do to a distance: standard deviations and chances."""

from __future__ import annotations

from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import chndtr, ndtr

FeatureKind = Literal["point", "line", "area"]

# Per-axis standard deviation from 95 % accuracy: circular for points (FGDC-STD-007.3-1998,
# appendix 3-A), across the line for lines.
POINT_95: Final = 2.4477
LINE_95: Final = 1.9600
# A 1:24,000 map line lies within 40 ft at 90 % (National Map Accuracy Standards, 1947):
# 40 ft / 2.1460 = 18.6 ft per axis. Taken where a layer states no accuracy of its own.
MAP_LINE_SD_M: Final = 40 * 0.3048 / 2.1460

# Said with every result, so that a reader knows which form a chance has and why.
CHANCE_FORMS: Final = {
    "point": "Rice distribution: both positions have circular errors, and the true distance"
    " between two points cannot be negative",
    "line": "normal distribution across the line, on both sides of it",
    "area": "normal distribution of the signed distance, negative inside; the more protective"
    " form near the setback",
}


def short_probability(
    distance_m: ArrayLike,
    required_m: ArrayLike,
    sd_m: ArrayLike,
    *,
    feature: FeatureKind,
) -> NDArray[np.float64]:
    """The chance that a true distance is short of what a rule requires.

    Parameters
    ----------
    distance_m
        Measured distance; for ``feature="area"`` negative inside. Broadcast with the others.
    required_m
        Distance the rule asks for, not negative.
    sd_m
        Standard deviation of the difference in position, per axis for points, across the line
        for lines and areas; 0 means exact.
    feature
        ``"point"``: the Rice distribution (non-central chi-square with 2 degrees of freedom);
        ``"line"``: normal, both sides of the line; ``"area"``: normal, signed.

    Returns
    -------
    Chance of short, 0 to 1, NaN where an input is NaN.

    Raises
    ------
    ValueError
        For a negative ``required_m`` or ``sd_m``, a negative point or line distance, or an
        unknown ``feature``.

    Notes
    -----
    Rice form: position posterior with a flat prior, two independent circular errors
    (1 - Q1(d/sd, S/sd), Marcum's Q). The normal form is the more protective near the setback.

    >>> float(short_probability(55, 50, 5, feature="point").round(5))
    0.14738
    """
    d, s, sd = np.broadcast_arrays(*(np.asarray(a, float) for a in (distance_m, required_m, sd_m)))
    if feature not in ("point", "line", "area"):
        raise ValueError(f"feature {feature!r} is not one of point, line, area")
    if np.any(s < 0) or np.any(sd < 0):
        raise ValueError("required_m and sd_m must not be negative")
    if feature != "area" and np.any(d < 0):
        raise ValueError(f"a distance to a {feature} is never negative")
    exact = np.where(np.isnan(d) | np.isnan(s) | np.isnan(sd), np.nan, (d < s).astype(float))
    spread = np.where(sd > 0, sd, 1.0)
    gap = (s - d) / spread
    if feature == "area":
        chance = ndtr(gap)
    elif feature == "line":
        chance = ndtr(gap) - ndtr((-s - d) / spread)
    else:
        near = np.abs(gap) < 10  # farther out the chance is 0 or 1 to all digits kept
        x = np.where(near, s / spread, 0.0) ** 2
        center = np.where(near, d / spread, 0.0) ** 2
        chance = np.where(near, chndtr(x, 2.0, center), (gap > 0).astype(float))
    return np.where(np.isnan(exact) | (sd == 0), exact, np.clip(chance, 0.0, 1.0))
