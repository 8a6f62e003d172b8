"""Storms: curve numbers on the ground, ponds in bowls of known volume, lids and their freeboard."""

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from affine import Affine
from pyproj import CRS
from shapely import Point, box

from geo.ponds.ponding import storm_columns
from geo.runoff.storms import curve_numbers_on, ponds_open_and_blocked, storm_ponds
from geo.terrain import build_terrain
from layers.grid import Grid, Window

UTM16 = CRS("EPSG:32616")
WEST, NORTH = 500_000.0, 2_930_000.0


def grid(values, cell=1.0):
    return Grid(values, Affine(cell, 0, WEST, 0, -cell, NORTH), UTM16)


def paraboloid(n=61, cell=1.0, a=0.01):
    """A bowl z = a r^2 inside a flat rim wide enough that its water falls into the bowl."""
    y, x = (np.arange(n) - n // 2) * cell, (np.arange(n) - n // 2) * cell
    r2 = y[:, None] ** 2 + x[None, :] ** 2
    return (a * r2).astype(np.float32)


def crater(n=61, a=0.01, rim=20):
    """The same bowl inside a rim, beyond which the ground falls to the edge of the terrain."""
    return a * rim**2 - np.abs(a * rim**2 - paraboloid(n, a=a))


def at(row, col):
    return Point(WEST + col + 0.5, NORTH - row - 0.5)


def columns(points, riser, ponds):
    shapes = np.array(points, object)
    return storm_columns(
        shapes, np.array(riser, float), ponds, prefix="lid", index=range(len(points))
    )


def test_a_bowl_fills_to_the_level_its_volume_asks():
    # z = a r^2 filled to h holds pi h^2 / (2 a) (elementary calculus); all rain runs off (CN 100)
    z = paraboloid()
    inner = z <= 0.01 * 29.5**2  # the ground whose water runs into the bowl, rim and all
    rain_in = 2.0
    ponds = storm_ponds(grid(z), np.full(z.shape, 100.0), {10: rain_in})
    volume = ponds.hierarchy.catchment_count[1:].sum() * rain_in * 0.0254
    h = np.sqrt(2 * 0.01 * volume / np.pi)
    assert inner.sum() <= ponds.hierarchy.catchment_count[1:].sum()
    got = columns([at(30, 30)], [np.nan], ponds)
    assert got["lid_pond_depth_10yr_m"].iloc[0] == pytest.approx(h, rel=0.01)


def test_the_storm_that_wets_a_lid_and_its_freeboard():
    z = crater()
    ponds = storm_ponds(grid(z), np.full(z.shape, 100.0), {2: 0.5, 10: 8.0, 100: 20.0})
    lids = [at(30, 30), at(30, 40), at(30, 40), at(30, 8), Point(0, 0), None]
    got = columns(lids, [np.nan, np.nan, 0.4, np.nan, np.nan, np.nan], ponds)
    assert got["lid_wet_state"].tolist() == [
        "at_or_below_smallest",  # the bottom of the bowl
        "wet",  # 1 m up its side
        "wet",
        "dry_in_all",  # the outer side of the rim, high above the edge
        "unknown",
        "unknown",
    ]
    assert got["lid_wet_return_yr"].tolist()[:3] == [2.0, 10.0, 100.0]  # a riser needs more rain
    # freeboard = ground + riser - level, where the height is known
    level = z[30, 30] + got["lid_pond_depth_10yr_m"].iloc[0]
    assert got["lid_freeboard_10yr_m"].iloc[2] == pytest.approx(z[30, 40] + 0.4 - level, abs=1e-6)
    assert got["lid_freeboard_10yr_m"].isna().tolist() == [True, True, False, True, True, True]


def test_a_dry_hollow_gives_freeboard_over_its_pit():
    z = crater()
    ponds = storm_ponds(grid(z), np.full(z.shape, 30.0), {2: 1.0})  # nothing runs off
    got = columns([at(30, 40)], [0.2], ponds)
    assert got["lid_pond_depth_2yr_m"].iloc[0] == 0
    assert got["lid_freeboard_2yr_m"].iloc[0] == pytest.approx(z[30, 40] + 0.2 - 0.0, abs=1e-6)
    assert got["lid_wet_state"].iloc[0] == "dry_so_far"
    ponds = storm_ponds(grid(z), np.full(z.shape, 30.0), {2: 1.0, 100: 1.5})
    assert columns([at(30, 40)], [0.2], ponds)["lid_wet_state"].iloc[0] == "dry_in_all"


def test_a_pond_raster_read_by_window_equals_the_whole():
    rng = np.random.default_rng(2)
    z = rng.integers(0, 30, (40, 50)).astype(np.float32)
    ponds = storm_ponds(grid(z), np.full(z.shape, 90.0), {25: 5.0})
    raster = ponds.raster(25)
    whole = raster.read().values
    part = raster.read(Window(7, 11, 20, 30))
    np.testing.assert_array_equal(part.values, whole[7:27, 11:41])
    assert (whole >= 0).all()
    assert whole.max() > 0


def test_curve_numbers_by_cover_and_soil():
    ground = grid(np.zeros((4, 6), np.float32))
    soils = gpd.GeoDataFrame(
        {"hydrologic_group": ["B", "C/D", None]},
        geometry=[
            box(WEST, NORTH - 4, WEST + 2, NORTH),
            box(WEST + 2, NORTH - 4, WEST + 4, NORTH),
            box(WEST + 4, NORTH - 4, WEST + 6, NORTH),
        ],
        crs=UTM16,
    )
    cover = Grid(np.array([[21, 82, 11]], np.uint8), Affine(2, 0, WEST, 0, -4, NORTH), UTM16)
    numbers, notes = curve_numbers_on(ground, soils, cover)
    # TR-55 table 2-2a open space, good, B: 61; table 2-2b row crops, straight, good, D: 89
    assert numbers[0].tolist() == [61, 61, 89, 89, 100, 100]
    assert (numbers == numbers[0]).all()
    assert notes == [
        "Soil is not on record for 33% of the land. Runoff there uses hydrologic group D."
    ]


def test_without_layers_the_defaults_are_taken_and_said():
    numbers, notes = curve_numbers_on(grid(np.zeros((3, 3), np.float32)), None, None)
    # TR-55 table 2-2a: of the covers that land may have, commercial on D sheds most
    assert set(numbers.ravel()) == {95.0}
    assert len(notes) == 2


def test_where_cover_is_not_known_runoff_is_no_less_than_under_any_cover():
    ground = grid(np.zeros((1, 6), np.float32))
    soils = gpd.GeoDataFrame(
        {"hydrologic_group": ["A"]}, geometry=[box(WEST, NORTH - 1, WEST + 4, NORTH)], crs=UTM16
    )
    classes = np.array([[21, 24, 0, 99, 0, 99]], np.uint8)  # two without data, two unheard of
    cover = Grid(classes, Affine(1, 0, WEST, 0, -1, NORTH), UTM16)
    numbers, notes = curve_numbers_on(ground, soils, cover)
    # TR-55 table 2-2a: open space, good, A 39; commercial A 89, D 95; wetlands count as D: 79
    assert numbers[0].tolist() == [39, 89, 89, 89, 95, 95]
    assert "Land cover is not on record for 67% of the land" in " ".join(notes)


def test_wet_ground_sheds_more_water_than_dry():
    ground = grid(np.zeros((3, 3), np.float32))
    cover = Grid(np.full((3, 3), 81, np.uint8), ground.transform, UTM16)
    # 84 in condition II: 352.8 / 5.128 = 68.8 in I, 1932 / 20.92 = 92.35 in III
    for condition, expected in (("dry", 68.799), ("average", 84.0), ("wet", 92.352)):
        numbers, _ = curve_numbers_on(ground, None, cover, antecedent=condition)
        np.testing.assert_allclose(numbers, expected, atol=5e-4)


def test_the_ratio_of_the_initial_abstraction_reaches_the_ponds():
    z = paraboloid()
    # 3 inches on curve number 60: 0.333 in at 0.2, 0.409 in at 0.05 (Hawkins and others 2002)
    deep = {}
    for ratio in (0.2, 0.05):
        ponds = storm_ponds(grid(z), np.full(z.shape, 60.0), {10: 3.0}, ratio=ratio)
        level = ponds.by_storm[10].level[1]
        deep[ratio] = (level - z.min()) ** 2  # the volume of a paraboloid goes by its depth squared
    assert deep[0.05] / deep[0.2] == pytest.approx(0.409 / 0.333, rel=0.02)


def test_an_open_culvert_keeps_the_lid_behind_its_bank_dry():
    rows, cols = 30, 60
    z = np.tile(20 - 0.1 * np.arange(cols), (rows, 1)).astype(np.float32)
    z += 0.05 * np.abs(np.arange(rows) - 15)[:, None].astype(np.float32)  # a draw down the middle
    z[:, 38:42] = np.maximum(z[:, 38:42], 18.6)  # a road over it
    line = np.array([[WEST + 36.5, NORTH - 15.5], [WEST + 43.5, NORTH - 15.5]])
    terrain = build_terrain(grid(z), culverts=[line])
    numbers = np.full(z.shape, 84.0)
    opened, blocked = ponds_open_and_blocked(terrain, numbers, {100: 4.2})
    lid = [at(15, 36)]
    assert columns(lid, [np.nan], opened)["lid_wet_state"].tolist() == ["dry_in_all"]
    assert columns(lid, [np.nan], blocked)["lid_wet_state"].tolist() == ["at_or_below_smallest"]
    no_culvert = build_terrain(grid(z))
    assert ponds_open_and_blocked(no_culvert, numbers, {10: 4.2})[1] is None


def test_index_is_kept():
    ponds = storm_ponds(grid(paraboloid()), np.full((61, 61), 90.0), {2: 1.0})
    shapes = np.array([at(3, 3)], object)
    got = storm_columns(shapes, np.array([0.1]), ponds, prefix="lid", index=pd.Index([42]))
    assert got.index.tolist() == [42]
