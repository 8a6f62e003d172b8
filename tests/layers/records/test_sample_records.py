"""The day files of the invented county: as Rillmark would write them, and what is heard in them."""

import base64
import io
import json
from collections import Counter
from importlib.resources import files
from pathlib import Path

import pytest
from PIL import Image

from layers.records.day_file import day_file_name, parse_day_file, write_day_file
from layers.records.model import Visit

FOLDER = Path(str(files("layers.sample_layers")))
PATHS = sorted(FOLDER.glob("records/*/*.jsonl"))


@pytest.fixture(scope="module")
def days():
    return [parse_day_file(path.read_bytes(), where=path.name) for path in PATHS]


@pytest.mark.parametrize("path", PATHS, ids=lambda path: path.stem)
def test_read_and_written_again_a_day_file_is_the_same_bytes_under_the_same_name(path):
    content = path.read_bytes()
    day = parse_day_file(content, where=path.name)
    assert day.set_aside == ()
    assert day.records
    assert write_day_file(day) == content
    assert day_file_name(day, content) == path.name
    assert path.parent.name == f"{day.day.year:04d}"
    assert {record.by for record in day.records} == {day.by}
    assert {record.at.date() for record in day.records} == {day.day}


def test_they_are_of_this_county_and_of_nobody_else(days, larkmoor):
    assert {day.county for day in days} == {larkmoor.file.county.name}
    assert {day.by for day in days} == {"Wren", "Sorrel"}
    assert max(day.day for day in days) < larkmoor.as_of
    ids = [record.record_id for day in days for record in day.records]
    assert len(ids) == len(set(ids))


def test_most_kinds_of_records_and_fields_are_among_them(days):
    records = [record for day in days for record in day.records]
    kinds = Counter(record.kind for record in records)
    assert set(kinds) == {
        "visit", "sample_result", "withdrawal", "extension", "closure", "hold",
    }  # fmt: skip
    visits = [record for record in records if isinstance(record, Visit)]
    for field in ("answers", "findings", "measured", "samples", "positions", "taped", "photos"):
        assert any(getattr(visit, field) for visit in visits), field
    assert {f.severity for visit in visits for f in visit.findings} == {
        "danger", "repair", "minor",
    }  # fmt: skip
    assert {a.answer for visit in visits for a in visit.answers} == {
        "good", "not_good", "could_not_see",
    }  # fmt: skip
    assert {"completed", "nobody_home", "no_access"} <= {visit.outcome for visit in visits}
    known = {m.what for visit in visits for m in visit.measured}
    assert known == {"risers", "pH", "dissolved oxygen", "sludge depth"}


def test_what_was_seen_is_on_the_visit_list_for_that_kind_of_unit(days, larkmoor):
    from layers.settings.visit_list import load_visit_list

    items = {item.key: item for item in load_visit_list(None).items}
    units = larkmoor.layers["units"].set_index("unit_id")
    for day in days:
        for visit in day.records:
            if isinstance(visit, Visit) and visit.answers:
                unit = units.loc[visit.unit_id]
                shown = {
                    key
                    for key, item in items.items()
                    if item.is_for(
                        kind=unit["kind"], pumped=bool(unit["pumped"]),
                        outlet_expected=unit["kind"] == "surface_discharge",
                    )
                }  # fmt: skip
                assert [a.item for a in visit.answers if a.item not in shown] == []
                assert {f.item for f in visit.findings} <= shown


def test_the_picture_is_small_invented_and_without_metadata(days):
    photos = [
        photo for day in days for r in day.records if isinstance(r, Visit) for photo in r.photos
    ]
    (photo,) = photos
    content = base64.b64decode(photo.jpeg)
    assert len(content) < 3_000
    assert "drawing" in photo.note
    picture = Image.open(io.BytesIO(content))
    assert picture.format == "JPEG"
    assert not picture.getexif()
    # only the segment that says it is a JFIF file: no other application's, and no comment
    segments = {content[k + 1] for k in range(len(content) - 1) if content[k] == 0xFF}
    assert not segments & {*range(0xE1, 0xF0), 0xFE}


def test_what_stands_of_them(larkmoor):
    stands = larkmoor.records
    state = stands.follow_ups.set_index("unit_id")["state"].to_dict()
    assert state == {
        "00412": "closed", "00487": "open", "11037": "open", "12059": "overdue", "00313": "open",
    }  # fmt: skip
    due = stands.follow_ups.set_index("unit_id")["due"]
    assert str(due["00313"].date()) == "2026-05-29"
    assert stands.conflicts["unit_id"].tolist() == ["11037"]
    assert stands.holds["unit_id"].tolist() == ["12059"]
    assert stands.withdrawn["record_id"].str.startswith("sorrel").tolist() == [True]
    assert "00478" not in set(stands.visits["unit_id"])
    assert not len(stands.loose)
    assert stands.samples["unit_id"].tolist() == ["10729", "10729"]


def test_most_of_their_visits_stand_in_the_list_too_and_count_once(larkmoor):
    visits = larkmoor.records.visits
    ours = larkmoor.layers["inspections"]
    new = ours[ours["source_row"] == 0]
    assert new[["unit_id", "result"]].to_numpy().tolist() == [["11037", "minor"]]
    assert len(visits) > 8


def test_positions_taken_stand_in_place_of_those_on_record(larkmoor):
    units = larkmoor.layers["units"].set_index("unit_id")
    assert units.loc["11919", "location_basis"] == "gps"
    assert units.loc["11919", "accuracy95_m"] == 1.5
    points = larkmoor.layers["discharge_points"].set_index("discharge_point_id")
    assert points.loc["DP-0197", ["unit_id", "location_basis"]].tolist() == ["10904", "gps"]
    listed = json.loads((FOLDER / "discharge_points.geojson").read_text("utf-8"))["features"]
    before = {f["properties"]["discharge_point_id"]: f["properties"]["unit_id"] for f in listed}
    assert before["DP-0197"] is None
    link = larkmoor.links.set_index("unit_id").loc["10904"]
    assert (link["link_method"], link["discharge_point_id"]) == ("by_id", "DP-0197")
