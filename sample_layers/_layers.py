"""The layers of Larkmoor County as rows, with our names, and the faults planted in them."""

from __future__ import annotations

import itertools

import numpy as np
import shapely
from _built import COUNTY_HIGH, COUNTY_LOW, sample
from _county import SEED, Land
from _faults import (
    Row,
    Tables,
    add_hostile_text,
    seen_first,
    spoil_outlets,
    spoil_records,
    spoil_shapes,
    spoil_units,
    spoil_wells,
)
from _homes import Unit, in_county, sink_wells
from _maps import SOILS, catchments, farm_parcels, flood_zones, soil_areas
from _records import (
    add_permit_terms,
    choose_kinds,
    close_complaints,
    complaint_rows,
    inspection_rows,
    number_units,
    outlet_rows,
    permit_rows,
    unit_rows,
    well_rows,
)
from _water import Reach
from numpy.typing import NDArray
from shapely.geometry import LineString, Point, box
from shapely.geometry.base import BaseGeometry

STREAM_NAMES = (
    "Sedge Run",
    "Fennel Branch",
    "Harrow Creek",
    "Plum Run",
    "Teasel Branch",
    "Kettle Creek",
    "Burdock Run",
    "Alder Branch",
    "Thistle Run",
    "Orchard Creek",
    "Mill Branch",
    "Draw Run",
)
UNRECORDED_CULVERT = "CV-15"
SCHOOL = Point(1_130, 700)
OTHER_WELLS = (
    ((1_150, 735), "public"),
    ((1_345, 2_700), "public"),
    ((2_690, 520), "public"),
    ((640, 1_760), "other"),
    ((1_900, 1_640), "other"),
    ((2_900, 2_130), "other"),
    ((1_540, 380), "other"),
    ((2_250, 3_020), "other"),
)
UNUSABLE = frozenset(
    {
        "coordinates_zero",
        "coordinates_missing",
        "geometry_missing",
        "geometry_wrong_kind",
        "outside_county",
    }
)


def rows_of(key: str, prefix: str, rows: list[Row], width: int = 2) -> list[Row]:
    """Rows numbered from 1 under ``key``, without faults as yet."""
    return [{key: f"{prefix}{k:0{width}d}", **row, "_faults": []} for k, row in enumerate(rows, 1)]


def named_reaches(reaches: list[Reach]) -> dict[int, str]:
    """Names of the mapped channels: each tributary's name goes up its larger branch."""
    names: dict[int, str] = {}
    mouths = sorted((r for r in reaches if r.joins_river_at >= 0), key=lambda r: -r.area_m2)
    for mouth, name in zip(mouths, STREAM_NAMES, strict=False):
        here: Reach | None = mouth
        while here is not None:
            names[id(here)] = name
            above = [r for r in reaches if np.array_equal(r.xy[-1], here.xy[0]) and r is not here]
            here = max(above, key=lambda r: r.area_m2, default=None)
    return names


def stream_rows(land: Land) -> list[Row]:
    """Mapped channels, road ditches and the river, downstream, cut where another joins."""
    river, mapped = land.river, [r for r in land.reaches if r.mapped]
    names = named_reaches(mapped)
    lines: list[tuple[str, str | None, LineString]] = []
    for reach in mapped:
        large, middling = reach.area_m2 > 6e5, reach.area_m2 > 2e5
        kind = "perennial" if large else "intermittent" if middling else "ephemeral"
        lines.append((kind, names.get(id(reach)), LineString(reach.xy)))
    joins = {r.joins_river_at for r in mapped if r.joins_river_at >= 0}
    for a, b in itertools.pairwise(sorted({0, len(river.xy) - 1, *joins})):
        lines.append(("perennial", "Larkmoor River", LineString(river.xy[a : b + 1])))
    lines += [("ditch", None, ditch) for ditch in road_ditches(land)]
    frame = box(COUNTY_LOW - 30, COUNTY_LOW - 30, COUNTY_HIGH + 30, COUNTY_HIGH + 30)
    rows: list[Row] = []
    for permanence, name, line in lines:
        parts = shapely.get_parts(line.intersection(frame))
        rows += [
            {"permanence": permanence, "name": name, "geometry": part}
            for part in parts
            if part.geom_type == "LineString" and part.length > 3
        ]
    return rows_of("stream_id", "LK-", rows, 3)


def road_ditches(land: Land) -> list[LineString]:
    """Two ditches beside River Road that run down to a culvert's upper end."""
    road = next(r.line for r in land.roads if r.name == "River Road")
    mapped = [LineString(r.xy) for r in land.reaches if r.mapped]
    ditches: list[LineString] = []
    for culvert in land.culverts:
        mouth = Point(culvert.xy[0])
        if culvert.road != "River Road" or min(mouth.distance(m) for m in mapped) > 1:
            continue
        at = road.project(mouth)
        for way in (1, -1):
            line = road.offset_curve(6.0 if _left_of(road, mouth, at) else -6.0)
            stops = line.project(mouth) + way * np.arange(140, 8, -12)
            if stops.min() < 0 or stops.max() > line.length or len(ditches) == 2:
                continue
            xy = shapely.get_coordinates(line.interpolate(stops))
            heights = sample(land.z, xy)
            if heights[0] - heights[-1] > 1.0 and np.diff(heights).max() < 0.15:
                ditches.append(LineString([*xy, mouth]))
    return ditches


def _left_of(road: LineString, place: Point, at: float) -> bool:
    a, b = (np.array(road.interpolate(at + d).coords[0]) for d in (-3, 3))
    to = np.array(place.coords[0]) - a
    return bool((b - a)[0] * to[1] - (b - a)[1] * to[0] > 0)


def parcel_rows(land: Land) -> tuple[list[Row], dict[int, str]]:
    """House lots by road, then farm land; and the parcel number of each lot."""
    roads = sorted({lot.road for lot in land.lots})
    numbers, rows = {}, []
    for k, lot in enumerate(sorted(land.lots, key=lambda a: (a.road, a.along_m))):
        numbers[id(lot)] = f"{1 + roads.index(lot.road):02d}-{k:03d}"
        rows.append(
            {
                "parcel_id": numbers[id(lot)],
                "address": f"{lot.number} {lot.road}",
                "geometry": lot.polygon,
                "_farm": False,
                "_faults": [],
            }
        )
    farms = [
        {"address": None, "geometry": farm, "_farm": True}
        for farm in farm_parcels(land.lots, land.roads, land.waters)
    ]
    return rows + rows_of("parcel_id", "90-", farms, 3), numbers


def shape_tables(rng: np.random.Generator, land: Land, zones: list[Row]) -> Tables:
    """The layers of lines and areas, and the protected places."""
    lake, river = land.waters[0], land.river
    houses: list[BaseGeometry] = [x.house for x in land.lots if x.house is not None]
    hall = SCHOOL.buffer(19, cap_style="square")
    culverts = [c for c in land.culverts if in_county(c.xy[[0, -1]].ravel(), 6)]
    drains = [("storm_sewer", s) for s in land.sewers] + [("field_tile", t) for t in land.tiles]
    tables: Tables = {"streams": stream_rows(land)}
    tables["water_bodies"] = rows_of(
        "water_body_id",
        "WB-",
        [{"name": w.name, "geometry": w.polygon.simplify(0.2)} for w in land.waters],
    )
    tables["roads"] = rows_of(
        "road_id", "R", [{"name": r.name, "geometry": r.line.simplify(0.2)} for r in land.roads]
    )
    tables["buildings"] = rows_of("building_id", "B", [{"geometry": h} for h in [*houses, hall]], 4)
    tables["culverts"] = rows_of(
        "culvert_id",
        "CV-",
        [{"diameter_m": c.diameter_m, "geometry": LineString(c.xy)} for c in culverts],
    )
    tables["drains"] = rows_of(
        "drain_id", "D-", [{"drain_kind": kind, "geometry": line} for kind, line in drains]
    )
    tables["floodplain"] = rows_of("floodplain_id", "FA-", zones)
    tables["soils"] = rows_of(
        "soil_id",
        "S",
        [
            dict(zip(("symbol", "map_unit", "hydrologic_group"), SOILS[c], strict=True))
            | {"geometry": p}
            for c, p in soil_areas(rng, land.z, land.ground, land.river)
        ],
        3,
    )
    names = named_reaches([r for r in land.reaches if r.mapped])
    tables["catchments"] = rows_of(
        "catchment_id",
        "CA-",
        [
            {
                "name": names.get(id(land.reaches[k - 1]), "unnamed branch")
                if k
                else "Larkmoor River, direct",
                "geometry": area,
            }
            for k, area in catchments(land.hydrology, land.ground, land.reaches)
        ],
    )
    places = (
        ("bathing", "Sedge Lake beach", Point(lake.outline[60])),
        ("bathing", "Lower Bend swimming place", Point(river.xy[_at_east(river.xy, 2_790)])),
        ("intake", "Larkmoor water intake", Point(river.xy[_at_east(river.xy, 3_060)])),
        ("school", "Larkmoor school", SCHOOL),
    )
    tables["protected_places"] = rows_of(
        "place_id",
        "P-",
        [{"place_kind": k, "name": n, "geometry": at} for k, n, at in places],
        1,
    )
    return tables


def _at_east(xy: NDArray[np.float64], x: float) -> int:
    return int(np.argmin(np.abs(xy[:, 0] - x)))


def assemble(land: Land) -> Tables:
    """All layers as rows, faults and hostile text included."""
    rng = np.random.default_rng(SEED + 1)
    zones = flood_zones(land.z, land.river, land.reaches, land.waters[0])
    flooded = shapely.unary_union([f["geometry"] for f in zones if f["zone"] != "X"])
    here = [u for u in land.units if in_county(u.xy)]
    beyond = [u for u in land.units if not in_county(u.xy, -25) and in_county(u.xy, -115)][:2]
    number_units(rng, here + beyond)
    choose_kinds(rng, here + beyond, flooded)
    parcels, numbers = parcel_rows(land)
    tables: Tables = {"parcels": parcels, "units": unit_rows(here, numbers)}
    tables["discharge_points"] = outlet_rows(rng, here, land.z)
    wells = sink_wells(rng, land.ground, here, 290)
    others = [(np.array(at, float), use) for at, use in OTHER_WELLS]
    tables["wells"] = well_rows(rng, wells, others)
    tables["inspections"] = inspection_rows(rng, here)
    tables["permits"] = permit_rows(rng, here)
    tables["complaints"] = complaint_rows(rng, here, 14)
    terms = np.random.default_rng(SEED + 3)  # of its own, so that no other file moves
    add_permit_terms(terms, tables["permits"])
    close_complaints(terms, tables["complaints"])
    tables |= shape_tables(rng, land, zones)

    spoil_units(rng, tables, unit_rows(beyond, numbers))
    spoil_outlets(
        rng,
        tables,
        uphill=moved_outlets(land, tables, first=11, away_m=38, fall_m=(-3.5, -2.0)),
        far=moved_outlets(land, tables, first=120, away_m=640, fall_m=(4.0, 30.0)),
        lonely=lonely_spots(rng, land),
        beyond=outlet_beyond(beyond[0]),
    )
    spoil_wells(rng, tables["wells"])
    spoil_records(rng, tables)
    spoil_shapes(rng, tables)
    mark_unknown_outlets(tables)
    add_hostile_text(rng, tables)
    # the pipe under Teasel Lane is there, but nobody put it on record
    tables["culverts"] = [r for r in tables["culverts"] if r["culvert_id"] != UNRECORDED_CULVERT]
    return tables


def outlet_beyond(unit: Unit) -> Row:
    """The outlet of a house beyond the terrain."""
    return {
        "unit_id": unit.facts["id"],
        "outlet_kind": "ground",
        "invert_height_m": None,
        "pipe_material": "PVC",
        "location_basis": "gps",
        "accuracy_m": None,
        "xy": unit.xy + np.array([7.0, -12.0]),
        "_unit": unit,
        "_faults": [],
        "_keep": True,
    }


def moved_outlets(
    land: Land, tables: Tables, *, first: int, away_m: float, fall_m: tuple[float, float]
) -> list[tuple[Row, NDArray[np.float64]]]:
    """Two outlets on record, each with a false place that far from its unit and that far below."""
    found: list[tuple[Row, NDArray[np.float64]]] = []
    busy = seen_first(tables)
    units = {
        r["unit_id"]: r for r in tables["units"] if not r["_faults"] and r["unit_id"] not in busy
    }
    for row in tables["discharge_points"][first:]:
        unit, listed = row["_unit"], units.get(row["unit_id"])
        if listed is None or unit.pumped or unit.setting or unit.collector >= 0:
            continue
        if listed["location_basis"] not in ("surveyed", "gps") or len(found) == 2:
            continue
        for turn in np.linspace(0, 2 * np.pi, 24):
            spot = unit.xy + away_m * np.array([np.cos(turn), np.sin(turn)])
            fall = sample(land.z, unit.xy[None])[0] - sample(land.z, spot[None])[0]
            if fall_m[0] < fall < fall_m[1] and in_county(spot):
                found.append((row, spot))
                break
    return found


def lonely_spots(rng: np.random.Generator, land: Land) -> list[NDArray[np.float64]]:
    """Five places at streams, far from every house."""
    lots = shapely.STRtree([x.polygon for x in land.lots])
    streams = shapely.unary_union([LineString(r.xy) for r in land.reaches if r.mapped])
    spots: list[NDArray[np.float64]] = []
    while len(spots) < 5:
        at = streams.interpolate(rng.uniform(), normalized=True)
        spot = np.array([at.x + 3.0, at.y + 2.0])
        if in_county(spot, 60) and not len(lots.query(Point(spot).buffer(120))):
            spots.append(spot)
    return spots


def mark_unknown_outlets(tables: Tables) -> None:
    """Say which surface-discharging units no discharge point can be linked to."""

    def usable(rows: list[Row]) -> list[Row]:
        return [r for r in rows if UNUSABLE.isdisjoint(code for code, _ in r["_faults"])]

    points = usable(tables["discharge_points"])
    named = {str(r["unit_id"]).removesuffix(".0") for r in points if r["unit_id"]}
    loose = [Point(r["xy"]) for r in points if not r["unit_id"]]
    lots = {p["parcel_id"]: p["geometry"] for p in tables["parcels"] if not p["_farm"]}
    for row in usable(tables["units"]):
        if row["kind"] != "surface_discharge" or row["unit_id"] in named:
            continue
        if row["status"] in ("abandoned", "sewered"):
            continue
        lot = lots.get(row["parcel_id"])
        near = any(p.distance(Point(row["xy"])) < 75 for p in loose)
        if not near and not (lot is not None and any(lot.contains(p) for p in loose)):
            row["_faults"].append(
                ("discharge_point_missing", "where its pipe ends is not on record")
            )
