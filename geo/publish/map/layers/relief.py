"""Rasters of an assessment as pictures in the web Mercator plane."""

from __future__ import annotations

import io
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
from affine import Affine
from PIL import Image

from geo.publish.packing import pack
from geo.publish.shared.encode import MERCATOR
from layers.files.warp import shrink, warp
from layers.grid import Grid, GridSource

# A county of 40 km at 2,048 pixels is shown at 20 m a pixel; twice that costs four times the bytes
RELIEF_PIXELS: Final = 2048
POND_PIXELS: Final = 3072
POND_STEPS_M: Final = (0.05, 0.3, 1.0)
"""Depths at which a darker blue begins."""
POND_COLORS: Final = ((122, 178, 214), (58, 122, 176), (24, 66, 122))
# Cells of the land's sensitivity at most on a side, and pixels on the side of each: room to hatch.
SENSITIVITY_CELLS: Final = 640
_HATCH_PIXELS: Final = 4
SENSITIVITY_STEPS: Final = (0.0, 0.2, 0.4, 0.6, 0.8)
"""Parts of the most it can be at which a darker color begins. Common practice, no source."""
SENSITIVITY_COLORS: Final = (
    (245, 236, 205), (230, 196, 130), (205, 140, 80), (156, 84, 66), (92, 38, 58),
)  # fmt: skip
UNKNOWN_COLOR: Final = (40, 40, 40)
_SENSITIVITY_ALPHA: Final = 190  # the relief shows through


@dataclass(frozen=True)
class Picture:
    """A picture as packed text and its place: (west, south, east, north) in EPSG:3857 meters."""

    media_type: str
    text: str
    bounds: tuple[float, float, float, float]


def relief_picture(source: GridSource) -> Picture | None:
    """Shading (uint8, 0 = void) as a gray WebP, clear where void; None when all is void."""
    grid = warp(shrink(source, RELIEF_PIXELS, how="mean", void=0), MERCATOR, smooth=True)
    bounds, shade = grid.bounds, np.nan_to_num(grid.values, copy=False)
    shade = np.rint(shade, out=shade).astype(np.uint8)
    del grid  # a picture takes several times its pixels in memory
    if not shade.any():
        return None
    alpha = 255 * (shade > 0).astype(np.uint8)
    image = Image.fromarray(np.dstack([shade, alpha]), "LA").convert("RGBA")
    stream = io.BytesIO()
    image.save(stream, "WEBP", quality=55, method=6, alpha_quality=60)
    return Picture("image/webp", _text(stream), bounds)


def pond_picture(source: GridSource) -> Picture | None:
    """Depth (meters) as a PNG in three blues, clear where shallow or void; None when all dry."""
    small = shrink(source, POND_PIXELS, how="max", void=None)
    step = np.zeros(small.shape, np.uint8)
    for least in POND_STEPS_M:
        step += small.values >= least  # never where void
    if not step.any():
        return None
    grid = warp(small.with_values(step), MERCATOR, smooth=False)
    image = Image.fromarray(grid.values, "P")
    image.putpalette(bytes(v for color in ((0, 0, 0), *POND_COLORS) for v in color))
    stream = io.BytesIO()
    image.save(stream, "PNG", transparency=0, optimize=True)
    return Picture("image/png", _text(stream), grid.bounds)


def storm_picture(sources: Mapping[int, GridSource]) -> tuple[list[int], Picture] | None:
    """The ponds of all storms as one gray PNG, and the return periods that its values count.

    A value k says that the k-th storm is the smallest that puts water of `POND_STEPS_M` there; 0
    that none does. None when all is dry.

    Parameters
    ----------
    sources
        Depths in meters by return period in years, all on one grid.
    """
    years = sorted(sources)
    first: Grid | None = None
    for k in range(len(years), 0, -1):
        small = shrink(sources[years[k - 1]], POND_PIXELS, how="max", void=None)
        if first is None:
            first = small.with_values(np.zeros(small.shape, np.uint8))
        first.values[small.values >= POND_STEPS_M[0]] = k
    if first is None or not first.values.any():
        return None
    grid = warp(first, MERCATOR, smooth=False)
    image = Image.fromarray(grid.values, "L")
    stream = io.BytesIO()
    image.save(stream, "PNG", optimize=True)
    return years, Picture("image/png", _text(stream), grid.bounds)


def sensitivity_picture(
    source: GridSource, unknown: GridSource | None, most: float
) -> Picture | None:
    """How sensitive the land is as a PNG in five colors, hatched where some of it is not known.

    None when nothing is measured.

    Parameters
    ----------
    source
        Values from 0 to ``most``.
    unknown
        More than 0 where a fact that decides is not known, on the same grid.
    """
    small = shrink(source, SENSITIVITY_CELLS, how="mean", void=None)
    if not np.isfinite(small.values).any():
        return None
    step = np.digitize(small.values, most * np.array(SENSITIVITY_STEPS)).astype(np.uint8)
    step[~np.isfinite(small.values)] = 0
    fine = np.kron(step, np.ones((_HATCH_PIXELS, _HATCH_PIXELS), np.uint8))
    if unknown is not None:
        open_ = shrink(unknown, SENSITIVITY_CELLS, how="max", void=None).values > 0
        open_ = np.kron(open_, np.ones((_HATCH_PIXELS, _HATCH_PIXELS), bool))
        row, col = np.indices(fine.shape)
        fine[open_ & ((row + col) % (2 * _HATCH_PIXELS) < _HATCH_PIXELS / 2)] = 6
    transform = small.transform @ Affine.scale(1 / _HATCH_PIXELS)
    grid = warp(Grid(fine.astype(np.float32), transform, small.crs), MERCATOR, smooth=False)
    image = Image.fromarray(np.nan_to_num(grid.values).astype(np.uint8), "P")
    colors = ((0, 0, 0), *SENSITIVITY_COLORS, UNKNOWN_COLOR)
    image.putpalette(bytes(v for color in colors for v in color))
    stream = io.BytesIO()
    alpha = bytes([0] + [_SENSITIVITY_ALPHA] * len(SENSITIVITY_COLORS) + [255])
    image.save(stream, "PNG", transparency=alpha, optimize=True)
    return Picture("image/png", _text(stream), grid.bounds)


def _text(stream: io.BytesIO) -> str:
    return pack.written(stream.getvalue())
