"""How a column of a table is told from one that stands before it: nearly the same, or by lists."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from geo.publish.packing import shares

_SAMPLE: Final = 4096
# Columns that stand beside each other in a page and may hold nearly the same numbers, or tenths.
# Against: ages from years.
_SAME, _AGAINST, _TENTHS = 1, -1, 10
_OVER: Final = (_SAME, _AGAINST, _TENTHS)
BY_LISTS: Final = 0
# So many of the columns that one may be told from are tried: those that come nearest.
_TRIED: Final = 6
_COMPARED: Final = 256
# A column decides another by lists of so few numbers only, and where so much of it is then known.
_MOST_KEYS, _MOST_NUMBERS, _LEFT = 64, 1024, 0.85
_PAIR_BITS: Final = 12  # what a number in a list costs, about


@dataclass(frozen=True)
class Lists:
    """For each number of a column those that stand beside it in another, most frequent first.

    Attributes
    ----------
    keys
        The numbers of the one that are known, rising; the last list is of those not known.
    begins
        Where the list of each begins, and their end; shape (keys + 2,).
    numbers
        All lists in turn; none below 0.
    pairs, place
        List and number as one whole number, rising, and the place of the number in its list.
    """

    keys: NDArray[np.int64]
    begins: NDArray[np.int64]
    numbers: NDArray[np.int64]
    pairs: NDArray[np.int64]
    place: NDArray[np.int64]

    @property
    def bits(self) -> float:
        """What the lists take, about."""
        return float(_PAIR_BITS * (len(self.numbers) + len(self.keys)))

    def places(self, numbers: NDArray[np.int64], other: NDArray) -> NDArray[np.int64]:
        """The place of each number in the list of what stands beside it."""
        span = int(self.numbers.max(initial=0)) + 1
        return self.place[np.searchsorted(self.pairs, _keys(self.keys, other) * span + numbers)]

    def for_page(self) -> dict[str, Any]:
        """As a page holds them."""
        return {
            "keys": np.diff(self.keys, prepend=0),
            "counts": np.diff(self.begins),
            "numbers": self.numbers,
        }


def lists_of(numbers: NDArray[np.int64], other: NDArray) -> tuple[Lists, NDArray[np.int64]]:
    """What stands beside each number of another column, and the places of the numbers in it."""
    keys = np.unique(filled(other)[is_known(other)])
    span = int(numbers.max(initial=0)) + 1
    pair = _keys(keys, other) * span + numbers
    pairs, count = shares.distinct_counts(pair)
    key = pairs // span
    order = np.lexsort((-count, key))
    begins = np.searchsorted(key, np.arange(len(keys) + 2))
    place = np.empty(len(pairs), np.int64)
    place[order] = np.arange(len(pairs)) - begins[key[order]]
    return Lists(keys, begins, pairs[order] % span, pairs, place), place[
        np.searchsorted(pairs, pair)
    ]


def _keys(keys: NDArray[np.int64], other: NDArray) -> NDArray[np.int64]:
    return np.where(is_known(other), np.searchsorted(keys, filled(other)), len(keys))


def is_known(values: NDArray) -> NDArray[np.bool_]:
    """Which numbers of a column are known."""
    return ~np.isnan(values) if values.dtype.kind == "f" else np.ones(len(values), bool)


def filled(values: NDArray) -> NDArray[np.int64]:
    """Whole numbers, 0 where not known."""
    return np.nan_to_num(values).astype(np.int64)


def over(values: NDArray[np.int64], by: int) -> NDArray[np.int64]:
    """What a column is counted from that is told from another in one of the ways of `_OVER`."""
    if by in (_SAME, _AGAINST):
        return values * by
    return (values + 5) // 10


def sources(columns: Sequence[NDArray]) -> list[tuple[int, int] | None]:
    """For each column the one before it that it is told from in the fewest bits, and how."""
    if not columns or not len(columns[0]):
        return [None] * len(columns)
    count = len(columns[0])
    sample = _sample(columns)
    whole = np.array([filled(column) for column in sample])
    found: list[tuple[int, int] | None] = []
    for j, column in enumerate(sample):
        best, source = _bits(column, None, count) - 64, None
        if (known := ~np.isnan(column)).any() and best > len(column) / 2:
            for i, by in _likely(whole, j, known):
                bits = _bits(column, over(whole[i], by), count)
                if bits < best:
                    best, source = bits, (i, by)
        found.append(source)
    return found


def _sample(columns: Sequence[NDArray]) -> list[NDArray[np.float64]]:
    step = max(1, len(columns[0]) // _SAMPLE)
    return [np.asarray(column[::step], float) for column in columns]


def _likely(whole: NDArray, j: int, known: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Columns before column j that come near it in some rows at least; the nearest first."""
    few = np.flatnonzero(known)
    few = few[:: max(1, len(few) // _COMPARED)]
    mine, before = whole[j, few], whole[:j, few]
    spread = np.abs(mine - np.median(mine)).mean() + 1e-9
    found = []
    for by in _OVER:
        left = mine - over(before, by)
        left = np.abs(left - np.median(left, axis=1, keepdims=True))  # all by as much is no less
        same, far = (left == 0).mean(axis=1), left.mean(axis=1) / spread
        near = np.flatnonzero((same > 0.2) | (far < 1 / 3))
        found += [(float(far[i] - same[i]), int(i), by) for i in near]
    return [(i, by) for _, i, by in sorted(found)[:_TRIED]]


def _bits(column: NDArray, taken_from: NDArray | None, count: int) -> float:
    """What a sample of a column of ``count`` numbers takes, about."""
    known = ~np.isnan(column)
    whole = filled(column) - (0 if taken_from is None else taken_from)
    whole = np.where(known, np.where(whole < 0, -2 * whole, 2 * whole + 1), 0)
    return shares.bits(whole, of=count)


def deciders(columns: Sequence[NDArray]) -> list[tuple[int, float] | None]:
    """For each column one before it whose numbers, few of them, leave least of it open; how much.

    By the entropy of the one where the other is known, on a sample, with the correction of
    Miller (1955; from memory) for how few numbers it was told from.
    """
    if not columns or not len(columns[0]):
        return [None] * len(columns)
    sample = [column[::4] for column in _sample(columns)]
    codes, sizes = [], []
    for column in sample:
        found, code = np.unique(np.nan_to_num(column, nan=-np.inf), return_inverse=True)
        codes.append(code)
        sizes.append(len(found))
    own = [_open_bits(code) for code in codes]
    deciding: list[tuple[int, float] | None] = []
    for j, code in enumerate(codes):
        least, decider = _LEFT * own[j], None
        if 2 < sizes[j] <= _MOST_NUMBERS and own[j] > len(code) / 2:
            for i in range(j):
                if 1 < sizes[i] <= _MOST_KEYS:
                    left = _open_bits(codes[i] * sizes[j] + code) - own[i]
                    if left < least:
                        least, decider = left, i
        deciding.append(None if decider is None else (decider, max(least, 0.0) / own[j]))
    return deciding


def _open_bits(code: NDArray[np.int64]) -> float:
    """The entropy of a sample's numbers, in bits of all of them."""
    count = np.bincount(code)
    count = count[count > 0]
    total = len(code)
    return float(total * np.log2(total) - count @ np.log2(count) + (len(count) - 1) / np.log(4))
