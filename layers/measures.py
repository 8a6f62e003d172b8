"""Exact length factors; everything becomes meters at the door.

Sources: international foot 0.3048 m exactly (1959 agreement); US survey foot 1200/3937 m,
deprecated after 2022 but kept by older state plane systems (NIST and NGS, 85 FR 62698, 2020).
"""

from __future__ import annotations

from typing import Final, Literal

ShowUnits = Literal["us", "si"]

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

_SPELLED_OUT: Final[dict[str, str]] = {
    "metre": "m",
    "metres": "m",
    "meter": "m",
    "meters": "m",
    "foot": "ft",
    "feet": "ft",
    "us survey foot": "us-ft",
    "us survey feet": "us-ft",
    "survey feet": "us-ft",
    "us ft": "us-ft",
    "ftus": "us-ft",
    "inch": "in",
    "inches": "in",
    "kilometres": "km",
    "kilometers": "km",
    "mile": "mi",
    "miles": "mi",
}


def spelled_out(unit: object) -> object:
    """The short name of a length unit that is spelled out; anything else as it is.

    >>> spelled_out("Feet"), spelled_out("US survey feet"), spelled_out("yd")
    ('ft', 'us-ft', 'yd')
    """
    if not isinstance(unit, str):
        return unit
    return _SPELLED_OUT.get(" ".join(unit.casefold().replace("-", " ").split()), unit)


def to_meters(value: float, unit: str) -> float:
    """A length in meters.

    Raises
    ------
    ValueError
        For a unit not in ``LENGTH_M``; the message lists the choices.

    >>> to_meters(50, "ft")
    15.24
    """
    if unit not in LENGTH_M:
        raise ValueError(f"length unit {unit!r} is not one of {', '.join(LENGTH_M)}")
    return value * LENGTH_M[unit]


def format_length(value_m: float, show_units: ShowUnits) -> str:
    """A horizontal length for people, rounded to what a map can bear; small ones as heights.

    >>> format_length(18.9, "us"), format_length(2500, "us"), format_length(18.9, "si")
    ('62 ft', '1.6 mi', '19 m')
    """
    if 0 < value_m < 2 * FT_M:
        return format_height(value_m, show_units)
    if show_units == "si":
        return f"{value_m:,.0f} m" if value_m < 1000 else f"{value_m / 1000:,.1f} km"
    feet = value_m / FT_M
    return f"{feet:,.0f} ft" if feet < 5_280 else f"{value_m / MILE_M:,.1f} mi"


def format_height(value_m: float, show_units: ShowUnits) -> str:
    """A height or depth for people: inches below two feet, else feet; centimeters, else meters.

    >>> format_height(0.36, "us"), format_height(1.2, "us"), format_height(0.36, "si")
    ('14 in', '3.9 ft', '36 cm')
    """
    least = 0.01 if show_units == "si" else IN_M
    if 0 < value_m < least:
        return "under 1 cm" if show_units == "si" else "under 1 in"
    if show_units == "si":
        return f"{value_m * 100:,.0f} cm" if abs(value_m) < 1 else f"{value_m:,.1f} m"
    feet = value_m / FT_M
    return f"{value_m / IN_M:,.0f} in" if abs(feet) < 2 else f"{feet:,.1f} ft"


def format_area(value_m2: float, show_units: ShowUnits) -> str:
    """An area of land for people.

    >>> format_area(40_468.56, "us"), format_area(5_000, "us"), format_area(40_468.56, "si")
    ('10 acres', '1.2 acres', '4.0 ha')
    """
    value, unit = (value_m2 / 10_000, "ha") if show_units == "si" else (value_m2 / ACRE_M2, "acres")
    return f"{value:,.0f} {unit}" if value >= 9.95 else f"{value:.1f} {unit}"


def format_age(days: float) -> str:
    """A stretch of time for people.

    >>> format_age(20), format_age(200), format_age(900)
    ('20 days', '7 months', '2.5 years')
    """
    if days < 60:
        return f"{days:.0f} days"
    if days < 700:
        return f"{days / 30.4369:.0f} months"
    return f"{days / 365.2425:.1f} years"
