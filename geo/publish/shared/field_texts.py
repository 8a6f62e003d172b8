"""What is told of a unit: which columns, in which order, under which words."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from geo.publish.shared.words import NOT_KNOWN, PROTECTED, bearing, date, in_words


@dataclass(frozen=True)
class Field:
    """One column of ``units`` as a person reads it.

    ``{T}`` in the column stands for a return period in years. A ``code`` has its words; a number
    has a kind that `scale` knows; ``text``, ``sentences``, ``date``, ``flag`` and ``bearing``
    speak for themselves. A field that ``needs`` another column is left out where that is not known;
    ``zero`` is what a length of exactly nought is called; ``figures`` are told of a large one.
    """

    column: str
    label: str
    kind: str
    codes: Mapping[str, str] = field(default_factory=dict)
    needs: str = ""
    zero: str = ""
    figures: int = 3


@dataclass(frozen=True)
class Section:
    """Fields that answer one question."""

    title: str
    fields: tuple[Field, ...]


_SWALE: Final = {
    "over_top": "over the top of the lid in the storm taken",
    "on_ground": "over the ground, below the top of the lid",
    "none": "none reckoned",
    "unknown": NOT_KNOWN,
}
_NO_DRAW: Final = "in none of the draws"
_WET: Final = {
    "wet": "under water in a storm that was computed",
    "dry_in_all": "dry in every storm that was computed",
    "at_or_below_smallest": "under water in the smallest storm that was computed",
    "unknown": NOT_KNOWN,
}


SECTIONS: Final = (
    Section(
        "What its score multiplies",
        (
            Field("likelihood", "How likely trouble is, 0 to 1", "number"),
            Field("harm", "How much it would hurt, 0 to 1", "number"),
        ),
    ),
    Section(
        "How sure its rank is",
        (
            Field("rank_low", "Nine times in ten its rank lies between", "count"),
            Field("rank_high", "and", "count"),
            Field(
                "first_class_chance",
                "Chance that it belongs among the first",
                "share",
                zero=_NO_DRAW,
            ),
        ),
    ),
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
            Field("accuracy95_m", "That may be off by", "distance", figures=2),
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
            Field("discharge_point_id", "Its number", "text", needs="discharge_point_id"),
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
            Field(
                "pipe_drop_m",
                "Ground drops to it by",
                "height",
                needs="discharge_point_id",
                figures=2,
            ),
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
            Field("path_drop_m", "Drop on the way", "height", needs="path_end", figures=2),
            Field("parcels_crossed", "Other parcels crossed", "count", needs="path_end"),
            Field("storm_runoff_minutes", "In a storm, runoff takes", "minutes", needs="path_end"),
            Field("wells_downhill", "Wells near that way and downhill", "count", needs="path_end"),
            Field("downstream_place", "First place down the water", "text"),
            Field("downstream_place_kind", "It is a", "code", PROTECTED, needs="downstream_place"),
            Field("downstream_m", "Way to it by water", "distance", needs="downstream_place"),
        ),
    ),
    Section(
        "What is near",
        (
            Field("well_id", "Well nearest the discharge point", "text"),
            Field("well_distance_m", "Distance to it", "distance", needs="well_id"),
            Field("well_distance_u95_m", "Give or take", "distance", needs="well_id", figures=2),
            Field("lid_well_id", "Well nearest the lid", "text"),
            Field("lid_well_distance_m", "Distance to it", "distance", needs="lid_well_id"),
            Field(
                "lid_well_distance_u95_m",
                "Give or take",
                "distance",
                needs="lid_well_id",
                figures=2,
            ),
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
            Field("hand_m", "Height above the stream it drains to", "height", figures=2),
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
            Field("lid_wet_state_blocked", "The same, ways under roads blocked", "code", _WET),
            Field("lid_wet_return_blocked_yr", "Smallest storm that reaches it then", "years"),
            Field("lid_swale_state", "Water running past in a swale", "code", _SWALE),
            Field(
                "lid_swale_depth_m",
                "Depth of that over the ground (estimate)",
                "depth",
                zero="none",
            ),
            Field(
                "lid_wet_{T}yr_probability",
                "Chance that a {T}-year storm reaches it",
                "share",
                zero=_NO_DRAW,
            ),
            Field(
                "lid_wet_annual_probability",
                "Chance that a year does, at least",
                "share",
                zero=_NO_DRAW,
            ),
            Field(
                "lid_depression_probability",
                "Chance that it lies in a hollow at all",
                "share",
                zero=_NO_DRAW,
            ),
            Field("outlet_wet_state", "The discharge point", "code", _WET),
            Field("outlet_wet_return_yr", "Smallest storm that reaches it", "years"),
        ),
    ),
    Section(
        "Inspections",
        (
            Field("why_due", "Owed because", "sentences"),
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
    code, told = coded(values, field)
    return [None if at < 0 else told[at] for at in code.tolist()]


def coded(values: pd.Series, field: Field) -> tuple[NDArray[np.int64], list[str | None]]:
    """The same as positions among the words there are, below 0 or None where nothing is known."""
    # whole degrees are said: a few hundred texts instead of one a unit
    code, found = pd.factorize(values.round() if field.kind == "bearing" else values)
    return code, [None if pd.isna(value) or value == "" else _word(value, field) for value in found]


def _word(value: object, field: Field) -> str:
    if field.kind == "code":
        return in_words(str(value), field.codes)
    if field.kind == "flag":
        return "yes" if str(value).lower() in {"true", "1", "1.0", "yes"} else "no"
    if field.kind == "date":
        return date(value)
    if field.kind == "bearing":
        return bearing(float(str(value)))
    if field.kind == "sentences":
        return str(value).replace(" | ", " ")
    return str(value)
