"""The terrain an assessment uses: its surfaces agree with each other and with the parts."""

from __future__ import annotations

import os
import subprocess
import sys
import textwrap

import numpy as np
import pytest

from geo import terrain
from geo.terrain import build_terrain, model
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
    assert result.void_count == 24 + 45
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
    with pytest.raises(TerrainError, match=r"needs about 3360\.0 GB .* 8\.0 GB are free") as error:
        build_terrain(Unread())
    assert "at least 20.5 times as wide" in error.value.mend
    # a system that does not say is no reason to refuse
    monkeypatch.setattr(model, "_available_bytes", lambda: None)
    with pytest.raises(AssertionError, match="read before"):
        build_terrain(Unread())


def test_available_memory_is_believable():
    available = model._available_bytes()
    assert available is None or 10_000_000 < available < 2**50


@pytest.mark.skipif(sys.platform != "linux", reason="greatest memory is read as Linux tells it")
def test_memory_needed_is_not_understated():
    """Greatest resident memory of a process that builds 4 million cells, less that before."""
    program = """
        import numpy as np
        from pathlib import Path
        from affine import Affine
        from pyproj import CRS
        from geo.terrain import build_terrain, model
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
                Source(n), culverts=[line], drainage=lambda g: g.values < 0.01
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
