"""Which facts raise a unit's rank above that of a typical unit, and what is not known of it.

What a fact says is worded in `geo.order.reason_sentences`; here it is chosen, by numbers and codes.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from geo.order.priorities import is_lacking, is_scored, rate, rate_part
from geo.order.reason_sentences import SENTENCES, SPEAKS_OF_NOTHING, if_blocked
from geo.ponds.ponding import COARSE_M
from geo.setbacks.sentences import Sentence, setbacks_to_show
from layers.measures import ShowUnits, format_length
from layers.outputs import UNITS
from layers.outputs.field import NOT_KNOWN
from layers.settings.priority_settings import Priorities, PriorityPart

AT_MOST: Final = 4
# At most so many of them on what is due, and on setbacks.
ON_WHAT_IS_DUE: Final = 2
ON_SETBACKS: Final = 3
# A part speaks when what it gives above a typical unit is at least this share of the score.
# Common practice, no source.
LEAST_LIFT: Final = 0.02

Row = Mapping[str, Any]

SMALL_FACTORS: Final = "Several smaller factors add up."
NOTHING_URGENT: Final = "Nothing on record makes this visit urgent."
SEWERED: Final = (
    "The unit is on record as connected to the public sewer. Confirm that the tank was closed."
)
# What a setback sentence on this place and feature says: columns, and the end of the path.
_SAID_BY: Final = {
    ("discharge point", "wells"): {"well_distance_m"},
    ("lid", "wells"): {"lid_well_distance_m"},
    ("lid", "floodplain"): {"flood_distance_m", "flood_depth_m"},
    ("lid", "protected_places"): {"place_distance_m"},
    ("discharge point", "streams"): {"stream_distance_m", "stream"},
    ("discharge point", "water_bodies"): {"water_body"},
    ("discharge point", "drains"): {"drain"},
}
NOT_ON_RECORD: Final = "not on record"
# What makes columns straight from the records: what is not known of them is not on record.
_RECORDS: Final = frozenset(
    {"geo.programme.history.history_columns", "layers.reading.reading.read_county"}
)
# What is due because of the last visit, or because there was none, has spoken of it.
_SAID_BY_DUE: Final = {
    "reinspection": {"last_result", "days_since_inspection"},
    "follow_up": {"last_result", "days_since_inspection"},
    "interval": {"days_since_inspection"},
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
        where it holds ``NAME_sd`` the distance NAME is given with its spread.
    setback_checks
        As `geo.setbacks.setback_checks` gives them.
    show_units
        Feet and inches, or meters, in the sentences.
    more_gaps
        By unit, what else is not known of it: a visit without a day, a place in doubt.

    Notes
    -----
    What is due speaks first where it decides the rank, then setbacks, then the parts that lift the
    score most above what a typical unit of the county has of them: the mean over the units that
    carry a score (`lifts`). A part at or below that is no reason, nor is a value that speaks for
    the unit. A part whose every input is unknown is among the gaps, and so is each single input
    that weighs and is not known.
    """
    setbacks = setbacks_to_show(setback_checks, show_units)
    lacking = _lacking(table, priorities)
    lifting = _lifting(table, priorities)
    is_high = _is_high(table, priorities)
    reasons, gaps = [], []
    rows = table.to_dict("records")
    for row, names, high, lacks in zip(rows, lifting, is_high, lacking, strict=True):
        checks = setbacks.get(row["unit_id"], [])
        text = _reasons(row, checks, [(n, priorities.parts[n]) for n in names], show_units)
        if not text:
            text = [SMALL_FACTORS if high else NOTHING_URGENT]
        blocked = if_blocked(row, show_units)
        text = [*text[: AT_MOST - bool(blocked)], blocked] if blocked else text[:AT_MOST]
        reasons.append(text)
        lacks += (more_gaps or {}).get(row["unit_id"], [])
        gaps.append([*lacks, *_gaps(row, show_units)])
    return pd.DataFrame({"reasons": reasons, "data_gaps": gaps}, index=table.index)


def lifts(table: pd.DataFrame, priorities: Priorities) -> dict[str, NDArray[np.float64]]:
    """By part: the points of the score each row has of it above what a typical unit has.

    A typical unit has the mean rating of the part over the units that carry a score; the points
    are those of this row, with that rating in place of its own, taken from its own.
    """
    scored = is_scored(table, priorities)
    found = {}
    for name, part in priorities.parts.items():
        rating = rate_part(table, part)[0]
        typical = float(rating[scored].mean()) if scored.any() else 0.0
        other = table["harm" if part.axis == "likelihood" else "likelihood"].to_numpy(float)
        found[name] = np.where(scored, 50 * part.weight * (rating - typical) * other, 0.0)
    return found


def _lifting(table: pd.DataFrame, priorities: Priorities) -> list[list[str]]:
    """For each row the parts that lift it above a typical unit, the largest lift first."""
    found = lifts(table, priorities)
    names = sorted(found)
    lift = np.array([found[name] for name in names]).reshape(len(names), len(table))
    order = np.argsort(-lift, axis=0, kind="stable")
    least = LEAST_LIFT * table["score"].to_numpy(float)
    speaks = (lift >= least) & (lift > 0)
    return [[names[k] for k in order[:, row] if speaks[k, row]] for row in range(len(table))]


def _is_high(table: pd.DataFrame, priorities: Priorities) -> NDArray[np.bool_]:
    """Which rows score above the mean of the county."""
    scored = is_scored(table, priorities)
    score = table["score"].to_numpy(float)
    return score > (score[scored].mean() if scored.any() else 0.0)


def _reasons(
    row: Row,
    checks: list[Sentence],
    parts: list[tuple[str, PriorityPart]],
    show_units: ShowUnits,
) -> list[str]:
    """What is due, setbacks, then the parts that lift the rank; nothing is said twice."""
    said = set().union(*(_SAID_BY.get(check.subject, set()) for check in checks[:ON_SETBACKS]))
    text: list[str] = []
    if row.get("ranked_by") == "owed":
        text = row["why_due"][:ON_WHAT_IS_DUE]
        said = said.union(*(_SAID_BY_DUE.get(e, set()) for e in row["owed_for"][:ON_WHAT_IS_DUE]))
    text = [*text, *(check.sentence for check in checks[:ON_SETBACKS])]
    if row["score"] > 0:
        text += _sentences(row, parts, show_units, said)
    elif row.get("status") == "sewered":
        text.append(SEWERED)
    return list(dict.fromkeys(text))


def _sentences(
    row: Row, parts: list[tuple[str, PriorityPart]], show_units: ShowUnits, said: set[str]
) -> Iterator[str]:
    """What the parts say that lift the rank; columns already ``said`` are not said again."""
    for name, part in parts:
        column = row[f"deciding_{name}"]
        if not isinstance(column, str):
            column = part.inputs[0].column
            if column not in SPEAKS_OF_NOTHING:
                continue
        if column in said or (column == "path_length_m" and row["path_end"] in said):
            continue
        sentence = SENTENCES.get(column)
        text = sentence(row, show_units) if sentence else _plainly(row, column, part, show_units)
        if text:
            yield text


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

    What is not known for want of the discharge point is said by that alone.
    """
    text: list[list[str]] = [[] for _ in range(len(table))]
    lost = UNITS.equals(table, "outlet_state", "unknown")
    for part in priorities.parts.values():
        ratings = {item.column: rate(table, item) for item in part.inputs}
        lacks = {i.column: is_lacking(table, i, ratings[i.column]) for i in part.inputs}
        nothing = np.isnan(list(ratings.values())).all(axis=0)
        made_by = {UNITS.field(column).made_by for column in ratings}
        words = NOT_ON_RECORD if made_by <= _RECORDS else NOT_KNOWN
        for row in np.flatnonzero(nothing):
            text[row].append(f"{part.label}: {words}")
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
        gaps.append("Discharge point: not on record")
    if row.get("outlet_state") == "unconfirmed":
        gaps.append("Discharge point: matched by guess, not confirmed as this unit's")
    if pd.isna(row.get("riser_height_m")):
        gaps.append("Riser height: not on record, so ponding is measured from ground level")
    for place, what in (("", "the lid"), ("outlet_", "the discharge point")):
        if row.get(f"{place}flood_hazard") == "special" and pd.isna(
            row.get(f"{place}flood_depth_m")
        ):
            gaps.append(f"Base flood: its depth at {what} is not on record")
    accuracy = row.get("accuracy95_m")
    if accuracy is not None and accuracy > COARSE_M:
        gaps.append(f"Position: give or take {format_length(accuracy, show_units)}")
    return gaps
