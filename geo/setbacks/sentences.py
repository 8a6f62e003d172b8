"""What a row of the setback checks says, in a sentence for a homeowner to read."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

import pandas as pd

from layers.measures import FT_M, ShowUnits, format_exactly, format_length
from layers.outputs import SETBACK_CHECKS

LIKELY: Final = 0.5
# Nearer than this, two things are said to lie at each other, not at a distance.
AT_M: Final = 0.5
_FEATURES: Final = {
    "wells": "well",
    "streams": "stream",
    "water_bodies": "lake or pond",
    "floodplain": "mapped flood hazard area",
    "buildings": "building",
    "parcels": "lot line",
    "drains": "drain",
    "roads": "road",
    "protected_places": "protected place",
}
_PARTS: Final = {"unit": "lid", "tank": "lid", "discharge_point": "discharge point"}


@dataclass(frozen=True)
class Sentence:
    """A sentence on one setback, and what it speaks of: the place measured from, the feature."""

    subject: tuple[str, str]
    sentence: str


def setbacks_to_show(checks: pd.DataFrame, show_units: ShowUnits) -> dict[str, list[Sentence]]:
    """By unit: setbacks in force that appear short, then those more likely short than not."""
    shown: dict[str, list[Sentence]] = {}
    if not len(checks):
        return shown
    likely = (checks["verdict"] == "uncertain") & (checks["short_probability"] >= LIKELY)
    # a place known no better than the rule or the distance itself says nothing of the setback
    likely &= checks["distance_u95_m"] <= checks[["required_m", "distance_m"]].max(axis=1)
    likely |= SETBACK_CHECKS.equals(checks, "settled_by", "ask_feature")
    some = checks[checks["in_force"].astype(bool) & ((checks["verdict"] == "short") | likely)]
    some = some.assign(later=some["verdict"] != "short").sort_values(
        ["unit_id", "later", "distance_m", "rule_id"]
    )
    for check in some.to_dict("records"):
        subject = (_PARTS[check["part"]], check["feature"])
        text = shown.setdefault(check["unit_id"], [])
        text.append(Sentence(subject, setback_sentence(check, show_units)))
    return shown


def setback_sentence(check: Mapping[str, Any], show_units: ShowUnits) -> str:
    """What one row of the setback checks says, for a homeowner to read."""
    lies = _where_it_lies(check, show_units)
    asked = format_exactly(check["required_m"], show_units)
    is_open = check.get("settled_by") == "find_day"
    if is_open:
        asks = f"a rule that may apply to this unit asks for {asked}"
    elif isinstance(check.get("variance_id"), str):
        asks = f"a variance on record allows {asked}"
    elif check.get("judged_by") in ("permit", "installed"):
        asks = f"the table in force in {check['judged_on'][:4]} asks {asked}"
    else:
        asks = f"the table in force asks {asked}"
    close = "" if check["verdict"] == "short" else ": too close to tell, more likely short"
    if is_open:
        close = ". Which rule applies is not known: no permit or installation date is on record"
    if check.get("settled_by") == "ask_feature":
        close = ": whether that rule speaks of it is not on record"
    return f"{lies}; {asks}{close}."


def not_known_sentences(checks: pd.DataFrame) -> list[str]:
    """What is said of verdicts ``not_known``, one sentence for each reason."""
    text = []
    for how, why in (
        ("give_layer", "no layer of them was given"),
        ("place_rows", "some on record have no place"),
    ):
        mine = checks[checks["settled_by"] == how]
        if len(mine):
            named = [f"{_FEATURES[name]}s" for name in mine["feature"].unique()]
            text.append(f"Whether {_listed(named)} lie near is not known: {why}.")
    return text


def _listed(words: list[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} or {words[-1]}"


def format_spread(u95_m: float, show_units: ShowUnits) -> str:
    """How far off a length may be, no finer than lengths are said.

    >>> format_spread(3.05, "us"), format_spread(0.1, "us"), format_spread(0.1, "si")
    ('±10 ft', '±1 ft', '±1 m')
    """
    least = 1.0 if show_units == "si" else FT_M
    if u95_m < 2 * FT_M:  # shorter lengths are said in inches or centimeters
        whole = -(-u95_m // least) or 1.0  # rounded up
        return f"±{whole:.0f} {'m' if show_units == 'si' else 'ft'}"
    return f"±{format_length(u95_m, show_units)}"


def _where_it_lies(check: Mapping[str, Any], show_units: ShowUnits) -> str:
    what, place = _what(check), _PARTS[check["part"]]
    if not check.get("link_confirmed", True):
        place += " linked to this unit by guess"
    distance = format_length(check["distance_m"], show_units, required_m=check["required_m"])
    if check.get("measured_by") == "tape":
        if check["distance_m"] < AT_M:
            return f"A {what} was taped as lying at the {place}"
        return f"A {what} was taped at {distance} from the {place}"
    inside_m = check.get("inside_m")
    if inside_m is not None and inside_m > AT_M:
        return f"The {place} appears to lie inside a {what} on record"
    if check["distance_m"] < AT_M:
        return f"The {place} appears to lie at a {what} on record"
    side = check.get("well_lies")
    off = f"{side} of" if isinstance(side, str) else "from"
    lies = "appears to lie" if check["verdict"] == "short" else "lies"
    spread = format_spread(check["distance_u95_m"], show_units)
    return f"A {what} on record {lies} about {distance} ({spread}) {off} the {place}"


def _what(check: Mapping[str, Any]) -> str:
    use = check.get("well_use")
    what = _FEATURES[check["feature"]]
    return f"{use} {what}" if isinstance(use, str) else what
