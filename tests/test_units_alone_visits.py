"""A list of units alone, ids as hostile as they come: sheets, letters, records."""

from __future__ import annotations

import json

import pytest
from click.testing import CliRunner

from geo.cli import main

IDS = ["a/b", "a_b", "../../x", "<script>alert(1)</script>", "=1+1", "L" * 300, "con", "plain"]


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    place = tmp_path_factory.mktemp("hostile")
    rows = [f"{unit},{26.5 + k / 1000},-88.5,{k} Invented Way" for k, unit in enumerate(IDS)]
    (place / "units.csv").write_text("unit_id,lat,lon,address\n" + "\n".join(rows) + "\n")
    (place / "county.toml").write_text(
        '[county]\nname = "Test County"\nas_of = 2026-04-01\n[layers.units]\npath = "units.csv"\n'
    )
    run(0, "assess", place / "county.toml", "--out", place / "out", "--quiet")
    return place


def run(status, *words):
    done = CliRunner().invoke(main, [str(word) for word in words])
    assert done.exit_code == status, done.output
    assert done.exception is None or isinstance(done.exception, SystemExit)
    return done.output


def test_every_unit_gets_a_sheet_of_its_own_inside_the_folder(folder):
    out = folder / "out"
    shown = json.loads(run(0, "visit", out, "--first", len(IDS), "--json"))
    assert set(shown["units"]) == set(IDS)
    sheets = sorted((out / "visits").glob("visit_*_staff.html"))
    assert len(sheets) == len(IDS)
    somewhere = [*folder.rglob("visit_*"), *folder.parent.glob("visit_*")]
    assert not [path for path in somewhere if (out / "visits") not in path.parents]
    for sheet in sheets:
        assert "<script>alert" not in sheet.read_text("utf-8")
    # asked for one at a time, a unit keeps the name it had among the others
    before = {path.name: path.read_bytes() for path in sheets}
    run(0, "visit", out, "a/b")
    run(0, "visit", out, "a_b")
    assert {p.name: p.read_bytes() for p in (out / "visits").glob("visit_*")} == before


def test_an_unknown_unit_beside_the_first_ones_is_refused(folder):
    assert "there is no unit 'nope'" in run(2, "visit", folder / "out", "nope", "--first", "2")


@pytest.mark.parametrize(
    "words",
    [
        ["list", "COUNTY"],
        ["letters", "COUNTY", "out"],
        ["snapshot", "COUNTY", "out.gpkg"],
        ["release", "COUNTY", "out.csv"],
        ["hold", "COUNTY", "--by", "Kim", "--reason", "appeal"],
        ["dispose", "COUNTY", "--by", "Kim", "--authority", "schedule 12"],
    ],
)
def test_findings_without_a_place_for_records_say_what_to_add(folder, words):
    county = str(folder / "county.toml")
    text = run(2, "findings", *[county if word == "COUNTY" else word for word in words])
    assert "[records]" in text
    assert 'path = "records/"' in text


def test_a_folder_where_nothing_can_be_made_is_one_message(folder):
    text = run(2, "new", folder / "units.csv" / "below")
    assert "units.csv" in text
    assert "Fix:" in text


@pytest.mark.parametrize("damage", ["{", ""])
def test_a_damaged_folder_is_one_message_and_is_written_anew(folder, damage):
    out = folder / "damaged"
    run(0, "assess", folder / "county.toml", "--out", out, "--quiet", "--overwrite")
    (out / "run.json").write_text(damage)
    for words in (["report", out], ["visit", out, "plain"], ["compare", folder / "out", out]):
        text = run(2, *words)
        assert "run.json" in text
        assert "--overwrite" in text
    run(0, "assess", folder / "county.toml", "--out", out, "--quiet", "--overwrite")
    run(0, "visit", out, "plain")
