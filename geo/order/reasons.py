"""Why a unit stands where it stands, in sentences its owner would accept, and what is not known.

Sentences say what is on record and what appears so; they blame nobody and claim no certainty the
data lacks.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, Final

import numpy as np
import pandas as pd

from geo.order.priorities import is_lacking, rate
from geo.ponds.ponding import COARSE_M
from geo.setbacks.sentences import format_spread, setbacks_to_show
from geo.uncertainty import LINE_95
from layers.measures import (
    ShowUnits,
    format_age,
    format_area,
    format_chance,
    format_height,
    format_length,
)
from layers.outputs import UNITS
from layers.outputs.field import NOT_KNOWN
from layers.settings.priority_settings import Priorities, PriorityPart

AT_MOST: Final = 5
# Closer than this a discharge point is said to lie at the water, not a distance from it.
AT_WATER_M: Final = 2.0
# At most so many of them on what is owed, and on setbacks.
ON_WHAT_IS_OWED: Final = 2
ON_SETBACKS: Final = 3
# A part speaks when it carries at least this share of the score.
SHARE: Final = 0.06

Row = Mapping[str, Any]

_RESULTS: Final = {
    "danger": "The last completed visit found something dangerous.",
    "repair": "The last completed visit found something to repair.",
    "minor": "The last completed visit found something minor.",
    "good": "The last completed visit found things in order.",
}
_ENDS: Final = {
    "stream": "a stream on record",
    "water_body": "a lake or pond on record",
    "drain": "a drain on record",
}
# A setback sentence on this place and feature says what this column would.
_TEXT_BY: Final = {
    ("discharge point", "wells"): "well_distance_m",
    ("lid", "wells"): "lid_well_distance_m",
    ("discharge point", "streams"): "stream_distance_m",
}

# What is owed because of the last visit, or because there was none, has told of it.
_TEXT_BY_OWED: Final = {
    "reinspection": "last_result",
    "follow_up": "last_result",
    "interval": "days_since_inspection",
}


def add_reasons(
    table: pd.DataFrame,
    setback_checks: pd.DataFrame,
    priorities: Priorities,
    *,
    show_units: ShowUnits,
    more_gaps: Mapping[str, list[str]] | None = None,
) -> pd.DataFrame:
    """``reasons`` and ``data_gaps`` of each unit, lists of sentences.

    Parameters
    ----------
    table
        One row per unit with what was measured and what `geo.order.priorities.prioritize` gave;
        where it holds ``NAME_sd`` the distance NAME is told with its spread.
    setback_checks
        As `geo.setbacks.setback_checks` gives them.
    show_units
        Feet and inches, or meters, in the sentences.
    more_gaps
        By unit, what else is not known of it: a visit nobody knows the day of, a place in doubt.

    What is owed speaks first where it decides the rank, then a setback in force that appears
    short, then the parts that carry most of the score. A part whose every input is unknown stands
    among the gaps, and so does each single input that weighs and is not known.
    """
    short = setbacks_to_show(setback_checks, show_units)
    lacking = _lacking(table, priorities)
    reasons, gaps = [], []
    for row, lacks in zip(table.to_dict("records"), lacking, strict=True):
        checks = short.get(row["unit_id"], [])
        shown = {_TEXT_BY[check.subject] for check in checks if check.subject in _TEXT_BY}
        text = []
        if row.get("ranked_by") == "owed":
            text = row["why_due"][:ON_WHAT_IS_OWED]
            shown |= {_TEXT_BY_OWED.get(each, "") for each in row["owed_for"][:ON_WHAT_IS_OWED]}
        text += [check.sentence for check in checks[:ON_SETBACKS]]
        text += _sentences(row, priorities, show_units, shown)
        blocked = _if_blocked(row, show_units)
        text = text[: AT_MOST - len(blocked)] + blocked
        reasons.append(list(dict.fromkeys(text)))
        lacks += (more_gaps or {}).get(row["unit_id"], [])
        gaps.append([*lacks, *_gaps(row, show_units)])
    return pd.DataFrame({"reasons": reasons, "data_gaps": gaps}, index=table.index)


def _sentences(
    row: Row, priorities: Priorities, show_units: ShowUnits, shown: set[str]
) -> list[str]:
    """The parts that carry most of the score; columns already ``shown`` are not said again."""
    shares = {name: row[f"part_{name}"] for name in priorities.parts}
    total = row["score"]
    if total <= 0:
        status = row.get("status")
        if status == "sewered":
            return ["On record as connected to the public sewer: confirm that the tank was closed."]
        return ["Nothing on record makes this visit urgent."]
    text = []
    for name in sorted(shares, key=lambda n: (-shares[n], n)):
        column = row[f"deciding_{name}"]
        if shares[name] < SHARE * total:
            break
        if not isinstance(column, str):
            column = priorities.parts[name].inputs[0].column
            if column != "days_since_inspection":
                continue
        if column in shown:
            continue
        sentence = SENTENCES.get(column)
        part = priorities.parts[name]
        text.append(
            sentence(row, show_units) if sentence else _plainly(row, column, part, show_units)
        )
    return text if text or shown else ["No single fact stands out; several small ones add up."]


def _plainly(row: Row, column: str, part: PriorityPart, show_units: ShowUnits) -> str:
    """A part of the county's own making: its label, and the number or word that decided it."""
    value = row[column]
    unit = next(item.unit for item in part.inputs if item.column == column)
    if not isinstance(value, int | float):
        text = str(value).replace("_", " ")
    elif unit == "m":
        text = format_length(value, show_units)
    else:
        text = f"{round(value, 1):g} {unit}" if abs(value) < 100 else f"{value:,.0f} {unit}"
    return f"{part.label}: {text}."


def _lacking(table: pd.DataFrame, priorities: Priorities) -> list[list[str]]:
    """For each row the parts of which nothing is known, and each input that weighs and is not.

    What is not known for want of the discharge point is told by that alone.
    """
    text: list[list[str]] = [[] for _ in range(len(table))]
    lost = UNITS.equals(table, "outlet_state", "unknown")
    for part in priorities.parts.values():
        ratings = {item.column: rate(table, item) for item in part.inputs}
        lacks = {i.column: is_lacking(table, i, ratings[i.column]) for i in part.inputs}
        nothing = np.isnan(list(ratings.values())).all(axis=0)
        for row in np.flatnonzero(nothing):
            text[row].append(f"{part.label}: not known")
        for column, is_lacking_here in lacks.items():
            field = UNITS.field(column)
            here = is_lacking_here & ~nothing
            if "outlet_state" in field.none_where:
                here &= ~lost
            values = UNITS.values(table, column).to_numpy(object)
            for row in np.flatnonzero(here):
                text[row].append(f"{field.alias}: {field.codes.get(values[row], NOT_KNOWN)}")
    return text


def _gaps(row: Row, show_units: ShowUnits) -> list[str]:
    gaps = []
    if row.get("outlet_state") == "unknown":
        gaps.append("Discharge point: nobody has recorded where it is")
    if row.get("outlet_state") == "unconfirmed":
        gaps.append("Discharge point: linked by guess, not confirmed")
    if pd.isna(row.get("riser_height_m")):
        gaps.append("Riser height: not on record, so ponding is told for the ground")
    for place, what in (("", "the lid"), ("outlet_", "the discharge point")):
        if row.get(f"{place}flood_hazard") == "special" and pd.isna(
            row.get(f"{place}flood_depth_m")
        ):
            gaps.append(f"Base flood: how deep it stands at {what} is not on record")
    accuracy = row.get("accuracy95_m")
    if accuracy is not None and accuracy > COARSE_M:
        gaps.append(f"Position: known only to about ±{format_length(accuracy, show_units)}")
    return gaps


# ---------------------------------------------------- one sentence per column that can decide


def _last_result(row: Row, _: ShowUnits) -> str:
    return _RESULTS[row["last_result"]]


def _since_visit(row: Row, _: ShowUnits) -> str:
    days = row["days_since_inspection"]
    if pd.isna(days):
        return "No completed visit is on record."
    if days < 2:
        return "The last completed visit was made in the last two days."
    return f"The last completed visit was {format_age(days)} ago."


def _age(row: Row, _: ShowUnits) -> str:
    years = round(row["age_years"])
    if years < 1:
        return "The unit is less than a year old."
    return f"The unit is about {years} year{'s' if years > 1 else ''} old."


def _trouble_chance(row: Row, _: ShowUnits) -> str:
    return (
        f"On record in this county, {_in_100(row['trouble_chance'])} visits to units like this one"
        f" ({row['trouble_group']}) found something to repair; of visits to all units it is"
        f" {_in_100(row['trouble_chance_county'])}."
    )


def _in_100(chance: float) -> str:
    return f"about {round(100 * chance)} in 100" if chance >= 0.005 else "fewer than 1 in 100"


def _about_deep(depth_m: float, show_units: ShowUnits) -> str:
    text = format_height(depth_m, show_units)
    return text if text.startswith("under") else f"about {text}"


def _provided(row: Row, show_units: ShowUnits, sentence: str) -> str:
    """A sentence read off the ground under a lid, with a proviso where its place is rough."""
    accuracy = row.get("accuracy95_m")
    if accuracy is None or pd.isna(accuracy) or accuracy <= COARSE_M:
        return sentence[0].upper() + sentence[1:]
    return (
        f"If its position on record (±{format_length(accuracy, show_units)}) is right, {sentence}"
    )


def _lid_pond(row: Row, show_units: ShowUnits) -> str:
    if row["lid_pond_depth_brim_m"] <= 0:
        return _provided(row, show_units, "the ground at the lid does not lie in a hollow.")
    depth = _about_deep(row["lid_pond_depth_brim_m"], show_units)
    return _provided(
        row,
        show_units,
        "the ground at the lid lies in a hollow: filled to its brim,"
        f" {depth} of water would stand there.",
    )


def _lid_wet(row: Row, show_units: ShowUnits) -> str:
    state, years = row["lid_wet_state"], row["lid_wet_return_yr"]
    if pd.isna(years):
        return _not_wet(row, "lid", show_units)
    depth = _about_deep(row[f"lid_pond_depth_{years:.0f}yr_m"], show_units)
    storm = f"a {years:.0f}-year storm"
    if state == "at_or_below_smallest":
        storm = f"{storm}, the smallest computed,"
    over = "over the ground at the lid"
    riser = row.get("riser_height_m")
    if riser is not None and not pd.isna(riser) and riser > 0:
        over += f", whose riser stands {format_height(riser, show_units)} high"
    sentence = _provided(row, show_units, f"in {storm} {depth} of water would stand {over}.")
    chance = row.get(f"lid_wet_{years:.0f}yr_probability")
    if chance is None or pd.isna(chance):
        return sentence
    return (
        f"{sentence} {_HOW_EXACT} a {years:.0f}-year storm puts the lid under water is"
        f" {format_chance(chance)}."
    )


def _not_wet(row: Row, prefix: str, show_units: ShowUnits) -> str:
    """A place that no storm is seen to wet, which need not be dry."""
    where = "over the ground at the lid" if prefix == "lid" else "over the discharge point"
    state = row[f"{prefix}_wet_state"]
    if state == "base_flood":
        text = f"the mapped base flood stands {where}, though no storm computed does."
        return _provided(row, show_units, text)
    if state in ("dry_in_all", "dry_so_far"):
        rest = "" if state == "dry_in_all" else " Larger storms, or floods, are not on record."
        return f"In none of the storms computed does water stand {where}.{rest}"
    return f"Whether water stands {where} is not known."


_HOW_EXACT: Final = "Given how exact the terrain and the lid's place are, the chance that"


def _lid_wet_in_a_year(row: Row, show_units: ShowUnits) -> str:
    """The storm that wets the lid as the map has it, with its chance; else the chance in a year."""
    years = row.get("lid_wet_return_yr")
    if years is not None and not pd.isna(years):
        return _lid_wet(row, show_units)
    chance = row["lid_wet_annual_probability"]
    when = "the lid stands under water at some time in a year"
    return f"{_HOW_EXACT} {when} is {format_chance(chance)}."


def _if_blocked(row: Row, show_units: ShowUnits) -> list[str]:
    """What a blocked culvert would change at the lid; it is no part of the score."""
    years = row.get("lid_wet_return_blocked_yr")
    if years is None or pd.isna(years) or row["score"] <= 0:
        return []
    opened = row["lid_wet_return_yr"]
    storm = f"a {years:.0f}-year storm"
    if pd.isna(opened) and row["lid_wet_state"] == "dry_in_all":
        text = (
            "the lid stays dry while the way under the road bank below it is open; if that is"
            f" blocked, it is under water in {storm}."
        )
    elif pd.isna(opened) or years < opened:
        text = f"with the way under the road bank below it blocked, the lid is wet in {storm}."
    else:
        return []
    return [_provided(row, show_units, text)]


def _swale(row: Row, show_units: ShowUnits) -> str:
    land = format_area(row["lid_upslope_area_m2"], show_units)
    if row.get("lid_swale_state") == "none":
        return "No running water is reckoned over the ground at the lid."
    drains = f"the lid appears to lie in a swale that drains about {land}"
    if pd.isna(row.get("lid_swale_depth_m", float("nan"))):
        return _provided(row, show_units, f"{drains}.")
    depth = _about_deep(row["lid_swale_depth_m"], show_units)
    text = (
        f"{drains}: in a {row['lid_swale_storm_yr']:.0f}-year storm {depth} of running water would"
        " pass over the ground there, by estimate."
    )
    return _provided(row, show_units, text)


def _outlet_wet(row: Row, show_units: ShowUnits) -> str:
    years = row["outlet_wet_return_yr"]
    if pd.isna(years):
        return _not_wet(row, "outlet", show_units)
    return f"In a {years:.0f}-year storm water would stand over the ground at the discharge point."


def _zone(row: Row) -> str:
    zone = row.get("flood_zone")
    return f" (zone {zone})" if isinstance(zone, str) and zone else ""


def _flood_distance(row: Row, show_units: ShowUnits) -> str:
    if row["flood_distance_m"] == 0:
        return _provided(
            row,
            show_units,
            f"the lid lies inside a mapped flood hazard area{_zone(row)}.",
        )
    if row["flood_distance_m"] < AT_WATER_M:
        return "A mapped flood hazard area appears to begin at the lid."
    away = _away(row, "flood_distance_m", show_units)
    return f"A mapped flood hazard area begins {away} from the lid."


def _flood_depth(row: Row, show_units: ShowUnits) -> str:
    if row["flood_depth_m"] <= 0:
        text = f"the lid lies at the edge of a mapped flood hazard area{_zone(row)}."
        return _provided(row, show_units, text)
    depth = _about_deep(row["flood_depth_m"], show_units)
    return _provided(
        row,
        show_units,
        f"the lid lies inside a mapped flood hazard area{_zone(row)}; the base flood would stand"
        f" {depth} over the ground there.",
    )


def _flood_hazard(row: Row, _: ShowUnits) -> str:
    text = {
        "moderate": "The lid lies in an area mapped as flooded more rarely than once in 100 years.",
        "levee": "The lid lies in an area that a levee is mapped to protect.",
        "undetermined": "The flood hazard at the lid is mapped as undetermined.",
    }
    return text.get(
        row["flood_hazard"],
        "The flood map names the lid's zone without saying how rarely it floods.",
    )


def _hand(row: Row, show_units: ShowUnits) -> str:
    if row["hand_m"] <= 0:
        text = "the ground at the lid is as low as the water it drains to."
    else:
        height = _about_deep(row["hand_m"], show_units)
        text = f"the ground at the lid is low: {height} above the water it drains to."
    return _provided(row, show_units, text)


def _outlet_state(row: Row, _: ShowUnits) -> str:
    if row["outlet_state"] == "unknown":
        return "Nobody has recorded where the discharge point is: locate it first."
    return "The discharge point on record is linked to this unit by guess: confirm it."


def _outlet_pond(row: Row, show_units: ShowUnits) -> str:
    if row["outlet_pond_depth_brim_m"] <= 0:
        return "The discharge point does not lie in a hollow."
    depth = _about_deep(row["outlet_pond_depth_brim_m"], show_units)
    return (
        f"The discharge point lies in a hollow: filled to its brim, {depth} of water"
        " would stand over the ground there."
    )


def _away(row: Row, distance: str, show_units: ShowUnits) -> str:
    """How far, with its spread at 95 % where it is known; "perhaps" where that is larger."""
    length = format_length(row[distance], show_units)
    sd = row.get(f"{distance}_sd")
    u95 = row.get(f"{distance.removesuffix('_m')}_u95_m") if sd is None else LINE_95 * sd
    if u95 is None or pd.isna(u95):
        return f"about {length}"
    sure = "about" if u95 < row[distance] else "perhaps"
    return f"{sure} {length} ({format_spread(u95, show_units)})"


def _well(row: Row, show_units: ShowUnits) -> str:
    if row["well_distance_m"] < AT_WATER_M:
        return "The discharge point appears to lie at a well on record."
    away = _away(row, "well_distance_m", show_units)
    return f"A well on record lies {away} from the discharge point."


def _lid_well(row: Row, show_units: ShowUnits) -> str:
    if row["lid_well_distance_m"] < AT_WATER_M:
        return "The lid appears to lie at a well on record."
    return f"A well on record lies {_away(row, 'lid_well_distance_m', show_units)} from the lid."


def _path(row: Row, show_units: ShowUnits) -> str:
    length = format_length(row["path_length_m"], show_units)
    end = _ENDS.get(row["path_end"])
    if row["path_end"] == "drain" and row["path_length_m"] == 0:
        return "The discharge point lets out into a drain."
    near = row["path_length_m"] < AT_WATER_M
    if end is not None and near:
        return f"The discharge point appears to lie at {end}."
    if end is None and near:
        return "Where water from the discharge point runs is not known."
    if end is None:
        return (
            f"Water from the discharge point runs at least {length} without meeting mapped water."
        )
    return f"Water from the discharge point appears to reach {end} after about {length}."


def _stream(row: Row, show_units: ShowUnits) -> str:
    if row["stream_distance_m"] < AT_WATER_M:
        return "The discharge point appears to lie at a stream on record."
    away = _away(row, "stream_distance_m", show_units)
    return f"A stream on record lies {away} from the discharge point."


def _place(row: Row, show_units: ShowUnits) -> str:
    kind = {"bathing": "bathing place", "intake": "water intake", "school": "school"}.get(
        row.get("place_kind") or "", "protected place"
    )
    if row["place_distance_m"] < AT_WATER_M:
        return f"The unit appears to lie at a {kind} on record."
    return f"A {kind} on record lies {_away(row, 'place_distance_m', show_units)} from the lid."


_PLACES_DOWN: Final = {
    "bathing": "bathing place",
    "intake": "water intake",
    "unknown": "protected place of unknown kind",
}


def _downstream(row: Row, show_units: ShowUnits) -> str:
    kind = _PLACES_DOWN[row["downstream_place_kind"]]
    if row["downstream_m"] < AT_WATER_M:
        return f"The water appears to come out at a {kind} on record."
    away = format_length(row["downstream_m"], show_units)
    return f"A {kind} on record lies about {away} down the water."


def _parcels(row: Row, _: ShowUnits) -> str:
    n = int(row["parcels_crossed"])
    if n == 0:
        return "On its way the water appears to cross no other parcel."
    others = "one other parcel" if n == 1 else f"{n} other parcels"
    return f"On its way the water appears to cross {others}."


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
