"""Whole numbers written in as few bits as the share of each among all of them allows.

The range variant of asymmetric numeral systems (J. Duda, "Asymmetric numeral systems: entropy
coding combining speed of Huffman coding with compression rate of arithmetic coding",
arXiv:1311.2540; from memory), undone by ``page/shares.js``. A number's upper bits are told by
their share, ``low`` bits as they are. A stream holds at most `MOST` numbers: the last state in four
bytes, the highest first, then the bytes the states gave off, the last one first; an empty stream
holds nothing but the most frequent number.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

MOST: Final = 2048
SHARE_BITS: Final = 15
_WHOLE: Final = 1 << SHARE_BITS
_STATE_BITS: Final = 23  # a state is never less than this power of two, and below 256 times it
_MOST_SYMBOLS: Final = 4096
_MOST_LOW: Final = 20
_STREAM_BITS: Final = 34  # what a stream costs beyond its numbers, about
_LANES: Final = 1024


@dataclass(frozen=True)
class Table:
    """How often each number stands.

    Attributes
    ----------
    low
        How many of a number's lowest bits are told as they are.
    symbols
        What is left of the numbers without these bits, rising.
    shares
        Of each, in 2^15 parts; at least 1, together all.
    """

    low: int
    symbols: NDArray[np.int64]
    shares: NDArray[np.int64]

    def told(self) -> dict[str, Any]:
        """As a page holds it."""
        return {"low": self.low, "steps": np.diff(self.symbols, prepend=0), "shares": self.shares}


def table_of(numbers: NDArray[np.int64]) -> tuple[Table, float]:
    """The table that tells some numbers shortest, and about how many bits they take with it.

    Parameters
    ----------
    numbers
        At least one, none below 0, all below 2^32.
    """
    found, count = _counted(numbers)
    low, bits = _best_low(found, count)
    symbols, count = _without_low(found, count, low)
    count_of_streams = -(-len(numbers) // MOST)
    return Table(low, symbols, _shares(count)), bits + _STREAM_BITS * count_of_streams


def bits(numbers: NDArray[np.int64], *, of: int) -> float:
    """About how many bits a sample of ``of`` numbers takes, with its part of their table."""
    return _best_low(*_counted(numbers), part=len(numbers) / of)[1]


def streams(lanes: Sequence[tuple[NDArray, Table]]) -> list[bytes]:
    """Some numbers, at most `MOST`, as a stream each.

    Raises
    ------
    KeyError
        For a number that its table does not hold.
    """
    told = [i for i, (numbers, table) in enumerate(lanes) if not _is_bare(numbers, table)]
    order = sorted(told, key=lambda i: -len(lanes[i][0]))
    written = [b""] * len(lanes)
    for first in range(0, len(order), _LANES):
        some = order[first : first + _LANES]
        for lane, stream in zip(some, _written([lanes[i] for i in some]), strict=True):
            written[lane] = stream
    return written


def _is_bare(numbers: NDArray, table: Table) -> bool:
    """Whether they are all the most frequent number."""
    return table.low == 0 and bool((numbers == table.symbols[table.shares.argmax()]).all())


def _counted(numbers: NDArray[np.int64]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """The numbers there are, rising, and how often each stands."""
    if int(numbers.max()) < 1 << 17:
        count = np.bincount(numbers)
        found = np.flatnonzero(count)
        return found, count[found]
    found, count = np.unique(numbers, return_counts=True)
    return found, count


def _without_low(
    found: NDArray[np.int64], count: NDArray[np.int64], low: int
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    upper = found >> low
    first = np.flatnonzero(np.diff(upper, prepend=-1))
    return upper[first], np.add.reduceat(count, first)


def _table_bits(symbols: NDArray[np.int64]) -> float:
    """What a table costs, about: steps between symbols, and shares."""
    return len(symbols) * (5 + np.log2(1 + int(symbols[-1]) / len(symbols)))


def _best_low(
    found: NDArray[np.int64], count: NDArray[np.int64], part: float = 1.0
) -> tuple[int, float]:
    """How many bits to tell as they are; what the numbers and a part of the table take then."""
    total = int(count.sum())
    best_low, best = 0, np.inf
    for low in range(min(int(found[-1]).bit_length(), _MOST_LOW) + 1):
        if low:
            found, count = _without_low(found, count, 1)
        bare = total * (np.log2(total) + low) - float(count @ np.log2(count))
        bits = bare + part * _table_bits(found)
        if len(found) <= _MOST_SYMBOLS and bits < best:
            best_low, best = low, bits
        if bare > best:
            break
    return best_low, best


def _shares(count: NDArray[np.int64]) -> NDArray[np.int64]:
    """Counts as parts of 2^15, at least 1 each."""
    exact = count * (_WHOLE / count.sum())
    shares = np.maximum(np.floor(exact), 1).astype(np.int64)
    left = _WHOLE - int(shares.sum())
    if left > 0:
        shares[np.argsort(shares - exact, kind="stable")[:left]] += 1
    while left < 0:
        largest = np.argsort(-shares, kind="stable")[: min(-left, int((shares > 1).sum()))]
        take = np.minimum(shares[largest] - 1, max(-left // len(largest), 1))
        shares[largest] -= take
        left += int(take.sum())
    return shares


def _written(lanes: Sequence[tuple[NDArray, Table]]) -> list[bytes]:
    """Streams of lanes in falling order of their lengths, all written side by side."""
    lengths = np.array([len(numbers) for numbers, _ in lanes])
    most = int(lengths.max(initial=0))
    share = np.ones((most, len(lanes)), np.uint32)
    start = np.zeros((most, len(lanes)), np.uint32)
    rest = np.zeros((most, len(lanes)), np.uint32)
    low = np.array([table.low for _, table in lanes], np.uint32)
    for lane, (numbers, table) in enumerate(lanes):
        upper = numbers.astype(np.int64) >> table.low
        at = np.searchsorted(table.symbols, upper)
        if (table.symbols[np.minimum(at, len(table.symbols) - 1)] != upper).any():
            raise KeyError("a number that its table does not hold")
        share[: len(at), lane] = table.shares[at]
        start[: len(at), lane] = (np.cumsum(table.shares) - table.shares)[at]
        rest[: len(at), lane] = numbers & ((1 << table.low) - 1)

    state = np.full(len(lanes), 1 << _STATE_BITS, np.uint32)
    given: list[tuple[NDArray, NDArray]] = []

    def give_off(some: NDArray[np.int64], limit: NDArray[np.uint32]) -> None:
        """Bytes, until what is told next leaves the states of some lanes below their bounds."""
        is_over = state[some] >= limit
        while is_over.any():
            some, limit = some[is_over], limit[is_over]
            given.append((some, (state[some] & 0xFF).astype(np.uint8)))
            state[some] >>= 8
            is_over = state[some] >= limit

    top = _STATE_BITS + 8
    spare = np.uint32(top - SHARE_BITS)
    every, with_low = np.arange(len(lanes)), np.flatnonzero(low)
    low_limit = np.left_shift(np.uint32(1), top - low, dtype=np.uint32)
    telling = np.searchsorted(-lengths, -np.arange(most), side="left")
    for i in range(most - 1, -1, -1):
        n = telling[i]  # lanes that have a number here
        if len(at := with_low[: np.searchsorted(with_low, n)]):
            give_off(at, low_limit[at])
            state[at] = (state[at] << low[at]) | rest[i, at]
        part = share[i, :n]
        give_off(every[:n], part << spare)
        whole, left = np.divmod(state[:n], part)
        state[:n] = (whole << SHARE_BITS) + left + start[i, :n]
    return _in_lanes(state, given)


def _in_lanes(state: NDArray[np.uint32], given: list[tuple[NDArray, NDArray]]) -> list[bytes]:
    lane = np.concatenate([at for at, _ in given] or [np.empty(0, np.int64)])[::-1]
    byte = np.concatenate([told for _, told in given] or [np.empty(0, np.uint8)])[::-1]
    order = np.argsort(lane, kind="stable")
    ends = np.searchsorted(lane[order], np.arange(len(state) + 1))
    content = byte[order].tobytes()
    head = state.astype(">u4").tobytes()
    return [head[4 * i : 4 * i + 4] + content[ends[i] : ends[i + 1]] for i in range(len(state))]
