"""What is accepted, what becomes of it, and how a refusal reads."""

from __future__ import annotations

import numpy as np
import pytest

from geo.terrain import (
    close_voids,
    fill_depressions,
    flow_accumulation,
    flow_direction,
    flow_direction_dinf,
    flow_paths,
    height_above_drainage,
    hillshade,
    hollows,
    slope,
)

PIT = [[9, 9, 9, 9], [9, 1, 2, 9], [9, 9, 5, 9]]


@pytest.mark.parametrize(
    ("kind", "result"),
    [
        ("int8", "float32"),
        ("uint8", "float32"),
        ("int16", "float32"),
        ("int32", "float32"),
        ("uint64", "float32"),
        ("float16", "float32"),
        ("float32", "float32"),
        (">f4", "float32"),
        ("float64", "float64"),
        (">f8", "float64"),
    ],
)
def test_kinds(kind, result):
    filled = fill_depressions(np.array(PIT, kind))
    assert filled.dtype == result
    np.testing.assert_array_equal(filled[1], [9, 5, 5, 9])


def test_large_whole_numbers_become_float64():
    z = np.array(PIT, np.int64) + 2**24
    filled = fill_depressions(z)
    assert filled.dtype == np.float64
    np.testing.assert_array_equal(filled[1] - 2**24, [9, 5, 5, 9])
    with pytest.raises(ValueError, match="too large to be kept exactly"):
        fill_depressions(z * 2**32)


def test_layouts_and_masks_are_understood():
    z = np.array(PIT, np.float32)
    for same in (np.asfortranarray(z), np.repeat(z, 2, axis=1)[:, ::2], z.tolist()):
        np.testing.assert_array_equal(fill_depressions(same), fill_depressions(z))
    z.flags.writeable = False
    assert fill_depressions(z)[1, 1] == 5
    masked = np.ma.MaskedArray(np.array(PIT, np.int16), mask=np.array(PIT) == 5)
    filled = fill_depressions(masked)
    assert np.isnan(filled[2, 2])
    assert filled[1, 1] == 1  # now beside a void: ocean


EVERY = {
    "fill": lambda z: fill_depressions(z),
    "close": lambda z: close_voids(z, 1),
    "direction": lambda z: flow_direction(z, 1),
    "angle": lambda z: flow_direction_dinf(z, 1),
    "slope": lambda z: slope(z, 1),
    "hillshade": lambda z: hillshade(z, 1),
    "hollows": lambda z: hollows(z, z, 1),
    "height": lambda z: height_above_drainage(
        z, np.zeros(np.shape(z), np.uint8), np.ones(np.shape(z), bool)
    ),
}


@pytest.mark.parametrize("call", EVERY.values(), ids=EVERY)
def test_refusals(call):
    with pytest.raises(ValueError, match=r"2 infinite values, the first in row 0, column 1"):
        call(np.array([[1, np.inf], [-np.inf, 1]]))
    with pytest.raises(ValueError, match="two dimensions"):
        call(np.zeros((2, 2, 2)))
    with pytest.raises(ValueError, match="must be numbers"):
        call(np.array([["1", "2"]]))
    with pytest.raises(ValueError, match="must be numbers"):
        call(np.array([[1 + 2j]]))
    with pytest.raises(ValueError, match="must be numbers"):
        call(np.array([[True]]))


@pytest.mark.parametrize("call", EVERY.values(), ids=EVERY)
@pytest.mark.parametrize("shape", [(0, 0), (0, 3), (3, 0), (1, 1), (1, 6), (6, 1)])
@pytest.mark.parametrize("value", [np.nan, 3.5])
def test_thin_and_void_rasters_pass(call, shape, value):
    result = call(np.full(shape, value, np.float32))
    first = result[0] if isinstance(result, tuple) else result
    assert first.shape == shape


@pytest.mark.parametrize("cell_m", [0, -1, np.nan, np.inf, (1, 0), (1, 2, 3), "x"])
def test_cells_must_have_a_size(cell_m):
    with pytest.raises(ValueError):  # noqa: PT011 numpy words the last of them
        slope(np.zeros((3, 3)), cell_m)
    if cell_m != "x":
        with pytest.raises(ValueError, match="cell_m must be a positive number or a pair"):
            flow_direction(np.zeros((3, 3)), cell_m)


def test_directions_are_checked():
    for cell, codes in {
        (0, 1): (2, 3, 4),
        (2, 1): (6, 7, 8),
        (1, 0): (4, 5, 6),
        (1, 2): (1, 2, 8),
    }.items():
        for code in range(1, 9):
            direction = np.zeros((3, 3), np.uint8)
            direction[cell] = code
            if code in codes:
                with pytest.raises(ValueError, match="points out of the raster"):
                    flow_accumulation(direction)
            else:
                assert flow_accumulation(direction).max() == 2
    with pytest.raises(ValueError, match=r"0 .* or a code from 1 to 8"):
        flow_accumulation(np.array([[9]]))
    with pytest.raises(ValueError, match="whole numbers"):
        flow_accumulation(np.array([[1.0]]))
    circle = np.array([[1, 5]])
    with pytest.raises(ValueError, match="run in a circle"):
        flow_accumulation(circle)
    with pytest.raises(ValueError, match="run in a circle"):
        flow_paths(circle, [[0, 0]])
    with pytest.raises(ValueError, match="run in a circle"):
        height_above_drainage(np.zeros((1, 2)), circle, np.zeros((1, 2), bool))


def test_shapes_must_fit():
    z, d = np.zeros((3, 3)), np.zeros((3, 3), np.uint8)
    with pytest.raises(ValueError, match=r"weights has shape \(2, 3\), the terrain \(3, 3\)"):
        flow_accumulation(d, np.ones((2, 3)))
    with pytest.raises(ValueError, match="drainage has shape"):
        height_above_drainage(z, d, np.ones((2, 3), bool))
    with pytest.raises(ValueError, match="drainage must be boolean"):
        height_above_drainage(z, d, np.ones((3, 3)))
    with pytest.raises(ValueError, match="starts must be whole"):
        flow_paths(d, [[0.5, 1]])
    with pytest.raises(ValueError, match="filled is below z"):
        hollows(z, z - 1, 1)
