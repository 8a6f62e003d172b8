"""What an assessment keeps for maps and sheets: its layers and rasters."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd
from pyproj import CRS

from geo.measurements import CountyStorms
from geo.terrain import Terrain, hillshade
from layers.county import County
from layers.grid import GridSource
from layers.outputs import DISCHARGE_POINTS, UNITS
from layers.store import CONTEXT

# Heights drawn steeper than they are, or farmland looks flat. Common practice, no source.
RELIEF_STEEPER: Final = np.float32(2.5)


def units_layer(table: pd.DataFrame, crs: CRS) -> gpd.GeoDataFrame:
    """The units in rank order, their columns in the order of files, working columns left behind."""
    ordered = UNITS.joined(table.sort_values("rank").reset_index(drop=True))
    return gpd.GeoDataFrame(
        ordered[UNITS.arrange(ordered)], geometry=ordered["geometry"].to_numpy(), crs=crs
    )


def context_layers(
    features: Mapping[str, gpd.GeoDataFrame | None], terrain: Terrain | None
) -> dict[str, gpd.GeoDataFrame]:
    """The county's own layers for maps and sheets; wells with the height of their ground."""
    context = {name: layer for name in CONTEXT if (layer := features.get(name)) is not None}
    if terrain is not None and "wells" in context:
        at = context["wells"].geometry
        ground_m = terrain.at("ground", at.x.to_numpy(float), at.y.to_numpy(float))
        context["wells"] = context["wells"].assign(ground_m=ground_m)
    return context


def discharge_points_layer(county: County) -> gpd.GeoDataFrame:
    """The county's own; an empty table where none were given."""
    points = county.layer("discharge_points")
    if points is None:
        return DISCHARGE_POINTS.empty_layer(county.crs)
    return points.drop(columns="source_row").reset_index(drop=True)


def rasters_kept(
    terrain: Terrain | None, storms: CountyStorms | None, keep_terrain: bool
) -> dict[str, GridSource]:
    """Relief and depths of ponds by name; ``keep_terrain`` adds what they were reckoned from."""
    if terrain is None:
        return {}
    ground = terrain.whole("ground")
    closed = np.where(np.isnan(ground.values), terrain.whole("opened").values, ground.values)
    rasters: dict[str, GridSource] = {
        "relief": ground.with_values(hillshade(RELIEF_STEEPER * closed, ground.cell_m)),
        "pond_depth_brim": terrain.whole("pond_depth"),
    }
    if storms is not None:
        for years in storms.opened.by_storm:
            rasters[f"pond_depth_{years}yr"] = storms.opened.raster(years)
    if keep_terrain:
        rasters["filled"] = terrain.whole("filled")
        rasters["flow_accumulation"] = terrain.whole("accumulation")
        if terrain.has("hand"):
            rasters["hand"] = terrain.whole("hand")
    return rasters
