"""Reference systems: one fit for the county, what a file without one may be in, places in words."""

from layers.crs.working_system import (
    COARSE_SHIFT_M,
    WGS84,
    LonLatBounds,
    Mover,
    bearing_deg,
    choose_working_system,
    code_and_name,
    describe,
    distortion,
    ellipsoid,
    ground_length_m,
    length_and_bearing,
    line_length_m,
    looks_like_degrees,
    parse_crs,
    too_coarse,
)

__all__ = [
    "COARSE_SHIFT_M",
    "WGS84",
    "LonLatBounds",
    "Mover",
    "bearing_deg",
    "choose_working_system",
    "code_and_name",
    "describe",
    "distortion",
    "ellipsoid",
    "ground_length_m",
    "length_and_bearing",
    "line_length_m",
    "looks_like_degrees",
    "parse_crs",
    "too_coarse",
]
