"""Numbers written by their shares: they come back, in about as many bits as they hold."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from geo.publish.packing import shares

Unshared = Callable[[bytes, int, dict[str, Any]], list[int]]


def back(unshared: Unshared, numbers: np.ndarray, table: shares.ShareTable) -> list[int]:
    (stream,) = shares.streams([(numbers, table)])
    shown = table.for_page()
    plain = {name: np.asarray(value).tolist() for name, value in shown.items()}
    return unshared(stream, len(numbers), plain)


@given(
    st.lists(
        st.one_of(st.integers(0, 3), st.integers(0, 900), st.integers(0, 2**32 - 1)),
        min_size=1,
        max_size=200,
    )
)
def test_numbers_come_back(unshare: Unshared, values: list[int]) -> None:
    numbers = np.array(values)
    assert back(unshare, numbers, shares.table_of(numbers)[0]) == values


@pytest.mark.parametrize("low", [0, 1, 7, 20])
def test_every_low_comes_back(unshare: Unshared, low: int) -> None:
    numbers = np.random.default_rng(low).integers(0, 50 << low, shares.MOST)
    symbols = np.unique(numbers >> low)
    even = np.full(len(symbols), 2**15 // len(symbols))
    even[0] += 2**15 - even.sum()
    assert back(unshare, numbers, shares.ShareTable(low, symbols, even)) == numbers.tolist()


def test_lanes_of_any_length_side_by_side() -> None:
    rng = np.random.default_rng(3)
    numbers = [rng.geometric(0.2, n) for n in (5, 2048, 1, 300, 2048, 7)]
    table, _ = shares.table_of(np.concatenate(numbers))
    alone = [shares.streams([(each, table)])[0] for each in numbers]
    assert shares.streams([(each, table) for each in numbers]) == alone


@pytest.mark.parametrize("p", [0.02, 0.2, 0.9])
def test_about_as_many_bits_as_the_numbers_hold(p: float) -> None:
    """Shannon, "A mathematical theory of communication", 1948: no code of these can be shorter
    than their entropy; of a geometric distribution it is ((p - 1) log2(1 - p) - p log2(p)) / p
    bits a number."""
    numbers = np.random.default_rng(1).geometric(p, shares.MOST)
    table, bits = shares.table_of(numbers)
    (stream,) = shares.streams([(numbers, table)])
    entropy = ((p - 1) * np.log2(1 - p) - p * np.log2(p)) / p * len(numbers)
    assert 0.9 * entropy < 8 * len(stream) < 1.08 * entropy + 40
    assert 8 * len(stream) < bits < 8 * len(stream) + 14 * len(table.symbols)


def test_the_most_frequent_number_alone_takes_nothing() -> None:
    table, _ = shares.table_of(np.array([4] * 90 + [7]))
    assert shares.streams([(np.full(50, 4), table)]) == [b""]


def test_a_number_that_its_table_does_not_hold_is_refused() -> None:
    table, _ = shares.table_of(np.array([1, 2]))
    with pytest.raises(KeyError, match="does not hold"):
        shares.streams([(np.array([30]), table)])
