"""How long it takes to look for many outlets nobody knows.

Run with ``python tests/benchmarks/outlets.py [--unknown 5000] [--known 2000] [--cell 2]``. The
land, its lots, roads and ditches are invented; known outlets are drawn with the stated weights.
"""

from __future__ import annotations

import argparse
import resource
import time

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from affine import Affine
from pyproj import CRS
from scipy import ndimage

from geo.outlets.cells import Surroundings, cells_of
from geo.outlets.learning import stated_weights
from geo.outlets.search import search_outlets
from geo.terrain import build_terrain
from layers.grid import Grid
from layers.settings.county_file import OutletSection

UTM = CRS("EPSG:32616")
WEST, NORTH, LOT_M = 400_000.0, 2_930_000.0, 64.0


def land(side_m: float, cell_m: float) -> Grid:
    """Gentle hills and draws."""
    rng = np.random.default_rng(5)
    n = int(side_m / cell_m)
    z = sum(
        high * ndimage.gaussian_filter(rng.normal(size=(n, n)), wide / cell_m) * wide / cell_m
        for high, wide in ((30.0, 250.0), (5.0, 60.0), (0.4, 15.0))
    )
    return Grid(z.astype(np.float32), Affine(cell_m, 0, WEST, 0, -cell_m, NORTH), UTM)


def lots(side_m: float, count: int) -> tuple[gpd.GeoDataFrame, gpd.GeoDataFrame, dict]:
    """Square lots along straight roads, a house and a lid on some of them."""
    a_side = int((side_m - 200) / LOT_M)
    rng = np.random.default_rng(6)
    chosen = np.sort(rng.choice(a_side * a_side, count, replace=False))
    col, row = chosen % a_side, chosen // a_side
    x, y = WEST + 100 + LOT_M * col, NORTH - 100 - LOT_M * (row + 1)
    names = np.char.add("P", chosen.astype(str))
    parcels = gpd.GeoDataFrame(
        {"parcel_id": names}, geometry=shapely.box(x, y, x + LOT_M, y + LOT_M), crs=UTM
    )
    middle = np.column_stack([x, y]) + LOT_M / 2 + rng.uniform(-6, 6, (count, 2))
    houses = shapely.box(*(middle - 6).T, *(middle + 6).T)
    lid = middle + 9 * np.column_stack([np.cos(t := rng.uniform(0, 6.28, count)), np.sin(t)])
    units = gpd.GeoDataFrame(
        {
            "unit_id": np.char.add("U", chosen.astype(str)), "kind": "surface_discharge",
            "status": "active", "pumped": rng.random(count) < 0.05, "parcel_id": names,
            "accuracy95_m": rng.choice([3.0, 8.0, 75.0], count),
        },
        geometry=shapely.points(lid), crs=UTM,
    )  # fmt: skip
    east = np.arange(0, a_side, 2) * LOT_M + WEST + 100 + 2
    roads = [shapely.LineString([(e, NORTH), (e, NORTH - side_m)]) for e in east]
    ditches = [shapely.LineString([(WEST, n), (WEST + side_m, n)]) for n in NORTH - 100 - 5 * east
               + 5 * east[0] if n > NORTH - side_m]  # fmt: skip
    features = {
        "parcels": parcels,
        "buildings": gpd.GeoDataFrame(geometry=houses, crs=UTM),
        "roads": gpd.GeoDataFrame(geometry=roads, crs=UTM),
        "streams": gpd.GeoDataFrame({"permanence": "ditch"}, index=range(len(ditches)),
                                    geometry=ditches, crs=UTM),
    }  # fmt: skip
    return units, parcels, features


def main() -> None:
    """Make the county, look for its outlets, print a row."""
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("--unknown", type=int, default=5000)
    ask.add_argument("--known", type=int, default=2000)
    ask.add_argument("--cell", type=float, default=2.0)
    args = ask.parse_args()
    count = args.unknown + args.known
    side_m = 64 * (int((1.3 * count) ** 0.5) + 1) + 300
    terrain = build_terrain(land(side_m, args.cell))
    units, parcels, features = lots(side_m, count)
    settings, weights = OutletSection(), stated_weights()
    surroundings = Surroundings.of(terrain, features)
    rng = np.random.default_rng(7)
    points, states = [], np.array(["unknown"] * count, object)
    for k in np.sort(rng.choice(count, args.known, replace=False)):
        lid, pumped = units.geometry[k], bool(units["pumped"][k])
        cells = cells_of(lid, parcels.geometry[k], surroundings, settings, pumped=pumped)
        share = weights.shares(cells, "well_placed")
        if len(share):
            at = rng.choice(len(share), p=share / share.sum())
            points.append((units["unit_id"][k], cells.x[at], cells.y[at]))
            states[k] = "known"
    found = pd.DataFrame(points, columns=["unit_id", "x", "y"])
    outlets = gpd.GeoDataFrame(
        {
            "discharge_point_id": "D" + found["unit_id"],
            "outlet_kind": "ground", "accuracy95_m": 3.0,
        },
        geometry=shapely.points(found["x"], found["y"]), crs=UTM,
    )  # fmt: skip
    own = dict(zip(found["unit_id"], outlets["discharge_point_id"], strict=True))
    links = pd.DataFrame(
        {"unit_id": units["unit_id"], "discharge_point_id": units["unit_id"].map(own),
         "outlet_state": states}
    )  # fmt: skip
    start, cpu = time.perf_counter(), time.process_time()
    search = search_outlets(units, links, outlets, terrain, features, settings)
    print(
        f"| {len(search.areas):,} | {len(outlets):,} | {args.cell:g} m |"
        f" {search.areas['places_looked_at'].mean():,.0f} |"
        f" {time.perf_counter() - start:.0f} s | {time.process_time() - cpu:.0f} s |"
        f" {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6:.1f} GB |"
    )


if __name__ == "__main__":
    main()
