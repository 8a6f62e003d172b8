"""What the public map and the public report both show of the county's areas."""

from __future__ import annotations

from typing import Final

import geopandas as gpd

from geo.results.areas import cells_frame
from layers.folders.public_ledger import Edition

PUBLIC_LAYERS: Final = ("floodplain", "water_bodies", "roads", "streams")
"""Layers that anyone may have."""
STEP_WORDS: Final = ("under 10%", "10 to 25%", "25 to 50%", "50 to 75%", "over 75%")
"""The steps shares are shown in, as `geo.results.areas.STEP_EDGES` parts them."""


def shown_cells(edition: Edition) -> gpd.GeoDataFrame:
    """The areas of an edition as the table `public_cells` gives them; what is not shown is null."""
    is_shown = {name: name in edition.shown for name in ("first", "wet")}
    return cells_frame(
        [
            (c.box, c.units, c.first if is_shown["first"] else None,
             c.wet if is_shown["wet"] else None)
            for c in edition.cells
        ],
        edition.crs,
    )  # fmt: skip
