"""Whole numbers written in as few bits as the share of each among all of them allows.

The range variant of asymmetric numeral systems (J. Duda, "Asymmetric numeral systems: entropy
coding combining speed of Huffman coding with compression rate of arithmetic coding",
arXiv:1311.2540; from memory).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from geo.kernels.compiling import compiled

SHARE_BITS = 15
STATE_BITS = 23  # a state is never less than this power of two, and below 256 times it
MOST_BYTES = 5  # that one number gives off: 20 bits as they are and 15 by its share


def _write_streams(
    numbers: NDArray[np.uint32],
    ends: NDArray[np.int64],
    tables: NDArray[np.int64],
    symbols: NDArray[np.int64],
    shares: NDArray[np.int64],
    table_ends: NDArray[np.int64],
    low: NDArray[np.int64],
    out: NDArray[np.uint8],
    begins: NDArray[np.int64],
) -> int:
    """Write streams of numbers from the end of each one's room backwards.

    The last state stands first, its highest byte before the others; then the bytes that states gave
    off, the last one first.

    Parameters
    ----------
    numbers, ends
        Of all streams in turn, and where those of each end; shapes (numbers,) and (streams,).
    tables
        The table of each stream.
    symbols, shares, table_ends
        Of all tables in turn: numbers without their low bits, rising; the parts of 2^15 of each;
        and where those of each table end.
    low
        By table, how many of a number's bits are told as they are; at most 20.
    out, begins
        Written: the streams, the room of each `MOST_BYTES` a number and 4 more, and where in it
        each begins; it ends where its room does.

    Returns
    -------
    int
        The place of a number that its table does not hold; -1 where there is none.
    """
    top = 1 << (STATE_BITS + 8)
    for stream in range(len(ends)):
        first = ends[stream - 1] if stream else 0
        table = tables[stream]
        known = table_ends[table - 1] if table else 0
        # where the share of each symbol begins
        start = np.zeros(table_ends[table] - known, np.int64)
        for i in range(1, len(start)):
            start[i] = start[i - 1] + shares[known + i - 1]
        bits = low[table]
        state = 1 << STATE_BITS
        at = MOST_BYTES * ends[stream] + 4 * (stream + 1)
        for place in range(ends[stream] - 1, first - 1, -1):
            number = np.int64(numbers[place])
            upper = number >> bits
            i, above = 0, len(start)
            while above - i > 1:
                half = (i + above) >> 1
                if symbols[known + half] <= upper:
                    i = half
                else:
                    above = half
            if symbols[known + i] != upper:
                return place
            if bits:
                while state >= top >> bits:
                    at -= 1
                    out[at] = state & 0xFF
                    state >>= 8
                state = (state << bits) | (number & ((1 << bits) - 1))
            share = shares[known + i]
            while state >= share << (STATE_BITS + 8 - SHARE_BITS):
                at -= 1
                out[at] = state & 0xFF
                state >>= 8
            state = (state // share << SHARE_BITS) + state % share + start[i]
        for _ in range(4):
            at -= 1
            out[at] = state & 0xFF
            state >>= 8
        begins[stream] = at
    return -1


write_streams = compiled(_write_streams)
