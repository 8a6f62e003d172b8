"""Disposal: only what is old and nothing protects, not one byte more; a log hides nothing."""

from __future__ import annotations

import datetime as dt
import hashlib
import json

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from layers.errors import RecordError
from layers.records import add_day_file, day_files
from layers.records.disposal import due_for_disposal
from layers.records.disposal_log import LOG, Disposed, log_record
from layers.records.model import content_hash, record_line
from layers.records.stores import FolderStore

COUNTY = "Larkmoor County"
TODAY = dt.date(2026, 6, 1)
NOW = dt.datetime(2026, 6, 1, tzinfo=dt.UTC)
KEEP = {"visit": 7}
ALL = dict.fromkeys(
    ("visit", "sample_result", "withdrawal", "extension", "closure", "hold", "hold_lifted"), 0.01
)


@pytest.fixture
def store(tmp_path):
    return FolderStore(tmp_path / "records", index=tmp_path / "index.sqlite")


def put(store, content):
    return store.add(content, where="f", county=COUNTY)


def disposed_now(store, keep=KEEP):
    due = due_for_disposal(store.read().filed, keep, today=TODAY)
    return store.dispose(due, keep, by="Office", authority="schedule 12", at=NOW)


def old(a_visit, number, **fields):
    return a_visit(number, day=dt.date(2010, 1, number), **fields)


def gone_ids(records, keep=KEEP):
    return {one.record_id for one in due_for_disposal(records, keep, today=TODAY)}


def test_what_is_old_goes_but_not_under_a_hold(a_visit, word):
    records = [old(a_visit, 1), old(a_visit, 2), a_visit(3)]
    assert gone_ids(records) == {"r0001", "r0002"}
    hold = word("hold", "h", unit_id="00001", reason="appeal")
    assert gone_ids([*records, hold]) == {"r0002"}
    everything = word("hold", "h", reason="suit")
    assert gone_ids([*records, everything]) == set()
    lifted = word("hold_lifted", "l", of="h", reason="settled")
    assert gone_ids([*records, everything, lifted]) == {"r0001", "r0002"}
    back = word("withdrawal", "w", of="l", reason="not settled")
    assert gone_ids([*records, everything, lifted, back]) == set()
    assert gone_ids(records, {}) == set()


def test_an_id_in_dispute_and_a_result_of_nobody_under_a_hold_stay(a_visit, word):
    two = [old(a_visit, 1), old(a_visit, 1, note="another"), old(a_visit, 2)]
    assert gone_ids(two) == {"r0002"}
    lone = word("sample_result", "s", number="S9", what="TSS", value=9, unit="mg/L")
    assert gone_ids([lone], ALL) == {"s"}
    assert gone_ids([lone, word("hold", "h", unit_id="00001", reason="x")], ALL) == set()


def test_a_word_goes_no_sooner_than_what_it_speaks_of(a_visit, word):
    new, closure = a_visit(3), word("closure", "c", of="r0003/1", evidence="x")
    assert gone_ids([new, closure], {"closure": 0.01}) == set()
    assert gone_ids([new, closure], {"closure": 0.01, "visit": 0.01}) == {"r0003", "c"}
    away = word("withdrawal", "w", of="r0003", reason="x")
    assert gone_ids([new, away], {"withdrawal": 0.01}) == set()


def test_disposal_leaves_the_rest_and_logs_what_went_by_its_hash(store, a_visit, a_day):
    visit = old(a_visit, 1)
    content = a_day(visit, a_visit(2))
    put(store, content)
    assert disposed_now(store) == (1, 1)
    found = store.read()
    assert [r.record_id for r in found.records] == ["r0002"]
    assert found.set_aside == ()
    assert found.disposed == {("r0001", content_hash(visit))}
    assert all(b"r0001" not in path.read_bytes() for path in day_files(store.folder))
    # an old copy put there by hand counts until the next disposal takes it away again
    add_day_file(store.folder, content, where="f", county=COUNTY)
    assert [r.record_id for r in store.read().records] == ["r0001", "r0002"]
    assert disposed_now(store) == (1, 1)
    assert all(b"r0001" not in path.read_bytes() for path in day_files(store.folder))


def test_disposal_takes_not_one_byte_of_what_cannot_be_read(store, a_visit, a_day):
    gone, kept = old(a_visit, 1), a_visit(2)
    lid = [{"item": "lid", "severity": "danger"}]
    others = [
        record_line(a_visit(2, findings=lid)),  # the id of another line
        record_line(a_visit(4, findings=lid)).replace("Larkmoor", "Elsewhere"),
        '{"kind":"of a later version"}',
        "no JSON at all",
    ]
    head, *lines = a_day(gone, kept).decode().splitlines()[:-1]
    content = closed(head, *lines, *others)
    put(store, content)
    before = store.read()
    assert disposed_now(store) == (1, 1)
    ((_, left),) = store.day_files()
    assert left == closed(head, *(line for line in lines if "r0001" not in line), *others)
    after = store.read()
    assert {one.content for one in before.filed} - {one.content for one in after.filed} == {
        content_hash(gone)
    }
    assert len(after.set_aside) == len(before.set_aside) == 3


def closed(*lines):
    import zlib

    body = "".join(line + "\n" for line in lines).encode()
    return body + f'{{"crc32":"{zlib.crc32(body):08x}","records":{len(lines) - 1}}}\n'.encode()


def test_a_line_added_to_the_log_by_hand_hides_nothing(store, a_visit, a_day):
    danger = a_visit(1, findings=[{"item": "lid", "severity": "danger"}])
    put(store, a_day(danger))
    text = {"at": "x", "by": "x", "authority": "x"}
    for content in ("", content_hash(danger)):
        gone = Disposed("r0001", content, "visit", "00001", danger.day)
        log_record(store.folder, gone, "f", "0" * 64, **text)
    assert store.read().records == (danger,)
    assert store.read().in_force().records == (danger,)


@pytest.mark.parametrize(
    "damage",
    [
        lambda log: log[:-5],
        lambda log: log.replace("é".encode(), "é".encode()[:1], 1),
        lambda log: b"\xff\xfe" + log,
        lambda log: b"[1]\nnull\n" + log,
        lambda log: b'{"record_id": 7}\n' + log,
        lambda log: b"[" * 100_000 + b"\n" + log,
        lambda log: b"\x00" * len(log),
        lambda log: b"",
    ],
)
def test_a_damaged_log_stops_nothing_and_is_said(store, a_visit, a_day, damage):
    put(store, a_day(old(a_visit, 1), a_visit(2)))
    text = {"at": NOW.isoformat(), "by": "Zoé", "authority": "line\u2028separator\x85here"}
    log = store.folder / LOG
    log_record(store.folder, Disposed("gone", "00", "visit", "7", TODAY), "f", "0" * 64, **text)
    whole = log.read_bytes() + json.dumps(
        {"record_id": "é", "content": "11"}, ensure_ascii=False
    ).encode() + b"\n"  # fmt: skip
    log.write_bytes(damage(whole))
    found = store.read()
    assert len(found.records) == 2
    known = {("gone", "00"), ("é", "11")} - found.disposed
    assert bool(known) <= bool(found.set_aside) or log.read_bytes() == b""
    assert disposed_now(store) == (1, 1)
    assert [r.record_id for r in store.read().records] == ["r0002"]


def test_nobody_disposes_while_a_file_that_may_hold_a_hold_is_missing(store, a_visit, a_day):
    put(store, a_day(old(a_visit, 1)))
    held = put(store, a_day(a_visit(2), by="Inspector 2"))
    held.path.unlink()
    with pytest.raises(RecordError, match="may contain a hold"):
        disposed_now(store)
    with pytest.raises(RecordError, match="is not a missing day file"):
        store.give_up("2026-04-03_kim_000000000000.jsonl", by="Office", reason="x", at=NOW)
    store.give_up(held.path.name, by="Office", reason="drive broke", at=NOW)
    assert store.read().set_aside == ()
    assert disposed_now(store) == (1, 1)


def test_a_hold_that_comes_while_somebody_is_asked_protects(store, a_visit, a_day, word):
    put(store, a_day(old(a_visit, 1)))
    due = due_for_disposal(store.read().filed, KEEP, today=TODAY)
    put(store, a_day(word("hold", "h", unit_id="00001", reason="appeal")))
    assert store.dispose(due, KEEP, by="Office", authority="schedule 12", at=NOW) == (0, 0)
    assert len(store.read().records) == 2


def test_a_hold_nobody_can_read_stops_disposal(store, a_visit, a_day, word):
    hold = record_line(word("hold", "h", unit_id="00001", reason="suit"))
    later = hold.replace('"kind"', '"until":"2030-01-01","kind"')
    put(store, a_day(old(a_visit, 1)))
    head = a_day(a_visit(2)).decode().splitlines()[0]
    put(store, closed(head, later))
    assert "until" in store.read().set_aside[0].reason
    with pytest.raises(RecordError, match="may contain a hold"):
        disposed_now(store)
    assert len(store.read().records) == 1


def test_a_hold_reaches_units_spelled_otherwise_and_units_nobody_knows(a_visit, word):
    hold = word("hold", "h", unit_id="N\u00e91", reason="appeal")
    spelled = ("Ne\u03011", " N\u00e91 ", "n\u00e91", "00N\u00e91")
    some = [old(a_visit, n, unit_id=unit) for n, unit in enumerate(spelled, start=1)]
    assert gone_ids([*some, hold]) == set()
    other = old(a_visit, 9, unit_id="other")
    assert gone_ids([other, hold]) == {"r0009"}
    listed = {"N\u00e91"}
    assert due_for_disposal([other, hold], KEEP, today=TODAY, unit_ids=listed) == []
    assert due_for_disposal([other, hold], KEEP, today=TODAY, unit_ids={*listed, "other"})


def test_a_disposal_that_was_cut_excuses_no_later_loss(store, a_visit, a_day):
    added = put(store, a_day(old(a_visit, 1), a_visit(2)))
    whole = added.path.read_bytes()
    disposed_now(store)
    for path in day_files(store.folder):
        path.unlink()
    log = store.folder / LOG
    added.path.write_bytes(whole)  # as if cut after the record's line
    assert [r.record_id for r in store.read().records] == ["r0001", "r0002"]
    added.path.unlink()
    assert added.path.name in {a.file for a in store.read().set_aside}
    log_line = json.dumps({"sha256": hashlib.sha256(whole).hexdigest()})
    log.write_text(log_line + "\n")  # by hand, by nobody
    assert added.path.name in {a.file for a in store.read().set_aside}


def test_a_file_given_up_that_comes_back_is_missed_again(store, a_visit, a_day):
    content = a_day(a_visit(1))
    added = put(store, content)
    added.path.unlink()
    store.give_up(added.path.name, by="Office", reason="drive broke", at=NOW)
    put(store, content)
    assert len(store.read().records) == 1
    added.path.unlink()
    assert [a.file for a in store.read().set_aside] == [added.path.name]


@given(st.data())
@settings(max_examples=60, deadline=None)
def test_nothing_a_listed_hold_protects_is_ever_disposed_of(
    tmp_path_factory, a_visit, a_day, word, data
):
    """In any order of holds, lifts, withdrawals and disposals."""
    folder = tmp_path_factory.mktemp("records")
    store = FolderStore(folder, index=folder / "index.sqlite")
    put(store, a_day(*(old(a_visit, n, unit_id=f"u{n % 2}") for n in range(1, 5))))
    acts = st.sampled_from(["hold", "hold all", "lift", "withdraw", "dispose"])
    for number, act in enumerate(data.draw(st.lists(acts, max_size=7))):
        ids = [r.record_id for r in store.read().records] or ["none"]
        at = f"2026-05-0{number + 1}T12:00:00Z"
        if act == "dispose":
            listed = store.read().in_force().holds
            units = {hold.unit_id for hold in listed}
            protected = {
                r for r in store.read().records
                if "" in units or getattr(r, "unit_id", None) in units
            }  # fmt: skip
            disposed_now(store, ALL)
            assert protected <= set(store.read().records)
            continue
        of = data.draw(st.sampled_from(ids))
        fields = {
            "hold": {"unit_id": "u1"}, "hold all": {}, "lift": {"of": of}, "withdraw": {"of": of},
        }[act]  # fmt: skip
        kind = {"lift": "hold_lifted", "withdraw": "withdrawal"}.get(act, "hold")
        put(store, a_day(word(kind, f"x{number}", at=at, reason="x", **fields)))
