"""Runoff curve numbers: the tables of TR-55, by cover and hydrologic soil group.

Urban Hydrology for Small Watersheds, TR-55 (210-VI-TR-55, 2nd ed., June 1986), tables 2-2a to
2-2c: average antecedent runoff condition, initial abstraction a fifth of the storage. They were
read in a public data set that names that edition, not in the booklet itself.
"""

from __future__ import annotations

from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

Antecedent = Literal["dry", "average", "wet"]
ANTECEDENTS: Final = ("dry", "average", "wet")  # conditions I, II and III
SOIL_GROUPS = ("A", "B", "C", "D")
IMPERVIOUS = 98  # paved, roofs, driveways: table 2-2a, every group

# cover, then treatment and hydrologic condition where the table has them: groups A, B, C, D
TABLE = {
    # table 2-2a, urban
    ("open space", "poor"): (68, 79, 86, 89),
    ("open space", "fair"): (49, 69, 79, 84),
    ("open space", "good"): (39, 61, 74, 80),
    ("paved", "roofs, driveways, lots"): (98, 98, 98, 98),
    ("streets", "curbs and storm sewers"): (98, 98, 98, 98),
    ("streets", "open ditches"): (83, 89, 92, 93),
    ("streets", "gravel"): (76, 85, 89, 91),
    ("streets", "dirt"): (72, 82, 87, 89),
    ("desert landscaping", "natural"): (63, 77, 85, 88),
    ("desert landscaping", "artificial"): (96, 96, 96, 96),
    ("commercial",): (89, 92, 94, 95),
    ("industrial",): (81, 88, 91, 93),
    ("residential", "1/8 acre"): (77, 85, 90, 92),
    ("residential", "1/4 acre"): (61, 75, 83, 87),
    ("residential", "1/3 acre"): (57, 72, 81, 86),
    ("residential", "1/2 acre"): (54, 70, 80, 85),
    ("residential", "1 acre"): (51, 68, 79, 84),
    ("residential", "2 acres"): (46, 65, 77, 82),
    ("newly graded",): (77, 86, 91, 94),
    # table 2-2b, cultivated; SR straight row, CR crop residue, C contoured, T terraced
    ("fallow", "bare soil"): (77, 86, 91, 94),
    ("fallow", "CR", "poor"): (76, 85, 90, 93),
    ("fallow", "CR", "good"): (74, 83, 88, 90),
    ("row crops", "SR", "poor"): (72, 81, 88, 91),
    ("row crops", "SR", "good"): (67, 78, 85, 89),
    ("row crops", "SR + CR", "poor"): (71, 80, 87, 90),
    ("row crops", "SR + CR", "good"): (64, 75, 82, 85),
    ("row crops", "C", "poor"): (70, 79, 84, 88),
    ("row crops", "C", "good"): (65, 75, 82, 86),
    ("row crops", "C + CR", "poor"): (69, 78, 83, 87),
    ("row crops", "C + CR", "good"): (64, 74, 81, 85),
    ("row crops", "C&T", "poor"): (66, 74, 80, 82),
    ("row crops", "C&T", "good"): (62, 71, 78, 81),
    ("row crops", "C&T + CR", "poor"): (65, 73, 79, 81),
    ("row crops", "C&T + CR", "good"): (61, 70, 77, 80),
    ("small grain", "SR", "poor"): (65, 76, 84, 88),
    ("small grain", "SR", "good"): (63, 75, 83, 87),
    ("small grain", "SR + CR", "poor"): (64, 75, 83, 86),
    ("small grain", "SR + CR", "good"): (60, 72, 80, 84),
    ("small grain", "C", "poor"): (63, 74, 82, 85),
    ("small grain", "C", "good"): (61, 73, 81, 84),
    ("small grain", "C + CR", "poor"): (62, 73, 81, 84),
    ("small grain", "C + CR", "good"): (60, 72, 80, 83),
    ("small grain", "C&T", "poor"): (61, 72, 79, 82),
    ("small grain", "C&T", "good"): (59, 70, 78, 81),
    ("small grain", "C&T + CR", "poor"): (60, 71, 78, 81),
    ("small grain", "C&T + CR", "good"): (58, 69, 77, 80),
    ("legumes or rotation meadow", "SR", "poor"): (66, 77, 85, 89),
    ("legumes or rotation meadow", "SR", "good"): (58, 72, 81, 85),
    ("legumes or rotation meadow", "C", "poor"): (64, 75, 83, 85),
    ("legumes or rotation meadow", "C", "good"): (55, 69, 78, 83),
    ("legumes or rotation meadow", "C&T", "poor"): (63, 73, 80, 83),
    ("legumes or rotation meadow", "C&T", "good"): (51, 67, 76, 80),
    # table 2-2c, other agricultural; 30 stands for 30 or less
    ("pasture", "poor"): (68, 79, 86, 89),
    ("pasture", "fair"): (49, 69, 79, 84),
    ("pasture", "good"): (39, 61, 74, 80),
    ("meadow",): (30, 58, 71, 78),
    ("brush", "poor"): (48, 67, 77, 83),
    ("brush", "fair"): (35, 56, 70, 77),
    ("brush", "good"): (30, 48, 65, 73),
    ("orchard", "poor"): (57, 73, 82, 86),
    ("orchard", "fair"): (43, 65, 76, 82),
    ("orchard", "good"): (32, 58, 72, 79),
    ("woods", "poor"): (45, 66, 77, 83),
    ("woods", "fair"): (36, 60, 73, 79),
    ("woods", "good"): (30, 55, 70, 77),
    ("farmstead",): (59, 74, 82, 86),
}

# common practice, no source: the cover of TR-55 each class of the National Land Cover Database
# (legend from memory) is taken for; condition fair where the class says nothing of it
LAND_COVER = {
    21: ("open space", "good"),  # developed, open space
    22: ("residential", "1/4 acre"),  # developed, low intensity: 20 to 49 % impervious
    23: ("residential", "1/8 acre"),  # developed, medium intensity: 50 to 79 %
    24: ("commercial",),  # developed, high intensity: 80 to 100 %
    31: ("newly graded",),  # barren
    41: ("woods", "fair"),  # deciduous forest
    42: ("woods", "fair"),  # evergreen forest
    43: ("woods", "fair"),  # mixed forest
    52: ("brush", "fair"),  # shrub
    71: ("pasture", "fair"),  # grassland
    81: ("pasture", "fair"),  # pasture, hay
    82: ("row crops", "SR", "good"),  # cultivated crops
    90: ("woods", "fair"),  # woody wetlands
    95: ("pasture", "fair"),  # emergent herbaceous wetlands
}
OPEN_WATER = 11
_WET = (90, 95)  # ground that is wet through: as group D whatever the soil


def curve_number(
    land_cover: ArrayLike, soil_group: ArrayLike, *, is_drained: bool = False
) -> NDArray[np.float64]:
    """Curve number of a land cover on a soil.

    Parameters
    ----------
    land_cover
        Class of the National Land Cover Database, whole numbers, any shape.
    soil_group
        Hydrologic soil group, text, of a shape that goes with it: "A" to "D", or "A/D", "B/D",
        "C/D" for soils that are the first only where drained. Anything else is unknown.
    is_drained
        Whether dual groups count as drained. The default is the cautious one: D.

    Returns
    -------
    NDArray
        float64; 100 on open water, where all rain is runoff; wetlands as group D; NaN where the
        class has no number (perennial ice among them) or the group is unknown.

    Raises
    ------
    ValueError
        If the classes are not whole numbers.

    Examples
    --------
    >>> curve_number([21, 82, 11], ["B", "C/D", "B"])
    array([ 61.,  89., 100.])
    """
    classes = np.asarray(land_cover)
    if classes.dtype.kind not in "iu":
        raise ValueError(f"land cover classes must be whole numbers, not {classes.dtype}")
    groups = np.asarray(soil_group, dtype=object)
    index = np.full(groups.shape, -1)
    for k, group in enumerate(SOIL_GROUPS):
        index[groups == group] = k
        if group != "D":
            index[groups == f"{group}/D"] = k if is_drained else SOIL_GROUPS.index("D")
    classes, index = np.broadcast_arrays(classes, index)
    number = np.full(classes.shape, np.nan)
    for code, cover in LAND_COVER.items():
        here = classes == code
        if code in _WET:
            number[here] = TABLE[cover][SOIL_GROUPS.index("D")]
        else:
            known = here & (index >= 0)
            number[known] = np.array(TABLE[cover], np.float64)[index[known]]
    number[classes == OPEN_WATER] = 100
    return number


def composite_curve_number(
    pervious: ArrayLike, impervious_pct: ArrayLike, *, unconnected: ArrayLike = 0.0
) -> NDArray[np.float64]:
    """Curve number of ground that is in part impervious, before rounding.

    ``CN = CNp + (P / 100) (98 - CNp) (1 - R / 2)``: figures 2-3 (R = 0) and 2-4 of TR-55 as a
    formula, which reproduces the booklet's examples.

    Parameters
    ----------
    pervious
        Curve number of the pervious part.
    impervious_pct
        Impervious share of the area in percent.
    unconnected
        Share, 0 to 1, of the impervious area that drains over pervious ground first. The figure
        holds where less than 30 % is impervious; above, it counts as connected.

    Raises
    ------
    ValueError
        If a share lies outside its range.
    """
    share = np.asarray(impervious_pct, np.float64) / 100
    apart = np.asarray(unconnected, np.float64)
    if not ((share >= 0) & (share <= 1)).all():
        raise ValueError("impervious_pct must be 0 to 100")
    if not ((apart >= 0) & (apart <= 1)).all():
        raise ValueError("unconnected must be a share from 0 to 1")
    base = np.asarray(pervious, np.float64)
    return base + share * (IMPERVIOUS - base) * (1 - np.where(share < 0.3, apart, 0) / 2)


def for_antecedent(curve_number: ArrayLike, condition: Antecedent) -> NDArray[np.float64]:
    """Curve number for what the days before the storm left in the ground.

    Parameters
    ----------
    curve_number
        For the average condition (II), as the tables of TR-55 give them: above 0, at most 100.
    condition
        ``"dry"`` (I), ``"average"`` (II: unchanged) or ``"wet"`` (III).

    Returns
    -------
    NDArray
        float64, before rounding; 100 stays 100 and NaN stays NaN.

    Raises
    ------
    ValueError
        For another condition.

    Notes
    -----
    ``CN(I) = 4.2 CN / (10 - 0.058 CN)`` and ``CN(III) = 23 CN / (10 + 0.13 CN)``: Chow, Maidment
    and Mays (1988), "Applied Hydrology", equations 5.5.8 and 5.5.9, after table 10.1 of NEH
    section 4; read as public programs that name the book have them, the numbers of the equations
    from memory. The handbook now takes the conditions as the bounds of scatter around the
    average, not as a matter of rain in the five days before.

    Examples
    --------
    >>> for_antecedent([60, 80, 100], "dry").round(1)
    array([ 38.7,  62.7, 100. ])
    """
    number = np.asarray(curve_number, np.float64)
    if condition == "average":
        return number
    if condition == "dry":
        return np.minimum(4.2 * number / (10 - 0.058 * number), 100)  # rounding would pass it
    if condition == "wet":
        return np.minimum(23 * number / (10 + 0.13 * number), 100)
    raise ValueError(f"condition {condition!r} is not one of {', '.join(ANTECEDENTS)}")


def weighted_curve_number(numbers: ArrayLike, areas: ArrayLike) -> float:
    """Mean of curve numbers by area, before rounding (TR-55, worksheet 2).

    The runoff of the mean is less than the mean of the runoffs; where each place counts by
    itself, work with the numbers of the places.
    """
    return float(np.average(np.asarray(numbers, float), weights=np.asarray(areas, float)))
