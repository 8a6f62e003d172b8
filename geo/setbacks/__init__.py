"""Setbacks: distances against the rules in force, where all are kept, and how that is said."""

from geo.setbacks.checks import setback_checks
from geo.setbacks.inputs import SetbackInputs
from geo.setbacks.verdicts import CLEAR_AT_MOST, GPS_FIX_M, SHORT_AT_LEAST
from geo.uncertainty import short_probability

__all__ = [
    "CLEAR_AT_MOST",
    "GPS_FIX_M",
    "SHORT_AT_LEAST",
    "SetbackInputs",
    "setback_checks",
    "short_probability",
]
