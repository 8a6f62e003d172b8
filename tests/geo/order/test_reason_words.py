"""Reasons read as text: every unit of the invented county, and units made by hypothesis.

What is looked for is what a homeowner, a lawyer and a reader of numbers would stumble over.
"""

import re
from importlib.resources import files
from pathlib import Path

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geo.order.priorities import prioritize
from geo.order.reasons import AT_MOST, add_reasons
from geo.setbacks.sentences import format_spread, setback_sentence
from layers.fields.schemas import SCHEMAS
from layers.outputs.field import sentences_of
from layers.settings.priority_settings import Priorities, load_priorities
from support.quiet_units import QUIET

# Words of courts, of blame, of certainty, and of those who made the program.
FORBIDDEN = (
    "violat|illegal|unlawful|guilt|fault|blame|negligen|offen|culprit|suspect|non-?complian|fail"
    "|breach|infring|penalt|fine[ds]?|illicit|pollut|contaminat|culpab|wrongdo|accus|definitely"
    "|certainly|proven|proves|obviously|clearly|must|should|score|rating|weight|likelihood"
    "|percentile|algorithm|dataframe|boolean|geometry|raster|pixel|polygon|centroid|euclid|buffer"
)
BAD = re.compile(rf"\b({FORBIDDEN})", re.IGNORECASE)
SENTINEL = re.compile(r"\b(nan|NaN|None|NaT|null|inf|True|False|unknown)\b|<NA>|-9999|[_{}\[\]]")
LONGEST = 330
MOST_WORDS = 23  # the longest holds a distance, its spread and a doubt on whose point it is
NUMBER = re.compile(r"(?<![\w.])\d[\d,]*(?:\.\d+)?")


def check_sentence(text, show_units):
    assert text.endswith("."), text
    assert not text.endswith(".."), text
    assert text[0].isupper(), text
    assert len(text) <= LONGEST, text
    assert not BAD.search(text), text
    assert not SENTINEL.search(text), text
    assert "±" not in text, text
    for sentence in re.split(r"(?<=\.) (?=[A-Z0-9])", text):
        assert len(sentence.split()) <= MOST_WORDS, sentence
    assert "  " not in text, text
    assert " ." not in text, text
    assert " ," not in text, text
    for number in NUMBER.findall(text):
        whole, _, decimals = number.partition(".")
        assert len(decimals) <= 1, text
        assert len(whole.replace(",", "")) < 7, text
    assert not re.search(r"(?<![\d.,])0 (ft|in|m|cm|mi|km|years?|days?|months?)\b", text), text
    assert not re.search(r"(?<![\d.])1 (years|days|months|parcels|visits)\b", text), text
    other = r"\d (m|cm|km)\b" if show_units == "us" else r"\d (ft|mi)\b|\d in\b(?! \d)"
    assert not re.search(other, text), text


# --------------------------------------------------------------------------- the whole county


@pytest.mark.parametrize("column", ["reasons", "why_due"])
def test_every_sentence_of_the_county_is_fit_to_be_read(larkmoor_result, column):
    shown = larkmoor_result.units[column].dropna()
    sentences = {s for text in shown for s in sentences_of(text)}
    assert len(sentences) > 100
    for sentence in sentences:
        check_sentence(sentence, "us")


def test_every_unit_has_a_reason_and_none_is_said_twice(larkmoor_result):
    for text in larkmoor_result.units["reasons"]:
        wording = sentences_of(text)
        assert 1 <= len(wording) <= AT_MOST
        assert len(set(wording)) == len(wording)


def test_gaps_name_what_is_not_known_without_codes(larkmoor_result):
    for text in larkmoor_result.units["data_gaps"]:
        for gap in sentences_of(text):
            assert re.match(r"[A-Z].*: .+[^.]$", gap)
            assert not re.search(r"\bnan\b|_|<NA>", gap)
            assert not BAD.search(gap)


def test_a_distance_is_never_said_finer_or_surer_than_it_is(larkmoor_result):
    """A distance known no better than itself is only mapped; above 100 ft both are to 10 ft."""
    shown = " ".join(larkmoor_result.units["reasons"])
    pairs = re.findall(
        r"(appears to be|is mapped) ([\d,]+) ft [a-z' ]+, give or take ([\d,]+) ft", shown
    )
    assert {word for word, *_ in pairs} == {"appears to be", "is mapped"}
    for word, *lengths in pairs:
        distance, spread = (int(v.replace(",", "")) for v in lengths)
        assert word == ("is mapped" if spread > distance else "appears to be") or spread == distance
        assert spread <= 100 or spread % 10 == 0


# ------------------------------------------------------------------------ units made up at random

PRIORITIES = load_priorities(Path(str(files("layers.settings.templates") / "priorities.toml")))
meters = st.one_of(st.none(), st.just(0.0), st.floats(0, 3), st.floats(0, 5000))
depths = st.one_of(st.none(), st.just(0.0), st.floats(0, 4))
chances = st.one_of(st.none(), st.sampled_from([0.0, 1.0]), st.floats(0, 1))
years = st.sampled_from([None, 2.0, 10.0, 100.0])


def words_of(layer, column):
    codes = next(c for c in SCHEMAS[layer].columns if c.name == column).codes
    return st.sampled_from([*codes, "unknown"])


@st.composite
def unit_rows(draw):
    """One unit: each column present or not, each value known or not, as `assess` might give it."""
    wet = draw(st.sampled_from(["wet", "at_or_below_smallest", "dry_in_all", "unknown"]))
    outlet_wet = draw(st.sampled_from(["wet", "at_or_below_smallest", "dry_in_all", "unknown"]))
    lid_year, outlet_year = (
        {"wet": 10.0, "at_or_below_smallest": 2.0}.get(state) for state in (wet, outlet_wet)
    )
    end = draw(st.sampled_from([None, "stream", "water_body", "drain", "hollow", "edge"]))
    row = {
        "unit_id": "U1",
        "status": draw(st.sampled_from(["active", "vacant", "sewered", "unknown"])),
        "last_result": draw(st.sampled_from(["good", "minor", "repair", "danger", "unknown"])),
        "days_since_inspection": draw(st.one_of(st.none(), st.integers(0, 20_000))),
        "age_years": draw(st.one_of(st.none(), st.floats(0, 90))),
        "outlet_state": draw(st.sampled_from(["known", "unconfirmed", "unknown", "not_expected"])),
        "riser_height_m": draw(depths),
        "accuracy95_m": draw(st.one_of(st.none(), st.floats(0.05, 500))),
        "lid_wet_state": wet,
        "lid_wet_return_yr": lid_year,
        "lid_wet_return_blocked_yr": draw(years),
        "lid_pond_depth_2yr_m": draw(st.floats(0.001, 3)),
        "lid_pond_depth_10yr_m": draw(st.floats(0.001, 3)),
        "lid_wet_2yr_probability": draw(chances),
        "lid_wet_10yr_probability": draw(chances),
        "lid_wet_annual_probability": draw(chances),
        "lid_pond_depth_brim_m": draw(depths),
        "outlet_wet_state": outlet_wet,
        "outlet_wet_return_yr": outlet_year,
        "outlet_pond_depth_brim_m": draw(depths),
        "flood_zone": draw(st.sampled_from([None, "AE", "A"])),
        "flood_distance_m": draw(meters),
        "flood_distance_m_sd": draw(st.one_of(st.none(), st.floats(0, 80))),
        "flood_depth_m": draw(depths),
        "flood_hazard": draw(
            st.sampled_from([None, "moderate", "levee", "undetermined", "unspecified", "minimal"])
        ),
        "hand_m": draw(depths),
        "well_distance_m": draw(meters),
        "well_distance_u95_m": draw(st.one_of(st.none(), st.floats(0, 300))),
        "lid_well_distance_m": draw(meters),
        "lid_well_distance_m_sd": draw(st.one_of(st.none(), st.floats(0, 150))),
        "path_end": end,
        "path_length_m": draw(meters) if end else None,
        "stream_distance_m": draw(meters),
        "stream_distance_m_sd": draw(st.one_of(st.none(), st.floats(0, 30))),
        "place_kind": draw(st.sampled_from([None, "bathing", "intake", "school", "other"])),
        "place_distance_m": draw(meters),
        "downstream_place_kind": draw(st.sampled_from(["bathing", "intake"])),
        "downstream_m": draw(meters),
        "parcels_crossed": draw(st.one_of(st.none(), st.integers(0, 40))),
        "trouble_chance": draw(chances),
        "trouble_chance_county": draw(st.floats(0, 1)),
        "trouble_group": "surface discharge, 20 to 30 years, last found in order",
        "ranked_by": "score",
        "why_due": None,
    }
    kept = draw(st.sets(st.sampled_from(sorted(OPTIONAL)), max_size=8))
    return {name: value for name, value in row.items() if name not in kept}


# Columns a county may lack; those that come together go together.
OPTIONAL = {
    "last_result", "age_years", "riser_height_m", "accuracy95_m", "lid_wet_2yr_probability",
    "lid_wet_10yr_probability", "lid_wet_annual_probability", "lid_pond_depth_brim_m",
    "flood_distance_m", "flood_distance_m_sd", "flood_zone", "flood_depth_m", "flood_hazard",
    "hand_m", "well_distance_m", "well_distance_u95_m", "lid_well_distance_m",
    "lid_well_distance_m_sd", "stream_distance_m", "stream_distance_m_sd", "place_distance_m",
    "downstream_m", "parcels_crossed", "trouble_chance", "lid_wet_return_blocked_yr",
}  # fmt: skip
NO_CHECKS = pd.DataFrame(columns=["unit_id", "in_force", "verdict", "distance_m", "settled_by"])


def reasons_of(row, priorities, show_units, quiet=QUIET):
    """Of a unit in a county whose others are as good as can be."""
    table = pd.DataFrame([row, *(quiet | {"unit_id": f"Q{k}"} for k in range(20))])
    numbers = [n for n in table if n.endswith(("_m", "_sd", "_yr", "_years", "probability"))]
    table[numbers] = table[numbers].astype(float)
    used = priorities.for_columns(row)
    table = pd.concat([prioritize(table, used), table.drop(columns="ranked_by")], axis=1)
    table["ranked_by"] = "score"
    got = add_reasons(table, NO_CHECKS, used, show_units=show_units).iloc[0]
    return got["reasons"]


@given(unit_rows(), st.sampled_from(["us", "si"]))
@settings(max_examples=20, deadline=None)
def test_made_up_units_are_told_of_in_whole_sentences(row, show_units):
    for sentence in reasons_of(row, PRIORITIES, show_units):
        check_sentence(sentence, show_units)


def every_input_alone():
    """The same parts with one input each, so that each column decides at some time."""
    for name, part in PRIORITIES.parts.items():
        for item in part.inputs:
            yield name, item


@pytest.mark.parametrize(("name", "item"), list(every_input_alone()), ids=lambda v: str(v)[:40])
@given(row=unit_rows(), show_units=st.sampled_from(["us", "si"]))
@settings(max_examples=4, deadline=None)
def test_each_column_that_decides_alone_is_told_in_a_whole_sentence(name, item, row, show_units):
    """With ratings that never are 0, every value speaks, the harmless ones too."""
    part = PRIORITIES.parts[name]
    rated = (
        {"curve": [(x, max(y, 0.3)) for x, y in item.curve]}
        if item.curve
        else {"ratings": {word: max(y, 0.3) for word, y in item.ratings.items()}}
    )
    loud = part.model_copy(
        update={
            "of": [item.model_copy(update=rated | {"unless": ""})],
            "column": "",
            "weight": 1.0,
            "optional": False,
        }
    )
    other = "harm" if part.axis == "likelihood" else "likelihood"
    quiet = next(p for p in PRIORITIES.parts.values() if p.axis == other and not p.optional)
    parts = {name: loud, "other": quiet.model_copy(update={"weight": 1.0})}
    priorities = Priorities.model_validate({"parts": {n: p.model_dump() for n, p in parts.items()}})
    for sentence in reasons_of(row, priorities, show_units):
        check_sentence(sentence, show_units)


def test_a_part_of_the_countys_own_making_is_rounded():
    part = {
        "axis": "likelihood", "label": "Bedrooms above design", "weight": 1.0,
        "column": "bedrooms", "unit": "rooms", "curve": [[0, 0.2], [4, 1.0]],
        "unknown": 0.5, "reason": "More people, more water.", "source": "ours",
    }  # fmt: skip
    far = {"axis": "harm", "label": "Way to the road", "weight": 1.0, "column": "pipe_length_m",
           "unit": "m", "curve": [[0, 1.0], [900, 0.1]], "unknown": 0.5, "reason": "r",
           "source": "s"}  # fmt: skip
    priorities = Priorities.model_validate({"parts": {"rooms": part, "road": far}})
    row = {"unit_id": "U1", "bedrooms": 2.3333333, "pipe_length_m": 123.456789,
           "days_since_inspection": None, "ranked_by": "score"}  # fmt: skip
    quiet = {"bedrooms": 0.0, "pipe_length_m": 900.0}
    assert sorted(reasons_of(row, priorities, "us", quiet)) == [
        "Bedrooms above design: 2.3 rooms.", "Way to the road: 410 ft.",
    ]  # fmt: skip


# --------------------------------------------------------------------------------- setbacks

checks = st.fixed_dictionaries(
    {
        "feature": st.sampled_from(["wells", "streams", "water_bodies", "floodplain", "buildings",
                                    "parcels", "drains", "roads", "protected_places"]),
        "part": st.sampled_from(["unit", "tank", "discharge_point"]),
        "link_confirmed": st.booleans(),
        "distance_m": st.one_of(st.just(0.0), st.floats(0, 2), st.floats(0, 400)),
        "distance_u95_m": st.one_of(st.just(0.0), st.floats(0, 200)),
        "inside_m": st.one_of(st.just(float("nan")), st.floats(0, 50)),
        "required_m": st.sampled_from([3.048, 15.24, 30.48, 91.44, 50.0]),
        "verdict": st.sampled_from(["short", "uncertain"]),
        "measured_by": st.sampled_from([None, "map", "tape"]),
        "variance_id": st.sampled_from([None, float("nan"), "V-1"]),
        "judged_by": st.sampled_from(["permit", "installed", "assessment"]),
        "judged_on": st.just("2009-05-01"),
        "well_use": st.sampled_from([None, float("nan"), "private", "public"]),
        "well_lies": st.sampled_from([None, float("nan"), "downhill", "uphill"]),
    }
)  # fmt: skip


@given(checks, st.sampled_from(["us", "si"]))
@settings(max_examples=150, deadline=None)
def test_every_setback_is_told_in_one_whole_sentence(check, show_units):
    sentence = setback_sentence(check, show_units)
    check_sentence(sentence, show_units)
    by_tape = check["measured_by"] == "tape"
    assert ("measured by tape" in sentence) == by_tape
    assert by_tape or re.search(r"appears|is mapped", sentence)
    assert re.search(r"is required|was required in|A variance on record allows", sentence)
    assert ("Too close to tell" in sentence) == (check["verdict"] == "uncertain")
    assert sentence.endswith(" Measure on site.") != by_tape


def test_the_sentence_a_homeowner_reads():
    check = {
        "feature": "wells", "part": "discharge_point", "distance_m": 18.9, "distance_u95_m": 3.05,
        "required_m": 30.48, "verdict": "short", "judged_by": "permit", "judged_on": "2009-05-01",
        "well_use": "private", "well_lies": "downhill", "link_confirmed": True,
    }  # fmt: skip
    assert setback_sentence(check, "us") == (
        "A private well appears to be 62 ft downhill of the discharge point, give or take 10 ft."
        " 100 ft was required in 2009. Measure on site."
    )


def test_a_spread_is_rounded_up_and_never_to_nothing():
    assert [format_spread(u, "us") for u in (0.0, 0.02, 0.31, 3.05)] == [
        f"give or take {n} ft" for n in (1, 1, 2, 10)
    ]
    assert [format_spread(u, "si") for u in (0.0, 0.02, 0.6, 3.2)] == [
        f"give or take {n} m" for n in (1, 1, 1, 3)
    ]


def test_the_net_catches_what_it_is_made_for():
    for text in (
        "The unit failed.", "The well is in violation.", "It is 12.345 ft away.", "It is nan ft.",
        "No full stop", "It lies 0 ft away.", "lower case.", "It is lid_wet_state.",
    ):  # fmt: skip
        with pytest.raises(AssertionError):
            check_sentence(text, "us")
    with pytest.raises(AssertionError):
        check_sentence("It lies 12 ft away.", "si")
