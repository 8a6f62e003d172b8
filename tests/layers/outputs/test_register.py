"""One register of output fields: nothing written is undeclared, nothing declared is unmade."""

import ast
import importlib
import sqlite3
from importlib import resources
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest

import geo
from geo.order.reasons import SENTENCES
from layers import read_county
from layers.errors import CountyFileError
from layers.outputs import OUTPUTS, SECTIONS, UNITS, OutputValueError, UnknownFieldError
from layers.outputs.dictionary import PAGE, dictionary
from layers.outputs.field import Band, Distance, Field, StormFields, Table
from layers.settings.priority_settings import Priorities
from layers.store import TABLES

TABLE = Table(
    "made_up",
    "A row.",
    "none",
    (
        Field("a_id", "An id", "id", null=""),
        Field("depth_{T}yr_m", "Depth, {T}-year storm", "number", "m"),
        Field("state", "State", "code", codes={"wet": "under water", "dry": "dry"}),
        Field("count", "Count", "count"),
        Field("flag", "Flag", "flag"),
        Field("day", "Day", "date"),
        Field("work", "Working column", "number", stored=False),
    ),
)


def test_what_was_computed_is_declared_and_in_the_declared_order(larkmoor_result):
    for name in TABLES:
        frame, table = larkmoor_result.tables[name], OUTPUTS[name]
        table.check(frame)
        assert table.arrange(frame) == [c for c in frame.columns if c != "geometry"], name


def test_every_declared_field_but_those_of_settings_not_used_is_made(larkmoor_result):
    not_made = {
        table.name: [
            field.name for field in table
            if field.stored and not table.expand(field.name, larkmoor_result.tables[table.name])
        ]
        for table in OUTPUTS.values()
    }  # fmt: skip
    # lots are drawn only where the programme asks for them
    assert {name: fields for name, fields in not_made.items() if fields} == {
        "units": ["visit_by_lot"]
    }


@pytest.mark.parametrize("table", OUTPUTS.values(), ids=lambda table: table.name)
def test_every_maker_exists(table):
    for field in table:
        if field.made_by:
            module, _, name = field.made_by.rpartition(".")
            assert callable(getattr(importlib.import_module(module), name)), field.made_by
        assert field.made_by or not field.stored, field.name


def test_every_name_that_points_to_a_field_is_one():
    named = [name for _, names in SECTIONS for name in names] + list(SENTENCES)
    for field in UNITS:
        named.append(field.shown.needs)
        if isinstance(field.draw, Distance):
            named += [field.draw.inside, field.draw.depth]
        elif isinstance(field.draw, Band):
            named += [field.draw.low, field.draw.high]
        elif isinstance(field.draw, StormFields):
            named += [field.draw.smallest, field.draw.in_a_year, field.draw.of_each]
    for name in filter(None, named):
        UNITS.field(name)


def test_no_column_of_units_is_named_in_code_that_is_not_declared():
    """``units["x"]`` and its like, wherever a table of units goes by that name."""
    wrong = []
    for path in Path(geo.__file__).parent.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if not isinstance(node, ast.Subscript) or not isinstance(node.slice, ast.Constant):
                continue
            owner = node.value
            name = owner.attr if isinstance(owner, ast.Attribute) else getattr(owner, "id", "")
            column = node.slice.value
            if name != "units" or not isinstance(column, str) or column == "geometry":
                continue
            try:
                UNITS.field(column)
            except UnknownFieldError:
                wrong.append(f"{path.name}:{node.lineno} {column}")
    assert not wrong


def test_the_dictionary_is_current():
    assert PAGE.read_text("utf-8") == dictionary(), "run: make renew"


def test_a_name_nobody_declared_fails_with_the_nearest_that_exists():
    frame = pd.DataFrame({"unit_id": ["1"]})
    with pytest.raises(UnknownFieldError, match=r"units has no field 'hand_mm'; 'hand_m'\?"):
        UNITS.values(frame, "hand_mm")
    assert np.isnan(UNITS.numbers(frame, "hand_m")).all()
    assert UNITS.values(frame, "last_result").isna().all()
    with pytest.raises(UnknownFieldError, match="lid_pond_depth"):
        UNITS.field("lid_pond_depth_25yrs_m")
    with pytest.raises(OutputValueError, match="no code 'fine'"):
        UNITS.equals(frame, "last_result", "fine")


def test_families_are_arranged_by_rising_return_period():
    frame = pd.DataFrame(
        {"work": [1.0], "depth_100yr_m": [1.0], "a_id": ["1"], "depth_5yr_m": [2.0]}
    )
    assert TABLE.arrange(frame) == ["a_id", "depth_5yr_m", "depth_100yr_m"]
    assert [f.alias for f in TABLE.expand("depth_{T}yr_m", frame)] == [
        "Depth, 5-year storm", "Depth, 100-year storm",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("column", "values", "says"),
    [
        ("depht_5yr_m", [1.0], "no field 'depht_5yr_m'"),
        ("work", [1.0], "working column"),
        ("a_id", [None], "none may be"),
        ("a_id", [7], "is not of kind id"),
        ("depth_5yr_m", ["deep"], "is not of kind number"),
        ("state", ["damp"], "code 'damp' is not among wet, dry"),
        ("count", [1.5], "is not of kind count"),
        ("count", [True], "is not of kind count"),
        ("flag", ["yes"], "is not of kind flag"),
        ("day", ["2026-05-01"], "is not of kind date"),
    ],
)
def test_what_is_not_declared_is_not_written(column, values, says):
    with pytest.raises((UnknownFieldError, OutputValueError), match=says):
        TABLE.check(pd.DataFrame({column: values}))


def test_what_is_declared_passes():
    TABLE.check(
        pd.DataFrame(
            {
                "a_id": ["1", "2"],
                "depth_5yr_m": [1.0, np.nan],
                "state": ["wet", None],
                "count": pd.array([1, None], "Int64"),
                "flag": pd.array([True, None], "boolean"),
                "day": pd.to_datetime(["2026-05-01", None]),
            }
        )
    )


def test_a_field_declared_twice_is_no_table():
    with pytest.raises(AssertionError, match="declared twice: a"):
        Table("t", "A row.", "none", (Field("a", "A", "id"), Field("a", "B", "id")))


def test_a_desktop_gis_finds_names_units_and_codes_in_words(demonstrated):
    """Tables and columns as OGC 12-128r17 (GeoPackage), extension schema, F.9, has them."""
    path = demonstrated[0].folder / "assessment.gpkg"
    with sqlite3.connect(path) as base:
        shown = {
            (table, column): (name, about, codes)
            for table, column, name, about, codes in base.execute(
                "select table_name, column_name, name, description, constraint_name"
                " from gpkg_data_columns"
            )
        }
        words = base.execute(
            "select value, description from gpkg_data_column_constraints where constraint_name = ?",
            [shown["units", "last_result"][2]],
        ).fetchall()
        used = base.execute("select distinct last_result from units").fetchall()
        extensions = base.execute(
            "select table_name, extension_name from gpkg_extensions where extension_name like"
            " 'gpkg_schema'"
        ).fetchall()
    assert shown["units", "well_distance_m"][:2] == (
        "Discharge point to the nearest well",
        "In m. Empty: no well on record within the search distance.",
    )
    assert ("repair", "repair needed") in words
    assert {code for (code,) in used} <= {code for code, _ in words}
    assert {name for name, _ in extensions} == {
        "gpkg_data_columns", "gpkg_data_column_constraints",
    }  # fmt: skip
    assert gpd.read_file(path, layer="units", rows=3)["unit_id"].notna().all()


def test_priorities_that_name_no_field_stop_with_the_nearest(larkmoor_toml, tmp_path):
    template = resources.files("layers.settings.templates") / "priorities.toml"
    priorities = template.read_text("utf-8")
    county = tmp_path / "county.toml"
    (tmp_path / "units.csv").write_text("unit_id,lat,lon\n1,39.7,-85.8\n")
    county.write_text(
        '[county]\nname = "T"\nas_of = 2026-04-01\n[layers.units]\npath = "units.csv"\n'
        '[priorities]\npath = "priorities.toml"\n'
    )
    for wrong, says in (
        (priorities.replace('"age_years"', '"age_year"'), "no field 'age_year'; 'age_years'"),
        (
            priorities.replace("repair = 0.85", "repairs = 0.85"),
            "last_result never has the value 'repairs'",
        ),
    ):
        assert wrong != priorities
        (tmp_path / "priorities.toml").write_text(wrong, "utf-8")
        with pytest.raises(CountyFileError, match=says):
            read_county(county)
    assert isinstance(read_county(larkmoor_toml).priorities, Priorities)
