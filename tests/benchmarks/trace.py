"""Up the water and down it in a large county.

Run with ``python tests/benchmarks/trace.py [--units 50000]``. It makes an invented network of
streams that all run together, with ponds on the way, and an outlet for each unit with a way over
the ground, and what draws would have kept of it; then it times traces of the finished assessment:
up from the end of all water (every unit is a candidate), from places within, and down from units
far up.

``python tests/benchmarks/trace.py --draws 20 [--outlets 1000 --size 6000 --cell 1]`` instead draws
the ways over an invented terrain, as the assessment does.
"""

from __future__ import annotations

import argparse
import os
import resource
import time

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from affine import Affine
from draws import terrain
from pyproj import CRS

from geo.terrain import TerrainModel, build_terrain, flow_paths
from geo.terrain.draws import ErrorModel
from geo.trace import trace_down, trace_up
from geo.waters.paths import outlet_paths
from geo.waters.waterways import find_waterways
from geo.waters.way_draws import BUDGET_CELLS, draw_ways
from layers.crs import WGS84, Mover
from layers.grid import Grid
from layers.outputs.groups import Water
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
    paths = paths.rename(columns={"path_length_m": "length_m"})
    table = gpd.GeoDataFrame(
        {"unit_id": ids, "discharge_point_id": ids, "accuracy95_m": 5.0}, geometry=points, crs=UTM
    )
    return Assessment(
        units=table,
        discharge_points=table,
        flow_paths=paths,
        setback_checks=table.iloc[:0],
        problems=pd.DataFrame(),
        water=Water(
            ways.legs,
            ways.places,
            **invented_draws(
                ways.places[ways.places["kind"] == "outlet"], paths, len(ways.legs), rng
            ),
        ),
        context=features,
    )


def invented_draws(
    places: gpd.GeoDataFrame, paths: gpd.GeoDataFrame, legs: int, rng: np.random.Generator
) -> dict[str, pd.DataFrame]:
    """As many rows as draws keep: of 100, 91 come in near by in 3 places, 9 at another stream."""
    parts = []
    for k, draws in enumerate((70, 15, 6, 9)):
        part = places[["discharge_point_id", "leg", "along_m", "water", "height_m", "before_m",
                       "geometry"]].assign(draws=draws, ends="stream")  # fmt: skip
        part["along_m"] = np.maximum(part["along_m"] + 5.0 * k, 0.0)
        if k == 3:
            part["leg"] = rng.integers(0, legs, len(part))
        # every fifth by way of a drain, whose end lets out at another stream in each of them
        piped = np.arange(len(part)) % 5 == 0
        part["then_ends"] = np.where(piped, "stream", None)
        part["then_leg"] = np.where(piped, rng.integers(0, legs, len(part)), -1)
        part["then_water"] = -1
        for name, value in (("along_m", 3.0), ("height_m", 10.0), ("before_m", 90.0)):
            part[f"then_{name}"] = np.where(piped, value, np.nan)
        xy = shapely.get_coordinates(part.geometry.to_numpy())
        part["then_x"], part["then_y"] = (np.where(piped, axis, np.nan) for axis in xy.T)
        parts.append(part)
    count = np.maximum(np.ceil(paths["length_m"] / 20).astype(int), 1) + 1
    of = np.repeat(np.arange(len(paths)), count)
    step = np.arange(len(of)) - np.repeat(np.cumsum(count) - count, count)
    passes = pd.DataFrame(
        {
            "discharge_point_id": paths["discharge_point_id"].to_numpy(object)[of],
            "along_m": 20.0 * step,
            "offsets_m": "-8:3 -4:11 -2:9 -1:10 0:41 1:12 3:8 5:4 60:2",
        }
    )
    return {"drawn_entries": pd.concat(parts, ignore_index=True), "drawn_passes": passes}


def channels(model: TerrainModel) -> list[shapely.LineString]:
    """Where 4 hectares and more drain past, as lines down to the next one."""
    grid, cell = model.ground, model.ground.cell_m[0]
    is_channel = model.accumulation.values >= 40_000 / cell**2
    head = is_channel & (model.direction.values > 0)
    size = grid.shape[1]
    step = np.array([0, 1, 1 - size, -size, -1 - size, -1, size - 1, size, size + 1])
    flat = np.flatnonzero(head)
    heads = np.setdiff1d(flat, flat + step[model.direction.values.reshape(-1)[flat]])
    taken, lines = np.zeros(grid.shape, bool), []
    for start in heads:
        way = flow_paths(model.direction.values, np.array([divmod(start, size)]), taken)[0]
        taken[way[:, 0], way[:, 1]] = True
        if len(way) > 2:
            lines.append(shapely.LineString(np.column_stack(grid.centers(way[:, 0], way[:, 1]))))
    return lines


def draw(given: argparse.Namespace) -> None:
    """Draw ways over an invented terrain and tell what it costs."""
    flat, n = terrain(given.size), given.outlets
    cell = given.cell
    model = build_terrain(Grid(flat.values, Affine(cell, 0, WEST, 0, -cell, SOUTH), UTM))
    lines = channels(model)
    names = [f"S{k}" for k in range(len(lines))]
    streams = gpd.GeoDataFrame(
        {"stream_id": names, "stream_kind": "stream"}, geometry=lines, crs=UTM
    )
    rng, side = np.random.default_rng(0), given.size * cell
    xy = np.array([WEST, SOUTH]) + rng.uniform(100, side - 100, (n, 2)) * [1, -1]
    ids = np.char.add("D", np.arange(n).astype(str)).astype(object)
    points = gpd.GeoDataFrame(
        {"discharge_point_id": ids, "unit_id": ids, "outlet_kind": "ground"},
        geometry=shapely.points(xy), crs=UTM,
    )  # fmt: skip
    features, line95 = {"streams": streams}, dict.fromkeys(("streams", "water_bodies"), 12.0)
    paths = outlet_paths(points, model, features, line95_m=line95)
    paths = points[["unit_id", "discharge_point_id"]].join(paths)
    paths = gpd.GeoDataFrame(paths, geometry="geometry", crs=UTM)
    ways = find_waterways(paths, points.geometry.to_numpy(), model, features, line95_m=line95)
    start, used = time.perf_counter(), time.process_time()
    found = draw_ways(
        paths.rename(columns={"path_length_m": "length_m"}), np.full(n, 3.0), model, features,
        ways.legs, ErrorModel(0.196, 10.0, given.draws, 0), line95_m=line95,
        budget_cells=int(given.budget * 1e9),
    )  # fmt: skip
    wall, used = time.perf_counter() - start, time.process_time() - used
    print(
        f"{n:,} outlets with ways of {paths['path_length_m'].mean():.0f} m on {cell:g} m cells,"
        f" {given.size:,} a side, {found.outlets:,} drawn, {found.draws} of {given.draws}"
        f" times, {found.windows:,} windows:"
        f" {wall:.1f} s, {used:.1f} s of processor time"
    )
    print(
        f"{found.cells / 1e6:,.0f} million cells ({found.cells / BUDGET_CELLS:.1%} of the budget),"
        f" {found.cells / wall / 1e6:.1f} million a second;"
        f" {1e3 * wall / n / max(found.draws, 1):.2f} ms an outlet and draw;"
        f" {len(found.entries):,} + {len(found.passes):,} rows,"
        f" {found.not_followed:.2%} not followed"
    )
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
    print(f"peak memory {peak:.1f} GB; load {os.getloadavg()[0]:.1f}")


def main() -> None:
    """Make, trace, tell."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--units", type=int, default=50_000)
    parser.add_argument("--side", type=int, default=140)
    parser.add_argument("--draws", type=int, default=0)
    parser.add_argument("--outlets", type=int, default=1000)
    parser.add_argument("--size", type=int, default=6000, help="rows and columns of the terrain")
    parser.add_argument("--cell", type=float, default=1.0, help="metres")
    parser.add_argument("--budget", type=float, default=BUDGET_CELLS / 1e9, help="billion cells")
    given = parser.parse_args()
    if given.draws:
        draw(given)
        return
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
