"""Up the water and down it in a large county.

Run with ``python tests/benchmarks/trace.py [--units 50000]``. It makes an invented network of
streams that all run together, with ponds on the way, and an outlet for each unit with a way over
the ground; then it times traces of the finished assessment: up from the end of all water (every
unit is a candidate), from places within, and down from units far up.
"""

from __future__ import annotations

import argparse
import time

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from pyproj import CRS

from geo.trace import trace_down, trace_up
from geo.waters.waterways import find_waterways
from layers.crs import WGS84, Mover
from layers.store import Assessment

UTM = CRS("EPSG:32616")
WEST, SOUTH, STEP_M = 330_000.0, 2_900_000.0, 400.0


def make(units: int, side: int) -> Assessment:
    """A tree of ``side * side`` streams: each runs from its place to one nearer the corner."""
    rng = np.random.default_rng(5)
    row, col = (a.ravel() for a in np.meshgrid(np.arange(side), np.arange(side), indexing="ij"))
    place = np.column_stack([WEST + STEP_M * col, SOUTH + STEP_M * row]) + rng.uniform(
        -120, 120, (side * side, 2)
    )
    down = np.where((rng.random(side * side) < 0.5) & (col > 0) | (row == 0), 1, side)
    keep = np.flatnonzero((row > 0) | (col > 0))
    to = keep - down[keep]
    bend = (place[keep] + place[to]) / 2 + rng.uniform(-60, 60, (len(keep), 2))
    lines = shapely.linestrings(np.stack([place[keep], bend, place[to]], axis=1))
    streams = gpd.GeoDataFrame(
        {"stream_id": [f"S{k}" for k in keep], "stream_kind": "stream"}, geometry=lines, crs=UTM
    )
    at = rng.choice(len(lines), 400, replace=False)
    ponds = shapely.buffer(shapely.line_interpolate_point(lines[at], 150), 40)
    waters = gpd.GeoDataFrame(
        {"water_body_id": [f"W{k}" for k in range(400)]}, geometry=ponds, crs=UTM
    )
    of = rng.integers(0, len(lines), units)
    foot = shapely.line_interpolate_point(lines[of], rng.random(units), normalized=True)
    xy = shapely.get_coordinates(foot)
    mouth = xy + rng.normal(0, 60, (units, 2))
    ids = np.char.add("U", np.arange(units).astype(str)).astype(object)
    points = shapely.points(mouth)
    paths = gpd.GeoDataFrame(
        {
            "unit_id": ids,
            "discharge_point_id": ids,
            "path_end": "stream",
            "path_length_m": np.hypot(*(mouth - xy).T),
        },
        geometry=shapely.linestrings(np.stack([mouth, xy], axis=1)),
        crs=UTM,
    )
    features = {"streams": streams, "water_bodies": waters}
    start = time.perf_counter()
    ways = find_waterways(
        paths, points, None, features, line95_m={"streams": 12.0, "water_bodies": 12.0}
    )
    print(f"in the assessment: {time.perf_counter() - start:.2f} s, {len(ways.legs):,} legs")
    table = gpd.GeoDataFrame(
        {"unit_id": ids, "discharge_point_id": ids, "accuracy95_m": 5.0}, geometry=points, crs=UTM
    )
    return Assessment(
        units=table,
        discharge_points=table,
        flow_paths=paths.rename(columns={"path_length_m": "length_m"}),
        setback_checks=table.iloc[:0],
        worth_a_fix=pd.DataFrame(),
        problems=pd.DataFrame(),
        water_legs=ways.legs,
        water_places=ways.places,
        context=features,
    )


def main() -> None:
    """Make, trace, tell."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--units", type=int, default=50_000)
    parser.add_argument("--side", type=int, default=140)
    given = parser.parse_args()
    county = make(given.units, given.side)
    streams = county.context["streams"]
    ends = [streams.geometry.iloc[k].coords[-1] for k in (0, given.side, 500, 5_000, 15_000)]
    lon, lat = Mover(UTM, WGS84)(*np.array(ends).T)
    for k in range(len(ends)):
        start = time.perf_counter()
        found = trace_up(county, at=(lat[k], lon[k]))
        seconds = time.perf_counter() - start
        print(f"up: {len(found.candidates):,} candidates, {seconds:.2f} s")
    for unit in (0, 1, given.units // 2):
        start = time.perf_counter()
        down = trace_down(county, f"U{unit}")
        print(f"down: {len(down.notices):,} notices, {time.perf_counter() - start:.2f} s")


if __name__ == "__main__":
    main()
