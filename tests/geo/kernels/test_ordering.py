"""Sorting by digits against numpy's sort."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from geo.kernels.ordering import order_by

whole = st.integers(0, 2**64 - 1) | st.integers(0, 9)


@given(arrays(np.uint64, st.integers(0, 60), elements=whole))
@settings(deadline=None)
def test_sorted_and_stable(keys):
    order = order_by(keys.copy(), 64, np.arange(keys.size, dtype=np.int32))
    np.testing.assert_array_equal(order, np.argsort(keys, kind="stable"))


@given(arrays(np.uint32, st.integers(0, 60), elements=st.integers(0, 2**32 - 1)), st.data())
@settings(deadline=None)
def test_a_second_key_decides_where_the_first_is_equal(keys, data):
    first = keys % 4
    order = order_by(keys.copy(), 32, np.arange(keys.size, dtype=np.int32))
    order = order_by(first[order], 2, order)
    np.testing.assert_array_equal(order, np.lexsort((np.arange(keys.size), keys, first)))


def test_low_bits_alone_count():
    keys = np.array([2**20 + 1, 0, 2**20], np.uint64)
    assert order_by(keys, 1, np.arange(3, dtype=np.int32)).tolist() == [1, 2, 0]
