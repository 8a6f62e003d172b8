"""Names that a release may hold: those of the office's own lists, never what somebody typed."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Final

from layers.measures import LENGTH_M
from layers.settings.visit_list import VisitList

# What is measured at such units and in their water, and in which units of measure; the first five
# values are those the record page offers. Common practice, no source.
MEASURED: Final = (
    "DO", "pH", "turbidity", "chlorine", "sludge depth", "scum depth", "riser height",
    "water level", "temperature", "flow", "BOD", "BOD5", "CBOD5", "COD", "TSS", "ammonia",
    "nitrate", "nitrite", "total nitrogen", "total phosphorus", "fecal coliform", "E. coli",
)  # fmt: skip
UNITS: Final = (
    *LENGTH_M, "cm", "mm", "mg/L", "ug/L", "pH", "NTU", "FNU", "%", "C", "F", "°C", "°F", "gal",
    "gpd", "gpm", "L", "L/min", "min", "h", "psi", "kPa", "V", "A", "CFU/100 mL", "MPN/100 mL",
)  # fmt: skip


@dataclass(frozen=True)
class ReleaseWords:
    """What may be said, each as it is written by how `plain_word` has it.

    Attributes
    ----------
    things
        To look at.
    values
        That are measured.
    units
        Of measure.
    """

    things: Mapping[str, str]
    values: Mapping[str, str]
    units: Mapping[str, str]


def release_words(visit_list: VisitList, office: Iterable[str] = ()) -> ReleaseWords:
    """The words of a visit list, those of `MEASURED` and `UNITS`, and the office's own.

    >>> from layers.settings.visit_list import load_visit_list
    >>> words = release_words(load_visit_list(None), ["Dye test"])
    >>> words.things["dye test"], words.values["risers"], words.units["mg/l"]
    ('Dye test', 'risers', 'mg/L')
    """
    own = list(office)
    things = [word for item in visit_list.items for word in item.names]
    measures = [item.measure for item in visit_list.items if item.measure]
    return ReleaseWords(
        _by_plain([*things, *own]),
        _by_plain([*things, *MEASURED, *own]),
        _by_plain([*UNITS, *measures, *own]),
    )


def plain_word(word: str) -> str:
    """A word by which two are the same: capitals and blanks say nothing."""
    return " ".join(word.casefold().split())


def _by_plain(words: Iterable[str]) -> dict[str, str]:
    return {plain_word(word): word for word in words}
