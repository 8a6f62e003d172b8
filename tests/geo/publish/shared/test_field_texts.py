"""What a unit owes, as the panel of the map tells it."""

import dataclasses
from collections.abc import Callable
from typing import Any

import pandas as pd

from geo.publish.map.contents import contents
from geo.publish.shared.field_texts import as_words, sections
from layers.outputs import UNITS
from layers.store import Assessment


def test_what_is_owed_is_told_in_whole_sentences_with_its_day():
    why = "Its permit ends on May 2, 2026. | The visit of May 1, 2025 found something to repair."
    units = pd.DataFrame(
        {
            "why_due": [why, None],
            "must_visit_by": pd.to_datetime(["2026-05-02", None]).astype("datetime64[ms]"),
        }
    )
    (fields,) = [there for _, there in sections(units.columns) if there]
    stated = {field.label: as_words(units[field.name], field) for field in fields}
    assert stated == {
        "Reason due": [why.replace(" | ", " "), None],
        "Due by": ["May 2, 2026", None],
    }


def test_a_chance_that_no_run_met_is_not_said_as_nought(
    assessment: Assessment, undo_details: Callable[..., Any]
) -> None:
    chances = [0.0, 0.05, 1.0, None]
    units = assessment.units.assign(
        lid_depression_probability=[chances[i % 4] for i in range(len(assessment.units))]
    )
    held = contents(dataclasses.replace(assessment, units=units))
    (field,) = (
        field
        for section in undo_details(held.blocks)["sections"]
        for field in section["fields"]
        if field["column"] == "lid_depression_probability"
    )
    shown = [None if at is None else field["words"][at] for at in field["at"][:4]]
    none = UNITS.field("lid_depression_probability").shown.zero
    assert shown == [none, "about 1 in 10", "more than 19 in 20", None]


def test_a_stretch_of_time_is_said_in_months_and_years() -> None:
    days = UNITS.field("days_since_inspection")
    assert as_words(pd.Series([20.0, 614.0, 1220.0, None]), days) == [
        "20 days", "20 months", "3 years 4 months", None,
    ]  # fmt: skip
