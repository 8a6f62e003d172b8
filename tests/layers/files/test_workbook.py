"""Spreadsheets: what becomes a formula and what never does, and that equal rows give equal bytes.

The files are read back by openpyxl as any program would read them.
"""

import datetime as dt
import io
import zipfile

import openpyxl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from layers.files.workbook import Changeable, Formula, Heading, Sheet, workbook_bytes

DAY = dt.date(2026, 4, 1)
HOSTILE = ["=1+1", "+cmd|' /C calc'!A0", "-2+3", "@SUM(1+1)", "\t=1", "=A1&B1", "#N/A"]


def written(rows, **kwargs):
    return workbook_bytes([Sheet("Only", rows)], title="t", day=DAY, **kwargs)


def read(content):
    return openpyxl.load_workbook(io.BytesIO(content))["Only"]


@pytest.mark.parametrize("text", HOSTILE)
def test_text_never_becomes_a_formula(text):
    cell = read(written([[text]]))["A1"]
    assert cell.data_type == "s"
    assert cell.value == text
    assert cell.quotePrefix == (text[0] in "=+-@\t")


@given(st.text(max_size=40))
@settings(max_examples=60, deadline=None)
def test_any_text_can_be_written_and_stays_text(text):
    content = written([["first", text]])
    with zipfile.ZipFile(io.BytesIO(content)) as book:
        assert b"<f>" not in book.read("xl/worksheets/sheet1.xml")
    assert read(content)["B1"].data_type != "f"


def test_only_a_formula_is_one():
    page = read(written([[Formula("=1+1"), Heading("=1+1"), Changeable(0.25), 7, None, True]]))
    assert [c.data_type for c in page[1]] == ["f", "s", "n", "n", "n", "b"]
    assert page["C1"].value == 0.25
    assert page["B1"].font.bold


def test_a_formula_keeps_what_it_gives():
    content = written([[Formula("=1/3", 1 / 3), Formula('=""', "<a>"), Formula("=1")]])
    page = openpyxl.load_workbook(io.BytesIO(content), data_only=True)["Only"]
    assert page["A1"].value == pytest.approx(1 / 3, abs=1e-12)
    assert [page["B1"].value, page["C1"].value] == ["<a>", None]
    assert read(content)["A1"].value == "=1/3"


def test_names_reach_their_cells():
    content = written([[3], [Formula("=weight_1*2")]], names={"weight_1": "Only!$A$1"})
    book = openpyxl.load_workbook(io.BytesIO(content))
    assert book.defined_names["weight_1"].attr_text == "Only!$A$1"


def test_control_characters_and_lone_surrogates_become_question_marks():
    assert read(written([["a\x00b\ud800c\x1fd"]]))["A1"].value == "a?b?c?d"


def test_text_longer_than_a_cell_is_cut():
    assert len(read(written([["x" * 40_000]]))["A1"].value) == 32_767


def test_the_same_rows_give_the_same_bytes_whatever_the_clock(monkeypatch):
    import time

    first = written([["a", 1.5, Formula("=B1*2")]])
    monkeypatch.setattr(time, "time", lambda: 2_000_000_000.0)
    monkeypatch.setattr(
        time, "localtime", lambda *_: time.struct_time((2033, 5, 18, 3, 33, 20, 2, 138, 0))
    )
    assert written([["a", 1.5, Formula("=B1*2")]]) == first
    with zipfile.ZipFile(io.BytesIO(first)) as book:
        assert {entry.date_time for entry in book.infolist()} == {(1980, 1, 1, 0, 0, 0)}
        assert b"2026-04-01T00:00:00Z" in book.read("docProps/core.xml")
