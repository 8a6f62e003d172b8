"""Calendar files: read back by an independent reader (icalendar), and by the letter of RFC 5545."""

import datetime as dt
import re

import icalendar
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geo.publish.tables.calendar import OBLIGATION_WORDS, calendar_text, escaped

AS_OF = dt.date(2026, 4, 1)
HOSTILE = [
    "X\r\nEND:VEVENT\r\nBEGIN:VALARM\r\nACTION:PROCEDURE\r\nATTACH:file:///c:/x.exe",
    'a;b,c\\d\\n:e"f',
    "=cmd|' /C calc'!A0",
    "<script>alert(1)</script>",
    "é" * 200,
    "u\u2028v\x85w\x00x\ty",
    "\U0001f6b0" * 40,
]


def owed(*rows):
    frame = pd.DataFrame(
        list(rows), columns=["unit_id", "obligation", "due", "source_id", "overdue_days"]
    )
    frame["due"] = pd.to_datetime(frame["due"]).astype("datetime64[ms]")
    return frame.assign(
        why="A complaint of March 20, 2026", source_layer="complaints", address="12 Kettle Road"
    )


ROWS = (
    ("00115", "complaint", "2026-04-03", "C-014", 0),
    ("00115", "complaint", "2026-04-09", "C-015", 0),
    ("00427", "reinspection", "2023-06-11", "I00003", 1025),
    ("10589", "interval", "2026-11-15", "I00004", 0),
)


def read(text):
    return icalendar.Calendar.from_ical(text.encode())


def lines(text):
    """Content lines unfolded as RFC 5545 section 3.1 says, after the letter of it was checked."""
    assert text.endswith("\r\n")
    physical = text[:-2].split("\r\n")
    for line in physical:
        assert len(line.encode()) <= 75
        assert line
        assert not re.search(r"[\x00-\x08\x0a-\x1f\x7f]", line)
        line.encode().decode("utf-8")  # no character is cut in two
    return "\r\n".join(physical).replace("\r\n ", "").split("\r\n")


def test_an_independent_reader_finds_every_visit_on_its_day():
    calendar = read(calendar_text(owed(*ROWS), county="Larkmoor", as_of=AS_OF))
    assert calendar["VERSION"] == "2.0"
    assert not calendar.errors
    events = calendar.walk("VEVENT")
    assert [e["DTSTART"].dt for e in events] == [dt.date.fromisoformat(r[2]) for r in ROWS]
    assert [str(e["SUMMARY"]) for e in events] == [
        "Visit due: unit 00115 (complaint)",
        "Visit due: unit 00115 (complaint)",
        "Visit overdue: unit 00427 (reinspection)",
        "Visit due: unit 10589 (routine visit)",
    ]
    for event in events:
        assert event["DTSTAMP"].dt == dt.datetime(2026, 4, 1, tzinfo=dt.UTC)
        assert event["DTSTART"].params["VALUE"] == "DATE"
        assert not event.errors
        assert not event.subcomponents  # no alarms
    assert len({str(e["UID"]) for e in events}) == len(ROWS)


def test_the_letter_of_the_standard():
    got = lines(calendar_text(owed(*ROWS), county="Larkmoor", as_of=AS_OF))
    assert got[:3] == ["BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//Rillmark//Visits due//EN"]
    assert got[-1] == "END:VCALENDAR"
    body = got[3:-1]
    size = len(body) // len(ROWS)
    for k in range(len(ROWS)):
        event = body[k * size : (k + 1) * size]
        assert [line.partition(":")[0] for line in event] == [
            "BEGIN", "UID", "DTSTAMP", "DTSTART;VALUE=DATE", "SUMMARY", "CLASS", "TRANSP", "END",
        ]  # fmt: skip
        assert re.fullmatch(r"DTSTART;VALUE=DATE:\d{8}", event[3])
        assert event[2] == "DTSTAMP:20260401T000000Z"


def test_it_carries_a_number_and_a_kind_and_no_more():
    text = calendar_text(owed(*ROWS), county="Larkmoor County", as_of=AS_OF)
    for shown in (
        "Kettle",
        "March",
        "C-014",
        "I00003",
        "Larkmoor",
        "ALARM",
        "ATTENDEE",
        "LOCATION",
    ):
        assert shown not in text


def test_two_findings_of_one_visit_are_two_events():
    rows = [
        ("00109", kind, "2026-05-01", f"4f1c/{n}", 0)
        for kind in ("follow_up", "shared_outlet")
        for n in (1, 2)
    ]
    events = read(calendar_text(owed(*rows), county="Larkmoor", as_of=AS_OF)).walk("VEVENT")
    assert len({str(e["UID"]) for e in events}) == 4


def test_ids_stay_from_one_file_to_the_next():
    def ids(rows, county="Larkmoor"):
        later = dt.date(2026, 9, 9)
        events = read(calendar_text(owed(*rows), county=county, as_of=later)).walk("VEVENT")
        return [str(e["UID"]) for e in events]

    first = ids(ROWS)
    moved = [(u, o, "2026-12-24", "other", 0) for u, o, *_ in ROWS[2:]]
    assert ids(moved) == first[2:]  # the same visit on another day
    assert ids(ROWS[::-1]) == first[::-1]
    assert not set(ids(ROWS, county="Another")) & set(first)
    assert all(re.fullmatch(r"[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}", uid) for uid in first)


def test_the_same_input_gives_the_same_bytes():
    texts = {calendar_text(owed(*ROWS), county="L", as_of=AS_OF) for _ in range(2)}
    assert len(texts) == 1


@pytest.mark.parametrize("unit_id", HOSTILE)
def test_text_of_the_list_stays_text(unit_id):
    text = calendar_text(
        owed((unit_id, "permit", "2026-05-01", "P", 0)), county=unit_id, as_of=AS_OF
    )
    assert len(lines(text)) == 12
    calendar = read(text)
    (event,) = calendar.subcomponents
    assert event.name == "VEVENT"
    assert not event.subcomponents
    assert not event.errors
    flat = re.sub(r"[\x00-\x1f\x7f-\x9f\u2028\u2029]+", " ", unit_id)
    assert str(event["SUMMARY"]) == f"Visit due: unit {flat} (permit ending)"


@settings(deadline=None)
@given(st.text(st.characters(exclude_categories=["Cs"]), max_size=120))
def test_any_text_comes_back(unit_id):
    text = calendar_text(owed((unit_id, "interval", "2026-05-01", "x", 0)), county="L", as_of=AS_OF)
    summary = next(line for line in lines(text) if line.startswith("SUMMARY:"))
    flat = re.sub(r"[\x00-\x1f\x7f-\x9f\u2028\u2029]+", " ", f"unit {unit_id} (")
    assert flat in re.sub(r"\\(.)", r"\1", summary)
    assert len(read(text).walk("VEVENT")) == 1


def test_escapes_are_those_of_the_standard():
    # RFC 5545 section 3.3.11: backslash, semicolon and comma; a colon and quotes stand as they are
    assert escaped('a\\b;c,d:e"f') == 'a\\\\b\\;c\\,d:e"f'


def test_a_calendar_without_events_is_none():
    with pytest.raises(ValueError, match="at least one"):
        calendar_text(owed(), county="L", as_of=AS_OF)


def test_every_obligation_has_words():
    from geo.programme.follow_ups import FOLLOW_UP, SHARED_OUTLET
    from geo.programme.owed import OBLIGATIONS

    assert set(OBLIGATION_WORDS) == {*OBLIGATIONS, FOLLOW_UP, SHARED_OUTLET}
