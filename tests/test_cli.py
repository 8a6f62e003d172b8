"""The commands as a new user types them."""

import json
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

from geo.cli import main
from geo.results import cautions


@pytest.fixture(scope="module")
def demo(demo_run):
    return demo_run, demo_run.folder


def test_demo_ends_with_the_path_of_a_map(demo):
    run, out = demo
    assert run.exit_code == 0, run.output
    *_, last, caution = run.stdout.strip().splitlines()
    assert Path(last) == (out / "map_staff.html").resolve()
    assert Path(last).stat().st_size > 100_000
    assert "invented" in run.stdout
    assert caution == cautions.SCREENING


def test_demo_folder_holds_what_it_should(demo):
    _, out = demo
    names = {p.name for p in out.iterdir()}
    assert names == {
        "assessment.gpkg",
        "priorities.csv",
        "problems.csv",
        "map_staff.html",
        "report_staff.html",
        "report_appendix_staff.html",
        "priorities.xlsx",
        "pond_depth_brim.tif",
        *(f"pond_depth_{years}yr.tif" for years in (1, 2, 5, 10, 25, 50, 100)),
        "relief.tif",
        "sensitivity.tif",
        *(f"sensitivity_{name}.tif" for name in ("at_most", "unknown")),
        *(
            f"sensitivity_{part}.tif"
            for part in ("well", "water", "place", "neighbours", "wetness")
        ),
        "run.json",
        "county",
    }
    assert not list(out.parent.glob(".*"))


def folder_state(folder):
    return {p: p.read_bytes() for p in folder.rglob("*") if p.suffix not in (".pyc", "")}


def test_every_command_the_demo_names_works_and_writes_into_its_copy_only(
    demo, larkmoor_toml, tmp_path
):
    run, out = demo
    package = folder_state(larkmoor_toml.parent)
    copy = tmp_path / "a copy"  # of the demo's folder, so that other tests find it as it was
    shutil.copytree(out, copy)
    named = [line.strip() for line in run.stdout.splitlines() if line.startswith("  rillmark ")]
    assert len(named) >= 5
    for line in named:
        words = [word.replace(str(out), str(copy)) for word in shlex.split(line)[1:]]
        done = CliRunner().invoke(main, words)
        # a check of this county ends with 1: some of its rows are wrong on purpose
        assert done.exit_code == (1 if words[0] == "check" else 0), (line, done.output)
    county = str(copy / "county" / "county.toml")
    shown = CliRunner().invoke(main, ["findings", "list", county, "--as-of", "2026-04-01"]).output
    assert "2025-11-03  overdue  unit 12059  access (danger)" in shown
    assert "Hold on unit 12059" in shown
    assert "unit 11037, 2025-09-17: result: good / minor" in shown
    close = ["findings", "close", county, "sorrel-2025-10-27-1/1", "--evidence", "new lid seen",
             "--by", "Wren"]  # fmt: skip
    done = CliRunner().invoke(main, close)
    assert done.exit_code == 0, done.output
    assert "12059  access" not in CliRunner().invoke(main, ["findings", "list", county]).output
    assert folder_state(larkmoor_toml.parent) == package


@pytest.mark.long
def test_sheets_of_all_visits_owed_are_made(demo, tmp_path):
    _, out = demo
    copy = tmp_path / "copy"
    shutil.copytree(out, copy)
    for words in (["visit", str(copy), "--due"], ["visit", str(copy), "11310"],
                  ["trace", "down", str(copy), "11142"]):  # fmt: skip
        done = CliRunner().invoke(main, words)
        assert done.exit_code == 0, done.output


def test_the_copy_of_the_county_is_kept_when_the_demo_is_run_again(tmp_path):
    from geo.cli.demo import _copied

    county = tmp_path / "out" / "county"
    toml = _copied(county)
    assert toml.is_file()
    assert not list(county.rglob("*.py"))
    assert not list((tmp_path / "out").glob(".*"))
    mine = county / "records" / "2026" / "mine.jsonl"
    mine.write_text("kept")
    (tmp_path / "out" / ".county.part").mkdir()  # left by a run that was cut
    assert _copied(county) == toml
    assert mine.read_text() == "kept"


def test_map_can_be_drawn_again_with_the_same_bytes(demo):
    _, out = demo
    before = (out / "map_staff.html").read_bytes()
    run = CliRunner().invoke(main, ["map", str(out), "--json"])
    assert run.exit_code == 0, run.output
    assert (out / "map_staff.html").read_bytes() == before


def test_check_reports_layers_and_faults(larkmoor_toml):
    run = CliRunner().invoke(main, ["check", str(larkmoor_toml), "--json"])
    assert run.exit_code == 1  # planted errors
    report = json.loads(run.stdout)
    layers = {row["layer"] for row in report["layers"]}
    assert {"units", "wells", "streams", "discharge_points"} <= layers
    assert any(p["code"] == "id_duplicate" for p in report["problems"])
    plain = CliRunner().invoke(main, ["check", str(larkmoor_toml)])
    assert "not used" in plain.output


def test_assess_does_not_replace_unasked(demo, larkmoor_toml):
    _, out = demo
    run = CliRunner().invoke(main, ["assess", str(larkmoor_toml), "--out", str(out)])
    assert run.exit_code == 2
    assert "--overwrite" in run.output


def test_new_writes_settings_that_load(tmp_path):
    run = CliRunner().invoke(main, ["new", str(tmp_path / "ours")])
    assert run.exit_code == 0, run.output
    again = CliRunner().invoke(main, ["new", str(tmp_path / "ours")])
    assert again.exit_code == 2
    assert "Fix: " in again.output
    from layers.settings.county_file import CountyFile
    from layers.settings.priority_settings import load_priorities
    from layers.settings.setback_tables import load_setbacks
    from layers.settings.settings_file import load_model

    load_model(tmp_path / "ours" / "county.toml", CountyFile)
    load_priorities(tmp_path / "ours" / "priorities.toml")
    tables = load_setbacks(tmp_path / "ours" / "setbacks.toml").tables
    assert not any(table.adopted_by for table in tables)  # examples, never in force unasked
    assert all(rule.source for table in tables for rule in table.rules)


@pytest.mark.parametrize(
    "args", [["check", "nowhere/county.toml"], ["assess", "nowhere/county.toml", "--out", "x"],
             ["map", "nowhere"]],
)  # fmt: skip
def test_bad_calls_give_one_message_and_exit_2(args, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    run = CliRunner().invoke(main, args)
    assert run.exit_code == 2
    assert "Fix: " in run.output
    assert "Traceback" not in run.output
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("command", [[], ["demo"], ["new"], ["check"], ["assess"], ["map"]])
def test_help_has_an_example(command):
    run = CliRunner().invoke(main, [*command, "--help"])
    assert run.exit_code == 0
    assert "rillmark" in run.output


def test_help_is_quick_because_nothing_heavy_is_imported():
    code = (
        "import sys; from geo.cli import main\n"
        "try: main(['--help'])\n"
        "except SystemExit: pass\n"
        "heavy = {'numpy','pandas','geopandas','numba','rasterio','pydantic','folium','rich'}\n"
        "assert not heavy & set(sys.modules), heavy & set(sys.modules)"
    )
    subprocess.run([sys.executable, "-c", code], check=True, capture_output=True)
