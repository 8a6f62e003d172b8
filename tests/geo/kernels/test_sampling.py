"""Values at places: exact edges, voids, and a surface that bilinear interpolation keeps exact."""

import numpy as np
import pytest

from geo.kernels.sampling import bilinear, nearest

Z = np.arange(12, dtype=np.float32).reshape(3, 4)  # 4 a row, 1 a column
NO_VOID = np.zeros(Z.shape, bool)


def at(kernel, row, col, void=NO_VOID):
    return kernel(Z, void, np.atleast_1d(np.float64(row)), np.atleast_1d(np.float64(col)))


@pytest.mark.parametrize("kernel", [nearest, bilinear])
@pytest.mark.parametrize(
    ("row", "col", "inside"),
    [
        (0.0, 1.5, True), (1.5, 0.0, True), (0.0, 0.0, True), (-1e-9, 1.5, False),
        (1.5, -1e-9, False), (3.0, 1.5, False), (1.5, 4.0, False), (3 - 1e-9, 4 - 1e-9, True),
        (np.nan, 1.5, False), (1.5, np.nan, False),
    ],
)  # fmt: skip
def test_the_first_edges_belong_to_the_grid_and_the_last_do_not(kernel, row, col, inside):
    assert np.isfinite(at(kernel, row, col)).all() == inside


def test_a_plane_is_kept_between_centers_and_held_level_beyond_the_outermost():
    row, col = np.array([0.5, 1.0, 1.75, 2.5]), np.array([0.5, 2.25, 1.0, 3.5])
    np.testing.assert_allclose(
        bilinear(Z, NO_VOID, row, col), 4 * (row - 0.5) + (col - 0.5), atol=1e-6
    )
    assert at(bilinear, 0.0, 0.0)[0] == Z[0, 0]
    assert at(bilinear, 3 - 1e-9, 4 - 1e-9)[0] == Z[2, 3]


def test_the_nearest_is_the_cell_a_place_lies_in():
    assert at(nearest, 1.99, 2.01)[0] == Z[1, 2]


def test_a_void_gives_nothing_within_it_and_lends_its_weight_beside_it():
    void = NO_VOID.copy()
    void[1, 1] = True
    for kernel in (nearest, bilinear):
        assert np.isnan(at(kernel, 1.5, 1.5, void)).all()
    # of the four centers around (1.0, 1.0) three are left, each with a quarter
    assert at(bilinear, 0.99, 0.99, void)[0] == pytest.approx((0 + 1 + 4) / 3, abs=0.05)
