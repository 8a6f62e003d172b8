"""What version 0.1 wrote opens in every later version: its folder, its records."""

import json
import shutil
import zipfile
from pathlib import Path

import pytest
from click.testing import CliRunner

from geo.cli import main
from layers import read_county, store

WRITTEN = Path(__file__).parent / "fixtures" / "version_0_1"
EXPECTED = json.loads((WRITTEN / "expected.json").read_text("utf-8"))


@pytest.fixture(scope="module")
def copy(tmp_path_factory):
    """The folder and the county, unpacked anew."""
    place = tmp_path_factory.mktemp("version_0_1")
    with zipfile.ZipFile(WRITTEN / "assessment.zip") as packed:
        packed.extractall(place)
    shutil.copytree(WRITTEN / "county", place / "county")
    return place


def run(*words, status=0):
    text = CliRunner().invoke(main, [str(word) for word in words])
    assert text.exit_code == status, text.output
    return text.output


def test_its_folder_reads_whole(copy):
    got = store.read_assessment(copy / "assessment")
    assert got.run.format is None
    assert got.run.versions["rillmark"] == "0.1.0"
    assert {name: len(got.tables[name]) for name in EXPECTED["rows"]} == EXPECTED["rows"]
    assert {name: len(table) for name, table in got.context.items()} == EXPECTED["context"]
    assert sorted(got.rasters) == EXPECTED["rasters"]
    assert got.units["unit_id"].tolist() == EXPECTED["order"]
    assert got.units["reasons"].iloc[0] == EXPECTED["first_unit_reasons"]
    assert got.rasters["relief"].shape == (130, 130)


@pytest.mark.parametrize(
    "words",
    [
        ["map", "FOLDER"],
        ["map", "FOLDER", "--audience", "public"],
        ["report", "FOLDER"],
        ["report", "FOLDER", "--audience", "public"],
        ["visit", "FOLDER", "00523", "00460"],
        ["compare", "FOLDER", "FOLDER"],
        ["trace", "down", "FOLDER", "00556", "--beside"],
    ],
    ids=" ".join,
)
def test_every_command_works_on_its_folder(copy, words):
    folder = copy / "assessment"
    run(*[folder if word == "FOLDER" else word for word in words])
    listed = json.loads((folder / "run.json").read_text("utf-8"))["files"]
    for path in folder.rglob("*"):
        if path.is_file() and path.name != "run.json":
            assert store.file_sha256(path) == listed[path.relative_to(folder).as_posix()]
    assert len(store.read_assessment(folder).units) == 6


def test_a_changed_file_of_its_folder_is_refused(copy, tmp_path):
    folder = shutil.copytree(copy / "assessment", tmp_path / "changed")
    content = bytearray((folder / "assessment.gpkg").read_bytes())
    content[200_000] ^= 1
    (folder / "assessment.gpkg").write_bytes(content)
    assert "assessment.gpkg" in run("map", folder, status=2)


def test_its_records_are_all_there_and_none_is_newly_in_conflict(copy):
    county = read_county(copy / "county" / "county.toml")
    stands = county.records
    counts = {name: len(getattr(stands, name)) for name in EXPECTED["standing"]}
    assert counts == EXPECTED["standing"]
    assert sorted(stands.visits["inspection_id"]) == EXPECTED["visits"]
    assert not county.problems["code"].eq("record_unreadable").any()


def test_its_follow_ups_and_holds_are_the_same(copy):
    toml = copy / "county" / "county.toml"
    listed = json.loads(run("findings", "list", toml, "--all", "--json", "--as-of", "2026-12-01"))
    follow_ups = [
        [row["follow_up_id"], row["unit_id"], row["severity"],
         "NaT" if row["due"] is None else row["due"][:10], row["state"]]
        for row in listed["follow_ups"]
    ]  # fmt: skip
    assert sorted(follow_ups) == EXPECTED["follow_ups"]
    assert sorted(row["unit_id"] for row in listed["holds"]) == EXPECTED["holds"]
    assert listed["unreadable"] == []


def test_its_held_records_outlast_a_disposal(copy, tmp_path):
    """The schedule of the county keeps visits seven years; 00523 is under a hold of version 0.1."""
    county = shutil.copytree(copy / "county", tmp_path / "county") / "county.toml"
    run("findings", "dispose", county, "--by", "Kim", "--authority", "schedule 12", "--yes")
    assert "v-old-held" in set(read_county(county).records.visits["inspection_id"])
