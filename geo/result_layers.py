"""What an assessment keeps for maps and sheets: its layers and rasters."""

from __future__ import annotations

import fnmatch
from collections.abc import Mapping
from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd
from pyproj import CRS

from geo.measurements import Storms
from geo.terrain import TerrainModel, hillshade
from layers.county import County
from layers.grid import GridSource
from layers.store import CONTEXT

# Heights drawn steeper than they are, or farmland looks flat. Common practice, no source.
RELIEF_STEEPER: Final = np.float32(2.5)

# The order of columns in the units layer; others follow in the order in which they were made.
_FIRST: Final = (
    "unit_id", "visit_class", "rank", "rank_low", "rank_high", "ranked_by",
    "first_class_chance", "score", "likelihood", "harm", "reasons",
    "why_due", "must_visit_by", "danger_open", "data_gaps",
    "part_*", "discharge_point_id", "link_method", "link_confirmed", "pipe_length_m",
    "pipe_bearing_deg", "pipe_drop_m", "outlet_state", "well_id", "well_distance_m",
    "well_distance_u95_m", "stream_id", "stream_distance_m", "flood_zone", "flood_hazard",
    "flood_distance_m", "flood_inside_m", "flood_depth_m", "ground_m", "hand_m",
    "lid_pond_depth_brim_m", "lid_pond_depth_*yr_m", "lid_freeboard_*yr_m", "lid_wet_state",
    "lid_wet_return_yr", "lid_wet_state_blocked", "lid_wet_return_blocked_yr",
    "lid_wet_*yr_probability", "lid_wet_annual_probability", "lid_depression_probability",
    "lid_upslope_area_m2", "lid_swale_state", "lid_swale_depth_m", "lid_swale_storm_yr",
    "lid_swale_flow_m3_s",
    "outlet_pond_depth_brim_m", "outlet_wet_state", "outlet_wet_return_yr",
    "outlet_upslope_area_m2",
    "outlet_flood_zone", "outlet_flood_depth_m", "path_length_m",
    "path_drop_m", "path_end", "path_end_id", "parcels_crossed", "storm_runoff_minutes",
    "downstream_place", "downstream_place_kind", "downstream_m", "wells_downhill", "lid_well_id",
    "lid_well_distance_m", "lid_well_distance_u95_m", "place_id", "place_kind",
    "place_distance_m", "days_since_inspection", "last_result", "age_years", "trouble_chance",
    "trouble_chance_low", "trouble_chance_high", "trouble_chance_county",
    "trouble_group", "visit_by_lot",
)  # fmt: skip
_WORKING: Final = ("deciding_*", "outlet_m", "*_bearing_deg", "source_row")


def units_layer(table: pd.DataFrame, crs: CRS) -> gpd.GeoDataFrame:
    """The units in rank order, contract columns first, working columns left behind."""
    names = [n for pattern in _FIRST for n in fnmatch.filter(table.columns, pattern)]
    drop = {n for pattern in _WORKING for n in fnmatch.filter(table.columns, pattern)} - {
        "pipe_bearing_deg"
    }
    names += [n for n in table.columns if n not in names and n not in drop and n != "geometry"]
    ordered = table.sort_values("rank").reset_index(drop=True)
    return gpd.GeoDataFrame(ordered[names], geometry=ordered["geometry"].to_numpy(), crs=crs)


def context_layers(
    features: Mapping[str, gpd.GeoDataFrame | None], terrain: TerrainModel | None
) -> dict[str, gpd.GeoDataFrame]:
    """The county's own layers for maps and sheets; wells with the height of their ground."""
    context = {name: layer for name in CONTEXT if (layer := features.get(name)) is not None}
    if terrain is not None and "wells" in context:
        at = context["wells"].geometry
        ground_m = terrain.ground_at(at.x.to_numpy(float), at.y.to_numpy(float))
        context["wells"] = context["wells"].assign(ground_m=ground_m)
    return context


def discharge_points_layer(county: County) -> gpd.GeoDataFrame:
    """The county's own; an empty table where none were given."""
    points = county.layer("discharge_points")
    if points is None:
        return gpd.GeoDataFrame(
            {"discharge_point_id": [], "unit_id": []}, geometry=[], crs=county.crs
        )
    return points.drop(columns="source_row").reset_index(drop=True)


def rasters_kept(
    terrain: TerrainModel | None, storms: Storms | None, keep_terrain: bool
) -> dict[str, GridSource]:
    """Relief and depths of ponds by name; ``keep_terrain`` adds what they were reckoned from."""
    if terrain is None:
        return {}
    ground = terrain.ground
    closed = np.where(np.isnan(ground.values), terrain.opened.values, ground.values)
    rasters: dict[str, GridSource] = {
        "relief": ground.with_values(hillshade(RELIEF_STEEPER * closed, ground.cell_m)),
        "pond_depth_brim": terrain.pond_depth,
    }
    if storms is not None:
        for years in storms.opened.by_storm:
            rasters[f"pond_depth_{years}yr"] = storms.opened.raster(years)
    if keep_terrain:
        rasters["filled"] = terrain.filled
        rasters["flow_accumulation"] = terrain.accumulation
        if terrain.hand is not None:
            rasters["hand"] = terrain.hand
    return rasters
