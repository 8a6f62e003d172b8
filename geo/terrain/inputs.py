"""What the functions on terrain accept, checked once in one way."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

_MOST_CELLS = 2**31 - 1  # kernels keep flat indices in 32 bits


def surface_of(z: ArrayLike, name: str = "z") -> NDArray:
    """``z`` as a two-dimensional float array in row order, voids NaN.

    float32 and float64 stay what they are; masked cells become NaN; whole numbers become float32
    if none is beyond 2**24, up to which float32 holds them exactly, else float64.

    Raises
    ------
    ValueError
        If it is not two-dimensional, not numbers, holds infinite values or whole numbers beyond
        2**53, or has 2**31 cells or more.
    """
    hidden = np.ma.getmaskarray(z) if isinstance(z, np.ma.MaskedArray) else None
    values = np.asarray(z)
    if values.ndim != 2:
        raise ValueError(f"{name} must have two dimensions (rows, columns), not {values.ndim}")
    if values.size > _MOST_CELLS:
        raise ValueError(f"{name} has {values.size:,} cells; at most {_MOST_CELLS:,} are possible")
    if values.dtype.kind in "iu":
        exact: type = np.float32
        if values.itemsize > 2 and not _holds_all(np.float32, values):
            exact = np.float64
            if values.itemsize > 4 and not _holds_all(np.float64, values):
                raise ValueError(f"{name} holds whole numbers too large to be kept exactly")
        values = values.astype(exact)
    elif values.dtype == np.float16:
        values = values.astype(np.float32)
    elif values.dtype.newbyteorder("=") not in (np.float32, np.float64):
        raise ValueError(f"{name} must be numbers (float32, float64 or whole), not {values.dtype}")
    if hidden is not None and hidden.any():
        values = np.where(hidden, values.dtype.type(np.nan), values)
    values = np.require(values, values.dtype.newbyteorder("="), ["C", "W"])
    infinite = np.isinf(values)
    if infinite.any():
        row, col = (int(k) for k in np.argwhere(infinite)[0])
        raise ValueError(
            f"{name} holds {int(infinite.sum()):,} infinite values, the first in row {row}, "
            f"column {col}; mark cells without data with NaN"
        )
    return values


def _holds_all(kind: type, values: NDArray) -> bool:
    """Whether each whole number survives the way to a float kind and back."""
    limit = 2 ** (np.finfo(kind).nmant + 1)
    return not values.size or bool(values.min() >= -limit and values.max() <= limit)


def cell_of(cell_m: float | tuple[float, float]) -> tuple[float, float]:
    """(width, height) of a cell.

    Raises
    ------
    ValueError
        If it is neither a positive number nor a pair of them.
    """
    sides = np.asarray(cell_m, dtype=np.float64)
    if sides.shape not in ((), (2,)) or not (np.isfinite(sides).all() and (sides > 0).all()):
        raise ValueError(
            f"cell_m must be a positive number or a pair (width, height), not {cell_m!r}"
        )
    width, height = np.broadcast_to(sides, 2).tolist()
    return width, height


def directions_of(direction: ArrayLike) -> NDArray[np.uint8]:
    """Direction codes as uint8 in row order.

    Raises
    ------
    ValueError
        If it is not two-dimensional, holds anything but whole numbers from 0 to 8, or a cell of
        the border points out of the raster.
    """
    codes = np.asarray(direction)
    if codes.ndim != 2:
        raise ValueError(f"direction must have two dimensions, not {codes.ndim}")
    if codes.dtype.kind not in "iu":
        raise ValueError(f"direction must be whole numbers from 0 to 8, not {codes.dtype}")
    if codes.size:
        if codes.min() < 0 or codes.max() > 8:
            raise ValueError("direction must be 0 (void or ocean) or a code from 1 to 8")
        leaves = (
            np.isin(codes[0], (2, 3, 4)).any()
            or np.isin(codes[-1], (6, 7, 8)).any()
            or np.isin(codes[:, 0], (4, 5, 6)).any()
            or np.isin(codes[:, -1], (1, 2, 8)).any()
        )
        if leaves:
            raise ValueError("a cell of the border points out of the raster; its code must be 0")
    return np.require(codes, np.uint8, ["C", "W"])


def mask_of(mask: ArrayLike, shape: tuple[int, ...], name: str) -> NDArray[np.bool_]:
    """A boolean mask of the given shape in row order.

    Raises
    ------
    ValueError
        If it is not boolean or has another shape.
    """
    flags = np.asarray(mask)
    if flags.dtype != np.bool_:
        raise ValueError(f"{name} must be boolean, not {flags.dtype}")
    same_shape(flags, shape, name)
    return np.require(flags, np.bool_, ["C", "W"])


def same_shape(values: NDArray, shape: tuple[int, ...], name: str) -> None:
    """Refuse an array that lies on another grid.

    Raises
    ------
    ValueError
        If the shapes differ.
    """
    if values.shape != shape:
        raise ValueError(f"{name} has shape {values.shape}, the terrain {shape}")
