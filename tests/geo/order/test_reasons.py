"""Reasons: what people read. Whole sentences compared, for both systems of units."""

import re

import numpy as np
import pandas as pd
import pytest

from geo.order.priorities import prioritize, rate_part
from geo.order.reason_sentences import SENTENCES, SPEAKS_OF_NOTHING
from geo.order.reasons import AT_MOST, NOTHING_URGENT, SEWERED, SMALL_FACTORS, add_reasons
from geo.ranking import UnitTable
from layers.settings.priority_settings import load_priorities
from support.quiet_units import QUIET

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


def among_quiet_ones(**known):
    """A unit in a county where all others are as good as can be: each of its facts lifts it."""
    others = [QUIET | {"unit_id": f"Q{k}"} for k in range(30)]
    return pd.concat([unit(**known), pd.DataFrame(others)], ignore_index=True)


def text(priorities, checks=NO_CHECKS, show_units="us", **known):
    table = among_quiet_ones(**known)
    table = pd.concat([prioritize(table, priorities), table], axis=1)
    got = add_reasons(table, checks, priorities, show_units=show_units).iloc[0]
    return got["reasons"], got["data_gaps"]


def test_the_heaviest_part_speaks_first(priorities):
    reasons, _ = text(priorities, well_distance_m=18.9, well_distance_u95_m=3.05, age_years=3.0)
    assert reasons[0] == "A well appears to be 62 ft from the discharge point, give or take 10 ft."


def test_meters_for_an_office_that_wants_them(priorities):
    reasons, _ = text(priorities, show_units="si", well_distance_m=18.9, well_distance_u95_m=3.05)
    assert reasons[0] == "A well appears to be 19 m from the discharge point, give or take 3 m."


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
            "The lid appears to be in a low spot. Filled to overflow, it would hold about 14 in of"
            " water there."
        ),
        "The last completed visit found a needed repair.",
        "The last completed visit was 2 years 6 months ago.",
    }
    reasons, _ = text(priorities, path_length_m=90.0, path_end="stream", parcels_crossed=2.0)
    assert "The discharge likely reaches a stream in about 300 ft." in reasons
    assert "The discharge appears to cross 2 other parcels." in reasons


def test_no_visit_on_record_is_said_as_such(priorities):
    reasons, gaps = text(priorities)
    assert "No completed visit is on record." in reasons
    assert "Age of the unit: not on record" in gaps


def test_what_is_owed_is_not_said_again_of_the_last_visit(priorities):
    def text_of_owed(why, obligation, **known):
        table = among_quiet_ones(**known)
        scored = prioritize(table, priorities)
        scored.loc[0, "ranked_by"] = "owed"
        none = [None] * (len(table) - 1)
        owed = pd.DataFrame({"why_due": [[why], *none], "owed_for": [[obligation], *none]})
        table = pd.concat([scored, table, owed], axis=1)
        return add_reasons(table, NO_CHECKS, priorities, show_units="us")["reasons"].iloc[0]

    why = (
        "The July 26, 2024 visit found a dangerous condition. Reinspection was due August 2, 2024."
    )
    known = {"last_result": "danger", "days_since_inspection": 614.0, "age_years": 21.0}
    reasons = text_of_owed(why, "reinspection", **known)
    assert reasons[0] == why
    assert not any(r.startswith("The last completed visit") for r in reasons)
    assert "The unit is about 21 years old." in reasons
    complaint = "The May 1, 2026 complaint requires a visit by May 15, 2026."
    other = text_of_owed(complaint, "complaint", **known)
    assert "The last completed visit found a dangerous condition." in other
    why = "No completed visit is on record. Its permit requires one every year. One is due now."
    shown = " ".join(text_of_owed(why, "interval"))
    assert shown.count("No completed visit is on record") == 1


def test_flood_sentences(priorities):
    reasons, _ = text(priorities, flood_zone="AE", flood_distance_m=0.0, flood_depth_m=0.6)
    assert (
        "The lid appears to be inside mapped flood zone AE. The base flood would put about 24 in of"
        " water over the ground there."
    ) in reasons
    reasons, _ = text(priorities, flood_zone="A", flood_distance_m=0.0)
    assert "The lid appears to be inside mapped flood zone A." in reasons


def test_storm_sentences(priorities):
    wet = {"lid_wet_state": "wet", "lid_wet_return_yr": 10.0, "lid_pond_depth_10yr_m": 0.36}
    reasons, _ = text(priorities, **wet, lid_pond_depth_brim_m=3.0, riser_height_m=0.1016)
    assert (
        "A 10-year storm would put about 14 in of water over the ground at the lid. The riser is"
        " 4 in high."
    ) in reasons
    assert not any("low spot" in r for r in reasons)  # the brim says nothing more
    least = wet | {"lid_wet_state": "at_or_below_smallest", "lid_pond_depth_10yr_m": 0.012}
    reasons, _ = text(priorities, **least, riser_height_m=np.nan)
    assert (
        "A 10-year storm, the smallest modeled, would put under 1 in of water over the ground at"
        " the lid."
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
            "A 10-year storm would put about 14 in of water over the ground at the lid. Allowing"
            f" for map error, the chance that it covers the lid is {often}."
        ) in reasons
    reasons, _ = text(priorities, **wet, lid_wet_10yr_probability=np.nan)
    assert not any("Allowing for" in r for r in reasons)


def test_the_chance_in_a_year_has_its_sentence():
    row = {"lid_wet_annual_probability": 0.41}
    assert SENTENCES["lid_wet_annual_probability"](row, "us") == (
        "Allowing for map error, the chance that water covers the lid in a year is about 4 in 10."
    )


def test_a_rough_position_makes_the_ground_under_it_a_matter_of_if(priorities):
    reasons, _ = text(priorities, lid_pond_depth_brim_m=0.36, accuracy95_m=75.0)
    assert (
        "The lid appears to be in a low spot. Filled to overflow, it would hold about 14 in of"
        " water there. That is for the mapped position, give or take 250 ft. Confirm the position."
    ) in reasons


def test_a_spread_wider_than_the_distance_leaves_the_place_on_the_map(priorities):
    reasons, _ = text(priorities, well_distance_m=24.4, well_distance_u95_m=60.0)
    assert reasons[0] == (
        "A well is mapped 80 ft from the discharge point, give or take 200 ft. Confirm the"
        " positions."
    )


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


NEAR = "A well appears to be 30 ft from the discharge point, give or take 10 ft."


@pytest.mark.parametrize(
    ("changes", "sentence"),
    [
        ({}, f"{NEAR} 100 ft was required in 2009. Measure on site."),
        ({"judged_by": "assessment"}, f"{NEAR} 100 ft is required. Measure on site."),
        (
            {"verdict": "uncertain", "short_probability": 0.86},
            (
                f"{NEAR} 100 ft was required in 2009. Too close to tell; likely inside its setback."
                " Measure on site."
            ),
        ),
        (
            {"link_confirmed": False},
            (
                f"{NEAR} That discharge point may not be this unit's. 100 ft was required in 2009."
                " Measure on site."
            ),
        ),
        (
            {"measured_by": "tape"},
            (
                "A well is 30 ft from the discharge point, measured by tape. 100 ft was required in"
                " 2009."
            ),
        ),
        (
            {"variance_id": "V1", "required_m": 15.24},
            f"{NEAR} A variance on record allows 50 ft. Measure on site.",
        ),
        (
            {"distance_u95_m": 12.2},
            (
                "A well is mapped 30 ft from the discharge point, give or take 40 ft. 100 ft was"
                " required in 2009. Measure on site."
            ),
        ),
    ],
)
def test_a_setback_that_appears_short_speaks_first_and_says_all_it_knows(
    priorities, changes, sentence
):
    reasons, _ = text(priorities, a_check(**changes), well_distance_m=9.144)
    assert reasons[0] == sentence
    assert not any(r.startswith("A well") for r in reasons[1:])  # said once


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
    assert not any("requires" in r or "required" in r for r in reasons)


def test_gaps_are_said_and_coarse_positions_with_their_size(priorities):
    _, gaps = text(priorities, accuracy95_m=75.0, riser_height_m=np.nan, outlet_state="unknown")
    assert "Position: give or take 250 ft" in gaps
    assert "Discharge point: not on record" in gaps
    assert "Riser height: not on record, so ponding is measured from ground level" in gaps


def test_sewered_units_say_what_is_left_to_confirm(priorities):
    reasons, _ = text(priorities, status="sewered")
    assert reasons == [SEWERED]


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
        ("bathing", 1930.0, "A swimming area is about 1.2 mi downstream."),
        ("intake", 244.0, "A water intake is about 800 ft downstream."),
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
        "The lid stays dry if water can pass under the road. If that is blocked, a 10-year storm"
        " covers the lid."
    )
    assert len(reasons) > 1
    wet |= {"lid_wet_state": "wet", "lid_wet_return_yr": 25.0, "lid_pond_depth_25yr_m": 0.3}
    sooner, _ = text(priorities, **wet, lid_wet_return_blocked_yr=5.0)
    assert sooner[-1] == ("If water cannot pass under the road, a 5-year storm covers the lid.")
    same, _ = text(priorities, **wet, lid_wet_return_blocked_yr=25.0)
    assert not any("under the road" in sentence for sentence in same)
    # it is never crowded out by what scores
    many, _ = text(
        priorities, **wet, lid_wet_return_blocked_yr=5.0, last_result="danger",
        outlet_state="unknown", well_distance_m=3.0, path_length_m=30.0, path_end="stream",
        place_distance_m=20.0, place_kind="school", parcels_crossed=3, days_since_inspection=2000,
    )  # fmt: skip
    assert len(many) == AT_MOST
    assert many[-1] == sooner[-1]


def test_a_lid_in_a_swale_says_how_much_land_drains_past_it(priorities):
    swale = {
        "lid_wet_state": "dry_in_all", "lid_wet_return_yr": np.nan,
        "lid_swale_state": "over_top", "lid_upslope_area_m2": 48_562.0,
        "lid_swale_depth_m": 0.15, "lid_swale_storm_yr": 10,
    }  # fmt: skip
    reasons, _ = text(priorities, **swale)
    assert (
        "The lid appears to be in a swale that drains about 12 acres. A 10-year storm would run"
        " about 6 in deep over the ground there, by estimate."
    ) in reasons
    # no storm is given: the land alone speaks
    del swale["lid_swale_state"], swale["lid_swale_depth_m"], swale["lid_swale_storm_yr"]
    del swale["lid_wet_state"], swale["lid_wet_return_yr"]
    reasons, _ = text(priorities, **swale, show_units="si")
    assert "The lid appears to be in a swale that drains about 4.9 ha." in reasons


# ------------------------------------------------------------- a reason raises the rank


def test_a_unit_as_good_as_can_be_says_only_that_nothing_is_urgent(priorities):
    reasons, _ = text(priorities, **QUIET)
    assert reasons == [NOTHING_URGENT]
    table = among_quiet_ones(age_years=50.0, last_result="danger", well_distance_m=3.0)
    table = pd.concat([prioritize(table, priorities), table], axis=1)
    others = add_reasons(table, NO_CHECKS, priorities, show_units="us")["reasons"].iloc[1:]
    assert all(reasons == [NOTHING_URGENT] for reasons in others)


def test_where_all_units_are_alike_no_fact_is_a_reason(priorities):
    table = pd.DataFrame([QUIET | {"unit_id": f"U{k}", "age_years": 40.0} for k in range(5)])
    table = pd.concat([prioritize(table, priorities), table], axis=1)
    reasons = add_reasons(table, NO_CHECKS, priorities, show_units="us")["reasons"]
    assert all(text == [NOTHING_URGENT] for text in reasons)


def test_facts_that_add_up_without_one_that_speaks_are_said_to(priorities):
    """Where a path leaves the terrain nothing is near; it still may lift the score."""
    reasons, _ = text(priorities, **QUIET | {"path_length_m": 40.0, "path_end": "edge",
                                             "age_years": 0.4})  # fmt: skip
    assert reasons == [SMALL_FACTORS]


@pytest.mark.parametrize(
    ("column", "known"),
    [
        ("last_result", {"last_result": "good"}),
        ("age_years", {"age_years": 0.3}),
        ("days_since_inspection", {"days_since_inspection": 0.0}),
        ("trouble_chance", {"trouble_chance": 0.12, "trouble_chance_county": 0.14}),
        ("trouble_chance", {"trouble_chance": 0.143, "trouble_chance_county": 0.138}),
        ("lid_pond_depth_brim_m", {"lid_pond_depth_brim_m": 0.0}),
        ("outlet_pond_depth_brim_m", {"outlet_pond_depth_brim_m": 0.0}),
        ("lid_wet_state", {"lid_wet_state": "dry_in_all", "lid_wet_return_yr": np.nan}),
        ("outlet_wet_state", {"outlet_wet_state": "dry_so_far", "outlet_wet_return_yr": np.nan}),
        ("lid_swale_state", {"lid_swale_state": "none", "lid_upslope_area_m2": 9_000.0}),
        ("outlet_state", {"outlet_state": "known"}),
        ("flood_hazard", {"flood_hazard": "minimal"}),
        ("parcels_crossed", {"parcels_crossed": 0.0}),
        ("path_length_m", {"path_length_m": 30.0, "path_end": "edge"}),
    ],
)
def test_a_value_that_speaks_for_the_unit_says_nothing(column, known):
    assert SENTENCES[column](known, "us") == ""


def no_reason_from_a_part_at_or_below_the_mean(table, priorities):
    """Of each unit, what parts say that are no worse here than in a typical unit of the county."""
    order = prioritize(table, priorities)
    both = pd.concat([order, table.drop(columns=order.columns, errors="ignore")], axis=1)
    found = add_reasons(both, NO_CHECKS, priorities, show_units="us")["reasons"]
    scored = (order["ranked_by"] != "nothing").to_numpy()
    ratings = {name: rate_part(table, part)[0] for name, part in priorities.parts.items()}
    spoken = 0
    for k, (row, reasons) in enumerate(zip(both.to_dict("records"), found, strict=True)):
        assert 1 <= len(reasons) <= AT_MOST
        assert len(set(reasons)) == len(reasons)
        for name, part in priorities.parts.items():
            column = row[f"deciding_{name}"]
            if not isinstance(column, str):
                column = part.inputs[0].column
                if column not in SPEAKS_OF_NOTHING:
                    continue
            if pd.isna(row[column]) and column not in SPEAKS_OF_NOTHING:
                continue  # none, which is rated 0
            if SENTENCES[column](row, "us") in reasons:
                assert ratings[name][k] > ratings[name][scored].mean(), (name, reasons)
                spoken += 1
    return spoken


def test_no_reason_of_the_county_is_one_that_a_typical_unit_has(larkmoor_result, priorities):
    table = UnitTable.from_assessment(larkmoor_result).columns
    priorities = priorities.for_columns(table.columns)
    assert no_reason_from_a_part_at_or_below_the_mean(table, priorities) > 500


@pytest.mark.parametrize("seed", range(6))
def test_nor_under_any_priorities(larkmoor_result, priorities, seed):
    rng = np.random.default_rng(seed)
    table = UnitTable.from_assessment(larkmoor_result).columns
    table = table.sample(120, random_state=seed).reset_index(drop=True)
    parts = {
        name: part.model_copy(update={"unknown": rng.uniform()})
        for name, part in priorities.parts.items()
    }
    for axis in ("likelihood", "harm"):
        names = [name for name, part in parts.items() if part.axis == axis]
        for name, weight in zip(names, rng.dirichlet(np.ones(len(names))), strict=True):
            parts[name] = parts[name].model_copy(update={"weight": float(weight)})
    other = priorities.model_copy(update={"parts": parts})
    assert no_reason_from_a_part_at_or_below_the_mean(table, other) > 50


def test_what_lifts_most_speaks_first(priorities):
    """Of two parts the one farther above the county's mean, though the other carries more."""
    table = pd.DataFrame(
        [QUIET | {"unit_id": f"U{k}", "well_distance_m": 20.0, "age_years": 0.0} for k in range(9)]
    )
    table.loc[0, ["well_distance_m", "age_years", "last_result"]] = [15.0, 50.0, "danger"]
    table = pd.concat([prioritize(table, priorities), table], axis=1)
    reasons = add_reasons(table, NO_CHECKS, priorities, show_units="us")["reasons"].iloc[0]
    assert table["part_well"].iloc[0] == table.filter(like="part_").iloc[0].max()
    assert reasons[0] == "The last completed visit found a dangerous condition."
    assert reasons[-1] == "A well appears to be about 49 ft from the discharge point."


def test_a_setback_on_a_stream_is_not_said_again_by_the_path(priorities):
    at = {"path_length_m": 0.5, "path_end": "stream", "stream_distance_m": 0.3}
    check = a_check(feature="streams", distance_m=0.3)
    reasons, _ = text(priorities, check, **at)
    assert sum("stream" in reason for reason in reasons) == 1
