"""The other tables: the office's own, areas, visits owed, what would be worth knowing, problems."""

from __future__ import annotations

from typing import Final, get_args

from layers.fields.schemas import LOCATION_BASES, OUTLET_KINDS
from layers.outputs.field import Field, Table, from_codes, made_by
from layers.problems import Action, Severity

DISCHARGE_POINTS: Final = Table(
    "discharge_points",
    "One discharge point of the office's own.",
    "point",
    made_by(
        "layers.reading.reading.read_county",
        Field("discharge_point_id", "Discharge point", "id", null=""),
        Field("unit_id", "Unit it is said to belong to", "id"),
        Field("outlet_kind", "Lets out into", "code", codes=from_codes(*OUTLET_KINDS)),
        Field("invert_height_m", "Height of its invert", "number", "m"),
        Field("pipe_material", "Pipe", "text"),
        Field("location_basis", "Position taken from", "code", codes=from_codes(*LOCATION_BASES)),
        Field("accuracy_m", "Accuracy of the position as stated, 95 %", "number", "m"),
        Field("accuracy95_m", "The position may be off by, 95 %", "number", "m", null=""),
    ),
)

WORTH_A_FIX: Final = Table(
    "worth_a_fix",
    "A position worth taking with a good receiver, most useful first.",
    "none",
    made_by(
        "geo.order.position_fixes.worth_a_fix",
        Field(
            "what", "Which position", "code", null="",
            codes={
                "lid": "the lid", "discharge_point": "the discharge point", "well": "the well",
                "unlocated": "a discharge point to be found",
            },
        ),
        Field("id", "Its number", "id", null=""),
        Field("unit_id", "Unit", "id", null="a well's own"),
        Field("accuracy95_m", "The position may be off by, 95 %", "number", "m"),
        Field("settles", "Checks it settles", "count", null=""),
        Field("settles_with_another", "Checks it settles with another", "count", null=""),
        Field("units", "Units that concerns", "count", null=""),
        Field("class_may_change", "Whether the class of visit may change", "flag", null=""),
    ),
)  # fmt: skip

WORTH_KNOWING: Final = Table(
    "worth_knowing",
    "An unknown that would settle most of which units belong among the first.",
    "none",
    made_by(
        "geo.order.steadiness.how_steady",
        Field("unit_id", "Unit", "id", null=""),
        Field("input", "What is not known", "text", null=""),
        Field("kind", "How it was drawn", "text", null=""),
        Field("part", "Part of the score", "text", null=""),
        Field(
            "first_class_chance", "Chance that it belongs among the first", "number", "1", null=""
        ),
        Field("settles", "What knowing it settles", "number", "1", null=""),
        Field("share_settled", "As a share of the unit's doubt", "number", "1", null=""),
    ),
)

_SEEN: Final = "Troubles met"
REPLAY: Final = Table(
    "replay",
    "How many troubles the first visits of a past year would have met, in one order.",
    "none",
    made_by(
        "geo.past.replay.replay",
        Field("year", "Year", "text", null=""),
        Field("among", "Among which units", "text", null=""),
        Field("units", "Units visited", "count", null=""),
        Field("troubles", "Troubles found", "count", null=""),
        Field("order", "Order of visits", "text", null=""),
        Field("visits", "Visits made", "count", null=""),
        Field("met", _SEEN, "number", null=""),
        Field("met_low", f"{_SEEN}, lower end of the band", "number"),
        Field("met_high", f"{_SEEN}, upper end of the band", "number"),
        Field("more_than_as_visited", "More than as visited", "number"),
        Field("more_than_as_visited_low", "The same, lower end", "number"),
        Field("more_than_as_visited_high", "The same, upper end", "number"),
        Field("more_than_random", "More than at random", "number"),
        Field("more_than_random_low", "More than at random, lower end", "number"),
        Field("more_than_random_high", "More than at random, upper end", "number"),
    ),
)

OWED: Final = Table(
    "owed",
    "One visit that is owed, in the order in which they are due.",
    "none",
    made_by(
        "geo.programme.owed.owed_visits",
        Field("unit_id", "Unit", "id", null=""),
        Field("obligation", "What asks for it", "text", null=""),
        Field("due", "Due", "date", null=""),
        Field("since", "Counted from", "date"),
        Field("source_layer", "Table that says so", "text"),
        Field("source_id", "Its entry", "id"),
        Field("source_row", "Its row", "count"),
        Field("overdue_days", "Overdue", "count", "d", null=""),
        Field("danger", "Whether a danger asks for it", "flag", null=""),
        Field("why", "Why", "text", null=""),
        Field("tried", "Last visit that could not be completed", "text", null="none"),
    ),
)

OWED_UNCLEAR: Final = Table(
    "owed_unclear",
    "Something that may ask for a visit, whose day nobody can tell from what is on record.",
    "none",
    made_by(
        "geo.programme.unclear.unclear_obligations",
        Field("unit_id", "Unit", "id", about="As written where it is not on the list of units."),
        Field("obligation", "What may ask for it", "text", null=""),
        Field(
            "lacks", "What is not known", "code", null="",
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
        Field("earliest", "Not before", "date", null="nothing tells"),
        Field("source_layer", "Table that says so", "text", null=""),
        Field("source_id", "Its entry", "id", null=""),
        Field("source_row", "Its row", "count"),
        Field("why", "Why", "text", null=""),
    ),
)  # fmt: skip

OUTLET_CANDIDATES: Final = Table(
    "outlet_candidates",
    "A place where the outlet of a unit may be, most likely first.",
    "point",
    made_by(
        "geo.outlets.search.search_outlets",
        Field("unit_id", "Unit", "id", null=""),
        Field("rank", "Place among those of the unit", "count", null=""),
        Field("chance", "Chance that it is there", "number", "1", null=""),
        Field("why", "Why there", "sentences", null=""),
        Field("distance_m", "From the lid", "number", "m", null=""),
        Field("bearing_deg", "Bearing from the lid", "number", "deg", null=""),
        Field("drop_m", "Ground drops to it by", "number", "m", null=""),
        Field(
            "kind", "What it lies at", "code", null="",
            codes=from_codes("stream", "ditch", "road_ditch", "drain", "ground"),
        ),
    ),
)  # fmt: skip

OUTLET_SEARCH_AREAS: Final = Table(
    "outlet_search_areas",
    "Where the outlet of a unit was looked for.",
    "area",
    made_by(
        "geo.outlets.search.search_outlets",
        Field("unit_id", "Unit", "id", null=""),
        Field(
            "state", "What came of it", "code", null="",
            codes={
                "found": "places found",
                "no_daylight": "no pipe by gravity comes out there",
                "off_terrain": "off the terrain",
            },
        ),
        Field("by_gravity", "Whether it runs by gravity", "flag", null=""),
        Field(
            "bounded_by", "What bounds the search", "code", codes=from_codes("parcel", "circle"),
            null="",
        ),
        Field("radius_m", "Longest pipe taken", "number", "m", null=""),
        Field("places_looked_at", "Places looked at", "count", null=""),
        Field("rest_chance", "Chance that it is at none of the candidates", "number", "1", null=""),
        Field(
            "weights", "Where the weights come from", "code",
            codes=from_codes("learned", "stated"), null="",
        ),
    ),
)  # fmt: skip

AREAS: Final = Table(
    "areas",
    "A catchment, or a square where none are given.",
    "area",
    made_by(
        "geo.results.areas.areas",
        Field("area_id", "Area", "id", null=""),
        Field("name", "Name", "text", null="none"),
        Field("units", "Units in it", "count", null=""),
        Field("first_class", "Units to visit first", "count", null="not ranked"),
        Field("lids_wet", "Lids that storm or flood water reaches", "count", null="not known"),
        Field(
            "lids_not_known",
            "Lids of which that is not known",
            "count",
            null="known of none",
        ),
    ),
)

PUBLIC_CELLS: Final = Table(
    "public_cells",
    "A square that may be shown to everybody.",
    "area",
    made_by(
        "geo.results.areas.public_cells",
        Field("units", "Units in it, to the nearest five", "count", null=""),
        Field("first_from", "Share of units to visit first, from", "number", "1", null="not shown"),
        Field("first_to", "Share of units to visit first, to", "number", "1", null="not shown"),
        Field(
            "wet_from",
            "Share of lids that storm or flood water reaches, from",
            "number",
            "1",
            null="not shown",
        ),
        Field(
            "wet_to",
            "Share of lids that storm or flood water reaches, to",
            "number",
            "1",
            null="not shown",
        ),
    ),
)

FIRST_VISITS: Final = Table(
    "first_visits",
    "What the first visits of the order cover.",
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
    "What may come down the water from one small area.",
    "none",
    made_by(
        "geo.waters.die_off.load_by_catchment",
        Field("area_id", "Area", "id", null="in none"),
        Field("units", "Units in it", "count", null=""),
        Field("outlets", "Outlets whose water comes into mapped water", "count", null=""),
        Field("expected_in_trouble", "Units in trouble, expected", "number"),
        Field("expected_in_trouble_low", "Units in trouble, lower end of the band", "number"),
        Field("expected_in_trouble_high", "Units in trouble, upper end of the band", "number"),
        Field("arrives", "Of those, what arrives in the water", "number"),
        Field("arrives_low", "What arrives, lower end of the band", "number"),
        Field("arrives_high", "What arrives, upper end of the band", "number"),
    ),
)

PROBLEMS: Final = Table(
    "problems",
    "One fault of the input.",
    "none",
    made_by(
        "layers.problems.merge_problems",
        Field("layer", "Layer", "text", null=""),
        Field("row", "Row", "count", null="the layer as a whole"),
        Field("feature_id", "Feature", "text", null="none"),
        Field("code", "Fault", "text", null=""),
        Field(
            "severity", "How grave", "code", codes=from_codes(*get_args(Severity)), null=""
        ),
        Field("message", "What is wrong", "text", null=""),
        Field(
            "action", "What was done", "code", null="",
            codes=from_codes(*get_args(Action)),
        ),
        Field(
            "accepted_until", "Accepted by the office until", "date", null="not accepted",
            about="A fault that asks for an answer and that `[[accepted]]` of the county file"
            " names; it clears nothing.",
        ),
    ),
)  # fmt: skip
