"""Records: only a completed visit counts, and none from the future."""

import datetime as dt

import pandas as pd
import pytest

from geo.programme.history import history_columns, unit_days

DAY = dt.date(2026, 4, 1)


def visits(*rows):
    names = ["inspection_id", "unit_id", "date", "outcome", "result"]
    return pd.DataFrame(rows, columns=names).assign(date=lambda t: pd.to_datetime(t["date"]))


@pytest.fixture
def units():
    return pd.DataFrame(
        {
            "unit_id": ["A", "B", "C"],
            "installed": pd.to_datetime(["2006-04-01", None, "2027-01-01"]),
        },
        index=[5, 6, 7],
    )


def test_age_is_in_years_and_unknown_for_the_unrecorded_and_the_future(units):
    got = history_columns(units, None, as_of=DAY)
    assert got["age_years"].to_numpy() == pytest.approx(
        [20.0, float("nan"), float("nan")], abs=0.01, nan_ok=True
    )
    assert got.index.tolist() == [5, 6, 7]


def test_only_a_completed_visit_resets_the_clock(units):
    seen = visits(
        ("1", "A", "2025-04-01", "completed", "repair"),
        ("2", "A", "2026-03-01", "no_access", "unknown"),
        ("3", "B", "2026-03-01", "nobody_home", "unknown"),
    )
    got = history_columns(units, seen, as_of=DAY)
    assert got["days_since_inspection"].tolist()[0] == 365
    assert got["days_since_inspection"].isna().tolist() == [False, True, True]
    assert got["last_result"].tolist() == ["repair", "unknown", "unknown"]


def test_visits_after_the_day_spoken_for_do_not_count(units):
    seen = visits(
        ("1", "A", "2025-04-01", "completed", "repair"),
        ("2", "A", "2026-04-02", "completed", "good"),
    )
    got = history_columns(units, seen, as_of=DAY)
    assert got["last_result"].iloc[0] == "repair"


def test_a_visit_without_a_result_leaves_the_last_known_one(units):
    seen = visits(
        ("1", "A", "2024-04-01", "completed", "minor"),
        ("2", "A", "2025-04-01", "completed", "unknown"),
    )
    got = history_columns(units, seen, as_of=DAY)
    assert got.loc[5, ["days_since_inspection", "last_result"]].tolist() == [365, "minor"]


def test_the_units_own_day_is_its_first_permit_else_its_installation(units):
    permits = pd.DataFrame(
        {
            "permit_id": ["P1", "P2", "P3"],
            "unit_id": ["A", "A", None],
            "issued": pd.to_datetime(["2010-02-02", "2004-03-03", "1999-09-09"]),
        }
    )
    got = unit_days(units.assign(permit_id=[None, None, "P3"]), permits, as_of=DAY)
    assert got["unit_day"].dt.strftime("%Y-%m-%d").tolist() == [
        "2004-03-03",
        "2026-04-01",
        "1999-09-09",
    ]
    assert got["unit_day_basis"].tolist() == ["permit", "assessment", "permit"]
    without = unit_days(units.assign(permit_id=None), None, as_of=DAY)
    assert without["unit_day_basis"].tolist() == ["installed", "assessment", "installed"]


def test_no_completed_visit_at_all_leaves_every_unit_unvisited(units):
    seen = visits(("1", "A", "2025-04-01", "no_access", "unknown"))
    got = history_columns(units, seen, as_of=DAY)
    assert got["days_since_inspection"].isna().all()
    assert set(got["last_result"]) == {"unknown"}


def test_no_permit_with_a_day_leaves_the_installation(units):
    units = units.assign(permit_id=["P", None, None])
    permits = pd.DataFrame({"permit_id": ["P"], "unit_id": ["A"], "issued": pd.to_datetime([None])})
    got = unit_days(units, permits, as_of=DAY)
    assert got["unit_day_basis"].tolist() == ["installed", "assessment", "installed"]


@pytest.mark.parametrize(
    ("stray_day", "last_result"),
    [
        ("2024-03-31", "good"),  # the unit was seen since, whosever it was
        ("2024-04-01", "unknown"),
        ("2025-01-01", "unknown"),
        (None, "unknown"),
        ("2027-01-01", "good"),  # after the day spoken for
    ],
)
def test_a_danger_of_a_unit_one_letter_off_leaves_a_good_result_open(stray_day, last_result):
    units = pd.DataFrame({"unit_id": ["U07", "U12"], "installed": [None, None]})
    seen = visits(
        ("1", "U07", "2024-04-01", "completed", "good"),
        ("2", "U12", "2024-04-01", "completed", "good"),
    )
    strays = visits(("3", "U0", stray_day, "completed", "danger"))
    got = history_columns(units, seen, as_of=DAY, strays=strays)
    assert got["last_result"].tolist() == [last_result, "good"]
