"""The error of a terrain as a random field: Gaussian, alike at places that are near each other."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from geo.kernels.smoothing import smooth
from layers.grid import Window

# Standard deviation of a height from its accuracy at 95 % (FGDC-STD-007.3-1998: 1.9600 RMSE).
HEIGHT_95: Final = 1.96
# How far a terrain's error is alike where nothing is known of it: common practice, no source.
# Its correlation falls to 0.05 in 3.46 ranges, 35 m; Oksanen and Sarjakoski (2005) tried 30 to
# 120 m on a fine terrain (their figures as their abstract has them).
RANGE_M: Final = 10.0
# The filter is cut off so many ranges from its middle; what it leaves out is 6 in 100,000.
CUT: Final = 4.0

_BLOCK: Final = 64  # cells; a block's noise is drawn as one piece, by its own key
_WORD: Final = 1 << 64


@dataclass(frozen=True)
class ErrorField:
    """Draws of a terrain's error, the same at a cell whichever window asks for it.

    White noise from a counter-based generator keyed on seed, draw and block of the raster, through
    a Gaussian filter whose standard deviation is the correlation range, so that the correlation
    at a distance h is exp(-h^2 / (4 range^2)), scaled by the filter's own gain (Lindsay and Creed
    2005, but for the scaling: theirs is by the spread of the window).

    Attributes
    ----------
    sd_m
        Standard deviation of the error at a cell, at least 0.
    range_m
        Correlation range, at least 0: at 0 each cell's error is its own.
    cell_m
        (width, height) of a cell.
    seed
        Any whole number.
    """

    sd_m: float
    range_m: float
    cell_m: tuple[float, float]
    seed: int

    def __post_init__(self) -> None:
        if not (0 <= self.sd_m < np.inf and 0 <= self.range_m < np.inf):
            raise ValueError(
                "sd_m and range_m must be finite and at least 0, not"
                f" {self.sd_m} and {self.range_m}"
            )

    def read(self, draw: int, window: Window) -> NDArray[np.float32]:
        """The error of one draw in a window of the raster, meters; shape (rows, cols).

        The window may reach outside: the field has no edge.
        """
        width, height = self.cell_m
        down, across = filter_weights(self.range_m / height), filter_weights(self.range_m / width)
        above, left = len(down) // 2, len(across) // 2
        wide = Window(
            window.row - above, window.col - left, window.rows + 2 * above, window.cols + 2 * left
        )
        noise = self._white(draw, wide)
        scaled = (down * self.sd_m).astype(np.float32)
        return smooth(noise, scaled, across.astype(np.float32))

    def _white(self, draw: int, window: Window) -> NDArray[np.float32]:
        """Independent standard normal numbers of the cells of a window."""
        out = np.empty((window.rows, window.cols), np.float32)
        top, left = window.row, window.col
        for i in range(top // _BLOCK, (top + window.rows - 1) // _BLOCK + 1):
            for j in range(left // _BLOCK, (left + window.cols - 1) // _BLOCK + 1):
                source = keyed_generator(self.seed, draw, i, j)
                block = source.standard_normal((_BLOCK, _BLOCK), np.float32)
                row, col = i * _BLOCK - top, j * _BLOCK - left
                out[max(row, 0) : row + _BLOCK, max(col, 0) : col + _BLOCK] = block[
                    max(-row, 0) : window.rows - row, max(-col, 0) : window.cols - col
                ]
        return out


def filter_weights(range_cells: float) -> NDArray[np.float64]:
    """Weights of a Gaussian filter along one axis that keeps the variance of white noise at 1.

    The kernel over its own gain, ``sqrt(sum k^2)``: for a kernel that sums to 1 the factor tends
    to ``sqrt(2 sqrt(pi) range)`` an axis, ``2 sqrt(pi) range`` over rows and columns together.
    """
    reach = int(np.ceil(CUT * range_cells))
    if not reach:
        return np.ones(1)
    kernel = np.exp(-0.5 * (np.arange(-reach, reach + 1) / range_cells) ** 2)
    return kernel / np.sqrt(np.sum(kernel**2))


def keyed_generator(seed: int, stream: int, *block: int) -> np.random.Generator:
    """Random numbers of one stream and block, without drawing those of any other.

    Philox 4x64 (Salmon and others 2011): the seed and the stream are its key, up to three numbers
    that name the block the upper words of its counter.
    """
    key = np.array([seed % _WORD, stream % _WORD], np.uint64)
    counter = np.array([0, *(k % _WORD for k in block), 0, 0, 0][:4], np.uint64)
    return np.random.Generator(np.random.Philox(key=key, counter=counter))
