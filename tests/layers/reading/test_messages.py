"""What a stranger stumbles on, and the words that help: what is wrong, where, how to mend it."""

import tomllib
from importlib.resources import files

import pandas as pd
import pytest

from layers import read_county
from layers.errors import CountyFileError, LayerError, RecordError
from layers.settings.priority_settings import load_priorities
from layers.settings.settings_file import load_model


def refused(folder, kind=LayerError):
    with pytest.raises(kind) as caught:
        folder.read()
    return caught.value


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (b"\x89PNG\r\n\x1a\n\x00\x00", "u.csv is a picture, not a table"),
        (b"\xff\xd8\xff\xe0\x00", "u.csv is a picture, not a table"),
        (b"%PDF-1.7\n", "u.csv is a PDF document, not a table"),
        (b"PK\x03\x04\x14\x00", "u.csv is a ZIP or XLSX file under another name, not a table"),
        (b"SQLite format 3\x00", "u.csv is a database, maybe a GeoPackage, not a table"),
        (b"\n<!DOCTYPE html><html>", "u.csv is a web page, not a table"),
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", "u.csv is an old XLS or DOC file, not a table"),
    ],
)
def test_a_table_that_is_something_else(folder, data, says):
    assert refused(folder.add("units", data, "u.csv")).what == says


def test_no_absurd_hint_and_the_line_to_type(folder):
    error = refused(folder.add("units", "Longitude,Latitude,Remark\n1,2,3\n", "u.csv"))
    assert error.what == "no column is recognized as 'unit_id'"
    assert error.hint == (
        "set 'columns' to names in the file, as in columns = { unit_id = \"...\" };"
        " it has: 'Remark'"
    )
    error = refused(folder.add("units", "System No.,Lattitude,Longtitude\n1,2,3\n", "u.csv"))
    line = 'columns = { unit_id = "System No.", lat = "Lattitude", lon = "Longtitude" }'
    assert error.hint.endswith(f"it has: 'System No.', 'Lattitude', 'Longtitude'; likely {line}")


def test_a_layer_lost_for_its_columns_is_an_error(folder, rows):
    folder.add("units", rows.units(), "u.gpkg").add("wells", "well_id,depth\n1,2\n", "w.csv")
    (problem,) = folder.read().problems.query("layer == 'wells'").itertuples()
    assert (problem.severity, problem.action) == ("error", "layer_left_out")


def test_a_layer_misspelled(folder, rows):
    folder.add("units", rows.units(), "u.gpkg").name("well", "w.csv")
    assert "'well' is not one of" in refused(folder, CountyFileError).what
    assert "did you mean 'wells'?" in refused(folder, CountyFileError).what


@pytest.mark.parametrize(
    ("unit", "meters"),
    [("feet", 60.96), ("Foot", 60.96), ("metres", 200.0), ("US survey feet", 200 * 1200 / 3937)],
)
def test_units_spelled_out(folder, rows, unit, meters):
    folder.add("units", rows.units(), "u.gpkg")
    folder.add("terrain", rows.terrain(), "t.tif", vertical_unit=f'"{unit}"')
    assert folder.read().terrain.read().values.mean() == pytest.approx(meters, rel=1e-6)


def test_backslashes_in_a_path(folder, rows):
    folder.add("units", rows.units(), "u.gpkg")
    path = folder.write()
    path.write_text(path.read_text().replace("u.gpkg", r"C:\Users\me\u.gpkg"))
    with pytest.raises(CountyFileError) as caught:
        read_county(path)
    assert caught.value.hint == (
        "line 7 has a path with backslashes; use / instead, or single quotes:"
        r" path = 'C:\Users\me\u.gpkg'"
    )
    path.write_text(path.read_text().replace(r"C:\Users\me\u.gpkg", r"data\tanks.gpkg"))
    with pytest.raises(CountyFileError, match="a backslash does not work"):
        read_county(path)
    path.write_text(path.read_text().replace('"data\\tanks.gpkg"', "'.\\u.gpkg'"))
    with pytest.raises(LayerError, match=r"does not exist"):
        read_county(path)


def test_coordinates_mapped_to_words(folder):
    columns = '{ unit_id = "No", lat = "Name", lon = "Street" }'
    folder.add("units", "No,Name,Street\n1,Doe,Elm St\n2,Roe,Oak St\n", "u.csv", columns=columns)
    folder.sections["units"] += '\ncrs = "EPSG:4326"'
    error = refused(folder)
    assert error.what == "no unit has a position: Name 'Doe' is not a number of degrees in row 2"


@pytest.mark.parametrize("section", ["rules", "priorities"])
def test_a_file_that_is_not_there_names_the_key_that_asks_for_it(folder, rows, section):
    folder.add("units", rows.units(), "u.gpkg")
    folder.more = f'[{section}]\npath = "none.toml"\n'
    error = refused(folder, CountyFileError)
    assert error.what == f"the file 'none.toml', named as path in [{section}], does not exist"


def test_a_county_file_that_is_none(tmp_path):
    with pytest.raises(CountyFileError, match="this is a folder, not a file") as caught:
        read_county(tmp_path)
    assert caught.value.hint.endswith("county.toml")
    (tmp_path / "units.xlsx").write_bytes(b"PK")
    with pytest.raises(CountyFileError, match=r"units.xlsx is a list or a map layer") as caught:
        read_county(tmp_path / "units.xlsx")
    assert "'rillmark new DIR --from units.xlsx'" in caught.value.hint
    with pytest.raises(CountyFileError, match="cannot read the file"):
        load_model(tmp_path / "none.toml", dict)


def test_a_row_far_away_is_far_from_the_units(folder, rows):
    units = rows.lonlat(rows.units())
    units.loc[2, "longitude"] += 20
    county = folder.add("units", units, "u.csv", crs='"EPSG:4326"').read()
    (problem,) = county.problems.query("code == 'outside_county'").itertuples()
    assert problem.message.endswith("(EPSG:4326) is far from the units")


def test_blank_lines_are_counted(folder, rows):
    table = rows.lonlat(rows.units()).to_csv(index=False).splitlines()
    table[3:3] = ["", ",,,"]
    folder.add("units", "\n".join([*table, "", ""]), "u.csv", crs='"EPSG:4326"')
    county = folder.read()
    assert "Blank rows skipped in the units layer: 2." in county.notes
    assert county.layers["units"]["source_row"].tolist() == [2, 3, 6, 7, 8, 9]
    frame = pd.DataFrame(county.counts).set_index("layer").loc["units"]
    assert frame.tolist() == [6, 6, 0, 0]


@pytest.mark.parametrize(
    ("lines", "says"),
    [
        ('[records]\npaht = "r"', "records.paht: there is no such key; did you mean 'path'?"),
        ("[recods]\nx = 1", "recods: there is no such key; did you mean 'records'?"),
        (
            "[programme]\nvisit_per_year = 3",
            "programme.visit_per_year: there is no such key; did you mean 'visits_per_year'?",
        ),
        (
            "[terrain]\nculvert_within = 3",
            "terrain.culvert_within: there is no such key; did you mean 'culvert_within_m'?",
        ),
        (
            "[storms]\ndepth_in = { 2 = 3 }",
            "storms.depth_in: there is no such key; did you mean 'depths_in'?",
        ),
        (
            '[storms]\nantecedent = "wett"',
            "storms.antecedent: 'wett' should be 'dry', 'average' or 'wet'; did you mean 'wet'?",
        ),
        (
            "[records]\nkeep_years = { visits = 7 }",
            "records.keep_years.visits: 'visits' should be 'visit', 'sample_result',",
        ),
        (
            '[records]\nvalues = { result = { OK = "god" } }',
            "records.values.result: 'god' is not one of good, minor, repair, danger, unknown;",
        ),
        (
            '[programme]\nvisits_per_year = "many"',
            "programme.visits_per_year: 'many' should be a whole number",
        ),
        (
            "[storms]\ndepths_in = { 2 = 8, 10 = 5 }",
            "storms: depths_in: the 10-year storm has 5 in and the 2-year storm 8 in; a rarer",
        ),
        (
            "[storms]\ndepths_in = { 2 = 74, 10 = 107 }",
            "storms: depths_in: 107 in of rain in a day is more than ever measured",
        ),
        ("[records]\npath = 3", "records.path: 3 should be text in quotes"),
        ("[layers.wells]\naccuracy_m = 4", "layers.wells.path: this key is required"),
    ],
)
def test_a_key_or_a_value_misspelled(folder, rows, lines, says):
    path = folder.add("units", rows.units(), "u.gpkg").write()
    path.write_text(path.read_text() + "\n" + lines + "\n")
    with pytest.raises(CountyFileError) as caught:
        read_county(path)
    assert caught.value.what.startswith(says)


@pytest.mark.parametrize("section", ["learned", "steadiness"])
def test_a_key_of_the_priorities_misspelled(tmp_path, section):
    text = (files("layers.settings.templates") / "priorities.toml").read_text("utf-8")
    key = next(iter(tomllib.loads(text)[section]))
    (tmp_path / "p.toml").write_text(
        text.replace(f"\n[{section}]", f"\n[{section}]\n{key}x = 1\n#")
    )
    with pytest.raises(CountyFileError, match=f"{section}.{key}x: .* did you mean '{key}'"):
        load_priorities(tmp_path / "p.toml")


def test_records_in_a_file_or_in_a_folder_that_is_not_there(folder, rows):
    path = folder.add("units", rows.units(), "u.gpkg").write()
    text = path.read_text()
    path.write_text(text + '\n[records]\npath = "recods"\n')
    assert (
        "The records folder 'recods' does not exist yet. No visits are on record in it."
        in read_county(path).notes
    )
    path.write_text(text + '\n[records]\npath = "u.gpkg"\n')
    with pytest.raises(RecordError, match="is a file, not a folder"):
        read_county(path)
