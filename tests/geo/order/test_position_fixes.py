"""What a better position would settle."""

import pandas as pd
import pytest

from geo.order.position_fixes import class_may_change, worth_a_fix
from layers.settings.priority_settings import Priorities


@pytest.fixture
def priorities():
    part = {"label": "x", "unknown": 0.5, "reason": "r", "source": "invented"}
    return Priorities.model_validate(
        {
            "parts": {
                "age": part
                | {
                    "axis": "likelihood",
                    "weight": 1,
                    "column": "age_years",
                    "unit": "years",
                    "curve": [[0, 0], [1, 1]],
                },
                "well": part
                | {
                    "axis": "harm",
                    "weight": 1,
                    "column": "lid_well_distance_m",
                    "unit": "m",
                    "curve": [[0, 1], [100, 0]],
                },
            },
        }
    )


@pytest.fixture
def units():
    return pd.DataFrame(
        {
            "unit_id": ["A", "B", "C"],
            "accuracy95_m": [3.0, 75.0, 3.0],
            "discharge_point_id": ["DA", None, "DC"],
            "age_years": [1.0, 1.0, 1.0],
            "lid_well_distance_m": [10.0, 40.0, 90.0],
            "score": [90.0, 60.0, 10.0],
            "visit_class": ["first", "next", "routine"],
        },
        index=[4, 5, 6],
    )


def check(unit, settled_by, part="tank", feature="wells", feature_id="W1", in_force=True):
    return {
        "unit_id": unit,
        "settled_by": settled_by,
        "part": part,
        "feature": feature,
        "feature_id": feature_id,
        "in_force": in_force,
    }


def test_one_well_that_settles_several_units_comes_first(units, priorities):
    checks = pd.DataFrame(
        [
            check("A", "fix_feature"),
            check("B", "fix_feature"),
            check("C", "fix_part"),
            check("C", "fix_part", in_force=False),
            check("A", "locate", part="discharge_point", feature_id=None),
            check("B", "tape"),
            check("C", "fix_both", part="discharge_point", feature_id="W2"),
            check("C", None),
        ]
    )
    wells = pd.DataFrame({"well_id": ["W1", "W2"], "accuracy95_m": [500.0, 40.0]})
    outlets = pd.DataFrame({"discharge_point_id": ["DA", "DC"], "accuracy95_m": [3.0, 8.0]})
    got = worth_a_fix(units, outlets, wells, checks, priorities).set_index(["what", "id"])
    assert got.index[0] == ("well", "W1")
    assert got.loc[("well", "W1"), ["settles", "units", "accuracy95_m"]].tolist() == [2, 2, 500.0]
    assert got.loc[("lid", "C"), "settles"] == 1  # the row not in force does not count
    assert got.loc[("unlocated", "A"), "settles"] == 1
    both = got.loc[[("discharge_point", "DC"), ("well", "W2")]]
    assert both["settles"].tolist() == [0, 0]
    assert both["settles_with_another"].tolist() == [1, 1]
    assert ("lid", "B") in got.index  # only its class hangs on its position
    assert got.loc[("lid", "B"), ["settles", "class_may_change"]].tolist() == [0, True]


def test_a_class_hangs_on_a_blurred_distance_only(units, priorities):
    assert class_may_change(units, priorities).tolist() == [False, True, False]
    exact = units.assign(accuracy95_m=0.1)
    assert not class_may_change(exact, priorities).any()


def test_nothing_to_settle_is_an_empty_table(units, priorities):
    none = pd.DataFrame(columns=list(check("A", None)))
    got = worth_a_fix(units.assign(accuracy95_m=0.1), None, None, none, priorities)
    assert len(got) == 0
    assert "what" in got.columns


# ------------------------------------------------------------------------------------- who moved
