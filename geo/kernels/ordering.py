"""The order of numbers, by digits."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from geo.kernels.compiling import compiled

_DIGIT = 11  # bits looked at in one pass


def _digit_of(key: int, shift: int) -> int:
    """The digit of a key that begins at bit ``shift``."""
    digit = (np.uint64(key) >> np.uint64(shift)) & np.uint64((1 << _DIGIT) - 1)
    return int(np.int64(digit))


digit_of = compiled(_digit_of)


def _order_by(keys: NDArray, bits: int, order: NDArray[np.int32]) -> NDArray[np.int32]:
    """Sort by the low ``bits`` of whole numbers without sign; equal ones keep their order.

    Parameters
    ----------
    keys
        Those of the things in ``order``, one for each; used up.
    order
        What is to be put in order; used up.
    """
    next_order, next_keys = np.empty_like(order), np.empty_like(keys)
    for shift in range(0, bits if keys.size > 0 else 0, _DIGIT):
        start = np.zeros((1 << _DIGIT) + 1, np.int64)
        for k in range(keys.size):
            start[digit_of(keys[k], shift) + 1] += 1
        if start[digit_of(keys[0], shift) + 1] == keys.size:  # all have the same digit
            continue
        for digit in range(1, start.size):
            start[digit] += start[digit - 1]
        for k in range(keys.size):
            bucket = digit_of(keys[k], shift)
            next_keys[start[bucket]] = keys[k]
            next_order[start[bucket]] = order[k]
            start[bucket] += 1
        order, next_order = next_order, order
        keys, next_keys = next_keys, keys
    return order


def _turn_into_keys(bits: NDArray, sign: int) -> None:
    """Turn the bits of float numbers, in place, into whole numbers of the same order.

    ``sign`` is the bit that is set in negative numbers, of the kind of ``bits``.
    """
    for k in range(bits.size):
        bits[k] = ~bits[k] if bits[k] & sign else bits[k] | sign


order_by = compiled(_order_by)
turn_into_keys = compiled(_turn_into_keys)
