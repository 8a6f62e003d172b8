"""How many troubles the first N visits of an order meet, and the chances of it at random."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaln


@dataclass(frozen=True)
class Line:
    """Units in an order: their places, the last of each run of equal keys, their troubles."""

    place: NDArray[np.intp]
    ends: NDArray[np.intp]
    trouble: NDArray[np.float64]


def line_of(key: NDArray[np.float64], trouble: NDArray[np.float64]) -> Line:
    """Units in order of a key, the smallest first; infinite keys stand last, not told apart."""
    place = np.argsort(key, kind="stable")
    with np.errstate(invalid="ignore"):  # inf - inf: two of unknown age, who are not told apart
        step = np.nan_to_num(np.diff(key[place]))
    return Line(place, np.flatnonzero(np.append(step != 0, True)), trouble[place])


def troubles_found(
    line: Line, weight: NDArray[np.float64], visits: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Troubles met by the first N visits, each unit counted ``weight`` times."""
    w = weight[line.place]
    made, found = np.cumsum(w), np.cumsum(w * line.trouble)
    if len(line.ends) < len(w):
        made, found = made[line.ends], found[line.ends]
    return np.interp(visits, np.insert(made, 0, 0.0), np.insert(found, 0, 0.0))


def hypergeometric(units: int, troubles: int, visits: int) -> tuple[int, NDArray[np.float64]]:
    """Chances of the number of troubles met by ``visits`` made at random, from the first told on.

    Returns the number to which the first chance belongs, and the chances of it and those that
    follow, as far as nine standard deviations from the mean: C(K, x) C(M - K, N - x) / C(M, N).

    >>> hypergeometric(4, 2, 2)[1].round(4)
    array([0.1667, 0.6667, 0.1667])
    """
    m, k, n = units, troubles, visits
    mean = n * k / m
    reach = 9 * np.sqrt(mean * (1 - k / m) * (m - n) / max(m - 1, 1)) + 1
    low, high = max(0, n - (m - k), int(mean - reach)), min(k, n, int(np.ceil(mean + reach)))
    x = np.arange(low, high + 1)
    return low, np.exp(_choose(k, x) + _choose(m - k, n - x) - _choose(m, n))


def _choose(n: int, k: NDArray[np.int64] | int) -> NDArray[np.float64]:
    return np.asarray(gammaln(n + 1) - gammaln(np.add(k, 1)) - gammaln(np.subtract(n, k) + 1))


def random_band(
    laws: Sequence[Sequence[tuple[int, NDArray[np.float64]]]],
) -> NDArray[np.float64]:
    """2.5 % and 97.5 % points of troubles met at random, years added up; (2, depths).

    ``laws`` holds the hypergeometric chances by year and depth; their sum is their convolution.
    """
    band = np.empty((2, len(laws[0])))
    for d in range(len(laws[0])):
        start, chance = 0, np.ones(1)
        for law in laws:
            start += law[d][0]
            chance = np.convolve(chance, law[d][1])
        band[:, d] = start + np.searchsorted(np.cumsum(chance), [0.025, 0.975])
    return band
