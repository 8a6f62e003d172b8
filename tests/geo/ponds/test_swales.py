"""Concentrated flow: TR-55's peak, Manning's depth, and a lid in a swale that drains ten acres."""

import itertools

import numpy as np
import pandas as pd
import pytest
from affine import Affine
from hypothesis import given
from hypothesis import strategies as st
from pyproj import CRS
from shapely import Point

from geo.kernels.stems import main_stem
from geo.ponds.swales import LEAST_AREA_M2, swale_columns, swale_storm, upslope_area_m2
from geo.runoff import runoff_depth
from geo.runoff.peak_flow import UNPAVED_N, peak_flow_m3_s, swale_depth_m, unit_peak_csm_in
from geo.runoff.storms import storm_ponds
from geo.runoff.travel_time import runoff_minutes, shallow_velocity_ft_s
from geo.terrain import build_terrain, fill_depressions, flow_accumulation, flow_direction
from layers.grid import Grid

UTM16 = CRS("EPSG:32616")
FT = 0.3048
SQUARE_MILE = (5280 * FT) ** 2


def test_tr55_example_4_1():
    """Example 4-1 of TR-55 (from memory): 250 acres, CN 75, Tc 1.53 h, 6 in, type II: 345 cfs.

    The booklet reads 270 csm/in off its chart; the formula behind the chart gives 269.
    """
    ia = 0.2 * (1000 / 75 - 10)
    assert unit_peak_csm_in(1.53, ia / 6) == pytest.approx(270, abs=2)
    peak = peak_flow_m3_s(250 / 640 * SQUARE_MILE, 3.28 * 0.0254, 1.53, ia / 6)
    assert peak / FT**3 == pytest.approx(345, abs=2)


def test_unit_peaks_keep_to_the_limits_of_the_method():
    # 0.1 h and Ia/P 0.1: 10 ** (2.55323 + 0.61512 - 0.16403), type II
    assert unit_peak_csm_in(0.1, 0.1) == pytest.approx(10**3.00432)
    assert unit_peak_csm_in(0.02, 0.05) == unit_peak_csm_in(0.1, 0.1)
    assert unit_peak_csm_in(20, 0.9) == unit_peak_csm_in(10, 0.5)
    at_one_hour = [
        float(unit_peak_csm_in(1, 0.1, rainfall_type=k)) for k in ("IA", "I", "III", "II")
    ]
    assert at_one_hour == sorted(at_one_hour)  # type II is the most intense of the four
    np.testing.assert_allclose(at_one_hour, [10**2.0325, 10**2.3055, 10**2.47317, 10**2.55323])


def test_the_roughness_is_the_one_behind_tr55s_shallow_flow():
    # appendix F: n 0.05 and a hydraulic radius of 0.4 ft give V = 16.1345 sqrt(s)
    velocity = 1.486 / UNPAVED_N * 0.4 ** (2 / 3)
    assert velocity == pytest.approx(16.1345, abs=2e-4)
    assert shallow_velocity_ft_s(1.0) == pytest.approx(16.1345)


def test_a_triangular_channel_by_hand():
    """Manning by hand: sides 1 in 4, bed 0.01, n 0.05, 0.3 m deep.

    area 4 x 0.09 = 0.36 m2; wetted 2 x 0.3 x sqrt(17) = 2.47386 m; radius 0.145522 m;
    velocity 0.145522 ** (2/3) x 0.1 / 0.05 = 0.553328 m/s; flow 0.199198 m3/s.
    """
    depth = swale_depth_m([0.199198], [0.01], [[0.25, 0.25]], n=0.05)
    assert depth[0] == pytest.approx(0.3, rel=1e-5)


@given(st.floats(0.001, 50), st.floats(0.001, 0.3), st.floats(0.02, 2), st.floats(0.02, 2))
def test_the_depth_carries_the_flow(flow, slope, left, right):
    (y,) = swale_depth_m([flow], [slope], [[left, right]])
    area = y * y * (1 / left + 1 / right) / 2
    wetted = y * (np.hypot(1, 1 / left) + np.hypot(1, 1 / right))
    assert (area / wetted) ** (2 / 3) * np.sqrt(slope) / UNPAVED_N * area == pytest.approx(flow)


def valley(rows=200, cols=200, cell=2.0, bed=0.02, side=0.1, is_closed=True):
    """A V-shaped valley falling to the south along its middle column, on cells of 2 m.

    A closed one has divides before its edges, beyond which the ground falls.
    """
    row, col = np.indices((rows, cols))
    z = 100 - bed * cell * row + side * cell * np.abs(col - cols // 2)
    if is_closed:
        z[0], z[:, [0, -1]] = z[1] - 1, z[:, [1, -2]] - 1
    return Grid(z.astype(np.float32), Affine(cell, 0, 1000, 0, -cell, 5000), UTM16)


def at(row, col, cell=2.0):
    return Point(1000 + (col + 0.5) * cell, 5000 - (row + 0.5) * cell)


RAIN = {2: 2.9, 10: 4.2}


def judged(points, must_pass, grid=None, rain=RAIN):
    terrain = build_terrain(grid or valley())
    ponds = storm_ponds(terrain.opened, np.full(terrain.ground.shape, 80.0), rain) if rain else None
    return terrain, swale_columns(
        np.array(points, object), np.array(must_pass, float), terrain, ponds,
        rain_in=rain, rainfall_type="II", prefix="lid", index=pd.RangeIndex(len(points)),
    )  # fmt: skip


def test_a_lid_in_a_swale_that_drains_ten_acres_is_exposed():
    points = [at(110, 100), at(110, 101), at(110, 100), at(110, 130), Point(0, 0), None]
    _, got = judged(points, [0.01, 0.01, 2.0, 0.01, 0.01, 0.01])
    # all water of the rows above, in a valley of 400 m: 110 rows x 400 x 2 m and more
    area = got["lid_upslope_area_m2"]
    assert area[0] == pytest.approx(111 * 400 * 2, rel=0.1)
    assert area[0] > 10 * LEAST_AREA_M2
    assert area[1] == area[0]  # one cell beside it the swale is found as well
    assert got["lid_swale_state"].tolist() == [
        "over_top", "over_top", "on_ground", "none", "unknown", "unknown",
    ]  # fmt: skip
    assert got["lid_swale_storm_yr"].unique().tolist() == [10]
    # the depth by hand: Manning on the flow told, bed 2 in 100, sides 1 in 10
    flow, depth = got["lid_swale_flow_m3_s"], got["lid_swale_depth_m"]
    y = swale_depth_m([flow[0]], [0.02], [[0.1, 0.1]])[0]
    assert depth[0] == pytest.approx(y, rel=0.02)
    assert depth[1] == pytest.approx(y - 0.2, abs=0.01)  # its ground lies 0.2 m over the bed
    # the flow by hand: 400 m of steep grass take between a tenth of an hour and an hour
    inches, miles = float(runoff_depth(4.2, 80, unit="in")), area[0] / SQUARE_MILE
    fast, slow = (unit_peak_csm_in(hours, 0.5 / 4.2) * inches * miles * FT**3 for hours in (0.1, 1))
    assert slow < flow[0] < fast
    assert depth[3] == 0
    assert np.isnan(area[4:]).all()


def test_the_peak_is_that_of_the_main_stem_reckoned_by_hand():
    terrain, got = judged([at(110, 100)], [0.01])
    direction, total = terrain.direction.values, terrain.accumulation.values
    z = terrain.filled.values.astype(float)
    stem = stem_by_hand(direction, total, (110, 100))
    run, sheet_z = 0.0, None
    for here, there in itertools.pairwise(stem[::-1]):  # from the divide down
        run += 2 * float(np.hypot(here[0] - there[0], here[1] - there[1]))
        if sheet_z is None and run >= 100 * FT:
            sheet_z = z[there]
    drop = z[stem[-1]] - z[stem[0]]
    sheet_drop = z[stem[-1]] - sheet_z
    hours = runoff_minutes(run, drop, sheet_drop, rain_2yr_m=2.9 * 0.0254) / 60
    runoff_m = float(runoff_depth(4.2, 80, unit="in")) * 0.0254
    peak = peak_flow_m3_s(got["lid_upslope_area_m2"][0], runoff_m, hours, 0.5 / 4.2)
    # the sheet flow's drop is told here to the next cell, and the stem is a cell shorter
    assert got["lid_swale_flow_m3_s"][0] == pytest.approx(peak, rel=0.01)


def test_without_storms_only_the_area_is_told():
    _, got = judged([at(110, 100)], [0.01], rain=None)
    assert got.columns.tolist() == ["lid_upslope_area_m2"]


def test_less_than_an_acre_is_no_swale():
    _, got = judged([at(2, 100), at(8, 100)], [0.01, 0.01])
    assert (got["lid_upslope_area_m2"] < LEAST_AREA_M2).tolist() == [True, False]
    assert got["lid_swale_state"].tolist() == ["none", "over_top"]
    assert np.isnan(got["lid_swale_flow_m3_s"][0])


def test_which_storm():
    assert swale_storm({2: 1.0, 10: 2.0, 25: 3.0}) == 10
    assert swale_storm({2: 1.0, 25: 3.0, 100: 4.0}) == 25
    assert swale_storm({2: 1.0, 5: 3.0}) == 5


def test_the_largest_area_near_a_point():
    terrain = build_terrain(valley(60, 60))
    acc = terrain.accumulation.values
    points = np.array([at(30, 28), at(0, 0), at(59, 59)], object)
    area, cell = upslope_area_m2(points, terrain)
    # within 3 m on cells of 2 m: the ring of eight
    assert area[0] == acc[29:32, 27:30].max() * 4
    assert area[1] == acc[0:2, 0:2].max() * 4
    assert acc.reshape(-1)[cell[2]] * 4 == area[2]


def stem_by_hand(direction, accumulation, start):
    step = {
        1: (0, 1),
        2: (-1, 1),
        3: (-1, 0),
        4: (-1, -1),
        5: (0, -1),
        6: (1, -1),
        7: (1, 0),
        8: (1, 1),
    }
    cells, here = [start], start
    while True:
        givers = []
        for code, (p, q) in step.items():
            i, j = here[0] + p, here[1] + q
            if 0 <= i < direction.shape[0] and 0 <= j < direction.shape[1] and direction[i, j]:
                r, c = step[int(direction[i, j])]
                if (i + r, j + c) == here:
                    givers.append((-accumulation[i, j], code, (i, j)))
        if not givers:
            return cells
        here = min(givers)[2]
        cells.append(here)


@pytest.mark.parametrize("seed", range(5))
def test_the_main_stem(seed):
    z = np.random.default_rng(seed).random((20, 25))
    direction = flow_direction(fill_depressions(z), 1.0)
    total = flow_accumulation(direction)
    start = np.unravel_index(int(total.argmax()), z.shape)
    stem = main_stem(direction, total, int(total.argmax()), z.size)
    expected = stem_by_hand(direction, total, tuple(int(k) for k in start))
    assert [divmod(int(c), 25) for c in stem] == expected
    assert total.reshape(-1)[stem[-1]] == 1  # up to the divide
    assert len(main_stem(direction, total, int(total.argmax()), 3)) == 3
