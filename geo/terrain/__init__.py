"""The ground and the water on it: arrays in, arrays out.

Elevations are two-dimensional, row 0 at the north, NaN where there is no data; ``cell_m`` is the
side of a cell or (width, height). Files, reference systems and units are the business of
``layers``.
"""

from geo.terrain.access import Surface, Terrain
from geo.terrain.basins import hollows
from geo.terrain.breaches import BreachReport, Crossing, breach_crossings
from geo.terrain.conditioning import close_voids, fill_depressions
from geo.terrain.culverts import CulvertReport, cut_culverts
from geo.terrain.depressions import Depressions, depressions
from geo.terrain.dinf import flow_accumulation_dinf, flow_direction_dinf
from geo.terrain.flow import flow_accumulation, flow_direction, flow_paths, height_above_drainage
from geo.terrain.model import FlatLimits, TerrainModel, build_terrain
from geo.terrain.points import sample
from geo.terrain.surface import hillshade, slope
from geo.terrain.water_levels import WaterReport, flatten_waters

__all__ = [
    "BreachReport",
    "Crossing",
    "CulvertReport",
    "Depressions",
    "FlatLimits",
    "Surface",
    "Terrain",
    "TerrainModel",
    "WaterReport",
    "breach_crossings",
    "build_terrain",
    "close_voids",
    "cut_culverts",
    "depressions",
    "fill_depressions",
    "flatten_waters",
    "flow_accumulation",
    "flow_accumulation_dinf",
    "flow_direction",
    "flow_direction_dinf",
    "flow_paths",
    "height_above_drainage",
    "hillshade",
    "hollows",
    "sample",
    "slope",
]
