"""`rillmark visit` of units drawn by lot."""

from __future__ import annotations

import json
import re

import pytest
from click.testing import CliRunner

from geo.cli import main
from layers import store


@pytest.fixture
def county(tmp_path):
    rows = [f"{n:03d},39.7,{-85.8 + n / 500:.4f}" for n in range(1, 9)]
    (tmp_path / "units.csv").write_text("unit_id,lat,lon\n" + "\n".join(rows) + "\n")
    (tmp_path / "county.toml").write_text(
        '[county]\nname = "Test County"\nas_of = 2026-04-01\n[layers.units]\npath = "units.csv"\n'
    )
    return tmp_path


def run(*words):
    done = CliRunner().invoke(main, [str(word) for word in words])
    assert done.exit_code == 0, done.output
    return done.output


def test_units_drawn_by_lot_get_a_sheet_that_says_so(county):
    with (county / "county.toml").open("a") as file:
        file.write("[programme]\nvisits_per_year = 4\nrandom_share = 0.5\n")
    run("assess", county / "county.toml", "--out", county / "out", "--quiet")
    units = store.read_assessment(county / "out").units
    drawn = units.loc[units["visit_by_lot"], "unit_id"].tolist()
    assert len(drawn) == 2
    shown = json.loads(run("visit", county / "out", "--lot", "--json"))
    assert shown["units"] == drawn
    sheet = (county / "out" / "visits" / f"visit_{drawn[0]}_staff.html").read_text()
    assert "Picked at random this season" in sheet
    run("visit", county / "out", *units["unit_id"])
    for unit_id in set(units["unit_id"]) - set(drawn):
        other = (county / "out" / "visits" / f"visit_{unit_id}_staff.html").read_text()
        assert "Picked at random" not in other


def test_without_a_lot_it_says_how_there_would_be_one(county):
    run("assess", county / "county.toml", "--out", county / "out", "--quiet")
    assert "random_share" in run("visit", county / "out", "--lot")


def test_later_record_pages_have_the_same_key_and_no_other_file_has_it(county):
    def key_in(folder):
        page = (folder / "visits" / "record_staff.html").read_text("utf-8")
        return re.search(r'"key":"([A-Za-z0-9+/]{43}=)"', page).group(1)

    run("assess", county / "county.toml", "--out", county / "spring", "--quiet")
    assert "A new key for this county's record pages was made" in run(
        "visit", county / "spring", "--first", 2
    )
    key = key_in(county / "spring")
    run("assess", county / "county.toml", "--out", county / "spring", "--overwrite", "--quiet")
    assert "key" not in run("visit", county / "spring", "--first", 3)
    assert key_in(county / "spring") == key
    run("assess", county / "county.toml", "--out", county / "autumn", "--quiet")
    run("visit", county / "autumn", "003")
    assert key_in(county / "autumn") == key
    run("map", county / "spring", "--audience", "public")
    holders = {
        path.name
        for path in county.rglob("*")
        if path.is_file() and key.encode() in path.read_bytes()
    }
    (secret,) = county.glob("*.key")
    assert holders == {secret.name, "record_staff.html"}
    assert secret.name not in store.read_assessment(county / "spring").run.files
