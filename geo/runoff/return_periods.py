"""What a return period says of a single year, by the series it was taken from.

A partial-duration series counts every storm above a threshold, an annual-maximum series the
largest of each year. Rain tables come from either, and a "2-year storm" is not the same in both.

Source: Langbein (1949), "Annual floods and the partial-duration flood series", Transactions of
the American Geophysical Union 30, from memory: storms above the threshold come as a Poisson
process, so a year goes without one with chance exp(-1 / T).
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import exp1

Series = Literal["partial_duration", "annual_maximum"]
SERIES: Final = ("partial_duration", "annual_maximum")
# A place that the largest storm given leaves dry counts as dry only where that is as large as this.
# Common practice, no source.
LARGE_STORM_YR: Final = 100


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


def chance_in_a_year(
    chance: ArrayLike, return_yr: ArrayLike, *, series: Series
) -> NDArray[np.float64]:
    """The chance of an event in a year from its chance in storms of some return periods.

    The integral of P(event | p) over p, the annual chance of a storm that large, from 0 to 1. In
    between P runs straight in the reduced variate y = -ln(-ln(1 - p)) of Gumbel, for which it has
    a closed form. Both tails make it a chance of at least so much: storms rarer than the rarest
    do what that one does, storms more frequent than the most frequent do nothing.

    Parameters
    ----------
    chance
        P by storm, last axis; 0 to 1, NaN where it is not known.
    return_yr
        Return period of each storm, ascending.

    Returns
    -------
    NDArray
        float64, the shape of ``chance`` without its last axis.

    Raises
    ------
    ValueError
        For no storm, return periods that do not ascend or that their series cannot have, a 1-year
        storm of an annual-maximum series, or another number of storms than of chances.

    Notes
    -----
    With u = -ln(1 - p) = exp(-y), a stretch between two storms gives the difference of P exp(-u)
    less the slope of P over y times the difference of E1(u), the exponential integral.

    >>> float(chance_in_a_year([1.0, 1.0], [2, 100], series="partial_duration").round(5))
    0.39347
    """
    P = np.asarray(chance, np.float64)
    years = np.atleast_1d(_checked(return_yr, series))
    if not years.size or (np.diff(years) <= 0).any():
        raise ValueError("return_yr must hold at least one return period, ascending")
    if P.shape[-1:] != years.shape:
        raise ValueError(f"{P.shape[-1:]} chances for {years.size} storms")
    if series == "annual_maximum" and years[0] == 1:
        raise ValueError("an annual-maximum series has no 1-year storm")
    u = 1 / converted(years, series=series, to="partial_duration")
    not_exceeded = np.exp(-u)
    rare = -np.expm1(-u[-1]) * P[..., -1]
    if years.size == 1:
        return rare
    slope = np.diff(P, axis=-1) / np.diff(-np.log(u))
    stretch = np.diff(P * not_exceeded, axis=-1) - slope * np.diff(exp1(u))
    return rare + stretch.sum(axis=-1)


def dry_state(years: Iterable[float]) -> str:
    """The code of a place that stays dry in storms of these return periods.

    >>> dry_state([2, 100]), dry_state([2, 10])
    ('dry_in_all', 'dry_so_far')
    """
    return "dry_in_all" if max(years) >= LARGE_STORM_YR else "dry_so_far"
