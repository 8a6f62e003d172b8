"""What stands once all records are heard."""

from __future__ import annotations

import datetime as dt

import pandas as pd
import pytest

from layers.records import standing
from layers.records.model import content_hash

TODAY = dt.date(2026, 6, 1)
DAYS = {"danger": 1, "repair": 30, "minor": 180}


def now(*records):
    return standing(records, follow_up_days=DAYS, as_of=TODAY)


def test_a_withdrawn_visit_counts_no_more_and_is_listed(a_visit, word):
    stands = now(a_visit(1), a_visit(2), word("withdrawal", "w", of="r0001", reason="wrong unit"))
    assert stands.visits["inspection_id"].tolist() == ["r0002"]
    assert stands.withdrawn.to_dict("records") == [
        {"record_id": "r0001", "by": "Office", "reason": "wrong unit"}
    ]


def test_a_withdrawal_withdrawn_takes_nothing_away(a_visit, word):
    stands = now(
        a_visit(1),
        word("withdrawal", "w", of="r0001", reason="wrong unit"),
        word("withdrawal", "x", of="w", reason="it was right"),
    )
    assert stands.visits["inspection_id"].tolist() == ["r0001"]


def test_visits_after_the_day_are_not_heard(a_visit, word):
    assert len(now(a_visit(1, day=dt.date(2026, 6, 2))).visits) == 0


def test_a_follow_up_is_due_by_severity_extended_and_closed(a_visit, word):
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


def test_two_people_who_do_not_agree_are_both_kept_and_shown(a_visit, word):
    stands = now(
        a_visit(1, unit_id="7", result="good"),
        a_visit(2, unit_id="7", result="repair", by="Inspector 2"),
        a_visit(3, unit_id="8", result="good"),
        a_visit(4, unit_id="9", result="good"),
    )
    assert len(stands.visits) == 4
    assert stands.conflicts["unit_id"].tolist() == ["7"]
    assert stands.conflicts["differs"].tolist() == ["result: good / repair"]


def test_one_person_twice_on_one_day_who_does_not_agree_is_shown(a_visit, word):
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


def test_a_sample_meets_its_results_by_number(a_visit, word):
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


def test_a_limit_comes_from_a_permit(word):
    with pytest.raises(Exception, match="limit_from"):
        word("sample_result", "s", number="S1", what="TSS", value=9, unit="mg/L", limit=12)


def test_words_about_nothing_are_told(a_visit, word):
    stands = now(a_visit(1), word("closure", "c", of="r0001/1", evidence="?"))
    assert stands.loose["of"].tolist() == ["r0001/1"]


def test_a_word_about_a_follow_up_speaks_of_the_content_it_names(a_visit, word):
    lid = [{"item": "lid", "severity": "danger"}]
    first, second = a_visit(1, findings=lid), a_visit(1, findings=lid, note="another")
    named = word("closure", "c", of="r0001/1", content=content_hash(first), evidence="photo")
    bare = word("closure", "d", of="r0001/1", evidence="as version 0.1 said it")
    away = word("withdrawal", "w", of="r0001", content=content_hash(second), reason="forged")
    assert now(first, bare).follow_ups["state"].tolist() == ["closed"]
    # while they are in dispute, what each of them found is to be followed up
    assert now(first, second, bare).follow_ups["state"].tolist() == ["overdue", "overdue"]
    assert now(first, second, bare, away).follow_ups["state"].tolist() == ["overdue"]
    assert now(first, second, named, away).follow_ups["state"].tolist() == ["closed"]
    governs = max(content_hash(first), content_hash(second))
    state = "closed" if governs == content_hash(first) else "overdue"
    stands = now(first, second, named).follow_ups.set_index("follow_up_id")["state"]
    assert stands["r0001/1"] == state
    assert sorted(stands) == sorted([state, "overdue"])


def test_a_day_at_the_end_of_the_calendar_is_due_then(a_visit):
    last = a_visit(1, day=dt.date.max, findings=[{"item": "lid", "severity": "repair"}])
    stands = standing([last], follow_up_days=DAYS, as_of=dt.date.max)
    assert stands.follow_ups["due"].tolist() == [pd.Timestamp(dt.date.max)]


@pytest.mark.parametrize(
    "other", [{"day": dt.date(2099, 1, 1)}, {"unit_id": "999"}, {"unit_id": "00002"}]
)
def test_a_graver_content_of_one_id_hides_no_danger_of_another(a_visit, other):
    lid = [{"item": "lid", "severity": "danger"}]
    first, second = a_visit(1, findings=lid), a_visit(1, findings=lid * 2, **other)
    stands = now(first, second)
    mine = stands.follow_ups[stands.follow_ups["unit_id"] == "00001"]
    assert mine["item"].tolist() == ["lid"]
    assert mine["state"].tolist() == ["overdue"]
    assert (stands.visits["inspection_id"] == "r0001").sum() == 1


def test_a_bare_word_older_than_its_visit_takes_nothing_away(a_visit, word):
    lid = [{"item": "lid", "severity": "danger"}]
    early = {"at": "2026-01-01T12:00:00Z"}
    away = word("withdrawal", "w", of="r0001", reason="x", **early)
    done = word("closure", "c", of="r0001/1", evidence="x", **early)
    stands = now(a_visit(1, findings=lid), away, done)
    assert stands.follow_ups["state"].tolist() == ["overdue"]
    assert set(stands.loose["record_id"]) == {"w", "c"}
    ahead = word("extension", "e", of="r0001/1", until="2099-01-01", reason="x",
                 at="2098-01-01T12:00:00Z")  # fmt: skip
    assert now(a_visit(1, findings=lid), ahead).follow_ups["state"].tolist() == ["overdue"]
