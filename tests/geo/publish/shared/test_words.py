"""Words and measures as people read them."""

from __future__ import annotations

import pandas as pd
import pytest

from geo.publish.shared import field_texts, words
from layers.fields import schemas
from layers.outputs import UNITS, Field
from layers.outputs.units import PROTECTED


def test_feet_and_inches_are_exact() -> None:
    # international foot and inch, 1959: 0.3048 m and 25.4 mm
    assert 15.24 * words.scale("distance", "us").factor == pytest.approx(50, abs=1e-9)
    assert words.small_length(0.0254 * 7, "depth", "us") == "7\u00a0in"
    assert words.depth_steps([0.0254 * 2, 0.3048], "us") == ["2 to 12 in deep", "over 12 in deep"]
    assert words.small_length(0.07, "depth", "si") == "7\u00a0cm"


@pytest.mark.parametrize(
    ("degrees", "text"),
    [(0, "0°, north"), (359.7, "0°, north"), (22.4, "22°, north"), (23, "23°, northeast"),
     (180, "180°, south"), (337.6, "338°, north")],
)  # fmt: skip
def test_bearing(degrees: float, text: str) -> None:
    assert words.bearing(degrees) == text


def test_date_leaves_odd_text_alone() -> None:
    assert words.date("1998-06-01") == "June 1, 1998"
    assert words.date("about 1998") == "about 1998"


def test_every_code_of_the_schemas_has_words() -> None:
    listed = {
        "status": schemas.STATUSES,
        "kind": schemas.UNIT_KINDS,
        "location_basis": schemas.LOCATION_BASES,
        "last_result": schemas.RESULTS,
    }
    for column, codes in listed.items():
        assert set(codes) <= set(UNITS.field(column).codes), column
    assert set(schemas.PLACE_KINDS) <= set(PROTECTED)


def test_return_periods_are_written_out_in_rising_order() -> None:
    columns = ["lid_pond_depth_100yr_m", "lid_pond_depth_25yr_m", "lid_pond_depth_brim_m", "other"]
    there = dict(field_texts.sections(columns))
    assert [field.label for field in there["Standing water"]] == [
        "At the lid, low spot filled to overflow",
        "At the lid, 25-year storm",
        "At the lid, 100-year storm",
    ]


def test_codes_flags_and_unknowns() -> None:
    flag = Field("pumped", "Pumped", "flag")
    assert field_texts.as_words(pd.Series([True, False, None], dtype=object), flag) == [
        "yes",
        "no",
        None,
    ]
    code = Field("kind", "Kind", "code", codes={"a_b": "A or B"})
    assert field_texts.as_words(pd.Series(["a_b", "c_d"]), code) == ["A or B", "c d"]
