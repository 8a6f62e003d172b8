"""Setbacks: distances against the rules in force, where all are kept, and how that is said."""

from geo.setbacks.checks import (
    CLEAR_AT_MOST,
    GPS_FIX_M,
    SHORT_AT_LEAST,
    SetbackInputs,
    setback_checks,
    short_probability,
)

__all__ = [
    "CLEAR_AT_MOST",
    "GPS_FIX_M",
    "SHORT_AT_LEAST",
    "SetbackInputs",
    "setback_checks",
    "short_probability",
]
