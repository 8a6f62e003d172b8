"""What an office is asked: columns a layer lacks, words nobody knows, layers with no row used."""

import datetime as dt
import itertools
import json

import pandas as pd
import pytest
from click.testing import CliRunner

from geo.cli import main
from layers.errors import CountyFileError, LayerError
from layers.fields.schemas import ALWAYS, SCHEMAS
from layers.problems import unanswered
from layers.settings.programme import ProgrammeSection

VISITS = pd.DataFrame(
    {
        "inspection_id": ["1", "2"],
        "unit_id": ["001", "002"],
        "date": ["2025-05-01"] * 2,
        "outcome": ["completed"] * 2,
        "result": ["danger", "good"],
    }
)


def run(*args):
    return CliRunner().invoke(main, [str(a) for a in args])


def county_with(folder, rows, table, name="inspections", **options):
    folder.add("units", rows.units(), "units.gpkg")
    return folder.add(name, table, f"{name}.csv", **options)


def asked(county):
    return {(p.layer, p.code, p.message) for p in unanswered(county.problems).itertuples()}


def test_nothing_is_asked_of_a_county_that_says_all(folder, rows):
    assert asked(county_with(folder, rows, VISITS).read()) == set()
    assert run("check", folder.write()).exit_code == 0


@pytest.mark.parametrize(
    ("layer", "column"),
    [(s.name, c.name) for s in SCHEMAS.values() for c in s.columns if c.wanted == ALWAYS],
)
def test_each_wanted_column_is_asked_for_with_the_columns_there(folder, rows, layer, column):
    schema = SCHEMAS[layer]
    table = pd.DataFrame({c.name: ["001"] for c in schema.columns if c.name != column})
    table["THEIR OWN"] = "x"
    if schema.shape == "point":
        table = table.assign(longitude=-85.83, latitude=39.74)
    if schema.shape == "polygon":
        shapes = rows.parcels(1)[["geometry"]]
        table = shapes.assign(**{name: cells.to_numpy() for name, cells in table.items()})
    folder.add("units", rows.units(), "units.gpkg")
    file = "l.gpkg" if schema.shape == "polygon" else "l.csv"
    county = folder.add(
        layer, table, file, **({"crs": '"EPSG:4326"'} if file == "l.csv" else {})
    ).read()
    message = next(m for _, code, m in asked(county) if code == "column_wanted")
    assert f"no column for {column}," in message
    assert "'THEIR OWN'" in message
    assert f'columns = {{ {column} = "..." }}' in message
    assert county.columns[layer].wanted == (column,)


def test_wanted_keys_are_keys_of_the_programme():
    wanted = {key for s in SCHEMAS.values() for c in s.columns for key in c.wanted}
    assert wanted - set(ALWAYS) <= set(ProgrammeSection.model_fields)


@pytest.mark.parametrize(("programme", "is_asked"), [("", False), ("renewal_days = 60", True)])
def test_a_clock_of_permits_is_asked_for_where_the_programme_counts_it(
    folder, rows, programme, is_asked
):
    county_with(folder, rows, "permit_id,unit_id\nP,001\n", "permits")
    folder.more = f"[programme]\n{programme}"
    county = folder.read()
    assert [(layer, code) for layer, code, _ in asked(county)] == (
        [("permits", "column_wanted")] if is_asked else []
    )


def test_a_word_nobody_knows_is_told_once_with_its_count_and_no_meaning(folder, rows):
    visits = pd.concat([VISITS.assign(result=["Problem", "problem"]), VISITS.assign(
        inspection_id=["3", "4"], result=["Problem", "good"])])  # fmt: skip
    ((layer, code, message),) = asked(county_with(folder, rows, visits).read())
    assert (layer, code) == ("inspections", "code_unheard")
    assert "'Problem' 2, 'problem' 1" in message
    assert 'values = { result = { "Problem" = "...", "problem" = "..." } }' in message
    assert '"good"' not in message
    pasted = {"result": {"Problem": "..."}}
    folder.name("inspections", "inspections.csv", values='{ result = { "Problem" = "..." } }')
    with pytest.raises(CountyFileError, match="is not one of good"):  # a placeholder, no meaning
        folder.read()
    assert pasted


def test_no_message_of_a_problem_offers_a_code_of_ours(folder, rows):
    units = rows.units().assign(kind="cave", status="cave", location_basis="cave")
    problems = folder.add("units", units, "units.gpkg").read().problems
    said = " ".join(problems["message"])
    assert '"cave" = "..."' in said
    codes = itertools.chain(*(c.codes for s in SCHEMAS.values() for c in s.columns))
    assert not [code for code in codes if f'= "{code}"' in said]


def test_a_layer_set_aside_whole_is_an_error_with_its_columns(folder, rows):
    visits = VISITS.rename(columns={"unit_id": "HOUSE"})
    path = county_with(folder, rows, visits).write()
    messages = {code: message for _, code, message in asked(folder.read())}
    assert "all 2 rows are set aside (unit unknown 2)" in messages["layer_set_aside"]
    assert "columns that are not used: 'HOUSE'" in messages["layer_set_aside"]
    assert "no column for unit_id" in messages["column_wanted"]
    assert run("check", path).exit_code == 1


@pytest.mark.parametrize(
    ("until", "words", "status"),
    [("2026-04-01", '["Dug", "no idea"]', 0), ("2026-03-31", '["Dug", "no idea"]', 1),
     ("2026-04-01", '["Dug"]', 1)],
)  # fmt: skip
def test_an_accepted_fault_ends_with_0_until_its_day(folder, rows, until, words, status):
    wells = pd.DataFrame({"well_id": ["1", "2"], "use": ["dug", "No idea"],
                          "longitude": -85.83412, "latitude": [39.74512, 39.74514]})  # fmt: skip
    county_with(folder, rows, wells, "wells", crs='"EPSG:4326"')
    folder.more = (
        '[[accepted]]\nlayer = "wells"\nfault = "code_unheard"\ncolumn = "use"\n'
        f'words = {words}\nby = "A"\nwhy = "being asked"\nuntil = {until}'
    )
    county = folder.read()
    assert len(unanswered(county.problems)) == status
    told = county.problems.query("code == 'code_unheard'").iloc[0]
    assert pd.isna(told["accepted_until"]) == bool(status)
    assert "which is past" in told["message"] if until < "2026-04-01" else True
    # it clears nothing: the use stays unknown
    assert county.layers["wells"]["use"].tolist() == ["unknown"] * 2
    assert run("check", folder.write()).exit_code == status


def test_an_accepted_fault_that_is_gone_is_noted(folder, rows):
    county_with(folder, rows, VISITS)
    folder.more = (
        '[[accepted]]\nlayer = "inspections"\nfault = "column_wanted"\ncolumn = "result"\n'
        'by = "A"\nwhy = "b"\nuntil = 2027-01-01'
    )
    assert any("column_wanted of inspections.result that A accepted was not met" in note
               for note in folder.read().notes)  # fmt: skip


@pytest.mark.parametrize(
    ("line", "words"),
    [('layer = "well"', "perhaps 'wells' is meant"), ('fault = "id_missing"', "accepted.fault"),
     ('column = "uses"', "perhaps 'use' is meant"), ("until = 5", "until"),
     ('words = ["x"]', "accepted.words"), ('why = " "', "why")],
)  # fmt: skip
def test_what_is_accepted_must_be_a_fault_that_asks(folder, rows, line, words):
    given = {"layer": '"wells"', "fault": '"column_wanted"', "column": '"use"', "by": '"A"',
             "why": '"b"', "until": "2027-01-01"}  # fmt: skip
    key, _, value = line.partition(" = ")
    folder.add("units", rows.units(), "units.gpkg")
    folder.more = "[[accepted]]\n" + "\n".join(
        f"{k} = {v}" for k, v in {**given, key: value}.items()
    )
    with pytest.raises(CountyFileError, match=words):
        folder.read()


# -------------------------------------------------------------------------------------- columns


def test_check_says_which_columns_were_recognised_and_which_ignored(folder, rows):
    visits = VISITS.rename(columns={"date": "visit_date", "result": "HOW IT WAS"})
    path = county_with(
        folder, rows, visits.assign(COLOR="red"), columns='{ outcome = "outcome" }'
    ).write()
    text = run("check", path).stdout
    assert "columns recognised by the county file: outcome <- outcome" in text
    assert "date <- visit_date" in text
    assert "columns ignored: HOW IT WAS, COLOR" in text
    assert 'result; in [layers.inspections] put columns = { result = "..." }' in text
    report = json.loads(run("check", path, "--json").stdout)
    columns = next(r["columns"] for r in report["layers"] if r["layer"] == "inspections")
    assert columns["ignored"] == ["HOW IT WAS", "COLOR"]
    assert columns["wanted"] == ["result"]
    assert {"ours": "date", "theirs": "visit_date", "by": "its name"} in columns["recognised"]


def test_columns_a_published_schema_reads_are_not_called_ignored(larkmoor):
    columns = larkmoor.columns["floodplain"]
    assert not {"SFHA_TF", "LEN_UNIT", "DEPTH"} & set(columns.ignored)


def test_a_constant_stands_for_a_column_the_table_does_not_have(folder, rows):
    visits = VISITS.drop(columns="outcome")
    county = county_with(
        folder, rows, visits, constants='{ outcome = "completed", by_lot = true }'
    ).read()
    assert county.layers["inspections"]["outcome"].tolist() == ["completed"] * 2
    assert county.layers["inspections"]["by_lot"].tolist() == [True] * 2
    assert asked(county) == set()
    assert "a constant of the county file" in {
        c.by for c in county.columns["inspections"].recognised
    }


@pytest.mark.parametrize(
    ("constants", "error", "words"),
    [('{ outcome = "done" }', CountyFileError, "'done' is not one of completed"),
     ('{ unit_id = "1" }', CountyFileError, "'unit_id' is not one of"),
     ('{ result = "good" }', LayerError, "the file has it as 'result'")],
)  # fmt: skip
def test_a_constant_that_cannot_be_is_refused_or_the_layer_left_out(
    folder, rows, constants, error, words
):
    county_with(folder, rows, VISITS, constants=constants)
    if error is LayerError:
        assert any(words in message for _, _, message in asked(folder.read()))
    else:
        with pytest.raises(error, match=words):
            folder.read()


@pytest.mark.parametrize(("heading", "feet"), [("Depth (ft)", 1), ("DEPTH IN", 1 / 12)])
def test_a_unit_in_a_heading_is_heeded_and_said(folder, rows, heading, feet):
    wells = pd.DataFrame({"well_id": ["1"], "use": ["private"], heading: [240],
                          "longitude": [-85.83412], "latitude": [39.74512]})  # fmt: skip
    county = county_with(folder, rows, wells, "wells", crs='"EPSG:4326"').read()
    # the international foot is 0.3048 m exactly (NIST SP 811, app. B.6)
    assert county.layers["wells"]["depth_m"].tolist() == pytest.approx([240 * feet * 0.3048])
    assert "unit_from_heading" in {code for code, *_ in rows.found(county, "wells")}


def test_a_unit_of_the_county_file_is_believed_against_the_heading(folder, rows):
    wells = pd.DataFrame({"well_id": ["1"], "use": ["private"], "depth_ft": [240],
                          "longitude": [-85.83412], "latitude": [39.74512]})  # fmt: skip
    county = county_with(
        folder, rows, wells, "wells", crs='"EPSG:4326"', measures='{ depth_m = "m" }'
    ).read()
    assert county.layers["wells"]["depth_m"].tolist() == [240]
    assert ("unit_contradicts_heading", None, "kept") in rows.found(county, "wells")


def test_ids_nobody_gives_are_told_once(folder, rows):
    county = county_with(folder, rows, VISITS.assign(inspection_id="")).read()
    told = county.problems.query("layer == 'inspections' and code == 'id_missing'")
    assert told["row"].isna().tolist() == [True]
    assert dt.date(2026, 4, 1) == county.as_of
