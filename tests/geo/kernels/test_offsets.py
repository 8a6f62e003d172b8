"""How far off stations ways run, against shapely."""

import numpy as np
import shapely
from shapely import LineString

from geo.kernels.offsets import offsets


def test_offsets_are_the_distances_shapely_measures_with_the_side_they_lie_on():
    random = np.random.default_rng(4)
    lines = [LineString(random.uniform(0, 50, (n, 2))) for n in (2, 5, 9)]
    xy = shapely.get_coordinates(lines)
    first = np.array([0, 2, 7, 16])
    station, ahead = random.uniform(0, 50, (12, 2)), random.normal(0, 1, (12, 2))
    mine = np.array([0, 3, 3, 12])  # the second has no station
    found = offsets(xy, first, station, ahead, mine)
    of = np.repeat(np.array(lines, object), np.diff(mine))
    way = shapely.shortest_line(shapely.points(station), of)
    np.testing.assert_allclose(np.abs(found), shapely.length(way), atol=1e-9)
    end = shapely.get_coordinates(shapely.get_point(way, -1)) - station
    left = ahead[:, 0] * end[:, 1] - ahead[:, 1] * end[:, 0]
    np.testing.assert_array_equal(np.sign(found), np.sign(left))
