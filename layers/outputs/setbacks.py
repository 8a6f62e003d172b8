"""The table of setback checks."""

from __future__ import annotations

from types import MappingProxyType
from typing import Final

from layers.outputs.field import Field, Table, from_codes, made_by

VERDICTS: Final = from_codes(
    "clear", "short", "uncertain", "not_known", "none_on_record", "no_rule"
)
PARTS: Final = from_codes("unit", "tank", "discharge_point")
SETTLED_BY: Final = MappingProxyType(
    {
        "locate": "finding the discharge point",
        "find_day": "finding which table applies to the unit",
        "ask_feature": "finding out what the feature is",
        "give_layer": "giving the layer",
        "place_rows": "finding the places of its rows that have none",
        "fix_part": "a better position of the part",
        "fix_feature": "a better position of the feature",
        "fix_both": "better positions of both",
        "tape": "a tape",
    }
)
_NONE_NEAR: Final = "none on record within the search"

SETBACK_CHECKS: Final = Table(
    "setback_checks",
    "One rule for one part of one unit, with the line between the nearest points.",
    "line",
    (
        *made_by(
            "geo.setbacks.checks.setback_checks",
            Field("unit_id", "Unit", "id", null=""),
            Field("rule_id", "Rule", "id", null=""),
            Field("part", "Part of the unit", "code", codes=PARTS, null=""),
            Field("feature", "Layer of the feature", "text", null=""),
            Field("feature_id", "Nearest feature", "id", null=_NONE_NEAR),
            Field("required_m", "Distance required", "number", "m", null=""),
            Field("distance_m", "Distance", "number", "m", null=_NONE_NEAR),
            Field("distance_u95_m", "Give or take, 95 %", "number", "m", null=_NONE_NEAR),
            Field("short_probability", "Chance that it is short", "number", "1", null=_NONE_NEAR),
            Field("verdict", "Verdict", "code", codes=VERDICTS, null=""),
            Field("source", "Source of the rule", "text", null="not stated"),
            Field("in_force", "Whether the rule holds", "flag", null=""),
            Field("table", "Table of rules", "text", null=""),
            Field("judged_on", "Day that decides", "text"),
            Field("judged_by", "What gave that day", "text"),
            Field("inside_m", "How deep inside the feature", "number", "m", null=_NONE_NEAR),
            Field(
                "measured_by", "What gave the distance", "code", codes=from_codes("map", "tape"),
                null="",
            ),
            Field("variance_id", "Variance", "id", null="none"),
            Field("link_confirmed", "Match of the discharge point confirmed", "flag"),
            Field("settled_by", "What would settle it", "code", codes=SETTLED_BY, null="settled"),
            Field(
                "on_record", "What was said of how complete the layer is", "text", null="nothing"
            ),
        ),
        *made_by(
            "geo.setbacks.well_sides.well_sides",
            Field(
                "well_use", "Who drinks from the well", "code",
                codes=from_codes("private", "public"),
            ),
            Field(
                "well_lies", "Which way from the part", "code",
                codes=from_codes("downhill", "uphill"), null="near level, or not known",
            ),
        ),
    ),
)  # fmt: skip
