"""Where drains end and their water goes on over the ground: which drain leads to which end."""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import NDArray

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]


@dataclass(frozen=True)
class DrainEnds:
    """Ways over the ground from the ends of drains, and the legs that lead to each.

    Attributes
    ----------
    ways
        ``node`` of the end, ``length_m`` and lines over the ground.
    end_of, pipe_m
        By leg: the row of ``ways`` its water runs to, -1 for none and where it parts to more than
        one; and how far it is there from the leg's lower end.
    """

    ways: gpd.GeoDataFrame
    end_of: Ints
    pipe_m: Floats


def drain_ends(legs: gpd.GeoDataFrame, within_m: float) -> DrainEnds:
    """The ends of drains whose water runs on over the ground.

    Parameters
    ----------
    legs
        As `geo.waters.waterways.find_waterways` gives them.
    within_m
        An end this near mapped water lies at it: no way over the ground is followed from there.
    """
    layer = legs["layer"].to_numpy(object)
    shapes, length = legs.geometry.to_numpy(), legs["length_m"].to_numpy(float)
    ground = np.flatnonzero(layer == "ground")
    at_water = (shapely.get_num_points(shapes[ground]) == 2) & (length[ground] <= within_m)
    a, b = (legs[name].to_numpy(np.int64) for name in ("from_node", "to_node"))
    nodes = 1 + max(a.max(initial=-1), b.max(initial=-1))
    first, last = np.full(nodes, len(legs)), np.full(nodes, -1)
    first[a[ground]] = last[a[ground]] = np.arange(len(ground))
    far = np.full(nodes, np.inf)
    far[a[ground]] = 0.0
    drains = np.flatnonzero(layer == "drains")
    up, down = a[drains], b[drains]
    before = None
    while before is None or any((x != y).any() for x, y in zip(before, (first, last), strict=True)):
        before = first.copy(), last.copy()
        np.minimum.at(first, up, first[down])
        np.maximum.at(last, up, last[down])
        np.minimum.at(far, up, far[down] + length[drains])
    end_of, pipe_m = np.full(len(legs), -1), np.full(len(legs), np.nan)
    one = (first[down] == last[down]) & (last[down] >= 0)
    one[one] = ~at_water[last[down[one]]]
    row = np.cumsum(~at_water) - 1
    end_of[drains[one]], pipe_m[drains[one]] = row[last[down[one]]], far[down[one]]
    kept = ground[~at_water]
    ways = gpd.GeoDataFrame(
        {"node": a[kept], "length_m": length[kept]}, geometry=list(shapes[kept]), crs=legs.crs
    )
    return DrainEnds(ways, end_of.astype(np.int64), pipe_m)
