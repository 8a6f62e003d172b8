"""Filling of depressions by priority flood."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from geo.kernels.cells import COL_STEP, LAND, OCEAN, ROW_STEP, steps
from geo.kernels.compiling import compiled

_SEEN = 3  # has its final level, or will never have one
_RIM = 4  # the same, on the border of the raster: not all neighbours exist


def _float_to_key(values: NDArray[np.uint32]) -> None:
    """Turn the bits of float32 numbers, in place, into integers of the same order."""
    for c in range(values.size):
        u = values[c]
        if u >> np.uint32(31):
            values[c] = u ^ np.uint32(0xFFFFFFFF)
        else:
            values[c] = u ^ np.uint32(0x80000000)


def _key_to_float(values: NDArray[np.uint32]) -> None:
    """Undo `float_to_key`, in place."""
    for c in range(values.size):
        u = values[c]
        if u >> np.uint32(31):
            values[c] = u ^ np.uint32(0x80000000)
        else:
            values[c] = u ^ np.uint32(0xFFFFFFFF)


def _push(heap: NDArray[np.uint64], size: int, item: np.uint64) -> int:
    """Put an item on a heap with four children to a node; the heap must have room."""
    i = size
    while i > 0:
        parent = (i - 1) >> 2
        if heap[parent] <= item:
            break
        heap[i] = heap[parent]
        i = parent
    heap[i] = item
    return size + 1


def _pop(heap: NDArray[np.uint64], size: int) -> np.uint64:
    """Take the least item; the caller reduces its size by one."""
    least = heap[0]
    last = size - 1
    item = heap[last]
    i = 0
    while True:
        first = (i << 2) + 1
        if first >= last:
            break
        best = first
        value = heap[first]
        for child in range(first + 1, min(first + 4, last)):
            if heap[child] < value:
                best = child
                value = heap[child]
        if value >= item:
            break
        heap[i] = value
        i = best
    heap[i] = item
    return least


def _pack(key: np.uint32, cell: int) -> np.uint64:
    """Key and cell as one number that sorts by key, then by row, then by column."""
    return (np.uint64(key) << np.uint64(32)) | np.uint64(cell)


float_to_key = compiled(_float_to_key)
key_to_float = compiled(_key_to_float)
push = compiled(_push)
pop = compiled(_pop)
pack = compiled(_pack)


def _flood(key: NDArray[np.uint32], kind: NDArray[np.uint8], cols: int) -> None:
    """Raise every land cell, in place, to the lowest level at which its water reaches the ocean.

    Barnes, Lehman and Mulla (2014), Computers & Geosciences 62, algorithm 2: a heap for cells
    above the water and a plain stack for the cells under it.

    Parameters
    ----------
    key
        Flat, row by row: integers in the order of the elevations (see `float_to_key`).
    kind
        Flat, from `geo.kernels.cells.kinds`; used up as the memory of what has been seen.
    cols
        Number of columns; there are fewer than 2**31 cells.
    """
    step = steps(cols)
    cells = key.size
    rows = cells // max(cols, 1)
    heap = np.empty(1024, np.uint64)
    waiting = 0
    wet = np.empty(1024, np.int32)
    under = 0
    for cell in range(cells):
        if kind[cell] == LAND:
            continue
        if kind[cell] == OCEAN:
            if waiting == heap.size:
                heap = np.concatenate((heap, np.empty_like(heap)))
            waiting = push(heap, waiting, pack(key[cell], cell))
        col = cell % cols
        on_rim = cell < cols or cell >= cells - cols or col == 0 or col == cols - 1
        kind[cell] = _RIM if on_rim else _SEEN
    while waiting > 0 or under > 0:
        if under > 0:
            under -= 1
            c = np.int64(wet[under])
        else:
            c = np.int64(pop(heap, waiting) & np.uint64(0xFFFFFFFF))
            waiting -= 1
        level = key[c]
        on_rim = kind[c] == _RIM
        for code in range(1, 9):
            if on_rim:
                i = c // cols + ROW_STEP[code]
                j = c % cols + COL_STEP[code]
                if i < 0 or j < 0 or i >= rows or j >= cols:
                    continue
            n = c + step[code]
            if kind[n] != LAND:
                continue
            kind[n] = _SEEN
            if key[n] <= level:
                key[n] = level
                if under == wet.size:
                    wet = np.concatenate((wet, np.empty_like(wet)))
                wet[under] = n
                under += 1
            else:
                if waiting == heap.size:
                    heap = np.concatenate((heap, np.empty_like(heap)))
                waiting = push(heap, waiting, pack(key[n], n))


flood = compiled(_flood)
