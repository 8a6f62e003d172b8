"""The helpers of the tests: a comparison that cannot find a difference would prove nothing."""

from __future__ import annotations

import json
import shutil
import sqlite3
import sys
from pathlib import Path

import conftest
import openpyxl
import pytest

from support.compare_folders import differences, main


@pytest.fixture
def folders(tmp_path):
    one, other = tmp_path / "one", tmp_path / "other"
    one.mkdir()
    with sqlite3.connect(one / "a.gpkg") as base:
        base.execute("CREATE TABLE gpkg_contents (table_name TEXT, last_change TEXT)")
        base.execute("INSERT INTO gpkg_contents VALUES ('units', 'today')")
        base.execute("CREATE TABLE units (unit_id TEXT, score REAL)")
        base.execute("INSERT INTO units VALUES ('001', 1.5)")
    run = {"seed": 0, "timings_s": {"all": 1.0}, "files": {"a.gpkg": "aa", "p.csv": "bb"}}
    (one / "run.json").write_text(json.dumps(run))
    (one / "page.html").write_text("page")
    book = openpyxl.Workbook()
    book.active["A1"] = 1
    book.save(one / "s.xlsx")
    shutil.copytree(one, other)
    return one, other


def change(base, statement):
    with sqlite3.connect(base) as opened:
        opened.execute(statement)


def changed_run(path, **changes):
    path.write_text(json.dumps(json.loads(path.read_text()) | changes))


def changed_book(path):
    book = openpyxl.load_workbook(path)
    book.active["A1"] = 2
    book.save(path)


def test_clocks_alone_are_no_difference(folders):
    one, other = folders
    change(other / "a.gpkg", "UPDATE gpkg_contents SET last_change = 'tomorrow'")
    files = {"a.gpkg": "other", "p.csv": "bb"}
    changed_run(other / "run.json", timings_s={"all": 2.0}, files=files)
    assert list(differences(one, other)) == []


@pytest.mark.parametrize(
    ("name", "spoil"),
    [
        ("a.gpkg", lambda f: change(f / "a.gpkg", "UPDATE units SET score = 1.6")),
        ("a.gpkg", lambda f: change(f / "a.gpkg", "ALTER TABLE units ADD COLUMN more TEXT")),
        ("a.gpkg", lambda f: change(f / "a.gpkg", "INSERT INTO units VALUES ('002', 1)")),
        ("run.json", lambda f: changed_run(f / "run.json", seed=1)),
        ("run.json", lambda f: changed_run(f / "run.json", files={"a.gpkg": "aa", "p.csv": "c"})),
        ("page.html", lambda f: (f / "page.html").write_text("pagE")),
        ("page.html", lambda f: (f / "page.html").unlink()),
        ("more.txt", lambda f: (f / "more.txt").touch()),
        ("s.xlsx", lambda f: changed_book(f / "s.xlsx")),
    ],
)
def test_whatever_else_differs_is_found(folders, name, spoil):
    one, other = folders
    spoil(other)
    assert {found for found, _ in differences(one, other)} == {name}


def test_an_allowance_covers_its_file_and_must_be_needed(folders, monkeypatch, capsys):
    one, other = folders
    (other / "page.html").write_text("other")

    def status(*allowed):
        words = [w for pattern in allowed for w in ("--allow", f"{pattern}:meant")]
        monkeypatch.setattr(sys, "argv", ["compare_folders", str(one), str(other), *words])
        return main()

    assert status() == 1
    assert status("page.html*") == 0
    assert status("page.html*", "run.json*") == 1
    assert "allowed but the same: run.json*" in capsys.readouterr().out


def test_the_longest_files_are_there():
    for end in conftest.LONGEST:
        assert list(Path(__file__).parent.rglob(f"{end}.py")), end
