"""A small invented county, what may be changed in it, and what a change may never do.

    python tests/support/changes.py --all [--pairs N] [--seed S] [--only TEXT] [--json FILE]

No answer is known in advance; what is known is how two answers must compare. A blur takes
knowledge away: nothing may become finer by it. A hazard adds one: nothing may fall. A sameness
says the same in another way: nothing may differ. Blurs of cells and columns are made from the
schemas, so that a new column is tried without a line here. Sedgewater County, its places and its
records are invented and lie in open water; the rules are an example and no law anywhere.
"""

from __future__ import annotations

import argparse
import datetime as dt
import json
import os
import shutil
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from importlib.resources import files as files_of
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from affine import Affine
from click.testing import CliRunner
from pyproj import CRS
from shapely.geometry import LineString, Point, box

from geo.assessment import assess
from geo.cli import main as rillmark
from geo.order.priorities import rate_part
from layers import read_county
from layers.errors import RillmarkError
from layers.fields.schemas import SCHEMAS, Column
from layers.files.raster import write_raster
from layers.grid import Grid
from layers.measures import FT_M

AS_OF = dt.date(2026, 4, 1)
SYSTEM = CRS.from_epsg(32616)
X, Y = 320_000.0, 2_910_000.0  # the south-west corner, in open water
WIDE, HIGH, CELL_M = 800.0, 650.0, 2.5
OFF_M = 0.37  # nothing stands on the edge of a cell, where the last digit of a move would decide
LOT_M, LOTS_FROM, ACROSS, LOT_ROWS = 75.0, (100.0, 100.0), 8, 6
STREAM_V, DRAW_U, ROAD_V, DITCH_U = 70.0, 400.0, 325.0, 250.0

Frame = pd.DataFrame | gpd.GeoDataFrame

# ------------------------------------------------------------------------------ the small county


@dataclass(frozen=True)
class Place:
    """A county as files: tables whose cells are text, rasters, and the sections of its file.

    ``files`` holds each layer's file name, whose ending is its format; ``sections`` the county
    file, those of layers under ``layers.NAME``; ``texts`` the files it names; ``damaged`` layers
    whose file is no file of its kind, ``lost`` layers whose file is not there.
    """

    tables: Mapping[str, Frame]
    rasters: Mapping[str, Grid]
    files: Mapping[str, str]
    sections: Mapping[str, Mapping[str, Any]]
    texts: Mapping[str, str]
    damaged: frozenset[str] = frozenset()
    lost: frozenset[str] = frozenset()

    def with_table(self, name: str, table: Frame) -> Place:
        """The same with another table."""
        return replace(self, tables={**self.tables, name: table})

    def with_raster(self, name: str, grid: Grid) -> Place:
        """The same with another raster."""
        return replace(self, rasters={**self.rasters, name: grid})

    def with_section(self, name: str, **keys: Any) -> Place:
        """The same with keys of a section of the county file set; None takes one away."""
        section = {**self.sections.get(name, {}), **keys}
        section = {key: value for key, value in section.items() if value is not None}
        return replace(self, sections={**self.sections, name: section})

    def without_section(self, name: str) -> Place:
        """The same without a section of the county file."""
        kept = {key: value for key, value in self.sections.items() if key != name}
        return replace(self, sections=kept)

    def write(self, folder: Path, like: Place | None = None, there: Path | None = None) -> Path:
        """Write all files into ``folder``, those ``like`` has too as links to ``there``."""
        folder.mkdir(parents=True, exist_ok=True)
        for name, file in self.files.items():
            mine = self.tables.get(name, self.rasters.get(name))
            is_sound = name not in self.lost and name not in self.damaged
            if f"layers.{name}" not in self.sections or name in self.lost:
                continue
            if name in self.damaged:
                (folder / file).write_bytes(b"%PDF-1.7\n1 0 obj\n<< >>\nendobj\n")
                continue
            if like is not None and there is not None and is_sound:
                theirs = like.tables.get(name, like.rasters.get(name))
                if theirs is mine and like.files[name] == file:
                    os.link(there / file, folder / file)
                    continue
            write_layer(mine, folder / file)
        for file, text in {**self.texts, "county.toml": as_toml(self.sections)}.items():
            (folder / file).write_text(text, "utf-8")
        return folder / "county.toml"


def write_layer(layer: Frame | Grid, path: Path) -> None:
    """A layer as the file its ending names; points of a CSV in columns x and y."""
    if isinstance(layer, Grid):
        write_raster(layer, path)
    elif path.suffix == ".csv":
        with_places(layer).to_csv(path, index=False)
    elif path.suffix == ".xlsx":
        with_places(layer).to_excel(path, index=False)
    elif path.suffix == ".geojson":
        layer.to_crs(4326).to_file(path, COORDINATE_PRECISION=12)
    else:
        layer.to_file(path)


def with_places(table: Frame) -> pd.DataFrame:
    """Points as a plain table whose places stand in x and y; any other table as it is."""
    if not isinstance(table, gpd.GeoDataFrame):
        return table
    x, y = (
        [None if pd.isna(n) else repr(float(n)) for n in side(table.geometry.to_numpy())]
        for side in (shapely.get_x, shapely.get_y)
    )
    return pd.DataFrame(table.drop(columns="geometry")).assign(x=x, y=y)


def as_toml(sections: Mapping[str, Mapping[str, Any]]) -> str:
    """Sections as the text of a county file."""
    parts = []
    for name, section in sections.items():
        lines = [f"{key} = {_toml_value(value)}" for key, value in section.items()]
        parts.append("\n".join([f"[{name}]", *lines]))
    return "\n\n".join(parts) + "\n"


def _toml_value(value: Any) -> str:
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{k} = {_toml_value(v)}" for k, v in value.items()) + " }"
    if isinstance(value, dt.date):
        return value.isoformat()
    return json.dumps(value)


RULES = """
[[tables]]
name = "Sedgewater setbacks of 1990 (invented)"
adopted_by = "Sedgewater County Board of Health (invented)"
effective_to = 2008-07-01

[[tables.rules]]
id = "tank-well-1990"
part = "tank"
feature = "wells"
where = { use = ["private", "other"] }
distance = 25
unit = "ft"
source = "an invented example"

[[tables.rules]]
id = "tank-building-1990"
part = "tank"
feature = "buildings"
distance = 5
unit = "ft"
source = "an invented example"

[[tables]]
name = "Sedgewater setbacks (invented)"
adopted_by = "Sedgewater County Board of Health (invented)"
effective_from = 2008-07-01
inherits = "Sedgewater setbacks of 1990 (invented)"
"""
# rules of the table in force: id, part, feature, where, distance in feet
RULES_IN_FORCE = (
    ("tank-well", "tank", "wells", 'use = ["private", "other"]', 50),
    ("outlet-well", "discharge_point", "wells", 'use = ["private", "other"]', 100),
    ("tank-public-well", "tank", "wells", 'use = ["public"]', 300),
    ("tank-stream", "tank", "streams", 'permanence = ["perennial", "intermittent"]', 50),
    ("tank-small-stream", "tank", "streams", 'permanence = ["ephemeral", "ditch"]', 25),
    ("tank-lake", "tank", "water_bodies", 'permanence = ["perennial", "intermittent"]', 50),
    ("tank-flood", "tank", "floodplain", "", 10),
    ("tank-lot-line", "tank", "parcels", "", 10),
    ("unit-road", "unit", "roads", "", 30),
    ("outlet-tile", "discharge_point", "drains", 'drain_kind = ["field_tile"]', 10),
    ("tank-bathing", "tank", "protected_places", 'place_kind = ["bathing"]', 300),
    ("tank-intake", "tank", "protected_places", 'place_kind = ["intake"]', 5000),
    ("tank-school", "tank", "protected_places", 'place_kind = ["school"]', 200),
)


def _rules() -> str:
    text = [RULES]
    for name, part, feature, where, distance in RULES_IN_FORCE:
        lines = [f'id = "{name}"', f'part = "{part}"', f'feature = "{feature}"']
        lines += [f"where = {{ {where} }}"] if where else []
        lines += [f"distance = {distance}", 'unit = "ft"', 'source = "an invented example"']
        text.append("\n".join(["[[tables.rules]]", *lines]))
    return "\n\n".join(text) + "\n"


def _unit(number: int) -> str:
    return f"U{number:02d}"


def _corner(number: int) -> tuple[float, float]:
    """The south-west corner of a unit's lot."""
    row, column = divmod(number - 1, ACROSS)
    return X + LOTS_FROM[0] + LOT_M * column, Y + LOTS_FROM[1] + LOT_M * row


# where lids stand that a scene needs elsewhere than in the middle of their lots, from the corner
_LIDS = {2: (30, 22), 4: (40, 20), 12: (72, 40), 18: (69, 40), 20: (72, 42), 21: (65, 40),
         28: (70, 14), 35: (20, 71), 36: (71, 40), 41: (2, 40)}  # fmt: skip
# hollows: of a lid or an outlet, how far east of it, depth, radius, in meters
_HOLLOWS = (("lid", 3, 0, 0.9, 9), ("lid", 11, 0, 0.5, 8), ("lid", 26, 0, 1.4, 12),
            ("lid", 38, 0, 0.45, 7), ("lid", 44, 9, 2.0, 16), ("lid", 47, -7, 2.0, 16),
            ("lid", 27, 0, 0.07, 8), ("outlet", 13, 0, 0.7, 8),
            ("outlet", 30, 0, 0.4, 8))  # fmt: skip
_KINDS = {5: "holding_tank", 12: "holding_tank", 16: "shared_collector", 24: "shared_collector",
          7: "soil_absorption", 14: "soil_absorption", 22: "soil_absorption", 31: "soil_absorption",
          39: "soil_absorption", 46: "holding_tank", 48: "unknown"}  # fmt: skip
_STATUSES = {9: "seasonal", 19: "vacant", 33: "abandoned", 40: "sewered", 47: "unknown"}
_NO_OUTLET = (5, 7, 12, 14, 22, 31, 39, 46, 20, 36)
_OUTLETS_UNNAMED = (15, 23, 29)


def lid_of(number: int) -> Point:
    """Where a unit's lid lies."""
    x, y = _corner(number)
    dx, dy = _LIDS.get(number, (34 + number % 7, 44 + number % 5))
    return Point(x + dx + OFF_M, y + dy + OFF_M)


def outlet_of(number: int) -> Point:
    """Where a unit's discharge point lies."""
    lid = lid_of(number)
    return Point(lid.x - 5 + number % 6, lid.y - 16 - number % 4)


def _text(value: Any) -> str | None:
    if value is None or value == "":
        return None
    return value if isinstance(value, str) else str(value)


def _table(columns: str, rows: Iterable[Sequence[Any]]) -> pd.DataFrame:
    """Rows as text under the names of ``columns``."""
    names = columns.split()
    cells = [[_text(value) for value in row] for row in rows]
    return pd.DataFrame(cells, columns=names, dtype=object)


def _layer(columns: str, rows: Iterable[Sequence[Any]]) -> gpd.GeoDataFrame:
    """Rows as text, the last of each its shape."""
    rows = list(rows)
    table = _table(columns, [row[:-1] for row in rows])
    return gpd.GeoDataFrame(table, geometry=[row[-1] for row in rows], crs=SYSTEM)


def _units() -> gpd.GeoDataFrame:
    rows = []
    for n in range(1, ACROSS * LOT_ROWS + 1):
        basis = ("gps", "surveyed", "gps", "phone", "digitised")[n % 5]
        accuracy = {"gps": 1.5, "surveyed": 0.1, "phone": 3, "digitised": ""}[basis]
        year = 1978 + (n * 7) % 45
        rows.append((
            _unit(n), basis, accuracy, _STATUSES.get(n, "active"),
            _KINDS.get(n, "surface_discharge"), "no", f"{year}-0{1 + n % 9}-11",
            f"P{n:02d}" if n % 4 else "", ("0.1", "0.15", "0.3", "0")[n % 4], 2 + n % 3,
            f"L{n:02d}", f"{n} Invented Way", lid_of(n),
        ))  # fmt: skip
    return _layer("unit_id location_basis accuracy_m status kind pumped installed permit_id "
                  "riser_height_m bedrooms parcel_id address", rows)  # fmt: skip


def _discharge_points() -> gpd.GeoDataFrame:
    rows = []
    for n in range(1, ACROSS * LOT_ROWS + 1):
        if n in _NO_OUTLET:
            continue
        kind = {16: "shared_collector", 24: "shared_collector", 21: "stream"}.get(n, "ground")
        named = "" if n in _OUTLETS_UNNAMED else _unit(n)
        at = outlet_of(n)
        rows.append((f"D{n:02d}", named, kind, f"{_ground_at(at) + 0.05:.2f}", "plastic",
                     "gps", "1.5", at))  # fmt: skip
    return _layer("discharge_point_id unit_id outlet_kind invert_height_m pipe_material "
                  "location_basis accuracy_m", rows)  # fmt: skip


# wells: unit, east and north of its lid in meters, use
_WELLS = (
    (3, 12, 0, "private"), (6, 9, 3, "private"), (8, 15.5, 2, "private"), (10, 0, 14, "other"),
    (13, -30, -20, "private"), (17, 11, -6, "private"), (20, 14, 4, "private"),
    (23, 18, 0, "private"), (25, 8, 0, "private"), (27, -12, 0, "private"), (29, 3, -9, "private"),
    (32, 13, 0, "private"), (34, 20, -18, "private"), (37, 15, 0, "private"),
    (42, 10, 10, "private"), (44, 0, 26, "private"), (48, 9, 0, "private"),
    (30, 20, 8, "public"), (4, -25, 12, "public"), (45, 14, -12, "unknown"),
)  # fmt: skip


def _wells() -> gpd.GeoDataFrame:
    rows = []
    for k, (n, east, north, use) in enumerate(_WELLS, 1):
        lid = lid_of(n)
        basis, accuracy = ("surveyed", "0.1") if k % 3 else ("gps", "1.5")
        rows.append((f"W{k:02d}", use, 20 + k, basis, accuracy, Point(lid.x + east, lid.y + north)))
    return _layer("well_id use depth_m location_basis accuracy_m", rows)


def _at(*pairs: tuple[float, float]) -> list[tuple[float, float]]:
    return [(X + u + OFF_M, Y + v + OFF_M) for u, v in pairs]


def _box(u1: float, v1: float, u2: float, v2: float) -> Any:
    return box(X + u1 + OFF_M, Y + v1 + OFF_M, X + u2 + OFF_M, Y + v2 + OFF_M)


def _waters() -> dict[str, gpd.GeoDataFrame]:
    streams = _layer("stream_id permanence stream_kind name", [
        ("S1", "perennial", "stream", "Sedge Water",
         LineString(_at((2, STREAM_V), (798, STREAM_V)))),
        ("S2", "ditch", "canal_ditch", "", LineString(_at((DITCH_U, 600), (DITCH_U, STREAM_V)))),
        ("S3", "intermittent", "stream", "", LineString(_at((475, 560), (475, STREAM_V)))),
        ("S4", "perennial", "stream", "Rush Run", LineString(_at((625, 330), (625, STREAM_V)))),
    ])  # fmt: skip
    bodies = _layer("water_body_id permanence water_body_kind name", [
        ("B1", "perennial", "lake_pond", "Sedge Pond", _lake()),
        ("B2", "intermittent", "lake_pond", "", _box(128, 232, 142, 240)),
    ])  # fmt: skip
    drains = _layer("drain_id drain_kind", [
        ("R1", "field_tile", LineString(_at((560, 430), (560, 380), (500, 340)))),
        ("R2", "storm_sewer", LineString(_at((105, 508), (140, 508), (140, 580)))),
        ("R3", "field_tile", LineString([(outlet_of(13).x + 2, outlet_of(13).y - 20),
                                         (outlet_of(13).x + 2, outlet_of(13).y + 20)])),
    ])  # fmt: skip
    places = _layer("place_id place_kind name", [
        ("Q1", "bathing", "Sedge Pond beach", Point(X + 640, Y + 425)),
        ("Q2", "intake", "Sedge Water intake", FAR_INTAKE),
        ("Q3", "other", "Invented Hall", Point(X + 150, Y + 590)),
        ("Q4", "bathing", "Lower beach", Point(lid_of(1).x - 40, lid_of(1).y - 30)),
    ])  # fmt: skip
    return {
        "streams": streams,
        "water_bodies": bodies,
        "drains": drains,
        "protected_places": places,
    }


# farther from every lid than a nearest feature is looked for, nearer than its rule asks
FAR_INTAKE = Point(X - 900, Y + 300)


def _lake() -> Any:
    return Point(X + 655 + OFF_M, Y + 445 + OFF_M).buffer(26)


def _areas() -> dict[str, gpd.GeoDataFrame]:
    floods = _layer(
        "floodplain_id zone zone_subtype base_flood_elevation_m vertical_datum flood_depth_ao_m "
        "is_floodway sfha_stated",
        [
            ("F1", "AE", "FLOODWAY", "200.9", "NAVD88", "", "yes", "T", _box(0, 50, 800, 90)),
            ("F2", "AE", "", "200.9", "NAVD88", "", "no", "T", _box(0, 90, 800, 140)),
            ("F3", "X", "0.2 PCT ANNUAL CHANCE FLOOD HAZARD", "", "NAVD88", "", "no", "F",
             _box(0, 140, 800, 160)),
            ("F4", "X", "AREA OF MINIMAL FLOOD HAZARD", "", "NAVD88", "", "no", "F",
             _box(0, 160, 800, 460)),
            ("F5", "AO", "", "", "NAVD88", "0.5", "no", "T", _box(250, 460, 420, 560)),
            ("F6", "D", "", "", "NAVD88", "", "no", "F", _box(420, 460, 800, 650)),
        ],
    )  # fmt: skip
    lots = [(f"L{n:02d}", f"{n} Invented Way", box(*_corner(n), *(c + LOT_M for c in _corner(n))))
            for n in range(1, ACROSS * LOT_ROWS + 1)]  # fmt: skip
    houses = [(f"H{n:02d}", box(lid_of(n).x + gap, lid_of(n).y - 4, lid_of(n).x + gap + 10,
                                lid_of(n).y + 6))
              for n in range(1, ACROSS * LOT_ROWS + 1) if (gap := (1, 4, 6, 8)[n % 4])]  # fmt: skip
    return {
        "floodplain": floods,
        "soils": _layer("soil_id hydrologic_group", [
            ("G1", "B", _box(0, 0, 300, 650)), ("G2", "D", _box(300, 0, 620, 650)),
            ("G3", "C", _box(620, 0, 800, 650)),
        ]),
        "parcels": _layer("parcel_id address", lots),
        "buildings": _layer("building_id", houses),
        "catchments": _layer("catchment_id name", [
            ("C1", "Upper Sedge", _box(0, 0, 400, 650)),
            ("C2", "Lower Sedge", _box(400, 0, 800, 650)),
        ]),
        "roads": _layer("road_id name", [
            ("K1", "Invented Way", LineString(_at((20, ROAD_V), (780, ROAD_V)))),
            ("K2", "Rush Lane", LineString(_at((94, 560), (94, 180)))),
        ]),
        "culverts": _layer("culvert_id diameter_m", [
            ("V2", "0.9", LineString(_at((DITCH_U, ROAD_V + 12), (DITCH_U, ROAD_V - 12)))),
            ("V1", "0.6", LineString(_at((DRAW_U, ROAD_V + 12), (DRAW_U, ROAD_V - 12)))),
        ]),
    }  # fmt: skip


# inspection, unit, day, outcome, result, by lot
_INSPECTIONS = (
    ("I01", 3, "2024-05-10", "completed", "good", "no"),
    ("I02", 3, "2025-09-12", "completed", "danger", "no"),
    ("I03", 4, "2025-08-02", "completed", "danger", "yes"),
    ("I04", 4, "2025-10-02", "no_access", "unknown", "no"),
    ("I05", 6, "2025-06-03", "completed", "danger", "no"),
    ("I06", 6, "2025-07-07", "completed", "good", "no"),
    ("I07", 8, "2025-09-20", "completed", "repair", "no"),
    ("I08", 10, "2024-04-04", "completed", "minor", "no"),
    ("I09", 5, "2025-02-10", "completed", "good", "no"),
    ("I10", 12, "2025-11-10", "completed", "good", "no"),
    ("I11", 16, "2025-03-15", "completed", "good", "no"),
    ("I12", 15, "2024-06-01", "completed", "good", "no"),
    ("I13", 15, "2025-10-20", "partly", "danger", "no"),
    ("I14", 17, "2025-05-05", "completed", "repair", "no"),
    ("I15", 17, "2025-06-20", "completed", "minor", "no"),
    ("I16", 25, "2025-12-01", "completed", "danger", "no"),
    ("I17", 25, "2025-12-20", "completed", "good", "no"),
    ("I18", 27, "2024-07-07", "completed", "good", "yes"),
    ("I19", 29, "2024-08-08", "completed", "good", "no"),
    ("I20", 32, "2025-11-15", "completed", "repair", "no"),
    ("I21", 32, "2026-01-10", "nobody_home", "unknown", "no"),
    ("I22", 34, "2024-05-05", "completed", "good", "no"),
    ("I23", 37, "2024-09-09", "completed", "good", "no"),
    ("I24", 46, "2024-04-20", "completed", "good", "no"),
    ("I25", 24, "2025-04-28", "completed", "minor", "no"),
    ("I26", 42, "2024-06-06", "completed", "unknown", "no"),
    ("I27", 1, "2025-10-10", "completed", "good", "no"),
)
# complaint, unit, day, closed
_COMPLAINTS = (
    ("M1", 11, "2026-02-23", ""), ("M2", 13, "2025-11-01", "2025-12-01"), ("M3", 21, "", ""),
    ("M4", 3, "2026-03-20", ""), ("M5", 1, "2025-10-01", ""), ("M6", 26, "2026-03-28", ""),
)  # fmt: skip


def _records() -> dict[str, pd.DataFrame]:
    permits = []
    for n in range(1, ACROSS * LOT_ROWS + 1):
        if n % 4 == 0:
            continue
        kind = "discharge" if n % 3 == 0 else "operation"
        issued = f"{(2010 if n % 5 else 1994) + n % 13}-0{1 + n % 9}-02"
        expires = f"{2026 if n % 6 == 1 else 2028 + n % 4}-0{4 + n % 3}-30"
        service = f"{2025 if n % 7 == 3 else 2027}-10-01" if n % 2 else ""
        sampled, every = ("2024-08-01", 365) if n % 5 == 2 else ("2026-01-15", 365)
        permits.append((f"P{n:02d}", _unit(n), kind, issued, expires, service, sampled, every))
    permits.append(("P03-old", _unit(3), "discharge", "1999-03-03", "2004-03-03", "", "", ""))
    return {
        "inspections": _table(
            "inspection_id unit_id date outcome result by_lot note",
            [(i, _unit(n), *rest, "as invented") for i, n, *rest in _INSPECTIONS],
        ),
        "complaints": _table(
            "complaint_id unit_id date closed note",
            [(i, _unit(n), *rest, "as invented") for i, n, *rest in _COMPLAINTS],
        ),
        "permits": _table(
            "permit_id unit_id permit_kind issued expires service_until last_sampled "
            "sample_interval_days", permits,
        ),
        "variances": _table("variance_id unit_id rule_id distance_m granted note", [
            ("A1", _unit(17), "tank-well", "13.5", "2015-05-05", "as invented"),
            ("A2", _unit(42), "tank-well", "9", "2016-06-06", "as invented"),
            ("A3", _unit(18), "tank-small-stream", "4", "2018-01-09", "as invented"),
        ]),
        "taped_distances": _table(
            "taped_distance_id unit_id part feature feature_id distance_m accuracy_m date", [
                ("T1", _unit(23), "tank", "wells", "W08", "14.6", "0.1", "2024-04-04"),
                ("T2", _unit(37), "tank", "wells", "W14", "15.9", "0.1", "2024-04-05"),
                ("T3", _unit(41), "tank", "parcels", "", "3.5", "0.1", "2024-04-06"),
            ]),
    }  # fmt: skip


def _ground(u: Any, v: Any) -> Any:
    """Heights without the embankment: a slope to a stream, two draws, hollows."""
    z = 200.0 + 0.022 * np.abs(v - STREAM_V) - 0.003 * u
    z = z - 1.6 * np.exp(-(((u - DRAW_U) / 28) ** 2)) * np.clip((v - STREAM_V) / 60, 0, 1)
    for channel in (DITCH_U, 475.0, 625.0):
        z = z - 0.7 * np.exp(-(((u - channel) / 4) ** 2)) * np.clip((v - STREAM_V) / 40, 0, 1)
    for what, number, east, depth, radius in _HOLLOWS:
        at = lid_of(number) if what == "lid" else outlet_of(number)
        away = np.hypot(u - (at.x + east - X), v - (at.y - Y)) / radius
        z = z - (depth + 0.02 * radius) * np.exp(-(away**4))
    return z


def _ground_at(point: Point) -> float:
    return float(_ground(point.x - X, point.y - Y))


def _rasters() -> dict[str, Grid]:
    rows, columns = int(HIGH / CELL_M), int(WIDE / CELL_M)
    u = (np.arange(columns) + 0.5) * CELL_M
    v = HIGH - (np.arange(rows) + 0.5) * CELL_M
    u, v = np.meshgrid(u, v)
    z = _ground(u, v)
    bank = np.clip(2.2 - np.abs(v - ROAD_V) / 3, 0, 1.6)
    z = z + np.where((u > 20) & (u < 780), bank, 0.0)
    z = z + np.random.default_rng(5).normal(0, 0.004, z.shape)
    lake = _lake()
    away = np.hypot(u - (lake.centroid.x - X), v - (lake.centroid.y - Y))
    z = np.where(away < 26, z[away < 30].min() - 0.1, z)
    terrain = Grid(z.astype(np.float32), Affine(CELL_M, 0, X, 0, -CELL_M, Y + HIGH), SYSTEM)
    cover = np.full((22, 27), 81, np.uint8)
    cover[:, 14:], cover[:6] = 22, 41
    return {
        "terrain": terrain,
        "land_cover": Grid(cover, Affine(30, 0, X, 0, -30, Y + 655), SYSTEM),
    }


PROGRAMME = {
    "visits_per_year": 30, "inspectors": 1, "season_from": "04-01", "season_to": "11-15",
    "interval_days": {"shared_collector": 365, "holding_tank": 365, "surface_discharge": 1825},
    "permit_interval_days": {"discharge": 1095}, "complaint_days": 14,
    "reinspection_days": {"danger": 7, "repair": 60}, "renewal_days": 60,
    "service_lapse_days": 30, "sample_lapse_days": 30,
}  # fmt: skip
STORMS = {"depths_in": {"2": 2.9, "10": 4.2, "25": 5.0, "100": 6.4}, "draws": 4}


def sedgewater() -> Place:
    """Sedgewater County (invented): 48 units with every kind of layer, table and obligation."""
    tables: dict[str, Frame] = {"units": _units(), "discharge_points": _discharge_points()}
    tables |= {"wells": _wells(), **_waters(), **_areas(), **_records()}
    rasters = _rasters()
    files = {}
    sections: dict[str, Mapping[str, Any]] = {
        "county": {"name": "Sedgewater County (invented)", "as_of": AS_OF, "crs": "EPSG:32616",
                   "show_units": "us", "invented": True},
    }  # fmt: skip
    for name, schema in SCHEMAS.items():
        ending = {"point": "csv", "table": "csv", "raster": "tif"}.get(schema.shape, "gpkg")
        files[name] = f"{name}.{ending}"
        section: dict[str, Any] = {"path": files[name]}
        if schema.shape == "point":
            section["crs"] = "EPSG:32616"
        if schema.shape in ("line", "polygon"):
            section["accuracy_m"] = 2.0
        sections[f"layers.{name}"] = section
    sections["layers.terrain"] = {
        "path": "terrain.tif", "vertical_unit": "m", "vertical_datum": "NAVD88", "accuracy_m": 0.15,
    }  # fmt: skip
    sections |= {"rules": {"path": "rules.toml"}, "priorities": {"path": "priorities.toml"},
                 "storms": STORMS, "programme": PROGRAMME,
                 "outlets": {"learn_from_at_most": 10}}  # fmt: skip
    return Place(tables, rasters, files, sections, {"rules.toml": _rules(), **_priorities()})


def _priorities() -> dict[str, str]:
    """The priorities that every county begins with, their order drawn again less often."""
    text = files_of("layers.settings.templates").joinpath("priorities.toml").read_text("utf-8")
    return {"priorities.toml": text.replace("draws = 500", "draws = 40")}


# ------------------------------------------------------------------------------- what is compared

FINE = ("clear", "none_on_record", "no_rule")
# not_known is a word a verdict may come to have
SEVERITY = {
    "no_rule": 0,
    "none_on_record": 1,
    "clear": 1,
    "not_known": 2,
    "uncertain": 2,
    "short": 3,
}
DRY = {"lid_wet_state": "dry_in_all", "outlet_wet_state": "dry_in_all", "lid_swale_state": "none"}
WETNESS = {"dry_in_all": 0, "none": 0, "unknown": 1, "edge": 1, "on_ground": 2, "wet": 2,
           "at_or_below_smallest": 3, "over_top": 3}  # fmt: skip
LEEWAY = 1e-9

Key = tuple[str, str, str]


@dataclass(frozen=True)
class Owing:
    """One obligation: its unit, kind and day, whether for a danger, and the row that began it."""

    unit: str
    obligation: str
    due: dt.date | None
    danger: bool
    layer: str
    row: int | None
    lacks: str = ""


@dataclass(frozen=True)
class Seen:
    """What an assessment says, as far as two of them are compared.

    Units go by the ids they have in the county as it was, also where theirs was taken away.
    ``status`` is the exit status of ``rillmark check``, None where it was not run; ``refused`` why
    nothing could be assessed.
    """

    verdicts: Mapping[Key, str] = field(default_factory=dict)
    ratings: Mapping[tuple[str, str], float] = field(default_factory=dict)
    unknown: Mapping[str, float] = field(default_factory=dict)
    scores: Mapping[str, float] = field(default_factory=dict)
    ranks: Mapping[str, int] = field(default_factory=dict)
    owed: tuple[Owing, ...] = ()
    dangers: frozenset[str] = frozenset()
    states: Mapping[tuple[str, str], str] = field(default_factory=dict)
    floods_m: Mapping[str, float] = field(default_factory=dict)
    gaps: frozenset[tuple[str, str]] = frozenset()
    problems: frozenset[tuple[str, str, int | None, str]] = frozenset()
    notes: frozenset[str] = frozenset()
    places: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    status: int | None = None
    refused: str = ""


def look(result: Any, parts: Mapping[str, Any], like: Seen | None = None) -> Seen:
    """What an assessment says; ``parts`` are those of the priorities."""
    units = result.units
    xy = shapely.get_coordinates(units.geometry.to_numpy())
    own = [str(unit) for unit in units["unit_id"]]
    places = {unit: (float(x), float(y)) for unit, (x, y) in zip(own, xy, strict=True)}
    names = dict(zip(own, own, strict=True)) if like is None else same_units(places, like.places)
    ids = [names[unit] for unit in own]
    ratings = {}
    for part, entry in parts.items():
        rating = rate_part(units, entry)[0]
        ratings |= {(unit, part): float(r) for unit, r in zip(ids, rating, strict=True)}
    states = {
        (unit, name): state
        for name in DRY
        if name in units
        for unit, state in zip(ids, units[name], strict=True)
        if isinstance(state, str)
    }
    gaps = (
        (unit, sentence)
        for unit, text in zip(ids, units["data_gaps"], strict=True)
        for sentence in (text.split(" | ") if isinstance(text, str) else ())
    )
    problems = result.problems
    return Seen(
        verdicts=_verdicts(result.setback_checks, names),
        ratings=ratings,
        unknown={part: float(entry.unknown) for part, entry in parts.items()},
        scores=dict(zip(ids, units["score"].fillna(0.0).astype(float), strict=True)),
        ranks=dict(zip(ids, units["rank"].astype(int), strict=True)),
        owed=tuple(_owed(result, names)),
        dangers=frozenset(
            unit for unit, d in zip(ids, units["danger_open"], strict=True) if d is True or d == 1
        ),
        states=states,
        floods_m={
            unit: float(m) for unit, m in zip(ids, units["flood_depth_m"], strict=True) if m > 0
        },
        gaps=frozenset(gaps),
        problems=frozenset(
            (p.layer, p.code, None if pd.isna(p.row) else int(p.row), p.message)
            for p in problems.itertuples()
        ),
        notes=frozenset(without_digits(note) for note in result.run.notes),
        places={names[unit]: at for unit, at in places.items()},
    )


def same_units(
    places: Mapping[str, tuple[float, float]], before: Mapping[str, tuple[float, float]]
) -> dict[str, str]:
    """The id each unit had before: of the one that stood in its place, else its own."""
    names = {unit: unit for unit in places if unit in before and _near(places[unit], before[unit])}
    left = [unit for unit in before if unit not in names.values()]
    for unit, at in places.items():
        if unit in names:
            continue
        there = [other for other in left if _near(at, before[other])]
        names[unit] = there[0] if there else unit
        left = [other for other in left if other != names[unit]]
    return names


def _near(one: tuple[float, float], other: tuple[float, float]) -> bool:
    return bool(np.hypot(one[0] - other[0], one[1] - other[1]) < 0.5)


def _verdicts(checks: pd.DataFrame, names: Mapping[str, str]) -> dict[Key, str]:
    """The gravest verdict of each unit, rule and part."""
    found: dict[Key, str] = {}
    for unit, rule, part, verdict in zip(
        checks["unit_id"], checks["rule_id"], checks["part"], checks["verdict"], strict=True
    ):
        key = names.get(unit, unit), rule, part
        if key not in found or SEVERITY[verdict] > SEVERITY[found[key]]:
            found[key] = verdict
    return found


def _owed(result: Any, names: Mapping[str, str]) -> Iterator[Owing]:
    """What is owed, in whichever tables of the assessment it stands; a day to be found is None."""
    for table in result.tables.values():
        if not {"unit_id", "obligation"} <= set(table):
            continue
        for row in table.to_dict("records"):
            unit, due, at = row["unit_id"], row.get("due"), row.get("source_row")
            yield Owing(
                names.get(unit, unit) if isinstance(unit, str) else "",
                row["obligation"],
                None if due is None or pd.isna(due) else pd.Timestamp(due).date(),
                bool(row.get("danger", False)),
                row.get("source_layer") or "",
                None if at is None or pd.isna(at) else int(at),
                row.get("lacks") or "",
            )


def without_digits(text: str) -> str:
    """A note for comparing: a count that moved makes no other note."""
    return "".join("0" if c.isdigit() else c for c in text)


# -------------------------------------------------------------------------------------- changes


@dataclass(frozen=True)
class Step:
    """One thing changed: where, what, and what must come of it.

    Attributes
    ----------
    trace
        Whether a gap, a problem or a note must tell of it: ``always``, ``fell`` (only where
        something in the result became less grave) or ``never``.
    status
        Whether ``rillmark check`` must end with 1.
    loses
        Whether a whole table, or what ties it to units, is gone: what rests on it alone may go.
    may_refuse
        Whether the county may be refused: it has no list of units any more.
    """

    layer: str
    column: str
    what: str
    apply: Callable[[Place], Place]
    rows: str = ""
    trace: str = "always"
    status: bool = False
    loses: bool = False
    may_refuse: bool = False

    @property
    def name(self) -> str:
        """What it is called in a report."""
        where = f"{self.layer}.{self.column}" if self.column else self.layer
        return f"{where}: {self.what}{f', {self.rows}' if self.rows else ''}"


@dataclass(frozen=True)
class Change:
    """Steps made together, and how the result must compare: as a blur, a hazard or a sameness.

    ``raised`` are verdicts (unit, rule, part) a hazard must
    leave open, ``spared`` parts of the score and obligations it may well lower; ``only`` names the
    relations that are judged where not all are.
    """

    kind: str
    steps: tuple[Step, ...]
    raised: tuple[Key, ...] = ()
    spared: frozenset[str] = frozenset()
    only: frozenset[str] = frozenset()

    @property
    def name(self) -> str:
        """What it is called in a report."""
        return " + ".join(step.name for step in self.steps)


@dataclass(frozen=True)
class Exempt:
    """Relations that some blurs break for a reason, each looked at one by one."""

    reason: str
    relations: tuple[str, ...]
    meant: Callable[[Step], bool]


def _is_whole(step: Step) -> bool:
    return step.rows in ("", ALL_ROWS)


TABLES = frozenset(name for name, schema in SCHEMAS.items() if schema.shape == "table")
EXEMPT: tuple[Exempt, ...] = (
    Exempt(
        "A column no row of a table fills is told of once, in a note or with status 1: a row for"
        " each unit would bury what is known.",
        ("obligation", "danger"),
        lambda s: s.layer in TABLES and (s.loses or (bool(s.column) and _is_whole(s))),
    ),
    Exempt(
        "A row without a place may lie anywhere: no feature on record becomes not known, but one"
        " row must not take the clear of a whole county. It is counted and told.",
        ("verdict", "rating", "dry"),
        lambda s: s.what == "no place",
    ),
    Exempt(
        "Without lakes the way of the water is that to what is mapped; the note says so, and its"
        " length is still the best there is.",
        ("rating",),
        lambda s: s.layer == "water_bodies" and not s.column,
    ),
    Exempt(
        "A kind that has no outlet is on record: without the outlet that contradicted it, none is"
        " expected.",
        ("verdict gone", "rating"),
        lambda s: (
            s.layer == "discharge_points" or (s.layer, s.column) == ("units", "unit_id")
        ) and _is_whole(s),
    ),
    Exempt(
        "Areas under one parcel id are one lot: a lot in several pieces is usual. Each row that is"
        " joined is told.",
        ("verdict", "rating"),
        lambda s: (s.layer, s.column) == ("parcels", "parcel_id"),
    ),
    Exempt(
        "A unit is judged by its first permit unless it names another: that it named one cannot be"
        " seen once the word is gone.",
        ("verdict", "trace"),
        lambda s: (s.layer, s.column) == ("units", "permit_id") and s.what in (
            "blank", "column dropped", "column renamed",
        ),
    ),
    Exempt(
        "A county that gives no permits is judged by the days of installation, and a note says so.",
        ("verdict", "obligation"),
        lambda s: s.layer == "permits" and s.what == "not given",
    ),
    Exempt(
        "A visit or permit whose unit nobody can guess is any unit's: it is listed, a danger as due"
        " at once, and leaves every other unit as its own records say.",
        ("rating", "verdict"),
        lambda s: s.layer in ("inspections", "permits") and s.column == "unit_id",
    ),
)  # fmt: skip


def is_exempt(broken: Broken, steps: Iterable[Step]) -> bool:
    """Whether a reason stands for what a blur broke."""
    return any(broken.relation in e.relations and e.meant(s) for e in EXEMPT for s in steps)


def blur(*steps: Step, only: Iterable[str] = (), spared: Iterable[str] = ()) -> Change:
    """A change that takes knowledge away."""
    return Change("blur", steps, spared=frozenset(spared), only=frozenset(only))


_MOST = 16  # blurs made at once
# What the loss of takes nothing away that decides.
SHOWS_NOTHING = frozenset({"note", "name", "address", "pipe_material", "bedrooms", "by_lot",
                           "depth_m"})  # fmt: skip
# What is told by another column too: a position without it is taken as coarser, and judged so.
SHOWN_ELSEWHERE = frozenset({"location_basis", "accuracy_m"})
# Columns other than codes that a layer given without them has lost what it was given for.
WANTED = frozenset({"unit_id", "date", "zone", "hydrologic_group", "rule_id", "distance_m",
                    "feature", "issued"})  # fmt: skip
# Coded columns whose loss makes nothing lighter: no rule asks for them, or they only relax.
NOTED = frozenset({"location_basis", "stream_kind", "water_body_kind", "status", "outlet_kind"})
CODED_TEXT = frozenset({"zone", "hydrologic_group", "rule_id", "feature"})
# Relaxations, and what decides them: where it is not known they must have no effect.
RELAXES = {
    "variances": ("unit_id", "rule_id", "distance_m", "granted"),
    "taped_distances": ("unit_id", "part", "feature", "distance_m", "date"),
    "inspections": ("unit_id", "date", "outcome", "result"),
}
# What a distance was allowed by, or taped: without it the rule and the map are what there is.
GRANTS = ("variances", "taped_distances")
# rows that decide something, by the layer's id
SHOWING = {
    "units": ("U03", "U17", "U46"), "discharge_points": ("D03", "D13", "D42"),
    "wells": ("W01", "W02", "W19"), "streams": ("S1", "S2", "S3"), "water_bodies": ("B1", "B2"),
    "floodplain": ("F2", "F5"), "soils": ("G2",), "parcels": ("L41",), "roads": ("K2",),
    "buildings": ("H08",), "culverts": ("V1",), "drains": ("R3",),
    "protected_places": ("Q4", "Q1"), "catchments": ("C1",),
    "inspections": ("I02", "I06", "I07", "I13"), "complaints": ("M1", "M4"),
    "permits": ("P03", "P07", "P17"), "variances": ("A1", "A2"),
    "taped_distances": ("T2", "T3"),
}  # fmt: skip
ALL_ROWS = "all rows"
FUTURE = (AS_OF + dt.timedelta(days=400)).isoformat()


def is_wanted(layer: str, column: Column) -> bool:
    """Whether a layer that lacks this column has lost what it was given for."""
    if column.name == SCHEMAS[layer].id:
        return layer in ("units", "parcels")
    coded = column.kind == "code" and column.name not in NOTED
    # an outlet is also found by its parcel or as the nearest, a permit by the unit that names it
    tied = column.name == "unit_id" and layer in ("discharge_points", "permits")
    return (column.name in WANTED and not tied) or coded


def cell_blurs(column: Column) -> Iterator[tuple[str, Callable[[str | None], str | None]]]:
    """What may befall a cell of a column, by name: from the cell as it was to the cell as it is."""
    yield "blank", lambda _: None
    if column.kind in ("number", "date", "flag"):
        yield "unreadable", lambda _: "see file"
    if column.kind in ("code", "text", "id"):
        yield "unheard of", lambda _: "ZZ9"
        yield "misspelt", misspelt
    if column.kind == "code" and "unknown" in column.codes:
        yield "unknown", lambda _: "unknown"
    if column.kind == "number" and (column.low is None or column.low >= 0):
        yield "negative", lambda _: "-7"
    if column.kind == "number" and column.high is not None:
        yield "impossible", lambda _: "1000000000"
    if column.kind == "date" and not column.may_lie_ahead:
        yield "in the future", lambda _: FUTURE


def misspelt(cell: str | None) -> str | None:
    """A word with two letters exchanged, or its last one another; blank stays blank."""
    if not cell:
        return cell
    for k in range(1, len(cell) - 1):
        if cell[k].isalpha() and cell[k + 1].isalpha() and cell[k] != cell[k + 1]:
            return cell[:k] + cell[k + 1] + cell[k] + cell[k + 2 :]
    return cell[:-1] + ("j" if cell[-1] in "qQ" else "q")


def on_cells(
    place: Place, layer: str, column: str, rows: Sequence[int], change: Callable[..., str | None]
) -> Place:
    """The place with cells of a column changed."""
    table = place.tables[layer].copy()
    cells = table[column].tolist()
    for row in rows:
        cells[row] = change(cells[row])
    table[column] = pd.Series(cells, index=table.index, dtype=object)
    return place.with_table(layer, table)


def doubled_ids(place: Place, layer: str, column: str, rows: Sequence[int]) -> Place:
    """The place with rows that bear the id of another row."""
    table = place.tables[layer].copy()
    ids = table[column].tolist()
    for row in rows:
        ids[row] = ids[row - 1] if row else ids[-1]
    table[column] = pd.Series(ids, index=table.index, dtype=object)
    return place.with_table(layer, table)


def without_place(place: Place, layer: str, rows: Sequence[int]) -> Place:
    """The place with rows of a layer that have no place or shape."""
    table = place.tables[layer].copy()
    shapes = table.geometry.to_numpy().copy()
    shapes[list(rows)] = None
    return place.with_table(layer, table.set_geometry(gpd.GeoSeries(shapes, crs=table.crs)))


def column_steps(base: Place, layer: str, column: Column) -> Iterator[Step]:
    """Every blur of a column: of one row after the other, of all rows, and of the column."""
    table, name = base.tables[layer], column.name
    if name not in table:
        raise KeyError(f"{layer}.{name}: give the small county this column")
    shows = name not in SHOWS_NOTHING
    silent = "never" if name in SHOWN_ELSEWHERE or not shows else "fell"
    is_own = name == SCHEMAS[layer].id
    is_tie = name == "unit_id" and SCHEMAS[layer].shape == "table"
    is_coded = (column.kind == "code" and name != "location_basis") or name in CODED_TEXT
    for rows, text in row_choices(base, layer):
        every = text == ALL_ROWS
        for what, change in cell_blurs(column):
            if is_own and what == "unheard of":
                continue
            if all(change(table[name].iloc[row]) == table[name].iloc[row] for row in rows):
                continue
            # a word in a column that tells of nothing in this row is no loss
            counted = what not in ("blank", "unknown") and name not in (
                "zone_subtype",
                "vertical_datum",
            )
            is_other = is_own and what == "misspelt"
            yield Step(
                layer, name, what, partial(_cells, layer, name, tuple(rows), change), text,
                trace="never" if not shows else "always" if counted and not is_other else silent,
                status=is_coded and counted,
                loses=is_tie and every,
                may_refuse=layer == "units" and is_own and every,
            )  # fmt: skip
        if is_own:
            doubled = partial(_doubled, layer, name, tuple(rows))
            yield Step(layer, name, "id of another row", doubled, text)
    for what in ("column dropped", "column renamed"):
        yield Step(
            layer, name, what,
            partial(_without_column, layer, name, what == "column renamed"),
            trace="always" if is_wanted(layer, column) else silent,
            status=is_wanted(layer, column),
            loses=is_tie,
            may_refuse=layer in ("units", "parcels") and is_own,
        )  # fmt: skip


def _cells(layer: str, name: str, rows: Sequence[int], change: Any, place: Place) -> Place:
    return on_cells(place, layer, name, rows, change)


def _doubled(layer: str, name: str, rows: Sequence[int], place: Place) -> Place:
    return doubled_ids(place, layer, name, rows)


def _without_column(layer: str, name: str, renamed: bool, place: Place) -> Place:
    table = place.tables[layer]
    if name not in table:
        return place
    table = table.rename(columns={name: "FIELD Q7"}) if renamed else table.drop(columns=name)
    return place.with_table(layer, table)


def rows_of(layer: str) -> tuple[str, ...]:
    """The rows of a layer that decide something."""
    return SHOWING[layer]


def row_choices(base: Place, layer: str) -> Iterator[tuple[list[int], str]]:
    """Rows to be changed, and what they are called: each telling row, and all."""
    ids = base.tables[layer][SCHEMAS[layer].id].tolist()
    for name in rows_of(layer):
        yield [ids.index(name)], name
    yield list(range(len(ids))), ALL_ROWS


# whole layers --------------------------------------------------------------------------------


def layer_steps(layer: str) -> Iterator[Step]:
    """Every way in which a whole layer may be lost; the units cannot be done without."""
    schema = SCHEMAS[layer]
    section = f"layers.{layer}"
    is_table = schema.shape == "table"
    may_refuse = layer == "units"
    lost = {"status": True, "loses": is_table, "may_refuse": may_refuse}
    if not may_refuse:
        yield Step(layer, "", "not given", lambda p: p.without_section(section), loses=is_table)
    yield Step(layer, "", "file gone", lambda p: replace(p, lost=p.lost | {layer}), **lost)
    yield Step(layer, "", "file damaged", lambda p: replace(p, damaged=p.damaged | {layer}), **lost)
    if schema.shape == "raster":
        return
    named = {schema.columns[-1].name: "A COLUMN NOBODY HAS"}
    yield Step(
        layer, "", "column of the county file gone",
        lambda p: p.with_section(section, columns=named), **lost,
    )  # fmt: skip
    yield Step(
        layer, "", "no rows",
        lambda p: p.with_table(layer, p.tables[layer].iloc[:0]), loses=is_table,
        may_refuse=may_refuse,
    )  # fmt: skip
    if schema.shape == "point":
        yield Step(
            layer, "", "reference system not stated",
            lambda p: p.with_section(section, crs=None), **lost,
        )  # fmt: skip


def place_steps(base: Place, layer: str) -> Iterator[Step]:
    """Rows without a place or a shape."""
    for rows, text in row_choices(base, layer):
        is_whole = text == ALL_ROWS
        yield Step(
            layer, "", "no place", partial(_placeless, layer, tuple(rows)), text,
            status=is_whole and layer != "units", may_refuse=is_whole and layer == "units",
        )  # fmt: skip


def _placeless(layer: str, rows: Sequence[int], place: Place) -> Place:
    return without_place(place, layer, rows)


def coarser(layer: str) -> Step:
    """Positions of a layer ten times coarser."""

    def apply(place: Place) -> Place:
        if SCHEMAS[layer].shape != "point":
            stated = place.sections[f"layers.{layer}"]["accuracy_m"]
            return place.with_section(f"layers.{layer}", accuracy_m=10 * stated)
        table = place.tables[layer]
        if "accuracy_m" not in table:
            return place.with_section(f"layers.{layer}", accuracy_m=750.0)
        stated_m = [None if c is None else f"{10 * float(c):g}" for c in table["accuracy_m"]]
        return place.with_table(layer, table.assign(accuracy_m=pd.Series(stated_m, dtype=object)))

    return Step(layer, "", "positions ten times coarser", apply, trace="never")


def _at_section_center(place: Place) -> Place:
    """Wells placed at the middle of their square mile, as lists by section give them."""
    wells = place.tables["wells"]
    center = Point(X + 420, Y + 330)
    moved = wells.assign(location_basis=None, accuracy_m=None)
    return place.with_table("wells", moved.set_geometry([center] * len(wells), crs=SYSTEM))


# one kind of fault each ----------------------------------------------------------------------


def with_rows(
    layer: str, *rows: Mapping[str, Any], first: bool = False
) -> Callable[[Place], Place]:
    """Rows added to a layer, behind or before the others; columns that are not named are blank."""

    def apply(place: Place) -> Place:
        table = place.tables[layer]
        more = pd.DataFrame(list(rows)).reindex(columns=table.columns).astype(object)
        more = more.where(more.notna(), None)
        parts = [more, table] if first else [table, more]
        both = pd.concat([pd.DataFrame(part) for part in parts], ignore_index=True)
        if isinstance(table, gpd.GeoDataFrame):
            both = gpd.GeoDataFrame(both, geometry="geometry", crs=table.crs)
        return place.with_table(layer, both)

    return apply


def with_cells(layer: str, name: str, **cells: str | None) -> Callable[[Place], Place]:
    """Cells of the row of one id set."""

    def apply(place: Place) -> Place:
        row = place.tables[layer][SCHEMAS[layer].id].tolist().index(name)
        for column, cell in cells.items():
            place = on_cells(place, layer, column, [row], lambda _, cell=cell: cell)
        return place

    return apply


def on_terrain(change: Callable[..., Any]) -> Callable[[Place], Place]:
    """The terrain's heights changed: ``change`` takes them, and u and v of each cell."""

    def apply(place: Place) -> Place:
        grid = place.rasters["terrain"]
        rows, columns = np.indices(grid.shape)
        x, y = grid.centers(rows, columns)
        values = change(grid.values.copy(), x - X, y - Y)
        return place.with_raster("terrain", grid.with_values(values.astype(np.float32)))

    return apply


def _holes(places: Iterable[Point], radius_m: float = 6.0) -> Callable[..., Any]:
    def change(z: Any, u: Any, v: Any) -> Any:
        for at in places:
            z[np.hypot(u - (at.x - X), v - (at.y - Y)) < radius_m] = np.nan
        return z

    return change


def _cut_at(u_from: float, u_to: float) -> Callable[[Place], Place]:
    """The terrain only from one easting to another."""

    def apply(place: Place) -> Place:
        grid = place.rasters["terrain"]
        first, last = int(u_from / CELL_M), int(u_to / CELL_M)
        west = Affine(CELL_M, 0, X + first * CELL_M, 0, -CELL_M, Y + HIGH)
        return place.with_raster("terrain", Grid(grid.values[:, first:last].copy(), west, SYSTEM))

    return apply


def _without_sign(place: Place) -> Place:
    """Units by longitude and latitude whose minus signs were lost."""
    table = place.tables["units"].to_crs(4326)
    points = shapely.points(np.abs(table.geometry.x), table.geometry.y)
    table = table.set_geometry(gpd.GeoSeries(points, crs=4326))
    return place.with_table("units", table).with_section("layers.units", crs="EPSG:4326")


def _dangers() -> list[tuple[int, str]]:
    return [(n, day) for _, n, day, _, result, _ in _INSPECTIONS if result == "danger"]


def _zone(name: str, zone: str, subtype: str | None = None) -> dict[str, Any]:
    return {"floodplain_id": name, "zone": zone, "zone_subtype": subtype,
            "vertical_datum": "NAVD88", "geometry": _box(0, 50, 800, 650)}  # fmt: skip


def _fault_steps() -> dict[str, Step]:
    minimal = "AREA OF MINIMAL FLOOD HAZARD"
    lids = [lid_of(n) for n in range(1, ACROSS * LOT_ROWS + 1)]
    outlets = [outlet_of(n) for n in range(1, ACROSS * LOT_ROWS + 1) if n not in _NO_OUTLET]
    visits = [
        {"inspection_id": f"J{k}", "unit_id": _unit(n), "date": day, "outcome": "completed",
         "result": "good"}
        for k, (n, day) in enumerate(_dangers())
    ]  # fmt: skip
    doubtful = [{**row, "date": "2026-02-02", "result": "goood"} for row in visits]
    permits = [  # of units that have one: a first permit tells by which rules to judge
        {"permit_id": f"N{n:02d}", "unit_id": _unit(n), "issued": "2026-01-05"}
        for n in range(1, 49)
        if n % 4
    ]
    blank_permits = [{"permit_id": row["permit_id"], "unit_id": row["unit_id"]} for row in permits]
    unread = {"variance_id": "A8", "unit_id": _unit(3), "rule_id": "tank-well"}
    return {
        "variance_no_distance": Step(
            "variances", "", "a variance without a distance",
            with_rows("variances", {**unread, "granted": "2015-05-05"})),
        "variance_unread": Step(
            "variances", "", "a variance whose distance is a word",
            with_rows("variances", {**unread, "distance_m": "see file", "granted": "2015-05-05"})),
        "variance_ahead": Step(
            "variances", "", "a variance granted in the future",
            with_rows("variances", {**unread, "distance_m": "2", "granted": FUTURE})),
        "variance_second": Step(
            "variances", "", "a second variance, of no distance",
            with_rows("variances", {**unread, "variance_id": "A9", "unit_id": _unit(17),
                                    "distance_m": "0", "granted": None})),
        "good_same_day": Step(
            "inspections", "", "a good visit on the day of each danger",
            with_rows("inspections", *visits), trace="never"),
        "good_before_row": Step(
            "inspections", "", "a good visit on the day of each danger, in earlier rows",
            with_rows("inspections", *[{**row, "inspection_id": f"Z{k}"}
                                       for k, row in enumerate(visits)], first=True),
            trace="never"),
        "doubtful_visit": Step(
            "inspections", "", "a later completed visit whose result is misspelt",
            with_rows("inspections", *doubtful), status=True),
        "later_visit_undated": Step(
            "inspections", "", "a good visit without a day",
            with_rows("inspections", *[{**row, "date": None} for row in visits])),
        "later_visit_ahead": Step(
            "inspections", "", "a good visit in the future",
            with_rows("inspections", *[{**row, "date": FUTURE} for row in visits])),
        "danger_partly": Step(
            "inspections", "outcome", "danger found by a visit that was partly made",
            with_cells("inspections", "I02", outcome="partly"), "I02", trace="never"),
        "permit_says_nothing": Step(
            "permits", "", "a later row of each permit that says nothing",
            with_rows("permits", *permits), trace="fell"),
        "permit_blank": Step(
            "permits", "", "a row of each permit without a day",
            with_rows("permits", *blank_permits), trace="fell"),
        "tape_tenfold": Step(
            "taped_distances", "", "a tape typed ten times too long",
            with_rows("taped_distances", {
                "taped_distance_id": "T8", "unit_id": _unit(3), "part": "tank",
                "feature": "wells", "feature_id": "W01", "distance_m": "120",
                "accuracy_m": "0.1", "date": "2024-01-01"})),
        "tape_without_feature": Step(
            "taped_distances", "", "a tape of thirty for three that names no feature",
            with_rows("taped_distances", {
                "taped_distance_id": "T8", "unit_id": _unit(18), "part": "tank",
                "feature": "parcels", "distance_m": "30", "accuracy_m": "0.1",
                "date": "2024-01-01"})),
        "zones_minimal_first": Step(
            "floodplain", "", "a minimal zone over all others, first row",
            with_rows("floodplain", _zone("F9", "X", minimal), first=True)),
        "zones_minimal_last": Step(
            "floodplain", "", "a minimal zone over all others, last row",
            with_rows("floodplain", _zone("F9", "X", minimal))),
        "zones_no_level": Step(
            "floodplain", "", "a zone without a level over all others, first row",
            with_rows("floodplain", _zone("F9", "AE"), first=True)),
        "zone_d": Step(
            "floodplain", "zone", "AE written as D", with_cells("floodplain", "F2", zone="D"), "F2",
            trace="fell"),
        "zone_compound": Step(
            "floodplain", "zone", "AE written as AEFW",
            with_cells("floodplain", "F2", zone="AEFW", sfha_stated=None), "F2", trace="fell"),
        "lots_overlap": Step(
            "parcels", "", "a second lot over others, first row",
            with_rows("parcels", {"parcel_id": "L99", "geometry": _box(0, 250, 800, 420)},
                      first=True)),
        "terrain_half": Step("terrain", "", "its eastern half gone", _cut_at(0, 420)),
        "terrain_west": Step("terrain", "", "its western half gone", _cut_at(410, 800)),
        "terrain_void_half": Step(
            "terrain", "", "its northern half without data",
            on_terrain(lambda z, u, v: np.where(v > 300, np.nan, z))),
        "terrain_edge": Step(
            "terrain", "", "its edge through a hollow", _cut_at(0, lid_of(26).x - X + 4)),
        "terrain_holes": Step("terrain", "", "holes at lids", on_terrain(_holes(lids))),
        "terrain_holes_outlets": Step(
            "terrain", "", "holes at outlets", on_terrain(_holes(outlets))),
        "terrain_hole_one": Step(
            "terrain", "", "a hole at one wet lid", on_terrain(_holes([lid_of(26)], 20.0))),
        "terrain_no_accuracy": Step(
            "terrain", "", "accuracy not stated",
            lambda p: p.with_section("layers.terrain", accuracy_m=None)),
        "terrain_no_unit": Step(
            "terrain", "", "unit of heights not stated",
            lambda p: p.with_section("layers.terrain", vertical_unit=None)),
        "terrain_no_datum": Step(
            "terrain", "", "vertical datum not stated",
            lambda p: p.with_section("layers.terrain", vertical_datum=None), trace="fell"),
        "cover_unknown": Step(
            "land_cover", "", "classes nobody knows",
            lambda p: p.with_raster("land_cover", p.rasters["land_cover"].with_values(
                np.full((22, 27), 7, np.uint8)))),
        "storm_smallest": Step(
            "storms", "", "only the smallest storm",
            lambda p: p.with_section("storms", depths_in={"2": 2.9})),
        "storms_not_given": Step(
            "storms", "", "not given", lambda p: p.without_section("storms")),
        "programme_kept": Step(
            "units", "kind", "every kind a word of the office's own",
            lambda p: on_cells(p, "units", "kind", range(48), lambda c: f"TYPE {c[:1]}"),
            status=True),
        "wells_at_sections": Step(
            "wells", "", "placed at the middle of their section", _at_section_center,
            trace="fell"),
        "units_east": Step(
            "units", "", "west longitudes without a minus sign", _without_sign,
            status=True, may_refuse=True),
    }  # fmt: skip


# hazards and samenesses ----------------------------------------------------------------------

ALL_UNITS = range(1, ACROSS * LOT_ROWS + 1)


def _wells_at(places: Iterable[tuple[str, Point]], use: str) -> Callable[[Place], Place]:
    rows = [
        {"well_id": name, "use": use, "depth_m": "20", "location_basis": "surveyed",
         "accuracy_m": "0.1", "geometry": at}
        for name, at in places
    ]  # fmt: skip
    return with_rows("wells", *rows)


def _beside(point: Point, east_m: float, north_m: float) -> Point:
    return Point(point.x + east_m, point.y + north_m)


def _keys(units: Iterable[int], rule: str, part: str) -> tuple[Key, ...]:
    return tuple((_unit(n), rule, part) for n in units)


# A water that is nearer ends the way over the ground, and leads the discharge elsewhere.
TURNED_BY_WATER = frozenset({"neighbours", "place", "score"})


def _hazard(
    layer: str, what: str, apply: Callable[[Place], Place], raised: tuple[Key, ...] = ()
) -> Change:
    spared = TURNED_BY_WATER if layer in ("streams", "water_bodies", "drains") else frozenset()
    steps = (Step(layer, "", what, apply, trace="never"),)
    return Change("hazard", steps, raised, spared)


def hazards() -> list[Change]:
    """Everything bad that may be added to the county."""
    rng = np.random.default_rng(3)
    scattered = [(f"X{k:02d}", Point(X + rng.uniform(100, 700), Y + rng.uniform(100, 550)))
                 for k in range(30)]  # fmt: skip
    at_lids = [(f"X{n:02d}", _beside(lid_of(n), 4, 3)) for n in ALL_UNITS]
    at_outlets = [(f"X{n:02d}", _beside(outlet_of(n), 4, 3)) for n in ALL_UNITS]
    # units judged by the table in force that have an outlet
    some = (1, 3, 6, 9, 13, 17, 21, 42)
    tank, outlet = _keys(some, "tank-well", "tank"), _keys(some, "outlet-well", "discharge_point")
    found = [
        {"inspection_id": f"X{k}", "unit_id": _unit(n), "date": day, "outcome": "completed",
         "result": "danger"}
        for k, (n, day) in enumerate(_last_days().items())
    ]  # fmt: skip
    warnings = [
        {"complaint_id": f"X{n}", "unit_id": _unit(n), "date": "2026-03-15"} for n in ALL_UNITS
    ]
    second = {"unit_id": _unit(26), "outlet_kind": "ground", "location_basis": "gps",
              "accuracy_m": "0.5", "geometry": _beside(lid_of(27), -22, 0)}  # fmt: skip
    second_out = _keys((26,), "outlet-well", "discharge_point")
    run = LineString([(X + 20, Y + 258), (X + 780, Y + 258)])
    outline = {"stream_id": "S9", "permanence": "perennial", "stream_kind": "stream",
               "geometry": _box(0, 330, 800, 410)}  # fmt: skip
    row_3 = (26, 27, 29, 32)
    deep = {**_zone("F9", "AE"), "base_flood_elevation_m": "230", "sfha_stated": "T"}
    return [
        *(_hazard("wells", f"a well beside the lid of {_unit(n)}",
                  _wells_at([("X01", _beside(lid_of(n), 4, 3))], "private"),
                  _keys([n], "tank-well", "tank")) for n in (1, 13, 42)),
        _hazard("wells", "a well beside each lid", _wells_at(at_lids, "private"), tank),
        _hazard("wells", "a well of unknown use beside each lid", _wells_at(at_lids, "unknown"),
                (*tank, *_keys(some, "tank-public-well", "tank"))),
        _hazard("wells", "a public well beside each lid", _wells_at(at_lids, "public"),
                _keys(some, "tank-public-well", "tank")),
        _hazard("wells", "a well beside each outlet", _wells_at(at_outlets, "private"), outlet),
        _hazard("wells", "a well whose id is used beside each lid",
                _wells_at([("W05", at) for _, at in at_lids], "private"), tank),
        _hazard("wells", "a well without an id beside each lid",
                _wells_at([(None, at) for _, at in at_lids], "private"), tank),
        _hazard("wells", "thirty more wells", _wells_at(scattered, "private")),
        _hazard("streams", "a stream between lots", with_rows("streams", {
            "stream_id": "S9", "permanence": "perennial", "stream_kind": "stream",
            "geometry": run})),
        _hazard("streams", "a stream of unknown permanence beside lids", with_rows("streams", {
            "stream_id": "S9", "permanence": None, "stream_kind": "stream",
            "geometry": LineString([(X + 20, lid_of(17).y + 5), (X + 480, lid_of(17).y + 5)])}),
            _keys((17, 18, 21), "tank-stream", "tank")),
        _hazard("streams", "a stream drawn as an outline around lids",
                with_rows("streams", outline), _keys(row_3, "tank-stream", "tank")),
        _hazard("water_bodies", "a lake between lots", with_rows("water_bodies", {
            "water_body_id": "B9", "permanence": "perennial", "water_body_kind": "lake_pond",
            "geometry": _box(320, 262, 330, 272)})),
        _hazard("drains", "a tile without a kind beside outlets", with_rows("drains", *[
            {"drain_id": f"X{n}", "drain_kind": None, "geometry": LineString(
                [_beside(outlet_of(n), 2, -1), _beside(outlet_of(n), 2, 1)])}
            for n in (1, 9, 17)]), _keys((1, 9, 17), "outlet-tile", "discharge_point")),
        _hazard("protected_places", "a bathing place nearer", with_rows("protected_places", {
            "place_id": "Q9", "place_kind": "bathing", "geometry": _beside(lid_of(17), 10, 10)}),
            _keys((17,), "tank-bathing", "tank")),
        _hazard("protected_places", "a bathing place down the water",
                with_rows("protected_places", {"place_id": "Q9", "place_kind": "bathing",
                                               "geometry": Point(X + 500, Y + STREAM_V)})),
        _hazard("floodplain", "the flood zone made larger", _larger_zone),
        _hazard("floodplain", "a deep flood over all lots", with_rows("floodplain", deep)),
        _hazard("floodplain", "a deep flood over all lots, first row",
                with_rows("floodplain", deep, first=True)),
        _hazard("inspections", "a danger found on the day of each last visit",
                with_rows("inspections", *found)),
        _hazard("inspections", "a danger found by a visit that was partly made",
                with_rows("inspections", *[{**row, "outcome": "partly"} for row in found])),
        _hazard("complaints", "a complaint of each unit", with_rows("complaints", *warnings)),
        _hazard("complaints", "a complaint without a day", with_rows("complaints", *[
            {**row, "date": None} for row in warnings])),
        _hazard("discharge_points", "a second outlet nearer the well, later id",
                with_rows("discharge_points", {**second, "discharge_point_id": "D99"}), second_out),
        _hazard("discharge_points", "a second outlet nearer the well, earlier id",
                with_rows("discharge_points", {**second, "discharge_point_id": "D00"}), second_out),
    ]  # fmt: skip


def _last_days() -> dict[int, str]:
    """The day of the last completed visit of each unit that has one."""
    done = [(n, day) for _, n, day, outcome, *_ in _INSPECTIONS if outcome == "completed"]
    return {n: max(day for m, day in done if m == n) for n, _ in done}


def _larger_zone(place: Place) -> Place:
    zones = place.tables["floodplain"]
    shapes = [
        shape.buffer(40) if name == "F2" else shape
        for name, shape in zip(zones["floodplain_id"], zones.geometry, strict=True)
    ]
    return place.with_table("floodplain", zones.set_geometry(shapes, crs=SYSTEM))


def _same(layer: str, what: str, apply: Callable[[Place], Place]) -> Change:
    return Change("sameness", (Step(layer, "", what, apply, trace="never"),))


def samenesses(base: Place) -> list[Change]:
    """The same county said in other ways."""
    points = [n for n in base.tables if SCHEMAS[n].shape == "point"]
    shapes = [n for n in base.tables if SCHEMAS[n].shape in ("line", "polygon")]
    tables = [n for n in base.tables if SCHEMAS[n].shape == "table"]
    changes = [
        _same("points", f"as {ending}", partial(_in_files, points, ending))
        for ending in ("gpkg", "geojson", "fgb", "xlsx")
    ]
    changes += [
        _same("lines and areas", f"as {ending}", partial(_in_files, shapes, ending))
        for ending in ("geojson", "fgb")
    ]
    changes += [
        _same("tables", "as xlsx", partial(_in_files, tables, "xlsx")),
        _same("points", "by longitude and latitude", partial(_in_system, points, 4326)),
        _same("lines and areas", "by longitude and latitude", partial(_in_system, shapes, 4326)),
        _same("points", "in the next zone", partial(_in_system, points, 32615)),
        _same("all layers", "rows turned about", partial(_in_order, tuple(base.tables), None)),
        _same("all layers", "columns shuffled", _columns_shuffled),
        _same("all layers", "headings in capitals", _in_capitals),
        _same("all layers", "lengths in feet", _in_feet),
        _same("terrain", "heights in feet", _terrain_in_feet),
        _same("all layers", "rows doubled", partial(_rows_doubled, tuple(base.tables))),
    ]
    for k, name in enumerate(base.tables):
        changes.append(_same(name, "rows shuffled", partial(_in_order, (name,), k)))
        changes.append(_same(name, "rows doubled", partial(_rows_doubled, (name,))))
    return changes


def _in_files(names: Iterable[str], ending: str, place: Place) -> Place:
    return replace(place, files={**place.files, **{n: f"{n}.{ending}" for n in names}},
                   sections={**place.sections, **{
                       f"layers.{n}": {**place.sections[f"layers.{n}"], "path": f"{n}.{ending}",
                                       **_system_of(n, ending)} for n in names}})  # fmt: skip


def _system_of(name: str, ending: str) -> dict[str, str]:
    if SCHEMAS[name].shape != "point":
        return {}
    return {"crs": "EPSG:4326" if ending == "geojson" else "EPSG:32616"}


def _in_system(names: Iterable[str], code: int, place: Place) -> Place:
    for name in names:
        place = place.with_table(name, place.tables[name].to_crs(code))
        place = place.with_section(f"layers.{name}", crs=f"EPSG:{code}")
    return place


def _in_order(names: Iterable[str], seed: int | None, place: Place) -> Place:
    for name in names:
        table = place.tables[name]
        order = np.arange(len(table))[::-1]
        if seed is not None:
            order = np.random.default_rng(seed).permutation(len(table))
        place = place.with_table(name, table.iloc[order].reset_index(drop=True))
    return place


def _columns_shuffled(place: Place) -> Place:
    rng = np.random.default_rng(9)
    for name, table in place.tables.items():
        columns = [c for c in table.columns if c != "geometry"]
        order = [columns[k] for k in rng.permutation(len(columns))]
        place = place.with_table(name, table[[*order, *(["geometry"] * ("geometry" in table))]])
    return place


def _in_capitals(place: Place) -> Place:
    for name, table in place.tables.items():
        capitals = {c: c.upper() for c in table.columns if c != "geometry"}
        place = place.with_table(name, table.rename(columns=capitals))
    return place


def _in_feet(place: Place) -> Place:
    for name, table in place.tables.items():
        lengths = [c.name for c in SCHEMAS[name].columns if c.name.endswith("_m")]
        for theirs in [c for c in table.columns if c.lower() in lengths]:
            cells = [None if not c else repr(float(c) / FT_M) for c in table[theirs]]
            table = table.assign(**{theirs: pd.Series(cells, index=table.index, dtype=object)})
        if lengths:
            place = place.with_table(name, table)
            place = place.with_section(f"layers.{name}", measures=dict.fromkeys(lengths, "ft"))
    return place


def _terrain_in_feet(place: Place) -> Place:
    grid = place.rasters["terrain"]
    feet = grid.with_values((grid.values.astype(np.float64) / FT_M).astype(np.float32))
    return place.with_raster("terrain", feet).with_section("layers.terrain", vertical_unit="ft")


def _rows_doubled(names: Iterable[str], place: Place) -> Place:
    for name in names:
        table = place.tables[name]
        twice = table.iloc[np.repeat(np.arange(len(table)), 2)].reset_index(drop=True)
        place = place.with_table(name, twice)
    return place


def blurs(base: Place) -> list[Change]:
    """Every blur: of each column of the schemas, each layer, each place, and single faults."""
    changes = []
    for layer, schema in SCHEMAS.items():
        for column in schema.columns:
            changes += [blur(step) for step in column_steps(base, layer, column)]
        changes += [blur(step) for step in layer_steps(layer)]
        if schema.shape in ("point", "line", "polygon"):
            changes += [blur(step) for step in place_steps(base, layer)]
            changes.append(blur(coarser(layer), only=COARSE))
    coarse = [coarser(name) for name in ("units", "discharge_points", "wells")]
    changes.append(blur(*coarse, only=COARSE))
    return [*changes, *faults().values()]


def faults() -> dict[str, Change]:
    """Single faults that no blur of one column makes, by a short name."""
    only = {"wells_at_sections": COARSE, "units_east": ("status", "trace")}
    # a visit that was made answers what any visit answers, whatever it found
    spared = dict.fromkeys(("good_same_day", "good_before_row", "doubtful_visit"), ANSWERED)
    return {
        name: blur(step, only=only.get(name, ()), spared=spared.get(name, ()))
        for name, step in _fault_steps().items()
    }


ANSWERED = ("interval", "service", "sampling", "permit", "complaint")
# chances under coarse positions are judged by calibration, and with them the ratings they make
COARSE = ("verdict", "verdict gone", "obligation", "danger", "refused")


def all_changes(base: Place) -> list[Change]:
    """Every single change there is."""
    return [*blurs(base), *hazards(), *samenesses(base)]


# ------------------------------------------------------------------------------------ relations


@dataclass(frozen=True)
class Broken:
    """A relation that did not hold: of which unit, of what, how it was and how it became."""

    relation: str
    unit: str
    what: str
    before: str
    after: str

    def __str__(self) -> str:
        about = f"{self.unit} {self.what}".strip()
        return f"{self.relation}: {about}: {self.before} -> {self.after}"


def verdicts_cleared(before: Seen, after: Seen) -> Iterator[Broken]:
    """No verdict that was open is now fine."""
    for key, was in before.verdicts.items():
        now = after.verdicts.get(key)
        if was not in FINE and now in FINE:
            yield Broken("verdict", key[0], f"{key[1]} ({key[2]})", was, str(now))


def verdicts_accused(before: Seen, after: Seen) -> Iterator[Broken]:
    """What is known no longer proves nobody's setback short: nothing fine has become short."""
    for key, was in before.verdicts.items():
        now = after.verdicts.get(key)
        if was in FINE and now == "short":
            yield Broken("accused", key[0], f"{key[1]} ({key[2]})", was, now)


def verdicts_gone(before: Seen, after: Seen) -> Iterator[Broken]:
    """No verdict vanishes."""
    for key, was in before.verdicts.items():
        if key not in after.verdicts and was != "no_rule":
            yield Broken("verdict gone", key[0], f"{key[1]} ({key[2]})", was, "no row")


def ratings_below_unknown(before: Seen, after: Seen) -> Iterator[Broken]:
    """No rating that stood at its part's own ``unknown`` or above falls below it."""
    for (unit, part), was in before.ratings.items():
        floor, now = before.unknown[part], after.ratings.get((unit, part))
        if now is None:
            yield Broken("rating", unit, part, f"{was:.2f}", "no unit")
        elif was >= floor - LEEWAY and now < floor - LEEWAY:
            yield Broken("rating", unit, f"{part} (unknown {floor:g})", f"{was:.2f}", f"{now:.2f}")


def obligations_lost(
    before: Seen, after: Seen, *, lost: Iterable[str] = ()
) -> Iterator[Broken]:  # fmt: skip
    """No obligation vanishes or is due later; what is due by the day itself is due now.

    What was found, or at which unit, may have become the thing to be found: then it is listed.

    One whose unit nobody can tell any more is kept where the row that began it still owes it, or
    where a permit that asks for the same is listed anew, each for one. ``lost`` are tables that are
    gone: what they alone began may go with them.
    """
    had = set(before.owed)
    of_permits = Counter(
        o.obligation
        for o in after.owed
        if o.lacks == "unit" and o.layer == "permits" and o not in had
    )
    for was in before.owed:
        if was.layer in lost:
            continue
        now = [
            o.due
            for o in after.owed
            if o.obligation == was.obligation
            and (o.unit == was.unit or (o.layer, o.row) == (was.layer, was.row))
        ]
        at_once = was.danger or was.obligation == "complaint"
        open_now = [o for o in after.owed if o.lacks in ("result", "unit")]
        if any((o.layer, o.row) == (was.layer, was.row) for o in open_now):
            continue
        by = max(was.due, AS_OF) if was.due is not None else None
        if any((day is None and not at_once) or by is None or (day and day <= by) for day in now):
            continue
        if not was.danger and of_permits[was.obligation]:
            of_permits[was.obligation] -= 1
            continue
        days = [day for day in now if day is not None]
        became = "no row" if not now else f"due {min(days)}" if days else "no day"
        yield Broken("obligation", was.unit, was.obligation, f"due {was.due}", became)


def dangers_closed(before: Seen, after: Seen, *, lost: Iterable[str] = ()) -> Iterator[Broken]:
    """No danger that was open is closed, unless its row still asks for a visit."""
    kept = {(o.layer, o.row) for o in after.owed if o.danger or o.lacks in ("result", "unit")}
    for unit in sorted(before.dangers - after.dangers):
        rows = {(o.layer, o.row) for o in before.owed if o.danger and o.unit == unit}
        if not (rows and rows <= kept) and "inspections" not in lost:
            yield Broken("danger", unit, "danger_open", "True", "False")


def states_dried(before: Seen, after: Seen) -> Iterator[Broken]:
    """Nothing becomes dry."""
    for (unit, name), was in before.states.items():
        now = after.states.get((unit, name))
        if was != DRY[name] and now == DRY[name]:
            yield Broken("dry", unit, name, was, now)
    for (unit, name), now in after.states.items():
        if now == DRY[name] and (unit, name) not in before.states and unit in before.ranks:
            yield Broken("dry", unit, name, "not told", now)


def wet_by_flood(seen: Seen) -> Iterator[Broken]:
    """No lid over whose ground the base flood stands is dry in all."""
    for unit, depth_m in seen.floods_m.items():
        if seen.states.get((unit, "lid_wet_state")) == "dry_in_all":
            yield Broken("flood", unit, "lid_wet_state", f"{depth_m:.2f} m of flood", "dry_in_all")


def near_far_intake(seen: Seen) -> Iterator[Broken]:
    """No lid plainly nearer to the intake than its rule asks passes it."""
    for n in ALL_UNITS:
        key = _unit(n), "tank-intake", "tank"
        away_m = lid_of(n).distance(FAR_INTAKE)
        if away_m < 1_350 and seen.verdicts[key] in ("clear", "none_on_record"):
            yield Broken("reach", key[0], key[1], f"{away_m:.0f} m of 1,524 m", seen.verdicts[key])


def fell(before: Seen, after: Seen) -> bool:
    """Whether anything in the result became less grave; a verdict left open speaks for itself."""
    return any(b.after not in ("uncertain", "not_known") for b in falls(before, after))


def falls(before: Seen, after: Seen) -> Iterator[Broken]:
    """Everything that became less grave: verdicts, ratings, scores, obligations, water."""
    for key, was in before.verdicts.items():
        now = after.verdicts.get(key)
        if now is None or SEVERITY[now] < SEVERITY[was]:
            yield Broken("falls", key[0], f"{key[1]} ({key[2]})", was, now or "no row")
    for (unit, part), rating in before.ratings.items():
        became = after.ratings.get((unit, part), -1.0)
        if became < rating - 1e-6:
            yield Broken("falls", unit, part, f"{rating:.3f}", f"{became:.3f}")
    for unit, score in before.scores.items():
        if after.scores.get(unit, -1.0) < score - 1e-6:
            yield Broken(
                "falls", unit, "score", f"{score:.3f}", f"{after.scores.get(unit, -1):.3f}"
            )
    yield from obligations_lost(before, after)
    yield from dangers_closed(before, after)
    for (unit, name), was in before.states.items():
        now = after.states.get((unit, name))
        if WETNESS.get(now or "", 1) < WETNESS.get(was, 1):
            yield Broken("falls", unit, name, was, str(now))


def not_raised(before: Seen, after: Seen, raised: Sequence[Key]) -> Iterator[Broken]:
    """Each verdict a hazard bears on is open, of units for which its rule is in force."""
    asked = [key for key in raised if before.verdicts[key] != "no_rule"]
    assert asked or not raised, "the rule is in force for none of the units"
    for key in asked:
        now = after.verdicts.get(key, "no row")
        if now in (*FINE, "no row"):
            yield Broken("raised", key[0], f"{key[1]} ({key[2]})", "a hazard within it", now)


def differences(before: Seen, after: Seen) -> Iterator[Broken]:
    """Everything that is not the same: verdicts, ranks, what is owed, water."""
    for relation in ("verdicts", "ranks", "states"):
        was, now = getattr(before, relation), getattr(after, relation)
        for key in sorted({*was, *now}):
            if was.get(key) != now.get(key):
                unit, what = (
                    (key[0], " ".join(key[1:])) if isinstance(key, tuple) else (key, "rank")
                )
                yield Broken("differs", unit, what, str(was.get(key)), str(now.get(key)))
    was_owed, now_owed = (
        Counter((o.unit, o.obligation, o.due, o.danger) for o in seen.owed)
        for seen in (before, after)
    )
    for owed in sorted(was_owed - now_owed, key=str):
        yield Broken("differs", owed[0], f"{owed[1]} due {owed[2]}", "owed", "not so")
    for owed in sorted(now_owed - was_owed, key=str):
        yield Broken("differs", owed[0], f"{owed[1]} due {owed[2]}", "not so", "owed")
    for unit in sorted(before.dangers ^ after.dangers):
        was_open, now_open = unit in before.dangers, unit in after.dangers
        yield Broken("differs", unit, "danger_open", str(was_open), str(now_open))


def untraced(before: Seen, after: Seen, step: Step) -> Iterator[Broken]:
    """A changed thing is told of: by a problem of its layer, a unit's gap, a note, a visit owed."""
    is_shown = (
        any(layer == step.layer for layer, *_ in after.problems - before.problems)
        or after.gaps - before.gaps
        or after.notes - before.notes
        or any(o.layer == step.layer for o in set(after.owed) - set(before.owed))
    )
    if not is_shown:
        yield Broken("trace", "", step.name, "changed", "no gap, no problem, no note")


def in_force_unknown(
    before: Seen, after: Seen, without: Seen, steps: Sequence[Step]
) -> Iterator[Broken]:
    """A relaxation of which something that decides is not known has no effect.

    ``without`` is what is seen where its rows are not there at all.
    """
    for key, alone in without.verdicts.items():
        was, now = before.verdicts.get(key, alone), after.verdicts.get(key, alone)
        if SEVERITY[alone] > SEVERITY[was] and SEVERITY[now] < SEVERITY[alone]:
            yield Broken("relaxed", key[0], f"{key[1]} ({key[2]})", alone, now)
    # a visit whose result alone is not known was made: it answers all but what was found
    asked = ("reinspection",) if any(s.column == "result" for s in steps) else None
    had = {(o.unit, o.obligation) for o in before.owed}
    owed = replace(without, owed=tuple(
        o for o in without.owed
        if (o.unit, o.obligation) not in had and (asked is None or o.obligation in asked)
    ))  # fmt: skip
    for broken in obligations_lost(owed, after):
        yield replace(broken, relation="relaxed")


# ------------------------------------------------------------------------------------- campaign


class Campaign:
    """Assesses a place as it is and as changed, and tells what did not hold."""

    def __init__(self, base: Place, folder: Path) -> None:
        self.base, self.folder = base, folder
        self.made = 0
        county = read_county(base.write(folder / "base"))
        self.parts = county.priorities.parts
        self.result = assess(county)
        status = check_status(folder / "base" / "county.toml")
        self.before = replace(look(self.result, self.parts), status=status)
        self._kept: dict[str, Seen] = {}

    def seen(self, place: Place, *, check: bool = False) -> Seen:
        """What an assessment of a place says; what was refused, and what broke, is told."""
        self.made += 1
        folder = self.folder / f"place_{self.made}"
        try:
            path = place.write(folder, self.base, self.folder / "base")
            status = check_status(path) if check else None
            try:
                seen = look(assess(read_county(path)), self.parts, self.before)
            except RillmarkError as error:
                seen = Seen(refused=f"refused: {error}")
            except Exception as error:  # a crash is an answer too
                seen = Seen(refused=f"crash: {type(error).__name__}: {error}")
            return replace(seen, status=status)
        finally:
            shutil.rmtree(folder, ignore_errors=True)

    def kept(self, name: str, place: Callable[[], Place]) -> Seen:
        """What is seen of a place that several changes are held against."""
        if name not in self._kept:
            self._kept[name] = self.seen(place())
        return self._kept[name]

    def broken(self, change: Change) -> list[Broken]:
        """Every relation that a change broke."""
        place, before = self.base, self.before
        for step in change.steps:
            place = step.apply(place)
        after = self.seen(place, check=any(step.status for step in change.steps))
        if after.refused:
            is_meant = after.refused.startswith("refused") and any(
                step.may_refuse for step in change.steps
            )
            return [] if is_meant else [Broken("refused", "", "county", "assessed", after.refused)]
        if change.kind == "hazard":
            found = [*falls(before, after), *not_raised(before, after, change.raised)]
            return [b for b in found if b.what not in change.spared]
        if change.kind == "sameness":
            return list(differences(before, after))
        found = [*held_after_blur(before, after, change.steps)]
        found += self._relaxed(after, change.steps)
        if change.only:
            found = [b for b in found if b.relation in change.only]
        found = [b for b in found if not is_exempt(b, change.steps)]
        return [b for b in found if b.what not in change.spared]

    def _relaxed(self, after: Seen, steps: Sequence[Step]) -> Iterator[Broken]:
        """What rows that relax do though something that decides is not known.

        Judged where nothing else was changed: against the county without those rows.
        """
        if not all(s.rows and s.column in RELAXES.get(s.layer, ()) for s in steps):
            return
        without = self.kept(
            " + ".join(sorted(f"{s.layer} {s.rows}" for s in steps)),
            lambda: without_rows(self.base, steps),
        )
        yield from in_force_unknown(self.before, after, without, steps)


def without_rows(place: Place, steps: Iterable[Step]) -> Place:
    """The place without the rows that steps change."""
    for step in steps:
        table = place.tables[step.layer]
        kept = table[SCHEMAS[step.layer].id] != step.rows
        kept &= step.rows != ALL_ROWS
        place = place.with_table(step.layer, table[kept].reset_index(drop=True))
    return place


def held_after_blur(before: Seen, after: Seen, steps: Sequence[Step]) -> Iterator[Broken]:
    """What must hold after blurs, whichever they were."""
    lost = {step.layer for step in steps if step.loses}
    yield from verdicts_cleared(before, after)
    yield from verdicts_gone(before, after)
    if all(step.column and step.layer not in GRANTS for step in steps):
        yield from verdicts_accused(before, after)
    yield from ratings_below_unknown(before, after)
    yield from obligations_lost(before, after, lost=lost)
    yield from dangers_closed(before, after, lost=lost)
    yield from states_dried(before, after)
    for step in steps:
        if step.trace == "always" or (step.trace == "fell" and fell(before, after)):
            yield from untraced(before, after, step)
    if any(step.status for step in steps) and after.status == 0:
        name = next(step.name for step in steps if step.status)
        yield Broken("status", "", f"of check, {name}", "1 wanted", "0")


def check_status(path: Path) -> int:
    """The exit status of ``rillmark check``."""
    return CliRunner().invoke(rillmark, ["check", str(path)]).exit_code


def together(*changes: Change) -> Change:
    """Changes of one kind made at once, judged by what is judged of each of them."""
    only = {relation for change in changes for relation in change.only}
    if not all(change.only for change in changes):
        only = set()
    return Change(
        changes[0].kind,
        tuple(step for change in changes for step in change.steps),
        raised=tuple(key for change in changes for key in change.raised),
        spared=frozenset().union(*(change.spared for change in changes)),
        only=frozenset(only),
    )


def a_blur_per_column(base: Place, turn: int, turns: int) -> Change:
    """A blur of one row in every ``turns``-th column; the turns together try each column once."""
    steps = []
    for k, layer in enumerate(base.tables):
        for j, column in enumerate(SCHEMAS[layer].columns):
            if (k + j) % turns == turn:
                of_one = [s for s in column_steps(base, layer, column) if s.rows in rows_of(layer)]
                steps.append(of_one[(7 * k + 3 * j) % len(of_one)])
    return blur(*steps)


def in_company(changes: Sequence[Change]) -> list[list[Change]]:
    """Blurs of different layers to be made at once, so that all are tried in little time.

    One may hide what another would show: whether each holds alone, the long part tells.
    """
    companies: list[list[Change]] = []
    for change in changes:
        layers = {step.layer for step in change.steps}
        if change.kind != "blur" or change.only or any(s.may_refuse for s in change.steps):
            companies.append([change])
            continue
        for company in companies:
            if len(company) < _MOST and not any(
                c.kind != "blur"
                or c.only
                or any(s.may_refuse or s.layer in layers for s in c.steps)
                for c in company
            ):
                company.append(change)
                break
        else:
            companies.append([change])
    return companies


def at_random(base: Place, count: int, seed: int) -> Iterator[Change]:
    """Blurs of cells of rows drawn by lot, from the schemas."""
    rng = np.random.default_rng([seed, 1])
    columns = [(n, c) for n in base.tables for c in SCHEMAS[n].columns]
    made = 0
    while made < count:
        layer, column = columns[rng.integers(len(columns))]
        table = base.tables[layer]
        rows = rng.permutation(len(table))[: rng.integers(1, 4)].tolist()
        kinds = list(cell_blurs(column))
        what, change = kinds[rng.integers(len(kinds))]
        if all(
            change(table[column.name].iloc[row]) == table[column.name].iloc[row] for row in rows
        ):
            continue
        made += 1
        ids = table[SCHEMAS[layer].id]
        yield blur(
            Step(
                layer, column.name, what,
                partial(_cells, layer, column.name, tuple(rows), change),
                f"rows {', '.join(ids.iloc[row] for row in sorted(rows))}",
                trace="never" if column.name in SHOWS_NOTHING | SHOWN_ELSEWHERE else "fell",
            )
        )  # fmt: skip


def in_pairs(base: Place, count: int, seed: int) -> Iterator[Change]:
    """Two blurs at once, drawn by lot from all there are."""
    rng = np.random.default_rng([seed, 2])
    single = [change for change in blurs(base) if not change.only]
    for _ in range(count):
        one, other = (single[k] for k in rng.choice(len(single), 2, replace=False))
        yield together(one, other)


def shown(change: Change, broken: Sequence[Broken]) -> list[str]:
    """A line for each relation that a change broke, with the first of its units."""
    lines = []
    for relation in dict.fromkeys(b.relation for b in broken):
        found = [b for b in broken if b.relation == relation]
        more = f" (and {len(found) - 1} more)" if len(found) > 1 else ""
        lines.append(f"{change.kind} | {change.name} | {found[0]}{more}")
    return lines


def main(words: Sequence[str] | None = None) -> int:
    """Try changes, print what broke."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--all", action="store_true", help="every single change")
    parser.add_argument("--company", action="store_true", help="many at once; alone what broke")
    parser.add_argument("--random", type=int, default=0, metavar="N", help="blurs of rows by lot")
    parser.add_argument("--pairs", type=int, default=0, metavar="N", help="pairs of blurs by lot")
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--only", default="", help="changes whose name holds this")
    parser.add_argument("--part", default="1/1", metavar="K/N", help="every N-th change, the K-th")
    parser.add_argument("--json", type=Path, metavar="FILE")
    asked = parser.parse_args(words)
    base = sedgewater()
    changes = all_changes(base) if asked.all else []
    changes += [
        *at_random(base, asked.random, asked.seed),
        *in_pairs(base, asked.pairs, asked.seed),
    ]
    part, parts = (int(n) for n in asked.part.split("/"))
    changes = [c for c in changes if asked.only in f"{c.kind} {c.name}"][part - 1 :: parts]
    records, lines = [], []
    begun = time.monotonic()
    with tempfile.TemporaryDirectory() as folder:
        campaign = Campaign(base, Path(folder))
        as_it_is = [*wet_by_flood(campaign.before), *near_far_intake(campaign.before)]
        lines += [f"as it is | unchanged | {b}" for b in as_it_is]
        if asked.company:
            groups = in_company(changes)
            broke = [g for g in groups if campaign.broken(together(*g))]
            print(f"{len(changes)} changes in {len(groups)} companies, {len(broke)} broke")
            changes = [change for group in broke for change in group]
        for k, change in enumerate(changes, 1):
            broken = campaign.broken(change)
            more = shown(change, broken)
            lines += more
            records.append({"change": change.name, "kind": change.kind,
                            "broken": [vars(b) for b in broken]})  # fmt: skip
            if sys.stderr.isatty() or k % 50 == 0:
                print(f"{k} of {len(changes)}, {time.monotonic() - begun:.0f} s", file=sys.stderr)
    print(*lines, sep="\n")
    print(summary(records))
    if asked.json:
        asked.json.write_text(json.dumps(records, indent=1) + "\n", "utf-8")
    return 1 if any(r["broken"] for r in records) else 0


def summary(records: Sequence[Mapping[str, Any]]) -> str:
    """How many changes were tried and how many broke a relation, by kind and by relation."""
    count = Counter(r["kind"] for r in records)
    broke = Counter(r["kind"] for r in records if r["broken"])
    by_relation = Counter(rel for r in records for rel in {b["relation"] for b in r["broken"]})
    lines = [f"{len(records)} changes tried, {sum(broke.values())} broke a relation"]
    lines += [f"  {kind}: {count[kind]} tried, {broke[kind]} broke" for kind in sorted(count)]
    lines += [f"  {name}: {n} changes" for name, n in by_relation.most_common()]
    return "\n".join(lines)


if __name__ == "__main__":
    sys.exit(main())
