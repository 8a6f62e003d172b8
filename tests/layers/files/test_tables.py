"""Tables as text, and CSV that stays text in a spreadsheet."""

import csv
import datetime as dt
import io
import zipfile

import numpy as np
import openpyxl
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from layers.errors import LayerError
from layers.files.tables import read_table, write_csv


def saved(path, data):
    path.write_bytes(data if isinstance(data, bytes) else data.encode("utf-8"))
    return path


def cells(layer):
    return {name: layer.texts(name).tolist() for name in layer.columns}


def test_every_cell_is_text_and_leading_zeros_stay(tmp_path):
    layer = read_table(saved(tmp_path / "a.csv", "unit_id,x\n0042,1.50\n00,\n"))
    assert cells(layer) == {"unit_id": ["0042", "00"], "x": ["1.50", None]}
    assert layer.rows.tolist() == [2, 3]


@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
def test_separators(tmp_path, delimiter):
    text = f'unit_id{delimiter}"a,b;c"\n1{delimiter}"x{delimiter}y"\n'
    layer = read_table(saved(tmp_path / "a.csv", text))
    assert cells(layer) == {"unit_id": ["1"], "a,b;c": [f"x{delimiter}y"]}


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "cp1252", "utf-16"])
def test_encodings(tmp_path, encoding):
    layer = read_table(
        saved(tmp_path / "a.csv", "unit_id,address\n1,Café Weg 3\n".encode(encoding))
    )
    assert cells(layer) == {"unit_id": ["1"], "address": ["Café Weg 3"]}


def test_rows_are_lines_of_the_file(tmp_path):
    text = 'unit_id,note\n1,"two\nlines"\n\n2,plain\n'
    layer = read_table(saved(tmp_path / "a.csv", text))
    assert layer.rows.tolist() == [2, 5]
    assert cells(layer)["note"] == ["two\nlines", "plain"]


def test_ragged_rows_and_odd_headers_lose_nothing(tmp_path):
    layer = read_table(saved(tmp_path / "a.csv", "id,,id\n1,2\n1,2,3,4\n"))
    assert cells(layer) == {
        "id": ["1", "1"],
        "column_2": ["2", "2"],
        "id_2": [None, "3"],
        "column_4": [None, "4"],
    }


@pytest.mark.parametrize("data", [b"", b"\n\n", b"\xef\xbb\xbf"])
def test_an_empty_table_is_refused(tmp_path, data):
    with pytest.raises(LayerError, match="empty"):
        read_table(saved(tmp_path / "a.csv", data))


def workbook(tmp_path, rows, title="Sheet1"):
    book = openpyxl.Workbook()
    page = book.active
    page.title = title
    for row in rows:
        page.append(row)
    path = tmp_path / "a.xlsx"
    book.save(path)
    return path


def test_spreadsheet_cells(tmp_path):
    rows = [
        ["unit_id", "count", "day", "flag", "size", "stamp"],
        ["0042", 12, dt.date(2020, 2, 29), True, 1.25, dt.datetime(2020, 1, 1, 8, 30)],
        ["12.0", 12.0, None, False, 3.0, None],
    ]
    layer = read_table(workbook(tmp_path, rows))
    assert cells(layer) == {
        "unit_id": ["0042", "12.0"],
        "count": ["12", "12"],
        "day": ["2020-02-29", None],
        "flag": ["true", "false"],
        "size": ["1.25", "3"],
        "stamp": ["2020-01-01T08:30:00", None],
    }


def test_a_whole_number_some_program_stored_as_a_decimal_has_no_point(tmp_path):
    path = workbook(tmp_path, [["unit_id", "text"], [12, "12.0"]])
    with zipfile.ZipFile(path) as archive:
        parts = {name: archive.read(name) for name in archive.namelist()}
    sheet = "xl/worksheets/sheet1.xml"
    assert b"<v>12</v>" in parts[sheet]
    parts[sheet] = parts[sheet].replace(b"<v>12</v>", b"<v>12.0</v>")
    with zipfile.ZipFile(path, "w") as archive:
        for name, data in parts.items():
            archive.writestr(name, data)
    assert cells(read_table(path)) == {"unit_id": ["12"], "text": ["12.0"]}


def test_a_title_above_the_header_is_passed_over_and_rows_still_count(tmp_path):
    rows = [["Units of the county"], [], ["unit_id", "kind"], ["1", "a"], [None, None], ["2", "b"]]
    layer = read_table(workbook(tmp_path, rows))
    assert layer.rows.tolist() == [4, 6]
    assert cells(layer) == {"unit_id": ["1", "2"], "kind": ["a", "b"]}


def test_a_missing_sheet_names_those_there(tmp_path):
    path = workbook(tmp_path, [["unit_id", "a"], ["1", "2"]], title="Systems")
    with pytest.raises(LayerError, match="one of: Systems"):
        read_table(path, sheet="Units")
    assert len(read_table(path, sheet="Systems")) == 1


@pytest.mark.parametrize("data", [b"not a zip", b"PK\x03\x04broken"])
def test_a_damaged_spreadsheet_is_refused(tmp_path, data):
    with pytest.raises(LayerError, match="not an XLSX"):
        read_table(saved(tmp_path / "a.xlsx", data))


def test_a_missing_file_is_refused(tmp_path):
    with pytest.raises(LayerError, match="No such file"):
        read_table(tmp_path / "none.csv")


# ------------------------------------------------------------------------------------------ write


def written(tmp_path, frame):
    write_csv(frame, tmp_path / "out.csv")
    return (tmp_path / "out.csv").read_bytes()


def test_formulas_are_neutralised_in_text_only(tmp_path):
    frame = pd.DataFrame(
        {
            "t": ["=1+1", "+a", "-b", "@c", "\td", "\re", "plain", None],
            "n": [-1.5, np.nan, 2.0, -3, 0, 1, 2, 3],
            "i": pd.array([-1, None, 3, 4, 5, 6, 7, 8], dtype="Int64"),
        }
    )
    back = list(csv.reader(io.StringIO(written(tmp_path, frame).decode(), newline="")))
    assert [row[0] for row in back[1:]] == [
        "'=1+1", "'+a", "'-b", "'@c", "'\td", "'\ne", "plain", "",
    ]  # fmt: skip
    assert [row[1] for row in back[1:3]] == ["-1.5", ""]
    assert [row[2] for row in back[1:3]] == ["-1", ""]


def test_days_flags_and_floats(tmp_path):
    frame = pd.DataFrame(
        {
            "day": pd.to_datetime(["2020-01-02", None]),
            "flag": pd.array([True, None], dtype="boolean"),
            "f": [0.1 + 0.2, 1e-20],
        }
    )
    assert written(tmp_path, frame) == (
        b"day,flag,f\n2020-01-02,True,0.30000000000000004\n,,1e-20\n"
    )


def test_the_same_table_gives_the_same_bytes(tmp_path):
    frame = pd.DataFrame({"a": ["ü", "x"], "b": [1 / 3, 2.0]})
    assert written(tmp_path, frame) == written(tmp_path, frame.copy())


@settings(deadline=None)
@given(st.lists(st.text(), min_size=1, max_size=5))
def test_no_text_cell_starts_a_formula(tmp_path_factory, texts):
    path = tmp_path_factory.mktemp("csv") / "out.csv"
    write_csv(pd.DataFrame({"t": texts, "k": range(len(texts))}), path)
    back = list(csv.reader(io.StringIO(path.read_bytes().decode("utf-8"), newline="")))
    for row in back[1:]:
        assert not row[0].startswith(("=", "+", "-", "@", "\t", "\r"))
    assert len(back) == len(texts) + 1
