"""Slope against planes, a worked window and scipy's Sobel filter; shade against the light."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import ndimage

from geo.terrain import hillshade, slope


def test_documented_window():
    """Example of the documentation of a GIS, 5 m cells: dz/dx 0.05, dz/dy -3.8, 75.25766 deg."""
    window = np.array([[50, 45, 50], [30, 30, 30], [8, 10, 10]])
    rise = slope(window.astype(float), 5)[1, 1]
    assert rise == pytest.approx(3.80033, abs=5e-6)
    assert np.degrees(np.arctan(rise)) == pytest.approx(75.25766, abs=5e-6)


@pytest.mark.parametrize("cell_m", [(1.0, 1.0), (2.0, 5.0)])
def test_a_plane_keeps_its_slope_up_to_edges_and_voids(cell_m):
    """Elementary: z = ax + by has slope hypot(a, b) everywhere."""
    row, col = np.indices((12, 15))
    z = 500 + 0.3 * col * cell_m[0] - 0.4 * row * cell_m[1]
    z[4:7, 5:8] = np.nan
    z[10, 2] = np.nan
    result = slope(z, cell_m)
    np.testing.assert_array_equal(np.isnan(result), np.isnan(z))
    np.testing.assert_allclose(result[~np.isnan(z)], 0.5, rtol=1e-9)


def test_a_quadratic_is_exact_at_the_center():
    """Horn's weights are exact on z = a x**2 + b y**2 + c x y."""
    y, x = np.indices((9, 9)) - 4.0
    z = 0.7 * x**2 - 0.2 * y**2 + 0.1 * x * y
    exact = np.hypot(1.4 * x + 0.1 * y, -0.4 * y + 0.1 * x)
    np.testing.assert_allclose(slope(z, 1.0)[1:-1, 1:-1], exact[1:-1, 1:-1], rtol=1e-9)


def test_equals_sobel_filters_of_scipy(real_ground):
    """Horn's differences are Sobel's, over eight cells."""
    z = real_ground.astype(np.float64)
    width, height = 2.0, 3.0
    expected = np.hypot(
        ndimage.sobel(z, axis=1) / (8 * width), ndimage.sobel(z, axis=0) / (8 * height)
    )
    for kind in (np.float32, np.float64):
        result = slope(real_ground.astype(kind), (width, height))
        assert result.dtype == kind
        np.testing.assert_allclose(result[1:-1, 1:-1], expected[1:-1, 1:-1], rtol=1e-6, atol=1e-9)


def test_rows_beside_an_edge_weigh_one_two_one():
    z = np.zeros((3, 4))
    z[1, 1] = 1.0  # seen from the western edge the three rows rise by 0, 1, 0
    assert slope(z, 1.0)[1, 0] == pytest.approx(0.5)
    assert slope(z.T, 1.0)[0, 1] == pytest.approx(0.5)


def test_thin_rasters_use_what_they_have():
    ramp = np.arange(6.0) * 0.25
    np.testing.assert_array_equal(slope(ramp[None, :], 1.0), [[0.25] * 6])
    np.testing.assert_array_equal(slope(ramp[:, None], 0.5), [[0.5]] * 6)
    assert np.isnan(slope([[3.0]], 1.0)).all()


def plane(to_east: float, to_south: float) -> np.ndarray:
    row, col = np.indices((5, 6))
    return col * to_east + row * to_south


def test_shade_follows_the_light():
    """Elementary: brightness is 1 + 254 cos of the angle between the normal and the light."""
    # level ground under a light at 45 degrees: 1 + 254 x 0.7071 = 180.6; GDAL gives 181 too
    # (from memory)
    assert (hillshade(plane(0, 0), 1) == 181).all()
    # a slope of 45 degrees that faces the light, as seen from each quarter
    for azimuth, east, south in [(90, -1, 0), (270, 1, 0), (0, 0, 1), (180, 0, -1)]:
        assert (hillshade(plane(east, south), 1, azimuth_deg=azimuth) == 255).all()
        away = hillshade(plane(-1.1 * east, -1.1 * south), 1, azimuth_deg=azimuth)
        assert (away == 1).all()
    half = 0.5**0.5
    assert (hillshade(plane(half, half), 1) == 255).all()  # light from the north-west


def test_voids_are_zero_and_only_they(rough):
    z = rough(9, (30, 40))
    z[5:9, 5:9] = np.nan
    z[20, 20] = np.nan
    shade = hillshade(z, 1, altitude_deg=10)
    np.testing.assert_array_equal(shade == 0, np.isnan(z))
    with pytest.raises(ValueError, match="altitude_deg must be 0 to 90"):
        hillshade(z, 1, altitude_deg=-5)
