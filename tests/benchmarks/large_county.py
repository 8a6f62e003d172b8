"""An invented county of many units, as a finished assessment made in memory.

Places, lines and areas are strewn at random. What is known of a unit is drawn from the units of
the invented sample county, its numbers moved a little; setbacks, scores and reasons are then
reckoned by Rillmark itself from the county's own rules. Nothing here is real.
"""

from __future__ import annotations

import dataclasses
from importlib import resources
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from affine import Affine
from pyproj import CRS
from scipy.ndimage import gaussian_filter

from geo.assessment import assess
from geo.order.priorities import prioritize
from geo.order.reasons import add_reasons
from geo.programme.history import unit_days
from geo.results.areas import areas, first_n_curve, public_cells
from geo.setbacks import SetbackInputs, setback_checks
from geo.terrain import hillshade
from layers import read_county
from layers.grid import Grid
from layers.outputs.groups import Areas, Search, Visits
from layers.outputs.run import RunCounty
from layers.store import Assessment

UTM = CRS("EPSG:32616")
WEST, SOUTH, SIDE_M = 330_000.0, 2_900_000.0, 40_000.0
ROADS = 3_000
WELLS = 40_000
LINES = {"streams": (200, 500), "roads": (1_000, 100)}  # parts and vertices of each: 100,000
AREAS = {"water_bodies": (500, 200, 90.0), "floodplain": (200, 500, 700.0)}  # and a radius
CELLS = 4_000


def large_assessment(count: int = 50_000, seed: int = 7) -> Assessment:
    """A county of ``count`` units and four layers of 100,000 vertices."""
    rng = np.random.default_rng(seed)
    with resources.as_file(resources.files("layers.sample_layers").joinpath("county.toml")) as path:
        county = read_county(Path(path))
        sample = assess(county)
    units = _units(rng, sample.units, count, pd.Timestamp(county.as_of))
    outlets = _outlets(rng, units)
    context, rasters = _context(rng), _rasters(rng)
    checks = _checks(units, outlets, context, county)
    units = _with_nearest(units, checks)
    drop = [c for c in units if c.startswith(("part_", "deciding_")) or c in _RECKONED]
    table = units.drop(columns=drop)
    order = prioritize(table, county.priorities, owed_until=None)
    table = pd.concat([order, table], axis=1)
    table = table.join(
        add_reasons(table, checks, county.priorities, show_units=county.file.county.show_units)
    )
    table = table.drop(columns=[c for c in table if c.startswith("deciding_")])
    table["rank_low"] = np.maximum(1, table["rank"] - rng.integers(0, 400, count))
    table["rank_high"] = np.minimum(count, table["rank"] + rng.integers(0, 400, count))
    placed = gpd.GeoDataFrame(table.sort_values("rank").reset_index(drop=True), crs=UTM)
    small, placed["area_id"] = areas(placed)
    searched, likely = _searches(rng, sample, placed)
    return dataclasses.replace(
        sample,
        units=placed,
        discharge_points=outlets,
        flow_paths=_paths(rng, placed, outlets),
        setback_checks=checks,
        visits=Visits(first=first_n_curve(placed)),
        search=Search(likely, searched),
        areas=Areas(small, public_cells(placed)),
        problems=sample.problems[sample.problems["layer"] != "units"],
        context=context,
        rasters=rasters,
        run=dataclasses.replace(
            sample.run,
            county=RunCounty("Large County (invented)", invented=True),
            context=sorted(context),
            rasters=sorted(rasters),
        ),
    )


def _searches(
    rng: np.random.Generator, sample: Assessment, units: gpd.GeoDataFrame
) -> tuple[gpd.GeoDataFrame, gpd.GeoDataFrame]:
    """Searches of the sample county, moved to the units whose outlet is not known."""
    searched = sample.search.areas
    wanted = units[units["outlet_state"].isin(["unknown", "unconfirmed"])]
    turn = rng.integers(0, len(searched), len(wanted))
    home = sample.units.set_index("unit_id").geometry[searched["unit_id"].iloc[turn]]
    by = shapely.get_coordinates(wanted.geometry) - shapely.get_coordinates(home)

    def moved(frame: gpd.GeoDataFrame, rows: np.ndarray, to: np.ndarray) -> gpd.GeoDataFrame:
        out = frame.iloc[rows].reset_index(drop=True)
        count = shapely.get_num_coordinates(out.geometry.to_numpy())
        xy = shapely.get_coordinates(out.geometry) + np.repeat(by[to], count, axis=0)
        out["unit_id"] = wanted["unit_id"].to_numpy()[to]
        return out.set_geometry(
            shapely.set_coordinates(out.geometry.to_numpy().copy(), xy), crs=UTM
        )

    of = pd.Series(range(len(turn))).groupby(searched["unit_id"].to_numpy()[turn]).agg(list)
    pairs = [
        (row, to)
        for row, unit in enumerate(sample.search.candidates["unit_id"])
        for to in of.get(unit, [])
    ]
    rows, to = np.array(sorted(pairs, key=lambda pair: (pair[1], pair[0]))).T
    return moved(searched, turn, np.arange(len(turn))), moved(sample.search.candidates, rows, to)


_RECKONED = {
    "visit_class", "rank", "rank_low", "rank_high", "ranked_by", "score", "likelihood", "harm",
    "reasons", "data_gaps", "first_class_chance", "area_id",
}  # fmt: skip


def _units(
    rng: np.random.Generator, sample: gpd.GeoDataFrame, count: int, as_of: pd.Timestamp
) -> gpd.GeoDataFrame:
    """Rows of the sample drawn again and again, their numbers moved, under new names."""
    frame = pd.DataFrame(sample.drop(columns="geometry")).iloc[rng.integers(0, len(sample), count)]
    frame = frame.reset_index(drop=True)
    moved = np.exp(rng.normal(0, 0.35, count))
    for name in frame.columns:
        values = frame[name]
        if pd.api.types.is_float_dtype(values) and name.endswith(("_m", "_deg", "_minutes")):
            by = (
                moved
                if "pond" in name or "freeboard" in name
                else np.exp(rng.normal(0, 0.35, count))
            )
            frame[name] = values * (1.0 if name in _KEPT else by)
    n = rng.permutation(count)
    roads = np.array([_road(i) for i in range(ROADS)], object)[rng.integers(0, ROADS, count)]
    known = frame["discharge_point_id"].notna()
    frame["unit_id"] = [f"{10_000 + i:05d}" for i in n]
    frame["discharge_point_id"] = [f"DP-{i:05d}" for i in rng.permutation(count)]
    frame.loc[~known, "discharge_point_id"] = None
    frame["parcel_id"] = [f"{i % 24:02d}-{i // 24:04d}" for i in rng.permutation(count)]
    frame["address"] = [f"{h} {r}" for h, r in zip(rng.integers(1, 900, count), roads, strict=True)]
    frame["installed"] = pd.Timestamp("1965-01-01") + pd.to_timedelta(
        rng.integers(0, 60 * 365, count), unit="D"
    )
    frame["age_years"] = (as_of - frame["installed"]).dt.days / 365.2425
    frame["permit_id"] = [
        f"P-{day.year}-{i:04d}"
        for day, i in zip(frame["installed"], rng.integers(1, 2000, count), strict=True)
    ]
    at = np.array([WEST, SOUTH]) + SIDE_M * rng.random((count, 2))
    return gpd.GeoDataFrame(frame, geometry=shapely.points(at), crs=UTM)


_KEPT = ("accuracy95_m", "accuracy_m", "riser_height_m", "flood_distance_m")


def _road(i: int) -> str:
    first = (
        "Sedge",
        "Plum",
        "Kettle",
        "Heron",
        "Wick",
        "Fennel",
        "Draw",
        "Teasel",
        "Osier",
        "Reed",
    )
    last = ("bank", "field", "ford", "gate", "hollow", "mere", "moor", "ridge", "side", "wood")
    kind = ("Road", "Lane", "Drive", "Court", "Street")
    end = f" {i // 500}" if i >= 500 else ""
    return f"{first[i % 10]}{last[i // 10 % 10]}{end} {kind[i // 100 % 5]}"


def _outlets(rng: np.random.Generator, units: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    known = units["discharge_point_id"].notna().to_numpy()
    way = np.radians(rng.uniform(0, 360, len(units)))
    far = units["pipe_length_m"].fillna(20).clip(2, 120).to_numpy()
    units["pipe_bearing_deg"] = np.where(known, np.degrees(way), np.nan)
    at = np.column_stack(
        [units.geometry.x + far * np.sin(way), units.geometry.y + far * np.cos(way)]
    )
    return gpd.GeoDataFrame(
        {
            "discharge_point_id": units.loc[known, "discharge_point_id"].to_numpy(),
            "unit_id": units.loc[known, "unit_id"].to_numpy(),
            "outlet_kind": "ground",
            "accuracy95_m": rng.choice([0.1, 3.0, 8.1, 15.0], known.sum()),
        },
        geometry=shapely.points(at[known]),
        crs=UTM,
    )


def _context(rng: np.random.Generator) -> dict[str, gpd.GeoDataFrame]:
    def frame(geometry: np.ndarray, **columns: Any) -> gpd.GeoDataFrame:
        return gpd.GeoDataFrame(columns, geometry=geometry, crs=UTM)

    lines = {name: _wandering(rng, *size) for name, size in LINES.items()}
    rings = {name: _rings(rng, *size) for name, size in AREAS.items()}
    wells = np.array([WEST, SOUTH]) + SIDE_M * rng.random((WELLS, 2))
    return {
        "streams": frame(
            lines["streams"],
            stream_id=[f"LK-{i:03d}" for i in range(len(lines["streams"]))],
            permanence=rng.choice(["perennial", "intermittent"], len(lines["streams"])),
            name=[f"{_road(i).split()[0]} Run" for i in range(len(lines["streams"]))],
        ),
        "roads": frame(
            lines["roads"],
            road_id=[f"R{i}" for i in range(len(lines["roads"]))],
            name=[_road(i) for i in range(len(lines["roads"]))],
        ),
        "water_bodies": frame(
            rings["water_bodies"],
            water_body_id=[f"LP-{i:03d}" for i in range(len(rings["water_bodies"]))],
            name=None,
        ),
        "floodplain": frame(
            rings["floodplain"],
            floodplain_id=[f"F{i}" for i in range(len(rings["floodplain"]))],
            zone="AE",
            is_sfha=True,
        ),
        "wells": frame(
            shapely.points(wells),
            well_id=[f"W{i:05d}" for i in range(WELLS)],
            use=rng.choice(["private", "public"], WELLS, p=[0.97, 0.03]),
            accuracy95_m=rng.choice([0.1, 6.0, 15.0, 60.0], WELLS),
        ),
    }


def _wandering(rng: np.random.Generator, count: int, n: int) -> np.ndarray:
    """Lines with a bend every 12 m, as dense as mapped ones."""
    start = np.array([WEST, SOUTH]) + SIDE_M * rng.random((count, 1, 2))
    heading = rng.random((count, 1)) * 2 * np.pi + np.cumsum(
        rng.normal(0, 0.25, (count, n)), axis=1
    )
    steps = 12.0 * np.stack([np.cos(heading), np.sin(heading)], axis=2)
    return shapely.linestrings(start + np.cumsum(steps, axis=1))


def _rings(rng: np.random.Generator, count: int, n: int, radius_m: float) -> np.ndarray:
    center = np.array([WEST, SOUTH]) + SIDE_M * rng.random((count, 1, 2))
    angle = np.linspace(0, 2 * np.pi, n, endpoint=False)
    rough = gaussian_filter(rng.standard_normal((count, n)), (0, 3), mode="wrap")
    radius = radius_m * (1 + 0.3 * np.sin(5 * angle) + 0.1 * rough)
    ring = np.stack([radius * np.cos(angle), radius * np.sin(angle)], axis=2)
    return shapely.make_valid(shapely.polygons(center + ring))


def _checks(
    units: gpd.GeoDataFrame,
    outlets: gpd.GeoDataFrame,
    context: dict[str, gpd.GeoDataFrame],
    county: Any,
) -> gpd.GeoDataFrame:
    links = units[["unit_id", "discharge_point_id", "outlet_state"]].copy()
    links["link_confirmed"] = True
    return setback_checks(
        SetbackInputs(
            units=units,
            discharge_points=outlets,
            links=links,
            features=context,
            days=unit_days(units, None, as_of=county.as_of),
            line_sd_m={},
        ),
        county.setbacks,
    )


def _with_nearest(units: gpd.GeoDataFrame, checks: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """The nearest well of each unit's lid and discharge point, and the nearest stream."""
    units = units.copy()
    for part, feature, id_, length in (
        ("tank", "wells", "lid_well_id", "lid_well_distance"),
        ("discharge_point", "wells", "well_id", "well_distance"),
        ("tank", "streams", "stream_id", "stream_distance"),
    ):
        mine = checks[(checks["part"] == part) & (checks["feature"] == feature)]
        near = mine.dropna(subset="distance_m").sort_values("distance_m", kind="stable")
        near = near.drop_duplicates("unit_id").set_index("unit_id")
        units[id_] = units["unit_id"].map(near["feature_id"]).to_numpy()
        units[f"{length}_m"] = units["unit_id"].map(near["distance_m"]).to_numpy(float)
        if f"{length}_u95_m" in units:
            units[f"{length}_u95_m"] = units["unit_id"].map(near["distance_u95_m"]).to_numpy(float)
    return units


def _paths(
    rng: np.random.Generator, units: gpd.GeoDataFrame, outlets: gpd.GeoDataFrame
) -> gpd.GeoDataFrame:
    """Crooked ways over ground, a bend every 12 m, as long as the table says up to 900 m."""
    length = outlets["unit_id"].map(units.set_index("unit_id")["path_length_m"]).to_numpy(float)
    has = np.isfinite(length)
    some, length = outlets[has], np.clip(length[has], 12, 900)
    n = np.ceil(length / 12).astype(int) + 1
    of = np.repeat(np.arange(len(some)), n)
    first = np.r_[0, np.cumsum(n)[:-1]]
    turn = rng.normal(0, 0.35, len(of))
    turn[first] = rng.uniform(0, 2 * np.pi, len(some))
    heading = np.cumsum(turn) - np.repeat(np.cumsum(turn)[first] - turn[first], n)
    step = 12.0 * np.column_stack([np.cos(heading), np.sin(heading)])
    step[first] = 0
    at = np.cumsum(step, axis=0)
    at += np.repeat(shapely.get_coordinates(some.geometry.array) - at[first], n, axis=0)
    return gpd.GeoDataFrame(
        {"unit_id": some["unit_id"].to_numpy(), "path_end": "stream", "length_m": length},
        geometry=shapely.linestrings(at, indices=of),
        crs=UTM,
    )


def _rasters(rng: np.random.Generator) -> dict[str, Grid]:
    """Hills, and hollows that six storms fill more and more."""
    cell = SIDE_M / CELLS
    transform = Affine(cell, 0, WEST, 0, -cell, SOUTH + SIDE_M)

    def noise(width: float) -> np.ndarray:
        small = rng.standard_normal((CELLS // 4, CELLS // 4)).astype(np.float32)
        field = gaussian_filter(small, width / 4)
        return np.kron(field / field.std(), np.ones((4, 4), np.float32))

    height = gaussian_filter(60 * noise(220) + 12 * noise(50) + 2 * noise(14), 2)
    hollow = gaussian_filter(noise(24) - 2.1, 2)
    grids = {"relief": Grid(hillshade(height, (cell, cell)), transform, UTM)}
    for k, years in enumerate((2, 5, 10, 25, 50, 100)):
        depth = np.maximum(hollow - 0.5 + 0.1 * k, 0).astype(np.float32)
        grids[f"pond_depth_{years}yr"] = Grid(depth, transform, UTM)
    grids["pond_depth_brim"] = Grid(np.maximum(hollow + 0.2, 0), transform, UTM)
    return grids
