"""Cells of text into ids, codes, numbers, days and flags."""

import datetime as dt
import math
import string

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from layers.fields.column_names import ColumnMissingError, folded, recognize
from layers.fields.days import parse_day
from layers.fields.schemas import SCHEMAS, Column
from layers.fields.values import clean_column

AS_OF = dt.date(2026, 4, 1)
NUMBER = Column("depth_m", "number", low=0.0, high=100.0)
CODE = Column("kind", "code", ("storm_sewer", "field_tile", "unknown"))


def cleaned(cells, column, *, factor=1.0, theirs=None):
    values, faults = clean_column(
        pd.Series(cells, dtype=object), column, as_of=AS_OF, factor=factor, theirs=theirs or {}
    )
    return values, [(fault.position, fault.code) for fault in faults]


def test_codes_fold_case_spaces_and_hyphens():
    values, faults = cleaned(["Storm Sewer", "FIELD-TILE", " field_tile ", "", None], CODE)
    assert values.tolist() == ["storm_sewer", "field_tile", "field_tile", "unknown", "unknown"]
    assert faults == []


def test_unknown_codes_say_so_with_the_choices():
    values, faults = clean_column(
        pd.Series(["pipe"], dtype=object), CODE, as_of=AS_OF, factor=1, theirs={}
    )
    assert values.tolist() == ["unknown"]
    assert faults[0].code == "code_unknown"
    assert faults[0].message == (
        "kind 'pipe' is not one of storm_sewer, field_tile, unknown. Fix: add"
        ' values = { kind = { "pipe" = "..." } }'
    )


def test_their_words_are_translated_before_anything_else():
    theirs = {"SS": "storm_sewer", "Field Drain": "field_tile"}
    values, faults = cleaned(["ss", "field-drain", "storm sewer"], CODE, theirs=theirs)
    assert values.tolist() == ["storm_sewer", "field_tile", "storm_sewer"]
    assert faults == []


@pytest.mark.parametrize(
    ("cell", "value"),
    [("3", 3), (" 3.50 ", 3.5), ("1e1", 10), ("+7", 7), ("12 ", 12), (".5", 0.5)],
)
def test_numbers(cell, value):
    values, faults = cleaned([cell], NUMBER)
    assert values[0] == value
    assert faults == []


def test_thousands_and_limits_in_their_own_unit():
    wide = Column("size_m", "number", high=5_000.0)
    assert cleaned(["1,234.5"], wide)[0][0] == 1234.5
    assert cleaned(["10,000"], wide, factor=0.3048)[0][0] == pytest.approx(3048)
    assert cleaned(["20,000"], wide, factor=0.3048)[1] == [(0, "number_impossible")]


@pytest.mark.parametrize("cell", ["six", "1,5", "3-4", "1_000", "inf", "nan(1)", "0x10", "2 ft"])
def test_unreadable_numbers_are_unknown(cell):
    values, faults = cleaned([cell], NUMBER)
    assert math.isnan(values[0])
    assert faults == [(0, "number_unreadable")]


@pytest.mark.parametrize("cell", ["-1", "100.1", "1e300"])
def test_impossible_numbers_are_unknown(cell):
    values, faults = cleaned([cell], NUMBER)
    assert math.isnan(values[0])
    assert faults == [(0, "number_impossible")]


@pytest.mark.parametrize("cell", [None, "", " ", "n/a", "NULL", "<Null>", "-9999", "-8888", "NaN"])
def test_blank_numbers_are_unknown_without_a_fault(cell):
    values, faults = cleaned([cell], NUMBER)
    assert math.isnan(values[0])
    assert faults == []


def test_flags():
    column = Column("pumped", "flag")
    values, faults = cleaned(["Y", "no", "TRUE", "0", "1", "", "maybe"], column)
    assert values[:5].tolist() == [True, False, True, False, True]
    assert values[5:].isna().all()
    assert faults == [(6, "code_unknown")]
    assert values.dtype == "boolean"


DAYS = [
    ("2019-07-04", (2019, 7, 4)),
    ("2019-07-04T10:20:30", (2019, 7, 4)),
    ("2019/7/4", (2019, 7, 4)),
    ("7/4/2019", (2019, 7, 4)),
    ("07-04-2019", (2019, 7, 4)),
    ("7/4/2019 12:00:00 AM", (2019, 7, 4)),
    ("7/4/98", (1998, 7, 4)),
    ("7/4/26", (2026, 7, 4)),  # the year counts, not the day: then it is ahead, and unknown
    ("7/4/27", (1927, 7, 4)),
    ("20190704", (2019, 7, 4)),
    ("July 4, 2019", (2019, 7, 4)),
    ("4 Jul 2019", (2019, 7, 4)),
    ("2019-07", (2019, 7, 15)),
    ("1998", (1998, 7, 1)),
    ("2026", (2026, 4, 1)),  # 1 July is not yet
    ("43650", (2019, 7, 4)),  # a spreadsheet's day number: 1 is 1900-01-01, with its leap day
    ("43650.75", (2019, 7, 4)),
    ("1562198400000", (2019, 7, 4)),  # milliseconds since 1970
    ("1562198400", (2019, 7, 4)),  # seconds
    ("20190704.0", (2019, 7, 4)),
    ("-100000000000", (1966, 10, 31)),  # before 1970
    ("July 2019", (2019, 7, 15)),
    ("4.7.2019", (2019, 4, 7)),
]


@pytest.mark.parametrize(("cell", "day"), DAYS)
def test_days(cell, day):
    assert parse_day(cell, AS_OF) == dt.date(*day)


@pytest.mark.parametrize(
    "cell",
    [
        "31/02/1998",
        "13/45/2019",
        "soon",
        "2024-13-05",
        "20191304",
        "0000-00-00",
        "2019-02-29",
        "1",
        "-5",
    ],
)
def test_what_is_no_day_is_unknown(cell):
    values, faults = cleaned([cell], Column("installed", "date"))
    assert values.isna().all()
    assert faults == [(0, "date_unreadable")]


@pytest.mark.parametrize("cell", ["0", "0.0", "00000000", "1899-12-30", "1/0/1900", "12/30/1899"])
def test_zero_is_no_day_and_no_fault(cell):
    values, faults = cleaned([cell, "2019-07-04"], Column("installed", "date"))
    assert values.isna().tolist() == [True, False]
    assert faults == []


def test_a_year_alone_says_so():
    values, faults = cleaned(["1998", "1999-01-02", "2001"], Column("installed", "date"))
    assert values.dt.strftime("%Y-%m-%d").tolist() == ["1998-07-01", "1999-01-02", "2001-07-01"]
    assert faults == [(0, "date_year_only"), (2, "date_year_only")]


@pytest.mark.parametrize(
    ("cells", "days", "says"),
    [
        (["3/4/2019"], ["2019-03-04"], "is read as month/day/year: '3/4/2019' as 2019-03-04"),
        (["3/4/2019", "3/25/2019"], ["2019-03-04", "2019-03-25"], None),  # the second tells
        (["4/4/2019"], ["2019-04-04"], None),  # either way the same
        (
            ["3/4/2019", "25/3/2019"],
            ["2019-04-03", "2019-03-25"],
            "is read as day/month/year: '3/4/2019' as 2019-04-03",
        ),
    ],
)
def test_the_order_of_slashed_days_is_read_from_the_column(cells, days, says):
    column = Column("installed", "date")
    values, faults = clean_column(
        pd.Series(cells, dtype=object), column, as_of=AS_OF, factor=1, theirs={}
    )
    assert values.dt.strftime("%Y-%m-%d").tolist() == days
    assert [fault.message for fault in faults] == ([f"installed {says}"] if says else [])


def test_a_column_of_both_orders_is_read_the_usual_way():
    cells = ["3/4/2019", "25/3/2019", "3/25/2019"]
    values, faults = cleaned(cells, Column("installed", "date"))
    assert values.isna().tolist() == [False, True, False]
    assert faults == [(1, "date_unreadable"), (0, "date_order_taken")]


def test_days_ahead_are_unknown_unless_the_column_looks_ahead():
    cells = ["2026-04-01", "2026-04-02", "2205-01-01"]
    values, faults = cleaned(cells, Column("installed", "date"))
    assert values.notna().tolist() == [True, False, False]
    assert faults == [(1, "date_in_future"), (2, "date_in_future")]
    values, faults = cleaned(cells, SCHEMAS["permits"].column("expires"))
    assert values.notna().tolist() == [True, True, False]
    assert faults == [(2, "date_unreadable")]


def test_control_characters_go_and_text_stays():
    hostile = [
        "=1+1",
        "<script>a(1)</script>",
        "a\x07b\u202e",
        "two\nlines",
        "../../x",
        "x\x00",
    ]
    values, faults = cleaned(hostile, Column("note", "text"))
    assert values.tolist() == [
        "=1+1", "<script>a(1)</script>", "ab", "two lines", "../../x", "x",
    ]  # fmt: skip
    assert faults == [(2, "text_controls"), (5, "text_controls")]


@settings(deadline=None)
@given(
    st.lists(st.none() | st.text(max_size=12) | st.text(string.digits + "/-. ,", max_size=12)),
    st.sampled_from(
        [
            NUMBER,
            CODE,
            Column("pumped", "flag"),
            Column("installed", "date"),
            Column("note", "text"),
            Column("unit_id", "id"),
        ]
    ),
)
def test_no_cell_whatever_stops_the_work(cells, column):
    values, faults = cleaned(cells, column)
    assert len(values) == len(cells)
    assert all(0 <= position < len(cells) for position, _ in faults)
    if column.kind == "date":
        known = values.dropna()
        assert (known <= pd.Timestamp(AS_OF)).all()
    if column.kind == "number":
        assert values.dropna().between(0, 100).all()


# -------------------------------------------------------------------------------------- columns


def found(names, layer="units", **given):
    return recognize(names, SCHEMAS[layer], given, where="units.csv")


def test_columns_are_known_by_our_name_or_another():
    names = ["OBJECTID", "Sys No", "LOCATION-BASIS", "Longitude", "LAT", "Site Address", "PIN"]
    assert found(names) == {
        "unit_id": "Sys No",
        "location_basis": "LOCATION-BASIS",
        "lon": "Longitude",
        "lat": "LAT",
        "address": "Site Address",
        "parcel_id": "PIN",
    }


def test_our_name_goes_before_another_and_the_county_file_before_both():
    assert found(["unit", "unit_id"])["unit_id"] == "unit_id"
    assert found(["unit_id", "OLD_NO"], unit_id="OLD_NO")["unit_id"] == "OLD_NO"
    assert found(["unit_id", "old no"], unit_id="OLD_NO")["unit_id"] == "old no"


def test_one_column_is_not_taken_twice():
    assert found(["unit_id", "x"], permit_id="unit_id") == {"permit_id": "unit_id", "x": "x"}


def test_a_missing_column_lists_those_there_and_the_nearest():
    with pytest.raises(ColumnMissingError) as caught:
        found(["SYSNO", "LAT"], unit_id="SYS_NUM")
    assert "column 'SYS_NUM', set for 'unit_id' in the county file" in caught.value.what
    assert "it has: 'SYSNO', 'LAT'; likely columns = { unit_id = \"SYSNO\" }" in caught.value.hint


def test_what_is_not_near_is_not_guessed():
    with pytest.raises(ColumnMissingError) as caught:
        found(["Longitude", "LAT"], unit_id="Number")
    assert "perhaps" not in caught.value.hint
    assert caught.value.hint == (
        "set 'columns' to names in the file, as in columns = { unit_id = \"...\" };"
        " it has: 'Longitude', 'LAT'"
    )


def test_folded():
    assert folded("Unit  ID#") == folded("unit_id") == "unitid"
