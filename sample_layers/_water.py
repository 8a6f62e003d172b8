"""The waters of Larkmoor County, and how they cut the ground."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from _ground import (
    EXTENT_M,
    FINE_M,
    MID_M,
    River,
    drain,
    fractal,
    nearest,
    paint,
    resample,
)
from numpy.typing import NDArray
from scipy import ndimage
from shapely.geometry import Polygon

HEAD_M2 = 40_000.0  # a channel begins where this much land drains to one place
MAPPED_M2 = 90_000.0  # and appears on the county's map of streams from here on
RIVER_HALF_M = 6.5


@dataclass
class Water:
    """A lake, pond or oxbow: its outline and its level."""

    name: str
    outline: NDArray[np.float64]
    level_m: float

    @property
    def polygon(self) -> Polygon:
        """The outline as a polygon in local metres."""
        return Polygon(self.outline)


@dataclass
class Reach:
    """A stretch of channel between two confluences, downstream, with its bed."""

    xy: NDArray[np.float64]
    bed_m: NDArray[np.float64]
    area_m2: float
    mapped: bool
    joins_river_at: int = -1  # index into the river's line


def blob(
    rng: np.random.Generator, centre: tuple[float, float], radii: tuple[float, float], turn: float
) -> NDArray[np.float64]:
    """An uneven oval, as a closed ring of points."""
    angle = np.linspace(0, 2 * np.pi, 181)
    radius = np.ones_like(angle)
    for k in range(2, 8):
        size, shift = 0.16 / k**0.8 * rng.standard_normal(), rng.uniform(0, 2 * np.pi)
        radius += size * np.cos(k * angle + shift)
    x, y = radii[0] * radius * np.cos(angle), radii[1] * radius * np.sin(angle)
    c, s = np.cos(turn), np.sin(turn)
    return np.column_stack([centre[0] + c * x - s * y, centre[1] + s * x + c * y])


def inside_m(outline: NDArray[np.float64], cell_m: float) -> NDArray[np.float64]:
    """Signed distance to an outline on the grid: positive within, negative outside."""
    from PIL import Image, ImageDraw

    n = round(EXTENT_M / cell_m)
    picture = Image.new("1", (n, n))
    ImageDraw.Draw(picture).polygon([tuple(p / cell_m - 0.5) for p in outline], fill=1)
    within = np.array(picture)
    return cell_m * (
        ndimage.distance_transform_edt(within) - ndimage.distance_transform_edt(~within)
    )


def shore(z: NDArray[np.float64], water: Water, cell_m: float) -> NDArray[np.float64]:
    """The ground brought down or up to a flat water surface, with easy banks."""
    within = inside_m(water.outline, cell_m)
    away = np.maximum(-within, 0)
    bank = water.level_m + 0.25 + 0.05 * away
    keep = np.clip(away / 90, 0, 1) ** 1.3
    out = np.where(away < 90, keep * z + (1 - keep) * bank, z)
    return np.where(within > 0, water.level_m, out)


def make_network(
    rng: np.random.Generator, z: NDArray[np.float64], river: River, lake: Water
) -> list[Reach]:
    """Channels from their heads down to the river, traced on the middle grid and smoothed."""
    n = z.shape[0]
    on_river = np.isfinite(paint(river.xy, river.level_m, MID_M, n))
    in_lake = inside_m(lake.outline, MID_M) > 0
    rough = ndimage.gaussian_filter(fractal(rng, n, MID_M, 2.0, 120), 1.2)
    ground = np.where(in_lake, lake.level_m, z + 0.22 * rough)
    water = drain(ground, on_river, MID_M)
    area, receiver, filled = (a.ravel() for a in (water.area_m2, water.receiver, water.filled))
    is_river = on_river.ravel()
    is_stream = (area >= HEAD_M2) & ~is_river
    joins = np.bincount(receiver[is_stream], minlength=area.size)
    starts = np.flatnonzero(is_stream & (joins != 1))

    reaches, first_cell, last_cell = [], {}, []
    for start in starts:
        cells = [int(start)]
        while True:
            cells.append(int(receiver[cells[-1]]))
            if is_river[cells[-1]] or joins[cells[-1]] > 1:
                break
        if len(cells) < 4 and joins[start] == 0:
            continue
        path = np.array(cells)
        xy = np.column_stack([path % n + 0.5, path // n + 0.5]) * MID_M
        wet = np.clip(area[path], HEAD_M2, None)
        bed = filled[path] - 0.30 - 0.55 * np.log10(wet / HEAD_M2)
        if is_river[path[-1]]:
            bed[-1] = bed[-2]
        lake_cells = np.flatnonzero(in_lake.ravel()[path])
        if lake_cells.size:
            bed[: lake_cells[-1] + 1] = np.maximum(bed[: lake_cells[-1] + 1], lake.level_m)
        bed = np.minimum.accumulate(bed)
        first_cell[path[0]] = len(reaches)
        last_cell.append(path[-1])
        mouth = area[path[-2]]
        reaches.append(Reach(xy, bed, float(mouth), bool(mouth >= MAPPED_M2)))

    for reach, last in zip(reaches, last_cell, strict=True):
        reach.xy = _soften(rng, reach.xy)
        if is_river[last]:
            at = int(np.argmin(np.hypot(*(river.xy - reach.xy[-1]).T)))
            reach.xy[-1] = river.xy[at]
            reach.joins_river_at = at
            reach.bed_m = np.maximum(reach.bed_m, river.level_m[at] + 0.02)
            reach.bed_m[-1] = river.level_m[at]
    # what flows into a reach must end at the height that reach starts with
    for _ in range(40):
        for reach, last in zip(reaches, last_cell, strict=True):
            if last in first_cell:
                lower = reaches[first_cell[last]]
                reach.bed_m = np.maximum(reach.bed_m, lower.bed_m[0])
                reach.bed_m[-1] = lower.bed_m[0]
                reach.xy[-1] = lower.xy[0]
    return [r for r in reaches if 0 < r.xy[:, 0].mean() < EXTENT_M]


def _soften(rng: np.random.Generator, xy: NDArray[np.float64]) -> NDArray[np.float64]:
    """Steps of the grid smoothed away and a small wandering added; the ends stay."""
    n = len(xy)
    t = np.linspace(0, 1, n)[:, None]
    sigma = min(2.5, n / 6)
    smooth = ndimage.gaussian_filter1d(xy, sigma, axis=0, mode="nearest")
    wander = ndimage.gaussian_filter1d(rng.standard_normal((n, 2)), 3.0, axis=0, mode="nearest")
    smooth = smooth + 13.0 * wander * np.sin(np.pi * t) ** 0.5
    return smooth + (1 - t) * (xy[0] - smooth[0]) + t * (xy[-1] - smooth[-1])


def make_oxbow(river: River, near: tuple[float, float], push: tuple[float, float]) -> Water:
    """A cut-off bend: a piece of the river's line set aside on the valley floor."""
    at = int(np.argmin(np.hypot(*(river.xy - near).T)))
    line = river.xy[at - 26 : at + 26] + push
    tangent = np.gradient(line, axis=0)
    normal = np.column_stack([-tangent[:, 1], tangent[:, 0]]) / np.hypot(*tangent.T)[:, None]
    width = 8.5 * np.sin(np.linspace(0.12, np.pi - 0.12, len(line)))[:, None] ** 0.6
    ring = np.vstack([line + width * normal, (line - width * normal)[::-1]])
    return Water("Old Bend", np.vstack([ring, ring[:1]]), float(river.level_m[at] + 0.4))


@dataclass
class Ground:
    """The fine grid with its channels cut: heights, and what each cell is near."""

    z: NDArray[np.float64]
    to_channel_m: NDArray[np.float64]
    to_river_m: NDArray[np.float64]
    to_water_m: NDArray[np.float64]  # negative inside


def cut_channels(
    rng: np.random.Generator,
    middle: NDArray[np.float64],
    river: River,
    reaches: list[Reach],
    waters: list[Water],
) -> Ground:
    """The fine ground: the middle grid with channels, river, banks and still water cut in."""
    z = resample(middle, MID_M, FINE_M)
    n = z.shape[0]
    to_river, level = nearest(paint(river.xy, river.level_m, FINE_M, n), FINE_M)
    low = np.clip((level + 4.5 - z) / 2.0, 0, 1)  # 1 on the valley floor
    z = z + (0.04 + 0.26 * low) * fractal(rng, n, FINE_M, 3.3, 180)
    z += low * 0.45 * np.exp(-np.maximum(to_river - 14, 0) / 22)  # natural levees
    for water in waters:
        z = shore(z, water, FINE_M)

    bed = np.full((n, n), np.nan)
    half = np.full((n, n), np.nan)
    for reach in reaches:
        line = paint(reach.xy, reach.bed_m, FINE_M, n)
        on = np.isfinite(line)
        wide = 0.9 + 0.5 * np.log10(reach.area_m2 / HEAD_M2)
        lower = on & ~(bed <= line)
        bed[lower], half[lower] = line[lower], wide
    away, (r, c) = ndimage.distance_transform_edt(np.isnan(bed), return_indices=True)
    away *= FINE_M
    z = np.minimum(z, bed[r, c] + 0.42 * np.maximum(away - half[r, c], 0))

    z = np.minimum(z, level + 0.55 * np.maximum(to_river - RIVER_HALF_M, 0))
    z = np.where(to_river <= RIVER_HALF_M, level, z)
    to_water = np.full((n, n), 1e9)
    for water in waters:
        within = inside_m(water.outline, FINE_M)
        z = np.where(within > 0, water.level_m, z)
        to_water = np.minimum(to_water, -within)
    return Ground(z, away, to_river, to_water)
