"""``rillmark trace`` on the sample county's folder: tables, JSON, the page for the field."""

import functools
import html
import json
from pathlib import Path

import geopandas as gpd
import pytest
from click.testing import CliRunner

import geo
import layers
from geo.cli import main
from geo.cli.trace_options import place_of
from geo.publish.shared.file_names import down_page
from geo.results import cautions
from geo.waters.way_chances import SWITCHED_OFF
from layers import store
from support.assessments import with_run, with_tables


@pytest.fixture(scope="module")
def folder(larkmoor_result, tmp_path_factory):
    out = tmp_path_factory.mktemp("traced") / "spring"
    larkmoor_result.write(out)
    return str(out)


@pytest.fixture(autouse=True)
def read_once(monkeypatch, folder):
    """The shared folder does not change: it is read from disk once for all these commands."""
    read = store.read_assessment

    def once(path, **how):
        return as_read(read, folder) if str(path) == folder and not how else read(path, **how)

    monkeypatch.setattr(store, "read_assessment", once)


@functools.cache
def as_read(read, folder):
    return read(folder)


def run(*args, status=0):
    got = CliRunner().invoke(main, ["trace", *args])
    assert got.exit_code == status, got.output
    return got.output


def test_up_says_what_it_is_and_writes_its_files(folder, tmp_path):
    place, page, table = "26.495323, -88.488955", tmp_path / "up.html", tmp_path / "up.csv"
    output = run("up", folder, "--at", place, "--page", str(page), "--csv", str(table))
    for caution in (cautions.STAFF_ONLY, cautions.PLACES_TO_LOOK, cautions.UNMAPPED_PIPES,
                    cautions.TRACE, cautions.SCREENING):  # fmt: skip
        assert output.count(caution) == 1, caution
    held = json.loads(run("up", folder, "--at", place, "--json"))
    along = [row["along_m"] for row in held["candidates"]]
    assert len(along) > 100
    assert f"{len(along)} discharge points" in output
    assert along == sorted(along)
    assert len(table.read_text("utf-8").splitlines()) == len(along) + 1
    text = page.read_text("utf-8")
    assert "<script" not in text
    assert "http" not in text.replace("http-equiv", "").replace("http://www.w3.org/2000/svg", "")
    assert cautions.TRACE in text
    assert f"{len(along)} places to check" in text
    # both errors, in words a person in the field can use, and those the ground alone leaves out
    for shown in (output, text):
        assert "(20 of 20)" in shown
        assert "of 20 computer runs)" in shown
    drawn = [row for row in held["candidates"] if row["draws"]]
    assert {row["draws"] for row in drawn} == {20}
    assert any(row["chance"] < row["chance_by_position"] - 0.1 for row in drawn)
    assert held["others"]
    assert not {row["unit_id"] for row in held["others"]} & {
        row["unit_id"] for row in held["candidates"]
    }
    assert f"{held['others'][0]['unit_id']} about" in text
    assert "not ruled out" in text


def test_a_folder_without_draws_says_so_and_tells_no_chance(larkmoor_result, tmp_path):
    out = tmp_path / "no_draws"
    kept = ("drawn_entries", "drawn_passes")
    result = with_tables(larkmoor_result, **{n: larkmoor_result.tables[n].iloc[:0] for n in kept})
    with_run(result, way_draws={"made": 0, "asked": 0, "note": SWITCHED_OFF}).write(out)
    place = "26.495323, -88.488955"
    output = run("up", str(out), "--at", place)
    assert "if the terrain is right" in output
    assert SWITCHED_OFF in output
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
    output = run("down", folder, unit["unit_id"])
    for caution in (cautions.STAFF_ONLY, cautions.UNMAPPED_PIPES, cautions.NONE_ON_RECORD,
                    cautions.TRACE, cautions.SCREENING):  # fmt: skip
        assert output.count(caution) == 1, caution
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
    assert "First downstream" in before
    assert unit["downstream_place"] in before
    assert f"rillmark trace down DIR {name} --beside" in before
    run("down", folder, name, "--beside")
    made = Path(folder) / down_page(name)
    assert made.name in json.loads((Path(folder) / "run.json").read_text("utf-8"))["files"]
    after = sheet()
    assert f'href="../{made.name}"' in after
    assert "--beside" not in after
    assert "Who to notify if this unit fails" in made.read_text("utf-8")


def test_a_proposal_tells_every_figure_and_writes_its_shapes_and_page(larkmoor_toml, tmp_path):
    area, page = tmp_path / "area.geojson", tmp_path / "proposal.html"
    place = ["--lid", "26.49520, -88.48850", "--outlet", "26.4955, -88.4888", "--riser", "8 in"]
    args = ["proposal", str(larkmoor_toml), *place, "--draws", "3", "--area", str(area),
            "--page", str(page), "--quiet"]  # fmt: skip
    held = json.loads(run(*args, "--json"))
    # the valley drains in from beyond the terrain: no state, and no chance
    assert held["unit"]["lid_wet_state"] == "edge"
    assert held["unit"]["lid_wet_100yr_probability"] is None
    assert "lid_freeboard_100yr_m" in held["unit"]  # null where no water stands
    assert held["unit"]["riser_height_m"] == pytest.approx(8 * 0.0254)
    for part in held["allowed"]:
        assert part["surely_area_m2"] < part["area_m2"]
    shapes = gpd.read_file(area)
    assert set(shapes["held"]) == {"as_drawn", "surely"}
    whole = shapes[shapes["rule_id"].isna()]
    assert sorted(whole["part"]) == ["discharge_point", "discharge_point", "tank", "tank"]
    text = page.read_text("utf-8")
    assert cautions.PROPOSAL in text
    assert "<script" not in text
    assert "Limiting setback, each edge" in text
    output = run(*args[:-1], "--quiet", "--draws", "0")
    assert "Chances of water over the lid are not calculated" in output
    assert "all adopted setbacks are met" in output
    # labels, units and verdicts as on the page; no name of a column, no code
    assert (
        "\ntank stream\tLK-083\t50 ft\t23 ft, give or take 29 ft\tappears inside its setback\n"
        in output
    )
    assert "\nGround rises to it by\t5.3 ft\n" in output
    assert "\nFlow path ends at\ta stream\n" in output
    assert cautions.SCREENING in output
    assert cautions.STAFF_ONLY in output
    assert "5.3 ft higher than at the lid" in output
    figures = [line for line in output.splitlines() if "\t" in line]
    assert not [line for line in figures if "_" in line]
    shown = html.unescape(text)
    for line in figures:
        label, *cells = line.split("\t")
        assert label in {"rule", "item"} or all(f">{cell}<" in shown for cell in (label, *cells))


def test_what_cannot_be_traced_is_one_message(folder, tmp_path):
    output = store.read_assessment(folder).context["streams"]["stream_id"].iloc[0]
    run("up", folder, "--stream", output)
    assert "latitude first" in run("up", folder, "--at", "here", status=2)
    assert "no places" in run("up", folder, status=2)
    assert "2 places" in run("up", folder, "--stream", output, "--drain", output, status=2)
    run("up", str(tmp_path), "--at", "26.5, -88.5", status=2)
    for given in ("-88.5, 26.5", "26.5, 88.5"):
        assert "did you mean 26.5, -88.5?" in run("up", folder, "--at", given, status=2)
    assert f"did you mean '{output}'?" in run(
        "up", folder, "--stream", f" {output.lower()}", status=2
    )
    assert "it is the id of a drain" in run("up", folder, "--stream", "D-13", status=2)
    assert "did you mean '00109'?" in run("down", folder, "109", status=2)
    assert "with any leading zeros" in run("down", folder, "no such unit", status=2)
    point = store.read_assessment(folder).discharge_points.dropna(subset=["unit_id"]).iloc[0]
    answer = run("down", folder, point["discharge_point_id"], status=2)
    assert f"use its unit, {point['unit_id']}" in answer


def test_files_that_could_not_be_written_are_refused_before_the_work(
    folder, larkmoor_toml, tmp_path
):
    gone, one = str(tmp_path / "gone" / "x"), str(tmp_path / "one")
    lid = ["--lid", "26.4952, -88.4885"]
    assert "does not exist" in run("up", folder, "--stream", "LK-018", "--page", gone, status=2)
    assert "does not exist" in run("down", folder, "00109", "--csv", gone, status=2)
    output = run("proposal", str(larkmoor_toml), *lid, "--area", gone, status=2)
    assert "does not exist" in output
    assert "reading" not in output
    output = run("proposal", str(larkmoor_toml), *lid, "--area", one, "--page", one, status=2)
    assert "two results would go into one file" in output
    output = run("proposal", str(larkmoor_toml), *lid, "--area", str(larkmoor_toml), status=2)
    assert "the county is read from this file" in output
    assert not Path(one).exists()


def test_a_county_of_units_alone_can_be_asked(tmp_path):
    """No terrain, no water, no parcels, no outlets: each command says what it cannot tell."""
    county = tmp_path / "county.toml"
    county.write_text(
        '[county]\nname = "Bare County (invented)"\nas_of = 2026-04-01\nshow_units = "si"\n'
        '[layers.units]\npath = "units.csv"\ncrs = "EPSG:4326"\n', "utf-8"
    )  # fmt: skip
    rows = "unit_id,lat,lon,kind\n001,26.495,-88.488,surface_discharge\n"
    (tmp_path / "units.csv").write_text(rows, "utf-8")
    geo.assess(layers.read_county(county)).write(tmp_path / "out")
    page, out = str(tmp_path / "page.html"), str(tmp_path / "out")
    output = run("up", out, "--at", "26.495, -88.488", "--page", page)
    assert "no discharge point on record" in output
    assert "within 25 m. Search farther." in output
    assert "Not followed, because no layer was given: streams, water bodies, drains." in output
    assert "this assessment has no stream" in run("up", out, "--stream", "X", status=2)
    assert "No flow path is known" in run("down", out, "001", "--page", page)
    output = run("proposal", str(county), "--lid", "26.495, -88.4881", "--page", page, "--quiet")
    assert "No adopted setback table applies." in output
    assert "No parcel on record holds the lid" in output
    assert "No discharge point was given" in output
    assert "wells" in output.split("Not checked, because no layer was given: ")[1]


@pytest.mark.parametrize(
    ("typed", "place"),
    [
        ("26.5, -88.5", (26.5, -88.5)),
        ("26.5 -88.5", (26.5, -88.5)),
        ("26.5N, 88.5W", (26.5, -88.5)),
        ("88.5 W 26.5 N", (26.5, -88.5)),
        ("26° 30.0000' N  88° 30.0000' W", (26.5, -88.5)),
        ("26°30'00\"N 88°30'00\"W", (26.5, -88.5)),
        # FGDC-STD-011-2001, figure 3: the monument in Washington, to 10 m
        ("18S UJ 2348 0647", (38.88943, -77.03522)),
    ],
)
def test_places_are_read_as_sheets_and_maps_write_them(typed, place):
    assert place_of(typed) == pytest.approx(place, abs=1e-5)


@pytest.mark.parametrize("typed", ["26.5", "26.5 N, 88.5 N", "26,5, -88,5", "26.5 -88.5 7", "here"])
def test_what_is_no_place_is_refused(typed):
    got = CliRunner().invoke(main, ["trace", "up", "x", "--at", typed])
    assert got.exit_code == 2
    assert 'write it as "26.5001, -88.5002"' in got.output


def test_lengths_are_typed_with_their_unit(folder):
    def reach(*typed):
        output = run("up", folder, "--at", "26.495323, -88.488955", "--json", "--within", *typed)
        return json.loads(output)["within_m"]

    assert reach("80 ft") == pytest.approx(80 * 0.3048)
    assert reach("25") == reach("25m") == 25
    for typed in ("25 yd", "-3", "2 mi", "near"):
        assert "--within" in run("up", folder, "--at", "26.5, -88.5", "--within", typed, status=2)
