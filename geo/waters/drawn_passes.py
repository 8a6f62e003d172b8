"""How far off a way as the terrain shows it the drawn ways pass, at stations along it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

# How far apart the stations along a way are at which drawn ways are measured.
STATION_M: Final = 20.0
# The direction of a way is told over so far to either side: its cells turn by 45 degrees a step.
_AHEAD_M: Final = 10.0
Ints = NDArray[np.int64]
Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Stations:
    """Places along the ways as the terrain shows them.

    Attributes
    ----------
    scale
        Of each way, meters on the ground for one in the plane.
    measure
        How far along its way each station lies, in the plane.
    first
        Where the stations of each way begin, and their end.
    station, ahead
        Their places, and the direction of the way there; shape (stations, 2).
    """

    scale: Floats
    measure: Floats
    first: Ints
    station: Floats
    ahead: Floats

    @classmethod
    def of(cls, paths: gpd.GeoDataFrame) -> Stations:
        """Those of ways: lines over the ground, and their ``length_m`` there."""
        lines = paths.geometry.to_numpy()
        measure, first = _stations(lines)
        of = np.repeat(lines, np.diff(first))
        return cls(
            ground_scale(paths),
            measure,
            first,
            shapely.get_coordinates(shapely.line_interpolate_point(of, measure)),
            directions(of, measure),
        )


def _stations(lines: NDArray[np.object_]) -> tuple[Floats, Ints]:
    """How far along each line in the plane its stations lie, and where those of each begin."""
    length = shapely.length(lines)
    count = np.where(length > 1.0, np.maximum(np.ceil(length / STATION_M), 1) + 1, 1).astype(int)
    first = np.concatenate([[0], np.cumsum(count)])
    of = np.repeat(np.arange(len(lines)), count)
    step = np.arange(len(of)) - first[of]
    return length[of] * step / np.maximum(count[of] - 1, 1), first


def directions(lines: NDArray[np.object_], measure: Floats) -> Floats:
    """The direction in which lines run at places along them, shape (n, 2), not of length 1."""
    ends = [
        shapely.get_coordinates(shapely.line_interpolate_point(lines, np.maximum(m, 0.0)))
        for m in (measure - _AHEAD_M, measure + _AHEAD_M)
    ]
    return np.asarray(ends[1] - ends[0]).reshape(-1, 2)


def ground_scale(paths: gpd.GeoDataFrame) -> Floats:
    """Meters on the ground for one in the plane along each way."""
    plane = shapely.length(paths.geometry.to_numpy())
    known = plane > 1.0
    scale = paths["length_m"].to_numpy(float) / np.where(known, plane, 1.0)
    return np.where(known, scale, float(np.median(scale[known])) if known.any() else 1.0)


def coarse(off_m: Floats) -> NDArray[np.int32]:
    """Whole meters, coarser the farther: by 2 beyond 10, by 5 beyond 30, by 25 beyond 100.

    A way that is not there is at the least number.
    """
    far = np.abs(np.nan_to_num(off_m))
    step = np.select([far <= 10, far <= 30, far <= 100], [1, 2, 5], 25)
    return np.where(
        np.isnan(off_m), np.iinfo(np.int32).min, np.round(np.nan_to_num(off_m) / step) * step
    ).astype(np.int32)


def passes_of(off: NDArray[np.int32], ways: Stations, paths: gpd.GeoDataFrame) -> pd.DataFrame:
    """A row for each station; ``off`` of shape (draws, stations)."""
    of = np.repeat(np.arange(len(paths)), np.diff(ways.first))
    ordered = np.sort(off, axis=0).T
    new = np.ones(ordered.shape, bool)
    new[:, 1:] = ordered[:, 1:] != ordered[:, :-1]
    count = np.diff(np.flatnonzero(new), append=new.size)
    there = ordered[new] > np.iinfo(np.int32).min
    runs = zip(ordered[new][there].tolist(), count[there].tolist(), strict=True)
    texts = [f"{value}:{n}" for value, n in runs]
    ends = np.cumsum(np.bincount(np.nonzero(new)[0][there], minlength=len(of))).tolist()
    text = [" ".join(texts[a:b]) for a, b in zip([0, *ends[:-1]], ends, strict=True)]
    ids = paths["discharge_point_id"].to_numpy(object)
    return pd.DataFrame(
        {
            "discharge_point_id": ids[of],
            "along_m": np.round(ways.measure * ways.scale[of], 2),
            "offsets_m": np.array(text, object),
        }
    )
