"""The way the water goes, from an outlet down and from a place up."""

from geo.trace.traces import WITHIN_M, is_on_way, to_map, trace_down, trace_downs, trace_up

__all__ = ["WITHIN_M", "is_on_way", "to_map", "trace_down", "trace_downs", "trace_up"]
