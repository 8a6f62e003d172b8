"""Reading, checking, linking and judging a large county, beside the obvious way to do it.

Run with ``python tests/benchmarks/setbacks.py [--units 50000] [--folder DIR]``. It makes an
invented county on disk, then times (a) Rillmark from files to verdicts and (b) a nearest join per
rule with geopandas and the length of each pair, on the same frames, in the same run.
"""

from __future__ import annotations

import argparse
import resource
import sys
import tempfile
import time
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from pyproj import CRS, Geod, Transformer

UTM = CRS("EPSG:32616")
WEST, SOUTH, SIDE_M = 330_000.0, 2_900_000.0, 60_000.0
RULES = [
    ("wells", {"use": ["private"]}, 50, "tank"),
    ("wells", {"use": ["private"]}, 100, "discharge_point"),
    ("wells", {"use": ["public"]}, 300, "tank"),
    ("wells", {"use": ["public"]}, 300, "discharge_point"),
    ("streams", {"permanence": ["perennial"]}, 50, "tank"),
    ("streams", {"permanence": ["perennial"]}, 100, "discharge_point"),
    ("streams", {"permanence": ["ditch"]}, 25, "tank"),
    ("streams", {"permanence": ["ditch"]}, 25, "discharge_point"),
    ("water_bodies", {}, 50, "tank"),
    ("water_bodies", {}, 100, "discharge_point"),
    ("floodplain", {}, 10, "tank"),
    ("floodplain", {}, 10, "discharge_point"),
]


def make_county(folder: Path, units: int, wells: int, parts: int, vertices: int) -> Path:
    """An invented county in open water: points strewn, lines and areas wandering."""
    rng = np.random.default_rng(11)
    xy = np.array([WEST, SOUTH]) + SIDE_M * rng.random((units, 2))
    ids = np.char.add("U", np.arange(units).astype(str))
    write(
        folder / "units.gpkg",
        {
            "unit_id": ids,
            "kind": "surface_discharge",
            "location_basis": rng.choice(["gps", "building", "parcel"], units),
        },
        shapely.points(xy),
    )
    out = xy + rng.normal(0, 20, (units, 2))
    write(
        folder / "outlets.gpkg",
        {
            "discharge_point_id": np.char.add("D", ids),
            "unit_id": ids,
            "outlet_kind": "ground",
            "location_basis": "gps",
        },
        shapely.points(out),
    )
    at = np.array([WEST, SOUTH]) + SIDE_M * rng.random((wells, 2))
    write(
        folder / "wells.gpkg",
        {
            "well_id": np.char.add("W", np.arange(wells).astype(str)),
            "use": rng.choice(["private", "public"], wells, p=[0.97, 0.03]),
            "location_basis": rng.choice(["gps", "address"], wells),
        },
        shapely.points(at),
    )
    lines, areas, flood = parts * 6 // 10, parts * 2 // 10, parts * 2 // 10
    n = max(vertices // parts, 4)
    write(
        folder / "streams.gpkg",
        {
            "stream_id": np.arange(lines).astype(str),
            "permanence": rng.choice(["perennial", "ditch"], lines),
        },
        wandering(rng, lines, n),
    )
    write(
        folder / "lakes.gpkg",
        {"water_body_id": np.arange(areas).astype(str)},
        rings(rng, areas, n, 60),
    )
    zones = np.concatenate([rings(rng, flood - 4, n, 150), rings(rng, 4, 50_000, 6_000)])
    write(
        folder / "flood.gpkg", {"floodplain_id": np.arange(flood).astype(str), "zone": "AE"}, zones
    )
    rows = [
        f'[[tables.rules]]\nid = "r{k}"\npart = "{part}"\nfeature = "{feature}"\n'
        f"where = {{ {', '.join(f'{c} = {w}' for c, w in where.items())} }}\n"
        f'distance = {feet}\nunit = "ft"\nsource = "invented"\n'
        for k, (feature, where, feet, part) in enumerate(RULES)
    ]
    table = '[[tables]]\nname = "t"\nadopted_by = "nobody (invented)"\njudged_on = "assessment"\n'
    (folder / "setbacks.toml").write_text(table + "\n".join(rows), "utf-8")
    files = {
        "units": "units",
        "discharge_points": "outlets",
        "wells": "wells",
        "streams": "streams",
        "water_bodies": "lakes",
        "floodplain": "flood",
    }
    sections = "\n".join(f'[layers.{k}]\npath = "{v}.gpkg"' for k, v in files.items())
    path = folder / "county.toml"
    path.write_text(
        f'[county]\nname = "Large County (invented)"\nas_of = 2026-04-01\ncrs = "EPSG:32616"\n'
        f'{sections}\n[rules]\npath = "setbacks.toml"\n',
        "utf-8",
    )
    return path


def write(path: Path, columns: dict, shapes: np.ndarray) -> None:
    frame = gpd.GeoDataFrame(pd.DataFrame(columns), geometry=shapes, crs=UTM)
    frame.to_file(path, driver="GPKG")


def wandering(rng: np.random.Generator, count: int, n: int) -> np.ndarray:
    start = np.array([WEST, SOUTH]) + SIDE_M * rng.random((count, 1, 2))
    heading = rng.random((count, 1)) * 2 * np.pi + np.cumsum(rng.normal(0, 0.3, (count, n)), axis=1)
    steps = 8.0 * np.stack([np.cos(heading), np.sin(heading)], axis=2)
    return shapely.linestrings(start + np.cumsum(steps, axis=1))


def rings(rng: np.random.Generator, count: int, n: int, radius_m: float) -> np.ndarray:
    center = np.array([WEST, SOUTH]) + SIDE_M * rng.random((count, 1, 2))
    angle = np.linspace(0, 2 * np.pi, n, endpoint=False)
    radius = radius_m * (1 + 0.3 * np.sin(5 * angle) + 0.02 * rng.standard_normal((count, n)))
    ring = np.stack([radius * np.cos(angle), radius * np.sin(angle)], axis=2)
    return shapely.polygons(center + ring)


def ours(path: Path) -> tuple[dict[str, float], object, object]:
    from geo.programme.history import unit_days
    from geo.setbacks import SetbackInputs, setback_checks
    from layers import read_county

    start = time.perf_counter()
    county = read_county(path)
    read = time.perf_counter()
    units = county.layers["units"]
    given = SetbackInputs(
        units=units,
        discharge_points=county.layer("discharge_points"),
        links=county.links,
        features={name: county.layer(name) for name in {rule[0] for rule in RULES}},
        days=unit_days(units, None, as_of=county.as_of),
        line_sd_m={},
    )
    checks = setback_checks(given, county.setbacks)
    end = time.perf_counter()
    return {"read, check, link": read - start, "verdicts": end - read}, county, checks


def obvious(county: object) -> tuple[float, pd.DataFrame]:
    """A nearest join for every rule, then the ellipsoidal length of every pair."""
    start = time.perf_counter()
    geod, to_degrees = Geod(ellps="WGS84"), Transformer.from_crs(UTM, 4326, always_xy=True)
    places = {"tank": county.layers["units"], "discharge_point": county.layers["discharge_points"]}
    found = []
    for k, (feature, where, _, part) in enumerate(RULES):
        some = county.layers[feature]
        for column, words in where.items():
            some = some[some[column].isin(words)]
        left = places[part][["unit_id", "geometry"]]
        joined = left.sjoin_nearest(some[["geometry"]], max_distance=1_000)
        line = shapely.shortest_line(
            joined.geometry.to_numpy(), some.geometry.loc[joined["index_right"]].to_numpy()
        )
        x1, y1, x2, y2 = shapely.get_coordinates(line).reshape(-1, 4).T
        lon1, lat1 = to_degrees.transform(x1, y1)
        lon2, lat2 = to_degrees.transform(x2, y2)
        length = geod.inv(lon1, lat1, lon2, lat2)[2]
        best = pd.DataFrame({"unit_id": joined["unit_id"].to_numpy(), "m": length})
        found.append(best.groupby("unit_id", as_index=False)["m"].min().assign(rule_id=f"r{k}"))
    return time.perf_counter() - start, pd.concat(found)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--units", type=int, default=50_000)
    parser.add_argument("--wells", type=int, default=40_000)
    parser.add_argument("--parts", type=int, default=200_000)
    parser.add_argument("--vertices", type=int, default=5_000_000)
    parser.add_argument("--folder", type=Path)
    parser.add_argument("--skip-obvious", action="store_true")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as temporary:
        folder = given.folder or Path(temporary)
        folder.mkdir(parents=True, exist_ok=True)
        path = folder / "county.toml"
        if not path.exists():
            path = make_county(folder, given.units, given.wells, given.parts, given.vertices)
        seconds, county, checks = ours(path)
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
        print(f"Rillmark: {seconds}, in all {sum(seconds.values()):.1f} s, peak {peak:.2f} GB")
        print(f"{len(checks):,} verdicts")
        if given.skip_obvious:
            return
        alone, pairs = obvious(county)
        both = checks.merge(pairs, on=["unit_id", "rule_id"])
        apart = both["distance_m"] - both["m"]
        # of features known unlike, the one more likely too near speaks, not the nearest
        farther = apart > 1e-3
        print(f"one join a rule, then lengths: {alone:.1f} s")
        print(
            f"ratio {alone / seconds['verdicts']:.1f}; largest difference"
            f" {apart[~farther].abs().max():.2e} m, but for {farther.sum()} where a farther feature"
            " is more likely too near"
        )
        if len(both) != len(pairs) or apart.min() < -1e-3 or farther.mean() > 1e-3:
            sys.exit("the two ways disagree")


if __name__ == "__main__":
    main()
