"""Day files: same records same bytes, damage is known for damage."""

from __future__ import annotations

import datetime as dt

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from layers.errors import RecordError
from layers.records import DayFile, Visit, parse_day_file, parse_record, write_day_file
from layers.records.model import record_line

CHARACTERS = st.characters(exclude_characters="\0", codec="utf-8")
TEXT = st.text(CHARACTERS, max_size=30)
KEY = st.text(CHARACTERS, min_size=1, max_size=12)


@st.composite
def visits(draw: st.DrawFn) -> Visit:
    return Visit(
        kind="visit",
        record_id=draw(KEY),
        county="Larkmoor County",
        at=draw(st.datetimes(timezones=st.just(dt.UTC))),
        by=draw(KEY),
        unit_id=draw(KEY),
        day=draw(st.dates()),
        outcome=draw(st.sampled_from(["completed", "no_access", "refused"])),
        note=draw(TEXT),
        findings=draw(
            st.lists(
                st.fixed_dictionaries(
                    {"item": KEY, "severity": st.sampled_from(["danger", "repair", "minor"])}
                ),
                max_size=3,
            )
        ),  # type: ignore[arg-type]
    )


@given(st.lists(visits(), max_size=5, unique_by=lambda v: v.record_id), st.randoms())
@settings(max_examples=60, deadline=None)
def test_the_same_records_in_any_order_give_the_same_bytes_and_come_back(records, random):
    day = DayFile("Larkmoor County", dt.date(2026, 4, 3), "Kim", tuple(records))
    content = write_day_file(day)
    random.shuffle(records)
    assert write_day_file(DayFile(day.county, day.day, day.by, tuple(records))) == content
    back = parse_day_file(content, where="f")
    assert set(back.records) == set(records)
    assert back.set_aside == ()
    assert write_day_file(back) == content


def test_every_cut_and_every_changed_byte_is_noticed(a_visit, a_day):
    content = a_day(a_visit(1), a_visit(2, note="été – ﷽"))
    for length in range(len(content)):
        with pytest.raises(RecordError):
            parse_day_file(content[:length], where="f")
    for position in range(len(content)):
        changed = bytearray(content)
        changed[position] ^= 0x04
        with pytest.raises(RecordError):
            parse_day_file(bytes(changed), where="f")


def test_a_line_that_is_no_record_is_set_aside_and_the_others_kept(a_visit):
    known = a_visit(1)
    line = record_line(known)
    later = line.replace('"kind":"visit"', '"kind":"drone"').replace("r0001", "r9")
    other = record_line(a_visit(2)).replace("Larkmoor", "Elsewhere")
    head = '{"by":"Kim","county":"Larkmoor County","day":"2026-04-03","day_file":1}'
    body = "\n".join([head, line, later, other, line]) + "\n"
    import zlib

    foot = f'{{"crc32":"{zlib.crc32(body.encode()):08x}","records":4}}\n'
    day = parse_day_file((body + foot).encode(), where="f")
    assert day.records == (known,)
    assert len(day.set_aside) == 3
    assert "drone" in day.set_aside[0]
    assert "Elsewhere" in day.set_aside[1]
    assert "twice" in day.set_aside[2]


@pytest.mark.parametrize(
    ("change", "word"),
    [
        ({"outcome": "abducted"}, "outcome"),
        ({"at": "2026-04-03T14:00:00"}, "offset"),
        ({"measured": [{"what": "DO", "unit": "mg/L"}]}, "no_flow"),
        ({"positions": [{"part": "lid", "lat": 91, "lon": 0}]}, "lat"),
        ({"positions": [{"part": "lid", "lat": float("nan"), "lon": 0}]}, "finite"),
        ({"photos": [{"name": "p", "jpeg": "<script>"}]}, "jpeg"),
        ({"surprise": 1}, "surprise"),
    ],
)
def test_what_is_no_record_says_which_field(a_visit, change, word):
    fields = a_visit().model_dump(mode="json") | change
    with pytest.raises(ValidationError, match=word):
        Visit.model_validate(fields)


def test_times_of_any_offset_become_utc():
    line = (
        '{"kind":"hold","record_id":"h","county":"c","by":"k","at":"2026-04-03T09:00:00-05:00",'
        '"reason":"suit"}'
    )
    assert parse_record(line).at == dt.datetime(2026, 4, 3, 14, tzinfo=dt.UTC)


@pytest.mark.parametrize(
    ("fields", "judged"),
    [
        ({}, "unknown"),
        ({"answers": [{"item": "lid", "answer": "good"}]}, "good"),
        ({"answers": [{"item": "lid", "answer": "could_not_see"}]}, "unknown"),
        ({"outcome": "partly", "answers": [{"item": "lid", "answer": "good"}]}, "unknown"),
        ({"outcome": "partly", "result": "good"}, "unknown"),
        ({"findings": [{"item": "lid", "severity": "minor"}]}, "minor"),
        ({"result": "repair", "findings": [{"item": "lid", "severity": "minor"}]}, "repair"),
        ({"outcome": "partly", "findings": [{"item": "lid", "severity": "danger"}]}, "danger"),
    ],
)
def test_a_visit_is_judged_by_the_worst_it_found_and_never_well_unseen(a_visit, fields, judged):
    assert a_visit(**fields).judged == judged
