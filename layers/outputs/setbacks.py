"""The table of setback checks."""

from __future__ import annotations

from types import MappingProxyType
from typing import Final

from layers.outputs.field import NOT_KNOWN, Field, Table, from_codes, made_by

VERDICTS: Final = MappingProxyType(
    {
        "clear": "appears clear",
        "short": "appears inside its setback",
        "uncertain": "too close to tell",
        "not_known": NOT_KNOWN,
        "none_on_record": "none on record",
        "no_rule": "no rule",
    }
)
PARTS: Final = from_codes("unit", "tank", "discharge_point")
SETTLED_BY: Final = MappingProxyType(
    {
        "locate": "locating the discharge point",
        "find_day": "finding the date that decides which table applies",
        "ask_feature": "finding out what the feature is",
        "give_layer": "adding the layer",
        "place_rows": "locating rows of the layer that have no place",
        "fix_part": "measuring the position of the unit's part",
        "fix_feature": "measuring the position of the feature",
        "fix_both": "measuring both positions",
        "tape": "measuring by tape",
    }
)
_NONE_NEAR: Final = "none on record within the search distance"

SETBACK_CHECKS: Final = Table(
    "setback_checks",
    "One rule for one part of one unit, with the shortest line between the two.",
    "line",
    (
        *made_by(
            "geo.setbacks.checks.setback_checks",
            Field("unit_id", "Unit", "id", null=""),
            Field("rule_id", "Rule", "id", null=""),
            Field("part", "Part of the unit", "code", codes=PARTS, null=""),
            Field("feature", "Layer of the feature", "text", null=""),
            Field("feature_id", "Nearest feature", "id", null=_NONE_NEAR),
            Field("required_m", "Required distance", "number", "m", null=""),
            Field("distance_m", "Distance", "number", "m", null=_NONE_NEAR),
            Field("distance_u95_m", "Give or take (95%)", "number", "m", null=_NONE_NEAR),
            Field("short_probability", "Chance that it is inside", "number", "1", null=_NONE_NEAR),
            Field("verdict", "Verdict", "code", codes=VERDICTS, null=""),
            Field("source", "Source of the rule", "text", null="not stated"),
            Field("in_force", "Whether the rule applies", "flag", null=""),
            Field("table", "Setback table", "text", null=""),
            Field("judged_on", "Date that decides the table", "text"),
            Field("judged_by", "Source of that date", "text"),
            Field("inside_m", "Distance inside the feature", "number", "m", null=_NONE_NEAR),
            Field(
                "measured_by", "How it was measured", "code",
                codes={"map": "from the map", "tape": "by tape"},
                null="",
            ),
            Field("variance_id", "Variance", "id", null="none"),
            Field("link_confirmed", "Discharge point confirmed", "flag"),
            Field("settled_by", "What would decide it", "code", codes=SETTLED_BY, null="decided"),
            Field(
                "on_record", "How complete the layer is", "text", null="nothing"
            ),
        ),
        *made_by(
            "geo.setbacks.well_sides.well_sides",
            Field(
                "well_use", "Use of the well", "code",
                codes=from_codes("private", "public"),
            ),
            Field(
                "well_lies", "Well uphill or downhill", "code",
                codes=from_codes("downhill", "uphill"), null="about level, or not known",
            ),
        ),
    ),
)  # fmt: skip
