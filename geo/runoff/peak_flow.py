"""The greatest flow of a storm from a small catchment, and how deep it runs in a swale: estimates.

Source of the peak: USDA, "Urban Hydrology for Small Watersheds", TR-55, 2nd ed., 1986, chapter 4
(graphical peak discharge method) with the coefficients of its table F-1, read in a public program
that names the table. The depth is Manning's equation for steady flow in a channel of two straight
sides; its roughness is that behind TR-55's own formula for shallow flow on unpaved ground.
"""

from __future__ import annotations

from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from layers.measures import FT_M, IN_M

RainfallType = Literal["I", "IA", "II", "III"]
# Appendix F: V = 16.1345 sqrt(s) is Manning's equation with n = 0.05 and a radius of 0.4 ft
UNPAVED_N: Final = 0.05
LEAST_TC_H: Final = 0.1  # limits of the method; times beyond are taken as these
MOST_TC_H: Final = 10.0
_SQUARE_MILE_M2: Final = (5280 * FT_M) ** 2

# table F-1: Ia/P, C0, C1, C2 by rainfall distribution
_TABLE: Final = {
    "I": (
        (0.10, 2.30550, -0.51429, -0.11750), (0.20, 2.23537, -0.50387, -0.08929),
        (0.25, 2.18219, -0.48488, -0.06589), (0.30, 2.10624, -0.45695, -0.02835),
        (0.35, 2.00303, -0.40769, 0.01983), (0.40, 1.87733, -0.32274, 0.05754),
        (0.45, 1.76312, -0.15644, 0.00453), (0.50, 1.67889, -0.06930, 0.0),
    ),
    "IA": (
        (0.10, 2.03250, -0.31583, -0.13748), (0.20, 1.91978, -0.28215, -0.07020),
        (0.25, 1.83842, -0.25543, -0.02597), (0.30, 1.72657, -0.19826, 0.02633),
        (0.50, 1.63417, -0.09100, 0.0),
    ),
    "II": (
        (0.10, 2.55323, -0.61512, -0.16403), (0.30, 2.46532, -0.62257, -0.11657),
        (0.35, 2.41896, -0.61594, -0.08820), (0.40, 2.36409, -0.59857, -0.05621),
        (0.45, 2.29238, -0.57005, -0.02281), (0.50, 2.20282, -0.51599, -0.01259),
    ),
    "III": (
        (0.10, 2.47317, -0.51848, -0.17083), (0.30, 2.39628, -0.51202, -0.13245),
        (0.35, 2.35477, -0.49735, -0.11985), (0.40, 2.30726, -0.46541, -0.11094),
        (0.45, 2.24876, -0.41314, -0.11508), (0.50, 2.17772, -0.36803, -0.09525),
    ),
}  # fmt: skip


def unit_peak_csm_in(
    tc_h: ArrayLike, ia_over_p: ArrayLike, *, rainfall_type: RainfallType = "II"
) -> NDArray[np.float64]:
    """Unit peak discharge, cubic feet a second for each square mile and inch of runoff.

    ``log10 qu = C0 + C1 log10 Tc + C2 (log10 Tc)^2``; between the rows of the table the
    coefficients are interpolated, beyond its ends those of the end are taken, as TR-55 has it.

    Parameters
    ----------
    tc_h
        Time of concentration in hours; taken as 0.1 or 10 beyond these.
    ia_over_p
        Initial abstraction over rain.

    >>> round(float(unit_peak_csm_in(1.53, 0.111)))
    269
    """
    rows = np.array(_TABLE[rainfall_type])
    ratio = np.asarray(ia_over_p, np.float64)
    c0, c1, c2 = (np.interp(ratio, rows[:, 0], rows[:, k]) for k in (1, 2, 3))
    time = np.log10(np.clip(np.asarray(tc_h, np.float64), LEAST_TC_H, MOST_TC_H))
    return 10 ** (c0 + c1 * time + c2 * time**2)


def peak_flow_m3_s(
    area_m2: ArrayLike,
    runoff_m: ArrayLike,
    tc_h: ArrayLike,
    ia_over_p: ArrayLike,
    *,
    rainfall_type: RainfallType = "II",
) -> NDArray[np.float64]:
    """Greatest flow of a 24-hour storm (equation 4-1), without ponds on the way to hold it back.

    Parameters
    ----------
    area_m2
        Of the catchment.
    runoff_m
        Depth of runoff over it.
    tc_h, ia_over_p
        See `unit_peak_csm_in`.
    """
    square_miles = np.asarray(area_m2, np.float64) / _SQUARE_MILE_M2
    inches = np.asarray(runoff_m, np.float64) / IN_M
    unit = unit_peak_csm_in(tc_h, ia_over_p, rainfall_type=rainfall_type)
    return unit * square_miles * inches * FT_M**3


def swale_depth_m(
    flow_m3_s: ArrayLike,
    bed_slope: ArrayLike,
    side_slopes: ArrayLike,
    *,
    n: float = UNPAVED_N,
) -> NDArray[np.float64]:
    """Depth of steady flow over the lowest line of a swale with two straight sides (Manning).

    Parameters
    ----------
    flow_m3_s, bed_slope
        Shape (n,): flow, and fall along the bed, above 0.
    side_slopes
        Shape (n, 2): rise over run of either side, above 0.
    n
        Manning's roughness.

    Notes
    -----
    With ``a`` half the sum of the sides' runs over rise and ``p`` the sum of their lengths over
    rise, the flow is ``(1 / n) (a y^2) (a y / p)^(2/3) sqrt(s)``; solved for y.

    >>> float(swale_depth_m([0.5], [0.01], [[0.1, 0.1]], n=0.05).round(4)[0])
    0.2986
    """
    run = 1 / np.asarray(side_slopes, np.float64)
    a = run.sum(axis=-1) / 2
    p = np.sqrt(1 + run**2).sum(axis=-1)
    flow, slope = np.asarray(flow_m3_s, np.float64), np.asarray(bed_slope, np.float64)
    return (flow * n * p ** (2 / 3) / (np.sqrt(slope) * a ** (5 / 3))) ** (3 / 8)
