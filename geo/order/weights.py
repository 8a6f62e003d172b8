"""Weights from pairwise comparisons (Saaty's analytic hierarchy process).

A documented way to find weights a board can agree on, for analysts; nothing else uses it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

# Mean consistency index of random reciprocal matrices of size 1 to 10: the set of Saaty (1980),
# The Analytic Hierarchy Process. Other published sets differ a little.
RANDOM_INDEX: Final = (0.0, 0.0, 0.58, 0.90, 1.12, 1.24, 1.32, 1.41, 1.45, 1.49)
# Saaty's limit: above it the comparisons contradict each other too much to be used.
MOST_INCONSISTENT: Final = 0.10
_RECIPROCAL: Final = 1e-6


@dataclass(frozen=True)
class PairwiseWeights:
    """Weights that sum to 1, and how far the comparisons agree with each other.

    Attributes
    ----------
    weights
        By name, in the order given.
    largest_eigenvalue, consistency_index, consistency_ratio
        lambda, CI = (lambda - n) / (n - 1) and CR = CI / `RANDOM_INDEX`; both 0 for n <= 2,
        where nothing can contradict.
    """

    weights: dict[str, float]
    largest_eigenvalue: float
    consistency_index: float
    consistency_ratio: float


def pairwise_weights(matrix: ArrayLike, names: Sequence[str]) -> PairwiseWeights:
    """Weights of ``names`` from how many times as important each is as each other.

    Parameters
    ----------
    matrix
        (n, n), positive: ``matrix[i][j]`` says how many times as important ``names[i]`` is as
        ``names[j]``; 1 on the diagonal, and ``matrix[j][i] = 1 / matrix[i][j]``. 1 to 10 names.

    Raises
    ------
    ValueError
        When the matrix is not square, positive and reciprocal, or is too inconsistent
        (CR above 0.10); the message names the pair that fits the others least.

    Notes
    -----
    The principal right eigenvector, scaled to sum 1 (Saaty 1980).

    >>> found = pairwise_weights([[1, 2, 4], [1/2, 1, 2], [1/4, 1/2, 1]], ["a", "b", "c"])
    >>> round(found.weights["a"], 6)
    0.571429
    """
    a = _checked(matrix, names)
    n = len(a)
    values, vectors = np.linalg.eig(a)
    k = int(np.argmax(values.real))
    largest = float(values[k].real)
    w = np.abs(vectors[:, k].real)
    w = w / w.sum()
    index = max((largest - n) / (n - 1), 0.0) if n > 2 else 0.0
    ratio = index / RANDOM_INDEX[n - 1] if n > 2 else 0.0
    if ratio > MOST_INCONSISTENT:
        i, j = _worst_pair(a, w)
        raise ValueError(
            f"the comparisons contradict each other: consistency ratio {ratio:.2f}, above"
            f" {MOST_INCONSISTENT:.2f}; {names[i]!r} against {names[j]!r} was given as"
            f" {_times(a[i, j])}, but the others together say {_times(w[i] / w[j])}. Check that"
            " pair first"
        )
    return PairwiseWeights(dict(zip(names, w.tolist(), strict=True)), largest, index, ratio)


def _checked(matrix: ArrayLike, names: Sequence[str]) -> NDArray[np.float64]:
    a = np.asarray(matrix, float)
    n = len(names)
    if a.shape != (n, n):
        raise ValueError(f"{n} names need a matrix of {n} x {n}, not of shape {a.shape}")
    if not 1 <= n <= len(RANDOM_INDEX):
        raise ValueError(f"1 to {len(RANDOM_INDEX)} names can be compared, not {n}")
    if len(set(names)) < n:
        raise ValueError(f"a name is repeated in {list(names)}")
    if not (np.isfinite(a).all() and (a > 0).all()):
        i, j = (int(x) for x in np.argwhere(~(np.isfinite(a) & (a > 0)))[0])
        raise ValueError(f"{names[i]!r} against {names[j]!r} is {a[i, j]:g}, not a number above 0")
    off = np.abs(a * a.T - 1) > _RECIPROCAL
    if off.any():
        i, j = (int(x) for x in np.argwhere(off)[0])
        if i == j:
            raise ValueError(f"{names[i]!r} against itself is {a[i, i]:g}, not 1")
        raise ValueError(
            f"{names[i]!r} against {names[j]!r} is {a[i, j]:g}, so {names[j]!r} against"
            f" {names[i]!r} must be {1 / a[i, j]:g}, not {a[j, i]:g}"
        )
    return a


def _worst_pair(a: NDArray[np.float64], w: NDArray[np.float64]) -> tuple[int, int]:
    """The pair whose a_ij w_j / w_i lies farthest from 1, written with its larger side first."""
    misfit = np.abs(np.log(a * w[None, :] / w[:, None]))
    i, j = (int(x) for x in np.unravel_index(int(misfit.argmax()), a.shape))
    return (i, j) if a[i, j] >= 1 else (j, i)


def _times(ratio: float) -> str:
    if math.isclose(ratio, 1):
        return "equally important"
    return f"{ratio:.3g} times as important"
