"""Day files: same records same bytes, damage is known for damage."""

from __future__ import annotations

import datetime as dt
import hashlib
import zlib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from layers.errors import RecordError
from layers.records import DayFile, Visit, parse_day_file, parse_record, write_day_file
from layers.records.day_file import day_file_name, hash_in_name, without_records
from layers.records.model import content_hash, record_line

HEAD = '{"by":"Kim","county":"Larkmoor County","day":"2026-04-03","day_file":1}'


def closed(*lines: str) -> bytes:
    """A day file of some lines, its last one reckoned here."""
    body = "".join(line + "\n" for line in lines).encode()
    return body + f'{{"crc32":"{zlib.crc32(body):08x}","records":{len(lines) - 1}}}\n'.encode()


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
    body = "\n".join([HEAD, line, later, other, line]) + "\n"
    day = parse_day_file(closed(*body.splitlines()), where="f")
    assert day.records == (known,)
    assert len(day.set_aside) == 2
    assert "drone" in day.set_aside[0]
    assert "Elsewhere" in day.set_aside[1]


def test_one_id_may_stand_for_two_contents_and_both_are_kept(a_visit, a_day):
    first, second = a_visit(1, note="a"), a_visit(1, note="b")
    content = a_day(first, second, first)
    day = parse_day_file(content, where="f")
    assert set(day.records) == {first, second}
    assert content == a_day(second, first)


def test_what_is_left_out_leaves_every_other_line_as_it_came(a_visit):
    kept, gone = record_line(a_visit(1)), a_visit(2)
    odd = '{"kind":"of a later version"}'
    spaced = record_line(a_visit(3)).replace('":"', '": "')
    other = record_line(a_visit(4)).replace("Larkmoor", "Elsewhere")
    lines = [kept, odd, record_line(gone), spaced, other, record_line(a_visit(2, note="x"))]
    content = closed(HEAD, *lines)
    rest = without_records(content, {(gone.record_id, content_hash(gone))})
    assert rest == closed(HEAD, *(line for line in lines if line != record_line(gone)))
    assert without_records(closed(HEAD, record_line(gone)), {("r0002", content_hash(gone))}) is None


def test_a_file_of_a_newer_version_says_so_in_one_message(a_visit):
    content = closed(
        HEAD.replace('"day_file":1', '"day_file":7,"zone":"x"'), record_line(a_visit())
    )
    with pytest.raises(RecordError, match=r"newer Rillmark.*version 7") as refused:
        parse_day_file(content, where="f")
    assert "update Rillmark" in refused.value.hint


def test_the_hash_in_a_name_is_that_of_the_bytes(a_visit, a_day):
    content = a_day(a_visit())
    name = day_file_name(parse_day_file(content, where="f"), content)
    assert hash_in_name(name) == hashlib.sha256(content).hexdigest()[:12]
    assert hash_in_name("2026-04-03_kim.jsonl") == ""
    assert hash_in_name("kim\n_0123456789ab.jsonl") == "0123456789ab"


def test_a_nul_character_is_cleaned_wherever_text_may_stand(a_visit):
    line = record_line(a_visit(note="AXB", unit_id="7X", by="KXm")).replace("X", "\\u0000")
    record = parse_record(line)
    assert (record.note, record.unit_id, record.by) == ("AB", "7", "Km")
    hold = '{"kind":"hold","record_id":"h","county":"c","by":"k","at":"2026-04-03T09:00:00Z",'
    assert parse_record(hold + '"unit_id":"7\\u0000","reason":"x"}').unit_id == "7"
    with pytest.raises(RecordError, match="reason"):
        parse_record(hold + '"reason":"\\u0000"}')


@pytest.mark.parametrize("at", ["0001-01-01T00:00:00+05:00", "9999-12-31T23:59:59-05:00"])
def test_a_time_beyond_the_calendar_is_refused_and_its_ends_are_not(a_visit, at):
    line = record_line(a_visit()).replace("2026-04-03T14:01:00Z", at)
    with pytest.raises(RecordError, match="end of the calendar"):
        parse_record(line)
    assert parse_record(line.replace("+05:00", "Z").replace("-05:00", "Z")).at.year in (1, 9999)


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
