"""Rain, what runs off, how fast, and where it stands: depths in meters of water."""

from geo.runoff.filling import (
    PondLevels,
    fill_spill_merge,
    levels_from_inflow,
    pond_levels,
    runoff_depth,
)

__all__ = ["PondLevels", "fill_spill_merge", "levels_from_inflow", "pond_levels", "runoff_depth"]
