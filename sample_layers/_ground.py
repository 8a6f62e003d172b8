"""The ground of Larkmoor County: a worn plateau, its valleys, its river, and what was built on it.

Everything here works on a square of `SIDE` fine cells, a margin wider than the county on each
side, in local metres: x east from the west edge, y south from the north edge.
"""

from __future__ import annotations

import heapq
from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy import ndimage

FINE_M = 2.0
MID_M = 6.0
COARSE_M = 12.0
MARGIN = 90  # fine cells beyond the county on each side
SIDE = 1_500 + 2 * MARGIN
EXTENT_M = SIDE * FINE_M

# the eight neighbours, clockwise from the east (rows grow southwards)
_DR = np.array([0, 1, 1, 1, 0, -1, -1, -1])
_DC = np.array([1, 1, 0, -1, -1, -1, 0, 1])


@njit
def _route(z, outlet, epsilon):
    """Priority flood from ``outlet`` cells: filled surface, receiver of each cell, order."""
    rows, cols = z.shape
    filled = z.copy()
    receiver = np.arange(rows * cols)
    order = np.empty(rows * cols, np.int64)
    done = np.zeros((rows, cols), np.bool_)
    heap = [(0.0, 0)]
    heap.pop()
    for r in range(rows):
        for c in range(cols):
            if outlet[r, c]:
                heapq.heappush(heap, (filled[r, c], r * cols + c))
                done[r, c] = True
    n = 0
    while len(heap) > 0:
        level, cell = heapq.heappop(heap)
        order[n] = cell
        n += 1
        r, c = cell // cols, cell % cols
        for k in range(8):
            rr, cc = r + _DR[k], c + _DC[k]
            if rr < 0 or cc < 0 or rr >= rows or cc >= cols or done[rr, cc]:
                continue
            done[rr, cc] = True
            receiver[rr * cols + cc] = cell
            if filled[rr, cc] < level + epsilon:
                filled[rr, cc] = level + epsilon
            heapq.heappush(heap, (filled[rr, cc], rr * cols + cc))
    return filled, receiver, order[:n]


@njit
def _steepest(filled, receiver, outlet, cell_m):
    """Receivers by steepest descent where there is one, else the flood's own."""
    rows, cols = filled.shape
    for r in range(rows):
        for c in range(cols):
            if outlet[r, c]:
                continue
            best = 0.0
            for k in range(8):
                rr, cc = r + _DR[k], c + _DC[k]
                if rr < 0 or cc < 0 or rr >= rows or cc >= cols:
                    continue
                away = cell_m * (1.4142135623730951 if k % 2 else 1.0)
                fall = (filled[r, c] - filled[rr, cc]) / away
                if fall > best:
                    best = fall
                    receiver[r * cols + c] = rr * cols + cc
    return receiver


@njit
def _order(receiver):
    """Cells so that each comes after its receiver."""
    n = receiver.size
    givers = np.zeros(n + 1, np.int64)
    for i in range(n):
        if receiver[i] != i:
            givers[receiver[i] + 1] += 1
    for i in range(n):
        givers[i + 1] += givers[i]
    slot = givers[:n].copy()
    donors = np.empty(n, np.int64)
    for i in range(n):
        if receiver[i] != i:
            donors[slot[receiver[i]]] = i
            slot[receiver[i]] += 1
    order = np.empty(n, np.int64)
    count = 0
    for i in range(n):
        if receiver[i] == i:
            order[count] = i
            count += 1
    at = 0
    while at < count:
        i = order[at]
        at += 1
        for j in range(givers[i], givers[i + 1]):
            order[count] = donors[j]
            count += 1
    return order[:count]


@njit
def _accumulate(receiver, order):
    """Number of cells that drain through each, itself included."""
    area = np.ones(receiver.size)
    for k in range(order.size - 1, -1, -1):
        i = order[k]
        if receiver[i] != i:
            area[receiver[i]] += area[i]
    return area


@njit
def _incise(z, receiver, order, area, cell_m, factor, exponent):
    """One implicit step of stream-power incision (Braun and Willett, 2013, n = 1)."""
    cols = z.shape[1]
    flat = z.ravel()
    for k in range(order.size):
        i = order[k]
        j = receiver[i]
        if i == j:
            continue
        step = abs(i // cols - j // cols) + abs(i % cols - j % cols)
        away = cell_m * (1.4142135623730951 if step == 2 else 1.0)
        f = factor * (area[i] * cell_m * cell_m) ** exponent / away
        if flat[i] > flat[j]:
            flat[i] = (flat[i] + f * flat[j]) / (1.0 + f)
    return z


@dataclass
class Drainage:
    """Where water goes on a grid: filled surface, receivers, upslope area in square metres."""

    filled: NDArray[np.float64]
    receiver: NDArray[np.int64]
    area_m2: NDArray[np.float64]


def drain(z: NDArray[np.float64], outlet: NDArray[np.bool_], cell_m: float) -> Drainage:
    """Fill from ``outlet`` and route by steepest descent."""
    filled, receiver, _ = _route(z, outlet, 1e-4)
    receiver = _steepest(filled, receiver, outlet, cell_m)
    order = _order(receiver)
    area = _accumulate(receiver, order) * cell_m * cell_m
    return Drainage(filled, receiver.reshape(z.shape), area.reshape(z.shape))


def fill(z: NDArray[np.float64], outlet: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Every closed hollow raised to its brim."""
    return _route(z, outlet, 0.0)[0]


def rim(shape: tuple[int, int]) -> NDArray[np.bool_]:
    """The outermost ring of cells."""
    edge = np.ones(shape, bool)
    edge[1:-1, 1:-1] = False
    return edge


def fractal(
    rng: np.random.Generator, cells: int, cell_m: float, beta: float, longest_m: float
) -> NDArray[np.float64]:
    """Noise whose power falls as frequency ** -beta below wavelengths of ``longest_m``; sd 1."""
    n = int(2 ** np.ceil(np.log2(cells * 1.2)))
    frequency = np.hypot(np.fft.fftfreq(n)[:, None], np.fft.rfftfreq(n)[None, :]) / cell_m
    amplitude = (frequency**2 + longest_m**-2) ** (-beta / 4)
    noise = np.fft.irfft2(np.fft.rfft2(rng.standard_normal((n, n))) * amplitude, s=(n, n))
    noise = noise[:cells, :cells]
    return (noise - noise.mean()) / noise.std()


def resample(z: NDArray[np.float64], from_m: float, to_m: float) -> NDArray[np.float64]:
    """The same square on another cell size, by cubic splines between cell centres."""
    n = round(z.shape[0] * from_m / to_m)
    at = (np.arange(n) + 0.5) * to_m / from_m - 0.5
    return ndimage.map_coordinates(z, np.meshgrid(at, at, indexing="ij"), order=3, mode="nearest")


@dataclass
class River:
    """The river's middle line, downstream, with its water level and the valley floor around it."""

    xy: NDArray[np.float64]
    level_m: NDArray[np.float64]
    axis: NDArray[np.float64]
    half_floor_m: NDArray[np.float64]


def make_river(rng: np.random.Generator) -> River:
    """A meandering line in a gently bending valley, from the west edge to the south-east."""
    n = 1_200
    t = np.linspace(0, 1, n)
    start, end = np.array([-200.0, 1_020.0]), np.array([EXTENT_M + 200, 2_330.0])
    along = end - start
    length = np.hypot(*along)
    across = np.array([-along[1], along[0]]) / length

    def smooth(sigma: float) -> NDArray[np.float64]:
        noise = ndimage.gaussian_filter1d(rng.standard_normal(n), sigma, mode="reflect")
        return noise / noise.std()

    bend = 170 * smooth(130)
    axis = start + t[:, None] * along + bend[:, None] * across
    # sine-generated meanders whose length and strength wander (Langbein and Leopold, 1966)
    step = length / (n - 1)
    wavelength = 235 * np.exp(0.28 * smooth(45))
    phase = np.cumsum(2 * np.pi * step / wavelength)
    turn = np.radians(62) * np.exp(0.25 * smooth(60)) * np.sin(phase) + 0.12 * smooth(12)
    heading = np.arctan2(*np.gradient(axis, axis=0).T[::-1])
    xy = np.cumsum(np.column_stack([np.cos(heading + turn), np.sin(heading + turn)]), axis=0)
    off = xy - xy[:1]
    scale = np.hypot(*(axis[-1] - axis[0])) / np.hypot(*(off[-1] - off[0]))
    off = off * scale
    # bring its slow drift back on to the axis
    drift = ndimage.gaussian_filter1d(axis - axis[:1] - off, 40, axis=0, mode="nearest")
    xy = axis[:1] + off + drift
    run = np.r_[0, np.cumsum(np.hypot(*np.diff(xy, axis=0).T))]
    level = 178.6 - 0.00075 * run
    half = 135 + 38 * smooth(70)
    return River(xy, level, axis, half)


def paint(
    lines: NDArray[np.float64], values: NDArray[np.float64], cell_m: float, cells: int
) -> NDArray[np.float64]:
    """A line's values on the cells it runs through; NaN elsewhere."""
    out = np.full((cells, cells), np.nan)
    run = np.r_[0, np.cumsum(np.hypot(*np.diff(lines, axis=0).T))]
    at = np.arange(0, run[-1], cell_m / 3)
    x, y, v = (np.interp(at, run, a) for a in (lines[:, 0], lines[:, 1], values))
    col, row = (x // cell_m).astype(int), (y // cell_m).astype(int)
    ok = (row >= 0) & (col >= 0) & (row < cells) & (col < cells)
    out[row[ok], col[ok]] = v[ok]
    return out


def nearest(
    painted: NDArray[np.float64], cell_m: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Distance to the nearest painted cell in metres, and its value."""
    away, (r, c) = ndimage.distance_transform_edt(np.isnan(painted), return_indices=True)
    return away * cell_m, painted[r, c]


def floor_height(river: River, cell_m: float, cells: int) -> tuple[NDArray, NDArray]:
    """Height of the valley floor's surface, and how far inside (+) or outside (-) it a cell is."""
    to_axis, half = nearest(paint(river.axis, river.half_floor_m, cell_m, cells), cell_m)
    to_river, level = nearest(paint(river.xy, river.level_m, cell_m, cells), cell_m)
    level = ndimage.gaussian_filter(level, 60 / cell_m, mode="nearest")
    inside = np.maximum(half - to_axis, 45 - to_river)
    return level + 1.5 + 0.0045 * to_river, inside


def evolve(rng: np.random.Generator, river: River) -> NDArray[np.float64]:
    """A plateau worn by streams that lead to the valley floor; on the middle grid, in metres."""
    cells = round(EXTENT_M / COARSE_M)
    rough = fractal(rng, cells, COARSE_M, 3.0, 1_500)
    z = 0.0
    for cell_m, steps in ((COARSE_M, 110), (MID_M, 20)):
        n = round(EXTENT_M / cell_m)
        floor, inside = floor_height(river, cell_m, n)
        if cell_m == COARSE_M:
            rise = np.clip(-inside, 0, 1_400)
            z = floor + 24 + 0.017 * rise + 3.6 * rough
            z += 0.5 * fractal(rng, n, cell_m, 1.8, 300)
        else:
            z = resample(z, COARSE_M, MID_M) + 0.25 * fractal(rng, n, cell_m, 1.8, 150)
        outlet = inside > 0
        z[outlet] = floor[outlet]
        for _ in range(steps):
            filled, receiver, _ = _route(z, outlet, 1e-4)
            receiver = _steepest(filled, receiver, outlet, cell_m)
            order = _order(receiver)
            area = _accumulate(receiver, order)
            z = _incise(filled, receiver, order, area, cell_m, 0.035, 0.5)
            spread = ndimage.gaussian_filter(z, np.sqrt(2 * 24.0) / cell_m, mode="nearest")
            z = np.where(outlet, floor, spread)
    return z
