"""What units can be picked by on the map: yes or no for each unit and question."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from geo.publish.map.units.checks import FEATURES, STATES, states_of
from layers.outputs import SETBACK_CHECKS, UNITS
from layers.outputs.units import PROTECTED

BITS: Final = 24
"""Questions that share one column of numbers."""
_ENDS: Final = {
    "stream": "To a stream",
    "water_body": "To a lake or pond",
    "drain": "To a drain",
    "hollow": "Ends in a low spot",
    "edge": "Leaves the mapped terrain",
}
_IN_STORM: Final = "Lid under water in a"


@dataclass(frozen=True)
class Question:
    """What units can be picked by.

    ``key`` names it in the address of a view and stays the same however it is worded; ``years``
    is the storm it asks about, if any.
    """

    key: str
    label: str
    answer: NDArray[np.bool_]
    years: int | None = None


def filters(
    units: pd.DataFrame,
    checks: pd.DataFrame,
    unit_of_check: NDArray[np.int64],
    *,
    as_of: pd.Timestamp | None,
) -> dict[str, Any] | None:
    """Groups of questions that some units answer with yes and some with no.

    Parameters
    ----------
    unit_of_check
        The row of each check's unit, -1 for none.
    as_of
        The day a visit must be before to be overdue; None where it is not on record.

    Returns
    -------
    dict or None
        ``groups``: title and ``options``, each with its ``key`` and ``label``, how many units it
        ``count``s, and the ``column`` and ``bit`` of ``flags`` that answer it; ``storm`` where it
        asks about one: its ``years``, and the ``label`` that leaves them out.
    """
    flags: list[NDArray[np.int64]] = []
    groups = []
    number = 0
    for title, questions in (
        ("Visit due", _due(units, as_of)),
        ("Reason", _reasons(units, checks, unit_of_check)),
        ("Where its discharge goes", _receptors(units)),
    ):
        options = []
        for asked in questions:
            answer = asked.answer
            if answer.any() and not answer.all():
                column, bit = divmod(number, BITS)
                if not bit:
                    flags.append(np.zeros(len(units), np.int64))
                flags[column] |= answer.astype(np.int64) << bit
                option = {"key": asked.key, "label": asked.label, "count": int(answer.sum())}
                option |= {"column": column, "bit": bit}
                if asked.years is not None:
                    option["storm"] = {"years": asked.years, "label": f"{_IN_STORM} storm"}
                options.append(option)
                number += 1
        if options:
            groups.append({"title": title, "options": options})
    return {"groups": groups, "flags": flags} if groups else None


def _due(units: pd.DataFrame, as_of: pd.Timestamp | None) -> Iterator[Question]:
    if as_of is not None:
        by = pd.to_datetime(UNITS.values(units, "must_visit_by"), errors="coerce")
        yield Question("overdue", "Overdue", (by < as_of).to_numpy())
    is_now = UNITS.equals(units, "ranked_by", "owed")
    yield Question("due-now", "Due now", is_now)
    is_later = UNITS.values(units, "why_due").notna().to_numpy() & ~is_now
    yield Question("due-later", "Due later", is_later)


def _reasons(
    units: pd.DataFrame, checks: pd.DataFrame, unit_of_check: NDArray[np.int64]
) -> Iterator[Question]:
    for depth in UNITS.expand("lid_pond_depth_{T}yr_m", units.columns):
        years = depth.years
        wet = UNITS.numbers(units, "lid_wet_return_yr") <= years
        yield Question(f"lid-wet-{years}", f"{_IN_STORM} {years}-year storm", wet, years)
    for state, words in (("unknown", "not located"), ("unconfirmed", "not confirmed")):
        is_so = UNITS.equals(units, "outlet_state", state)
        yield Question(f"discharge-point-{state}", f"Discharge point {words}", is_so)
    yield from _setbacks(len(units), checks, unit_of_check)
    is_in = UNITS.numbers(units, "flood_distance_m") == 0
    yield Question("flood-zone", "In a flood zone", is_in)
    for result, words in (("repair", "Repair needed"), ("danger", "Dangerous condition")):
        is_so = UNITS.equals(units, "last_result", result)
        yield Question(f"last-{result}", f"{words} at last visit", is_so)


def _setbacks(
    units: int, checks: pd.DataFrame, unit_of_check: NDArray[np.int64]
) -> Iterator[Question]:
    """By the results as the panel of a unit shows them."""
    state = states_of(checks)
    for verdict, words in (
        ("short", "appears inside its setback"),
        ("uncertain", "too close to tell"),
        ("not_known", "setback not known"),
    ):
        for feature, name in FEATURES.items():
            answer = np.zeros(units, bool)
            is_of = SETBACK_CHECKS.equals(checks, "feature", feature)
            rows = is_of & (state == list(STATES).index(verdict))
            answer[unit_of_check[rows & (unit_of_check >= 0)]] = True
            label = f"{name[0].upper()}{name[1:]} {words}"
            yield Question(f"{verdict}-{feature}".replace("_", "-"), label, answer)


def _receptors(units: pd.DataFrame) -> Iterator[Question]:
    for code, label in _ENDS.items():
        yield Question(
            f"ends-{code}".replace("_", "-"), label, UNITS.equals(units, "path_end", code)
        )
    for code in ("bathing", "intake"):
        is_so = UNITS.equals(units, "downstream_place_kind", code)
        yield Question(f"down-{code}", f"{PROTECTED[code].capitalize()} downstream", is_so)
