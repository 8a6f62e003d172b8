"""Files of an invented county of many units, to time whole commands on.

    python tests/benchmarks/county_files.py FOLDER [--units 50000]

writes FOLDER/county.toml with units, discharge points, wells, streams, a flood hazard area,
inspections, permits and a terrain of 16 million cells. Nothing here is real. Then time, in turn
with another version:

    rillmark assess FOLDER/county.toml --out OUT --overwrite
    rillmark map OUT
"""

from __future__ import annotations

import argparse
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from affine import Affine
from pyproj import CRS
from scipy.ndimage import gaussian_filter

from layers.files.raster import write_raster
from layers.grid import Grid

UTM = CRS("EPSG:32616")
WEST, SOUTH, SIDE_M, CELLS = 330_000.0, 2_900_000.0, 40_000.0, 4_000
SETTINGS = """[county]
name = "Invented County"
invented = true
as_of = 2026-04-01
crs = "EPSG:32616"

[layers.units]
path = "units.gpkg"
[layers.discharge_points]
path = "discharge_points.gpkg"
[layers.wells]
path = "wells.gpkg"
[layers.streams]
path = "streams.gpkg"
[layers.floodplain]
path = "floodplain.gpkg"
[layers.inspections]
path = "inspections.csv"
[layers.permits]
path = "permits.csv"
[layers.terrain]
path = "terrain.tif"
vertical_unit = "m"

[storms]
series = "partial_duration"
depths_in = { 2 = 2.9, 10 = 4.2, 100 = 6.4 }

[programme]
visits_per_year = 20000
"""


def make(folder: Path, count: int) -> None:
    """Write the county's files."""
    rng = np.random.default_rng(11)
    folder.mkdir(parents=True)
    ids = np.array([f"{n:06d}" for n in range(count)])
    at = np.array([WEST, SOUTH]) + rng.uniform(500, SIDE_M - 500, (count, 2))
    installed = pd.Timestamp("1985-01-01") + pd.to_timedelta(rng.integers(0, 14_000, count), "D")
    units = {
        "unit_id": ids, "location_basis": rng.choice(["gps", "building", "address"], count),
        "kind": "surface_discharge", "installed": installed, "bedrooms": 3,
    }  # fmt: skip
    _points(folder, "units", at, **units)
    _points(folder, "discharge_points", at + rng.normal(0, 20, (count, 2)), unit_id=ids,
            discharge_point_id=np.char.add("D", ids), location_basis="gps")  # fmt: skip
    wells = at[rng.integers(0, count, count * 4 // 5)] + rng.normal(0, 60, (count * 4 // 5, 2))
    _points(folder, "wells", wells, well_id=[f"W{n}" for n in range(len(wells))], use="private")
    lines = []
    for _ in range(400):
        ahead = rng.uniform(-15, 15, 2) * np.arange(250)[:, None]
        start = np.array([WEST, SOUTH]) + rng.uniform(0, SIDE_M, 2)
        bends = rng.normal(0, 20, (250, 2)).cumsum(axis=0)
        lines.append(shapely.LineString(start + ahead + bends))
    streams = {"stream_id": [f"S{n}" for n in range(len(lines))], "permanence": "perennial"}
    _layer(folder, "streams", lines, **streams)
    zones = [line.buffer(150) for line in lines[:80]]
    _layer(folder, "floodplain", zones, floodplain_id=[f"F{n}" for n in range(80)], zone="AE")
    visited = rng.integers(0, count, count)
    days = pd.Timestamp("2019-01-01") + pd.to_timedelta(rng.integers(0, 2_600, count), "D")
    results = rng.choice(["good", "minor", "repair"], count, p=[0.8, 0.12, 0.08])
    pd.DataFrame({
        "inspection_id": range(count), "unit_id": ids[visited], "date": days.strftime("%Y-%m-%d"),
        "outcome": "completed", "result": results,
    }).to_csv(folder / "inspections.csv", index=False)  # fmt: skip
    pd.DataFrame({"permit_id": np.char.add("P", ids), "unit_id": ids, "issued": installed.strftime(
        "%Y-%m-%d")}).to_csv(folder / "permits.csv", index=False)  # fmt: skip
    rough = gaussian_filter(rng.normal(0, 1, (CELLS, CELLS)), 30)
    ground = 200 + 8 * rough / rough.std() + np.linspace(40, 0, CELLS)[None, :]
    cell_m = SIDE_M / CELLS
    place = Affine(cell_m, 0, WEST, 0, -cell_m, SOUTH + SIDE_M)
    write_raster(Grid(ground.astype(np.float32), place, UTM), folder / "terrain.tif")
    (folder / "county.toml").write_text(SETTINGS, "utf-8")


def _points(folder: Path, name: str, at: np.ndarray, **columns: object) -> None:
    _layer(folder, name, shapely.points(at), **columns)


def _layer(folder: Path, name: str, shapes: object, **columns: object) -> None:
    frame = gpd.GeoDataFrame(columns, geometry=shapes, crs=UTM)
    frame.to_file(folder / f"{name}.gpkg", layer=name)


def main() -> None:
    """Make the county."""
    parser = argparse.ArgumentParser()
    parser.add_argument("folder", type=Path)
    parser.add_argument("--units", type=int, default=50_000)
    options = parser.parse_args()
    make(options.folder, options.units)
    print(options.folder / "county.toml")


if __name__ == "__main__":
    main()
