"""Faults of every kind planted in a generated county on disk: none is lost, none goes unsaid."""

import json
import tempfile
import warnings
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from affine import Affine
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import CRS, Transformer
from shapely.affinity import translate

from layers import read_county
from layers.files.raster import write_raster
from layers.grid import Grid
from layers.problems import CODES

COUNT = 16
X, Y = 600_000.0, 4_400_000.0  # nothing there is real
UTM16 = CRS.from_epsg(32616)
TO_LONLAT = Transformer.from_crs(32616, 4326, always_xy=True)
DEGREES = ("csv", "xlsx", "geojson")
PLANE = ("gpkg", "shp", "fgb")
ID = {"units": "unit_id", "discharge_points": "discharge_point_id", "wells": "well_id",
      "inspections": "inspection_id"}  # fmt: skip


# ----------------------------------------------------------------------------------- the county


def sound():
    """Rows of every layer as dictionaries: unit k, its parcel, outlet and well belong together."""
    layers = {name: [] for name in (*ID, "parcels", "streams", "water_bodies")}
    for k in range(COUNT):
        x = X + 100.13 * k
        box = shapely.box(x - 40, Y - 40, x + 40, Y + 40)
        layers["units"].append(
            {"unit_id": f"U{k}", "kind": "surface_discharge", "status": "active",
             "location_basis": "gps", "parcel_id": f"P{k}", "bedrooms": "3",
             "installed": "2001-05-06", "address": f"{k} Invented Lane",
             "geometry": shapely.Point(x, Y)}
        )  # fmt: skip
        layers["discharge_points"].append(
            {"discharge_point_id": f"D{k}", "unit_id": f"U{k}", "outlet_kind": "ditch",
             "location_basis": "gps", "invert_height_m": None,
             "geometry": shapely.Point(x, Y + 20)}
        )  # fmt: skip
        layers["wells"].append(
            {"well_id": f"W{k}", "use": "private", "depth_m": "30.5", "location_basis": "gps",
             "geometry": shapely.Point(x + 25, Y + 5)}
        )  # fmt: skip
        layers["inspections"].append(
            {"inspection_id": f"I{k}", "unit_id": f"U{k}", "date": "2024-05-06",
             "outcome": "completed", "result": "good"}
        )  # fmt: skip
        layers["parcels"].append({"parcel_id": f"P{k}", "geometry": box})
        stream = shapely.LineString([(x - 50, Y + 300 + k), (x + 50, Y + 301)])
        layers["streams"].append(
            {"stream_id": f"S{k}", "permanence": "perennial", "geometry": stream}
        )
    pond = shapely.box(X - 900, Y + 400, X - 800, Y + 450)
    layers["water_bodies"].append({"water_body_id": "B0", "geometry": pond})
    return layers


# Each fault changes the rows of number k and names what must be said: (layer, k, codes), one of
# which is enough, for a file without shapes says it another way.
def _set(layer, code, **cells):
    def plant(layers, k):
        layers[layer][k].update(cells)
        return layer, k, (code,)

    plant.name = f"{layer}: {code} {next(iter(cells))}"
    return plant


def _place(layer, how, *codes, **cells):
    def plant(layers, k):
        layers[layer][k].update(cells, _place=how)
        return layer, k, codes

    plant.name = f"{layer}: {codes[0]}"
    return plant


def _duplicate(layer):
    def plant(layers, k):
        layers[layer][k][ID[layer]] = layers[layer][0][ID[layer]]
        return layer, k, ("id_duplicate",)

    plant.name = f"{layer}: id_duplicate"
    return plant


def _moved(layer, dx, dy, shown, code, **cells):
    def plant(layers, k):
        row = layers[layer][k]
        row.update(cells, geometry=shapely.Point(row["geometry"].x + dx, row["geometry"].y + dy))
        return shown, k, (code,)

    plant.name = f"{layer}: {code}"
    return plant


def _shape(layer, make, *codes):
    def plant(layers, k):
        x = X + 100.13 * k
        extra = {ID.get(layer, layer.rstrip("s") + "_id"): f"extra {k}", "geometry": make(x)}
        layers[layer].append(extra)
        return layer, len(layers[layer]) - 1, codes

    plant.name = f"{layer}: {codes[0]} {make(0.0) if make(0.0) is None else make(0.0).geom_type}"
    return plant


def several(layers, k):
    layers["discharge_points"][k]["unit_id"] = "U0"
    return "units", 0, ("discharge_points_several",)


def in_a_pond(layers, k):
    at = layers["units"][k]["geometry"]
    layers["water_bodies"].append({"water_body_id": f"B{k}", "geometry": at.buffer(4)})
    return "units", k, ("unit_on_water",)


def well_on_its_unit(layers, k):
    layers["wells"][k]["geometry"] = layers["units"][k]["geometry"]
    return "wells", k, ("well_on_unit",)


def spreadsheet_number(layers, k):
    layers["units"][k]["unit_id"] = f"90{k}"
    layers["discharge_points"][k]["unit_id"] = f"90{k}.0"
    return "discharge_points", k, ("id_spreadsheet_number",)


for _plant in (several, in_a_pond, well_on_its_unit, spreadsheet_number):
    _plant.name = _plant.__name__

BOWTIE = shapely.Polygon([(0, 0), (20, 20), (20, 0), (0, 20), (0, 0)])
FAULTS = [
    *(_set(layer, "id_missing", **{ID[layer]: None}) for layer in ID),
    *(_duplicate(layer) for layer in ID),
    *(
        plant
        for layer in ("units", "discharge_points", "wells")
        for plant in (
            _place(layer, "zero", "coordinates_zero"),
            _place(layer, "swapped", "coordinates_swapped"),
            _place(layer, "far", "outside_county"),
            _set(layer, "code_unknown", location_basis="guess"),
        )
    ),
    _place("units", "none", "coordinates_missing", "geometry_missing", parcel_id=None),
    _place("units", "none", "placed_at_parcel"),
    _place("wells", "none", "coordinates_missing", "geometry_missing"),
    _place("discharge_points", "none", "coordinates_missing", "geometry_missing"),
    _set("units", "code_unknown", status="cave"),
    _set("units", "number_unreadable", bedrooms="3-4"),
    _set("units", "number_impossible", bedrooms="-2"),
    _set("units", "date_unreadable", installed="31/02/1998"),
    _set("units", "date_in_future", installed="2062-05-01"),
    _set("units", "text_controls", address="1\x07 Lane"),
    _set("units", "parcel_id_unknown", parcel_id="gone"),
    _set("units", "unit_off_its_parcel", parcel_id="P0"),
    _set("wells", "code_unknown", use="artesian"),
    _set("wells", "number_unreadable", depth_m="deep"),
    _set("wells", "number_impossible", depth_m="-40"),
    _set("discharge_points", "number_impossible", invert_height_m="99999"),
    _set("discharge_points", "unit_unknown", unit_id="nobody"),
    _set("inspections", "unit_unknown", unit_id="nobody"),
    _set("inspections", "unit_unknown", unit_id=None),
    _set("inspections", "date_unreadable", date="a while ago"),
    _set("inspections", "date_in_future", date="2030-01-01"),
    _set("inspections", "code_unknown", outcome="perhaps"),
    _moved("discharge_points", 0, 400, "units", "pipe_too_long"),
    _moved("discharge_points", 0, 130, "units", "discharge_point_off_parcel"),
    _moved("discharge_points", 0, -45, "units", "discharge_point_uphill"),
    _moved("discharge_points", 0, 2_000, "discharge_points", "discharge_point_without_unit",
           unit_id=None),
    _moved("discharge_points", 0, 2_000, "units", "discharge_point_missing", unit_id=None),
    _moved("discharge_points", 1, 0, "units", "link_unconfirmed", unit_id=None),
    _moved("units", 0, -3_000, "units", "unit_off_parcels", parcel_id=None),
    several, in_a_pond, well_on_its_unit, spreadsheet_number,
    _shape("parcels", lambda x: None, "geometry_missing"),
    _shape("parcels", lambda x: shapely.Polygon(), "geometry_empty", "geometry_missing"),
    _shape("parcels", lambda x: shapely.Point(x, Y - 900), "geometry_wrong_kind"),
    _shape("parcels", lambda x: translate(BOWTIE, x, Y - 900),
           "geometry_invalid"),
    _shape("streams", lambda x: shapely.box(x, Y, x + 9, Y + 9), "stream_outline"),
    _shape("streams", lambda x: shapely.LineString([(x, Y + 500, 3), (x, Y + 600, 4)]),
           "geometry_has_z"),
    _shape("streams", lambda x: shapely.LineString([(X - 50, Y + 300), (X + 50, Y + 301)]),
           "geometry_duplicate"),
]  # fmt: skip


# -------------------------------------------------------------------------------------- on disk


def native(row, is_degrees):
    """A row's shape in its file's system, with the faults of place that are made there."""
    shape, how = row.get("geometry"), row.get("_place")
    if shape is None or how == "none":
        return None
    if is_degrees:
        shape = shapely.transform(
            shape,
            lambda at: np.column_stack(TO_LONLAT.transform(*at.T)).round(7),
            include_z=bool(shape.has_z),
        )
    if how == "zero":
        return shapely.Point(0, 0)
    if how == "swapped":
        return shapely.Point(shape.y, shape.x)
    if how == "far":
        return shapely.Point(shape.x + (7 if is_degrees else 600_000), shape.y)
    return shape


def write(folder, name, rows, kind):
    is_degrees = kind in DEGREES
    shapes = [native(row, is_degrees) for row in rows]
    keys = [key for key in rows[0] if key not in ("geometry", "_place")]
    table = pd.DataFrame([{key: row.get(key) for key in keys} for row in rows], dtype=object)
    path = folder / f"{name}.{kind}"
    if kind in ("csv", "xlsx"):
        if name != "inspections":
            table["lon"] = [None if shape is None else shape.x for shape in shapes]
            table["lat"] = [None if shape is None else shape.y for shape in shapes]
        table.to_csv(path, index=False) if kind == "csv" else table.to_excel(path, index=False)
        return 2
    frame = gpd.GeoDataFrame(table, geometry=shapes, crs=4326 if is_degrees else UTM16)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # a shapefile cuts the names of columns
        frame.to_file(path, **({"SPATIAL_INDEX": "NO"} if kind == "fgb" else {}))
    return 1


def county_with(plan, kinds, folder):
    """Plant, write and read; the county and what must be said of it."""
    layers = sound()
    expected = []
    for k, plant in plan:
        if kinds["units"] == "xlsx" and "text_controls" in plant.name:
            continue  # a spreadsheet cannot hold them
        expected.append(plant(layers, k))
    first_row = {}
    lines = ["[county]", 'name = "Planted County"', "as_of = 2026-04-01", 'crs = "EPSG:32616"']
    for name, rows in layers.items():
        kind = kinds.get(name, kinds["areas"])
        first_row[name] = write(folder, name, rows, kind)
        lines += [f"[layers.{name}]", f"path = {json.dumps(f'{name}.{kind}')}"]
        if kind in ("csv", "xlsx") and name != "inspections":
            lines.append('crs = "EPSG:4326"')
    north = np.arange(300, -300, -3.0)[:, None]
    values = np.broadcast_to((200 - 0.05 * north).astype(np.float32), (200, 700)).copy()
    place = Affine(3, 0, X - 200, 0, -3, Y + 301.5)
    write_raster(Grid(values, place, UTM16), folder / "terrain.tif")
    lines += ["[layers.terrain]", 'path = "terrain.tif"', 'vertical_unit = "m"']
    path = folder / "county.toml"
    path.write_text("\n".join(lines), "utf-8")
    must = {(layer, k + first_row[layer], codes) for layer, k, codes in expected}
    return read_county(path), must, {name: len(rows) for name, rows in layers.items()}


def check(plan, kinds):
    with tempfile.TemporaryDirectory() as folder:
        county, must, written = county_with(plan, kinds, Path(folder))
    counts = county.counts.set_index("layer")
    assert counts["rows_read"].to_dict() == written
    assert (counts["rows_read"] == counts["used"] + counts["set_aside"]).all()
    assert set(county.problems["code"]) <= set(CODES)
    rows = county.problems.dropna(subset="row")
    text = {(p.layer, int(p.row), p.code) for p in rows.itertuples()}
    unsaid = [
        (layer, row, codes)
        for layer, row, codes in must
        if not any((layer, row, code) in text for code in codes)
    ]
    assert unsaid == []
    for name, count in counts.iterrows():
        aside = rows[(rows["layer"] == name) & (rows["action"] == "set_aside")]["row"]
        assert aside.is_unique
        assert len(aside) == count["set_aside"]
        used = county.layers[name]["source_row"]
        assert sorted([*aside, *used]) == list(range(min([*aside, *used]), len(aside) + len(used)
                                                     + min([*aside, *used])))  # fmt: skip


kinds = st.fixed_dictionaries(
    {
        "units": st.sampled_from([*DEGREES, *PLANE]),
        "discharge_points": st.sampled_from([*DEGREES, *PLANE]),
        "wells": st.sampled_from([*DEGREES, *PLANE]),
        "inspections": st.sampled_from(["csv", "xlsx"]),
        "areas": st.sampled_from(["gpkg", "geojson"]),
    }
)
plans = st.lists(st.sampled_from(FAULTS), min_size=1, max_size=9).flatmap(
    lambda plants: st.permutations(range(1, COUNT)).map(
        lambda ks: list(zip(ks, plants, strict=False))
    )
)


PACKS = -(-len(FAULTS) // (COUNT - 1))


@pytest.mark.parametrize("pack", range(PACKS))
def test_every_fault_is_said(pack):
    kinds = {"units": "gpkg", "discharge_points": "geojson", "wells": "csv",
             "inspections": "csv", "areas": "gpkg"}  # fmt: skip
    check(list(enumerate(FAULTS[pack::PACKS], start=1)), kinds)


def test_a_fault_that_is_not_planted_is_not_said():
    kinds = {"units": "csv", "discharge_points": "shp", "wells": "fgb",
             "inspections": "xlsx", "areas": "gpkg"}  # fmt: skip
    with tempfile.TemporaryDirectory() as folder:
        county, _, _ = county_with([], kinds, Path(folder))
    about_rows = county.problems.dropna(subset="row")
    assert set(about_rows["code"]) == set()


@settings(max_examples=8, deadline=None, derandomize=True)
@given(plan=plans, kinds=kinds)
def test_no_row_is_lost_and_no_fault_goes_unsaid(plan, kinds):
    check(plan, kinds)


@pytest.mark.long
@settings(max_examples=500, deadline=None)
@given(plan=plans, kinds=kinds)
def test_no_row_is_lost_in_five_hundred_counties(plan, kinds):
    check(plan, kinds)
