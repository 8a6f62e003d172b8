"""``rillmark trace`` on the sample county's folder: tables, JSON, the page for the field."""

import json
from dataclasses import replace
from pathlib import Path

import geopandas as gpd
import pytest
from click.testing import CliRunner

from geo.cli import main
from geo.publish.file_names import down_page
from geo.waters.way_chances import SWITCHED_OFF
from layers import store


@pytest.fixture(scope="module")
def folder(larkmoor_result, tmp_path_factory):
    out = tmp_path_factory.mktemp("traced") / "spring"
    larkmoor_result.write(out)
    return str(out)


def run(*args, status=0):
    got = CliRunner().invoke(main, ["trace", *args])
    assert got.exit_code == status, got.output
    return got.output


def test_up_says_what_it_is_and_writes_its_files(folder, tmp_path):
    place, page, table = "26.495323, -88.488955", tmp_path / "up.html", tmp_path / "up.csv"
    told = run("up", folder, "--at", place, "--page", str(page), "--csv", str(table))
    assert "to look at" in told
    assert "screening, not a finding" in told
    held = json.loads(run("up", folder, "--at", place, "--json"))
    along = [row["along_m"] for row in held["candidates"]]
    assert len(along) > 100
    assert along == sorted(along)
    assert len(table.read_text("utf-8").splitlines()) == len(along) + 1
    text = page.read_text("utf-8")
    assert "<script" not in text
    assert "http" not in text.replace("http-equiv", "").replace("http://www.w3.org/2000/svg", "")
    assert "screening, not a finding" in text
    assert f"{len(along)} places to look at" in text
    # both errors, in words a person in the field can use, and those the ground alone leaves out
    assert "of 20 draws" in told
    assert "of 20 draws" in text
    drawn = [row for row in held["candidates"] if row["draws"]]
    assert {row["draws"] for row in drawn} == {20}
    assert any(row["chance"] < row["chance_by_position"] - 0.1 for row in drawn)
    assert held["others"]
    assert not {row["unit_id"] for row in held["others"]} & {
        row["unit_id"] for row in held["candidates"]
    }
    assert f"{held['others'][0]['unit_id']} in" in text
    assert "not ruled out" in text


def test_a_folder_without_draws_says_so_and_tells_no_chance(larkmoor_result, tmp_path):
    out = tmp_path / "no_draws"
    kept = ("drawn_entries", "drawn_passes")
    result = replace(larkmoor_result, **{n: getattr(larkmoor_result, n).iloc[:0] for n in kept})
    store.with_run(result, way_draws={"made": 0, "asked": 0, "note": SWITCHED_OFF}).write(out)
    place = "26.495323, -88.488955"
    told = run("up", str(out), "--at", place)
    assert "if the ground is right" in told
    assert SWITCHED_OFF in told
    held = json.loads(run("up", str(out), "--at", place, "--json"))
    assert all(row["chance"] is None or row["draws"] is None for row in held["candidates"])
    assert held["others"] == []


def test_down_reads_back_the_same_as_the_result_says(folder, larkmoor_result, tmp_path):
    units = larkmoor_result.units
    unit = units[units["downstream_place"].notna() & (units["path_end"] == "stream")].iloc[0]
    page = tmp_path / "down.html"
    held = json.loads(run("down", folder, unit["unit_id"], "--page", str(page), "--json"))
    along = {row["id"]: row["along_m"] for row in held["notices"]}
    assert along[unit["downstream_place"]] == pytest.approx(unit["downstream_m"], abs=0.1)
    assert "for staff only" in run("down", folder, unit["unit_id"])
    assert unit["downstream_place"] in page.read_text("utf-8")


def test_the_sheet_says_who_is_downstream_and_links_to_the_page_beside_it(folder, larkmoor_result):
    units = larkmoor_result.units
    unit = units[units["downstream_place"].notna() & (units["path_end"] == "stream")].iloc[0]
    name = unit["unit_id"]

    def sheet():
        got = CliRunner().invoke(main, ["visit", folder, name])
        assert got.exit_code == 0, got.output
        return (Path(folder) / "visits" / f"visit_{name}_staff.html").read_text("utf-8")

    before = sheet()
    assert "First down the water" in before
    assert unit["downstream_place"] in before
    assert f"rillmark trace down DIR {name} --beside" in before
    run("down", folder, name, "--beside")
    made = Path(folder) / down_page(name)
    assert made.name in json.loads((Path(folder) / "run.json").read_text("utf-8"))["files"]
    after = sheet()
    assert f'href="../{made.name}"' in after
    assert "--beside" not in after
    assert "Whom to tell if this unit fails" in made.read_text("utf-8")


def test_a_proposal_tells_every_figure_and_writes_its_shapes_and_page(larkmoor_toml, tmp_path):
    area, page = tmp_path / "area.geojson", tmp_path / "proposal.html"
    place = ["--lid", "26.49520, -88.48850", "--outlet", "26.4955, -88.4888", "--riser", "0.2"]
    args = ["proposal", str(larkmoor_toml), *place, "--draws", "10", "--area", str(area),
            "--page", str(page), "--quiet"]  # fmt: skip
    held = json.loads(run(*args, "--json"))
    assert 0 <= held["unit"]["lid_wet_100yr_probability"] <= 1
    assert "lid_freeboard_100yr_m" in held["unit"]  # null where no water stands
    for part in held["allowed"]:
        assert part["surely_area_m2"] < part["area_m2"]
    shapes = gpd.read_file(area)
    assert set(shapes["held"]) == {"as_drawn", "surely"}
    whole = shapes[shapes["rule_id"].isna()]
    assert sorted(whole["part"]) == ["discharge_point", "discharge_point", "tank", "tank"]
    text = page.read_text("utf-8")
    assert "Screening only" in text
    assert "<script" not in text
    assert "What bites at each edge" in text
    told = run(*args[:-1], "--quiet", "--draws", "0")
    assert "Chances of water over the lid are not told" in told
    assert "surely, with the accuracy of the positions" in told


def test_what_cannot_be_traced_is_one_message(folder, tmp_path):
    told = store.read(folder).context["streams"]["stream_id"].iloc[0]
    run("up", folder, "--stream", told)
    run("up", folder, "--at", "here", status=2)
    run("up", folder, status=2)
    run("down", folder, "no such unit", status=2)
    run("up", str(tmp_path), "--at", "26.5, -88.5", status=2)
