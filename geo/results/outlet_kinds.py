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
        "well_placed": "lids placed within 50 ft, by gravity",
        "poorly_placed": "lids placed no better than that, by gravity",
        "pumped": "pumped units",
    }
)
OUTLET_WORDS: Final = MappingProxyType(
    {
        "ground": "outlets on the ground",
        "ditch": "outlets into ditches",
        "stream": "outlets into streams",
        "storm_sewer": "outlets into storm sewers",
        "field_tile": "outlets into field tiles",
    }
)
# Shares of fewer outlets than this say too little for a row of their own.
LEAST_IN_GROUP: Final = 5
