"""The table of ponds: published profiles, sums that agree with the raster, what stands in them."""

import numpy as np
import pytest
from affine import Affine
from pyproj import CRS
from shapely import Point

from geo.ponds.pond_list import pond_table
from geo.runoff import pond_levels
from geo.runoff.storms import StormPonds, storm_ponds
from geo.terrain import depressions
from geo.terrain.beyond import beyond_of
from layers.grid import Grid

UTM16 = CRS("EPSG:32616")
NOWHERE = np.array([], object)


def at(row, col, cell=1.0):
    return Point(1000 + (col + 0.5) * cell, 2000 - (row + 0.5) * cell)


def profile_ponds(z, water, cell=1.0):
    """Ponds of a terrain of one row, its ends the ocean, after water laid on single cells."""
    ground = np.array([z], np.float64)
    is_end = np.zeros(ground.shape, bool)
    is_end[0, [0, -1]] = True
    tree = depressions(ground, ocean=is_end)
    grid = Grid(ground, Affine(cell, 0, 1000, 0, -cell, 2000), UTM16)
    levels = pond_levels(tree, np.array([water], np.float64))
    return StormPonds(
        grid, tree, {10: levels}, np.zeros(ground.shape, np.uint16), np.zeros((1, 1)),
        beyond_of(ground, grid.cell_m),
    )  # fmt: skip


# Profile 1 of the worked values of fill-spill-merge: leaf A {1, 1} holds 4 to its sill at 3, leaf B
# {2, 2} holds 2; the two as one hold 11 to the outlet at 4
PROFILE = [0, 5, 1, 1, 3, 2, 2, 4, 0]


def test_one_hollow_in_part():
    ponds = profile_ponds(PROFILE, [0, 0, 3, 0, 0, 0, 0, 0, 0])
    (row,) = pond_table(ponds, NOWHERE, NOWHERE, least_volume_m3=0).to_dict("records")
    assert (row["storm_yr"], row["kind"], row["spills"]) == (10, "hollow", "not_full")
    assert (row["area_m2"], row["volume_m3"], row["level_m"], row["depth_m"]) == (2, 3, 2.5, 1.5)
    assert row["geometry"] == at(0, 2)
    assert row["parent_id"] == 3  # part of the two as one


def test_a_full_one_spills_into_the_next():
    ponds = profile_ponds(PROFILE, [0, 0, 5, 0, 0, 0, 0, 0, 0], cell=2.0)
    table = pond_table(ponds, NOWHERE, NOWHERE, least_volume_m3=0)
    a, b = table.to_dict("records")
    assert (a["level_m"], a["volume_m3"], a["is_full"]) == (3, 16, True)  # 4 cells of 4 m2, 1 deep
    assert (a["spills"], a["spills_to_id"]) == ("into_hollow", b["pond_id"])
    assert (b["level_m"], b["volume_m3"], b["is_full"]) == (2.5, 4, False)
    assert table["spills_to_id"].isna().tolist() == [False, True]


def test_what_a_full_one_passes_on_goes_to_the_pond_that_others_merged_into():
    # an upper hollow {5, 5} to its sill at 7, over the two of profile 1 under one water
    z = [0, 20, 5, 5, 7, 1, 1, 3, 2, 2, 4, 0]
    ponds = profile_ponds(z, [0, 0, 4, 0, 0, 7, 0, 0, 0, 0, 0, 0])
    table = pond_table(ponds, NOWHERE, NOWHERE, least_volume_m3=0).set_index("kind")
    upper, below = table.loc["hollow"], table.loc["merged"]
    assert (upper["volume_m3"], upper["is_full"], upper["spills"]) == (4, True, "into_hollow")
    assert upper["spills_to_id"] == below["pond_id"]
    assert (below["volume_m3"], below["level_m"]) == (pytest.approx(7), pytest.approx(3.2))


def test_merged_and_full_to_the_edge():
    ponds = profile_ponds(PROFILE, [0, 0, 12, 0, 0, 0, 0, 0, 0])
    lids = np.array([at(0, 3), at(0, 6), at(0, 7), None, Point()], object)
    (row,) = pond_table(ponds, lids, np.array([at(0, 4), Point(0, 0)], object)).to_dict("records")
    assert (row["kind"], row["is_full"], row["spills"]) == ("merged", True, "off_terrain")
    assert (row["area_m2"], row["volume_m3"], row["level_m"], row["depth_m"]) == (5, 11, 4, 3)
    # the lid on the outlet cell itself is not under water, nor is what is off the terrain
    assert (row["lids"], row["discharge_points"]) == (2, 1)


def test_small_ponds_are_left_out_unless_something_stands_in_them():
    ponds = profile_ponds(PROFILE, [0, 0, 5, 0, 0, 0, 0, 0, 0])
    assert len(pond_table(ponds, NOWHERE, NOWHERE)) == 0
    assert pond_table(ponds, NOWHERE, NOWHERE, least_volume_m3=2)["volume_m3"].tolist() == [4]
    outlet = np.array([at(0, 5)], object)
    assert pond_table(ponds, NOWHERE, outlet)["volume_m3"].tolist() == [1]


def test_the_sums_are_those_of_the_raster():
    random = np.random.default_rng(8)
    z = random.integers(0, 40, (60, 70)).astype(np.float32)
    grid = Grid(z, Affine(2, 0, 1000, 0, -3, 2000), UTM16)
    ponds = storm_ponds(grid, np.full(z.shape, 90.0), {5: 3.6, 100: 6.4})
    table = pond_table(ponds, NOWHERE, NOWHERE, least_volume_m3=0)
    for years in (5, 100):
        depth = ponds.raster(years).read().values.astype(float)
        some = table[table["storm_yr"] == years]
        assert some["volume_m3"].sum() == pytest.approx(np.nansum(depth) * 6, rel=1e-6)
        assert some["area_m2"].sum() == (depth > 0).sum() * 6
        assert some["depth_m"].max() == pytest.approx(np.nanmax(depth), rel=1e-6)
        assert some["pond_id"].is_unique
    tree = ponds.hierarchy.table()
    full = table[table["is_full"]]
    held = tree.loc[full["pond_id"], "volume"].to_numpy() * 6
    np.testing.assert_allclose(full["volume_m3"], held, rtol=1e-9)
