"""The spreadsheet of the score, reckoned by a library that knows nothing of this project."""

import io
import zipfile
from dataclasses import replace

import numpy as np
import openpyxl
import pandas as pd
import pytest

from geo.order.priorities import prioritize
from geo.publish import score_workbook
from layers.settings.priority_settings import Priorities
from support.assessments import with_run
from support.reckoning import Reckoned


@pytest.fixture(scope="module")
def content(larkmoor_result):
    return score_workbook(larkmoor_result)


@pytest.fixture(scope="module")
def some(larkmoor_result):
    """Every thirtieth unit: enough where the formulas are reckoned again and again."""
    return replace(larkmoor_result, units=larkmoor_result.units[::30].reset_index(drop=True))


@pytest.fixture(scope="module")
def book(content):
    return openpyxl.load_workbook(io.BytesIO(content))


@pytest.fixture(scope="module")
def heads(book):
    return {cell.value: i for i, cell in enumerate(book["Score"][1], start=1)}


def priorities_of(result, **changes):
    """The method the run holds, as a checked model."""
    run = result.run
    return Priorities.model_validate({"parts": run.parts, "not_scored": run.not_scored} | changes)


def scores(book, column=3):
    reckoned = Reckoned(book)
    return [reckoned("Score", column, row) for row in range(2, book["Score"].max_row + 1)]


@pytest.mark.parametrize("every", [20, pytest.param(1, marks=pytest.mark.long)])
def test_every_score_of_the_county_is_reckoned_to_1e_9(book, heads, larkmoor_result, every):
    units, reckoned = larkmoor_result.units, Reckoned(book)
    parts = larkmoor_result.run.parts
    columns = {"score by these formulas": "score", "likelihood": "likelihood", "harm": "harm"}
    columns |= {f"points: {part['label']}": f"part_{name}" for name, part in parts.items()}
    assert book["Score"].max_row == len(units) + 1
    for head, ours in columns.items():
        got = [reckoned("Score", heads[head], row) for row in range(2, len(units) + 2, every)]
        np.testing.assert_allclose(got, units[ours][::every], rtol=0, atol=1e-9, err_msg=head)
    check = [reckoned("Score", heads["difference"], r) for r in range(2, len(units) + 2, every)]
    assert np.abs(check).max() < 1e-9


@pytest.mark.long
def test_what_stands_beside_each_formula_is_what_it_gives(content, book):
    """A program that only shows files shows these; reckoned by the library, cell by cell."""
    shown = openpyxl.load_workbook(io.BytesIO(content), data_only=True)
    reckoned, stated = Reckoned(book), 0
    for sheet, rows in (("Parts", None), ("Score", 60)):
        for row in book[sheet].iter_rows(max_row=rows):
            for cell in row:
                if cell.data_type != "f":
                    continue
                stated += 1
                got, kept = reckoned(sheet, cell.column, cell.row), shown[sheet][cell.coordinate]
                if got in ("", None):
                    assert kept.value in ("", None), cell.coordinate
                else:
                    assert kept.value == pytest.approx(got, rel=1e-11, abs=1e-9), cell.coordinate
    assert stated > 2_000
    scores = [row[2].value for row in shown["Score"].iter_rows(min_row=2)]
    assert all(isinstance(score, float | int) for score in scores)
    places = [row[6].value for row in shown["Score"].iter_rows(min_row=2)]
    assert places == pd.Series(scores).rank(method="min", ascending=False).tolist()


def test_a_skeptic_changes_a_weight_and_the_scores_move_as_ours_do(some):
    book = openpyxl.load_workbook(io.BytesIO(score_workbook(some)))
    parts, names = some.run.parts, list(some.run.parts)
    weights = {n: parts[n]["weight"] + by for n, by in (("age", 0.05), ("wetness", -0.05))}
    for name, weight in weights.items():
        place = book.defined_names[f"weight_{names.index(name) + 1}"].attr_text
        book["Parts"][place.split("!")[1].replace("$", "")].value = weight
    theirs = priorities_of(
        some, parts={n: p | {"weight": weights.get(n, p["weight"])} for n, p in parts.items()}
    )
    ours = prioritize(some.units, theirs)["score"]
    assert np.abs(ours - some.units["score"]).max() > 0.1
    np.testing.assert_allclose(scores(book), ours, rtol=0, atol=1e-9)


@pytest.mark.long
def test_a_point_of_a_curve_moves_the_score_too(some):
    book = openpyxl.load_workbook(io.BytesIO(score_workbook(some)))
    before = np.array(scores(book))
    first = [row[0].value for row in book["Parts"].iter_rows(max_col=1)]
    age = next(i for i, v in enumerate(first) if str(v).startswith("Age of the unit"))
    top = first.index("from", age) + 3  # the row after the one for what lies below
    for row in range(top, top + len(some.run.parts["age"]["curve"])):
        book["Parts"].cell(row, 2).value = 1.0  # every age as bad as can be
    after = np.array(scores(book))
    known = some.units["age_years"].notna() & (some.units["score"] > 0)
    assert (after[known] >= before[known] - 1e-12).all()
    assert (after[known] > before[known] + 1e-6).any()


def test_the_sum_of_weights_is_shown(book):
    reckoned, sums = Reckoned(book), {}
    for row in book["Parts"].iter_rows(max_col=3):
        if isinstance(row[0].value, str) and row[0].value.startswith("sum of"):
            sums[row[0].value] = reckoned("Parts", 3, row[0].row)
    assert len(sums) == 2
    assert list(sums.values()) == pytest.approx([1.0, 1.0])


def test_hostile_text_of_the_county_stays_text(book, larkmoor_result):
    ids = [cell.value for cell in book["Units"]["A"]][1:]
    assert ids == larkmoor_result.units["unit_id"].tolist()
    assert {cell.data_type for row in book["Units"].iter_rows() for cell in row} <= {"s", "n"}


def test_ids_that_look_like_formulas_stay_text(larkmoor_result):
    units = larkmoor_result.units.head(4).copy()
    units["unit_id"] = ["=1+1", "+2", "-3", "@SUM(A1)"]
    units["status"] = ["=cmd|' /C calc'!A0", "*", "act?ve", "active"]
    content = score_workbook(replace(larkmoor_result, units=units))
    book = openpyxl.load_workbook(io.BytesIO(content))
    assert [c.data_type for c in book["Units"]["A"]] == ["s"] * 5
    assert [c.data_type for c in book["Score"]["A"]] == ["s"] * 5
    # a wild card in a word is no match for "sewered": the scores are those of the words as told
    theirs = priorities_of(larkmoor_result)
    np.testing.assert_allclose(scores(book), prioritize(units, theirs)["score"], atol=1e-9)


def test_values_beyond_and_on_the_points_of_a_curve(larkmoor_result):
    ages = [-5.0, 0.0, 1e-9, 5.0, 15.0, 24.999999, 35.0, 36.0, 1e6, np.nan]
    units = pd.concat([larkmoor_result.units.head(1)] * len(ages), ignore_index=True)
    units["unit_id"] = [f"U{i}" for i in range(len(ages))]
    units["status"] = "active"
    units["age_years"] = ages
    theirs = priorities_of(larkmoor_result)
    result = replace(larkmoor_result, units=units)
    book = openpyxl.load_workbook(io.BytesIO(score_workbook(result)))
    np.testing.assert_allclose(scores(book), prioritize(units, theirs)["score"], rtol=0, atol=1e-9)


def test_the_same_assessment_gives_the_same_bytes(larkmoor_result, content):
    assert score_workbook(larkmoor_result) == content


def test_only_functions_every_spreadsheet_program_knows(content):
    import re

    with zipfile.ZipFile(io.BytesIO(content)) as packed:
        sheets = [packed.read(f"xl/worksheets/sheet{i}.xml").decode() for i in (1, 2, 3)]
    used = set(re.findall(r"([A-Z]+)\(", " ".join(re.findall("<f>(.*?)</f>", " ".join(sheets)))))
    # all in the small group of the Open Document formula standard (OpenFormula 1.2, from memory)
    assert used <= {"IF", "AND", "OR", "COUNT", "COUNTIF", "EXACT", "ISNUMBER", "LOOKUP", "MAX",
                    "MIN", "SUMIF", "SUMPRODUCT"}  # fmt: skip


def test_an_assessment_without_its_curves_is_refused(larkmoor_result):
    without = with_run(larkmoor_result, parts={"age": {"label": "Age", "axis": "likelihood"}})
    with pytest.raises(ValueError, match="does not hold the curves of its parts"):
        score_workbook(without)
