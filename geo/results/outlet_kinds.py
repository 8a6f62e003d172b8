"""What a place where an outlet may be is like, and what outlets are told apart by, in words."""

from __future__ import annotations

from types import MappingProxyType
from typing import Final

KIND_WORDS: Final = MappingProxyType(
    {
        "stream": "at a stream or pond on record",
        "ditch": "at a ditch on record",
        "road_ditch": "at the road ditch",
        "drain": "at a storm sewer or field tile on record",
        "ground": "on open ground",
    }
)

# The groups units are learned in, and what outlets on record let out into.
GROUP_WORDS: Final = MappingProxyType(
    {
        "well_placed": "gravity units, lid position within 50 ft",
        "poorly_placed": "gravity units, lid position less exact",
        "pumped": "pumped units",
    }
)
OUTLET_WORDS: Final = MappingProxyType(
    {
        "ground": "discharge points on the ground",
        "ditch": "discharge points at ditches",
        "stream": "discharge points at streams",
        "storm_sewer": "discharge points into storm sewers",
        "field_tile": "discharge points into field tiles",
    }
)
# Shares of fewer outlets than this say too little for a row of their own.
LEAST_IN_GROUP: Final = 5
