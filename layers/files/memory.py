"""Memory that is free again goes back to the system."""

from __future__ import annotations

import ctypes


def give_back() -> None:
    """Return what was freed: the C library of GNU keeps large pieces for later; others do not.

    It takes some milliseconds and changes no result.
    """
    try:
        trim = ctypes.CDLL(None).malloc_trim
    except (OSError, TypeError, AttributeError):  # another C library
        return
    trim(0)
