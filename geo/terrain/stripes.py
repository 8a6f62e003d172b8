"""Work on a raster by stripes of rows, on all cores at once."""

from __future__ import annotations

import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

T = TypeVar("T")

_ROWS = 512  # of a stripe, about


def in_stripes(work: Callable[[int, int], T], rows: int) -> list[T]:
    """Call ``work(first, last)`` for stripes that make up all rows; the results in their order.

    ``last`` is not included. The calls run at the same time where there are cores for it (kernels
    release the interpreter lock), so each must write to rows, or to an array, of its own.
    """
    count = max(1, round(rows / _ROWS))
    bounds = [rows * k // count for k in range(count + 1)]
    if count == 1:
        return [work(0, rows)]
    with ThreadPoolExecutor(min(count, _cores())) as pool:
        return list(pool.map(work, bounds[:-1], bounds[1:]))


def _cores() -> int:
    """How many cores this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1
