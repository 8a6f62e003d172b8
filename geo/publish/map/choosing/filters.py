"""What units can be picked by on the map: yes or no for each unit and question."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from geo.publish.map.units.checks import FEATURES
from layers.outputs import SETBACK_CHECKS, UNITS
from layers.outputs.units import PROTECTED

BITS: Final = 24
"""Questions that share one column of numbers."""
_ENDS: Final = {
    "stream": "Runs to a stream",
    "water_body": "Runs to a lake or pond",
    "drain": "Runs to a drain",
    "hollow": "Ends in a hollow in the ground",
    "edge": "Leaves the terrain on record",
}
Question = tuple[str, NDArray[np.bool_]]


def filters(
    units: pd.DataFrame, checks: pd.DataFrame, unit_of_check: NDArray[np.int64]
) -> dict[str, Any] | None:
    """Groups of questions that some units answer with yes and some with no.

    Parameters
    ----------
    unit_of_check
        The row of each check's unit, -1 for none.

    Returns
    -------
    dict or None
        ``groups``: title and ``options``, each with its ``label``, how many units it ``count``s,
        and the ``column`` and ``bit`` of ``flags`` that answer it.
    """
    flags: list[NDArray[np.int64]] = []
    groups = []
    number = 0
    for title, questions in (
        ("Visit owed", _owed(units)),
        ("Reason", _reasons(units, checks, unit_of_check)),
        ("Where its water goes", _receptors(units)),
    ):
        options = []
        for label, answer in questions:
            if answer.any() and not answer.all():
                column, bit = divmod(number, BITS)
                if not bit:
                    flags.append(np.zeros(len(units), np.int64))
                flags[column] |= answer.astype(np.int64) << bit
                options.append(
                    {"label": label, "count": int(answer.sum()), "column": column, "bit": bit}
                )
                number += 1
        if options:
            groups.append({"title": title, "options": options})
    return {"groups": groups, "flags": flags} if groups else None


def _owed(units: pd.DataFrame) -> Iterator[Question]:
    is_now = UNITS.equals(units, "ranked_by", "owed")
    yield "Owed now", is_now
    yield "Owed later", UNITS.values(units, "why_due").notna().to_numpy() & ~is_now


def _reasons(
    units: pd.DataFrame, checks: pd.DataFrame, unit_of_check: NDArray[np.int64]
) -> Iterator[Question]:
    for depth in UNITS.expand("lid_pond_depth_{T}yr_m", units.columns):
        years = depth.years
        wet = UNITS.numbers(units, "lid_wet_return_yr") <= years
        yield f"Lid under water in a {years}-year storm", wet
    yield "Discharge point not located", UNITS.equals(units, "outlet_state", "unknown")
    yield "Discharge point only guessed", UNITS.equals(units, "outlet_state", "unconfirmed")
    for verdict, words in (
        ("short", "appears within its setback"),
        ("uncertain", "may be too near"),
        ("not_known", "near or not is not known"),
    ):
        for feature, name in FEATURES.items():
            answer = np.zeros(len(units), bool)
            rows = SETBACK_CHECKS.equals(checks, "feature", feature) & SETBACK_CHECKS.equals(
                checks, "verdict", verdict
            )
            answer[unit_of_check[rows & (unit_of_check >= 0)]] = True
            yield f"{name[0].upper()}{name[1:]} {words}", answer
    yield "In a special flood hazard area", UNITS.numbers(units, "flood_distance_m") == 0
    for result, words in (("repair", "a repair needed"), ("danger", "a danger")):
        yield f"Last visit found {words}", UNITS.equals(units, "last_result", result)


def _receptors(units: pd.DataFrame) -> Iterator[Question]:
    for code, label in _ENDS.items():
        yield label, UNITS.equals(units, "path_end", code)
    for code in ("bathing", "intake"):
        label = f"A {PROTECTED[code]} is down the water"
        yield label, UNITS.equals(units, "downstream_place_kind", code)
