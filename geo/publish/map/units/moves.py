"""What changed rank since an earlier assessment, as the columns the staff map carries."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

import pandas as pd

from geo.publish.shared import encode, phrases, words
from layers.outputs.run import Run

CHANGES: Final = ("stayed", "moved", "appeared")
"""What may have become of a unit of the later assessment; a map's ``change`` counts along it."""
_OTHERS: Final = "other units moved"
_MOVED_BY: Final = ["moved_by", "owed_by_before", "owed_by_after"]


@dataclass(frozen=True)
class Earlier:
    """An earlier assessment as a map tells of it.

    Attributes
    ----------
    moves
        As `geo.order.comparison.compare_orders` gives them, the earlier one first.
    run
        The earlier one's run.
    """

    moves: pd.DataFrame
    run: Run


def moves_block(earlier: Earlier, units: pd.DataFrame, parts: Mapping[str, Any]) -> dict[str, Any]:
    """The block ``moves``: what became of each unit, in the order of ``units``.

    ``change`` (position in `CHANGES`), ``places`` nearer the front, ``rank`` and ``class``
    before, ``by`` (what moved it, in words), ``before`` (the earlier day, in words) and
    ``gone``, the ids no longer there.
    """
    moves = earlier.moves.set_index("unit_id")
    own = moves.reindex(units["unit_id"].astype(str))
    place = {name: i for i, name in enumerate(words.CLASSES)}
    change = own["change"].map({name: i for i, name in enumerate(CHANGES)})
    day = earlier.run.as_of
    gone = moves.index[(moves["change"] == "vanished").to_numpy()]
    return {
        "before": words.date(day) if day else "the earlier assessment",
        "change": encode.numbers(change),
        "places": encode.numbers(own["places_up"]),
        "rank": encode.numbers(own["rank_before"]),
        "class": encode.numbers(own["class_before"].map(place)),
        "by": phrases.texts([_by(row, parts) for row in own[_MOVED_BY].itertuples(index=False)]),
        "gone": [str(unit) for unit in gone],
    }


def _by(row: Any, parts: Mapping[str, Any]) -> str | None:
    code = row.moved_by
    if pd.isna(code):
        return _OTHERS
    if code == "owed":
        return _owed(*(None if pd.isna(d) else words.date(d) for d in row[1:]))
    label = (parts.get(str(code)) or {}).get("label") or words.in_words(str(code), {})
    return f"{label[0].lower()}{label[1:]}"


def _owed(before: str | None, after: str | None) -> str:
    if before is None:
        return f"a visit is now due by {after}"
    if after is None:
        return f"the visit due by {before} is no longer due"
    return f"the due date moved from {before} to {after}"
