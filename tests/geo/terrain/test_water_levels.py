"""Water surfaces: one level, never above their shore, rivers left sloping, dams left standing."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geo.terrain import flatten_waters


def lake(noise: float = 0.05, seed: int = 0) -> tuple[np.ndarray, np.ndarray]:
    """A lake of radius 12 at 100 m, its echoes scattered, in a bowl with banks of 1 in 5."""
    row, col = np.indices((41, 41))
    away = np.hypot(row - 20, col - 20)
    z = 100.15 + np.maximum(away - 12, 0) * 0.2
    scatter = np.random.default_rng(seed).normal(0, noise, z.shape)
    z = np.where(away <= 12, 100 + scatter, z)
    return z.astype(np.float32), (away <= 12).astype(np.int32)


def test_a_lake_gets_one_level_at_its_water():
    z, body = lake()
    flat, (report,) = flatten_waters(z, body)
    inside = body == 1
    assert np.unique(flat[inside]).tolist() == [np.float32(report.level_m)]
    assert report.level_m == pytest.approx(100, abs=0.05)
    assert (report.is_flat, report.reason, report.cells) == (True, "flattened", inside.sum())
    assert report.above_shore_m == 0
    np.testing.assert_array_equal(flat[~inside], z[~inside])
    assert flat.dtype == z.dtype


def test_a_bed_is_raised_to_the_water():
    z, body = lake()
    row, col = np.indices(z.shape)
    z[np.hypot(row - 20, col - 20) < 4] = 93  # sounded, or closed as a void
    flat, (report,) = flatten_waters(z, body)
    assert flat[20, 20] == np.float32(report.level_m) > 99.9


def test_water_never_stands_above_its_shore():
    z, body = lake(noise=0.0)
    z[20, 33] = 99.8  # the outlet, just outside the outline
    flat, (report,) = flatten_waters(z, body)
    assert report.level_m == pytest.approx(99.8)
    assert report.above_shore_m == 0
    assert flat[20, 20] == np.float32(99.8)
    z[20, 33] = 94  # the outline passes a dam: its foot does not empty the lake
    _, (report,) = flatten_waters(z, body)
    assert report.level_m == pytest.approx(99.5)
    assert report.above_shore_m == pytest.approx(5.5)


def test_banks_dams_and_islands_inside_the_outline_stay():
    z, body = lake()
    z[18:22, 28:31] = 103  # a dam the outline takes in
    z[10:12, 20:22] = 100.2  # mud just above the water
    flat, (report,) = flatten_waters(z, body)
    assert (flat[18:22, 28:31] == 103).all()
    assert report.banks == 12
    assert (flat[10:12, 20:22] == np.float32(report.level_m)).all()


def test_a_river_drawn_as_an_area_stays_sloping():
    z = np.tile(np.linspace(100, 98, 60, dtype=np.float32), (9, 1))
    body = np.zeros(z.shape, np.uint8)
    body[3:6] = 1
    flat, (report,) = flatten_waters(z, body)
    np.testing.assert_array_equal(flat, z)
    assert (report.is_flat, report.reason) == (False, "slopes")
    assert report.fall_m == pytest.approx(0.65 * 2, abs=0.05)  # 10th to 75th percentile of 2 m
    flat, (report,) = flatten_waters(z, body, most_fall_m=2)
    assert report.is_flat


def test_each_number_is_accounted_for():
    z, body = lake()
    body[body == 1] = 2
    body[0, 0] = 4
    z[0, 0] = np.nan
    body[40, 40] = 5
    flat, reports = flatten_waters(z, body)
    assert [r.label for r in reports] == [1, 2, 3, 4, 5]
    assert [r.reason for r in reports] == [
        "no ground inside", "flattened", "no ground inside", "no ground inside", "flattened",
    ]  # fmt: skip
    assert np.isnan(flat[0, 0])
    assert flat[40, 40] == z[39, 39] < z[40, 40]  # the lowest of the cells around it
    assert flatten_waters(z, np.zeros(z.shape, int))[1] == []


@given(st.integers(0, 10_000))
@settings(deadline=None, max_examples=100)
def test_whatever_the_ground(seed):
    """Flat, not above the shore but for the stated cut, no cell cut by more than its limits."""
    random = np.random.default_rng(seed)
    z = random.normal(0, random.choice([0.05, 0.3, 2.0]), (12, 14))
    z[random.random(z.shape) < 0.1] = np.nan
    body = (random.random(z.shape) < 0.4).astype(int) * random.integers(1, 4, z.shape)
    flat, reports = flatten_waters(z, body)
    outside = (body == 0) | np.isnan(z)
    np.testing.assert_array_equal(flat[outside], z[outside])
    np.testing.assert_array_equal(np.isnan(flat), np.isnan(z))
    for report in reports:
        inside = (body == report.label) & ~np.isnan(z)
        if not report.is_flat:
            np.testing.assert_array_equal(flat[inside], z[inside])
            continue
        lowered = z[inside] - flat[inside]
        assert lowered.max() <= 0.5 + 1e-9  # MOST_CUT_M over the level
        assert (flat[inside] == report.level_m).sum() >= report.cells
        assert report.cells + report.banks == inside.sum()


def test_what_is_refused():
    z, body = lake()
    with pytest.raises(ValueError, match="whole numbers, not float64"):
        flatten_waters(z, body.astype(float))
    with pytest.raises(ValueError, match="bodies has shape"):
        flatten_waters(z, body[1:])
    with pytest.raises(ValueError, match="must not be negative"):
        flatten_waters(z, body, most_cut_m=-1)
