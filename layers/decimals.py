"""How finely coordinates in degrees were written: too few decimals are an error of position."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

FINEST: Final = 7  # about a centimetre; beyond it decimals say nothing of a place
_TOLERANCE: Final = 1e-10
_DEGREE_M: Final = 111_320.0
# 95 % of places spread evenly over a square of half side a lie within 1.2 a of its middle
HALF_STEP_TO_95: Final = 1.2
_FEWER: Final = 3  # decimals fewer than its column's: of a million rows one has them by chance


def decimals_of(degrees: NDArray[np.float64]) -> NDArray[np.int64]:
    """Decimals each number needs, from 0 to `FINEST`; `FINEST` for NaN.

    >>> decimals_of(np.array([-88.51, 26.5014, 26.0])).tolist()
    [2, 4, 0]
    """
    needed = np.full(degrees.shape, FINEST, np.int64)
    for places in range(FINEST - 1, -1, -1):
        scaled = degrees * 10.0**places
        needed[np.abs(scaled - np.round(scaled)) <= _TOLERANCE * 10.0**places] = places
    return needed


def coarse_accuracy95_m(
    lon: NDArray[np.float64], lat: NDArray[np.float64]
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Decimals rows were written with, and the accuracy at 95 % that rounding alone leaves.

    A row counts with its own decimals where they are plainly fewer than its column's, else with
    the column's: of good coordinates one in ten ends in 0.

    Parameters
    ----------
    lon, lat
        Degrees as given; NaN where a row has none.

    Returns
    -------
    decimals, accuracy95_m
        Of shape (rows,); 0 m where rounding says nothing.

    >>> decimals, accuracy = coarse_accuracy95_m(np.array([-85.834]), np.array([39.745]))
    >>> int(decimals[0]), round(float(accuracy[0]))
    (3, 67)
    """
    lon, lat = (np.where(np.abs(v) <= 360, v, np.nan) for v in (lon, lat))
    known = (np.abs(lon) <= 360) & (np.abs(lat) <= 360)  # False for NaN
    own = np.maximum(
        decimals_of(np.where(known, lon, np.nan)), decimals_of(np.where(known, lat, np.nan))
    )
    if not known.any():
        return own, np.zeros(len(lon))
    column = int(np.quantile(own[known], 0.9, method="higher"))
    decimals = np.where(own <= column - _FEWER, own, column)
    accuracy = HALF_STEP_TO_95 * 0.5 * 10.0 ** -decimals.astype(float) * _DEGREE_M
    return decimals, np.where(known & (decimals < FINEST), accuracy, 0.0)
