"""How well such a search finds the outlets on record, as plain data and in words."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from geo.outlets.calibration import TERMS
from geo.outlets.learning import (
    FOUND_WITHIN_M,
    GROUPS,
    NAMES,
    KnownOutlet,
    Weights,
)
from geo.outlets.trial import Trial, share_band
from geo.results.outlet_kinds import GROUP_WORDS, KIND_WORDS, LEAST_IN_GROUP, OUTLET_WORDS
from layers.measures import ShowUnits, format_area, format_length
from layers.settings.county_file import OutletSection

# An outlet no farther outside the area than its own place is known does not count as outside.
_OUTSIDE_M = 3.0


def worth(
    known: Sequence[KnownOutlet],
    trial: Trial | None,
    weights: Weights,
    areas: Sequence[Mapping[str, Any]],
    settings: OutletSection,
    *,
    learned: bool,
    show_units: ShowUnits,
) -> dict[str, Any]:
    """What is known of a search's worth: counts, shares found, chances told, and sentences."""
    states = pd.Series([row["state"] for row in areas]).value_counts()
    section: dict[str, Any] = {
        "used": True,
        "searched": len(areas),
        "by_state": {state: int(n) for state, n in sorted(states.items())},
        "known": len(known),
        "least_known": settings.least_known,
        "learned": learned,
        "found_within_m": FOUND_WITHIN_M,
        "settings": settings.model_dump(mode="json"),
        "weights": {
            group: dict(zip(NAMES, weights.by_group[group].round(4).tolist(), strict=True))
            for group in (GROUPS if learned else GROUPS[:1])
        },
        "calibration": dict(zip(TERMS, weights.calibration.round(4).tolist(), strict=True)),
    }
    if trial is not None:
        section |= {
            "rates": _rates(trial.found),
            "rates_by_group": {
                str(name): _rates(rows) for name, rows in trial.found.groupby("group")
            },
            "rates_by_kind": {
                str(name): _rates(rows) for name, rows in trial.found.groupby("kind")
            },
            "first_places": trial.first_places.round(4).to_dict("records"),
            "reliability": trial.reliability.round(4).to_dict("records"),
        }
    section["sentences"] = _sentences(section, show_units)
    return section


def _rates(found: pd.DataFrame) -> dict[str, Any]:
    """Shares of held-out outlets found, by how many places were looked at and how these were named.

    With the chances told beside, how far off the first were, and what was out of reach.
    """
    rates: dict[str, Any] = {"known": len(found)}
    for name, column, first in (
        ("candidates_1", "place", 1), ("candidates_3", "place", 3),
        ("stated_1", "by_stated", 1), ("stated_3", "by_stated", 3), ("naive_1", "by_naive", 1),
    ):  # fmt: skip
        hits = int(found[column].between(1, first).sum())
        rates[name] = hits / len(found)
        rates[f"{name}_low"], rates[f"{name}_high"] = share_band(hits, len(found))
    rates |= {
        "told_1": float(found["told_1"].mean()),
        "told_3": float(found["told_3"].mean()),
        "median_off_m": _median(found["off_m"]),
        "naive_median_off_m": _median(found["naive_off_m"]),
        "outside_area": float((found["off_area_m"] > _OUTSIDE_M).mean()),
        "far_outside_area": float((found["off_area_m"] > FOUND_WITHIN_M).mean()),
        "not_reached": float((~found["reached"].astype(bool)).mean()),
    }
    return {name: round(v, 4) if isinstance(v, float) else v for name, v in rates.items()}


def _median(values: pd.Series) -> float | None:
    """Of all; no place named is farther than any."""
    middle = float(values.fillna(np.inf).median())
    return middle if np.isfinite(middle) else None


def _sentences(section: Mapping[str, Any], show_units: ShowUnits) -> list[str]:
    """The search and its worth in words, for a report."""
    settings = section["settings"]
    fall = f"1 in {1 / settings['least_fall']:.0f}" if settings["least_fall"] else "nothing"
    reach, buried = (
        format_length(settings[name], show_units) for name in ("longest_m", "burial_m")
    )
    beyond = format_length(settings["beyond_parcel_m"], show_units)
    draw = format_area(settings["draw_m2"], show_units)
    text = [
        (
            f"Places to look are listed for {_many(section['searched'], 'unit')} with no confirmed"
            f" discharge point. A pipe is taken to leave {buried} underground, fall at least"
            f" {fall} and end within {reach}. It ends on the parcel, or up to {beyond} beyond it at"
            f" a stream, ditch, drain, road side or swale that drains {draw} or more. Pumped units"
            " are not limited by fall."
        )
    ]
    if section["by_state"].get("no_daylight"):
        text.append(
            f"For {section['by_state']['no_daylight']:,} of them no such place is found. The pipe"
            " may be pumped, longer, or off the mapped terrain."
        )
    known, within = section["known"], format_length(section["found_within_m"], show_units)
    if "rates" not in section:
        text.append(
            "No discharge point is on record to learn from or to test this on. Chances use stated"
            " weights that have no published source."
        )
        return text
    rates = section["rates"]
    if section["learned"]:
        text.append(
            f"The chances were learned from {known:,} discharge points on record, each then hidden"
            f" and searched for. {rates['candidates_1']:.0%} were within {within} of the first"
            f" place listed, and {rates['candidates_3']:.0%} within {within} of one of the first"
            f" three. The simple guess, straight downhill to the parcel line, finds"
            f" {rates['naive_1']:.0%}. {_half_of(rates, show_units)}"
        )
        text.append(
            f"{rates['outside_area']:.0%} of them are outside the area searched"
            f" ({rates['far_outside_area']:.0%} by more than {within})."
            f" {rates['not_reached']:.0%} are more than {within} from any place searched and could"
            " not be found."
        )
        text.append(
            "Chances are corrected by how often such places held a hidden discharge point. The"
            " results below are from discharge points used for neither."
        )
        text += _worst(section) + _misjudged(section)
        text.append(
            "These results are for discharge points that were found and recorded. Unrecorded ones"
            " may be in harder places."
        )
    else:
        text.append(
            f"Only {known:,} discharge points are on record; learning needs"
            f" {section['least_known']:,}. Chances use stated weights that have no published"
            f" source. {rates['candidates_1']:.0%} of those on record are within {within} of the"
            f" first place listed, and {rates['naive_1']:.0%} of the simple guess."
        )
    return text


def _half_of(rates: Mapping[str, Any], show_units: ShowUnits) -> str:
    """How far off half of the held-out outlets are from the first place, and from the guess."""
    near, plain = rates["median_off_m"], rates["naive_median_off_m"]
    if near is None or plain is None:
        return ""
    return (
        f"Half are within {format_length(near, show_units)} of the first place, and within"
        f" {format_length(plain, show_units)} of the simple guess."
    )


def _worst(section: Mapping[str, Any]) -> list[str]:
    """Groups and kinds found clearly less often than all are."""
    usual = section["rates"]["candidates_3"]
    parts = [
        (words[name], rates)
        for words, key in ((GROUP_WORDS, "rates_by_group"), (OUTLET_WORDS, "rates_by_kind"))
        for name, rates in section[key].items()
        if name in words and rates["known"] >= LEAST_IN_GROUP
    ]
    worse = [
        f"{words} ({rates['candidates_3']:.0%} of {rates['known']:,})"
        for words, rates in parts
        if rates["candidates_3_high"] < usual
    ]
    if not worse:
        return []
    return [f"The first three places find clearly fewer of these: {'; '.join(worse)}."]


def _misjudged(section: Mapping[str, Any]) -> list[str]:
    """First places whose chances are told too high or too low, by what they are at."""
    return [
        f"For first places {KIND_WORDS[row['kind']]}, the chances shown are too"
        f" {'high' if row['told'] > row['share'] else 'low'}: {row['told']:.0%} shown,"
        f" {row['share']:.0%} of {row['places']:,} found."
        for row in section["first_places"]
        if row["places"] >= LEAST_IN_GROUP
        and not row["share_low"] <= row["told"] <= row["share_high"]
    ]


def _many(count: int, word: str) -> str:
    return f"{count:,} {word}" if count == 1 else f"{count:,} {word}s"
