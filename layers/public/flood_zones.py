"""Flood zones as written in flood insurance rate maps.

Sources: FEMA, "Domain Tables Technical Reference" and "FIRM Database Technical Reference"
(November 2024); the meanings of zones as FEMA publishes them. A zone that starts with A or V is a
special flood hazard area (1 % a year); X, B, C and D are not.
"""

from __future__ import annotations

from typing import Final

_NOT_A_ZONE: Final = ("AREA NOT INCLUDED", "OPEN WATER")


def _folded(text: object) -> str:
    return " ".join(text.upper().split()).removeprefix("ZONE ") if isinstance(text, str) else ""


def is_sfha(zone: object) -> bool:
    """Whether a zone is a special flood hazard area.

    >>> is_sfha("AE"), is_sfha("X"), is_sfha("Area Not Included")
    (True, False, False)
    """
    text = _folded(zone)
    return text.startswith(("A", "V")) and text not in _NOT_A_ZONE


def is_minimal(zone: object, subtype: object = None) -> bool:
    """Whether a zone is one of minimal hazard: C, or X said to be so.

    An X without a subtype may be shaded or not, so it is not said to be minimal; D and areas not
    included are unknown, not low.

    >>> is_minimal("X", "AREA OF MINIMAL FLOOD HAZARD"), is_minimal("X"), is_minimal("D")
    (True, False, False)
    """
    text = _folded(zone)
    return text == "C" or (text == "X" and _folded(subtype) == "AREA OF MINIMAL FLOOD HAZARD")
