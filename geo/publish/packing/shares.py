"""Whole numbers written in as few bits as the share of each among all of them allows.

`geo.kernels.coding` writes them, ``page/shares.js`` reads them. A number's upper bits are told by
their share, ``low`` bits as they are. A stream holds at most `MOST` numbers; an empty one holds
nothing but the most frequent number.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from geo.kernels import coding

MOST: Final = 2048
_WHOLE: Final = 1 << coding.SHARE_BITS
_MOST_SYMBOLS: Final = 4096
_MOST_LOW: Final = 20
_STREAM_BITS: Final = 34  # what a stream costs beyond its numbers, about
_LANES: Final = 1024  # written at once: 10 MB of room


@dataclass(frozen=True)
class ShareTable:
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

    def for_page(self) -> dict[str, Any]:
        """As a page holds it."""
        return {"low": self.low, "steps": np.diff(self.symbols, prepend=0), "shares": self.shares}


def table_of(numbers: NDArray[np.int64]) -> tuple[ShareTable, float]:
    """The table that tells some numbers shortest, and about how many bits they take with it.

    Parameters
    ----------
    numbers
        At least one, none below 0, all below 2^32.
    """
    found, count = distinct_counts(numbers)
    low, bits = _best_low(found, count)
    symbols, count = _without_low(found, count, low)
    count_of_streams = -(-len(numbers) // MOST)
    return ShareTable(low, symbols, _shares(count)), bits + _STREAM_BITS * count_of_streams


def bits(numbers: NDArray[np.int64], *, of: int) -> float:
    """About how many bits a sample of ``of`` numbers takes, with its part of their table."""
    return _best_low(*distinct_counts(numbers), part=len(numbers) / of)[1]


def streams(lanes: Sequence[tuple[NDArray, ShareTable]]) -> list[bytes]:
    """Some numbers, at most `MOST`, as a stream each.

    Raises
    ------
    KeyError
        For a number that its table does not hold.
    """
    shown = [i for i, (numbers, table) in enumerate(lanes) if not _is_bare(numbers, table)]
    written = [b""] * len(lanes)
    for first in range(0, len(shown), _LANES):
        some = shown[first : first + _LANES]
        for lane, stream in zip(some, _written([lanes[i] for i in some]), strict=True):
            written[lane] = stream
    return written


def _is_bare(numbers: NDArray, table: ShareTable) -> bool:
    """Whether they are all the most frequent number."""
    return table.low == 0 and bool((numbers == table.symbols[table.shares.argmax()]).all())


def distinct_counts(numbers: NDArray[np.int64]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
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


def _written(lanes: Sequence[tuple[NDArray, ShareTable]]) -> list[bytes]:
    tables = list({id(table): table for _, table in lanes}.values())
    place = {id(table): i for i, table in enumerate(tables)}
    numbers = np.concatenate([numbers for numbers, _ in lanes]).astype(np.uint32)
    ends = np.cumsum([len(numbers) for numbers, _ in lanes])
    room = coding.MOST_BYTES * ends + 4 * np.arange(1, len(lanes) + 1)
    out = np.empty(room[-1], np.uint8)
    begins = np.empty(len(lanes), np.int64)
    lost = coding.write_streams(
        numbers, ends, np.array([place[id(table)] for _, table in lanes]),
        np.concatenate([table.symbols for table in tables]),
        np.concatenate([table.shares for table in tables]),
        np.cumsum([len(table.symbols) for table in tables]),
        np.array([table.low for table in tables]), out, begins,
    )  # fmt: skip
    if lost >= 0:
        raise KeyError("a number that its table does not hold")
    return [out[begin:end].tobytes() for begin, end in zip(begins, room, strict=True)]
