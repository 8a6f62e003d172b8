"""Makes the files of Larkmoor County, which is invented: ``python make_larkmoor.py [--out DIR]``.

The county lies in open water, where nobody lives. The same libraries write the same bytes at
every run; README.md in this folder says what the files hold and which faults are planted.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import numpy as np
import shapely
from _built import (
    COUNTY_HIGH,
    COUNTY_LOW,
    divide_lots,
    grade_roads,
    lay_culverts,
    lay_roads,
    sample,
)
from _faults import (
    add_hostile_text,
    spoil_outlets,
    spoil_records,
    spoil_shapes,
    spoil_units,
    spoil_wells,
)
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
from _ground import FINE_M, MARGIN, MID_M, SIDE, evolve, make_river
from _homes import (
    dig_hollows,
    find_outlets,
    finish,
    in_county,
    level_pads,
    place_lids,
    share_outlets,
    sink_wells,
    study,
)
from _maps import SOILS, catchments, farm_parcels, flood_zones, land_cover, soil_areas
from _records import (
    choose_kinds,
    complaint_rows,
    inspection_rows,
    number_units,
    outlet_rows,
    permit_rows,
    unit_rows,
    well_rows,
)
from _water import Water, blob, cut_channels, make_network, make_oxbow, shore
from pyproj import Transformer
from rasterio.transform import Affine
from rasterio.warp import Resampling, calculate_default_transform, reproject
from scipy import ndimage
from shapely.geometry import LineString, Point

CRS = "EPSG:32616"
WEST, NORTH = 349_000.0, 2_933_400.0  # the terrain's corner; open water on every side
SEED = 11
EMBANKMENT = Point(915, 2925)

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


def build() -> dict:
    """The whole county in memory, true and without faults."""
    rng = np.random.default_rng(SEED)
    river = make_river(rng)
    middle = evolve(rng, river)
    lake = Water("Sedge Lake", blob(rng, (1_525, 2_510), (150, 92), 0.6), 204.2)
    middle = shore(middle, lake, MID_M)
    reaches = make_network(rng, middle, river, lake)
    oxbow = make_oxbow(river, (2_050, 1_890), (70, -135))
    waters = [lake, oxbow]
    ground = cut_channels(rng, middle, river, reaches, waters)
    before = ground.z.copy()
    roads = lay_roads()
    grade_roads(ground, roads, reaches, EMBANKMENT)
    culverts = lay_culverts(before, ground, roads, reaches)
    lots = divide_lots(rng, ground, roads, waters, river)
    ground.z = level_pads(ground.z, lots)
    units = place_lids(rng, ground, lots, culverts, roads)
    dig_hollows(rng, ground, units, lots)
    z = finish(rng, ground)
    hydrology = study(z, ground, culverts)
    sewers, tiles = lay_drains(roads, reaches, hydrology)
    find_outlets(rng, hydrology, ground, units, lots, roads, reaches, sewers, tiles)
    share_outlets(rng, units)
    return locals()


def lay_drains(roads: list, reaches: list, hydrology) -> tuple[list, list]:
    """Storm sewers under two roads, from inlets down to outfalls, and two field tiles."""
    sewers, tiles = [], []
    for name, start in (("Larkmoor Pike", (1_400, 560)), ("Lake Lane", (1_330, 2_370))):
        road = next(r for r in roads if r.name == name)
        at = road.line.project(Point(start))
        stops = np.arange(at - 240, at + 241, 20)
        heights = sample(hydrology.z, shapely.get_coordinates(road.line.interpolate(stops)))
        down = 1 if heights[-1] < heights[0] else -1
        stops = stops[::down]
        xy = shapely.get_coordinates(road.line.interpolate(stops))
        heading = np.gradient(xy, axis=0)
        across = np.column_stack([-heading[:, 1], heading[:, 0]])
        across /= np.hypot(*across.T)[:, None]
        main = xy + 5.5 * across
        outfall = min(
            (LineString(r.xy).interpolate(LineString(r.xy).project(Point(main[-1])))
             for r in reaches), key=lambda p: p.distance(Point(main[-1])))  # fmt: skip
        sewers.append(LineString([*main[::3], main[-1], outfall]))
        sewers += [LineString([xy[k] - 5.5 * across[k], main[k]]) for k in range(0, len(xy), 6)]
    for start in ((1_985, 2_760), (560, 760)):
        cell, path = int(start[1] // FINE_M) * SIDE + int(start[0] // FINE_M), []
        receiver = hydrology.water.receiver.ravel()
        while len(path) < 170 and receiver[cell] != cell:
            path.append(((cell % SIDE + 0.5) * FINE_M, (cell // SIDE + 0.5) * FINE_M))
            cell = receiver[cell]
        main = LineString(ndimage.gaussian_filter1d(np.array(path), 9, axis=0, mode="nearest"))
        tiles.append(main.simplify(1.0))
        for share in (0.2, 0.4):
            foot = np.array(main.interpolate(share, normalized=True).coords[0])
            ahead = np.array(main.interpolate(share + 0.05, normalized=True).coords[0]) - foot
            ahead /= np.hypot(*ahead)
            for turn in (0.9, -0.9):
                c, s = np.cos(np.pi + turn), np.sin(np.pi + turn)
                arm = np.array([c * ahead[0] - s * ahead[1], s * ahead[0] + c * ahead[1]]) * 62
                tiles.append(LineString([foot + arm, foot]))
    return sewers, tiles


STREAM_NAMES = ("Sedge Run", "Fennel Branch", "Harrow Creek", "Plum Run", "Teasel Branch",
                "Kettle Creek", "Burdock Run", "Alder Branch", "Thistle Run", "Orchard Creek",
                "Mill Branch", "Draw Run")  # fmt: skip


def stream_rows(b: dict) -> list[dict]:
    """Mapped channels and the river in reaches, downstream, cut where others join."""
    reaches, river = b["reaches"], b["river"]
    mapped = [r for r in reaches if r.mapped]
    names: dict[int, str] = {}
    mouths = sorted((r for r in mapped if r.joins_river_at >= 0), key=lambda r: -r.area_m2)
    for mouth, name in zip(mouths, STREAM_NAMES, strict=False):
        here = mouth
        while here is not None:
            names[id(here)] = name
            above = [r for r in mapped if np.array_equal(r.xy[-1], here.xy[0]) and r is not here]
            here = max(above, key=lambda r: r.area_m2, default=None)
    rows = []
    for reach in mapped:
        kind = ("perennial" if reach.area_m2 > 6e5 else
                "intermittent" if reach.area_m2 > 2e5 else "ephemeral")  # fmt: skip
        rows.append({"permanence": kind, "name": names.get(id(reach)), "bed": reach.bed_m,
                     "geometry": LineString(reach.xy)})  # fmt: skip
    stops = sorted({0, len(river.xy) - 1, *[r.joins_river_at for r in mouths]})
    for a, z in zip(stops[:-1], stops[1:], strict=True):
        rows.append({"permanence": "perennial", "name": "Larkmoor River",
                     "bed": river.level_m[a : z + 1],
                     "geometry": LineString(river.xy[a : z + 1])})  # fmt: skip
    road = next(r for r in b["roads"] if r.name == "River Road")
    for at in (420.0, 900.0):  # two side ditches that the map of streams knows
        stops_m = np.arange(at, at + 130, 10)
        xy = shapely.get_coordinates(road.line.offset_curve(-6).interpolate(stops_m))
        if sample(b["z"], xy[:1])[0] < sample(b["z"], xy[-1:])[0]:
            xy = xy[::-1]
        rows.append({"permanence": "ditch", "name": None, "bed": np.zeros(0),
                     "geometry": LineString(xy)})  # fmt: skip
    from shapely.geometry import box

    reach_of = box(COUNTY_LOW - 30, COUNTY_LOW - 30, COUNTY_HIGH + 30, COUNTY_HIGH + 30)
    out = []
    for row in rows:
        if not row["geometry"].intersects(reach_of):
            continue
        parts = [p for p in shapely.get_parts(row["geometry"].intersection(reach_of))
                 if p.geom_type == "LineString" and p.length > 3]  # fmt: skip
        for part in parts:
            out.append({**row, "geometry": part, "stream_id": f"LK-{len(out) + 1:03d}",
                        "_faults": []})  # fmt: skip
    return out


def lake_axis(lake: Water) -> Point:
    """A place on the lake's shore that a beach would be at."""
    return Point(lake.outline[60])


def assemble(b: dict) -> dict[str, list[dict]]:
    """All layers as rows with our names."""
    rng = np.random.default_rng(SEED + 1)
    z, ground, lots, roads, river = b["z"], b["ground"], b["lots"], b["roads"], b["river"]
    lake, oxbow, reaches = b["lake"], b["oxbow"], b["reaches"]
    tables: dict[str, list[dict]] = {}
    zones = flood_zones(z, river, reaches, lake)
    flooded = shapely.unary_union([f["geometry"] for f in zones if f["zone"] != "X"])
    here = [u for u in b["units"] if in_county(u.xy)]
    out = [u for u in b["units"] if not in_county(u.xy, -25)
           and in_county(u.xy, -115)][:2]  # fmt: skip
    number_units(rng, here + out)
    choose_kinds(rng, here + out, flooded)

    parcel_of, parcels = {}, []
    for k, lot in enumerate(sorted(lots, key=lambda a: (a.road, a.along_m))):
        parcel_of[id(lot)] = f"{1 + sorted({x.road for x in lots}).index(lot.road):02d}-{k:03d}"
        parcels.append({"parcel_id": parcel_of[id(lot)], "address": f"{lot.number} {lot.road}",
                        "geometry": lot.polygon, "_farm": False, "_faults": []})  # fmt: skip
    for k, farm in enumerate(farm_parcels(lots, roads, b["waters"])):
        parcels.append({"parcel_id": f"90-{k:03d}", "address": None, "geometry": farm,
                        "_farm": True, "_faults": []})  # fmt: skip
    tables["parcels"] = parcels
    tables["units"] = unit_rows(here, parcel_of)
    tables["discharge_points"] = outlet_rows(rng, here, z)
    school = Point(1_130, 700)
    wells = sink_wells(rng, ground, here, 290)
    others = [((1_150, 735), "public"), ((1_345, 2_700), "public"), ((2_690, 520), "public"),
              ((640, 1_760), "other"), ((1_900, 1_640), "other"), ((2_900, 2_130), "other"),
              ((1_540, 380), "other"), ((2_250, 3_020), "other")]  # fmt: skip
    tables["wells"] = well_rows(rng, wells, [(np.array(p, float), u) for p, u in others])
    tables["inspections"] = inspection_rows(rng, here)
    tables["permits"] = permit_rows(rng, here)
    tables["complaints"] = complaint_rows(rng, here, 14)
    tables["streams"] = stream_rows(b)
    tables["water_bodies"] = [
        {"water_body_id": f"WB-{k + 1}", "name": w.name, "geometry": w.polygon.simplify(0.2),
         "_faults": []} for k, w in enumerate((lake, oxbow))
    ]  # fmt: skip
    tables["roads"] = [{"road_id": f"R{k + 1:02d}", "name": r.name,
                        "geometry": r.line.simplify(0.2), "_faults": []}
                       for k, r in enumerate(roads)]  # fmt: skip
    tables["buildings"] = [
        {"building_id": f"B{k + 1:04d}", "geometry": x.house, "_faults": []}
        for k, x in enumerate(x for x in lots if x.house is not None)
    ]
    hall = school.buffer(19, cap_style="square").intersection(school.buffer(60))
    tables["buildings"].append({"building_id": "B0999", "geometry": hall, "_faults": []})
    tables["culverts"] = [
        {"culvert_id": f"CV-{k + 1:02d}", "diameter_m": c.diameter_m,
         "geometry": LineString(c.xy), "_faults": []}
        for k, c in enumerate(c for c in b["culverts"] if in_county(c.xy[[0, -1]].ravel(), 6))
    ]  # fmt: skip
    drains = [("storm_sewer", s) for s in b["sewers"]] + [("field_tile", t) for t in b["tiles"]]
    tables["drains"] = [{"drain_id": f"D-{k + 1:02d}", "drain_kind": kind, "geometry": line,
                         "_faults": []} for k, (kind, line) in enumerate(drains)]  # fmt: skip
    tables["floodplain"] = [{"floodplain_id": f"FA-{k + 1:02d}", **f, "vertical_datum": "NAVD88",
                             "_faults": []} for k, f in enumerate(zones)]  # fmt: skip
    tables["soils"] = [
        {"soil_id": f"S{k + 1:03d}", "symbol": SOILS[c][0], "map_unit": SOILS[c][1],
         "hydrologic_group": SOILS[c][2] or None, "geometry": p, "_faults": []}
        for k, (c, p) in enumerate(soil_areas(rng, z, ground, river))
    ]  # fmt: skip
    stream_names = {id(r): None for r in reaches}
    tables["catchments"] = []
    named = {tuple(np.round(shapely.get_coordinates(s["geometry"])[-1], 3)): s["name"]
             for s in tables["streams"]}  # fmt: skip
    _ = stream_names
    for k, area in catchments(b["hydrology"], ground, reaches):
        mouth = named.get(tuple(np.round(reaches[k - 1].xy[-1], 3))) if k else None
        tables["catchments"].append({
            "catchment_id": f"CA-{len(tables['catchments']) + 1:02d}",
            "name": mouth or ("Larkmoor River, direct" if not k else "unnamed branch"),
            "geometry": area, "_faults": []})  # fmt: skip
    places = [("bathing", "Sedge Lake beach", lake_axis(lake)),
              ("bathing", "Lower bend swimming place", Point(river.xy[river_at(river, 2_790)])),
              ("intake", "Larkmoor water intake", Point(river.xy[river_at(river, 3_060)])),
              ("school", "Larkmoor school", school)]  # fmt: skip
    tables["protected_places"] = [
        {"place_id": f"P-{k + 1}", "place_kind": kind, "name": name, "geometry": at,
         "_faults": []} for k, (kind, name, at) in enumerate(places)
    ]  # fmt: skip

    beyond = unit_rows(out, parcel_of)
    spoil_units(rng, tables, beyond)
    spoil_outlets(rng, tables, uphill=uphill_spots(rng, b, tables), lonely=lonely_spots(rng, b),
                  beyond=stray_outlet(out[0]))  # fmt: skip
    spoil_wells(rng, tables["wells"])
    spoil_records(rng, tables)
    spoil_shapes(rng, tables)
    mark_unknown_outlets(tables)
    add_hostile_text(rng, tables)
    return tables


def river_at(river, x: float) -> int:
    """Index of the river's line at a distance east."""
    return int(np.argmin(np.abs(river.xy[:, 0] - x)))


def stray_outlet(unit) -> dict:
    """The outlet of a house beyond the terrain."""
    return {"unit_id": unit.facts["id"], "outlet_kind": "ground", "invert_height_m": None,
            "pipe_material": "PVC", "location_basis": "gps", "accuracy_m": None,
            "xy": unit.xy + [7.0, -12.0], "_unit": unit, "_faults": [], "_keep": True}  # fmt: skip


def uphill_spots(rng: np.random.Generator, b: dict, tables: dict) -> list:
    """Two outlets with a place well above their unit to move them to."""
    z, found = b["z"], []
    units = {r["unit_id"]: r for r in tables["units"] if not r["_faults"]}
    for row in tables["discharge_points"]:
        unit = row["_unit"]
        known = units.get(row["unit_id"])
        if known is None or unit.pumped or unit.setting or unit.collector >= 0:
            continue
        if known["location_basis"] not in ("surveyed", "gps") or len(found) == 2:
            continue
        for turn in np.linspace(0, 2 * np.pi, 24):
            spot = unit.xy + 38 * np.array([np.cos(turn), np.sin(turn)])
            rise = sample(z, spot[None])[0] - sample(z, unit.xy[None])[0]
            if rise > 2.6 and in_county(spot) and rng.uniform() < 0.5:
                found.append((row, spot))
                break
    return found


def lonely_spots(rng: np.random.Generator, b: dict) -> list[np.ndarray]:
    """Five places in fields or at streams, far from every house."""
    lots = shapely.STRtree([x.polygon for x in b["lots"]])
    spots: list[np.ndarray] = []
    streams = shapely.unary_union([LineString(r.xy) for r in b["reaches"] if r.mapped])
    while len(spots) < 5:
        spot = np.array(streams.interpolate(rng.uniform(), normalized=True).coords[0]) + [3.0, 2.0]
        if in_county(spot, 60) and not len(lots.query(Point(spot).buffer(120))):
            spots.append(spot)
    return spots


def mark_unknown_outlets(tables: dict) -> None:
    """Say which surface-discharging units no discharge point can be linked to."""
    good = [r for r in tables["discharge_points"]
            if not {c for c, _ in r["_faults"]} & {"coordinates_zero", "geometry_missing",
                    "geometry_empty", "geometry_wrong_kind", "outside_county", "id_missing",
                    "id_duplicate"}]  # fmt: skip
    named = {str(r["unit_id"]).removesuffix(".0") for r in good if r["unit_id"]}
    loose = [Point(r["xy"]) for r in good if not r["unit_id"]]
    areas = {p["parcel_id"]: p["geometry"] for p in tables["parcels"] if not p["_farm"]}
    for row in tables["units"]:
        lost = {c for c, _ in row["_faults"]} & {
            "coordinates_zero",
            "coordinates_missing",
            "outside_county",
            "id_missing",
            "id_duplicate",
        }
        if lost or row["kind"] != "surface_discharge" or row["unit_id"] in named:
            continue
        if row["status"] in ("abandoned", "sewered"):
            continue
        area = areas.get(row["parcel_id"])
        if any(p.distance(Point(row["xy"])) < 75 for p in loose):
            continue
        if area is not None and any(area.contains(p) for p in loose):
            continue
        row["_faults"].append(("discharge_point_missing", "nobody knows where its pipe ends"))


CODES_OUT = {
    "status": {"active": "A", "seasonal": "S", "vacant": "V", "abandoned": "X", "sewered": "SW"},
    "kind": {"surface_discharge": "SURF", "soil_absorption": "SOIL", "shared_collector": "COLL",
             "holding_tank": "HOLD"},
    "location_basis": {"surveyed": "SURVEY", "gps": "GPS", "phone": "PHONE",
                       "digitised": "AERIAL", "building": "HOUSE", "address": "ADDR",
                       "parcel": "PARCEL"},
    "use": {"private": "PRIV", "public": "PUB", "other": "OTH"},
}  # fmt: skip

UNIT_HEADER = ["SYS_NO", "SITE ADDRESS", "PARCEL NO", "LON_DD", "LAT_DD", "LOC SOURCE", "ACC FT",
               "STATUS", "SYSTEM", "PUMP", "INSTALLED", "PERMIT NO", "RISER IN", "BR",
               "REMARKS"]  # fmt: skip


def place(row: dict) -> tuple[float | None, float | None]:
    """Longitude and latitude as the list has them, faults included."""
    lon, lat = row["_lonlat"] if "_lonlat" in row else lonlat(row["xy"])
    return (lat, lon) if row.get("_swap") else (lon, lat)


def theirs(column: str, value: object) -> object:
    """A code in the county's own words."""
    return CODES_OUT[column].get(value, value) if isinstance(value, str) else value


def unit_line(row: dict, k: int) -> list:
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
    return [number, row["address"], row["parcel_id"], lon, lat,
            theirs("location_basis", row["location_basis"]), accuracy,
            theirs("status", row["status"]), theirs("kind", row["kind"]),
            "Y" if row["pumped"] else "N", day, row["permit_id"], riser, row["bedrooms"],
            row.get("remarks")]  # fmt: skip


def outlet_feature(row: dict) -> dict:
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


def write_terrain(b: dict, tables: dict, out: Path) -> None:
    """The terrain with two holes in it, and the land cover warped to the national grid."""
    inside = slice(MARGIN, SIDE - MARGIN)
    z = b["z"][inside, inside].astype(np.float32)
    hall = tables["buildings"]
    school = next(r["geometry"] for r in hall if r["building_id"] == "B0999")
    west, north, east, south = (round((v - COUNTY_LOW) / FINE_M) for v in school.bounds)
    z[north:south, west:east] = np.nan
    lake = b["ground"].to_water_m[inside, inside]
    rows, cols = np.indices(lake.shape)
    r, c = np.unravel_index(np.argmin(np.where(b["hydrology"].z[inside, inside] > 200, lake, 9)),
                            lake.shape)  # fmt: skip
    z[(np.hypot(rows - r, (cols - c) / 1.6) < 9) & (lake < -4)] = np.nan
    grid = Affine(FINE_M, 0, WEST, 0, -FINE_M, NORTH)
    write_raster(out / "terrain.tif", z, grid, CRS, float("nan"), 3)

    cover = land_cover(np.random.default_rng(SEED + 2), b["z"], b["ground"], b["lots"], b["roads"])
    n = cover.shape[0]
    fine = Affine(10, 0, WEST, 0, -10, NORTH)
    bounds = (WEST, NORTH - 10 * n, WEST + 10 * n, NORTH)
    to, width, height = calculate_default_transform(CRS, "EPSG:5070", n, n, *bounds, resolution=30)
    warped = np.zeros((height, width), np.uint8)
    reproject(cover, warped, src_transform=fine, src_crs=CRS, dst_transform=to,
              dst_crs="EPSG:5070", resampling=Resampling.nearest, src_nodata=0,
              dst_nodata=0)  # fmt: skip
    write_raster(out / "land_cover.tif", warped, to, "EPSG:5070", 0, 1)


# layer of larkmoor.gpkg: our column -> the column in the file
GPKG = {
    "streams": ({"stream_id": "stream_id", "permanence": "permanence", "name": "name"}, "Unknown"),
    "water_bodies": ({"water_body_id": "water_body_id", "name": "name"}, "Polygon"),
    "parcels": ({"parcel_id": "PIN", "address": "SITUS"}, "Unknown"),
    "roads": ({"road_id": "road_id", "name": "name"}, "LineString"),
    "buildings": ({"building_id": "building_id"}, "Polygon"),
    "culverts": ({"culvert_id": "culvert_id", "diameter_m": "DIAM_IN"}, "LineString"),
    "drains": ({"drain_id": "drain_id", "drain_kind": "drain_kind"}, "LineString"),
    "catchments": ({"catchment_id": "catchment_id", "name": "name"}, "Unknown"),
}


def write(b: dict, tables: dict[str, list[dict]], out: Path) -> None:
    """All files."""
    out.mkdir(parents=True, exist_ok=True)
    write_terrain(b, tables, out)
    lines = [unit_line(row, k) for k, row in enumerate(tables["units"])]
    codes = [["column", "code", "meaning"]]
    codes += [[c, v, k.replace("_", " ")] for c in ("status", "kind", "location_basis")
              for k, v in CODES_OUT[c].items()]  # fmt: skip
    write_xlsx(out / "units.xlsx", {"Systems": [UNIT_HEADER, *lines], "Codes": codes})
    write_geojson(out / "discharge_points.geojson", "discharge_points",
                  [outlet_feature(r) for r in tables["discharge_points"]])  # fmt: skip
    write_csv(out / "wells.csv", ["WELL_NO", "LONGITUDE", "LATITUDE", "WELL_USE", "DEPTH_FT",
                                  "LOCATED_BY"],
              [[r["well_id"], *place(r), theirs("use", r["use"]),
                round(r["depth_m"] / 0.3048) if isinstance(r["depth_m"], float) else r["depth_m"],
                theirs("location_basis", r["location_basis"])] for r in tables["wells"]])  # fmt: skip
    for name, columns in (
        ("inspections", ("inspection_id", "unit_id", "date", "outcome", "result", "note")),
        ("permits", ("permit_id", "unit_id", "issued", "expires")),
        ("complaints", ("complaint_id", "unit_id", "date", "note")),
    ):
        rows = [[r[c] for c in columns] for r in tables[name]]
        write_csv(out / f"{name}.csv", columns, rows)
    write_geojson(out / "protected_places.geojson", "protected_places", [
        {"type": "Feature", "properties": {k: r[k] for k in ("place_id", "place_kind", "name")},
         "geometry": {"type": "Point",
                      "coordinates": list(lonlat(np.array(r["geometry"].coords[0])))}}
        for r in tables["protected_places"]])  # fmt: skip

    def in_utm(rows: list[dict]) -> list[dict]:
        return [{**r, "geometry": rounded(moved(r["geometry"], utm), 0.01)} for r in rows]

    def in_degrees(rows: list[dict]) -> list[dict]:
        def change(xy: np.ndarray) -> np.ndarray:
            return np.column_stack(TO_LONLAT.transform(*utm(xy).T))

        return [{**r, "geometry": rounded(moved(r["geometry"], change), 1e-7)} for r in rows]

    package = out / "larkmoor.gpkg"
    package.unlink(missing_ok=True)
    for layer, (columns, kind) in GPKG.items():
        rows = in_utm(tables[layer])
        if layer == "culverts":
            rows = [{**r, "diameter_m": round(r["diameter_m"] / 0.0254)
                     if r["diameter_m"] < 9_000 else r["diameter_m"]} for r in rows]  # fmt: skip
        write_layer(package, layer, rows, columns, CRS, kind=kind)
    write_layer(out / "soils.fgb", "soils", in_degrees(tables["soils"]),
                {"soil_id": "soil_id", "symbol": "musym", "map_unit": "muname",
                 "hydrologic_group": "hydgrpdcd"}, "EPSG:4326", kind="Polygon")  # fmt: skip
    flood = [{**f, "sfha": "F" if f["zone"] == "X" else "T",
              "bfe_ft": None if f["bfe_m"] is None else round(f["bfe_m"] / 0.3048, 1),
              "vertical_datum": "NAVD88" if f["bfe_m"] is not None else None,
              "unit": "Feet" if f["bfe_m"] is not None else None}
             for f in in_degrees(tables["floodplain"])]  # fmt: skip
    write_zipped_shapefile(out / "floodplain.zip", "floodplain", flood,
                           {"floodplain_id": "FLD_AR_ID", "zone": "FLD_ZONE",
                            "subtype": "ZONE_SUBTY", "sfha": "SFHA_TF", "bfe_ft": "STATIC_BFE",
                            "vertical_datum": "V_DATUM", "unit": "LEN_UNIT"},
                           "EPSG:4269")  # fmt: skip
    write_truth(tables, out)


ID_OF = {"units": "unit_id", "discharge_points": "discharge_point_id", "wells": "well_id",
         "inspections": "inspection_id", "permits": "permit_id", "complaints": "complaint_id",
         "parcels": "parcel_id", "streams": "stream_id", "buildings": "building_id",
         "culverts": "culvert_id"}  # fmt: skip
TABLES_WITH_HEADER = ("units", "wells", "inspections", "permits", "complaints")


def write_truth(tables: dict[str, list[dict]], out: Path) -> None:
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
    faults.append(["terrain", None, None, "terrain_void",
                   "two holes: under the school's roof and in the lake"])  # fmt: skip
    write_csv(out / "faults.csv", ["layer", "row", "feature_id", "code", "why"], faults)
    write_csv(out / "hostile_text.csv", ["layer", "row", "feature_id", "column", "text"], hostile)


def main() -> None:
    """Write the county's files beside this script, or into ``--out``."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--out", type=Path, default=Path(__file__).parent)
    out = parser.parse_args().out
    county = build()
    write(county, assemble(county), out)


if __name__ == "__main__":
    main()
