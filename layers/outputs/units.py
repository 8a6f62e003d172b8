"""The units layer: one row per unit, in rank order. Order here is order in files."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Final

from layers.fields.schemas import LOCATION_BASES, RESULTS, SCHEMAS, STATUSES, UNIT_KINDS
from layers.outputs.field import (
    NOT_KNOWN,
    Band,
    Distance,
    Field,
    Kind,
    Shown,
    StormFields,
    Table,
    from_codes,
    made_by,
)

# What a place that must be kept clean is called.
PROTECTED: Final = MappingProxyType(
    {
        "bathing": "bathing place",
        "intake": "water intake",
        "school": "school",
        "other": "protected place",
        "unknown": "protected place",
    }
)
PATH_ENDS: Final = MappingProxyType(
    {
        "stream": "a stream",
        "water_body": "a lake or pond",
        "drain": "a drain",
        "hollow": "a hollow in the ground",
        "edge": "the edge of the terrain on record",
    }
)
_NO_DRAW: Final = "in none of the draws"
_WET: Final = MappingProxyType(
    {
        "wet": "under water in a storm that was computed",
        "dry_in_all": "dry in every storm that was computed",
        "at_or_below_smallest": "under water in the smallest storm that was computed",
        "base_flood": "dry in the storms computed, but the mapped base flood stands there",
        "dry_so_far": "dry in the storms computed; larger storms, or floods, are not on record",
        "edge": "not known: the terrain ends, or has a hole, where water may be held or come in",
        "uncertain": "not known: its place is too rough, and water stands within its accuracy",
        "unknown": NOT_KNOWN,
    }
)
_WET_OPEN: Final = ("dry_so_far", "edge", "uncertain", "unknown")
_DRY: Final = ("dry_in_all", "at_or_below_smallest")
_SWALE: Final = MappingProxyType(
    {
        "over_top": "over the top of the lid in the storm taken",
        "on_ground": "over the ground, below the top of the lid",
        "none": "none reckoned",
        "unknown": NOT_KNOWN,
    }
)
_OUTLET: Final = MappingProxyType(
    {
        "known": "located",
        "unconfirmed": "a guess until a visit confirms it",
        "unknown": "not located: find it first",
        "not_expected": "none expected for this kind",
    }
)
_LINKED: Final = MappingProxyType(
    {
        "by_id": "by number",
        "same_parcel": "on the same parcel",
        "nearest": "as the nearest one",
        "none": "not matched",
    }
)
HAZARDS: Final = MappingProxyType(
    {
        "special": "1 % a year or more",
        "moderate": "0.2 % a year, or shallow 1 %",
        "levee": "behind a levee",
        "minimal": "minimal",
        "unspecified": "an X that may be shaded or not",
        "open_water": "open water",
        "undetermined": "not determined",
    }
)
_NO_OUTLET: Final = MappingProxyType({"outlet_state": ("not_expected",)})
_REACHED: Final = ("stream", "water_body", "drain", "hollow")
_NO_POINT: Final = "no discharge point known"
_NO_TERRAIN: Final = "no terrain there"
_NO_STORM: Final = "no terrain there, or no storms given"


def _words(codes: tuple[str, ...], *words: str) -> Mapping[str, str]:
    return MappingProxyType(dict(zip(codes, (*words, NOT_KNOWN), strict=True)))


@dataclass(frozen=True)
class InputWords:
    """How a column of the office's own is called and shown."""

    alias: str
    unit: str = ""
    codes: Mapping[str, str] = field(default_factory=dict)
    shown: Shown = field(default_factory=Shown)


# The office's own columns of its units, by the names of the schema.
_INPUT_WORDS: Final = {
    "location_basis": InputWords(
        "Position taken from",
        codes=_words(
            LOCATION_BASES,
            "a survey",
            "a GPS receiver",
            "a phone",
            "a map or aerial photograph",
            "the building",
            "the address only",
            "the middle of the parcel",
            "the middle of the section",
            "the middle of the quarter section",
            "the middle of the quarter of a quarter section",
        ),
    ),
    "accuracy_m": InputWords("Accuracy of the position as stated, 95 %", "m"),
    "status": InputWords(
        "Status",
        codes=_words(
            STATUSES,
            "in use",
            "in use part of the year",
            "house vacant",
            "out of use",
            "house on a public sewer",
        ),
    ),
    "kind": InputWords(
        "Lets water out",
        codes=_words(
            UNIT_KINDS,
            "on the ground or into water",
            "into the soil",
            "into a shared collector",
            "nowhere: a holding tank",
        ),
    ),
    "pumped": InputWords("Pumped"),
    "installed": InputWords("Installed"),
    "permit_id": InputWords("Permit"),
    "riser_height_m": InputWords(
        "Top of lid above ground", "m", shown=Shown(scale="depth", zero="level with the ground")
    ),
    "bedrooms": InputWords("Bedrooms", shown=Shown(scale="count")),
    "parcel_id": InputWords("Parcel"),
    "address": InputWords("Address on record"),
}


def _inputs() -> tuple[Field, ...]:
    """A field for each column of the units' schema; one without words of its own keeps its name."""
    kinds: dict[str, Kind] = {"code": "code", "flag": "flag", "date": "date", "number": "number"}
    found = []
    for column in SCHEMAS["units"].columns:
        if column.name == "unit_id":
            continue
        words = _INPUT_WORDS.get(
            column.name, InputWords(column.name.replace("_", " ").capitalize())
        )
        found.append(
            Field(
                column.name,
                words.alias,
                kinds.get(column.kind, "text"),
                words.unit,
                codes=words.codes,
                shown=words.shown,
                about="From the office's own table.",
            )
        )
    return made_by("layers.reading.reading.read_county", *found)


def _lid_wet(suffix: str, alias: str, smallest: str) -> tuple[Field, Field]:
    state, first = f"lid_wet_state{suffix}", f"lid_wet_return{suffix}_yr"
    draw = (
        None
        if suffix
        else StormFields(first, "lid_wet_annual_probability", "lid_wet_{T}yr_probability")
    )
    label = "The same, ways under roads blocked" if suffix else "Top of the lid"
    return (
        Field(
            state, alias, "code", codes=_WET, open_codes=_WET_OPEN, shown=Shown(label), draw=draw
        ),
        Field(
            first, smallest, "number", "yr", null="none that was computed, or not known",
            shown=Shown("Smallest storm that reaches it" + (" then" if suffix else ""), "years"),
            none_where={state: _DRY},
        ),
    )  # fmt: skip


def _near(prefix: str, what: str, label: str, *, u95: bool = True) -> tuple[Field, ...]:
    """The nearest feature of a kind, how far away, and how sure that is."""
    none = f"no {what} on record within the search"
    distance = f"{prefix}_distance_m"
    none_where = _NO_OUTLET if prefix in ("well", "stream") else {}
    aliases = {
        "well": "Discharge point to the nearest well",
        "lid_well": "Lid to the nearest well",
        "stream": "Discharge point to the nearest stream",
        "place": "Lid to the nearest protected place",
    }
    draw = Distance("line" if prefix == "stream" else "point")
    fields = [
        Field(f"{prefix}_id", label, "id", null=none),
        Field(
            distance, aliases[prefix], "number", "m", null=none, draw=draw, none_where=none_where,
            shown=Shown("Distance to it", "distance", needs=f"{prefix}_id"),
        ),
    ]  # fmt: skip
    if u95:
        fields.append(
            Field(
                f"{prefix}_distance_u95_m",
                f"{aliases[prefix]}, give or take, 95 %",
                "number",
                "m",
                null=none,
                shown=Shown("Give or take", "distance", needs=f"{prefix}_id", figures=2),
            )
        )
    return made_by("geo.measurements.nearby", *fields)


UNITS: Final = Table(
    "units",
    "One unit, at its lid, in the order of inspection.",
    "point",
    (
        Field("unit_id", "Unit", "id", null="", made_by="layers.reading.reading.read_county"),
        *made_by(
            "geo.order.priorities.prioritize",
            Field(
                "visit_class", "Class of visit", "code",
                codes=from_codes("first", "next", "routine"), null="",
            ),
            Field("rank", "Place in the order", "count", null=""),
        ),
        *made_by(
            "geo.order.steadiness.how_steady",
            Field(
                "rank_low", "Nine times in ten its rank lies between", "count",
                null="not ranked by score", shown=Shown(scale="count"),
            ),
            Field(
                "rank_high", "Nine times in ten its rank lies no later than", "count",
                null="not ranked by score", shown=Shown("and", scale="count"),
            ),
        ),
        *made_by(
            "geo.order.priorities.prioritize",
            Field(
                "ranked_by", "What places it in the order", "code", null="",
                codes={"owed": "a visit that is owed", "score": "its score", "nothing": "nothing"},
            ),
        ),
        Field(
            "first_class_chance", "Chance that it belongs among the first", "number", "1",
            null="not ranked by score", made_by="geo.order.steadiness.how_steady",
            shown=Shown(scale="share", zero=_NO_DRAW),
        ),
        *made_by(
            "geo.order.priorities.prioritize",
            Field("score", "Score, 0 to 100", "number", null="not scored"),
            Field(
                "likelihood", "How likely trouble is, 0 to 1", "number", "1", null="not scored",
                shown=Shown(scale="number"),
            ),
            Field(
                "harm", "How much it would hurt, 0 to 1", "number", "1", null="not scored",
                shown=Shown(scale="number"),
            ),
        ),
        Field(
            "reasons", "Reasons", "sentences", null="none",
            made_by="geo.order.reasons.add_reasons",
        ),
        *made_by(
            "geo.programme.owed.must_visit",
            Field("why_due", "Owed because", "sentences", null="no visit owed"),
            Field("must_visit_by", "Owed by", "date", null="no visit owed"),
            Field("danger_open", "Danger not followed up", "flag", null=""),
        ),
        Field(
            "data_gaps", "What is not known", "sentences", null="nothing",
            made_by="geo.order.reasons.add_reasons",
        ),
        Field(
            "part_{part}", "Points of the score by: {part}", "number", null="not scored",
            made_by="geo.order.priorities.prioritize",
        ),
        *made_by(
            "layers.reading.link.link_units",
            Field(
                "discharge_point_id", "Discharge point's number", "id", null=_NO_POINT,
                shown=Shown("Its number", needs="discharge_point_id"),
            ),
            Field(
                "link_method", "How the discharge point was matched to the unit", "code",
                codes=_LINKED, null=_NO_POINT,
                shown=Shown("Matched to the unit", needs="discharge_point_id"),
            ),
            Field(
                "link_confirmed", "Match of the discharge point confirmed", "flag", null=_NO_POINT,
                shown=Shown("Match confirmed", needs="discharge_point_id"),
            ),
        ),
        *made_by(
            "geo.waters.outlet_measures.measure_outlets",
            Field(
                "pipe_length_m", "Straight line from lid to discharge point", "number", "m",
                null=_NO_POINT,
                shown=Shown("Straight line to it", "distance", needs="discharge_point_id"),
            ),
            Field(
                "pipe_bearing_deg", "Bearing from lid to discharge point", "number", "deg",
                null=_NO_POINT,
                shown=Shown("Bearing from the lid", "bearing", needs="discharge_point_id"),
            ),
        ),
        Field(
            "pipe_drop_m", "Ground drops from lid to discharge point by", "number", "m",
            null=_NO_POINT, made_by="geo.assessment.assess",
            shown=Shown(
                "Ground drops to it by", "height", needs="discharge_point_id", figures=2
            ),
        ),
        Field(
            "outlet_state", "Whether the discharge point is known", "code", codes=_OUTLET,
            made_by="layers.reading.link.link_units", shown=Shown("Discharge point"),
        ),
        *_near("well", "well", "Well nearest the discharge point"),
        *_near("stream", "stream", "Stream nearest the discharge point", u95=False),
        *made_by(
            "geo.receptors.flood_columns",
            Field("flood_zone", "Mapped flood zone", "text"),
            Field(
                "flood_hazard", "Class of the mapped flood zone at the lid", "code", codes=HAZARDS
            ),
            Field(
                "flood_distance_m", "Lid to the mapped flood hazard area", "number", "m",
                null="none mapped within the search",
                shown=Shown(
                    "To the special flood hazard area (1 % a year)", "distance", zero="inside it"
                ),
                draw=Distance("area", inside="flood_inside_m", depth="flood_depth_m"),
                none_where={"flood_hazard": ("moderate", "minimal", "levee")},
            ),
            Field(
                "flood_inside_m", "How deep inside the flood hazard area the lid lies", "number",
                "m", null="none mapped within the search",
            ),
            Field(
                "flood_depth_m", "Base flood over the ground at the lid", "number", "m",
                shown=Shown("Base flood above the ground", "height"),
            ),
        ),
        *made_by(
            "geo.ponds.ponding.ground_columns",
            Field(
                "ground_m", "Ground at the lid, height on record", "number", "m", null=_NO_TERRAIN,
                shown=Shown(scale="height"),
            ),
            Field(
                "hand_m", "Lid above the water it drains to", "number", "m", null=_NO_TERRAIN,
                shown=Shown("Height above the stream it drains to", "height", figures=2),
            ),
            Field(
                "lid_pond_depth_brim_m", "Water over the ground at the lid, hollow full", "number",
                "m", null=_NO_TERRAIN,
                shown=Shown("At the lid, hollow full to the brim", "depth", zero="none"),
            ),
        ),
        *made_by(
            "geo.ponds.ponding.storm_columns",
            Field(
                "lid_pond_depth_{T}yr_m", "Water over the ground at the lid, {T}-year storm",
                "number", "m", null=_NO_STORM,
                shown=Shown("At the lid, {T}-year storm", "depth", zero="none"),
            ),
            Field(
                "lid_freeboard_{T}yr_m", "Top of lid above water, {T}-year storm", "number", "m",
                null="no water there in that storm, or not known", shown=Shown(scale="depth"),
            ),
            *_lid_wet(
                "", "Whether any storm computed puts the lid under water",
                "Smallest storm that puts the lid under water",
            ),
        ),
        *made_by(
            "geo.measurements.in_storms",
            *_lid_wet(
                "_blocked", "The same of the lid, ways under roads blocked",
                "Smallest storm that puts the lid under water, ways under roads blocked",
            ),
        ),
        *made_by(
            "geo.ponds.lid_chances.lid_chances",
            Field(
                "lid_wet_{T}yr_probability", "Chance that a {T}-year storm reaches the lid",
                "number", "1", null="nothing drawn",
                shown=Shown("Chance that a {T}-year storm reaches it", "share", zero=_NO_DRAW),
            ),
            Field(
                "lid_wet_annual_probability", "Chance in a year that the lid is under water",
                "number", "1", null="nothing drawn",
                shown=Shown("Chance that a year does, at least", "share", zero=_NO_DRAW),
            ),
            Field(
                "lid_depression_probability", "Chance that the lid lies in a hollow at all",
                "number", "1", null="nothing drawn",
                shown=Shown("Chance that it lies in a hollow at all", "share", zero=_NO_DRAW),
            ),
        ),
        *made_by(
            "geo.ponds.swales.swale_columns",
            Field(
                "lid_upslope_area_m2", "Land that drains over the lid's place", "number", "m2",
                null=_NO_TERRAIN,
            ),
            Field(
                "lid_swale_state", "Whether running water is reckoned over the lid's place", "code",
                codes=_SWALE, shown=Shown("Water running past in a swale"),
            ),
            Field(
                "lid_swale_depth_m", "Depth of running water over the lid's ground (estimate)",
                "number", "m",
                shown=Shown(
                    "Depth of that over the ground (estimate)", "depth", zero="none"
                ),
            ),
            Field("lid_swale_storm_yr", "Storm that running water is reckoned for", "count", "yr"),
            Field("lid_swale_flow_m3_s", "Flow of that running water", "number", "m3/s"),
        ),
        *made_by(
            "geo.waters.outlet_measures.measure_outlets",
            Field(
                "outlet_pond_depth_brim_m", "Water over the discharge point, hollow full", "number",
                "m", null=_NO_POINT,
                shown=Shown(
                    "At the discharge point, hollow full to the brim", "depth", zero="none"
                ),
            ),
        ),
        *made_by(
            "geo.ponds.ponding.storm_columns",
            Field(
                "outlet_wet_state",
                "Whether any storm computed puts the discharge point under water", "code",
                codes=_WET, open_codes=_WET_OPEN, null=_NO_POINT,
                shown=Shown("The discharge point"), none_where=_NO_OUTLET,
                draw=StormFields(
                    "outlet_wet_return_yr", "outlet_wet_annual_probability",
                    "outlet_wet_{T}yr_probability",
                ),
            ),
            Field(
                "outlet_wet_return_yr",
                "Smallest storm that puts the discharge point under water", "number", "yr",
                null="none that was computed, or not known",
                none_where={"outlet_wet_state": _DRY, **_NO_OUTLET},
                shown=Shown("Smallest storm that reaches it", "years"),
            ),
        ),
        Field(
            "outlet_wet_{T}yr_probability",
            "Chance that a {T}-year storm reaches the discharge point", "number", "1",
            null="nothing drawn", stored=False,
        ),
        Field(
            "outlet_wet_annual_probability", "Chance in a year that it is under water", "number",
            "1", null="nothing drawn", stored=False,
        ),
        *made_by(
            "geo.waters.outlet_measures.measure_outlets",
            Field(
                "outlet_upslope_area_m2", "Land that drains over the discharge point's place",
                "number", "m2", null=_NO_POINT,
            ),
            Field("outlet_flood_zone", "Mapped flood zone at the discharge point", "text"),
            Field(
                "outlet_flood_hazard", "Class of the mapped flood zone at the discharge point",
                "code", codes=HAZARDS,
            ),
            Field(
                "outlet_flood_depth_m", "Base flood over the discharge point", "number", "m"
            ),
        ),
        *made_by(
            "geo.waters.paths.outlet_paths",
            Field(
                "path_length_m", "Way of the water to stream, lake or drain", "number", "m",
                null=_NO_POINT, draw=Distance("line"), none_where=_NO_OUTLET,
                shown=Shown("Way over ground", "distance", needs="path_end"),
            ),
            Field(
                "path_drop_m", "Drop on the way of the water", "number", "m", null=_NO_POINT,
                shown=Shown("Drop on the way", "height", needs="path_end", figures=2),
            ),
            Field(
                "path_end", "Runs over ground to", "code", codes=PATH_ENDS, null=_NO_POINT,
            ),
            Field(
                "path_end_id", "Number of what it runs to", "id", null="without one, or not known",
                shown=Shown("Its number", needs="path_end"),
            ),
        ),
        Field(
            "parcels_crossed", "Other parcels the water crosses", "count", null=_NO_POINT,
            none_where=_NO_OUTLET,
            made_by="geo.waters.paths.parcels_crossed",
            shown=Shown("Other parcels crossed", "count", needs="path_end"),
        ),
        Field(
            "storm_runoff_minutes", "In a storm, runoff takes", "number", "min", null=_NO_POINT,
            made_by="geo.waters.paths.outlet_paths",
            shown=Shown(scale="minutes", needs="path_end"),
        ),
        *made_by(
            "geo.waters.downstream.places_downstream",
            Field(
                "downstream_place", "First place down the water", "text", null="none found",
            ),
            Field(
                "downstream_place_kind", "Kind of the first place down the water", "code",
                codes=PROTECTED, null="none found",
                shown=Shown("It is a", needs="downstream_place"),
            ),
            Field(
                "downstream_m", "Way down the water to a bathing place or intake", "number", "m",
                null="none found", draw=Distance("line"),
                none_where={**_NO_OUTLET, "path_end": _REACHED},
                shown=Shown("Way to it by water", "distance", needs="downstream_place"),
            ),
        ),
        Field(
            "wells_downhill", "Wells near that way and downhill", "count", null=_NO_POINT,
            made_by="geo.waters.paths.wells_downhill", shown=Shown(scale="count", needs="path_end"),
        ),
        *_near("lid_well", "well", "Well nearest the lid"),
        Field(
            "place_id", "Nearest protected place", "id", made_by="geo.measurements.nearby",
            null="no protected place on record within the search",
        ),
        Field(
            "place_kind", "Kind of the nearest protected place", "code", codes=PROTECTED,
            made_by="geo.measurements.nearby",
            null="no protected place on record within the search",
            shown=Shown("It is a", needs="place_id"),
        ),
        *_near("place", "protected place", "Nearest protected place", u95=False)[1:],
        *made_by(
            "geo.programme.history.history_columns",
            Field(
                "days_since_inspection", "Time since the last completed visit", "number", "d",
                null="no completed visit on record", shown=Shown("Since the last one", "days"),
            ),
            Field(
                "last_result", "What the last completed visit found", "code",
                codes=_words(
                    RESULTS, "nothing wrong", "something minor", "a repair needed", "a danger"
                ),
                shown=Shown("It found"),
            ),
            Field("age_years", "Age of the unit", "number", "yr", shown=Shown("Age", "years")),
        ),
        *made_by(
            "geo.past.past_visits.past_visits",
            Field(
                "trouble_chance", "Chance of trouble learned from the county's own visits",
                "number", "1", null="nothing learned",
                draw=Band("trouble_chance_low", "trouble_chance_high"),
            ),
            Field(
                "trouble_chance_low", "Chance of trouble, lower end of the band, 95 %", "number",
                "1", null="nothing learned",
            ),
            Field(
                "trouble_chance_high", "Chance of trouble, upper end of the band, 95 %", "number",
                "1", null="nothing learned",
            ),
            Field(
                "trouble_chance_county", "Chance of trouble in the whole county", "number", "1",
                null="nothing learned",
            ),
            Field("trouble_group", "Units it was learned with", "text", null="nothing learned"),
            Field(
                "visit_by_lot", "Drawn by lot to be visited", "flag", null="no lots drawn"
            ),
        ),
        *_inputs(),
        Field(
            "accuracy95_m", "The position may be off by, 95 %", "number", "m", null="",
            made_by="layers.reading.check.check_layer",
            shown=Shown("That may be off by", "distance", figures=2),
        ),
        Field(
            "area_id", "Small area it lies in", "id", null="in none",
            made_by="geo.results.areas.areas",
        ),
        # working columns
        Field("owed_for", "Obligations it is owed for", "text", stored=False),
        Field("deciding_{part}", "Input that decided: {part}", "text", stored=False),
        Field(
            "outlet_m", "Ground or invert at the discharge point", "number", "m", stored=False,
            made_by="geo.waters.outlet_measures.measure_outlets",
        ),
        *(
            Field(f"{near}_bearing_deg", f"Bearing to it: {near}", "number", "deg", stored=False)
            for near in ("well", "stream", "lid_well", "place")
        ),
        Field("source_row", "Row in the office's table", "count", stored=False),
    ),
)  # fmt: skip

# What the page of one unit tells: fields that answer one question, in the order of the page.
SECTIONS: Final = (
    ("What its score multiplies", ("likelihood", "harm")),
    ("How sure its rank is", ("rank_low", "rank_high", "first_class_chance")),
    (
        "The unit",
        (
            "address", "parcel_id", "status", "kind", "pumped", "installed", "age_years",
            "permit_id", "bedrooms", "riser_height_m", "location_basis", "accuracy95_m",
        ),
    ),
    (
        "Where its water comes out",
        (
            "outlet_state", "discharge_point_id", "link_method", "link_confirmed", "pipe_length_m",
            "pipe_bearing_deg", "pipe_drop_m",
        ),
    ),
    (
        "Where the water runs from there",
        (
            "path_end", "path_end_id", "path_length_m", "path_drop_m", "parcels_crossed",
            "storm_runoff_minutes", "wells_downhill", "downstream_place", "downstream_place_kind",
            "downstream_m",
        ),
    ),
    (
        "What is near",
        (
            "well_id", "well_distance_m", "well_distance_u95_m", "lid_well_id",
            "lid_well_distance_m", "lid_well_distance_u95_m", "stream_id", "stream_distance_m",
            "place_id", "place_kind", "place_distance_m", "flood_zone", "flood_distance_m",
            "flood_depth_m", "ground_m", "hand_m",
        ),
    ),
    (
        "Standing water",
        (
            "lid_pond_depth_brim_m", "outlet_pond_depth_brim_m", "lid_pond_depth_{T}yr_m",
            "lid_freeboard_{T}yr_m", "lid_wet_state", "lid_wet_return_yr", "lid_wet_state_blocked",
            "lid_wet_return_blocked_yr", "lid_swale_state", "lid_swale_depth_m",
            "lid_wet_{T}yr_probability", "lid_wet_annual_probability",
            "lid_depression_probability", "outlet_wet_state", "outlet_wet_return_yr",
        ),
    ),
    ("Inspections", ("why_due", "must_visit_by", "days_since_inspection", "last_result")),
)  # fmt: skip
