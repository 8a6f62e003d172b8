"""What draws of the terrain's error cost: lids on an invented 1 m terrain, six storms.

    python tests/benchmarks/draws.py --lids 1000 --draws 100 --size 6000

Prints the windows, the cells worked through, the time, cells a second, and the share of the budget.
"""

from __future__ import annotations

import argparse
import os
import resource
import time

import numpy as np
import pandas as pd
from affine import Affine
from pyproj import CRS
from shapely import points

from geo.ponds.pond_draws import BUDGET_CELLS, pond_chances
from geo.runoff.storms import storm_ponds
from geo.terrain import fill_depressions
from geo.terrain.draws import ErrorModel
from geo.terrain.error_field import ErrorField
from layers.grid import Grid, Window

STORMS_IN = {2: 2.9, 5: 3.6, 10: 4.2, 25: 5.0, 50: 5.7, 100: 6.4}


SCALES = [(2.0, 60, 8), (8.0, 300, 40)]  # sd, correlation range, step of the grid made: hills
ROUGH = [(0.05, 3, 1), (0.3, 15, 2)]


def terrain(size: int) -> Grid:
    """Hills drained to the south, with hollows, swales and a little roughness on them."""
    hills = _field(SCALES, size) + (np.arange(size, 0, -1, dtype=np.float32) * 0.004)[:, None]
    z = fill_depressions(hills) + _field(ROUGH, size)
    return Grid(z, Affine(1, 0, 400_000, 0, -1, 3_000_000), CRS("EPSG:32616"))


def _field(scales: list[tuple[float, int, int]], size: int) -> np.ndarray:
    z = np.zeros((size, size), np.float32)
    for sd, scale, step in scales:
        side = -(-size // step) + 1
        field = ErrorField(sd, scale / step, (1.0, 1.0), seed=scale)
        z += _stretched(field.read(0, Window(0, 0, side, side)), size, step)
    return z


def _stretched(coarse: np.ndarray, size: int, step: int) -> np.ndarray:
    """A coarse grid read between its cells."""
    at = np.arange(size, dtype=np.float32) / step
    low = at.astype(int)
    part = at - low
    down = (
        coarse[low] * (1 - part)[:, None] + coarse[low + 1] * part[:, None]
        if step > 1
        else coarse[:size]
    )
    if step == 1:
        return down[:, :size]
    return down[:, low] * (1 - part) + down[:, low + 1] * part


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--lids", type=int, default=1000)
    parser.add_argument("--draws", type=int, default=100)
    parser.add_argument("--size", type=int, default=6000, help="rows and columns of 1 m cells")
    parser.add_argument("--accuracy", type=float, default=3.0, help="of positions at 95 %%, meters")
    asked = parser.parse_args()
    random = np.random.default_rng(0)
    ground = terrain(asked.size)
    numbers = np.where(random.random(ground.shape) < 0.5, 74.0, 80.0)
    start = time.perf_counter()
    ponds = storm_ponds(ground, numbers, STORMS_IN)
    print(
        f"{asked.size:,} x {asked.size:,} cells, {len(STORMS_IN)} storms as they are:"
        f" {time.perf_counter() - start:.1f} s, {ponds.hierarchy.leaf_count:,} pits"
    )
    x = 400_000 + random.uniform(0, asked.size, asked.lids)
    y = 3_000_000 - random.uniform(0, asked.size, asked.lids)
    lids = points(x, y)
    start, used = time.perf_counter(), time.process_time()
    found = pond_chances(
        lids,
        [f"U{k}" for k in range(asked.lids)],
        np.full(asked.lids, asked.accuracy),
        np.full(asked.lids, 0.15),
        ponds,
        ErrorModel(0.196, 10.0, asked.draws, 0),
        series="partial_duration",
        prefix="lid",
        index=pd.RangeIndex(asked.lids),
    )
    wall, used = time.perf_counter() - start, time.process_time() - used
    chance = found.columns["lid_wet_100yr_probability"]
    print(f"{asked.lids:,} lids, {found.draws} of {asked.draws} draws, {found.windows:,} windows")
    print(
        f"{found.cells / 1e6:,.0f} million cells ({found.cells / BUDGET_CELLS:.1%} of the budget of"
        f" {BUDGET_CELLS / 1e9:g} billion) in {wall:.0f} s, {used:.0f} s of processor time"
    )
    print(
        f"{found.cells / wall / 1e6:.1f} million cells a second; the whole budget would take"
        f" {BUDGET_CELLS / (found.cells / wall) / 60:.1f} minutes"
    )
    print(
        f"in doubt in the 100-year storm: {((chance > 0) & (chance < 1)).sum()} lids;"
        f" greatest standard error {found.standard_error:.3f}"
    )
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
    print(f"peak memory {peak:.1f} GB; load {os.getloadavg()[0]:.1f}")


if __name__ == "__main__":
    main()
