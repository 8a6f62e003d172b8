"""Water surfaces made flat, as the layers say where they are."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import ndimage

from geo.terrain.inputs import same_shape, surface_of

# All four: common practice, no source.
# The level is this percentile of the ground along the inside of an outline: that may take in some
# bank, which is higher, and returns from water scatter to both sides.
LEVEL_PCT: Final = 25.0
# Ground that falls by more than this is a river drawn as an area, not a lake. Told from the 10th
# to the 75th percentile, so that a strip of bank does not count, and of all ground inside or of
# that along the outline, whichever is less: a bed falls in the middle, a bank at the edge.
MOST_FALL_M: Final = 0.5
_SPREAD_PCT: Final = (10.0, 75.0)
# A level is brought down to its lowest shore by at most this much; a cell that stands higher than
# this over the level is a bank, a dam or an island, not water.
MOST_CUT_M: Final = 0.5


@dataclass(frozen=True)
class WaterReport:
    """What became of one water body.

    Attributes
    ----------
    label
        Its number on the grid.
    is_flat
        Whether its cells were given one level.
    reason
        ``flattened``; or ``slopes``, ``no ground inside``.
    level_m
        The level; NaN where it was left as it is.
    fall_m
        How far the ground falls, see `MOST_FALL_M`.
    cells
        How many cells were given the level.
    banks
        How many inside the outline were not, since they stand too high over it.
    above_shore_m
        How far the level stands above its lowest shore: 0, or more where the outline is drawn
        past its outlet.
    """

    label: int
    is_flat: bool
    reason: str
    level_m: float = np.nan
    fall_m: float = np.nan
    cells: int = 0
    banks: int = 0
    above_shore_m: float = 0.0


def flatten_waters(
    z: ArrayLike,
    bodies: ArrayLike,
    *,
    most_fall_m: float = MOST_FALL_M,
    most_cut_m: float = MOST_CUT_M,
) -> tuple[NDArray, list[WaterReport]]:
    """Give every water body one level, so that water neither stands nor runs on top of it.

    The level is the lower quartile of the ground along the inside of the outline, or the lowest
    cell around it where that lies lower, so that water never stands above its shore; but no more
    than ``most_cut_m`` is taken off for the shore's sake, since an outline drawn past its outlet
    would empty the lake. Cells inside that stand more than ``most_cut_m`` over the level stay:
    they are banks, dams and islands. All others get the level, from above or below: what the
    terrain tells of a lake's bed is no surface that water runs on.

    Parameters
    ----------
    z
        Elevation, shape (rows, cols); NaN where there is no data. Close enclosed voids first.
    bodies
        Whole numbers of the same shape: 0 outside, else the number of a water body, from 1.
    most_fall_m
        A body whose ground falls by more is left as it is: a river drawn as an area.
    most_cut_m
        See above.

    Returns
    -------
    flat
        A new array of the same shape and float kind; voids stay void.
    reports
        One for each number from 1 to the largest, in order.

    Raises
    ------
    ValueError
        If ``z`` is not a surface of finite numbers, ``bodies`` is not whole or of another shape,
        or a limit is negative.

    Examples
    --------
    >>> z = np.array([[5, 5, 5, 5, 5], [5, 2, 1.8, 2, 5], [5, 5, 5, 5, 5]])
    >>> flat, (report,) = flatten_waters(z, (z < 3).astype(int))
    >>> flat[1]
    array([5. , 1.9, 1.9, 1.9, 5. ])
    """
    values = surface_of(z)
    labels = np.asarray(bodies)
    if labels.dtype.kind not in "iub":
        raise ValueError(f"bodies must be whole numbers, not {labels.dtype}")
    same_shape(labels, values.shape, "bodies")
    if most_fall_m < 0 or most_cut_m < 0:
        raise ValueError("limits of fall and cut must not be negative")
    flat = values.copy()
    reports = []
    for label, place in enumerate(ndimage.find_objects(labels.astype(np.int32, copy=False)), 1):
        if place is None:
            reports.append(WaterReport(label, False, "no ground inside"))
            continue
        around = tuple(slice(max(side.start - 1, 0), side.stop + 1) for side in place)
        report, is_water = _level(
            values[around], labels[around] == label, label, most_fall_m, most_cut_m
        )
        reports.append(report)
        if report.is_flat:
            flat[around][is_water] = report.level_m
    return flat, reports


def _level(
    ground: NDArray, is_inside: NDArray[np.bool_], label: int, most_fall_m: float, most_cut_m: float
) -> tuple[WaterReport, NDArray[np.bool_]]:
    """The report on one body, and its cells that get the level."""
    is_inside &= ~np.isnan(ground)
    inside = ground[is_inside].astype(np.float64)
    if not inside.size:
        return WaterReport(label, False, "no ground inside"), is_inside
    edge = ground[is_inside & ~ndimage.binary_erosion(is_inside, np.ones((3, 3)))]
    edge = edge.astype(np.float64)
    fall = min(float(np.diff(np.percentile(some, _SPREAD_PCT))[0]) for some in (inside, edge))
    if fall > most_fall_m:
        return WaterReport(label, False, "slopes", fall_m=fall), is_inside
    level = float(np.percentile(edge, LEVEL_PCT))
    ring = ndimage.binary_dilation(is_inside, np.ones((3, 3))) & ~is_inside & ~np.isnan(ground)
    shore = float(ground[ring].min()) if ring.any() else level
    level = max(min(level, shore), level - most_cut_m)
    level = float(ground.dtype.type(level))
    is_water = is_inside & (ground <= level + most_cut_m)
    return (
        WaterReport(
            label,
            True,
            "flattened",
            level_m=level,
            fall_m=fall,
            cells=int(is_water.sum()),
            banks=int(is_inside.sum() - is_water.sum()),
            above_shore_m=max(level - shore, 0.0),
        ),
        is_water,
    )
