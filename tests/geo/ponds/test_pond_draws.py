"""Chances of ponds: an exact case, the terrain as it is, closed forms, any number of workers."""

import numpy as np
import pandas as pd
import pytest
from affine import Affine
from pyproj import CRS
from scipy.integrate import quad
from scipy.stats import norm
from shapely import Point

from geo.ponds.draw_windows import WINDOW_CELLS
from geo.ponds.pond_draws import pond_chances
from geo.ponds.ponding import storm_columns
from geo.runoff.storms import storm_ponds
from geo.terrain.draws import ErrorModel, displacements
from geo.terrain.error_field import ErrorField
from layers.grid import Grid, Window

UTM16 = CRS("EPSG:32616")
WEST, NORTH = 500_000.0, 2_930_000.0
RAIN_IN = {1: 0.4, 5: 1.2, 25: 2.5, 100: 5.0}


def grid(z, cell=1.0):
    return Grid(z, Affine(cell, 0, WEST, 0, -cell, NORTH), UTM16)


def at(row, col, cell=1.0):
    return Point(WEST + (col + 0.5) * cell, NORTH - (row + 0.5) * cell)


def chances(points, ponds, error, *, accuracy=np.nan, riser=0.0, **more):
    n = len(points)
    return pond_chances(
        np.array(points, object),
        more.pop("ids", [f"U{k}" for k in range(n)]),
        np.broadcast_to(np.asarray(accuracy, float), n),
        np.broadcast_to(np.asarray(riser, float), n),
        ponds,
        error,
        series="partial_duration",
        prefix="lid",
        index=pd.RangeIndex(n),
        **more,
    )


def rough(shape=(90, 100), seed=0, cell=1.0):
    z = sum(
        ErrorField(sd, scale, (1.0, 1.0), seed).read(k, Window(0, 0, *shape)).astype(float)
        for k, (sd, scale) in enumerate([(0.1, 3.0), (0.3, 9.0)])
    )
    z = z + np.arange(shape[0])[:, None] * 0.01
    numbers = np.where(np.random.default_rng(seed).random(shape) < 0.5, 98.0, 75.0)
    return storm_ponds(grid(z.astype(np.float32), cell), numbers, RAIN_IN)


# Center of a 3 x 3 window lower than its eight neighbors, which drain off, by k standard
# deviations of independent errors: chance that it is a depression, integral of
# phi(x) (1 - Phi(x - k))^8 over x (elementary probability; Lindsay and Creed 2005 have the idea).
EXACT = {0: 0.11111, 0.5: 0.21585, 1: 0.36143, 2: 0.69132, 3: 0.90984, 4: 0.98476}


@pytest.mark.parametrize("k", EXACT)
def test_the_exact_chance_of_a_depression_in_three_by_three(k):
    exact, _ = quad(lambda x: norm.pdf(x) * norm.sf(x - k) ** 8, -9, 9)
    assert exact == pytest.approx(EXACT[k], abs=6e-6)
    sd, draws = 0.1, 1000
    z = np.full((3, 3), 50.0, np.float32)
    z[1, 1] -= k * sd
    ponds = storm_ponds(grid(z), np.full((3, 3), 98.0), {10: 3.0})
    got = chances([at(1, 1)], ponds, ErrorModel(1.96 * sd, 0.0, draws, seed=7))
    p = got.columns["lid_depression_probability"].iloc[0]
    assert p == pytest.approx(exact, abs=3.5 * np.sqrt(exact * (1 - exact) / draws))
    assert got.draws == draws


def test_an_error_alike_everywhere_changes_nothing():
    # fully correlated error: the answer of the terrain as it is
    ponds = rough()
    points = [at(r, c) for r in range(5, 85, 8) for c in range(5, 95, 9)]
    got = chances(points, ponds, ErrorModel(0.02, 300.0, 2, seed=0)).columns
    plain = storm_columns(
        np.array(points, object), np.zeros(len(points)), ponds, prefix="lid", index=got.index
    )
    wet = plain["lid_wet_return_yr"]
    for years in RAIN_IN:
        expected = (wet <= years).astype(float)
        found = got[f"lid_wet_{years}yr_probability"]
        assert (found != expected).mean() <= 0.02  # ponds a hair over or under the least depth


def test_no_error_gives_the_terrain_as_it_is_whatever_the_windows():
    ponds = rough(shape=(300, 320))
    for spot in ([(150, 160), (40, 50)], [(20, 300)], [(5, 5), (290, 10), (150, 299)]):
        points = [at(r, c) for r, c in spot]
        got = chances(points, ponds, ErrorModel(1e-9, 2.0, 1, seed=0))
        plain = storm_columns(
            np.array(points, object),
            np.zeros(len(points)),
            ponds,
            prefix="lid",
            index=[*range(9)][: len(points)],
        )
        wet = got.columns.filter(regex=r"_\d+yr_prob").to_numpy() > 0.5
        years = np.array(list(RAIN_IN))
        np.testing.assert_array_equal(
            wet, plain["lid_wet_return_yr"].to_numpy()[:, None] <= years[None, :]
        )


def test_what_spills_from_outside_a_window_reaches_its_ponds():
    # A wide dish whose spill runs 60 m down a gully into a deep small one: rain on the small one
    # alone would not wet the lid, what the wide one lets go does. The window holds the small one.
    z = np.full((60, 140), 40.0, np.float32) - np.arange(140, dtype=np.float32) * 0.05
    z[5:55, 5:55] = 30.0
    z[30, 55:120] = np.linspace(31.0, 21.0, 65, dtype=np.float32)  # the notch, then the gully
    z[25:36, 120:131] = 5.0
    z[30, 131:] = 20.0  # its own way out, lower than the notch
    ponds = storm_ponds(grid(z), np.full(z.shape, 100.0), {2: 10.0, 100: 60.0})
    lid = [at(30, 125)]
    plain = storm_columns(
        np.array(lid, object), np.array([13.0]), ponds, prefix="lid", index=pd.RangeIndex(1)
    )
    assert plain["lid_wet_return_yr"].iloc[0] == 100
    got = chances(lid, ponds, ErrorModel(0.01, 1.0, 4, 0), riser=13.0)
    assert got.cells < 4 * z.size
    assert got.columns["lid_wet_2yr_probability"].iloc[0] == 0
    assert got.columns["lid_wet_100yr_probability"].iloc[0] == 1


def test_a_pond_of_known_depth_is_there_with_the_normal_chance():
    # A walled bowl with a level floor under a deep flood whose surface hangs on the outlet alone:
    # wet over a riser of height h when outlet - floor > h, two independent errors:
    # P = Phi((depth - h) / (sd sqrt 2)) (elementary probability)
    z = np.full((9, 41), 60.0, np.float32)
    z[1:-1, 1:-1] = 50.0
    z[4, -1] = 51.0  # the only way out, far from the lid in correlation ranges
    ponds = storm_ponds(grid(z), np.full(z.shape, 100.0), {100: 200.0})
    sd, draws = 0.1, 1200
    risers = np.array([0.8, 0.9, 1.0, 1.1])
    got = chances(
        [at(4, 5)] * 4, ponds, ErrorModel(1.96 * sd, 1.0, draws, seed=2), riser=risers
    ).columns["lid_wet_100yr_probability"]
    theory = norm.cdf((1.0 - risers) / (sd * np.sqrt(2)))
    assert np.abs(got - theory).max() < 3.5 * np.sqrt(0.25 / draws)


def test_more_rain_never_makes_a_chance_smaller():
    ponds = rough(seed=4)
    points = [at(r, c) for r in range(3, 87, 5) for c in range(3, 97, 5)]
    got = chances(
        points, ponds, ErrorModel(0.2, 4.0, 12, seed=1), accuracy=10.0, riser=0.05
    ).columns
    by_storm = got.filter(regex=r"_\d+yr_prob").to_numpy()
    assert (np.diff(by_storm, axis=1) >= 0).all()
    assert ((by_storm > 0) & (by_storm < 1)).sum() > 100
    annual = got["lid_wet_annual_probability"]
    assert (annual <= by_storm[:, -1] + 1e-12).all()
    assert (annual >= by_storm[:, 0] * (1 - np.exp(-1)) - 1e-12).all()
    # a place is wet only in a depression
    assert (by_storm[:, -1] <= got["lid_depression_probability"]).all()


def test_the_same_for_any_number_of_workers_and_any_company():
    ponds = rough(shape=(400, 420), seed=6)
    points = [at(20, 30), at(22, 35), at(370, 390)]
    error = ErrorModel(0.2, 3.0, 8, seed=3)
    one = chances(points, ponds, error, accuracy=6.0, workers=1)
    two = chances(points, ponds, error, accuracy=6.0, workers=2)
    assert one.windows > 1
    pd.testing.assert_frame_equal(one.columns, two.columns, check_exact=True)
    other_seed = chances(points, ponds, ErrorModel(0.2, 3.0, 8, seed=4), accuracy=6.0)
    assert not other_seed.columns.equals(one.columns)
    # the noise under a lid is the same whoever else is asked about
    alone = chances(points[:1], ponds, error, accuracy=6.0)
    assert alone.columns.iloc[0].tolist() == pytest.approx(one.columns.iloc[0].tolist(), abs=0.13)


def test_positions_are_drawn_to_their_accuracy():
    a95 = np.array([10.0, np.nan, 0.0, 50.0])
    moved = displacements(["A", "B", "C", "D"], a95, draws=4000, seed=0)
    distance = np.hypot(moved[:, :, 0], moved[:, :, 1])
    # 95 % lie within the accuracy (circular normal, 2.4477 standard deviations an axis)
    for k in (0, 3):
        assert (distance[:, k] <= a95[k]).mean() == pytest.approx(0.95, abs=0.013)
    assert (distance[:, 1:3] == 0).all()
    fewer = displacements(["D", "A"], a95[[3, 0]], draws=10, seed=0)
    np.testing.assert_array_equal(fewer, moved[:10][:, [3, 0]])


def test_ground_and_water_are_read_at_the_same_displaced_point():
    # Two flat steps in one deep flood: water stands 2 m over one, 1 m over the other. A lid on the
    # edge of the step with a riser of 1.5 m is wet wherever it truly lies on the lower one; read
    # the ground at one point and the water over another and it would never or always be.
    z = np.full((21, 41), 60.0, np.float32)
    z[1:-1, 1:20], z[1:-1, 20:-1] = 50.0, 51.0
    z[10, -1] = 52.0
    ponds = storm_ponds(grid(z), np.full(z.shape, 100.0), {10: 300.0})
    edge = Point(WEST + 20.0, NORTH - 10.5)
    draws = 600
    got = chances([edge], ponds, ErrorModel(1e-6, 1.0, draws, 0), accuracy=5.0, riser=1.5)
    p = got.columns["lid_wet_10yr_probability"].iloc[0]
    assert p == pytest.approx(0.5, abs=3.5 * np.sqrt(0.25 / draws))


def test_points_off_the_terrain_are_not_known():
    ponds = rough(shape=(40, 50))
    got = chances([Point(0, 0), None, Point(), at(20, 20)], ponds, ErrorModel(0.2, 2.0, 3, 0))
    assert got.columns.iloc[:3].isna().all(axis=None)
    assert got.columns.iloc[3].notna().all()


def test_the_budget_is_kept_by_fewer_draws():
    ponds = rough(shape=(60, 70))
    error = ErrorModel(0.2, 2.0, 40, 0)
    everything = chances([at(30, 30)], ponds, error)
    assert everything.draws == 40
    one = everything.cells // 40 + WINDOW_CELLS
    some = chances([at(30, 30)], ponds, error, budget_cells=25 * one + 5)
    assert some.draws == 25
    assert some.cells == 25 * (one - WINDOW_CELLS)
    none = chances([at(30, 30)], ponds, error, budget_cells=9 * one)
    assert (none.draws, none.cells) == (0, 0)
    assert none.columns.isna().all(axis=None)


def test_a_pipe_stays_open_whatever_the_error():
    # a trench through an embankment: the error would dam it by chance, but water still passes
    z = np.full((21, 60), 60.0, np.float32)
    z[1:-1, 1:30] = 50.0
    z[10, 30:] = np.linspace(50, 49.9, 30, dtype=np.float32)
    pipes = np.ravel_multi_index((np.full(30, 10), np.arange(30, 60)), z.shape)
    ponds = storm_ponds(grid(z), np.full(z.shape, 100.0), {10: 20.0})
    error = ErrorModel(0.4, 2.0, 60, 0)
    lid = [at(10, 28)]
    dammed = chances(lid, ponds, error, riser=0.2).columns["lid_wet_10yr_probability"][0]
    opened = chances(lid, ponds, error, riser=0.2, pipes=pipes).columns
    assert dammed > 0.5
    assert opened["lid_wet_10yr_probability"][0] < dammed / 2
