"""A county file proposed from a list: each guess with its reason, nothing copied."""

import tomllib

import pandas as pd
import pytest
from click.testing import CliRunner

from geo.cli import main
from layers import read_county
from layers.errors import LayerError
from layers.reading.guess_county import county_toml, propose

TEMPLATE = '[county]\nname = "T"\n\n[layers.units]\npath = "x"\n# note\n\n[rules]\npath = "r"\n'


def office_list(rows, count=6):
    table = rows.lonlat(rows.units(count))
    return pd.DataFrame(
        {
            "SYS NO": [f"{k:05d}" for k in range(count)],
            "LATITUDE": table["latitude"],
            "LONGITUDE": table["longitude"],
            "STATUS": ["A", "V", "Active", "X", "??", "SW"][:count],
            "System Type": ["SURF", "soil absorption", "COLL", "HOLD", "SURF", "SURF"][:count],
            "Riser Ht IN": ["6", "12", "", "0", "4", "5"][:count],
            "Installed": ["1998", "7/4/2001", "2003-01-02", "", "1999", "2000"][:count],
            "Pump?": ["Y", "N", "Y", "", "N", "N"][:count],
            "Zip": ["1", "2", "3", "4", "5", "6"][:count],
        }
    )


def guessed(path):
    return {guess.ours: (guess.theirs, guess.why) for guess in propose(path).guesses}


@pytest.mark.parametrize("name", ["list.csv", "list.xlsx"])
def test_each_guess_says_why(folder, rows, name):
    table = office_list(rows)
    path = folder.folder / name
    table.to_csv(path, index=False) if name.endswith("csv") else table.to_excel(path, index=False)
    found = guessed(path)
    assert found["unit_id"] == ("SYS NO", "the name, and 6 different values in 6 rows")
    theirs, why = found["lat"]
    assert theirs == "LATITUDE"
    assert why.startswith("the name, and values between 39.7")
    assert found["kind"][0] == "System Type"
    assert found["riser_height_m"] == (
        "Riser Ht IN", "the word 'riser' in the name, and values between 0 and 12",
    )  # fmt: skip
    assert found["installed"][1] == "the name, and 5 of 5 values are dates"
    assert found["pumped"][1] == "the word 'pump' in the name, and values like yes and no"
    proposal = propose(path)
    assert proposal.unused == ["Zip"]
    assert proposal.measures == {"riser_height_m": "in"}
    assert proposal.values["status"] == {
        "A": "active", "SW": "sewered", "V": "vacant", "X": "abandoned",
    }  # fmt: skip
    assert proposal.unknown["status"] == ["??"]
    assert proposal.missing == []


def test_values_speak_against_a_name(folder):
    path = folder.folder / "l.csv"
    path.write_text("unit_id,latitude,longitude,installed\n1,north,east,blue\n2,south,west,red\n")
    assert set(guessed(path)) == {"unit_id"}
    assert "where each unit is" in propose(path).missing[0]
    path.write_text("unit_id,lat\n7,39\n7,39\n7,39\n7,39\n7,39\n")
    assert "unit_id" not in guessed(path)  # a number all units share is no number of a unit


def test_plane_coordinates_name_the_likely_systems(folder, rows):
    path = folder.folder / "l.csv"
    x, y = rows.origin
    path.write_text(f"System No,Easting,Northing\n1,{x},{y}\n2,{x + 9},{y}\n")
    proposal = propose(path)
    assert any('"EPSG:26916" (NAD83 / UTM zone 16N)' in line for line in proposal.systems)
    text = county_toml(proposal, TEMPLATE, folder.folder)
    assert "# Name the coordinate system. Likely ones:" in text
    assert "crs" not in tomllib.loads(text)["layers"]["units"]


def test_hostile_names_stay_names(folder):
    path = folder.folder / "l.csv"
    name = 'unit "no" \\ #\t[x]\x7f'
    pd.DataFrame({name: ["1", "2"], "lat\nitude": [39.0, 39.1]}).to_csv(path, index=False)
    text = county_toml(propose(path), TEMPLATE, folder.folder)
    columns = tomllib.loads(text)["layers"]["units"]["columns"]
    assert columns["unit_id"].startswith('unit "no" \\ #')


def test_shapes_need_no_columns_of_coordinates(folder, rows):
    rows.units().to_file(folder.folder / "u.gpkg")
    found = guessed(folder.folder / "u.gpkg")
    assert {"lat", "lon", "x", "y"} & set(found) == set()
    assert propose(folder.folder / "u.gpkg").missing == []


def test_the_command_writes_a_county_that_reads(folder, rows, tmp_path):
    source = folder.folder / "list.xlsx"
    office_list(rows).to_excel(source, index=False)
    out = folder.folder / "ours"
    run = CliRunner().invoke(main, ["new", str(out), "--from", str(source)])
    assert run.exit_code == 0, run.output
    assert "  LATITUDE -> lat: the name, and values between 39.7" in run.output
    assert "  Values of status that are not recognized: ??" in run.output
    text = (out / "county.toml").read_text()
    assert "# LATITUDE -> lat: the name, and values between 39.7" in text
    assert 'path = "../list.xlsx"' in text
    assert not (out / "list.xlsx").exists()
    county = read_county(out / "county.toml")
    units = county.layers["units"]
    assert units["status"].tolist() == [
        "active", "vacant", "active", "abandoned", "unknown", "sewered",
    ]  # fmt: skip
    assert units["riser_height_m"].tolist()[:2] == pytest.approx([0.1524, 0.3048])
    again = CliRunner().invoke(main, ["new", str(out), "--from", str(source)])
    assert again.exit_code == 2
    missing = CliRunner().invoke(main, ["new", str(tmp_path / "n"), "--from", "none.xlsx"])
    assert missing.exit_code == 2
    assert "the file does not exist" in missing.output
    assert not (tmp_path / "n").exists()


@pytest.mark.parametrize(
    ("answer", "more", "writes"), [("n", [], 0), ("y", [], 1), ("", ["--yes"], 1)]
)
def test_on_a_terminal_it_asks(folder, rows, monkeypatch, answer, more, writes):
    monkeypatch.setattr("geo.cli.shared.is_terminal", lambda: True)
    source = folder.folder / "list.csv"
    office_list(rows).to_csv(source, index=False)
    out = folder.folder / "ours"
    call = ["new", str(out), "--from", str(source), *more]
    run = CliRunner().invoke(main, call, input=f"{answer}\n")
    assert run.exit_code == 0
    assert ("Write these settings?" in run.output) == (not more)
    assert out.exists() == bool(writes)


def test_an_empty_list_is_refused(folder):
    path = folder.folder / "l.csv"
    path.write_text("a,b\n")
    with pytest.raises(LayerError, match="no rows"):
        propose(path)
