"""What a row of the setback checks says, in a sentence for a homeowner to read."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

import pandas as pd

from layers.measures import FT_M, ShowUnits, format_exactly, format_length
from layers.outputs import SETBACK_CHECKS

LIKELY: Final = 0.5
# Nearer than this, two things are said to be at each other, not at a distance.
AT_M: Final = 0.5
_FEATURES: Final = {
    "wells": "well",
    "streams": "stream",
    "water_bodies": "lake or pond",
    "floodplain": "mapped flood zone",
    "buildings": "building",
    "parcels": "lot line",
    "drains": "drain",
    "roads": "road",
    "protected_places": "protected place",
}
_PARTS: Final = {"unit": "lid", "tank": "lid", "discharge_point": "discharge point"}
_MEASURE: Final = " Measure on site."


@dataclass(frozen=True)
class Sentence:
    """A sentence on one setback, and what it speaks of: the place measured from, the feature."""

    subject: tuple[str, str]
    sentence: str


def setbacks_to_show(checks: pd.DataFrame, show_units: ShowUnits) -> dict[str, list[Sentence]]:
    """By unit: setbacks that apply and appear not kept, then those more likely so than not."""
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
    """What one row of the setback checks says: where it is, what is required, what to do."""
    where = _where_it_is(check, show_units)
    if not check.get("link_confirmed", True):
        where += ". That discharge point may not be this unit's"
    action = "" if check.get("measured_by") == "tape" else _MEASURE
    return f"{where}. {_required(check, show_units)}.{_how_sure(check)}{action}"


def _required(check: Mapping[str, Any], show_units: ShowUnits) -> str:
    required = format_exactly(check["required_m"], show_units)
    if check.get("settled_by") == "find_day":
        return f"A rule that may apply requires {required}"
    if isinstance(check.get("variance_id"), str):
        return f"A variance on record allows {required}"
    if check.get("judged_by") in ("permit", "installed"):
        return f"{required} was required in {check['judged_on'][:4]}"
    return f"{required} is required"


def _how_sure(check: Mapping[str, Any]) -> str:
    if check.get("settled_by") == "ask_feature":
        return " Whether the rule covers it is not known."
    if check.get("settled_by") == "find_day":
        return " Which rule applies is not known: no permit or installation date is on record."
    if check["verdict"] == "short":
        return ""
    is_likely = check.get("short_probability", 0) >= LIKELY
    return f" Too close to tell{'; likely inside its setback' if is_likely else ''}."


def not_known_sentences(checks: pd.DataFrame) -> list[str]:
    """What is said of verdicts ``not_known``, one sentence for each reason."""
    text = []
    for how, why in (
        ("give_layer", "no layer was given"),
        ("place_rows", "some on record have no position"),
    ):
        mine = checks[checks["settled_by"] == how]
        if len(mine):
            named = [f"{_FEATURES[name]}s" for name in mine["feature"].unique()]
            text.append(f"Whether {_listed(named)} are near is not known: {why}.")
    return text


def _listed(words: list[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} or {words[-1]}"


def format_spread(u95_m: float, show_units: ShowUnits) -> str:
    """How inexact a length is, no finer than lengths are said.

    >>> format_spread(3.05, "us"), format_spread(0.1, "us"), format_spread(0.1, "si")
    ('give or take 10 ft', 'give or take 1 ft', 'give or take 1 m')
    """
    least = 1.0 if show_units == "si" else FT_M
    if u95_m < 2 * FT_M:  # shorter lengths are said in inches or centimeters
        whole = -(-u95_m // least) or 1.0  # rounded up
        return f"give or take {whole:.0f} {'m' if show_units == 'si' else 'ft'}"
    return f"give or take {format_length(u95_m, show_units)}"


def away(
    distance_m: float,
    u95_m: float | None,
    of: str,
    show_units: ShowUnits,
    *,
    required_m: float | None = None,
) -> str:
    """Where a feature is, from "appears to be" on: how far of what, and how sure that is.

    A spread as wide as the distance itself leaves only the place on the map.

    >>> away(25.3, 3.35, "from the lid", "us")
    'appears to be 83 ft from the lid, give or take 11 ft'
    >>> away(16.5, 60.0, "from the lid", "us")
    'is mapped 54 ft from the lid, give or take 200 ft'
    """
    length = format_length(distance_m, show_units, required_m=required_m)
    if u95_m is None or pd.isna(u95_m):
        return f"appears to be about {length} {of}"
    spread = format_spread(u95_m, show_units)
    if u95_m < distance_m:
        return f"appears to be {length} {of}, {spread}"
    return f"is mapped {length} {of}, {spread}"


def _where_it_is(check: Mapping[str, Any], show_units: ShowUnits) -> str:
    what, place = _what(check), f"the {_PARTS[check['part']]}"
    distance_m, required_m = check["distance_m"], check["required_m"]
    if check.get("measured_by") == "tape":
        if distance_m < AT_M:
            return f"A {what} is at {place}, measured by tape"
        length = format_length(distance_m, show_units, required_m=required_m)
        return f"A {what} is {length} from {place}, measured by tape"
    inside_m = check.get("inside_m")
    if inside_m is not None and inside_m > AT_M:
        return f"{place[0].upper()}{place[1:]} appears to be inside a {what} on record"
    if distance_m < AT_M:
        return f"{place[0].upper()}{place[1:]} appears to be at a {what} on record"
    side = check.get("well_lies")
    of = f"{side} of {place}" if isinstance(side, str) else f"from {place}"
    spread = check["distance_u95_m"]
    return f"A {what} {away(distance_m, spread, of, show_units, required_m=required_m)}"


def _what(check: Mapping[str, Any]) -> str:
    use = check.get("well_use")
    what = _FEATURES[check["feature"]]
    return f"{use} {what}" if isinstance(use, str) else what
