"""A storm's water: how much of the rain runs off, and where it stands when it has run.

Rain turns into runoff by the curve number method of the NRCS (TR-55, 210-VI-TR-55, 2nd ed., June
1986, chapter 2): not for snowmelt, not for frozen ground, and rough where less than half an inch
runs off. Where the runoff gathers is found by fill-spill-merge (Barnes, Callaghan and Wickert
2021, Earth Surface Dynamics 9).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from geo.kernels import spill as kernels
from geo.terrain import Depressions
from geo.terrain import depressions as hierarchy_of
from geo.terrain.inputs import same_shape, surface_of

_INCH = 0.0254  # meters, exactly
_WATER = "water must be a depth of at least 0 and finite"
_SOIL = "free storage in the soil is not modeled: take it off the rain first"


@dataclass(frozen=True)
class PondLevels:
    """The ponds one storm leaves: depth = level less ground, where positive.

    One number for each leaf of a depression hierarchy instead of one for each cell, so that many
    storms share one raster of labels.

    Attributes
    ----------
    level
        float64, by label (entry 0 for the ocean): elevation of the water over the leaf; NaN where
        it is dry.
    pond
        int32, by label: the depression the leaf's pond fills, in part or whole, as a node of
        `geo.terrain.Depressions`; 0 where it is dry. Leaves with one pond share one surface.
    left
        Water that left, as a sum of depths over cells.
    """

    level: NDArray[np.float64]
    pond: NDArray[np.int32]
    left: float

    def depth(self, z: ArrayLike, labels: ArrayLike) -> NDArray[np.float64]:
        """Depth of water over cells of ground ``z`` with these labels, both of one shape.

        float64 of the same shape: 0 where dry, NaN where ``z`` is. Any part of a terrain will
        do: a window, or the cells under some lids.
        """
        ground = np.asarray(z)
        label = np.ascontiguousarray(labels, np.int32)
        same_shape(label, ground.shape, "labels")
        out = np.empty(ground.shape, np.float64)
        kernels.depths(
            np.ascontiguousarray(ground).reshape(-1),
            label.reshape(-1),
            self.level,
            out.reshape(-1),
        )
        return out


def pond_levels(hierarchy: Depressions, water: ArrayLike) -> PondLevels:
    """Let water run to the pits, fill, spill and merge; the ponds it ends in.

    Parameters
    ----------
    hierarchy
        From `geo.terrain.depressions`; it serves any number of storms.
    water
        Depth of water on each cell, in the unit of the elevations: one number, or an array of
        the terrain's shape. Water on the ocean and in voids leaves; NaN counts as none there.

    Raises
    ------
    ValueError
        If water is negative, infinite, or NaN on land, or has another shape.
    """
    return levels_from_inflow(hierarchy, _inflow(hierarchy, water))


def levels_from_inflow(tree: Depressions, inflow: NDArray[np.float64]) -> PondLevels:
    """As `pond_levels`, from the water that runs to each leaf; entry 0 is what runs off."""
    held, is_full = kernels.pour(inflow, tree.parent, tree.sibling, tree.geolink, tree.space)
    pond, level = kernels.levels(
        held,
        is_full,
        tree.parent,
        tree.left,
        tree.right,
        tree.cell_count,
        tree.out_elev,
        tree.first,
        tree.height,
    )
    leaves = slice(tree.leaf_count + 1)
    return PondLevels(level=level[leaves].copy(), pond=pond[leaves].copy(), left=float(held[0]))


def fill_spill_merge(
    z: ArrayLike,
    water: ArrayLike,
    *,
    depressions: Depressions | None = None,
    ocean: ArrayLike | None = None,
) -> tuple[NDArray[np.float64], float]:
    """Where water laid on a terrain stands once it has run, if nothing soaks away.

    Parameters
    ----------
    z
        Elevation, shape (rows, cols); NaN where there is no data.
    water
        Depth of water on each cell, in the unit of ``z``: one number, or an array of the same
        shape. Water on the ocean and in voids leaves; NaN counts as none there.
    depressions
        The hierarchy of ``z`` from `geo.terrain.depressions`, made once for many storms.
    ocean
        Where water leaves, see `geo.terrain.depressions`; only where no hierarchy is given.

    Returns
    -------
    depth
        float64, shape (rows, cols): standing water; NaN in voids.
    left
        Water that left, as a sum of depths over cells: ``depth`` and it add up to ``water``.

    Raises
    ------
    ValueError
        If ``water`` is negative (free storage in the soil is not modeled: take it off first),
        infinite, or NaN on land, shapes differ, the hierarchy is of another terrain, or both it
        and ``ocean`` are given.

    Examples
    --------
    >>> z = np.array([[0, 9, 1, 1, 3, 1, 1, 2, 0]])
    >>> rain = np.array([[0, 0, 7, 0, 0, 0, 0, 0, 0]])
    >>> depth, left = fill_spill_merge(z, rain, ocean=z == 0)
    >>> depth
    array([[0., 0., 2., 2., 0., 1., 1., 0., 0.]])
    >>> left
    1.0
    """
    ground = surface_of(z)
    if depressions is None:
        hierarchy = hierarchy_of(ground, ocean=ocean)
    elif ocean is not None:
        raise ValueError("ocean is part of the hierarchy: give depressions or ocean, not both")
    else:
        hierarchy = depressions
        same_shape(hierarchy.labels, ground.shape, "depressions")
        pits = ground.reshape(-1)[hierarchy.pit_cell[1:]]
        if not np.array_equal(pits, hierarchy.pit_elev[1:]):
            raise ValueError("depressions were made from other elevations; make them from this z")
    ponds = pond_levels(hierarchy, water)
    return ponds.depth(ground, hierarchy.labels), ponds.left


def _inflow(hierarchy: Depressions, water: ArrayLike) -> NDArray[np.float64]:
    """Water that runs to each label."""
    depth = np.asarray(water)
    if depth.dtype.kind not in "iufb":
        raise ValueError(f"water must be numbers, not {depth.dtype}")
    if not depth.ndim:
        if not 0 <= depth < np.inf:
            raise ValueError(
                f"water must be a depth of at least 0 and finite, not {depth}; {_SOIL}"
            )
        return hierarchy.catchment_count * np.float64(depth)
    same_shape(depth, hierarchy.labels.shape, "water")
    inflow = np.zeros(hierarchy.leaf_count + 1, np.float64)
    wrong = kernels.gather(
        np.ascontiguousarray(depth).reshape(-1), hierarchy.labels.reshape(-1), inflow
    )
    if wrong >= 0:
        row, col = (int(k) for k in np.unravel_index(wrong, depth.shape))
        raise ValueError(f"{_WATER}, not {depth[row, col]} in row {row}, column {col}; {_SOIL}")
    return inflow


def runoff_depth(
    rain: ArrayLike, curve_number: ArrayLike, *, unit: str, ratio: float = 0.2
) -> NDArray[np.float64]:
    """Depth of runoff from a storm's rain by the NRCS curve number method.

    ``Q = (P - Ia)^2 / (P - Ia + S)`` where P exceeds Ia, else 0, with ``Ia = ratio x S`` and
    ``S = 1000 / CN - 10`` inches (TR-55, equations 2-1, 2-2 and 2-4).

    Parameters
    ----------
    rain
        Depth of rain P, in ``unit``.
    curve_number
        CN, above 0 and at most 100, any shape that goes with ``rain``; NaN gives NaN. Numbers of
        the published tables, which hold for a ratio of 0.2 whichever ratio is chosen.
    unit
        "in" or "m", of rain and runoff.
    ratio
        Of the initial abstraction to the storage: 0.2, or 0.05 after Hawkins and others (2002),
        for which the storage is converted, in inches: ``S = 1.33 x S0.20^1.15``.

    Returns
    -------
    NDArray
        float64, in ``unit``; of no dimension if both arguments are numbers.

    Raises
    ------
    ValueError
        If the unit or ratio is another, rain is negative or infinite, or a curve number is not
        above 0 and at most 100.

    Examples
    --------
    >>> f"{runoff_depth(6, 70, unit='in'):.4f}"
    '2.8052'
    >>> f"{runoff_depth(3, 70, unit='in', ratio=0.05):.3f}"
    '0.719'
    """
    if unit not in ("in", "m"):
        raise ValueError(f"unit must be 'in' or 'm', not {unit!r}")
    if ratio not in (0.2, 0.05):
        raise ValueError(f"ratio must be 0.2 or 0.05, not {ratio!r}")
    P = np.asarray(rain, np.float64)
    CN = np.asarray(curve_number, np.float64)
    if (P < 0).any() or np.isinf(P).any():
        raise ValueError("rain must be a finite depth of at least 0")
    if (CN <= 0).any() or (CN > 100).any():
        raise ValueError("curve numbers must be above 0 and at most 100")
    if unit == "m":
        P = P / _INCH
    S = 1000 / CN - 10
    if ratio == 0.05:
        S = 1.33 * S**1.15
    excess = np.maximum(P - ratio * S, 0)
    with np.errstate(invalid="ignore"):  # 0 / 0 where neither rain nor storage is
        Q = np.where(excess > 0, excess * (excess / (excess + S)), excess)
    return Q * _INCH if unit == "m" else Q
