"""What was found on site becomes part of the county."""

from __future__ import annotations

import datetime as dt
import json
import os

import pandas as pd
import pytest
from pyproj import Transformer

from geo.assessment import assess
from layers.reading.bring_in import bring_in
from layers.records import DayFile, add_day_file, write_day_file
from layers.records.disposal import due_for_disposal
from layers.records.model import content_hash
from layers.records.stores import FolderStore
from layers.settings.county_file import RecordsSection
from support import made_layers as made

TO_LONLAT = Transformer.from_crs(32616, 4326, always_xy=True)


@pytest.fixture
def county_folder(tmp_path):
    folder = made.CountyFolder(tmp_path)
    folder.add("units", made.unit_rows(), "units.gpkg")
    folder.add("discharge_points", made.outlet_rows(4), "outlets.gpkg")
    folder.add("parcels", made.parcel_rows(), "parcels.gpkg")
    folder.more = (
        '[records]\npath = "records"\n\n[programme]\nreinspection_days = { repair = 30 }\n'
    )
    return folder


def put(folder, *records):
    own = [r.model_copy(update={"county": "Test County"}) for r in records]
    content = write_day_file(DayFile("Test County", dt.date(2026, 3, 3), "Kim", tuple(own)))
    add_day_file(folder.folder / "records", content, where="f", county="Test County")


def at(easting, northing):
    lon, lat = TO_LONLAT.transform(made.ORIGIN[0] + easting, made.ORIGIN[1] + northing)
    return {"lat": lat, "lon": lon}


def march(a_visit, number, **changes):
    return a_visit(number, unit_id=f"{number:03d}", day=dt.date(2026, 3, 3), **changes)


def test_a_visit_becomes_an_inspection_once(county_folder, a_visit):
    listed = pd.DataFrame(
        {"inspection_id": ["I1"], "unit_id": ["001"], "date": ["2026-03-03"],
         "outcome": ["completed"], "result": ["repair"]}
    )  # fmt: skip
    county_folder.add("inspections", listed, "inspections.csv")
    put(
        county_folder,
        march(a_visit, 1, result="repair"),
        march(a_visit, 2, findings=[{"item": "lid", "severity": "repair"}], by_lot=True),
        a_visit(9, unit_id="999", day=dt.date(2026, 3, 3)),
    )
    county = county_folder.read()
    assert county.layers["inspections"]["inspection_id"].tolist() == ["I1", "r0002"]
    assert county.layers["inspections"]["result"].tolist() == ["repair", "repair"]
    assert county.layers["inspections"]["by_lot"].tolist()[1] is True
    aside = county.problems.query("layer == 'records'")
    assert aside["code"].tolist() == ["unit_unknown"]
    assert county.records.follow_ups["due"].tolist() == [pd.Timestamp("2026-04-02")]


def test_an_outlet_found_on_site_becomes_the_confirmed_one(county_folder, a_visit):
    outlet = {"part": "outlet", "basis": "gps", "accuracy_m": 2.0}
    put(
        county_folder,
        march(a_visit, 1, positions=[outlet | at(3, 30)]),
        march(a_visit, 6, positions=[outlet | at(503, 30)]),
    )
    county = county_folder.read()
    links = county.links.set_index("unit_id")
    assert links.loc["006", "outlet_state"] == "known"
    points = county.layers["discharge_points"].set_index("discharge_point_id")
    moved, new = points.loc["D1"], points.loc[links.loc["006", "discharge_point_id"]]
    assert (moved.geometry.x, moved.geometry.y) == pytest.approx(
        (made.ORIGIN[0] + 3, made.ORIGIN[1] + 30), abs=0.01
    )
    assert moved["accuracy95_m"] == 2.0
    assert new["unit_id"] == "006"
    assert len(points) == 5
    assert county.crs == points.crs


def test_a_phones_radius_becomes_95_percent_and_a_lid_moves(county_folder, a_visit):
    lid = {"part": "lid", "basis": "phone", "accuracy_m": 5.0} | at(4, 4)
    put(county_folder, march(a_visit, 1, positions=[lid]))
    unit = county_folder.read().layers["units"].iloc[0]
    assert unit["accuracy95_m"] == pytest.approx(5 * 2.4477 / 1.5152)
    assert unit.geometry.x == pytest.approx(made.ORIGIN[0] + 4, abs=0.01)


@pytest.mark.parametrize("part", ["lid", "well"])
@pytest.mark.parametrize("place", [(90, 0), (-90, 0), (0, 180), (0, -180), (39.7, -80)])
def test_a_place_far_from_the_one_on_record_is_not_taken(folder, a_visit, part, place):
    folder.add("units", made.unit_rows(), "units.gpkg")
    folder.add("wells", made.unit_rows(1)[["geometry"]].assign(well_id=["W1"]), "wells.gpkg")
    folder.more = '[records]\npath = "records"\n'
    # of an accuracy that cannot be true, which must not make any place one to believe
    far = {"part": part, "feature_id": "W1", "accuracy_m": 1e308, "basis": "phone",
           "lat": place[0], "lon": place[1]}  # fmt: skip
    put(folder, march(a_visit, 1, positions=[far]))
    county = folder.read()
    (doubted,) = county.problems.query("code == 'record_position_doubtful'")["message"]
    assert "on record" in doubted or "outside the county's coordinate system" in doubted
    assert county.layers["wells"].geometry.iloc[0].x == pytest.approx(made.ORIGIN[0])
    assert county.layers["units"].geometry.iloc[0].x == pytest.approx(made.ORIGIN[0])


@pytest.mark.parametrize("accuracy_m", [5e-324, 1e308])
def test_an_accuracy_that_cannot_be_true_is_that_of_the_basis(county_folder, a_visit, accuracy_m):
    lid = {"part": "lid", "basis": "gps", "accuracy_m": accuracy_m} | at(4, 4)
    put(county_folder, march(a_visit, 1, positions=[lid]))
    county = county_folder.read()
    assert county.layers["units"]["accuracy95_m"].iloc[0] == 3.0
    (text,) = county.problems.query("code == 'number_impossible'")["message"]
    assert "is not possible; the usual one is used" in text


def test_a_value_measured_without_a_riser_height_changes_no_riser(county_folder, a_visit):
    measured = [{"what": "pH", "value": 7.2, "unit": "pH"}]
    put(county_folder, march(a_visit, 1, measured=measured))
    assert county_folder.read().layers["units"]["riser_height_m"].isna().all()
    tall = [{"what": "riser height", "value": 1e308, "unit": "mi"},
            {"what": "riser height", "value": 4, "unit": "in", "qualifier": "<"}]  # fmt: skip
    put(county_folder, march(a_visit, 2, measured=tall))
    assert county_folder.read().layers["units"]["riser_height_m"].isna().all()


@pytest.mark.parametrize(
    ("position", "word"),
    [
        ({"part": "lid", "basis": "gps"} | at(60, 0), "outside parcel"),
        ({"part": "outlet", "basis": "gps"} | at(0, 900), "from the lid"),
        ({"part": "well", "basis": "gps", "feature_id": "W9"} | at(0, 0), "no wells layer"),
    ],
)
def test_a_position_that_cannot_be_believed_is_set_aside(county_folder, a_visit, position, word):
    put(county_folder, march(a_visit, 1, positions=[position]))
    county = county_folder.read()
    doubted = county.problems.query("code == 'record_position_doubtful'")
    assert len(doubted) == 1
    assert word in doubted["message"].iloc[0]
    assert county.layers["units"].geometry.iloc[0].x == made.ORIGIN[0]
    gaps = assess(county).units.set_index("unit_id")["data_gaps"]
    assert [unit for unit in gaps.index if word in gaps[unit]] == ["001"]


def test_a_well_found_on_site_that_is_not_on_record_is_a_well_of_unknown_use(
    county_folder, a_visit
):
    wells = made.unit_rows(1)[["geometry"]].assign(well_id=["W1"], use=["private"])
    county_folder.add("wells", wells, "wells.gpkg")
    found = {"part": "well", "basis": "gps", "accuracy_m": 2.0, "feature_id": "W9"}
    put(county_folder, march(a_visit, 2, positions=[found | at(103, 9)]))
    county = county_folder.read()
    new = county.layers["wells"].set_index("well_id").loc["W9"]
    assert (new.geometry.x, new.geometry.y) == pytest.approx(
        (made.ORIGIN[0] + 103, made.ORIGIN[1] + 9), abs=0.01
    )
    assert (new["use"], new["accuracy95_m"]) == ("unknown", 2.0)
    checks = assess(county).setback_checks.query("unit_id == '002' and part == 'tank'")
    assert {"W9"} <= set(checks["feature_id"])


def test_a_taped_distance_is_used_like_one_in_the_list(county_folder, a_visit):
    taped = {"part": "tank", "feature": "wells", "feature_id": "W1", "distance_m": 12.5}
    put(county_folder, march(a_visit, 1, taped=[taped]))
    row = county_folder.read().layers["taped_distances"].iloc[0]
    assert (row["unit_id"], row["feature_id"], row["distance_m"]) == ("001", "W1", 12.5)


def test_the_height_of_risers_is_the_one_measured_last(county_folder, a_visit):
    def risers(value, unit):
        return [{"what": "Risers", "value": value, "unit": unit}]

    put(
        county_folder,
        march(a_visit, 1, measured=risers(6, "in")),
        march(a_visit, 2, measured=risers(9_999, "in")),
        march(a_visit, 3, measured=risers(6, "furlong")),
    )
    heights = county_folder.read().layers["units"]["riser_height_m"]
    assert heights.iloc[0] == pytest.approx(0.1524)
    assert heights.iloc[1:3].isna().all()


def test_a_withdrawn_outlet_is_no_longer_there(county_folder, a_visit):
    from layers.records.model import Withdrawal

    put(county_folder, march(a_visit, 6, positions=[{"part": "outlet"} | at(503, 30)]))
    assert county_folder.read().links["outlet_state"].iloc[5] == "known"
    word = Withdrawal(
        kind="withdrawal", record_id="w", county="Test County", by="Office", of="r0006",
        at=dt.datetime(2026, 3, 4, tzinfo=dt.UTC), reason="it was the neighbor's",
    )  # fmt: skip
    put(county_folder, word)
    assert county_folder.read().links["outlet_state"].iloc[5] == "unknown"


# ------------------------------------------------------------------------------------ histories


def brought(folder, *files, by="Office", **columns):
    section = RecordsSection(path="records", columns=columns, values={"result": {"OK": "good"}})
    return bring_in(
        files, FolderStore(folder / "records"), section, county="Test County", by=by,
        unit_ids={"001", "002"}, as_of=dt.date(2026, 4, 1),
    )  # fmt: skip


def test_a_history_is_taken_once_row_by_row(tmp_path):
    path = tmp_path / "past.csv"
    rows = ["SYS,WHEN,outcome,result,note", "001,2024-05-01,completed,OK,=1+1",
            "001,2025-05-02,no_access,,", "777,2025-05-02,completed,OK,", "002,,completed,OK,",
            "002,someday,completed,OK,"]  # fmt: skip
    path.write_text("\n".join(rows) + "\n")
    first = brought(tmp_path, path, unit_id="SYS", date="WHEN")[0]
    assert (first.taken, first.known, first.refused) == (2, 0, "")
    assert len(first.set_aside) == 3
    assert any("777" in reason for reason in first.set_aside)
    again = brought(tmp_path, path, unit_id="SYS", date="WHEN")[0]
    assert (again.taken, again.known) == (0, 2)
    assert len(list((tmp_path / "records").rglob("*.jsonl"))) == 1


def test_a_row_put_in_above_others_adds_one_record(tmp_path):
    path = tmp_path / "past.csv"
    head, rows = "unit_id,date,outcome,result,by_lot\n", "001,2024-05-01,completed,OK,yes\n" * 2
    path.write_text(head + rows)
    assert brought(tmp_path, path)[0].taken == 2  # two rows alike are two visits
    path.write_text(head + "002,2023-01-01,completed,OK,\n" + rows)
    again = brought(tmp_path, path)[0]
    assert (again.taken, again.known) == (1, 2)
    records = FolderStore(tmp_path / "records").read().records
    assert [(r.unit_id, r.by_lot) for r in records] == [
        ("002", False), ("001", True), ("001", True),
    ]  # fmt: skip


def test_what_was_disposed_of_is_not_kept_again(tmp_path, a_visit, a_day):
    table = tmp_path / "past.csv"
    table.write_text("unit_id,date,outcome,result\n001,2001-05-01,completed,OK\n")
    brought(tmp_path, table)
    store = FolderStore(tmp_path / "records")
    dispose_of_visits(store)
    assert brought(tmp_path, table, by="Somebody else")[0].disposed == 1
    again = brought(tmp_path, table)[0]
    assert (again.taken, again.disposed) == (0, 1)
    assert "deleted earlier" in again.refused
    table.write_text(table.read_text() + "002,2025-05-01,completed,OK\n")
    more = brought(tmp_path, table)[0]
    assert (more.taken, more.disposed, more.refused) == (1, 1, "")
    assert all(b"2001" not in content for _, content in store.day_files())


def dispose_of_visits(store):
    keep, at = {"visit": 7}, dt.datetime(2026, 4, 1, tzinfo=dt.UTC)
    gone = due_for_disposal(store.read().filed, keep, today=at.date())
    assert store.dispose(gone, keep, by="Office", authority="schedule 12", at=at)[0] == len(gone)


def test_a_history_somebody_else_answers_for_is_known_already(tmp_path):
    table = tmp_path / "past.csv"
    table.write_text("unit_id,date,outcome,result\n001,2024-05-01,completed,OK\n")
    assert brought(tmp_path, table)[0].taken == 1
    again = brought(tmp_path, table, by="Somebody else")[0]
    assert (again.taken, again.known, again.disputed, again.refused) == (0, 1, [], "")


def test_a_disposed_day_file_is_not_taken_again_and_one_of_another_content_is(
    tmp_path, a_visit, a_day
):
    old = a_visit(1, county="Test County", day=dt.date(2010, 1, 1), unit_id="001")
    path, store = tmp_path / "day.jsonl", FolderStore(tmp_path / "records")
    path.write_bytes(of_test_county(old))
    assert brought(tmp_path, path)[0].taken == 1
    dispose_of_visits(store)
    again = brought(tmp_path, path)[0]
    assert (again.taken, again.disposed) == (0, 1)
    other = old.model_copy(update={"note": "another"})
    path.write_bytes(of_test_county(other))
    assert brought(tmp_path, path)[0].taken == 1


def test_a_line_of_the_log_of_version_0_1_is_not_obeyed_in_silence(tmp_path, a_visit):
    visit = a_visit(1, county="Test County", unit_id="001")
    path = tmp_path / "day.jsonl"
    path.write_bytes(of_test_county(visit, a_visit(2, county="Test County", unit_id="001")))
    (tmp_path / "records").mkdir()
    line = {"at": "x", "authority": "x", "by": "x", "day": "x", "kind": "visit", "unit_id": "001"}
    log = tmp_path / "records" / "disposal_log.jsonl"
    log.write_text(json.dumps(line | {"record_id": "r0001"}) + "\n")
    found = brought(tmp_path, path)[0]
    assert (found.taken, len(found.set_aside)) == (1, 1)
    assert "If this record was not deleted" in found.set_aside[0]


def of_test_county(*records):
    return write_day_file(DayFile("Test County", dt.date(2026, 4, 3), "Inspector 1", records))


def test_an_id_that_comes_again_with_other_content_is_a_loud_conflict(tmp_path, a_visit):
    lid = [{"item": "lid", "severity": "danger"}]
    danger = a_visit(1, county="Test County", unit_id="001", findings=lid)
    fine = a_visit(1, county="Test County", unit_id="001", result="good")
    for name, visit in (("b.jsonl", danger), ("a.jsonl", fine)):
        (tmp_path / name).write_bytes(of_test_county(visit))
    first, second = brought(tmp_path, tmp_path / "b.jsonl", tmp_path / "a.jsonl")
    assert (first.taken, second.taken, len(first.disputed)) == (1, 1, 1)
    assert "2 different contents" in second.disputed[0]
    assert content_hash(danger)[:12] in second.disputed[0]
    again = brought(tmp_path, tmp_path / "a.jsonl")[0]
    assert (again.taken, again.known, len(again.disputed)) == (0, 1, 1)  # until it is settled
    force = FolderStore(tmp_path / "records").read().in_force()
    assert force.records == (danger,)


def test_a_file_that_cannot_be_used_stops_no_other(tmp_path, a_day, a_visit):
    (tmp_path / "a.jsonl").write_bytes(a_day(a_visit()))
    (tmp_path / "b.docx").write_bytes(b"PK")
    (tmp_path / "c.csv").write_text("unit_id,date,outcome,result\n001,2024-05-01,completed,OK\n")
    county, word, table = brought(
        tmp_path, tmp_path / "a.jsonl", tmp_path / "b.docx", tmp_path / "c.csv"
    )
    assert "Larkmoor" in county.refused
    assert "is not a day file" in word.refused
    assert table.taken == 1


def test_what_a_day_file_withdraws_is_said_and_a_danger_that_counts_too(tmp_path, a_visit, word):
    lid = [{"item": "lid", "severity": "danger"}]
    danger = a_visit(1, county="Test County", unit_id="001", findings=lid)
    other = word("withdrawal", "w", of="r0001", content="0" * 64, reason="x", county="Test County")
    path = tmp_path / "day.jsonl"
    path.write_bytes(of_test_county(danger, other))
    (found,) = brought(tmp_path, path)
    assert found.dangers == ["unit 001, 2026-04-03: lid"]
    assert "about r0001" in found.words[0]
    unnamed = a_visit(2, county="Test County", unit_id="001", result="danger")
    away = word("withdrawal", "x", of="r0002", content=content_hash(unnamed), reason="x",
                county="Test County")  # fmt: skip
    path.write_bytes(of_test_county(unnamed))
    assert brought(tmp_path, path)[0].dangers == ["unit 001, 2026-04-03: item not named"]
    path.write_bytes(of_test_county(a_visit(3, county="Test County", result="danger"), away))
    assert len(brought(tmp_path, path)[0].dangers) == 1


def test_a_pipe_in_place_of_a_day_file_does_not_hang(tmp_path):
    os.mkfifo(tmp_path / "day.jsonl")
    assert "pipe" in brought(tmp_path, tmp_path / "day.jsonl")[0].refused


def test_a_history_without_a_column_of_days_says_so(tmp_path):
    (tmp_path / "c.csv").write_text("unit_id,wann\n001,2024-05-01\n")
    assert "date" in brought(tmp_path, tmp_path / "c.csv")[0].refused
