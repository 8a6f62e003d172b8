"""Culverts: water passes a dam, no cell rises, and every line is accounted for."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from geo.terrain import cut_culverts, fill_depressions, flow_direction, flow_paths
from geo.terrain.culverts import cells_along


def road_over_valley(slope: float = 0.1) -> np.ndarray:
    """A V-shaped valley falling to the west, closed in the east; a road across columns 14 to 18."""
    row, col = np.indices((21, 34))
    z = 100 + col * slope + np.abs(row - 10) * 1.0
    z[:, 14:19] = np.maximum(z[:, 14:19], 110)
    z[:, -1] = 120
    return z.astype(np.float32)


def on_map(*cells: tuple[float, float], width=1.0, height=1.0) -> np.ndarray:
    """Map coordinates of (row, column) counted from the corner at (1000, 2000)."""
    rc = np.array(cells, float)
    return np.column_stack((1000 + rc[:, 1] * width, 2000 - rc[:, 0] * height))


@pytest.mark.parametrize("turn", [False, True])
@pytest.mark.parametrize(("width", "height"), [(1.0, 1.0), (2.0, 5.0)])
def test_water_passes(grid_of, turn, width, height):
    z = road_over_valley()
    dammed = fill_depressions(z)
    assert dammed[10, 25] > z[10, 25] + 4  # without the culvert there is a pond
    line = on_map((10.5, 19.4), (10.5, 13.6), width=width, height=height)[:: -1 if turn else 1]
    cut, (report,) = cut_culverts(grid_of(z, width, height), [line])
    assert report.used
    assert report.reason == "cut"
    assert report.cells == 5  # the cells of the road, no others
    assert report.max_cut_m == pytest.approx(110 - 101.2, abs=0.2)
    assert not (cut.values > z).any()
    assert (cut.values != z).sum() == 5
    filled = fill_depressions(cut.values)
    assert (filled - cut.values).max() < 0.05
    path = flow_paths(flow_direction(filled, (width, height)), [[10, 25]])[0]
    assert set(range(14, 19)) <= set(path[path[:, 0] == 10][:, 1])
    assert path[-1, 1] == 0
    bed = cut.values[10, 12:21]
    assert (np.diff(bed) > 0).all()  # falls all the way to the west


def test_a_crooked_slanting_culvert_passes(grid_of):
    z = road_over_valley()
    cut, (report,) = cut_culverts(
        grid_of(z), [on_map((11.7, 20.2), (9.3, 17.1), (9.8, 15.5), (10.6, 12.9))]
    )
    assert report.used
    filled = fill_depressions(cut.values)
    path = flow_paths(flow_direction(filled, 1.0), [[10, 30]])[0]
    assert path[-1, 1] == 0
    assert (filled - cut.values).max() < 0.5


def test_an_end_drawn_short_of_its_ditch_finds_it(grid_of):
    z = road_over_valley()
    ends_in_bank = on_map((10.5, 18.2), (10.5, 14.8))
    cut, (report,) = cut_culverts(grid_of(z), [ends_in_bank])
    assert report.used
    assert (fill_depressions(cut.values) - cut.values).max() < 0.5
    strict, _ = cut_culverts(grid_of(z), [ends_in_bank], reach_cells=0)
    assert (fill_depressions(strict.values) - strict.values).max() > 4


def test_a_short_culvert_does_not_take_one_ditch_for_both_ends(grid_of):
    z = np.full((9, 12), 50, np.float32)
    z[4, :5] = 40  # the lower ditch
    z[4, 6:11] = 41
    cut, (report,) = cut_culverts(grid_of(z), [on_map((4.5, 6.2), (4.5, 4.8))])
    assert report.used
    assert report.cells == 1
    assert 40 < cut.values[4, 5] < 41


def test_every_line_is_accounted_for(grid_of):
    z = road_over_valley()
    z[0:6, 16] = np.nan
    lines = {
        "no usable coordinates": [[[1, 2]], np.empty((0, 2)), [[1005, np.nan], [1010, 1990]]],
        "shorter than a cell": [
            on_map((10.2, 15), (10.2, 15.9)),
            on_map((10.2, 14), (10.2, 19), (10.2, 14)),
        ],
        "off the terrain": [on_map((10, 30), (10, 36)), on_map((10, 3), (-0.5, 3))],
        "crosses a void": [on_map((3.5, 12.5), (3.5, 20.5)), on_map((3.5, 16.5), (8.5, 16.5))],
        "cut": [on_map((10.5, 25.5), (10.5, 5.5))],
        "already open": [on_map((10.5, 12.5), (10.5, 3.5))],
    }
    flat = [(reason, line) for reason, group in lines.items() for line in group]
    cut, reports = cut_culverts(grid_of(z), [line for _, line in flat])
    assert [r.index for r in reports] == list(range(len(flat)))
    assert [r.reason for r in reports] == [reason for reason, _ in flat]
    assert [r.used for r in reports] == [r.reason in ("cut", "already open") for r in reports]
    assert (cut.values != z).sum() == np.isnan(z).sum() + 5  # NaN differs from itself


def test_order_of_lines_makes_no_difference(grid_of):
    z = road_over_valley()
    lines = [
        on_map((10.5, 20), (10.5, 12)),
        on_map((12.5, 20), (8.5, 12)),
        np.column_stack((on_map((8.5, 20), (12.5, 12)), [7.0, 7.0])),  # heights are not used
    ]
    one, _ = cut_culverts(grid_of(z), lines)
    other, _ = cut_culverts(grid_of(z), lines[::-1])
    np.testing.assert_array_equal(one.values, other.values)
    with pytest.raises(ValueError, match="reach_cells must not be negative, as -1 is"):
        cut_culverts(grid_of(z), lines, reach_cells=-1)


corner = st.tuples(st.floats(0.05, 7.95), st.floats(0.05, 7.95))


@given(st.lists(corner, min_size=2, max_size=5))
@settings(deadline=None, max_examples=100)
def test_cells_along_a_line_are_those_shapely_says_it_enters(points):
    rc = np.array(points)
    cells, along = cells_along(rc, (2.0, 3.0))
    assert (np.abs(np.diff(cells, axis=0)).max(axis=1, initial=0) <= 1).all()
    line = shapely.LineString(rc)
    reach = shapely.LineString(rc * (3.0, 2.0)).length
    assert ((along >= 0) & (along <= reach + 1e-9)).all()
    assert (np.diff(along) > 0).all()
    touched = {tuple(c) for c in cells.tolist()}
    for i, j in np.ndindex(8, 8):
        inside = line.intersection(
            shapely.box(i + 1e-6, j + 1e-6, i + 1 - 1e-6, j + 1 - 1e-6)
        ).length
        if inside > 1e-6:
            assert (i, j) in touched
        elif (i, j) in touched:
            assert shapely.box(i, j, i + 1, j + 1).distance(line) < 1e-9
