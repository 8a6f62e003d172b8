"""What a terrain cannot show: water held, or sent, by the ground beyond its edge or in its holes.

Water leaves over the edge of a terrain, so that a hollow the edge cuts looks dry, and so does one
that is filled from outside. Here stands how high water may stand, and where it may come in.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from geo.kernels import cells
from geo.terrain.conditioning import fill_depressions
from layers.measures import ACRE_M2

# All common practice, no source.
HELD_M: Final = 2.0  # the ground beyond the edge, or in a hole, may hold water so much higher
LARGEST_HOLE_M2: Final = 100.0  # the ground in a larger hole (a small house) is not known
STREAM_WIDTH_M: Final = np.inf  # a mapped stream brings in more than any width of hillside


@dataclass(frozen=True)
class Beyond:
    """What may lie beyond a terrain and in its holes.

    Attributes
    ----------
    is_guessed
        Boolean, shape (rows, cols): cells of holes too large for their ground to be known.
    is_closed
        Same shape: cells of every hole outside mapped water: their ground is read off the rim.
    held
        Same shape: the brim of each cell's hollow with the outermost cells, and those of such
        holes, `HELD_M` higher; NaN in voids.
    entry
        Flat indices of the cells into which an outermost cell would send its water.
    width_m
        How wide that part of the edge is; infinite at a mapped stream.
    """

    is_guessed: NDArray[np.bool_]
    is_closed: NDArray[np.bool_]
    held: NDArray
    entry: NDArray[np.int64]
    width_m: NDArray[np.float64]

    def on(self, z: NDArray) -> Beyond:
        """The same edge and holes around a surface that differs within."""
        return replace(self, held=_held(z, cells.kinds(np.isnan(z)), self.is_guessed))

    def with_ways_out(self, area_cells: NDArray, cell_m: tuple[float, float]) -> Beyond:
        """The same where a hole into which an acre drains may send its water out on any side.

        ``area_cells`` is how many cells drain through each, 0 in voids.
        """
        if not self.is_closed.any():
            return self
        labels, _ = ndimage.label(self.is_closed, structure=np.ones((3, 3)))
        rims = []
        for number, (rows, cols) in enumerate(ndimage.find_objects(labels), 1):
            part = np.s_[
                max(rows.start - 1, 0) : rows.stop + 1, max(cols.start - 1, 0) : cols.stop + 1
            ]
            around = ndimage.binary_dilation(labels[part] == number, np.ones((3, 3)))
            if area_cells[part][around].max() * cell_m[0] * cell_m[1] >= ACRE_M2:
                row, col = np.nonzero(around & ~self.is_closed[part] & (area_cells[part] > 0))
                rims.append((row + part[0].start) * labels.shape[1] + col + part[1].start)
        rim = np.concatenate([np.empty(0, np.int64), *rims])
        return replace(
            self,
            entry=np.append(self.entry, rim),
            width_m=np.append(self.width_m, np.full(rim.size, STREAM_WIDTH_M)),
        )


def beyond_of(
    z: NDArray,
    cell_m: tuple[float, float],
    *,
    is_guessed: NDArray[np.bool_] | None = None,
    is_closed: NDArray[np.bool_] | None = None,
    streams: NDArray[np.bool_] | None = None,
) -> Beyond:
    """What may lie beyond the edge of a surface and in its holes.

    Parameters
    ----------
    z
        Elevation, small voids closed; NaN where there is none.
    cell_m
        Width and height of a cell.
    is_guessed, is_closed
        See `guessed` and `Beyond`; left out: no cell is.
    streams
        Mask of mapped streams; left out: there are none.
    """
    if is_guessed is None:
        is_guessed = np.zeros(z.shape, bool)
    if is_closed is None:
        is_closed = is_guessed
    kind = cells.kinds(np.isnan(z))
    entry, width_m = _entries(z, kind, cell_m, streams)
    return Beyond(is_guessed, is_closed, _held(z, kind, is_guessed), entry, width_m)


def guessed(
    is_closed: NDArray[np.bool_],
    cell_m: tuple[float, float],
    waters: NDArray[np.integer] | None = None,
) -> NDArray[np.bool_]:
    """Closed cells whose ground is not known: those of holes larger than `LARGEST_HOLE_M2`.

    Under mapped water (``waters`` above 0) the level of the water is the ground.
    """
    if not is_closed.any():
        return np.zeros(is_closed.shape, bool)
    labels, _ = ndimage.label(is_closed, structure=np.ones((3, 3)))
    is_large = np.bincount(labels.reshape(-1)) * cell_m[0] * cell_m[1] > LARGEST_HOLE_M2
    is_large[0] = False
    found = is_large[labels]
    return found if waters is None else found & (waters <= 0)


def _held(z: NDArray, kind: NDArray[np.uint8], is_guessed: NDArray[np.bool_]) -> NDArray:
    raised = np.where((kind == cells.OCEAN) | is_guessed, z + z.dtype.type(HELD_M), z)
    return fill_depressions(raised)


def _entries(
    z: NDArray,
    kind: NDArray[np.uint8],
    cell_m: tuple[float, float],
    streams: NDArray[np.bool_] | None,
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Where outermost cells send water inward: to their steepest inner neighbor."""
    row, col = np.nonzero(kind == cells.OCEAN)
    rows, cols = z.shape
    steepest, entry = np.zeros(row.size), np.full(row.size, -1, np.int64)
    for code in range(1, 9):
        step, shift = cells.ROW_STEP[code], cells.COL_STEP[code]
        p, q = row + step, col + shift
        inside = (p >= 0) & (p < rows) & (q >= 0) & (q < cols)
        p, q = np.where(inside, p, 0), np.where(inside, q, 0)
        inside &= kind[p, q] == cells.LAND
        slope = (z[row, col] - z[p, q]) / np.hypot(shift * cell_m[0], step * cell_m[1])
        better = inside & (slope > steepest)
        steepest[better] = slope[better]
        entry[better] = (p * cols + q)[better]
    comes_in = entry >= 0
    width = np.full(row.size, (cell_m[0] + cell_m[1]) / 2)
    if streams is not None:
        width[streams[row, col]] = STREAM_WIDTH_M
    return entry[comes_in], width[comes_in]
