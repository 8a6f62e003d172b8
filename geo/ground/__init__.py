"""The county's ground made ready: lakes level, roads opened."""
