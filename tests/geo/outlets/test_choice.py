"""The conditional logit: its derivatives, one hand-worked answer, and what it gives back."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import check_grad

from geo.outlets.choice import Choices, chances, curvature, fit, unlikelihood


def random_choices(seed, sets=12, features=4):
    rng = np.random.default_rng(seed)
    sizes = rng.integers(1, 9, sets)
    table = rng.normal(size=(sizes.sum(), features))
    first = np.cumsum(sizes) - sizes
    chosen = table[first + rng.integers(0, sizes)]
    return Choices(chosen, table, rng.uniform(0.5, 3, len(table)), first)


@pytest.mark.parametrize("seed", range(4))
def test_derivatives_are_those_of_finite_differences(seed):
    choices = random_choices(seed)
    rng = np.random.default_rng(seed)
    prior, precision, at = rng.normal(size=4), rng.uniform(0, 2, 4), rng.normal(size=4)

    def value(b):
        return unlikelihood(b, choices, prior, precision)[0]

    def gradient(b):
        return unlikelihood(b, choices, prior, precision)[1]

    assert check_grad(value, gradient, at) < 1e-5
    step = 1e-6
    numeric = np.array(
        [(gradient(at + step * e) - gradient(at - step * e)) / (2 * step) for e in np.eye(4)]
    )
    np.testing.assert_allclose(curvature(at, choices, prior, precision), numeric, atol=1e-6)


def test_two_alternatives_are_logistic_regression():
    # by hand: 30 of 40 take the alternative with feature 1 over that with 0: b = ln(30 / 10)
    chosen = np.repeat([[1.0], [0.0]], [30, 10], axis=0)
    table = np.tile([[1.0], [0.0]], (40, 1))
    choices = Choices(chosen, table, np.ones(80), np.arange(0, 80, 2))
    assert fit(choices, np.zeros(1), ridge=0.0) == pytest.approx([np.log(3)], abs=1e-4)


def test_a_weight_stands_for_so_many_alternatives():
    # by hand: one with e^b against three of e^0, chosen half the time: b = ln 3
    chosen = np.repeat([[1.0], [0.0]], [20, 20], axis=0)
    choices = Choices(
        chosen, np.tile([[1.0], [0.0]], (40, 1)), np.tile([1.0, 3.0], 40), np.arange(0, 80, 2)
    )
    assert fit(choices, np.zeros(1), ridge=0.0) == pytest.approx([np.log(3)], abs=1e-4)
    assert chances(np.array([[np.log(3)], [0.0]]), np.ones(1), np.array([1.0, 3.0])) == (
        pytest.approx([0.5, 0.5])
    )


def test_known_weights_are_found_again():
    rng = np.random.default_rng(3)
    truth, n, size = np.array([1.5, -1.0, 0.0]), 800, 20
    table = rng.normal(size=(n * size, 3))
    noise = rng.gumbel(size=n * size)
    best = (table @ truth + noise).reshape(n, size).argmax(axis=1) + np.arange(0, n * size, size)
    choices = Choices(table[best], table, np.ones(n * size), np.arange(0, n * size, size))
    assert fit(choices, np.zeros(3)) == pytest.approx(truth, abs=0.15)


def test_a_strong_ridge_keeps_the_prior_and_the_start_changes_nothing():
    choices, prior = random_choices(1), np.array([0.3, -0.2, 1.0, 0.0])
    assert fit(choices, prior, ridge=1e7) == pytest.approx(prior, abs=1e-4)
    one, other = fit(choices, prior), fit(choices, prior, start=np.full(4, 3.0))
    assert one == pytest.approx(other, abs=1e-3)


def test_sets_that_are_left_out_teach_nothing():
    choices = random_choices(2)
    left_out = np.arange(12) % 3 == 0
    rest = choices.without(left_out)
    assert len(rest.chosen) == 8
    sizes = np.diff(np.append(choices.first, len(choices.features)))
    kept = [np.arange(f, f + s) for f, s in zip(choices.first, sizes, strict=True)]
    again = np.concatenate([rows for rows, out in zip(kept, left_out, strict=True) if not out])
    assert (rest.features == choices.features[again]).all()
    assert chances(np.zeros((0, 4)), np.zeros(4)).size == 0
