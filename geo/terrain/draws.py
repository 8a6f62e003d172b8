"""A terrain drawn again and again within its own error, and places within theirs, by window."""

from __future__ import annotations

import hashlib
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Final, TypeVar

import numpy as np
from numpy.typing import NDArray

from geo.kernels import cells
from geo.kernels import windows as kernels
from geo.terrain.error_field import HEIGHT_95, ErrorField, keyed_generator
from geo.uncertainty import POINT_95
from layers.grid import Grid, Window

T = TypeVar("T")
DRAWS: Final = 100
# Fewer tell no chance worth the name: where the budget does not reach for these there are none.
LEAST_DRAWS: Final = 10
# Two windows of more cells than these are not worked on at a time: they would need 6 GB.
LARGE_CELLS: Final = 50_000_000
_POSITIONS: Final = -1  # the stream of random numbers that positions are drawn from


@dataclass(frozen=True)
class ErrorModel:
    """How exact a terrain is, and how it is drawn.

    Attributes
    ----------
    accuracy95_m
        Vertical accuracy at 95 %.
    range_m
        Correlation range, see `geo.terrain.error_field.ErrorField`.
    draws
        How many are asked for, at least 1.
    seed
        Of everything drawn.
    """

    accuracy95_m: float
    range_m: float
    draws: int
    seed: int


@dataclass(frozen=True)
class DrawnGround:
    """The ground of any draw in any window, the ways under roads still open.

    Attributes
    ----------
    surface
        The ground as it is.
    field
        Its error.
    upper, lower
        Flat indices of cells of pipes and of the one the water of each runs to, from the highest
        down.
    """

    surface: Grid
    field: ErrorField
    upper: NDArray[np.int64]
    lower: NDArray[np.int64]

    @classmethod
    def of(
        cls,
        surface: Grid,
        error: ErrorModel,
        *,
        direction: NDArray[np.uint8],
        pipes: NDArray[np.int64] | None = None,
    ) -> DrawnGround:
        """Draws of ``surface``.

        Parameters
        ----------
        direction
            Which way its water runs, as of `geo.terrain.flow_direction`.
        pipes
            Flat indices of cells that were lowered to let water pass under something. They take
            part in the error, but stay open.
        """
        field = ErrorField(
            error.accuracy95_m / HEIGHT_95, error.range_m, surface.cell_m, error.seed
        )
        none = np.zeros(0, np.int64)
        if pipes is None:
            return cls(surface, field, none, none)
        z, code = surface.values.reshape(-1), direction.reshape(-1)[pipes]
        upper, code = pipes[code > 0], code[code > 0]
        lower = upper + cells.steps(surface.shape[1])[code]
        kept = np.isin(lower, pipes) & (z[lower] <= z[upper])  # over a full hollow water may rise
        upper, lower = upper[kept], lower[kept]
        order = np.argsort(-z[upper], kind="stable")
        return cls(surface, field, upper[order], lower[order])

    def read(self, draw: int, window: Window) -> NDArray[np.float32]:
        """The ground of one draw in a window, a new array."""
        z = self.surface.values[window.slices] + self.field.read(draw, window)
        if self.upper.size:
            a, b = (self.in_window(pipe, window) for pipe in (self.upper, self.lower))
            both = (a >= 0) & (b >= 0)
            kernels.keep_open(z.reshape(-1), a[both], b[both])
        return z

    def in_window(self, cell: NDArray[np.int64], window: Window) -> NDArray[np.int64]:
        """Flat indices in a window of cells of the whole; -1 outside."""
        row, col = np.divmod(cell, self.surface.shape[1])
        row, col = row - window.row, col - window.col
        inside = (row >= 0) & (row < window.rows) & (col >= 0) & (col < window.cols)
        return np.where(inside, row * window.cols + col, -1)


def places_drawn(
    xy: NDArray[np.float64],
    ids: Sequence[str],
    accuracy95_m: NDArray[np.float64],
    surface: Grid,
    error: ErrorModel,
) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Where each point lies in each draw, and in which cell.

    Parameters
    ----------
    xy
        Shape (points, 2), NaN where unknown.
    ids, accuracy95_m
        As for `displacements`.

    Returns
    -------
    place
        Shape (draws, points, 2).
    cell
        Flat indices, shape (draws, points); -1 off the terrain and in voids.
    """
    place = xy + displacements(ids, accuracy95_m, draws=error.draws, seed=error.seed)
    row, col, inside = surface.cells_at(place[:, :, 0], place[:, :, 1])
    inside &= ~np.isnan(surface.values[row, col])
    return place, np.where(inside, row * surface.shape[1] + col, -1)


def displacements(
    ids: Sequence[str], accuracy95_m: NDArray[np.float64], *, draws: int, seed: int
) -> NDArray[np.float64]:
    """How far each position is off in each draw, meters east and north.

    Shape (draws, points, 2). Normal on each axis with standard deviation ``accuracy95_m /
    2.4477``; nought where that is not known. A point's draws hang on its id alone, and the first
    ones are the same whatever their number.
    """
    sd = np.nan_to_num(accuracy95_m, nan=0.0) / POINT_95
    out = np.zeros((draws, len(ids), 2))
    for k, name in enumerate(ids):
        if sd[k] > 0:
            word = int.from_bytes(hashlib.blake2b(name.encode(), digest_size=8).digest())
            source = keyed_generator(seed, _POSITIONS, word)
            out[:, k] = sd[k] * source.standard_normal((draws, 2))
    return out


def in_turn(work: Callable[[int], T], draws: int, at_once: int) -> Iterator[tuple[int, T]]:
    """``work(draw)`` for each draw in turn, as many at the same time; no more is held at once."""
    with ThreadPoolExecutor(at_once) as pool:
        waiting = deque(pool.submit(work, draw) for draw in range(min(at_once, draws)))
        try:
            for draw in range(draws):
                result = waiting.popleft().result()
                if draw + at_once < draws:
                    waiting.append(pool.submit(work, draw + at_once))
                yield draw, result
        finally:
            for future in waiting:
                future.cancel()
