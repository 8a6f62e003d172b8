"""Ponds at the edge of invented terrains: what lies beyond is not known, and never dry."""

import numpy as np
import pandas as pd
import pytest
from affine import Affine
from pyproj import CRS
from shapely import Point
from skimage.morphology import reconstruction

from geo.ponds.ponding import ground_columns, is_wet_nearby, storm_columns
from geo.ponds.swales import swale_columns
from geo.runoff.storms import storm_ponds
from geo.terrain import build_terrain
from geo.terrain.beyond import HELD_M, LARGEST_HOLE_M2, beyond_of, guessed
from layers.grid import Grid

CELL = 5.0
WEST, NORTH = 500_000.0, 2_930_000.0
RAIN = {2: 3.0, 100: 8.0}


def grid(z):
    transform = Affine(CELL, 0, WEST, 0, -CELL, NORTH)
    return Grid(z.astype(np.float32), transform, CRS("EPSG:32616"))


def at(row, col):
    return Point(WEST + (col + 0.5) * CELL, NORTH - (row + 0.5) * CELL)


def hill(rows=81, cols=81, fall=0.5):
    """Ground that falls by ``fall`` a cell from the middle row and column to every edge."""
    row, col = np.indices((rows, cols))
    return 100 - fall * np.maximum(np.abs(row - rows // 2), np.abs(col - cols // 2))


def with_hollow(z, row, col, radius=8, deep=3.0):
    """The ground with a bowl dug into it, ``deep`` below its own height in the middle."""
    r, c = np.indices(z.shape)
    far = np.hypot(r - row, c - col)
    bowl = z[row, col] - deep * (1 - (far / radius) ** 2)
    return np.where(far < radius, np.minimum(z, bowl), z)


def states(z, places, rain=RAIN, **more):
    terrain = build_terrain(grid(z), **more)
    numbers = np.full(z.shape, 90.0)
    ponds = storm_ponds(terrain.opened, numbers, rain, beyond=terrain.beyond)
    points = np.array([at(*place) for place in places], object)
    riser = np.full(len(points), np.nan)
    got = storm_columns(points, riser, ponds, prefix="lid", index=pd.RangeIndex(len(points)))
    return got["lid_wet_state"].tolist(), got, terrain, ponds


def test_a_hill_whose_foot_lies_far_below_is_truly_dry():
    assert states(hill(), [(40, 40), (40, 60), (60, 20)])[0] == ["dry_in_all"] * 3


def test_a_hollow_that_the_edge_cuts_is_not_dry():
    z = with_hollow(hill(), 40, 60)
    whole, beside = (40, 59), (20, 40)
    assert states(z, [whole, beside])[0] == ["at_or_below_smallest", "dry_in_all"]
    cut = z[:, :61]  # its outer lip is gone: the bowl drains over the edge
    found, got, terrain, _ = states(cut, [whole, beside])
    assert found == ["edge", "dry_in_all"]
    assert got["lid_wet_return_yr"].isna().all()
    assert np.isnan(got["lid_pond_depth_100yr_m"][0])
    ground = ground_columns(np.array([at(*whole)], object), terrain, index=[0])
    assert np.isnan(ground["pond_depth_brim_m"][0])


def test_half_of_the_terrain_missing_leaves_the_other_half_open_along_the_cut():
    z = with_hollow(hill(), 40, 60)
    z[:, 61:] = np.nan
    assert states(z, [(40, 59), (40, 70), (40, 20)])[0] == ["edge", "unknown", "dry_in_all"]


def valley_with_hollow(cut):
    """A valley 600 m long; its floor has a hollow, rain on what is left fills but its bottom."""
    row, col = np.indices((160, 61))
    z = 200 - 0.4 * row + 1.5 * np.abs(col - 30)
    z[:, 0], z[:, -1], z[0] = z[:, 1] - 3, z[:, -2] - 3, z[1] - 3  # divides, then down
    z = with_hollow(z, 130, 30, radius=12, deep=8)
    z[145:] -= 20
    return z[cut:]


def test_a_valley_that_drains_in_from_outside_may_fill_its_hollow():
    # whole, the valley's rain wets the place; of what the cut leaves, it does not
    rain = {2: 0.8, 100: 1.2}
    places = [(row, 30) for row in range(124, 131)]
    whole = states(valley_with_hollow(0), places, rain)[0]
    cut = 116
    short = states(valley_with_hollow(cut), [(r - cut, c) for r, c in places], rain)[0]
    assert "edge" in short
    for before, after in zip(whole, short, strict=True):
        assert after != "dry_in_all" or before == "dry_in_all"


def test_water_that_comes_in_spills_from_hollow_to_hollow():
    row, col = np.indices((61, 61))
    z = 100 - 0.2 * row + 0.4 * np.abs(col - 30)
    z = with_hollow(with_hollow(z, 12, 30, radius=6, deep=2), 40, 30, radius=6, deep=2)
    little = {2: 0.1, 100: 0.2}  # nothing runs off
    assert states(z, [(12, 30), (40, 30), (40, 36)], little)[0] == ["edge", "edge", "dry_in_all"]
    z[0], z[:, 0], z[:, -1] = z[1] - 9, z[:, 1] - 9, z[:, -2] - 9  # nor does anything come in
    assert states(z, [(12, 30), (40, 30)], little)[0] == ["dry_in_all", "dry_in_all"]


def test_running_water_past_a_lid_is_not_known_where_land_outside_drains_in():
    row, col = np.indices((81, 81))
    z = 100 - 0.2 * row + 0.5 * np.abs(col - 40)
    terrain = build_terrain(grid(z))
    ponds = storm_ponds(terrain.opened, np.full(z.shape, 60.0), RAIN)
    got = swale_columns(
        np.array([at(40, 40), at(40, 20)], object), np.full(2, 5.0), terrain, ponds,
        rain_in=RAIN, rainfall_type="II", prefix="lid", index=pd.RangeIndex(2),
    )  # fmt: skip
    assert got["lid_swale_state"].tolist() == ["unknown", "none"]
    assert np.isnan(got["lid_swale_depth_m"][0])


def test_a_lid_in_a_hole_is_not_known_and_a_tiny_one_floods_nothing():
    z = hill()
    z[30:35, 40:45] = np.nan  # 25 cells, 625 m2
    z[60, 40] = np.nan  # one cell, 25 m2
    found, _, terrain, _ = states(z, [(32, 42), (60, 40), (60, 42)])
    assert found == ["unknown", "unknown", "dry_in_all"]
    assert terrain.beyond.is_guessed.sum() == 25


def test_a_hole_in_the_lip_of_a_hollow_may_hold_its_water():
    z = with_hollow(hill(), 40, 60)
    z[36:45, 65:72] = np.nan  # in it the lip, which the filling of the hole does not show
    z[38:43, 72:] = z[38:43, 72:] - 6
    assert "dry_in_all" not in states(z, [(40, 62), (40, 63)])[0]


def test_under_mapped_water_a_hole_is_closed_for_good():
    is_closed = np.zeros((20, 20), bool)
    is_closed[5:15, 5:15] = True
    lake = np.where(is_closed, 1, 0)
    assert 100 * CELL**2 > LARGEST_HOLE_M2
    assert guessed(is_closed, (CELL, CELL)).sum() == 100
    assert not guessed(is_closed, (CELL, CELL), lake).any()


def test_a_small_storm_alone_leaves_it_open():
    assert states(hill(), [(40, 60)], {2: 3.0})[0] == ["dry_so_far"]
    assert states(hill(), [(40, 60)], {2: 3.0, 50: 6.0})[0] == ["dry_so_far"]
    assert states(hill(), [(40, 60)], {500: 9.0})[0] == ["dry_in_all"]


def test_a_storm_that_surely_wets_is_kept_where_a_smaller_one_may():
    z = with_hollow(hill(), 40, 60)
    z = np.where(np.arange(81) > 64, z[:, 64:65] + 0.2 * (np.arange(81) - 64), z)[:, :70]
    found, got, _, _ = states(z, [(40, 57), (40, 60)], {1: 0.3, 100: 30.0})
    assert got["lid_wet_return_yr"][0] == 100
    assert found[0] == "edge"


def test_a_rough_place_beside_water_is_uncertain_and_an_exact_one_is_not():
    ponds = states(with_hollow(hill(), 40, 60), [(40, 60)])[3]
    points = np.array([at(40, 48), at(40, 48), at(40, 10), None], object)
    got = is_wet_nearby(points, np.array([80.0, 10.0, 80.0, 80.0]), np.full(4, np.nan), ponds)
    assert got.tolist() == [True, False, False, False]


def test_the_held_brim_is_that_of_a_reference():
    # scikit-image's reconstruction by erosion fills to the least level over all ways to the seeds
    rng = np.random.default_rng(5)
    z = rng.integers(0, 40, (30, 33)).astype(np.float32) / 4
    raised = z.copy()
    raised[[0, -1]] += HELD_M
    raised[1:-1, [0, -1]] += HELD_M
    seed = np.full_like(raised, raised.max())
    seed[[0, -1]], seed[:, [0, -1]] = raised[[0, -1]], raised[:, [0, -1]]
    expected = reconstruction(seed, raised, method="erosion", footprint=np.ones((3, 3)))
    assert beyond_of(z, (1.0, 1.0)).held == pytest.approx(expected)
