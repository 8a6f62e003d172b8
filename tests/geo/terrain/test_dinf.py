"""D-infinity (Tarboton 1997): worked triangles, planes, and a slow reference for both halves."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import array_shapes, arrays

from geo.terrain import (
    fill_depressions,
    flow_accumulation_dinf,
    flow_direction,
    flow_direction_dinf,
)

# anticlockwise from east, row 0 north
AROUND = [(0, 1), (-1, 1), (-1, 0), (-1, -1), (0, -1), (1, -1), (1, 0), (1, 1)]
# table 1 of Tarboton (1997): side, corner, multiple of a quarter turn, sign
FACETS = [(0, 1, 0, 1), (2, 1, 1, -1), (2, 3, 1, 1), (4, 3, 2, -1)]
FACETS += [(4, 5, 2, 1), (6, 5, 3, -1), (6, 7, 3, 1), (0, 7, 4, -1)]


def slow_angles(window: np.ndarray, width: float, height: float) -> list[float]:
    """Angles of the steepest facets of a 3 x 3 window; none where nothing falls."""
    e0, found = float(window[1, 1]), []
    for side, corner, quarters, sign in FACETS:
        e1, e2 = (float(window[1 + AROUND[k][0], 1 + AROUND[k][1]]) for k in (side, corner))
        d1, d2 = (width, height) if side % 4 == 0 else (height, width)
        s1, s2 = (e0 - e1) / d1, (e1 - e2) / d2
        r, s = np.arctan2(s2, s1), np.hypot(s1, s2)
        if r < 0:
            r, s = 0, s1
        elif r > np.arctan2(d2, d1):
            r, s = np.arctan2(d2, d1), (e0 - e2) / np.hypot(d1, d2)
        if s > 0:
            found.append((s, (sign * r + quarters * np.pi / 2) % (2 * np.pi)))
    steepest = max((s for s, _ in found), default=0)
    return [angle for s, angle in found if s >= steepest * (1 - 1e-12)]


@pytest.mark.parametrize(
    ("e1", "e2", "angle", "to_side"),
    [
        # e0 = 100, cells of 10: computed from the equations of Tarboton (1997)
        (99, 98.5, 0.463648, 0.409666),
        (99, 99.5, 0.0, 1.0),
        (99, 97, np.pi / 4, 0.0),
    ],
)
@pytest.mark.parametrize("facet", range(8))
@pytest.mark.parametrize("kind", [np.float32, np.float64])
def test_worked_facets(e1, e2, angle, to_side, facet, kind):
    side, corner, quarters, sign = FACETS[facet]
    z = np.full((3, 3), 200, kind)
    z[1, 1] = 100
    for k, height in ((side, e1), (corner, e2)):
        z[1 + AROUND[k][0], 1 + AROUND[k][1]] = height
    found = flow_direction_dinf(z, 10)
    expected = (quarters * np.pi / 2 + sign * angle) % (2 * np.pi)
    assert found.dtype == kind
    assert found[1, 1] == pytest.approx(expected, abs=5e-7)
    assert np.isnan(found).sum() == 8
    total = flow_accumulation_dinf(found, 10) - 1
    shares = [total[1 + i, 1 + j] for i, j in AROUND]
    assert shares[side] == pytest.approx(to_side, abs=1e-6)
    assert shares[corner] == pytest.approx(1 - to_side, abs=1e-6)
    if to_side in (0, 1):
        assert np.count_nonzero(shares) == 1  # none is lost to a neighbor by rounding
    assert sum(shares) == 1


@pytest.mark.parametrize("cell_m", [(1.0, 1.0), (2.0, 5.0), (10.0, 3.0)])
def test_a_plane_gives_its_aspect(cell_m):
    """Elementary: a plane falls everywhere along its gradient."""
    row, col = np.indices((5, 6))
    for aspect in np.radians(np.arange(0, 360, 7.5)):
        z = -0.3 * (col * cell_m[0] * np.cos(aspect) - row * cell_m[1] * np.sin(aspect))
        found = flow_direction_dinf(z, cell_m)[1:-1, 1:-1]
        off = np.angle(np.exp(1j * (found - aspect)))  # round the circle
        np.testing.assert_allclose(off, 0, atol=1e-12)


@pytest.mark.parametrize("kind", [np.float32, np.float64])
@pytest.mark.parametrize("cell_m", [(1.0, 1.0), (2.0, 3.0)])
def test_equals_the_equations_written_out(kind, cell_m):
    random = np.random.default_rng(8)
    for z in (random.normal(50, 3, (40, 45)), random.integers(0, 5, (40, 45))):
        filled = fill_depressions(z.astype(kind))
        found = flow_direction_dinf(filled, cell_m)
        direction = flow_direction(filled, cell_m)
        corner = np.arctan2(cell_m[1], cell_m[0])
        straight = np.array([0, corner, np.pi / 2, np.pi - corner])
        straight = np.append(straight, straight + np.pi)
        for i, j in np.argwhere(direction > 0):
            ways = slow_angles(filled[i - 1 : i + 2, j - 1 : j + 2], *cell_m)
            # ties go to the first anticlockwise from east, flats the way of the eight directions
            way = min(ways, default=straight[direction[i, j] - 1])
            assert abs(np.angle(np.exp(1j * (found[i, j] - way)))) < 2e-6
        np.testing.assert_array_equal(np.isnan(found), direction == 0)


def slow_total(angle: np.ndarray, cell_m, weights: np.ndarray) -> np.ndarray:
    """Every cell's own water followed downstream, highest first by the number of steps."""
    corner = np.arctan2(cell_m[1], cell_m[0])
    edge = np.array([0, corner, np.pi / 2, np.pi - corner])
    edge = np.concatenate((edge, edge + np.pi, [2 * np.pi]))
    out = np.zeros(angle.shape)
    flow = weights.astype(float)
    while flow.any():  # one step of all water at a time
        out += flow
        moved = np.zeros(angle.shape)
        for i, j in np.argwhere((flow > 0) & ~np.isnan(angle)):
            k = min(int(np.searchsorted(edge, angle[i, j], side="right")) - 1, 7)
            share = (angle[i, j] - edge[k]) / (edge[k + 1] - edge[k])
            for way, part in ((k, 1 - share), ((k + 1) % 8, share)):
                if part > 1e-12:
                    di, dj = AROUND[way]
                    moved[i + di, j + dj] += flow[i, j] * part
        flow = moved
    return out


def test_accumulation_equals_following_all_water(rough):
    z = rough(11, (25, 30), step=0.2).astype(float)
    z[10:12, 12:15] = np.nan
    for cell_m in ((1.0, 1.0), (3.0, 2.0)):
        angle = flow_direction_dinf(fill_depressions(z), cell_m)
        weights = np.random.default_rng(1).random(z.shape)
        np.testing.assert_allclose(
            flow_accumulation_dinf(angle, cell_m), slow_total(angle, cell_m, np.ones(z.shape))
        )
        np.testing.assert_allclose(
            flow_accumulation_dinf(angle, cell_m, weights), slow_total(angle, cell_m, weights)
        )


@given(
    arrays(np.int8, array_shapes(min_dims=2, max_dims=2, max_side=12), elements=st.integers(0, 3)),
    st.sampled_from([np.float32, np.float64]),
    st.sampled_from([1.0, (2.0, 0.7)]),
    st.data(),
)
@settings(deadline=None, max_examples=200)
def test_all_water_arrives(z, kind, cell_m, data):
    """No circle (it would be refused), and what leaves is what fell, flats and voids or not."""
    void = data.draw(arrays(np.bool_, z.shape, elements=st.sampled_from([False] * 8 + [True])))
    filled = fill_depressions(np.where(void, np.nan, z).astype(kind))
    angle = flow_direction_dinf(filled, cell_m)
    total = flow_accumulation_dinf(angle, cell_m)
    assert total[np.isnan(angle)].sum() == pytest.approx(z.size, rel=1e-12)
    assert (total >= 1).all()
    np.testing.assert_array_equal(np.isnan(angle), flow_direction(filled, cell_m) == 0)


@pytest.mark.parametrize("kind", [np.float32, np.float64])
def test_real_ground_conserves_water(real_ground, kind):
    z = real_ground.astype(kind)
    angle = flow_direction_dinf(fill_depressions(z), 1.0)
    total = flow_accumulation_dinf(angle, 1.0)
    assert total[np.isnan(angle)].sum() == pytest.approx(z.size, rel=1e-9)
    assert np.nanmin(angle) >= 0
    assert np.nanmax(angle) < 2 * np.pi


def test_turning_the_map_turns_the_angles():
    """Without ties: mirrored north to south an angle changes its sign."""
    z = np.random.default_rng(3).normal(0, 1, (30, 40))
    filled = fill_depressions(z - 3 * np.arange(40))
    angle = flow_direction_dinf(filled, (2.0, 3.0))
    for turned, width, back in (
        (filled[::-1], (2.0, 3.0), lambda a: -a[::-1]),
        (filled[:, ::-1], (2.0, 3.0), lambda a: np.pi - a[:, ::-1]),
        (filled.T, (3.0, 2.0), lambda a: -np.pi / 2 - a.T),
    ):
        off = np.angle(np.exp(1j * (back(flow_direction_dinf(turned, width)) - angle)))
        assert (np.abs(off[1:-1, 1:-1]) < 1e-12).mean() > 0.99  # the rest lies on filled flats


@pytest.mark.parametrize("shape", [(0, 0), (0, 4), (1, 1), (1, 6), (6, 1), (2, 2)])
def test_small_rasters_are_all_ocean(shape):
    angle = flow_direction_dinf(np.zeros(shape), 1.0)
    assert np.isnan(angle).all()
    np.testing.assert_array_equal(flow_accumulation_dinf(angle, 1.0), np.ones(shape))


def test_bad_input():
    z = np.full((4, 4), 5.0)
    z[1, 1] = 1
    with pytest.raises(ValueError, match="call fill_depressions first"):
        flow_direction_dinf(z, 1.0)
    inside = np.full((4, 4), np.nan)
    for wrong in (-0.1, 2 * np.pi, 90.0):
        inside[1, 1] = wrong
        with pytest.raises(ValueError, match="less than a full turn"):
            flow_accumulation_dinf(inside, 1.0)
    with pytest.raises(ValueError, match="border has an angle"):
        flow_accumulation_dinf(np.zeros((3, 3)), 1.0)
    inside[1, 1], inside[1, 2] = 0.0, np.pi
    with pytest.raises(ValueError, match="lead in a circle"):
        flow_accumulation_dinf(inside, 1.0)
    with pytest.raises(ValueError, match=r"weights has shape \(2, 2\)"):
        flow_accumulation_dinf(inside, 1.0, np.ones((2, 2)))
