"""The error field: one value a cell whatever the window, and the spread and likeness it claims."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geo.terrain.error_field import ErrorField, filter_weights, keyed_generator
from layers.grid import Window

WHOLE = Window(0, 0, 150, 170)


@given(
    st.integers(-90, 140),
    st.integers(-90, 160),
    st.integers(1, 90),
    st.integers(1, 90),
    st.integers(0, 3),
)
@settings(max_examples=40, deadline=None)
def test_a_window_sees_the_noise_of_the_whole_bit_for_bit(row, col, rows, cols, draw):
    field = ErrorField(0.1, 6.0, (2.0, 3.0), seed=5)
    around = Window(-90, -90, 330, 350)
    part = field.read(draw, Window(row, col, rows, cols))
    whole = field.read(draw, around)
    cut = whole[row + 90 : row + 90 + rows, col + 90 : col + 90 + cols]
    np.testing.assert_array_equal(part.view(np.uint32), cut.view(np.uint32))


@pytest.mark.parametrize("cell", [(1.0, 1.0), (2.0, 4.0)])
def test_spread_and_likeness_are_those_of_theory(cell):
    # white noise through a Gaussian filter of standard deviation s: the correlation at a distance
    # h is exp(-h^2 / (4 s^2)), elementary calculus; the spread over 30 draws of 4 independent
    # places or more each is known to a few per cent
    range_m, sd = 8.0, 0.1
    field = ErrorField(sd, range_m, cell, seed=1)
    draws = np.stack([field.read(k, Window(0, 0, 256, 256)) for k in range(30)]).astype(float)
    assert draws.std() == pytest.approx(sd, rel=0.03)
    assert abs(draws.mean()) < 0.1 * sd
    for step in (1, 2, 3, 4, 6):
        for axis, side in ((1, cell[1]), (2, cell[0])):
            a = np.take(draws, range(256 - step), axis)
            b = np.take(draws, range(step, 256), axis)
            theory = np.exp(-((step * side) ** 2) / (4 * range_m**2))
            assert (a * b).mean() / draws.var() == pytest.approx(theory, abs=0.03)


def test_the_gain_is_the_filters_own():
    # for a wide kernel that sums to 1 the factor over both axes is 2 sqrt(pi) times the range
    for cells in (2.0, 5.0, 20.0):
        weights = filter_weights(cells)
        assert (weights**2).sum() == pytest.approx(1)
        assert weights.sum() ** 2 == pytest.approx(2 * np.sqrt(np.pi) * cells, rel=1e-3)
    np.testing.assert_array_equal(filter_weights(0.0), [1.0])


def test_a_small_window_is_not_scaled_by_its_own_spread():
    # a window far smaller than the range is nearly one number, and that number varies by sd
    field = ErrorField(0.1, 50.0, (1.0, 1.0), seed=3)
    small = np.array([field.read(k, Window(10, 10, 2, 2)) for k in range(400)])
    assert small[:, 0, 0].std() == pytest.approx(0.1, rel=0.11)  # 3 standard errors of 400
    assert np.ptp(small, axis=(1, 2)).max() < 0.02


def test_seeds_and_draws_are_independent():
    def field(seed, draw):
        return ErrorField(1.0, 1.0, (1.0, 1.0), seed=seed).read(draw, WHOLE).ravel()

    first = field(0, 0)
    np.testing.assert_array_equal(first, field(0, 0))
    others = [field(0, 1), field(1, 0), field(-1, 0), field(2**64 - 2, 0), field(0, 99)]
    # 25,500 cells alike over about 13 of them: 3.5 standard errors of a correlation of nought
    for other in others:
        assert abs(np.corrcoef(first, other)[0, 1]) < 3.5 * np.sqrt(13 / first.size)


def test_blocks_do_not_repeat():
    numbers = {
        keyed_generator(s, d, i, j).standard_normal()
        for s in (0, 1)
        for d in (0, 1)
        for i in (-1, 0, 1)
        for j in (-1, 0, 1)
    }
    assert len(numbers) == 36


def test_no_error_is_no_error_and_nonsense_is_refused():
    np.testing.assert_array_equal(ErrorField(0.0, 5.0, (1.0, 1.0), 0).read(0, WHOLE), 0)
    with pytest.raises(ValueError, match=r"at least 0, not -0\.1"):
        ErrorField(-0.1, 5.0, (1.0, 1.0), 0)
    with pytest.raises(ValueError, match="finite"):
        ErrorField(0.1, np.inf, (1.0, 1.0), 0)


def test_nearly_no_range_is_white_noise():
    white = ErrorField(1.0, 0.0, (1.0, 1.0), 0).read(4, WHOLE)
    assert white.std() == pytest.approx(1, rel=0.02)
    assert abs((white[:, 1:] * white[:, :-1]).mean()) < 0.02
