"""Which pit each cell drains to, and where catchments meet: the start of filling and of trees."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from geo.kernels import catchments as kernels
from geo.kernels import flow
from geo.kernels.ordering import order_by
from geo.terrain.stripes import in_stripes


class Catchments(NamedTuple):
    """Of each cell, flat: the direction its water runs, and the number of its pit; the pits."""

    direction: NDArray[np.uint8]
    label: NDArray[np.int32]
    pit: NDArray[np.int32]


class Outlets(NamedTuple):
    """The lowest ways over between catchments, and the order to take them in."""

    low: NDArray[np.int32]
    high: NDArray[np.int32]
    level: NDArray
    cell: NDArray[np.int32]
    order: NDArray[np.int32]


def find_catchments(
    z: NDArray, kind: NDArray[np.uint8], cell_size: tuple[float, float]
) -> Catchments:
    """Follow the steepest descent from every cell of ``z`` as it is.

    ``kind`` is from `geo.kernels.cells.kinds`; no cell of the border may be land.
    """
    rows, cols = z.shape
    direction = flow.steepest(z, kind, *cell_size).reshape(-1)
    undrained = flow.drain_flats(z.reshape(-1), direction, cols)
    pit = kernels.settle(direction, undrained, cols)
    label = np.full(z.size, -1, np.int32)
    label[pit] = np.arange(1, pit.size + 1)
    in_stripes(
        lambda first, last: kernels.label_catchments(
            direction, label, cols, first * cols, last * cols
        ),
        rows,
    )
    return Catchments(direction, label, pit)


def find_outlets(
    z: NDArray, label: NDArray[np.int32], pits: int, cell_size: tuple[float, float]
) -> Outlets:
    """Ways over between the catchments of ``z``, from the lowest up.

    Equally low ones stand by their cell, those of one cell by how steeply it falls to their side,
    equally steep ones by their labels.
    """
    flat = z.reshape(-1)
    parts = in_stripes(
        lambda first, last: list(
            kernels.outlets(flat, label, pits, z.shape[1], cell_size, first, last)
        ),
        z.shape[0],
    )
    # field by field, each part let go of as it is joined
    fall, cell, level, high, low = (
        np.concatenate([part.pop() for part in parts]) for _ in range(5)
    )
    order = order_by(cell.astype(np.uint32), 31, np.arange(cell.size, dtype=np.int32))
    order = order_by(_key(level)[order], 8 * level.itemsize, order)
    kernels.order_at_one_cell(order, low, high, level, cell, fall)
    return Outlets(low, high, level, cell, order)


def _key(level: NDArray) -> NDArray:
    """Whole numbers without sign in the order of float32 or float64 numbers of the same size."""
    bits = (level + level.dtype.type(0)).view(f"u{level.itemsize}")  # one zero only
    sign = bits.dtype.type(1 << (8 * level.itemsize - 1))
    return np.where(bits & sign, ~bits, bits | sign)
