"""What an office is asked: columns a layer lacks, words nobody knows, layers with no row used."""

import itertools
import json
import zipfile

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from click.testing import CliRunner
from pyproj import CRS, Transformer

from geo.cli import main
from geo.cli.describe import left_out
from layers.errors import CountyFileError, LayerError
from layers.fields.schemas import ALWAYS, SCHEMAS
from layers.grid import Grid
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
    table["THEIR OWN"] = "so"
    ours = schema.column(column)
    good = {"zone": "AE", "hydrologic_group": "b/d"}.get(column)
    good = good or {"code": ours.codes[:1], "date": ("2024-05-05",)}.get(ours.kind, ("",))[0]
    table["FIT_CD"] = good
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
    assert f"no column is recognized as {column}." in message
    assert "'THEIR OWN'" in message
    fits = "Likely, by its values: 'FIT_CD'"
    assert (fits in message) == bool(good)
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


@pytest.mark.parametrize(
    ("dates", "is_asked"), [("", False), ("effective_from = 2008-07-01\n", True)]
)
def test_the_day_of_permits_is_asked_for_where_it_chooses_the_table(folder, rows, dates, is_asked):
    county_with(folder, rows, "permit_id,unit_id\nP,001\n", "permits")
    rules = f'[[tables]]\nname = "of the board"\nadopted_by = "the board"\n{dates}'
    (folder.folder / "rules.toml").write_text(rules, "utf-8")
    folder.more = '[rules]\npath = "rules.toml"'
    found = [(layer, code) for layer, code, _ in asked(folder.read())]
    assert found == ([("permits", "column_wanted")] if is_asked else [])


def test_a_word_nobody_knows_is_told_once_with_its_count_and_no_meaning(folder, rows):
    visits = pd.concat([VISITS.assign(result=["Problem", "problem"]), VISITS.assign(
        inspection_id=["3", "4"], result=["Problem", "good"])])  # fmt: skip
    ((layer, code, message),) = asked(county_with(folder, rows, visits).read())
    assert (layer, code) == ("inspections", "code_unheard")
    assert "'Problem' 2, 'problem' 1" in message
    assert 'values = { result = { "Problem" = "...", "problem" = "..." } }' in message
    assert '"good"' not in message
    folder.name("inspections", "inspections.csv", values='{ result = { "Problem" = "..." } }')
    with pytest.raises(CountyFileError, match="is not one of good"):  # a placeholder, no meaning
        folder.read()


def test_no_message_of_a_problem_offers_a_code_of_ours(folder, rows):
    units = rows.units().assign(kind="cave", status="cave", location_basis="cave")
    problems = folder.add("units", units, "units.gpkg").read().problems
    text = " ".join(problems["message"])
    assert '"cave" = "..."' in text
    codes = itertools.chain(*(c.codes for s in SCHEMAS.values() for c in s.columns))
    assert not [code for code in codes if f'= "{code}"' in text]


def test_a_layer_set_aside_whole_is_an_error_with_its_columns(folder, rows):
    visits = VISITS.rename(columns={"unit_id": "HOUSE"})
    path = county_with(folder, rows, visits).write()
    messages = {code: message for _, code, message in asked(folder.read())}
    assert "none of the 2 rows can be used (unit_unknown 2)" in messages["layer_set_aside"]
    assert "Columns not used: 'HOUSE'" in messages["layer_set_aside"]
    assert "no column is recognized as unit_id" in messages["column_wanted"]
    assert left_out(folder.read().problems)  # by which 'assess' ends with status 1
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
    shown = county.problems.query("code == 'code_unheard'").iloc[0]
    assert pd.isna(shown["accepted_until"]) == bool(status)
    assert "which has passed" in shown["message"] if until < "2026-04-01" else True
    # it clears nothing: the use stays unknown
    assert county.layers["wells"]["use"].tolist() == ["unknown"] * 2
    assert run("check", folder.write()).exit_code == status


def test_an_accepted_fault_that_is_gone_is_noted(folder, rows):
    county_with(folder, rows, VISITS)
    folder.more = (
        '[[accepted]]\nlayer = "inspections"\nfault = "column_wanted"\ncolumn = "result"\n'
        'by = "A"\nwhy = "b"\nuntil = 2027-01-01'
    )
    assert any("A accepted column_wanted in inspections.result, which no longer" in note
               for note in folder.read().notes)  # fmt: skip


@pytest.mark.parametrize(
    ("line", "words"),
    [('layer = "well"', "did you mean 'wells'"), ('fault = "id_missing"', "accepted.fault"),
     ('column = "uses"', "did you mean 'use'"), ("until = 5", "until"),
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


def test_check_says_which_columns_were_recognized_and_which_ignored(folder, rows):
    visits = VISITS.rename(columns={"date": "visit_date", "result": "HOW IT WAS"})
    path = county_with(
        folder, rows, visits.assign(COLOR="red"), columns='{ outcome = "outcome" }'
    ).write()
    text = run("check", path).stdout
    assert "Columns recognized by the county file: outcome <- outcome" in text
    assert "date <- visit_date" in text
    assert "Columns not used: HOW IT WAS, COLOR" in text
    assert 'result. Fix: in [layers.inspections], add columns = { result = "..." }' in text
    report = json.loads(run("check", path, "--json").stdout)
    columns = next(r["columns"] for r in report["layers"] if r["layer"] == "inspections")
    assert columns["ignored"] == ["HOW IT WAS", "COLOR"]
    assert columns["wanted"] == ["result"]
    assert {"ours": "date", "theirs": "visit_date", "by": "its name"} in columns["recognized"]


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
        c.by for c in county.columns["inspections"].recognized
    }


@pytest.mark.parametrize(
    ("constants", "error", "words"),
    [('{ outcome = "done" }', CountyFileError, "'done' is not one of completed"),
     ('{ unit_id = "1" }', CountyFileError, "'unit_id' is not one of"),
     ('{ result = "good" }', LayerError, "the file has 'result'")],
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
    shown = county.problems.query("layer == 'inspections' and code == 'id_missing'")
    assert shown["row"].isna().tolist() == [True]


# --------------------------------------------------------------------------------------- places


def eastern(frame_rows):
    table = frame_rows.lonlat(frame_rows.units())
    return table.assign(longitude=-table["longitude"])


@pytest.mark.parametrize("other", ["terrain", "parcels", "crs", "wells too"])
def test_longitudes_without_their_minus_signs_are_asked_about_and_never_turned(folder, rows, other):
    folder.add("units", eastern(rows), "u.csv", crs='"EPSG:4326"')
    if other == "terrain":
        folder.add("terrain", rows.terrain(), "t.tif", vertical_unit='"m"')
    if other == "wells too":
        table = eastern(rows).assign(well_id=list("abcdef"), use="private")
        folder.add("wells", table, "w.csv", crs='"EPSG:4326"')
    if other in ("parcels", "wells too"):
        folder.add("parcels", rows.parcels(), "p.gpkg")
    county = 'name = "T"\nas_of = 2026-04-01\n' + ('crs = "EPSG:32616"\n' if other == "crs" else "")
    path = folder.write(county)
    done = run("check", path)
    assert done.exit_code == 2
    assert "lost its minus signs" in done.output
    assert "-85.8" in done.output


def test_a_county_in_the_east_is_read_as_it_is(folder, rows):
    folder.add("units", eastern(rows), "u.csv", crs='"EPSG:4326"')
    folder.add("parcels", rows.parcels().to_crs(4326).assign(geometry=lambda p: p.affine_transform(
        [-1, 0, 0, 1, 0, 0])), "p.gpkg")  # fmt: skip
    assert len(folder.read().layers["units"]) == 6


def test_heights_of_no_stated_unit_in_a_system_of_feet_are_asked_about(folder, rows):
    folder.add("units", rows.units(), "u.gpkg")
    # Indiana West in US survey feet (EPSG:2966)
    values = np.full((60, 120), 650.0, np.float32)
    x, y = Transformer.from_crs(32616, 2966, always_xy=True).transform(*rows.origin)
    terrain = Grid(values, rows.affine(33, 0, x - 700, 0, -33, y + 1000), CRS.from_epsg(2966))
    folder.add("terrain", terrain, "t.tif", accuracy_m=0.2)
    county = folder.read()
    assert county.terrain is None
    ((layer, code, message),) = asked(county)
    assert (layer, code) == ("terrain", "terrain_unreadable")
    assert "vertical_unit" in message
    folder.name("terrain", "t.tif", vertical_unit='"ft"', accuracy_m=0.2)
    assert asked(folder.read()) == set()


def wells_at(rows, xs, **columns):
    x, y = rows.origin
    count = len(xs)
    return gpd.GeoDataFrame(
        {"well_id": list("abcdefgh"[:count]), "use": "private", **columns},
        geometry=shapely.points([x + dx for dx in xs], np.full(count, y + 50.0)),
        crs=rows.crs,
    )


def accuracies(folder, rows, wells):
    folder.add("units", rows.units(), "u.gpkg").add("wells", wells, "w.gpkg")
    county = folder.read()
    return county.layers["wells"]["accuracy95_m"].tolist(), county


def test_a_place_in_the_middle_of_a_section_is_off_by_its_size(folder, rows):
    bases = ["section", "quarter section", "quarter_quarter_section"]
    got, _ = accuracies(folder, rows, wells_at(rows, [0, 9, 18], location_basis=bases))
    # a section is a square mile, 80 chains on a side (BLM, Manual of Surveying Instructions, 2009,
    # ch. III); 95 % of places spread evenly over a square lie within 1.2 half sides of its middle
    rng = np.random.default_rng(3)
    half = 80 * 66 * 0.3048 / 2
    off = np.hypot(*rng.uniform(-half, half, (2, 200_000)))
    assert got == pytest.approx([np.quantile(off, 0.95) / k for k in (1, 2, 4)], rel=0.02)


def test_wells_that_share_a_point_may_be_anywhere_in_a_section(folder, rows):
    got, county = accuracies(folder, rows, wells_at(rows, [0, 0, 0, 90]))
    assert got == pytest.approx([1609.344 * 0.6] * 3 + [75])
    assert len(county.problems.query("code == 'shared_position'")) == 3


def test_nested_wells_are_told_apart_from_them(folder, rows):
    nest = wells_at(rows, [0, 0, 0], location_basis="gps", depth_m=[5.0, 12.0, 30.0])
    got, county = accuracies(folder, rows, nest)
    assert got == [3.0] * 3
    assert set(county.problems.query("layer == 'wells'")["code"]) >= {"nested_wells"}


@pytest.mark.parametrize(
    "columns",
    [{"location_basis": "gps", "depth_m": [5.0, 12.0, 12.0]}, {"depth_m": [5.0, 12.0, 30.0]},
     {"location_basis": "gps", "depth_m": [5.0, 12.0, None]},
     {"location_basis": ["gps", "gps", "parcel"], "depth_m": [5.0, 12.0, 30.0]}],
)  # fmt: skip
def test_wells_that_do_not_say_enough_are_no_nest(folder, rows, columns):
    got, _ = accuracies(folder, rows, wells_at(rows, [0, 0, 0], **columns))
    assert got == pytest.approx([1609.344 * 0.6] * 3)


@pytest.mark.parametrize("system", [32616, 4326, 2966])
def test_outlines_of_tanks_are_units_at_their_middle_and_said(folder, rows, system):
    units = rows.units()
    tanks = units.assign(geometry=units.buffer(2, cap_style="square"), location_basis="surveyed")
    county = folder.add("units", tanks.to_crs(system), "u.gpkg").read()
    got = county.layers["units"]
    assert got.distance(units.to_crs(county.crs)).max() < 0.01
    assert got["accuracy95_m"].between(2 * 2**0.5 * 0.98, 2 * 2**0.5 * 1.35).all()
    shown = county.problems.query("code == 'outline_middle'")
    assert len(shown) in (1, 6)
    assert "middle of its outline" in shown["message"].iloc[0]


# ---------------------------------------------------------------------------------------- files


def test_which_of_several_layers_or_sheets_is_taken_is_said(folder, rows):
    rows.units().to_file(folder.folder / "a.gpkg", layer="units")
    rows.parcels().to_file(folder.folder / "a.gpkg", layer="parcels", mode="a")
    with pd.ExcelWriter(folder.folder / "v.xlsx") as book:
        VISITS.to_excel(book, sheet_name="2025", index=False)
        VISITS.to_excel(book, sheet_name="2024", index=False)
    notes = folder.name("units", "a.gpkg").name("inspections", "v.xlsx").read().notes
    assert any("of its 2 layers, 'units' was read" in note for note in notes)
    assert any("the first of its 2 sheets, '2025', was read" in note for note in notes)
    folder.name("units", "a.gpkg", layer='"units"').name("inspections", "v.xlsx", layer='"2024"')
    assert not any("was taken" in note for note in folder.read().notes)


def grid_text(rows):
    x, y = rows.origin
    head = f"ncols 120\nnrows 60\nxllcorner {x - 200}\nyllcorner {y - 300}\ncellsize 10\n"
    return head + "\n".join(" ".join(["200.5"] * 120) for _ in range(60)) + "\n"


@pytest.mark.parametrize("zipped", [False, True])
def test_an_ascii_grid_is_read_zipped_too(folder, rows, zipped):
    parts = {"dem/t.asc": grid_text(rows), "dem/t.prj": rows.crs.to_wkt("WKT1_ESRI")}
    folder.add("units", rows.units(), "u.gpkg")
    (folder.folder / "dem").mkdir()
    for name, text in parts.items():
        (folder.folder / name).write_text(text)
    with zipfile.ZipFile(folder.folder / "t.zip", "w") as archive:
        for name, text in parts.items():
            archive.writestr(name, text)
    folder.name("terrain", "t.zip" if zipped else "dem/t.asc", vertical_unit='"m"', accuracy_m=0.2)
    county = folder.read()
    assert asked(county) == set()
    assert np.nanmean(county.terrain.read().values) == pytest.approx(200.5)


@pytest.mark.parametrize(
    ("parts", "words"),
    [(["a.asc", "b.asc"], "it has 2 rasters"), (["a.txt"], "it has 0 rasters"),
     (["a.asc", "a.asc.aux.xml"], "which is not read"), (["../a.asc"], "cannot be read"),
     (None, "damaged")],
)  # fmt: skip
def test_an_archive_of_anything_else_is_no_terrain(folder, rows, parts, words):
    path = folder.folder / "t.zip"
    path.write_bytes(b"PK\x03\x04 no archive")
    if parts is not None:
        with zipfile.ZipFile(path, "w") as archive:
            for name in parts:
                archive.writestr(name, grid_text(rows))
    folder.add("units", rows.units(), "u.gpkg").name("terrain", "t.zip", vertical_unit='"m"')
    ((_, code, message),) = asked(folder.read())
    assert code == "terrain_unreadable"
    assert words in message
