"""The order of keys and of the heap, against numpy's sort."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from geo.kernels import flood

floats = st.floats(width=32, allow_nan=False, allow_infinity=False)


@given(arrays(np.float32, st.integers(1, 30), elements=floats))
@settings(deadline=None)
def test_keys_sort_as_floats_and_come_back(values):
    values = values + np.float32(0)  # one zero only: -0 is a lower key than 0
    key = values.copy().view(np.uint32)
    flood.float_to_key(key)
    np.testing.assert_array_equal(values[np.argsort(key)], np.sort(values))
    np.testing.assert_array_equal(key[:, None] < key, values[:, None] < values)
    flood.key_to_float(key)
    np.testing.assert_array_equal(key, values.view(np.uint32))


@given(st.lists(st.integers(0, 2**64 - 1) | st.integers(0, 9), min_size=1, max_size=60), st.data())
@settings(deadline=None)
def test_heap_gives_the_least_each_time(items, data):
    heap = np.zeros(len(items), np.uint64)
    size, held = 0, []
    for item in items:
        size = flood.push(heap, size, np.uint64(item))
        held.append(item)
        while held and data.draw(st.booleans()):
            least = flood.pop(heap, size)
            size -= 1
            assert int(least) == min(held)
            held.remove(min(held))
    rest = []
    while size:
        rest.append(int(flood.pop(heap, size)))
        size -= 1
    assert rest == sorted(held)


def test_packed_keys_break_ties_by_cell():
    packed = [flood.pack(np.uint32(k), c) for k, c in [(5, 9), (5, 2**31), (6, 0), (2**32 - 1, 1)]]
    assert packed == sorted(packed)
    assert int(packed[1]) & 0xFFFFFFFF == 2**31
