"""The nearest of many segments, against shapely's distances feature by feature."""

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from geo.kernels import nearest as kernels
from geo.receptors import segments_of


def search(form, xy, ends, owner, side, within=np.inf, only=()):
    """Run the kernels in compiled or plain ``form`` with buckets of ``side``."""
    west, south = ends[:, [0, 2]].min(), ends[:, [1, 3]].min()
    columns = int((ends[:, [0, 2]].max() - west) / side) + 1
    rows = int((ends[:, [1, 3]].max() - south) / side) + 1
    first, item = form("bucket_segments")(ends, west, south, side, columns, rows)
    only = np.array(only, np.int64)
    return form("nearest_segments")(
        xy, only, ends, owner, first, item, west, south, side, columns, rows, within
    )


def compiled_form(name):
    return getattr(kernels, name)


def plain_form(name):
    return getattr(kernels, f"_{name}")


def strewn(seed, features):
    """Points, wandering lines and areas, some far longer than a bucket, some on a lattice."""
    rng = np.random.default_rng(seed)
    shapes = []
    for kind in rng.integers(0, 4, features):
        at = rng.integers(-20, 20, 2).astype(float)
        if kind == 0:
            shapes.append(shapely.Point(at))
        elif kind == 1:
            shapes.append(shapely.LineString(at + rng.integers(-60, 60, (rng.integers(2, 6), 2))))
        elif kind == 2:
            shapes.append(shapely.box(*at, *(at + rng.integers(1, 30, 2))))
        else:
            lines = at + rng.normal(0, 15, (2, 3, 2))
            shapes.append(shapely.MultiLineString(list(lines)))
    out = np.empty(features, object)
    out[:] = shapes
    return rng, out


def rims(shapes):
    areas = np.isin(shapely.get_type_id(shapes), (3, 6))
    return np.where(areas, shapely.boundary(shapes), shapes)


@settings(max_examples=150, deadline=None)
@given(
    seed=st.integers(0, 2**32 - 1),
    features=st.integers(1, 25),
    side=st.sampled_from([1.0, 3.7, 20.0, 500.0]),
    within=st.sampled_from([np.inf, 12.5]),
)
def test_equals_shapely_feature_by_feature(seed, features, side, within):
    rng, shapes = strewn(seed, features)
    segments = segments_of(shapes)
    xy = np.concatenate([rng.uniform(-150, 150, (20, 2)), rng.integers(-30, 30, (20, 2)) + 0.0])
    got, place, tied = search(compiled_form, xy, segments.ends, segments.owner, side, within=within)
    each = shapely.distance(shapely.points(xy)[:, None], rims(shapes)[None, :])
    least = each.min(axis=1)
    reached = least <= within
    np.testing.assert_array_equal(got >= 0, reached)
    np.testing.assert_allclose(
        np.hypot(*(place - xy).T)[reached], least[reached], rtol=1e-12, atol=1e-9
    )
    np.testing.assert_allclose(
        each[np.flatnonzero(reached), got[reached]], least[reached], rtol=1e-12, atol=1e-9
    )
    assert (tied[~reached] == 0).all()


def test_of_equally_near_features_the_lowest_is_taken_and_others_counted():
    ends = np.array([[10, -5, 10, 5], [10, 5, 20, 5], [-10, -5, -10, 5], [0, 10, 0, 10.0]])
    owner = np.array([3, 3, 2, 7])
    got, place, tied = search(compiled_form, np.zeros((1, 2)), ends, owner, 4.0)
    assert got.tolist() == [2]
    assert place.tolist() == [[-10, 0]]
    assert tied.tolist() == [2]


def test_a_shared_vertex_of_one_feature_is_no_tie():
    ends = np.array([[5, 0, 9, 9], [5, 0, 9, -9.0]])
    _, _, tied = search(compiled_form, np.zeros((1, 2)), ends, np.array([0, 0]), 4.0)
    assert tied.tolist() == [0]


def test_only_one_owner_is_looked_at_where_asked():
    ends = np.array([[1, 0, 1, 0], [50, 0, 50, 0.0]])
    xy = np.zeros((2, 2))
    got, place, _ = search(compiled_form, xy, ends, np.array([0, 1]), 4.0, only=[1, -1])
    assert got.tolist() == [1, 0]
    assert place[:, 0].tolist() == [50, 1]


@pytest.mark.parametrize("xy", [[1e6, 1e6], [-1e5, 3], [7, 0]])
def test_points_far_outside_the_buckets_find_what_there_is(xy):
    ends = np.array([[0, 0, 10, 0], [0, 5, 10, 9.0]])
    got, place, _ = search(compiled_form, np.array([xy], float), ends, np.array([0, 1]), 0.5)
    shapes = shapely.linestrings(ends.reshape(-1, 2, 2))
    least = shapely.distance(shapely.Point(xy), shapes)
    assert got[0] == least.argmin()
    assert np.hypot(*(place[0] - xy)) == pytest.approx(least.min(), rel=1e-12)


def test_unknown_places_find_nothing():
    ends = np.array([[0, 0, 10, 0.0]])
    xy = np.array([[np.nan, 1], [1, np.inf]])
    got, place, _ = search(compiled_form, xy, ends, np.array([0]), 2.0)
    assert got.tolist() == [-1, -1]
    assert np.isnan(place).all()


def test_compiled_equals_plain():
    for seed in range(6):
        rng, shapes = strewn(seed, 12)
        segments = segments_of(shapes)
        xy = rng.uniform(-60, 60, (15, 2))
        one = search(compiled_form, xy, segments.ends, segments.owner, 7.0, within=40.0)
        two = search(plain_form, xy, segments.ends, segments.owner, 7.0, within=40.0)
        for a, b in zip(one, two, strict=True):
            np.testing.assert_array_equal(a, b)


def test_every_bucket_a_segment_passes_is_written():
    """A long diagonal is found from beside any place along it."""
    ends = np.array([[0, 0, 997, 613.0]])
    along = np.linspace(0, 1, 400)[:, None] * np.array([[997, 613.0]])
    got, _, _ = search(
        compiled_form, along + np.array([0.01, -0.02]), ends, np.array([0]), 5.0, within=0.05
    )
    assert (got == 0).all()
