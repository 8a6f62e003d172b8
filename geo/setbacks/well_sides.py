"""What is told of a well beside its distance: who drinks from it, and whether it lies downhill."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

# A well is called downhill where the ground drops by so much and by this share of the way: a few
# inches may be the terrain's own error. Common practice, no source.
LEAST_DROP_M: Final = 0.5
LEAST_SLOPE: Final = 0.02
USES: Final = ("private", "public")

GroundAt = Callable[[NDArray[np.float64], NDArray[np.float64]], NDArray[np.float64]]


def well_sides(
    checks: gpd.GeoDataFrame, wells: pd.DataFrame | None, ground_at: GroundAt | None
) -> pd.DataFrame:
    """``well_use`` and ``well_lies`` of each setback check, on its index.

    Parameters
    ----------
    checks
        As `geo.setbacks.setback_checks` gives them: ``feature, feature_id`` and the line from the
        part to the feature.
    wells
        ``well_id`` and, where known, ``use``.
    ground_at
        Ground heights in meters at map coordinates, NaN where unknown; None without terrain.

    Returns
    -------
    ``well_use`` (`USES`, null for others and for other features) and ``well_lies`` (``downhill``
    or ``uphill`` of the part, null where the ground is near level, or not known).
    """
    shown = pd.DataFrame({"well_use": None, "well_lies": None}, index=checks.index, dtype=object)
    is_well = (checks["feature"] == "wells") & checks["feature_id"].notna()
    if wells is not None and "use" in wells:
        use = wells.drop_duplicates("well_id").set_index("well_id")["use"]
        mine = checks.loc[is_well, "feature_id"].map(use[use.isin(USES)]).astype(object)
        shown.loc[is_well, "well_use"] = mine.where(mine.notna(), None)
    lines = checks.geometry.to_numpy()
    drawn = is_well.to_numpy() & ~(shapely.is_missing(lines) | shapely.is_empty(lines))
    if ground_at is not None and drawn.any():
        x1, y1, x2, y2 = shapely.get_coordinates(lines[drawn]).reshape(-1, 4).T
        rise = ground_at(x2, y2) - ground_at(x1, y1)
        least = np.maximum(LEAST_DROP_M, LEAST_SLOPE * np.hypot(x2 - x1, y2 - y1))
        shown.loc[drawn, "well_lies"] = np.select(
            [rise <= -least, rise >= least], ["downhill", "uphill"], ""
        )
        shown["well_lies"] = shown["well_lies"].replace({"": None})
    return shown
