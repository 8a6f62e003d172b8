"""`rillmark record` and `rillmark findings`, as an office would use them."""

from __future__ import annotations

import base64
import csv
import datetime as dt
import hashlib
import io
import json
import re
import zlib
from importlib.resources import files
from pathlib import Path

import pytest
from click.testing import CliRunner
from PIL import Image

from geo.cli import main
from layers.records import DayFile, Visit, add_day_file, parse_day_file, write_day_file

UNITS = "unit_id,lat,lon,address,parcel_id\n001,39.7,-85.8,1 Invented Lane,P1\n002,39.701,-85.8,,\n"


def visit(number, **changes):
    fields = {
        "kind": "visit", "record_id": f"r{number}", "county": "Test County", "by": "Kim Invented",
        "at": dt.datetime(2026, 3, 3, 14, tzinfo=dt.UTC), "unit_id": f"{number:03d}",
        "day": dt.date(2026, 3, 3), "outcome": "completed", "note": "the dog is called Rex",
        "findings": [{"item": "lid <b>", "severity": "danger", "note": "=cmd"}],
    }  # fmt: skip
    return Visit.model_validate(fields | changes)


@pytest.fixture
def county(tmp_path):
    (tmp_path / "units.csv").write_text(UNITS)
    (tmp_path / "county.toml").write_text(
        '[county]\nname = "Test County"\nas_of = 2026-04-01\n[layers.units]\npath = "units.csv"\n'
        '[records]\npath = "records"\nkeep_years = { visit = 7 }\n'
        "[programme]\nreinspection_days = { danger = 2 }\n"
    )
    content = write_day_file(
        DayFile("Test County", dt.date(2026, 3, 3), "Kim", (visit(1), visit(2)))
    )
    (tmp_path / "day.jsonl").write_bytes(content)
    return tmp_path


def run(county, *words, status=0):
    words = [str(word).replace("COUNTY", str(county / "county.toml")) for word in words]
    done = CliRunner().invoke(main, words)
    assert done.exit_code == status, done.output
    return done.output


def test_a_days_findings_are_brought_in_listed_closed_and_written_about(county):
    assert "2 records added" in run(county, "record", "COUNTY", county / "day.jsonl")
    assert "2 already on record" in run(county, "record", "COUNTY", county / "day.jsonl")
    rows = json.loads(run(county, "findings", "list", "COUNTY", "--json"))["follow_ups"]
    assert [row["follow_up_id"] for row in rows] == ["r1/1", "r2/1"]
    assert {row["state"] for row in rows} == {"overdue"}
    run(county, "findings", "close", "COUNTY", "r1/1", "--by", "Kim", "--evidence", "photo 3")
    run(county, "findings", "extend", "COUNTY", "r2/1", "--until", "2026-05-01", "--by", "Kim",
        "--reason", "part on order")  # fmt: skip
    text = run(county, "findings", "list", "COUNTY", "--all")
    assert "closed" in text
    run(county, "findings", "letters", "COUNTY", county / "letters")
    (letter,) = (county / "letters").iterdir()
    assert letter.name == "letter_002.txt"
    assert "lid <b>: dangerous condition. We saw this on March 3, 2026." in letter.read_text()
    assert "This was due on May 1, 2026. Please fix this now." in letter.read_text()
    assert "Kim" not in letter.read_text()


def test_a_danger_is_told_when_it_comes_in_and_owed_even_if_no_programme_names_a_day(county):
    toml = county / "county.toml"
    toml.write_text(toml.read_text().split("[programme]")[0])
    output = run(county, "record", "COUNTY", county / "day.jsonl")
    assert "DANGEROUS CONDITION found. Follow up at once: unit 001, 2026-03-03: lid <b>" in output
    assert "DANGEROUS" not in run(county, "record", "COUNTY", county / "day.jsonl")
    due = run(county, "due", "COUNTY")
    assert "Follow-up is due at once." in due
    assert "Dangerous conditions with no completed follow-up: unit 001, unit 002." in due
    assert "Only dangerous conditions make a visit due." in due
    assert "No visits are due" not in due


def test_visits_after_the_day_the_county_file_speaks_for_are_told(county):
    toml = county / "county.toml"
    assert "is set to" not in run(county, "record", "COUNTY", county / "day.jsonl")
    toml.write_text(toml.read_text().replace("2026-04-01", "2026-03-01"))
    assert "is set to March 1, 2026" in run(county, "record", "COUNTY", county / "day.jsonl")


def test_a_follow_up_that_was_seen_since_says_how_it_is_closed(county):
    run(county, "record", "COUNTY", county / "day.jsonl")
    assert "had a completed visit" not in run(county, "findings", "list", "COUNTY")
    later = visit(1, record_id="later", day=dt.date(2026, 3, 9), findings=[])
    content = write_day_file(DayFile("Test County", later.day, "Kim", (later,)))
    (county / "later.jsonl").write_bytes(content)
    run(county, "record", "COUNTY", county / "later.jsonl")
    lines = run(county, "findings", "list", "COUNTY").splitlines()
    (hint,) = [line for line in lines if "had a completed visit on 2026-03-09" in line]
    assert "close COUNTY.toml r1/1" in hint
    assert lines.index(hint) == 1 + next(i for i, line in enumerate(lines) if "r1/1" in line)


def test_a_word_about_nothing_is_refused(county):
    output = run(county, "findings", "close", "COUNTY", "r9/1", "--by", "Kim", "--evidence", "?",
                 status=2)  # fmt: skip
    assert "no follow-up 'r9/1'" in output


def test_a_withdrawn_visit_is_gone_from_the_list(county):
    run(county, "record", "COUNTY", county / "day.jsonl")
    run(county, "findings", "withdraw", "COUNTY", "r1", "--by", "Kim", "--reason", "wrong unit")
    rows = json.loads(run(county, "findings", "list", "COUNTY", "--json"))["follow_ups"]
    assert [row["unit_id"] for row in rows] == ["002"]


def test_a_damaged_file_is_refused_and_one_in_the_folder_is_said(county):
    (county / "cut.jsonl").write_bytes((county / "day.jsonl").read_bytes()[:-9])
    assert "incomplete" in run(county, "record", "COUNTY", county / "cut.jsonl", status=2)
    run(county, "record", "COUNTY", county / "day.jsonl")
    (kept,) = Path(county / "records").rglob("*.jsonl")
    kept.write_bytes(kept.read_bytes()[:-9])
    assert "Cannot be used" in run(county, "findings", "list", "COUNTY", status=1)


def test_a_release_holds_no_name_no_free_text_and_no_formula(county):
    run(county, "record", "COUNTY", county / "day.jsonl")
    run(county, "findings", "release", "COUNTY", county / "release.csv", "--unit", "001")
    text = (county / "release.csv").read_text()
    assert "001" in text
    for word in ("002", "Kim", "Rex", "=cmd", "Invented Lane"):
        assert word not in text


def test_a_snapshot_opens_in_a_map_program(county):
    import pyogrio

    run(county, "record", "COUNTY", county / "day.jsonl")
    run(county, "findings", "snapshot", "COUNTY", county / "staff.gpkg")
    units = pyogrio.read_dataframe(county / "staff.gpkg", layer="units")
    assert units["open_follow_ups"].tolist() == [1, 1]
    assert set(pyogrio.list_layers(county / "staff.gpkg")[:, 0]) >= {"visits", "follow_ups"}


def test_a_snapshot_says_what_a_visit_without_findings_saw(county):
    import pyogrio

    answers = [{"item": "alarm", "answer": "could_not_see"}, {"item": "air", "answer": "good"}]
    seen = visit(1, findings=[], answers=answers, running_out={"flow": "none", "look": "dry"})
    day = DayFile("Test County", seen.day, "Kim", (seen, visit(9, unit_id="009")))
    (county / "seen.jsonl").write_bytes(write_day_file(day))
    run(county, "record", "COUNTY", county / "seen.jsonl")
    run(county, "findings", "snapshot", "COUNTY", county / "staff.gpkg")
    read = {
        name: pyogrio.read_dataframe(county / "staff.gpkg", layer=name)
        for name in ("units", "visits", "answers", "running_out")
    }
    visits = read["visits"].set_index("unit_id")
    assert visits.loc["001", "seen"] == "1 good, 1 could not see (alarm)"
    assert visits.loc["001"].geometry.equals(read["units"].geometry[0])
    assert visits.loc["009"].geometry is None  # not on the list, and kept
    assert read["answers"]["item"].tolist() == ["alarm", "air"]
    assert read["running_out"]["look"].tolist() == ["dry"]


def jpeg(color="red", *, exif=True):
    """A small picture, with the place it was taken at unless said otherwise."""
    out = io.BytesIO()
    place = Image.Exif()
    place.get_ifd(0x8825)[1] = "N"
    extra = {"exif": place} if exif else {}
    Image.new("RGB", (9, 7), color).save(out, "JPEG", **extra)
    return out.getvalue()


def shown(*pictures, note="=the lid"):
    return [
        {"name": "p", "jpeg": base64.b64encode(picture).decode(), "note": note}
        for picture in pictures
    ]


def bring(county, *records, status=0):
    day = DayFile("Test County", dt.date(2026, 3, 3), "Kim", records)
    (county / "some.jsonl").write_bytes(write_day_file(day))
    return run(county, "record", "COUNTY", county / "some.jsonl", status=status)


def listed_photos(folder):
    with (folder / "photos.csv").open(newline="") as file:
        return list(csv.DictReader(file))


def test_photos_come_out_as_files_named_by_their_pictures(county):
    # record ids that begin alike, and one of a unit that would leave the folder
    same = [f"2026-03-03-{n}" for n in "abc"]
    output = bring(
        county,
        visit(1, record_id=same[0], photos=shown(jpeg("red"), jpeg("blue"))),
        visit(2, record_id=same[1], photos=shown(jpeg("green"))),
        visit(1, record_id=same[2], unit_id="../../\\con", photos=shown(jpeg("red"))),
    )
    assert "metadata was removed from 4 photos" in output
    out = county / "deep" / "photos_staff"
    assert "4 photos written to" in run(county, "findings", "photos", "COUNTY", out)
    rows = listed_photos(out)
    assert [row["record_id"] for row in rows] == [same[0], same[0], same[1], same[2]]
    assert len({row["file"] for row in rows}) == 3  # the same picture twice is one file
    assert rows[0]["file"] == rows[3]["file"]
    assert rows[0]["shows"] == "'=the lid"
    for row, color in zip(rows, ("red", "blue", "green", "red"), strict=True):
        content = (out / row["file"]).read_bytes()
        assert row["file"] == f"photo_{hashlib.sha256(content).hexdigest()}.jpg"
        assert content == jpeg(color, exif=False)
    assert {p.name for p in out.iterdir()} == {row["file"] for row in rows} | {"photos.csv"}
    assert [p.name for p in (county / "deep").iterdir()] == ["photos_staff"]
    assert "1 photo written to" in run(county, "findings", "photos", "COUNTY", out, "--unit", "002")


def test_a_photo_that_is_no_picture_is_kept_told_and_not_shown(county):
    output = bring(county, visit(1, photos=shown(b"<script>", jpeg()[:-9], jpeg("red"))))
    assert "2 of its photos cannot be read" in output
    assert "metadata was removed from 1 photo (" in output
    out = county / "photos_staff"
    output = run(county, "findings", "photos", "COUNTY", out, status=1)
    assert "1 photo written to" in output
    assert "Photos that cannot be read: 2. They stay in their day files" in output
    (kept,) = (county / "records").rglob("*.jsonl")
    assert base64.b64encode(b"<script>") in kept.read_bytes()


def test_a_day_file_with_metadata_in_its_photos_is_the_same_day_file_again(county):
    record = visit(1, photos=shown(jpeg("red"), jpeg("blue", exif=False)), note="a\u2028b")
    assert "metadata was removed from 1 photo (" in bring(county, record)
    assert "1 already on record" in bring(county, record)
    (kept,) = (county / "records").rglob("*.jsonl")
    assert b"Exif" in base64.b64decode(record.photos[0].jpeg)
    (same,) = parse_day_file(kept.read_bytes(), where="kept").records
    assert b"Exif" not in base64.b64decode(same.photos[0].jpeg)
    assert same.photos[1] == record.photos[1]
    assert same.model_copy(update={"photos": ()}) == record.model_copy(update={"photos": ()})


def test_a_day_file_that_was_kept_with_metadata_is_known_and_shown_without(county):
    record = visit(1, photos=shown(jpeg("red")))
    content = write_day_file(DayFile("Test County", record.day, "Kim", (record,)))
    add_day_file(county / "records", content, where="f", county="Test County")
    assert "1 already on record" in bring(county, record)
    assert len(list((county / "records").rglob("*.jsonl"))) == 1
    run(county, "findings", "photos", "COUNTY", county / "out")
    (row,) = listed_photos(county / "out")
    assert (county / "out" / row["file"]).read_bytes() == jpeg("red", exif=False)


def test_lines_nobody_understands_outlive_the_removal_of_metadata(county):
    day = DayFile("Test County", dt.date(2026, 3, 3), "Kim", (visit(1, photos=shown(jpeg("red"))),))
    head, line, *_ = write_day_file(day).split(b"\n")
    body = b"\n".join([head, line, b'{"kind":"of a later version"}', b""])
    foot = f'{{"crc32":"{zlib.crc32(body):08x}","records":2}}\n'
    (county / "odd.jsonl").write_bytes(body + foot.encode())
    run(county, "record", "COUNTY", county / "odd.jsonl", status=1)
    (kept,) = (county / "records").rglob("*.jsonl")
    assert b'{"kind":"of a later version"}' in kept.read_bytes()


def test_a_release_holds_names_of_lists_only(county):
    secret = "Mrs Invented of Lane 1"
    odd = visit(
        1,
        findings=[{"item": secret, "severity": "minor"}, {"item": "ACCESS  and covers",
                                                          "severity": "repair"}],
        answers=[{"item": "alarm", "answer": "good"}, {"item": secret, "answer": "not_good"},
                 {"item": "Dye test", "answer": "good"}],
        measured=[
            {"what": "pH", "value": 7.5, "unit": "pH"},
            {"what": secret, "value": 1, "unit": secret},
            {"what": "risers", "value": 3, "unit": "IN", "qualifier": "<"},
        ],
        samples=[{"number": secret, "taken_at": "2026-03-03T14:00:00Z", "point": secret}],
        photos=shown(jpeg(), note=secret),
    )  # fmt: skip
    bring(county, odd, visit(9, unit_id=secret))
    output = run(county, "findings", "release", "COUNTY", county / "r.csv")
    text = (county / "r.csv").read_text()
    assert "Invented" not in output + text
    assert "names of measured values that are not known: 1" in output
    assert "names of checked items that are not in the visit list: 3" in output
    assert "sample numbers: 1" in output
    assert "units of measure that are not known: 1" in output
    assert "visits to a unit that is not in the list of units: 1" in output
    head = "001,2026-03-03,completed,"
    assert text.splitlines()[1:] == [
        head + "result,,repair,",
        head + "finding,withheld,minor,",
        head + "finding,Access and covers,repair,",
        head + "answer,alarm,good,",
        head + "answer,withheld,not_good,",
        head + "answer,withheld,good,",
        head + "measured,pH,7.5,pH",
        head + "measured,withheld,1,withheld",
        head + "measured,risers,<3,in",
        head + "sample,withheld,2026-03-03T14:00:00+00:00,",
    ]
    toml = county / "county.toml"
    toml.write_text(
        toml.read_text().replace("keep_years", 'release_words = ["dye test"]\nkeep_years')
    )
    run(county, "findings", "release", "COUNTY", county / "r.csv")
    assert head + "answer,dye test,good," in (county / "r.csv").read_text()


def test_a_release_knows_the_visit_list_beside_the_county_file(county):
    bring(county, visit(1, findings=[{"item": "Guard rail", "severity": "minor"}]))
    own = (files("layers.settings.templates") / "visit.toml").read_text("utf-8")
    own = own.replace('title = "Access and covers"', 'title = "Guard rail"')
    (county / "visit.toml").write_text(own)
    output = run(county, "findings", "release", "COUNTY", county / "r.csv")
    assert "finding,Guard rail,minor" in (county / "r.csv").read_text()
    assert "somebody typed" not in output


@pytest.mark.parametrize("command", ["snapshot", "release"])
def test_a_file_the_county_is_read_from_is_not_written_over(county, command):
    units = county / "units.csv"
    assert "is read from" in run(county, "findings", command, "COUNTY", units, status=2)
    assert units.read_text() == UNITS


def test_disposal_by_the_schedule(county):
    old = visit(1, day=dt.date(2001, 1, 1), record_id="old")
    content = write_day_file(DayFile("Test County", old.day, "Kim", (old,)))
    (county / "old.jsonl").write_bytes(content)
    run(county, "record", "COUNTY", county / "old.jsonl", county / "day.jsonl")
    words = ["findings", "dispose", "COUNTY", "--by", "Kim", "--authority", "schedule 12", "--yes"]
    run(county, "findings", "hold", "COUNTY", "--by", "Kim", "--reason", "suit")
    assert "0 records deleted" in run(county, *words)
    (hold,) = json.loads(run(county, "findings", "list", "COUNTY", "--json"))["holds"]
    run(
        county,
        "findings",
        "lift",
        "COUNTY",
        hold["record_id"],
        "--by",
        "Kim",
        "--reason",
        "settled",
    )
    assert "1 record deleted" in run(county, *words)
    log = (county / "records" / "disposal_log.jsonl").read_text()
    assert json.loads(log)["record_id"] == "old"
    assert "Rex" not in log


def test_a_result_of_the_laboratory_needs_the_permit_for_a_limit(county):
    words = ["findings", "result", "COUNTY", "S1", "--what", "TSS", "--value", "9", "--unit",
             "mg/L", "--by", "Office"]  # fmt: skip
    run(county, *words)
    assert "limit_from" in run(county, *words, "--limit", "12", status=2)
    run(county, *words, "--limit", "12", "--limit-from", "permit P-1")


def test_past_visits_say_of_each_row_what_was_not_understood(county):
    (county / "past.csv").write_text(
        "unit_id,date,outcome,result\n001,banana,completed,good\n001,2999-01-01,completed,good\n"
        "002,2026-04-02,done,fine\n"
    )
    text = run(county, "record", "COUNTY", county / "past.csv", status=1)
    assert "1 record added, 2 rows not used" in text  # the day after the file's own is no fault
    assert "Not used: row 2:" in text
    assert "'banana' is not a date" in text
    assert "2999-01-01 is after" in text
    assert "Added with a warning: row 4: outcome 'done' is not one of" in text
    (county / "other.csv").write_text("SYS,WHEN\n001,2026-01-01\n")
    text = run(county, "record", "COUNTY", county / "other.csv", status=2)
    assert 'columns = { unit_id = "...", date = "..." } to [records]' in text
    assert "'SYS', 'WHEN'" in text


@pytest.mark.parametrize(
    ("template", "line"), [("Dear\n{{ name }}", 2), ("{{ unit_id + 3 }}", 1), ("a\n\n{% if %}", 3)]
)
def test_a_template_of_a_letter_that_is_wrong_is_told_by_its_line(county, template, line):
    run(county, "record", "COUNTY", county / "day.jsonl")
    (county / "ours.txt").write_text(template)
    text = run(
        county, "findings", "letters", "COUNTY", county / "letters",
        "--template", county / "ours.txt", status=2,
    )  # fmt: skip
    assert f"ours.txt, line {line}" in text
    assert "a letter may use county, day, unit_id" in text
    assert not (county / "letters").exists()


def test_a_unit_or_a_day_of_a_day_file_that_fits_nothing_yet_is_told(county):
    ahead = visit(2, day=dt.date(2999, 1, 1))
    content = write_day_file(DayFile("Test County", dt.date(2026, 3, 3), "Kim", (visit(9), ahead)))
    (county / "odd.jsonl").write_bytes(content)
    text = run(county, "record", "COUNTY", county / "odd.jsonl")
    assert "unit '009' is not in the list of units" in text
    assert "Check the clock of the phone" in text
    notes = json.loads(run(county, "check", "COUNTY", "--json"))["notes"]
    assert any("Not counted: 1 visit on record after April 1, 2026." in note for note in notes)


def test_words_that_would_do_nothing_are_refused_or_told(county):
    run(county, "record", "COUNTY", county / "day.jsonl")
    by = ["--by", "Kim", "--reason", "x"]
    text = run(county, "findings", "hold", "COUNTY", "--unit", "1", *by, status=2)
    assert "unit '1' is not in the list of units" in text
    assert "'001' is" in text
    text = run(
        county, "findings", "release", "COUNTY", county / "r.csv", "--unit", "nope", status=2
    )
    assert "unit 'nope' is not in the list of units" in text
    assert not (county / "r.csv").exists()
    text = run(
        county, "findings", "extend", "COUNTY", "r1/1", "--until", "2026-03-05", *by, status=2
    )
    assert "is not later than the present due date, 2026-03-05" in text
    text = run(
        county, "findings", "close", "COUNTY", "r1/1", "--by", "K", "--evidence", " ", status=2
    )
    assert "evidence: this cannot be blank" in text
    output = run(
        county, "findings", "result", "COUNTY", "S-9", "--what", "CBOD5", "--value", "12",
        "--unit", "mg/L", "--by", "Office",
    )  # fmt: skip
    assert "No visit on record took sample 'S-9'" in output


def test_a_hold_is_listed_with_the_id_that_lifts_it(county):
    by = ["--by", "Kim", "--reason", "appeal"]
    kept = run(county, "findings", "hold", "COUNTY", "--unit", "001", *by)
    record_id = kept.removeprefix("Saved as record ").strip().rstrip(".")
    assert f"Hold on unit 001: appeal  {record_id}" in run(county, "findings", "list", "COUNTY")
    run(county, "findings", "lift", "COUNTY", record_id, *by)
    assert "Hold on" not in run(county, "findings", "list", "COUNTY")


def test_a_follow_up_that_gets_no_letter_is_told(county):
    content = write_day_file(DayFile("Test County", dt.date(2026, 3, 3), "Kim", (visit(9),)))
    (county / "odd.jsonl").write_bytes(content)
    run(county, "record", "COUNTY", county / "odd.jsonl")
    text = run(county, "findings", "letters", "COUNTY", county / "letters", status=1)
    assert "No letter for units that are not in the list of units: 009." in text


def test_an_earlier_day_file_with_the_same_id_erases_no_danger(county):
    run(county, "record", "COUNTY", county / "day.jsonl")
    fine = visit(1, day=dt.date(2026, 3, 1), findings=(), result="good")
    earlier = DayFile("Test County", dt.date(2020, 1, 1), "Aaa", (fine,))
    (county / "earlier.jsonl").write_bytes(write_day_file(earlier))
    output = run(county, "record", "COUNTY", county / "earlier.jsonl", status=1)
    assert "CONFLICT: record r1 has 2 different contents" in output
    for command in ("check", "due", "assess"):
        more = ["--out", county / "out"] if command == "assess" else []
        run(county, command, "COUNTY", *more, status=1)
    listed = run(county, "findings", "list", "COUNTY", status=1)
    assert "unit 001  lid <b> (danger)" in listed
    found = json.loads(run(county, "findings", "list", "COUNTY", "--json", status=1))
    contents = {row["governs"]: row["content"] for row in found["disputed"]}
    assert contents[True][:12] in listed
    words = ["findings", "withdraw", "COUNTY", "r1", "--by", "Kim", "--reason", "not ours"]
    assert contents[False][:12] in run(county, *words, status=2)
    run(county, *words, "--content", "0000", status=2)
    run(county, *words, "--content", contents[False][:8])
    settled = json.loads(run(county, "findings", "list", "COUNTY", "--json"))
    assert settled["disputed"] == []
    assert [row["follow_up_id"] for row in settled["follow_ups"]] == ["r1/1", "r2/1"]


def test_a_line_edited_in_the_folder_and_a_file_that_is_gone_are_said(county):
    run(county, "record", "COUNTY", county / "day.jsonl")
    (kept,) = (county / "records").glob("*/*.jsonl")
    sound = kept.read_bytes()
    minor = visit(1, findings=[{"item": "lid <b>", "severity": "minor"}])
    edited = DayFile("Test County", dt.date(2026, 3, 3), "Kim", (minor, visit(2)))
    kept.write_bytes(write_day_file(edited))
    for words in (["check"], ["due"], ["findings", "list"], ["assess", "--out", county / "out"]):
        run(county, *words, "COUNTY", status=1)
    assert "changed or damaged after it was added" in run(county, "check", "COUNTY", status=1)
    kept.unlink()
    assert "the disposal log does not list it" in run(county, "check", "COUNTY", status=1)
    lost = ["findings", "lost", "COUNTY", kept.name, "--by", "Kim", "--reason", "drive broke"]
    run(county, *lost)
    run(county, "check", "COUNTY")
    run(county, *lost, status=2)
    (county / "copy.jsonl").write_bytes(sound)
    assert "2 records added" in run(county, "record", "COUNTY", county / "copy.jsonl")


def test_a_hold_whose_lift_was_withdrawn_stops_disposal_and_a_restored_visit_is_released(county):
    old = visit(1, day=dt.date(2001, 1, 1))
    (county / "old.jsonl").write_bytes(
        write_day_file(DayFile("Test County", old.day, "Kim", (old,)))
    )
    run(county, "record", "COUNTY", county / "old.jsonl")

    def text(*words):
        return run(county, "findings", *words, "--by", "Kim").split()[-1].rstrip(".")

    hold = text("hold", "COUNTY", "--unit", "001", "--reason", "appeal")
    lift = text("lift", "COUNTY", hold, "--reason", "settled")
    text("withdraw", "COUNTY", lift, "--reason", "not settled")
    assert "Hold on unit 001" in run(county, "findings", "list", "COUNTY")
    dispose = ["findings", "dispose", "COUNTY", "--by", "Kim", "--authority", "12", "--yes"]
    assert "0 records deleted" in run(county, *dispose)
    away = text("withdraw", "COUNTY", "r1", "--reason", "wrong unit")
    assert "0 visits" in run(county, "findings", "release", "COUNTY", county / "out.csv")
    text("withdraw", "COUNTY", away, "--reason", "it was right")
    assert "1 visit." in run(county, "findings", "release", "COUNTY", county / "out.csv")


def test_roles_are_named_with_prepare_only(county):
    output = run(county, "record", "COUNTY", county / "day.jsonl", "--may-read", "kim", status=2)
    assert "only with --prepare" in output
    assert not (county / "records").exists()


def test_every_list_made_from_half_the_records_says_so(county):
    run(county, "record", "COUNTY", county / "day.jsonl")
    (kept,) = (county / "records").glob("*/*.jsonl")
    kept.write_bytes(kept.read_bytes().replace(b"\n", b"\r\n"))
    for words in (["findings", "release", "COUNTY", county / "r.csv"],
                  ["findings", "letters", "COUNTY", county / "letters"],
                  ["findings", "snapshot", "COUNTY", county / "s.gpkg"],
                  ["findings", "photos", "COUNTY", county / "photos"],
                  ["findings", "dispose", "COUNTY", "--by", "K", "--authority", "1", "--yes"],
                  ["due", "COUNTY"]):  # fmt: skip
        assert re.search("unusable[^:]*: 1[.]", run(county, *words, status=1)), words
    assert "already on record are unusable" in run(county, "record", "COUNTY", county / "day.jsonl")
    run(county, "check", "COUNTY")  # the file brought in again makes it good
