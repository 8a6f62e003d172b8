"""Exact length factors; everything becomes metres at the door.

Sources: international foot 0.3048 m exactly (1959 agreement); US survey foot 1200/3937 m,
deprecated after 2022 but kept by older state plane systems (NIST and NGS, 85 FR 62698, 2020).
"""

from __future__ import annotations

from typing import Final

FT_M: Final = 0.3048
US_SURVEY_FT_M: Final = 1200 / 3937
IN_M: Final = 0.0254
ACRE_M2: Final = 43_560 * FT_M**2
MILE_M: Final = 5_280 * FT_M

LENGTH_M: Final[dict[str, float]] = {
    "m": 1.0,
    "km": 1000.0,
    "ft": FT_M,
    "us-ft": US_SURVEY_FT_M,
    "in": IN_M,
    "mi": MILE_M,
}


def to_metres(value: float, unit: str) -> float:
    """A length in metres.

    Raises
    ------
    ValueError
        For a unit not in ``LENGTH_M``; the message lists the choices.

    >>> to_metres(50, "ft")
    15.24
    """
    if unit not in LENGTH_M:
        raise ValueError(f"length unit {unit!r} is not one of {', '.join(LENGTH_M)}")
    return value * LENGTH_M[unit]
