"""The appendix's section on who moved since an earlier assessment, from its comparison."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

import pandas as pd

from geo.publish.shared import words

_SHOWN: Final = 15
_OTHER_REASONS: Final = {"owed": "a visit that is due", "others": "other units moved"}
_CHANGES: Final = {"appeared": "new on the list", "vanished": "no longer on the list"}


@dataclass(frozen=True)
class Comparison:
    """A comparison with an earlier assessment.

    Attributes
    ----------
    as_of
        The day of the earlier one.
    moves, summary
        As `geo.order.comparison.compare` and `geo.order.comparison.moves_section` give them.
    """

    as_of: str
    moves: pd.DataFrame
    summary: Mapping[str, Any]


def moves_section(comparison: Comparison, labels: Mapping[str, str]) -> dict[str, Any]:
    """The section's contents: sentences, and the units that moved farthest.

    Parameters
    ----------
    labels
        The words of each part of the score, by name.
    """
    summary, named = comparison.summary, {**labels, **_OTHER_REASONS}
    half, moved_by = summary["median_places"], summary["moved_by"]
    places = "1 rank" if half == 1 else f"{half:,.0f} ranks"
    text = [
        f"{summary['units']:,} units are on both lists.",
        (
            f"{summary['moved']:,} moved, half of them by {places} or fewer."
            f" {summary['into_first']:,} entered the visit-first group and"
            f" {summary['out_of_first']:,} left it."
        ),
    ]
    others = [f"{summary[k]:,} {_CHANGES[k]}" for k in _CHANGES if summary[k]]
    if others:
        text.append(f"{' and '.join(others)}.")
    by = [f"{named.get(k, k)} ({n:,})" for k, n in moved_by.items()]
    if by:
        text.append(f"What moved them most: {', '.join(by)}.")
    moved = comparison.moves[comparison.moves["change"] == "moved"].head(_SHOWN)
    return {
        "since": words.date(comparison.as_of),
        "said": text,
        "rows": [_row(row, named) for row in moved.to_dict("records")],
    }


def _row(row: Mapping[str, Any], named: Mapping[str, str]) -> dict[str, str]:
    was, now = (words.CLASS_WORDS.get(row[f"class_{when}"], "") for when in ("before", "after"))
    by = row["moved_by"] if isinstance(row["moved_by"], str) else "others"
    return {
        "unit": str(row["unit_id"]),
        "places": f"{row['rank_before']} to {row['rank_after']}",
        "class": now if was == now else f"{was} to {now[:1].lower()}{now[1:]}",
        "score": words.change(row["score_change"]).replace("-", "\u2212"),
        "by": named.get(by, by),
    }
