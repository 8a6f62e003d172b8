"""Layers against each other and against the ground: each contradiction planted once."""

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from affine import Affine

from layers import read_county
from layers.grid import Grid, Window
from layers.problems import CODES
from layers.reading.heights import heights_at
from layers.reading.positions import coarse_accuracy95_m, decimals_of

NEW = {
    "unit_on_water", "unit_off_parcels", "unit_off_its_parcel", "parcel_id_unknown",
    "parcels_merged", "discharge_point_off_parcel", "well_on_unit", "discharge_point_uphill",
    "terrain_unit_doubtful", "coordinates_coarse",
}  # fmt: skip


@pytest.fixture
def clean(folder, rows):
    """Units, outlets and parcels that agree."""
    folder.add("units", rows.units(), "units.gpkg")
    folder.add("discharge_points", rows.outlets(), "outlets.gpkg")
    return folder.add("parcels", rows.parcels(), "parcels.gpkg")


def text(county):
    """(layer, row, code) of the contradictions, and their messages by code."""
    problems = county.problems[county.problems["code"].isin(NEW)]
    keys = {
        (p.layer, None if pd.isna(p.row) else int(p.row), p.code) for p in problems.itertuples()
    }
    return keys, dict(zip(problems["code"], problems["message"], strict=True))


def sloping(rows, rise=0.0, base=200.0, cell=10.0):
    """Ground that rises northward by ``rise`` m a meter from ``base`` at the units."""
    x, y = rows.origin
    north = np.arange(60)[:, None] * -cell + 295
    values = np.broadcast_to(base + rise * north, (60, 120)).astype(np.float32)
    return Grid(values.copy(), Affine(cell, 0, x - 200, 0, -cell, y + 300), rows.crs)


def test_nothing_is_said_of_layers_that_agree(clean, rows):
    clean.add("terrain", sloping(rows, -0.05), "terrain.tif", vertical_unit='"m"')
    keys, _ = text(clean.read())
    assert keys == set()
    assert set(CODES) >= NEW


def test_a_unit_in_a_pond(clean, rows):
    x, y = rows.origin
    pond = gpd.GeoDataFrame(
        {"water_body_id": ["W1"]}, geometry=[shapely.box(x + 195, y - 5, x + 210, y + 5)],
        crs=rows.crs,
    )  # fmt: skip
    keys, messages = text(clean.add("water_bodies", pond, "ponds.gpkg").read())
    assert keys == {("units", 3, "unit_on_water")}
    assert messages["unit_on_water"] == ("it is 5 m inside water body 'W1'. Position accuracy: 3 m")


def test_a_well_at_the_place_of_a_unit(clean, rows):
    wells = rows.outlets(3).rename(columns={"discharge_point_id": "well_id"})
    wells = wells.assign(use="private").drop(columns=["unit_id", "outlet_kind"])
    x, y = rows.origin
    wells.geometry = [shapely.Point(x + 0.9, y), shapely.Point(x + 101.1, y),
                      shapely.Point(x + 300, y)]  # fmt: skip
    keys, messages = text(clean.add("wells", wells, "wells.gpkg").read())
    assert keys == {("wells", 1, "well_on_unit"), ("wells", 3, "well_on_unit")}
    assert messages["well_on_unit"] == (
        "it has the same position as unit 004. Check which one is right"
    )


def test_parcels_split_merged_and_renumbered(clean, rows):
    units = rows.units(6)
    # 1 and 2 were merged, 3 renumbered, 4 split so that its unit lies on the new part
    boxes = rows.parcels().geometry.tolist()
    split = shapely.box(*boxes[3].bounds[:2], boxes[3].bounds[2], boxes[3].bounds[1] + 20)
    rest = boxes[3].difference(split)
    ids = ["P12", "P3A", "P4", "P4A", "P5", "P6"]
    shapes = [shapely.union(boxes[0], boxes[1]), boxes[2], split, rest, boxes[4], boxes[5]]
    units.loc[5, "parcel_id"] = None
    parcels = gpd.GeoDataFrame({"parcel_id": ids}, geometry=shapes, crs=rows.crs)
    clean.add("units", units, "u.gpkg").add("parcels", parcels, "p.gpkg")
    keys, messages = text(clean.read())
    assert keys == {
        ("units", 1, "parcels_merged"),
        ("units", 2, "parcels_merged"),
        ("units", 3, "parcel_id_unknown"),
        ("units", 4, "unit_off_its_parcel"),
    }
    assert messages["parcels_merged"].endswith(
        "The unit is on parcel 'P12', and so are units of former parcel P1. Check for a merger"
    )
    assert messages["parcel_id_unknown"] == (
        "parcel 'P3' is not in the parcels layer. The unit is on parcel 'P3A'."
        " Check whether it was renumbered or split"
    )
    assert (
        "its parcel 'P4' is 20 m away. The unit is on parcel 'P4A'"
        in (messages["unit_off_its_parcel"])
    )


def test_parcel_ids_written_another_way_are_said_once(folder, rows):
    units = rows.units(8)
    units["parcel_id"] = [f"p-{k}" for k in range(8)]
    folder.add("units", units, "units.gpkg")
    keys, messages = text(folder.add("parcels", rows.parcels(8), "parcels.gpkg").read())
    assert keys == {("units", None, "parcel_id_unknown")}
    assert messages["parcel_id_unknown"].startswith("8 of 8 parcel ids are not in the parcels")


def test_a_rough_position_may_lie_off_its_parcel(clean, rows):
    units = rows.units().assign(location_basis="address")
    units["parcel_id"] = ["P2", *units["parcel_id"][1:]]  # 60 m from its unit, known to 75 m
    keys, _ = text(clean.add("units", units, "u.gpkg").read())
    assert keys == set()


def test_a_unit_far_from_every_parcel(clean, rows):
    units = rows.units()
    units.geometry = [*units.geometry[:5], shapely.Point(rows.origin[0], rows.origin[1] + 900)]
    units.loc[5, "parcel_id"] = None
    keys, messages = text(clean.add("units", units, "u.gpkg").read())
    assert ("units", 6, "unit_off_parcels") in keys
    assert "is 860 m away" in messages["unit_off_parcels"]


def test_an_outlet_far_off_its_units_parcel(clean, rows):
    points = rows.outlets()
    x, y = rows.origin
    points.geometry = [shapely.Point(x, y + 150), *points.geometry[1:]]  # 110 m beyond the edge
    keys, messages = text(clean.add("discharge_points", points, "o.gpkg").read())
    assert keys == {("units", 1, "discharge_point_off_parcel")}
    assert "'D1' is 110 m from the unit's parcel, 'P1'" in messages["discharge_point_off_parcel"]
    points["outlet_kind"] = "shared_collector"  # elsewhere by its nature
    keys, _ = text(clean.add("discharge_points", points, "o2.gpkg").read())
    assert keys == set()


# ------------------------------------------------------------------------------------- terrain


def test_an_outlet_uphill_unless_pumped_or_levelled(clean, rows):
    units = rows.units()
    units["pumped"] = ["no", "yes", None, None, None, None]
    points = rows.outlets().assign(invert_height_m=[None, None, 199.0, None, None, None])
    clean.add("terrain", sloping(rows, 0.1), "terrain.tif", vertical_unit='"m"')
    clean.add("units", units, "u.gpkg").add("discharge_points", points, "o.gpkg")
    keys, messages = text(clean.read())
    assert keys == {("units", row, "discharge_point_uphill") for row in (1, 4, 5, 6)}
    assert messages["discharge_point_uphill"].startswith(
        "its discharge point 'D6' is 2.0 m above the ground at the lid"
    )


@pytest.mark.parametrize(("basis", "is_stated"), [("gps", True), ("address", False)])
def test_uphill_is_never_said_on_position_error_alone(clean, rows, basis, is_stated):
    # 2 m of rise over 20 m of a slope of 0.1: an address is off by 75 m, which is 7.5 m of height
    clean.add("units", rows.units().assign(location_basis=basis), "u.gpkg")
    clean.add("terrain", sloping(rows, 0.1), "terrain.tif", vertical_unit='"m"')
    keys, _ = text(clean.read())
    assert bool(keys) == is_stated


def test_a_rise_within_the_terrains_accuracy_is_none(clean, rows):
    clean.add("terrain", sloping(rows, 0.03), "t.tif", vertical_unit='"m"', accuracy_m=0.6)
    assert text(clean.read())[0] == set()  # 0.6 m of rise, 0.85 m allowed
    clean.add("terrain", sloping(rows, 0.03), "t.tif", vertical_unit='"m"', accuracy_m=0.2)
    assert {code for _, _, code in text(clean.read())[0]} == {"discharge_point_uphill"}


@pytest.mark.parametrize(
    ("factor", "words"),
    [(1 / 0.3048, "feet that were read as meters"), (0.3048, "meters that were read as feet")],
)
def test_feet_read_as_meters(clean, rows, factor, words):
    x, y = rows.origin
    zone = gpd.GeoDataFrame(
        {"floodplain_id": ["F1", "F2"], "zone": ["AE", "X"],
         "base_flood_elevation_m": [200.0, None]},
        geometry=[shapely.box(x, y - 50, x + 300, y + 50), shapely.box(x, y + 50, x + 9, y + 99)],
        crs=rows.crs,
    )  # fmt: skip
    clean.add("floodplain", zone, "flood.gpkg")
    clean.add("terrain", sloping(rows, base=201.0), "t.tif", vertical_unit='"m"')
    assert text(clean.read())[0] == set()
    clean.add("terrain", sloping(rows, base=201.0 * factor), "t.tif", vertical_unit='"m"')
    keys, messages = text(clean.read())
    assert keys == {("terrain", None, "terrain_unit_doubtful")}
    assert words in messages["terrain_unit_doubtful"]


def test_a_terrain_that_cannot_be_read_inside_is_left_out(clean, rows):
    rough = np.random.default_rng(2).normal(200, 5, (60, 120)).astype(np.float32)
    clean.add("terrain", sloping(rows).with_values(rough), "t.tif", vertical_unit='"m"')
    path = clean.folder / "t.tif"
    data = bytearray(path.read_bytes())
    data[-len(data) // 2 :] = bytes(len(data) - len(data) // 2)
    path.write_bytes(data)
    county = clean.read()
    assert county.terrain is None
    assert ("terrain_unreadable", None, "layer_left_out") in rows.found(county, "terrain")


def test_heights_are_those_of_the_cells(rows):
    values = np.arange(700 * 1100, dtype=np.float32).reshape(700, 1100)
    values[3, 4] = np.nan
    grid = Grid(values, Affine(2, 0, 1000, 0, -3, 9000), rows.crs)
    rng = np.random.default_rng(5)
    x, y = rng.uniform(900, 3300, 400), rng.uniform(6800, 9100, 400)
    row, col, inside = grid.cells_at(x, y)
    want = np.where(inside, values[row, col], np.nan)
    np.testing.assert_array_equal(heights_at(grid, x, y), want)
    assert np.isnan(heights_at(grid, [1009.0], [8990.0])).all()
    assert np.isnan(heights_at(grid, [np.nan], [8990.0])).all()


def test_only_windows_with_points_are_read(rows):
    class Counting:
        def __init__(self, grid):
            self.grid, self.windows = grid, []
            self.shape, self.transform, self.crs = grid.shape, grid.transform, grid.crs

        def read(self, window=None):
            self.windows.append(window)
            return self.grid.read(window)

    grid = Grid(np.zeros((2000, 2000), np.float32), Affine(1, 0, 0, 0, -1, 2000), rows.crs)
    source = Counting(grid)
    heights_at(source, [5.5, 6.5, 1999.5], [1990.5, 1990.5, 0.5])
    assert source.windows == [Window(9, 5, 1, 2), Window(1999, 1999, 1, 1)]


# ------------------------------------------------------------------------------------ decimals


def test_a_list_with_three_decimals_is_known_to_67_m(folder, rows):
    table = rows.lonlat(rows.units(20)).round({"longitude": 3, "latitude": 3})
    folder.add("units", table, "units.csv", crs='"EPSG:4326"')
    county = folder.read()
    keys, messages = text(county)
    assert keys == {("units", None, "coordinates_coarse")}
    assert "with 3 decimals can be wrong by 56 m each way" in messages["coordinates_coarse"]
    # 95 % of an even spread over a square lie within 1.2 of its half side
    rng = np.random.default_rng(1)
    half_m = 0.0005 * 111_320
    off = np.hypot(*rng.uniform(-half_m, half_m, (2, 200_000)))
    assert county.layers["units"]["accuracy95_m"].tolist() == pytest.approx(
        [np.quantile(off, 0.95)] * 20, rel=0.01
    )


def test_one_coarse_row_among_fine_ones(folder, rows):
    table = rows.lonlat(rows.units(20)).round({"longitude": 6, "latitude": 6})
    table.loc[4, ["longitude", "latitude"]] = table.loc[4, ["longitude", "latitude"]].astype(
        float).round(2)  # fmt: skip
    folder.add("units", table, "units.csv", crs='"EPSG:4326"')
    county = folder.read()
    assert text(county)[0] == {("units", 6, "coordinates_coarse")}
    assert county.layers["units"]["accuracy95_m"].round().tolist() == [3] * 4 + [668] + [3] * 15


def test_a_rough_basis_is_not_made_worse_by_decimals_that_suffice(folder, rows):
    table = rows.lonlat(rows.units(9)).round({"longitude": 4, "latitude": 4})
    table["location_basis"] = "address"
    folder.add("units", table, "units.csv", crs='"EPSG:4326"')
    county = folder.read()
    assert text(county)[0] == set()
    assert set(county.layers["units"]["accuracy95_m"]) == {75.0}


def test_good_coordinates_are_never_coarse_by_chance():
    rng = np.random.default_rng(3)
    lon, lat = rng.uniform(-86, -85, 100_000).round(6), rng.uniform(39, 40, 100_000).round(6)
    decimals, least_m = coarse_accuracy95_m(lon, lat)
    assert set(decimals) == {6}
    assert least_m.max() < 0.07
    assert decimals_of(np.array([np.nan, 1 / 3, 0.0, -85.5])).tolist() == [7, 7, 0, 1]


def test_the_sample_county_is_read_alike_twice(larkmoor_toml, larkmoor):
    assert read_county(larkmoor_toml).problems.equals(larkmoor.problems)
