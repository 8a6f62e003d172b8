"""Where lines meet other shapes: at a point, along a piece, at several of both, or by a hair."""

from __future__ import annotations

from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray

_LAST_SINGLE: Final = 3  # type ids: points, lines, rings and polygons; then what has parts


def meetings(
    lines: NDArray[np.object_], others: NDArray[np.object_]
) -> tuple[NDArray[np.object_], NDArray[np.int64]]:
    """The points and pieces of line in which lines meet other shapes, pair by pair.

    Parameters
    ----------
    lines, others
        Shapes that intersect (as a spatial index says it), row by row; shape (n,).

    Returns
    -------
    Points and lines, none empty and none a collection, and the pair each is of. At least one a
    pair: a touch within rounding has an empty intersection, and is then the place of the line
    nearest to the other shape.
    """
    pair = np.arange(len(lines))
    meets = shapely.intersection(lines, others)
    lost = shapely.is_empty(meets)
    meets[lost] = shapely.get_point(shapely.shortest_line(lines[lost], others[lost]), 0)
    parts, of = meets, pair
    while (shapely.get_type_id(parts) > _LAST_SINGLE).any():  # a collection may hold others
        parts, at = shapely.get_parts(parts, return_index=True)
        of = of[at]
    kept = ~shapely.is_empty(parts)
    return parts[kept], of[kept]


def first_meeting_m(lines: NDArray[np.object_], others: NDArray[np.object_]) -> NDArray[np.float64]:
    """How far along each line (plane) it first meets the other shape; as `meetings`, shape (n,)."""
    parts, pair = meetings(lines, others)
    xy, part = shapely.get_coordinates(parts, return_index=True)
    along = shapely.line_locate_point(lines[pair[part]], shapely.points(xy))
    first = np.full(len(lines), np.inf)
    np.minimum.at(first, pair[part], along)
    return first
