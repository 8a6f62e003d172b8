"""Slope and shade of a surface from the 3 x 3 window of Horn (1981), Proc. IEEE 69."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from geo.kernels.cells import LAND, VOID
from geo.kernels.compiling import compiled


def _height_at(z: NDArray, i: int, j: int) -> float:
    """Height of a cell; NaN in a void and outside."""
    inside = 0 <= i < z.shape[0] and 0 <= j < z.shape[1]
    return np.float64(z[i, j]) if inside else np.nan


def _rise_over(one: float, middle: float, other: float) -> float:
    """Rise from ``one`` to ``other`` over one cell, from those of the three that are not NaN."""
    if not (np.isnan(one) or np.isnan(other)):
        return (other - one) / 2
    return middle - one if np.isnan(other) else other - middle


height_at = compiled(_height_at)
rise_over = compiled(_rise_over)


def _gradient_at_rim(
    z: NDArray, i: int, j: int, width: float, height: float
) -> tuple[float, float]:
    """Rise over run to the east and to the south for a cell whose window is not whole.

    Each of the three rows (for the south: columns) gives its central difference, or the one-sided
    one where an end is missing, or nothing; they are weighted 1, 2, 1 as far as they are there.
    So a plane keeps its slope up to its rim. Without any pair along one axis the surface counts
    as level along it; without any pair at all both are NaN.
    """
    east, east_weight, south, south_weight = 0.0, 0.0, 0.0, 0.0
    for k in range(-1, 2):
        weight = 2.0 if k == 0 else 1.0
        p, q = i + k, j + k
        rise = rise_over(height_at(z, p, j - 1), height_at(z, p, j), height_at(z, p, j + 1))
        if not np.isnan(rise):
            east += weight * rise
            east_weight += weight
        rise = rise_over(height_at(z, i - 1, q), height_at(z, i, q), height_at(z, i + 1, q))
        if not np.isnan(rise):
            south += weight * rise
            south_weight += weight
    if east_weight == 0 and south_weight == 0:
        return np.nan, np.nan
    return (
        east / (east_weight * width) if east_weight > 0 else 0.0,
        south / (south_weight * height) if south_weight > 0 else 0.0,
    )


def _gradient(z: NDArray, i: int, j: int, across: float, along: float) -> tuple[float, float]:
    """Rise over run to the east and to the south for a cell with a whole window, in float64.

    ``across`` and ``along`` are one over eight widths, and heights, of a cell.
    """
    northwest, north, northeast = z[i - 1, j - 1], z[i - 1, j], z[i - 1, j + 1]
    west, east = z[i, j - 1], z[i, j + 1]
    southwest, south, southeast = z[i + 1, j - 1], z[i + 1, j], z[i + 1, j + 1]
    return (
        (
            (np.float64(northeast) - northwest)
            + 2 * (np.float64(east) - west)
            + (np.float64(southeast) - southwest)
        )
        * across,
        (
            (np.float64(southwest) - northwest)
            + 2 * (np.float64(south) - north)
            + (np.float64(southeast) - northeast)
        )
        * along,
    )


def _slope_at_rim(z: NDArray, i: int, j: int, width: float, height: float) -> float:
    """Rise over run of a cell whose window is not whole; NaN in a void."""
    if np.isnan(z[i, j]):
        return np.nan
    to_east, to_south = gradient_at_rim(z, i, j, width, height)
    return np.sqrt(to_east * to_east + to_south * to_south)


gradient_at_rim = compiled(_gradient_at_rim)
slope_at_rim = compiled(_slope_at_rim)
gradient = compiled(_gradient)


def _slope(z: NDArray, width: float, height: float, out: NDArray, first: int, last: int) -> None:
    """Rise over run of the rows ``first`` to ``last``, into ``out``; NaN in voids."""
    rows, cols = z.shape
    across, along = 1 / (8 * width), 1 / (8 * height)
    for i in range(first, last):
        for j in range(0, cols, max(cols - 1, 1)):
            out[i, j] = slope_at_rim(z, i, j, width, height)
        if not 0 < i < rows - 1:
            for j in range(1, cols - 1):
                out[i, j] = slope_at_rim(z, i, j, width, height)
            continue
        for j in range(1, cols - 1):
            to_east, to_south = gradient(z, i, j, across, along)
            out[i, j] = np.sqrt(to_east * to_east + to_south * to_south)
        voids = 0
        for j in range(1, cols - 1):
            voids += np.isnan(out[i, j]) | np.isnan(z[i, j])
        if voids > 0:  # a NaN in the window shows in the result, but for that in its middle
            for j in range(1, cols - 1):
                if np.isnan(out[i, j]) | np.isnan(z[i, j]):
                    out[i, j] = slope_at_rim(z, i, j, width, height)


def _hillshade(
    z: NDArray,
    kind: NDArray[np.uint8],
    width: float,
    height: float,
    light: tuple[float, float, float],
) -> NDArray[np.uint8]:
    """Brightness 1 to 255 of every cell under a light far away; 0 in voids.

    ``light`` is the unit vector towards it: east, north, up. Brightness is the cosine between it
    and the normal of the surface, 1 where the surface turns away (Horn 1981, section III).
    A cell without neighbors is shaded as level.
    """
    rows, cols = z.shape
    across, along = 1 / (8 * width), 1 / (8 * height)
    out = np.zeros((rows, cols), np.uint8)
    for i in range(rows):
        for j in range(cols):
            if kind[i, j] == VOID:
                continue
            if kind[i, j] == LAND:
                to_east, to_south = gradient(z, i, j, across, along)
            else:
                to_east, to_south = gradient_at_rim(z, i, j, width, height)
                if np.isnan(to_east):
                    to_east, to_south = 0.0, 0.0
            cosine = (light[2] - to_east * light[0] + to_south * light[1]) / np.sqrt(
                1 + to_east * to_east + to_south * to_south
            )
            out[i, j] = np.uint8(1.5 + 254 * max(cosine, 0.0))
    return out


slope = compiled(_slope)
hillshade = compiled(_hillshade)
