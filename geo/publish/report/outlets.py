"""Unrecorded discharge points: where they were searched, and how well such a search does."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

import pandas as pd

from geo.publish.shared import words
from geo.publish.shared.visit_words import quadrant
from geo.results.outlet_kinds import (
    GROUP_WORDS,
    KIND_WORDS,
    LEAST_IN_GROUP,
    OUTLET_WORDS,
)
from layers.measures import format_chance, format_length
from layers.store import Assessment

# Units listed: those whose first place is likeliest.
LISTED: Final = 12
_STATES: Final = {
    "found": "possible places found",
    "no_daylight": "no place where a gravity pipe could surface",
    "off_terrain": "lid outside the terrain",
}


def outlets(assessment: Assessment, measures: words.Measures) -> dict[str, Any] | None:
    """What was searched, the likeliest places, shares found, and chances against shares.

    None where no outlet had to be looked for, or there was no terrain to look on.
    """
    shown = assessment.run.outlet_candidates
    if not shown.get("used"):
        return None
    return {
        "sentences": shown.get("sentences", []),
        "learned": bool(shown.get("learned")),
        "counts": _counts(assessment, shown),
        "first": _first(assessment.search.candidates, measures),
        "rows": _rows(shown),
        "bands": [
            (
                f"{100 * b['chance_from']:.0f} to {100 * b['chance_to']:.0f}%",
                *_expected_and_found(b),
            )
            for b in shown.get("reliability", [])
        ]
        + [
            (f"Best place, {KIND_WORDS[b['kind']]}", *_expected_and_found(b))
            for b in shown.get("first_places", [])
        ],
    }


def _counts(assessment: Assessment, shown: Mapping[str, Any]) -> list[tuple[str, int]]:
    """Units by what the search came to, and those with places by what the first is at."""
    rows = [(_STATES[state], int(n)) for state, n in shown.get("by_state", {}).items() if n]
    candidates = assessment.search.candidates
    if len(candidates):
        kinds = candidates.loc[candidates["rank"] == 1, "kind"].value_counts()
        rows += [(f"best place {KIND_WORDS[kind]}", int(n)) for kind, n in kinds.items()]
    return rows


def _first(candidates: pd.DataFrame, measures: words.Measures) -> list[dict[str, Any]]:
    """The units whose first place is likeliest, with it, and how likely one of the first three is.

    Rows of ``unit_id, chance, three, where, at``.
    """
    if not len(candidates):
        return []
    three = candidates[candidates["rank"] <= 3].groupby("unit_id")["chance"].sum()
    firsts = candidates[candidates["rank"] == 1].sort_values(
        ["chance", "unit_id"], ascending=[False, True]
    )
    return [
        {
            "unit_id": row["unit_id"],
            "chance": format_chance(row["chance"]),
            "three": format_chance(three[row["unit_id"]]),
            "where": ", ".join(
                (format_length(row["distance_m"], measures), quadrant(row["bearing_deg"]))
            ),
            "at": KIND_WORDS[row["kind"]],
        }
        for row in firsts.head(LISTED).to_dict("records")
    ]


def _expected_and_found(band: Mapping[str, Any]) -> tuple[int, str, str, str]:
    spread = f"{100 * band['share_low']:.0f} to {100 * band['share_high']:.0f}%"
    return band["places"], _percent(band["told"]), _percent(band["share"]), spread


def _rows(shown: Mapping[str, Any]) -> list[tuple[str, int, list[str]]]:
    """All known outlets, then each group and kind: how many, and the shares found."""
    if "rates" not in shown:
        return []
    rows = [("All", shown["rates"])]
    for names, parts in (
        (GROUP_WORDS, shown["rates_by_group"]), (OUTLET_WORDS, shown["rates_by_kind"]),
    ):  # fmt: skip
        rows += [
            (text[:1].upper() + text[1:], parts[name])
            for name, text in names.items()
            if name in parts and parts[name]["known"] >= LEAST_IN_GROUP
        ]
    return [(text, rates["known"], _shares(rates)) for text, rates in rows]


def _shares(rates: Mapping[str, float]) -> list[str]:
    """Found and told of the first place and the first three, stated weights, the plain guess."""
    cells = []
    for first in (1, 3):
        cells += [_banded(rates, f"candidates_{first}"), _percent(rates[f"told_{first}"])]
    cells += [_percent(rates["stated_1"]), _percent(rates["stated_3"]), _banded(rates, "naive_1")]
    return [*cells, _percent(rates["not_reached"])]


def _banded(rates: Mapping[str, float], name: str) -> str:
    low, high = 100 * rates[f"{name}_low"], 100 * rates[f"{name}_high"]
    return f"{_percent(rates[name])} ({low:.0f} to {high:.0f})"


def _percent(share: float) -> str:
    return f"{100 * share:.0f}%"
