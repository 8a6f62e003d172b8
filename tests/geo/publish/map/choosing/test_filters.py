"""Questions units are picked by answer as their own columns do."""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd

from geo.publish.map.choosing.filters import BITS, filters
from layers.outputs.units import PROTECTED

AS_OF = pd.Timestamp("2026-04-01")


def answers(found: dict[str, Any]) -> dict[str, list[int]]:
    """The rows that each question picks, bit by bit."""
    return {
        option["label"]: [
            row for row, v in enumerate(found["flags"][option["column"]]) if v >> option["bit"] & 1
        ]
        for group in found["groups"]
        for option in group["options"]
    }


def test_each_question_picks_the_units_it_names() -> None:
    units = pd.DataFrame(
        {
            "ranked_by": ["owed", "score", "score", "owed"],
            "why_due": ["a", None, "b", "c"],
            "must_visit_by": pd.to_datetime(["2026-03-31", None, "2026-12-01", "2026-04-01"]),
            "lid_wet_return_yr": [np.nan, 10.0, 2.0, np.nan],
            "lid_pond_depth_2yr_m": 0.0,
            "lid_pond_depth_10yr_m": 0.0,
            "outlet_state": ["unknown", "known", "unconfirmed", "known"],
            "flood_distance_m": [0.0, 4.0, np.nan, np.nan],
            "path_end": ["stream", None, "drain", None],
            "downstream_place_kind": [None, "bathing", None, None],
            "last_result": ["danger", "good", "repair", "good"],
        }
    )
    checks = pd.DataFrame(
        {
            "feature": ["wells", "wells", "streams"],
            "verdict": ["short", "uncertain", "clear"],
            "distance_m": 20.0,
        }
    )
    found = filters(units, checks, np.array([2, -1, 0]), as_of=AS_OF)
    assert found is not None
    assert [group["title"] for group in found["groups"]] == [
        "Visit due", "Reason", "Where its discharge goes",
    ]  # fmt: skip
    assert answers(found) == {
        "Overdue": [0],
        "Due now": [0, 3],
        "Due later": [2],
        "Lid under water in a 2-year storm": [2],
        "Lid under water in a 10-year storm": [1, 2],
        "Discharge point not located": [0],
        "Discharge point not confirmed": [2],
        "Well appears inside its setback": [2],
        "In a flood zone": [0],
        "Repair needed at last visit": [2],
        "Dangerous condition at last visit": [0],
        "To a stream": [0],
        "To a drain": [2],
        f"{PROTECTED['bathing'].capitalize()} downstream": [1],
    }
    options = [option for group in found["groups"] for option in group["options"]]
    keys = [option["key"] for option in options]
    assert keys == [
        "overdue", "due-now", "due-later", "lid-wet-2", "lid-wet-10", "discharge-point-unknown",
        "discharge-point-unconfirmed", "short-wells", "flood-zone", "last-repair", "last-danger",
        "ends-stream", "ends-drain", "down-bathing",
    ]  # fmt: skip
    assert [option["storm"]["years"] for option in options if "storm" in option] == [2, 10]
    for group in found["groups"]:
        for option in group["options"]:
            assert option["count"] == len(answers(found)[option["label"]])
            assert option["bit"] < BITS


def test_a_setback_with_no_distance_is_not_known_as_in_the_panel() -> None:
    units = pd.DataFrame({"unit_id": ["A", "B"]})
    checks = pd.DataFrame(
        {"feature": "wells", "verdict": "uncertain", "distance_m": [20.0, np.nan]}
    )
    found = filters(units, checks, np.array([0, 1]), as_of=AS_OF)
    assert found is not None
    assert answers(found) == {"Well too close to tell": [0], "Well setback not known": [1]}


def test_what_all_or_none_answer_with_yes_is_no_choice() -> None:
    units = pd.DataFrame({"outlet_state": ["unknown"] * 3, "path_end": ["edge", None, "edge"]})
    found = filters(units, pd.DataFrame(), np.empty(0, np.int64), as_of=AS_OF)
    assert found is not None
    assert list(answers(found)) == ["Leaves the mapped terrain"]
    bare = units[["outlet_state"]]
    assert filters(bare, gpd.GeoDataFrame(), np.empty(0, np.int64), as_of=None) is None
