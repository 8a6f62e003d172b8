"""Streams of numbers by their shares, read back as the paper says (arXiv:1311.2540)."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from geo.kernels.coding import write_streams


def written(lanes: list[list[int]], low: int) -> tuple[list[bytes], np.ndarray, int]:
    """Streams of one table in which every symbol has about the same share."""
    numbers = np.concatenate(lanes).astype(np.uint32)
    symbols = np.unique(numbers >> low).astype(np.int64)
    shares = np.full(symbols.size, 2**15 // symbols.size)
    shares[0] += 2**15 - shares.sum()
    ends = np.cumsum([len(lane) for lane in lanes])
    out, begins = np.zeros(5 * ends[-1] + 4 * len(lanes), np.uint8), np.zeros(len(lanes), np.int64)
    lost = write_streams(
        numbers, ends, np.zeros(len(lanes), np.int64), symbols, shares,
        np.array([symbols.size]), np.array([low]), out, begins,
    )  # fmt: skip
    room = 5 * ends + 4 * np.arange(1, len(lanes) + 1)
    streams = [out[a:b].tobytes() for a, b in zip(begins, room, strict=True)]
    return streams, np.column_stack([symbols, shares]), lost


def read(stream: bytes, count: int, table: np.ndarray, low: int) -> list[int]:
    slots = [(symbol, k, share) for symbol, share in table.tolist() for k in range(share)]
    state, rest = int.from_bytes(stream[:4], "big"), list(stream[4:])
    found = []
    for _ in range(count):
        symbol, k, share = slots[state % 2**15]
        state = share * (state // 2**15) + k
        while state < 2**23:
            state = 256 * state + rest.pop(0)
        found.append((symbol << low) + state % 2**low)
        state >>= low
        while state < 2**23:
            state = 256 * state + rest.pop(0)
    assert (state, rest) == (2**23, [])  # all that was written is read, and no more
    return found


number = st.integers(0, 9) | st.integers(0, 2**32 - 1)


@given(st.lists(st.lists(number, min_size=1, max_size=30), min_size=1, max_size=4),
       st.integers(0, 20))  # fmt: skip
@settings(deadline=None)
def test_every_stream_gives_its_numbers_back(lanes: list[list[int]], low: int) -> None:
    streams, table, lost = written(lanes, low)
    assert lost == -1
    assert [read(s, len(x), table, low) for s, x in zip(streams, lanes, strict=True)] == lanes


def test_a_number_that_is_not_in_the_table_is_named_by_its_place() -> None:
    out, begins = np.zeros(40, np.uint8), np.zeros(1, np.int64)
    table = np.array([3, 5]), np.array([2**14, 2**14]), np.array([2]), np.array([0])
    for wrong in (0, 4, 6):
        numbers = np.array([3, wrong, 5], np.uint32)
        assert write_streams(numbers, np.array([3]), np.array([0]), *table, out, begins) == 1
