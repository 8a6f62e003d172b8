"""Units strewn over real public layers: no ``clear`` that a count of its own contradicts.

The layers are not part of the project: RILLMARK_REAL_LAYERS names a folder with an NHD flow line
and water body file and SSURGO soils (``canyon_rim``) and with lakes, a raster of heights and
observation wells (``kettle_lakes``). The units, their outlets and the rules are invented. Distances
are taken again here with shapely in an azimuthal equidistant projection around each unit, over
every feature that may be meant, with none of the program's code.
"""

from __future__ import annotations

import os
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from pyproj import CRS, Transformer

import geo
from layers import read_county

ROOT = os.environ.get("RILLMARK_REAL_LAYERS", "")
pytestmark = [
    pytest.mark.long,
    pytest.mark.skipif(not ROOT, reason="RILLMARK_REAL_LAYERS names no folder of real layers"),
]
FT_M = 0.3048
# fcode: U.S. Geological Survey, NHD feature catalog; 55800 is an artificial path, of which only
# the water it runs through is known
FCODE = {46006: "perennial", 46003: "intermittent", 46007: "ephemeral"}
RULES = {
    "stream-50": ("tank", "streams", ("perennial", "intermittent"), 50),
    "small-25": ("tank", "streams", ("ephemeral", "ditch"), 25),
    "outlet-stream-100": ("discharge_point", "streams", ("perennial", "intermittent"), 100),
    "lake-75": ("tank", "water_bodies", (), 75),
    "lake-far-5000": ("tank", "water_bodies", (), 5000),
    "well-75": ("tank", "wells", ("private",), 75),
    "well-public-300": ("tank", "wells", ("public",), 300),
    "outlet-well-100": ("discharge_point", "wells", ("private",), 100),
}
FIELD = {"streams": "permanence", "wells": "use"}


def rules_text(layers):
    lines = ['[[tables]]\nname = "Invented"\nadopted_by = "Invented Board"\n']
    for name, (part, layer, words, feet) in RULES.items():
        if layer in layers:
            where = f"where = {{ {FIELD[layer]} = {list(words)!r} }}\n" if words else ""
            lines.append(
                f'[[tables.rules]]\nid = "{name}"\npart = "{part}"\nfeature = "{layer}"\n{where}'
                f'distance = {feet}\nunit = "ft"\nsource = "invented"\n'
            )
    return "\n".join(lines)


def strewn(shapes, count, seed):
    """Units from 0 to 150 m off features, each with an outlet 5 to 60 m away; as lon and lat."""
    rng = np.random.default_rng(seed)
    ends = shapely.get_coordinates(shapes.to_crs(4326).geometry.to_numpy())
    at = ends[rng.integers(len(ends), size=count)]
    meter = np.column_stack(
        (1 / (111_320 * np.cos(np.radians(at[:, 1]))), np.full(count, 1 / 110_950))
    )
    turn, far = rng.uniform(0, 2 * np.pi, (2, count)), rng.uniform((0, 5), (150, 60), (count, 2))
    lids = at + meter * far[:, :1] * np.column_stack((np.cos(turn[0]), np.sin(turn[0])))
    outlets = lids + meter * far[:, 1:] * np.column_stack((np.cos(turn[1]), np.sin(turn[1])))
    return lids, outlets


def write(folder, lids, outlets, sections):
    names = [f"U{n:04d}" for n in range(len(lids))]
    basis = ["gps", "gps", "address", None] * len(lids)
    for file, key, at in (("units", "unit_id", lids), ("outlets", "discharge_point_id", outlets)):
        table = {key: names if file == "units" else [f"D{n[1:]}" for n in names]}
        table |= {"unit_id": names, "lon": at[:, 0], "lat": at[:, 1]}
        table |= {"location_basis": basis[: len(names)], "kind": "surface_discharge"}
        pd.DataFrame(table).to_csv(folder / f"{file}.csv", index=False)
    text = (
        '[county]\nname = "Strewn County (invented)"\nas_of = 2026-04-01\n'
        '[layers.units]\npath = "units.csv"\n[layers.discharge_points]\npath = "outlets.csv"\n'
        '[rules]\npath = "rules.toml"\n'
    )
    for layer, lines in sections.items():
        text += f"[layers.{layer}]\n{lines}\n"
    (folder / "county.toml").write_text(text)
    (folder / "rules.toml").write_text(rules_text(sections))
    return folder / "county.toml"


def near_m(lon, lat, shapes):
    """Least distance in meters, in a projection around the place."""
    local = CRS.from_proj4(f"+proj=aeqd +lat_0={lat} +lon_0={lon} +datum=WGS84 +units=m")
    move = Transformer.from_crs(4326, local, always_xy=True).transform
    reach = 0.03
    close = shapes[
        shapely.intersects(shapes, shapely.box(lon - reach, lat - reach, lon + reach, lat + reach))
    ]
    moved = shapely.transform(close, lambda xy: np.column_stack(move(xy[:, 0], xy[:, 1])))
    return shapely.distance(moved, shapely.Point(0, 0)).min() if len(moved) else np.inf


def contradicted(checks, lids, outlets, meant):
    """Verdicts that nothing is near, with something nearer than the rule asks."""
    found, tried = [], 0
    for row in checks.itertuples():
        if row.verdict not in ("clear", "none_on_record"):
            continue
        part, layer, words, feet = RULES[row.rule_id]
        at = (lids if part == "tank" else outlets)[int(row.unit_id[1:])]
        distance = near_m(*at, meant(layer, words))
        tried += 1
        if distance < feet * FT_M * 0.995 - 0.5:
            found.append((row.unit_id, row.rule_id, row.verdict, round(distance, 1)))
    assert tried > 100
    return found


def judged(at):
    result = geo.assess(read_county(at), draws=0)
    counts = result.setback_checks["verdict"].value_counts()
    assert counts["short"] > 20
    assert counts.get("clear", 0) + counts.get("none_on_record", 0) > 100
    return result.setback_checks


def test_no_stream_or_lake_of_the_canyon_is_cleared_that_is_near(tmp_path):
    root = Path(ROOT) / "canyon_rim"
    flow = gpd.read_file(root / "flowline.fgb").set_crs(4326, allow_override=True)
    water = gpd.read_file(root / "waterbody.fgb").set_crs(4326, allow_override=True)
    lids, outlets = strewn(pd.concat([flow[["geometry"]], water[["geometry"]]]), 400, 1)
    sections = {
        layer: f'path = "{root / file}"\ncrs = "EPSG:4326"'
        for layer, file in (
            ("streams", "flowline.fgb"), ("water_bodies", "waterbody.fgb"), ("soils", "soils.fgb"),
        )
    }  # fmt: skip
    checks = judged(write(tmp_path, lids, outlets, sections))
    lines, areas = (f.to_crs(4326).geometry.to_numpy() for f in (flow, water))
    code = flow["fcode"].to_numpy()
    names = np.array([FCODE.get(int(c), "?" if c == 55800 else "pipe") for c in code])

    def meant(layer, words):
        return areas if layer == "water_bodies" else lines[np.isin(names, [*words, "?"])]

    assert contradicted(checks, lids, outlets, meant) == []


def test_no_lake_or_well_among_the_kettles_is_cleared_that_is_near(tmp_path):
    root = Path(ROOT) / "kettle_lakes"
    lakes = gpd.read_file(root / "all_lakes.shp")
    lakes["geometry"] = shapely.make_valid(lakes.geometry.to_numpy())
    wells = pd.read_csv(root / "nwis_heads_info_file.csv")
    points = gpd.GeoSeries(gpd.points_from_xy(wells["x_utm"], wells["y_utm"]), crs=3070).to_crs(
        4326
    )
    both = pd.concat([lakes[["geometry"]].to_crs(4326), gpd.GeoDataFrame(geometry=points)])
    lids, outlets = strewn(both, 400, 2)
    some, _ = strewn(gpd.GeoDataFrame(geometry=points), 150, 3)
    lids[:150] = some
    wells_at = f'path = "{root / "nwis_heads_info_file.csv"}"\ncrs = "EPSG:3070"\n'
    wells_at += 'columns = { well_id = "site_no", x = "x_utm", y = "y_utm" }'
    sections = {
        "water_bodies": f'path = "{root / "all_lakes.shp"}"',
        "wells": wells_at,
        "terrain": f'path = "{root / "dem10m.tif"}"\nvertical_unit = "m"\ncrs = "EPSG:3070"',
    }
    checks = judged(write(tmp_path, lids, outlets, sections))

    def meant(layer, words):
        return (
            lakes.to_crs(4326).geometry.to_numpy() if layer == "water_bodies" else points.to_numpy()
        )

    assert contradicted(checks, lids, outlets, meant) == []
