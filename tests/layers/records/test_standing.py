"""What stands once all records are heard."""

from __future__ import annotations

import datetime as dt

import pandas as pd
import pytest

from layers.records import standing
from layers.records.disposal import dispose, disposed_ids, due_for_disposal
from layers.records.folder import add_day_file, day_files
from layers.records.index import read_records
from layers.records.model import parse_record

TODAY = dt.date(2026, 6, 1)
DAYS = {"danger": 1, "repair": 30, "minor": 180}


def word(kind, record_id, **fields):
    import json

    head = {
        "kind": kind,
        "record_id": record_id,
        "county": "Larkmoor County",
        "by": "Office",
        "at": "2026-05-01T12:00:00Z",
    }
    return parse_record(json.dumps(head | fields))


def now(*records):
    return standing(records, follow_up_days=DAYS, as_of=TODAY)


def test_a_withdrawn_visit_counts_no_more_and_is_listed(a_visit):
    stands = now(a_visit(1), a_visit(2), word("withdrawal", "w", of="r0001", reason="wrong unit"))
    assert stands.visits["inspection_id"].tolist() == ["r0002"]
    assert stands.withdrawn.to_dict("records") == [
        {"record_id": "r0001", "by": "Office", "reason": "wrong unit"}
    ]


def test_a_withdrawal_withdrawn_takes_nothing_away(a_visit):
    stands = now(
        a_visit(1),
        word("withdrawal", "w", of="r0001", reason="wrong unit"),
        word("withdrawal", "x", of="w", reason="it was right"),
    )
    assert stands.visits["inspection_id"].tolist() == ["r0001"]


def test_visits_after_the_day_are_not_heard(a_visit):
    assert len(now(a_visit(1, day=dt.date(2026, 6, 2))).visits) == 0


def test_a_follow_up_is_due_by_severity_extended_and_closed(a_visit):
    visit = a_visit(
        1,
        findings=[
            {"item": "lid", "severity": "danger"},
            {"item": "baffle", "severity": "repair"},
            {"item": "sod", "severity": "minor"},
        ],
    )
    stands = now(
        visit,
        word("closure", "c", of="r0001/1", evidence="new lid, photo"),
        word("extension", "e", of="r0001/2", until="2026-07-01", reason="part on order"),
    ).follow_ups.set_index("follow_up_id")
    assert stands["state"].tolist() == ["closed", "open", "open"]
    assert stands.loc["r0001/1", "due"] == pd.Timestamp("2026-04-04")
    assert stands.loc["r0001/2", "due"] == pd.Timestamp("2026-07-01")
    assert stands.loc["r0001/3", "due"] == pd.Timestamp("2026-09-30")
    assert stands.loc["r0001/1", "evidence"] == "new lid, photo"
    assert now(visit).follow_ups["state"].tolist() == ["overdue", "overdue", "open"]


def test_two_people_who_do_not_agree_are_both_kept_and_shown(a_visit):
    stands = now(
        a_visit(1, unit_id="7", result="good"),
        a_visit(2, unit_id="7", result="repair", by="Inspector 2"),
        a_visit(3, unit_id="8", result="good"),
        a_visit(4, unit_id="9", result="good"),
    )
    assert len(stands.visits) == 4
    assert stands.conflicts["unit_id"].tolist() == ["7"]
    assert stands.conflicts["differs"].tolist() == ["result: good / repair"]


def test_one_person_twice_on_one_day_who_does_not_agree_is_shown(a_visit):
    stands = now(
        a_visit(1, unit_id="7", result="good"),
        a_visit(2, unit_id="7", result="repair"),
        a_visit(3, unit_id="8", result="good"),
        a_visit(4, unit_id="8", result="good"),
        # nobody there, then let in: two outcomes, no two results
        a_visit(5, unit_id="9", outcome="no_access", result="unknown"),
        a_visit(6, unit_id="9", result="good"),
    )
    assert len(stands.visits) == 6
    assert stands.conflicts["unit_id"].tolist() == ["7"]
    assert stands.conflicts["differs"].tolist() == ["result: good / repair"]


def test_a_sample_meets_its_results_by_number(a_visit):
    visit = a_visit(1, samples=[{"number": "S1", "taken_at": "2026-04-03T14:00:00Z"}])
    stands = now(
        visit,
        word("sample_result", "s", number="S1", what="CBOD5", value=12, unit="mg/L"),
        word("sample_result", "t", number="S9", what="TSS", value=9, unit="mg/L", qualifier="<"),
    ).samples
    assert stands["unit_id"].tolist()[0] == visit.unit_id
    assert stands["value"].tolist() == [12, 9]
    assert pd.isna(stands["unit_id"].iloc[1])
    assert pd.isna(now(visit).samples["value"]).all()


def test_a_limit_comes_from_a_permit():
    with pytest.raises(Exception, match="limit_from"):
        word("sample_result", "s", number="S1", what="TSS", value=9, unit="mg/L", limit=12)


def test_words_about_nothing_are_told(a_visit):
    stands = now(a_visit(1), word("closure", "c", of="r0001/1", evidence="?"))
    assert stands.loose["of"].tolist() == ["r0001/1"]


# ---------------------------------------------------------------------------------- disposal


def old(a_visit, number):
    return a_visit(number, day=dt.date(2010, 1, number))


def test_what_is_old_goes_but_not_under_a_hold(a_visit):
    records = [old(a_visit, 1), old(a_visit, 2), a_visit(3)]
    gone = due_for_disposal(records, {"visit": 7}, today=TODAY)
    assert [g.record_id for g in gone] == ["r0001", "r0002"]
    hold = word("hold", "h", unit_id="00001", reason="appeal")
    gone = due_for_disposal([*records, hold], {"visit": 7}, today=TODAY)
    assert [g.record_id for g in gone] == ["r0002"]
    everything = word("hold", "h", reason="suit")
    assert due_for_disposal([*records, everything], {"visit": 7}, today=TODAY) == []
    lifted = word("hold_lifted", "l", of="h", reason="settled")
    assert len(due_for_disposal([*records, everything, lifted], {"visit": 7}, today=TODAY)) == 2
    assert due_for_disposal(records, {}, today=TODAY) == []


def test_disposal_leaves_the_rest_logs_and_nothing_comes_back(tmp_path, a_visit, a_day):
    content = a_day(old(a_visit, 1), a_visit(2))
    add_day_file(tmp_path, content, where="f", county="Larkmoor County")
    index = tmp_path / "index.sqlite"
    records = read_records(tmp_path, index=index).records
    gone = due_for_disposal(records, {"visit": 7}, today=TODAY)
    at = dt.datetime(2026, 6, 1, tzinfo=dt.UTC)
    assert dispose(tmp_path, gone, by="Office", authority="schedule 12", at=at) == 1
    assert [r.record_id for r in read_records(tmp_path, index=index).records] == ["r0002"]
    assert disposed_ids(tmp_path) == {"r0001"}
    assert all(b"r0001" not in path.read_bytes() for path in day_files(tmp_path))
    # an old copy on somebody's phone
    add_day_file(tmp_path, content, where="f", county="Larkmoor County")
    assert [r.record_id for r in read_records(tmp_path, index=index).records] == ["r0002"]
    # and the next disposal takes the copy away too
    assert dispose(tmp_path, [], by="Office", authority="schedule 12", at=at) == 1
    assert all(b"r0001" not in path.read_bytes() for path in day_files(tmp_path))
