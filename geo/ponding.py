"""Whether water would stand over a lid or an outlet: one question, one row per point.

To the brim only: how deep a point would stand if its hollow filled to its spill. Nothing is said
of how much rain that takes.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

if TYPE_CHECKING:
    from geo.terrain import TerrainModel


def ground_columns(
    points: NDArray[np.object_], terrain: TerrainModel | None, *, index: pd.Index
) -> pd.DataFrame:
    """``ground_m``, ``pond_depth_brim_m``, ``hand_m`` under each point, on ``index``.

    Parameters
    ----------
    points
        Shapely points in the working system; missing or empty ones are unknown.
    terrain
        None where there is none: everything is then unknown.

    ``ground_m`` is the height as read, ``pond_depth_brim_m`` the depth of water over it in a
    hollow filled to its spill (0 outside hollows), ``hand_m`` the height above the drainage its
    water runs to. Null off the terrain and where there is no data.
    """
    names = ["ground_m", "pond_depth_brim_m", "hand_m"]
    out = pd.DataFrame(np.nan, index=index, columns=names)
    if terrain is None or not len(points):
        return out
    row, col, inside = terrain.ground.cells_at(shapely.get_x(points), shapely.get_y(points))
    for name, grid in zip(names, (terrain.ground, terrain.pond_depth, terrain.hand), strict=True):
        if grid is not None:
            out[name] = np.where(inside, grid.values[row, col], np.nan).astype(float)
    return out
