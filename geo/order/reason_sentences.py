"""What a column says when it raises a unit's rank, in sentences its owner can accept.

Each gives the fact, how sure it is, and what to do where there is something to do. A value that
speaks for the unit says nothing: its sentence is empty. They blame nobody.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, Final

import pandas as pd

from geo.ponds.ponding import COARSE_M
from geo.setbacks.sentences import away
from geo.uncertainty import LINE_95
from layers.measures import (
    ShowUnits,
    format_age,
    format_area,
    format_chance,
    format_height,
    format_length,
)

# Closer than this two places are said to be at each other, not a distance apart.
AT_WATER_M: Final = 2.0

Row = Mapping[str, Any]

_RESULTS: Final = {
    "danger": "The last completed visit found a dangerous condition.",
    "repair": "The last completed visit found a needed repair.",
    "minor": "The last completed visit found a minor problem.",
}
_ENDS: Final = {"stream": "a stream", "water_body": "a lake or pond", "drain": "a drain"}
_PLACES: Final = {"bathing": "swimming area", "intake": "water intake", "school": "school"}
_HAZARDS: Final = {
    "moderate": "The lid is in an area mapped as flooding less often than once in 100 years.",
    "levee": "The lid is in an area mapped as protected by a levee.",
    "undetermined": "The flood hazard at the lid is mapped as undetermined.",
    "unspecified": "The flood map does not say how often the lid's zone floods.",
}
_ALLOWING: Final = "Allowing for map error, the chance"


# ------------------------------------------------------------------------------ records


def _last_result(row: Row, _: ShowUnits) -> str:
    return _RESULTS.get(row["last_result"], "")


def _since_visit(row: Row, _: ShowUnits) -> str:
    days = row["days_since_inspection"]
    if pd.isna(days):
        return "No completed visit is on record."
    return f"The last completed visit was {format_age(days)} ago." if days >= 1 else ""


def _age(row: Row, _: ShowUnits) -> str:
    years = round(row["age_years"])
    return f"The unit is about {years} year{'s' if years > 1 else ''} old." if years >= 1 else ""


def _trouble_chance(row: Row, _: ShowUnits) -> str:
    mine, every = (round(100 * row[f"trouble_chance{of}"]) for of in ("", "_county"))
    if mine <= every:
        return ""
    return (
        f"About {mine} of 100 visits to similar units found something to repair"
        f" (all units: {every})."
    )


# ----------------------------------------------------------------------- water at the lid


def _about_deep(depth_m: float, show_units: ShowUnits) -> str:
    text = format_height(depth_m, show_units)
    return text if text.startswith("under") else f"about {text}"


def _provided(row: Row, show_units: ShowUnits, sentence: str) -> str:
    """A sentence read off the ground under a lid, with a warning where its place is rough."""
    accuracy = row.get("accuracy95_m")
    if accuracy is None or pd.isna(accuracy) or accuracy <= COARSE_M:
        return sentence
    return (
        f"{sentence} That is for the mapped position, give or take"
        f" {format_length(accuracy, show_units)}. Confirm the position."
    )


def _low_spot(place: str, depth_m: float, show_units: ShowUnits) -> str:
    return (
        f"{place} appears to be in a low spot. Filled to overflow, it would hold"
        f" {_about_deep(depth_m, show_units)} of water there."
    )


def _lid_pond(row: Row, show_units: ShowUnits) -> str:
    depth_m = row["lid_pond_depth_brim_m"]
    if depth_m <= 0:
        return ""
    return _provided(row, show_units, _low_spot("The lid", depth_m, show_units))


def _lid_wet(row: Row, show_units: ShowUnits) -> str:
    years = row["lid_wet_return_yr"]
    if pd.isna(years):
        if row["lid_wet_state"] != "base_flood":
            return ""
        return _provided(
            row, show_units, "The mapped base flood would cover the ground at the lid."
        )
    smallest = row["lid_wet_state"] == "at_or_below_smallest"
    depth = _about_deep(row[f"lid_pond_depth_{years:.0f}yr_m"], show_units)
    text = (
        f"A {years:.0f}-year storm{', the smallest modeled,' if smallest else ''} would put {depth}"
        " of water over the ground at the lid."
    )
    riser = row.get("riser_height_m")
    if riser is not None and not pd.isna(riser) and riser > 0:
        text += f" The riser is {format_height(riser, show_units)} high."
    text = _provided(row, show_units, text)
    chance = row.get(f"lid_wet_{years:.0f}yr_probability")
    if chance is None or pd.isna(chance):
        return text
    return f"{text} {_ALLOWING} that it covers the lid is {format_chance(chance)}."


def _lid_wet_in_a_year(row: Row, show_units: ShowUnits) -> str:
    """The storm that wets the lid as the map has it, with its chance; else the chance in a year."""
    years = row.get("lid_wet_return_yr")
    if years is not None and not pd.isna(years):
        return _lid_wet(row, show_units)
    chance = row["lid_wet_annual_probability"]
    if not chance > 0:
        return ""
    return f"{_ALLOWING} that water covers the lid in a year is {format_chance(chance)}."


def if_blocked(row: Row, show_units: ShowUnits) -> str:
    """What a blocked culvert would change at the lid; it is no part of the score."""
    years = row.get("lid_wet_return_blocked_yr")
    if years is None or pd.isna(years) or row["score"] <= 0:
        return ""
    opened = row["lid_wet_return_yr"]
    storm = f"a {years:.0f}-year storm covers the lid"
    if pd.isna(opened) and row["lid_wet_state"] == "dry_in_all":
        text = f"The lid stays dry if water can pass under the road. If that is blocked, {storm}."
    elif pd.isna(opened) or years < opened:
        text = f"If water cannot pass under the road, {storm}."
    else:
        return ""
    return _provided(row, show_units, text)


def _swale(row: Row, show_units: ShowUnits) -> str:
    if row.get("lid_swale_state") == "none" or row["lid_upslope_area_m2"] <= 0:
        return ""
    land = format_area(row["lid_upslope_area_m2"], show_units)
    text = f"The lid appears to be in a swale that drains about {land}."
    if not pd.isna(row.get("lid_swale_depth_m", float("nan"))):
        depth = _about_deep(row["lid_swale_depth_m"], show_units)
        text += (
            f" A {row['lid_swale_storm_yr']:.0f}-year storm would run {depth} deep over the ground"
            " there, by estimate."
        )
    return _provided(row, show_units, text)


# ------------------------------------------------------------------------------- flood zones


def _zone(row: Row) -> str:
    zone = row.get("flood_zone")
    return f"mapped flood zone {zone}" if isinstance(zone, str) and zone else "a mapped flood zone"


def _flood_distance(row: Row, show_units: ShowUnits) -> str:
    if row["flood_distance_m"] == 0:
        return _provided(row, show_units, f"The lid appears to be inside {_zone(row)}.")
    if row["flood_distance_m"] < AT_WATER_M:
        return "A mapped flood zone appears to begin at the lid."
    return _at_distance(row, "flood_distance_m", "A flood zone", "the lid", show_units)


def _flood_depth(row: Row, show_units: ShowUnits) -> str:
    if row["flood_depth_m"] <= 0:
        return _provided(row, show_units, f"The lid appears to be at the edge of {_zone(row)}.")
    depth = _about_deep(row["flood_depth_m"], show_units)
    text = (
        f"The lid appears to be inside {_zone(row)}. The base flood would put {depth} of water over"
        " the ground there."
    )
    return _provided(row, show_units, text)


def _flood_hazard(row: Row, _: ShowUnits) -> str:
    return _HAZARDS.get(row["flood_hazard"], "")


def _hand(row: Row, show_units: ShowUnits) -> str:
    if row["hand_m"] <= 0:
        text = "The ground at the lid is as low as the water it drains to."
    else:
        height = _about_deep(row["hand_m"], show_units)
        text = f"The ground at the lid is low: {height} above the water it drains to."
    return _provided(row, show_units, text)


# --------------------------------------------------------------------------- discharge point


def _outlet_state(row: Row, _: ShowUnits) -> str:
    text = {
        "unknown": "The discharge point is not on record. Locate it first.",
        "unconfirmed": (
            "The discharge point on record may not be this unit's. Confirm it on site."
        ),
    }
    return text.get(row["outlet_state"], "")


def _outlet_wet(row: Row, _: ShowUnits) -> str:
    years = row["outlet_wet_return_yr"]
    if not pd.isna(years):
        return f"A {years:.0f}-year storm would cover the ground at the discharge point."
    if row["outlet_wet_state"] == "base_flood":
        return "The mapped base flood would cover the ground at the discharge point."
    return ""


def _outlet_pond(row: Row, show_units: ShowUnits) -> str:
    depth_m = row["outlet_pond_depth_brim_m"]
    return _low_spot("The discharge point", depth_m, show_units) if depth_m > 0 else ""


def _path(row: Row, show_units: ShowUnits) -> str:
    length = format_length(row["path_length_m"], show_units)
    end = _ENDS.get(row["path_end"])
    is_near = row["path_length_m"] < AT_WATER_M
    if end is not None and is_near:
        if row["path_end"] == "drain":
            return "The discharge appears to go straight into a drain on record."
        return f"The discharge point appears to be at {end} on record."
    if end is not None:
        return f"The discharge likely reaches {end} in about {length}."
    if row["path_end"] == "hollow" and not is_near:
        return f"The discharge likely collects in a low spot in about {length}."
    return ""  # where the terrain ends, nothing says that it is near any water


def _parcels(row: Row, _: ShowUnits) -> str:
    n = int(row["parcels_crossed"])
    if n == 0:
        return ""
    return f"The discharge appears to cross {n} other parcel{'s' if n > 1 else ''}."


# ---------------------------------------------------------------------------------- distances


def _at_distance(row: Row, column: str, what: str, place: str, show_units: ShowUnits) -> str:
    """How far away, with its spread at 95% where it is known."""
    sd = row.get(f"{column}_sd")
    u95 = row.get(f"{column.removesuffix('_m')}_u95_m") if sd is None else LINE_95 * sd
    text = f"{what} {away(row[column], u95, f'from {place}', show_units)}."
    return text if u95 is None or not u95 >= row[column] else f"{text} Confirm the positions."


def _well(row: Row, show_units: ShowUnits) -> str:
    if row["well_distance_m"] < AT_WATER_M:
        return "The discharge point appears to be at a well on record."
    return _at_distance(row, "well_distance_m", "A well", "the discharge point", show_units)


def _lid_well(row: Row, show_units: ShowUnits) -> str:
    if row["lid_well_distance_m"] < AT_WATER_M:
        return "The lid appears to be at a well on record."
    return _at_distance(row, "lid_well_distance_m", "A well", "the lid", show_units)


def _stream(row: Row, show_units: ShowUnits) -> str:
    if row["stream_distance_m"] < AT_WATER_M:
        return "The discharge point appears to be at a stream on record."
    return _at_distance(row, "stream_distance_m", "A stream", "the discharge point", show_units)


def _place(row: Row, show_units: ShowUnits) -> str:
    kind = _PLACES.get(row.get("place_kind") or "", "protected place")
    if row["place_distance_m"] < AT_WATER_M:
        return f"The unit appears to be at a {kind} on record."
    return _at_distance(row, "place_distance_m", f"A {kind}", "the lid", show_units)


def _downstream(row: Row, show_units: ShowUnits) -> str:
    kind = _PLACES.get(row["downstream_place_kind"], "protected place of unrecorded kind")
    if row["downstream_m"] < AT_WATER_M:
        return f"The discharge appears to come out at a {kind} on record."
    return f"A {kind} is about {format_length(row['downstream_m'], show_units)} downstream."


SENTENCES: Final[dict[str, Callable[[Row, ShowUnits], str]]] = {
    "last_result": _last_result,
    "days_since_inspection": _since_visit,
    "age_years": _age,
    "trouble_chance": _trouble_chance,
    "lid_wet_state": _lid_wet,
    "lid_wet_return_yr": _lid_wet,
    "lid_wet_annual_probability": _lid_wet_in_a_year,
    "lid_swale_state": _swale,
    "lid_upslope_area_m2": _swale,
    "outlet_wet_state": _outlet_wet,
    "outlet_wet_return_yr": _outlet_wet,
    "lid_pond_depth_brim_m": _lid_pond,
    "flood_distance_m": _flood_distance,
    "flood_depth_m": _flood_depth,
    "flood_hazard": _flood_hazard,
    "hand_m": _hand,
    "outlet_state": _outlet_state,
    "outlet_pond_depth_brim_m": _outlet_pond,
    "well_distance_m": _well,
    "lid_well_distance_m": _lid_well,
    "path_length_m": _path,
    "stream_distance_m": _stream,
    "place_distance_m": _place,
    "downstream_m": _downstream,
    "parcels_crossed": _parcels,
}
"""By column; columns not named here are of the county's own making."""
# Columns whose sentence also speaks where nothing is on record: that is itself a fact.
SPEAKS_OF_NOTHING: Final = frozenset({"days_since_inspection"})
