"""Which of several alternatives is chosen: a conditional logit with few features.

McFadden, "Conditional logit analysis of qualitative choice behavior", in Frontiers in
Econometrics, 1974 (from memory): the chance of an alternative is exp(x b) over the sum of
exp(x b) of all alternatives of the same set.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize


@dataclass(frozen=True)
class Choices:
    """Sets of alternatives with what was chosen of each.

    Attributes
    ----------
    chosen
        Features of what was chosen, one row a set, shape (sets, features). Where it is known as
        shares of several alternatives, their mean by share.
    features
        Of the alternatives, those of one set in a row, shape (alternatives, features).
    weight
        How many alternatives each row stands for, shape (alternatives,).
    first
        The row at which each set begins, shape (sets,), rising; no set is empty.
    """

    chosen: NDArray[np.float64]
    features: NDArray[np.float64]
    weight: NDArray[np.float64]
    first: NDArray[np.int64]

    def without(self, left_out: NDArray[np.bool_]) -> Choices:
        """The same without some of the sets."""
        sizes = np.diff(np.append(self.first, len(self.weight)))
        keep = np.repeat(~left_out, sizes)
        kept = sizes[~left_out]
        first = np.cumsum(kept) - kept
        return Choices(self.chosen[~left_out], self.features[keep], self.weight[keep], first)


def unlikelihood(
    coefficients: NDArray[np.float64],
    choices: Choices,
    prior: NDArray[np.float64],
    precision: NDArray[np.float64],
) -> tuple[float, NDArray[np.float64]]:
    """Minus the log-likelihood, with a ridge about ``prior``, and its gradient.

    The ridge is ``precision (coefficients - prior)^2 / 2``, summed over the features.
    """
    log_total, share = _shares(coefficients, choices)
    off = coefficients - prior
    value = log_total.sum() - (choices.chosen @ coefficients).sum()
    gradient = share @ choices.features - choices.chosen.sum(axis=0)
    return float(value + (precision * off**2).sum() / 2), gradient + precision * off


def _shares(
    coefficients: NDArray[np.float64], choices: Choices
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Logarithm of the sum of each set, and the chance of each row."""
    utility = choices.features @ coefficients
    sizes = np.diff(np.append(choices.first, len(utility)))
    top = np.maximum.reduceat(utility, choices.first)
    each = choices.weight * np.exp(utility - np.repeat(top, sizes))
    total = np.add.reduceat(each, choices.first)
    return np.log(total) + top, each / np.repeat(total, sizes)


def curvature(
    coefficients: NDArray[np.float64],
    choices: Choices,
    _prior: NDArray[np.float64],
    precision: NDArray[np.float64],
) -> NDArray[np.float64]:
    """The second derivatives of `unlikelihood`, shape (features, features); nowhere negative."""
    _, share = _shares(coefficients, choices)
    weighted = share[:, None] * choices.features
    mean = np.add.reduceat(weighted, choices.first)
    return np.asarray(choices.features.T @ weighted - mean.T @ mean + np.diag(precision))


def fit(
    choices: Choices,
    prior: NDArray[np.float64],
    *,
    ridge: float = 1.0,
    start: NDArray[np.float64] | None = None,
) -> NDArray[np.float64]:
    """The coefficients that make what was chosen most likely, drawn towards ``prior``.

    Parameters
    ----------
    prior
        Coefficients before anything is learned, shape (features,).
    ridge
        Worth of the prior: the ridge on each coefficient times the spread of its feature.
    start
        Where the search begins, in place of ``prior``.

    The function is convex: there is one answer, wherever the search begins.
    """
    spread = choices.features.std(axis=0)
    spread[spread == 0] = 1.0
    alike = Choices(
        choices.chosen / spread, choices.features / spread, choices.weight, choices.first
    )
    precision = np.full(len(prior), ridge)
    found = minimize(
        unlikelihood,
        (prior if start is None else start) * spread,
        args=(alike, prior * spread, precision),
        method="trust-exact",
        jac=True,
        hess=curvature,
        options={
            "gtol": 1e-9 * len(choices.first),  # so that no processor sees another answer
            "initial_trust_radius": 4.0,
            "max_trust_radius": 64.0,
        },
    )
    return np.asarray(found.x, float) / spread


def chances(
    features: NDArray[np.float64],
    coefficients: NDArray[np.float64],
    weight: NDArray[np.float64] | float = 1.0,
) -> NDArray[np.float64]:
    """The chance of each alternative of one set, shape (alternatives,); they add up to 1.

    ``weight`` is how many alternatives each row stands for.
    """
    if not len(features):
        return np.zeros(0)
    utility = features @ coefficients
    each = weight * np.exp(utility - utility.max())
    return np.asarray(each / each.sum(), float)
