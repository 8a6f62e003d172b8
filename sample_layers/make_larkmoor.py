"""Makes the files of Larkmoor County, which is invented: ``python make_larkmoor.py [--out DIR]``.

The county lies in open water, where nobody lives. The same libraries write the same bytes at
every run; README.md in this folder says what the files hold and which faults are planted.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import numpy as np
import shapely
from _built import COUNTY_LOW, cell_of
from _county import SEED, Land, build
from _day_files import SHOWN, write_day_files
from _faults import Row, Tables
from _files import (
    moved,
    rounded,
    write_csv,
    write_geojson,
    write_layer,
    write_raster,
    write_xlsx,
    write_zipped_shapefile,
)
from _ground import FINE_M, MARGIN, SIDE
from _layers import SCHOOL, assemble
from _maps import land_cover
from pyproj import Transformer
from rasterio.transform import Affine
from rasterio.warp import Resampling, calculate_default_transform, reproject
from shapely.geometry import Point

CRS = "EPSG:32616"
WEST, NORTH = 349_000.0, 2_933_400.0  # the terrain's corner; open water on every side
TO_LONLAT = Transformer.from_crs(CRS, "EPSG:4326", always_xy=True)


def utm(xy: np.ndarray) -> np.ndarray:
    """Local metres (x east, y south) as coordinates of the county's reference system."""
    xy = np.asarray(xy, float)
    return np.column_stack([WEST + xy[:, 0] - COUNTY_LOW, NORTH - (xy[:, 1] - COUNTY_LOW)])


def lonlat(xy: np.ndarray) -> tuple[float, float]:
    """One place's longitude and latitude, to about a centimetre."""
    ((x, y),) = utm(np.asarray(xy)[None, :2])
    lon, lat = TO_LONLAT.transform(x, y)
    return round(lon, 7), round(lat, 7)


CODES_OUT = {
    "status": {"active": "A", "seasonal": "S", "vacant": "V", "abandoned": "X", "sewered": "SW"},
    "kind": {"surface_discharge": "SURF", "soil_absorption": "SOIL", "shared_collector": "COLL",
             "holding_tank": "HOLD"},
    "location_basis": {"surveyed": "SURVEY", "gps": "GPS", "phone": "PHONE",
                       "digitised": "AERIAL", "building": "HOUSE", "address": "ADDR",
                       "parcel": "PARCEL"},
    "use": {"private": "PRIV", "public": "PUB", "other": "OTH"},
}  # fmt: skip

UNIT_HEADER = ["UNIT NO", "SITE ADDRESS", "PARCEL NO", "LON_DD", "LAT_DD", "LOC SOURCE", "ACC FT",
               "STATUS", "KIND", "PUMP", "INSTALLED", "PERMIT NO", "RISER IN", "BR"]  # fmt: skip


def place(row: Row) -> tuple[float | None, float | None]:
    """Longitude and latitude as the list has them, faults included."""
    lon, lat = row["_lonlat"] if "_lonlat" in row else lonlat(row["xy"])
    return (lat, lon) if row.get("_swap") else (lon, lat)


def theirs(column: str, value: object) -> object:
    """A code in the county's own words."""
    return CODES_OUT[column].get(value, value) if isinstance(value, str) else value


def unit_line(row: Row, k: int) -> list:
    """One line of the unit list as the office keeps it: numbers, dates and text mixed."""
    lon, lat = place(row)
    number = row.get("_written_id", row["unit_id"])
    if isinstance(number, str) and number.startswith("1") and number.isdigit() and k % 3 == 0:
        number = int(number)  # a cell that the spreadsheet took for a number
    day = row["installed"]
    if not isinstance(day, str):
        day = (day, f"{day:%m/%d/%Y}", day.isoformat(), day, day)[k % 5]
        if k % 23 == 7 and not row["_faults"]:
            day = row["installed"].year
    accuracy, riser = row["accuracy_m"], row["riser_height_m"]
    if isinstance(accuracy, float):
        accuracy = round(accuracy / 0.3048, 1)
    if isinstance(riser, float):
        riser = round(riser / 0.0254)
    return [
        number,
        row["address"],
        row["parcel_id"],
        lon,
        lat,
        theirs("location_basis", row["location_basis"]),
        accuracy,
        theirs("status", row["status"]),
        theirs("kind", row["kind"]),
        "Y" if row["pumped"] else "N",
        day,
        row["permit_id"],
        riser,
        row["bedrooms"],
    ]


def well_line(row: Row) -> list:
    """One line of the well register, depths in whole feet."""
    depth = row["depth_m"]
    depth = round(depth / 0.3048) if isinstance(depth, float) else depth
    basis = theirs("location_basis", row["location_basis"])
    return [row["well_id"], *place(row), theirs("use", row["use"]), depth, basis]


def outlet_feature(row: Row) -> dict:
    """One discharge point as a GeoJSON feature, its planted shape included."""
    lon, lat = place(row)
    at = [lon, lat] + ([row["_z"]] if "_z" in row else [])
    shape = {
        "null": None,
        "line": {"type": "LineString", "coordinates": [[lon, lat], [lon + 1e-4, lat + 1e-4]]},
    }
    geometry = shape.get(row.get("_shape"), {"type": "Point", "coordinates": at})
    names = ("discharge_point_id", "unit_id", "outlet_kind", "invert_height_m", "pipe_material",
             "location_basis", "accuracy_m")  # fmt: skip
    return {"type": "Feature", "properties": {n: row[n] for n in names}, "geometry": geometry}


def write_terrain(land: Land, out: Path) -> None:
    """The terrain, with a hole under the school's roof and one in the lake."""
    inside = slice(MARGIN, SIDE - MARGIN)
    z = land.z[inside, inside].astype(np.float32)
    rows, cols = np.indices(z.shape)
    x, y = (cols + 0.5) * FINE_M + COUNTY_LOW, (rows + 0.5) * FINE_M + COUNTY_LOW
    z[(np.abs(x - SCHOOL.x) < 19) & (np.abs(y - SCHOOL.y) < 19)] = np.nan
    middle = land.waters[0].polygon.representative_point()
    z[np.hypot((x - middle.x) / 30, (y - middle.y) / 18) < 1] = np.nan
    grid = Affine(FINE_M, 0, WEST, 0, -FINE_M, NORTH)
    write_raster(out / "terrain.tif", z, grid, CRS, float("nan"), 3)


def write_land_cover(land: Land, out: Path) -> None:
    """Land cover warped to the national grid of 30 m."""
    rng = np.random.default_rng(SEED + 2)
    cover = land_cover(rng, land.z, land.ground, land.lots, land.roads)
    n = cover.shape[0]
    bounds = (WEST, NORTH - 10 * n, WEST + 10 * n, NORTH)
    to, width, height = calculate_default_transform(CRS, "EPSG:5070", n, n, *bounds, resolution=30)
    warped = np.zeros((height, width), np.uint8)
    reproject(
        cover,
        warped,
        src_transform=Affine(10, 0, WEST, 0, -10, NORTH),
        src_crs=CRS,
        dst_transform=to,
        dst_crs="EPSG:5070",
        resampling=Resampling.nearest,
        src_nodata=0,
        dst_nodata=0,
    )
    write_raster(out / "land_cover.tif", warped, to, "EPSG:5070", 0, 1)


# layer of larkmoor.gpkg: our column -> the column in the file
GPKG = {
    "streams": ({"stream_id": "stream_id", "permanence": "permanence", "name": "name"}, "Unknown"),
    "water_bodies": ({"water_body_id": "water_body_id", "name": "name"}, "Polygon"),
    "parcels": ({"parcel_id": "PIN", "address": "SITUS"}, "Unknown"),
    "roads": ({"road_id": "road_id", "name": "name"}, "LineString"),
    "buildings": ({"building_id": "building_id"}, "Polygon"),
    "culverts": ({"culvert_id": "culvert_id", "diameter_in": "DIAM_IN"}, "LineString"),
    "drains": ({"drain_id": "drain_id", "drain_kind": "drain_kind"}, "LineString"),
    "catchments": ({"catchment_id": "catchment_id", "name": "name"}, "Unknown"),
}
SOIL_COLUMNS = {
    "soil_id": "soil_id",
    "symbol": "musym",
    "map_unit": "muname",
    "hydrologic_group": "hydgrpdcd",
}
FLOOD_COLUMNS = {
    "floodplain_id": "FLD_AR_ID",
    "zone": "FLD_ZONE",
    "subtype": "ZONE_SUBTY",
    "sfha": "SFHA_TF",
    "bfe_ft": "STATIC_BFE",
    "datum": "V_DATUM",
    "unit": "LEN_UNIT",
}
RECORDS: dict[str, tuple[str, ...]] = {
    "inspections": ("inspection_id", "unit_id", "date", "outcome", "result", "note"),
    "permits": (
        "permit_id",
        "unit_id",
        "permit_kind",
        "issued",
        "expires",
        "service_until",
        "last_sampled",
        "sample_interval_days",
    ),
    "complaints": ("complaint_id", "unit_id", "date", "closed", "note"),
}


def in_utm(rows: list[Row]) -> list[Row]:
    """Rows with their shapes in the county's reference system, to the centimetre."""
    return [{**r, "geometry": rounded(moved(r["geometry"], utm), 0.01)} for r in rows]


def in_degrees(rows: list[Row]) -> list[Row]:
    """Rows with their shapes in longitude and latitude, to about a centimetre."""

    def change(xy: np.ndarray) -> np.ndarray:
        return np.column_stack(TO_LONLAT.transform(*utm(xy).T))

    return [{**r, "geometry": rounded(moved(r["geometry"], change), 1e-7)} for r in rows]


def write_lists(tables: Tables, out: Path) -> None:
    """The lists of points and the records."""
    lines = [unit_line(row, k) for k, row in enumerate(tables["units"])]
    codes = [["column", "code", "meaning"]]
    for column in ("status", "kind", "location_basis"):
        codes += [[column, v, k.replace("_", " ")] for k, v in CODES_OUT[column].items()]
    write_xlsx(out / "units.xlsx", {"Units list": [UNIT_HEADER, *lines], "Codes": codes})
    outlets = [outlet_feature(r) for r in tables["discharge_points"]]
    write_geojson(out / "discharge_points.geojson", "discharge_points", outlets)
    header = ["WELL_NO", "LONGITUDE", "LATITUDE", "WELL_USE", "DEPTH_FT", "LOCATED_BY"]
    write_csv(out / "wells.csv", header, [well_line(r) for r in tables["wells"]])
    for name, columns in RECORDS.items():
        write_csv(out / f"{name}.csv", columns, [[r[c] for c in columns] for r in tables[name]])
    places = [
        {
            "type": "Feature",
            "properties": {k: r[k] for k in ("place_id", "place_kind", "name")},
            "geometry": {"type": "Point", "coordinates": lonlat(shapely.get_coordinates(at)[0])},
        }
        for r in tables["protected_places"]
        for at in [r["geometry"]]
        if isinstance(at, Point)
    ]
    write_geojson(out / "protected_places.geojson", "protected_places", places)


def write_board_records(tables: Tables, out: Path) -> None:
    """What the board allowed and what was taped on site: for lids close to a private well."""
    sound = [w for w in tables["wells"] if not w["_faults"] and w["use"] == "private"]
    at = np.array([w["xy"][:2] for w in sound])
    close = []
    for unit in tables["units"]:
        away = np.hypot(*(at - np.asarray(unit["xy"])[:2]).T)
        if not unit["_faults"] and away.min() < 22:
            close.append((unit["unit_id"], sound[int(away.argmin())]["well_id"], away.min()))
    taped = [
        [f"T-{k:02d}", unit, "tank", "wells", well, round(away / 0.3048, 1), 0.5, "2025-06-11"]
        for k, (unit, well, away) in enumerate(close[1::2][:8], 1)
    ]
    header = ["taped_distance_id", "unit_id", "part", "feature", "feature_id", "distance_ft",
              "accuracy_ft", "date"]  # fmt: skip
    write_csv(out / "taped_distances.csv", header, taped)
    granted = [
        [f"V-{k}", unit, "tank-private-well", int(away / 0.3048) - 4, "2012-03-20"]
        for k, (unit, _, away) in enumerate([c for c in close if 8 < c[2] < 14][:4], 1)
    ]
    header = ["variance_id", "unit_id", "rule_id", "distance_ft", "granted"]
    write_csv(out / "variances.csv", header, granted)


def write_shapes(tables: Tables, out: Path) -> None:
    """The layers of lines and areas."""
    for row in tables["culverts"]:
        wide = row["diameter_m"]
        row["diameter_in"] = round(wide / 0.0254) if wide < 100 else wide
    for row in tables["floodplain"]:
        known = row["bfe_m"] is not None
        row["sfha"] = "F" if row["zone"] == "X" else "T"
        row["bfe_ft"] = round(row["bfe_m"] / 0.3048, 1) if known else None
        row["datum"], row["unit"] = ("NAVD88", "Feet") if known else (None, None)
    package = out / "larkmoor.gpkg"
    package.unlink(missing_ok=True)
    for layer, (columns, kind) in GPKG.items():
        write_layer(package, layer, in_utm(tables[layer]), columns, CRS, kind=kind)
    soils = in_degrees(tables["soils"])
    write_layer(out / "soils.fgb", "soils", soils, SOIL_COLUMNS, "EPSG:4326", kind="Polygon")
    zones = in_degrees(tables["floodplain"])
    write_zipped_shapefile(out / "floodplain.zip", "floodplain", zones, FLOOD_COLUMNS, "EPSG:4269")


ID_OF = {"units": "unit_id", "discharge_points": "discharge_point_id", "wells": "well_id",
         "inspections": "inspection_id", "permits": "permit_id", "complaints": "complaint_id",
         "parcels": "parcel_id", "streams": "stream_id", "buildings": "building_id",
         "culverts": "culvert_id"}  # fmt: skip
UNDER_A_FARM = ("07-142", "07-145")  # lots with a unit
TABLES_WITH_HEADER = ("units", "wells", "inspections", "permits", "complaints")


def write_truth(tables: Tables, out: Path) -> None:
    """Which faults are planted where, and which text must stay text."""
    faults, hostile = [], []
    for layer, key in ID_OF.items():
        first = 2 if layer in TABLES_WITH_HEADER else 1
        for k, row in enumerate(tables[layer]):
            name = row.get("_written_id", row[key])
            name = name.strip() if isinstance(name, str) else name
            for code, why in row["_faults"]:
                faults.append([layer, k + first, name, code, why])
            if "_hostile" in row:
                hostile.append([layer, k + first, name, row["_hostile"], row[row["_hostile"]]])
    for k, row in enumerate(tables["parcels"], 1):
        if row["parcel_id"] in UNDER_A_FARM:
            why = "a farm's outline is drawn over it"
            faults.append(["parcels", k, row["parcel_id"], "parcels_overlap", why])
    faults.append(["terrain", None, None, "terrain_void",
                   "two holes: under the school's roof and in the lake"])  # fmt: skip
    unexplained = ("units", "discharge_points", "wells", "inspections", "streams")
    why = "a word not in the list, in a column that decides"
    faults += [[layer, None, None, "code_unheard", why] for layer in unexplained]
    faults += [[layer, None, name, code, why] for layer, name, code, why in SHOWN]
    write_csv(out / "faults.csv", ["layer", "row", "feature_id", "code", "why"], faults)
    write_csv(out / "hostile_text.csv", ["layer", "row", "feature_id", "column", "text"], hostile)


def write_scenes(land: Land, tables: Tables, out: Path) -> None:
    """The lids that were set where water may stand, with its depth as the list places them."""
    lines = []
    for row in tables["units"]:
        if row["_unit"].setting and not row["_faults"]:
            at = cell_of(*row["xy"])
            shut, free = land.hydrology.closed_pond_m[at], land.hydrology.pond_m[at]
            lines.append([row["unit_id"], row["_unit"].setting, f"{shut:.2f}", f"{free:.2f}"])
    header = ["unit_id", "scene", "depth_culverts_closed_m", "depth_culverts_open_m"]
    write_csv(out / "scenes.csv", header, sorted(lines))


def main() -> None:
    """Write the county's files beside this script, or into ``--out``."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--out", type=Path, default=Path(__file__).parent)
    out = parser.parse_args().out
    out.mkdir(parents=True, exist_ok=True)
    land = build()
    tables = assemble(land)
    write_terrain(land, out)
    write_land_cover(land, out)
    write_lists(tables, out)
    write_board_records(tables, out)
    write_day_files(tables, lonlat, out)
    write_shapes(tables, out)
    write_truth(tables, out)
    write_scenes(land, tables, out)


if __name__ == "__main__":
    main()
