"""What findings ask for."""

from __future__ import annotations

import datetime as dt

import pandas as pd
import pytest

from geo.programme.follow_ups import with_follow_ups
from geo.programme.owed import owed_visits
from layers.outputs import OWED
from layers.settings.programme import ProgrammeSection

TODAY = dt.date(2026, 4, 1)


def owed(source_id="v1"):
    units = pd.DataFrame(
        {"unit_id": ["1", "2", "3"], "kind": "surface_discharge", "status": "active",
         "installed": pd.NaT, "source_row": [1, 2, 3]}
    )  # fmt: skip
    visits = pd.DataFrame(
        {"inspection_id": [source_id], "unit_id": ["1"], "date": [pd.Timestamp("2026-03-01")],
         "outcome": ["completed"], "result": ["repair"], "source_row": [0]}
    )  # fmt: skip
    programme = ProgrammeSection(reinspection_days={"repair": 60})
    return owed_visits(units, programme, as_of=TODAY, inspections=visits), visits


def finding(**changes):
    row = {
        "follow_up_id": "v1/1", "unit_id": "1", "item": "Discharge pipe", "severity": "repair",
        "found_on": pd.Timestamp("2026-03-01"), "found_by": "K", "note": "",
        "due": pd.Timestamp("2026-03-31"), "extended_because": None, "closed_on": pd.NaT,
        "evidence": None, "state": "overdue",
    }  # fmt: skip
    return pd.DataFrame([row | changes])


def links(*outlets):
    return pd.DataFrame({"unit_id": ["1", "2", "3"], "discharge_point_id": list(outlets)})


def asked(follow_ups, outlets=("D1", None, None), visits=None):
    table, own = owed()
    return with_follow_ups(
        table, follow_ups, links(*outlets), own if visits is None else visits, as_of=TODAY
    )


def test_a_finding_followed_up_takes_the_place_of_another_look():
    assert owed()[0]["obligation"].tolist() == ["reinspection"]
    table = asked(finding())
    assert table["obligation"].tolist() == ["follow_up"]
    assert list(table.columns) == OWED.names
    assert table["overdue_days"].tolist() == [1]
    assert table["why"].iloc[0] == (
        "The March 1, 2026 visit found a needed repair (Discharge pipe). Follow-up was due March"
        " 31, 2026."
    )


def test_a_danger_without_a_day_is_to_be_followed_up_at_once():
    table = asked(finding(severity="danger", due=pd.NaT, state="open"))
    assert table["due"].tolist() == [pd.Timestamp("2026-03-01")]
    assert table["danger"].tolist() == [True]
    assert table["why"].iloc[0] == (
        "The March 1, 2026 visit found a dangerous condition (Discharge pipe). Follow-up is due at"
        " once."
    )


def test_a_danger_is_known_for_one_but_not_at_those_who_share_the_outlet():
    table = asked(finding(severity="danger"), ("D1", "D1", "D2"))
    assert table[["unit_id", "danger"]].values.tolist() == [["1", True], ["2", False]]
    assert not asked(finding())["danger"].any()


@pytest.mark.parametrize("change", [{"state": "closed"}, {"due": pd.NaT}])
def test_one_that_is_closed_or_has_no_day_owes_nothing(change):
    assert asked(finding(**change))["obligation"].tolist() == []


def test_a_bad_shared_outlet_asks_for_every_unit_of_it():
    table = asked(finding(), ("D1", "D1", "D2"))
    assert table[["unit_id", "obligation"]].values.tolist() == [
        ["1", "follow_up"], ["2", "shared_outlet"],
    ]  # fmt: skip
    assert "blame" not in table["why"].iloc[1]
    assert "does not show which" in table["why"].iloc[1]
    # a finding elsewhere at the unit says nothing of the others
    assert len(asked(finding(item="Access and covers"), ("D1", "D1", "D2"))) == 1


def test_a_completed_visit_to_the_other_unit_is_enough():
    _, own = owed()
    for day, outcome, count in (
        ("2026-03-02", "completed", 1), ("2026-03-02", "no_access", 2),
        ("2026-02-28", "completed", 2),
    ):  # fmt: skip
        other = own.assign(unit_id="2", date=pd.Timestamp(day), outcome=outcome)
        visits = pd.concat([own, other], ignore_index=True)
        assert len(asked(finding(), ("D1", "D1", None), visits)) == count


def test_units_without_an_outlet_share_nothing():
    assert len(asked(finding(), (None, None, None))) == 1
