"""Reasons: what people read. Whole sentences compared, for both systems of units."""

import re

import numpy as np
import pandas as pd
import pytest

from geo.order.priorities import prioritize
from geo.order.reasons import SENTENCES, add_reasons
from layers.settings.priority_settings import load_priorities

NO_CHECKS = pd.DataFrame(columns=["unit_id", "in_force", "verdict", "distance_m", "settled_by"])


@pytest.fixture(scope="module")
def priorities():
    from importlib.resources import files
    from pathlib import Path

    return load_priorities(Path(str(files("layers.settings.templates") / "priorities.toml")))


def unit(**known):
    row = {
        "unit_id": "U1",
        "status": "active",
        "last_result": "unknown",
        "days_since_inspection": np.nan,
        "age_years": np.nan,
        "outlet_state": "known",
        "riser_height_m": 0.2,
        "accuracy95_m": 3.0,
    }
    return pd.DataFrame([row | known])


def text(priorities, checks=NO_CHECKS, show_units="us", **known):
    table = unit(**known)
    table = pd.concat([prioritize(table, priorities), table], axis=1)
    got = add_reasons(table, checks, priorities, show_units=show_units).iloc[0]
    return got["reasons"], got["data_gaps"]


def test_the_heaviest_part_speaks_first(priorities):
    reasons, _ = text(priorities, well_distance_m=18.9, well_distance_u95_m=3.05, age_years=3.0)
    assert reasons[0] == "A well on record lies about 62 ft (±10 ft) from the discharge point."


def test_meters_for_an_office_that_wants_them(priorities):
    reasons, _ = text(priorities, show_units="si", well_distance_m=18.9, well_distance_u95_m=3.05)
    assert reasons[0] == "A well on record lies about 19 m (±3 m) from the discharge point."


def test_each_column_that_can_decide_has_its_sentence(priorities):
    reasons, _ = text(
        priorities,
        lid_pond_depth_brim_m=0.36,
        last_result="repair",
        outlet_state="unknown",
        days_since_inspection=900.0,
    )
    assert set(reasons) >= {
        (
            "The ground at the lid lies in a hollow: filled to its brim, about 14 in of water"
            " would stand there."
        ),
        "The last completed visit found something to repair.",
        "The last completed visit was 2.5 years ago.",
    }
    reasons, _ = text(priorities, path_length_m=90.0, path_end="stream", parcels_crossed=2.0)
    reached = (
        "Water from the discharge point appears to reach a stream on record after about 295 ft."
    )
    assert reached in reasons
    assert "On its way the water appears to cross 2 other parcels." in reasons


def test_no_visit_on_record_is_said_as_such(priorities):
    reasons, gaps = text(priorities)
    assert "No completed visit is on record." in reasons
    assert "Age of the unit: not known" in gaps


def test_what_is_owed_is_not_said_again_of_the_last_visit(priorities):
    def text_of_owed(why, obligation, **known):
        table = unit(**known)
        scored = prioritize(table, priorities).assign(ranked_by="owed")
        owed = pd.DataFrame({"why_due": [[why]], "owed_for": [[obligation]]})
        table = pd.concat([scored, table, owed], axis=1)
        return add_reasons(table, NO_CHECKS, priorities, show_units="us")["reasons"].iloc[0]

    why = (
        "The visit of July 26, 2024 found something dangerous: another look was due within 7 days."
    )
    known = {"last_result": "danger", "days_since_inspection": 614.0, "age_years": 21.0}
    reasons = text_of_owed(why, "reinspection", **known)
    assert reasons[0] == why
    assert not any(r.startswith("The last completed visit found") for r in reasons)
    assert "The unit is about 21 years old." in reasons
    other = text_of_owed("A complaint of May 1, 2026 is to be answered.", "complaint", **known)
    assert "The last completed visit found something dangerous." in other
    why = "No completed visit is on record; its permit asks for one, so one is due now."
    shown = " ".join(text_of_owed(why, "interval"))
    assert shown.count("No completed visit is on record") == 1


def test_flood_sentences(priorities):
    reasons, _ = text(priorities, flood_zone="AE", flood_distance_m=0.0, flood_depth_m=0.6)
    assert (
        "The lid lies inside a mapped flood hazard area (zone AE); the base flood would stand"
        " about 24 in over the ground there."
    ) in reasons
    reasons, _ = text(priorities, flood_zone="A", flood_distance_m=0.0)
    assert "The lid lies inside a mapped flood hazard area (zone A)." in reasons


def test_storm_sentences(priorities):
    wet = {"lid_wet_state": "wet", "lid_wet_return_yr": 10.0, "lid_pond_depth_10yr_m": 0.36}
    reasons, _ = text(priorities, **wet, lid_pond_depth_brim_m=3.0, riser_height_m=0.1016)
    assert (
        "In a 10-year storm about 14 in of water would stand over the ground at the lid, whose"
        " riser stands 4 in high."
    ) in reasons
    assert not any("hollow" in r for r in reasons)  # the brim says nothing more
    least = wet | {"lid_wet_state": "at_or_below_smallest", "lid_pond_depth_10yr_m": 0.012}
    reasons, _ = text(priorities, **least, riser_height_m=np.nan)
    assert (
        "In a 10-year storm, the smallest computed, under 1 in of water would stand over the"
        " ground at the lid."
    ) in reasons


def test_the_chance_of_a_wet_lid_is_said_where_it_was_drawn(priorities):
    wet = {"lid_wet_state": "wet", "lid_wet_return_yr": 10.0, "lid_pond_depth_10yr_m": 0.36}
    for chance, often in (
        (0.7, "about 7 in 10"),
        (0.05, "about 1 in 10"),
        (0.03, "less than 1 in 20"),
        (1.0, "more than 19 in 20"),
    ):
        reasons, _ = text(priorities, **wet, riser_height_m=np.nan, lid_wet_10yr_probability=chance)
        assert (
            "In a 10-year storm about 14 in of water would stand over the ground at the lid. Given"
            " how exact the terrain and the lid's place are, the chance that a 10-year storm puts"
            f" the lid under water is {often}."
        ) in reasons
    reasons, _ = text(priorities, **wet, lid_wet_10yr_probability=np.nan)
    assert not any("Given how exact" in r for r in reasons)


def test_the_chance_in_a_year_has_its_sentence():
    row = {"lid_wet_annual_probability": 0.41}
    assert SENTENCES["lid_wet_annual_probability"](row, "us") == (
        "Given how exact the terrain and the lid's place are, the chance that the lid stands"
        " under water at some time in a year is about 4 in 10."
    )


def test_a_rough_position_makes_the_ground_under_it_a_matter_of_if(priorities):
    reasons, _ = text(priorities, lid_pond_depth_brim_m=0.36, accuracy95_m=75.0)
    assert (
        "If its position on record (±246 ft) is right, the ground at the lid lies in a hollow:"
        " filled to its brim, about 14 in of water would stand there."
    ) in reasons


def test_a_spread_wider_than_the_distance_says_perhaps(priorities):
    reasons, _ = text(priorities, well_distance_m=24.4, well_distance_u95_m=60.0)
    assert reasons[0] == ("A well on record lies perhaps 80 ft (±197 ft) from the discharge point.")


def a_check(**changes):
    check = {
        "unit_id": "U1",
        "rule_id": "r",
        "in_force": True,
        "verdict": "short",
        "feature": "wells",
        "part": "discharge_point",
        "distance_m": 9.144,
        "distance_u95_m": 3.048,
        "required_m": 30.48,
        "short_probability": 1.0,
        "judged_on": "2009-05-01",
        "judged_by": "permit",
        "measured_by": "map",
        "variance_id": None,
        "link_confirmed": True,
    }
    return pd.DataFrame([check | changes])


@pytest.mark.parametrize(
    ("changes", "sentence"),
    [
        (
            {},
            (
                "A well on record appears to lie about 30 ft (±10 ft) from the discharge point; the"
                " table in force in 2009 asks 100 ft."
            ),
        ),
        (
            {"judged_by": "assessment"},
            (
                "A well on record appears to lie about 30 ft (±10 ft) from the discharge point; the"
                " table in force asks 100 ft."
            ),
        ),
        (
            {"verdict": "uncertain", "short_probability": 0.86},
            (
                "A well on record lies about 30 ft (±10 ft) from the discharge point; the table in"
                " force in 2009 asks 100 ft: too close to tell, more likely short."
            ),
        ),
        (
            {"link_confirmed": False},
            (
                "A well on record appears to lie about 30 ft (±10 ft) from the discharge point"
                " linked to this unit by guess; the table in force in 2009 asks 100 ft."
            ),
        ),
        (
            {"measured_by": "tape"},
            (
                "A well was taped at 30 ft from the discharge point; the table in force in 2009"
                " asks 100 ft."
            ),
        ),
        (
            {"variance_id": "V1", "required_m": 15.24},
            (
                "A well on record appears to lie about 30 ft (±10 ft) from the discharge point; a"
                " variance on record allows 50 ft."
            ),
        ),
    ],
)
def test_a_setback_that_appears_short_speaks_first_and_says_all_it_knows(
    priorities, changes, sentence
):
    reasons, _ = text(priorities, a_check(**changes), well_distance_m=9.144)
    assert reasons[0] == sentence
    assert not any("A well on record lies" in r for r in reasons[1:])  # said once


@pytest.mark.parametrize(
    "changes",
    [
        {"in_force": False},
        {"verdict": "uncertain", "short_probability": 0.3},
        # known no better than the rule asks: nothing to say
        {"verdict": "uncertain", "short_probability": 0.6, "distance_u95_m": 40.0},
    ],
)
def test_a_setback_not_in_force_or_likely_met_is_no_reason(priorities, changes):
    reasons, _ = text(priorities, a_check(**changes), well_distance_m=9.144)
    assert not any("table in force" in r for r in reasons)


def test_gaps_are_said_and_coarse_positions_with_their_size(priorities):
    _, gaps = text(priorities, accuracy95_m=75.0, riser_height_m=np.nan, outlet_state="unknown")
    assert "Position: known only to about ±246 ft" in gaps
    assert "Discharge point: nobody has recorded where it is" in gaps
    assert "Riser height: not on record, so ponding is told for the ground" in gaps


def test_sewered_units_say_what_is_left_to_confirm(priorities):
    reasons, _ = text(priorities, status="sewered")
    assert reasons == [
        "On record as connected to the public sewer: confirm that the tank was closed."
    ]


def test_no_sentence_accuses_or_claims_certainty(priorities):
    rng = np.random.default_rng(3)
    words = re.compile(
        r"violat|illegal|fail(s|ed|ing)?\b|owner|guilty|neglect|must\b|nan\b|None", re.IGNORECASE
    )
    for _ in range(25):
        reasons, gaps = text(
            priorities,
            last_result=rng.choice(["good", "minor", "repair", "danger", "unknown"]),
            age_years=rng.choice([np.nan, 2, 40]),
            days_since_inspection=rng.choice([np.nan, 30, 400, 4000]),
            outlet_state=rng.choice(["known", "unconfirmed", "unknown", "not_expected"]),
            lid_pond_depth_brim_m=rng.choice([np.nan, 0, 0.02, 1.0]),
            outlet_pond_depth_brim_m=rng.choice([np.nan, 0, 0.3]),
            flood_distance_m=rng.choice([np.nan, 0, 20]),
            flood_depth_m=rng.choice([np.nan, 0, 0.7]),
            flood_zone="AE",
            hand_m=rng.choice([np.nan, 0.1, 9]),
            well_distance_m=rng.choice([np.nan, 5, 500]),
            lid_well_distance_m=rng.choice([np.nan, 5, 500]),
            path_length_m=rng.choice([np.nan, 0, 100, 2500]),
            path_end=rng.choice(["stream", "water_body", "drain", "edge"]),
            stream_distance_m=rng.choice([np.nan, 2, 400]),
            place_distance_m=rng.choice([np.nan, 60, 900]),
            place_kind="bathing",
            parcels_crossed=rng.choice([np.nan, 0, 1, 4]),
            status=rng.choice(["active", "sewered"]),
        )
        assert reasons
        assert all(r.endswith(".") for r in reasons)
        assert not words.search(" ".join(reasons + gaps)), (reasons, gaps)


@pytest.mark.parametrize(
    ("kind", "length_m", "sentence"),
    [
        ("bathing", 1930.0, "A bathing place on record lies about 1.2 mi down the water."),
        ("intake", 244.0, "A water intake on record lies about 801 ft down the water."),
    ],
)
def test_what_lies_down_the_water_is_said(priorities, kind, length_m, sentence):
    reasons, _ = text(
        priorities,
        downstream_place="P-1",
        downstream_place_kind=kind,
        downstream_m=length_m,
        place_distance_m=990.0,
        place_kind="school",
        well_distance_m=500.0,
        path_length_m=900.0,
        path_end="stream",
        parcels_crossed=0,
    )
    assert sentence in reasons


def test_a_blocked_culvert_is_said_though_it_does_not_score(priorities):
    wet = {"lid_wet_state": "dry_in_all", "lid_wet_return_yr": np.nan, "age_years": 30.0}
    reasons, _ = text(priorities, **wet, lid_wet_return_blocked_yr=10.0)
    assert reasons[-1] == (
        "The lid stays dry while the way under the road bank below it is open; if that is"
        " blocked, it is under water in a 10-year storm."
    )
    assert len(reasons) > 1
    wet |= {"lid_wet_state": "wet", "lid_wet_return_yr": 25.0, "lid_pond_depth_25yr_m": 0.3}
    sooner, _ = text(priorities, **wet, lid_wet_return_blocked_yr=5.0)
    assert sooner[-1] == (
        "With the way under the road bank below it blocked, the lid is wet in a 5-year storm."
    )
    same, _ = text(priorities, **wet, lid_wet_return_blocked_yr=25.0)
    assert not any("blocked" in sentence for sentence in same)
    # it is never crowded out by what scores
    many, _ = text(
        priorities, **wet, lid_wet_return_blocked_yr=5.0, last_result="danger",
        outlet_state="unknown", well_distance_m=3.0, path_length_m=30.0, path_end="stream",
        place_distance_m=20.0, place_kind="school", parcels_crossed=3, days_since_inspection=2000,
    )  # fmt: skip
    assert len(many) == 5
    assert many[-1] == sooner[-1]


def test_a_lid_in_a_swale_says_how_much_land_drains_past_it(priorities):
    swale = {
        "lid_wet_state": "dry_in_all", "lid_wet_return_yr": np.nan,
        "lid_swale_state": "over_top", "lid_upslope_area_m2": 48_562.0,
        "lid_swale_depth_m": 0.15, "lid_swale_storm_yr": 10,
    }  # fmt: skip
    reasons, _ = text(priorities, **swale)
    assert (
        "The lid appears to lie in a swale that drains about 12 acres: in a 10-year storm about"
        " 6 in of running water would pass over the ground there, by estimate."
    ) in reasons
    # no storm is given: the land alone speaks
    del swale["lid_swale_state"], swale["lid_swale_depth_m"], swale["lid_swale_storm_yr"]
    del swale["lid_wet_state"], swale["lid_wet_return_yr"]
    reasons, _ = text(priorities, **swale, show_units="si")
    assert "The lid appears to lie in a swale that drains about 4.9 ha." in reasons
