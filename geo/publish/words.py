"""Labels, codes in words, and lengths in the measures people use. Files keep SI; pages do not."""

from __future__ import annotations

import datetime as dt
import itertools
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import Final, Literal

import pandas as pd

from layers.measures import FT_M, IN_M, say_height, say_length

Measures = Literal["us", "si"]
NOT_KNOWN: Final = "not known"
CAUTION: Final = "A rank or a distance is screening, not a finding. Local code governs."
SAFETY: Final = (
    "Never enter a tank or lean into one: the gases in it kill without warning. Keep lids "
    "fastened, keep away from open ones, and leave electrical parts to licensed people."
)
CLASSES: Final = ("first", "next", "routine")
CLASS_WORDS: Final = MappingProxyType(
    {"first": "Visit first", "next": "Visit next", "routine": "Routine"}
)
NO_CLASS: Final = "Not ranked"


@dataclass(frozen=True)
class Scale:
    """How a number is shown: its unit, the factor from SI, and its decimals."""

    unit: str
    factor: float
    decimals: int


_US: Final[dict[str, Scale]] = {
    "distance": Scale("ft", 1 / FT_M, 0),
    "fine_distance": Scale("ft", 1 / FT_M, 1),
    "height": Scale("ft", 1 / FT_M, 1),
    "depth": Scale("in", 1 / IN_M, 0),
}
_SI: Final[dict[str, Scale]] = {
    "distance": Scale("m", 1, 0),
    "fine_distance": Scale("m", 1, 1),
    "height": Scale("m", 1, 2),
    "depth": Scale("cm", 100, 0),
}
_EITHER: Final[dict[str, Scale]] = {
    "count": Scale("", 1, 0),
    "days": Scale("days", 1, 0),
    "minutes": Scale("min", 1, 0),
    "years": Scale("years", 1, 0),
    "share": Scale("%", 100, 0),
    "number": Scale("", 1, 2),
}


# Below these a number in its scale says too little, and inches or centimetres take its place.
_LEAST_M: Final[dict[Measures, dict[str, float]]] = {
    "us": {
        "distance": 2 * FT_M,
        "fine_distance": 2 * FT_M,
        "height": FT_M / 2,
        "depth": IN_M,
    },
    "si": {"distance": 1, "fine_distance": 1, "height": 0.1, "depth": 0.01},
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


@dataclass(frozen=True)
class Field:
    """One column of ``units`` as a person reads it.

    ``{T}`` in the column stands for a return period in years. A ``code`` has its words; a number
    has a kind that `scale` knows; ``text``, ``date``, ``flag`` and ``bearing`` speak for
    themselves. A field that ``needs`` another column is left out where that is not known;
    ``zero`` is what a length of exactly nought is called.
    """

    column: str
    label: str
    kind: str
    codes: Mapping[str, str] = field(default_factory=dict)
    needs: str = ""
    zero: str = ""


@dataclass(frozen=True)
class Section:
    """Fields that answer one question."""

    title: str
    fields: tuple[Field, ...]


_WET: Final = {
    "wet": "under water in a storm that was computed",
    "dry_in_all": "dry in every storm that was computed",
    "at_or_below_smallest": "under water in the smallest storm that was computed",
    "unknown": NOT_KNOWN,
}

PROTECTED: Final = MappingProxyType(
    {
        "bathing": "bathing place",
        "intake": "water intake",
        "school": "school",
        "other": "protected place",
        "unknown": "protected place",
    }
)

SECTIONS: Final = (
    Section(
        "The unit",
        (
            Field("address", "Address on record", "text"),
            Field("parcel_id", "Parcel", "text"),
            Field(
                "status",
                "Status",
                "code",
                {
                    "active": "in use",
                    "seasonal": "in use part of the year",
                    "vacant": "house vacant",
                    "abandoned": "out of use",
                    "sewered": "house on a public sewer",
                    "unknown": NOT_KNOWN,
                },
            ),
            Field(
                "kind",
                "Lets water out",
                "code",
                {
                    "surface_discharge": "on the ground or into water",
                    "soil_absorption": "into the soil",
                    "shared_collector": "into a shared collector",
                    "holding_tank": "nowhere: a holding tank",
                    "unknown": NOT_KNOWN,
                },
            ),
            Field("pumped", "Pumped", "flag"),
            Field("installed", "Installed", "date"),
            Field("age_years", "Age", "years"),
            Field("permit_id", "Permit", "text"),
            Field("bedrooms", "Bedrooms", "count"),
            Field(
                "riser_height_m",
                "Top of lid above ground",
                "depth",
                zero="level with the ground",
            ),
            Field(
                "location_basis",
                "Position taken from",
                "code",
                {
                    "surveyed": "a survey",
                    "gps": "a GPS receiver",
                    "phone": "a phone",
                    "digitised": "a map or aerial photograph",
                    "building": "the building",
                    "address": "the address only",
                    "parcel": "the middle of the parcel",
                    "unknown": NOT_KNOWN,
                },
            ),
            Field("accuracy95_m", "That may be off by", "distance"),
        ),
    ),
    Section(
        "Where its water comes out",
        (
            Field(
                "outlet_state",
                "Discharge point",
                "code",
                {
                    "known": "located",
                    "unconfirmed": "a guess until a visit confirms it",
                    "unknown": "not located: find it first",
                    "not_expected": "none expected for this kind",
                },
            ),
            Field("discharge_point_id", "Its number", "text"),
            Field(
                "link_method",
                "Matched to the unit",
                "code",
                {
                    "by_id": "by number",
                    "same_parcel": "on the same parcel",
                    "nearest": "as the nearest one",
                    "none": "not matched",
                },
                needs="discharge_point_id",
            ),
            Field("link_confirmed", "Match confirmed", "flag", needs="discharge_point_id"),
            Field("pipe_length_m", "Straight line to it", "distance", needs="discharge_point_id"),
            Field(
                "pipe_bearing_deg", "Bearing from the lid", "bearing", needs="discharge_point_id"
            ),
            Field("pipe_drop_m", "Ground drops to it by", "height", needs="discharge_point_id"),
        ),
    ),
    Section(
        "Where the water runs from there",
        (
            Field(
                "path_end",
                "Runs over ground to",
                "code",
                {
                    "stream": "a stream",
                    "water_body": "a lake or pond",
                    "drain": "a drain",
                    "hollow": "a hollow in the ground",
                    "edge": "the edge of the terrain on record",
                },
            ),
            Field("path_end_id", "Its number", "text", needs="path_end"),
            Field("path_length_m", "Way over ground", "distance", needs="path_end"),
            Field("path_drop_m", "Drop on the way", "height", needs="path_end"),
            Field("parcels_crossed", "Other parcels crossed", "count", needs="path_end"),
            Field("storm_runoff_minutes", "Storm runoff takes", "minutes", needs="path_end"),
            Field("downstream_place", "Further downstream", "text"),
            Field("downstream_m", "Distance to it", "distance", needs="downstream_place"),
        ),
    ),
    Section(
        "What is near",
        (
            Field("well_id", "Well nearest the discharge point", "text"),
            Field("well_distance_m", "Distance to it", "distance", needs="well_id"),
            Field("well_distance_u95_m", "Give or take", "distance", needs="well_id"),
            Field("lid_well_id", "Well nearest the lid", "text"),
            Field("lid_well_distance_m", "Distance to it", "distance", needs="lid_well_id"),
            Field("lid_well_distance_u95_m", "Give or take", "distance", needs="lid_well_id"),
            Field("stream_id", "Stream nearest the discharge point", "text"),
            Field("stream_distance_m", "Distance to it", "distance", needs="stream_id"),
            Field("place_id", "Nearest protected place", "text"),
            Field("place_kind", "It is a", "code", PROTECTED, needs="place_id"),
            Field("place_distance_m", "Distance to it", "distance", needs="place_id"),
            Field("flood_zone", "Mapped flood zone", "text"),
            Field(
                "flood_distance_m",
                "To the special flood hazard area (1 % a year)",
                "distance",
                zero="inside it",
            ),
            Field("flood_depth_m", "Base flood above the ground", "height"),
            Field("ground_m", "Ground at the lid, height on record", "height"),
            Field("hand_m", "Height above the stream it drains to", "height"),
        ),
    ),
    Section(
        "Standing water",
        (
            Field(
                "lid_pond_depth_brim_m",
                "At the lid, hollow full to the brim",
                "depth",
                zero="none",
            ),
            Field(
                "outlet_pond_depth_brim_m",
                "At the discharge point, hollow full to the brim",
                "depth",
                zero="none",
            ),
            Field("lid_pond_depth_{T}yr_m", "At the lid, {T}-year storm", "depth", zero="none"),
            Field("lid_freeboard_{T}yr_m", "Top of lid above water, {T}-year storm", "depth"),
            Field("lid_wet_state", "Top of the lid", "code", _WET),
            Field("lid_wet_return_yr", "Smallest storm that reaches it", "years"),
            Field("lid_wet_{T}yr_probability", "Chance in a {T}-year storm", "share"),
            Field("lid_wet_annual_probability", "Chance in a year", "share"),
            Field("outlet_wet_state", "The discharge point", "code", _WET),
            Field("outlet_wet_return_yr", "Smallest storm that reaches it", "years"),
        ),
    ),
    Section(
        "Inspections",
        (
            Field("why_due", "Owed because", "text"),
            Field("must_visit_by", "Owed by", "date"),
            Field("days_since_inspection", "Since the last one", "days"),
            Field(
                "last_result",
                "It found",
                "code",
                {
                    "good": "nothing wrong",
                    "minor": "something minor",
                    "repair": "a repair needed",
                    "danger": "a danger",
                    "unknown": NOT_KNOWN,
                },
            ),
        ),
    ),
)

MATTERS: Final = ("short", "uncertain")
"""Verdicts that are shown first and drawn on the map."""
NOT_GIVEN: Final = ("layer_missing", "terrain_missing")
"""Codes of layers that the county does not have, which is no fault."""
ACTIONS: Final = MappingProxyType(
    {
        "layer_left_out": "{n} layer{s} of the input could not be used and {were} left out.",
        "set_aside": "{n} row{s} of the input could not be used and {were} set aside.",
        "corrected": "{n} row{s} of the input {were} put right on the way in.",
        "kept": "{n} row{s} of the input {were} kept with a doubt.",
    }
)
"""What was done about faults of the input; the report lists every row."""
_POINTS: Final = (
    "north", "northeast", "east", "southeast", "south", "southwest", "west", "northwest",
)  # fmt: skip


def in_words(code: str, codes: Mapping[str, str]) -> str:
    """A code in words; one that is not listed is shown as it stands.

    >>> in_words("same_parcel", {})
    'same parcel'
    """
    return codes.get(code, code.replace("_", " "))


def counted(text: str, count: int) -> str:
    """A sentence with a count in it.

    >>> counted("{n} row{s} {were} set aside", 1)
    '1 row was set aside'
    """
    one = count == 1
    return text.format(n=f"{count:,}", s="" if one else "s", were="was" if one else "were")


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
    """A length for people: inches or centimetres where feet or metres would say little.

    >>> length(18.9, "us"), length(0.004, "us"), length(0.004, "si")
    ('62 ft', 'under 1 in', 'under 1 cm')
    """
    small = small_length(value_m, "distance", measures)
    return small or say_length(value_m, measures)


def small_length(value_m: float, kind: str, measures: Measures) -> str | None:
    """Words for a length that its scale would round away; None where the number serves.

    >>> small_length(0.004, "distance", "us"), small_length(0.3, "height", "us")
    ('under 1 in', None)
    """
    least = _LEAST_M[measures].get(kind)
    if least is None or not abs(value_m) < least:
        return None
    said = say_height(max(abs(value_m), 1e-9), measures)
    if said.startswith("under"):
        return said
    return ("\u2212" if value_m < 0 else "") + said.replace(" ", "\u00a0")


def depth_steps(edges_m: Sequence[float], measures: Measures) -> list[str]:
    """Labels of depth classes that begin at the edges, the last one open.

    >>> depth_steps([0.05, 0.3], "us")
    ['2 to 12 in deep', 'over 12 in deep']
    """
    depth = scale("depth", measures)
    edges = [f"{round(edge * depth.factor):,}" for edge in edges_m]
    closed = [f"{a} to {b} {depth.unit} deep" for a, b in itertools.pairwise(edges)]
    return [*closed, f"over {edges[-1]} {depth.unit} deep"]


def fields_present(section: Section, columns: Iterable[str]) -> list[Field]:
    """The section's fields that have a column, return periods written out in rising order."""
    names = list(columns)
    found = []
    for each in section.fields:
        if "{T}" not in each.column:
            if each.column in names:
                found.append(each)
            continue
        before, after = each.column.split("{T}")
        pattern = re.compile(re.escape(before) + r"(\d+)" + re.escape(after))
        years = sorted(int(m.group(1)) for name in names if (m := pattern.fullmatch(name)))
        found += [
            replace(each, column=f"{before}{year}{after}", label=each.label.format(T=year))
            for year in years
        ]
    return found


def shown(values: pd.Series, field: Field) -> list[str | None]:
    """A column that is shown as words, None where nothing is known."""
    return [None if pd.isna(value) or value == "" else _word(value, field) for value in values]


def _word(value: object, field: Field) -> str:
    if field.kind == "code":
        return in_words(str(value), field.codes)
    if field.kind == "flag":
        return "yes" if str(value).lower() in {"true", "1", "1.0", "yes"} else "no"
    if field.kind == "date":
        return date(value)
    if field.kind == "bearing":
        return bearing(float(str(value)))
    return str(value)
