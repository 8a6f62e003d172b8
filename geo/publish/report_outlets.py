"""Outlets nobody knows: where they were looked for, and how well such a search finds others."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from geo.outlet_search.kinds import GROUP_WORDS, KIND_WORDS, LEAST_IN_GROUP, OUTLET_WORDS
from layers.store import Assessment


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
            (f"{100 * b['chance_from']:.0f} to {100 * b['chance_to']:.0f} %", *_told_and_found(b))
            for b in told.get("reliability", [])
        ]
        + [
            (f"First place, {KIND_WORDS[b['kind']]}", *_told_and_found(b))
            for b in told.get("first_places", [])
        ],
    }


def _told_and_found(band: Mapping[str, Any]) -> tuple[int, str, str, str]:
    spread = f"{100 * band['share_low']:.0f} to {100 * band['share_high']:.0f} %"
    return band["places"], _percent(band["told"]), _percent(band["share"]), spread


def _rows(told: Mapping[str, Any]) -> list[tuple[str, int, list[str]]]:
    """All known outlets, then each group and kind: how many, and the shares found."""
    if "rates" not in told:
        return []
    rows = [("All", told["rates"])]
    for words, parts in (
        (GROUP_WORDS, told["rates_by_group"]), (OUTLET_WORDS, told["rates_by_kind"]),
    ):  # fmt: skip
        rows += [
            (said.removeprefix("outlets ").capitalize(), parts[name])
            for name, said in words.items()
            if name in parts and parts[name]["known"] >= LEAST_IN_GROUP
        ]
    return [(words, rates["known"], _shares(rates)) for words, rates in rows]


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
    return f"{100 * share:.0f} %"
