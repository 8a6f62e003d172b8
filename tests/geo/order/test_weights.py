"""Pairwise comparisons: worked matrices, properties, and what is refused with which words."""

import re

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from geo.order.weights import RANDOM_INDEX, pairwise_weights

ABC = ["a", "b", "c"]


def test_a_worked_matrix():
    # 3 x 3 of Saaty's scale; eigenvector and lambda computed by hand from the cubic, and for n = 3
    # equal to the geometric means of the rows
    got = pairwise_weights([[1, 3, 5], [1 / 3, 1, 3], [1 / 5, 1 / 3, 1]], ABC)
    assert list(got.weights.values()) == pytest.approx([0.63699, 0.25828, 0.10473], abs=5e-6)
    means = np.cbrt([15.0, 1.0, 1 / 15])
    assert list(got.weights.values()) == pytest.approx(means / means.sum(), rel=1e-12)
    assert got.largest_eigenvalue == pytest.approx(3.038511, abs=5e-7)
    assert got.consistency_index == pytest.approx(0.019256, abs=5e-7)
    assert got.consistency_ratio == pytest.approx(0.03320, abs=5e-6)


def test_consistent_comparisons_give_their_ratios():
    got = pairwise_weights([[1, 2, 4], [1 / 2, 1, 2], [1 / 4, 1 / 2, 1]], ABC)
    assert list(got.weights.values()) == pytest.approx([4 / 7, 2 / 7, 1 / 7], rel=1e-12)
    assert got.consistency_ratio == pytest.approx(0, abs=1e-12)


def test_contradictions_are_refused_and_the_worst_pair_is_named():
    # lambda 3.925508, CR 0.79785: a is 9 times b and b 9 times c, yet a only 5 times c
    message = "consistency ratio 0.80, above 0.10; "
    with pytest.raises(ValueError, match=re.escape(message)) as caught:
        pairwise_weights([[1, 9, 5], [1 / 9, 1, 9], [1 / 5, 1 / 9, 1]], ABC)
    # with three names every pair is equally far from the others (a_ij w_j / w_i = 2.53)
    assert "times as important" in str(caught.value)


def test_the_worst_pair_is_the_one_that_was_spoiled():
    true = np.array([0.4, 0.3, 0.15, 0.1, 0.05])
    a = true[:, None] / true[None, :]
    a[3, 1], a[1, 3] = 9.0, 1 / 9  # truly a third
    with pytest.raises(ValueError, match="'d' against 'b' was given as 9 times as important"):
        pairwise_weights(a, list("abcde"))


def test_the_limit_itself_is_accepted_below_and_refused_above():
    def ratio_of(x):
        # a = x b, b = x c, a = c: the more x, the more they contradict
        return [[1, x, 1], [1 / x, 1, x], [1, 1 / x, 1]]

    assert pairwise_weights(ratio_of(1.42), ABC).consistency_ratio < 0.10
    with pytest.raises(ValueError, match="contradict"):
        pairwise_weights(ratio_of(1.9), ABC)


def test_random_index_is_saatys_set():
    # Saaty (1980), as cited by code that names page 34
    assert RANDOM_INDEX == (0, 0, 0.58, 0.90, 1.12, 1.24, 1.32, 1.41, 1.45, 1.49)


@given(st.lists(st.floats(0.01, 1.0), min_size=1, max_size=10))
def test_any_consistent_matrix_gives_back_its_weights(raw):
    w = np.array(raw) / np.sum(raw)
    got = pairwise_weights(w[:, None] / w[None, :], [str(k) for k in range(len(w))])
    assert list(got.weights.values()) == pytest.approx(w, rel=1e-8)
    assert sum(got.weights.values()) == pytest.approx(1, abs=1e-12)
    assert got.largest_eigenvalue == pytest.approx(len(w), rel=1e-9)
    assert 0 <= got.consistency_ratio < 1e-8


@pytest.mark.parametrize(
    ("matrix", "names", "message"),
    [
        ([[1, 2], [0.5, 1]], ABC, "3 names need a matrix of 3 x 3, not of shape (2, 2)"),
        ([[1, 2], [0.25, 1]], ["a", "b"], "'b' against 'a' must be 0.5, not 0.25"),
        ([[2, 2], [0.5, 1]], ["a", "b"], "'a' against itself is 2, not 1"),
        ([[1, -2], [-0.5, 1]], ["a", "b"], "'a' against 'b' is -2, not a number above 0"),
        ([[1, 2], [0.5, 1]], ["a", "a"], "a name is repeated"),
        (np.ones((11, 11)), list("abcdefghijk"), "1 to 10 names can be compared, not 11"),
        ([[1, np.nan], [1, 1]], ["a", "b"], "'a' against 'b' is nan"),
    ],
)
def test_what_is_no_comparison_is_refused(matrix, names, message):
    with pytest.raises(ValueError, match=re.escape(message)):
        pairwise_weights(matrix, names)
