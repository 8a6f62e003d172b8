"""Outlets nobody knows: where they were looked for, and how well such a search finds others."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from layers.store import Assessment

# Fewer outlets than this say too little for a row of their own.
_LEAST_IN_GROUP: Final = 10
_GROUPS: Final = {
    "well_placed": "Lids placed within 50 ft, by gravity",
    "poorly_placed": "Lids placed no better than that, by gravity",
    "pumped": "Pumped units",
}


def outlets(assessment: Assessment) -> dict[str, Any] | None:
    """What was searched, the shares found by way of naming places, and chances against shares.

    None where no outlet had to be looked for, or there was no terrain to look on.
    """
    told = assessment.run.get("outlet_candidates") or {}
    if not told.get("used"):
        return None
    return {
        "sentences": told.get("sentences", []),
        "learned": bool(told.get("learned")),
        "rows": _rows(told),
        "bands": [
            (
                f"{100 * band['chance_from']:.0f} to {100 * band['chance_to']:.0f} %",
                band["places"],
                f"{100 * band['told']:.0f} %",
                f"{100 * band['share']:.0f} %",
                f"{100 * band['share_low']:.0f} to {100 * band['share_high']:.0f} %",
            )
            for band in told.get("reliability", [])
        ],
    }


def _rows(told: Mapping[str, Any]) -> list[tuple[str, int, list[str]]]:
    """All known outlets, then each group: how many, and the shares found."""
    if "rates" not in told:
        return []
    rows = [("All", told["known"], told["rates"])]
    groups = told.get("rates_by_group") or {}
    rows += [
        (words, groups[name]["known"], groups[name])
        for name, words in _GROUPS.items()
        if groups.get(name, {}).get("known", 0) >= _LEAST_IN_GROUP
    ]
    keys = ("candidates_1", "candidates_3", "stated_1", "stated_3", "naive_1")
    return [(words, n, [f"{100 * rates[key]:.0f} %" for key in keys]) for words, n, rates in rows]
