"""Codes in words, and lengths in the measures people use. Files keep SI; pages do not."""

from __future__ import annotations

import datetime as dt
import itertools
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final, Literal

from layers.measures import FT_M, IN_M, MILE_M, format_height, format_length

Measures = Literal["us", "si"]
CLASSES: Final = ("first", "next", "routine")
CLASS_WORDS: Final = MappingProxyType(
    {"first": "Visit first", "next": "Visit next", "routine": "Routine"}
)
NO_CLASS: Final = "Not ranked"
AXES: Final = MappingProxyType(
    {"likelihood": "How likely a problem is", "harm": "How serious it would be"}
)


@dataclass(frozen=True)
class Scale:
    """How a number is shown.

    Attributes
    ----------
    unit, factor, decimals
        The unit, the factor from SI, and the decimals.
    coarse_from, coarse
        From so much of the unit on it is rounded to multiples of so many.
    far
        The scale of what is 1 or more in its unit.
    """

    unit: str
    factor: float
    decimals: int
    coarse_from: float = math.inf
    coarse: int = 1
    far: Scale | None = None


_US: Final[dict[str, Scale]] = {
    # as `layers.measures.format_length` and `format_height` have it for one number
    "distance": Scale("ft", 1 / FT_M, 0, 100, 10, Scale("mi", 1 / MILE_M, 1)),
    "height": Scale("ft", 1 / FT_M, 1, 10),
    "depth": Scale("ft", 1 / FT_M, 1, 10),
}
_SI: Final[dict[str, Scale]] = {
    "distance": Scale("m", 1, 0, 50, 5, Scale("km", 0.001, 1)),
    "height": Scale("m", 1, 1, 10),
    "depth": Scale("m", 1, 1, 10),
}
_EITHER: Final[dict[str, Scale]] = {
    "count": Scale("", 1, 0),
    "days": Scale("days", 1, 0),
    "minutes": Scale("min", 1, 0),
    "years": Scale("years", 1, 0),
    "share": Scale("%", 100, 0),
    "number": Scale("", 1, 2),
}


# Below these a number in its scale says too little, and inches or centimeters take its place.
_LEAST_M: Final[dict[Measures, dict[str, float]]] = {
    "us": {"distance": 2 * FT_M, "height": 2 * FT_M, "depth": 2 * FT_M},
    "si": {"distance": 2 * FT_M, "height": 1, "depth": 1},
}


LENGTHS: Final = frozenset(_US)


def scale(kind: str, measures: Measures) -> Scale:
    """How numbers of a kind are shown.

    Raises
    ------
    KeyError
        For a kind that is not known.

    >>> scale("distance", "us").unit
    'ft'
    """
    return (_EITHER | (_US if measures == "us" else _SI))[kind]


MATTERS: Final = ("short", "uncertain")
"""Verdicts that are shown first and drawn on the map."""
ACTIONS: Final = MappingProxyType(
    {
        "layer_left_out": "{n} input layer{s} could not be used.",
        "set_aside": "{n} input row{s} could not be used.",
        "corrected": "{n} input row{s} {were} corrected when read.",
        "kept": "{n} input row{s} {were} used with a warning.",
    }
)
"""What was done about faults of the input; the report lists every row."""
_POINTS: Final = (
    "north", "northeast", "east", "southeast", "south", "southwest", "west", "northwest",
)  # fmt: skip


_METERS: Final = re.compile(r"(?<![\w.,'\"-])(\d+(?:\.\d+)?) m(?![\w'\"])")


def in_measures(message: str, measures: Measures) -> str:
    """A message of the checks of the input, which speak in meters, with its lengths for people.

    What stands between quotes is the county's own and stays.

    >>> in_measures("'A 3 m' was taken: it is the nearest, 31.1 m away", "us")
    "'A 3 m' was taken: it is the nearest, 100 ft away"
    """
    if measures == "si":
        return message
    parts = re.split(r"('[^']*'|\"[^\"]*\")", message)
    parts[::2] = [
        _METERS.sub(lambda m: format_length(float(m[1]), measures), p) for p in parts[::2]
    ]
    return "".join(parts)


def in_words(code: str, codes: Mapping[str, str]) -> str:
    """A code in words; one that is not listed is shown as it stands.

    >>> in_words("same_parcel", {})
    'same parcel'
    """
    return codes.get(code, code.replace("_", " "))


def counted(text: str, count: int) -> str:
    """A sentence with a count in it.

    >>> counted("{n} row{s} {were} used", 1)
    '1 row was used'
    """
    one = count == 1
    return text.format(n=f"{count:,}", s="" if one else "s", were="was" if one else "were")


def change(value: float) -> str:
    """A change to one decimal with its sign, and without one where it is too small to show.

    >>> change(-9.14), change(0.2), change(-0.03)
    ('-9.1', '+0.2', '0.0')
    """
    text = f"{value:+.1f}"
    return "0.0" if text in {"+0.0", "-0.0"} else text


def date(value: object) -> str:
    """A day as people write it; text that is no ISO date stays as it is.

    >>> date("2026-04-01")
    'April 1, 2026'
    """
    text = str(value)
    try:
        day = dt.date.fromisoformat(text[:10])
    except ValueError:
        return text
    return f"{day:%B} {day.day}, {day.year}"


def bearing(degrees: float) -> str:
    """A true bearing with its compass point.

    >>> bearing(224.6)
    '225°, southwest'
    """
    whole = round(degrees) % 360
    return f"{whole}°, {_POINTS[round(whole / 45) % 8]}"


def length(value_m: float, measures: Measures) -> str:
    """A length for people: inches or centimeters where feet or meters would say little.

    >>> length(18.9, "us"), length(0.004, "us"), length(0.004, "si")
    ('62 ft', 'under 1 in', 'under 1 cm')
    """
    small = small_length(value_m, "distance", measures)
    return small or format_length(value_m, measures)


def small_length(value_m: float, kind: str, measures: Measures) -> str | None:
    """Words for a length that its scale would round away; None where the number serves.

    >>> small_length(0.004, "distance", "us"), small_length(0.9, "height", "us")
    ('under 1 in', None)
    """
    least = _LEAST_M[measures].get(kind)
    if least is None or not abs(value_m) < least:
        return None
    text = format_height(max(abs(value_m), 1e-9), measures)
    if text.startswith("under"):
        return text
    return ("\u2212" if value_m < 0 else "") + text.replace(" ", "\u00a0")


def depth_steps(edges_m: Sequence[float], measures: Measures) -> list[str]:
    """Labels of depth classes that begin at the edges, the last one open.

    >>> depth_steps([0.05, 0.3], "us")
    ['2 to 12 in deep', 'over 12 in deep']
    """
    factor, unit = (1 / IN_M, "in") if measures == "us" else (100, "cm")
    edges = [f"{round(edge * factor):,}" for edge in edges_m]
    closed = [f"{a} to {b} {unit} deep" for a, b in itertools.pairwise(edges)]
    return [*closed, f"over {edges[-1]} {unit} deep"]
