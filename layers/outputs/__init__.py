"""The register of output fields: what each column of an assessment is, once.

A column is declared here and nowhere else; files, pages, notebooks and draws go by its entry.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Final

from layers.outputs.field import Field, OutputValueError, Table, UnknownFieldError
from layers.outputs.land import LAND_AREAS, LOTS
from layers.outputs.other import (
    AREAS,
    DISCHARGE_POINTS,
    FIRST_VISITS,
    LOADS,
    OUTLET_CANDIDATES,
    OUTLET_SEARCH_AREAS,
    OWED,
    OWED_UNCLEAR,
    PROBLEMS,
    PUBLIC_CELLS,
    REPLAY,
    WORTH_A_FIX,
    WORTH_KNOWING,
)
from layers.outputs.setbacks import SETBACK_CHECKS
from layers.outputs.units import SECTIONS, UNITS
from layers.outputs.water import (
    DRAWN_ENTRIES,
    DRAWN_PASSES,
    FLOW_PATHS,
    PONDS,
    TERRAIN_CUTS,
    WATER_LEGS,
    WATER_PLACES,
    WAY_WELLS,
)

__all__ = [
    "AREAS",
    "DISCHARGE_POINTS",
    "DRAWN_ENTRIES",
    "DRAWN_PASSES",
    "FIRST_VISITS",
    "FLOW_PATHS",
    "LAND_AREAS",
    "LOTS",
    "OUTLET_CANDIDATES",
    "OUTLET_SEARCH_AREAS",
    "OUTPUTS",
    "OWED",
    "OWED_UNCLEAR",
    "PONDS",
    "PUBLIC_CELLS",
    "REPLAY",
    "SECTIONS",
    "SETBACK_CHECKS",
    "TERRAIN_CUTS",
    "UNITS",
    "WATER_LEGS",
    "WATER_PLACES",
    "WAY_WELLS",
    "WORTH_A_FIX",
    "Field",
    "OutputValueError",
    "Table",
    "UnknownFieldError",
]  # fmt: skip

_IN_ORDER: Final = (
    UNITS, DISCHARGE_POINTS, FLOW_PATHS, WATER_LEGS, WATER_PLACES, WAY_WELLS, DRAWN_ENTRIES,
    DRAWN_PASSES, SETBACK_CHECKS, WORTH_A_FIX, WORTH_KNOWING, REPLAY, OWED, OWED_UNCLEAR,
    OUTLET_CANDIDATES, OUTLET_SEARCH_AREAS, TERRAIN_CUTS, PONDS, AREAS, LAND_AREAS, LOTS,
    PUBLIC_CELLS, FIRST_VISITS, LOADS, PROBLEMS,
)  # fmt: skip
OUTPUTS: Final[Mapping[str, Table]] = MappingProxyType({table.name: table for table in _IN_ORDER})
"""Each table of an assessment by its layer's name, in the order of files.

The county's own layers, kept beside them, come as they are.
"""
