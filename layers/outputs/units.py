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
        "bathing": "swimming area",
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
        "hollow": "a low spot",
        "edge": "the edge of the terrain data",
    }
)
_NO_DRAW: Final = "in no computer run"
_WET: Final = MappingProxyType(
    {
        "wet": "under water in a modeled storm",
        "dry_in_all": "dry in every modeled storm",
        "at_or_below_smallest": "under water in the smallest modeled storm",
        "base_flood": "dry in every modeled storm, but inside the mapped base flood",
        "dry_so_far": "dry in the modeled storms; larger storms or floods are not on record",
        "edge": "not known: the terrain ends or has a hole nearby",
        "uncertain": "too close to tell: water is within its position accuracy",
        "unknown": NOT_KNOWN,
    }
)
_WET_OPEN: Final = ("dry_so_far", "edge", "uncertain", "unknown")
_DRY: Final = ("dry_in_all", "at_or_below_smallest")
_SWALE: Final = MappingProxyType(
    {
        "over_top": "over the top of the lid in that storm",
        "on_ground": "over the ground, below the top of the lid",
        "none": "none in the model",
        "unknown": NOT_KNOWN,
    }
)
_OUTLET: Final = MappingProxyType(
    {
        "known": "located",
        "unconfirmed": "not confirmed by a visit",
        "unknown": "not on record: locate it first",
        "not_expected": "none expected for this kind",
    }
)
_LINKED: Final = MappingProxyType(
    {
        "by_id": "by number",
        "same_parcel": "on the same parcel",
        "nearest": "nearest one",
        "none": "not linked",
    }
)
HAZARDS: Final = MappingProxyType(
    {
        "special": "1% a year or more",
        "moderate": "0.2% a year, or shallow 1%",
        "levee": "behind a levee",
        "minimal": "minimal",
        "unspecified": "zone X, shaded or unshaded not stated",
        "open_water": "open water",
        "undetermined": "not determined",
    }
)
_NO_OUTLET: Final = MappingProxyType({"outlet_state": ("not_expected",)})
_REACHED: Final = ("stream", "water_body", "drain", "hollow")
_NO_POINT: Final = "no discharge point on record"
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


BASIS_WORDS: Final = _words(
    LOCATION_BASES,
    "survey",
    "GPS receiver",
    "phone",
    "traced from a map or photo",
    "the building",
    "the address only",
    "middle of the parcel",
    "middle of the section",
    "middle of the quarter section",
    "middle of the quarter-quarter section",
)
# The office's own columns of its units, by the names of the schema.
_INPUT_WORDS: Final = {
    "location_basis": InputWords("Source of the position", codes=BASIS_WORDS),
    "accuracy_m": InputWords("Position accuracy as stated (19 times in 20)", "m"),
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
        "Discharges to",
        codes=_words(
            UNIT_KINDS,
            "the ground or water",
            "the soil",
            "a shared collector",
            "nothing: a holding tank",
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
    label = "The same, culverts plugged" if suffix else "Top of the lid"
    return (
        Field(
            state, alias, "code", codes=_WET, open_codes=_WET_OPEN, shown=Shown(label), draw=draw
        ),
        Field(
            first, smallest, "number", "yr", null="no modeled storm, or not known",
            shown=Shown("Smallest storm that reaches it" + (" then" if suffix else ""), "years"),
            none_where={state: _DRY},
        ),
    )  # fmt: skip


def _near(prefix: str, what: str, label: str, *, u95: bool = True) -> tuple[Field, ...]:
    """The nearest feature of a kind, how far away, and how sure that is."""
    none = f"no {what} on record within the search distance"
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
                f"{aliases[prefix]}, give or take",
                "number",
                "m",
                null=none,
                shown=Shown("Give or take", "distance", needs=f"{prefix}_id"),
            )
        )
    return made_by("geo.measurements.nearby", *fields)


UNITS: Final = Table(
    "units",
    "One unit, at its lid, in rank order.",
    "point",
    (
        Field("unit_id", "Unit", "id", null="", made_by="layers.reading.reading.read_county"),
        *made_by(
            "geo.order.priorities.prioritize",
            Field(
                "visit_class", "Visit class", "code",
                codes=from_codes("first", "next", "routine"), null="",
            ),
            Field("rank", "Rank", "count", null=""),
        ),
        *made_by(
            "geo.order.steadiness.how_steady",
            Field(
                "rank_low", "Rank range, from (9 of 10 runs)", "count",
                null="not ranked by score", shown=Shown(scale="count"),
            ),
            Field(
                "rank_high", "Rank range, to (9 of 10 runs)", "count",
                null="not ranked by score", shown=Shown(scale="count"),
            ),
        ),
        *made_by(
            "geo.order.priorities.prioritize",
            Field(
                "ranked_by", "Ranked by", "code", null="",
                codes={"owed": "a visit that is due", "score": "its score", "nothing": "nothing"},
            ),
        ),
        Field(
            "first_class_chance", "Chance that it belongs in the visit-first class", "number", "1",
            null="not ranked by score", made_by="geo.order.steadiness.how_steady",
            shown=Shown(scale="share", zero=_NO_DRAW),
        ),
        *made_by(
            "geo.order.priorities.prioritize",
            Field("score", "Score, 0 to 100", "number", null="not scored"),
            Field(
                "likelihood", "How likely a problem is, 0 to 1", "number", "1", null="not scored",
                shown=Shown(scale="number"),
            ),
            Field(
                "harm", "How serious it would be, 0 to 1", "number", "1", null="not scored",
                shown=Shown(scale="number"),
            ),
        ),
        Field(
            "reasons", "Reasons", "sentences", null="none",
            made_by="geo.order.reasons.add_reasons",
        ),
        *made_by(
            "geo.programme.owed.must_visit",
            Field("why_due", "Reason due", "sentences", null="no visit due"),
            Field("must_visit_by", "Due by", "date", null="no visit due"),
            Field("danger_open", "Dangerous condition without follow-up", "flag", null=""),
        ),
        Field(
            "data_gaps", "Missing information", "sentences", null="nothing",
            made_by="geo.order.reasons.add_reasons",
        ),
        Field(
            "part_{part}", "Score points: {part}", "number", null="not scored",
            made_by="geo.order.priorities.prioritize",
        ),
        *made_by(
            "layers.reading.link.link_units",
            Field(
                "discharge_point_id", "Discharge point ID", "id", null=_NO_POINT,
                shown=Shown("ID", needs="discharge_point_id"),
            ),
            Field(
                "link_method", "How the discharge point was linked to the unit", "code",
                codes=_LINKED, null=_NO_POINT,
                shown=Shown("Linked to the unit", needs="discharge_point_id"),
            ),
            Field(
                "link_confirmed", "Discharge point confirmed", "flag", null=_NO_POINT,
                shown=Shown("Link confirmed", needs="discharge_point_id"),
            ),
        ),
        *made_by(
            "geo.waters.outlet_measures.measure_outlets",
            Field(
                "pipe_length_m", "Lid to discharge point, straight line", "number", "m",
                null=_NO_POINT,
                shown=Shown("Straight line from the lid", "distance", needs="discharge_point_id"),
            ),
            Field(
                "pipe_bearing_deg", "Bearing from lid to discharge point", "number", "deg",
                null=_NO_POINT,
                shown=Shown("Bearing from the lid", "bearing", needs="discharge_point_id"),
            ),
        ),
        Field(
            "pipe_drop_m", "Drop of the ground from lid to discharge point", "number", "m",
            null=_NO_POINT, made_by="geo.assessment.assess",
            shown=Shown(
                "Drop of the ground from the lid", "height", needs="discharge_point_id"
            ),
        ),
        Field(
            "outlet_state", "Discharge point status", "code", codes=_OUTLET,
            made_by="layers.reading.link.link_units", shown=Shown("Discharge point"),
        ),
        *_near("well", "well", "Well nearest the discharge point"),
        *_near("stream", "stream", "Stream nearest the discharge point", u95=False),
        *made_by(
            "geo.receptors.flood_columns",
            Field("flood_zone", "Flood zone at the lid", "text"),
            Field(
                "flood_hazard", "Flood hazard at the lid", "code", codes=HAZARDS
            ),
            Field(
                "flood_distance_m", "Lid to the Special Flood Hazard Area", "number", "m",
                null="none mapped within the search distance",
                shown=Shown(
                    "To the Special Flood Hazard Area (1% a year)", "distance", zero="inside it"
                ),
                draw=Distance("area", inside="flood_inside_m", depth="flood_depth_m"),
                none_where={"flood_hazard": ("moderate", "minimal", "levee")},
            ),
            Field(
                "flood_inside_m", "Distance of the lid inside the hazard area", "number", "m",
                null="none mapped within the search distance",
            ),
            Field(
                "flood_depth_m", "Depth of the base flood at the lid", "number", "m",
                shown=Shown("Depth of the base flood at the lid", "height"),
            ),
        ),
        *made_by(
            "geo.ponds.ponding.ground_columns",
            Field(
                "ground_m", "Ground elevation at the lid", "number", "m", null=_NO_TERRAIN,
                shown=Shown(scale="height"),
            ),
            Field(
                "hand_m", "Height above the stream it drains to", "number", "m", null=_NO_TERRAIN,
                shown=Shown(scale="height"),
            ),
            Field(
                "lid_pond_depth_brim_m", "Water depth at the lid, low spot filled to overflow",
                "number", "m", null=_NO_TERRAIN,
                shown=Shown("At the lid, low spot filled to overflow", "depth", zero="none"),
            ),
        ),
        *made_by(
            "geo.ponds.ponding.storm_columns",
            Field(
                "lid_pond_depth_{T}yr_m", "Water depth at the lid, {T}-year storm",
                "number", "m", null=_NO_STORM,
                shown=Shown("At the lid, {T}-year storm", "depth", zero="none"),
            ),
            Field(
                "lid_freeboard_{T}yr_m", "Freeboard of the lid, {T}-year storm", "number", "m",
                null="no water there in that storm, or not known",
                shown=Shown("Top of lid above water, {T}-year storm", scale="depth"),
            ),
            *_lid_wet(
                "", "Lid under water in the modeled storms",
                "Smallest storm that puts the lid under water",
            ),
        ),
        *made_by(
            "geo.measurements.in_storms",
            *_lid_wet(
                "_blocked", "Lid under water in the modeled storms, culverts plugged",
                "Smallest storm that puts the lid under water, culverts plugged",
            ),
        ),
        *made_by(
            "geo.ponds.lid_chances.lid_chances",
            Field(
                "lid_wet_{T}yr_probability", "Chance that a {T}-year storm reaches the lid",
                "number", "1", null="no computer runs",
                shown=Shown("Chance that a {T}-year storm reaches it", "share", zero=_NO_DRAW),
            ),
            Field(
                "lid_wet_annual_probability",
                "Chance in a year that the lid is under water, at least", "number", "1",
                null="no computer runs",
                shown=Shown("Chance in a year, at least", "share", zero=_NO_DRAW),
            ),
            Field(
                "lid_depression_probability", "Chance that the lid is in a low spot",
                "number", "1", null="no computer runs",
                shown=Shown("Chance that it is in a low spot", "share", zero=_NO_DRAW),
            ),
        ),
        *made_by(
            "geo.ponds.swales.swale_columns",
            Field(
                "lid_upslope_area_m2", "Land that drains past the lid", "number", "m2",
                null=_NO_TERRAIN,
            ),
            Field(
                "lid_swale_state", "Running water at the lid", "code",
                codes=_SWALE, shown=Shown("Running water in a swale"),
            ),
            Field(
                "lid_swale_depth_m", "Depth of running water at the lid (estimate)",
                "number", "m",
                shown=Shown(
                    "Depth of that water (estimate)", "depth", zero="none"
                ),
            ),
            Field("lid_swale_storm_yr", "Storm for the running water", "count", "yr"),
            Field("lid_swale_flow_m3_s", "Flow of the running water", "number", "m3/s"),
        ),
        *made_by(
            "geo.waters.outlet_measures.measure_outlets",
            Field(
                "outlet_pond_depth_brim_m",
                "Water depth at the discharge point, low spot filled to overflow", "number", "m",
                null=_NO_POINT,
                shown=Shown(
                    "At the discharge point, low spot filled to overflow", "depth", zero="none"
                ),
            ),
        ),
        *made_by(
            "geo.ponds.ponding.storm_columns",
            Field(
                "outlet_wet_state",
                "Discharge point under water in the modeled storms", "code",
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
                null="no modeled storm, or not known",
                none_where={"outlet_wet_state": _DRY, **_NO_OUTLET},
                shown=Shown("Smallest storm that reaches it", "years"),
            ),
        ),
        Field(
            "outlet_wet_{T}yr_probability",
            "Chance that a {T}-year storm reaches the discharge point", "number", "1",
            null="no computer runs", stored=False,
        ),
        Field(
            "outlet_wet_annual_probability",
            "Chance in a year that the discharge point is under water", "number", "1",
            null="no computer runs", stored=False,
        ),
        *made_by(
            "geo.waters.outlet_measures.measure_outlets",
            Field(
                "outlet_upslope_area_m2", "Land that drains past the discharge point",
                "number", "m2", null=_NO_POINT,
            ),
            Field("outlet_flood_zone", "Flood zone at the discharge point", "text"),
            Field(
                "outlet_flood_hazard", "Flood hazard at the discharge point",
                "code", codes=HAZARDS,
            ),
            Field(
                "outlet_flood_depth_m", "Depth of the base flood at the discharge point", "number",
                "m",
            ),
        ),
        *made_by(
            "geo.waters.paths.outlet_paths",
            Field(
                "path_length_m", "Flow path to a stream, lake or drain", "number", "m",
                null=_NO_POINT, draw=Distance("line"), none_where=_NO_OUTLET,
                shown=Shown("Length of the flow path", "distance", needs="path_end"),
            ),
            Field(
                "path_drop_m", "Drop along the flow path", "number", "m", null=_NO_POINT,
                shown=Shown("Drop along the flow path", "height", needs="path_end"),
            ),
            Field(
                "path_end", "Flow path ends at", "code", codes=PATH_ENDS, null=_NO_POINT,
            ),
            Field(
                "path_end_id", "ID of the stream, lake or drain", "id", null="none, or not known",
                shown=Shown("Its ID", needs="path_end"),
            ),
        ),
        Field(
            "parcels_crossed", "Other parcels crossed", "count", null=_NO_POINT,
            none_where=_NO_OUTLET,
            made_by="geo.waters.paths.parcels_crossed",
            shown=Shown(scale="count", needs="path_end"),
        ),
        Field(
            "storm_runoff_minutes", "Travel time of storm runoff", "number", "min", null=_NO_POINT,
            made_by="geo.waters.paths.outlet_paths",
            shown=Shown(scale="minutes", needs="path_end"),
        ),
        *made_by(
            "geo.waters.downstream.places_downstream",
            Field(
                "downstream_place", "First swimming area or intake downstream", "text",
                null="none found",
            ),
            Field(
                "downstream_place_kind", "Kind of that place downstream", "code",
                codes=PROTECTED, null="none found",
                shown=Shown("Kind of place", needs="downstream_place"),
            ),
            Field(
                "downstream_m", "Distance downstream to it", "number", "m",
                null="none found", draw=Distance("line"),
                none_where={**_NO_OUTLET, "path_end": _REACHED},
                shown=Shown(scale="distance", needs="downstream_place"),
            ),
        ),
        Field(
            "wells_downhill", "Wells near the flow path and downhill", "count", null=_NO_POINT,
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
            shown=Shown("Kind of place", needs="place_id"),
        ),
        *_near("place", "protected place", "Nearest protected place", u95=False)[1:],
        *made_by(
            "geo.programme.history.history_columns",
            Field(
                "days_since_inspection", "Time since the last completed visit", "number", "d",
                null="no completed visit on record", shown=Shown("Last visit, time ago", "days"),
            ),
            Field(
                "last_result", "Result of the last completed visit", "code",
                codes=_words(
                    RESULTS, "nothing wrong", "minor finding", "repair needed",
                    "dangerous condition",
                ),
                shown=Shown("Result of that visit"),
            ),
            Field("age_years", "Age of the unit", "number", "yr", shown=Shown("Age", "years")),
        ),
        *made_by(
            "geo.past.past_visits.past_visits",
            Field(
                "trouble_chance", "Chance of a problem, learned from the county's visits",
                "number", "1", null="nothing learned",
                draw=Band("trouble_chance_low", "trouble_chance_high"),
            ),
            Field(
                "trouble_chance_low", "Chance of a problem, low end of the range", "number",
                "1", null="nothing learned",
            ),
            Field(
                "trouble_chance_high", "Chance of a problem, high end of the range", "number",
                "1", null="nothing learned",
            ),
            Field(
                "trouble_chance_county", "Chance of a problem in the whole county", "number", "1",
                null="nothing learned",
            ),
            Field("trouble_group", "Similar units learned from", "text", null="nothing learned"),
            Field(
                "visit_by_lot", "Picked at random for a visit", "flag", null="no random picks"
            ),
        ),
        *_inputs(),
        Field(
            "accuracy95_m", "Position accuracy (±, 19 times in 20)", "number", "m", null="",
            made_by="layers.reading.check.check_layer",
            shown=Shown("Position accuracy (±)", "distance"),
        ),
        Field(
            "area_id", "Small area", "id", null="in none",
            made_by="geo.results.areas.areas",
        ),
        # working columns
        Field("owed_for", "Obligations that are due", "text", stored=False),
        Field("deciding_{part}", "Deciding input: {part}", "text", stored=False),
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
    ("What makes up its score", ("likelihood", "harm")),
    ("How sure the rank is", ("rank_low", "rank_high", "first_class_chance")),
    (
        "The unit",
        (
            "address", "parcel_id", "status", "kind", "pumped", "installed", "age_years",
            "permit_id", "bedrooms", "riser_height_m", "location_basis", "accuracy95_m",
        ),
    ),
    (
        "Discharge point",
        (
            "outlet_state", "discharge_point_id", "link_method", "link_confirmed", "pipe_length_m",
            "pipe_bearing_deg", "pipe_drop_m",
        ),
    ),
    (
        "Path of the discharge",
        (
            "path_end", "path_end_id", "path_length_m", "path_drop_m", "parcels_crossed",
            "storm_runoff_minutes", "wells_downhill", "downstream_place", "downstream_place_kind",
            "downstream_m",
        ),
    ),
    (
        "Nearby",
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
