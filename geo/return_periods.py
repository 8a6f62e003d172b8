"""What a return period says of a single year, by the series it was taken from.

A partial-duration series counts every storm above a threshold, an annual-maximum series the
largest of each year. Rain tables come from either, and a "2-year storm" is not the same in both.

Source: Langbein (1949), "Annual floods and the partial-duration flood series", Transactions of
the American Geophysical Union 30, from memory: storms above the threshold come as a Poisson
process, so a year goes without one with chance exp(-1 / T).
"""

from __future__ import annotations

from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

Series = Literal["partial_duration", "annual_maximum"]
SERIES: Final = ("partial_duration", "annual_maximum")


def annual_probability(return_yr: ArrayLike, *, series: Series) -> NDArray[np.float64]:
    """Chance that a year sees the storm of a return period, or a larger one.

    Parameters
    ----------
    return_yr
        Average recurrence interval of a partial-duration series, above 0; or that of an
        annual-maximum series, 1 over its annual exceedance probability, at least 1.
    series
        Where the return period comes from.

    Returns
    -------
    NDArray
        float64 of the same shape: 1 - exp(-1 / T) or 1 / T. NaN where ``return_yr`` is.

    Raises
    ------
    ValueError
        For another series, or a return period that its series cannot have.

    >>> annual_probability([1, 2, 100], series="partial_duration").round(5)
    array([0.63212, 0.39347, 0.00995])
    >>> annual_probability([2, 100], series="annual_maximum")
    array([0.5 , 0.01])
    """
    years = _checked(return_yr, series)
    if series == "annual_maximum":
        return 1 / years
    return -np.expm1(-1 / years)


def converted(return_yr: ArrayLike, *, series: Series, to: Series) -> NDArray[np.float64]:
    """The return period the same storm has in the other series (Langbein 1949).

    ``1 / T_partial = -ln(1 - 1 / T_annual)``: both give a year the same chance. An
    annual-maximum return period of 1 is 0 in a partial-duration series.

    Raises
    ------
    ValueError
        For another series, or a return period that its series cannot have.

    >>> converted([2, 10, 100], series="annual_maximum", to="partial_duration").round(3)
    array([ 1.443,  9.491, 99.499])
    """
    years = _checked(return_yr, series)
    _checked(2.0, to)
    if series == to:
        return years
    if to == "annual_maximum":
        return 1 / -np.expm1(-1 / years)
    with np.errstate(divide="ignore"):
        return -1 / np.log1p(-1 / years)


def _checked(return_yr: ArrayLike, series: str) -> NDArray[np.float64]:
    if series not in SERIES:
        raise ValueError(f"series {series!r} is not one of {', '.join(SERIES)}")
    years = np.asarray(return_yr, np.float64)
    if (years <= 0).any():
        raise ValueError("a return period must be above 0")
    if series == "annual_maximum" and (years < 1).any():
        raise ValueError("a return period of an annual-maximum series is at least 1 year")
    return years
