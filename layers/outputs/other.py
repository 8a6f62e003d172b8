"""The other tables: the office's own, areas, visits due, what is worth knowing, problems."""

from __future__ import annotations

from typing import Final, get_args

from layers.fields.schemas import OUTLET_KINDS
from layers.outputs.field import Field, Table, from_codes, made_by
from layers.outputs.units import BASIS_WORDS
from layers.problems import ACTION_WORDS, Severity

DISCHARGE_POINTS: Final = Table(
    "discharge_points",
    "One discharge point from the office's own table.",
    "point",
    made_by(
        "layers.reading.reading.read_county",
        Field("discharge_point_id", "Discharge point", "id", null=""),
        Field("unit_id", "Unit named in the table", "id"),
        Field("outlet_kind", "Discharges to", "code", codes=from_codes(*OUTLET_KINDS)),
        Field("invert_height_m", "Invert elevation", "number", "m"),
        Field("pipe_material", "Pipe material", "text"),
        Field("location_basis", "Source of the position", "code", codes=BASIS_WORDS),
        Field("accuracy_m", "Position accuracy as stated (19 times in 20)", "number", "m"),
        Field("accuracy95_m", "Position accuracy (±, 19 times in 20)", "number", "m", null=""),
    ),
)

WORTH_A_FIX: Final = Table(
    "worth_a_fix",
    "A position to measure, most useful first.",
    "none",
    made_by(
        "geo.order.position_fixes.worth_a_fix",
        Field(
            "what", "Which position", "code", null="",
            codes={
                "lid": "the lid", "discharge_point": "the discharge point", "well": "the well",
                "unlocated": "a discharge point to locate",
            },
        ),
        Field("id", "ID", "id", null=""),
        Field("unit_id", "Unit", "id", null="a well: no one unit"),
        Field("accuracy95_m", "Position accuracy (±, 19 times in 20)", "number", "m"),
        Field("settles", "Setback checks it decides", "count", null=""),
        Field("settles_with_another", "Setback checks it decides with another", "count", null=""),
        Field("units", "Units affected", "count", null=""),
        Field("class_may_change", "Whether the visit class may change", "flag", null=""),
    ),
)  # fmt: skip

WORTH_KNOWING: Final = Table(
    "worth_knowing",
    "A missing fact that would help most to decide which units to visit first.",
    "none",
    made_by(
        "geo.order.steadiness.how_steady",
        Field("unit_id", "Unit", "id", null=""),
        Field("input", "What is not known", "text", null=""),
        Field("kind", "How the runs varied it", "text", null=""),
        Field("part", "Part of the score", "text", null=""),
        Field(
            "first_class_chance",
            "Chance that it belongs in the visit-first class",
            "number",
            "1",
            null="",
        ),
        Field("settles", "How much knowing it would decide", "number", "1", null=""),
        Field("share_settled", "The same, as a share of the unit's doubt", "number", "1", null=""),
    ),
)

_SEEN: Final = "Problems found"
REPLAY: Final = Table(
    "replay",
    "How many problems the first visits of a past year would have found, in one order.",
    "none",
    made_by(
        "geo.past.replay.replay",
        Field("year", "Year", "text", null=""),
        Field("among", "Among these units", "text", null=""),
        Field("units", "Units visited", "count", null=""),
        Field("troubles", "Problems found in all visits", "count", null=""),
        Field("order", "Order of visits", "text", null=""),
        Field("visits", "Visits made", "count", null=""),
        Field("met", _SEEN, "number", null=""),
        Field("met_low", f"{_SEEN}, low end of the range", "number"),
        Field("met_high", f"{_SEEN}, high end of the range", "number"),
        Field("more_than_as_visited", "More than in the order visited", "number"),
        Field("more_than_as_visited_low", "More than in the order visited, low end", "number"),
        Field("more_than_as_visited_high", "More than in the order visited, high end", "number"),
        Field("more_than_random", "More than at random", "number"),
        Field("more_than_random_low", "More than at random, low end", "number"),
        Field("more_than_random_high", "More than at random, high end", "number"),
    ),
)

OWED: Final = Table(
    "owed",
    "One visit that is due, earliest first.",
    "none",
    made_by(
        "geo.programme.owed.owed_visits",
        Field("unit_id", "Unit", "id", null=""),
        Field("obligation", "Why a visit is due", "text", null=""),
        Field("due", "Due", "date", null=""),
        Field("since", "Counted from", "date"),
        Field("source_layer", "Source table", "text"),
        Field("source_id", "Source record", "id"),
        Field("source_row", "Source row", "count"),
        Field("overdue_days", "Overdue", "count", "d", null=""),
        Field("danger", "For a dangerous condition", "flag", null=""),
        Field("why", "Why", "text", null=""),
        Field("tried", "Last visit that could not be completed", "text", null="none"),
    ),
)

OWED_UNCLEAR: Final = Table(
    "owed_unclear",
    "A record that may mean a visit is due, where a deciding fact is missing.",
    "none",
    made_by(
        "geo.programme.unclear.unclear_obligations",
        Field("unit_id", "Unit", "id", about="As written where it is not on the list of units."),
        Field("obligation", "Why a visit may be due", "text", null=""),
        Field(
            "lacks", "Missing fact", "code", null="",
            codes={
                "unit": "which unit it is",
                "date": "the day",
                "result": "what was found",
                "kind": "the unit's kind",
                "installed": "when the unit was installed",
                "permit_kind": "the permit's kind",
                "expires": "when the permit ends",
                "service_until": "when the service contract ends",
                "last_sampled": "when it was last sampled",
                "sample_interval_days": "how often samples are due",
            },
        ),
        Field("earliest", "Not before", "date"),
        Field("source_layer", "Source table", "text", null=""),
        Field("source_id", "Source record", "id", null=""),
        Field("source_row", "Source row", "count"),
        Field("why", "Why", "text", null=""),
    ),
)  # fmt: skip

OUTLET_CANDIDATES: Final = Table(
    "outlet_candidates",
    "A possible discharge point of a unit, most likely first.",
    "point",
    made_by(
        "geo.outlets.search.search_outlets",
        Field("unit_id", "Unit", "id", null=""),
        Field("rank", "Order among the places for the unit", "count", null=""),
        Field("chance", "Chance that it is there", "number", "1", null=""),
        Field("why", "Why there", "sentences", null=""),
        Field("distance_m", "From the lid", "number", "m", null=""),
        Field("bearing_deg", "Bearing from the lid", "number", "deg", null=""),
        Field("drop_m", "Drop of the ground from the lid", "number", "m", null=""),
        Field(
            "kind", "What is there", "code", null="",
            codes=from_codes("stream", "ditch", "road_ditch", "drain", "ground"),
        ),
    ),
)  # fmt: skip

OUTLET_SEARCH_AREAS: Final = Table(
    "outlet_search_areas",
    "The area searched for the discharge point of a unit.",
    "area",
    made_by(
        "geo.outlets.search.search_outlets",
        Field("unit_id", "Unit", "id", null=""),
        Field(
            "state", "Result of the search", "code", null="",
            codes={
                "found": "places found",
                "no_daylight": "a gravity pipe cannot reach the surface there",
                "off_terrain": "outside the terrain data",
            },
        ),
        Field("by_gravity", "Whether it drains by gravity", "flag", null=""),
        Field(
            "bounded_by", "Limit of the search", "code", codes=from_codes("parcel", "circle"),
            null="",
        ),
        Field("radius_m", "Longest pipe assumed", "number", "m", null=""),
        Field("places_looked_at", "Places checked", "count", null=""),
        Field("rest_chance", "Chance that it is at none of these places", "number", "1", null=""),
        Field(
            "weights", "Where the weights come from", "code",
            codes=from_codes("learned", "stated"), null="",
        ),
    ),
)  # fmt: skip

AREAS: Final = Table(
    "areas",
    "A catchment, or a grid square if no catchments are given.",
    "area",
    made_by(
        "geo.results.areas.areas",
        Field("area_id", "Area", "id", null=""),
        Field("name", "Name", "text", null="none"),
        Field("units", "Units in it", "count", null=""),
        Field("first_class", "Units to visit first", "count", null="not ranked"),
        Field("lids_wet", "Lids that storm or flood water may cover", "count", null="not known"),
        Field(
            "lids_not_known",
            "Lids where that is not known",
            "count",
            null="not known for any",
        ),
    ),
)

PUBLIC_CELLS: Final = Table(
    "public_cells",
    "A grid square that may be shown to the public.",
    "area",
    made_by(
        "geo.results.areas.public_cells",
        Field("units", "Units in it, to the nearest five", "count", null=""),
        Field("first_from", "Percent to visit first, from", "number", "1", null="not shown"),
        Field("first_to", "Percent to visit first, to", "number", "1", null="not shown"),
        Field(
            "wet_from",
            "Percent of lids storm or flood water may cover, from",
            "number",
            "1",
            null="not shown",
        ),
        Field(
            "wet_to",
            "Percent of lids storm or flood water may cover, to",
            "number",
            "1",
            null="not shown",
        ),
    ),
)

FIRST_VISITS: Final = Table(
    "first_visits",
    "How much of the total score the first visits cover.",
    "none",
    made_by(
        "geo.results.areas.first_n_curve",
        Field("visits", "First visits", "count", null=""),
        Field("score_share", "Share of the county's total score", "number", "1", null=""),
        Field("first_share", "Share of the units to visit first", "number", "1", null=""),
    ),
)

LOADS: Final = Table(
    "loads",
    "Possible downstream effect of one small area.",
    "none",
    made_by(
        "geo.waters.die_off.load_by_catchment",
        Field("area_id", "Area", "id", null="in none"),
        Field("units", "Units in it", "count", null=""),
        Field("outlets", "Discharge points that reach mapped water", "count", null=""),
        Field("expected_in_trouble", "Units with a problem, expected", "number"),
        Field("expected_in_trouble_low", "Units with a problem, low end of the range", "number"),
        Field("expected_in_trouble_high", "Units with a problem, high end of the range", "number"),
        Field("arrives", "Share of that expected to reach the water", "number"),
        Field("arrives_low", "The same, low end of the range", "number"),
        Field("arrives_high", "The same, high end of the range", "number"),
    ),
)

PROBLEMS: Final = Table(
    "problems",
    "One problem in the input.",
    "none",
    made_by(
        "layers.problems.merge_problems",
        Field("layer", "Layer", "text", null=""),
        Field("row", "Row", "count", null="the layer as a whole"),
        Field("feature_id", "Row ID", "text", null="none"),
        Field("code", "Problem code", "text", null=""),
        Field(
            "severity", "Severity", "code", codes=from_codes(*get_args(Severity)), null=""
        ),
        Field("message", "Problem", "text", null=""),
        Field(
            "action", "What was done", "code", null="", codes=ACTION_WORDS,
        ),
        Field(
            "accepted_until", "Accepted by the office until", "date", null="not accepted",
            about="From `[[accepted]]` in the county file. Accepting a problem does not clear it.",
        ),
    ),
)  # fmt: skip
