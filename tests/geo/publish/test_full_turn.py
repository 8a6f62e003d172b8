"""A full turn: assess, a sheet, findings written down on a phone, brought in, assess again."""

from __future__ import annotations

import pytest
from click.testing import CliRunner

from geo.cli import main
from layers import store

UNIT = "003"


@pytest.fixture
def county(tmp_path):
    rows = ["unit_id,lat,lon,location_basis,kind,installed"]
    rows += [
        f"{n:03d},39.7,{-85.8 + n / 500:.4f},gps,surface_discharge,{1980 + 5 * n}"
        for n in range(1, 9)
    ]
    (tmp_path / "units.csv").write_text("\n".join(rows) + "\n")
    wells = [f"W{n},private,39.7004,{-85.8 + n / 500:.4f}" for n in (1, 2)]
    (tmp_path / "wells.csv").write_text("well_id,use,lat,lon\n" + "\n".join(wells) + "\n")
    outlets = [f"D{n},{n:03d},39.6998,{-85.8 + n / 500:.4f}" for n in (1, 2)]
    (tmp_path / "outlets.csv").write_text(
        "discharge_point_id,unit_id,lat,lon\n" + "\n".join(outlets) + "\n"
    )
    (tmp_path / "county.toml").write_text(
        '[county]\nname = "Test County"\nas_of = 2026-12-31\n'
        '[layers.units]\npath = "units.csv"\n[layers.wells]\npath = "wells.csv"\n'
        '[layers.discharge_points]\npath = "outlets.csv"\n'
        '[records]\npath = "records"\n'
        "[programme]\nvisits_per_year = 4\nreinspection_days = { danger = 2, repair = 30 }\n"
    )
    return tmp_path


def run(*words):
    done = CliRunner().invoke(main, [str(word) for word in words])
    assert done.exit_code == 0, done.output
    return done.output


@pytest.mark.browser
def test_what_was_found_changes_class_sheet_and_map(browser, county):
    out, toml = county / "out", county / "county.toml"
    run("assess", toml, "--out", out, "--quiet")
    before = store.read_assessment(out).units.set_index("unit_id").loc[UNIT]
    assert before["outlet_state"] == "unknown"
    assert before["last_result"] == "unknown"
    run("visit", out, UNIT, "001")
    assert (
        "discharge point is not on record"
        in (out / "visits" / f"visit_{UNIT}_staff.html").read_text()
    )

    context = browser.new_context(
        viewport={"width": 390, "height": 844}, accept_downloads=True, locale="en-US"
    )
    page = context.new_page()
    page.goto((out / "visits" / "record_staff.html").as_uri())
    page.get_by_label("Your name").fill("Kim")
    page.get_by_role("button", name=UNIT).click()
    page.get_by_label("Date of visit").fill("2026-12-01")
    page.get_by_label("completed", exact=True).check()
    lids = page.get_by_role("group", name="Access and covers")
    lids.get_by_label("Not good").check()
    lids.get_by_label("Dangerous condition").check()
    page.get_by_label("longitude (discharge point)").fill(f"39.6997, {-85.8 + 3 / 500:.4f}")
    page.get_by_role("button", name="Back to list").first.click()
    with page.expect_download() as download:
        page.get_by_role("button", name="Export today's visits").click()
    day = county / download.value.suggested_filename
    download.value.save_as(day)
    context.close()
    assert day.name == "2026-12-01_kim.jsonl"

    assert "1 record added" in run("record", toml, day)
    run("assess", toml, "--out", out, "--quiet", "--overwrite")
    result = store.read_assessment(out)
    after = result.units.set_index("unit_id").loc[UNIT]
    assert after["outlet_state"] == "known"
    assert bool(after["link_confirmed"])
    assert after["last_result"] == "danger"
    assert after["days_since_inspection"] == 30
    assert (after["ranked_by"], after["rank"], after["visit_class"]) == ("owed", 1, "first")
    assert result.visits.owed["obligation"].tolist() == ["follow_up"]
    run("visit", out, UNIT)
    sheet = (out / "visits" / f"visit_{UNIT}_staff.html").read_text()
    assert "Overdue by 28 days (due by December 3, 2026)" in sheet
    assert "From the lids, go 110 ft at S 0° " in sheet
    assert "follow_up" not in sheet
    page = browser.new_page()
    page.goto((out / "map_staff.html").as_uri())
    page.get_by_role("searchbox").fill(UNIT)
    page.keyboard.press("Enter")
    page.get_by_text("Follow-up was due December 3, 2026").first.wait_for()
    page.close()
    # closed with evidence, nothing is owed any more
    run("findings", "close", toml, f"{_record_id(day)}/1", "--by", "Kim", "--evidence", "photo 3")
    run("assess", toml, "--out", out, "--quiet", "--overwrite", "--as-of", "2999-01-01")
    assert len(store.read_assessment(out).visits.owed) == 0


def _record_id(day):
    from layers.records import parse_day_file

    return parse_day_file(day.read_bytes(), where="day").records[0].record_id


def test_a_folder_open_in_another_program_does_not_stop_the_next_assessment(county):
    out, toml = county / "out", county / "county.toml"
    run("assess", toml, "--out", out, "--quiet")
    with (out / "assessment.gpkg").open("rb") as held, (out / "priorities.csv").open() as also:
        held.read(10)
        also.read(10)
        run("assess", toml, "--out", out, "--quiet", "--overwrite")
    assert len(store.read_assessment(out).units) == 8
