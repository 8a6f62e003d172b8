"""How far off some stations other ways of the same water run, and to which side."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from geo.kernels.compiling import compiled


def _offsets(
    xy: NDArray[np.float64],
    first: NDArray[np.int64],
    station: NDArray[np.float64],
    ahead: NDArray[np.float64],
    first_station: NDArray[np.int64],
) -> NDArray[np.float64]:
    """Distance of each way from each of its stations: negative where it runs to their right.

    Parameters
    ----------
    xy, first
        Places of all ways, shape (places, 2), and where those of each begin; one entry more than
        there are ways. A way without places gives NaN.
    station, ahead
        Places of the stations, and the direction in which the water passes them.
    first_station
        Where the stations of each way begin, as ``first``.
    """
    out = np.full(station.shape[0], np.nan)
    for k in range(first.size - 1):
        for s in range(first_station[k], first_station[k + 1]):
            px, py = station[s, 0], station[s, 1]
            best, side = np.inf, 0.0
            for v in range(first[k], first[k + 1]):
                ax, ay = xy[v, 0], xy[v, 1]
                bx, by = ax, ay
                if v + 1 < first[k + 1]:
                    bx, by = xy[v + 1, 0], xy[v + 1, 1]
                dx, dy = bx - ax, by - ay
                length = dx * dx + dy * dy
                t = 0.0
                if length > 0:
                    t = min(max(((px - ax) * dx + (py - ay) * dy) / length, 0.0), 1.0)
                qx, qy = ax + t * dx - px, ay + t * dy - py
                far = qx * qx + qy * qy
                if far < best:
                    best = far
                    side = ahead[s, 0] * qy - ahead[s, 1] * qx
            if best < np.inf:
                out[s] = np.sqrt(best) if side >= 0 else -np.sqrt(best)
    return out


offsets = compiled(_offsets)
