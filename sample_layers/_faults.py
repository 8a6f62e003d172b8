"""The faults that are planted in Larkmoor County's files, each with the code that must be found.

About one row in thirty, as in real lists. Rows that cannot be used are extra rows, or rows of
units that nothing else names, so that one planted fault does not breed others.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from typing import Any

import numpy as np
import shapely
from _built import COUNTY_LOW
from shapely.geometry import LineString, Polygon

Row = dict[str, Any]
Tables = dict[str, list[Row]]


def _mark(row: Row, code: str, why: str) -> None:
    row["_faults"].append((code, why))


class Picker:
    """Hands out rows that carry no fault yet, in a fixed spread over the table."""

    def __init__(self, rng: np.random.Generator, rows: list[Row]) -> None:
        self._rows = [rows[k] for k in rng.permutation(len(rows))]

    def __call__(self, fit: Callable[[Row], bool] = lambda _: True) -> Row:
        for k, row in enumerate(self._rows):
            if not row["_faults"] and not row.get("_keep") and fit(row):
                return self._rows.pop(k)
        raise LookupError("no row is left for this fault")


def seen_first(tables: Tables) -> set[str]:
    """Units whose records ask for an early visit; no oddity is planted where the list begins."""
    found = {r["unit_id"] for r in tables["inspections"] if r["result"] in ("repair", "danger")}
    found |= {r["unit_id"] for r in tables["complaints"] if not r["closed"]}
    yearly = ("shared_collector", "holding_tank")
    return found | {r["unit_id"] for r in tables["units"] if r["kind"] in yearly}


def spoil_units(rng: np.random.Generator, tables: Tables, beyond: list[Row]) -> None:
    """Faults of the unit list."""
    rows = tables["units"]
    named = {r["unit_id"] for name in ("inspections", "complaints", "permits", "discharge_points")
             for r in tables[name]}  # fmt: skip
    for row in rows:
        row["_keep"] = bool(row["_unit"].setting) or row["_unit"].collector >= 0
    pick, busy = Picker(rng, rows), seen_first(tables)

    def lone(r: Row) -> bool:
        return r["unit_id"] not in named and r["kind"] != "surface_discharge"

    for _ in range(3):
        row = pick(lambda r: r["location_basis"] == "gps" and r["kind"] == "surface_discharge")
        row["_swap"] = True
        _mark(row, "coordinates_swapped", "longitude and latitude are in each other's column")
    for _ in range(2):
        row = pick(lone)
        row["_lonlat"], row["parcel_id"] = (0, 0), None
        _mark(row, "coordinates_zero", "both coordinates are 0 and no parcel is given")
    for _ in range(2):
        row = pick(lone)
        row["_lonlat"], row["parcel_id"] = (None, None), None
        _mark(row, "coordinates_missing", "no coordinates and no parcel")
    for _ in range(2):
        row = pick(lambda r: r["kind"] == "soil_absorption")
        row["_lonlat"], row["location_basis"] = (None, None), "parcel"
        _mark(row, "placed_at_parcel", "no coordinates, but the parcel is known")
    for k in range(2):
        row = pick(lone)
        row["_lonlat"], row["parcel_id"] = ((-88.5161, 28.5017), (-81.5158, 26.5044))[k], None
        _mark(row, "outside_county", "a digit was mistyped: hundreds of kilometers away")
    row = pick(lambda r: r["unit_id"].startswith("1") and r["status"] == "active")
    row["_written_id"] = row["unit_id"] + ".0"
    _mark(row, "id_spreadsheet_number", "a spreadsheet turned the id into a number")

    def spoil(column: str, value: object, code: str, why: str) -> None:
        # a basis that is not understood must not cost the accuracy as well
        row = pick(
            lambda r: (
                r["unit_id"] not in busy
                and (column != "location_basis" or r["accuracy_m"] is not None)
            )
        )
        row[column] = value
        _mark(row, code, why)

    spoil("status", "??", "code_unknown", "the status is not a code of the list")
    spoil("status", "B", "code_unknown", "the status is not a code of the list")
    spoil("kind", "CAVE", "code_unknown", "the system is not a code of the list")
    spoil("location_basis", "GUESS", "code_unknown", "the source is not a code of the list")
    spoil("riser_height_m", "six", "number_unreadable", "a height in words")
    spoil("bedrooms", "3-4", "number_unreadable", "two numbers in one cell")
    spoil("riser_height_m", 240, "number_impossible", "a riser of 240 inches")
    spoil("bedrooms", -3, "number_impossible", "a negative count")
    spoil("accuracy_m", -7, "number_impossible", "a negative accuracy")
    spoil("installed", "before the flood", "date_unreadable", "not a date")
    spoil("installed", "??", "date_unreadable", "not a date")
    spoil("installed", dt.date(2062, 5, 1), "date_in_future", "the century was mistyped")

    for k in range(2):  # extra rows
        twin = dict(pick(lambda r: r["kind"] == "soil_absorption"), _faults=[], _keep=True)
        twin["xy"] = twin["xy"] + [14.0, 9.0]
        twin["_written_id"] = (None, " ")[k]
        _mark(twin, "id_missing", "the id cell is blank")
        rows.insert(57 + 160 * k, twin)
    for _ in range(2):
        twin = dict(pick(lambda r: r["unit_id"] not in busy), _faults=[], _keep=True)
        twin["installed"], twin["xy"] = dt.date(2019, 6, 3), twin["xy"] + [3.0, -2.0]
        _mark(twin, "id_duplicate", "the same id is further up with another date")
        _mark(twin, "discharge_point_missing", "discharge points name the id further up")
        rows.append(twin)
    spoil("installed", "31/02/1998", "date_unreadable", "there is no 31 February")
    for row in beyond:
        _mark(row, "terrain_off", "the house is beyond the edge of the terrain")
        rows.append(row)


def spoil_outlets(
    rng: np.random.Generator,
    tables: Tables,
    *,
    uphill: list[tuple[Row, np.ndarray]],
    far: list[tuple[Row, np.ndarray]],
    lonely: list[np.ndarray],
    beyond: Row,
) -> None:
    """Faults of the discharge points."""
    rows = tables["discharge_points"]
    units = {r["unit_id"]: r for r in tables["units"] if not r["_faults"]}
    for row in rows:
        row["_keep"] = row["_unit"].collector >= 0 or bool(row["_unit"].setting)
        if row["_unit"].collector >= 0 and not row["_unit"].collector % 2:
            first = next(r for r in rows if r["_unit"].collector == row["_unit"].collector)
            if first is not row:
                _mark(
                    row,
                    "geometry_duplicate",
                    "units on one collector share this point",
                )
    pick, busy = Picker(rng, rows), seen_first(tables)

    def linked(r: Row) -> bool:
        return r["unit_id"] in units and r["unit_id"] not in busy

    row = pick(linked)
    row["_swap"] = True
    _mark(row, "coordinates_swapped", "latitude comes first")
    for _ in range(2):
        row = pick(linked)
        row["_z"] = 201.5
        _mark(row, "geometry_has_z", "the point carries a height")
    for _ in range(2):
        row = pick(lambda r: linked(r) and r["unit_id"].startswith("1"))
        row["unit_id"] += ".0"
        _mark(row, "id_spreadsheet_number", "a spreadsheet turned the unit's id into a number")
    for column, value, code, why in (
        ("outlet_kind", "waterfall", "code_unknown", "not a kind of discharge point"),
        ("invert_height_m", 99_999, "number_impossible", "higher than any mountain"),
        ("invert_height_m", "n/k", "number_unreadable", "not a number"),
        ("location_basis", "hearsay", "code_unknown", "not a way to find a place"),
    ):
        row = pick(
            lambda r, column=column: (
                linked(r) and (column != "location_basis" or r["accuracy_m"] is not None)
            )
        )
        row[column] = value
        _mark(row, code, why)
    for row, spot in uphill:
        row["xy"], row["invert_height_m"] = spot, None
        _mark(
            units[row["unit_id"]],
            "discharge_point_uphill",
            "its pipe ends above it, no pump",
        )

    def extra(code: str, why: str, **changes: object) -> Row:
        twin = dict(pick(linked), _faults=[], _keep=True)
        twin["xy"] = twin["xy"] + rng.uniform(4, 9, 2)
        twin |= {"discharge_point_id": f"DP-{len(rows) + 1:04d}", "accuracy_m": None, **changes}
        _mark(twin, code, why)
        rows.append(twin)
        return twin

    for row, spot in far:
        row["xy"], row["invert_height_m"] = spot, None
        _mark(units[row["unit_id"]], "pipe_too_long", "its discharge point on record is 600 m away")
    for code, why, name in (
        ("id_missing", "no id", None),
        ("id_duplicate", "the id is further up", rows[40]["discharge_point_id"]),
    ):
        twin = extra(code, why, discharge_point_id=name)
        _mark(units[twin["unit_id"]], "discharge_points_several", "its pipe end is listed twice")
    extra("coordinates_zero", "both coordinates are 0", _lonlat=(0.0, 0.0))
    extra("geometry_missing", "the geometry is null", _shape="null")
    extra("geometry_wrong_kind", "a line instead of a point", _shape="line")
    extra("outside_county", "a digit was mistyped", _lonlat=(-88.5029, 62.5102))
    for name in ("99871", "HOUSE 4"):
        extra("unit_unknown", "it names a unit that is not in the list", unit_id=name,
              xy=lonely.pop() if lonely else rows[0]["xy"])  # fmt: skip
    for spot in lonely:
        extra("discharge_point_without_unit", "it names no unit and none is near", unit_id=None,
              xy=spot)  # fmt: skip
    rows.append(beyond)
    beyond["discharge_point_id"] = f"DP-{len(rows):04d}"
    _mark(beyond, "terrain_off", "beyond the edge of the terrain")


def spoil_wells(rng: np.random.Generator, rows: list[Row]) -> None:
    """Faults of the well register."""
    pick = Picker(rng, rows)
    for _ in range(2):
        row = pick()
        row["_swap"] = True
        _mark(row, "coordinates_swapped", "longitude and latitude are in each other's column")
    for column, value, code, why in (
        ("_lonlat", (0, 0), "coordinates_zero", "both coordinates are 0"),
        ("_lonlat", (None, None), "coordinates_missing", "no coordinates"),
        ("_lonlat", (-78.5, 26.5), "outside_county", "a digit was mistyped"),
        ("use", "ARTESIAN", "code_unknown", "not a use of the list"),
        ("depth_m", "deep", "number_unreadable", "not a number"),
        ("depth_m", -40, "number_impossible", "a negative depth"),
        ("depth_m", 99_999, "number_impossible", "deeper than the crust is thick"),
    ):
        row = pick()
        row[column] = value
        _mark(row, code, why)
    twin = dict(pick(), _faults=[])
    twin["xy"] = twin["xy"] + [6.0, -5.0]
    _mark(twin, "id_duplicate", "the id is further up")
    rows.append(twin)
    twin = dict(pick(), _faults=[], well_id=None)
    twin["xy"] = twin["xy"] + [-5.0, 6.0]
    _mark(twin, "id_missing", "no id")
    rows.append(twin)


def spoil_records(rng: np.random.Generator, tables: Tables) -> None:
    """Faults of the visits, permits and complaints."""
    rows = tables["inspections"]
    units = {r["unit_id"] for r in tables["units"] if not r["_faults"]}
    pick = Picker(rng, rows)
    for name in ("00001", "10399", "next door", "77777"):
        row = pick()
        row["unit_id"] = name
        _mark(row, "unit_unknown", "it names a unit that is not in the list")
    for value in ("2024-13-05", "spring", "0000-00-00"):
        row = pick()
        row["date"] = value
        _mark(row, "date_unreadable", "not a date")
    for day in (dt.date(2205, 6, 3), dt.date(2027, 2, 11)):
        row = pick()
        row["date"] = day
        _mark(row, "date_in_future", "after the assessment date")
    for column, value in (("outcome", "dog"), ("result", "so-so"), ("outcome", "COMPLETE?")):
        row = pick(lambda r: r["result"] is not None)
        row[column] = value
        _mark(row, "code_unknown", "not a word of the list")
    for _ in range(2):
        row = pick(lambda r: r["unit_id"] in units and r["unit_id"].startswith("1"))
        row["unit_id"] += ".0"
        _mark(row, "id_spreadsheet_number", "a spreadsheet turned the unit's id into a number")
    for text in ("alarm\x07 rang", "flow\x0bsteady\x00"):
        row = pick(lambda r: r["note"])
        row["note"] = text.replace("\x00", "\x1f")
        _mark(row, "text_controls", "control characters in the note")
    row = dict(pick(), _faults=[], inspection_id=None)
    _mark(row, "id_missing", "no id")
    rows.insert(211, row)
    for _ in range(2):
        row = dict(pick(), _faults=[])
        _mark(row, "id_duplicate", "the id is further up")
        rows.append(row)

    pick = Picker(rng, tables["complaints"])
    row = pick()
    row["unit_id"] = "50505"
    _mark(row, "unit_unknown", "it names a unit that is not in the list")
    pick = Picker(rng, tables["permits"])
    row = pick()
    row["expires"] = "five years"
    _mark(row, "date_unreadable", "not a date")
    row = pick()
    row["unit_id"] = "20202"
    _mark(row, "unit_unknown", "it names a unit that is not in the list")


def spoil_shapes(rng: np.random.Generator, tables: Tables) -> None:
    """Faults of lines and areas."""
    parcels = tables["parcels"]
    pick = Picker(rng, [r for r in parcels if r["_farm"]])

    def extra(layer: str, row: Row, code: str, why: str, **changes: object) -> None:
        twin = {**row, "_faults": [], **changes}
        _mark(twin, code, why)
        tables[layer].append(twin)

    for _ in range(2):
        row = pick(lambda r: r["geometry"].minimum_rotated_rectangle.area > 9_000)
        corners = shapely.get_coordinates(row["geometry"].minimum_rotated_rectangle)[:4]
        row["geometry"] = Polygon(corners[[0, 2, 1, 3]])
        _mark(row, "geometry_invalid", "the outline crosses itself")
    for _ in range(2):
        row = pick()
        row["geometry"] = shapely.force_3d(row["geometry"], 210.0)
        _mark(row, "geometry_has_z", "the outline carries heights")
    model = parcels[3]
    extra("parcels", model, "geometry_missing", "no shape", geometry=None, parcel_id="09-999-001")
    extra("parcels", model, "geometry_empty", "an empty shape", geometry=Polygon(),
          parcel_id="09-999-002")  # fmt: skip
    extra("parcels", model, "geometry_wrong_kind", "a point among areas",
          geometry=model["geometry"].centroid, parcel_id="09-999-003")  # fmt: skip
    extra("parcels", parcels[8], "id_duplicate", "the id is further up",
          geometry=parcels[8]["geometry"].buffer(-8))  # fmt: skip
    extra("parcels", parcels[21], "id_missing", "no id", parcel_id=None,
          geometry=parcels[21]["geometry"].buffer(-9))  # fmt: skip

    streams = tables["streams"]
    pick = Picker(rng, [r for r in streams if r["permanence"] == "ephemeral"])
    row = pick()
    row["permanence"] = "sometimes"
    _mark(row, "code_unknown", "not a permanence of the list")
    row = pick()
    row["geometry"] = shapely.force_3d(row["geometry"], 199.0)
    _mark(row, "geometry_has_z", "the line carries heights")
    extra("streams", streams[5], "geometry_missing", "no shape", geometry=None, stream_id="LK-900")
    flat_line = next(r for r in streams[6:] if not r["_faults"])
    extra("streams", flat_line, "geometry_duplicate", "the same line under another id",
          stream_id="LK-901")  # fmt: skip

    houses = tables["buildings"]
    flat = shapely.get_coordinates(houses[12]["geometry"])[:2]
    extra("buildings", houses[12], "geometry_unusable", "an outline without any area",
          geometry=Polygon([flat[0], flat[1], flat[0], flat[1], flat[0]]),
          building_id="B9001")  # fmt: skip
    extra("buildings", houses[30], "geometry_duplicate", "the same outline under another id",
          building_id="B9002")  # fmt: skip
    off = COUNTY_LOW - 60
    extra("culverts", tables["culverts"][0], "culvert_unusable", "it is off the terrain",
          geometry=LineString([(900, off), (914, off - 9)]), culvert_id="CV-90")  # fmt: skip
    row = Picker(rng, tables["culverts"])(lambda r: r["culvert_id"] != "CV-90")
    row["diameter_m"] = 9_999
    _mark(row, "number_impossible", "wider than any culvert")


HOSTILE = {
    "units": [
        ("unit_id", '../11<b>7&"'),
        ("address", '12 <script>alert("x")</script> Lane'),
        ("address", '=HYPERLINK("http://example.invalid","gate code")'),
        ("address", "${7*7} {{7*7}} `backtick` \\x3cimg src=x onerror=alert(1)\\x3e"),
        ("address", '7 O\'Quote "Double" & Sons Rd'),
        ("address", "@SUM(1+1)*cmd|' /C calc'!A0"),
    ],
    "inspections": [
        ("note", "</script><script>document.title='x'</script>"),
        ("note", "=1+1"),
        ("note", '"; DROP TABLE units; --'),
        ("note", '+cmd, with a comma, and a "quote"'),
    ],
    "discharge_points": [("pipe_material", "<img src=x onerror=alert(1)>")],
    "parcels": [("address", "../../secrets.txt")],
    "complaints": [("note", "-2+3 <b>bold</b> ${alert(1)}")],
}


def add_hostile_text(rng: np.random.Generator, tables: Tables) -> None:
    """Text that must stay text: markup, formulas, templates, paths, quotes."""
    named = {r["unit_id"] for name in ("inspections", "complaints", "permits", "discharge_points")
             for r in tables[name]}  # fmt: skip
    busy = seen_first(tables)
    for layer, texts in HOSTILE.items():
        pick = Picker(rng, tables[layer])
        for column, text in texts:
            row = pick(
                lambda r, column=column: (
                    r.get("unit_id") not in busy
                    and (column != "unit_id" or r["unit_id"] not in named)
                )
            )
            row[column] = text
            row["_hostile"] = column
