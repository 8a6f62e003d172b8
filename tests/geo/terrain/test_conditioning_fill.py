"""Filling against scikit-image, against its definition, and against worked profiles."""

from __future__ import annotations

from importlib import resources

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import array_shapes, arrays
from skimage.morphology import reconstruction

from geo.terrain import fill_depressions
from layers.files.raster import open_source


def reconstructed(z: np.ndarray, ocean) -> np.ndarray:
    """scikit-image's reconstruction by erosion, an independent way to the same surface."""
    lowest, highest = np.nanmin(z) - 1, np.nanmax(z) + 1
    mask = np.where(np.isnan(z), lowest, z)  # a void swallows all water
    seed = np.where(np.isnan(z) | ocean(z), mask, highest)
    filled = reconstruction(seed, mask, method="erosion", footprint=np.ones((3, 3)))
    return np.where(np.isnan(z), np.nan, filled).astype(z.dtype)


def nested_pits(shape=(60, 70)) -> np.ndarray:
    row, col = np.indices(shape)
    far = np.hypot(row - 30, col - 35)
    return (np.abs(far % 12 - 6) + far / 5 + (row * 7 + col * 3) % 5).astype(np.float32)


def with_voids(z: np.ndarray) -> np.ndarray:
    holed = z.copy()
    holed[:3] = holed[:, -4:] = np.nan  # a ring that is not whole
    holed[20:30, 20:24] = np.nan  # a hole inside
    holed[40, 40] = np.nan
    return holed


def ring_of_voids(z: np.ndarray) -> np.ndarray:
    """Ground within a closed ring of voids within ground."""
    ringed = z.copy()
    ringed[20:50, 20:60] = np.nan
    ringed[22:48, 22:58] = z[22:48, 22:58]
    return ringed


def one_cell_bowls(shape=(50, 60)) -> np.ndarray:
    """A plain with a bowl of one cell at every third cell, each as deep as it likes."""
    z = np.full(shape, 7.0, np.float32)
    z[1::3, 1::3] -= np.random.default_rng(2).random(z[1::3, 1::3].shape, np.float32)
    return z


NASTY = ["noise", "rough", "quantised", "flat", "nested", "voids", "ring", "bowls", "row", "column"]


@pytest.fixture(params=NASTY)
def terrain(request, rough) -> np.ndarray:
    random = np.random.default_rng(7)
    return {
        "noise": random.normal(300, 20, (83, 61)).astype(np.float32),
        "rough": rough(1, (90, 110)),
        "quantised": rough(2, (90, 110), step=1.0),
        "flat": np.full((12, 9), 41.5, np.float32),
        "nested": nested_pits(),
        "voids": with_voids(rough(3, (70, 80))),
        "ring": ring_of_voids(rough(3, (70, 80))),
        "bowls": one_cell_bowls(),
        "row": random.normal(size=(1, 40)).astype(np.float32),
        "column": random.normal(size=(40, 1)).astype(np.float32),
    }[request.param]


@pytest.mark.parametrize("kind", [np.float32, np.float64])
def test_equals_reconstruction_bit_for_bit(terrain, kind, ocean):
    z = terrain.astype(kind) + kind(1e-9)
    filled = fill_depressions(z)
    assert filled.dtype == kind
    np.testing.assert_array_equal(filled, reconstructed(z, ocean))


def test_equals_reconstruction_on_real_ground(real_ground, ocean):
    filled = fill_depressions(real_ground)
    np.testing.assert_array_equal(filled, reconstructed(real_ground, ocean))
    assert (filled > real_ground).mean() > 0.3  # the ground is full of depressions


def test_equals_reconstruction_on_the_sample(ocean):
    with resources.as_file(resources.files("layers.sample_layers") / "terrain.tif") as path:
        z = open_source(path).read().values
    filled = fill_depressions(z)
    np.testing.assert_array_equal(filled, reconstructed(z, ocean))
    assert (filled > z).any()


def test_float64_is_filled_beyond_the_precision_of_float32(ocean):
    z = 1000 + np.random.default_rng(3).normal(0, 1e-6, (40, 40))
    filled = fill_depressions(z)
    np.testing.assert_array_equal(filled, reconstructed(z, ocean))
    assert (filled > z).any()


@given(
    arrays(np.int16, array_shapes(min_dims=2, max_dims=2, max_side=8), elements=st.integers(-3, 3)),
    st.data(),
)
@settings(deadline=None, max_examples=150)
def test_is_the_least_highest_point_on_a_way_out(z, data):
    """The definition by Barnes, Lehman and Mulla (2014), iterated until nothing changes."""
    void = data.draw(arrays(np.bool_, z.shape, elements=st.sampled_from([False, False, True])))
    ground = np.where(void, np.nan, z).astype(np.float32)
    wide = np.pad(ground, 1, constant_values=np.nan)
    level = np.where(np.isnan(wide), -np.inf, np.inf)
    while True:
        least = np.min([np.roll(level, (i, j), (0, 1)) for i in (-1, 0, 1) for j in (-1, 0, 1)], 0)
        new = np.where(np.isnan(wide), -np.inf, np.maximum(wide, least))
        if (new == level).all():
            break
        level = new
    expected = np.where(np.isnan(wide), np.nan, level)[1:-1, 1:-1]
    np.testing.assert_array_equal(fill_depressions(ground), expected)


@pytest.mark.parametrize(
    ("profile", "filled", "volume"),
    [
        # profiles worked by hand: two basins that merge, and one that spills into its neighbor
        ([0, 5, 1, 1, 3, 2, 2, 4, 0], [0, 5, 4, 4, 4, 4, 4, 4, 0], 11),
        ([0, 9, 1, 1, 3, 1, 1, 2, 0], [0, 9, 3, 3, 3, 2, 2, 2, 0], 6),
    ],
)
def test_worked_profiles(profile, filled, volume):
    wall = np.full(9, 99)
    z = np.array([wall, profile, wall], np.int16)
    result = fill_depressions(z)
    np.testing.assert_array_equal(result[1], filled)
    assert (result - z).sum() == volume


def test_turning_the_map_turns_the_result(terrain):
    filled = fill_depressions(terrain)
    for turn in (np.flipud, np.fliplr, np.transpose, np.rot90):
        np.testing.assert_array_equal(fill_depressions(turn(terrain)), turn(filled))


def test_filling_twice_changes_nothing_and_input_stays(terrain, ocean):
    before = terrain.copy()
    filled = fill_depressions(terrain)
    np.testing.assert_array_equal(terrain, before)
    np.testing.assert_array_equal(fill_depressions(filled), filled)
    np.testing.assert_array_equal(filled[ocean(terrain)], terrain[ocean(terrain)])
    assert not (filled < terrain).any()


@pytest.mark.parametrize("shape", [(0, 0), (0, 5), (5, 0), (1, 1), (1, 7), (7, 1), (2, 2)])
def test_small_rasters_are_all_ocean(shape):
    z = np.random.default_rng(1).normal(size=shape)
    np.testing.assert_array_equal(fill_depressions(z), z)


def test_a_pit_as_low_as_float32_goes_is_filled():
    z = np.full((3, 3), -1e30, np.float32)
    z[1, 1] = np.finfo(np.float32).min
    assert fill_depressions(z)[1, 1] == np.float32(-1e30)


def test_all_void():
    assert np.isnan(fill_depressions(np.full((4, 5), np.nan))).all()
