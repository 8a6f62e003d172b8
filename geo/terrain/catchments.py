"""Which pit each cell drains to, and where catchments meet: the start of filling and of trees."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from geo.kernels import catchments as kernels
from geo.kernels import flow
from geo.kernels.ordering import order_by, turn_into_keys
from geo.terrain.stripes import in_stripes

_NONE = np.empty(0, np.int32)


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


class Levels(NamedTuple):
    """Of each cell, flat, its label; of each label the level over which it reaches a held one.

    ``held`` is that label: 0, the ocean, or one of the cells held besides; ``one``, ``other`` and
    ``over`` are the outlets between held labels.
    """

    label: NDArray[np.int32]
    brim: NDArray
    held: NDArray[np.int32]
    one: NDArray[np.int32]
    other: NDArray[np.int32]
    over: NDArray


def find_catchments(
    z: NDArray,
    kind: NDArray[np.uint8],
    cell_size: tuple[float, float],
    held: NDArray[np.int32] = _NONE,
) -> Catchments:
    """Follow the steepest descent from every cell of ``z`` as it is.

    ``kind`` is from `geo.kernels.cells.kinds`; no cell of the border may be land. Flat indices in
    ``held`` are of cells that are not land and yet get labels of their own, before all pits.
    """
    rows, cols = z.shape
    direction = flow.steepest(z, kind, *cell_size).reshape(-1)
    undrained = flow.drain_flats(z.reshape(-1), direction, cols)
    pit = kernels.settle(direction, undrained, cols)
    label = np.full(z.size, -1, np.int32)
    label[held] = np.arange(1, held.size + 1)
    label[pit] = np.arange(held.size + 1, held.size + pit.size + 1)
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
    low, high, level, cell, fall = _outlets(flat, label, pits, z.shape[1], cell_size, True)
    order = order_by(cell.astype(np.uint32), 31, np.arange(cell.size, dtype=np.int32))
    order = order_by(_key(level)[order], 8 * level.itemsize, order)
    kernels.order_at_one_cell(order, low, high, level, cell, fall)
    return Outlets(low, high, level, cell, order)


def find_levels(z: NDArray, kind: NDArray[np.uint8], held: NDArray[np.int32] = _NONE) -> Levels:
    """Over which level the water of each cell reaches the ocean, or one of the ``held`` cells.

    Arguments are those of `find_catchments`.
    """
    label, pits = find_catchments(z, kind, (1.0, 1.0), held)[1:]
    del kind
    labels = 1 + held.size + pits.size
    low, high, level = _outlets(z.reshape(-1), label, labels - 1, z.shape[1], (1.0, 1.0), False)[:3]
    return Levels(label, *join_levels(low, high, level, labels, 1 + held.size))


def join_levels(
    low: NDArray[np.int32], high: NDArray[np.int32], level: NDArray, labels: int, held: int
) -> tuple[NDArray, NDArray[np.int32], NDArray[np.int32], NDArray[np.int32], NDArray]:
    """`geo.kernels.catchments.join_to_held`, the outlets put in the order of their levels."""
    order = np.arange(level.size, dtype=np.int32)
    order = order_by(_key(level), 8 * level.itemsize, order)
    return kernels.join_to_held(order, low, high, level, labels, held)


def _outlets(
    flat: NDArray,
    label: NDArray[np.int32],
    labels: int,
    cols: int,
    cell_size: tuple[float, float],
    with_place: bool,
) -> list[NDArray]:
    """`geo.kernels.catchments.outlets` of all rows."""
    parts = in_stripes(
        lambda first, last: list(
            kernels.outlets(flat, label, labels, cols, cell_size, first, last, with_place)
        ),
        flat.size // max(cols, 1),
    )
    # field by field, each part let go of as it is joined
    fields = [np.concatenate([part.pop() for part in parts]) for _ in range(5)]
    return fields[::-1]


def _key(level: NDArray) -> NDArray:
    """Whole numbers without sign in the order of float32 or float64 numbers of the same size."""
    bits = (level + level.dtype.type(0)).view(f"u{level.itemsize}")  # one zero only
    sign = bits.dtype.type(1 << (8 * level.itemsize - 1))
    turn_into_keys(bits, sign)
    return bits
