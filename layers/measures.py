"""Exact length factors; everything becomes meters at the door.

Sources: international foot 0.3048 m exactly (1959 agreement); US survey foot 1200/3937 m,
deprecated after 2022 but kept by older state plane systems (NIST and NGS, 85 FR 62698, 2020).
"""

from __future__ import annotations

import re
from collections.abc import Iterator
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


# Longer distances are rounded to tens of feet, or to five meters: a map knows no better.
_COARSE_FT: Final = 100
_COARSE_M: Final = 50


def format_length(value_m: float, show_units: ShowUnits, *, required_m: float | None = None) -> str:
    """A horizontal length for people, rounded to what a map can bear; small ones as heights.

    Parameters
    ----------
    required_m
        A distance it is compared with: the length shown is on the same side of it.

    >>> format_length(18.9, "us"), format_length(87, "us"), format_length(2500, "us")
    ('62 ft', '290 ft', '1.6 mi')
    >>> format_length(30.4, "us", required_m=30.48), format_length(89.3, "us", required_m=88.4)
    ('99.7 ft', '293 ft')
    """
    shown = _lengths(value_m, show_units)
    text, shown_m = next(shown)
    if required_m is None:
        return text
    while (shown_m < required_m) != (value_m < required_m):
        try:
            text, shown_m = next(shown)
        except StopIteration:
            side = "under" if value_m < required_m else "over"
            return f"just {side} {format_exactly(required_m, show_units)}"
    return text


def _lengths(value_m: float, show_units: ShowUnits) -> Iterator[tuple[str, float]]:
    """A length ever finer, each with what it says in meters."""
    if 0 < value_m < 2 * FT_M:
        yield format_height(value_m, show_units), value_m
        return
    unit_m, unit, coarse_from, coarse, far_m, far = (
        (1.0, "m", _COARSE_M, 5, 1000.0, "km")
        if show_units == "si"
        else (FT_M, "ft", _COARSE_FT, 10, MILE_M, "mi")
    )
    if value_m >= far_m:
        value = round(value_m / far_m, 1)
        yield f"{value:,.1f} {far}", value * far_m
    if value_m >= coarse_from * unit_m:
        value = round(value_m / unit_m / coarse) * coarse
        yield f"{value:,} {unit}", value * unit_m
    for decimals in (0, 1):
        value = round(value_m / unit_m, decimals)
        yield f"{value:,.{decimals}f} {unit}", value * unit_m


def format_exactly(value_m: float, show_units: ShowUnits) -> str:
    """A distance that a rule requires: as written, never rounded to tens.

    >>> format_exactly(38.1, "us"), format_exactly(15.24, "us"), format_exactly(7.5, "si")
    ('125 ft', '50 ft', '7.5 m')
    """
    value = value_m if show_units == "si" else value_m / FT_M
    return f"{round(value, 1):,g} {'m' if show_units == 'si' else 'ft'}"


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
    """A stretch of time for people: days, months, then years and months.

    >>> format_age(1), format_age(20), format_age(200), format_age(900), format_age(5000)
    ('1 day', '20 days', '7 months', '2 years 6 months', '14 years')
    """
    months = round(days / 30.4369)
    if days < 60:
        return count_of(round(days), "day")
    if months < 24:
        return count_of(months, "month")
    years, rest = divmod(months, 12)
    if years >= 10:
        return count_of(round(days / 365.2425), "year")
    return count_of(years, "year") + (f" {count_of(rest, 'month')}" if rest else "")


def format_age_short(days: float) -> str:
    """The same for a narrow column.

    >>> format_age_short(20), format_age_short(1220)
    ('20 days', '3 yr 4 mo')
    """
    text = format_age(days)
    return re.sub(r" months?", " mo", re.sub(r" years?", " yr", text))


def count_of(number: int, thing: str) -> str:
    """A number of things.

    >>> count_of(1, "visit"), count_of(1200, "visit")
    ('1 visit', '1,200 visits')
    """
    return f"{number:,} {thing}{'' if number == 1 else 's'}"


# Chances nearer to 0 or 1 than this are not told apart.
UNLIKELY: Final = 0.05


def format_chance(chance: float) -> str:
    """A chance for people, no finer than it is known.

    >>> format_chance(0.37), format_chance(0.07), format_chance(0.04), format_chance(0.97)
    ('about 4 in 10', 'about 1 in 10', 'less than 1 in 20', 'more than 19 in 20')
    """
    if chance < UNLIKELY:
        return "less than 1 in 20"
    if chance > 1 - UNLIKELY:
        return "more than 19 in 20"
    return f"about {min(max(round(10 * chance), 1), 9)} in 10"
