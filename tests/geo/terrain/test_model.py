"""The terrain an assessment uses: its surfaces agree with each other and with the parts."""

from __future__ import annotations

import os
import subprocess
import sys
import textwrap

import numpy as np
import pytest
from shapely import LineString

from geo import terrain
from geo.terrain import Crossing, FlatLimits, build_terrain, model
from layers.errors import TerrainError


@pytest.fixture
def ground(rough) -> np.ndarray:
    z = rough(11, (70, 80), step=0.1)
    z[30:34, 40:46] = np.nan  # a house
    z[:5, :9] = np.nan  # off the county
    return z


def test_surfaces_agree(ground, grid_of):
    stream = np.zeros(ground.shape, bool)
    stream[:, 60:62] = True
    line = np.array([[1020.5, 1980.5], [1028.5, 1975.5]])
    seen = []

    def burn(grid):
        seen.append(grid)
        return stream

    result = build_terrain(grid_of(ground, 2.0, 3.0), culverts=[line], drainage=burn)
    np.testing.assert_array_equal(result.ground.values, ground)
    assert np.isnan(result.ground.values).sum() == 24 + 45
    assert result.is_closed.sum() == 24
    opened, filled = result.opened.values, result.filled.values
    closed, _ = terrain.close_voids(ground, (2.0, 3.0))
    cut, reports = terrain.cut_culverts(grid_of(closed, 2.0, 3.0), [line])
    np.testing.assert_array_equal(opened, cut.values)
    assert result.culvert_reports == tuple(reports)
    assert reports[0].used
    np.testing.assert_array_equal(filled, terrain.fill_depressions(opened))
    direction = terrain.flow_direction(filled, (2.0, 3.0))
    np.testing.assert_array_equal(result.direction.values, direction)
    outside = np.isnan(filled)
    assert outside.sum() == 45
    assert (result.accumulation.values[outside] == 0).all()
    ends = result.accumulation.values[(direction == 0) & ~outside]
    assert ends.sum() == ground.size - 45
    np.testing.assert_array_equal(
        result.hand.values, terrain.height_above_drainage(filled, direction, stream)
    )
    assert len(seen) == 1
    pond = result.pond_depth.values
    same = opened == closed
    np.testing.assert_array_equal(pond[same], (filled - opened)[same])
    assert np.isnan(pond[outside]).all()
    assert {g.transform for g in (result.ground, result.opened, result.filled, result.pond_depth)}
    assert result.filled.values.dtype == np.float32


def test_nothing_stands_on_a_road_over_its_culvert(grid_of):
    row, col = np.indices((21, 34))
    z = (100 + col * 0.1 + np.abs(row - 10)).astype(np.float32)
    z[:, 14:19] = 110
    z[:, -1] = 120
    z[10, 20] = 90  # a hole the culvert cannot drain
    line = np.array([[1019.5, 1989.5], [1013.4, 1989.5]])
    dammed = build_terrain(grid_of(z))
    drained = build_terrain(grid_of(z), culverts=[line])
    assert dammed.hand is None
    assert dammed.pond_depth.values[10, 25] > 4
    assert drained.pond_depth.values[10, 25] == 0
    assert drained.pond_depth.values[10, 20] > 5
    assert (drained.opened.values[10, 14:19] < 103).all()
    assert (drained.pond_depth.values[10, 14:19] == 0).all()


def test_a_road_without_a_culvert_is_cut_and_can_be_blocked_again(grid_of):
    row, col = np.indices((21, 34))
    z = (100 + col * 0.1 + np.abs(row - 10)).astype(np.float32)
    z[:, 14:19] = 104
    z[:, -1] = 120
    stream = LineString([(1033, 1989.5), (1000, 1989.5)])
    road = LineString([(1016.5, 2005), (1016.5, 1970)])
    crossing = Crossing(stream.intersection(road), stream, road, 1.5)
    pipe = np.array([[1019.5, 1989.5], [1013.4, 1989.5]])
    off = np.array([[1019.5, 1989.5], [1013.4, 2989.5]])

    def build(culverts, served_by, **limits):
        return build_terrain(
            grid_of(z),
            culverts=culverts,
            crossings=[(crossing, served_by)],
            limits=FlatLimits(**limits),
        )

    breached = build([], [])
    (report,) = breached.breach_reports
    assert (report.used, report.cells, report.index) == (True, 5, 0)
    assert breached.cut_cells.size
    assert breached.pond_depth.values[10, 25] == 0
    np.testing.assert_array_equal(breached.blocked().values, z)
    np.testing.assert_array_equal(breached.ground.values, z)
    served = build([pipe], [0])
    assert served.breach_reports == (None,)
    np.testing.assert_array_equal(served.blocked().values, z)
    unusable = build([off], [0])  # a culvert that cannot be used serves nothing
    assert not unusable.culvert_reports[0].used
    assert unusable.breach_reports[0].used
    switched_off = build([], [], breach_length_m=0)
    assert switched_off.breach_reports == (None,)
    assert not switched_off.cut_cells.size
    assert build([], [], breach_depth_m=1).breach_reports[0].reason == "too deep"


def test_a_lake_is_level_and_low_ground_is_measured_from_its_water(grid_of):
    row, col = np.indices((31, 31))
    away = np.hypot(row - 15, col - 15)
    random = np.random.default_rng(5)
    z = np.where(away < 7, 50 + random.normal(0, 0.05, away.shape), 50.2 + 0.1 * (away - 7))
    z = z.astype(np.float32)
    z[15, 23:] = np.linspace(50.15, 49, 8)  # its outlet
    is_lake = away < 7

    def build(**more):
        return build_terrain(grid_of(z), drainage=is_lake, **more)

    rough, flat = build(), build(waters=is_lake.astype(np.int32))
    assert np.ptp(rough.opened.values[is_lake]) > 0.1
    assert np.ptp(flat.opened.values[is_lake]) == 0
    (report,) = flat.water_reports
    assert report.level_m == pytest.approx(50, abs=0.1)
    np.testing.assert_array_equal(flat.ground.values, z)  # what was read stays
    # nothing stands on a lake that is not fuller than its outlet, and heights are over its water
    assert (flat.pond_depth.values[is_lake] <= 50.2 - report.level_m + 1e-4).all()
    bank = (15, 5)
    assert flat.hand.values[bank] == pytest.approx(z[bank] - flat.filled.values[15, 15], abs=1e-4)
    assert not flat.cut_cells.size  # a blocked culvert does not roughen a lake
    np.testing.assert_array_equal(flat.blocked().values, flat.opened.values)
    called = build(waters=lambda grid: is_lake.astype(np.uint8))
    np.testing.assert_array_equal(called.opened.values, flat.opened.values)
    with pytest.raises(ValueError, match="bodies has shape"):
        build(waters=np.zeros((2, 2), int))


def test_whole_numbers_and_masks_given_beforehand(grid_of):
    z = np.array([[9, 9, 9, 9], [9, 1, 2, 9], [9, 9, 5, 9]], np.int16)
    result = build_terrain(grid_of(z), drainage=np.ones(z.shape, bool))
    assert result.ground.values.dtype == np.float32
    np.testing.assert_array_equal(result.pond_depth.values[1], [0, 4, 3, 0])
    assert (result.hand.values == 0).all()
    with pytest.raises(ValueError, match="drainage has shape"):
        build_terrain(grid_of(z), drainage=np.ones((2, 2), bool))


@pytest.mark.parametrize(
    ("values", "says"),
    [
        (np.full((4, 5), np.nan), "4 x 5 cells holds no elevation"),
        (np.empty((0, 5)), "0 x 5 cells holds no elevation"),
        (np.array([[1.0, np.inf]]), "1 infinite values, the first in row 0, column 1"),
        (np.array([["a"]]), "must be numbers"),
    ],
)
def test_what_is_no_ground_is_refused(grid_of, values, says):
    with pytest.raises(TerrainError, match=says):
        build_terrain(grid_of(values))


class Unread:
    """A source that must not be read."""

    shape = (200_000, 300_000)

    def read(self, window=None):
        raise AssertionError("read before the memory was looked at")


def test_too_large_is_refused_before_it_is_read(monkeypatch):
    monkeypatch.setattr(model, "_available_bytes", lambda: 8_000_000_000)
    with pytest.raises(TerrainError, match=r"needs about 3480\.0 GB .* 8\.0 GB are free") as error:
        build_terrain(Unread())
    assert "at least 20.9 times as wide" in error.value.hint
    monkeypatch.setattr(model, "_available_bytes", lambda: 3_480_000_000_001)
    with pytest.raises(AssertionError, match="read before"):
        build_terrain(Unread())


def test_available_memory_is_believable():
    assert 10_000_000 < model._available_bytes() < 2**50


@pytest.mark.skipif(sys.platform != "linux", reason="greatest memory is read as Linux tells it")
def test_memory_needed_is_not_understated():
    """Greatest resident memory of a process that builds 4 million cells, less that before."""
    program = """
        import numpy as np
        from pathlib import Path
        from affine import Affine
        from pyproj import CRS
        from geo.terrain import Crossing, FlatLimits, build_terrain, model
        from layers.grid import Grid

        class Source:
            def __init__(self, n):
                self.shape = (n, n)
            def read(self, window=None):
                z = np.random.default_rng(0).random(self.shape, np.float32)
                z[5:50, 5:50] = np.nan
                return Grid(z, Affine(1, 0, 0, 0, -1, 0), CRS.from_epsg(32616))

        def build(n):
            line = np.array([[60, -60], [70, -70]])
            return build_terrain(
                Source(n), culverts=[line], drainage=lambda g: g.values < 0.01,
                waters=lambda g: (np.indices(g.shape)[0] % 50 < 9).astype(np.int32),
                limits=FlatLimits(water_fall_m=2.0),
            )
        def most():
            status = dict(l.split(":", 1) for l in Path("/proc/self/status").open())
            return int(status["VmHWM"].split()[0]) * 1024
        build(100)
        before = most()
        kept = build(2000)
        print((most() - before) / 2000**2, model._BYTES_A_CELL)
    """
    done = subprocess.run(
        [sys.executable, "-c", textwrap.dedent(program)],
        capture_output=True,
        text=True,
        check=True,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(filter(None, sys.path))},
    )
    needed, foreseen = map(float, done.stdout.split())
    assert 20 < needed <= foreseen
